//! What the supply's meters are worth: their real resolution, whether they measure at all.

use super::rules::{Context, Settings};
use crate::quantity::{Amps, Reading, Regulation, Volts};

/// Grids coarser than the count in the settings that are looked for, in counts.
const GRIDS: [f64; 4] = [2.0, 5.0, 10.0, 100.0];
/// A grid is believed once so many readings have kept to it and moved on it.
const ENOUGH: u32 = 12;
/// Volts that stay the same to the count while the current rises by this factor do not measure it.
const STUCK: f64 = 1.5;

/// What was learned of the meters in the ramps. Bounded.
#[derive(Clone, Debug, Default)]
pub(super) struct Meter {
    /// Ramp readings that were the setpoints to the last count, and all of them.
    echoed: (u32, u32),
    seen: u32,
    off_grid: [bool; GRIDS.len()],
    /// The volts when they last moved by a count or more. Not those of the last reading: in a slow ramp each may be less
    /// than a count above the one before.
    moved_to: Option<Volts>,
    /// The least current since.
    moved_at: Option<Amps>,
    stuck: bool,
}

impl Meter {
    /// Takes one reading of a ramp.
    pub fn learn(&mut self, r: &Reading, cx: &Context, s: &Settings) {
        if !cx.current_control
            || r.amps <= s.amps_count * 3.0
            || r.regulation == Some(Regulation::ConstantVoltage)
            || !r.volts.get().is_finite()
        {
            return;
        }
        let same = |a: f64, b: f64, count: f64| (a - b).abs() < 0.5 * count;
        self.echoed.1 = self.echoed.1.saturating_add(1);
        if same(r.volts.get(), cx.set_volts.get(), s.volts_count.get())
            && same(r.amps.get(), cx.set_amps.get(), s.amps_count.get())
        {
            self.echoed.0 = self.echoed.0.saturating_add(1);
        }
        for (off, grid) in self.off_grid.iter_mut().zip(GRIDS) {
            let counts = r.volts.get() / (s.volts_count.get() * grid);
            *off |= (counts - counts.round()).abs() * grid > 0.25;
        }
        if self.moved_to.is_none_or(|v| !same(v.get(), r.volts.get(), s.volts_count.get())) {
            self.seen = self.seen.saturating_add(1);
            (self.moved_to, self.moved_at) = (Some(r.volts), Some(r.amps));
            self.stuck = false;
        } else {
            // After a turn the current rises from nothing again, over volts that may have stood since before it.
            let least = self.moved_at.map_or(r.amps, |a| a.min(r.amps));
            self.moved_at = Some(least);
            self.stuck |= r.amps > least * STUCK && r.amps > s.amps_count * 10.0;
        }
    }

    /// The supply reports what it was told in place of what it measures.
    pub fn echoes(&self) -> bool {
        self.echoed.1 >= ENOUGH && self.echoed.0 == self.echoed.1
    }

    /// The voltmeter stands still while the current rises: at the end of its range, or dead.
    pub fn stuck(&self) -> bool {
        self.stuck && !self.echoes()
    }

    /// One count as the readings show it, which may be coarser than the settings say.
    pub fn count(&self, s: &Settings) -> Volts {
        let grid = GRIDS.iter().zip(self.off_grid).rev().find(|(_, off)| !off).map_or(1.0, |(g, _)| *g);
        if self.seen >= ENOUGH { s.volts_count * grid } else { s.volts_count }
    }
}

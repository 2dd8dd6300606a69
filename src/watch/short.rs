//! Whether what hangs is a bath or a bridge: for shorts that are there before anything was learned of the load.
//!
//! Metal that touches metal is a resistor: its volts are in proportion to the amperes from the first one on. A bath is
//! none: whatever the solution and the leads take, both electrodes need some tens of millivolts more, and most of them
//! early (Tafel's law). Copper in acid sulfate is about the least of all: exchange density some 1 mA/cm2, 51 mV per
//! e-fold at the cathode, 17 mV at the anode, 0.19 V at 1.6 A/dm2 (constants from memory). So a third of the way up the
//! ramp a bath stands above the straight line from nothing to where it stands now. How far is the bow.
//!
//! What it cannot see: a bridge of more ohms than [`MOST_OHMS`]; a touch that makes volts of its own (an arc, dirt or
//! oxide between); a voltmeter that shows 35 mV or more with nothing at its terminals.

use super::rules::{Context, Phase};
use crate::quantity::{Amps, Reading, Volts};
use std::time::Duration;

/// Work that touches, with leads and clips, has less: 100 milliohm, and 100 for the leads (common practice, no source).
const MOST_OHMS: f64 = 0.2;
/// A bow below this, either way, is a bridge's …
const BRIDGE_BOW: f64 = 0.010;
/// … and one above this a bath's; between them nobody can tell. The copper above makes 0.04 V.
const BATH_BOW: f64 = 0.020;
/// No bath works with less, whatever its bow.
const LEAST_VOLTS: f64 = 0.2;
/// A bridge that took more would glow.
const MOST_VOLTS: f64 = 2.0;
/// At fewer amperes per square metre the same copper bows by less than [`BATH_BOW`] and may pass for a bridge.
const FLAT: f64 = 80.0;
/// Where the ramp told nothing, more than this is taken for a bath's.
const UNASKED_VOLTS: f64 = 1.0;
/// From this share of the current aimed at a bow counts; below, a bath may still be straight.
const BOWED: f64 = 0.3;
/// From this share on the lack of one does.
const STRAIGHT: f64 = 0.7;
/// Readings are summed up in bands of current so wide, as a share of the current aimed at.
const BAND: f64 = 0.05;
/// Which of them, as a share of the current now, show the bow …
const LOW: (f64, f64) = (0.15, 0.6);
/// … over the straight line to those from here on.
const HIGH: f64 = 0.9;
/// The scatter of one reading, as a share of the meter's step and of the volts.
const SCATTER: (f64, f64) = (0.3, 0.003);
/// The setpoint stands so long before anybody is asked: longer than the watch takes to cut.
const STANDS: Duration = Duration::from_secs(3);

/// What the volts in the ramp look like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Look {
    /// A bath, or more ohms than any bridge has, or too early to say.
    Bath,
    /// A bridge.
    Bridge,
    /// Either.
    Unclear,
}

/// Volts over amperes from the first ampere on. Bounded.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Rise {
    bands: [Band; 24],
    aim: f64,
    /// The ramp has shown a bath's bow, or more ohms than any bridge has.
    bath: bool,
    /// A person was sent to look.
    asked: bool,
    /// A person has looked.
    looked: bool,
}

#[derive(Clone, Copy, Debug, Default)]
struct Band {
    n: f64,
    amps: f64,
    volts: f64,
}

impl Rise {
    /// Of a load that a person has looked at.
    pub fn looked_at() -> Rise {
        Rise { looked: true, ..Rise::default() }
    }

    /// Somebody is sent to look.
    pub fn ask(&mut self) {
        self.asked = true;
    }

    /// Whether somebody was.
    pub fn asked(&self) -> bool {
        self.asked
    }

    /// The ramp has shown that it is a bath, or more ohms than any bridge has.
    pub fn is_bath(&self) -> bool {
        self.bath
    }

    /// Takes one reading. `count` is one step of the voltmeter as its readings show it.
    pub fn take(&mut self, r: &Reading, cx: &Context, amps_count: Amps, count: Volts) {
        let (i, v) = (r.amps.get(), r.volts.get());
        let flows =
            cx.output_on && matches!(cx.phase, Phase::Ramp | Phase::Steady) && r.amps > amps_count * 5.0;
        let sound = i.is_finite() && v.is_finite() && cx.aim_amps.is_positive();
        if self.bath || !flows || !sound {
            return;
        }
        if self.aim == 0.0 {
            self.aim = cx.aim_amps.get();
        }
        let at = (i / self.aim / BAND) as usize;
        let Some(band) = self.bands.get_mut(at) else { return };
        *band = Band { n: band.n + 1.0, amps: band.amps + i, volts: band.volts + v };
        let more = v >= MOST_OHMS * i && i >= self.aim * STRAIGHT;
        let bowed = || self.bow(i, count).is_some_and(|(bow, error)| bow - error > BATH_BOW);
        self.bath = v > LEAST_VOLTS && (more || i >= self.aim * BOWED && bowed());
    }

    /// How far the volts of less current lie above the straight line from nothing to those of `amps`, and the error of
    /// that, two sigma.
    fn bow(&self, amps: f64, count: Volts) -> Option<(f64, f64)> {
        let sum = |from: f64, to: f64| {
            let place = |share: f64| (share * amps / self.aim / BAND).round() as usize;
            let bands = self.bands.get(place(from)..place(to).min(self.bands.len()))?;
            let all = bands.iter().fold(Band::default(), |a, b| Band {
                n: a.n + b.n,
                amps: a.amps + b.amps,
                volts: a.volts + b.volts,
            });
            (all.n > 0.0).then_some(all)
        };
        let (low, high) = (sum(LOW.0, LOW.1)?, sum(HIGH, f64::INFINITY)?);
        let share = low.amps / low.n / (high.amps / high.n);
        let (below, above) = (low.volts / low.n, high.volts / high.n);
        let scatter = SCATTER.0 * count.get() + SCATTER.1 * above.abs();
        Some((below - share * above, 2.0 * scatter * (1.0 / low.n + share * share / high.n).sqrt()))
    }

    /// What this reading and those before it look like.
    pub fn look(&self, r: &Reading, cx: &Context, count: Volts) -> Look {
        let (i, v) = (r.amps.get(), r.volts.get());
        let enough = r.amps.is_positive() && r.amps >= cx.aim_amps * STRAIGHT;
        if self.bath || self.looked || !enough || v >= MOST_OHMS * i || v >= MOST_VOLTS {
            return Look::Bath;
        }
        match self.bow(i, count) {
            Some((bow, error)) if bow.abs() + error < BRIDGE_BOW && !is_flat(cx) => Look::Bridge,
            Some(_) => Look::Unclear,
            None if v < UNASKED_VOLTS => Look::Unclear,
            None => Look::Bath,
        }
    }

    /// Nothing will become clearer: the setpoint stands, or cannot be reached.
    pub fn has_settled(cx: &Context) -> bool {
        matches!(cx.phase, Phase::Ramp | Phase::Steady) && cx.since_change >= STANDS
    }
}

/// At so little density a good bath may be as straight as metal: a person looks, nothing is taken for granted.
pub(super) fn is_flat(cx: &Context) -> bool {
    cx.basis.is_some_and(|basis| cx.aim_amps.get() < FLAT * basis.area.get())
}

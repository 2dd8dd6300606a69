//! What all watches of a load judge from: its line, its drift, its margin.

use super::drift::{DriftWatch, Finding, Jump, Sample};
use super::line::{FittedLine, LoadLine};
use super::margin::{self, BathNow, Margin};
use super::meter::Meter;
use super::rules::{Context, Phase, Settings};
use super::short::{Look, Rise};
use crate::quantity::{Amps, Mono, Reading, Regulation, Volts};
use std::collections::VecDeque;
use std::time::Duration;

/// A step that somebody has looked at is shown as an alarm's condition for so long from when it came; one that nobody has
/// looked at stands until it is seen to be undone.
const STEP_STANDS: Duration = Duration::from_secs(60);
/// Below this share of ohmic volts a relative change is taken of the whole voltage.
const OHMIC_SHARE: f64 = 0.45;
/// So many readings are the end of a ramp.
const RAMP_END: usize = 3;
/// Noise so many times what it was when the load was well is a late sign of gas.
const NOISE_GROWTH: f64 = 3.0;

/// A step of the volts that has not been seen to be undone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Step {
    at: Mono,
    /// Volts before and after.
    pub volts: (f64, f64),
    /// Rise of what is ohmic, as a share, where the load's own line tells: that of the density, if area was lost.
    pub denser: Option<f64>,
    looked: bool,
}

impl Step {
    /// Up or down by how much of the volts, %.
    pub fn percent(&self) -> f64 {
        (self.volts.1 / self.volts.0.max(1e-3) - 1.0).abs() * 100.0
    }
}

/// Everything learned of the load that hangs now. Bounded, however long the run.
#[derive(Clone, Debug, Default)]
pub(super) struct Evidence {
    pub line: LoadLine,
    drift: DriftWatch,
    pub finding: Finding,
    /// Steps up and down that stand.
    up: Option<Step>,
    down: Option<Step>,
    new_step: Option<bool>,
    /// The line that relative changes are taken from, the same for all faces of a load; `Some(None)`: the weak one.
    yard: Option<Option<FittedLine>>,
    /// The last readings of the ramp, and by how many volts they lay above the line at its end.
    ramp_end: VecDeque<(Amps, Volts)>,
    above: f64,
    pub margin: Option<Margin>,
    pub noise_grew: bool,
    meter: Meter,
    steady_since: Option<Mono>,
    last: Option<Mono>,
    /// The most current this load has had, and the most volts it needed near it.
    most: Option<(Amps, Volts)>,
    rise: Rise,
}

impl Evidence {
    /// Takes one step; readings that are not newer than the last are passed over.
    pub fn take(&mut self, now: Mono, cx: &Context, s: &Settings) {
        self.forget_looked_at(now);
        let Some(r) = cx.reading else { return };
        if self.last.is_some_and(|at| r.at <= at) {
            return;
        }
        self.last = Some(r.at);
        self.remember_most(r, cx, s);
        self.rise.take(r, cx, s.amps_count, self.meter.count(s));
        if cx.phase == Phase::Ramp && cx.output_on {
            self.learn(r, cx, s);
        }
        self.steady_since = match cx.phase {
            Phase::Steady => Some(self.steady_since.unwrap_or(r.at)),
            _ => None,
        };
        self.finding = self.judge_volts(r, cx, s);
        if self.finding.back {
            (self.up, self.down) = (None, None);
        }
        if let Some(jump) = self.finding.step {
            self.note_step(now, jump, cx);
        }
        self.margin = self.burn_margin(r, cx, s);
    }

    fn note_step(&mut self, now: Mono, jump: Jump, cx: &Context) {
        let line = self.yard.flatten().filter(|_| cx.current_control && cx.set_amps.is_positive());
        let denser = line.map(|l| (jump.volts.1 - jump.volts.0) / (l.slope * cx.set_amps.get()));
        let step = Step { at: now, volts: jump.volts, denser, looked: false };
        self.new_step = Some(jump.size > 0.0);
        if jump.size > 0.0 {
            self.up = Some(step);
        } else {
            self.down = Some(step);
        }
    }

    fn forget_looked_at(&mut self, now: Mono) {
        let over = |s: &mut Step| s.looked && now.since(s.at) > STEP_STANDS;
        let gone = [self.up.take_if(over), self.down.take_if(over)];
        if gone.iter().any(Option::is_some) {
            self.drift.look();
        }
    }

    /// The step that stands, up or down.
    pub fn step(&self, up: bool) -> Option<Step> {
        if up { self.up } else { self.down }
    }

    /// The step that has come since this was last asked: up or down.
    pub fn take_new_step(&mut self) -> Option<bool> {
        self.new_step.take()
    }

    /// A step up of the last minute.
    pub fn fresh_rise(&self) -> Option<Step> {
        self.up.filter(|s| self.last.is_some_and(|at| at.since(s.at) <= STEP_STANDS))
    }

    /// Somebody has looked at the step up, or down.
    pub fn look_at_step(&mut self, up: bool) {
        let step = if up { &mut self.up } else { &mut self.down };
        if let Some(step) = step {
            step.looked = true;
        }
    }

    fn learn(&mut self, r: &Reading, cx: &Context, s: &Settings) {
        if r.amps > cx.set_amps * 0.08 && r.regulation != Some(Regulation::ConstantVoltage) {
            self.line.learn(r.volts, r.amps);
            self.ramp_end.push_back((r.amps, r.volts));
            self.ramp_end.drain(..self.ramp_end.len().saturating_sub(RAMP_END));
        }
        self.meter.learn(r, cx, s);
    }

    fn remember_most(&mut self, r: &Reading, cx: &Context, s: &Settings) {
        if !cx.output_on || !matches!(cx.phase, Phase::Ramp | Phase::Steady) || r.amps <= s.amps_count * 5.0 {
            return;
        }
        self.most = match self.most {
            Some((amps, volts)) if r.amps >= amps * 0.98 => Some((amps.max(r.amps), volts.max(r.volts))),
            Some(most) => Some(most),
            None => Some((r.amps, r.volts)),
        };
    }

    /// What this load needed so far at about the current of `r`: good after a ramp that was
    /// too short to learn a line from.
    pub fn needed(&self, r: &Reading) -> Option<Volts> {
        self.most.filter(|(amps, _)| r.amps >= *amps * 0.8).map(|(_, volts)| volts)
    }

    /// Whether this load looks like part and anode that touch.
    pub fn look(&self, r: &Reading, cx: &Context, s: &Settings) -> Look {
        if self.meter.echoes() { Look::Bath } else { self.rise.look(r, cx, self.meter.count(s)) }
    }

    /// A person is sent to see whether something touches.
    pub fn ask_for_a_look(&mut self) {
        self.rise.ask();
    }

    /// The load goes on after a hold. The step that held it (`looked`) has been looked at, another stands on; and where
    /// somebody was sent to see whether it is shorted, what was learned until then may have been the bridge's, unless it was seen to be a
    /// bath's before: then that is what a bridge which still touches is known by.
    pub fn goes_on(&mut self, looked: bool) {
        if looked {
            (self.up, self.down) = (None, None);
            self.drift.look();
        }
        if self.rise.asked() && !self.rise.is_bath() {
            *self = Evidence { rise: Rise::looked_at(), ..Evidence::default() };
        }
    }

    /// The supply reports what it was told in place of what it measures.
    pub fn echoes_setpoint(&self) -> bool {
        self.meter.echoes()
    }

    /// The line, where the ramp gave one that can be believed.
    pub fn fitted(&self) -> Option<FittedLine> {
        if self.meter.echoes() || self.meter.stuck() { None } else { self.line.fitted() }
    }

    fn judge_volts(&mut self, r: &Reading, cx: &Context, s: &Settings) -> Finding {
        let held = (r.amps - cx.set_amps).abs() <= (cx.set_amps * 0.02).max(s.amps_count * 3.0);
        let amps = if cx.current_control && held { cx.set_amps } else { r.amps };
        if cx.phase == Phase::Steady && self.yard.is_none() {
            self.yard = Some(self.fitted());
            // A line that bends upward as the film runs low is above itself at the end, and well.
            self.above = self.yard.flatten().map_or(0.0, |line| {
                let above = self.ramp_end.iter().map(|(amps, volts)| (*volts - line.volts_at(*amps)).get());
                above.sum::<f64>() / self.ramp_end.len().max(1) as f64
            });
        }
        let (expected, ohmic) = match self.yard.flatten() {
            Some(line) if amps.is_positive() => (line.volts_at(amps), line.slope * amps.get()),
            _ => (LoadLine::weak(amps, cx.set_amps), 0.7),
        };
        let share = ohmic / expected.get().max(0.1);
        let scale = if share < OHMIC_SHARE { expected.get().max(0.8) } else { ohmic.max(0.5) };
        let unsettled = cx.phase != Phase::Steady
            || !cx.output_on
            || self.meter.echoes()
            || self.meter.stuck()
            || !cx.set_amps.is_positive()
            || cx.since_change < Duration::from_secs(1);
        let count = self.meter.count(s);
        let broken = r.amps <= (cx.set_amps * 0.05).max(s.amps_count * 3.0);
        let found = self.drift.take(&Sample {
            at: r.at,
            residual: (r.volts - expected).get(),
            scale,
            volts: r.volts.get(),
            held: if cx.current_control { cx.set_amps.get() } else { cx.set_volts.get() },
            fitted: self.yard.is_some_and(|line| line.is_some()),
            ramp_end: self.above / scale,
            count: count.get(),
            temperature: cx
                .bath
                .and_then(|b| b.temperature)
                .filter(|(_, age)| age.as_secs() < 120)
                .map(|t| t.0),
            unsettled,
            broken,
        });
        let (noise, quiet) = self.drift.noise();
        self.noise_grew =
            quiet.is_some_and(|q| noise > NOISE_GROWTH * q && noise * scale > 2.0 * count.get());
        found
    }

    fn burn_margin(&self, r: &Reading, cx: &Context, _s: &Settings) -> Option<Margin> {
        let (basis, mut bath): (_, BathNow) = (cx.basis?, cx.bath?);
        if self.drift.distrusts_thermometer() {
            // Rather not known than known wrong.
            bath.temperature = None;
        }
        if !cx.output_on || !matches!(cx.phase, Phase::Ramp | Phase::Steady) {
            return None;
        }
        let rising = self.finding.drift.is_some_and(|d| d > 0.005);
        let rise = rising.then(|| self.drift.slope()).flatten().map(|slope| slope * self.scale_now(r, cx));
        let line = if cx.phase == Phase::Steady { self.fitted() } else { None };
        // Noise alone is a weak sign; with volts already up it is a late one.
        let late = self.noise_grew && self.finding.drift.is_some_and(|d| d > 0.05);
        Some(margin::join(&basis, &bath, r.amps, r.volts, line, rise, late))
    }

    fn scale_now(&self, r: &Reading, cx: &Context) -> f64 {
        let expected: Volts = self.line.volts_at(r.amps, cx.set_amps);
        let ohmic = self.fitted().map_or(0.7, |l| l.slope * r.amps.get());
        if ohmic / expected.get().max(0.1) < OHMIC_SHARE { expected.get().max(0.8) } else { ohmic.max(0.5) }
    }

    /// The thermometer's value jumped as no bath does.
    pub fn distrusts_thermometer(&self) -> bool {
        self.drift.distrusts_thermometer()
    }

    /// The volts are read so coarsely that small changes do not show.
    pub fn coarse(&self, s: &Settings) -> bool {
        self.meter.count(s) > s.volts_count * 1.5 && self.meter.count(s).get() > 0.05
    }

    /// Why the volts cannot be judged just now; `None` when they can.
    pub fn cannot_judge_volts(&self, cx: &Context) -> Option<&'static str> {
        if self.echoes_setpoint() {
            return Some("the supply reports its setpoint in place of measured volts");
        }
        if self.meter.stuck() {
            return Some(
                "the voltmeter stands still while the current rises: at the end of its range, or dead",
            );
        }
        match cx.phase {
            Phase::Steady if self.drift.is_blind() => Some("the volts are still settling"),
            Phase::Steady if self.finding.drift.is_none() => {
                Some("the volts are still settling: only a large step shows")
            }
            Phase::Steady if self.fitted().is_none() => {
                Some("the ramp told little of this load: it is judged less sharply")
            }
            Phase::Steady => None,
            _ => Some("only judged while the setpoint is held"),
        }
    }
}

//! What all watches of a load judge from: its line, its drift, its margin.

use super::drift::{DriftWatch, Finding, Sample};
use super::line::{FittedLine, LoadLine};
use super::margin::{self, BathNow, Margin};
use super::meter::Meter;
use super::rules::{Context, Phase, Settings};
use super::short::{Look, Rise};
use crate::quantity::{Amps, Mono, Reading, Regulation, Volts};
use std::time::Duration;

/// A step is shown as an alarm's condition for so long; it is an event, not a state.
const STEP_STANDS: Duration = Duration::from_secs(60);
/// Below this share of ohmic volts a relative change is taken of the whole voltage.
const OHMIC_SHARE: f64 = 0.45;
/// Noise so many times what it was when the load was well is a late sign of gas.
const NOISE_GROWTH: f64 = 3.0;

/// Everything learned of the load that hangs now. Bounded, however long the run.
#[derive(Clone, Debug, Default)]
pub(super) struct Evidence {
    pub line: LoadLine,
    drift: DriftWatch,
    pub finding: Finding,
    /// The last step: when, and its relative size.
    pub step: Option<(Mono, f64)>,
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
        if self.step.is_some_and(|(at, _)| now.since(at) > STEP_STANDS) {
            self.step = None;
        }
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
        if let Some(size) = self.finding.step {
            self.step = Some((now, size));
        }
        self.margin = self.burn_margin(r, cx, s);
    }

    fn learn(&mut self, r: &Reading, cx: &Context, s: &Settings) {
        if r.amps > cx.set_amps * 0.08 && r.regulation != Some(Regulation::ConstantVoltage) {
            self.line.learn(r.volts, r.amps);
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

    /// The load goes on after a hold. The step that may have held it has been looked at; and where somebody was sent to
    /// see whether it is shorted, what was learned until then may have been the bridge's, unless it was seen to be a
    /// bath's before: then that is what a bridge which still touches is known by.
    pub fn goes_on(&mut self) {
        self.step = None;
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
        let weak = || (self.line.volts_at(amps, cx.set_amps), 0.7);
        let (expected, ohmic) = match self.fitted() {
            Some(line) if amps.is_positive() => (line.volts_at(amps), line.slope * amps.get()),
            _ => weak(),
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
            Phase::Steady if self.finding.drift.is_none() => Some("the volts are still settling"),
            Phase::Steady if self.fitted().is_none() => {
                Some("the ramp gave no line for this load; the weak one serves")
            }
            Phase::Steady => None,
            _ => Some("only judged while the setpoint is held"),
        }
    }
}

//! Volts at a held current, against the line this load drew in its ramp.
//!
//! Two things are told apart: a *step* (something fell off, came loose or
//! touches: the level changes within seconds and stays) and a *drift* (the bath
//! cools, metal runs out, an anode goes passive, a bag clogs: it creeps). Turning
//! or bumping a part disturbs the volts for some seconds and is neither: while a
//! disturbance lasts nothing is judged, and afterwards only the change of level is.
//!
//! The constants were found on simulated cells that were not the ones they were
//! reported on; `tests/figures` measures them again on this code.

use super::contact::ContactWatch;
use super::known::{Change, Levels};
use super::warmth::Warmth;
use crate::quantity::{Mono, Temperature};
use std::collections::VecDeque;
use std::time::Duration;

/// Judging starts so long after the ramp: film and electrodes settle first.
const SETTLE: Duration = Duration::from_secs(25);
/// A disturbance is over when so much time has been calm, and at least [`EXCURSION_LEAST`] has passed.
const CALM: Duration = Duration::from_secs(5);
const EXCURSION_LEAST: Duration = Duration::from_secs(8);
/// After so long a disturbance is taken to be the new state of things.
const EXCURSION_MOST: Duration = Duration::from_secs(18);
/// Level changes that count as steps, alone and summed.
const STEP_UP: (f64, f64) = (0.04, 0.08);
const STEP_DOWN: (f64, f64) = (-0.06, -0.12);
/// First-order smoothing, and how fast the base follows down and up.
const SMOOTH: f64 = 10.0;
const BASE_DOWN: f64 = 600.0;
const BASE_UP: f64 = 7200.0;
/// … upward faster at first, while film and electrodes still settle.
const YOUNG: Duration = Duration::from_secs(200);
const BASE_UP_YOUNG: f64 = 60.0;
/// Volts that have come back by so much from a crest were a swing (a thermostat's), and
/// what does not pass its crest by more than this less [`SWING_ROOM`] is one too.
const SWING: f64 = 0.01;
const SWING_ROOM: f64 = 0.01;
/// A crest is remembered for so long.
const CREST_LASTS: Duration = Duration::from_secs(1800);
/// Sums of small level changes are forgotten with this time constant, s.
const SUM_FADES: f64 = 600.0;
/// The usual spread of the volts (a moving rod makes one) is followed with this time constant, s.
const USUAL: f64 = 30.0;
/// No path for current for so long is no glitch of a contact.
const BROKEN_AT_MOST: Duration = Duration::from_secs(10);
/// Readings of the last seconds that are kept at most.
const RECENT_AT_MOST: usize = 128;

/// One reading as the drift watch needs it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sample {
    pub at: Mono,
    /// Measured volts less the line's at this current.
    pub residual: f64,
    /// What a relative change is relative to, volts.
    pub scale: f64,
    /// Volts at the terminals.
    pub volts: f64,
    /// What is held: amperes, or volts in constant-voltage work.
    pub held: f64,
    /// The line is this load's own.
    pub fitted: bool,
    /// Where the first ramp ended, relative as the volts are.
    pub ramp_end: f64,
    /// One count of the voltmeter, volts.
    pub count: f64,
    /// Bath temperature where it is measured and fresh.
    pub temperature: Option<Temperature>,
    /// The setpoint moved or the part is being turned: not to be judged.
    pub unsettled: bool,
    /// Next to no current flows although the setpoint is held.
    pub broken: bool,
}

/// What one reading showed.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Finding {
    /// A step was found with this reading.
    pub step: Option<Jump>,
    /// With this reading the level is back where it was before a step.
    pub back: bool,
    /// Disturbances lately are those of a bad contact.
    pub bad_contact: bool,
    /// Relative rise of the smoothed volts over the base; `None` while nothing can be judged.
    pub drift: Option<f64>,
}

/// A step of the level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Jump {
    /// Relative, as the drift is.
    pub size: f64,
    /// Volts before and after.
    pub volts: (f64, f64),
}

/// The state, bounded whatever the length of the run.
#[derive(Clone, Debug, Default)]
pub(super) struct DriftWatch {
    began: Option<Mono>,
    last: Option<(Mono, f64)>,
    /// The newest values, for level and spread: (when, x).
    recent: VecDeque<(Mono, f64)>,
    /// Median absolute difference of neighbours, kept as a slow quantile estimate.
    noise: Option<f64>,
    /// The noise at the end of settling: what this load is like when it is well.
    quiet: Option<f64>,
    /// 10th to 90th percentile of five seconds while calm.
    usual: Option<f64>,
    broken_since: Option<Mono>,
    excursion: Option<Excursion>,
    levels: Levels,
    newest: Option<Sample>,
    contact: ContactWatch,
    warmth: Warmth,
    smooth: Option<f64>,
    base: f64,
    /// The highest since the last crest, and the last crest with its time.
    top: f64,
    crest: Option<(Mono, f64)>,
    summed: f64,
    /// One value a second of the last minute, for the slope.
    minute: VecDeque<(Mono, f64)>,
    slope: Option<f64>,
    drift: Option<f64>,
}

#[derive(Clone, Copy, Debug)]
struct Excursion {
    began: Mono,
    level: f64,
}

impl DriftWatch {
    /// Takes one reading; says what it showed.
    pub fn take(&mut self, s: &Sample) -> Finding {
        let mut found = Finding::default();
        if s.unsettled || s.scale <= 0.0 {
            self.unsettle();
            return found;
        }
        let dt = self.last.map_or(0.0, |(at, _)| s.at.since(at).as_secs_f64());
        if s.broken {
            self.broken(s.at);
            found.bad_contact = self.contact.bad();
            found.drift = self.drift;
            return found;
        }
        self.broken_since = None;
        let mut x = s.residual / s.scale;
        if !x.is_finite() {
            return found;
        }
        x += self.warmth.take(s.temperature, dt);
        let began = *self.began.get_or_insert(s.at);
        self.learn_noise(x);
        self.last = Some((s.at, x));
        self.newest = Some(*s);
        let young = s.at.since(began);
        if young < SETTLE || self.levels.is_odd() || self.recent.is_empty() {
            self.keep(s.at, x);
            if young >= CALM {
                let change = self.levels.judge(s, self.level(), self.spread());
                self.tell(change, s, x, &mut found);
            }
            return found;
        }
        let level = self.excursion.map_or_else(|| self.level(), |e| e.level);
        self.keep(s.at, x);
        let sigma = self.sigma();
        self.quiet.get_or_insert(sigma);
        let count = s.count / s.scale;
        let spread = self.usual.unwrap_or_else(|| self.spread());
        let gate = 0.02f64.max(5.0 * sigma).max(3.0 * count).max(1.5 * spread);
        let off = (x - level).abs();
        self.contact.take(s.at, off > 0.05f64.max(2.0 * gate), off < gate);
        match self.excursion {
            None if off > gate => self.excursion = Some(Excursion { began: s.at, level }),
            None => {
                self.learn_usual(dt);
                self.follow(s.at, x, level, dt);
            }
            Some(e) => {
                let lasted = s.at.since(e.began);
                let calm = 0.012f64.max(3.3 * sigma).max(4.0 * count).max(1.3 * spread);
                if (lasted >= EXCURSION_LEAST && self.spread() < calm) || lasted >= EXCURSION_MOST {
                    let change = self.close(s, e, 1.5 * count);
                    self.tell(change, s, x, &mut found);
                }
            }
        }
        self.summed *= (-dt / SUM_FADES).exp();
        found.bad_contact = self.contact.bad();
        if self.excursion.is_none() {
            // A coarse voltmeter may flip by a count; that is not drift.
            let blur = if count > 0.02 { count } else { 0.0 };
            self.drift = self.smooth.map(|xs| xs - self.swing_base() - blur);
            self.mark_minute(s.at);
        }
        found.drift = self.drift;
        found
    }

    /// Whether the thermometer's value jumped as no bath does.
    pub fn distrusts_thermometer(&self) -> bool {
        self.warmth.distrusted()
    }

    fn tell(&self, change: Option<Change>, s: &Sample, x: f64, found: &mut Finding) {
        match change {
            Some(Change::Step(size)) => {
                let now = s.volts + (self.level() - x) * s.scale;
                found.step = Some(Jump { size, volts: (now - size * s.scale, now) });
            }
            Some(Change::Back) => found.back = true,
            None => {}
        }
    }

    /// Somebody has looked at the last step.
    pub fn look(&mut self) {
        self.levels.look();
    }

    /// Since the current was reached or moved, the time is too short for even a large step to show.
    pub fn is_blind(&self) -> bool {
        let since = self.began.zip(self.last).map(|(began, (at, _))| at.since(began));
        since.is_none_or(|t| t < CALM)
    }

    fn broken(&mut self, at: Mono) {
        let since = *self.broken_since.get_or_insert(at);
        if at.since(since) > BROKEN_AT_MOST {
            self.unsettle();
        } else if self.began.is_some_and(|b| at.since(b) >= SETTLE) {
            self.contact.take(at, true, false);
            let level = self.level();
            self.excursion.get_or_insert(Excursion { began: at, level });
        }
    }

    /// The setpoint moves or the part is turned: what was calm is calm no more, what
    /// was learned stays.
    pub fn unsettle(&mut self) {
        if let (Some(s), Some(xs)) = (self.newest.take(), self.smooth) {
            self.levels.keep(&s, xs);
        }
        self.levels.unsettle();
        self.began = None;
        self.recent.clear();
        self.excursion = None;
        self.contact.settle();
        self.smooth = None;
        self.minute.clear();
        self.slope = None;
        self.drift = None;
        self.last = None;
        self.usual = None;
        self.crest = None;
    }

    /// Standard deviation of the relative volts, and what it was when this load was last settled.
    pub fn noise(&self) -> (f64, Option<f64>) {
        (self.sigma(), self.quiet)
    }

    /// Rise per second over the last minute, if it rises and there is half a minute to go by.
    pub fn slope(&self) -> Option<f64> {
        self.slope
    }

    /// Theil and Sen's median of slopes over the last minute.
    fn take_slope(&mut self) {
        if self.minute.len() < 30 {
            return self.slope = None;
        }
        let mut slopes = Vec::with_capacity(self.minute.len() * self.minute.len() / 2);
        for (k, (t1, x1)) in self.minute.iter().enumerate() {
            for (t0, x0) in self.minute.iter().take(k) {
                slopes.push((x1 - x0) / t1.since(*t0).as_secs_f64());
            }
        }
        self.slope = Some(median(&mut slopes));
    }

    /// The median absolute difference of neighbours, followed by small steps of a
    /// quantile tracker so that nothing has to be stored.
    fn learn_noise(&mut self, x: f64) {
        let Some((_, before)) = self.last else { return };
        let difference = (x - before).abs();
        // While something disturbs, hardly: the hand's wavering is not the meter's noise.
        let rate = if self.excursion.is_some() { 0.002 } else { 0.02 };
        let noise = self.noise.get_or_insert(difference.min(0.01));
        // The floor lets a meter that showed no noise at first grow some.
        let step = rate * noise.max(2e-4);
        *noise = (*noise + if difference > *noise { step } else { -step }).max(0.0);
    }

    /// Standard deviation that goes with the median absolute difference of
    /// neighbours, for normal noise: 1 / (0.6745 * sqrt 2).
    fn sigma(&self) -> f64 {
        self.noise.unwrap_or(0.0) * 1.048
    }

    fn keep(&mut self, at: Mono, x: f64) {
        self.recent.push_back((at, x));
        let horizon = at - CALM;
        while self.recent.len() > RECENT_AT_MOST || (self.recent.len() > 2 && self.recent[0].0 < horizon) {
            self.recent.pop_front();
        }
    }

    /// Median of the last seconds.
    fn level(&self) -> f64 {
        median(&mut self.recent.iter().map(|p| p.1).collect::<Vec<_>>())
    }

    fn learn_usual(&mut self, dt: f64) {
        let now = self.spread();
        if now.is_finite() {
            let usual = self.usual.get_or_insert(now);
            *usual += (now - *usual) * (dt / (USUAL + dt));
        }
    }

    /// 10th to 90th percentile of the last seconds.
    fn spread(&self) -> f64 {
        let mut xs: Vec<f64> = self.recent.iter().map(|p| p.1).collect();
        if xs.len() < 4 {
            return f64::INFINITY;
        }
        xs.sort_by(f64::total_cmp);
        let at = |q: f64| xs[((xs.len() - 1) as f64 * q).round() as usize];
        at(0.9) - at(0.1)
    }

    fn follow(&mut self, at: Mono, x: f64, level: f64, dt: f64) {
        let xs = match self.smooth {
            Some(xs) => xs + (x - xs) * (dt / (SMOOTH + dt)),
            None => {
                // A new start after a turn or a setpoint change: the level it finds is its base,
                // so that nothing of the disturbance is taken for drift.
                self.base = level;
                self.top = level;
                level
            }
        };
        let young = self.began.is_some_and(|b| at.since(b) < SETTLE + YOUNG);
        let tau = match xs < self.base {
            true => BASE_DOWN,
            false if young => BASE_UP_YOUNG,
            false => BASE_UP,
        };
        self.base += (xs - self.base) * (dt / (tau + dt));
        self.smooth = Some(xs);
        self.top = self.top.max(xs);
        if xs < self.top - SWING {
            self.crest = Some((at, self.top));
            self.top = xs;
        }
        if self.crest.is_some_and(|(t, _)| at.since(t) > CREST_LASTS) {
            self.crest = None;
        }
    }

    /// What drift is counted from: the base, or a swing's crest less its room.
    fn swing_base(&self) -> f64 {
        self.crest.map_or(self.base, |(_, crest)| self.base.max(crest - SWING_ROOM))
    }

    /// The disturbance is over: what is left of it is a step, or nothing. `coarse` is what the
    /// voltmeter's counts may make of nothing.
    fn close(&mut self, s: &Sample, e: Excursion, coarse: f64) -> Option<Change> {
        let level = self.level();
        let change = level - e.level;
        self.excursion = None;
        self.contact.settle();
        self.smooth = self.smooth.map(|s| s + change);
        self.base += change;
        self.top += change;
        self.crest = self.crest.map(|(at, crest)| (at, crest + change));
        self.minute.clear();
        self.slope = None;
        self.summed += change;
        let up = change > STEP_UP.0 || self.summed > STEP_UP.1;
        let down = change < STEP_DOWN.0 || self.summed < STEP_DOWN.1;
        let large = (up || down) && self.summed.abs().max(change.abs()) > coarse;
        // Small ones that sum up count from where the first began.
        let alone = change > STEP_UP.0 || change < STEP_DOWN.0;
        let from = if alone { e.level } else { level - self.summed };
        let told = self.levels.moved(s, from, level, large);
        if told.is_some() {
            self.summed = 0.0;
        }
        told
    }

    fn mark_minute(&mut self, at: Mono) {
        let Some(xs) = self.smooth else { return };
        if self.minute.back().is_some_and(|(t, _)| at.since(*t) < Duration::from_secs(1)) {
            return;
        }
        self.minute.push_back((at, xs));
        while self.minute.front().is_some_and(|(t, _)| at.since(*t) > Duration::from_secs(60)) {
            self.minute.pop_front();
        }
        if xs - self.swing_base() > 0.004 {
            self.take_slope();
        } else {
            self.slope = None;
        }
    }
}

fn median(xs: &mut [f64]) -> f64 {
    if xs.is_empty() {
        return 0.0;
    }
    let mid = xs.len() / 2;
    *xs.select_nth_unstable_by(mid, f64::total_cmp).1
}

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

use crate::quantity::{Mono, Temperature};
use std::collections::VecDeque;
use std::time::Duration;

/// Judging starts so long after the ramp: film and electrodes settle first.
const SETTLE: Duration = Duration::from_secs(25);
/// A disturbance is over when so much time has been calm, and at least [`EXCURSION_LEAST`] has passed.
const CALM: Duration = Duration::from_secs(5);
const EXCURSION_LEAST: Duration = Duration::from_secs(8);
/// After so long a disturbance is taken to be the new state of things.
const EXCURSION_MOST: Duration = Duration::from_secs(25);
/// Level changes that count as steps, alone and summed.
const STEP_UP: (f64, f64) = (0.04, 0.08);
const STEP_DOWN: (f64, f64) = (-0.06, -0.12);
/// First-order smoothing, and how fast the base follows down and up.
const SMOOTH: f64 = 10.0;
const BASE_DOWN: f64 = 60.0;
const BASE_UP: f64 = 7200.0;
/// Disturbances within this time count together as a bad contact.
const CONTACT_WINDOW: Duration = Duration::from_secs(30);
/// The thermometer lags the solution at the part by about this.
const THERMOMETER_LAG: f64 = 15.0;
/// Change of the ohmic part per degC (solution resistance about -2 % per degC, less what is not solution).
pub(super) const PER_DEGREE: f64 = 0.018;

/// One reading as the drift watch needs it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sample {
    pub at: Mono,
    /// Measured volts less the line's at this current.
    pub residual: f64,
    /// What a relative change is relative to, volts.
    pub scale: f64,
    /// One count of the voltmeter, volts.
    pub count: f64,
    /// Bath temperature where it is measured and fresh.
    pub temperature: Option<Temperature>,
    /// The setpoint moved or the part is being turned: not to be judged.
    pub unsettled: bool,
}

/// What one reading showed.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Finding {
    /// A step was found with this reading: its relative size.
    pub step: Option<f64>,
    /// Disturbances lately are those of a bad contact.
    pub bad_contact: bool,
    /// Relative rise of the smoothed volts over the base; `None` while nothing can be judged.
    pub drift: Option<f64>,
}

/// The state, bounded whatever the length of the run.
#[derive(Clone, Debug)]
pub(super) struct DriftWatch {
    began: Option<Mono>,
    last: Option<(Mono, f64)>,
    /// The newest values, for level and spread: (when, x).
    recent: VecDeque<(Mono, f64)>,
    /// Median absolute difference of neighbours, kept as a slow quantile estimate.
    noise: f64,
    /// The noise at the end of settling: what this load is like when it is well.
    quiet: Option<f64>,
    calm_level: VecDeque<f64>,
    excursion: Option<Excursion>,
    smooth: Option<f64>,
    base: f64,
    summed: f64,
    jumps: VecDeque<Mono>,
    lagged: Option<f64>,
    reference: Option<f64>,
    /// One value a second of the last minute, for the slope.
    minute: VecDeque<(Mono, f64)>,
    drift: Option<f64>,
}

#[derive(Clone, Copy, Debug)]
struct Excursion {
    began: Mono,
    level: f64,
}

impl Default for DriftWatch {
    fn default() -> Self {
        DriftWatch {
            began: None,
            last: None,
            recent: VecDeque::new(),
            noise: 0.0,
            quiet: None,
            calm_level: VecDeque::new(),
            excursion: None,
            smooth: None,
            base: 0.0,
            summed: 0.0,
            jumps: VecDeque::new(),
            lagged: None,
            reference: None,
            minute: VecDeque::new(),
            drift: None,
        }
    }
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
        let mut x = s.residual / s.scale;
        if !x.is_finite() {
            return found;
        }
        x += self.warmth(s.temperature, dt);
        let began = *self.began.get_or_insert(s.at);
        self.learn_noise(x);
        self.last = Some((s.at, x));
        self.recent.push_back((s.at, x));
        let horizon = s.at - CALM;
        while self.recent.len() > 2 && self.recent[0].0 < horizon {
            self.recent.pop_front();
        }
        while self.jumps.front().is_some_and(|at| s.at.since(*at) > CONTACT_WINDOW) {
            self.jumps.pop_front();
        }
        if s.at.since(began) < SETTLE {
            self.keep_calm(x);
            return found;
        }
        let sigma = self.sigma();
        self.quiet.get_or_insert(sigma);
        let gate = 0.02f64.max(5.0 * self.sigma()).max(3.0 * s.count / s.scale);
        let level = self.calm();
        match self.excursion {
            None if (x - level).abs() > gate => {
                self.excursion = Some(Excursion { began: s.at, level });
                if (x - level).abs() > 0.05f64.max(2.0 * gate) {
                    self.jump(s.at);
                }
            }
            None => {
                self.keep_calm(x);
                self.follow(x, dt);
            }
            Some(e) => {
                // A contact that comes and goes makes several jumps within one disturbance.
                if let Some(before) = self.recent.iter().rev().nth(1).map(|p| p.1)
                    && (x - before).abs() > 0.05f64.max(2.0 * gate)
                {
                    self.jump(s.at);
                }
                let lasted = s.at.since(e.began);
                let still = self.spread() < 0.012f64.max(3.3 * self.sigma()).max(4.0 * s.count / s.scale);
                if (still && lasted >= EXCURSION_LEAST) || lasted >= EXCURSION_MOST {
                    found.step = self.close(e);
                }
            }
        }
        found.bad_contact = self.jumps.len() >= 3;
        if self.excursion.is_none() {
            self.drift = self.smooth.map(|xs| xs - self.base);
            self.mark_minute(s.at);
        }
        found.drift = self.drift;
        found
    }

    /// The setpoint moves or the part is turned: what was calm is calm no more, what
    /// was learned stays.
    pub fn unsettle(&mut self) {
        self.began = None;
        self.recent.clear();
        self.calm_level.clear();
        self.excursion = None;
        self.smooth = None;
        self.minute.clear();
        self.drift = None;
        self.last = None;
    }

    /// Standard deviation of the relative volts, and what it was when this load was last settled.
    pub fn noise(&self) -> (f64, Option<f64>) {
        (self.sigma(), self.quiet)
    }

    /// Rise per second over the last minute (Theil and Sen's median of slopes), if
    /// there is half a minute to go by.
    pub fn slope(&self) -> Option<f64> {
        if self.minute.len() < 30 {
            return None;
        }
        let mut slopes = Vec::with_capacity(self.minute.len() * self.minute.len() / 2);
        for (k, (t1, x1)) in self.minute.iter().enumerate() {
            for (t0, x0) in self.minute.iter().take(k) {
                slopes.push((x1 - x0) / t1.since(*t0).as_secs_f64());
            }
        }
        Some(median(&mut slopes))
    }

    fn warmth(&mut self, temperature: Option<Temperature>, dt: f64) -> f64 {
        let Some(t) = temperature.map(Temperature::get) else { return 0.0 };
        let lagged = match self.lagged {
            Some(l) => l + (t - l) * (dt / (THERMOMETER_LAG + dt)),
            None => t,
        };
        self.lagged = Some(lagged);
        let reference = *self.reference.get_or_insert(lagged);
        PER_DEGREE * (lagged - reference)
    }

    /// The median absolute difference of neighbours, followed by small steps of a
    /// quantile tracker so that nothing has to be stored.
    fn learn_noise(&mut self, x: f64) {
        let Some((_, before)) = self.last else { return };
        let difference = (x - before).abs();
        if self.noise == 0.0 {
            self.noise = difference;
        } else {
            let step = 0.02 * self.noise.max(1e-6);
            self.noise += if difference > self.noise { step } else { -step };
        }
    }

    /// Standard deviation that goes with the median absolute difference of
    /// neighbours, for normal noise: 1 / (0.6745 * sqrt 2).
    fn sigma(&self) -> f64 {
        self.noise * 1.048
    }

    fn keep_calm(&mut self, x: f64) {
        self.calm_level.push_back(x);
        while self.calm_level.len() > 15 {
            self.calm_level.pop_front();
        }
    }

    fn calm(&self) -> f64 {
        median(&mut self.calm_level.iter().copied().collect::<Vec<_>>())
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

    fn jump(&mut self, at: Mono) {
        self.jumps.push_back(at);
        while self.jumps.len() > 16 {
            self.jumps.pop_front();
        }
    }

    fn follow(&mut self, x: f64, dt: f64) {
        let xs = match self.smooth {
            Some(xs) => xs + (x - xs) * (dt / (SMOOTH + dt)),
            None => {
                // A new start after a turn or a setpoint change: the level it finds is its base,
                // so that nothing of the disturbance is taken for drift.
                self.base = self.calm();
                self.base
            }
        };
        let tau = if xs < self.base { BASE_DOWN } else { BASE_UP };
        self.base += (xs - self.base) * (dt / (tau + dt));
        self.smooth = Some(xs);
    }

    fn close(&mut self, e: Excursion) -> Option<f64> {
        let mut xs: Vec<f64> = self.recent.iter().map(|p| p.1).collect();
        let level = median(&mut xs);
        let change = level - e.level;
        self.excursion = None;
        self.calm_level.clear();
        self.calm_level.extend(xs.iter().rev().take(15));
        self.smooth = self.smooth.map(|s| s + change);
        self.base += change;
        self.minute.clear();
        self.summed += change;
        let up = change > STEP_UP.0 || self.summed > STEP_UP.1;
        let down = change < STEP_DOWN.0 || self.summed < STEP_DOWN.1;
        if up || down {
            self.summed = 0.0;
            return Some(change);
        }
        None
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
    }
}

fn median(xs: &mut [f64]) -> f64 {
    if xs.is_empty() {
        return 0.0;
    }
    let mid = xs.len() / 2;
    *xs.select_nth_unstable_by(mid, f64::total_cmp).1
}

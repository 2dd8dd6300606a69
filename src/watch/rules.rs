//! When each watch's condition holds.
//!
//! The thresholds are those that told the electrical faults apart on simulated
//! cells (360 runs with turns, heater cycling and setpoint changes among them);
//! real baths differ, so delays and limits are settings.

use super::kind::{Kind, Priority, Response};
use super::line::LoadLine;
use crate::quantity::{Amps, Reading, Regulation, Volts};
use std::time::Duration;

/// How one watch turns its condition into an alarm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tuning {
    /// The condition must hold this long before the alarm is raised.
    pub on_delay: Duration,
    /// It must be gone this long before the alarm clears.
    pub off_delay: Duration,
    /// Once raised, the limit moves by this share of itself toward the safe side.
    pub deadband: f64,
    /// Its priority.
    pub priority: Priority,
    /// What it does beside telling.
    pub response: Response,
}

/// Settings of all watches of a station.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    tunings: [Tuning; Kind::ALL.len()],
    /// Volts above which `over-voltage` holds; `None`: the ceiling in force, plus 2 % and three counts.
    pub over_voltage: Option<Volts>,
    /// Amperes above which `over-current` holds; `None`: the setpoint in force, plus 5 % and three counts.
    pub over_current: Option<Amps>,
    /// One count of the supply's ammeter.
    pub amps_count: Amps,
    /// One count of the supply's voltmeter.
    pub volts_count: Volts,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            tunings: Kind::ALL.map(default_tuning),
            over_voltage: None,
            over_current: None,
            amps_count: Amps::new(0.01),
            volts_count: Volts::new(0.01),
        }
    }
}

impl Settings {
    /// The tuning of one watch.
    pub fn tuning(&self, kind: Kind) -> &Tuning {
        &self.tunings[index(kind)]
    }

    /// The same, to change it.
    pub fn tuning_mut(&mut self, kind: Kind) -> &mut Tuning {
        &mut self.tunings[index(kind)]
    }
}

fn index(kind: Kind) -> usize {
    // `ALL` holds every kind once, so the position exists; 0 is never reached.
    Kind::ALL.iter().position(|k| *k == kind).unwrap_or(0)
}

fn default_tuning(kind: Kind) -> Tuning {
    let (on, off, priority, response) = match kind {
        Kind::OverVoltage => (500, 5_000, Priority::High, Response::Cut),
        Kind::OverCurrent => (500, 5_000, Priority::High, Response::Cut),
        Kind::ShortCircuit => (1_000, 2_000, Priority::High, Response::Cut),
        Kind::OpenCircuit => (2_000, 2_000, Priority::High, Response::Hold),
        Kind::NotArriving => (3_000, 5_000, Priority::Medium, Response::Tell),
        Kind::ReadBack => (1_000, 2_000, Priority::High, Response::Hold),
        Kind::StaleLink => (0, 0, Priority::High, Response::Cut),
    };
    Tuning {
        on_delay: Duration::from_millis(on),
        off_delay: Duration::from_millis(off),
        deadband: 0.02,
        priority,
        response,
    }
}

/// Where the run is, as far as a watch needs to know.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// Output off by our will.
    Off,
    /// Entry voltage on, part being hung.
    Entry,
    /// Setpoint moving up or down.
    Ramp,
    /// Setpoint held.
    Steady,
    /// Part being turned.
    Turn,
}

/// What the watches are shown at one step.
#[derive(Clone, Copy, Debug)]
pub struct Context<'a> {
    /// Where the run is.
    pub phase: Phase,
    /// The newest good reading, if it came with this step.
    pub reading: Option<&'a Reading>,
    /// Whether we last commanded the output on.
    pub output_on: bool,
    /// Setpoints in force, as last confirmed on the wire.
    pub set_amps: Amps,
    /// The same, volts.
    pub set_volts: Volts,
    /// The least current setpoint in force during the last second.
    pub least_amps: Amps,
    /// The most current setpoint in force during the last second.
    pub most_amps: Amps,
    /// The most voltage setpoint in force during the last second.
    pub most_volts: Volts,
    /// Whether the current, rather than the voltage, is what is held.
    pub current_control: bool,
    /// Time since a setpoint or the output was last changed by us.
    pub since_change: Duration,
    /// The most the station allows.
    pub max_amps: Amps,
    /// The most the station allows.
    pub max_volts: Volts,
    /// No good reading for too long, or the link lost, while current was commanded: why.
    pub stale: Option<&'a str>,
}

/// What a rule says of one reading.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Verdict {
    /// The condition holds; what was seen.
    Bad(String),
    /// It does not.
    Good,
    /// Not an alarm in this phase, by design.
    Suppressed,
    /// Nothing new to judge by.
    NoData,
}

use Verdict::{Bad, Good, NoData, Suppressed};

/// Judges one watch. `active` says that its alarm stands, so that the deadband applies.
pub(super) fn judge(kind: Kind, cx: &Context, settings: &Settings, line: &LoadLine, active: bool) -> Verdict {
    if kind == Kind::StaleLink {
        return match cx.stale {
            Some(why) => Bad(why.to_owned()),
            None => Good,
        };
    }
    let Some(r) = cx.reading else { return NoData };
    let back = if active { settings.tuning(kind).deadband } else { 0.0 };
    match kind {
        Kind::OverVoltage => over_voltage(cx, r, settings, back),
        Kind::OverCurrent => over_current(cx, r, settings, back),
        Kind::OpenCircuit => open_circuit(cx, r, settings),
        Kind::ShortCircuit => short_circuit(cx, r, line),
        Kind::NotArriving => not_arriving(cx, r, settings, back),
        Kind::ReadBack => read_back(cx, r, settings),
        Kind::StaleLink => Good,
    }
}

fn over_voltage(cx: &Context, r: &Reading, s: &Settings, back: f64) -> Verdict {
    if r.faults.over_voltage {
        return Bad(format!("the supply's own over-voltage protection has tripped at {}", r.volts));
    }
    if !cx.output_on {
        return Good;
    }
    let limit = s.over_voltage.unwrap_or(cx.most_volts * 1.02 + s.volts_count * 3.0).min(cx.max_volts * 1.02);
    if r.volts > limit * (1.0 - back) {
        return Bad(format!("{} at the terminals; {limit} is the most allowed here", r.volts));
    }
    Good
}

fn over_current(cx: &Context, r: &Reading, s: &Settings, back: f64) -> Verdict {
    if r.faults.over_current {
        return Bad(format!("the supply's own over-current protection has tripped at {}", r.amps));
    }
    if !cx.output_on {
        return Good;
    }
    let limit = s.over_current.unwrap_or(cx.most_amps * 1.05 + s.amps_count * 3.0).min(cx.max_amps * 1.02);
    if r.amps > limit * (1.0 - back) {
        return Bad(format!("{} flows; {limit} is the most allowed here", r.amps));
    }
    Good
}

/// `I < max(0.05 I_set, 3 counts)`.
fn is_low(cx: &Context, r: &Reading, s: &Settings) -> bool {
    r.amps < (cx.least_amps * 0.05).max(s.amps_count * 3.0)
}

/// `V >= V_ceiling - max(1 %, 3 counts)`, or the supply says it holds the voltage.
fn at_ceiling(cx: &Context, r: &Reading, s: &Settings) -> bool {
    let slack = (cx.set_volts * 0.01).max(s.volts_count * 3.0);
    r.volts >= cx.set_volts - slack || r.regulation == Some(Regulation::ConstantVoltage)
}

/// Enough current is asked for that its absence can be told from the meter's noise.
fn asks_enough(cx: &Context, s: &Settings) -> bool {
    cx.least_amps > s.amps_count * 6.0
}

fn open_circuit(cx: &Context, r: &Reading, s: &Settings) -> Verdict {
    match cx.phase {
        Phase::Off => return Good,
        Phase::Entry | Phase::Turn => return Suppressed,
        Phase::Ramp | Phase::Steady => {}
    }
    if !cx.output_on || !asks_enough(cx, s) {
        return Good;
    }
    if !cx.current_control {
        // Below the cell's zero-current volts nothing flows by nature, so only the full
        // voltage tells, and what counts as nothing is the meter's noise.
        if cx.phase == Phase::Steady && r.amps < s.amps_count * 3.0 {
            return Bad(format!("no current flows at {}", r.volts));
        }
        return Good;
    }
    if is_low(cx, r, s) && at_ceiling(cx, r, s) {
        return Bad(format!(
            "{} flows where {} was asked for, and the voltage stands at its ceiling of {}",
            r.amps, cx.set_amps, cx.set_volts
        ));
    }
    Good
}

fn short_circuit(cx: &Context, r: &Reading, line: &LoadLine) -> Verdict {
    if !cx.output_on || !cx.set_amps.is_positive() || cx.phase == Phase::Off {
        return Good;
    }
    // At a live entry the supply holds the voltage; a short there pulls it down while the
    // current limit is reached. The learned line needs the ramp, so the weak line serves.
    let usual = line.volts_at(r.amps, cx.set_amps);
    if r.amps > cx.set_amps * 0.5 && r.volts < usual * 0.45 {
        return Bad(format!("only {} at {}; about {usual} would be usual", r.volts, r.amps));
    }
    Good
}

fn not_arriving(cx: &Context, r: &Reading, s: &Settings, back: f64) -> Verdict {
    match cx.phase {
        Phase::Off => return Good,
        Phase::Entry | Phase::Turn => return Suppressed,
        Phase::Ramp | Phase::Steady => {}
    }
    if !cx.output_on || !cx.current_control || !asks_enough(cx, s) {
        return Good;
    }
    // The least setpoint of the last second, so that a supply that lags a ramp is not blamed.
    let want = cx.least_amps * (0.98 + back * 0.5) - s.amps_count * 3.0;
    if r.amps < want {
        let where_ = if at_ceiling(cx, r, s) {
            format!("the voltage stands at its ceiling of {}", cx.set_volts)
        } else {
            format!("with {} at the terminals", r.volts)
        };
        return Bad(format!("{} flows where {} was asked for; {where_}", r.amps, cx.least_amps));
    }
    Good
}

fn read_back(cx: &Context, r: &Reading, s: &Settings) -> Verdict {
    // The supply needs a moment, and its answer may be older than our change.
    if cx.since_change < Duration::from_millis(500) {
        return NoData;
    }
    if r.faults.over_temperature {
        return Bad("the supply's temperature protection has tripped".into());
    }
    if r.faults.other {
        return Bad("one of the supply's protections has tripped".into());
    }
    match (cx.output_on, r.output) {
        (true, Some(false)) => {
            return Bad("the supply says its output is off although it was switched on".into());
        }
        (false, Some(true)) => {
            return Bad("the supply says its output is on although no run is on; go to the supply".into());
        }
        _ => {}
    }
    if !cx.output_on {
        let floor = (s.amps_count * 5.0).max(Amps::new(0.05));
        if r.amps > floor {
            return Bad(format!("{} flows although the output was switched off; go to the supply", r.amps));
        }
        return Good;
    }
    if let Some(amps) = r.set_amps
        && (amps - cx.set_amps).abs() > (cx.set_amps * 0.005).max(s.amps_count * 1.5)
    {
        return Bad(format!("the supply's current is set to {amps}, not to {} as commanded", cx.set_amps));
    }
    if let Some(volts) = r.set_volts
        && (volts - cx.set_volts).abs() > (cx.set_volts * 0.005).max(s.volts_count * 1.5)
    {
        return Bad(format!("the supply's voltage is set to {volts}, not to {} as commanded", cx.set_volts));
    }
    Good
}

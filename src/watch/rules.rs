//! When each watch's condition holds.
//!
//! The thresholds are those that told the electrical faults apart on simulated
//! cells (360 runs with turns, heater cycling and setpoint changes among them);
//! real baths differ, so delays and limits are settings.

use super::causes;
use super::evidence::Evidence;
use super::kind::{Kind, Priority, Response};
use super::margin::{self, BathNow, BurnBasis, Strand};
use super::short::{Look, Rise, is_flat};
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
    /// Acknowledged, it stands until it is acknowledged again after its condition has gone.
    pub latch: bool,
    /// Acknowledged and still bad after this long, it is raised again.
    pub re_alarm: Option<Duration>,
}

/// Settings of all watches of a station.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    tunings: [Tuning; Kind::ALL.len()],
    /// Volts above which `over-voltage` holds; `None`: the ceiling in force, plus 2 % and three counts.
    pub over_voltage: Option<Volts>,
    /// Amperes above which `over-current` holds; `None`: the setpoint in force, plus 5 %, three counts and
    /// 0.2 % of what the station allows (the meter's noise at small currents).
    pub over_current: Option<Amps>,
    /// Relative rise of the volts at which `drift-notice` and `drift` hold.
    pub drift: (f64, f64),
    /// Burn margin below which `burn-margin` holds.
    pub burn_margin: f64,
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
            drift: (0.03, 0.05),
            burn_margin: 0.1,
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
        Kind::OutputGone => (2_000, 2_000, Priority::High, Response::Hold),
        Kind::VoltageLimit => (3_000, 5_000, Priority::Medium, Response::Tell),
        Kind::BadContact => (0, 10_000, Priority::High, Response::Hold),
        Kind::PartOff => (0, 0, Priority::High, Response::Tell),
        Kind::Touch => (0, 0, Priority::Medium, Response::Tell),
        Kind::Drift => (10_000, 30_000, Priority::Medium, Response::Tell),
        Kind::DriftNotice => (20_000, 30_000, Priority::Low, Response::Tell),
        Kind::BurnMargin => (1_000, 10_000, Priority::High, Response::Tell),
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
        latch: false,
        re_alarm: None,
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
    /// The current at the end of the ramp; where the voltage is held, the most that may flow.
    pub aim_amps: Amps,
    /// Whether the current, rather than the voltage, is what is held.
    pub current_control: bool,
    /// Time since a setpoint or the output was last changed by us.
    pub since_change: Duration,
    /// The least voltage setpoint in force during the last second.
    pub least_volts: Volts,
    /// Time since the output was last switched by us.
    pub since_switched: Duration,
    /// The most the station allows.
    pub max_amps: Amps,
    /// The most the station allows.
    pub max_volts: Volts,
    /// The density at which this load should burn; `None`: margin unavailable.
    pub basis: Option<BurnBasis>,
    /// The bath just now.
    pub bath: Option<BathNow>,
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
    /// It does not, but the output is off by our will: that it has gone was not seen.
    Dark,
    /// Not an alarm in this phase, by design.
    Suppressed,
    /// Nothing new to judge by.
    NoData,
}

use Verdict::{Bad, Dark, Good, NoData, Suppressed};

/// Judges one watch. `active` says that its alarm stands, so that the deadband applies.
pub(super) fn judge(
    kind: Kind,
    cx: &Context,
    settings: &Settings,
    evidence: &Evidence,
    active: bool,
) -> Verdict {
    if kind == Kind::StaleLink {
        return match cx.stale {
            Some(why) => Bad(why.to_owned()),
            None => Good,
        };
    }
    let Some(r) = cx.reading else { return NoData };
    let back = if active { settings.tuning(kind).deadband } else { 0.0 };
    let verdict = match kind {
        Kind::OverVoltage => over_voltage(cx, r, settings, back),
        Kind::OverCurrent => over_current(cx, r, settings, back),
        Kind::OpenCircuit => open_circuit(cx, r, settings),
        Kind::ShortCircuit => short_circuit(cx, r, settings, evidence),
        Kind::OutputGone => output_gone(cx, r, settings),
        Kind::VoltageLimit => voltage_limit(cx, r, settings, back),
        Kind::BadContact => contact(cx, evidence),
        Kind::PartOff => step(cx, evidence, true),
        Kind::Touch => step(cx, evidence, false),
        Kind::Drift => drift(cx, evidence, settings.drift.1, active),
        Kind::DriftNotice => drift(cx, evidence, settings.drift.0, active),
        Kind::BurnMargin => burn_margin(cx, evidence, settings, active),
        Kind::NotArriving => not_arriving(cx, r, settings, back),
        Kind::ReadBack => read_back(cx, r, settings),
        Kind::StaleLink => Good,
    };
    // What the supply says of itself shows with the output off as well.
    if verdict == Good && !cx.output_on && kind != Kind::ReadBack { Dark } else { verdict }
}

/// What two metals in one solution make by themselves stays below this (from memory: tenths of a volt).
const OWN_VOLTS: Volts = Volts::new(1.0);

fn over_voltage(cx: &Context, r: &Reading, s: &Settings, back: f64) -> Verdict {
    if r.faults.over_voltage {
        return Bad(format!("the supply's own over-voltage protection has tripped at {}", r.volts));
    }
    if !cx.output_on {
        return Good;
    }
    let usual = cx.most_volts * 1.02 + s.volts_count * 3.0;
    // Without current the terminals show what the cell itself makes, which may be above a low entry voltage: the supply
    // cannot pull it down, and it burns nothing.
    let still = r.amps < s.amps_count * 3.0;
    let usual = if still { usual.max(OWN_VOLTS) } else { usual };
    let limit = s.over_voltage.unwrap_or(usual).min(cx.max_volts * 1.02);
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
    let limit = s
        .over_current
        .unwrap_or(cx.most_amps * 1.05 + s.amps_count * 3.0 + cx.max_amps * 0.002)
        .min(cx.max_amps * 1.02);
    if r.amps > limit * (1.0 - back) {
        // A wrong scale is a wrong power of ten; said here because nothing else shows it sooner.
        let scale = if cx.most_amps.is_positive() && r.amps > cx.most_amps * 5.0 {
            "; many times what was asked: is a scale in the dialect file wrong?"
        } else {
            ""
        };
        return Bad(format!("{} flows; {limit} is the most allowed here{scale}", r.amps));
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

fn short_circuit(cx: &Context, r: &Reading, s: &Settings, e: &Evidence) -> Verdict {
    if !cx.output_on || !cx.set_amps.is_positive() || cx.phase == Phase::Off || r.amps <= cx.set_amps * 0.5 {
        return Good;
    }
    // Before anything that was learned: it may have been learned of the bridge.
    if e.look(r, cx, s) == Look::Bridge {
        return Bad(format!(
            "only {} at {}, and in proportion from the first ampere on, as of metal that touches: a bath has volts of its own",
            r.volts, r.amps
        ));
    }
    if let Some(line) = e.fitted() {
        let usual = line.volts_at(r.amps);
        if r.volts < usual * 0.45 {
            return Bad(format!("only {} at {}; about {usual} would be usual", r.volts, r.amps));
        }
        return Good;
    }
    if e.echoes_setpoint() || r.amps <= s.amps_count * 5.0 {
        return Good;
    }
    if let Some(needed) = e.needed(r).filter(|_| matches!(cx.phase, Phase::Ramp | Phase::Steady))
        && r.volts < needed * 0.45
    {
        return Bad(format!("only {} at {}; this load needed {needed} before", r.volts, r.amps));
    }
    // Nothing is learned yet. A bath of little resistance needs only some tenths of a volt, so
    // what tells is volts that are small and no more than leads and a bridge need. At a live
    // entry the supply holds the voltage: a short pulls it down while the current limit is reached.
    let limit = match cx.phase {
        Phase::Entry | Phase::Turn => (cx.set_volts * 0.25).min(Volts::new(0.45)),
        _ => {
            // Far below the current aimed at, a rack of copper sensed at the tank needs some hundredths of a volt.
            let steep = if r.amps < cx.aim_amps * 0.5 { 0.2 } else { 0.8 };
            let share = r.amps.get() / cx.max_amps.get().max(1e-9);
            // So it does at little density for good: then somebody is asked instead.
            let most = if is_flat(cx) { 0.02 } else { 0.1 };
            Volts::new((steep * share).min(most)) + s.volts_count * 0.5
        }
    };
    if r.volts < limit {
        return Bad(format!("only {} at {}: no bath needs so little", r.volts, r.amps));
    }
    Good
}

/// What to ask a person who can see whether part and anode touch, where volts and amperes cannot tell and will not.
pub(super) fn doubt(cx: &Context, s: &Settings, e: &Evidence) -> Option<String> {
    let r = cx.reading.filter(|_| cx.output_on && Rise::has_settled(cx))?;
    let unclear = e.look(r, cx, s) != Look::Bath;
    unclear.then(|| {
        format!(
            "a bath of very little resistance, or a short? only {} at {}: look whether part and anode or their leads \
             touch; part them, then resume; or resume as it is if nothing does",
            r.volts, r.amps
        )
    })
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
    if is_short_of(cx, r, s, back) && !is_low(cx, r, s) && !at_ceiling(cx, r, s) {
        return Bad(format!(
            "{} flows where {} was asked for, with {} at the terminals",
            r.amps, cx.least_amps, r.volts
        ));
    }
    Good
}

/// Less flows than was asked for. The least setpoint of the last second counts, so
/// that a supply that lags a ramp is not blamed.
fn is_short_of(cx: &Context, r: &Reading, s: &Settings, back: f64) -> bool {
    r.amps < cx.least_amps * (0.98 + back * 0.5) - s.amps_count * 3.0
}

fn output_gone(cx: &Context, r: &Reading, s: &Settings) -> Verdict {
    match cx.phase {
        Phase::Off => return Good,
        Phase::Entry | Phase::Turn => return Suppressed,
        Phase::Ramp | Phase::Steady => {}
    }
    if !cx.output_on || cx.since_change < Duration::from_secs(1) && cx.phase == Phase::Steady {
        return Good;
    }
    let wants = if cx.current_control { asks_enough(cx, s) } else { cx.phase == Phase::Steady };
    if wants && is_low(cx, r, s) && !at_ceiling(cx, r, s) {
        return Bad(format!(
            "{} and {} although {} was asked for: the output has gone",
            r.volts, r.amps, cx.set_amps
        ));
    }
    Good
}

fn voltage_limit(cx: &Context, r: &Reading, s: &Settings, back: f64) -> Verdict {
    match cx.phase {
        Phase::Off => return Good,
        Phase::Entry | Phase::Turn => return Suppressed,
        Phase::Ramp | Phase::Steady => {}
    }
    if !cx.output_on
        || !cx.current_control
        || !asks_enough(cx, s)
        || cx.since_change < Duration::from_millis(1500)
    {
        return Good;
    }
    if is_short_of(cx, r, s, back) && !is_low(cx, r, s) && at_ceiling(cx, r, s) {
        return Bad(format!(
            "{} flows where {} was asked for; the voltage stands at its ceiling of {}",
            r.amps, cx.least_amps, cx.set_volts
        ));
    }
    Good
}

fn contact(cx: &Context, e: &Evidence) -> Verdict {
    match cx.phase {
        Phase::Entry | Phase::Turn => Suppressed,
        Phase::Off | Phase::Ramp => Good,
        Phase::Steady if e.finding.bad_contact => Bad(with_causes(
            "the volts jumped three times within half a minute".into(),
            Kind::BadContact,
            e,
            cx,
        )),
        Phase::Steady => Good,
    }
}

fn step(cx: &Context, e: &Evidence, up: bool) -> Verdict {
    let Some(step) = e.step(up) else { return Good };
    // It has not been seen to go while nothing flows: neither raised nor cleared.
    if cx.phase != Phase::Steady {
        return NoData;
    }
    let (kind, word) = if up { (Kind::PartOff, "up") } else { (Kind::Touch, "down") };
    let mut what = format!(
        "the volts stepped {word} by {:.0} % at the same current, from {} to {}",
        step.percent(),
        Volts::new(step.volts.0),
        Volts::new(step.volts.1)
    );
    if let Some(more) = step.denser.filter(|more| up && *more > 0.0) {
        what += &format!(
            "; if parts fell off, about {:.0} % of the area is gone and the density on the rest {:.0} % higher",
            (1.0 - 1.0 / (1.0 + more)) * 100.0,
            more * 100.0
        );
    }
    Bad(with_causes(what, kind, e, cx))
}

fn drift(cx: &Context, e: &Evidence, limit: f64, active: bool) -> Verdict {
    // While a disturbance lasts or the load settles nothing is judged, either way.
    let Some(d) = e.finding.drift.filter(|_| cx.phase == Phase::Steady) else {
        return if cx.phase == Phase::Steady { NoData } else { Good };
    };
    let limit = if active { limit * 0.7 } else { limit };
    if d > limit {
        let mut what = format!("the volts have crept up by {:.1} % at the same current", d * 100.0);
        if let Some(minutes) = e.margin.and_then(|m| m.minutes) {
            what += &match minutes {
                m if m < 5.0 => format!("; burn level in about {:.0} min at this rate", m.max(1.0)),
                _ => "; burn level in more than 5 min at this rate".into(),
            };
        }
        return Bad(with_causes(what, Kind::Drift, e, cx));
    }
    Good
}

fn burn_margin(cx: &Context, e: &Evidence, s: &Settings, active: bool) -> Verdict {
    let Some(m) = e.margin else { return Good };
    let limit = if active { s.burn_margin + 0.05 } else { s.burn_margin };
    // A sensor says that the solution moves less than was planned: then what may burn counts,
    // not what probably does, for the film runs empty within seconds.
    let stirs = |a| margin::agitation_factor(a);
    let stopped =
        cx.bath.zip(cx.basis).is_some_and(|(b, p)| b.proven && stirs(b.agitation) < stirs(p.agitation));
    if (if stopped { m.low } else { m.ratio }) >= limit {
        return Good;
    }
    let strand = match m.strand {
        Strand::Density => "by the density at the edge against what the bath allows",
        Strand::Voltage => "by the volts against this load's own line",
        Strand::Late => "by signs of gas at the part, which come late",
    };
    let stirred =
        if m.agitation_proven { "agitation by its sensor" } else { "agitation as assumed, not sensed" };
    let what = format!(
        "burn margin {:.0} % (between {:.0} and {:.0} %), {strand}; {stirred}",
        m.ratio * 100.0,
        m.low * 100.0,
        m.high * 100.0
    );
    Bad(with_causes(what, Kind::BurnMargin, e, cx))
}

/// The finding, then what may be behind it and the look that tells.
fn with_causes(what: String, kind: Kind, e: &Evidence, cx: &Context) -> String {
    let list: Vec<_> =
        causes::candidates(kind, e, cx).iter().map(|c| format!("{} ({})", c.cause, c.look)).collect();
    if list.is_empty() { what } else { format!("{what}. Likely: {}", list.join("; or ")) }
}

fn read_back(cx: &Context, r: &Reading, s: &Settings) -> Verdict {
    // Said by the very reading that shows it, so a ramp's changes do not put it off.
    if cx.output_on && r.faults.parted {
        let hot = if r.faults.over_temperature { "; a temperature protection has tripped" } else { "" };
        return Bad(format!(
            "one of the supplies in parallel gives nothing while another goes on: {} flows where {} was asked for{hot}",
            r.amps, cx.set_amps
        ));
    }
    if r.faults.over_temperature {
        return Bad("the supply's temperature protection has tripped: it is overloaded or its fan is blocked; let it cool".into());
    }
    if r.faults.other {
        return Bad("one of the supply's protections has tripped: read its display".into());
    }
    // A relay needs a moment, and an answer may be older than our switching.
    if cx.since_switched < Duration::from_millis(500) {
        return NoData;
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
    // In a ramp the answer may be that of any setpoint of the last second.
    let outside = |x: f64, least: f64, most: f64, slack: f64| x < least - slack || x > most + slack;
    if let Some(amps) = r.set_amps
        && let slack = (cx.most_amps * 0.005).max(s.amps_count * 1.5)
        && outside(amps.get(), cx.least_amps.get(), cx.most_amps.get(), slack.get())
    {
        return Bad(format!("the supply's current is set to {amps}, not to {} as commanded", cx.set_amps));
    }
    if let Some(volts) = r.set_volts
        && let slack = (cx.most_volts * 0.005).max(s.volts_count * 1.5)
        && outside(volts.get(), cx.least_volts.get(), cx.most_volts.get(), slack.get())
    {
        return Bad(format!("the supply's voltage is set to {volts}, not to {} as commanded", cx.set_volts));
    }
    Good
}

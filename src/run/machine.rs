//! One run's stages, and what moves it from one to the next.
//!
//! Only one setpoint or output command is ever under way: each stage waits for
//! its acknowledgement. Off is the exception; it is sent from any stage.

use super::api::{Action, Event, Outcome, Question, RunPhase, RunState};
use super::controller::Controller;
use super::ramp::Ramp;
use crate::plan::{Control, Goal, Order};
use crate::process::{Between, Confirm, Entry};
use crate::quantity::{Amps, Coulometer, Microcoulombs, Mono, Reading, Volts};
use crate::watch::Phase;
use std::time::Duration;

/// A ramp down before a hold takes about this long, whatever the current.
const SINK: Duration = Duration::from_secs(1);
/// … and is cut short after this, when readings stop coming.
const SINK_AT_MOST: Duration = Duration::from_secs(3);
/// Off is sent again this often until the supply is seen to be off.
const OFF_AGAIN: Duration = Duration::from_millis(500);
/// After this long without seeing it off, the operator is sent to the supply.
const OFF_AT_MOST: Duration = Duration::from_secs(3);
/// Contact counts once current has flowed, or been gone, for this long.
const CONTACT: Duration = Duration::from_millis(500);
/// So many setpoints in a row that the supply did not take end the run.
const REFUSED_AT_MOST: u32 = 3;

/// What follows once the output is on.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Then {
    Wait,
    Climb,
}

/// What follows once the output is seen to be off.
#[derive(Clone, Copy, Debug, PartialEq)]
enum After {
    Hold,
    Turn,
    End(RunState),
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Stage {
    /// The shell brings the supply into a known state.
    Preparing(Then),
    /// Entry setpoints are being set, output still off.
    SettingEntry,
    SwitchingOn(Then),
    /// Entry voltage on; the part is being hung. Since when current flows.
    Waiting(Option<Mono>),
    Climbing(Ramp),
    Steady,
    /// Ramping down before a hold; until when at most.
    Sinking(Ramp, Mono),
    /// The part is being turned; with the entry voltage on, how far the contact's story has come.
    Turning(Contact),
    SwitchingOff {
        after: After,
        since: Mono,
        sent: Mono,
        acknowledged: Option<Mono>,
    },
    Held,
    Ended,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Contact {
    /// Output off, or contact not looked at.
    Unwatched,
    /// Still made, or gone since then for too short a time to count.
    Made(Option<Mono>),
    /// Seen to break; back since then, if it is back.
    Broken(Option<Mono>),
}

/// One run.
#[derive(Clone, Debug)]
pub(super) struct Run {
    pub id: String,
    pub order: Order,
    pub state: RunState,
    stage: Stage,
    pub coulometer: Coulometer,
    /// The face at work, from 1.
    pub face: u8,
    /// Time ramping or steady.
    pub worked: Duration,
    /// Time with the output on, entry not counted; what the time limit is about.
    powered: Duration,
    pub question: Option<Question>,
    pub cause: Option<String>,
    pub later: Vec<String>,
    refused: u32,
}

impl Run {
    pub fn new(id: String, order: Order, max_gap: Duration) -> Self {
        Run {
            id,
            order,
            state: RunState::Running,
            stage: Stage::Ended,
            coulometer: Coulometer::new(max_gap),
            face: 1,
            worked: Duration::ZERO,
            powered: Duration::ZERO,
            question: None,
            cause: None,
            later: Vec::new(),
            refused: 0,
        }
    }

    pub fn open(&self) -> bool {
        matches!(self.state, RunState::Running | RunState::Held)
    }

    /// The output has not been on yet in this stage of the run.
    pub fn not_yet_on(&self) -> bool {
        matches!(self.stage, Stage::Preparing(_) | Stage::SettingEntry)
    }

    /// Whether a person is being asked for something other than to resume.
    pub fn asks(&self) -> bool {
        matches!(self.question, Some(Question::HangPart | Question::TurnPart { .. }))
    }

    pub fn holds_current(&self) -> bool {
        matches!(self.order.control, Control::Current { .. })
    }

    pub fn phase(&self) -> RunPhase {
        match &self.stage {
            Stage::Preparing(Then::Climb) | Stage::SwitchingOn(Then::Climb) if self.face > 1 => {
                RunPhase::Turn
            }
            Stage::Preparing(_) | Stage::SettingEntry | Stage::SwitchingOn(_) | Stage::Waiting(_) => {
                RunPhase::Entry
            }
            Stage::Climbing(_) | Stage::Sinking(..) => RunPhase::Ramp,
            Stage::Steady => RunPhase::Steady,
            Stage::Turning(_) => RunPhase::Turn,
            Stage::SwitchingOff { after: After::Turn, .. } => RunPhase::Turn,
            Stage::SwitchingOff { .. } | Stage::Held | Stage::Ended => RunPhase::Off,
        }
    }

    pub fn watch_phase(&self) -> Phase {
        match &self.stage {
            Stage::Waiting(_) | Stage::SwitchingOn(Then::Wait) => Phase::Entry,
            Stage::Climbing(_) | Stage::Sinking(..) | Stage::SwitchingOn(Then::Climb) => Phase::Ramp,
            Stage::Steady => Phase::Steady,
            Stage::Turning(_) => Phase::Turn,
            _ => Phase::Off,
        }
    }

    pub fn pass(&mut self, dt: Duration, on: bool) {
        if !on {
            return;
        }
        match self.stage {
            Stage::Climbing(_) | Stage::Steady | Stage::Sinking(..) => {
                self.worked += dt;
                self.powered += dt;
            }
            Stage::Turning(_) => self.powered += dt,
            _ => {}
        }
    }

    pub fn measure(&mut self, r: &Reading) {
        match self.stage {
            Stage::Waiting(_)
            | Stage::Climbing(_)
            | Stage::Steady
            | Stage::Sinking(..)
            | Stage::SwitchingOn(_)
            | Stage::SwitchingOff { .. } => self.coulometer.measure(r.at, r.amps),
            Stage::Turning(contact) if contact != Contact::Unwatched => self.coulometer.measure(r.at, r.amps),
            _ => {}
        }
    }

    fn faces(&self) -> u8 {
        self.order.turn.map_or(1, |t| t.faces)
    }

    /// Charge at which the face at work has had its share.
    pub fn charge_mark(&self) -> Option<Microcoulombs> {
        match self.order.goal {
            Goal::Charge(q) => {
                let share = i128::from(q.0) * i128::from(self.face) / i128::from(self.faces());
                Some(Microcoulombs(i64::try_from(share).unwrap_or(q.0)))
            }
            Goal::Time(_) => None,
        }
    }

    /// Worked time at which the face at work has had its share.
    pub fn time_mark(&self) -> Option<Duration> {
        match self.order.goal {
            Goal::Time(t) => Some(t * u32::from(self.face) / u32::from(self.faces())),
            Goal::Charge(_) => None,
        }
    }

    fn reached(&self, now: Mono, max_gap: Duration) -> bool {
        if let Some(mark) = self.time_mark() {
            return self.worked >= mark;
        }
        // Ahead of the next reading only while the last one is fresh.
        let fresh = self.coulometer.last_at().is_some_and(|at| now.since(at) <= max_gap);
        let charge = if fresh { self.coulometer.projected(now) } else { self.coulometer.charge() };
        self.charge_mark().is_some_and(|mark| charge >= mark)
    }

    fn deadline(&self, now: Mono) -> Option<Mono> {
        let after = |left: Duration| now + left;
        match &self.stage {
            Stage::Climbing(_) | Stage::Steady => {
                let limit = after(self.order.time_limit.saturating_sub(self.powered));
                let goal = match self.time_mark() {
                    Some(mark) => Some(after(mark.saturating_sub(self.worked))),
                    None => self.charge_mark().and_then(|mark| self.coulometer.reaches(mark)),
                };
                Some(goal.map_or(limit, |goal| goal.min(limit)))
            }
            Stage::Sinking(_, until) => Some(*until),
            Stage::SwitchingOff { sent, .. } => Some(*sent + OFF_AGAIN),
            Stage::Turning(contact) if *contact != Contact::Unwatched => {
                Some(after(self.order.time_limit.saturating_sub(self.powered)))
            }
            _ => None,
        }
    }

    /// Below this no current flows as far as contact is concerned.
    fn contact_amps(&self, count: Amps) -> Amps {
        (count * 3.0).max(self.order.entry_amps * 0.03)
    }
}

impl Controller {
    pub(super) fn run_deadline(&self) -> Option<Mono> {
        // Never in the past: a deadline that has been served must not spin the shell.
        let step = Duration::from_millis(1);
        self.run.as_ref().and_then(|run| run.deadline(self.now)).map(|at| at.max(self.now + step))
    }

    fn set(&mut self, amps: Amps, volts: Volts, out: &mut Vec<Action>) {
        let Some(run) = &self.run else { return };
        let limits = self.setup.limits;
        // The last of the checks before the wire: whatever was computed, no limit is passed.
        let most_amps = run.order.control.max_amps().max(run.order.entry_amps).min(limits.max_amps);
        let most_volts = run.order.control.max_volts().max(run.order.entry_volts).min(limits.max_volts);
        let amps = amps.max(Amps::ZERO).min(most_amps);
        let volts = volts.max(Volts::ZERO).min(most_volts);
        self.wire.pending = Some((amps, volts));
        out.push(Action::Set { amps, volts });
    }

    fn enter(&mut self, stage: Stage, why: Option<&str>, out: &mut Vec<Action>) {
        let Some(run) = &mut self.run else { return };
        let before = (run.state, run.phase());
        run.stage = stage;
        run.state = match run.stage {
            Stage::Held => RunState::Held,
            Stage::Ended => run.state,
            _ => RunState::Running,
        };
        if (run.state, run.phase()) != before {
            out.push(Action::Record(Event::Phase {
                state: run.state,
                phase: run.phase(),
                why: why.map(str::to_owned),
            }));
        }
    }

    fn ask(&mut self, question: Question, out: &mut Vec<Action>) {
        if let Some(run) = &mut self.run {
            run.question = Some(question.clone());
            out.push(Action::Record(Event::Asked(question)));
        }
    }

    /// First step of every way to current: the supply in a known state, off.
    pub(super) fn prepare(&mut self, out: &mut Vec<Action>) {
        let Some(run) = &self.run else { return };
        let then = if run.order.entry == Entry::Dead { Then::Climb } else { Then::Wait };
        self.prepare_for(then, out);
    }

    pub(super) fn go_on_after_hold(&mut self, out: &mut Vec<Action>) {
        if let Some(run) = &mut self.run {
            run.question = None;
            run.cause = None;
            run.refused = 0;
        }
        self.prepare_for(Then::Climb, out);
    }

    fn prepare_for(&mut self, then: Then, out: &mut Vec<Action>) {
        let Some(run) = &self.run else { return };
        let order = &run.order;
        let limits = self.setup.limits;
        let ceiling = order.control.max_volts().max(order.entry_volts);
        let protection = super::api::Protection {
            // Above what is commanded, so that regulation overshoot does not trip it; the
            // supply's own range may be no wider than the station's limit.
            over_voltage: (ceiling * 1.1).max(ceiling + Volts::new(0.5)).min(limits.max_volts * 1.1),
            over_current: (order.control.max_amps() * 1.1)
                .max(order.control.max_amps() + Amps::new(0.1))
                .min(limits.max_amps * 1.1),
        };
        let volts = match (then, order.control) {
            (Then::Wait, _) => order.entry_volts,
            (Then::Climb, Control::Current { ceiling, .. }) => ceiling,
            (Then::Climb, Control::Voltage { .. }) => Volts::ZERO,
        };
        self.wire.pending = Some((Amps::ZERO, volts));
        self.enter(Stage::Preparing(then), None, out);
        out.push(Action::Prepare { protection, volts });
    }

    pub(super) fn prepared(&mut self, out: &mut Vec<Action>) {
        let now = self.now;
        let Some(run) = &self.run else { return };
        let Stage::Preparing(then) = run.stage else { return };
        let (amps, volts) = (run.order.entry_amps, run.order.entry_volts);
        self.wire.acknowledge(now);
        match then {
            Then::Wait => {
                self.enter(Stage::SettingEntry, None, out);
                self.set(amps, volts, out);
            }
            Then::Climb => self.switch_on(Then::Climb, out),
        }
    }

    fn switch_on(&mut self, then: Then, out: &mut Vec<Action>) {
        self.wire.on = true;
        self.wire.observed = Some(self.now);
        self.wire.changed = Some(self.now);
        self.enter(Stage::SwitchingOn(then), None, out);
        out.push(Action::Output(true));
    }

    /// The latest supply command has been carried out and acknowledged.
    pub(super) fn applied(&mut self, out: &mut Vec<Action>) {
        let now = self.now;
        let Some(run) = &mut self.run else {
            return;
        };
        run.refused = 0;
        match &mut run.stage {
            Stage::SwitchingOff { acknowledged, .. } => {
                acknowledged.get_or_insert(now);
                run.coulometer.changed(now);
                self.wire.pending = None;
                self.wire.on = false;
                self.wire.changed = Some(now);
            }
            // An off that was asked for with no run open.
            Stage::Ended | Stage::Held => {
                self.wire.on = false;
                self.wire.changed = Some(now);
            }
            Stage::SettingEntry => {
                self.wire.acknowledge(now);
                self.switch_on(Then::Wait, out);
            }
            Stage::SwitchingOn(then) => {
                let then = *then;
                run.coulometer.measure(now, Amps::ZERO);
                self.wire.observed = Some(now);
                self.wire.changed = Some(now);
                match then {
                    Then::Wait => {
                        self.enter(Stage::Waiting(None), None, out);
                        self.ask(Question::HangPart, out);
                    }
                    Then::Climb => self.climb(out),
                }
            }
            _ => {
                if self.wire.pending.is_some() {
                    run.coulometer.changed(now);
                    self.wire.acknowledge(now);
                }
                let full = matches!(&run.stage, Stage::Climbing(ramp) if ramp.done());
                if full {
                    self.enter(Stage::Steady, None, out);
                }
            }
        }
    }

    /// The latest supply command could not be carried out.
    pub(super) fn failed(&mut self, why: &str, out: &mut Vec<Action>) {
        let Some(run) = &mut self.run else { return };
        match run.stage {
            Stage::Preparing(_) | Stage::SettingEntry | Stage::SwitchingOn(_) => self.cut(why, out),
            Stage::SwitchingOff { .. } | Stage::Held | Stage::Ended => {}
            _ => {
                self.wire.pending = None;
                run.refused += 1;
                out.push(Action::Record(Event::Note(format!("setpoint not taken: {why}"))));
                if run.refused >= REFUSED_AT_MOST {
                    self.cut(
                        &format!("the supply did not take {REFUSED_AT_MOST} setpoints in a row: {why}"),
                        out,
                    );
                }
            }
        }
    }

    /// From wherever the entry left the supply up to the setpoint.
    fn climb(&mut self, out: &mut Vec<Action>) {
        let live = self.wire.amps.is_positive();
        let flowing = self.last.filter(|_| live).map_or(0.0, |r| r.amps.get().max(0.0));
        let Some(run) = &mut self.run else { return };
        run.question = None;
        let ramp = match run.order.control {
            Control::Current { setpoint, ceiling, slope } => {
                let from = flowing.min(setpoint.get());
                (Ramp::new(from, setpoint.get(), slope.get()), live.then_some((Amps::new(from), ceiling)))
            }
            Control::Voltage { setpoint, ceiling, slope } => {
                let from = if live { run.order.entry_volts.min(setpoint) } else { Volts::ZERO };
                (Ramp::new(from.get(), setpoint.get(), slope.get()), Some((ceiling, from)))
            }
        };
        self.enter(Stage::Climbing(ramp.0), None, out);
        if let Some((amps, volts)) = ramp.1 {
            self.set(amps, volts, out);
        }
    }

    /// The operator has done what was asked.
    pub(super) fn answered(&mut self, out: &mut Vec<Action>) {
        let Some(run) = &mut self.run else { return };
        match run.stage {
            Stage::Waiting(_) => self.climb(out),
            Stage::Turning(contact) => {
                run.face += 1;
                run.question = None;
                if contact == Contact::Unwatched {
                    self.prepare_for(Then::Climb, out);
                } else {
                    self.climb(out);
                }
            }
            _ => {}
        }
    }

    /// What time and readings alone move.
    pub(super) fn progress(&mut self, fresh: Option<&Reading>, since_last: Duration, out: &mut Vec<Action>) {
        let now = self.now;
        let max_gap = self.setup.max_gap;
        let count = self.setup.watches.amps_count;
        let Some(run) = &mut self.run else { return };
        if matches!(run.stage, Stage::Climbing(_) | Stage::Steady | Stage::Turning(_))
            && self.wire.on
            && run.powered >= run.order.time_limit
        {
            self.end(RunState::Stopped, "the time limit was reached before the target", out);
            return;
        }
        match run.stage {
            Stage::Climbing(_) | Stage::Steady if run.reached(now, max_gap) => self.face_done(out),
            Stage::Climbing(mut ramp) => {
                let Some(r) = fresh else { return };
                if self.wire.pending.is_some() {
                    return;
                }
                let current = run.holds_current();
                let in_force = if current { self.wire.amps.get() } else { self.wire.volts.get() };
                let refused = (in_force - ramp.at()).abs() > 1e-9;
                if !refused && !follows(r, in_force, ramp.target(), current, count.get()) {
                    // The supply stands at its other limit, or nothing makes contact: raising the
                    // setpoint now would strike the part with all of it when contact returns.
                    return;
                }
                let next = if refused { Some(ramp.at()) } else { ramp.advance(since_last) };
                run.stage = Stage::Climbing(ramp);
                if let Some(x) = next {
                    self.set_held(x, out);
                }
            }
            Stage::Sinking(mut ramp, until) => {
                if now >= until || (ramp.done() && self.wire.pending.is_none()) {
                    self.switch_off(After::Hold, out);
                } else if fresh.is_some() && self.wire.pending.is_none() {
                    let next = ramp.advance(since_last);
                    run.stage = Stage::Sinking(ramp, until);
                    if let Some(x) = next {
                        self.set_held(x, out);
                    }
                }
            }
            Stage::Waiting(since) => {
                let Some(r) = fresh else { return };
                if run.order.entry != Entry::OnContact {
                    return;
                }
                let flows = r.amps >= run.contact_amps(count);
                let since = flows.then(|| since.unwrap_or(now));
                run.stage = Stage::Waiting(since);
                if since.is_some_and(|t| now.since(t) >= CONTACT) {
                    out.push(Action::Record(Event::Note("contact: current flows, the ramp begins".into())));
                    self.climb(out);
                }
            }
            Stage::Turning(contact) if contact != Contact::Unwatched => {
                let Some(r) = fresh else { return };
                let by_contact = run.order.turn.is_some_and(|t| t.confirm == Confirm::Contact);
                let flows = r.amps >= run.contact_amps(count);
                let next = match (contact, flows) {
                    (Contact::Made(_), true) => Contact::Made(None),
                    (Contact::Made(None), false) => Contact::Made(Some(now)),
                    (Contact::Made(Some(t)), false) if now.since(t) >= CONTACT => Contact::Broken(None),
                    (Contact::Broken(_), false) => Contact::Broken(None),
                    (Contact::Broken(None), true) => Contact::Broken(Some(now)),
                    (same, _) => same,
                };
                let back = matches!(next, Contact::Broken(Some(t)) if now.since(t) >= CONTACT);
                run.stage = Stage::Turning(next);
                if by_contact && back {
                    out.push(Action::Record(Event::Note(
                        "contact broke and returned: the part was turned".into(),
                    )));
                    self.answered(out);
                }
            }
            Stage::SwitchingOff { after, since, sent, acknowledged } => {
                let seen_off = fresh.is_some_and(|r| {
                    acknowledged.is_some_and(|t| r.at >= t) && r.output != Some(true) && r.amps < count * 5.0
                });
                if seen_off {
                    self.is_off(true, out);
                } else if now.since(since) >= OFF_AT_MOST {
                    self.is_off(false, out);
                } else if now.since(sent) >= OFF_AGAIN {
                    run.stage = Stage::SwitchingOff { after, since, sent: now, acknowledged };
                    out.push(Action::Output(false));
                }
            }
            _ => {}
        }
    }

    /// The controlled quantity to `x`, the other at its ceiling.
    fn set_held(&mut self, x: f64, out: &mut Vec<Action>) {
        let Some(run) = &self.run else { return };
        match run.order.control {
            Control::Current { ceiling, .. } => self.set(Amps::new(x), ceiling, out),
            Control::Voltage { ceiling, .. } => self.set(ceiling, Volts::new(x), out),
        }
    }

    fn face_done(&mut self, out: &mut Vec<Action>) {
        let Some(run) = &self.run else { return };
        let (face, faces) = (run.face, run.faces());
        if face >= faces {
            return self.end(RunState::Complete, "target reached", out);
        }
        let between = run.order.turn.map_or(Between::Off, |t| t.between);
        let (amps, volts) = (run.order.entry_amps, run.order.entry_volts);
        match between {
            Between::Off => self.switch_off(After::Turn, out),
            Between::EntryVoltage => {
                self.enter(Stage::Turning(Contact::Made(None)), None, out);
                self.set(amps, volts, out);
                self.ask(Question::TurnPart { next: face + 1, faces }, out);
            }
        }
    }

    /// Ramp down, output off, wait. The first cause stays the cause.
    pub(super) fn hold(&mut self, cause: &str, out: &mut Vec<Action>) {
        let now = self.now;
        let Some(run) = self.run.as_mut().filter(|r| r.open()) else { return };
        if matches!(
            run.stage,
            Stage::Sinking(..) | Stage::Held | Stage::SwitchingOff { after: After::Hold | After::End(_), .. }
        ) {
            return self.note_cause(cause);
        }
        run.cause = Some(cause.to_owned());
        run.question = None;
        let from = if run.holds_current() { self.wire.amps.get() } else { self.wire.volts.get() };
        let sinks = matches!(run.stage, Stage::Climbing(_) | Stage::Steady) && from > 0.0;
        if sinks {
            let ramp = Ramp::new(from, 0.0, from / SINK.as_secs_f64());
            self.enter(Stage::Sinking(ramp, now + SINK_AT_MOST), Some(cause), out);
        } else {
            self.switch_off(After::Hold, out);
        }
    }

    /// Output off at once, run aborted.
    pub(super) fn cut(&mut self, cause: &str, out: &mut Vec<Action>) {
        self.end(RunState::Aborted, cause, out);
    }

    /// Output off at once; the run ends in `state` when off is seen.
    pub(super) fn end(&mut self, state: RunState, cause: &str, out: &mut Vec<Action>) {
        let Some(run) = self.run.as_mut().filter(|r| r.open()) else { return };
        if let Stage::SwitchingOff { after: After::End(_), .. } = run.stage {
            return self.note_cause(cause);
        }
        // A hold that turns into an end keeps its own cause as the first.
        if run.cause.is_some() {
            self.note_cause(cause);
        } else {
            run.cause = Some(cause.to_owned());
        }
        self.switch_off(After::End(state), out);
    }

    /// The link is gone: nothing can be switched, so the run ends here, and says so.
    pub(super) fn give_up(&mut self, cause: &str, out: &mut Vec<Action>) {
        let now = self.now;
        if let Some(run) = &mut self.run {
            match &run.cause {
                Some(_) => self.note_cause(cause),
                None => run.cause = Some(cause.to_owned()),
            }
        }
        if self.wire.on {
            out.push(Action::Output(false));
            if let Some(run) = &mut self.run {
                run.coulometer.unobserved_until(now);
            }
        }
        self.finish(RunState::Aborted, out);
    }

    fn note_cause(&mut self, cause: &str) {
        if let Some(run) = &mut self.run
            && run.cause.as_deref() != Some(cause)
            && !run.later.iter().any(|c| c == cause)
            && run.later.len() < 20
        {
            run.later.push(cause.to_owned());
        }
    }

    fn switch_off(&mut self, after: After, out: &mut Vec<Action>) {
        let now = self.now;
        let Some(run) = &mut self.run else { return };
        run.question = None;
        let cause = run.cause.clone();
        self.wire.pending = None;
        self.enter(
            Stage::SwitchingOff { after, since: now, sent: now, acknowledged: None },
            cause.as_deref(),
            out,
        );
        out.push(Action::Output(false));
    }

    /// Off was seen, or was not seen for too long.
    fn is_off(&mut self, seen: bool, out: &mut Vec<Action>) {
        let now = self.now;
        let Some(run) = &mut self.run else { return };
        let Stage::SwitchingOff { after, .. } = run.stage else { return };
        self.wire.on = false;
        if seen {
            run.coulometer.rest();
        } else {
            run.coulometer.unobserved_until(now);
            let text = "the output was not seen to go off: go to the supply and switch it off by hand";
            match &run.cause {
                Some(_) => self.note_cause(text),
                None => run.cause = Some(text.into()),
            }
            self.lost = Some(text.into());
        }
        match after {
            _ if !seen => self.finish(RunState::Aborted, out),
            After::End(state) => self.finish(state, out),
            After::Hold => {
                let why = self.run.as_ref().and_then(|r| r.cause.clone());
                self.enter(Stage::Held, why.as_deref(), out);
                self.ask(Question::Held, out);
            }
            After::Turn => {
                let (next, faces) = self.run.as_ref().map_or((1, 1), |r| (r.face + 1, r.faces()));
                self.enter(Stage::Turning(Contact::Unwatched), None, out);
                self.ask(Question::TurnPart { next, faces }, out);
            }
        }
    }

    fn finish(&mut self, state: RunState, out: &mut Vec<Action>) {
        let Some(run) = &mut self.run else { return };
        run.stage = Stage::Ended;
        run.state = state;
        run.question = None;
        let outcome = Outcome {
            state,
            cause: run.cause.clone().unwrap_or_default(),
            charge: run.coulometer.charge(),
            unobserved: run.coulometer.unobserved(),
            worked: run.worked,
        };
        out.push(Action::Record(Event::Ended(outcome)));
    }
}

/// Whether the supply delivers what it was told, near enough to ask for more. Low
/// setpoints are passed over: there the meter's counts and the cell's own
/// zero-current volts say nothing.
fn follows(r: &Reading, in_force: f64, target: f64, current: bool, count: f64) -> bool {
    if current {
        in_force < (target * 0.1).max(count * 10.0) || r.amps.get() >= in_force * 0.9 - 3.0 * count
    } else {
        r.volts.get() >= in_force * 0.9 - 0.05
    }
}

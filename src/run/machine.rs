//! What moves a run from one stage to the next.
//!
//! Only one setpoint or output command is ever under way: each stage waits for
//! its acknowledgement. Off is the exception; it is sent from any stage.

use super::api::{Action, Event, Outcome, Question, RunState};
use super::controller::Controller;
use super::ramp::Ramp;
use super::stage::{After, Contact, Run, Stage, Then};
use super::story::Doubt;
use crate::plan::Control;
use crate::process::{Between, Entry};
use crate::quantity::{Amps, Mono, Reading, Volts};
use std::time::Duration;

/// A ramp down before a hold takes about this long, whatever the current.
const SINK: Duration = Duration::from_secs(1);
/// … and is cut short after this, when readings stop coming.
const SINK_AT_MOST: Duration = Duration::from_secs(3);
/// A reading older than this does not say what flows now.
const FRESH: Duration = Duration::from_secs(1);
/// So many setpoints in a row that the supply did not take end the run.
const REFUSED_AT_MOST: u32 = 3;

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
        let most_amps = run.order.max_amps().min(limits.max_amps);
        let most_volts = run.order.max_volts().min(limits.max_volts);
        let amps = amps.max(Amps::ZERO).min(most_amps);
        let volts = volts.max(Volts::ZERO).min(most_volts);
        self.wire.pending = Some((amps, volts));
        out.push(Action::Set { amps, volts });
    }

    pub(super) fn enter(&mut self, stage: Stage, why: Option<&str>, out: &mut Vec<Action>) {
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
        let mut held_for = None;
        if let Some(run) = &mut self.run {
            run.question = None;
            run.cause = None;
            held_for = run.held_for.take();
            run.refused = 0;
        }
        self.panel.goes_on(held_for);
        self.prepare_for(Then::Climb, out);
    }

    fn prepare_for(&mut self, then: Then, out: &mut Vec<Action>) {
        let Some(run) = &self.run else { return };
        let order = &run.order;
        let limits = self.setup.limits;
        let ceiling = order.max_volts();
        let protection = super::api::Protection {
            // Above what is commanded, so that regulation overshoot does not trip it; the
            // supply's own range may be no wider than the station's limit.
            over_voltage: (ceiling * 1.1).max(ceiling + Volts::new(0.5)).min(limits.max_volts * 1.1),
            over_current: (order.max_amps() * 1.1)
                .max(order.max_amps() + Amps::new(0.1))
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
        // Identified and confirmed off: whatever was not known before is known now.
        self.lost = None;
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
        self.wire.switched = Some(self.now);
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
            Stage::SwitchingOff { acknowledged, since, sent, .. } => {
                // A word that came late is a word: the next reading, not another off, comes now.
                *sent = now;
                let (first, commanded) = (acknowledged.is_none(), *since);
                acknowledged.get_or_insert(now);
                if first {
                    run.went_off(commanded, now);
                }
                self.wire.pending = None;
                self.wire.on = false;
                self.wire.changed = Some(now);
                self.wire.switched = Some(now);
            }
            // An off that was asked for with no run open.
            Stage::Ended | Stage::Held => {
                self.wire.on = false;
                self.wire.changed = Some(now);
                self.wire.switched = Some(now);
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
                self.wire.switched = Some(now);
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
                let turn = matches!(&run.stage, Stage::Turning(_) if run.question.is_none());
                let count = self.panel.part_may_be_off();
                let question = Question::TurnPart { next: run.face + 1, faces: run.faces(), count };
                if full {
                    self.enter(Stage::Steady, None, out);
                } else if turn {
                    self.ask(question, out);
                }
            }
        }
    }

    /// The latest supply command could not be carried out.
    pub(super) fn failed(&mut self, why: &str, out: &mut Vec<Action>) {
        let Some(run) = &mut self.run else { return };
        match run.stage {
            Stage::Preparing(_) | Stage::SettingEntry | Stage::SwitchingOn(_) => self.cut_or_wait(why, out),
            Stage::SwitchingOff { .. } | Stage::Held | Stage::Ended => {}
            Stage::Turning(_) => {
                // Nobody puts a hand to the rack at the full current: then it is turned with the output off.
                out.push(Action::Record(Event::Note(format!("entry voltage not taken for the turn: {why}"))));
                self.switch_off(After::Turn, out);
            }
            _ => {
                self.wire.pending = None;
                run.refused += 1;
                out.push(Action::Record(Event::Note(format!("setpoint not taken: {why}"))));
                if run.refused >= REFUSED_AT_MOST {
                    self.cut_or_wait(
                        &format!("the supply did not take {REFUSED_AT_MOST} setpoints in a row: {why}"),
                        out,
                    );
                }
            }
        }
    }

    /// Nothing this supply says or is told can be trusted: with current commanded it is cut, without a delay.
    pub(super) fn wild(&mut self, why: String, out: &mut Vec<Action>) {
        let off = self
            .run
            .as_ref()
            .is_none_or(|run| matches!(run.stage, Stage::SwitchingOff { .. } | Stage::Ended));
        if self.wire.on && !off {
            self.cut_or_wait(&why, out);
        }
        self.unread = Some(why);
    }

    /// From wherever the entry left the supply up to the setpoint.
    pub(super) fn climb(&mut self, out: &mut Vec<Action>) {
        let live = self.wire.amps.is_positive();
        // Only a reading taken since the entry setpoints stand says what flows at them.
        let current =
            |r: &Reading| self.wire.changed.is_some_and(|t| r.at >= t) && self.now.since(r.at) < FRESH;
        let flowing = self.last.filter(|r| live && current(r)).map_or(0.0, |r| r.amps.get().max(0.0));
        let Some(run) = &mut self.run else { return };
        run.question = None;
        let ramp = match run.order.control {
            Control::Current { ceiling, slope, .. } => {
                let setpoint = run.setpoint;
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

    /// The controlled quantity to `x`, the other at its ceiling.
    pub(super) fn set_held(&mut self, x: f64, out: &mut Vec<Action>) {
        let Some(run) = &self.run else { return };
        match run.order.control {
            Control::Current { ceiling, .. } => self.set(Amps::new(x), ceiling, out),
            Control::Voltage { ceiling, .. } => self.set(ceiling, Volts::new(x), out),
        }
    }

    pub(super) fn face_done(&mut self, out: &mut Vec<Action>) {
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
                // Asked for once the low voltage stands.
                self.set(amps, volts, out);
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
        self.blame(cause);
        self.switch_off(After::End(state), out);
    }

    /// Output off at once; where it is one of several supplies that fails, the run waits for it.
    fn cut_or_wait(&mut self, cause: &str, out: &mut Vec<Action>) {
        if self.partly && self.run.as_ref().is_some_and(Run::can_wait) {
            self.hold_at_once(cause, out);
        } else {
            self.cut(cause, out);
        }
    }

    /// Output off without a ramp, then wait.
    pub(super) fn hold_at_once(&mut self, cause: &str, out: &mut Vec<Action>) {
        let Some(run) = self.run.as_ref().filter(|r| r.open()) else { return };
        let ends =
            matches!(run.stage, Stage::Held | Stage::SwitchingOff { after: After::Hold | After::End(_), .. });
        self.blame(cause);
        if !ends {
            self.switch_off(After::Hold, out);
        }
    }

    /// One of several supplies is lost and the others are off: nothing more will be seen, so the run waits as it is.
    pub(super) fn hold_unseen(&mut self, cause: &str, out: &mut Vec<Action>) {
        let now = self.now;
        self.blame(cause);
        if self.wire.on {
            out.push(Action::Output(false));
            if let Some(run) = &mut self.run {
                run.coulometer.unobserved_until(now);
                self.unseen = Some(now);
            }
        }
        self.held(out);
    }

    fn held(&mut self, out: &mut Vec<Action>) {
        let Some(run) = self.run.as_ref().filter(|run| run.stage != Stage::Held) else { return };
        let why = run.cause.clone();
        self.enter(Stage::Held, why.as_deref(), out);
        self.ask(Question::Held, out);
    }

    /// The first cause stays the cause.
    fn blame(&mut self, cause: &str) {
        match &mut self.run {
            Some(run) if run.cause.is_none() => run.cause = Some(cause.to_owned()),
            _ => self.note_cause(cause),
        }
    }

    /// The link is gone: nothing can be switched, so the run ends here, and says so.
    pub(super) fn give_up(&mut self, cause: &str, out: &mut Vec<Action>) {
        let now = self.now;
        self.blame(cause);
        if self.wire.on {
            out.push(Action::Output(false));
            if let Some(run) = &mut self.run {
                run.coulometer.unobserved_until(now);
                self.unseen = Some(now);
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

    pub(super) fn switch_off(&mut self, after: After, out: &mut Vec<Action>) {
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
    pub(super) fn is_off(&mut self, seen: bool, out: &mut Vec<Action>) {
        let now = self.now;
        let Some(run) = &mut self.run else { return };
        let Stage::SwitchingOff { after, .. } = run.stage else { return };
        self.wire.on = false;
        if seen {
            run.coulometer.rest();
        } else {
            run.coulometer.unobserved_until(now);
            self.unseen = Some(now);
            let text = Doubt::NotSeenOff.said();
            self.blame(text);
            self.lost = Some(text.into());
        }
        match after {
            // The silent one of several cannot be seen; what can be is off.
            After::Hold if self.partly => self.held(out),
            _ if !seen => self.finish(RunState::Aborted, out),
            After::End(state) => self.finish(state, out),
            After::Hold => self.held(out),
            After::Turn => {
                let (next, faces) = self.run.as_ref().map_or((1, 1), |r| (r.face + 1, r.faces()));
                self.enter(Stage::Turning(Contact::Unwatched), None, out);
                let count = self.panel.part_may_be_off();
                self.ask(Question::TurnPart { next, faces, count }, out);
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

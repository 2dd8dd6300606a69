//! What a guide makes of its run's events.

use super::api::{About, JobAnswer, JobEvent, Outcome};
use super::machine::{Guide, Held, Out, Phase, note};
use super::words;
use crate::process::spoken;
use crate::run::{Answer, Event, Question, RunPhase, RunState};

impl Guide {
    pub(super) fn hear(&mut self, event: Event, out: &mut Out) {
        if self.phase != Phase::Run {
            return;
        }
        if let Event::Phase { phase, .. } = &event {
            self.run_phase = *phase;
            self.hung |= matches!(phase, RunPhase::Ramp | RunPhase::Steady);
        }
        match event {
            Event::Started { id, .. } => {
                self.passages[self.at].run = Some(id.clone());
                self.run = Some(id);
            }
            Event::Asked(Question::HangPart) => self.ask_run(About::HangPart, &Question::HangPart, out),
            Event::Asked(q @ Question::TurnPart { .. }) => self.ask_run(About::TurnPart, &q, out),
            Event::Asked(Question::Held) | Event::Commanded { .. } | Event::Note(_) => {}
            Event::Answered { by, answer } => {
                if let Some(question) = self.question.take() {
                    let answer = if answer == Answer::No { JobAnswer::No } else { JobAnswer::Done };
                    self.answered = Some((question.seq, by, answer));
                    self.hung |= question.about == About::HangPart && answer == JobAnswer::Done;
                }
            }
            Event::Phase { state: RunState::Held, why, .. } => {
                let why = why.unwrap_or_else(|| "the run is held".into());
                self.question = None;
                self.held = Some(Held { why: why.clone(), advice: None, by_run: true });
                self.state = RunState::Held;
                note(out, JobEvent::Held { why, advice: None });
            }
            Event::Phase { state: RunState::Running, .. } => {
                self.question = None;
                if self.held.as_ref().is_some_and(|h| h.by_run) {
                    self.held = None;
                    self.state = RunState::Running;
                    note(out, JobEvent::GoesOn);
                }
            }
            Event::Phase { .. } => self.question = None,
            Event::Ended(outcome) => self.run_ended(&outcome, out),
        }
    }

    fn ask_run(&mut self, about: About, question: &Question, out: &mut Out) {
        let text = words::run_question(self.here(), question);
        self.put(about, text, vec![JobAnswer::Done, JobAnswer::No], out);
    }

    fn run_ended(&mut self, outcome: &crate::run::Outcome, out: &mut Out) {
        self.question = None;
        self.held = self.held.take().filter(|h| !h.by_run);
        if self.held.is_none() {
            self.state = RunState::Running;
        }
        if outcome.charge.0 > 0 && words::deposits(self.here()) {
            self.plated_at = Some(self.now);
        }
        if outcome.charge.0 > 0 {
            self.bare_at = Some(self.now);
        }
        if outcome.state == RunState::Complete {
            self.left_at = Some(self.now);
            self.phase = Phase::Rinse;
            if let Some(cause) = self.ending.take() {
                self.close_row(Outcome::Done, None, None, out);
                return self.finish(RunState::Stopped, &cause, out);
            }
            return self.rinse(None, out);
        }
        let why = format!(
            "the run of {} was {}: {}",
            spoken(&self.here().name),
            outcome.state.name(),
            outcome.cause
        );
        self.phase = Phase::RunFailed;
        self.close_row(Outcome::Failed, Some(why.clone()), None, out);
        match self.ending.take() {
            Some(cause) => self.finish(RunState::Stopped, &cause, out),
            None => self.hold(&why, Some(words::after_a_failed_run(outcome)), out),
        }
    }
}

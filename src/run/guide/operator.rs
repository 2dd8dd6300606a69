//! What people ask of a guide: answers, a step again, a step left out, hold, resume, stop.

use super::api::{About, GuideAction, JobAnswer, JobEvent, Outcome};
use super::machine::{Guide, Out, Phase, note};
use super::plan::JobTodo;
use super::words;
use crate::process::{Entry, Polarity};
use crate::quantity::Span;
use crate::run::{Answer, Refusal, RunPhase, RunState};

impl Guide {
    pub(super) fn answer(
        &mut self,
        by: &str,
        answer: JobAnswer,
        seq: Option<u32>,
        out: &mut Out,
    ) -> Result<String, Refusal> {
        let stands = self.question.clone();
        let before = match &self.answered {
            Some((n, who, how)) if seq == Some(*n) => {
                format!("question {n} was answered already: {} by {who}", how.name())
            }
            _ => seq.map_or(String::new(), |n| format!("question {n} does not stand any more")),
        };
        let Some(question) = stands else {
            return Err(Refusal(match (&self.held, before.is_empty()) {
                (Some(held), true) => {
                    format!("the job is held: {}; resume it, redo or skip the step, or stop it", held.why)
                }
                (_, true) => match self.left_in() {
                    Some(left) => format!(
                        "the load is to stay in for another {left}; if it must come out now, skip the step with a reason"
                    ),
                    None => "nothing is being asked just now".into(),
                },
                (_, false) => format!("{before}; nothing is being asked just now"),
            }));
        };
        if seq.is_some_and(|n| n != question.seq) {
            return Err(Refusal(format!(
                "{before}; what stands now is question {}: {}",
                question.seq, question.text
            )));
        }
        // "Yes, done" and "yes" are the same thing, but not where something is looked at.
        let answer = match answer {
            JobAnswer::Yes if question.answers.contains(&JobAnswer::Done) => JobAnswer::Done,
            other => other,
        };
        if !question.answers.contains(&answer) {
            let allowed: Vec<_> = question.answers.iter().map(|a| a.name()).collect();
            return Err(Refusal(format!(
                "{:?} is no answer to that: {} Answer {}",
                answer.name(),
                question.text,
                allowed.join(" or ")
            )));
        }
        self.answered = Some((question.seq, by.into(), answer));
        note(out, JobEvent::Answered { seq: question.seq, by: by.into(), answer });
        if matches!(question.about, About::HangPart | About::TurnPart) {
            // The question goes when the run says so.
            let said = answer;
            let answer = if answer == JobAnswer::No { Answer::No } else { Answer::Done };
            out.push(GuideAction::AnswerRun { by: by.into(), answer });
            let leads = question.leads_to.into_iter().find(|leads| leads.answer == said);
            return Ok(leads.map_or_else(|| words::what_now(self), |leads| leads.then));
        }
        self.question = None;
        self.take(by, answer, out);
        Ok(words::what_now(self))
    }

    fn take(&mut self, by: &str, answer: JobAnswer, out: &mut Out) {
        if self.phase == Phase::Look {
            return self.looked(by, answer, out);
        }
        if answer == JobAnswer::No {
            return self.hold(&format!("{by} could not do what was asked"), None, out);
        }
        match self.phase {
            Phase::Polarity => {
                if let JobTodo::Powered { part, .. } = &self.here().todo {
                    self.leads = Some(*part);
                }
                self.phase = Phase::Feed;
                self.ask(out);
            }
            Phase::Feed => {
                let JobTodo::Powered { part, order, .. } = &self.here().todo else { return };
                let (part, order) = (*part, order.clone());
                self.leads = Some(part);
                // Too late is too late, but it is no longer getting later.
                self.end_warnings(out);
                self.phase = Phase::Run;
                self.run = None;
                self.run_phase = RunPhase::Entry;
                self.hung = order.entry == Entry::Dead;
                out.push(GuideAction::StartRun { step: self.at, order, by: by.into() });
            }
            Phase::GoTo => {
                self.end_warnings(out);
                if words::dwell(self.here()).0.is_some() {
                    self.phase = Phase::In(self.now);
                    self.ask(out);
                } else {
                    self.go_on(Outcome::Done, None, Some(by), out);
                }
            }
            Phase::In(_) => {
                self.end_warnings(out);
                self.left_at = Some(self.now);
                self.rinse(Some(by), out);
            }
            Phase::Rinse => self.go_on(Outcome::Done, None, Some(by), out),
            Phase::SwapBack => {
                self.leads = Some(Polarity::Cathode);
                let cause = self.all_left();
                self.finish(RunState::Complete, &cause, out);
            }
            Phase::Run | Phase::RunFailed | Phase::Look | Phase::Over => {}
        }
    }

    fn looked(&mut self, by: &str, answer: JobAnswer, out: &mut Out) {
        if answer != JobAnswer::No {
            return self.go_on(Outcome::Done, None, Some(by), out);
        }
        let JobTodo::Inspect { back_to, most, advice, .. } = &self.here().todo else { return };
        let (to, most, advice) = ((*back_to).min(self.at), *most, advice.clone());
        let backs = self.passages[self.at].backs;
        if backs >= most {
            let why = format!("{} was answered no again after {most} times back", words::title(self.here()));
            return self.hold(&why, Some(advice), out);
        }
        self.passages[self.at].backs += 1;
        let reason = format!("answered no, {} of {most}: back to {:?}", backs + 1, self.name(to));
        self.close_row(Outcome::Failed, Some(reason), Some(by), out);
        self.go_back(to, out);
    }

    fn no_run(&self) -> Result<(), Refusal> {
        if self.runs() {
            return Err(Refusal(
                "this step's run is under way: stop the run first, then say what is to be done with the step"
                    .into(),
            ));
        }
        Ok(())
    }

    pub(super) fn redo(&mut self, by: &str, step: Option<usize>, out: &mut Out) -> Result<String, Refusal> {
        self.no_run()?;
        let to = match step {
            None => self.at,
            Some(n) if (1..=self.at + 1).contains(&n) => n - 1,
            Some(n) => {
                return Err(Refusal(format!(
                    "step {n} cannot be done again; any from 1 to {} can",
                    self.at + 1
                )));
            }
        };
        let what = format!("redo step {}, {}", to + 1, self.name(to));
        note(out, JobEvent::Commanded { by: by.into(), what: what.clone(), reason: None });
        self.close_row(Outcome::Redone, None, Some(by), out);
        self.release(out);
        self.go_back(to, out);
        Ok(format!("{what}. {}", words::what_now(self)))
    }

    pub(super) fn skip(&mut self, by: &str, reason: &str, out: &mut Out) -> Result<String, Refusal> {
        let reason = reason.trim();
        if reason.is_empty() {
            return Err(Refusal("a step is skipped with a reason only: say why".into()));
        }
        self.no_run()?;
        if self.phase == Phase::SwapBack {
            return Err(Refusal("the leads must be put back; there is nothing else left to skip".into()));
        }
        let risk = self.here().risk().map(|risk| format!(". What that risks: {risk}")).unwrap_or_default();
        let still_in = words::still_in(self);
        let said = format!("step {}, {}, is skipped{still_in}{risk}", self.at + 1, self.here().name);
        let what = format!("skip step {}, {}{risk}", self.at + 1, self.here().name);
        note(out, JobEvent::Commanded { by: by.into(), what, reason: Some(reason.into()) });
        self.release(out);
        if self.row_open {
            self.go_on(Outcome::Skipped, Some(reason.into()), Some(by), out);
        } else {
            // Its run ended early and is on record as such; that the rest is left out goes on record too.
            self.row += 1;
            self.row_open = true;
            note(out, JobEvent::StepBegan { row: self.row, step: self.at });
            self.go_on(Outcome::Skipped, Some(reason.into()), Some(by), out);
        }
        Ok(format!("{said}. {}", words::what_now(self)))
    }

    pub(super) fn hold_asked(&mut self, by: &str, out: &mut Out) -> Result<String, Refusal> {
        if self.held.is_some() {
            return Err(Refusal("the job is held already".into()));
        }
        note(out, JobEvent::Commanded { by: by.into(), what: "hold".into(), reason: None });
        if self.runs() {
            out.push(GuideAction::HoldRun { by: by.into() });
            return Ok("the run is being held: ramping down, then output off".into());
        }
        self.hold(&format!("held by {by}"), None, out);
        Ok(words::what_now(self))
    }

    pub(super) fn resume(&mut self, by: &str, out: &mut Out) -> Result<String, Refusal> {
        let Some(held) = &self.held else {
            return Err(Refusal("the job is not held; there is nothing to resume".into()));
        };
        if held.by_run {
            note(out, JobEvent::Commanded { by: by.into(), what: "resume".into(), reason: None });
            out.push(GuideAction::ResumeRun { by: by.into() });
            return Ok("the run goes on: it ramps up again".into());
        }
        if self.phase == Phase::RunFailed {
            return Err(Refusal(
                "this step's run has ended and cannot go on: redo the step, skip it with a reason, or stop the job"
                    .into(),
            ));
        }
        note(out, JobEvent::Commanded { by: by.into(), what: "resume".into(), reason: None });
        self.release(out);
        self.ask(out);
        Ok(words::what_now(self))
    }

    pub(super) fn stop(&mut self, by: &str, out: &mut Out) -> String {
        note(out, JobEvent::Commanded { by: by.into(), what: "stop".into(), reason: None });
        let cause = format!("stopped by {by}");
        if self.runs() {
            self.ending.get_or_insert(cause);
            out.push(GuideAction::StopRun { by: by.into() });
            return "the run is being ended, and the job with it: output off".into();
        }
        let still_in = words::still_in(self);
        self.finish(RunState::Stopped, &cause, out);
        format!("the job is ended{still_in}")
    }

    /// How long the load is still to stay in.
    fn left_in(&self) -> Option<Span> {
        let time = words::dwell(self.here()).0?;
        time.checked_sub(self.dwelt(self.now)?).map(|left| Span::new(left.as_secs_f64().ceil()))
    }
}

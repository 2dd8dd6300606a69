//! The guide: which step is at work, and what moves it on.

use super::api::{
    About, GuideAction, GuideCommand, GuideInput, JobAnswer, JobEvent, JobQuestion, Outcome, Reference,
    Warning, WarningKind,
};
use super::plan::{JobPlan, JobStep, JobTodo};
use super::{leads, words};
use crate::process::Polarity;
use crate::quantity::Mono;
use crate::run::{Refusal, RunPhase, RunState};
use serde::{Deserialize, Serialize};
use std::time::Duration;

/// How far the step at work has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Phase {
    /// The leads are to be swapped.
    Polarity,
    /// The supply is to feed this tank, with the load where the run wants it.
    Feed,
    /// The run was asked for, or is under way.
    Run,
    /// The run ended early.
    RunFailed,
    /// The load is to be put in.
    GoTo,
    /// It is in, since then.
    In(Mono),
    /// It is to be rinsed.
    Rinse,
    /// It is to be looked at.
    Look,
    /// After the last step: the leads are to be swapped back.
    SwapBack,
    /// Nothing more.
    Over,
}

/// What became of a step so far.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Mark {
    /// Not come to yet.
    Ahead,
    /// To be done again.
    Again,
    /// Done, skipped, or done in the job that this one goes on with.
    Left(Outcome),
    Earlier,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Passage {
    pub mark: Mark,
    /// How often it was come to.
    pub times: u32,
    /// How often its "no" led back.
    pub backs: u8,
    pub reason: Option<String>,
    pub run: Option<String>,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Held {
    pub why: String,
    pub advice: Option<String>,
    /// It is the run that is held; it goes on when the run does.
    pub by_run: bool,
}

/// One job. All its state is in here, and can be written down.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Guide {
    pub(super) id: String,
    pub(super) plan: JobPlan,
    pub(super) by: String,
    pub(super) reference: Reference,
    pub(super) continues: Option<String>,
    pub(super) state: RunState,
    pub(super) cause: Option<String>,
    pub(super) now: Mono,
    pub(super) at: usize,
    pub(super) phase: Phase,
    pub(super) passages: Vec<Passage>,
    /// Rows of steps so far, and whether the last one is still open.
    pub(super) row: u32,
    pub(super) row_open: bool,
    pub(super) question: Option<JobQuestion>,
    seq: u32,
    /// The last question that was answered, by whom, how.
    pub(super) answered: Option<(u32, String, JobAnswer)>,
    /// On which lead the part hangs, where somebody has confirmed it.
    pub(super) leads: Option<Polarity>,
    /// Whether this job has had the leads swapped, or asked for it.
    pub(super) swapped: bool,
    /// When the step before ended.
    pub(super) left_at: Option<Mono>,
    /// When the last deposit was made.
    pub(super) plated_at: Option<Mono>,
    /// Since when the load is without current: when the last run of this job ended, or the dip that came after it.
    #[serde(default)]
    pub(super) bare_at: Option<Mono>,
    /// When the job began.
    #[serde(default)]
    began: Option<Mono>,
    pub(super) held: Option<Held>,
    /// The run of the step at work, once it is on record.
    pub(super) run: Option<String>,
    /// In which phase it is, and whether the load is known to hang in its tank.
    pub(super) run_phase: RunPhase,
    pub(super) hung: bool,
    pub(super) warnings: Vec<Warning>,
    /// Late warnings that were given in this passage, so that each is given once.
    warned: Vec<WarningKind>,
    /// How the job is to end when its run has ended.
    pub(super) ending: Option<String>,
}

pub(super) type Out = Vec<GuideAction>;

impl Guide {
    /// A job about to begin with step `first` (from 0); steps before it were done in the job `continues`.
    /// The first [`Guide::step`] begins it.
    ///
    /// # Errors
    /// A plan without steps, or a first step that it does not have.
    pub fn new(
        id: &str,
        by: &str,
        plan: JobPlan,
        first: usize,
        continues: Option<String>,
        reference: Reference,
    ) -> Result<Guide, Refusal> {
        if first >= plan.steps.len() {
            return Err(Refusal(format!(
                "there is no step {}; the sheet has {}",
                first + 1,
                plan.steps.len()
            )));
        }
        let fresh = |at: usize| Passage {
            mark: if at < first { Mark::Earlier } else { Mark::Ahead },
            times: 0,
            backs: 0,
            reason: None,
            run: None,
        };
        Ok(Guide {
            id: id.into(),
            by: by.into(),
            reference,
            state: RunState::Idle,
            cause: None,
            now: Mono::ZERO,
            at: first,
            phase: Phase::Over,
            passages: (0..plan.steps.len()).map(fresh).collect(),
            row: 0,
            row_open: false,
            question: None,
            seq: 0,
            answered: None,
            leads: None,
            // The job before may have ended with the leads swapped.
            swapped: continues.is_some(),
            continues,
            left_at: None,
            plated_at: None,
            bare_at: None,
            began: None,
            held: None,
            run: None,
            run_phase: RunPhase::Off,
            hung: false,
            warnings: Vec::new(),
            warned: Vec::new(),
            ending: None,
            plan,
        })
    }

    /// Its id.
    pub fn id(&self) -> &str {
        &self.id
    }

    /// What it works through.
    pub fn plan(&self) -> &JobPlan {
        &self.plan
    }

    /// Whether it is running or held.
    pub fn open(&self) -> bool {
        matches!(self.state, RunState::Idle | RunState::Running | RunState::Held)
    }

    /// Whether a run of this job was asked for and has not ended.
    pub fn runs(&self) -> bool {
        self.open() && self.phase == Phase::Run
    }

    /// Whose work it is.
    pub fn reference(&self) -> &Reference {
        &self.reference
    }

    /// The job whose rest this is.
    pub fn continues(&self) -> Option<&str> {
        self.continues.as_deref()
    }

    /// The name of the step at that place.
    pub fn name(&self, step: usize) -> String {
        self.plan.steps.get(step).map(|s| s.name.clone()).unwrap_or_default()
    }

    /// What goes wrong that a person should hear of.
    pub fn warnings(&self) -> &[Warning] {
        &self.warnings
    }

    /// What to do about a warning of that kind, while one stands.
    pub fn remedy(&self, kind: WarningKind) -> Option<String> {
        self.warnings.iter().any(|w| w.kind == kind).then(|| words::remedy(self.here(), kind))
    }

    /// When [`Guide::step`] has something to say at the latest, if nobody does anything.
    pub fn next_deadline(&self) -> Option<Mono> {
        let step = self.plan.steps.get(self.at).filter(|_| self.open())?;
        let dwell = match self.phase {
            Phase::In(since) => {
                let (time, most) = words::dwell(step);
                [time, most].map(|t| t.map(|t| since + t))
            }
            _ => [None, None],
        };
        let late = self.late_at(step).map(|(_, at)| at);
        dwell.into_iter().chain([late]).flatten().filter(|at| *at > self.now).min()
    }

    /// Takes time and what the run does. Never fails.
    pub fn step(&mut self, now: Mono, input: GuideInput) -> Vec<GuideAction> {
        self.now = now.max(self.now);
        let mut out = Vec::new();
        if !self.open() {
            return out;
        }
        if self.state == RunState::Idle {
            self.state = RunState::Running;
            self.enter(self.at, &mut out);
        }
        match input {
            GuideInput::Tick => {}
            GuideInput::Run(event) => self.hear(event, &mut out),
            GuideInput::RunRefused(why) if self.phase == Phase::Run && self.run.is_none() => {
                self.phase = Phase::Feed;
                match self.ending.take() {
                    Some(cause) => self.finish(RunState::Stopped, &cause, &mut out),
                    None => self.hold(&format!("the run was not started: {why}"), None, &mut out),
                }
            }
            GuideInput::RunRefused(_) => {}
            GuideInput::Off { by } => {
                if !self.runs() && self.held.is_none() {
                    self.hold(&format!("{by} sent off"), None, &mut out);
                }
            }
            GuideInput::Quit => self.finish(RunState::Aborted, "the daemon was stopped", &mut out),
        }
        self.pass_time(&mut out);
        out
    }

    /// Takes what a person asks for; the sentence tells them what was done.
    ///
    /// # Errors
    /// A [`Refusal`] in the operator's words; then nothing has changed.
    pub fn command(
        &mut self,
        now: Mono,
        by: &str,
        command: GuideCommand,
    ) -> Result<(String, Vec<GuideAction>), Refusal> {
        self.now = now.max(self.now);
        if !self.open() {
            return Err(Refusal(format!("the job is {}; start another", self.state.name())));
        }
        let mut out = Vec::new();
        if self.state == RunState::Idle {
            self.state = RunState::Running;
            self.enter(self.at, &mut out);
        }
        let said = match command {
            GuideCommand::Answer { answer, seq } => self.answer(by, answer, seq, &mut out)?,
            GuideCommand::Redo(step) => self.redo(by, step, &mut out)?,
            GuideCommand::Skip { reason } => self.skip(by, &reason, &mut out)?,
            GuideCommand::Hold => self.hold_asked(by, &mut out)?,
            GuideCommand::Resume => self.resume(by, &mut out)?,
            GuideCommand::Stop => self.stop(by, &mut out),
        };
        self.pass_time(&mut out);
        Ok((said, out))
    }

    pub(crate) fn here(&self) -> &JobStep {
        // `at` is below the number of steps: `new` checks it, and only `enter` moves it.
        &self.plan.steps[self.at.min(self.plan.steps.len() - 1)]
    }

    // What moves it on.

    fn enter(&mut self, at: usize, out: &mut Out) {
        self.began.get_or_insert(self.now);
        self.at = at;
        self.row += 1;
        self.row_open = true;
        self.run = None;
        self.warned.clear();
        let passage = &mut self.passages[at];
        passage.times += 1;
        passage.reason = None;
        let first = passage.times == 1;
        note(out, JobEvent::StepBegan { row: self.row, step: at });
        if first && !self.here().hazards.is_empty() {
            let text = format!("hazards here: {}", self.here().hazards.join(" "));
            note(out, JobEvent::Note(text));
        }
        self.phase = match &self.here().todo {
            JobTodo::Dip { .. } | JobTodo::Prompt { .. } => Phase::GoTo,
            JobTodo::Inspect { .. } => Phase::Look,
            JobTodo::Powered { part, .. } if self.swap_needed(*part) => Phase::Polarity,
            JobTodo::Powered { .. } => Phase::Feed,
        };
        if self.phase == Phase::Polarity {
            // From here on nobody knows how the leads are until somebody says so.
            self.swapped = true;
            self.leads = None;
        }
        self.ask(out);
    }

    /// Asked on its own when the leads were touched in this job, or must be now.
    fn swap_needed(&self, part: Polarity) -> bool {
        self.leads != Some(part) && (part == Polarity::Anode || self.swapped)
    }

    /// Puts the question of the phase, if it has one.
    pub(super) fn ask(&mut self, out: &mut Out) {
        self.question = None;
        if self.held.is_some() {
            return;
        }
        let due = match self.phase {
            Phase::In(since) => words::dwell(self.here()).0.is_none_or(|time| self.now >= since + time),
            Phase::Run | Phase::RunFailed | Phase::Over => false,
            _ => true,
        };
        if due {
            let (about, text, answers) = words::question(self);
            self.put(about, text, answers, out);
        }
    }

    pub(super) fn put(&mut self, about: About, text: String, answers: Vec<JobAnswer>, out: &mut Out) {
        self.seq += 1;
        let leads_to = leads::leads_to(self, about, &answers);
        let question = JobQuestion { seq: self.seq, about, text, answers, leads_to };
        self.question = Some(question.clone());
        note(out, JobEvent::Asked(question));
    }

    pub(super) fn close_row(
        &mut self,
        outcome: Outcome,
        reason: Option<String>,
        by: Option<&str>,
        out: &mut Out,
    ) {
        if !std::mem::replace(&mut self.row_open, false) {
            return;
        }
        let passage = &mut self.passages[self.at];
        passage.mark = Mark::Left(outcome);
        passage.reason.clone_from(&reason);
        note(
            out,
            JobEvent::StepEnded {
                row: self.row,
                step: self.at,
                outcome,
                reason,
                by: by.map(Into::into),
                run: self.run.clone(),
            },
        );
    }

    /// The step at work is left, and the next one begins.
    pub(super) fn go_on(
        &mut self,
        outcome: Outcome,
        reason: Option<String>,
        by: Option<&str>,
        out: &mut Out,
    ) {
        self.question = None;
        self.end_warnings(out);
        if outcome == Outcome::Done && matches!(self.here().todo, JobTodo::Dip { .. }) {
            self.bare_at = Some(self.now);
        }
        self.close_row(outcome, reason, by, out);
        self.left_at = Some(self.now);
        if self.at + 1 < self.plan.steps.len() {
            return self.enter(self.at + 1, out);
        }
        if self.swapped && self.leads != Some(Polarity::Cathode) {
            self.phase = Phase::SwapBack;
            return self.ask(out);
        }
        let cause = self.all_left();
        self.finish(RunState::Complete, &cause, out);
    }

    /// How the sheet was gone through to its end: what was skipped is not said to be done.
    pub(super) fn all_left(&self) -> String {
        let skipped = self.plan.steps.iter().zip(&self.passages);
        let skipped = skipped.filter(|(_, p)| p.mark == Mark::Left(Outcome::Skipped));
        let names: Vec<_> = skipped.map(|(step, _)| format!("{:?}", step.name)).collect();
        match &names[..] {
            [] => "every step is done".into(),
            _ => format!("the end of the sheet is reached; SKIPPED: {}", names.join(", ")),
        }
    }

    pub(super) fn go_back(&mut self, to: usize, out: &mut Out) {
        self.question = None;
        self.end_warnings(out);
        for passage in &mut self.passages[to..=self.at] {
            passage.mark = Mark::Again;
        }
        self.left_at = None;
        self.enter(to, out);
    }

    pub(super) fn finish(&mut self, state: RunState, cause: &str, out: &mut Out) {
        self.question = None;
        self.end_warnings(out);
        let reason = (state != RunState::Complete).then(|| cause.to_owned());
        self.close_row(Outcome::Failed, reason, None, out);
        if self.swapped && self.leads != Some(Polarity::Cathode) {
            note(out, JobEvent::Note("the leads may be swapped: put them back before the next run".into()));
        }
        self.state = state;
        self.cause = Some(cause.into());
        self.held = None;
        self.phase = Phase::Over;
        note(out, JobEvent::Ended { state, cause: cause.into() });
    }

    /// To the rinses, or past them where there are none.
    pub(super) fn rinse(&mut self, by: Option<&str>, out: &mut Out) {
        if self.here().rinse.is_empty() {
            self.go_on(Outcome::Done, None, by, out);
        } else {
            self.phase = Phase::Rinse;
            self.ask(out);
        }
    }

    // What time does.

    fn pass_time(&mut self, out: &mut Out) {
        if !self.open() {
            return;
        }
        if let Phase::In(since) = self.phase {
            if self.question.is_none() {
                self.ask(out);
            }
            if let (time, Some(most)) = words::dwell(self.here())
                && self.now >= since + most
            {
                let text = words::over_dwell(self.here(), time.unwrap_or_default(), most);
                self.warn(WarningKind::OverDwell, text, out);
            }
        }
        if let Some((kind, at)) = self.late_at(self.here())
            && self.now >= at
        {
            let text = words::late(self.here(), kind);
            self.warn(kind, text, out);
        }
    }

    /// By when the step at work must have begun, while it has not.
    fn late_at(&self, step: &JobStep) -> Option<(WarningKind, Mono)> {
        if !matches!(self.phase, Phase::Polarity | Phase::Feed | Phase::GoTo | Phase::Look) {
            return None;
        }
        if let JobTodo::Prompt { bake: Some(bake), .. } = &step.todo
            && let Some(plated) = self.plated_at
        {
            return Some((WarningKind::BakeLate, plated + bake.within));
        }
        Some((WarningKind::Late, self.left_at? + step.within?))
    }

    fn warn(&mut self, kind: WarningKind, text: String, out: &mut Out) {
        if self.warned.contains(&kind) {
            return;
        }
        self.warned.push(kind);
        let warning = Warning { kind, text, since: self.now };
        self.warnings.push(warning.clone());
        note(out, JobEvent::Warned(warning));
    }

    pub(super) fn end_warnings(&mut self, out: &mut Out) {
        for warning in self.warnings.drain(..) {
            note(out, JobEvent::WarningOver(warning));
        }
    }

    pub(super) fn hold(&mut self, why: &str, advice: Option<String>, out: &mut Out) {
        self.question = None;
        self.held = Some(Held { why: why.into(), advice: advice.clone(), by_run: false });
        self.state = RunState::Held;
        note(out, JobEvent::Held { why: why.into(), advice });
    }

    /// Out of a hold, without asking again.
    pub(super) fn release(&mut self, out: &mut Out) {
        if self.held.take().is_some() {
            self.state = RunState::Running;
            note(out, JobEvent::GoesOn);
        }
    }

    pub(super) fn row_is_open(&self) -> bool {
        self.row_open
    }

    pub(super) fn run_failed(&self) -> bool {
        self.phase == Phase::RunFailed
    }

    pub(super) fn swapping_back(&self) -> bool {
        self.phase == Phase::SwapBack
    }

    /// How long the load has been in, while it is.
    pub(super) fn dwelt(&self, now: Mono) -> Option<Duration> {
        match self.phase {
            Phase::In(since) => Some(now.since(since)),
            _ => None,
        }
    }

    /// When it began; `None` before its first step.
    pub fn began(&self) -> Option<Mono> {
        self.began.filter(|_| self.open())
    }

    /// For how long the load has been without current and out of its last dip, while the job is held between two runs or
    /// the step at work is to begin in time and has not. What a run that is held or turns knows of it is the controller's.
    pub fn without_current(&self, now: Mono) -> Option<Duration> {
        let between = matches!(
            self.phase,
            Phase::Polarity | Phase::Feed | Phase::GoTo | Phase::Look | Phase::RunFailed
        );
        let waits = self.held.is_some() || self.here().within.is_some();
        let bare = self.bare_at.filter(|_| self.open() && between && waits)?;
        Some(now.since(bare))
    }

    /// How long is left to begin the step at work, or how late it is.
    pub(super) fn to_begin(&self, now: Mono) -> Option<Result<Duration, Duration>> {
        let (_, at) = self.late_at(self.here()).filter(|_| self.open())?;
        Some(if now < at { Ok(at.since(now)) } else { Err(now.since(at)) })
    }
}

pub(super) fn note(out: &mut Out, event: JobEvent) {
    out.push(GuideAction::Record(event));
}

//! What readers see of a job.

use super::api::{JobQuestion, Outcome};
use super::machine::{Guide, Mark};
use super::words;
use crate::quantity::Mono;
use crate::run::RunState;
use serde::Serialize;

/// A job as it stands; part of the published snapshot.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct JobView {
    /// Its id.
    pub id: String,
    /// What it is.
    pub title: String,
    /// The sheet's name.
    pub sheet: String,
    /// How many parts hang.
    pub parts: u32,
    /// Who started it.
    pub started_by: String,
    /// The lot.
    pub lot: Option<String>,
    /// The customer's reference.
    pub customer: Option<String>,
    /// The job whose rest this is.
    pub continues: Option<String>,
    /// `running`, `held`, `complete`, `stopped` or `aborted`.
    pub state: RunState,
    /// Why it ended: the first cause.
    pub cause: Option<String>,
    /// The step at work, from 1.
    pub step: usize,
    /// How many there are.
    pub step_count: usize,
    /// Every step, in order.
    pub steps: Vec<StepView>,
    /// What to do now, in a sentence or two; never empty while the job is open.
    pub say: String,
    /// What is asked, with what may be answered.
    pub question: Option<JobQuestion>,
    /// Seconds until the load is to come out; `None` while no load is in, and once they are over.
    pub countdown_seconds: Option<f64>,
    /// Seconds since it was to come out.
    pub over_seconds: Option<f64>,
    /// Seconds past the most that the sheet allows.
    pub over_dwell_seconds: Option<f64>,
    /// Seconds left to begin this step, where the sheet sets a limit and it has not begun.
    pub begin_within_seconds: Option<f64>,
    /// Seconds by which that limit is passed.
    pub late_seconds: Option<f64>,
    /// What can hurt in this step.
    pub hazards: Vec<String>,
    /// What comes after it, in a few words.
    pub next: Option<String>,
    /// Why it is held, and what to try.
    pub held: Option<HeldView>,
    /// What is not as it should be, most urgent first.
    pub warnings: Vec<WarningView>,
    /// Whether a step may be done again just now: any from 1 to `step`.
    pub may_redo: bool,
    /// Whether this step may be skipped just now, with a reason.
    pub may_skip: bool,
    /// What skipping it risks.
    pub skip_risks: Option<&'static str>,
    /// The run of this step that is under way or was.
    pub run: Option<String>,
}

impl JobView {
    /// Whether it is running or held.
    pub fn is_open(&self) -> bool {
        matches!(self.state, RunState::Running | RunState::Held)
    }

    /// The same, aborted from outside for that reason.
    pub fn abort(&mut self, cause: &str) {
        self.state = RunState::Aborted;
        self.cause.get_or_insert(cause.into());
        self.say = "The job is aborted.".into();
        self.question = None;
        self.held = None;
        (self.may_redo, self.may_skip) = (false, false);
    }
}

/// One step in the list.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StepView {
    /// From 1.
    pub number: usize,
    /// Its name in the sheet, by which it is meant.
    pub name: String,
    /// The same for people: "Look: water break again".
    pub title: String,
    /// `dip`, `powered`, `inspect` or `prompt`.
    pub kind: &'static str,
    /// The workshop's tank.
    pub tank: Option<String>,
    /// How far it has come.
    pub state: Progress,
    /// How often it was come to.
    pub times: u32,
    /// Why it was skipped or failed.
    pub reason: Option<String>,
    /// Its last run.
    pub run: Option<String>,
}

/// How far a step has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Progress {
    /// Not come to yet.
    Ahead,
    /// To be done again.
    Again,
    /// At work.
    Now,
    /// Done.
    Done,
    /// Left out with a reason.
    Skipped,
    /// Not done.
    Failed,
    /// Done in the job that this one goes on with.
    Earlier,
}

impl Progress {
    /// As in the API.
    pub fn name(self) -> &'static str {
        match self {
            Progress::Ahead => "ahead",
            Progress::Again => "again",
            Progress::Now => "now",
            Progress::Done => "done",
            Progress::Skipped => "skipped",
            Progress::Failed => "failed",
            Progress::Earlier => "earlier",
        }
    }
}

/// Why a job is held.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HeldView {
    /// Why.
    pub why: String,
    /// What to try.
    pub advice: Option<String>,
    /// Whether `resume` goes on; else redo, skip or stop.
    pub may_resume: bool,
}

/// A warning that stands.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WarningView {
    /// `over-dwell`, `step-late` or `bake-late`.
    pub kind: &'static str,
    /// `high`, `medium` or `low`.
    pub priority: &'static str,
    /// What is so and what to do.
    pub text: String,
    /// For how long it has stood.
    pub seconds: f64,
}

impl Guide {
    /// The job as it stands at `now`.
    pub fn view(&self, now: Mono) -> JobView {
        let open = self.open();
        let step = self.here();
        let (time, most) = words::dwell(step);
        let dwelt = self.dwelt(now).filter(|_| open);
        let left = dwelt.zip(time).and_then(|(d, t)| t.checked_sub(d)).filter(|left| !left.is_zero());
        let over = |limit: Option<std::time::Duration>| {
            dwelt.zip(limit).and_then(|(d, limit)| d.checked_sub(limit)).map(|d| d.as_secs_f64())
        };
        let begin = self.to_begin(now);
        let mut warnings: Vec<_> = self.warnings.iter().collect();
        warnings.sort_by_key(|w| std::cmp::Reverse(w.kind.priority()));
        JobView {
            id: self.id.clone(),
            title: self.plan.title.clone(),
            sheet: self.plan.sheet.clone(),
            parts: self.plan.parts,
            started_by: self.by.clone(),
            lot: self.reference.lot.clone(),
            customer: self.reference.customer.clone(),
            continues: self.continues.clone(),
            state: if self.state == RunState::Idle { RunState::Running } else { self.state },
            cause: self.cause.clone(),
            step: self.at + 1,
            step_count: self.plan.steps.len(),
            steps: (0..self.plan.steps.len()).map(|at| self.step_view(at)).collect(),
            say: words::what_now(self),
            question: self.question.clone(),
            countdown_seconds: left.map(|d| d.as_secs_f64()),
            over_seconds: over(time),
            over_dwell_seconds: over(most),
            begin_within_seconds: begin.and_then(Result::ok).map(|d| d.as_secs_f64()),
            late_seconds: begin.and_then(Result::err).map(|d| d.as_secs_f64()),
            hazards: if open { step.hazards.clone() } else { Vec::new() },
            next: words::next(&self.plan, self.at).filter(|_| open),
            held: self.held.as_ref().map(|held| HeldView {
                why: held.why.clone(),
                advice: held.advice.clone(),
                may_resume: held.by_run || !self.run_failed(),
            }),
            warnings: warnings
                .into_iter()
                .map(|w| WarningView {
                    kind: w.kind.name(),
                    priority: w.kind.priority().name(),
                    text: w.text.clone(),
                    seconds: now.since(w.since).as_secs_f64(),
                })
                .collect(),
            may_redo: open && !self.runs(),
            may_skip: open && !self.runs() && !self.swapping_back(),
            skip_risks: step.risk().filter(|_| open),
            run: self.run.clone(),
        }
    }

    fn step_view(&self, at: usize) -> StepView {
        let (step, passage) = (&self.plan.steps[at], &self.passages[at]);
        let state = match passage.mark {
            _ if at == self.at && self.row_is_open() => Progress::Now,
            Mark::Ahead => Progress::Ahead,
            Mark::Again => Progress::Again,
            Mark::Earlier => Progress::Earlier,
            Mark::Left(Outcome::Done) => Progress::Done,
            Mark::Left(Outcome::Skipped) => Progress::Skipped,
            Mark::Left(Outcome::Failed) => Progress::Failed,
            Mark::Left(Outcome::Redone) => Progress::Again,
        };
        StepView {
            number: at + 1,
            name: step.name.clone(),
            title: words::title(step),
            kind: step.kind(),
            tank: step.tank.clone(),
            state,
            times: passage.times,
            reason: passage.reason.clone(),
            run: passage.run.clone(),
        }
    }
}

//! What goes into a guide and what comes out.

use crate::plan::Order;
use crate::quantity::Mono;
use crate::run::{Answer, Event, RunState};
use crate::watch::{Help, Priority};
use serde::{Deserialize, Serialize};

/// Whose work it is: what people outside the workshop call it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Reference {
    /// The lot.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lot: Option<String>,
    /// The customer's own reference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub customer: Option<String>,
}

/// What a person answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum JobAnswer {
    /// It is so.
    Yes,
    /// It is not so, or it cannot be done.
    No,
    /// Done as asked.
    Done,
}

impl JobAnswer {
    /// As people type it.
    pub fn name(self) -> &'static str {
        match self {
            JobAnswer::Yes => "yes",
            JobAnswer::No => "no",
            JobAnswer::Done => "done",
        }
    }
}

/// What a question is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum About {
    /// Which lead the part hangs on has to change.
    Polarity,
    /// Whether the supply feeds this tank's bar.
    Feed,
    /// Whether it is in.
    GoTo,
    /// Whether it is out.
    TakeOut,
    /// Whether it is rinsed.
    Rinse,
    /// What the sheet wants looked at.
    Inspect,
    /// Something else to do.
    Prompt,
    /// The run's own: hang the part.
    HangPart,
    /// The run's own: turn the part.
    TurnPart,
}

/// A question that stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct JobQuestion {
    /// Its number; an answer that carries it answers no other question.
    pub seq: u32,
    /// What it is about.
    pub about: About,
    /// What is asked, in a sentence or two.
    pub text: String,
    /// What may be answered.
    pub answers: Vec<JobAnswer>,
    /// What each of them leads to, in the same order.
    #[serde(default)]
    pub leads_to: Vec<LeadsTo>,
}

/// What an answer leads to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LeadsTo {
    /// The answer.
    pub answer: JobAnswer,
    /// In a few words: "back to step 2, clean in cleaner (2 of 3 tries left)".
    pub then: String,
}

/// What is not as it should be, though nothing is switched by it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WarningKind {
    /// The load is still in after the most that the sheet allows.
    OverDwell,
    /// The step was not begun in time after the one before.
    Late,
    /// The part is not in the oven in time after plating.
    BakeLate,
}

impl WarningKind {
    /// Every one.
    pub const ALL: [WarningKind; 3] = [WarningKind::OverDwell, WarningKind::Late, WarningKind::BakeLate];

    /// As in the ledger, metrics and the API.
    pub fn name(self) -> &'static str {
        match self {
            WarningKind::OverDwell => "over-dwell",
            WarningKind::Late => "step-late",
            WarningKind::BakeLate => "bake-late",
        }
    }

    /// The warning of that name.
    pub fn named(name: &str) -> Option<WarningKind> {
        WarningKind::ALL.into_iter().find(|kind| kind.name() == name)
    }

    /// What it means to the operator: cause, consequence, what to do, time to respond.
    pub fn help(self) -> Help {
        let (cause, consequence) = match self {
            WarningKind::OverDwell => (
                "The load is in longer than the sheet allows.",
                "Acid etches it and drives hydrogen into steel; a strong cleaner stains.",
            ),
            WarningKind::Late => (
                "The next step was not begun in time.",
                "The metal passivates meanwhile, and what is plated on it peels.",
            ),
            WarningKind::BakeLate => (
                "The part was not in the oven in time after plating.",
                "Hydrogen spreads in the steel; strong steel may break later, without warning.",
            ),
        };
        let remedy = match self {
            WarningKind::OverDwell => "Take the load out now and rinse it, then look for etching.",
            WarningKind::Late => {
                "Begin the step at once; where the metal has stood dry or for minutes, activate again."
            }
            WarningKind::BakeLate => "Get the part into the oven now.",
        };
        Help {
            cause,
            consequence,
            remedy,
            minutes: 1,
            unseen: "Where the load really is: only the operator's answers tell.",
        }
    }

    /// How urgent.
    pub fn priority(self) -> Priority {
        match self {
            // What stays in acid too long is etched or takes up hydrogen; it is a step to the tank.
            WarningKind::OverDwell => Priority::High,
            WarningKind::Late | WarningKind::BakeLate => Priority::Medium,
        }
    }
}

/// A warning that stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Warning {
    /// Which.
    pub kind: WarningKind,
    /// What is so and what to do.
    pub text: String,
    /// Since when.
    pub since: Mono,
}

/// What became of a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Done as the sheet says.
    Done,
    /// Left out, with a reason.
    Skipped,
    /// Left to be done again from here or from an earlier step.
    Redone,
    /// Not done: an inspection that was not passed, a run that ended early, the end of the job.
    Failed,
}

impl Outcome {
    /// As in the ledger.
    pub fn name(self) -> &'static str {
        match self {
            Outcome::Done => "done",
            Outcome::Skipped => "skipped",
            Outcome::Redone => "redone",
            Outcome::Failed => "failed",
        }
    }
}

/// What a person asks of a guide.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum GuideCommand {
    /// Answer the question that stands.
    Answer {
        /// What.
        answer: JobAnswer,
        /// Which question, where the person says so.
        seq: Option<u32>,
    },
    /// Do that step again, counted from 1; `None`: the one at work.
    Redo(Option<usize>),
    /// Leave the step at work out.
    Skip {
        /// Why; never empty.
        reason: String,
    },
    /// Wait; a run that is under way is held.
    Hold,
    /// Go on.
    Resume,
    /// End the job; a run that is under way is stopped.
    Stop,
}

/// What a guide is told.
#[derive(Clone, Debug, PartialEq)]
pub enum GuideInput {
    /// Nothing but time.
    Tick,
    /// What the controller recorded.
    Run(Event),
    /// The controller did not take the run that was to start.
    RunRefused(String),
    /// Somebody sent off.
    Off {
        /// Who.
        by: String,
    },
    /// The daemon ends; the run, if there was one, has ended.
    Quit,
}

/// What is to be done for a guide, in order.
#[derive(Clone, Debug, PartialEq)]
pub enum GuideAction {
    /// Start that step's run; answered by the controller's own events, or by [`GuideInput::RunRefused`].
    StartRun {
        /// Its place in the plan, from 0.
        step: usize,
        /// Its order.
        order: Box<Order>,
        /// Who confirmed that it may.
        by: String,
    },
    /// Pass this answer to the run.
    AnswerRun {
        /// Who.
        by: String,
        /// What.
        answer: Answer,
    },
    /// Hold the run.
    HoldRun {
        /// Who.
        by: String,
    },
    /// Resume the run.
    ResumeRun {
        /// Who.
        by: String,
    },
    /// Stop the run.
    StopRun {
        /// Who.
        by: String,
    },
    /// Write it down.
    Record(JobEvent),
}

/// What is worth a row in the ledger.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum JobEvent {
    /// A step was come to.
    StepBegan {
        /// Counts the steps of a job as they come, from 1; a step that is done twice has two.
        row: u32,
        /// Its place in the plan, from 0.
        step: usize,
    },
    /// A step was left.
    StepEnded {
        /// As in [`JobEvent::StepBegan`].
        row: u32,
        /// Its place in the plan, from 0.
        step: usize,
        /// What became of it.
        outcome: Outcome,
        /// Why, where there is a why.
        reason: Option<String>,
        /// By whom.
        by: Option<String>,
        /// Its run.
        run: Option<String>,
    },
    /// A question was put.
    Asked(JobQuestion),
    /// … and answered.
    Answered {
        /// Which.
        seq: u32,
        /// By whom.
        by: String,
        /// How.
        answer: JobAnswer,
    },
    /// A command was taken.
    Commanded {
        /// Who.
        by: String,
        /// What, in a word or two.
        what: String,
        /// Why, where it needs a reason.
        reason: Option<String>,
    },
    /// Something is not as it should be.
    Warned(Warning),
    /// … and is so no longer.
    WarningOver(Warning),
    /// The job waits.
    Held {
        /// Why.
        why: String,
        /// What to try.
        advice: Option<String>,
    },
    /// It goes on.
    GoesOn,
    /// It is over: `Complete`, `Stopped` or `Aborted`.
    Ended {
        /// How.
        state: RunState,
        /// The first cause.
        cause: String,
    },
    /// Anything else worth keeping.
    Note(String),
}

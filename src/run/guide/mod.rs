//! The guided run: one load taken through a whole sheet at one station.
//!
//! What the room is for: [`Guide`] knows which step is next, asks the operator,
//! counts dips down, warns when a load stays in too long or waits too long, and
//! says when a powered step's run is to start. The run itself is the
//! [`super::Controller`]'s; a [`Guide`] hears of it through its events and can
//! switch nothing on. What it may not know: IO, clocks, the ledger's shape.
//!
//! ```text
//! powered   polarity? -> feed? -> (run: hang, ramp, turn …) -> rinse?
//! dip       go to, "done" when it is in -> countdown -> take it out? -> rinse?
//! inspect   question: yes goes on, no leads back, at most so many times
//! prompt    say it, "done"; a bake counts down like a dip
//! ```
//!
//! A question has a number. An answer may carry it, and then answers that
//! question and no other. Nothing goes on past a step that was not done,
//! unless somebody skips it and says why.

mod api;
mod hear;
mod leads;
mod machine;
mod operator;
mod plan;
mod story;
mod view;
mod words;

#[cfg(test)]
mod tests;

pub use api::{
    About, GuideAction, GuideCommand, GuideInput, JobAnswer, JobEvent, JobQuestion, LeadsTo,
    Outcome as StepOutcome, Reference, Warning, WarningKind,
};
pub use machine::Guide;
pub use plan::{JobBake, JobPlan, JobStep, JobTodo, Risk, step_meant};
pub use view::{HeldView, JobView, Progress, StepView, WarningView};

//! The controller: one station's runs from order to completion.
//!
//! What the room is for: [`Controller::step`] takes the time and one [`Input`]
//! and returns the [`Action`]s to carry out, in order. It integrates charge,
//! decides the setpoint, asks the watches, and keeps the first cause of a stop.
//! What it may not know: IO, clocks, the supply's language, the ledger's shape.
//! The same inputs give the same actions, to the last digit.

mod api;
mod controller;
pub mod guide;
mod machine;
mod progress;
mod ramp;
mod seek;
mod stage;
mod story;
mod view;
mod wire;

#[cfg(test)]
mod tests;

pub use controller::{Controller, Setup};

pub use api::{
    Action, Answer, BathNews, Command, Event, Input, Limits, Outcome, Protection, Question, Refusal,
    RunPhase, RunState,
};

pub use stage::burn_basis;
pub use story::settled;

pub use view::{CannotJudge, View};

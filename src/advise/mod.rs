//! Why did it come out like this: the trade's causes of a fault, ranked by what a run's record shows.
//!
//! What the room is for: a fault that a person sees, and [`Evidence`] of one run, into [`Advice`]: each cause
//! with what speaks for it, against it, or is not known, what to check next, and a plain list of what the
//! record cannot say. What it may not know: the ledger, the clock; whoever asks gathers the evidence. It
//! never guesses: a cause without evidence is listed as unknown, in the order in which the trade meets it.

mod cause;
mod evidence;
mod fault;

mod steps;
mod text;

#[cfg(test)]
mod tests;

pub use cause::Cause;
pub use evidence::{
    AgitationSeen, AlarmsSeen, DensitySeen, Evidence, Figure, Interrupted, MarginSeen, Since, TemperatureSeen,
};
pub use fault::{Fault, advise};

pub use steps::{StepKind, StepOutcome, StepSeen};

use serde::Serialize;

/// What the record says of a cause.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The record speaks against it.
    Against,
    /// The record does not say.
    Unknown,
    /// A hint.
    Weak,
    /// It speaks for it.
    For,
    /// It speaks strongly for it.
    Strong,
}

/// What of the records a cause is judged by, so that whoever reads of it can look there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum RestsOn {
    /// Volts, amperes and temperature of the run.
    Readings,
    /// The run's alarms.
    Alarms,
    /// Its phases and turns.
    Phases,
    /// Its order: settings, shape, tank.
    Order,
    /// What its parts measured.
    Measured,
    /// The steps of the job that it was one of.
    Job,
    /// Analyses of the tank.
    Analyses,
    /// Upkeep of the tank.
    Upkeep,
}

/// One cause, judged.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Judged {
    /// Which.
    pub cause: &'static str,
    /// How it makes this fault.
    pub how: &'static str,
    /// What that rests on.
    pub source: &'static str,
    /// What the record says.
    pub verdict: Verdict,
    /// What was seen in it, with minute and figure; what is missing where nothing is known.
    pub seen: String,
    /// What of the records that rests on; empty where no record tells.
    pub rests_on: &'static [RestsOn],
    /// What to check next.
    pub check: &'static str,
}

/// Causes of a fault, the likeliest first.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Advice {
    /// What was seen on the part.
    pub saw: Fault,
    /// What has to be said before any cause: that nothing was plated in this run.
    pub first: Option<&'static str>,
    /// Every cause that the trade knows here.
    pub causes: Vec<Judged>,
    /// Whether the record speaks for any of them.
    pub any_evidence: bool,
    /// What the record cannot say.
    pub not_known: Vec<String>,
}

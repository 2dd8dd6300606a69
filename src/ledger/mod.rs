//! What happened, on disk: runs, readings, tank charge, alarms, events.
//!
//! What the room is for: one SQLite file (WAL, synchronous FULL) that a person
//! can read with the stock shell, written by one thread. Durable before
//! dangerous. What it may not know: how decisions are made.
//!
//! What is kept and when: [`Ledger::begin`], [`Ledger::finish`] and
//! [`Ledger::sync`] return after the disk has it. [`Ledger::record`] returns at
//! once; what it was given is on disk at most [`COMMIT_EVERY`] and one commit
//! later. A tank's account is the sum, in whole microcoulombs, of what its runs
//! passed; there is no second copy that could differ.
//!
//! When a run ends, what it left is hashed and the hash is chained to the one before
//! (table `record`); everything later is an entry of its own. A job is sealed at the end
//! of each step and at its own end. How, and what that can prove and cannot, stands at
//! the heads of `seal.rs` and `seal_job.rs`.
//!
//! What was not tested: a real power cut, and storage that says "written" when
//! it is not. synchronous=FULL is what the database offers against the first;
//! nothing in software helps against the second.

#![expect(
    clippy::disallowed_methods,
    reason = "the ledger is at the edge: its thread opens files, paces commits and stamps them"
)]

mod account;
mod backlog;
mod check;
mod error;
mod find;
mod finding;
mod gate;
mod handle;
mod job;
mod pack;
mod packed;
mod reader;
mod rows;
mod schema;
mod seal;
mod seal_job;
mod tally;
mod upkeep;
mod writer;

#[cfg(test)]
pub(crate) mod fixtures;
#[cfg(test)]
mod packed_tests;
#[cfg(test)]
mod seal_job_tests;
#[cfg(test)]
mod seal_tests;
#[cfg(test)]
mod tests;

pub use error::LedgerError;
pub use finding::{FindingKind, FindingRow};
pub use gate::{AuditRow, OnceRow};
pub use handle::{Ledger, Recovery};
pub use job::{JobEnd, JobRow, JobStart, JobStepRow};
pub use reader::Reader;
pub use rows::{
    AlarmRow, CommissioningRow, EventRow, HungRow, News, PhaseRow, ReadingRow, Row, RunEnd, RunRow, RunStart,
    StageRow, TankRow,
};
pub use seal::{Digests, Entry, Fault, RecordRow, Verdict};
pub use tally::{SinceRow, TallyBy, TallyRow};
pub use upkeep::{AdditionRow, PaceRow};
pub use writer::{COMMIT_EVERY, Health};

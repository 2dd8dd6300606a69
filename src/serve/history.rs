//! The seam to the ledger: what serving reads from it.

use crate::ledger::{AlarmRow, EventRow, ReadingRow, RunRow, TankRow};
use std::fmt;

/// The ledger could not be read; the reason in the operator's words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HistoryError(pub String);

impl fmt::Display for HistoryError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}
impl std::error::Error for HistoryError {}

/// Readers of the ledger. The calls may block on the disk: the routes call them
/// on the blocking pool, never on the threads that answer requests.
pub trait History: Send + Sync + 'static {
    /// Runs, newest first; `before` is a run's id.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn runs(&self, limit: u32, before: Option<&str>) -> Result<Vec<RunRow>, HistoryError>;
    /// One run.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn run(&self, id: &str) -> Result<Option<RunRow>, HistoryError>;
    /// A run's readings, oldest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn readings(&self, id: &str) -> Result<Vec<ReadingRow>, HistoryError>;
    /// Every tank's account.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn tanks(&self) -> Result<Vec<TankRow>, HistoryError>;
    /// The journal of alarms, newest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn alarms(&self, limit: u32) -> Result<Vec<AlarmRow>, HistoryError>;
    /// A run's events, oldest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn events(&self, run: &str, limit: u32) -> Result<Vec<EventRow>, HistoryError>;
    /// Whether the ledger takes writes.
    ///
    /// # Errors
    /// Why it does not.
    fn writable(&self) -> Result<(), HistoryError>;
    /// How long each commit since the last call took, in seconds.
    fn take_commit_seconds(&self) -> Vec<f64>;
}

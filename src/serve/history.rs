//! The seam to the ledger: what serving reads from it.

use crate::ledger::{
    AdditionRow, AlarmRow, EventRow, Health, JobRow, JobStepRow, Ledger, LedgerError, PaceRow, ReadingRow,
    RunRow, StageRow, TankRow,
};
use std::fmt;
use tokio::runtime::Handle;

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
    /// The journal of alarms from that wall time (RFC 3339 UTC) on, oldest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn alarms_since(&self, from: &str, limit: u32) -> Result<Vec<AlarmRow>, HistoryError>;
    /// A run's stages, oldest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn stages(&self, run: &str) -> Result<Vec<StageRow>, HistoryError>;
    /// A run's events, oldest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn events(&self, run: &str, limit: u32) -> Result<Vec<EventRow>, HistoryError>;
    /// Jobs, newest first; `before` is a job's id.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn jobs(&self, _limit: u32, _before: Option<&str>) -> Result<Vec<JobRow>, HistoryError> {
        Ok(Vec::new())
    }
    /// One job, its steps as they came, and its events, oldest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    #[expect(clippy::type_complexity, reason = "three lists of one thing")]
    fn job(
        &self,
        _id: &str,
        _limit: u32,
    ) -> Result<Option<(JobRow, Vec<JobStepRow>, Vec<EventRow>)>, HistoryError> {
        Ok(None)
    }
    /// When each thing was last done in each tank.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn last_done(&self) -> Result<Vec<AdditionRow>, HistoryError> {
        Ok(Vec::new())
    }
    /// The newest addition of a tank that was not taken back.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn last_addition(&self, _tank: &str) -> Result<Option<AdditionRow>, HistoryError> {
        Ok(None)
    }
    /// What each tank worked since that wall time (RFC 3339 UTC).
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn pace(&self, _from: &str) -> Result<Vec<PaceRow>, HistoryError> {
        Ok(Vec::new())
    }
    /// Writes that a rule's work was done, and returns when the disk has it.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    fn log_addition(
        &self,
        _tank: &str,
        _what: &str,
        _amount: &str,
        _by: &str,
        _note: Option<&str>,
    ) -> Result<(), HistoryError> {
        Err(HistoryError("additions are not kept here".into()))
    }
    /// Marks an addition as taken back, and returns when the disk has it.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    fn undo_addition(&self, _id: i64, _by: &str) -> Result<(), HistoryError> {
        Err(HistoryError("additions are not kept here".into()))
    }
    /// Whether the ledger takes writes.
    ///
    /// # Errors
    /// Why it does not.
    fn writable(&self) -> Result<(), HistoryError>;
    /// How long each commit since the last call took, in seconds.
    fn take_commit_seconds(&self) -> Vec<f64>;
}

impl From<LedgerError> for HistoryError {
    fn from(e: LedgerError) -> Self {
        HistoryError(e.to_string())
    }
}

impl History for Ledger {
    fn runs(&self, limit: u32, before: Option<&str>) -> Result<Vec<RunRow>, HistoryError> {
        Ok(self.reader().runs(limit, before)?)
    }
    fn run(&self, id: &str) -> Result<Option<RunRow>, HistoryError> {
        Ok(self.reader().run(id)?)
    }
    fn readings(&self, id: &str) -> Result<Vec<ReadingRow>, HistoryError> {
        Ok(self.reader().readings(id)?)
    }
    /// As they stand, ahead of the disk by what is not committed yet.
    fn tanks(&self) -> Result<Vec<TankRow>, HistoryError> {
        Ok(self.all_accounts())
    }
    fn alarms(&self, limit: u32) -> Result<Vec<AlarmRow>, HistoryError> {
        Ok(self.reader().alarms(limit)?)
    }
    fn alarms_since(&self, from: &str, limit: u32) -> Result<Vec<AlarmRow>, HistoryError> {
        Ok(self.reader().alarms_since(from, limit)?)
    }
    fn stages(&self, run: &str) -> Result<Vec<StageRow>, HistoryError> {
        Ok(self.reader().stages(run)?)
    }
    fn events(&self, run: &str, limit: u32) -> Result<Vec<EventRow>, HistoryError> {
        let mut events = self.reader().events(Some(run), limit)?;
        events.reverse();
        Ok(events)
    }
    fn jobs(&self, limit: u32, before: Option<&str>) -> Result<Vec<JobRow>, HistoryError> {
        Ok(self.reader().jobs(limit, before)?)
    }
    fn job(
        &self,
        id: &str,
        limit: u32,
    ) -> Result<Option<(JobRow, Vec<JobStepRow>, Vec<EventRow>)>, HistoryError> {
        let reader = self.reader();
        let Some(job) = reader.job(id)? else { return Ok(None) };
        Ok(Some((job, reader.job_steps(id)?, reader.job_events(id, limit)?)))
    }
    fn last_done(&self) -> Result<Vec<AdditionRow>, HistoryError> {
        Ok(self.reader().last_done()?)
    }
    fn last_addition(&self, tank: &str) -> Result<Option<AdditionRow>, HistoryError> {
        Ok(self.reader().last_addition(tank)?)
    }
    fn pace(&self, from: &str) -> Result<Vec<PaceRow>, HistoryError> {
        Ok(self.reader().pace(from)?)
    }
    fn log_addition(
        &self,
        tank: &str,
        what: &str,
        amount: &str,
        by: &str,
        note: Option<&str>,
    ) -> Result<(), HistoryError> {
        // On the blocking pool, where waiting for the ledger's thread is allowed.
        Ok(Handle::current().block_on(Ledger::log_addition(self, tank, what, amount, by, note))?)
    }
    fn undo_addition(&self, id: i64, by: &str) -> Result<(), HistoryError> {
        Ok(Handle::current().block_on(Ledger::undo_addition(self, id, by))?)
    }
    fn writable(&self) -> Result<(), HistoryError> {
        match &*self.health().borrow() {
            Health::Good => Ok(()),
            Health::Failing(why) => Err(HistoryError(why.clone())),
        }
    }
    fn take_commit_seconds(&self) -> Vec<f64> {
        Ledger::take_commit_seconds(self)
    }
}

//! The seam to the ledger: what serving reads from it.

use crate::ledger::{
    AdditionRow, AlarmRow, AuditRow, Entry, EventRow, FindingKind, FindingRow, Health, JobRow, JobStepRow,
    Ledger, LedgerError, OnceRow, PaceRow, ReadingRow, RecordRow, Row, RunRow, SinceRow, StageRow, TallyBy,
    TallyRow, TankRow, Verdict,
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
    /// Those runs that have each of the words somewhere.
    ///
    /// # Errors
    /// When the ledger cannot be read, or does not search.
    fn find_runs(
        &self,
        _limit: u32,
        _before: Option<&str>,
        _words: &str,
    ) -> Result<Vec<RunRow>, HistoryError> {
        Err(HistoryError("nothing is searched here".into()))
    }
    /// Those jobs that have each of the words somewhere.
    ///
    /// # Errors
    /// When the ledger cannot be read, or does not search.
    fn find_jobs(
        &self,
        _limit: u32,
        _before: Option<&str>,
        _words: &str,
    ) -> Result<Vec<JobRow>, HistoryError> {
        Err(HistoryError("nothing is searched here".into()))
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
    /// The runs of a job, oldest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn runs_of_job(&self, _job: &str) -> Result<Vec<RunRow>, HistoryError> {
        Ok(Vec::new())
    }
    /// A run's alarm changes, oldest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn alarms_of(&self, _run: &str) -> Result<Vec<AlarmRow>, HistoryError> {
        Ok(Vec::new())
    }
    /// What is on the record of a run or a job, oldest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn entries(&self, _run: &str) -> Result<Vec<RecordRow>, HistoryError> {
        Ok(Vec::new())
    }
    /// The newest entry of the chain.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn head(&self) -> Result<Option<RecordRow>, HistoryError> {
        Ok(None)
    }
    /// What a tank worked in each of the newest `limit` days (`letters` 10) or months (7), oldest first, C.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn worked(&self, _tank: &str, _letters: u32, _limit: u32) -> Result<Vec<(String, f64)>, HistoryError> {
        Ok(Vec::new())
    }
    /// Puts an entry on the record of a run or a job, and returns when the disk has it.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    fn enter(&self, _entry: Entry) -> Result<(), HistoryError> {
        Err(HistoryError("no records are kept here".into()))
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
    /// A tank's account by day, month or part, from that wall time (RFC 3339 UTC) on.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn tally(&self, _tank: &str, _by: TallyBy, _from: Option<&str>) -> Result<Vec<TallyRow>, HistoryError> {
        Ok(Vec::new())
    }
    /// What a tank worked since each thing was last done to it, given its account as it stands.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn since_each(&self, _account: &TankRow) -> Result<Vec<SinceRow>, HistoryError> {
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
    /// Takes a line of the audit and returns at once.
    fn audit(&self, _row: AuditRow) {}
    /// The audit, newest first; `before` is a line's number.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn audits(&self, _limit: u32, _before: Option<i64>) -> Result<Vec<AuditRow>, HistoryError> {
        Ok(Vec::new())
    }
    /// What is known of a start under that key.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn once(&self, _station: &str, _key: &str) -> Result<Option<OnceRow>, HistoryError> {
        Ok(None)
    }
    /// Writes that a start was asked for under that key.
    ///
    /// # Errors
    /// When the ledger cannot be written, or knows the key.
    fn once_begin(&self, _station: &str, _key: &str, _request: &str) -> Result<(), HistoryError> {
        Err(HistoryError("keys are not kept here".into()))
    }
    /// Writes what was answered to it.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    fn once_end(&self, _station: &str, _key: &str, _status: u16, _answer: &str) -> Result<(), HistoryError> {
        Err(HistoryError("keys are not kept here".into()))
    }
    /// Numbers of the last event and the last alarm change.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn newest(&self) -> Result<(i64, i64), HistoryError> {
        Ok((0, 0))
    }
    /// The chain of records walked, from a day on or from its beginning: what was changed since it was sealed. `head`
    /// is a hash that was kept elsewhere.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn verify(&self, _since: Option<&str>, _head: Option<&str>) -> Result<Verdict, HistoryError> {
        Ok(Verdict::default())
    }
    /// Events after that number, oldest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn events_after(&self, _id: i64, _limit: u32) -> Result<Vec<(i64, EventRow)>, HistoryError> {
        Ok(Vec::new())
    }
    /// Alarm changes after that number, oldest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn alarms_after(&self, _id: i64, _limit: u32) -> Result<Vec<(i64, AlarmRow)>, HistoryError> {
        Ok(Vec::new())
    }
    /// The newest findings of that kind in that tank, newest first, those taken back left out.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn findings(
        &self,
        _tank: &str,
        _kind: FindingKind,
        _limit: u32,
    ) -> Result<Vec<FindingRow>, HistoryError> {
        Ok(Vec::new())
    }
    /// What was found on a run's parts, oldest first, what was taken back too.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn findings_of_run(&self, _run: &str) -> Result<Vec<FindingRow>, HistoryError> {
        Ok(Vec::new())
    }
    /// The newest additions to a tank, newest first, those taken back too.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn additions(&self, _tank: &str, _limit: u32) -> Result<Vec<AdditionRow>, HistoryError> {
        Ok(Vec::new())
    }
    /// What a tank had worked before that run began, microcoulombs.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn account_before(&self, _tank: &str, _run: &str) -> Result<i64, HistoryError> {
        Ok(0)
    }
    /// Alarm changes of a run, oldest first.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    fn alarms_of_run(&self, _run: &str) -> Result<Vec<AlarmRow>, HistoryError> {
        Ok(Vec::new())
    }
    /// Writes what was found and what goes on the run's record of it, and returns when the disk has both.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    fn found(&self, _row: &FindingRow, _on_record: Vec<serde_json::Value>) -> Result<(), HistoryError> {
        Err(HistoryError("findings are not kept here".into()))
    }
    /// Marks a finding as taken back, and returns when the disk has it.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    fn undo_finding(&self, _id: i64, _by: &str, _said: &str) -> Result<(), HistoryError> {
        Err(HistoryError("findings are not kept here".into()))
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
    fn find_runs(&self, limit: u32, before: Option<&str>, words: &str) -> Result<Vec<RunRow>, HistoryError> {
        Ok(self.reader().find_runs(limit, before, words)?)
    }
    fn find_jobs(&self, limit: u32, before: Option<&str>, words: &str) -> Result<Vec<JobRow>, HistoryError> {
        Ok(self.reader().find_jobs(limit, before, words)?)
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
    fn runs_of_job(&self, job: &str) -> Result<Vec<RunRow>, HistoryError> {
        Ok(self.reader().runs_of_job(job)?)
    }
    fn alarms_of(&self, run: &str) -> Result<Vec<AlarmRow>, HistoryError> {
        Ok(self.reader().alarms_of(run)?)
    }
    fn entries(&self, run: &str) -> Result<Vec<RecordRow>, HistoryError> {
        Ok(self.reader().entries(run)?)
    }
    fn head(&self) -> Result<Option<RecordRow>, HistoryError> {
        Ok(self.reader().head()?)
    }
    fn worked(&self, tank: &str, letters: u32, limit: u32) -> Result<Vec<(String, f64)>, HistoryError> {
        Ok(self.reader().worked(tank, letters, limit)?)
    }
    fn enter(&self, entry: Entry) -> Result<(), HistoryError> {
        Ok(Handle::current().block_on(Ledger::enter(self, entry))?)
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
    fn tally(&self, tank: &str, by: TallyBy, from: Option<&str>) -> Result<Vec<TallyRow>, HistoryError> {
        Ok(self.reader().tally(tank, by, from)?)
    }
    fn since_each(&self, account: &TankRow) -> Result<Vec<SinceRow>, HistoryError> {
        Ok(self.reader().since_each(account)?)
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
    fn audit(&self, row: AuditRow) {
        self.record(Row::Audit(row));
    }
    fn audits(&self, limit: u32, before: Option<i64>) -> Result<Vec<AuditRow>, HistoryError> {
        Ok(self.reader().audit(limit, before)?)
    }
    fn once(&self, station: &str, key: &str) -> Result<Option<OnceRow>, HistoryError> {
        Ok(self.reader().once(station, key)?)
    }
    fn once_begin(&self, station: &str, key: &str, request: &str) -> Result<(), HistoryError> {
        Ok(Handle::current().block_on(Ledger::once_begin(self, station, key, request))?)
    }
    fn once_end(&self, station: &str, key: &str, status: u16, answer: &str) -> Result<(), HistoryError> {
        Ok(Handle::current().block_on(Ledger::once_end(self, station, key, status, answer))?)
    }
    fn newest(&self) -> Result<(i64, i64), HistoryError> {
        Ok(self.reader().newest()?)
    }
    fn verify(&self, since: Option<&str>, head: Option<&str>) -> Result<Verdict, HistoryError> {
        Ok(self.reader().verify(since, head)?)
    }
    fn events_after(&self, id: i64, limit: u32) -> Result<Vec<(i64, EventRow)>, HistoryError> {
        Ok(self.reader().events_after(id, limit)?)
    }
    fn alarms_after(&self, id: i64, limit: u32) -> Result<Vec<(i64, AlarmRow)>, HistoryError> {
        Ok(self.reader().alarms_after(id, limit)?)
    }
    fn findings(&self, tank: &str, kind: FindingKind, limit: u32) -> Result<Vec<FindingRow>, HistoryError> {
        Ok(self.reader().findings(tank, kind, limit)?)
    }
    fn findings_of_run(&self, run: &str) -> Result<Vec<FindingRow>, HistoryError> {
        Ok(self.reader().findings_of_run(run)?)
    }
    fn additions(&self, tank: &str, limit: u32) -> Result<Vec<AdditionRow>, HistoryError> {
        Ok(self.reader().additions(tank, limit)?)
    }
    fn account_before(&self, tank: &str, run: &str) -> Result<i64, HistoryError> {
        Ok(self.reader().account_before(tank, run)?)
    }
    fn alarms_of_run(&self, run: &str) -> Result<Vec<AlarmRow>, HistoryError> {
        Ok(self.reader().alarms_of_run(run)?)
    }
    fn found(&self, row: &FindingRow, on_record: Vec<serde_json::Value>) -> Result<(), HistoryError> {
        Ok(Handle::current().block_on(Ledger::found(self, row, on_record))?)
    }
    fn undo_finding(&self, id: i64, by: &str, said: &str) -> Result<(), HistoryError> {
        Ok(Handle::current().block_on(Ledger::undo_finding(self, id, by, said))?)
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

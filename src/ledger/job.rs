//! Jobs: one load taken through a sheet. Rows, writing and reading.

use super::rows::{EventRow, RunRow};
use super::writer::Message;
use super::{Ledger, LedgerError, Reader};
use rusqlite::{Connection, OptionalExtension, Row as Line, Transaction, params};
use serde::Serialize;

/// A job about to begin: the intent that is on disk before anything is asked.
#[derive(Clone, Debug, PartialEq)]
pub struct JobStart {
    /// UUIDv7.
    pub id: String,
    /// Station.
    pub station: String,
    /// The sheet's name.
    pub sheet: String,
    /// Title.
    pub title: String,
    /// The parts' own metal.
    pub base: String,
    /// Parts.
    pub parts: u32,
    /// The lot.
    pub lot: Option<String>,
    /// The customer's reference.
    pub customer: Option<String>,
    /// Who started it.
    pub started_by: String,
    /// RFC 3339 UTC.
    pub started: String,
    /// The job whose rest this is.
    pub continues: Option<String>,
    /// The whole plan as JSON.
    pub plan_json: String,
}

/// How a job ended.
#[derive(Clone, Debug, PartialEq)]
pub struct JobEnd {
    /// Which.
    pub id: String,
    /// RFC 3339 UTC.
    pub ended: String,
    /// `complete`, `stopped` or `aborted`.
    pub state: &'static str,
    /// The first cause.
    pub cause: String,
}

/// A step as it came. While it is being worked `ended` and `outcome` are `None`.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct JobStepRow {
    /// Which job.
    pub job: String,
    /// As they came, from 1.
    pub number: u32,
    /// Its place in the sheet, from 1.
    pub sheet_step: u32,
    /// Its name.
    pub name: String,
    /// `dip`, `powered`, `inspect` or `prompt`.
    pub kind: String,
    /// Its tank.
    pub tank: Option<String>,
    /// RFC 3339 UTC.
    pub began: String,
    /// RFC 3339 UTC.
    pub ended: Option<String>,
    /// `done`, `skipped`, `redone` or `failed`.
    pub outcome: Option<String>,
    /// Why, where there is a why.
    pub reason: Option<String>,
    /// By whom.
    pub by: Option<String>,
    /// Its run.
    pub run: Option<String>,
}

/// One job.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct JobRow {
    /// UUIDv7.
    pub id: String,
    /// Station.
    pub station: String,
    /// The sheet's name.
    pub sheet: String,
    /// Title.
    pub title: String,
    /// The parts' own metal.
    pub base: String,
    /// Parts.
    pub parts: u32,
    /// The lot.
    pub lot: Option<String>,
    /// The customer's reference.
    pub customer: Option<String>,
    /// Who started it.
    pub started_by: String,
    /// RFC 3339 UTC.
    pub started: String,
    /// RFC 3339 UTC; `None` while open.
    pub ended: Option<String>,
    /// `running`, `complete`, `stopped` or `aborted`.
    pub state: String,
    /// First cause of the end.
    pub cause: Option<String>,
    /// The job whose rest this is.
    pub continues: Option<String>,
    /// The whole plan as JSON.
    #[serde(skip)]
    pub plan_json: String,
}

impl Ledger {
    /// Writes the intent of a job, and returns when the disk has it.
    ///
    /// # Errors
    /// Whatever keeps it from being written; then nothing is left behind.
    pub async fn begin_job(&self, start: JobStart) -> Result<(), LedgerError> {
        self.ask(|reply| Message::BeginJob(Box::new(start), reply)).await
    }

    /// Writes how a job ended, and returns when the disk has it.
    ///
    /// # Errors
    /// Whatever keeps it from being written; it is kept and tried again.
    pub async fn finish_job(&self, end: JobEnd) -> Result<(), LedgerError> {
        self.ask(|reply| Message::FinishJob(end, reply)).await
    }
}

impl Reader {
    /// One job, or `None` if there is none of that id.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn job(&self, id: &str) -> Result<Option<JobRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(&format!("{JOB} WHERE id = ?1"))?.query_row([id], job_row).optional()
        })
    }

    /// The runs of a job, oldest first.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn runs_of_job(&self, id: &str) -> Result<Vec<RunRow>, LedgerError> {
        let ids: Vec<String> = self.with(|db| {
            db.prepare_cached("SELECT id FROM run WHERE job_id = ?1 ORDER BY id")?
                .query_map([id], |row| row.get(0))?
                .collect()
        })?;
        let mut runs = Vec::with_capacity(ids.len());
        for id in ids {
            runs.extend(self.run(&id)?);
        }
        Ok(runs)
    }

    /// The steps of a job as they came.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn job_steps(&self, id: &str) -> Result<Vec<JobStepRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(
                "SELECT job_id, number, sheet_step, name, kind, tank, began_utc, ended_utc, outcome, reason, by, run_id
                 FROM job_step WHERE job_id = ?1 ORDER BY number",
            )?
            .query_map([id], |row| {
                Ok(JobStepRow {
                    job: row.get(0)?,
                    number: row.get(1)?,
                    sheet_step: row.get(2)?,
                    name: row.get(3)?,
                    kind: row.get(4)?,
                    tank: row.get(5)?,
                    began: row.get(6)?,
                    ended: row.get(7)?,
                    outcome: row.get(8)?,
                    reason: row.get(9)?,
                    by: row.get(10)?,
                    run: row.get(11)?,
                })
            })?
            .collect()
        })
    }

    /// The events of a job and of its runs, oldest first, at most `limit`.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn job_events(&self, id: &str, limit: u32) -> Result<Vec<EventRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(
                "SELECT at_utc, monotonic_milliseconds, station, run_id, kind, text FROM event
                 WHERE job_id = ?1 OR run_id IN (SELECT id FROM run WHERE job_id = ?1) ORDER BY id LIMIT ?2",
            )?
            .query_map(params![id, limit], |row| {
                Ok(EventRow {
                    at: row.get(0)?,
                    monotonic_milliseconds: row.get(1)?,
                    station: row.get(2)?,
                    run: row.get(3)?,
                    kind: row.get(4)?,
                    text: row.get(5)?,
                })
            })?
            .collect()
        })
    }
}

pub(super) const JOB: &str = "SELECT id, station, sheet, title, base, parts, lot, customer, started_by, started_utc, ended_utc, \
                   state, cause, continues, plan_json FROM job";

pub(super) fn job_row(row: &Line<'_>) -> rusqlite::Result<JobRow> {
    Ok(JobRow {
        id: row.get(0)?,
        station: row.get(1)?,
        sheet: row.get(2)?,
        title: row.get(3)?,
        base: row.get(4)?,
        parts: row.get(5)?,
        lot: row.get(6)?,
        customer: row.get(7)?,
        started_by: row.get(8)?,
        started: row.get(9)?,
        ended: row.get(10)?,
        state: row.get(11)?,
        cause: row.get(12)?,
        continues: row.get(13)?,
        plan_json: row.get(14)?,
    })
}

pub(super) fn insert(tx: &Transaction<'_>, start: &JobStart) -> rusqlite::Result<()> {
    tx.execute(
        "INSERT INTO job (id, station, sheet, title, base, parts, lot, customer, started_by, started_utc, state,
                          continues, plan_json)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, 'running', ?11, ?12)",
        params![
            start.id,
            start.station,
            start.sheet,
            start.title,
            start.base,
            start.parts,
            start.lot,
            start.customer,
            start.started_by,
            start.started,
            start.continues,
            start.plan_json,
        ],
    )
    .map(|_| ())
}

/// A step that begins, or, when it is there already, how it ended. What comes after the job was sealed is left out.
pub(super) fn write_step(tx: &Transaction<'_>, step: &JobStepRow) -> rusqlite::Result<usize> {
    tx.prepare_cached(
        "INSERT INTO job_step (job_id, number, sheet_step, name, kind, tank, began_utc, ended_utc, outcome, reason, by,
                               run_id)
         SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12
         WHERE NOT EXISTS (SELECT 1 FROM record WHERE run_id = ?1 AND kind = 'job')
         ON CONFLICT (job_id, number) DO UPDATE SET ended_utc = excluded.ended_utc, outcome = excluded.outcome,
             reason = excluded.reason, by = excluded.by, run_id = excluded.run_id",
    )?
    .execute(params![
        step.job,
        step.number,
        step.sheet_step,
        step.name,
        step.kind,
        step.tank,
        step.began,
        step.ended,
        step.outcome,
        step.reason,
        step.by,
        step.run,
    ])
}

/// One that comes after the job was sealed is kept, but no longer as that job's.
pub(super) fn write_event(tx: &Transaction<'_>, job: &str, event: &EventRow) -> rusqlite::Result<usize> {
    tx.prepare_cached(
        "INSERT INTO event (at_utc, monotonic_milliseconds, station, run_id, kind, text, job_id)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6,
                 (SELECT ?7 WHERE NOT EXISTS (SELECT 1 FROM record WHERE run_id = ?7 AND kind = 'job')))",
    )?
    .execute(params![
        event.at,
        event.monotonic_milliseconds,
        event.station,
        event.run,
        event.kind,
        event.text,
        job
    ])
}

/// The first end counts.
pub(super) fn write_end(tx: &Transaction<'_>, end: &JobEnd) -> rusqlite::Result<usize> {
    tx.prepare_cached(
        "UPDATE job SET state = ?2, ended_utc = ?3, cause = ?4 WHERE id = ?1 AND state = 'running'",
    )?
    .execute(params![end.id, end.state, end.ended, end.cause])
}

/// Closes jobs that were left open as `aborted`, cause `interrupted`, at the last thing known of each; a sentence for
/// each.
pub(super) fn close_left(tx: &Connection, now: &str) -> rusqlite::Result<Vec<String>> {
    let open: Vec<(String, String, String, String)> = tx
        .prepare(
            "SELECT id, station, title,
                    MAX(started_utc, COALESCE((SELECT MAX(at_utc) FROM event WHERE job_id = job.id), started_utc),
                        COALESCE((SELECT MAX(ended_utc) FROM run WHERE job_id = job.id), started_utc))
             FROM job WHERE state = 'running' ORDER BY id",
        )?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))?
        .collect::<Result<_, _>>()?;
    let mut sentences = Vec::new();
    for (id, station, title, last) in open {
        let sentence = format!("job {id} ({title}) was found open and is closed as interrupted");
        tx.execute(
            "UPDATE job SET state = 'aborted', cause = 'interrupted', ended_utc = ?2 WHERE id = ?1",
            params![id, last],
        )?;
        // A step's row has its run when the step ends: the one that was cut off gets it here, or its deposit is on no step.
        tx.execute(
            "UPDATE job_step SET outcome = 'failed', reason = 'interrupted', ended_utc = ?2,
                 run_id = COALESCE(run_id, (SELECT id FROM run WHERE run.job_id = ?1 AND run.tank = job_step.tank
                                            AND run.started_utc >= job_step.began_utc ORDER BY run.id DESC LIMIT 1))
             WHERE job_id = ?1 AND ended_utc IS NULL",
            params![id, last],
        )?;
        tx.execute(
            "INSERT INTO event (at_utc, monotonic_milliseconds, station, kind, text, job_id)
             VALUES (?1, 0, ?2, 'note', ?3, ?4)",
            params![now, station, sentence, id],
        )?;
        if let Err(e) = super::seal_job::seal(tx, &id, false) {
            tracing::warn!("ledger: job {id} could not be sealed: {e}");
        }
        sentences.push(sentence);
    }
    Ok(sentences)
}

#[cfg(test)]
mod tests {
    use super::super::fixtures::{begun, said};
    use super::super::{Row, RunStart, schema};
    use super::*;

    /// In a folder of its own, as `l.sqlite`.
    async fn open_with_a_job() -> (tempfile::TempDir, Ledger) {
        let folder = tempfile::tempdir().unwrap();
        let (ledger, _) = Ledger::open(&folder.path().join("l.sqlite")).unwrap();
        ledger.begin_job(begun("j")).await.unwrap();
        (folder, ledger)
    }

    fn step(number: u32, outcome: Option<&str>) -> JobStepRow {
        JobStepRow {
            job: "j".into(),
            number,
            sheet_step: 1,
            name: "hang".into(),
            kind: "prompt".into(),
            began: "2026-01-01T00:00:01.000Z".into(),
            ended: outcome.map(|_| "2026-01-01T00:00:09.000Z".into()),
            outcome: outcome.map(Into::into),
            ..JobStepRow::default()
        }
    }

    #[tokio::test]
    async fn job_is_read_back_with_its_steps_and_answers_and_its_first_end_counts() {
        let (_folder, ledger) = open_with_a_job().await;
        ledger.record(Row::JobStep(step(1, None)));
        ledger.record(said("j", "answered", "mila: done to question 1"));
        ledger.record(Row::JobStep(step(1, Some("done"))));
        ledger.record(Row::JobStep(step(2, None)));
        let end = |state, cause: &str| JobEnd {
            id: "j".into(),
            ended: "2026-01-01T00:01:00.000Z".into(),
            state,
            cause: cause.into(),
        };
        ledger.finish_job(end("stopped", "stopped by mila")).await.unwrap();
        ledger.finish_job(end("aborted", "later")).await.unwrap();
        let reader = ledger.reader();
        let job = reader.job("j").unwrap().unwrap();
        assert_eq!((job.state.as_str(), job.cause.as_deref()), ("stopped", Some("stopped by mila")));
        assert_eq!((job.lot.as_deref(), reader.jobs(10, None).unwrap().len()), (Some("41"), 1));
        assert!(reader.jobs(10, Some("j")).unwrap().is_empty());
        assert_eq!(reader.job_steps("j").unwrap(), [step(1, Some("done")), step(2, None)]);
        assert_eq!(reader.job_events("j", 10).unwrap()[0].text, "mila: done to question 1");
        assert_eq!(reader.job("k").unwrap(), None);
    }

    #[tokio::test]
    async fn job_found_open_is_closed_as_interrupted_when_it_was_last_heard_of() {
        let (folder, ledger) = open_with_a_job().await;
        ledger.record(Row::JobStep(step(1, None)));
        ledger.record(said("j", "answered", "mila: done to question 1"));
        ledger.close().await.unwrap();
        let (ledger, recovery) = Ledger::open(&folder.path().join("l.sqlite")).unwrap();
        assert!(recovery.sentence.contains("job j (6 key cups) was found open"), "{}", recovery.sentence);
        let job = ledger.reader().job("j").unwrap().unwrap();
        assert_eq!((job.state.as_str(), job.cause.as_deref()), ("aborted", Some("interrupted")));
        assert_eq!(job.ended.as_deref(), Some("2026-01-01T00:01:05.000Z"));
        let steps = ledger.reader().job_steps("j").unwrap();
        assert_eq!(steps[0].outcome.as_deref(), Some("failed"));
    }

    #[tokio::test]
    async fn run_that_a_killed_daemon_was_at_is_not_left_without_its_step() {
        let (folder, ledger) = open_with_a_job().await;
        let nickel = JobStepRow { kind: "powered".into(), tank: Some("nickel".into()), ..step(1, None) };
        ledger.record(Row::JobStep(nickel));
        let run = |id: &str| super::super::tests::start(id, "nickel");
        let began = |at: &str| format!("2026-01-01T00:0{at}.000Z");
        let of = |id: &str, tank: &str, at: &str| RunStart {
            job: Some("j".into()),
            started: began(at),
            ..super::super::tests::start(id, tank)
        };
        // An earlier try of this very step, another tank's, another job's: each would come first by its id.
        ledger.begin(of("z-before", "nickel", "0:00")).await.unwrap();
        ledger.begin(of("r", "nickel", "3:00")).await.unwrap();
        ledger.begin(of("z-tank", "copper", "3:30")).await.unwrap();
        ledger.begin(RunStart { started: began("3:40"), ..run("z-other") }).await.unwrap();
        ledger.close().await.unwrap();
        let (ledger, _) = Ledger::open(&folder.path().join("l.sqlite")).unwrap();
        let (job, steps) =
            (ledger.reader().job("j").unwrap().unwrap(), ledger.reader().job_steps("j").unwrap());
        assert_eq!(steps[0].run.as_deref(), Some("r"));
        // Nor does a job end before its last run.
        let last = ledger.reader().run("r").unwrap().unwrap().ended.unwrap();
        assert!(job.ended.as_ref().unwrap() >= &last, "{:?} before {last}", job.ended);
    }

    #[test]
    fn step_without_a_reason_is_not_kept_as_skipped() {
        let mut db = Connection::open_in_memory().unwrap();
        schema::migrate(&mut db, schema::STEPS).unwrap();
        let tx = db.transaction().unwrap();
        insert(&tx, &begun("j")).unwrap();
        assert!(write_step(&tx, &step(1, Some("skipped"))).is_err());
        let why = JobStepRow { reason: Some("no acid today".into()), ..step(1, Some("skipped")) };
        write_step(&tx, &why).unwrap();
    }
}

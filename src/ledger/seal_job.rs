//! A job in the chain of records: sealed at the end of each step, and as a whole at its end.
//!
//! How the hashes are taken (form 1), with rows as in `seal.rs`:
//!
//! - At the end of a step an entry of kind `step` holds [`StepDigests`]: the job's intent (all that is known when it
//!   begins, the plan with it), its steps up to that one, and its events up to then. A crash in the middle loses the
//!   steps that were not on disk, and no seal of those that were.
//! - At the end of the job an entry of kind `job` holds [`JobDigests`]: the whole row, all steps, all events. What
//!   comes later is no longer the job's. The runs inside have seals of their own; the steps name them.

use super::seal::{RecordRow, append, hash_rows, hex};
use rusqlite::{Connection, OptionalExtension, params};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};

const INTENT: &str = "SELECT id, station, sheet, title, base, parts, lot, customer, started_by, started_utc, continues, \
                      plan_json FROM job WHERE id = ?1";
const JOB: &str = "SELECT id, station, sheet, title, base, parts, lot, customer, started_by, started_utc, ended_utc, \
                   state, cause, continues, plan_json FROM job WHERE id = ?1";
const STEPS: &str = "SELECT number, sheet_step, name, kind, tank, began_utc, ended_utc, outcome, reason, by, run_id \
                     FROM job_step WHERE job_id = ?1 AND number <= ?2 ORDER BY number";
const EVENTS: &str = "SELECT at_utc, monotonic_milliseconds, station, run_id, kind, text FROM event WHERE job_id = ?1 \
                      ORDER BY id LIMIT ?2";

/// What the seal of a step holds.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct StepDigests {
    form: u32,
    /// Its number, as the steps came.
    step: u32,
    intent: String,
    steps: String,
    events: String,
    event_count: i64,
}

/// What the seal of a job holds.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct JobDigests {
    form: u32,
    job: String,
    steps: String,
    events: String,
    event_count: i64,
}

/// Seals a step that has ended, with all before it; else does nothing. In the caller's transaction.
///
/// # Errors
/// What the database says.
pub(super) fn seal_step(db: &Connection, job: &str, step: u32) -> rusqlite::Result<()> {
    let ended: Option<bool> = db
        .prepare_cached(
            "SELECT ended_utc IS NOT NULL AND NOT EXISTS (SELECT 1 FROM record WHERE run_id = ?1 AND kind = 'job')
             FROM job_step WHERE job_id = ?1 AND number = ?2",
        )?
        .query_row(params![job, step], |row| row.get(0))
        .optional()?;
    if ended != Some(true) {
        return Ok(());
    }
    let count = events_of(db, job)?;
    match step_now(db, job, step, count)? {
        Some(now) => append(db, job, "step", None, false, text(&now)?),
        None => Ok(()),
    }
}

/// Seals a job that has ended and has no seal; else does nothing. In the caller's transaction.
///
/// # Errors
/// What the database says.
pub(super) fn seal(db: &Connection, job: &str, later: bool) -> rusqlite::Result<()> {
    let due: bool = db
        .prepare_cached(
            "SELECT EXISTS (SELECT 1 FROM job WHERE id = ?1 AND state <> 'running')
             AND NOT EXISTS (SELECT 1 FROM record WHERE run_id = ?1 AND kind = 'job')",
        )?
        .query_row([job], |row| row.get(0))?;
    match job_now(db, job)? {
        Some(now) if due => append(db, job, "job", None, later, text(&now)?),
        _ => Ok(()),
    }
}

/// Jobs that ended and have no seal, oldest first.
pub(super) fn waiting(db: &Connection) -> rusqlite::Result<Vec<String>> {
    db.prepare(
        "SELECT id FROM job AS j WHERE state <> 'running'
         AND NOT EXISTS (SELECT 1 FROM record WHERE run_id = j.id AND kind = 'job') ORDER BY id",
    )?
    .query_map([], |row| row.get(0))?
    .collect()
}

/// What was found on the way through the chain: each change is told once, at the first seal that it breaks.
#[derive(Debug, Default)]
pub(super) struct Walk {
    told: BTreeMap<String, BTreeSet<&'static str>>,
}

impl Walk {
    /// What does not fit a job's seal, in a sentence; nothing for other entries.
    ///
    /// # Errors
    /// What the database says.
    pub fn check(&mut self, db: &Connection, entry: &RecordRow) -> rusqlite::Result<Option<String>> {
        let unread = |e| Ok(Some(format!("the seal itself cannot be read: {e}")));
        let (since, differing) = match entry.kind.as_str() {
            "step" => {
                let sealed: StepDigests = match serde_json::from_str(&entry.content) {
                    Ok(sealed) => sealed,
                    Err(e) => return unread(e),
                };
                if sealed.form != 1 {
                    return Ok(Some(unknown(sealed.form)));
                }
                let now = step_now(db, &entry.run, sealed.step, sealed.event_count)?;
                let pairs = now.map(|now| {
                    [
                        ("what the job was begun with", sealed.intent != now.intent),
                        ("steps", sealed.steps != now.steps),
                        ("events and answers", sealed.events != now.events),
                    ]
                });
                (format!("step {} ended", sealed.step), pairs)
            }
            "job" => {
                let sealed: JobDigests = match serde_json::from_str(&entry.content) {
                    Ok(sealed) => sealed,
                    Err(e) => return unread(e),
                };
                if sealed.form != 1 {
                    return Ok(Some(unknown(sealed.form)));
                }
                let pairs = job_now(db, &entry.run)?.map(|now| {
                    [
                        ("the job's row", sealed.job != now.job),
                        ("steps", sealed.steps != now.steps),
                        (
                            "events and answers",
                            sealed.events != now.events || sealed.event_count != now.event_count,
                        ),
                    ]
                });
                ("it was sealed".to_owned(), pairs)
            }
            _ => return Ok(None),
        };
        let told = self.told.entry(entry.run.clone()).or_default();
        let Some(pairs) = differing else {
            return Ok(told.insert("gone").then(|| "the job is gone".into()));
        };
        // A changed plan is in the job's row too.
        let same = |name| if name == "what the job was begun with" { "the job's row" } else { name };
        let new: Vec<_> = pairs
            .into_iter()
            .filter(|(name, bad)| *bad && told.insert(same(name)))
            .map(|(name, _)| name)
            .collect();
        Ok((!new.is_empty()).then(|| format!("changed since {since}: {}", new.join(", "))))
    }
}

fn unknown(form: u32) -> String {
    format!("was sealed in form {form}, which this version does not know")
}

fn text(digests: &impl Serialize) -> rusqlite::Result<String> {
    serde_json::to_string(digests).map_err(|e| rusqlite::Error::ToSqlConversionFailure(e.into()))
}

fn events_of(db: &Connection, job: &str) -> rusqlite::Result<i64> {
    db.prepare_cached("SELECT COUNT(*) FROM event WHERE job_id = ?1")?.query_row([job], |row| row.get(0))
}

fn hashed(db: &Connection, question: &str, of: impl rusqlite::Params) -> rusqlite::Result<(bool, String)> {
    let mut hash = Sha256::new();
    let any = hash_rows(db, question, of, &mut hash)?;
    Ok((any, hex(hash.finalize().as_slice())))
}

/// `None`: there is no such job.
fn step_now(
    db: &Connection,
    job: &str,
    step: u32,
    event_count: i64,
) -> rusqlite::Result<Option<StepDigests>> {
    let (there, intent) = hashed(db, INTENT, [job])?;
    let (_, steps) = hashed(db, STEPS, params![job, step])?;
    let (_, events) = hashed(db, EVENTS, params![job, event_count])?;
    Ok(there.then_some(StepDigests { form: 1, step, intent, steps, events, event_count }))
}

/// `None`: there is no such job.
fn job_now(db: &Connection, job: &str) -> rusqlite::Result<Option<JobDigests>> {
    let event_count = events_of(db, job)?;
    let (there, whole) = hashed(db, JOB, [job])?;
    let (_, steps) = hashed(db, STEPS, params![job, u32::MAX])?;
    let (_, events) = hashed(db, EVENTS, params![job, event_count])?;
    Ok(there.then_some(JobDigests { form: 1, job: whole, steps, events, event_count }))
}

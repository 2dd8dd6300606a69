//! The chain of records: what a run left is hashed when it ends, and each entry carries the hash of the one before.
//!
//! How a hash is taken (form 1), so that anybody can take it again:
//!
//! - Each part of a run has a SHA-256 of its own. For `run`, `steps`, `charge`, `events` and `alarms` the rows are
//!   taken in order, each as the JSON array of the columns in [`PARTS`] and a line feed; numbers as `serde_json`
//!   writes them. For `readings` each reading is 28 bytes, little-endian: milliseconds since the start as `i64`, then
//!   as `i32` millivolts, tenths of a milliampere, setpoint in tenths of a milliampere, ceiling in millivolts, bath in
//!   hundredths of a degree Celsius; what was not known is -2147483648. The values are hashed as they were read, not
//!   as they are packed: packing them anew breaks nothing.
//! - The `content` of an entry of kind `run` is [`Digests`] as JSON. That of any other entry is its own text.
//! - The `hash` of an entry is the SHA-256 of the JSON array `["tankside-record-1", previous, seq, run_id, kind,
//!   at_utc, by, later, content]`, in lower-case hex.
//!
//! What it proves: that nothing on record was changed, taken out or put in between since a hash that somebody wrote
//! down elsewhere. What it cannot: whoever may write the file can also work out every hash anew, and cut off the
//! newest entries; only a hash kept outside the ledger shows that. It says nothing of whether a reading was true.

use super::packed::read as readings_of;
use super::writer::now_utc;
use super::{Ledger, LedgerError, Reader};
use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, Params, Row, params};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

/// The parts of a run that are text, each with the question for its rows.
const PARTS: [(&str, &str); 5] = [
    (
        "run",
        "SELECT id, station, tank, title, started_by, started_utc, ended_utc, state, cause, target_microcoulombs,
                area_square_meters, parts, metal, thickness_meters_per_coulomb, continues, order_json,
                load_slope_ohm_square_meters, job_id, lot, customer FROM run WHERE id = ?1",
    ),
    (
        "steps",
        "SELECT number, began_utc, began_milliseconds, state, phase, why FROM run_step WHERE run_id = ?1
         ORDER BY number",
    ),
    (
        "charge",
        "SELECT tank, charge_microcoulombs, unobserved_milliseconds, worked_milliseconds, updated_utc
         FROM tank_charge WHERE run_id = ?1 ORDER BY tank",
    ),
    (
        "events",
        "SELECT at_utc, monotonic_milliseconds, station, kind, text, job_id FROM event WHERE run_id = ?1 ORDER BY id",
    ),
    (
        "alarms",
        "SELECT at_utc, monotonic_milliseconds, station, watch, from_state, to_state, priority, text, by, note
         FROM alarm WHERE run_id = ?1 ORDER BY id",
    ),
];

/// What hung: the rest of the part "run".
const HUNG: &str =
    "SELECT number, part, kind, count, area_square_meters, share FROM run_part WHERE run_id = ?1
     ORDER BY number";

/// What a run's seal holds: a SHA-256 of each part, in hex.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Digests {
    /// How they were taken: 1.
    pub form: u32,
    /// The run's own row, the order with it, and what hung.
    pub run: String,
    /// Its stages.
    pub steps: String,
    /// What its tank worked.
    pub charge: String,
    /// Its readings.
    pub readings: String,
    /// How many there are.
    pub reading_count: u64,
    /// Its events.
    pub events: String,
    /// Its alarms.
    pub alarms: String,
}

impl Digests {
    /// The parts in which the two differ.
    fn differing(&self, other: &Digests) -> Vec<&'static str> {
        let pairs = [
            ("the run's row", &self.run, &other.run),
            ("steps", &self.steps, &other.steps),
            ("charge", &self.charge, &other.charge),
            ("readings", &self.readings, &other.readings),
            ("events", &self.events, &other.events),
            ("alarms", &self.alarms, &other.alarms),
        ];
        pairs.into_iter().filter(|(_, a, b)| a != b).map(|(name, _, _)| name).collect()
    }
}

/// One entry of the chain.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct RecordRow {
    /// Its place: 1, 2, 3 …
    pub seq: i64,
    /// Which run, or which job.
    pub run: String,
    /// `run` is a run's seal, `step` and `job` are a job's; `plan`, `sign`, `amend`, `note` and what else is added
    /// later.
    pub kind: String,
    /// RFC 3339 UTC.
    pub at: String,
    /// Who, where a person did.
    pub by: Option<String>,
    /// Sealed later than at the end.
    pub later: bool,
    /// JSON.
    pub content: String,
    /// Hash of the entry before; empty for the first.
    pub previous: String,
    /// Its own, lower-case hex.
    pub hash: String,
}

impl RecordRow {
    fn hashed(&self) -> String {
        let form = json!([
            "tankside-record-1",
            self.previous,
            self.seq,
            self.run,
            self.kind,
            self.at,
            self.by,
            self.later,
            self.content
        ]);
        hex(Sha256::digest(form.to_string().as_bytes()).as_slice())
    }
}

/// Something to be put on the record of a run or a job.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Which run, or which job.
    pub run: String,
    /// `plan`, `sign`, `amend`, `note`, `measurement` …; never that of a seal.
    pub kind: String,
    /// Who.
    pub by: String,
    /// What.
    pub content: Value,
}

/// Something that does not fit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// Which run; `None` where it is a job, or the chain itself is broken.
    pub run: Option<String>,
    /// Which job.
    pub job: Option<String>,
    /// Which entry.
    pub seq: Option<i64>,
    /// What, in a sentence.
    pub what: String,
}

/// What came of walking the chain.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Verdict {
    /// Entries looked at.
    pub entries: u64,
    /// Runs whose data were hashed again.
    pub runs: u64,
    /// Jobs whose rows were.
    pub jobs: u64,
    /// Of both, sealed later than at their end.
    pub later: u64,
    /// Runs and jobs from before there were seals that are still to be sealed.
    pub waiting: u64,
    /// The newest entry's hash; nothing in an empty chain.
    pub head: Option<String>,
    /// Everything that does not fit.
    pub faults: Vec<Fault>,
}

impl Ledger {
    /// Puts an entry on the record of a run or a job, and returns when the disk has it.
    ///
    /// # Errors
    /// Whatever keeps it from being written; a run or job that is not there.
    pub async fn enter(&self, entry: Entry) -> Result<(), LedgerError> {
        self.ask(|reply| super::writer::Message::Entry(Box::new(entry), reply)).await
    }
}

impl Reader {
    /// The entries of a run or a job, oldest first.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn entries(&self, run: &str) -> Result<Vec<RecordRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(&format!("{RECORD} WHERE run_id = ?1 ORDER BY seq"))?
                .query_map([run], record_row)?
                .collect()
        })
    }

    /// The newest entry.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn head(&self) -> Result<Option<RecordRow>, LedgerError> {
        self.with(head)
    }

    /// Walks the chain, from the first entry at or after `since` (RFC 3339 UTC; `None`: all of it), and hashes every
    /// sealed run and job in it again. With `kept`, a hash that was written down, it must be in the chain.
    ///
    /// # Errors
    /// [`LedgerError::Read`]. What does not fit is in the verdict.
    pub fn verify(&self, since: Option<&str>, kept: Option<&str>) -> Result<Verdict, LedgerError> {
        self.with(|db| {
            // One picture of the whole, while a daemon goes on writing.
            let tx = db.unchecked_transaction()?;
            walk(&tx, since, kept)
        })
    }
}

fn walk(db: &Connection, since: Option<&str>, kept: Option<&str>) -> rusqlite::Result<Verdict> {
    let mut verdict = Verdict { head: head(db)?.map(|h| h.hash), ..Verdict::default() };
    // By place, not by time: a wall clock that was set back leaves no entry out.
    let first: i64 = match since {
        Some(since) => db.query_row(
            "SELECT COALESCE(MIN(seq), (SELECT COALESCE(MAX(seq), 0) + 1 FROM record)) FROM record WHERE at_utc >= ?1",
            [since],
            |row| row.get(0),
        )?,
        None => 1,
    };
    let before = db
        .prepare(&format!("{RECORD} WHERE seq < ?1 ORDER BY seq DESC LIMIT 1"))?
        .query_row([first], record_row)
        .optional()?;
    let (mut expected, mut previous) = before.map_or((1, String::new()), |b| (b.seq + 1, b.hash));
    let mut jobs = super::seal_job::Walk::default();
    let mut entries = db.prepare(&format!("{RECORD} WHERE seq >= ?1 ORDER BY seq"))?;
    for entry in entries.query_map([first], record_row)? {
        let entry = entry?;
        verdict.entries += 1;
        let whose: bool = db
            .prepare_cached("SELECT EXISTS (SELECT 1 FROM run WHERE id = ?1)")?
            .query_row([&entry.run], |r| r.get(0))?;
        let is_job = !whose && entry.kind != "run";
        let mut fault = |what: String| {
            let (run, job) = if is_job { (None, Some(&entry.run)) } else { (Some(&entry.run), None) };
            let (run, job) = (run.cloned(), job.cloned());
            verdict.faults.push(Fault { run, job, seq: Some(entry.seq), what });
        };
        if entry.seq != expected {
            fault(format!("the entries before it are missing: {expected} to {}", entry.seq - 1));
        } else if entry.previous != previous {
            fault("does not follow the entry before: that one was changed or exchanged".into());
        }
        if entry.hashed() != entry.hash {
            fault(format!("the entry itself ({}) was changed", entry.kind));
        }
        if let Some(what) = jobs.check(db, &entry)? {
            fault(what);
        }
        if entry.kind == "job" {
            verdict.jobs += 1;
            verdict.later += u64::from(entry.later);
        }
        if entry.kind == "run" {
            verdict.runs += 1;
            verdict.later += u64::from(entry.later);
            match (serde_json::from_str::<Digests>(&entry.content), digests(db, &entry.run)) {
                (Ok(sealed), Ok(Some(now))) if sealed.form == 1 => {
                    let differing = sealed.differing(&now);
                    if !differing.is_empty() {
                        let mut what = format!("changed since it was sealed: {}", differing.join(", "));
                        if sealed.reading_count != now.reading_count {
                            what += &format!(
                                " ({} readings were sealed, {} are there)",
                                sealed.reading_count, now.reading_count
                            );
                        }
                        fault(what);
                    }
                }
                (Ok(sealed), Ok(Some(_))) => {
                    fault(format!("was sealed in form {}, which this version does not know", sealed.form));
                }
                (Ok(_), Ok(None)) => fault("the run is gone".into()),
                (Ok(_), Err(e)) => fault(format!("its readings or rows cannot be read any more: {e}")),
                (Err(e), _) => fault(format!("the seal itself cannot be read: {e}")),
            }
        }
        (expected, previous) = (entry.seq + 1, entry.hash);
    }
    if since.is_none() {
        unsealed(db, &mut verdict)?;
    }
    if let Some(kept) = kept {
        let there: bool =
            db.query_row("SELECT EXISTS (SELECT 1 FROM record WHERE hash = ?1)", [kept], |r| r.get(0))?;
        if !there {
            let what =
                format!("the hash {kept} that was kept is not in the chain: it was rewritten or cut short");
            verdict.faults.push(Fault { run: None, job: None, seq: None, what });
        }
    }
    Ok(verdict)
}

/// Runs that ended and have no seal.
fn unsealed(db: &Connection, verdict: &mut Verdict) -> rusqlite::Result<()> {
    let old = before_seals(db, "runs_before_seals")?;
    for run in waiting(db)? {
        if run <= old {
            verdict.waiting += 1;
        } else {
            let what =
                "ended and is not sealed: its seal was taken out, or the daemon has not started since".into();
            verdict.faults.push(Fault { run: Some(run), job: None, seq: None, what });
        }
    }
    let old = before_seals(db, "jobs_before_seals")?;
    for job in super::seal_job::waiting(db)? {
        if job <= old {
            verdict.waiting += 1;
        } else {
            let what =
                "ended and is not sealed: its seal was taken out, or the daemon has not started since".into();
            verdict.faults.push(Fault { run: None, job: Some(job), seq: None, what });
        }
    }
    Ok(())
}

/// The newest run or job from before there were seals; empty when there is none.
fn before_seals(db: &Connection, key: &str) -> rusqlite::Result<String> {
    let old = db.query_row("SELECT value FROM meta WHERE key = ?1", [key], |row| row.get(0)).optional()?;
    Ok(old.unwrap_or_default())
}

/// Runs that ended and have no seal, oldest first.
pub(super) fn waiting(db: &Connection) -> rusqlite::Result<Vec<String>> {
    db.prepare(
        "SELECT id FROM run AS r WHERE state <> 'running'
         AND NOT EXISTS (SELECT 1 FROM record WHERE run_id = r.id AND kind = 'run') ORDER BY id",
    )?
    .query_map([], |row| row.get(0))?
    .collect()
}

/// Seals a run that has ended and has no seal; else does nothing. In the caller's transaction.
///
/// # Errors
/// What the database says; also when a chunk of readings cannot be read.
pub(super) fn seal(db: &Connection, run: &str, later: bool) -> rusqlite::Result<()> {
    let ended: Option<bool> = db
        .prepare_cached(
            "SELECT state <> 'running' AND NOT EXISTS (SELECT 1 FROM record WHERE run_id = run.id AND kind = 'run')
             FROM run WHERE id = ?1",
        )?
        .query_row([run], |row| row.get(0))
        .optional()?;
    if ended != Some(true) {
        return Ok(());
    }
    let Some(digests) = digests(db, run)? else { return Ok(()) };
    let content =
        serde_json::to_string(&digests).map_err(|e| rusqlite::Error::ToSqlConversionFailure(e.into()))?;
    append(db, run, "run", None, later, content)
}

/// Puts an entry at the end of the chain. In the caller's transaction.
///
/// # Errors
/// What the database says.
pub(super) fn append(
    db: &Connection,
    run: &str,
    kind: &str,
    by: Option<&str>,
    later: bool,
    content: String,
) -> rusqlite::Result<()> {
    let (seq, previous) = head(db)?.map_or((1, String::new()), |h| (h.seq + 1, h.hash));
    let mut row = RecordRow {
        seq,
        run: run.into(),
        kind: kind.into(),
        at: now_utc(),
        by: by.map(Into::into),
        later,
        content,
        previous,
        hash: String::new(),
    };
    row.hash = row.hashed();
    db.prepare_cached(
        "INSERT INTO record (seq, run_id, kind, at_utc, by, later, content, previous, hash)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
    )?
    .execute(params![
        row.seq,
        row.run,
        row.kind,
        row.at,
        row.by,
        row.later,
        row.content,
        row.previous,
        row.hash
    ])?;
    Ok(())
}

/// Whether there was a row.
pub(super) fn hash_rows(
    db: &Connection,
    question: &str,
    of: impl Params,
    hash: &mut Sha256,
) -> rusqlite::Result<bool> {
    let mut statement = db.prepare_cached(question)?;
    let columns = statement.column_count();
    let mut rows = statement.query(of)?;
    let mut any = false;
    while let Some(row) = rows.next()? {
        any = true;
        hash.update(line(row, columns)?.as_bytes());
    }
    Ok(any)
}

/// What a run's data hash to now; `None` if there is no such run.
fn digests(db: &Connection, run: &str) -> rusqlite::Result<Option<Digests>> {
    let mut parts = Vec::with_capacity(PARTS.len());
    for (name, question) in PARTS {
        let mut hash = Sha256::new();
        let any = hash_rows(db, question, [run], &mut hash)?;
        if name == "run" {
            if !any {
                return Ok(None);
            }
            hash_rows(db, HUNG, [run], &mut hash)?;
        }
        parts.push(hex(hash.finalize().as_slice()));
    }
    let readings = readings_of(db, run)?;
    let mut hash = Sha256::new();
    // By blocks: a call for each reading would cost as much as the hash.
    let mut block = Vec::with_capacity(28 * 1024);
    for reading in &readings {
        let scaled = |value: f64, by: f64| ((value * by).round() as i32).to_le_bytes();
        let maybe = |value: Option<f64>, by: f64| value.map_or(i32::MIN.to_le_bytes(), |v| scaled(v, by));
        block.extend_from_slice(&((reading.seconds * 1e3).round() as i64).to_le_bytes());
        block.extend_from_slice(&scaled(reading.volts, 1e3));
        block.extend_from_slice(&scaled(reading.amperes, 1e4));
        block.extend_from_slice(&scaled(reading.setpoint_amperes, 1e4));
        block.extend_from_slice(&maybe(reading.ceiling_volts, 1e3));
        block.extend_from_slice(&maybe(reading.bath_celsius, 1e2));
        if block.len() >= 28 * 1024 {
            hash.update(&block);
            block.clear();
        }
    }
    hash.update(&block);
    let [run, steps, charge, events, alarms] = <[String; 5]>::try_from(parts).unwrap_or_default();
    Ok(Some(Digests {
        form: 1,
        run,
        steps,
        charge,
        readings: hex(hash.finalize().as_slice()),
        reading_count: readings.len() as u64,
        events,
        alarms,
    }))
}

/// A row as a JSON array and a line feed.
fn line(row: &Row<'_>, columns: usize) -> rusqlite::Result<String> {
    let mut values = Vec::with_capacity(columns);
    for index in 0..columns {
        values.push(match row.get_ref(index)? {
            ValueRef::Null => Value::Null,
            ValueRef::Integer(i) => json!(i),
            ValueRef::Real(f) => json!(f),
            ValueRef::Text(t) => json!(String::from_utf8_lossy(t)),
            ValueRef::Blob(b) => json!(hex(b)),
        });
    }
    Ok(Value::Array(values).to_string() + "\n")
}

pub(super) fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write;
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut text, byte| {
        // Writing to a string cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

fn head(db: &Connection) -> rusqlite::Result<Option<RecordRow>> {
    db.prepare_cached(&format!("{RECORD} ORDER BY seq DESC LIMIT 1"))?.query_row([], record_row).optional()
}

const RECORD: &str = "SELECT seq, run_id, kind, at_utc, by, later, content, previous, hash FROM record";

fn record_row(row: &Row<'_>) -> rusqlite::Result<RecordRow> {
    Ok(RecordRow {
        seq: row.get(0)?,
        run: row.get(1)?,
        kind: row.get(2)?,
        at: row.get(3)?,
        by: row.get(4)?,
        later: row.get(5)?,
        content: row.get(6)?,
        previous: row.get(7)?,
        hash: row.get(8)?,
    })
}

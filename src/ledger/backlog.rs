//! What has been taken and is not yet on disk.
//!
//! A batch that fails is kept whole and written later: readings wait in their
//! chunks, charges as the last total of each run, everything else in order.
//!
//! The chunk that a run is filling is a row of `reading_chunk` (JSON, easy to
//! write again with each commit); once full, or when the run ends, it becomes a
//! block of `reading_block`, packed, and its row goes in the same transaction.

use super::account::millis;
use super::error::is_bad_row;
use super::job::{self, JobEnd};
use super::pack::Readings;
use super::packed;
use super::rows::{Row, RunEnd};
use super::seal;
use super::seal_job;
use rusqlite::{Transaction, params};
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// Readings in one chunk: about 50 s at 5 Hz, and a row of a few kilobytes that
/// each commit writes again until it is full.
pub(super) const CHUNK: usize = 256;
/// Chunks kept in memory while the disk refuses: half a million readings, over a day at 5 Hz.
const MOST_CHUNKS: usize = 2_000;
/// Lines kept in memory while the disk refuses.
const MOST_LINES: usize = 20_000;

#[derive(Debug, Default)]
pub(super) struct Backlog {
    /// Runs that have begun and not ended. What comes for others is too late, and is not taken:
    /// it would begin their chunks again from the first.
    open: BTreeSet<String>,
    filling: BTreeMap<String, Chunk>,
    full: VecDeque<(String, Chunk)>,
    charges: BTreeMap<String, ChargeSoFar>,
    lines: VecDeque<Line>,
    /// Runs that have ended, to be sealed once all that is theirs is written.
    ended: Vec<String>,
    /// Steps of jobs that have ended, and jobs (no number), to be sealed likewise; in order.
    jobs_ended: Vec<(String, Option<u32>)>,
    /// Rows given up since the last commit, because memory was bounded too.
    pub lost: u64,
}

#[derive(Debug)]
enum Line {
    Row(Row),
    End(RunEnd),
    JobEnd(JobEnd),
}

#[derive(Clone, Copy, Debug, Default)]
struct ChargeSoFar {
    microcoulombs: i64,
    unobserved_milliseconds: i64,
    worked_milliseconds: i64,
}

#[derive(Debug, Default)]
struct Chunk {
    number: i64,
    unwritten: bool,
    readings: Readings,
}

impl Backlog {
    /// A run is on disk; from now on its readings and charge are taken.
    pub fn begin(&mut self, run: &str) {
        self.open.insert(run.into());
    }

    /// Takes one row.
    pub fn take(&mut self, row: Row) {
        if let Row::Reading { run, .. } | Row::Charge { run, .. } = &row
            && !self.open.contains(run)
        {
            return;
        }
        match row {
            Row::Reading { run, since_start, volts, amps, setpoint, ceiling, bath } => {
                let chunk = self.filling.entry(run.clone()).or_default();
                chunk.unwritten = true;
                let r = &mut chunk.readings;
                r.milliseconds.push(millis(since_start));
                r.millivolts.push((volts.get() * 1e3).round() as i64);
                r.tenth_milliamperes.push((amps.get() * 1e4).round() as i64);
                r.setpoint_tenth_milliamperes.push((setpoint.get() * 1e4).round() as i64);
                r.ceiling_millivolts.push(Some((ceiling.get() * 1e3).round() as i64));
                r.bath_hundredth_celsius.push(bath.map(|t| (t.get() * 1e2).round() as i64));
                if r.len() >= CHUNK {
                    let next = Chunk { number: chunk.number + 1, ..Chunk::default() };
                    let full = std::mem::replace(chunk, next);
                    self.full.push_back((run, full));
                    if self.full.len() > MOST_CHUNKS {
                        self.full.pop_front();
                        self.lost += CHUNK as u64;
                    }
                }
            }
            Row::Charge { run, charge, unobserved, worked } => {
                self.charge(run, charge.0, millis(unobserved), millis(worked));
            }
            Row::JobStep(step) => {
                if step.ended.is_some() {
                    self.jobs_ended.push((step.job.clone(), Some(step.number)));
                }
                self.line(Line::Row(Row::JobStep(step)));
            }
            line @ (Row::Phase(_) | Row::Event(_) | Row::Alarm(_) | Row::Audit(_) | Row::JobEvent { .. }) => {
                self.line(Line::Row(line))
            }
        }
    }

    /// Takes the end of a run.
    pub fn end(&mut self, end: RunEnd) {
        if !self.open.remove(&end.id) {
            return;
        }
        self.charge(end.id.clone(), end.charge.0, millis(end.unobserved), millis(end.worked));
        if let Some(chunk) = self.filling.remove(&end.id).filter(|c| c.readings.len() > 0) {
            self.full.push_back((end.id.clone(), chunk));
        }
        self.ended.push(end.id.clone());
        self.line(Line::End(end));
    }

    /// Takes the end of a job.
    pub fn end_job(&mut self, end: JobEnd) {
        self.jobs_ended.push((end.id.clone(), None));
        self.line(Line::JobEnd(end));
    }

    fn charge(&mut self, run: String, microcoulombs: i64, unobserved: i64, worked: i64) {
        let so_far = self.charges.entry(run).or_default();
        so_far.microcoulombs = so_far.microcoulombs.max(microcoulombs);
        so_far.unobserved_milliseconds = so_far.unobserved_milliseconds.max(unobserved);
        so_far.worked_milliseconds = so_far.worked_milliseconds.max(worked);
    }

    fn line(&mut self, line: Line) {
        if self.lines.len() >= MOST_LINES {
            // The end of a run is never what is given up.
            if let Some(oldest) = self.lines.iter().position(|l| matches!(l, Line::Row(_))) {
                self.lines.remove(oldest);
                self.lost += 1;
            }
        }
        self.lines.push_back(line);
    }

    /// Whether everything is on disk.
    pub fn is_empty(&self) -> bool {
        self.lines.is_empty()
            && self.charges.is_empty()
            && self.full.is_empty()
            && self.ended.is_empty()
            && self.jobs_ended.is_empty()
            && self.filling.values().all(|c| !c.unwritten)
    }

    /// Writes everything into a transaction; the backlog stays as it is until [`Backlog::written`].
    ///
    /// # Errors
    /// What the disk refuses. A row that could never be written is left out and said so in the log.
    pub fn write(&self, tx: &Transaction<'_>, now: &str) -> rusqlite::Result<()> {
        self.write_accounts(tx, now)?;
        for (run, chunk) in &self.full {
            let first = chunk.number * CHUNK as i64;
            forgive(packed::write(tx, run, chunk.number, first, &chunk.readings), "a block of readings")?;
        }
        for (run, chunk) in self.filling.iter().filter(|(_, c)| c.unwritten) {
            forgive(write_chunk(tx, run, chunk), "a chunk of readings")?;
        }
        for run in &self.ended {
            sealed(seal::seal(tx, run, false), "run", run)?;
        }
        for (job, step) in &self.jobs_ended {
            let done = match step {
                Some(step) => seal_job::seal_step(tx, job, *step),
                None => seal_job::seal(tx, job, false),
            };
            sealed(done, "job", job)?;
        }
        Ok(())
    }

    /// Writes what matters most and takes least room: charges, ends, events, alarms.
    ///
    /// # Errors
    /// As [`Backlog::write`].
    pub fn write_accounts(&self, tx: &Transaction<'_>, now: &str) -> rusqlite::Result<()> {
        for (run, sum) in &self.charges {
            let mut update = tx.prepare_cached(
                "UPDATE tank_charge SET charge_microcoulombs = MAX(charge_microcoulombs, ?2),
                        unobserved_milliseconds = MAX(unobserved_milliseconds, ?3),
                        worked_milliseconds = MAX(worked_milliseconds, ?4), updated_utc = ?5
                 WHERE run_id = ?1",
            )?;
            forgive(
                update.execute(params![
                    run,
                    sum.microcoulombs,
                    sum.unobserved_milliseconds,
                    sum.worked_milliseconds,
                    now
                ]),
                "a charge",
            )?;
        }
        self.lines.iter().try_for_each(|line| write_line(tx, line))
    }

    /// Forgets what [`Backlog::write`] wrote.
    pub fn written(&mut self) {
        self.accounts_written();
        self.full.clear();
        self.ended.clear();
        self.jobs_ended.clear();
        for chunk in self.filling.values_mut() {
            chunk.unwritten = false;
        }
        self.lost = 0;
    }

    /// Forgets what [`Backlog::write_accounts`] wrote.
    pub fn accounts_written(&mut self) {
        self.charges.clear();
        self.lines.clear();
    }
}

/// A line that comes after its run was sealed is kept, but no longer as that run's: a seal covers all that bears the
/// run's id.
fn write_line(tx: &Transaction<'_>, line: &Line) -> rusqlite::Result<()> {
    match line {
        Line::Row(Row::Phase(p)) => {
            let mut insert = tx.prepare_cached(
                "INSERT INTO run_step (run_id, number, began_utc, began_milliseconds, state, phase, why)
                 SELECT ?1, COALESCE(MAX(number), 0) + 1, ?2, ?3, ?4, ?5, ?6 FROM run_step WHERE run_id = ?1
                 HAVING NOT EXISTS (SELECT 1 FROM record WHERE run_id = ?1 AND kind = 'run')",
            )?;
            forgive(
                insert.execute(params![p.run, p.at, millis(p.since_start), p.state, p.phase, p.why]),
                "a stage",
            )
        }
        Line::Row(Row::Event(e)) => {
            let mut insert = tx.prepare_cached(
                "INSERT INTO event (at_utc, monotonic_milliseconds, station, run_id, kind, text)
                 VALUES (?1, ?2, ?3, (SELECT ?4 WHERE NOT EXISTS
                         (SELECT 1 FROM record WHERE run_id = ?4 AND kind = 'run')), ?5, ?6)",
            )?;
            forgive(
                insert.execute(params![e.at, e.monotonic_milliseconds, e.station, e.run, e.kind, e.text]),
                "an event",
            )
        }
        Line::Row(Row::Alarm(a)) => {
            let mut insert = tx.prepare_cached(
                "INSERT INTO alarm (at_utc, monotonic_milliseconds, station, run_id, watch, from_state,
                                    to_state, priority, text, by, note)
                 VALUES (?1, ?2, ?3, (SELECT ?4 WHERE NOT EXISTS
                         (SELECT 1 FROM record WHERE run_id = ?4 AND kind = 'run')), ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
            )?;
            let row = params![
                a.at,
                a.monotonic_milliseconds,
                a.station,
                a.run,
                a.watch,
                a.from,
                a.to,
                a.priority,
                a.text,
                a.by,
                a.note
            ];
            forgive(insert.execute(row), "an alarm")
        }
        Line::Row(Row::Audit(a)) => forgive(super::gate::write_audit(tx, a), "a line of the audit"),
        Line::Row(Row::JobStep(step)) => forgive(job::write_step(tx, step), "a step"),
        Line::Row(Row::JobEvent { job, event }) => {
            forgive(job::write_event(tx, job, event), "an event of a job")
        }
        Line::JobEnd(end) => forgive(job::write_end(tx, end), "the end of a job"),
        Line::Row(Row::Reading { .. } | Row::Charge { .. }) => Ok(()),
        Line::End(e) => {
            // The first end counts: a run that is closed stays as it was closed.
            let mut update = tx.prepare_cached(
                "UPDATE run SET state = ?2, ended_utc = ?3, cause = ?4, load_slope_ohm_square_meters = ?5
                 WHERE id = ?1 AND state = 'running'",
            )?;
            forgive(
                update.execute(params![e.id, e.state, e.ended, e.cause, e.load_slope]),
                "the end of a run",
            )
        }
    }
}

fn write_chunk(tx: &Transaction<'_>, run: &str, chunk: &Chunk) -> rusqlite::Result<usize> {
    fn json<T: serde::Serialize>(column: &[T]) -> rusqlite::Result<String> {
        serde_json::to_string(column).map_err(|e| rusqlite::Error::ToSqlConversionFailure(e.into()))
    }
    let mut upsert = tx.prepare_cached(
        "INSERT INTO reading_chunk (run_id, number, format, readings, milliseconds, millivolts,
                                    tenth_milliamperes, setpoint_tenth_milliamperes,
                                    ceiling_millivolts, bath_hundredth_celsius)
         VALUES (?1, ?2, 1, ?3, ?4, ?5, ?6, ?7, ?8, ?9)
         ON CONFLICT (run_id, number) DO UPDATE SET
             readings = excluded.readings, milliseconds = excluded.milliseconds,
             millivolts = excluded.millivolts, tenth_milliamperes = excluded.tenth_milliamperes,
             setpoint_tenth_milliamperes = excluded.setpoint_tenth_milliamperes,
             ceiling_millivolts = excluded.ceiling_millivolts,
             bath_hundredth_celsius = excluded.bath_hundredth_celsius",
    )?;
    let r = &chunk.readings;
    upsert.execute(params![
        run,
        chunk.number,
        i64::try_from(r.len()).unwrap_or(i64::MAX),
        json(&r.milliseconds)?,
        json(&r.millivolts)?,
        json(&r.tenth_milliamperes)?,
        json(&r.setpoint_tenth_milliamperes)?,
        json(&r.ceiling_millivolts)?,
        json(&r.bath_hundredth_celsius)?,
    ])
}

/// The disk is asked again; what cannot be read is left to the next start.
fn sealed(done: rusqlite::Result<()>, what: &str, id: &str) -> rusqlite::Result<()> {
    match done {
        Err(e) if e.sqlite_error_code().is_some() && !is_bad_row(&e) => return Err(e),
        Err(e) => tracing::error!("ledger: {what} {id} could not be sealed: {e}"),
        Ok(()) => {}
    }
    Ok(())
}

/// A row that no disk would take must not keep the others from being written.
fn forgive(result: rusqlite::Result<usize>, what: &str) -> rusqlite::Result<()> {
    match result {
        Ok(_) => Ok(()),
        Err(e) if is_bad_row(&e) => {
            tracing::error!("ledger: {what} could not be written and is left out: {e}");
            Ok(())
        }
        Err(e) => Err(e),
    }
}

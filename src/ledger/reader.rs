//! Reading, on connections of its own that can never write.

use super::rows::{AlarmRow, CommissioningRow, EventRow, ReadingRow, RunRow, StageRow, TankRow};
use super::{LedgerError, error, packed};
use rusqlite::{Connection, OpenFlags, OptionalExtension, Row, params};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Connections kept for the next question.
const KEEP: usize = 4;

/// Asks the ledger. Every call blocks while it reads, in a transaction that ends
/// with it, so that no reader keeps the write-ahead log from being folded in.
/// Works beside a daemon that writes, and without one.
#[derive(Clone, Debug)]
pub struct Reader {
    path: Arc<PathBuf>,
    idle: Arc<Mutex<Vec<Connection>>>,
}

impl Reader {
    /// A reader of the ledger in that file. Opens nothing yet.
    pub fn new(path: &Path) -> Self {
        Reader { path: Arc::new(path.into()), idle: Arc::default() }
    }

    /// One run, or `None` if there is none of that id.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn run(&self, id: &str) -> Result<Option<RunRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(&format!("{RUN} WHERE r.id = ?1"))?.query_row([id], run_row).optional()
        })
    }

    /// All the readings of a run, oldest first; empty if there is no such run.
    ///
    /// # Errors
    /// [`LedgerError::Read`], also for a chunk that was packed in a way we do not know.
    pub fn readings(&self, id: &str) -> Result<Vec<ReadingRow>, LedgerError> {
        self.with(|db| {
            let tx = db.unchecked_transaction()?;
            packed::read(&tx, id)
        })
    }

    /// Every tank that has ever worked, by name.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn tanks(&self) -> Result<Vec<TankRow>, LedgerError> {
        self.with(tanks)
    }

    /// What a tank worked in each of the newest `limit` days (`letters` 10) or months (`letters` 7) by UTC in which it
    /// worked at all, oldest first, C. A run counts whole on the day it started.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn worked(&self, tank: &str, letters: u32, limit: u32) -> Result<Vec<(String, f64)>, LedgerError> {
        let mut days: Vec<(String, f64)> = self.with(|db| {
            db.prepare_cached(
                "SELECT SUBSTR(r.started_utc, 1, ?2) AS day, SUM(c.charge_microcoulombs)
                 FROM tank_charge AS c JOIN run AS r ON r.id = c.run_id
                 WHERE c.tank = ?1 GROUP BY day ORDER BY day DESC LIMIT ?3",
            )?
            .query_map(params![tank, letters, limit], |row| {
                Ok((row.get(0)?, row.get::<_, i64>(1)? as f64 / 1e6))
            })?
            .collect()
        })?;
        days.reverse();
        Ok(days)
    }

    /// The stages of a run, oldest first.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn stages(&self, id: &str) -> Result<Vec<StageRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(STAGES)?
                .query_map([id], |row| {
                    let milliseconds: i64 = row.get(0)?;
                    Ok(StageRow {
                        seconds: milliseconds as f64 / 1e3,
                        state: row.get(1)?,
                        phase: row.get(2)?,
                    })
                })?
                .collect()
        })
    }

    /// Order and slope times area (ohm m2) of that tank's complete runs that have one, newest first.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn slopes(&self, tank: &str, limit: u32) -> Result<Vec<(String, f64)>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(SLOPES)?
                .query_map(params![tank, limit], |row| Ok((row.get(0)?, row.get(1)?)))?
                .collect()
        })
    }

    /// The newest commissioning of a station, if there was one.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn commissioning(&self, station: &str) -> Result<Option<CommissioningRow>, LedgerError> {
        self.with(|db| {
            db.query_row(
                "SELECT station, at_utc, done_by, identity, dialect, passed, off_milliseconds, result_json \
                 FROM commissioning WHERE station = ?1 ORDER BY id DESC LIMIT 1",
                [station],
                |row| {
                    Ok(CommissioningRow {
                        station: row.get(0)?,
                        at: row.get(1)?,
                        by: row.get(2)?,
                        identity: row.get(3)?,
                        dialect: row.get(4)?,
                        passed: row.get(5)?,
                        off_milliseconds: row.get(6)?,
                        result_json: row.get(7)?,
                    })
                },
            )
            .optional()
        })
    }

    /// The alarm changes of a run, oldest first.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn alarms_of(&self, run: &str) -> Result<Vec<AlarmRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(&format!("{ALARM} WHERE run_id = ?1 ORDER BY id"))?
                .query_map([run], alarm_row)?
                .collect()
        })
    }

    /// The newest `limit` alarm changes, newest first.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn alarms(&self, limit: u32) -> Result<Vec<AlarmRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(&format!("{ALARM} ORDER BY id DESC LIMIT ?1"))?
                .query_map([limit], alarm_row)?
                .collect()
        })
    }

    /// Alarm changes from that wall time (RFC 3339 UTC) on, oldest first, at most `limit`.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn alarms_since(&self, from: &str, limit: u32) -> Result<Vec<AlarmRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(&format!("{ALARM} WHERE at_utc >= ?1 ORDER BY id LIMIT ?2"))?
                .query_map(params![from, limit], alarm_row)?
                .collect()
        })
    }

    /// The alarm changes of a run, oldest first.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn alarms_of_run(&self, run: &str) -> Result<Vec<AlarmRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(&format!("{ALARM} WHERE run_id = ?1 ORDER BY id"))?
                .query_map([run], alarm_row)?
                .collect()
        })
    }

    /// The last change of each of that station's alarms which the journal does not leave normal.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn alarms_left(&self, station: &str) -> Result<Vec<AlarmRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(&format!(
                "{ALARM} WHERE id IN (SELECT MAX(id) FROM alarm WHERE station = ?1 GROUP BY watch)
                 AND to_state <> 'normal' ORDER BY id"
            ))?
            .query_map([station], alarm_row)?
            .collect()
        })
    }

    /// The newest `limit` events, newest first; with `run`, that run's only.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn events(&self, run: Option<&str>, limit: u32) -> Result<Vec<EventRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(if run.is_some() { EVENTS_OF_RUN } else { EVENTS })?
                .query_map(params![run, limit], |row| {
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

    /// Copies the ledger as it stands into `to`, whole or not at all; writing goes on meanwhile.
    ///
    /// # Errors
    /// [`LedgerError::Folder`] if the copy cannot be made there, [`LedgerError::Read`] if the ledger cannot be read.
    pub fn backup(&self, to: &Path) -> Result<(), LedgerError> {
        let failed = |why: String| LedgerError::Folder { path: to.into(), why };
        let mut part = to.as_os_str().to_owned();
        part.push(".part");
        let part = PathBuf::from(part);
        let copied = self.with(|db| {
            let mut copy = Connection::open(&part)?;
            let backup = rusqlite::backup::Backup::new(db, &mut copy)?;
            backup.run_to_completion(1_000, Duration::from_millis(5), None)
        });
        let placed = copied.and_then(|()| {
            std::fs::File::open(&part)
                .and_then(|f| f.sync_all())
                .and_then(|()| std::fs::rename(&part, to))
                .and_then(|()| super::handle::sync_folder(to))
                .map_err(|e| failed(e.to_string()))
        });
        if placed.is_err() {
            // Best effort: the first error is the one to tell.
            let _ = std::fs::remove_file(&part);
        }
        placed
    }

    pub(super) fn with<T>(
        &self,
        ask: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, LedgerError> {
        let read = |e: rusqlite::Error| LedgerError::Read(e.to_string());
        let idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let db = match idle {
            Some(db) => db,
            None => {
                let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
                let db = Connection::open_with_flags(&*self.path, flags).map_err(read)?;
                db.busy_timeout(Duration::from_secs(1)).map_err(read)?;
                db
            }
        };
        let answer = ask(&db).map_err(read);
        let mut idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner);
        if answer.is_ok() && idle.len() < KEEP {
            idle.push(db);
        }
        answer
    }

    /// Lets go of every idle connection.
    pub(super) fn close(&self) {
        self.idle.lock().unwrap_or_else(PoisonError::into_inner).clear();
    }
}

/// Every id sorts before this one.
pub(super) const PAGE: &str = " WHERE r.id < COALESCE(?1, '~') ORDER BY r.id DESC LIMIT ?2";
pub(super) const EVENTS: &str =
    "SELECT at_utc, monotonic_milliseconds, station, run_id, kind, text FROM event
 WHERE ?1 IS NULL ORDER BY id DESC LIMIT ?2";
pub(super) const EVENTS_OF_RUN: &str =
    "SELECT at_utc, monotonic_milliseconds, station, run_id, kind, text FROM event
 WHERE run_id = ?1 ORDER BY id DESC LIMIT ?2";
pub(super) const STAGES: &str =
    "SELECT began_milliseconds, state, phase FROM run_step WHERE run_id = ?1 ORDER BY number";
pub(super) const SLOPES: &str = "SELECT order_json, load_slope_ohm_square_meters FROM run
 WHERE tank = ?1 AND state = 'complete' AND load_slope_ohm_square_meters > 0
 ORDER BY id DESC LIMIT ?2";
pub(super) const TANKS: &str =
    "SELECT c.tank, SUM(c.charge_microcoulombs),
       SUM(c.unobserved_milliseconds) + COALESCE((SELECT SUM(json_extract(e.content, '$.milliseconds'))
           FROM record AS e JOIN run AS r ON r.id = e.run_id WHERE e.kind = 'unobserved' AND r.tank = c.tank), 0),
       COUNT(*)
 FROM tank_charge AS c GROUP BY c.tank ORDER BY c.tank";

/// The accounts, from the one table that holds them.
pub(super) fn tanks(db: &Connection) -> rusqlite::Result<Vec<TankRow>> {
    db.prepare_cached(TANKS)?
        .query_map([], |row| {
            let charge: i64 = row.get(1)?;
            let unobserved: i64 = row.get(2)?;
            Ok(TankRow {
                tank: row.get(0)?,
                charge_coulombs: charge as f64 / 1e6,
                charge_microcoulombs: charge,
                unobserved_seconds: unobserved as f64 / 1e3,
                runs: row.get::<_, i64>(3)?.unsigned_abs(),
            })
        })?
        .collect()
}

pub(super) const ALARM: &str =
    "SELECT at_utc, monotonic_milliseconds, station, run_id, watch, from_state, to_state, priority,
            text, by, note, id
     FROM alarm";

pub(super) fn alarm_row(row: &Row<'_>) -> rusqlite::Result<AlarmRow> {
    Ok(AlarmRow {
        at: row.get(0)?,
        monotonic_milliseconds: row.get(1)?,
        station: row.get(2)?,
        run: row.get(3)?,
        watch: row.get(4)?,
        from: row.get(5)?,
        to: row.get(6)?,
        priority: row.get(7)?,
        text: row.get(8)?,
        by: row.get(9)?,
        note: row.get(10)?,
    })
}

pub(super) const RUN: &str =
    "SELECT r.id, r.station, r.tank, r.title, r.started_by, r.started_utc, r.ended_utc, r.state,
       r.cause, c.charge_microcoulombs, r.target_microcoulombs,
       c.unobserved_milliseconds + COALESCE((SELECT SUM(json_extract(e.content, '$.milliseconds')) FROM record AS e
           WHERE e.run_id = r.id AND e.kind = 'unobserved'), 0),
       c.worked_milliseconds, r.area_square_meters, r.parts, r.metal, r.thickness_meters_per_coulomb,
       r.continues, r.order_json, r.load_slope_ohm_square_meters, r.job_id, r.lot, r.customer
FROM run AS r JOIN tank_charge AS c ON c.run_id = r.id AND c.tank = r.tank";

pub(super) fn run_row(row: &Row<'_>) -> rusqlite::Result<RunRow> {
    let coulombs = |micro: i64| micro as f64 / 1e6;
    let seconds = |millis: i64| millis as f64 / 1e3;
    let charge = coulombs(row.get(9)?);
    Ok(RunRow {
        id: row.get(0)?,
        station: row.get(1)?,
        tank: row.get(2)?,
        title: row.get(3)?,
        started_by: row.get(4)?,
        started: row.get(5)?,
        ended: row.get(6)?,
        state: row.get(7)?,
        cause: row.get(8)?,
        charge_coulombs: charge,
        target_coulombs: row.get::<_, Option<i64>>(10)?.map(coulombs),
        unobserved_seconds: seconds(row.get(11)?),
        worked_seconds: seconds(row.get(12)?),
        area_square_meters: row.get(13)?,
        parts: row.get(14)?,
        metal: row.get(15)?,
        thickness_meters: row.get::<_, Option<f64>>(16)?.map(|each| each * charge),
        continues: row.get(17)?,
        order_json: row.get(18)?,
        load_slope_ohm_square_meters: row.get(19)?,
        job: row.get(20)?,
        lot: row.get(21)?,
        customer: row.get(22)?,
    })
}

/// Whether a read error means that the file itself is bad.
pub(super) fn damaged(e: &rusqlite::Error) -> Option<String> {
    use rusqlite::ErrorCode::{DatabaseCorrupt, NotADatabase};
    matches!(e.sqlite_error_code(), Some(DatabaseCorrupt | NotADatabase)).then(|| error::words(e))
}

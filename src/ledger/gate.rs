//! What the way in keeps: who did what, starts that may be asked again, and where a reader of events had got to.

use super::reader::{ALARM, alarm_row};
use super::rows::{AlarmRow, EventRow};
use super::writer::{Message, now_utc};
use super::{Ledger, LedgerError, Reader};
use rusqlite::{Connection, OptionalExtension, Transaction, params};
use serde::Serialize;

/// Rows of the audit that are kept; a bench fills this in years.
const MOST_AUDIT: i64 = 200_000;
/// Keys of starts that are kept, and for how many hours.
const MOST_KEYS: i64 = 1_000;
const KEY_HOURS: i64 = 24;

/// One request that could change something, and what came of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct AuditRow {
    /// Counted from 1 in the order of writing.
    pub id: i64,
    /// RFC 3339 UTC.
    pub at: String,
    /// Name of the token; none where none was needed.
    pub token: Option<String>,
    /// The person named in the request.
    pub by: Option<String>,
    /// Where it came from.
    pub address: String,
    /// Method and path.
    pub what: String,
    /// Of the answer.
    pub status: u16,
    /// Of the problem, if it was one.
    pub code: Option<String>,
}

/// A start that was asked for under a key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OnceRow {
    /// SHA-256 of the body.
    pub request: String,
    /// Status and body of the answer; none while it is not known.
    pub answer: Option<(u16, String)>,
}

/// What is written about a key.
pub(super) enum Once {
    Begin { station: String, key: String, request: String },
    End { station: String, key: String, status: u16, answer: String },
}

impl Ledger {
    /// Writes that a start was asked for under that key, and returns when the disk has it. Old keys go.
    ///
    /// # Errors
    /// Whatever keeps it from being written, also that the key is there already.
    pub async fn once_begin(&self, station: &str, key: &str, request: &str) -> Result<(), LedgerError> {
        let deed = Once::Begin { station: station.into(), key: key.into(), request: request.into() };
        self.ask(|reply| Message::Once(Box::new(deed), reply)).await
    }

    /// Writes what was answered, and returns when the disk has it.
    ///
    /// # Errors
    /// Whatever keeps it from being written.
    pub async fn once_end(
        &self,
        station: &str,
        key: &str,
        status: u16,
        answer: &str,
    ) -> Result<(), LedgerError> {
        let deed = Once::End { station: station.into(), key: key.into(), status, answer: answer.into() };
        self.ask(|reply| Message::Once(Box::new(deed), reply)).await
    }
}

impl Reader {
    /// What is known of that key at that station.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn once(&self, station: &str, key: &str) -> Result<Option<OnceRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached("SELECT request, status, answer FROM once WHERE station = ?1 AND key = ?2")?
                .query_row([station, key], |row| {
                    let (status, answer): (Option<u16>, Option<String>) = (row.get(1)?, row.get(2)?);
                    Ok(OnceRow { request: row.get(0)?, answer: status.zip(answer) })
                })
                .optional()
        })
    }

    /// The newest `limit` rows of the audit, newest first; with `before`, those older than that one.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn audit(&self, limit: u32, before: Option<i64>) -> Result<Vec<AuditRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(
                "SELECT id, at_utc, token, by, address, what, status, code FROM audit
                 WHERE ?1 IS NULL OR id < ?1 ORDER BY id DESC LIMIT ?2",
            )?
            .query_map(params![before, limit], |row| {
                Ok(AuditRow {
                    id: row.get(0)?,
                    at: row.get(1)?,
                    token: row.get(2)?,
                    by: row.get(3)?,
                    address: row.get(4)?,
                    what: row.get(5)?,
                    status: row.get(6)?,
                    code: row.get(7)?,
                })
            })?
            .collect()
        })
    }

    /// The last event and the last alarm change so far, by number; 0 where there is none.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn newest(&self) -> Result<(i64, i64), LedgerError> {
        self.with(|db| {
            db.query_row(
                "SELECT (SELECT COALESCE(MAX(id), 0) FROM event), (SELECT COALESCE(MAX(id), 0) FROM alarm)",
                [],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
        })
    }

    /// Events after that number, oldest first, at most `limit`.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn events_after(&self, id: i64, limit: u32) -> Result<Vec<(i64, EventRow)>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(
                "SELECT at_utc, monotonic_milliseconds, station, run_id, kind, text, id FROM event
                 WHERE id > ?1 ORDER BY id LIMIT ?2",
            )?
            .query_map(params![id, limit], |row| {
                let event = EventRow {
                    at: row.get(0)?,
                    monotonic_milliseconds: row.get(1)?,
                    station: row.get(2)?,
                    run: row.get(3)?,
                    kind: row.get(4)?,
                    text: row.get(5)?,
                };
                Ok((row.get(6)?, event))
            })?
            .collect()
        })
    }

    /// Alarm changes after that number, oldest first, at most `limit`.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn alarms_after(&self, id: i64, limit: u32) -> Result<Vec<(i64, AlarmRow)>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(&format!("{ALARM} WHERE id > ?1 ORDER BY id LIMIT ?2"))?
                .query_map(params![id, limit], |row| Ok((row.get(11)?, alarm_row(row)?)))?
                .collect()
        })
    }
}

pub(super) fn write_audit(tx: &Transaction<'_>, row: &AuditRow) -> rusqlite::Result<usize> {
    tx.prepare_cached(
        "INSERT INTO audit (at_utc, token, by, address, what, status, code) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    )?
    .execute(params![row.at, row.token, row.by, row.address, row.what, row.status, row.code])?;
    tx.prepare_cached("DELETE FROM audit WHERE id <= ?1")?.execute([tx.last_insert_rowid() - MOST_AUDIT])
}

pub(super) fn write_once(db: &mut Connection, deed: &Once) -> Result<(), LedgerError> {
    let written = match deed {
        Once::Begin { station, key, request } => begin(db, station, key, request),
        Once::End { station, key, status, answer } => db
            .execute(
                "UPDATE once SET status = ?3, answer = ?4 WHERE station = ?1 AND key = ?2",
                params![station, key, status, answer],
            )
            .map(|_| ()),
    };
    written.map_err(|e| LedgerError::Write(super::error::words(&e)))
}

fn begin(db: &mut Connection, station: &str, key: &str, request: &str) -> rusqlite::Result<()> {
    let now = now_utc();
    let old = now.parse().map_or(now.clone(), |at: jiff::Timestamp| {
        format!("{:.3}", at - jiff::SignedDuration::from_hours(KEY_HOURS))
    });
    let tx = db.transaction()?;
    tx.execute("DELETE FROM once WHERE at_utc < ?1", [old])?;
    tx.execute(
        "DELETE FROM once WHERE (station, key) IN (SELECT station, key FROM once ORDER BY at_utc DESC LIMIT -1 OFFSET ?1)",
        [MOST_KEYS - 1],
    )?;
    tx.execute(
        "INSERT INTO once (station, key, at_utc, request) VALUES (?1, ?2, ?3, ?4)",
        params![station, key, now, request],
    )?;
    tx.commit()
}

#[cfg(test)]
mod tests {
    use super::super::rows::Row;
    use super::*;

    fn row(what: &str) -> AuditRow {
        AuditRow {
            id: 0,
            at: "2026-01-01T00:00:00.000Z".into(),
            token: Some("tablet".into()),
            by: Some("mila".into()),
            address: "192.0.2.7".into(),
            what: what.into(),
            status: 200,
            code: None,
        }
    }

    #[tokio::test]
    async fn who_did_what_is_read_back_newest_first_and_page_by_page() {
        let folder = tempfile::tempdir().unwrap();
        let (ledger, _) = Ledger::open(&folder.path().join("l.sqlite")).unwrap();
        for n in 0..5 {
            ledger.record(Row::Audit(row(&format!("POST /{n}"))));
        }
        ledger.sync().await.unwrap();
        let first = ledger.reader().audit(2, None).unwrap();
        assert_eq!(first.iter().map(|r| r.what.as_str()).collect::<Vec<_>>(), ["POST /4", "POST /3"]);
        let next = ledger.reader().audit(9, Some(first[1].id)).unwrap();
        assert_eq!(
            next.iter().map(|r| r.what.as_str()).collect::<Vec<_>>(),
            ["POST /2", "POST /1", "POST /0"]
        );
        assert_eq!((next[0].token.as_deref(), next[0].by.as_deref()), (Some("tablet"), Some("mila")));
    }

    #[tokio::test]
    async fn key_survives_a_restart_and_a_thousand_later_ones_push_it_out() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("l.sqlite");
        let (ledger, _) = Ledger::open(&path).unwrap();
        ledger.once_begin("bench", "k", "hash").await.unwrap();
        assert!(ledger.once_begin("bench", "k", "other").await.is_err(), "one key, one start");
        ledger.once_begin("attic", "k", "other").await.unwrap();
        ledger.close().await.unwrap();
        let (ledger, _) = Ledger::open(&path).unwrap();
        let asked = ledger.reader().once("bench", "k").unwrap().unwrap();
        assert_eq!(asked, OnceRow { request: "hash".into(), answer: None });
        ledger.once_end("bench", "k", 200, "{}").await.unwrap();
        let asked = ledger.reader().once("bench", "k").unwrap().unwrap();
        assert_eq!(asked.answer, Some((200, "{}".into())));
        for n in 0..MOST_KEYS {
            ledger.once_begin("bench", &n.to_string(), "hash").await.unwrap();
        }
        assert_eq!(ledger.reader().once("bench", "k").unwrap(), None);
        assert!(ledger.reader().once("bench", "0").unwrap().is_some());
    }
}

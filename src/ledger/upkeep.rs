//! Additions: what a person put in or did, and takes back.

use super::writer::{Message, now_utc};
use super::{Ledger, LedgerError, Reader};
use rusqlite::{Connection, OptionalExtension, Row, params};
use serde::Serialize;

/// What a person put into a tank, or did to it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct AdditionRow {
    /// Counted from 1 in the order of writing.
    pub id: i64,
    /// RFC 3339 UTC.
    pub at: String,
    /// Tank.
    pub tank: String,
    /// The rule's name.
    pub what: String,
    /// How much, with its unit; empty where the rule has no dose.
    pub amount: String,
    /// The tank's account then.
    pub tank_microcoulombs: i64,
    /// Who.
    pub by: String,
    /// Their note.
    pub note: Option<String>,
    /// When it was taken back, if it was.
    pub undone: Option<String>,
}

/// What a tank worked of late.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PaceRow {
    /// Tank.
    pub tank: String,
    /// Charge of the runs that were worked since the time asked for.
    pub microcoulombs: i64,
    /// When it first worked (RFC 3339 UTC).
    pub first: String,
}

/// What is written.
pub(super) enum Deed {
    Log { row: AdditionRow, unobserved_milliseconds: i64 },
    Undo { id: i64, by: String },
}

impl Ledger {
    /// Writes that a person did what a rule asks for, and returns when the disk has it. The account is taken as it
    /// stands now, runs that are being worked included.
    ///
    /// # Errors
    /// Whatever keeps it from being written.
    pub async fn log_addition(
        &self,
        tank: &str,
        what: &str,
        amount: &str,
        by: &str,
        note: Option<&str>,
    ) -> Result<(), LedgerError> {
        let account = self.account(tank);
        let row = AdditionRow {
            id: 0,
            at: String::new(),
            tank: tank.into(),
            what: what.into(),
            amount: amount.into(),
            tank_microcoulombs: account.charge_microcoulombs,
            by: by.into(),
            note: note.map(Into::into),
            undone: None,
        };
        // Whole milliseconds come back whole: f64 holds them exactly for 285,000 years.
        let unobserved_milliseconds = (account.unobserved_seconds * 1e3).round() as i64;
        let deed = Deed::Log { row, unobserved_milliseconds };
        self.ask(|reply| Message::Addition(Box::new(deed), reply)).await
    }

    /// Marks an addition as taken back; it stays on record. One that is already taken back is left as it is.
    ///
    /// # Errors
    /// Whatever keeps it from being written.
    pub async fn undo_addition(&self, id: i64, by: &str) -> Result<(), LedgerError> {
        let deed = Deed::Undo { id, by: by.into() };
        self.ask(|reply| Message::Addition(Box::new(deed), reply)).await
    }
}

impl Reader {
    /// The newest addition of each kind in each tank, those taken back left out.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn last_done(&self) -> Result<Vec<AdditionRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(&format!(
                "{ADDITION} WHERE id IN (SELECT MAX(id) FROM addition WHERE undone_utc IS NULL GROUP BY tank, what)
                 ORDER BY tank, what"
            ))?
            .query_map([], addition)?
            .collect()
        })
    }

    /// The newest `limit` additions of a tank, newest first, those taken back too.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn additions(&self, tank: &str, limit: u32) -> Result<Vec<AdditionRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(&format!("{ADDITION} WHERE tank = ?1 ORDER BY id DESC LIMIT ?2"))?
                .query_map(params![tank, limit], addition)?
                .collect()
        })
    }

    /// The newest addition of a tank that was not taken back.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn last_addition(&self, tank: &str) -> Result<Option<AdditionRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(&format!(
                "{ADDITION} WHERE tank = ?1 AND undone_utc IS NULL ORDER BY id DESC LIMIT 1"
            ))?
            .query_row([tank], addition)
            .optional()
        })
    }

    /// What each tank worked since that time (RFC 3339 UTC, to the millisecond). A run counts whole if it ended later.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn pace(&self, from: &str) -> Result<Vec<PaceRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(PACE)?
                .query_map([from], |row| {
                    Ok(PaceRow { tank: row.get(0)?, microcoulombs: row.get(1)?, first: row.get(2)? })
                })?
                .collect()
        })
    }
}

pub(super) const PACE: &str =
    "SELECT tank, SUM(CASE WHEN updated_utc >= ?1 THEN charge_microcoulombs ELSE 0 END), MIN(updated_utc)
 FROM tank_charge GROUP BY tank";

const ADDITION: &str =
    "SELECT id, at_utc, tank, what, amount, tank_microcoulombs, by, note, undone_utc FROM addition";

fn addition(row: &Row<'_>) -> rusqlite::Result<AdditionRow> {
    Ok(AdditionRow {
        id: row.get(0)?,
        at: row.get(1)?,
        tank: row.get(2)?,
        what: row.get(3)?,
        amount: row.get(4)?,
        tank_microcoulombs: row.get(5)?,
        by: row.get(6)?,
        note: row.get(7)?,
        undone: row.get(8)?,
    })
}

/// On the ledger's thread.
pub(super) fn write(db: &mut Connection, deed: &Deed) -> Result<(), LedgerError> {
    let failed = |e: rusqlite::Error| LedgerError::Write(e.to_string());
    let tx = db.transaction().map_err(failed)?;
    carried_out(&tx, deed).and_then(|()| tx.commit()).map_err(failed)
}

fn carried_out(db: &Connection, deed: &Deed) -> rusqlite::Result<()> {
    match deed {
        Deed::Log { row, unobserved_milliseconds } => db.execute(
            "INSERT INTO addition (at_utc, tank, what, amount, tank_microcoulombs, by, note,
                                   tank_unobserved_milliseconds)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
            params![
                now_utc(),
                row.tank,
                row.what,
                row.amount,
                row.tank_microcoulombs,
                row.by,
                row.note,
                unobserved_milliseconds
            ],
        ),
        Deed::Undo { id, by } => db.execute(
            "UPDATE addition SET undone_utc = ?2, undone_by = ?3 WHERE id = ?1 AND undone_utc IS NULL",
            params![id, now_utc(), by],
        ),
    }?;
    if let Deed::Undo { id, by } = deed {
        // What was found goes with the entry that it made.
        db.execute(
            "UPDATE finding SET undone_utc = ?2, undone_by = ?3 WHERE addition_id = ?1 AND undone_utc IS NULL",
            params![id, now_utc(), by],
        )?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::RunEnd;
    use super::super::tests::{end, start};
    use super::*;
    use std::time::Duration;

    async fn run(ledger: &Ledger, id: &str, tank: &str, microcoulombs: i64) {
        ledger.begin(start(id, tank)).await.unwrap();
        let end = RunEnd { unobserved: Duration::ZERO, ..end(id, microcoulombs) };
        ledger.finish(end).await.unwrap();
    }

    #[tokio::test]
    async fn each_tank_keeps_its_own_account_and_the_newest_log_that_stands() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("l.sqlite");
        let (ledger, _) = Ledger::open(&path).unwrap();
        run(&ledger, "a", "nickel", 2_000_000).await;
        run(&ledger, "b", "silver", 5_000_000).await;
        ledger.log_addition("nickel", "brightener", "15 mL", "mila", None).await.unwrap();
        run(&ledger, "c", "nickel", 1_000_000).await;
        ledger.log_addition("nickel", "brightener", "16 mL", "jonas", Some("new bottle")).await.unwrap();
        ledger.log_addition("silver", "brightener", "", "jonas", None).await.unwrap();
        let done = |ledger: &Ledger| -> Vec<_> {
            let rows = ledger.reader().last_done().unwrap();
            rows.into_iter().map(|r| (r.tank, r.amount, r.tank_microcoulombs)).collect()
        };
        let silver = ("silver".to_owned(), String::new(), 5_000_000);
        assert_eq!(done(&ledger), [("nickel".into(), "16 mL".into(), 3_000_000), silver.clone()]);

        let last = ledger.reader().last_addition("nickel").unwrap().unwrap();
        ledger.undo_addition(last.id, "mila").await.unwrap();
        assert_eq!(done(&ledger), [("nickel".into(), "15 mL".into(), 2_000_000), silver]);
        let all = ledger.reader().additions("nickel", 9).unwrap();
        assert_eq!(all.len(), 2, "what was taken back stays on record");
        let undone = all[0].undone.clone();
        assert!(undone.is_some() && all[1].undone.is_none());
        ledger.undo_addition(last.id, "somebody else").await.unwrap();
        assert_eq!(
            ledger.reader().additions("nickel", 9).unwrap()[0].undone,
            undone,
            "the first undo stands"
        );

        // The view for people with a shell agrees.
        let view: i64 = Connection::open(&path)
            .unwrap()
            .query_row("SELECT done_at_microcoulombs FROM upkeep WHERE tank = 'nickel'", [], |row| row.get(0))
            .unwrap();
        assert_eq!(view, 2_000_000);
    }

    #[tokio::test]
    async fn pace_counts_what_was_worked_since_and_nothing_older() {
        let folder = tempfile::tempdir().unwrap();
        let (ledger, _) = Ledger::open(&folder.path().join("l.sqlite")).unwrap();
        run(&ledger, "a", "nickel", 2_000_000).await;
        run(&ledger, "b", "nickel", 3_000_000).await;
        let pace = |from: &str| ledger.reader().pace(from).unwrap()[0].microcoulombs;
        assert_eq!(pace("2000-01-01T00:00:00.000Z"), 5_000_000);
        assert_eq!(pace("9999-01-01T00:00:00.000Z"), 0);
        let first = ledger.reader().pace("9999-01-01T00:00:00.000Z").unwrap()[0].first.clone();
        assert!(first.as_str() > "2026" && first.ends_with('Z'), "{first}");
    }
}

//! A tank's account in its parts: by day, by month, by part, and since each thing that was done to it.
//!
//! All of it is summed from the runs' own rows when it is asked for; nothing is
//! kept beside them that could differ.

use super::{LedgerError, Reader, TankRow};
use rusqlite::{Connection, params};
use serde::Serialize;

/// By what an account is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TallyBy {
    /// The day of a run's last charge, in this machine's time zone.
    Day,
    /// The month of it.
    Month,
    /// Part number, or the kind of part where it has none.
    Part,
}

/// One line of an account.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TallyRow {
    /// `2026-01-31`, `2026-01`, or the part number; `None`: parts without a number.
    pub key: Option<String>,
    /// What the part is; `None` by day and month, and for what no part is known for.
    pub kind: Option<String>,
    /// Charge; a part's is its share by area.
    pub charge_coulombs: f64,
    /// Time under current that was not observed, no charge counted for it; a part's is that of its runs, whole.
    pub unobserved_seconds: f64,
    /// Time worked; a part's is that of its runs, whole.
    pub worked_seconds: f64,
    /// Runs.
    pub runs: u64,
    /// Pieces, by part.
    pub pieces: Option<u64>,
}

/// What a tank worked since something was last done to it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SinceRow {
    /// What was done: `make-up`, `brightener`, `filter`.
    pub event: String,
    /// When (RFC 3339 UTC).
    pub at: String,
    /// Who did it.
    pub by: String,
    /// How much, with its unit; empty where there is no dose.
    pub amount: String,
    /// Charge since.
    pub charge_coulombs: f64,
    /// Unobserved time since; `None` when it was logged by a version that did not write it down.
    pub unobserved_seconds: Option<f64>,
    /// Runs that were worked since, those that straddle it included.
    pub runs: u64,
}

impl Reader {
    /// That tank's account by day or month (oldest first) or by part (most charge first), of runs
    /// last charged at `from` (RFC 3339 UTC) or later. By part, the last line without key and kind is
    /// what rack and tips took and what hung in runs of before parts were recorded.
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn tally(&self, tank: &str, by: TallyBy, from: Option<&str>) -> Result<Vec<TallyRow>, LedgerError> {
        let from = from.unwrap_or("");
        self.with(|db| match by {
            TallyBy::Day => by_time(db, tank, from, "%Y-%m-%d"),
            TallyBy::Month => by_time(db, tank, from, "%Y-%m"),
            TallyBy::Part => by_part(db, tank, from),
        })
    }

    /// What that tank worked since each thing was last done to it, the newest first. `account` is the
    /// tank's account as it stands ([`super::Ledger::account`]).
    ///
    /// # Errors
    /// [`LedgerError::Read`].
    pub fn since_each(&self, account: &TankRow) -> Result<Vec<SinceRow>, LedgerError> {
        self.with(|db| {
            db.prepare_cached(SINCE)?
                .query_map([&account.tank], |row| {
                    let then: i64 = row.get(4)?;
                    let unobserved: Option<i64> = row.get(5)?;
                    Ok(SinceRow {
                        event: row.get(0)?,
                        at: row.get(1)?,
                        by: row.get(2)?,
                        amount: row.get(3)?,
                        charge_coulombs: account.charge_coulombs - then as f64 / 1e6,
                        unobserved_seconds: unobserved.map(|u| account.unobserved_seconds - u as f64 / 1e3),
                        runs: row.get::<_, i64>(6)?.unsigned_abs(),
                    })
                })?
                .collect()
        })
    }
}

pub(super) const SINCE: &str =
    "SELECT a.what, a.at_utc, a.by, a.amount, a.tank_microcoulombs, a.tank_unobserved_milliseconds,
        (SELECT COUNT(*) FROM tank_charge AS c WHERE c.tank = a.tank AND c.updated_utc > a.at_utc)
 FROM addition AS a
 WHERE a.id IN (SELECT MAX(id) FROM addition WHERE tank = ?1 AND undone_utc IS NULL GROUP BY what)
 ORDER BY a.id DESC";

pub(super) const BY_TIME: &str =
    "SELECT strftime(?3, updated_utc, 'localtime') AS part, SUM(charge_microcoulombs),
        SUM(unobserved_milliseconds), SUM(worked_milliseconds), COUNT(*)
 FROM tank_charge WHERE tank = ?1 AND updated_utc >= ?2 GROUP BY part ORDER BY part";

pub(super) const BY_PART: &str = "SELECT p.part, p.kind, SUM(c.charge_microcoulombs * p.share) AS charge,
        SUM(c.unobserved_milliseconds), SUM(c.worked_milliseconds), COUNT(*), SUM(p.count)
 FROM tank_charge AS c JOIN run_part AS p ON p.run_id = c.run_id
 WHERE c.tank = ?1 AND c.updated_utc >= ?2 GROUP BY p.part, p.kind ORDER BY charge DESC, p.part, p.kind";

fn by_time(db: &Connection, tank: &str, from: &str, format: &str) -> rusqlite::Result<Vec<TallyRow>> {
    db.prepare_cached(BY_TIME)?
        .query_map(params![tank, from, format], |row| {
            Ok(TallyRow {
                key: row.get(0)?,
                kind: None,
                charge_coulombs: row.get::<_, i64>(1)? as f64 / 1e6,
                unobserved_seconds: row.get::<_, i64>(2)? as f64 / 1e3,
                worked_seconds: row.get::<_, i64>(3)? as f64 / 1e3,
                runs: row.get::<_, i64>(4)?.unsigned_abs(),
                pieces: None,
            })
        })?
        .collect()
}

fn by_part(db: &Connection, tank: &str, from: &str) -> rusqlite::Result<Vec<TallyRow>> {
    // One transaction, so that the rest is that of the same runs.
    let tx = db.unchecked_transaction()?;
    let mut rows: Vec<TallyRow> = tx
        .prepare_cached(BY_PART)?
        .query_map(params![tank, from], |row| {
            Ok(TallyRow {
                key: row.get(0)?,
                kind: row.get(1)?,
                charge_coulombs: row.get::<_, f64>(2)? / 1e6,
                unobserved_seconds: row.get::<_, i64>(3)? as f64 / 1e3,
                worked_seconds: row.get::<_, i64>(4)? as f64 / 1e3,
                runs: row.get::<_, i64>(5)?.unsigned_abs(),
                pieces: Some(row.get::<_, i64>(6)?.unsigned_abs()),
            })
        })?
        .collect::<Result<_, _>>()?;
    let whole = by_time(&tx, tank, from, "")?.into_iter().next();
    tx.commit()?;
    if let Some(whole) = whole {
        let parts: f64 = rows.iter().map(|row| row.charge_coulombs).sum();
        rows.push(TallyRow { key: None, charge_coulombs: (whole.charge_coulombs - parts).max(0.0), ..whole });
    }
    Ok(rows)
}

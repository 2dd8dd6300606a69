//! A tank's account in its parts: by day, by month, by part, and since each thing that was done to it.
//!
//! All of it is summed from the runs' own rows when it is asked for; nothing is
//! kept beside them that could differ.

use super::{LedgerError, Reader, TankRow};
use rusqlite::{Connection, params};
use serde::Serialize;
use std::collections::HashMap;

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
    /// Time under current that was not observed, no charge counted for it; a part's is that of its runs, whole. What
    /// came to light after a run had ended counts where that run does.
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
        self.with(|db| {
            // One transaction, so that all sums are of the same runs.
            let tx = db.unchecked_transaction()?;
            let rows = match by {
                TallyBy::Day => by_time(&tx, tank, from, "%Y-%m-%d"),
                TallyBy::Month => by_time(&tx, tank, from, "%Y-%m"),
                TallyBy::Part => by_part(&tx, tank, from),
            }?;
            tx.commit()?;
            Ok(rows)
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

/// What came to light after the runs had ended: few entries, found from an index of their own.
pub(super) const LATE_BY_TIME: &str =
    "SELECT strftime(?3, c.updated_utc, 'localtime') AS part, SUM(json_extract(e.content, '$.milliseconds'))
 FROM record AS e JOIN tank_charge AS c ON c.run_id = e.run_id
 WHERE e.kind = 'unobserved' AND c.tank = ?1 AND c.updated_utc >= ?2 GROUP BY part";
pub(super) const LATE_BY_PART: &str = "SELECT p.part, p.kind, SUM(json_extract(e.content, '$.milliseconds'))
 FROM record AS e JOIN tank_charge AS c ON c.run_id = e.run_id JOIN run_part AS p ON p.run_id = e.run_id
 WHERE e.kind = 'unobserved' AND c.tank = ?1 AND c.updated_utc >= ?2 GROUP BY p.part, p.kind";

/// A row for each part of each run; summed here, where no sorting by text is needed first.
pub(super) const BY_PART: &str =
    "SELECT p.part, p.kind, c.charge_microcoulombs * p.share, c.unobserved_milliseconds,
        c.worked_milliseconds, p.count
 FROM tank_charge AS c JOIN run_part AS p ON p.run_id = c.run_id
 WHERE c.tank = ?1 AND c.updated_utc >= ?2";

fn by_time(db: &Connection, tank: &str, from: &str, format: &str) -> rusqlite::Result<Vec<TallyRow>> {
    let mut rows: Vec<TallyRow> = db
        .prepare_cached(BY_TIME)?
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
        .collect::<rusqlite::Result<_>>()?;
    let mut late = db.prepare_cached(LATE_BY_TIME)?;
    let mut found = late.query(params![tank, from, format])?;
    while let Some(entry) = found.next()? {
        let key: Option<String> = entry.get(0)?;
        if let Some(row) = rows.iter_mut().find(|row| row.key == key) {
            row.unobserved_seconds += entry.get::<_, i64>(1)? as f64 / 1e3;
        }
    }
    Ok(rows)
}

fn by_part(db: &Connection, tank: &str, from: &str) -> rusqlite::Result<Vec<TallyRow>> {
    let mut sums: HashMap<String, TallyRow> = HashMap::new();
    {
        let mut each = db.prepare_cached(BY_PART)?;
        let mut found = each.query(params![tank, from])?;
        let mut name = String::new();
        while let Some(row) = found.next()? {
            let (number, kind) = (row.get_ref(0)?.as_str_or_null()?, row.get_ref(1)?.as_str()?);
            name.clear();
            // No text of ours has a NUL in it.
            name.extend([number.unwrap_or("\0"), "\0", kind]);
            if !sums.contains_key(&name) {
                let empty = TallyRow {
                    key: number.map(Into::into),
                    kind: Some(kind.into()),
                    charge_coulombs: 0.0,
                    unobserved_seconds: 0.0,
                    worked_seconds: 0.0,
                    runs: 0,
                    pieces: Some(0),
                };
                sums.insert(name.clone(), empty);
            }
            let Some(sum) = sums.get_mut(&name) else { continue };
            sum.charge_coulombs += row.get::<_, f64>(2)? / 1e6;
            sum.unobserved_seconds += row.get::<_, i64>(3)? as f64 / 1e3;
            sum.worked_seconds += row.get::<_, i64>(4)? as f64 / 1e3;
            sum.runs += 1;
            let pieces = row.get::<_, i64>(5)?.unsigned_abs();
            sum.pieces = sum.pieces.map(|all| all + pieces);
        }
    }
    let mut rows: Vec<TallyRow> = sums.into_values().collect();
    let mut late = db.prepare_cached(LATE_BY_PART)?;
    let mut found = late.query(params![tank, from])?;
    while let Some(entry) = found.next()? {
        let (key, kind): (Option<String>, Option<String>) = (entry.get(0)?, entry.get(1)?);
        if let Some(row) = rows.iter_mut().find(|row| row.key == key && row.kind == kind) {
            row.unobserved_seconds += entry.get::<_, i64>(2)? as f64 / 1e3;
        }
    }
    rows.sort_by(|a, b| {
        let name = |row: &TallyRow| (row.key.clone(), row.kind.clone());
        b.charge_coulombs.total_cmp(&a.charge_coulombs).then_with(|| name(a).cmp(&name(b)))
    });
    let whole = by_time(db, tank, from, "")?.into_iter().next();
    if let Some(whole) = whole {
        let parts: f64 = rows.iter().map(|row| row.charge_coulombs).sum();
        rows.push(TallyRow { key: None, charge_coulombs: (whole.charge_coulombs - parts).max(0.0), ..whole });
    }
    Ok(rows)
}

#[cfg(test)]
mod tests {
    use super::super::tests::{end, fresh, start};
    use super::super::{HungRow, Ledger, RunStart};
    use super::*;

    fn hung(number: Option<&str>, kind: &str, count: u32, area_square_meters: f64) -> HungRow {
        HungRow { number: number.map(Into::into), kind: kind.into(), count, area_square_meters }
    }

    #[tokio::test]
    async fn charge_of_a_part_is_its_share_of_the_area_and_the_rest_is_named_as_rest() {
        let (_keep, path) = fresh();
        let (ledger, _) = Ledger::open(&path).unwrap();
        // 0.01 m2 hang: 60 % cups, 30 % levers, the rest rack and tips.
        let both = vec![hung(Some("KC-34"), "key cup", 6, 0.006), hung(None, "lever", 2, 0.003)];
        ledger.begin(RunStart { hung: both, ..start("a", "nickel") }).await.unwrap();
        ledger.finish(end("a", 10_000_000)).await.unwrap();
        let cups = vec![hung(Some("KC-34"), "key cup", 4, 0.01)];
        ledger.begin(RunStart { hung: cups, ..start("b", "nickel") }).await.unwrap();
        ledger.finish(end("b", 2_000_000)).await.unwrap();
        // A run of which nothing is known, and one in another tank.
        ledger.begin(start("c", "nickel")).await.unwrap();
        ledger.finish(end("c", 1_000_000)).await.unwrap();
        ledger.begin(start("d", "silver")).await.unwrap();
        ledger.finish(end("d", 50_000_000)).await.unwrap();
        let rows = ledger.reader().tally("nickel", TallyBy::Part, None).unwrap();
        let told: Vec<_> = rows
            .iter()
            .map(|r| {
                (
                    r.key.as_deref(),
                    r.kind.as_deref(),
                    (r.charge_coulombs * 1e6).round() as i64,
                    r.runs,
                    r.pieces,
                )
            })
            .collect();
        assert_eq!(
            told,
            [
                (Some("KC-34"), Some("key cup"), 8_000_000, 2, Some(10)),
                (None, Some("lever"), 3_000_000, 1, Some(2)),
                (None, None, 2_000_000, 3, None),
            ]
        );
        assert_eq!(
            (rows[0].unobserved_seconds, rows[1].unobserved_seconds),
            (3.0, 1.5),
            "time is not shared out"
        );
        // The view for people with a shell agrees.
        let seen: f64 = Connection::open(&path)
            .unwrap()
            .query_row("SELECT ampere_hours * 3600 FROM tank_part WHERE part = 'KC-34'", [], |row| row.get(0))
            .unwrap();
        assert!((seen - 8.0).abs() < 1e-9, "{seen}");
    }

    #[tokio::test]
    async fn time_that_came_to_light_after_a_run_had_ended_stands_beside_its_day_and_its_parts() {
        let (_keep, path) = fresh();
        let (ledger, _) = Ledger::open(&path).unwrap();
        for (id, kind) in [("a", "key cup"), ("b", "lever"), ("c", "lever")] {
            let parts = vec![hung(Some("KC-34"), kind, 4, 0.01)];
            let tank = if id == "c" { "silver" } else { "nickel" };
            ledger.begin(RunStart { hung: parts, ..start(id, tank) }).await.unwrap();
            ledger.finish(end(id, 2_000_000)).await.unwrap();
        }
        // Each run has 1.5 s of its own; the silver run's are the silver tank's.
        for (run, tank, seconds) in [("a", "nickel", 40), ("a", "nickel", 2), ("c", "silver", 300)] {
            let more = std::time::Duration::from_secs(seconds);
            ledger.unobserved(run, tank, more, "found ON").await.unwrap();
        }
        let tally = |by| ledger.reader().tally("nickel", by, None).unwrap();
        for by in [TallyBy::Day, TallyBy::Month] {
            let rows = tally(by);
            assert_eq!((rows.len(), rows[0].unobserved_seconds, rows[0].charge_coulombs), (1, 45.0, 4.0));
        }
        let rows = tally(TallyBy::Part);
        let told: Vec<_> = rows.iter().map(|r| (r.kind.as_deref(), r.unobserved_seconds)).collect();
        assert_eq!(told, [(Some("key cup"), 43.5), (Some("lever"), 1.5), (None, 45.0)]);
        let later = ledger.reader().tally("nickel", TallyBy::Day, Some("2099-01-01T00:00:00.000Z")).unwrap();
        assert_eq!(later, []);
        // What the sums say, the whole account says, and the views for people with a shell.
        assert_eq!(ledger.account("nickel").unobserved_seconds, 45.0);
        let db = Connection::open(&path).unwrap();
        let seen = |sql: &str| db.query_row(sql, [], |row| row.get::<_, f64>(0)).unwrap();
        for view in ["tank", "tank_day", "run_charge"] {
            let sql = format!("SELECT SUM(unobserved_seconds) FROM {view} WHERE tank = 'nickel'");
            assert_eq!(seen(&sql), 45.0, "{view}");
        }
        let cups = "SELECT unobserved_seconds FROM tank_part WHERE tank = 'nickel' AND kind = 'key cup'";
        assert_eq!(seen(cups), 43.5);
    }

    #[tokio::test]
    async fn account_since_an_event_forgets_what_was_worked_before_and_counts_what_runs() {
        let (_keep, path) = fresh();
        let (ledger, _) = Ledger::open(&path).unwrap();
        ledger.begin(start("a", "nickel")).await.unwrap();
        ledger.finish(end("a", 10_000_000)).await.unwrap();
        ledger.log_addition("nickel", "make-up", "", "mila", None).await.unwrap();
        ledger.begin(start("b", "nickel")).await.unwrap();
        ledger.finish(end("b", 2_000_000)).await.unwrap();
        ledger.log_addition("nickel", "filter", "", "jonas", None).await.unwrap();
        ledger.begin(start("c", "nickel")).await.unwrap();
        ledger.record(super::super::tests::charge("c", 500_000));
        let since = ledger.reader().since_each(&ledger.account("nickel")).unwrap();
        let told: Vec<_> =
            since.iter().map(|s| (s.event.as_str(), s.charge_coulombs, s.unobserved_seconds)).collect();
        assert_eq!(told, [("filter", 0.5, Some(0.0)), ("make-up", 2.5, Some(1.5))]);
        let last = ledger.reader().last_addition("nickel").unwrap().unwrap();
        ledger.undo_addition(last.id, "mila").await.unwrap();
        let since = ledger.reader().since_each(&ledger.account("nickel")).unwrap();
        assert_eq!(since.len(), 1, "what was taken back counts from nowhere");
    }
}

//! Packed readings in the ledger: as they were, by whatever way they are read.

use super::tests::{end, flickering, fresh, reading, start};
use super::*;
use rusqlite::Connection;
use std::time::Duration;

fn rows_of(path: &std::path::Path, run: &str) -> Vec<ReadingRow> {
    Connection::open(path)
        .unwrap()
        .prepare(
            "SELECT seconds, volts, amperes, setpoint_amperes, ceiling_volts, bath_celsius FROM reading
             WHERE run_id = ?1",
        )
        .unwrap()
        .query_map([run], |r| {
            Ok(ReadingRow {
                seconds: r.get(0)?,
                volts: r.get(1)?,
                amperes: r.get(2)?,
                setpoint_amperes: r.get(3)?,
                ceiling_volts: r.get(4)?,
                bath_celsius: r.get(5)?,
            })
        })
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap()
}

fn count(path: &std::path::Path, what: &str) -> i64 {
    Connection::open(path)
        .unwrap()
        .query_row(&format!("SELECT COUNT(*) FROM {what}"), [], |r| r.get(0))
        .unwrap()
}

#[tokio::test]
async fn view_and_reader_disagree_about_no_reading_packed_or_open() {
    let (_keep, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    ledger.begin(start("a", "nickel")).await.unwrap();
    ledger.begin(start("b", "nickel")).await.unwrap();
    // An hour's gap, a setpoint that climbs, a thermometer that comes late, noise in every digit.
    for n in 0..700u64 {
        ledger.record(if n % 3 == 0 { flickering("a", n * 200) } else { reading("a", n * 200) });
        ledger.record(reading("b", n * 200 + if n > 300 { 3_600_000 } else { 0 }));
    }
    ledger.sync().await.unwrap();
    assert_eq!(count(&path, "reading_chunk"), 2, "one for each open run");
    for run in ["a", "b"] {
        let rows = ledger.readings(run).await.unwrap();
        assert_eq!(rows.len(), 700);
        assert_eq!(rows_of(&path, run), rows);
    }
    let before = ledger.readings("a").await.unwrap();
    ledger.finish(end("a", 5)).await.unwrap();
    ledger.finish(end("b", 5)).await.unwrap();
    assert_eq!(count(&path, "reading_chunk"), 0, "a run that has ended is packed");
    assert_eq!(ledger.readings("a").await.unwrap(), before);
    assert_eq!(rows_of(&path, "a"), before);
}

#[tokio::test]
async fn readings_of_a_run_that_was_cut_short_and_of_earlier_formats_are_packed_and_the_same() {
    let (_keep, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    ledger.begin(start("cut", "nickel")).await.unwrap();
    for n in 0..300 {
        ledger.record(reading("cut", n * 200));
    }
    ledger.close().await.unwrap();
    let mut db = Connection::open(&path).unwrap();
    db.execute_batch(
        "INSERT INTO run (id, station, tank, title, started_by, started_utc, ended_utc, state, area_square_meters,
                          parts, order_json)
         SELECT 'old', station, tank, title, started_by, started_utc, '2026-01-01', 'complete', area_square_meters,
                parts, order_json FROM run;
         INSERT INTO reading_chunk (run_id, number, format, readings, milliseconds, millivolts, tenth_milliamperes,
             setpoint_tenth_milliamperes)
         VALUES ('old', 0, 1, 2, '[0,200]', '[3000,3100]', '[20000,20000]', '[20000,20000]'),
                ('old', 1, 1, 2, '[400,600]', '[3000,3100]', '[20000,20000]', '[20000,20000]'),
                ('old', 2, 1, 2, '[800,1000]', 'nonsense', '[20000,20000]', '[20000,20000]');",
    )
    .unwrap();
    let packed = |db: &mut Connection| {
        let mut after = Some(Default::default());
        while let Some(last) = after.take() {
            let tx = db.transaction().unwrap();
            after = packed::pack_old(&tx, &last).unwrap();
            tx.commit().unwrap();
        }
    };
    packed(&mut db);
    assert_eq!(count(&path, "reading_chunk"), 2, "the open run's and the one that cannot be read");
    db.execute("DELETE FROM reading_chunk WHERE millivolts = 'nonsense'", []).unwrap();
    drop(db);
    let (ledger, recovery) = Ledger::open(&path).unwrap();
    assert_eq!(recovery.interrupted, ["cut"]);
    let before = ledger.readings("cut").await.unwrap();
    assert_eq!(before.len(), 300);
    let old = ledger.readings("old").await.unwrap();
    assert_eq!((old.len(), old[3].volts, old[3].ceiling_volts, old[3].bath_celsius), (4, 3.1, None, None));
    assert_eq!(rows_of(&path, "old"), old);
    ledger.close().await.unwrap();
    packed(&mut Connection::open(&path).unwrap());
    assert_eq!(count(&path, "reading_chunk"), 0);
    assert_eq!(rows_of(&path, "cut"), before);
}

/// Turns every byte of that table's last page over.
fn damage(path: &std::path::Path, table: &str) {
    let db = Connection::open(path).unwrap();
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    let page: u64 = db
        .query_row("SELECT MAX(pageno) FROM dbstat WHERE name = ?1", [table], |r| r.get::<_, i64>(0))
        .unwrap()
        .unsigned_abs();
    drop(db);
    let mut bytes = std::fs::read(path).unwrap();
    let at = (page as usize - 1) * 4096;
    bytes[at..at + 4096].iter_mut().for_each(|b| *b = !*b);
    std::fs::write(path, bytes).unwrap();
}

#[tokio::test]
async fn damage_to_the_accounts_refuses_to_open_and_damage_to_readings_begins_no_run() {
    for (table, opens) in [("tank_charge", false), ("reading_block", true)] {
        let (_keep, path) = fresh();
        let (ledger, _) = Ledger::open(&path).unwrap();
        ledger.begin(start("a", "nickel")).await.unwrap();
        for n in 0..5_000 {
            ledger.record(flickering("a", n * 200));
        }
        ledger.finish(end("a", 5)).await.unwrap();
        ledger.close().await.unwrap();
        damage(&path, table);
        match Ledger::open(&path) {
            Err(e) => {
                assert!(!opens && matches!(e, LedgerError::Damaged { .. }), "{table}: {e}");
            }
            Ok((ledger, _)) => {
                assert!(opens, "{table}");
                let mut health = ledger.health();
                let found =
                    tokio::time::timeout(Duration::from_secs(60), health.wait_for(|h| *h != Health::Good));
                let said = format!("{:?}", *found.await.expect("the check ends").unwrap());
                assert!(said.contains("damaged"), "{said}");
                let refused = ledger.begin(start("b", "nickel")).await.unwrap_err();
                assert!(refused.to_string().contains("damaged"), "{refused}");
                // What happened is still taken, and the account still tells.
                ledger.record(super::tests::event(None, "seen"));
                ledger.sync().await.unwrap();
                assert_ne!(
                    *ledger.health().borrow(),
                    Health::Good,
                    "a good write makes a bad file no better"
                );
            }
        }
    }
}

#[tokio::test]
async fn question_of_every_day_reads_a_whole_table_that_grows_with_the_years() {
    let (_keep, path) = fresh();
    drop(Ledger::open(&path).unwrap());
    let db = Connection::open(&path).unwrap();
    let run = format!("{} WHERE r.id = ?1", reader::RUN);
    let page = format!("{}{}", reader::RUN, reader::PAGE);
    let block = "SELECT * FROM reading_block WHERE id BETWEEN ?1 AND ?2 ORDER BY id";
    let view = "SELECT * FROM reading WHERE run_id = ?1";
    let questions = [
        &run,
        &page,
        block,
        view,
        reader::EVENTS,
        reader::EVENTS_OF_RUN,
        reader::STAGES,
        reader::SLOPES,
        reader::TANKS,
        upkeep::PACE,
        tally::SINCE,
        tally::BY_TIME,
        tally::BY_PART,
        tally::LATE_BY_TIME,
        tally::LATE_BY_PART,
    ];
    for question in questions {
        let mut explain = db.prepare(&format!("EXPLAIN QUERY PLAN {question}")).unwrap();
        let blanks = vec!["x"; explain.parameter_count()];
        let plan: Vec<String> = explain
            .query_map(rusqlite::params_from_iter(blanks), |row| row.get(3))
            .unwrap()
            .collect::<Result<_, _>>()
            .unwrap();
        for step in &plan {
            // The newest rows are taken from the table's end; sums come from an index that has it all; the
            // counter has 256 rows, json_each walks one chunk, and "reading" is what the view has found by then.
            let fine = ["COVERING INDEX", "SCAN counter", "SCAN t VIRTUAL", "SCAN CONSTANT ROW"];
            let whole =
                step.starts_with("SCAN") && step != "SCAN reading" && !fine.iter().any(|f| step.contains(f));
            assert!(!whole || question == reader::EVENTS, "{question}\n{plan:#?}");
        }
    }
}

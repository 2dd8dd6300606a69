//! What must hold of the chain of records, each as a sentence that names the bad thing.

use super::tests::{charge, end, event, flickering, fresh, most_pages, reading, start};
use super::*;
use rusqlite::Connection;
use rusqlite::types::Value;
use serde_json::json;
use std::path::Path;
use std::time::{Duration, Instant};

async fn whole_run(ledger: &Ledger, id: &str) {
    let cups = HungRow { number: None, kind: "key cup".into(), count: 6, area_square_meters: 0.005 };
    ledger.begin(RunStart { hung: vec![cups], ..start(id, "nickel") }).await.unwrap();
    for k in 0..600 {
        ledger.record(reading(id, k * 200));
    }
    ledger.record(charge(id, 1_000_000));
    ledger.record(Row::Phase(PhaseRow {
        run: id.into(),
        at: "2026-01-01T00:00:02.000Z".into(),
        since_start: Duration::from_secs(2),
        state: "running",
        phase: "steady",
        why: None,
    }));
    ledger.record(event(Some(id), "ramp"));
    ledger.record(alarm(id));
    ledger.finish(end(id, 2_000_000)).await.unwrap();
}

fn alarm(id: &str) -> Row {
    Row::Alarm(AlarmRow {
        at: "2026-01-01T00:00:03.000Z".into(),
        monotonic_milliseconds: 3_000,
        station: "bench".into(),
        run: Some(id.into()),
        watch: "drift".into(),
        from: "normal".into(),
        to: "unacknowledged".into(),
        priority: "medium".into(),
        text: "volts creep up".into(),
        by: None,
        note: None,
    })
}

fn entry(run: &str, kind: &str) -> Entry {
    Entry { run: run.into(), kind: kind.into(), by: "mila".into(), content: json!({"remark": "bright"}) }
}

async fn three_runs(path: &Path) -> String {
    let (ledger, _) = Ledger::open(path).unwrap();
    for id in ["a", "b", "c"] {
        whole_run(&ledger, id).await;
        ledger.enter(entry(id, "sign")).await.unwrap();
    }
    let verdict = ledger.reader().verify(None, None).unwrap();
    assert_eq!((verdict.entries, verdict.runs, verdict.faults.as_slice()), (6, 3, &[][..]));
    ledger.close().await.unwrap();
    verdict.head.unwrap()
}

fn tamper(path: &Path, sql: &str) -> usize {
    let db = Connection::open(path).unwrap();
    db.pragma_update(None, "foreign_keys", false).unwrap();
    db.pragma_update(None, "ignore_check_constraints", true).unwrap();
    db.execute(sql, []).unwrap()
}

fn faults(path: &Path) -> Vec<(Option<String>, String)> {
    let verdict = Reader::new(path).verify(None, None).unwrap();
    verdict.faults.into_iter().map(|f| (f.run, f.what)).collect()
}

#[tokio::test]
async fn one_field_changed_in_any_row_of_a_run_names_that_run_and_the_part() {
    let (_folder, path) = fresh();
    three_runs(&path).await;
    let mut tried = 0;
    for (table, key, part) in [
        ("run", "id", "the run's row"),
        ("run_part", "run_id", "the run's row"),
        ("run_step", "run_id", "steps"),
        ("tank_charge", "run_id", "charge"),
        (
            "reading_block",
            "id >> 32 = (SELECT number FROM reading_run WHERE run_id = 'b') AND 'b'",
            "readings",
        ),
        ("event", "run_id", "events"),
        ("alarm", "run_id", "alarms"),
    ] {
        let db = Connection::open(&path).unwrap();
        db.pragma_update(None, "foreign_keys", false).unwrap();
        db.pragma_update(None, "ignore_check_constraints", true).unwrap();
        let columns: Vec<String> = db
            .prepare(&format!("SELECT name FROM pragma_table_info('{table}')"))
            .unwrap()
            .query_map([], |row| row.get(0))
            .unwrap()
            .collect::<Result<_, _>>()
            .unwrap();
        for column in columns {
            // What says where a row lies, and how its readings are packed, is no value of the run.
            if ["id", "run_id", "microseconds_pitch"].contains(&column.as_str()) || column.ends_with("_step")
            {
                continue;
            }
            let ask =
                format!("SELECT rowid, {column} FROM {table} WHERE {key} = 'b' ORDER BY 1 DESC LIMIT 1");
            let ask = match table {
                "run_step" | "run_part" | "tank_charge" => ask.replace("rowid", "0"),
                _ => ask,
            };
            let (rowid, old): (i64, Value) =
                db.query_row(&ask, [], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
            let new = match &old {
                Value::Null => column_default(&db, table, &column),
                Value::Integer(i) => Value::Integer(i + 1),
                Value::Real(f) => Value::Real(f * (1.0 + 1e-15)),
                Value::Text(t) => Value::Text(format!("{t}.")),
                // Digits where there were none.
                Value::Blob(b) => Value::Blob([&b[..], &[0]].concat()),
            };
            assert_ne!(old, new, "{table}.{column}");
            let place = if rowid == 0 { format!("{key} = 'b'") } else { format!("rowid = {rowid}") };
            let put = format!("UPDATE {table} SET {column} = ?1 WHERE {place}");
            assert_eq!(db.execute(&put, [&new]).unwrap(), 1);
            let found = faults(&path);
            assert_eq!(found.len(), 1, "{table}.{column}: {found:?}");
            assert_eq!(found[0].0.as_deref(), Some("b"), "{table}.{column}: {found:?}");
            assert!(found[0].1.contains(part), "{table}.{column}: {found:?}");
            db.execute(&put, [&old]).unwrap();
            assert_eq!(faults(&path), [], "{table}.{column} put back");
            tried += 1;
        }
    }
    assert!(tried >= 40, "only {tried} columns were tried");
}

fn column_default(db: &Connection, table: &str, column: &str) -> Value {
    let kind: String = db
        .query_row("SELECT type FROM pragma_table_info(?1) WHERE name = ?2", [table, column], |row| {
            row.get(0)
        })
        .unwrap();
    match kind.as_str() {
        "TEXT" => Value::Text("x".into()),
        "REAL" => Value::Real(1.5),
        _ => Value::Integer(7),
    }
}

#[tokio::test]
async fn row_put_in_or_taken_out_of_a_sealed_run_shows() {
    let (_folder, path) = fresh();
    three_runs(&path).await;
    for (deed, undo) in [
        (
            "INSERT INTO event (at_utc, monotonic_milliseconds, station, run_id, kind, text)
             VALUES ('x', 0, 'bench', 'a', 'note', 'all was well')",
            Some("DELETE FROM event WHERE text = 'all was well'"),
        ),
        (
            "DELETE FROM reading_block WHERE id = (SELECT number << 32 FROM reading_run WHERE run_id = 'a') + 256",
            None,
        ),
    ] {
        assert_eq!(tamper(&path, deed), 1);
        let found = faults(&path);
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!(found[0].0.as_deref(), Some("a"));
        if let Some(undo) = undo {
            assert_eq!(tamper(&path, undo), 1);
            assert_eq!(faults(&path), []);
        }
    }
    assert!(faults(&path)[0].1.contains("600 readings were sealed, 344 are there"), "{:?}", faults(&path));
}

#[tokio::test]
async fn entry_changed_taken_out_or_cut_off_shows() {
    let (_folder, path) = fresh();
    let head = three_runs(&path).await;
    for column in ["kind", "at_utc", "by", "content", "previous", "hash", "run_id"] {
        let copy = path.with_extension("copy");
        std::fs::copy(&path, &copy).unwrap();
        assert_eq!(tamper(&copy, &format!("UPDATE record SET {column} = {column} || 'x' WHERE seq = 4")), 1);
        let found = Reader::new(&copy).verify(None, None).unwrap().faults;
        assert!(!found.is_empty() && found.iter().any(|f| f.seq == Some(4)), "{column}: {found:?}");
    }
    let copy = path.with_extension("copy");
    std::fs::copy(&path, &copy).unwrap();
    assert_eq!(tamper(&copy, "DELETE FROM record WHERE seq = 2"), 1);
    assert!(faults(&copy)[0].1.contains("entries before it are missing: 2 to 2"), "{:?}", faults(&copy));

    // The newest entries cut off and the run with them: only a hash kept elsewhere tells.
    std::fs::copy(&path, &copy).unwrap();
    tamper(&copy, "DELETE FROM record WHERE run_id = 'c'");
    assert!(faults(&copy)[0].1.contains("is not sealed"), "{:?}", faults(&copy));
    for table in ["event", "alarm", "run_step", "run_part", "tank_charge"] {
        tamper(&copy, &format!("DELETE FROM {table} WHERE run_id = 'c'"));
    }
    tamper(
        &copy,
        "DELETE FROM reading_block WHERE id >> 32 = (SELECT number FROM reading_run WHERE run_id = 'c')",
    );
    tamper(&copy, "DELETE FROM reading_run WHERE run_id = 'c'");
    tamper(&copy, "DELETE FROM run WHERE id = 'c'");
    assert_eq!(faults(&copy), []);
    let kept = Reader::new(&copy).verify(None, Some(&head)).unwrap();
    assert!(kept.faults[0].what.contains("rewritten or cut short"), "{kept:?}");
    assert_eq!(Reader::new(&path).verify(None, Some(&head)).unwrap().faults, []);
}

#[tokio::test]
async fn two_stations_that_end_at_once_break_no_chain() {
    let (_folder, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    for id in ["a", "b"] {
        ledger.begin(start(id, "nickel")).await.unwrap();
        ledger.record(reading(id, 0));
    }
    let (one, two) = (end("a", 1), end("b", 2));
    let (a, b, c) = tokio::join!(ledger.finish(one), ledger.finish(two), ledger.enter(entry("a", "note")));
    a.unwrap();
    b.unwrap();
    c.unwrap();
    let verdict = ledger.reader().verify(None, None).unwrap();
    assert_eq!((verdict.entries, verdict.runs, verdict.faults.len()), (3, 2, 0), "{verdict:?}");
}

#[tokio::test]
async fn interrupted_run_is_sealed_when_it_is_closed_and_later_rows_do_not_break_it() {
    let (_folder, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    ledger.begin(start("a", "nickel")).await.unwrap();
    ledger.record(reading("a", 0));
    ledger.close().await.unwrap();
    let (ledger, recovery) = Ledger::open(&path).unwrap();
    assert_eq!(recovery.interrupted, ["a"]);
    let entries = ledger.reader().entries("a").unwrap();
    assert_eq!((entries.len(), entries[0].kind.as_str(), entries[0].later), (1, "run", false));

    ledger.record(event(Some("a"), "what a station says too late"));
    ledger.record(alarm("a"));
    ledger.sync().await.unwrap();
    assert_eq!(ledger.reader().verify(None, None).unwrap().faults, []);
    let all = ledger.reader().events(None, 10).unwrap();
    assert!(
        all.iter().any(|e| e.text.contains("too late") && e.run.is_none()),
        "kept, not as the run's: {all:?}"
    );
}

#[tokio::test]
async fn runs_of_before_are_sealed_later_and_say_so() {
    let (_folder, path) = fresh();
    {
        let mut db = Connection::open(&path).unwrap();
        super::schema::migrate(&mut db, &super::schema::STEPS[..4]).unwrap();
        for id in ["a", "b"] {
            db.execute(
                "INSERT INTO run (id, station, tank, title, started_by, started_utc, ended_utc, state,
                                  area_square_meters, parts, order_json)
                 VALUES (?1, 'bench', 'nickel', 't', 'm', '2020', '2020', 'complete', 0.01, 1, '{}')",
                [id],
            )
            .unwrap();
        }
    }
    let (ledger, _) = Ledger::open(&path).unwrap();
    whole_run(&ledger, "c").await;
    let deadline = Instant::now() + Duration::from_secs(30);
    let verdict = loop {
        let verdict = ledger.reader().verify(None, None).unwrap();
        assert_eq!(verdict.faults, [], "a run that waits for its seal is no fault");
        if verdict.waiting == 0 {
            break verdict;
        }
        assert!(Instant::now() < deadline, "never sealed");
        ledger.sync().await.unwrap();
    };
    assert_eq!((verdict.runs, verdict.later), (3, 2));
    assert!(
        ledger.reader().entries("a").unwrap()[0].later && !ledger.reader().entries("c").unwrap()[0].later
    );
    tamper(&path, "UPDATE run SET title = 'u' WHERE id = 'a'");
    assert_eq!(faults(&path)[0].0.as_deref(), Some("a"));
}

#[tokio::test]
async fn run_that_ended_on_a_full_disk_is_sealed_when_all_of_it_is_written() {
    let (_folder, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    ledger.begin(start("a", "nickel")).await.unwrap();
    most_pages(&ledger, 1).await;
    for k in 0..20_000 {
        ledger.record(flickering("a", k * 200));
        if k % 4_000 == 0 {
            // The queue is bounded; what is in it is taken before this answers.
            let _ = ledger.sync().await;
        }
    }
    assert!(ledger.finish(end("a", 5)).await.is_err());
    most_pages(&ledger, 1_000_000).await;
    ledger.sync().await.unwrap();
    let verdict = ledger.reader().verify(None, None).unwrap();
    assert_eq!((verdict.runs, verdict.faults.len()), (1, 0), "{verdict:?}");
    let seal: Digests = serde_json::from_str(&ledger.reader().entries("a").unwrap()[0].content).unwrap();
    assert_eq!(seal.reading_count, 20_000);
}

#[tokio::test]
async fn since_looks_at_what_came_after_and_at_nothing_before() {
    let (_folder, path) = fresh();
    three_runs(&path).await;
    tamper(&path, "UPDATE run SET title = 'u' WHERE id = 'a'");
    let at = Reader::new(&path).entries("b").unwrap()[0].at.clone();
    let verdict = Reader::new(&path).verify(Some(&at), None).unwrap();
    assert_eq!(verdict.faults, []);
    assert!(verdict.runs >= 2 || verdict.entries >= 3, "{verdict:?}");
    let none = Reader::new(&path).verify(Some("9999"), None).unwrap();
    assert_eq!((none.entries, none.faults.len()), (0, 0));
}

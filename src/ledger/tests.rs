//! What must hold of the ledger, each as a sentence that names the bad thing.

use super::writer::Message;
use super::*;
use crate::quantity::{Amps, Microcoulombs, Volts};
use proptest::prelude::*;
use rusqlite::Connection;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

pub(super) fn start(id: &str, tank: &str) -> RunStart {
    RunStart {
        id: id.into(),
        station: "bench".into(),
        tank: tank.into(),
        title: "6 key cups, nickel 8 µm".into(),
        started_by: "test".into(),
        started: "2026-01-01T00:00:00.000Z".into(),
        target: Some(Microcoulombs(5_000_000)),
        area_square_meters: 0.01,
        parts: 6,
        metal: Some("Ni".into()),
        thickness_meters_per_coulomb: Some(1e-9),
        continues: None,
        hung: Vec::new(),
        order_json: "{}".into(),
        job: None,
        lot: None,
        customer: None,
    }
}

pub(super) fn end(id: &str, microcoulombs: i64) -> RunEnd {
    RunEnd {
        id: id.into(),
        ended: "2026-01-01T00:10:00.000Z".into(),
        state: "complete",
        cause: "charge reached".into(),
        charge: Microcoulombs(microcoulombs),
        unobserved: Duration::from_millis(1_500),
        worked: Duration::from_secs(600),
        load_slope: Some(6.1e-3),
    }
}

pub(super) fn charge(run: &str, microcoulombs: i64) -> Row {
    Row::Charge {
        run: run.into(),
        charge: Microcoulombs(microcoulombs),
        unobserved: Duration::ZERO,
        worked: Duration::from_millis(200),
    }
}

pub(super) fn reading(run: &str, millis: u64) -> Row {
    Row::Reading {
        run: run.into(),
        since_start: Duration::from_millis(millis),
        volts: Volts::new(3.2),
        amps: Amps::new(2.8001),
        setpoint: Amps::new(2.8),
        ceiling: Volts::new(6.0),
        bath: (millis > 0).then_some(crate::quantity::Temperature::new(54.25)),
    }
}

/// A supply whose every digit flickers: readings that take room however they are packed.
pub(super) fn flickering(run: &str, millis: u64) -> Row {
    let flicker = |odd: u64| f64::from((millis.wrapping_mul(odd) >> 7) as u32 % 60_000);
    Row::Reading {
        run: run.into(),
        since_start: Duration::from_millis(millis),
        volts: Volts::new(flicker(0x9E37_79B9_7F4A_7C15) / 1e3),
        amps: Amps::new(flicker(0xC2B2_AE3D_27D4_EB4F) / 1e4),
        setpoint: Amps::new(2.8),
        ceiling: Volts::new(6.0),
        bath: None,
    }
}

pub(super) fn event(run: Option<&str>, text: &str) -> Row {
    Row::Event(EventRow {
        at: "2026-01-01T00:00:01.000Z".into(),
        monotonic_milliseconds: 1_000,
        station: "bench".into(),
        run: run.map(Into::into),
        kind: "note".into(),
        text: text.into(),
    })
}

pub(super) fn fresh() -> (tempfile::TempDir, std::path::PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.sqlite");
    (folder, path)
}

pub(super) async fn most_pages(ledger: &Ledger, pages: i64) {
    ledger.ask(|reply| Message::MostPages(pages, reply)).await.unwrap();
}

#[tokio::test]
async fn what_was_recorded_is_read_back_after_reopening() {
    let (_keep, path) = fresh();
    let (ledger, recovery) = Ledger::open(&path).unwrap();
    assert_eq!(recovery.sentence, "ledger: 0 runs on record");
    ledger.begin(start("a", "nickel")).await.unwrap();
    for n in 0..600 {
        ledger.record(reading("a", n * 200));
    }
    ledger.record(Row::Phase(PhaseRow {
        run: "a".into(),
        at: "2026-01-01T00:00:01.000Z".into(),
        since_start: Duration::from_secs(1),
        state: "running",
        phase: "ramp",
        why: None,
    }));
    ledger.record(event(Some("a"), "somebody looked at it"));
    ledger.record(Row::Alarm(AlarmRow {
        at: "2026-01-01T00:00:02.000Z".into(),
        monotonic_milliseconds: 2_000,
        station: "bench".into(),
        run: Some("a".into()),
        watch: "open-circuit".into(),
        from: "normal".into(),
        to: "unacknowledged".into(),
        priority: "high".into(),
        text: "no current".into(),
        by: None,
        note: None,
    }));
    ledger.finish(end("a", 5_000_001)).await.unwrap();
    ledger.close().await.unwrap();

    let (ledger, recovery) = Ledger::open(&path).unwrap();
    assert_eq!(recovery.interrupted, Vec::<String>::new());
    let run = ledger.run("a").await.unwrap().unwrap();
    assert_eq!((run.state.as_str(), run.cause.as_deref()), ("complete", Some("charge reached")));
    assert_eq!((run.charge_coulombs, run.unobserved_seconds, run.worked_seconds), (5.000_001, 1.5, 600.0));
    assert!((run.thickness_meters.unwrap() - 5.000_001e-9).abs() < 1e-18);
    let readings = ledger.readings("a").await.unwrap();
    assert_eq!(readings.len(), 600);
    assert_eq!(
        readings[599],
        ReadingRow {
            seconds: 119.8,
            volts: 3.2,
            amperes: 2.8001,
            setpoint_amperes: 2.8,
            ceiling_volts: Some(6.0),
            bath_celsius: Some(54.25),
        }
    );
    assert_eq!(readings[0].bath_celsius, None, "a temperature that was not known is not made up");
    assert_eq!(ledger.alarms(10).await.unwrap()[0].to, "unacknowledged");
    let reader = ledger.reader();
    assert_eq!(reader.stages("a").unwrap()[0].phase, "ramp");
    assert_eq!(reader.slopes("nickel", 10).unwrap(), [(String::from("{}"), 6.1e-3)]);
    assert_eq!(reader.slopes("silver", 10).unwrap(), []);
    assert_eq!(reader.alarms_since("2026-01-01T00:00:02.000Z", 10).unwrap().len(), 1);
    assert_eq!(reader.alarms_since("2026-01-01T00:00:02.001Z", 10).unwrap().len(), 0);
    assert_eq!(reader.alarms_left("bench").unwrap()[0].watch, "open-circuit");
    assert_eq!(reader.alarms_left("attic").unwrap(), []);
    assert_eq!(ledger.events(Some("a".into()), 10).await.unwrap()[0].text, "somebody looked at it");
    assert_eq!(ledger.tanks().await.unwrap(), ledger.all_accounts());
    assert_eq!(ledger.account("nickel").charge_microcoulombs, 5_000_001);
    assert_eq!(ledger.run("b").await.unwrap(), None);
}

#[tokio::test]
async fn runs_are_paged_newest_first_without_gap_or_repeat() {
    let (_keep, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    for n in 0..7 {
        ledger.begin(start(&format!("run-{n}"), "nickel")).await.unwrap();
    }
    let mut seen = Vec::new();
    let mut before = None;
    loop {
        let page = ledger.runs(3, before.clone()).await.unwrap();
        let Some(last) = page.last() else { break };
        before = Some(last.id.clone());
        seen.extend(page.into_iter().map(|r| r.id));
    }
    assert_eq!(seen, (0..7).rev().map(|n| format!("run-{n}")).collect::<Vec<_>>());
}

#[tokio::test]
async fn second_daemon_on_one_ledger_is_refused_and_closes_no_run() {
    let (_keep, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    ledger.begin(start("a", "nickel")).await.unwrap();
    assert_eq!(Ledger::open(&path).unwrap_err(), LedgerError::Busy { path: path.clone() });
    assert_eq!(ledger.run("a").await.unwrap().unwrap().state, "running");
}

#[tokio::test]
async fn begin_is_on_disk_before_it_returns() {
    let (_keep, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    ledger.begin(start("a", "nickel")).await.unwrap();
    // Another connection sees only what is committed.
    let other = Connection::open(&path).unwrap();
    let state: String = other.query_row("SELECT state FROM run WHERE id = 'a'", [], |r| r.get(0)).unwrap();
    assert_eq!(state, "running");
    let level: i64 = {
        // FULL is 2; a fresh connection of ours is prepared in the same way as the thread's.
        let db = Connection::open(&path).unwrap();
        super::handle::prepare(&db).unwrap();
        db.pragma_query_value(None, "synchronous", |r| r.get(0)).unwrap()
    };
    assert_eq!(level, 2);
}

#[tokio::test]
async fn run_found_open_is_closed_as_interrupted_with_what_is_on_disk() {
    let (_keep, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    ledger.begin(start("a", "nickel")).await.unwrap();
    ledger.record(charge("a", 1_234_567));
    ledger.close().await.unwrap();
    let (ledger, recovery) = Ledger::open(&path).unwrap();
    assert_eq!(recovery.interrupted, ["a"]);
    assert!(recovery.sentence.contains("closed as interrupted"), "{}", recovery.sentence);
    let run = ledger.run("a").await.unwrap().unwrap();
    assert_eq!((run.state.as_str(), run.cause.as_deref()), ("aborted", Some("interrupted")));
    assert_eq!(run.charge_coulombs, 1.234_567);
    assert_eq!(run.thickness_meters, Some(1.234_567 * 1e-9));
    assert!(run.ended.is_some());
}

/// Both the parent and, with the variable set, the child that gets killed.
#[test]
fn kill_9_mid_run_loses_a_second_of_charge_or_a_finished_run() {
    const CHILD: &str = "TANKSIDE_TEST_LEDGER_CHILD";
    if let Some(path) = std::env::var_os(CHILD) {
        run_until_killed(Path::new(&path));
        return;
    }
    for lines in [3, 40, 75] {
        let (_keep, path) = fresh();
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["ledger::tests::kill_9_mid_run_loses_a_second_of_charge_or_a_finished_run", "--exact"])
            .args(["--nocapture", "--test-threads=1"])
            .env(CHILD, &path)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        // The pipe stays open until the child is dead: it must die of the kill, not of a closed pipe.
        let mut told = BufReader::new(child.stdout.take().unwrap()).lines();
        let said: Vec<i64> = told
            .by_ref()
            .map_while(Result::ok)
            .filter_map(|line| line.strip_prefix("recorded ")?.parse().ok())
            .take(lines)
            .collect();
        child.kill().unwrap();
        child.wait().unwrap();
        let last = *said.last().unwrap();

        let (ledger, recovery) = Ledger::open(&path).unwrap();
        assert_eq!(recovery.interrupted, ["two"]);
        let one = ledger.reader().run("one").unwrap().unwrap();
        assert_eq!((one.state.as_str(), one.charge_coulombs), ("complete", 7.0));
        let kept = ledger.account("nickel").charge_microcoulombs - 7_000_000;
        // At one ampere a second is a million microcoulombs.
        assert!(last - kept < 1_000_000, "{last} µC were told, {kept} µC are on disk");
    }
}

/// One ampere, measured against the clock, told on stdout as it is recorded.
#[tokio::main(flavor = "current_thread")]
async fn run_until_killed(path: &Path) {
    let (ledger, _) = Ledger::open(path).unwrap();
    ledger.begin(start("one", "nickel")).await.unwrap();
    ledger.finish(end("one", 7_000_000)).await.unwrap();
    ledger.begin(start("two", "nickel")).await.unwrap();
    let began = Instant::now();
    let mut tick = tokio::time::interval(Duration::from_millis(20));
    loop {
        tick.tick().await;
        let so_far = i64::try_from(began.elapsed().as_micros()).unwrap();
        ledger.record(charge("two", so_far));
        ledger.record(reading("two", began.elapsed().as_millis() as u64));
        let mut out = std::io::stdout();
        writeln!(out, "\nrecorded {so_far}").unwrap();
        out.flush().unwrap();
    }
}

#[tokio::test]
async fn full_disk_loses_nothing_written_and_starts_no_run() {
    let (_keep, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    let mut health = ledger.health();
    ledger.begin(start("a", "nickel")).await.unwrap();
    ledger.record(charge("a", 1_000_000));
    ledger.sync().await.unwrap();
    assert_eq!(*health.borrow_and_update(), Health::Good);

    most_pages(&ledger, 1).await; // the database takes this as "no more than there are now"
    for n in 0..2_000 {
        ledger.record(flickering("a", n * 200));
    }
    ledger.record(charge("a", 2_000_000));
    let refused = ledger.sync().await.unwrap_err();
    assert!(refused.to_string().contains("full; free some space"), "{refused}");
    health.changed().await.unwrap();
    assert!(matches!(&*health.borrow_and_update(), Health::Failing(why) if why.contains("full")));
    let big = RunStart { order_json: "x".repeat(100_000), ..start("b", "nickel") };
    assert!(ledger.begin(big).await.is_err());
    // What needs no room is written all the same.
    assert_eq!(ledger.run("a").await.unwrap().unwrap().charge_coulombs, 2.0);
    assert_eq!(ledger.run("b").await.unwrap(), None);

    most_pages(&ledger, 1 << 30).await;
    // Nobody asks: it tries again by itself.
    health.wait_for(|h| *h == Health::Good).await.unwrap();
    assert_eq!(ledger.readings("a").await.unwrap().len(), 2_000);
    ledger.finish(end("a", 3_000_000)).await.unwrap();
    assert_eq!(ledger.account("nickel").charge_microcoulombs, 3_000_000);
    assert_eq!(ledger.account("nickel").runs, 1);
}

#[tokio::test]
async fn end_of_a_run_on_a_full_disk_is_kept_and_written_later() {
    let (_keep, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    ledger.begin(start("a", "nickel")).await.unwrap();
    most_pages(&ledger, 1).await;
    for n in 0..5_000 {
        ledger.record(flickering("a", n * 200));
    }
    assert!(ledger.finish(end("a", 4_000_000)).await.is_err());
    most_pages(&ledger, 1 << 30).await;
    ledger.health().wait_for(|h| *h == Health::Good).await.unwrap();
    assert_eq!(ledger.run("a").await.unwrap().unwrap().state, "complete");
    assert_eq!(ledger.readings("a").await.unwrap().len(), 5_000);
}

#[tokio::test]
async fn row_of_an_unknown_run_does_not_keep_others_from_being_written() {
    let (_keep, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    ledger.record(reading("nobody", 0));
    ledger.record(event(Some("nobody"), "lost"));
    ledger.record(event(None, "kept"));
    ledger.sync().await.unwrap();
    let events = ledger.events(None, 10).await.unwrap();
    assert_eq!(events.iter().map(|e| e.text.as_str()).collect::<Vec<_>>(), ["kept"]);
}

#[tokio::test]
async fn late_reading_does_not_overwrite_those_of_a_finished_run() {
    let (_keep, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    ledger.begin(start("a", "nickel")).await.unwrap();
    for n in 0..10 {
        ledger.record(reading("a", n * 200));
    }
    ledger.finish(end("a", 100)).await.unwrap();
    ledger.record(reading("a", 2_000));
    ledger.record(charge("a", 1_000));
    ledger.finish(end("a", 2_000)).await.unwrap();
    assert_eq!(ledger.readings("a").await.unwrap().len(), 10);
    assert_eq!(ledger.tanks().await.unwrap()[0].charge_microcoulombs, 100);
    assert_eq!(ledger.account("nickel").charge_microcoulombs, 100);
}

#[tokio::test]
async fn account_counts_runs_under_way_and_never_falls() {
    let (_keep, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    ledger.begin(start("a", "nickel")).await.unwrap();
    ledger.begin(start("b", "nickel")).await.unwrap();
    ledger.record(charge("a", 10));
    ledger.record(charge("b", 5));
    ledger.record(charge("a", 7));
    assert_eq!(ledger.account("nickel").charge_microcoulombs, 15);
    ledger.sync().await.unwrap();
    assert_eq!(ledger.tanks().await.unwrap()[0].charge_microcoulombs, 15);
}

#[test]
fn text_file_or_newer_schema_is_refused_and_left_alone() {
    let (_keep, path) = fresh();
    let text =
        "not a ledger at all, but long enough to have a header of one hundred bytes and then some more, so";
    std::fs::write(&path, text).unwrap();
    assert!(matches!(Ledger::open(&path), Err(LedgerError::Damaged { .. })));
    assert_eq!(std::fs::read_to_string(&path).unwrap(), text);

    let (_keep, path) = fresh();
    Connection::open(&path).unwrap().pragma_update(None, "user_version", 999).unwrap();
    assert!(matches!(Ledger::open(&path), Err(LedgerError::Newer { found: 999, .. })));
    let missing = path.parent().unwrap().join("no-such-folder/ledger.sqlite");
    assert!(matches!(Ledger::open(&missing), Err(LedgerError::Folder { .. })));
}

#[test]
fn every_earlier_schema_comes_up_to_the_present_one() {
    let shape = |db: &Connection| -> Vec<String> {
        let mut all = db.prepare("SELECT COALESCE(sql, name) FROM sqlite_schema ORDER BY name").unwrap();
        all.query_map([], |r| r.get(0)).unwrap().collect::<Result<_, _>>().unwrap()
    };
    let mut whole = Connection::open_in_memory().unwrap();
    schema::migrate(&mut whole, schema::STEPS).unwrap();
    for earlier in 0..schema::STEPS.len() {
        let (_keep, path) = fresh();
        let mut db = Connection::open(&path).unwrap();
        schema::migrate(&mut db, &schema::STEPS[..earlier]).unwrap();
        drop(db);
        let (ledger, recovery) = Ledger::open(&path).unwrap();
        assert_eq!(recovery.migrated_from, (earlier > 0).then_some(earlier as i64));
        assert_eq!(ledger.reader().runs(1, None).unwrap(), []);
        assert_eq!(shape(&Connection::open(&path).unwrap()), shape(&whole));
    }
}

#[test]
fn readings_of_the_first_schema_are_still_read_without_what_they_never_had() {
    let (_keep, path) = fresh();
    let mut db = Connection::open(&path).unwrap();
    schema::migrate(&mut db, &schema::STEPS[..1]).unwrap();
    db.execute_batch(
        "INSERT INTO run (id, station, tank, title, started_by, started_utc, state, area_square_meters, parts, order_json)
         VALUES ('old', 'bench', 'nickel', 'a part', 'mila', '2026-01-01T00:00:00.000Z', 'running', 0.01, 1, '{}');
         INSERT INTO reading_chunk VALUES ('old', 0, 1, 2, '[0,200]', '[3000,3100]', '[20000,20000]', '[20000,20000]');",
    )
    .unwrap();
    drop(db);
    let (ledger, _) = Ledger::open(&path).unwrap();
    let rows = ledger.reader().readings("old").unwrap();
    assert_eq!(
        (rows.len(), rows[1].volts, rows[1].ceiling_volts, rows[1].bath_celsius),
        (2, 3.1, None, None)
    );
    let seen: (f64, Option<f64>) = Connection::open(&path)
        .unwrap()
        .query_row("SELECT volts, ceiling_volts FROM reading WHERE seconds > 0.1", [], |r| {
            Ok((r.get(0)?, r.get(1)?))
        })
        .unwrap();
    assert_eq!(seen, (3.1, None));
}

#[test]
fn failed_migration_leaves_the_last_good_schema_and_its_rows() {
    let mut db = Connection::open_in_memory().unwrap();
    schema::migrate(&mut db, schema::STEPS).unwrap();
    db.execute("INSERT INTO meta VALUES ('mine', 'kept')", []).unwrap();
    let last = schema::version(&db).unwrap();
    let mut steps = schema::STEPS.to_vec();
    steps.extend(["ALTER TABLE meta ADD COLUMN a TEXT", "CREATE TABLE b (x); SELECT broken FROM nowhere"]);
    let failure = schema::migrate(&mut db, &steps).unwrap_err();
    assert!(matches!(failure, LedgerError::Migration { from, to, .. } if (from, to) == (last + 1, last + 2)));
    assert_eq!(schema::version(&db).unwrap(), last + 1);
    assert!(db.prepare("SELECT x FROM b").is_err());
    let kept: String = db.query_row("SELECT value FROM meta WHERE key = 'mine'", [], |r| r.get(0)).unwrap();
    assert_eq!(kept, "kept");
}

#[tokio::test]
async fn stock_shell_sees_readings_and_accounts_in_plain_units() {
    let (_keep, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    ledger.begin(start("a", "nickel")).await.unwrap();
    for n in 0..300 {
        ledger.record(reading("a", n * 200));
    }
    ledger.finish(end("a", 3_600_000_000)).await.unwrap();
    let query = "SELECT COUNT(*), MAX(seconds), MIN(volts), MIN(amperes), MIN(setpoint_amperes) FROM reading; \
                 SELECT tank, ampere_hours FROM tank; SELECT ampere_minutes FROM run_charge;";
    let want = "300|59.8|3.2|2.8001|2.8\nnickel|1.0\n60.0\n";
    match Command::new("sqlite3").args(["-readonly", "-batch"]).arg(&path).arg(query).output() {
        Ok(shell) => {
            assert_eq!(
                String::from_utf8_lossy(&shell.stdout),
                want,
                "{}",
                String::from_utf8_lossy(&shell.stderr)
            );
        }
        // No such program on this machine: the same views through the library.
        Err(_) => {
            let db = Connection::open(&path).unwrap();
            let row: (i64, f64, f64, f64, f64) = db
                .query_row("SELECT COUNT(*), MAX(seconds), MIN(volts), MIN(amperes), MIN(setpoint_amperes) FROM reading", [], |r| {
                    Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?))
                })
                .unwrap();
            assert_eq!(row, (300, 59.8, 3.2, 2.8001, 2.8));
            let hours: f64 = db.query_row("SELECT ampere_hours FROM tank", [], |r| r.get(0)).unwrap();
            assert_eq!(hours, 1.0);
        }
    }
}

#[tokio::test]
async fn backup_is_a_whole_ledger_while_a_run_goes_on() {
    let (keep, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    ledger.begin(start("a", "nickel")).await.unwrap();
    ledger.record(charge("a", 42));
    ledger.sync().await.unwrap();
    let copy = keep.path().join("copy.sqlite");
    ledger.backup(copy.clone()).await.unwrap();
    let (copied, recovery) = Ledger::open(&copy).unwrap();
    assert_eq!(recovery.interrupted, ["a"]);
    assert_eq!(copied.account("nickel").charge_microcoulombs, 42);
    assert_eq!(ledger.run("a").await.unwrap().unwrap().state, "running");
}

#[derive(Clone, Debug)]
enum Deed {
    Begin(usize),
    Charge(usize, i64),
    Finish(usize, i64),
    Reopen,
}

fn deed() -> impl Strategy<Value = Deed> {
    let some = 0i64..4_000_000_000_000;
    prop_oneof![
        3 => (0usize..3).prop_map(Deed::Begin),
        6 => ((0usize..6), some.clone()).prop_map(|(run, c)| Deed::Charge(run, c)),
        2 => ((0usize..6), some).prop_map(|(run, c)| Deed::Finish(run, c)),
        1 => Just(Deed::Reopen),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Whatever runs in whatever order: the tank's account is the sum of its
    /// runs to the last microcoulomb, on disk and in memory.
    #[test]
    fn tank_account_is_exactly_the_sum_of_its_runs(deeds in prop::collection::vec(deed(), 1..30)) {
        let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
        runtime.block_on(async {
            let (_keep, path) = fresh();
            let (mut ledger, _) = Ledger::open(&path).unwrap();
            // The model: each run's tank, its charge, whether it is open.
            let mut runs: Vec<(usize, i64, bool)> = Vec::new();
            for deed in deeds {
                match deed {
                    Deed::Begin(tank) => {
                        let id = format!("{:04}", runs.len());
                        ledger.begin(start(&id, &format!("tank-{tank}"))).await.unwrap();
                        runs.push((tank, 0, true));
                    }
                    Deed::Charge(run, c) => {
                        if let Some(r) = runs.get_mut(run).filter(|r| r.2) {
                            ledger.record(charge(&format!("{run:04}"), c));
                            r.1 = r.1.max(c);
                        }
                    }
                    Deed::Finish(run, c) => {
                        if let Some(r) = runs.get_mut(run).filter(|r| r.2) {
                            ledger.finish(end(&format!("{run:04}"), c)).await.unwrap();
                            *r = (r.0, r.1.max(c), false);
                        }
                    }
                    Deed::Reopen => {
                        ledger.close().await.unwrap();
                        ledger = Ledger::open(&path).unwrap().0;
                        runs.iter_mut().for_each(|r| r.2 = false);
                    }
                }
            }
            ledger.sync().await.unwrap();
            let on_disk = ledger.tanks().await.unwrap();
            assert_eq!(on_disk, ledger.all_accounts());
            for tank in 0..3 {
                let sum: i64 = runs.iter().filter(|r| r.0 == tank).map(|r| r.1).sum();
                let account = ledger.account(&format!("tank-{tank}"));
                assert_eq!(account.charge_microcoulombs, sum);
                assert_eq!(account.runs, runs.iter().filter(|r| r.0 == tank).count() as u64);
            }
            ledger.close().await.unwrap();
        });
    }
}

//! Years of daily work in a ledger.
//!
//! Some runs of forty minutes at 5 Hz are rehearsed on drawn benches (real
//! controller, simulated supply and cell with their noise), and written by the
//! ledger's own thread as a daemon would. Those are then copied, row by row and
//! with ids and days of their own, until there are as many as asked for: so the
//! packed bytes of every run are bytes that the real writer wrote.
//!
//! Shared by `tests/years.rs`, which holds bounds on a small number, and the
//! `years` benchmark.

use rusqlite::{Connection, params};
use std::path::Path;
use std::time::Duration;
use tankside::ledger::{EventRow, HungRow, Ledger, PhaseRow, Row, RunEnd, RunStart};
use tankside::mimic::family::{Family, Habit, draw};
use tankside::mimic::{Bench, Prng};
use tankside::process::{Between, Confirm, Turn};
use tankside::quantity::{Mono, Reading, Temperature};
use tankside::station::{Visit, rehearse_with};
use uuid::Uuid;

/// The tanks that work turn about.
pub const TANKS: [&str; 3] = ["nickel", "silver", "copper"];
/// Part numbers in the shop.
const PARTS: u64 = 300;
/// 2016-01-01, seconds since 1970.
const BEGAN: u64 = 1_451_606_400;
/// Ten years, seconds.
const SPAN: u64 = 3_652 * 86_400;
/// Rows handed over between two syncs: the ledger's queue holds twice as many.
const HANDFUL: usize = 4_000;

fn at(seconds: u64) -> String {
    let at = jiff::Timestamp::from_second(seconds as i64).expect("years that a calendar has");
    format!("{at:.3}")
}

fn id(seconds: u64, n: u64) -> String {
    let stamp = uuid::Timestamp::from_unix(uuid::NoContext, seconds, (n % 1000) as u32 * 1_000_000);
    Uuid::new_v7(stamp).to_string()
}

fn hung(n: u64) -> Vec<HungRow> {
    let part = |number: u64, kind: &str, count, area_square_meters| HungRow {
        number: Some(format!("TS-{:04}", number % PARTS)),
        kind: kind.into(),
        count,
        area_square_meters,
    };
    vec![part(n * 7, "key cup", 6, 0.4e-2), part(n * 11 + 3, "octave lever", 4, 0.3e-2)]
}

/// Writes that many runs of so many minutes into a new ledger in that file, through its own thread.
/// Returns how many readings were written.
pub async fn work(path: &Path, runs: u64, minutes: f64) -> u64 {
    let (ledger, _) = Ledger::open(path).expect("a new ledger opens");
    let mut written = 0;
    for n in 0..runs {
        let family = if n.is_multiple_of(3) { Family::Copper } else { Family::Nickel };
        let habit = Habit::ALL[(n % 8) as usize];
        let mut drawn = draw(family, habit, 77_000_000 + n);
        drawn.poll = Duration::from_millis(200);
        let mut order = super::trials::order(&drawn, minutes);
        order.turn = (habit == Habit::Lifts).then_some(Turn {
            faces: 2,
            between: Between::Off,
            confirm: Confirm::Operator,
        });
        let bench = Bench::new(drawn.setup.clone(), Mono::from_millis(1000)).living(drawn.life.clone());
        let mut readings: Vec<(Duration, Reading, Option<f64>)> = Vec::new();
        let mut told: Option<f64> = None;
        let thermometer = drawn.thermometer;
        let play = rehearse_with(
            order.clone(),
            super::trials::station(&drawn),
            bench,
            drawn.poll,
            |bench, since, reading| {
                if thermometer && readings.len().is_multiple_of(10) {
                    // In sixteenths of a degree, every 2 s.
                    told = Some((bench.truth().temperature.get() * 16.0).round() / 16.0);
                }
                readings.extend(reading.map(|r| (since, r, told)));
                Visit { reading, ..Visit::default() }
            },
        );
        let run = id(BEGAN + n, n);
        let start = RunStart {
            id: run.clone(),
            station: "bench".into(),
            tank: TANKS[(n % 3) as usize].into(),
            title: format!("10 parts, load {n}"),
            started_by: "mila".into(),
            started: at(BEGAN),
            target: None,
            area_square_meters: 0.75e-2,
            parts: 10,
            metal: Some("Ni".into()),
            thickness_meters_per_coulomb: Some(1e-9),
            continues: None,
            hung: hung(n),
            job: None,
            lot: None,
            customer: None,
            order_json: serde_json::to_string(&order).expect("an order is numbers and names"),
        };
        ledger.begin(start).await.expect("there is room");
        for (since, text) in &play.story {
            let since_start = *since;
            ledger.record(Row::Event(EventRow {
                at: at(BEGAN + since.as_secs()),
                monotonic_milliseconds: since.as_millis() as i64,
                station: "bench".into(),
                run: Some(run.clone()),
                kind: "note".into(),
                text: text.clone(),
            }));
            ledger.record(Row::Phase(PhaseRow {
                run: run.clone(),
                at: at(BEGAN + since.as_secs()),
                since_start,
                state: "running",
                phase: "steady",
                why: None,
            }));
        }
        let mut jitter = Prng::new(n + 1);
        for (k, (since, reading, celsius)) in readings.iter().enumerate() {
            ledger.record(Row::Reading {
                run: run.clone(),
                // An answer comes a little later than the poll, give or take 5 ms: so it was in the demo, with
                // the simulated supply at the other end of a pty on a busy machine.
                since_start: *since + Duration::from_secs_f64((0.030 + 0.005 * jitter.normal()).max(0.0)),
                volts: reading.volts,
                amps: reading.amps,
                setpoint: reading.set_amps.unwrap_or(drawn.amps),
                ceiling: reading.set_volts.unwrap_or(drawn.ceiling),
                bath: celsius.map(Temperature::new),
            });
            if k % HANDFUL == 0 {
                ledger.sync().await.expect("there is room");
            }
        }
        written += readings.len() as u64;
        let outcome = play.outcome.expect("a rehearsal ends");
        let end = RunEnd {
            id: run,
            ended: at(BEGAN + 2_400),
            state: "complete",
            cause: outcome.cause,
            charge: outcome.charge,
            unobserved: outcome.unobserved,
            worked: outcome.worked,
            load_slope: Some(5e-3),
        };
        ledger.finish(end).await.expect("there is room");
    }
    for what in ["make-up", "carbon-treatment", "filter", "anode-change", "brightener"] {
        for tank in TANKS {
            ledger.log_addition(tank, what, "15 mL", "mila", None).await.expect("there is room");
        }
    }
    ledger.close().await.expect("it closes");
    written
}

/// Copies the runs of that ledger until there are `runs` of them, spread over ten years, and
/// `additions` of each kind in each tank.
pub fn copy(path: &Path, runs: u64, additions: u64) {
    let mut db = Connection::open(path).expect("the ledger is there");
    // The disk is asked once at the end; a cut of power in between costs a benchmark and no more.
    db.pragma_update(None, "synchronous", "off").expect("a pragma");
    db.pragma_update(None, "cache_size", -200_000).expect("a pragma");
    let templates: Vec<String> = db
        .prepare("SELECT id FROM run ORDER BY id")
        .and_then(|mut all| all.query_map([], |row| row.get(0))?.collect())
        .expect("there are runs");
    let first = templates.len() as u64;
    let mut n = first;
    while n < runs {
        let tx = db.transaction().expect("nobody else has it");
        for _ in 0..200.min(runs - n) {
            let from = &templates[(n % first) as usize];
            let began = BEGAN + n * (SPAN / runs);
            let to = id(began, n);
            copy_run(&tx, from, &to, n, began).expect("rows that were taken before are taken again");
            n += 1;
        }
        tx.commit().expect("there is room");
    }
    let tx = db.transaction().expect("nobody else has it");
    for k in 0..additions {
        tx.execute(
            "INSERT INTO addition (at_utc, tank, what, amount, tank_microcoulombs, by, tank_unobserved_milliseconds)
             SELECT ?1, tank, what, amount, ?2, by, 0 FROM addition WHERE id <= 15",
            params![at(BEGAN + k * (SPAN / additions)), 1_000_000 * k as i64],
        )
        .expect("there is room");
    }
    tx.commit().expect("there is room");
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).expect("nobody else has it");
}

fn copy_run(db: &Connection, from: &str, to: &str, n: u64, began: u64) -> rusqlite::Result<()> {
    let tank = TANKS[(n % 3) as usize];
    let ended = at(began + 2_400);
    db.prepare_cached(
        "INSERT INTO run (id, station, tank, title, started_by, started_utc, ended_utc, state, cause,
             target_microcoulombs, area_square_meters, parts, metal, thickness_meters_per_coulomb, continues, order_json,
             load_slope_ohm_square_meters) SELECT ?2, station, ?3, title, started_by, ?4, ?5, state, cause, target_microcoulombs,
             area_square_meters, parts, metal, thickness_meters_per_coulomb, continues, order_json,
             load_slope_ohm_square_meters FROM run WHERE id = ?1",
    )?
    .execute(params![from, to, tank, at(began), ended])?;
    db.prepare_cached(
        "INSERT INTO tank_charge SELECT ?2, ?3, charge_microcoulombs + ?4, unobserved_milliseconds,
             worked_milliseconds, ?5 FROM tank_charge WHERE run_id = ?1",
    )?
    .execute(params![from, to, tank, n as i64, ended])?;
    db.prepare_cached(
        "INSERT INTO run_step SELECT ?2, number, ?3, began_milliseconds, state, phase, why
         FROM run_step WHERE run_id = ?1",
    )?
    .execute(params![from, to, ended])?;
    db.prepare_cached(
        "INSERT INTO event (at_utc, monotonic_milliseconds, station, run_id, kind, text)
         SELECT ?3, monotonic_milliseconds, station, ?2, kind, text FROM event WHERE run_id = ?1",
    )?
    .execute(params![from, to, ended])?;
    for (number, part) in (1i64..).zip(hung(n)) {
        db.prepare_cached("INSERT INTO run_part VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)")?.execute(params![
            to,
            number,
            part.number,
            part.kind,
            part.count,
            part.area_square_meters,
            part.area_square_meters / 0.75e-2,
        ])?;
    }
    db.prepare_cached(
        "INSERT INTO alarm (at_utc, monotonic_milliseconds, station, run_id, watch, from_state, to_state, priority, text)
         VALUES (?2, 0, 'bench', ?1, 'drift', 'normal', 'unacknowledged', 'low', 'volts wander')",
    )?
    .execute(params![to, ended])?;
    db.prepare_cached("INSERT INTO reading_run (run_id) VALUES (?1)")?.execute([to])?;
    let number = db.last_insert_rowid();
    let old: i64 = db
        .prepare_cached("SELECT number FROM reading_run WHERE run_id = ?1")?
        .query_row([from], |row| row.get(0))?;
    db.prepare_cached(
        "INSERT INTO reading_block SELECT id % (1 << 32) + (?2 << 32), readings,
             milliseconds_base, microseconds_pitch, milliseconds_digits, millivolts_base, millivolts_step,
             millivolts_digits, tenth_milliamperes_base, tenth_milliamperes_step, tenth_milliamperes_digits,
             setpoint_base, setpoint_step, setpoint_digits, ceiling_millivolts_base, ceiling_millivolts_step,
             ceiling_millivolts_digits, bath_hundredth_celsius_base, bath_hundredth_celsius_step,
             bath_hundredth_celsius_digits
         FROM reading_block WHERE id BETWEEN ?1 << 32 AND (?1 << 32) + 4294967295 ORDER BY id",
    )?
    .execute(params![old, number])?;
    Ok(())
}

/// Readings in that ledger, and what each takes: of the whole file, and of the blocks alone.
pub fn weight(path: &Path) -> (u64, f64, f64) {
    let db = Connection::open(path).expect("the ledger is there");
    let readings: i64 = db
        .query_row("SELECT SUM(readings) FROM reading_block", [], |row| row.get(0))
        .expect("there are blocks");
    let pages: i64 = db
        .query_row(
            "SELECT SUM(pgsize) FROM dbstat WHERE name = 'reading_block' AND aggregate = TRUE",
            [],
            |row| row.get(0),
        )
        .expect("the library counts its pages");
    // What each column takes, for whoever wants to make it smaller.
    let column = |name: &str| {
        let question = format!(
            "SELECT 1.0 * SUM(COALESCE(length({name}_digits), 0)) / SUM(readings) FROM reading_block"
        );
        let bytes: f64 = db.query_row(&question, [], |row| row.get(0)).expect("there are blocks");
        format!("{name} {bytes:.2}")
    };
    let names = [
        "milliseconds",
        "millivolts",
        "tenth_milliamperes",
        "setpoint",
        "ceiling_millivolts",
        "bath_hundredth_celsius",
    ];
    println!("bytes of digits a reading: {}", names.map(column).join(", "));
    let file = std::fs::metadata(path).expect("it is there").len();
    (readings as u64, file as f64 / readings as f64, pages as f64 / readings as f64)
}

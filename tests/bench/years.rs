//! Ten years of daily work in one ledger: 25,000 runs of forty minutes at 5 Hz,
//! 300 million readings. What people ask of it, how it starts, what a reading
//! takes on disk. `cargo bench --bench years [runs]`; needs a gigabyte under
//! `target/`, which it gives back.
//!
//! The file is in the system's cache when it is asked: the figures are those of
//! a daemon that has been up a while, not of a disk that spins up.

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock and makes a file")]

mod decade;
#[expect(dead_code, reason = "only its orders are used here")]
mod trials;

use decade::TANKS;
use std::path::Path;
use std::time::{Duration, Instant};
use tankside::ledger::{Ledger, TallyBy};

const RUNS: u64 = 25_000;
const TEMPLATES: u64 = 48;
/// The figures that must be met.
const ASK: Duration = Duration::from_millis(100);
const START: Duration = Duration::from_millis(200);
const BYTES: f64 = 4.0;

fn main() {
    let runs = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(RUNS);
    let folder = tempfile::tempdir_in(Path::new(env!("CARGO_MANIFEST_DIR")).join("target"))
        .expect("target/ can be written");
    let path = folder.path().join("ledger.sqlite");
    let runtime = tokio::runtime::Runtime::new().expect("a runtime starts");

    let begun = Instant::now();
    let written = runtime.block_on(decade::work(&path, TEMPLATES.min(runs), 40.0));
    let (_, _, writer) = decade::weight(&path);
    println!(
        "{written} readings written by the ledger's own thread in {:.1} s: {writer:.2} bytes each",
        begun.elapsed().as_secs_f64()
    );
    let begun = Instant::now();
    decade::copy(&path, runs, 250);
    let (readings, file, blocks) = decade::weight(&path);
    println!(
        "{runs} runs, {:.1} million readings, {:.0} MB, made in {:.0} s",
        readings as f64 / 1e6,
        file * readings as f64 / 1e6,
        begun.elapsed().as_secs_f64()
    );
    let mut met = true;
    met &= told_bytes("a reading on disk, the whole file", file);
    told_bytes("a reading on disk, its block alone", blocks);

    let mut spent = Vec::new();
    for _ in 0..5 {
        let begun = Instant::now();
        let (ledger, recovery) = Ledger::open(&path).expect("it opens");
        spent.push(begun.elapsed());
        assert_eq!(recovery.interrupted, Vec::<String>::new());
        runtime.block_on(ledger.close()).expect("it closes");
    }
    met &= told("start-up", &mut spent, START);

    let (ledger, _) = Ledger::open(&path).expect("it opens");
    let reader = ledger.reader();
    let middle = reader.runs(1000, None).expect("there are runs").last().expect("one at least").id.clone();
    let mut ask = |what: &str, question: &mut dyn FnMut()| {
        let mut spent: Vec<_> = (0..7)
            .map(|_| {
                let begun = Instant::now();
                question();
                begun.elapsed()
            })
            .collect();
        met &= told(what, &mut spent, ASK);
    };
    ask("all accounts", &mut || drop(reader.tanks().expect("it reads")));
    ask("due list: last done and pace of four weeks", &mut || {
        reader.last_done().expect("it reads");
        reader.pace("2025-12-01T00:00:00.000Z").expect("it reads");
    });
    ask("a tank's account since each event", &mut || {
        drop(reader.since_each(&ledger.account(TANKS[0])).expect("it reads"));
    });
    for (what, by) in [("by day", TallyBy::Day), ("by month", TallyBy::Month), ("by part", TallyBy::Part)] {
        ask(&format!("a tank's account {what}, ten years"), &mut || {
            assert!(!reader.tally(TANKS[0], by, None).expect("it reads").is_empty());
        });
    }
    ask("runs, first page", &mut || drop(reader.runs(50, None).expect("it reads")));
    ask("one run's record with events, stages and readings", &mut || {
        reader.run(&middle).expect("it reads").expect("it is there");
        reader.events(Some(&middle), 1000).expect("it reads");
        reader.stages(&middle).expect("it reads");
        assert!(reader.readings(&middle).expect("it reads").len() > 10_000);
    });
    ask("what was left standing of a station's alarms", &mut || {
        drop(reader.alarms_left("bench").expect("it reads"))
    });
    ask("slopes of like loads", &mut || drop(reader.slopes(TANKS[0], 20).expect("it reads")));
    runtime.block_on(ledger.close()).expect("it closes");
    drop(folder);
    assert!(met, "a figure that README quotes is missed");
}

fn told_bytes(what: &str, bytes: f64) -> bool {
    println!("{what:<52} {bytes:>8.2} bytes (at most {BYTES})");
    bytes <= BYTES
}

fn told(what: &str, spent: &mut [Duration], most: Duration) -> bool {
    spent.sort();
    let ms = |d: &Duration| d.as_secs_f64() * 1e3;
    let worst = spent.last().expect("it was asked");
    println!(
        "{what:<52} median {:>7.2} ms, worst {:>7.2} ms (at most {:.0})",
        ms(&spent[spent.len() / 2]),
        ms(worst),
        ms(&most)
    );
    worst <= &most
}

//! Polls a second at 9600 baud against what the wire allows.
//! `cargo bench --bench poll`
//!
//! The whole path of a reading: port, line, dialect, over a pty whose other end
//! keeps back every byte for the ten bits it takes at 9600 baud (8-N-1), both
//! ways. The limit: bytes of questions and answers, times ten bits, plus the
//! dialect's rest between exchanges. The instrument's own thinking is not
//! counted as time of the wire.

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock and paces bytes by it")]

use nix::pty::openpty;
use nix::unistd::ttyname;
use std::fs::File;
use std::io::{Read, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};
use tankside::mimic::scpi::Instrument;
use tankside::mimic::{Bench, Setup};
use tankside::quantity::Mono;
use tankside::supply::dialect::shipped;
use tankside::supply::{Clock, Device, Parity, Port, Spec};

const BAUD: u32 = 9600;
/// Start bit, eight data bits, stop bit.
const BITS: u32 = 10;
const POLLS: u32 = 200;
/// The share of the limit that must be reached.
const LEAST: f64 = 0.90;

#[derive(Default)]
struct Counts {
    bytes: AtomicU64,
    questions: AtomicU64,
}

fn main() {
    let pty = openpty(None, None).expect("a pty");
    let path = ttyname(&pty.slave).expect("its name");
    let counts = Arc::new(Counts::default());
    let far_end = Arc::clone(&counts);
    // Ends with the process: its read fails when the last slave is closed.
    std::thread::spawn(move || instrument(File::from(pty.master), &far_end));

    let dialect = shipped().into_iter().find(|d| d.name == "scpi").expect("shipped");
    let rest = dialect.timing.min_gap;
    let spec = Spec {
        dialect: "scpi".into(),
        port: Port::Serial(path),
        baud: BAUD,
        parity: Parity::None,
        two_stop_bits: false,
        identity: None,
    };
    let mut device = Device::new(spec, Arc::new(dialect), Clock::new());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let (spent, bytes, questions) = runtime.block_on(async {
        device.connect().await.expect("the simulated supply answers");
        device.read().await.expect("a first reading, which asks for everything");
        let before = (counts.bytes.load(Ordering::SeqCst), counts.questions.load(Ordering::SeqCst));
        let begun = Instant::now();
        for _ in 0..POLLS {
            device.read().await.expect("a reading");
        }
        let spent = begun.elapsed();
        let bytes = counts.bytes.load(Ordering::SeqCst) - before.0;
        (spent, bytes, counts.questions.load(Ordering::SeqCst) - before.1)
    });
    drop(pty.slave);

    let wire = bytes as f64 * f64::from(BITS) / f64::from(BAUD) + questions as f64 * rest.as_secs_f64();
    let share = wire / spent.as_secs_f64();
    println!(
        "{POLLS} polls in {:.2} s: {:.2} a second; {:.1} bytes and {:.1} exchanges a poll",
        spent.as_secs_f64(),
        f64::from(POLLS) / spent.as_secs_f64(),
        bytes as f64 / f64::from(POLLS),
        questions as f64 / f64::from(POLLS)
    );
    println!(
        "the wire at {BAUD} baud with {} ms of rest allows {:.2} a second; reached {:.1} % (at least {:.0} %)",
        rest.as_millis(),
        f64::from(POLLS) / wire,
        share * 100.0,
        LEAST * 100.0
    );
    assert!(share >= LEAST, "slower than the README says");
}

/// The simulated supply behind a slow wire.
fn instrument(mut master: File, counts: &Counts) {
    let origin = Instant::now();
    let mut bench = Bench::new(Setup::default(), Mono::ZERO);
    let mut supply = Instrument::new("0001");
    let mut buffer = [0; 512];
    // When the last byte is through.
    let mut through = Instant::now();
    while let Ok(n) = master.read(&mut buffer) {
        through = through.max(Instant::now()) + byte_time(n);
        wait_until(through);
        let now = Mono::ZERO + origin.elapsed();
        let answer = supply.take(&mut bench, now, &buffer[..n]);
        counts.bytes.fetch_add((n + answer.len()) as u64, Ordering::SeqCst);
        if answer.is_empty() {
            continue;
        }
        counts.questions.fetch_add(1, Ordering::SeqCst);
        through += byte_time(answer.len());
        wait_until(through);
        if master.write_all(&answer).is_err() {
            return;
        }
    }
}

fn byte_time(bytes: usize) -> Duration {
    Duration::from_secs_f64(bytes as f64 * f64::from(BITS) / f64::from(BAUD))
}

fn wait_until(at: Instant) {
    std::thread::sleep(at.saturating_duration_since(Instant::now()));
}

//! Our polling beside a tight loop of pyserial and one of pymodbus: the same
//! simulated supply, the same speed, the same questions, in one run.
//! `cargo bench --bench side` (needs the Python of `tests/run`)
//!
//! The supply is a process of its own, so that its processor time is nobody's
//! here: this program again, which serves a pty that keeps every byte back for
//! the ten bits it takes on a wire, hands over once a millisecond what has come,
//! as an adapter at full-speed USB does, and answers without thinking. Processor
//! time is that of the asking process while it asks: CLOCK_PROCESS_CPUTIME_ID,
//! on both sides.
//!
//! The wire allows: bytes of questions and answers, times ten bits; per exchange
//! the rest before the next question; and for Modbus RTU the 3.5 characters
//! after a question by which a device knows that it has ended (MODBUS over
//! Serial Line V1.02, section 2.5.1.1). Each pair is measured with the rest of
//! the shipped dialect and with the least that is legal: none for SCPI, the 3.5
//! characters between an answer and the next question for Modbus RTU. A
//! pymodbus loop left to itself keeps less than that, so it is made to wait:
//! faster would be against the specification and no comparison.
//!
//! Ours is the driver as the daemon has it: opened by its path, on a runtime of
//! one thread. What it asks is written down beforehand in a pass that is not
//! timed, and asked by the others word for word, in whole circles. One thing is
//! against us: a benchmark is built with the tests' tokio, whose clock can be
//! stopped, so that each look at it takes longer than in the daemon.
//!
//! Two more rows are nobody's program: `write`, `read` and `sleep` in this
//! process and nothing else, no time-outs, nothing parsed. One waits in `read`,
//! and is woken by each piece; the other sleeps until the last byte must have
//! come, by the speed of the wire and the length of the answer, and reads once.
//! No program that keeps to the wire can take less processor time than the
//! cheaper of the two: it is the floor that each verdict on processor time names.
//! The second knows what no program can: when the simulated supply, which takes no
//! time to think, is done. Ours finds that out and stays a piece on the early side.
//!
//! Everything is done [`ROUNDS`] times, in turn. The table shows medians; each
//! verdict is about the median of what the rounds gave, and shows the spread.

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock and starts processes")]

#[path = "counted.rs"]
mod counted;
#[path = "../tools/mod.rs"]
mod tools;

use counted::Counted;
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use nix::time::ClockId;
use serde_json::Value;
use std::fs::File;
use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::Arc;
use std::thread::sleep;
use std::time::{Duration, Instant};
use tankside::mimic::modbus::{WordOrder, t3_5};
use tankside::mimic::{self, Options, Protocol};
use tankside::supply::dialect::shipped;
use tankside::supply::{Clock, Device, Parity, Port, Spec, Wiring};
use tokio::task::LocalSet;
use tokio_serial::SerialPortBuilderExt;

const BITS: f64 = 10.0;
const SPEEDS: [u32; 2] = [9600, 115_200];
/// Each loop runs for about so long, so often.
const LASTS: Duration = Duration::from_secs(2);
const ROUNDS: usize = 5;
/// Before the clock starts: a station polls for hours, and each answer is watched a few times before its time is known.
const WARM: usize = 25;
/// So many readings are written down; the rest of the dialects' questions goes round in [`CIRCLE`].
const COUNTED: usize = 20;
/// After so many readings the same is asked again. Everybody makes whole circles: half of one would have other bytes.
const CIRCLE: usize = 5;
/// The figures of the comparison.
const LEAST_SHARE: f64 = 0.95;
const MOST_OF_THEIR_CPU: f64 = 0.1;

fn main() {
    let words: Vec<String> = std::env::args().collect();
    if let [_, verb, kind, baud] = &words[..]
        && verb == "supply"
    {
        return serve(kind, baud.parse().expect("a speed"));
    }
    println!(
        "{:<9}{:>8} {:<22}{:>9}{:>11}{:>9}{:>9}{:>11}{:>13}",
        "kind", "baud", "who", "rest ms", "readings/s", "bytes", "asked", "of wire %", "CPU us/read"
    );
    let mut verdicts = Vec::new();
    for baud in SPEEDS {
        for (kind, peer) in [("scpi", "pyserial"), ("modbus", "pymodbus")] {
            let supply = Supply::start(kind, baud);
            let shipped_rest = dialect(kind).timing.min_gap;
            // Less than the silence that ends a frame nobody may keep on RTU.
            let least_rest = if kind == "modbus" { t3_5(baud) } else { Duration::ZERO };
            for rest in [shipped_rest, least_rest] {
                let line = Line { kind, path: &supply.pty, baud, rest };
                let rounds = Rounds::of(&line);
                for (who, found) in [
                    ("tankside", &rounds.ours),
                    (peer, &rounds.theirs),
                    ("(write, read)", &rounds.reads),
                    ("(write, sleep, read)", &rounds.sleeps),
                ] {
                    let middle = |of: fn(&Found) -> f64| median(found.iter().map(of).collect());
                    println!(
                        "{kind:<9}{baud:>8} {who:<22}{:>9.2}{:>11.2}{:>9.1}{:>9.2}{:>11.1}{:>13.1}",
                        rest.as_secs_f64() * 1e3,
                        middle(|found| found.rate),
                        middle(|found| found.bytes),
                        middle(|found| found.asked),
                        middle(|found| found.share) * 100.0,
                        middle(|found| found.cpu) * 1e6
                    );
                }
                rounds.judge(&line, peer, &mut verdicts);
            }
        }
    }
    for (met, what) in &verdicts {
        println!("{} {what}", if *met { "met " } else { "MISS" });
    }
    println!("{} of {} met", verdicts.iter().filter(|(met, _)| *met).count(), verdicts.len());
}

/// Where and how it is asked.
struct Line<'a> {
    kind: &'static str,
    path: &'a Path,
    baud: u32,
    rest: Duration,
}

/// What each found, round by round.
struct Rounds {
    ours: Vec<Found>,
    theirs: Vec<Found>,
    reads: Vec<Found>,
    sleeps: Vec<Found>,
}

impl Rounds {
    fn of(line: &Line) -> Rounds {
        let circle = written_down(line);
        let mut rounds = Rounds { ours: vec![], theirs: vec![], reads: vec![], sleeps: vec![] };
        for _ in 0..ROUNDS {
            let (found, n) = ours(line, &circle);
            rounds.ours.push(found);
            let asked: Vec<_> = circle.asked.iter().cloned().cycle().take(n).collect();
            rounds.theirs.push(theirs(line, &asked));
            let some = &asked[..(n / 3).next_multiple_of(CIRCLE)];
            rounds.reads.push(floor(line, some, false));
            rounds.sleeps.push(floor(line, some, true));
        }
        rounds
    }

    fn judge(&self, line: &Line, peer: &str, verdicts: &mut Vec<(bool, String)>) {
        let at = format!("{} {}, rest {:.2} ms", line.kind, line.baud, line.rest.as_secs_f64() * 1e3);
        let beside = |who: &[Found], of: fn(&Found) -> f64| -> Vec<f64> {
            who.iter().zip(&self.theirs).map(|(who, theirs)| of(who) / of(theirs)).collect()
        };
        let rate = beside(&self.ours, |found| found.rate);
        verdicts.push((
            median(rate.clone()) >= 1.0,
            format!("{at}: {:.3} of {peer}'s rate (at least 1); {}", median(rate.clone()), spread(&rate, 3)),
        ));
        let share: Vec<f64> = self.ours.iter().map(|found| found.share * 100.0).collect();
        verdicts.push((
            median(share.clone()) >= LEAST_SHARE * 100.0,
            format!(
                "{at}: {:.1} % of the wire (at least 95); {}; write and read alone {:.1}",
                median(share.clone()),
                spread(&share, 1),
                median(self.reads.iter().map(|found| found.share * 100.0).collect())
            ),
        ));
        let cpu = beside(&self.ours, |found| found.cpu);
        let reads = median(beside(&self.reads, |found| found.cpu));
        let floor = reads.min(median(beside(&self.sleeps, |found| found.cpu)));
        let reach = if floor > MOST_OF_THEIR_CPU { ", so no program reaches a tenth here" } else { "" };
        verdicts.push((
            median(cpu.clone()) <= MOST_OF_THEIR_CPU,
            format!(
                "{at}: {:.2} of {peer}'s CPU a reading (at most 0.1); {}; floor {floor:.2}{reach}",
                median(cpu.clone()),
                spread(&cpu, 2)
            ),
        ));
    }
}

fn median(mut of: Vec<f64>) -> f64 {
    of.sort_by(f64::total_cmp);
    of[of.len() / 2]
}

fn spread(of: &[f64], places: usize) -> String {
    let least = of.iter().copied().fold(f64::INFINITY, f64::min);
    let most = of.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    format!("{least:.places$} to {most:.places$}")
}

/// What one loop did, per reading.
struct Found {
    rate: f64,
    bytes: f64,
    asked: f64,
    share: f64,
    cpu: f64,
}

/// The same of the whole loop, in seconds and bytes.
struct Total {
    n: f64,
    asked: f64,
    wall: f64,
    cpu: f64,
    bytes: f64,
}

impl Found {
    fn new(line: &Line, total: Total) -> Found {
        let Total { n, asked, wall, cpu, bytes } = total;
        // What the specification keeps apart, no matter how soon the next is asked.
        let (silence, rest) = match line.kind {
            "modbus" => (t3_5(line.baud), line.rest.max(t3_5(line.baud))),
            _ => (Duration::ZERO, line.rest),
        };
        let wire = bytes * BITS / f64::from(line.baud) + asked * (silence + rest).as_secs_f64();
        Found { rate: n / wall, bytes: bytes / n, asked: asked / n, share: wire / wall, cpu: cpu / n }
    }
}

fn dialect(kind: &str) -> tankside::supply::Dialect {
    let name = if kind == "modbus" { "modbus-example" } else { "scpi" };
    shipped().into_iter().find(|d| d.name == name).expect("shipped")
}

fn device(line: &Line) -> Device {
    let mut dialect = dialect(line.kind);
    dialect.timing.min_gap = line.rest;
    let spec = Spec {
        dialect: dialect.name.clone(),
        port: Port::Serial(line.path.into()),
        baud: line.baud,
        parity: Parity::None,
        two_stop_bits: false,
        identity: None,
        wiring: Wiring::default(),
    };
    Device::new(spec, Arc::new(dialect), Clock::new())
}

/// As the daemon's control thread.
fn control<T>(work: impl Future<Output = T>) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    LocalSet::new().block_on(&runtime, work)
}

/// What our driver asks, reading by reading, again and again.
struct Circle {
    asked: Vec<Vec<Vec<u8>>>,
    /// Both ways, of one reading.
    bytes: f64,
}

fn written_down(line: &Line) -> Circle {
    control(async {
        let mut device = device(line);
        let port = tokio_serial::new(line.path.to_string_lossy(), line.baud).open_native_async();
        let port = Counted::new(port.expect("the pty opens"));
        let counts = port.counts();
        device.connect_over(port).await.expect("the simulated supply answers");
        device.read().await.expect("a first reading, which asks for everything");
        counts.take();
        let before = counts.bytes();
        let mut asked = Vec::new();
        for _ in 0..COUNTED {
            device.read().await.expect("a reading");
            asked.push(counts.take());
        }
        Circle { asked, bytes: (counts.bytes() - before) as f64 / COUNTED as f64 }
    })
}

/// Our loop, and how many readings it made.
fn ours(line: &Line, circle: &Circle) -> (Found, usize) {
    control(async {
        let mut device = device(line);
        device.connect().await.expect("the simulated supply answers");
        for _ in 0..WARM {
            device.read().await.expect("a reading");
        }
        let mut n = 0usize;
        let (cpu, begun) = (cpu_time(), Instant::now());
        while begun.elapsed() < LASTS || !n.is_multiple_of(CIRCLE) {
            device.read().await.expect("a reading");
            n += 1;
        }
        let (wall, cpu) = (begun.elapsed().as_secs_f64(), (cpu_time() - cpu).as_secs_f64());
        let asked = circle.asked.iter().cycle().take(n).map(Vec::len).sum::<usize>() as f64;
        let total = Total { n: n as f64, asked, wall, cpu, bytes: circle.bytes * n as f64 };
        (Found::new(line, total), n)
    })
}

fn theirs(line: &Line, asked: &[Vec<Vec<u8>>]) -> Found {
    let question = |bytes: &Vec<u8>| -> Value {
        if line.kind == "scpi" {
            return String::from_utf8(bytes.clone()).expect("SCPI is ASCII").into();
        }
        assert_eq!(bytes[1], 3, "only holding registers are read: {bytes:?}");
        let word = |at: usize| u16::from_be_bytes([bytes[at], bytes[at + 1]]);
        vec![word(2), word(4)].into()
    };
    let readings: Vec<Vec<Value>> =
        asked.iter().map(|reading| reading.iter().map(question).collect()).collect();
    let mut command = tools::python_with_peers();
    command.arg("-B").arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/peers/side_by_side.py"));
    command.arg(line.kind).arg(line.path).arg(line.baud.to_string()).arg(line.rest.as_secs_f64().to_string());
    let input = serde_json::to_string(&readings).expect("lines and numbers");
    let (fine, said) = tools::run(command, &input);
    assert!(fine, "{said}");
    let found: Value = serde_json::from_str(said.trim()).unwrap_or_else(|e| panic!("{e}: {said}"));
    let number = |key: &str| found[key].as_f64().unwrap_or_else(|| panic!("{key} in {said}"));
    let questions: usize = readings.iter().map(Vec::len).sum();
    let total = Total {
        n: number("readings"),
        asked: questions as f64,
        wall: number("wall"),
        cpu: number("cpu"),
        bytes: number("bytes"),
    };
    Found::new(line, total)
}

/// What the kernel alone takes for the same bytes.
fn floor(line: &Line, asked: &[Vec<Vec<u8>>], sleeps: bool) -> Found {
    let mut options = File::options();
    let mut port =
        options.read(true).write(true).custom_flags(libc::O_NOCTTY).open(line.path).expect("the pty opens");
    // pyserial leaves reads that do not wait.
    let mut termios = tcgetattr(&port).expect("a terminal");
    cfmakeraw(&mut termios);
    tcsetattr(&port, SetArg::TCSANOW, &termios).expect("a terminal");
    let on_wire = |bytes: usize| Duration::from_secs_f64(bytes as f64 * BITS / f64::from(line.baud));
    let silence = if line.kind == "modbus" { t3_5(line.baud) } else { Duration::ZERO };
    let mut buffer = [0u8; 512];
    let (mut bytes, mut came) = (0, 0);
    let (cpu, begun) = (cpu_time(), Instant::now());
    for question in asked.iter().flatten() {
        port.write_all(question).expect("the line takes it");
        // The answer before was about as long.
        if sleeps && came > 0 {
            sleep(on_wire(question.len() + came) + silence);
        }
        came = 0;
        loop {
            let more = port.read(&mut buffer[came..]).expect("the line answers");
            assert!(more > 0, "a read that waits brings something");
            came += more;
            let whole = match line.kind {
                "modbus" => came >= 5 + 2 * usize::from(question[5]),
                _ => buffer[..came].ends_with(b"\n"),
            };
            if whole {
                break;
            }
        }
        bytes += question.len() + came;
        if !line.rest.is_zero() {
            sleep(line.rest);
        }
    }
    let (wall, cpu) = (begun.elapsed().as_secs_f64(), (cpu_time() - cpu).as_secs_f64());
    let questions: usize = asked.iter().map(Vec::len).sum();
    let total = Total { n: asked.len() as f64, asked: questions as f64, wall, cpu, bytes: bytes as f64 };
    Found::new(line, total)
}

fn cpu_time() -> Duration {
    ClockId::CLOCK_PROCESS_CPUTIME_ID.now().expect("every Linux has it").into()
}

/// The simulated supply as a child; it ends with the pipe to it.
struct Supply {
    child: Child,
    _held: ChildStdin,
    pty: PathBuf,
}

impl Supply {
    fn start(kind: &str, baud: u32) -> Supply {
        let this = std::env::current_exe().expect("a program knows where it lies");
        let mut child = Command::new(this)
            .args(["supply", kind, &baud.to_string()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("this program starts again");
        let mut line = String::new();
        BufReader::new(child.stdout.take().expect("piped"))
            .read_line(&mut line)
            .expect("it says where it is");
        Supply { _held: child.stdin.take().expect("piped"), child, pty: line.trim().into() }
    }
}

impl Drop for Supply {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn serve(kind: &str, baud: u32) {
    let protocol = if kind == "modbus" { Protocol::Modbus(WordOrder::Abcd) } else { Protocol::Scpi };
    let options = Options { protocol, baud: Some(baud), reply_delay: Duration::ZERO, ..Options::default() };
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
    let runtime = runtime.expect("a runtime");
    let running = runtime.block_on(mimic::start(options)).expect("the mimic starts");
    let mut out = std::io::stdout();
    writeln!(out, "{}", running.pty().expect("a pty was asked for").display()).expect("somebody listens");
    // Until whoever started it is gone.
    let _ = std::io::copy(&mut std::io::stdin(), &mut std::io::sink());
}

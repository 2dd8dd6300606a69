//! Our polling beside a tight loop of pyserial and one of pymodbus: the same
//! simulated supply, the same speed, the same questions, in one run.
//! `cargo bench --bench side` (needs the Python of `tests/run`)
//!
//! The supply is a process of its own, so that its processor time is nobody's
//! here: this program again, which serves a pty that keeps every byte back for
//! the ten bits it takes on a wire, and answers without thinking. Processor
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
//! one thread. What it asked is written down in a second pass that is not
//! timed, and asked by the others word for word.
//!
//! A third row is nobody's program: blocking `write` and `read` calls in this
//! process and nothing else, no time-outs, nothing parsed. No program that keeps
//! to the wire can take less processor time than the kernel takes for that.

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
/// Each loop runs for about so long.
const LASTS: Duration = Duration::from_secs(4);
/// Before the clock starts: a station polls for hours, and each answer is watched a few times before its time is known.
const WARM: usize = 25;
/// So many readings are written down; the rest of the dialects' questions goes round in five.
const COUNTED: usize = 20;
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
        "kind", "baud", "who", "rest ms", "readings/s", "bytes", "asked", "of wire %", "CPU ms/read"
    );
    let mut verdicts = Vec::new();
    for baud in SPEEDS {
        for (kind, peer) in [("scpi", "pyserial"), ("modbus", "pymodbus")] {
            let supply = Supply::start(kind, baud);
            let shipped_rest = dialect(kind).timing.min_gap;
            // Less than the silence that ends a frame nobody may keep on RTU.
            let least_rest = if kind == "modbus" { t3_5(baud) } else { Duration::ZERO };
            let mut lines = Vec::new();
            for rest in [shipped_rest, least_rest] {
                let (ours, asked) = ours(kind, &supply.pty, baud, rest);
                let theirs = theirs(kind, &supply.pty, baud, rest, &asked);
                let floor = floor(kind, &supply.pty, baud, rest, &asked);
                for (who, found) in [("tankside", &ours), (peer, &theirs), ("(write and read)", &floor)] {
                    println!(
                        "{kind:<9}{baud:>8} {who:<22}{:>9.2}{:>11.2}{:>9.1}{:>9.2}{:>11.1}{:>13.3}",
                        rest.as_secs_f64() * 1e3,
                        found.rate,
                        found.bytes,
                        found.asked,
                        found.share * 100.0,
                        found.cpu * 1e3
                    );
                }
                lines.push((rest, ours, theirs, floor));
            }
            for (rest, ours, theirs, floor) in &lines {
                let at = format!("{kind} {baud}, rest {:.2} ms", rest.as_secs_f64() * 1e3);
                verdicts.push((
                    ours.rate >= theirs.rate,
                    format!("{at}: {:.3} of {peer}'s rate (at least 1)", ours.rate / theirs.rate),
                ));
                verdicts.push((
                    ours.share >= LEAST_SHARE,
                    format!("{at}: {:.1} % of the wire (at least 95 %)", ours.share * 100.0),
                ));
                verdicts.push((
                    ours.cpu <= theirs.cpu * MOST_OF_THEIR_CPU,
                    format!(
                        "{at}: {:.2} of {peer}'s CPU a reading (at most 0.1; write and read alone: {:.2})",
                        ours.cpu / theirs.cpu,
                        floor.cpu / theirs.cpu
                    ),
                ));
            }
        }
    }
    for (met, what) in &verdicts {
        println!("{} {what}", if *met { "met " } else { "MISS" });
    }
    println!("{} of {} met", verdicts.iter().filter(|(met, _)| *met).count(), verdicts.len());
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
    fn new(kind: &str, baud: u32, rest: Duration, total: Total) -> Found {
        let Total { n, asked, wall, cpu, bytes } = total;
        // What the specification keeps apart, no matter how soon the next is asked.
        let (silence, rest) = match kind {
            "modbus" => (t3_5(baud), rest.max(t3_5(baud))),
            _ => (Duration::ZERO, rest),
        };
        let wire = bytes * BITS / f64::from(baud) + asked * (silence + rest).as_secs_f64();
        Found { rate: n / wall, bytes: bytes / n, asked: asked / n, share: wire / wall, cpu: cpu / n }
    }
}

fn dialect(kind: &str) -> tankside::supply::Dialect {
    let name = if kind == "modbus" { "modbus-example" } else { "scpi" };
    shipped().into_iter().find(|d| d.name == name).expect("shipped")
}

/// Our loop; and what it asked, reading by reading.
fn ours(kind: &'static str, path: &Path, baud: u32, rest: Duration) -> (Found, Vec<Vec<Vec<u8>>>) {
    let mut dialect = dialect(kind);
    dialect.timing.min_gap = rest;
    let spec = Spec {
        dialect: dialect.name.clone(),
        port: Port::Serial(path.into()),
        baud,
        parity: Parity::None,
        two_stop_bits: false,
        identity: None,
        wiring: Wiring::default(),
    };
    // As the daemon's control thread.
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    LocalSet::new().block_on(&runtime, async {
        let mut device = Device::new(spec, Arc::new(dialect), Clock::new());
        device.connect().await.expect("the simulated supply answers");
        for _ in 0..WARM {
            device.read().await.expect("a reading");
        }
        let mut n = 0;
        let (cpu, begun) = (cpu_time(), Instant::now());
        while begun.elapsed() < LASTS {
            device.read().await.expect("a reading");
            n += 1;
        }
        let (wall, cpu) = (begun.elapsed(), cpu_time() - cpu);
        // Once more, not timed, through a port that writes down what passes: readings go round in a circle that
        // COUNTED is a multiple of.
        device.close();
        let port = tokio_serial::new(path.to_string_lossy(), baud).open_native_async();
        let port = Counted::new(port.expect("the pty opens"));
        let counts = port.counts();
        device.connect_over(port).await.expect("the simulated supply answers");
        device.read().await.expect("a first reading, which asks for everything");
        counts.take();
        let before = counts.bytes();
        let mut circle = Vec::new();
        for _ in 0..COUNTED {
            device.read().await.expect("a reading");
            circle.push(counts.take());
        }
        let bytes = (counts.bytes() - before) as f64 / COUNTED as f64;
        device.close();
        let asked: Vec<_> = circle.into_iter().cycle().take(n).collect();
        let questions: usize = asked.iter().map(Vec::len).sum();
        let found = Found::new(
            kind,
            baud,
            rest,
            Total {
                n: n as f64,
                asked: questions as f64,
                wall: wall.as_secs_f64(),
                cpu: cpu.as_secs_f64(),
                bytes: bytes * n as f64,
            },
        );
        (found, asked)
    })
}

fn theirs(kind: &str, path: &Path, baud: u32, rest: Duration, asked: &[Vec<Vec<u8>>]) -> Found {
    let question = |bytes: &Vec<u8>| -> Value {
        if kind == "scpi" {
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
    command.arg(kind).arg(path).arg(baud.to_string()).arg(rest.as_secs_f64().to_string());
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
    Found::new(kind, baud, rest, total)
}

/// What the kernel alone takes for the same bytes.
fn floor(kind: &str, path: &Path, baud: u32, rest: Duration, asked: &[Vec<Vec<u8>>]) -> Found {
    let mut options = File::options();
    let mut port =
        options.read(true).write(true).custom_flags(libc::O_NOCTTY).open(path).expect("the pty opens");
    // pyserial leaves reads that do not wait.
    let mut termios = tcgetattr(&port).expect("a terminal");
    cfmakeraw(&mut termios);
    tcsetattr(&port, SetArg::TCSANOW, &termios).expect("a terminal");
    let mut buffer = [0u8; 512];
    let mut bytes = 0;
    let (cpu, begun) = (cpu_time(), Instant::now());
    for question in asked.iter().flatten() {
        port.write_all(question).expect("the line takes it");
        let mut came = 0;
        loop {
            let more = port.read(&mut buffer[came..]).expect("the line answers");
            assert!(more > 0, "a read that waits brings something");
            came += more;
            let whole = match kind {
                "modbus" => came >= 5 + 2 * usize::from(question[5]),
                _ => buffer[..came].ends_with(b"\n"),
            };
            if whole {
                break;
            }
        }
        bytes += question.len() + came;
        if !rest.is_zero() {
            sleep(rest);
        }
    }
    let (wall, cpu) = (begun.elapsed().as_secs_f64(), (cpu_time() - cpu).as_secs_f64());
    let questions: usize = asked.iter().map(Vec::len).sum();
    let total = Total { n: asked.len() as f64, asked: questions as f64, wall, cpu, bytes: bytes as f64 };
    Found::new(kind, baud, rest, total)
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

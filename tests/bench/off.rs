//! From a fault at the supply to the off that the supply takes, with the real
//! daemon, also while 200 clients ask it for pages as fast as they can.
//! `cargo bench --bench off [samples]` (1000 of each kind if not said)
//!
//! Twenty-four stations, each with a simulated supply in a process of its own,
//! polled at 5 Hz, once over sockets and once over pseudo terminals at 115,200 baud. Each goes its own way, so that at
//! any moment some start, some plate and some fall: a run is started, and when it
//! is steady at 3 A the work is shorted against the anode at a moment that has
//! nothing to do with the polls; both times are taken from the supply's own
//! clock. Then the alarm is acknowledged and the next run started; what does not get
//! through to the daemon is tried again. The clients are at work all the while.
//! What is allowed: one poll period, one exchange, and the on-delay of the watch, which begins with the first bad reading.
//!
//! Everything runs on one machine and shares its cores. The daemon has what its unit gives it, the lowest real-time
//! priority; the supplies stand above it, for they are devices of their own in the world and wait for nobody's processor;
//! the clients and who works the stations stand behind everybody else (nice 5), as if they were on other machines. Where
//! the machine gives no real time, the heading says so, and daemon and supplies run as in a plain shell.
//!
//! What goes into a pseudo terminal is handed over by a worker of the kernel (tty_flip_buffer_push), both ways, and that
//! worker waits for the processor like any program, behind the clients and whatever else the machine does. A real line
//! has it on the way in alone, and no clients on the same machine.

#![expect(
    clippy::disallowed_methods,
    reason = "a benchmark reads the clock, asks over sockets, starts threads"
)]

#[path = "../e2e/hall.rs"]
#[expect(dead_code, reason = "the tests from outside use all of it")]
mod hall;

use hall::{Daemon, Hall, Mimic, Plan};
use serde_json::Value;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::{self, sleep};
use std::time::{Duration, Instant};

const STATIONS: [&str; 24] = [
    "s1", "s2", "s3", "s4", "s5", "s6", "s7", "s8", "s9", "s10", "s11", "s12", "s13", "s14", "s15", "s16",
    "s17", "s18", "s19", "s20", "s21", "s22", "s23", "s24",
];
const POLL: Duration = Duration::from_millis(200);
/// A question of four items and its answer, about 70 characters at 115,200 baud (6 ms), the mimic's
/// 2 ms of thought, the dialect's 5 ms of rest, and `OUTP OFF` (1 ms).
const EXCHANGE: Duration = Duration::from_millis(14);
/// The same on a socket, where nothing takes time on the wire.
const EXCHANGE_TCP: Duration = Duration::from_millis(8);
const CLIENTS: usize = 200;
/// Between two looks at a condition: looking takes time from those who are looked at.
const LOOK: Duration = Duration::from_millis(100);
/// No client waits longer for one answer.
const PATIENCE: Duration = Duration::from_secs(5);

fn main() -> ExitCode {
    let samples: usize = std::env::args().skip(1).find_map(|word| word.parse().ok()).unwrap_or(1000);
    let real_time = hall::real_time();
    match &real_time {
        Ok(()) => {
            println!("daemon at real-time priority 1, as by its unit; supplies at 2; clients at nice 5")
        }
        Err(why) => {
            println!("no real time here ({why}): daemon and supplies as in a plain shell; clients at nice 5")
        }
    }
    println!(
        "{:<8}{:<10}{:<10}{:>8}{:>11}{:>11}{:>11}{:>12}{:>14}",
        "line", "on-delay", "clients", "samples", "median ms", "90 % ms", "worst ms", "allowed ms", "late"
    );
    let mut missed = false;
    let at_once = ("[station.watch.short-circuit]\non-delay = \"0 s\"", Duration::ZERO);
    let usual = ("", Duration::from_secs(1));
    let lines = [("tcp", EXCHANGE_TCP), ("pty", EXCHANGE)];
    for ((line, exchange), (watch, delay)) in lines.into_iter().flat_map(|l| [(l, at_once), (l, usual)]) {
        let plan = Plan { stations: &STATIONS, watch, real_time: real_time.is_ok(), ..Plan::default() };
        let tcp = line == "tcp";
        let mut hall = if tcp { Hall::without_mimics(plan) } else { Hall::of(plan) };
        let text = std::fs::read_to_string(&hall.config).expect("just written");
        let slower = text.replace("poll = \"100 ms\"", &format!("poll = \"{} ms\"", POLL.as_millis()));
        assert_ne!(text, slower, "the hall polls at another rate");
        let mut slower = slower;
        for station in STATIONS.iter().filter(|_| tcp) {
            let mimic = Mimic::start_tcp(hall.command(2));
            let of = |port: &std::path::Path| format!("port = \"{}\"\n", port.display());
            // A socket has no baud rate.
            let was = format!("{}baud = {}\n", of(&hall.port(station)), hall.plan.baud);
            let moved = slower.replace(&was, &of(&mimic.link));
            assert_ne!(slower, moved, "the hall writes its ports in another way");
            slower = moved;
            hall.mimics.push(mimic);
        }
        std::fs::write(&hall.config, slower).expect("as before");
        let daemon = hall.daemon();
        for clients in [0, CLIENTS] {
            let (load, begun) = (load(), Instant::now());
            let answered = AtomicU64::new(0);
            let mut taken = sample(&hall, &daemon, clients, samples, &answered);
            taken.sort_by(f64::total_cmp);
            let allowed = (POLL + exchange + delay).as_secs_f64();
            let late = taken.iter().filter(|t| **t > allowed).count();
            let n = taken.len();
            println!(
                "{line:<8}{:<10}{clients:<10}{n:>8}{:>11.1}{:>11.1}{:>11.1}{:>12.0}{late:>14}",
                format!("{} ms", delay.as_millis()),
                taken[n / 2] * 1e3,
                taken[n * 9 / 10] * 1e3,
                taken[n - 1] * 1e3,
                allowed * 1e3
            );
            // The nearest rank; below a thousand samples there is none for 99.9.
            let high = match n.checked_sub(n / 1000 + 1).filter(|_| n >= 1000) {
                Some(rank) => format!("percentile 99.9: {:.1} ms", taken[rank] * 1e3),
                None => format!(
                    "the worst of {n} stands for percentile {:.1}; 99.9 takes 1000",
                    100.0 * (1.0 - 1.0 / n as f64)
                ),
            };
            let met = late * 1000 <= n;
            missed |= !met;
            println!(
                "  {} {high}; {} pages answered; {:.0} s; load of the machine {load}, {} after",
                if met { "met " } else { "MISS" },
                answered.load(Ordering::Relaxed),
                begun.elapsed().as_secs_f64(),
                self::load()
            );
        }
    }
    if missed { ExitCode::FAILURE } else { ExitCode::SUCCESS }
}

/// The average over the last minute: proc(5).
fn load() -> String {
    let text = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    text.split(' ').next().unwrap_or_default().into()
}

/// Seconds from each fault to the off that its supply took, at least so many.
fn sample(hall: &Hall, daemon: &Daemon, clients: usize, samples: usize, answered: &AtomicU64) -> Vec<f64> {
    let stop = AtomicBool::new(false);
    let taken = Mutex::new(Vec::with_capacity(samples));
    thread::scope(|scope| {
        for n in 0..clients {
            let stop = &stop;
            scope.spawn(move || hammer(daemon.address, n, stop, answered));
        }
        let stations = STATIONS.into_iter().zip(&hall.mimics).zip(7..);
        let stations: Vec<_> = stations
            .map(|((station, mimic), seed)| {
                let taken = &taken;
                scope.spawn(move || {
                    stand_behind();
                    let mut chance = Chance(seed);
                    while taken.lock().expect("no panic").len() < samples {
                        let seconds = fall(daemon, station, mimic, &mut chance);
                        taken.lock().expect("no panic").push(seconds);
                    }
                })
            })
            .collect();
        let well = stations.into_iter().filter_map(|station| station.join().err()).count() == 0;
        stop.store(true, Ordering::Relaxed);
        assert!(well, "a station's thread said what was wrong");
    });
    taken.into_inner().expect("no panic")
}

/// One run, and its fault.
fn fall(daemon: &Daemon, station: &str, mimic: &Mimic, chance: &mut Chance) -> f64 {
    let status = format!("/api/v1/stations/{station}");
    let tank = hall::tank(station);
    let words = ["start", "--json", "--station", station, "--tank", &tank, "--part", hall::PART];
    let more = ["--charge", "1000 C", "--current", "3 A", "--ramp", "200 ms"];
    let words = [&words[..], &more].concat();
    // Among 200 clients a command may not get through the door; whoever stands at the bench tries again.
    wait("started", || {
        // Which one stands is in the figures: a stale link comes late. One left standing refuses the start.
        for watch in ["short-circuit", "stale-link"] {
            let body = format!(r#"{{"by":"mila","watch":"{watch}","note":"bench"}}"#);
            // Refused where none stands.
            let _ = post(daemon.address, &format!("{status}/ack"), &body);
        }
        daemon.verb(&words).code == Some(0) || mimic.state().on()
    });
    wait("plating", || mimic.state().number("amperes") > 2.9);
    // The daemon must have read what this load needs: the figure is of a short that comes, not of one that was there.
    wait("steady", || {
        let now = status_of(daemon, &status);
        now["run"]["phase"] == "steady" && now["measured"]["volts"].as_f64().is_some_and(|volts| volts > 2.0)
    });
    sleep(chance.below(POLL * 2));
    let seconds = fault_to_off(mimic);
    wait("aborted", || status_of(daemon, &status)["run"]["state"] == "aborted");
    mimic.does("clear");
    seconds
}

/// What the daemon says of the station, or nothing when it does not get to it.
fn status_of(daemon: &Daemon, path: &str) -> Value {
    let page = ureq::get(format!("http://{}{path}", daemon.address)).call();
    page.ok().and_then(|mut page| page.body_mut().read_json().ok()).unwrap_or_default()
}

fn wait(what: &str, mut so: impl FnMut() -> bool) {
    let end = Instant::now() + hall::PATIENCE;
    while !so() {
        assert!(Instant::now() < end, "never {what}");
        sleep(LOOK);
    }
}

fn fault_to_off(mimic: &Mimic) -> f64 {
    // Two lines in one piece, taken one right after the other: the answer to the first dates the second.
    let before: Value = serde_json::from_str(&mimic.ask("state?\nfault short")).expect("a line of JSON");
    assert_eq!(before["output"], true, "{before}");
    wait("off", || !mimic.state().on());
    let after = mimic.state();
    assert_eq!(after.0["faults"][0], "short", "{after:?}");
    after.number("last_off") - before["seconds"].as_f64().expect("the supply's clock")
}

/// Asks until it is told to stop, each time over a new connection.
fn hammer(address: SocketAddr, n: usize, stop: &AtomicBool, answered: &AtomicU64) {
    stand_behind();
    let path = ["/", "/metrics", "/api/v1/stations/s1", "/api/v1/stations"][n % 4];
    while !stop.load(Ordering::Relaxed) {
        if matches!(get(address, path), Ok(1..)) {
            answered.fetch_add(1, Ordering::Relaxed);
        }
    }
}

/// As if this thread were on another machine.
fn stand_behind() {
    rustix::process::setpriority_process(None, 5).expect("lower is always allowed");
}

fn get(address: SocketAddr, path: &str) -> std::io::Result<usize> {
    let mut stream = TcpStream::connect_timeout(&address, PATIENCE)?;
    stream.set_read_timeout(Some(PATIENCE))?;
    write!(stream, "GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n")?;
    let mut page = Vec::new();
    stream.read_to_end(&mut page)
}

fn post(address: SocketAddr, path: &str, body: &str) -> std::io::Result<usize> {
    let mut stream = TcpStream::connect_timeout(&address, PATIENCE)?;
    stream.set_read_timeout(Some(PATIENCE))?;
    write!(
        stream,
        "POST {path} HTTP/1.1\r\nHost: {address}\r\nContent-Type: application/json\r\nContent-Length: {}\r\n\
         Connection: close\r\n\r\n{body}",
        body.len()
    )?;
    let mut page = Vec::new();
    stream.read_to_end(&mut page)
}

/// Moments that follow no period; Knuth's 64-bit linear congruence (The Art of
/// Computer Programming, vol. 2, section 3.3.4; from memory).
struct Chance(u64);

impl Chance {
    fn below(&mut self, most: Duration) -> Duration {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        most.mul_f64((self.0 >> 11) as f64 / (1u64 << 53) as f64)
    }
}

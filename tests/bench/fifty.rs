//! Fifty stations at 5 Hz on one daemon, each with a run under way: processor, memory, and how long
//! people and programs wait for an answer. `cargo bench --bench fifty [seconds]` (60 if not said; reads
//! /proc, so Linux alone)
//!
//! The simulated supplies, the viewers and the client live in this process, so that the daemon's own
//! is measured alone; they share the machine's cores with it all the same. Time for an answer: from
//! before the request is written to after its last byte is read, over one connection that stays open.
//! Between any two requests the same number of bytes goes to and fro between two threads of ours: what
//! the machine itself takes for that, just then, stands beside. A viewer is a page: the stream of all
//! stations, four times a second.

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock, /proc, and asks over sockets")]

#[path = "../e2e/hall.rs"]
#[expect(dead_code, reason = "the tests from outside use all of it")]
mod hall;

use hall::{Daemon, Hall, Plan};
use serde_json::Value;
use std::fs;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::{self, sleep};
use std::time::{Duration, Instant};
use tankside::bath::Agitation;
use tankside::mimic;

const STATIONS: usize = 50;
const VIEWERS: usize = 50;
const POLL: Duration = Duration::from_millis(200);
/// After the last start: what starting took is not counted.
const SETTLE: Duration = Duration::from_secs(10);
/// Between two questions of the client's.
const PAUSE: Duration = Duration::from_millis(5);
const PATIENCE: Duration = Duration::from_secs(10);

const MOST_SHARE: f64 = 0.25;
const MOST_KIB: u64 = 64 * 1024;
const LEAST_POLLS: f64 = 4.9;
const MOST_SNAPSHOT: Duration = Duration::from_millis(2);
const MOST_METRICS: Duration = Duration::from_millis(5);

fn main() -> ExitCode {
    let seconds = std::env::args().skip(1).find_map(|word| word.parse().ok()).unwrap_or(60);
    let look = Duration::from_secs(seconds);
    let names: &[&str] = Vec::leak((1..=STATIONS).map(|n| &*String::leak(format!("s{n}"))).collect());
    let hall = Hall::without_mimics(Plan { stations: names, ..Plan::default() });
    let text = fs::read_to_string(&hall.config).expect("just written");
    let slower = text.replace("poll = \"100 ms\"", &format!("poll = \"{} ms\"", POLL.as_millis()));
    assert_ne!(text, slower, "the hall polls at another rate");
    fs::write(&hall.config, slower).expect("as before");
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
    let runtime = runtime.expect("a runtime for the supplies");
    let supplies: Vec<_> = names.iter().map(|name| runtime.block_on(supply(&hall, name))).collect();
    let daemon = hall.daemon();
    for name in names {
        daemon.run_at(name, &["--charge", "3000 C", "--current", "3 A", "--ramp", "1 s"]);
    }
    for name in names {
        daemon.until_at(name, "steady", |s| s["run"]["phase"] == "steady");
    }
    sleep(SETTLE);

    let mut table = Table { missed: false };
    let process = u32::try_from(daemon.process.pid().as_raw()).expect("a process id");
    println!("{STATIONS} stations at 5 Hz, every one with a run under way; nobody looks");
    let alone = measure(&daemon, process, look, None);
    table.row("processor, of one core", alone.share * 100.0, "%", Some(MOST_SHARE * 100.0));
    table.row("resident", alone.kib as f64 / 1024.0, "MiB", Some((MOST_KIB / 1024) as f64));
    table.polls(&daemon);
    println!("  of which: {}", alone.threads);
    for minder in hall::minders(daemon.process.pid()) {
        let kib = resident_kib(u32::try_from(minder.as_raw()).expect("a process id"));
        println!("  and its minder beside it: {:.1} MiB resident", kib as f64 / 1024.0);
    }
    let asked = ask(daemon.address, &["/metrics".into()], 400);
    table.answers("/metrics", &asked, Some(MOST_METRICS));

    let stop = AtomicBool::new(false);
    let (bytes, events) = (AtomicU64::new(0), AtomicU64::new(0));
    thread::scope(|scope| {
        for _ in 0..VIEWERS {
            scope.spawn(|| view(daemon.address, &stop, &bytes, &events));
        }
        hall::until("every viewer has its events", || match events.load(Ordering::Relaxed) {
            seen if seen >= (10 * VIEWERS) as u64 => Ok(()),
            seen => Err(format!("{seen} events")),
        });
        println!("\nthe same with {VIEWERS} viewers, each with a stream of all {STATIONS} stations");
        let (b, e) = (bytes.load(Ordering::Relaxed), events.load(Ordering::Relaxed));
        let paths: Vec<_> = names.iter().map(|name| format!("/api/v1/stations/{name}")).collect();
        let seen = measure(&daemon, process, look, Some(&paths));
        let each = |now: &AtomicU64, then: u64| {
            (now.load(Ordering::Relaxed) - then) as f64 / seen.took.as_secs_f64() / VIEWERS as f64
        };
        println!(
            "  each viewer had {:.1} events and {:.0} kB a second",
            each(&events, e),
            each(&bytes, b) / 1e3
        );
        table.row("processor, of one core", seen.share * 100.0, "%", None);
        println!("  of which: {}", seen.threads);
        table.row("resident", seen.kib as f64 / 1024.0, "MiB", Some((MOST_KIB / 1024) as f64));
        table.polls(&daemon);
        table.answers("one station's snapshot", &seen.asked.expect("it was asked"), Some(MOST_SNAPSHOT));
        let asked = ask(daemon.address, &["/metrics".into()], 400);
        table.answers("/metrics", &asked, None);
        stop.store(true, Ordering::Relaxed);
    });
    drop(daemon);
    drop(supplies);
    if table.missed { ExitCode::FAILURE } else { ExitCode::SUCCESS }
}

async fn supply(hall: &Hall, name: &str) -> mimic::Running {
    let area = hall::WETTED.parse().expect("an area");
    let setup = mimic::Setup { agitation: Agitation::Air, area, ..mimic::Setup::default() };
    let options = mimic::Options {
        setup,
        link: Some(hall.port(name)),
        baud: Some(hall.plan.baud),
        ..mimic::Options::default()
    };
    mimic::start(options).await.expect("the simulated supply starts")
}

/// What was seen of the daemon over a while.
struct Seen {
    took: Duration,
    /// Of one core.
    share: f64,
    /// The most at any look.
    kib: u64,
    /// By name, what each thread took of one core.
    threads: String,
    asked: Option<Asked>,
}

fn measure(daemon: &Daemon, process: u32, look: Duration, paths: Option<&[String]>) -> Seen {
    println!("  load of the machine before: {}", load());
    let (before, ticks, begun) = (threads(process), ticks(process), Instant::now());
    let mut kib = 0;
    let asked = thread::scope(|scope| {
        let asking = paths.map(|paths| {
            let times = (look.as_secs_f64() / (PAUSE.as_secs_f64() * 3.0)) as usize;
            scope.spawn(move || ask(daemon.address, paths, times))
        });
        while begun.elapsed() < look || asking.as_ref().is_some_and(|a| !a.is_finished()) {
            sleep(Duration::from_millis(500));
            kib = kib.max(resident_kib(process));
        }
        asking.map(|a| a.join().expect("the client said what was wrong"))
    });
    let took = begun.elapsed();
    let (after, ticks) = (threads(process), self::ticks(process) - ticks);
    println!("  and after {:.0} s: {}", took.as_secs_f64(), load());
    let mut shares: Vec<(String, f64)> = Vec::new();
    for (id, name, ticks) in &after {
        let then = before.iter().find(|(other, ..)| other == id).map_or(0, |(.., ticks)| *ticks);
        let share = (ticks - then) as f64 / ticks_a_second() / took.as_secs_f64();
        match shares.iter_mut().find(|(known, _)| known == name) {
            Some((_, sum)) => *sum += share,
            None => shares.push((name.clone(), share)),
        }
    }
    shares.retain(|(_, share)| *share >= 0.0005);
    let listed: Vec<_> =
        shares.iter().map(|(name, share)| format!("{name} {:.1} %", share * 100.0)).collect();
    let share = ticks as f64 / ticks_a_second() / took.as_secs_f64();
    Seen { took, share, kib, threads: listed.join(", "), asked }
}

/// Seconds for each answer, and for as many bytes between two threads of ours.
#[derive(Default)]
struct Asked {
    answers: Vec<f64>,
    echoes: Vec<f64>,
    bytes: usize,
}

fn ask(address: SocketAddr, paths: &[String], times: usize) -> Asked {
    let mut daemon = Client::new(address);
    let mut asked = Asked { bytes: daemon.ask(&paths[0]), ..Asked::default() };
    let mut echo = Client::new(echo(asked.bytes));
    for path in paths.iter().cycle().take(times) {
        sleep(PAUSE / 2);
        let begun = Instant::now();
        daemon.ask(path);
        asked.answers.push(begun.elapsed().as_secs_f64());
        sleep(PAUSE / 2);
        let begun = Instant::now();
        echo.ask(path);
        asked.echoes.push(begun.elapsed().as_secs_f64());
    }
    asked.answers.sort_by(f64::total_cmp);
    asked.echoes.sort_by(f64::total_cmp);
    asked
}

/// Answers every request with that many bytes, without a thought.
fn echo(bytes: usize) -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("bound above");
    thread::spawn(move || {
        let (mut stream, _) = listener.accept().expect("the client comes");
        stream.set_nodelay(true).expect("a socket");
        let answer = format!("HTTP/1.1 200 OK\r\ncontent-length: {bytes}\r\n\r\n{}", "x".repeat(bytes));
        let mut request = [0; 1024];
        // Short requests come in one piece over loopback.
        while matches!(stream.read(&mut request), Ok(1..)) {
            if stream.write_all(answer.as_bytes()).is_err() {
                break;
            }
        }
    });
    address
}

/// One connection that stays open.
struct Client {
    stream: TcpStream,
    address: SocketAddr,
    buffer: Vec<u8>,
}

impl Client {
    fn new(address: SocketAddr) -> Client {
        let stream = TcpStream::connect(address).expect("somebody listens");
        stream.set_nodelay(true).expect("a socket");
        stream.set_read_timeout(Some(PATIENCE)).expect("a socket");
        Client { stream, address, buffer: vec![0; 1 << 20] }
    }

    /// Bytes of the answer's body.
    fn ask(&mut self, path: &str) -> usize {
        // In one piece, as a client does.
        let request = format!("GET {path} HTTP/1.1\r\nHost: {}\r\n\r\n", self.address);
        self.stream.write_all(request.as_bytes()).expect("it is taken");
        let (mut have, mut whole) = (0, None);
        while whole.is_none_or(|(head, body)| have < head + body) {
            let n = self.stream.read(&mut self.buffer[have..]).expect("an answer");
            assert!(n > 0, "cut off in the middle of an answer");
            have += n;
            whole = whole.or_else(|| head(&self.buffer[..have]));
        }
        whole.expect("the loop ended").1
    }
}

/// Bytes of the head and of the body that it announces, once the head is whole.
fn head(so_far: &[u8]) -> Option<(usize, usize)> {
    let end = so_far.windows(4).position(|four| four == b"\r\n\r\n")? + 4;
    let text = std::str::from_utf8(&so_far[..end]).expect("a head is ASCII");
    assert!(text.starts_with("HTTP/1.1 200 "), "{text}");
    let mut lines = text.lines();
    let length = lines.find_map(|l| l.to_ascii_lowercase().strip_prefix("content-length: ")?.parse().ok());
    Some((end, length.unwrap_or_else(|| panic!("no length: {text}"))))
}

/// Reads the stream of all stations until it is told to stop.
fn view(address: SocketAddr, stop: &AtomicBool, bytes: &AtomicU64, events: &AtomicU64) {
    let mut stream = TcpStream::connect(address).expect("somebody listens");
    stream.set_read_timeout(Some(PATIENCE)).expect("a socket");
    write!(stream, "GET /api/v1/stream HTTP/1.1\r\nHost: {address}\r\n\r\n").expect("it is taken");
    let mut buffer = vec![0; 1 << 18];
    while !stop.load(Ordering::Relaxed) {
        let n = stream.read(&mut buffer).expect("an event at least each second");
        assert!(n > 0, "the stream ended");
        bytes.fetch_add(n as u64, Ordering::Relaxed);
        let begun = buffer[..n].windows(7).filter(|seven| seven == b"event: ").count();
        events.fetch_add(begun as u64, Ordering::Relaxed);
    }
}

struct Table {
    missed: bool,
}

impl Table {
    fn row(&mut self, what: &str, value: f64, unit: &str, most: Option<f64>) {
        self.judge(what, value, unit, most.map(|most| (value <= most, format!("at most {most} {unit}"))));
    }

    fn judge(&mut self, what: &str, value: f64, unit: &str, limit: Option<(bool, String)>) {
        let verdict = match &limit {
            Some((true, _)) => "met ",
            Some((false, _)) => "MISS",
            None => "    ",
        };
        self.missed |= limit.as_ref().is_some_and(|(met, _)| !met);
        let limit = limit.map(|(_, limit)| limit).unwrap_or_default();
        println!("  {verdict} {what:<34}{value:>10.2} {unit:<6}{limit}");
    }

    /// The station that is polled most seldom.
    fn polls(&mut self, daemon: &Daemon) {
        let all = daemon.get("/api/v1/stations");
        let rate = |s: &Value| s["link"]["polls_per_second"].as_f64().unwrap_or_default();
        let least = all.as_array().into_iter().flatten().map(rate).fold(f64::INFINITY, f64::min);
        let running = |s: &&Value| s["run"]["state"] == "running" && s["stale"] == false;
        let running = all.as_array().into_iter().flatten().filter(running).count();
        assert_eq!(running, STATIONS, "not every run is under way");
        let limit = (least >= LEAST_POLLS, format!("at least {LEAST_POLLS}"));
        self.judge("polls of the slowest station", least, "a s", Some(limit));
    }

    fn answers(&mut self, what: &str, asked: &Asked, most: Option<Duration>) {
        let n = asked.answers.len();
        let at =
            |sorted: &[f64], share: f64| sorted[((n as f64 * share).ceil() as usize).clamp(1, n) - 1] * 1e3;
        let high = at(&asked.answers, 0.99);
        let most = most.map(|most| most.as_secs_f64() * 1e3);
        self.row(&format!("{what}, 99th percentile"), high, "ms", most);
        println!(
            "       {n} answers of {:.1} kB: median {:.2} ms, worst {:.2} ms; between two threads of ours: \
             median {:.2} ms, 99th percentile {:.2} ms",
            asked.bytes as f64 / 1e3,
            at(&asked.answers, 0.5),
            at(&asked.answers, 1.0),
            at(&asked.echoes, 0.5),
            at(&asked.echoes, 0.99),
        );
    }
}

/// Averages over 1, 5 and 15 minutes, and those that can run just now: proc(5).
fn load() -> String {
    let text = fs::read_to_string("/proc/loadavg").unwrap_or_default();
    text.split(' ').take(4).collect::<Vec<_>>().join(" ")
}

fn resident_kib(process: u32) -> u64 {
    let status = fs::read_to_string(format!("/proc/{process}/status")).expect("the process is there");
    let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:")).expect("a process has VmRSS");
    line.trim().trim_end_matches(" kB").parse().expect("a number of kB")
}

/// Ticks of the whole process so far, also of threads that have ended; proc(5), fields 14 and 15 of stat.
fn ticks(process: u32) -> u64 {
    let stat = fs::read_to_string(format!("/proc/{process}/stat")).expect("the process is there");
    spent(stat.rsplit_once(')').expect("as proc(5) has it").1)
}

fn spent(after_the_name: &str) -> u64 {
    let fields: Vec<&str> = after_the_name.split_whitespace().collect();
    fields[11..13].iter().map(|t| t.parse::<u64>().expect("a number of ticks")).sum()
}

/// Id, name, and ticks so far of every thread that there is.
fn threads(process: u32) -> Vec<(u32, String, u64)> {
    let mut all = Vec::new();
    for task in fs::read_dir(format!("/proc/{process}/task")).expect("the process is there").flatten() {
        // One that has ended since is not there any more.
        let Ok(stat) = fs::read_to_string(task.path().join("stat")) else { continue };
        let (begin, rest) = stat.rsplit_once(')').expect("as proc(5) has it");
        let (id, name) = begin.split_once(" (").expect("as proc(5) has it");
        all.push((id.parse().expect("a thread id"), name.into(), spent(rest)));
    }
    all
}

fn ticks_a_second() -> f64 {
    nix::unistd::sysconf(nix::unistd::SysconfVar::CLK_TCK).ok().flatten().unwrap_or(100) as f64
}

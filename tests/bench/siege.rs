//! What 10,000 connections do to control: the time between two readings, with nobody there and under siege.
//! `cargo bench --bench siege [seconds]` (60 each if not said; reads /proc, so Linux alone)
//!
//! Eight stations at 5 Hz, each with a simulated supply in a process of its own and a run under way; the readings'
//! times are the daemon's own, from its ledger. Then the same while 10,000 connections are held at it from one machine,
//! and each that is cut comes back within two seconds, in equal parts: one that says nothing, one that sends a head byte
//! by byte, one that stops in the middle of a head, one that sends a body of 100 MB, one that asks for a stream and
//! never reads it. The besiegers stand behind everybody else for the processor (nice 5), as if they were on other
//! machines; what the kernel does for them is not theirs to choose.
//!
//! A poll is late by what its time misses of 200 ms after the one before. Held: the worst under siege is no more than
//! one exchange worse than the worst without.

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock, /proc, and asks over sockets")]

#[path = "../e2e/hall.rs"]
#[expect(dead_code, reason = "the tests from outside use all of it")]
mod hall;

use hall::{Daemon, Hall, Plan};
use std::fs;
use std::net::SocketAddr;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::sleep;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::runtime::Runtime;
use tokio::time::{sleep as pause, timeout};

const STATIONS: [&str; 8] = ["s1", "s2", "s3", "s4", "s5", "s6", "s7", "s8"];
const POLL: Duration = Duration::from_millis(200);
/// As in the bench `off`: question, answer, thought and rest at 115,200 baud.
const EXCHANGE: Duration = Duration::from_millis(14);
const BESIEGERS: u64 = 10_000;
const BODY: usize = 100 << 20;
/// In the ramp readings come out of turn.
const RAMP: f64 = 5.0;

fn main() -> ExitCode {
    let seconds = std::env::args().skip(1).find_map(|word| word.parse().ok()).unwrap_or(60);
    let hall = Hall::of(Plan { stations: &STATIONS, ..Plan::default() });
    let text = fs::read_to_string(&hall.config).expect("just written");
    let slower = text.replace("poll = \"100 ms\"", &format!("poll = \"{} ms\"", POLL.as_millis()));
    assert_ne!(text, slower, "the hall polls at another rate");
    fs::write(&hall.config, slower).expect("as before");
    let daemon = hall.daemon();
    let besiegers = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .on_thread_start(|| rustix::process::setpriority_process(None, 5).expect("lower is always allowed"))
        .enable_all()
        .build()
        .expect("a runtime for the besiegers");

    println!(
        "{:<10}{:>9}{:>11}{:>9}{:>11}{:>10}{:>12}{:>7}{:>11}  load before, after",
        "siege", "readings", "median ms", "99 % ms", "99.9 % ms", "worst ms", "processor %", "files", "MiB"
    );
    let quiet = measure(&daemon, "none", seconds, None);
    let counts = Arc::new(Counts::default());
    let under = measure(&daemon, "10,000", seconds, Some((&besiegers, &counts)));
    let most = quiet + EXCHANGE.as_secs_f64();
    let met = under <= most;
    println!(
        "  {} worst under siege {:.1} ms late, at most {:.1} ms; {} connections were made, {} of them cut by the daemon, {} not let in; {:.0} MB of bodies sent",
        if met { "met " } else { "MISS" },
        under * 1e3,
        most * 1e3,
        counts.made.load(Ordering::Relaxed),
        counts.cut.load(Ordering::Relaxed),
        counts.refused.load(Ordering::Relaxed),
        counts.bytes.load(Ordering::Relaxed) as f64 / 1e6
    );
    // Whoever stands at the bench gets in again.
    daemon.until_at("s1", "answered after the siege", |s| s["link"]["up"] == true);
    besiegers.shutdown_background();
    if met { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// The worst lateness of a poll, s.
fn measure(daemon: &Daemon, siege: &str, seconds: u64, by: Option<(&Runtime, &Arc<Counts>)>) -> f64 {
    let start = ["--charge", "3000 C", "--current", "3 A", "--ramp", "1 s"];
    let runs: Vec<_> = STATIONS.iter().map(|name| daemon.run_at(name, &start)).collect();
    for name in STATIONS {
        daemon.until_at(name, "steady", |s| s["run"]["phase"] == "steady");
    }
    let process = daemon.process.pid().as_raw();
    let (load, ticks, begun) = (load(), ticks(process), Instant::now());
    let besieged = by.map(|(runtime, counts)| runtime.spawn(besiege(daemon.address, counts.clone())));
    let (mut files, mut kib) = (0, 0);
    while begun.elapsed() < Duration::from_secs(seconds) {
        sleep(Duration::from_secs(1));
        files = files.max(fs::read_dir(format!("/proc/{process}/fd")).expect("it is there").count());
        kib = kib.max(resident_kib(process));
    }
    let ended = begun.elapsed().as_secs_f64();
    let share = (self::ticks(process) - ticks) as f64 / 100.0 / ended;
    let load_after = self::load();
    if let Some(siege) = besieged {
        siege.abort();
    }
    // It may take a moment until there is a seat again.
    for name in STATIONS {
        hall::until("stopped", || {
            let said = daemon.verb(&["stop", "--station", name]);
            if said.code == Some(0) { Ok(()) } else { Err(said.err) }
        });
    }
    for run in &runs {
        daemon.row(run);
    }
    let mut late = Vec::new();
    for run in &runs {
        let rows = daemon.get(&format!("/api/v1/runs/{run}/readings"));
        let at = |row: &serde_json::Value| row["seconds"].as_f64().expect("a time");
        let times: Vec<f64> = rows.as_array().expect("a list").iter().map(at).collect();
        let until = times.last().copied().unwrap_or_default() - 2.0;
        let within = |pair: &&[f64]| pair[0] > RAMP && pair[1] < until.min(RAMP + ended);
        late.extend(
            times.windows(2).filter(within).map(|pair| (pair[1] - pair[0] - POLL.as_secs_f64()).abs()),
        );
    }
    late.sort_by(f64::total_cmp);
    let n = late.len();
    let at = |share: f64| late[((n as f64 * share).ceil() as usize).clamp(1, n) - 1] * 1e3;
    println!(
        "{siege:<10}{n:>9}{:>11.2}{:>9.2}{:>11.2}{:>10.2}{:>12.1}{files:>7}{:>11.1}  {load}, {load_after}",
        at(0.5),
        at(0.99),
        at(0.999),
        at(1.0),
        share * 100.0,
        kib as f64 / 1024.0
    );
    late[n - 1]
}

#[derive(Default)]
struct Counts {
    made: AtomicU64,
    cut: AtomicU64,
    refused: AtomicU64,
    bytes: AtomicU64,
}

async fn besiege(address: SocketAddr, counts: Arc<Counts>) {
    let mut all = tokio::task::JoinSet::new();
    for n in 0..BESIEGERS {
        let counts = counts.clone();
        all.spawn(async move {
            loop {
                match timeout(Duration::from_secs(10), TcpStream::connect(address)).await {
                    Ok(Ok(stream)) => {
                        counts.made.fetch_add(1, Ordering::Relaxed);
                        // An error is the daemon's cut.
                        let _ = hold(stream, address, n, &counts).await;
                        counts.cut.fetch_add(1, Ordering::Relaxed);
                    }
                    _ => drop(counts.refused.fetch_add(1, Ordering::Relaxed)),
                }
                pause(Duration::from_millis(1000 + n % 1000)).await;
            }
        });
    }
    while all.join_next().await.is_some() {}
}

/// Until the daemon cuts it.
async fn hold(mut stream: TcpStream, address: SocketAddr, n: u64, counts: &Counts) -> std::io::Result<()> {
    match n % 5 {
        0 => {}
        1 => {
            for byte in
                format!("GET /api/v1/stations HTTP/1.1\r\nHost: {address}\r\nX-A: {}", "a".repeat(9999))
                    .bytes()
            {
                stream.write_all(&[byte]).await?;
                pause(Duration::from_secs(1)).await;
            }
        }
        2 => stream.write_all(b"POST /api/v1/plan HTTP/1.1\r\nHost: ").await?,
        3 => {
            let head = format!(
                "POST /api/v1/plan HTTP/1.1\r\nHost: {address}\r\nContent-Type: application/json\r\n\
                 Content-Length: {BODY}\r\n\r\n"
            );
            stream.write_all(head.as_bytes()).await?;
            let piece = [b' '; 16 * 1024];
            for _ in 0..BODY / piece.len() {
                stream.write_all(&piece).await?;
                counts.bytes.fetch_add(piece.len() as u64, Ordering::Relaxed);
                // As from a network, not as fast as one machine copies its own memory.
                pause(Duration::from_millis(2)).await;
            }
        }
        _ => {
            let ask = format!("GET /api/v1/stream HTTP/1.1\r\nHost: {address}\r\n\r\n");
            stream.write_all(ask.as_bytes()).await?;
            // It reads nothing; that the daemon has cut it shows in a write.
            loop {
                pause(Duration::from_secs(5)).await;
                stream.write_all(b"\r\n").await?;
            }
        }
    }
    let mut rest = [0; 1024];
    while stream.read(&mut rest).await? > 0 {}
    Ok(())
}

/// Averages over 1, 5 and 15 minutes: proc(5).
fn load() -> String {
    let text = fs::read_to_string("/proc/loadavg").unwrap_or_default();
    text.split(' ').take(3).collect::<Vec<_>>().join(" ")
}

fn resident_kib(process: i32) -> u64 {
    let status = fs::read_to_string(format!("/proc/{process}/status")).expect("the process is there");
    let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:")).expect("a process has VmRSS");
    line.trim().trim_end_matches(" kB").parse().expect("a number of kB")
}

/// Hundredths of a second of the processor so far; proc(5), fields 14 and 15 of stat. Linux counts them so to programs.
fn ticks(process: i32) -> u64 {
    let stat = fs::read_to_string(format!("/proc/{process}/stat")).expect("the process is there");
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap_or_default().split_whitespace().collect();
    fields[11..13].iter().map(|t| t.parse::<u64>().expect("a number of ticks")).sum()
}

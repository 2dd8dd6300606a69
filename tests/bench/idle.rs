//! Memory and processor of the idle daemon: one station on a mimic at 5 Hz.
//! `cargo bench --bench idle` (reads /proc, so Linux alone)

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock, /proc, and asks over a socket")]

use std::fs;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};
use tankside::mimic;

const SETTLE: Duration = Duration::from_secs(5);
const LOOK: Duration = Duration::from_secs(30);
const MOST_KIB: u64 = 20 * 1024;
const MOST_SHARE: f64 = 0.01;

fn main() {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
    let runtime = runtime.expect("a runtime for the mimic");
    let supply = runtime.block_on(mimic::start(mimic::Options::default())).expect("the mimic starts");
    let port = supply.pty().expect("a pty was asked for");

    let folder = tempfile::tempdir().expect("a temporary folder");
    let address = free_address();
    let config = folder.path().join("tankside.toml");
    let text = format!(
        "[daemon]\nlisten = {address:?}\nstate = {:?}\n\n[[station]]\nname = \"bench\"\npoll = \"200 ms\"\n\n\
         [station.supply]\ndialect = \"scpi\"\nport = {:?}\nbaud = 9600\nmax-current = \"10 A\"\n\
         max-voltage = \"12 V\"\n\n[[tank]]\nname = \"nickel\"\nbath = \"watts-nickel\"\nvolume = \"20 L\"\n",
        folder.path().display().to_string(),
        port.display().to_string(),
    );
    fs::write(&config, text).expect("the config is written");

    let daemon = Command::new(env!("CARGO_BIN_EXE_tankside"))
        .arg("serve")
        .arg("--config")
        .arg(&config)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .spawn()
        .expect("the daemon starts");
    let mut daemon = Daemon(daemon);
    daemon.wait_until_polling(&address);
    sleep(SETTLE);

    let pid = daemon.0.id();
    let helpers = children(pid);
    let before = cpu_seconds(pid);
    let begun = Instant::now();
    sleep(LOOK);
    let share = (cpu_seconds(pid) - before) / begun.elapsed().as_secs_f64();
    let rss = resident_kib(pid);
    println!(
        "idle daemon, one station at 5 Hz: {:.1} MiB resident (at most {}), {:.2} % of one core over {} s (at most {:.0} %)",
        rss as f64 / 1024.0,
        MOST_KIB / 1024,
        share * 100.0,
        LOOK.as_secs(),
        MOST_SHARE * 100.0
    );
    for helper in helpers {
        println!("and its minder: {:.1} MiB resident", resident_kib(helper) as f64 / 1024.0);
    }
    assert!(rss <= MOST_KIB, "larger than the README says");
    assert!(share <= MOST_SHARE, "busier than the README says");
}

/// Ended by SIGTERM, as a service manager would, when dropped.
struct Daemon(Child);

impl Daemon {
    /// Until metrics say that the link is up, for at most 20 s.
    fn wait_until_polling(&mut self, address: &str) {
        let begun = Instant::now();
        while begun.elapsed() < Duration::from_secs(20) {
            if let Some(status) = self.0.try_wait().expect("our child") {
                panic!("the daemon ended: {status}");
            }
            let page = get(address, "/metrics").unwrap_or_default();
            if page.lines().any(|l| l == "tankside_link_up{station=\"bench\"} 1") {
                return;
            }
            sleep(Duration::from_millis(100));
        }
        panic!("the daemon did not reach its supply within 20 s");
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let pid = nix::unistd::Pid::from_raw(self.0.id().cast_signed());
        // It may have ended by itself; then there is nobody to tell.
        let _ = nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM);
        let _ = self.0.wait();
    }
}

fn free_address() -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    listener.local_addr().expect("bound above").to_string()
}

fn get(address: &str, path: &str) -> std::io::Result<String> {
    let mut stream = TcpStream::connect(address)?;
    stream.set_read_timeout(Some(Duration::from_secs(2)))?;
    write!(stream, "GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n")?;
    let mut page = String::new();
    stream.read_to_string(&mut page)?;
    Ok(page)
}

fn resident_kib(pid: u32) -> u64 {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).expect("the process is there");
    let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:")).expect("a process has VmRSS");
    line.trim().trim_end_matches(" kB").parse().expect("a number of kB")
}

/// User and system time so far; proc(5), fields 14 and 15 of stat.
fn cpu_seconds(pid: u32) -> f64 {
    let stat = fs::read_to_string(format!("/proc/{pid}/stat")).expect("the process is there");
    // The name, field 2, may hold blanks; count from its closing bracket.
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap_or_default().split_whitespace().collect();
    let ticks: f64 = fields[11..13].iter().map(|t| t.parse::<f64>().expect("a number of ticks")).sum();
    let a_second = nix::unistd::sysconf(nix::unistd::SysconfVar::CLK_TCK);
    ticks / a_second.ok().flatten().unwrap_or(100) as f64
}

fn children(pid: u32) -> Vec<u32> {
    let mut all = Vec::new();
    for task in fs::read_dir(format!("/proc/{pid}/task")).into_iter().flatten().flatten() {
        let list = fs::read_to_string(task.path().join("children")).unwrap_or_default();
        all.extend(list.split_whitespace().filter_map(|c| c.parse::<u32>().ok()));
    }
    all
}

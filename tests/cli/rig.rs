//! A folder with a simulated supply and a config, a daemon that works it, and the verbs as people type them.

use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

pub const BINARY: &str = env!("CARGO_BIN_EXE_tankside");
pub const CUPS: [&str; 10] = [
    "--tank",
    "nickel",
    "--part",
    "disc 34 mm x 1 mm",
    "--count",
    "6",
    "--thickness",
    "8 um",
    "--ramp",
    "2 s",
];

pub fn tankside(words: &[&str], inside: &Path) -> Output {
    let mut command = Command::new(BINARY);
    command.args(words).current_dir(inside).stdin(Stdio::null());
    command.env("USER", "mila").env_remove("TANKSIDE_TOKEN").env_remove("RUST_LOG");
    command.output().unwrap()
}

pub fn code(output: &Output) -> i32 {
    output.status.code().unwrap()
}

pub fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

pub fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

/// An address where nobody listens.
pub fn nobody() -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    listener.local_addr().unwrap().to_string()
}

pub fn until<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let begun = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(begun.elapsed() < Duration::from_secs(20), "waited in vain: {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// A child that does not outlive its test.
pub struct Process(pub Child);

impl Drop for Process {
    fn drop(&mut self) {
        self.0.kill().ok();
        self.0.wait().ok();
    }
}

impl Process {
    pub fn signal(&self, signal: nix::sys::signal::Signal) {
        let pid = nix::unistd::Pid::from_raw(self.0.id().try_into().unwrap());
        nix::sys::signal::kill(pid, signal).unwrap();
    }
}

/// A folder with a mimic on a pty and a config that works it.
pub struct Shop {
    pub folder: TempDir,
    _mimic: Process,
}

impl Shop {
    pub fn new() -> Shop {
        let folder = tempfile::tempdir().unwrap();
        let place = |name: &str| folder.path().join(name).display().to_string();
        let mut mimic = Command::new(BINARY)
            .args(["mimic", "--agitation", "air", "--area", "1.211 dm2", "--baud", "115200"])
            .args(["--link", &place("supply"), "--truth", &place("truth")])
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let said = BufReader::new(mimic.stdout.take().unwrap()).lines();
        assert!(said.map_while(Result::ok).any(|line| line == "ready"));
        std::fs::write(place("tankside.toml"), config(&place("supply"), &place("state"))).unwrap();
        Shop { folder, _mimic: Process(mimic) }
    }
    pub fn path(&self) -> &Path {
        self.folder.path()
    }
    pub fn config(&self) -> String {
        self.path().join("tankside.toml").display().to_string()
    }
    /// What is really so at the mimic's terminals.
    pub fn truth(&self, key: &str) -> Value {
        until("the truth", || {
            let text = std::fs::read_to_string(self.path().join("truth")).ok()?;
            text.lines().rev().find_map(|l| serde_json::from_str::<Value>(l).ok()).map(|v| v[key].clone())
        })
    }
    pub fn output_is(&self, on: bool) {
        until(if on { "output on" } else { "output off" }, || (self.truth("output") == on).then_some(()));
    }
    pub fn serve(&self) -> Serving {
        Serving::start(self, &self.config())
    }
}

pub fn config(port: &str, state: &str) -> String {
    format!(
        r#"
[daemon]
listen = "127.0.0.1:{}"
state = "{state}"
[[station]]
name = "bench"
[station.supply]
dialect = "scpi"
port = "{port}"
baud = 115200
identity = "TANKSIDE,MIMIC"
max-current = "10 A"
max-voltage = "12 V"
[[tank]]
name = "nickel"
bath = "watts-nickel"
volume = "20 L"
anode-area = "6 dm2"
agitation = "air"
temperature = "54 degC"
"#,
        nobody().parse::<SocketAddr>().unwrap().port()
    )
}

/// A daemon at work.
pub struct Serving {
    pub process: Process,
    pub address: String,
    pub log: PathBuf,
    pub folder: PathBuf,
}

impl Serving {
    pub fn start(shop: &Shop, config: &str) -> Serving {
        let log = shop.path().join("log");
        let mut command = Command::new(BINARY);
        command.args(["serve", "--config", config]).stdin(Stdio::null());
        command.stderr(std::fs::File::create(&log).unwrap());
        let process = Process(command.spawn().unwrap());
        let address = until("listening", || {
            let text = std::fs::read_to_string(&log).ok()?;
            let line = text.lines().find(|l| l.contains("listening address="))?.to_owned();
            Some(line.rsplit('=').next().unwrap().to_owned())
        });
        let serving = Serving { process, address, log, folder: shop.path().to_owned() };
        until("the link", || (serving.json(&["status"])[0]["link"]["up"] == true).then_some(()));
        serving
    }
    pub fn say(&self, words: &[&str]) -> Output {
        let mut all = words.to_vec();
        all.extend(["--address", &self.address]);
        tankside(&all, &self.folder)
    }
    pub fn json(&self, words: &[&str]) -> Value {
        let mut all = words.to_vec();
        all.push("--json");
        serde_json::from_slice(&self.say(&all).stdout).unwrap_or_default()
    }
    pub fn start_cups(&self) -> Output {
        let mut words = vec!["start"];
        words.extend(CUPS);
        self.say(&words)
    }
    pub fn run_is(&self, state: &str, phase: &str) {
        until(&format!("{state} {phase}"), || {
            let run = self.json(&["status"])[0]["run"].clone();
            (run["state"] == state && run["phase"] == phase).then_some(())
        });
    }
    pub fn ends(mut self) -> (i32, String) {
        let status = until("the daemon's end", || self.process.0.try_wait().unwrap());
        (status.code().unwrap_or(-1), std::fs::read_to_string(&self.log).unwrap())
    }
}

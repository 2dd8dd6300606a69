//! Starts the processes, asks them, waits for conditions, ends them.

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Long enough for a loaded machine, short enough that a hang is noticed.
pub const PATIENCE: Duration = Duration::from_secs(60);
/// Between two looks at a condition.
const LOOK: Duration = Duration::from_millis(20);

/// The program under test.
pub const TANKSIDE: &str = env!("CARGO_BIN_EXE_tankside");

/// Wetted area of what hangs, as the order says it; the order adds 5 % for the rack.
pub const PART: &str = "area 80 cm2";
/// The same with the rack, for the simulated cell.
pub const WETTED: &str = "84 cm2";

/// Waits until there is something.
///
/// # Panics
/// After [`PATIENCE`], with what was waited for and what `last` says.
pub fn until<T>(what: &str, mut look: impl FnMut() -> Result<T, String>) -> T {
    let end = Instant::now() + PATIENCE;
    loop {
        match look() {
            Ok(found) => return found,
            Err(last) if Instant::now() > end => panic!("never {what}: {last}"),
            Err(_) => std::thread::sleep(LOOK),
        }
    }
}

/// What a verb said.
#[derive(Debug)]
pub struct Said {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

impl Said {
    /// Its output, when it ended well.
    pub fn good(self) -> String {
        assert_eq!(self.code, Some(0), "{self:?}");
        self.out
    }
    /// Its complaint, when it ended with that code.
    pub fn bad(self, code: i32) -> String {
        assert_eq!(self.code, Some(code), "{self:?}");
        self.err
    }
    pub fn json(self) -> Value {
        let out = self.good();
        serde_json::from_str(&out).unwrap_or_else(|e| panic!("{e}: {out}"))
    }
}

/// A command of ours that no variable of the surroundings can bend.
pub fn tankside() -> Command {
    clean(Command::new(TANKSIDE))
}

/// The same at real time, round robin, at that priority: chrt(1) of util-linux sets it and becomes the command, as the
/// service manager does.
pub fn tankside_at(priority: u8) -> Command {
    let mut command = Command::new("chrt");
    command.args(["-r", &priority.to_string(), TANKSIDE]);
    clean(command)
}

/// Whether this machine gives real time; else why not.
pub fn real_time() -> Result<(), String> {
    let mut chrt = Command::new("chrt");
    chrt.args(["-r", "2", "true"]);
    match chrt.output() {
        Ok(output) if output.status.success() => Ok(()),
        Ok(output) => Err(String::from_utf8_lossy(&output.stderr).trim().into()),
        Err(e) => Err(format!("chrt (of util-linux): {e}")),
    }
}

pub fn clean(mut command: Command) -> Command {
    for name in ["RUST_LOG", "TANKSIDE_TOKEN", "NOTIFY_SOCKET", "WATCHDOG_USEC", "http_proxy", "HTTP_PROXY"] {
        command.env_remove(name);
    }
    command
}

/// Runs a command to its end.
pub fn say(mut command: Command) -> Said {
    let output = command.stdin(Stdio::null()).output().unwrap();
    Said {
        code: output.status.code(),
        out: String::from_utf8_lossy(&output.stdout).into_owned(),
        err: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}

/// Lines of a child's output as they come.
#[derive(Clone, Default)]
pub struct Log(Arc<Mutex<String>>);

impl Log {
    pub fn of(stream: impl Read + Send + 'static) -> Log {
        let log = Log::default();
        let into = log.clone();
        std::thread::spawn(move || {
            let mut lines = BufReader::new(stream);
            let mut line = Vec::new();
            while matches!(lines.read_until(b'\n', &mut line), Ok(1..)) {
                into.0.lock().unwrap().push_str(&String::from_utf8_lossy(&line));
                line.clear();
            }
        });
        log
    }
    pub fn text(&self) -> String {
        self.0.lock().unwrap().clone()
    }
    /// The first line that has these words.
    pub fn until(&self, words: &str) -> String {
        until(&format!("said {words:?}"), || {
            let text = self.text();
            let line = text.lines().find(|line| line.contains(words)).map(String::from);
            line.ok_or(text)
        })
    }
}

/// A child that goes when it is dropped, killed if it must be.
pub struct Process {
    pub child: Child,
}

impl Process {
    pub fn pid(&self) -> Pid {
        Pid::from_raw(i32::try_from(self.child.id()).unwrap())
    }
    pub fn signal(&self, signal: Signal) {
        kill(self.pid(), signal).unwrap();
    }
    /// Waits for its end.
    pub fn ended(&mut self) -> ExitStatus {
        until("ended", || self.child.try_wait().unwrap().ok_or_else(|| "it runs".into()))
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // It may have ended long ago.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The simulated supply, in a process of its own.
pub struct Mimic {
    pub process: Process,
    pub link: PathBuf,
    control: SocketAddr,
}

/// Its link goes with it: the terminal that it leads to gets its number again, perhaps for the supply of another test.
impl Drop for Mimic {
    fn drop(&mut self) {
        // One on a socket has none.
        let _ = std::fs::remove_file(&self.link);
    }
}

impl Mimic {
    pub fn start(link: &Path, baud: u32) -> Mimic {
        Mimic::start_by(tankside(), link, baud)
    }

    /// One on a socket: no line between it and whoever connects. Where it listens stands for its link.
    pub fn start_tcp(mut command: Command) -> Mimic {
        command.args(["mimic", "--with-parent", "--agitation", "air", "--area", WETTED]);
        command.args(["--control", "127.0.0.1:0", "--tcp", "127.0.0.1:0"]);
        let (process, log, control) = Mimic::begin(command);
        let link = log.until("tcp ").trim().replacen("tcp ", "tcp:", 1).into();
        Mimic { process, link, control }
    }

    fn start_by(mut command: Command, link: &Path, baud: u32) -> Mimic {
        command.args(["mimic", "--with-parent", "--agitation", "air", "--area", WETTED]);
        command.args(["--control", "127.0.0.1:0", "--baud", &baud.to_string(), "--link"]).arg(link);
        let (process, _, control) = Mimic::begin(command);
        Mimic { process, link: link.into(), control }
    }

    fn begin(mut command: Command) -> (Process, Log, SocketAddr) {
        let mut child = command.stdin(Stdio::null()).stdout(Stdio::piped()).spawn().unwrap();
        let log = Log::of(child.stdout.take().unwrap());
        let process = Process { child };
        log.until("ready");
        let control = log.until("control ").trim_start_matches("control ").parse().unwrap();
        (process, log, control)
    }

    /// One line to its control port, one line back.
    pub fn ask(&self, line: &str) -> String {
        let mut stream = TcpStream::connect(self.control).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        stream.write_all(format!("{line}\n").as_bytes()).unwrap();
        let mut answer = String::new();
        BufReader::new(stream).read_line(&mut answer).unwrap();
        answer.trim_end().into()
    }

    /// Something is done at the bench.
    pub fn does(&self, line: &str) {
        assert_eq!(self.ask(line), "ok", "{line}");
    }

    /// What is really so.
    pub fn state(&self) -> State {
        State(serde_json::from_str(&self.ask("state?")).unwrap())
    }

    /// Waits until it is so.
    pub fn until(&self, what: &str, wanted: impl Fn(&State) -> bool) -> State {
        until(what, || {
            let state = self.state();
            if wanted(&state) { Ok(state) } else { Err(state.0.to_string()) }
        })
    }

    /// The daemon has asked it so many more times.
    pub fn asked_again(&self, messages: u64) -> State {
        let from = self.state().count("messages");
        self.until("asked again", |s| s.count("messages") >= from + messages)
    }
}

/// One answer to `state?`.
#[derive(Debug)]
pub struct State(pub Value);

impl State {
    pub fn on(&self) -> bool {
        self.0["output"].as_bool().unwrap()
    }
    pub fn number(&self, key: &str) -> f64 {
        self.0[key].as_f64().unwrap_or_else(|| panic!("{key} in {}", self.0))
    }
    pub fn count(&self, key: &str) -> u64 {
        self.0[key].as_u64().unwrap_or_else(|| panic!("{key} in {}", self.0))
    }
    pub fn charge(&self) -> f64 {
        self.number("charge_coulombs")
    }
}

/// What differs from the usual hall.
#[derive(Clone, Debug)]
pub struct Plan {
    /// Names of the stations; each has a mimic and a tank of its own.
    pub stations: &'static [&'static str],
    pub baud: u32,
    /// Pinned; the mimic's own words by default.
    pub identity: &'static str,
    /// Into `[station.watch]` of each station.
    pub watch: &'static str,
    /// The daemon as its unit starts it, at the lowest real-time priority, and the supplies above it: those stand for
    /// devices of their own, which do not wait for this machine's processor.
    pub real_time: bool,
    /// The config's last lines.
    pub more: String,
}

impl Default for Plan {
    fn default() -> Plan {
        Plan {
            stations: &["bench"],
            baud: 115_200,
            identity: "TANKSIDE,MIMIC",
            watch: "",
            real_time: false,
            more: String::new(),
        }
    }
}

/// A folder with a config, and the simulated supplies that it names.
pub struct Hall {
    pub mimics: Vec<Mimic>,
    pub config: PathBuf,
    pub plan: Plan,
    pub folder: tempfile::TempDir,
}

impl Hall {
    pub fn usual() -> Hall {
        Hall::of(Plan::default())
    }

    pub fn of(plan: Plan) -> Hall {
        let mut hall = Hall::without_mimics(plan);
        let links: Vec<_> = hall.plan.stations.iter().map(|name| hall.port(name)).collect();
        hall.mimics =
            links.iter().map(|link| Mimic::start_by(hall.command(2), link, hall.plan.baud)).collect();
        hall
    }

    pub fn without_mimics(plan: Plan) -> Hall {
        let folder = tempfile::tempdir().unwrap();
        let config = folder.path().join("tankside.toml");
        let hall = Hall { mimics: Vec::new(), config, plan, folder };
        hall.write_config(&hall.config, "127.0.0.1:0", &hall.folder.path().join("state"));
        hall
    }

    /// Where the supply of a station hangs.
    pub fn port(&self, station: &str) -> PathBuf {
        self.folder.path().join(format!("supply-{station}"))
    }

    pub fn write_config(&self, to: &Path, listen: &str, state: &Path) {
        let mut text = format!("[daemon]\nlisten = \"{listen}\"\nstate = \"{}\"\n", state.display());
        for name in self.plan.stations {
            text.push_str(&format!(
                "[[station]]\nname = \"{name}\"\npoll = \"100 ms\"\n[station.supply]\ndialect = \"scpi\"\n\
                 port = \"{}\"\nbaud = {}\nidentity = \"{}\"\nmax-current = \"10 A\"\nmax-voltage = \"12 V\"\n\
                 [station.watch]\n{}\n",
                self.port(name).display(),
                self.plan.baud,
                self.plan.identity,
                self.plan.watch
            ));
        }
        for name in self.plan.stations {
            text.push_str(&format!(
                "[[tank]]\nname = \"{}\"\nbath = \"watts-nickel\"\nvolume = \"20 L\"\nanode-area = \"6 dm2\"\n\
                 agitation = \"air\"\ntemperature = \"54 degC\"\n",
                tank(name)
            ));
        }
        text.push_str(&self.plan.more);
        std::fs::write(to, text).unwrap();
    }

    /// The only mimic.
    pub fn mimic(&self) -> &Mimic {
        &self.mimics[0]
    }

    /// The daemon's ledger.
    pub fn ledger(&self) -> PathBuf {
        self.folder.path().join("state/ledger.sqlite")
    }

    /// `tankside serve`, not yet started.
    pub fn serve(&self) -> Command {
        self.serve_with(&self.config)
    }

    pub fn serve_with(&self, config: &Path) -> Command {
        let mut command = self.command(1);
        command.arg("serve").arg("--config").arg(config);
        command
    }

    /// Our program, at that priority where there is real time.
    pub fn command(&self, priority: u8) -> Command {
        if self.plan.real_time { tankside_at(priority) } else { tankside() }
    }

    /// A daemon with its links up.
    pub fn daemon(&self) -> Daemon {
        let daemon = Daemon::start(self.serve(), &self.config);
        for name in self.plan.stations {
            daemon.until_at(name, "up", |s| s["link"]["up"] == true && s["output_on"] == false);
        }
        daemon
    }
}

/// The tank beside a station.
pub fn tank(station: &str) -> String {
    format!("nickel-{station}")
}

/// A daemon at work.
pub struct Daemon {
    pub process: Process,
    pub address: SocketAddr,
    pub log: Log,
    config: PathBuf,
}

impl Daemon {
    /// Starts it and reads from its log where it listens.
    pub fn start(command: Command, config: &Path) -> Daemon {
        let (process, log) = begin(command);
        let line = log.until("listening address=");
        let address = line.rsplit_once('=').unwrap().1.trim().parse().unwrap();
        Daemon { process, address, log, config: config.into() }
    }

    /// A program that embeds Tankside and prints `listening ADDRESS`.
    pub fn embedded(mut command: Command, config: &Path) -> Daemon {
        let mut child = command.stdin(Stdio::null()).stdout(Stdio::piped()).spawn().unwrap();
        let log = Log::of(child.stdout.take().unwrap());
        let process = Process { child };
        let line = log.until("listening ");
        let address = line.trim_start_matches("listening ").trim().parse().unwrap();
        Daemon { process, address, log, config: config.into() }
    }

    /// A verb of the operator's.
    pub fn verb(&self, words: &[&str]) -> Said {
        let mut command = tankside();
        command.args(words).arg("--config").arg(&self.config);
        command.args(["--address", &self.address.to_string(), "--as", "mila"]);
        say(command)
    }

    /// Starts a run that ends at a charge, at 3 A, at the only station. Returns its id.
    pub fn run(&self, charge: &str, more: &[&str]) -> String {
        self.run_at("bench", &[&["--charge", charge, "--current", "3 A", "--ramp", "1 s"], more].concat())
    }

    pub fn run_at(&self, station: &str, more: &[&str]) -> String {
        let tank = tank(station);
        let words = ["start", "--json", "--station", station, "--tank", &tank, "--part", PART];
        self.verb(&[&words, more].concat()).json()["run"].as_str().unwrap().into()
    }

    pub fn page(&self, path: &str) -> String {
        let mut response = ureq::get(format!("http://{}{path}", self.address))
            .call()
            .unwrap_or_else(|e| panic!("{path}: {e}"));
        response.body_mut().read_to_string().unwrap()
    }

    pub fn get(&self, path: &str) -> Value {
        let page = self.page(path);
        serde_json::from_str(&page).unwrap_or_else(|e| panic!("{e}: {page}"))
    }

    /// One number of the metrics page; `None` when it is not there.
    pub fn metric(&self, name: &str) -> Option<f64> {
        let page = self.page("/metrics");
        page.lines().find_map(|l| l.strip_prefix(name)?.trim().parse().ok())
    }

    /// The only station.
    pub fn status(&self) -> Value {
        self.get("/api/v1/stations/bench")
    }

    pub fn until(&self, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        self.until_at("bench", what, wanted)
    }

    pub fn until_at(&self, station: &str, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        until(&format!("{station} {what}"), || {
            let status = self.get(&format!("/api/v1/stations/{station}"));
            if wanted(&status) { Ok(status) } else { Err(format!("{status:#}\n{}", self.log.text())) }
        })
    }

    /// Waits for a state of the run.
    pub fn until_state(&self, state: &str) -> Value {
        self.until(state, |s| s["run"]["state"] == state)
    }

    /// Waits until the setpoint is held.
    pub fn until_steady(&self) -> Value {
        self.until("steady", |s| s["run"]["phase"] == "steady")
    }

    /// Waits until the run is on record as ended, and returns its row.
    pub fn row(&self, run: &str) -> Value {
        until("on record as ended", || {
            let row = self.get(&format!("/api/v1/runs/{run}"));
            if row["ended"].is_string() { Ok(row) } else { Err(row.to_string()) }
        })
    }

    /// The minder's process id.
    pub fn minder(&self) -> Pid {
        until("has a minder", || minders(self.process.pid()).first().copied().ok_or_else(|| self.log.text()))
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("--- the daemon's log\n{}", self.log.text());
        }
        // A stopped process does not die of anything else first.
        let _ = kill(self.process.pid(), Signal::SIGCONT);
    }
}

/// Starts a daemon that need not get as far as listening.
pub fn begin(mut command: Command) -> (Process, Log) {
    let mut child =
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    let log = Log::of(child.stderr.take().unwrap());
    (Process { child }, log)
}

/// Children of a process that are minders.
pub fn minders(parent: Pid) -> Vec<Pid> {
    let mut found = Vec::new();
    for process in std::fs::read_dir("/proc").unwrap().flatten() {
        let Some(pid) = process.file_name().to_str().and_then(|n| n.parse::<i32>().ok()) else { continue };
        let read = |file: &str| std::fs::read_to_string(process.path().join(file)).unwrap_or_default();
        // `pid (name) state parent …`: proc(5).
        let stat = read("stat");
        let of = stat.rsplit_once(") ").and_then(|(_, rest)| rest.split(' ').nth(1)?.parse::<i32>().ok());
        if of == Some(parent.as_raw()) && read("cmdline").ends_with("\0minder\0") {
            found.push(Pid::from_raw(pid));
        }
    }
    found
}

/// Within that share of the other.
#[track_caller]
pub fn near(value: f64, wanted: f64, share: f64) {
    assert!((value / wanted - 1.0).abs() <= share, "{value} against {wanted}: off by more than {share}");
}

pub fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("no number: {value}"))
}

pub fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_else(|| panic!("no text: {value}"))
}

/// How often each kind of error was counted on the link.
pub fn errors(status: &Value, kind: &str) -> u64 {
    status["link"]["errors"][kind].as_u64().unwrap_or(0)
}

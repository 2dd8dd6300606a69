//! The verbs as people type them, against a mimic on a pty and a real daemon.
#![cfg(feature = "daemon")]
#![expect(
    clippy::disallowed_methods,
    reason = "a test at the edge: it starts processes, reads files, and looks again until a deadline"
)]

use serde_json::Value;
use std::io::{BufRead, BufReader, Read};
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

const BINARY: &str = env!("CARGO_BIN_EXE_tankside");
const CUPS: [&str; 10] = [
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

fn tankside(words: &[&str], inside: &Path) -> Output {
    let mut command = Command::new(BINARY);
    command.args(words).current_dir(inside).stdin(Stdio::null());
    command.env("USER", "mila").env_remove("TANKSIDE_TOKEN").env_remove("RUST_LOG");
    command.output().unwrap()
}

fn code(output: &Output) -> i32 {
    output.status.code().unwrap()
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

/// An address where nobody listens.
fn nobody() -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    listener.local_addr().unwrap().to_string()
}

fn until<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
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
struct Process(Child);

impl Drop for Process {
    fn drop(&mut self) {
        self.0.kill().ok();
        self.0.wait().ok();
    }
}

impl Process {
    fn signal(&self, signal: nix::sys::signal::Signal) {
        let pid = nix::unistd::Pid::from_raw(self.0.id().try_into().unwrap());
        nix::sys::signal::kill(pid, signal).unwrap();
    }
}

/// A folder with a mimic on a pty and a config that works it.
struct Shop {
    folder: TempDir,
    _mimic: Process,
}

impl Shop {
    fn new() -> Shop {
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
    fn path(&self) -> &Path {
        self.folder.path()
    }
    fn config(&self) -> String {
        self.path().join("tankside.toml").display().to_string()
    }
    /// What is really so at the mimic's terminals.
    fn truth(&self, key: &str) -> Value {
        until("the truth", || {
            let text = std::fs::read_to_string(self.path().join("truth")).ok()?;
            text.lines().rev().find_map(|l| serde_json::from_str::<Value>(l).ok()).map(|v| v[key].clone())
        })
    }
    fn output_is(&self, on: bool) {
        until(if on { "output on" } else { "output off" }, || (self.truth("output") == on).then_some(()));
    }
    fn serve(&self) -> Serving {
        Serving::start(self, &self.config())
    }
}

fn config(port: &str, state: &str) -> String {
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
struct Serving {
    process: Process,
    address: String,
    log: PathBuf,
    folder: PathBuf,
}

impl Serving {
    fn start(shop: &Shop, config: &str) -> Serving {
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
    fn say(&self, words: &[&str]) -> Output {
        let mut all = words.to_vec();
        all.extend(["--address", &self.address]);
        tankside(&all, &self.folder)
    }
    fn json(&self, words: &[&str]) -> Value {
        let mut all = words.to_vec();
        all.push("--json");
        serde_json::from_slice(&self.say(&all).stdout).unwrap_or_default()
    }
    fn start_cups(&self) -> Output {
        let mut words = vec!["start"];
        words.extend(CUPS);
        self.say(&words)
    }
    fn run_is(&self, state: &str, phase: &str) {
        until(&format!("{state} {phase}"), || {
            let run = self.json(&["status"])[0]["run"].clone();
            (run["state"] == state && run["phase"] == phase).then_some(())
        });
    }
    fn ends(mut self) -> (i32, String) {
        let status = until("the daemon's end", || self.process.0.try_wait().unwrap());
        (status.code().unwrap_or(-1), std::fs::read_to_string(&self.log).unwrap())
    }
}

#[test]
fn wrong_command_line_is_64_and_help_is_0() {
    let here = tempfile::tempdir().unwrap();
    for words in
        [&[][..], &["platte"], &["hold", "--nope"], &["plan", "--turn", "many"], &["runs", "--limit", "0"]]
    {
        assert_eq!(code(&tankside(words, here.path())), 64, "{words:?}");
    }
    let help = tankside(&["--help"], here.path());
    assert_eq!(code(&help), 0);
    for said in ["64  the command line", "69  no daemon", "78  the config", "not the safety interlock"] {
        assert!(out(&help).contains(said), "{said}");
    }
    assert!(!out(&help).contains("minder"), "the minder is the daemon's own");
    let verbs = "serve check plan rehearse start hold resume stop abort answer status follow alarms tanks replay runs report off probe mimic demo";
    for verb in verbs.split(' ') {
        let help = tankside(&[verb, "--help"], here.path());
        assert_eq!(code(&help), 0, "{verb}");
        assert!(out(&help).contains(&format!("Example: tankside {verb}")), "{verb}: {}", out(&help));
    }
}

#[test]
fn seeking_is_planned_within_supply_and_bath_and_the_rehearsal_shows_its_staircase() {
    let here = tempfile::tempdir().unwrap();
    let sensors = "agitation-sensor = { file = \"/dev/null\", running = \"1\" }\n";
    std::fs::write(
        here.path().join("c.toml"),
        config("/dev/null", "/tmp")
            .replace("temperature = \"54 degC\"", "temperature = { file = \"/dev/null\" }")
            + sensors,
    )
    .unwrap();
    let with = |verb: &str, more: &[&str]| {
        let mut words = vec![verb, "--config", "c.toml"];
        words.extend(CUPS);
        words.extend(more);
        tankside(&words, here.path())
    };
    let seek = ["--seek", "10 %", "--seek-top", "6 A/dm2"];
    let plan = with("plan", &seek);
    assert_eq!(code(&plan), 0, "{}", err(&plan));
    let words = out(&plan).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        words.contains("then seeking up to 7.268 A while the margin is 10 % or more at worst"),
        "{words}"
    );
    for (top, said) in [
        ("90 A/dm2", "more than the supply's 10 A"),
        ("1 A/dm2", "below the 4 A/dm² that it begins with"),
        ("6 V", "neither a current density nor a current"),
    ] {
        let refused = with("plan", &["--seek", "30 %", "--seek-top", top]);
        assert_ne!(code(&refused), 0, "{top}");
        assert!(err(&refused).contains(said), "{said} in {}", err(&refused));
    }
    let margin = with("plan", &["--seek", "3 %", "--seek-top", "6 A/dm2"]);
    assert!(err(&margin).contains("no margin to keep"), "{}", err(&margin));
    assert_eq!(code(&with("plan", &["--seek", "30 %"])), 64);

    let played = with("rehearse", &seek);
    assert_eq!(code(&played), 0, "{}", err(&played));
    let text = out(&played);
    let stairs: Vec<_> = text.lines().skip_while(|l| !l.starts_with("staircase")).skip(1).collect();
    let steps = stairs.iter().filter(|l| l.contains(" to ") && l.contains("at worst")).count();
    assert!(steps >= 3, "{text}");
    let plain = out(&with("rehearse", &[]));
    assert!(!plain.contains("staircase") && !plain.contains("seeking"), "{plain}");

    std::fs::write(
        here.path().join("order.toml"),
        "tank = 'nickel'\nseek = { margin = '30 %', top = '8 V' }\n[end]\nthickness = '8 um'\n[[part]]\ncount = 6\ndisc = { diameter = '34 mm', thickness = '1 mm' }\n",
    )
    .unwrap();
    let wrong = tankside(&["plan", "order.toml", "--config", "c.toml"], here.path());
    assert_eq!(code(&wrong), 78);
    assert!(err(&wrong).starts_with("tankside: order.toml:2:"), "{}", err(&wrong));
}

#[test]
fn readings_from_elsewhere_are_replayed_and_bad_lines_are_named() {
    let here = tempfile::tempdir().unwrap();
    let mut rows = String::from("t_s,V,I,I_set,V_lim\n");
    for k in 0..1500 {
        let seconds = f64::from(k) * 0.2;
        let amps = (seconds / 20.0 * 2.8).clamp(0.05, 2.8);
        // At 200 s the part falls off.
        let (volts, flows) = if seconds < 200.0 { (1.2 + 0.9 * amps, amps) } else { (8.0, 0.0) };
        rows.push_str(&format!("{seconds:.1},{volts:.3},{flows:.3},{amps:.3},8\n"));
    }
    std::fs::write(here.path().join("a.csv"), &rows).unwrap();
    let replay = tankside(&["replay", "--csv", "a.csv", "--format", "csv"], here.path());
    assert_eq!(code(&replay), 0, "{}", err(&replay));
    let lines: Vec<_> = out(&replay).lines().map(String::from).collect();
    assert_eq!(lines[0], "file,t_s,class");
    let open: Vec<_> = lines.iter().filter(|l| l.ends_with(",open-circuit")).collect();
    assert_eq!(open.len(), 1, "{lines:?}");
    let at: f64 = open[0].split(',').nth(1).unwrap().parse().unwrap();
    assert!(open[0].starts_with("a.csv,") && (200.0..204.0).contains(&at), "{open:?}");
    let load = ["--bath", "watts-nickel", "--shape", "6 disc 34 mm x 1 mm", "--agitation", "air"];
    let judged = tankside(&[&["replay", "--json", "--csv", "a.csv"][..], &load].concat(), here.path());
    let json: Value = serde_json::from_slice(&judged.stdout).unwrap();
    assert_eq!(json[0]["raised"].as_array().unwrap().len() + 1, lines.len(), "{json}");
    std::fs::write(here.path().join("b.csv"), rows.replace("\n1.0,", "\nlater,")).unwrap();
    let bad = tankside(&["replay", "--csv", "a.csv", "b.csv"], here.path());
    assert_eq!(code(&bad), 78);
    assert!(err(&bad).contains("b.csv: line 7: t_s is \"later\""), "{}", err(&bad));
    for words in
        [&["replay"][..], &["replay", "last", "--csv", "a.csv"], &["replay", "last", "--area", "1 dm2"]]
    {
        assert_eq!(code(&tankside(words, here.path())), 64, "{words:?}");
    }
    let nobody = nobody();
    assert_eq!(code(&tankside(&["replay", "last", "--address", &nobody], here.path())), 69);
}

#[test]
fn alarms_and_baths_are_worked_from_the_terminal_and_the_run_is_replayed() {
    let shop = Shop::new();
    let pump = shop.path().join("pump");
    let warm = shop.path().join("warm");
    std::fs::write(&pump, "1\n").unwrap();
    std::fs::write(&warm, "54000\n").unwrap();
    let file = shop.path().join("tankside.toml");
    let text = std::fs::read_to_string(&file).unwrap().replace("temperature = \"54 degC\"", "")
        + &format!(
            "temperature = {{ file = \"{}\", scale = 0.001 }}\nagitation-sensor = {{ file = \"{}\", running = \"1\" }}\n[[tank]]\nname = \"silver\"\nbath = \"watts-nickel\"\nagitation = \"rod\"\n",
            warm.display(),
            pump.display()
        );
    std::fs::write(&file, text).unwrap();
    let daemon = shop.serve();
    let good = |words: &[&str]| {
        let answer = daemon.say(words);
        assert_eq!(code(&answer), 0, "{words:?}: {}", err(&answer));
        out(&answer)
    };
    assert!(good(&["alarms"]).contains("No alarm stands."));
    assert!(good(&["alarms", "--journal"]).contains("empty"));
    let help = good(&["alarms", "--help-on", "drift"]);
    assert!(help.contains("not seen") && help.contains("stirrer that stops"), "{help}");

    assert_eq!(code(&daemon.start_cups()), 0);
    daemon.run_is("running", "steady");
    let seen = until("the margin with its proof", || {
        let text = good(&["status"]).split_whitespace().collect::<Vec<_>>().join(" ");
        text.contains("agitation air by its sensor, temperature measured").then_some(text)
    });
    assert!(seen.contains("% (") && (seen.contains("by density") || seen.contains("by the volts")), "{seen}");
    assert!(good(&["tanks"]).contains("air by its sensor"));

    // The pump stops: seen at once by its relay, never by the volts.
    std::fs::write(&pump, "0\n").unwrap();
    until("the pump's stop", || good(&["status"]).contains("still by its").then_some(()));
    let said =
        good(&["alarms", "--shelve", "burn-margin", "--for", "30 min", "--note", "looking at the pump"]);
    assert!(said.contains("shelved for 30 min"), "{said}");
    let list = good(&["alarms"]);
    assert!(list.contains("burn-margin (high, shelved") && list.contains("until 20"), "{list}");
    until("the journal's commit", || {
        good(&["alarms", "--journal"]).contains("by mila: looking at the pump").then_some(())
    });
    good(&["alarms", "--unshelve", "burn-margin"]);
    assert_eq!(code(&daemon.say(&["alarms", "--unshelve", "burn-margin"])), 1, "it is not shelved");
    assert_eq!(code(&daemon.say(&["alarms", "--shelve", "over-voltage"])), 1, "it stops the current");
    assert_eq!(code(&daemon.say(&["alarms", "--out-of-service", "drift"])), 64, "a reason is needed");
    good(&["alarms", "--out-of-service", "drift", "--reason", "meter away"]);
    assert!(good(&["alarms"]).contains("out of service: meter away"));
    good(&["alarms", "--in-service", "drift"]);
    let figures = good(&["alarms", "--figures", "--days", "2"]);
    assert!(figures.contains("alarms raised") && figures.contains("EEMUA"), "{figures}");

    // A sensor that goes proves nothing, and that is said.
    std::fs::write(&pump, "").unwrap();
    std::fs::write(&warm, "-127000").unwrap();
    until("the failed sensors", || {
        let text = good(&["follow", "--help"]) + &good(&["status"]);
        (text.contains("agitation sensor FAILED") && text.contains("thermometer FAILED")).then_some(())
    });
    let refused = daemon.say(&["tanks", "--say", "silver", "--temperature", "52"]);
    assert_eq!(code(&refused), 1, "{}", out(&refused));
    let said = good(&["tanks", "--say", "silver", "--temperature", "52 degC", "--agitation", "still"]);
    assert!(said.contains("silver: 52 °C, agitation still (as told, not proven)"), "{said}");
    let tanks = good(&["tanks"]);
    assert!(tanks.contains("52 °C by mila") && tanks.contains("still as assumed, by mila"), "{tanks}");

    assert_eq!(code(&daemon.say(&["stop"])), 0);
    daemon.run_is("stopped", "off");
    let report = good(&["report"]);
    assert!(report.contains("agitation air by its sensor") && report.contains("SENSOR FAILED"), "{report}");
    let csv = good(&["report", "--csv"]);
    assert!(csv.starts_with("seconds,volts,amperes,setpoint_amperes,ceiling_volts,bath_celsius\n"), "{csv}");
    // Good readings of a sound load: today's watches raise nothing of the electrical kind.
    let replay = good(&["replay", "last", "--format", "csv"]);
    assert_eq!(replay.lines().next(), Some("file,t_s,class"));
    for class in ["open-circuit", "short-circuit", "bad-contact", "part-off", "over-voltage", "output-gone"] {
        assert!(!replay.contains(class), "{replay}");
    }
    let from_daemon = good(&["replay", "last", "--json"]);
    drop(daemon);
    let config = shop.config();
    let nobody = nobody();
    let words = ["replay", "last", "--json", "--config", &config, "--address", &nobody];
    let offline = tankside(&words, shop.path());
    assert_eq!(code(&offline), 0, "{}", err(&offline));
    assert_eq!(out(&offline), from_daemon, "the ledger alone says the same");
}

#[test]
fn config_that_was_not_named_is_never_used_silently() {
    let here = tempfile::tempdir().unwrap();
    std::fs::create_dir(here.path().join("config")).unwrap();
    std::fs::write(here.path().join("config/tankside.toml"), config("/dev/null", "/tmp")).unwrap();
    let check = tankside(&["check"], here.path());
    assert_eq!(code(&check), 78);
    assert!(err(&check).contains("/etc/tankside/tankside.toml"), "{}", err(&check));
    assert!(err(&check).contains("--config config/tankside.toml"), "{}", err(&check));
    assert_eq!(code(&tankside(&["check", "--config", "config/tankside.toml"], here.path())), 0);
}

#[test]
fn check_and_serve_refuse_the_same_config_for_the_same_reasons() {
    let here = tempfile::tempdir().unwrap();
    let bad = config("/dev/null", "/tmp").replace("\"10 A\"", "10").replace("watts-nickel", "wats-nickel");
    std::fs::write(here.path().join("bad.toml"), bad).unwrap();
    let check = tankside(&["check", "--config", "bad.toml"], here.path());
    let serve = tankside(&["serve", "--config", "bad.toml"], here.path());
    assert_eq!((code(&check), code(&serve)), (78, 78));
    let problems: Vec<_> =
        out(&check).lines().filter(|l| l.starts_with("bad.toml:")).map(String::from).collect();
    assert_eq!(problems.len(), 2, "{}", out(&check));
    for problem in &problems {
        assert!(err(&serve).contains(problem), "{problem} in {}", err(&serve));
    }
}

#[test]
fn nobody_there_is_69_and_unreadable_orders_are_78() {
    let here = tempfile::tempdir().unwrap();
    for verb in ["status", "hold", "follow", "tanks", "runs", "report", "alarms", "answer"] {
        let answer = tankside(&[verb, "--address", &nobody()], here.path());
        assert_eq!(code(&answer), 69, "{verb}");
        assert_eq!(err(&answer).lines().count(), 1, "one clear line: {}", err(&answer));
    }
    assert_eq!(code(&tankside(&["plan", "order.toml"], here.path())), 78);
    std::fs::write(here.path().join("order.toml"), "tank = 'nickel'\nthicknes = '8 um'\n").unwrap();
    let plan = tankside(&["plan", "order.toml"], here.path());
    assert_eq!(code(&plan), 78);
    assert!(err(&plan).contains("order.toml:2:"), "{}", err(&plan));
}

#[test]
fn plan_and_rehearsal_need_no_daemon() {
    let here = tempfile::tempdir().unwrap();
    std::fs::write(here.path().join("c.toml"), config("/dev/null", "/tmp")).unwrap();
    let with = |verb: &str, more: &[&str]| {
        let mut words = vec![verb, "--config", "c.toml"];
        words.extend(CUPS);
        words.extend(more);
        tankside(&words, here.path())
    };
    let plan = with("plan", &[]);
    assert_eq!(code(&plan), 0, "{}", err(&plan));
    assert!(out(&plan).contains("4.845 A"), "{}", out(&plan));
    let json: Value = serde_json::from_slice(&with("plan", &["--json"]).stdout).unwrap();
    assert_eq!(json["order"]["tank"], "nickel");
    let begun = Instant::now();
    let rehearsal = with("rehearse", &["--turn", "2"]);
    assert!(begun.elapsed() < Duration::from_secs(5), "virtual time");
    assert_eq!(code(&rehearsal), 0, "{}", err(&rehearsal));
    assert!(out(&rehearsal).contains("complete: target reached"), "{}", out(&rehearsal));
    std::fs::write(here.path().join("faults"), "at 60 s open-circuit\n").unwrap();
    let broken = with("rehearse", &["--faults", "faults"]);
    assert_eq!(code(&broken), 1);
    assert!(out(&broken).contains("ALARM open-circuit"), "{}", out(&broken));
    let much = with("plan", &["--density", "60 A/dm2"]);
    assert_eq!(code(&much), 1);
    assert!(err(&much).contains("cannot be done"), "{}", err(&much));
    let wrong = with("plan", &["--density", "4 V"]);
    assert_eq!(code(&wrong), 64);
    assert!(err(&wrong).contains("--density") && err(&wrong).contains("A/dm2"), "{}", err(&wrong));
}

#[test]
fn run_is_started_held_resumed_and_switched_off_by_its_operators() {
    let shop = Shop::new();
    let daemon = shop.serve();
    let answer = daemon.say(&["answer"]);
    assert_eq!(code(&answer), 1, "nothing is asked: {}", out(&answer));
    let started = daemon.start_cups();
    assert_eq!(code(&started), 0, "{}", err(&started));
    assert!(out(&started).contains("- Thickness is the mean"), "warnings stay in: {}", out(&started));
    let second = daemon.start_cups();
    assert_eq!(code(&second), 1);
    assert!(err(&second).contains("already"), "{}", err(&second));
    daemon.run_is("running", "steady");
    shop.output_is(true);

    assert_eq!(code(&daemon.say(&["hold", "--as", "jonas"])), 0);
    daemon.run_is("held", "off");
    shop.output_is(false);
    assert_eq!(code(&daemon.say(&["resume"])), 0);
    daemon.run_is("running", "steady");
    shop.output_is(true);

    let off = daemon.say(&["off", "--as", "jonas"]);
    assert_eq!(code(&off), 0, "{}", err(&off));
    assert!(out(&off).contains("output off, confirmed"), "{}", out(&off));
    let said = Instant::now();
    shop.output_is(false);
    // The truth file is written ten times a second.
    assert!(said.elapsed() < Duration::from_millis(300), "it was confirmed before it was so");
    daemon.run_is("aborted", "off");
    let run = until("the end in the ledger", || {
        let run = daemon.json(&["report"])["steps"][0]["run"].clone();
        run["ended"].is_string().then_some(run)
    });
    assert_eq!((&run["state"], &run["started_by"]), (&"aborted".into(), &"mila".into()));
    assert!(run["cause"].as_str().unwrap().contains("jonas"), "{}", run["cause"]);
    let charge = run["charge_coulombs"].as_f64().unwrap();
    let truth = shop.truth("charge_coulombs").as_f64().unwrap();
    // What flowed while the word of an off was late is not charge; it is at most what the time not observed could hold.
    let unseen = run["unobserved_seconds"].as_f64().unwrap() * 5.0;
    assert!(
        charge > 1.0 && charge > truth * 0.95 - unseen && charge < truth * 1.05,
        "{charge} C in the ledger, {truth} C in the cell, {unseen} C unseen: {}",
        out(&daemon.say(&["report"]))
    );
    let tanks = daemon.json(&["tanks"]);
    assert_eq!(tanks[0]["tank"], "nickel");
    assert!((tanks[0]["charge_coulombs"].as_f64().unwrap() - charge).abs() < 1e-6);
    assert!(
        out(&daemon.say(&["report", "--csv"]))
            .starts_with("seconds,volts,amperes,setpoint_amperes,ceiling_volts,bath_celsius\n0")
    );
    assert!(out(&daemon.say(&["runs"])).contains("aborted"));
    assert!(out(&daemon.say(&["status"])).contains("take the work out"));
}

#[test]
fn second_daemon_is_refused_at_the_address_the_ledger_and_the_port() {
    let shop = Shop::new();
    let daemon = shop.serve();
    let same = tankside(&["serve", "--config", &shop.config()], shop.path());
    assert_eq!(code(&same), 1);
    assert!(err(&same).contains("is taken"), "{}", err(&same));

    let supply = shop.path().join("supply").display().to_string();
    let state = shop.path().join("state").display().to_string();
    std::fs::write(shop.path().join("b.toml"), config(&supply, &state)).unwrap();
    let ledger = tankside(&["serve", "--config", "b.toml"], shop.path());
    assert_eq!(code(&ledger), 73, "{}", err(&ledger));
    assert!(err(&ledger).contains("another tankside"), "{}", err(&ledger));

    std::fs::write(shop.path().join("c.toml"), config(&supply, &format!("{state}2"))).unwrap();
    let port = tankside(&["serve", "--config", "c.toml"], shop.path());
    assert_eq!(code(&port), 69, "{}", err(&port));
    assert!(err(&port).contains("another program has locked it"), "{}", err(&port));
    assert_eq!(daemon.json(&["status"])[0]["link"]["up"], true, "the first one works on");
}

#[test]
fn sigterm_in_the_middle_of_a_run_switches_off_and_ends_with_0() {
    let shop = Shop::new();
    let daemon = shop.serve();
    assert_eq!(code(&daemon.start_cups()), 0);
    daemon.run_is("running", "steady");
    // A browser that looks on must not keep the daemon from ending.
    let mut looker = std::net::TcpStream::connect(&daemon.address).unwrap();
    let ask = format!("GET /api/v1/stations/bench/stream HTTP/1.1\r\nhost: {}\r\n\r\n", daemon.address);
    std::io::Write::write_all(&mut looker, ask.as_bytes()).unwrap();
    let mut first = [0; 16];
    looker.read_exact(&mut first).unwrap();
    assert!(first.starts_with(b"HTTP/1.1 200"));

    let begun = Instant::now();
    daemon.process.signal(nix::sys::signal::Signal::SIGTERM);
    let (code_, log) = daemon.ends();
    assert_eq!(code_, 0, "{log}");
    assert!(begun.elapsed() < Duration::from_secs(5));
    assert!(log.contains("output off, confirmed") && log.contains("tankside ends"), "{log}");
    assert!(!log.contains("minder: the daemon is gone"), "the minder was told: {log}");
    shop.output_is(false);
}

#[test]
fn service_manager_hears_ready_then_a_pulse_then_the_end() {
    let shop = Shop::new();
    let ear = std::os::unix::net::UnixDatagram::bind(shop.path().join("notify")).unwrap();
    ear.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
    let hear = || {
        let mut said = [0; 512];
        let length = ear.recv(&mut said).unwrap();
        String::from_utf8_lossy(&said[..length]).into_owned()
    };
    let mut command = Command::new(BINARY);
    command.args(["serve", "--config", &shop.config()]).stderr(Stdio::null());
    command.env("NOTIFY_SOCKET", shop.path().join("notify")).env("WATCHDOG_USEC", "1000000");
    let mut daemon = Process(command.spawn().unwrap());
    assert!(hear().contains("READY=1"));
    for _ in 0..3 {
        assert!(hear().contains("WATCHDOG=1"));
    }
    daemon.signal(nix::sys::signal::Signal::SIGTERM);
    until("STOPPING", || hear().contains("STOPPING=1").then_some(()));
    assert!(until("the end", || daemon.0.try_wait().unwrap()).success());
}

#[test]
fn off_works_without_daemon_config_or_good_config() {
    let shop = Shop::new();
    let daemon = shop.serve();
    assert_eq!(code(&daemon.start_cups()), 0);
    daemon.run_is("running", "steady");
    let supply = shop.path().join("supply").display().to_string();
    let away = nobody();
    // The daemon holds the port and is asked by nobody: off goes past it.
    let past = tankside(&["off", &supply, "--address", &away], shop.path());
    assert!(out(&past).contains("off"), "{} {}", out(&past), err(&past));
    shop.output_is(false);
    daemon.process.signal(nix::sys::signal::Signal::SIGTERM);
    assert_eq!(daemon.ends().0, 0);

    let good = tankside(&["off", "--config", &shop.config(), "--address", &away], shop.path());
    assert_eq!(code(&good), 0, "{}", err(&good));
    assert!(out(&good).contains("confirmed by the supply"), "{}", out(&good));
    let text = std::fs::read_to_string(shop.config()).unwrap().replace("\"10 A\"", "10 ] oops");
    std::fs::write(shop.path().join("bad.toml"), text).unwrap();
    let bad = tankside(&["off", "--config", "bad.toml", "--address", &away], shop.path());
    assert_eq!(code(&bad), 0, "{}", err(&bad));
    assert!(out(&bad).contains("confirmed by the supply"), "{}", out(&bad));
    let gone = tankside(&["off", "/dev/tankside-none", "--address", &away], shop.path());
    assert_eq!(code(&gone), 1);
    assert!(err(&gone).contains("go to the supply"), "{}", err(&gone));
}

#[test]
fn off_at_a_named_port_speaks_the_dialect_that_the_config_has_for_it() {
    let folder = tempfile::tempdir().unwrap();
    let supply = folder.path().join("supply").display().to_string();
    let mut mimic = Command::new(BINARY)
        .args(["mimic", "--modbus", "--baud", "115200", "--link", &supply])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let said = BufReader::new(mimic.stdout.take().unwrap()).lines();
    assert!(said.map_while(Result::ok).any(|line| line == "ready"));
    let _mimic = Process(mimic);
    let config = config(&supply, "/tmp")
        .replace("dialect = \"scpi\"", "dialect = \"modbus-example\"")
        .replace("identity = \"TANKSIDE,MIMIC\"", "");
    std::fs::write(folder.path().join("good.toml"), &config).unwrap();
    std::fs::write(folder.path().join("bad.toml"), config.replace("\"10 A\"", "10 ] oops")).unwrap();
    // By another name of the same port, too.
    let real = std::fs::canonicalize(&supply).unwrap().display().to_string();
    for (file, port) in [("good.toml", &supply), ("good.toml", &real), ("bad.toml", &supply)] {
        let off = tankside(&["off", port, "--config", file], folder.path());
        assert_eq!(code(&off), 0, "{file} {port}: {} {}", out(&off), err(&off));
        assert!(out(&off).contains("confirmed by the supply"), "{}", out(&off));
    }
    // Without the config nobody knows its registers; what was tried is said.
    let guessed = tankside(&["off", &supply, "--config", "none.toml"], folder.path());
    assert_eq!(code(&guessed), 1);
    let said = out(&guessed);
    assert!(said.contains("at 9600, 115200") && said.contains("words of scpi, scpi-channel"), "{said}");
    let typo = ["off", "--station", "bnech", "--config", "good.toml", "--address", &nobody()];
    let typo = tankside(&typo, folder.path());
    assert_eq!(code(&typo), 1, "nothing was switched off: {}", out(&typo));
    assert!(out(&typo).contains("bnech: NOT switched off"), "{}", out(&typo));
}

#[test]
fn lost_daemon_is_seen_within_three_seconds_and_the_minder_has_switched_off() {
    let shop = Shop::new();
    let mut daemon = shop.serve();
    assert_eq!(code(&daemon.start_cups()), 0);
    daemon.run_is("running", "steady");
    let mut command = Command::new(BINARY);
    command.args(["follow", "--address", &daemon.address]).stdout(Stdio::piped());
    let mut follow = Process(command.spawn().unwrap());
    let mut lines = BufReader::new(follow.0.stdout.take().unwrap()).lines();
    assert!(lines.next().unwrap().unwrap().starts_with("bench running steady | 4.8"));

    let begun = Instant::now();
    daemon.process.0.kill().unwrap();
    daemon.process.0.wait().unwrap();
    shop.output_is(false);
    let off = begun.elapsed();
    // One second, and a tenth for the truth file's own period.
    assert!(off < Duration::from_millis(1100), "the minder took {off:?}");
    let lost = lines.map_while(Result::ok).find(|line| line.starts_with("LOST")).unwrap();
    assert!(begun.elapsed() < Duration::from_secs(3), "{lost}");

    let again = shop.serve();
    let run = again.json(&["report"])["steps"][0]["run"].clone();
    assert_eq!(run["state"], "aborted");
    assert!(run["cause"].as_str().unwrap().contains("interrupted"), "{}", run["cause"]);
}

#[test]
fn demo_agrees_with_the_closed_form_and_leaves_nothing_behind() {
    let temp = tempfile::tempdir().unwrap();
    let demo = Command::new(BINARY)
        .args(["demo", "--once"])
        .env("TMPDIR", temp.path())
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let said = out(&demo);
    assert_eq!(code(&demo), 0, "{said}\n{}", err(&demo));
    for wanted in ["everything here is simulated", "http://127.0.0.1:", "turn the part", "closed form", "A·h"]
    {
        assert!(said.to_lowercase().contains(&wanted.to_lowercase()), "{wanted} in {said}");
    }
    assert_eq!(std::fs::read_dir(temp.path()).unwrap().count(), 0, "the folder is gone");
}

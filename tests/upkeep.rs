//! Upkeep from the config to the metrics page: what a tank worked makes its rules due, a log resets them, an
//! undo puts them back, and all of it is still so after a restart.
#![cfg(feature = "daemon")]
#![expect(
    clippy::disallowed_methods,
    reason = "a test at the edge: it starts a daemon, reads its log, and looks again until a deadline"
)]

use serde_json::Value;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};
use tankside::ledger::{Ledger, RunEnd, RunStart};
use tankside::quantity::Microcoulombs;

const BINARY: &str = env!("CARGO_BIN_EXE_tankside");

/// An address where nobody listens.
fn nobody() -> String {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string()
}

fn config(folder: &Path) -> String {
    format!(
        r#"
[daemon]
listen = "{}"
state = "{}"
[[station]]
name = "bench"
[station.supply]
dialect = "scpi"
port = "tcp:{}"
max-current = "10 A"
max-voltage = "12 V"
[[tank]]
name = "nickel"
bath = "watts-nickel"
volume = "20 L"
[[tank.upkeep]]
name = "brightener"
every = "300 A.h"
dose = "100 mL/kA.h"
[[tank.upkeep]]
name = "anodes"
anode-metal = "1 kg"
[[tank.upkeep]]
name = "analysis"
or-every = "30 d"
"#,
        nobody(),
        folder.display(),
        nobody()
    )
}

/// A ledger in which the nickel tank worked 150 A.h.
async fn worked(file: &Path, id: &str, ampere_hours: i64) {
    let (ledger, _) = Ledger::open(file).unwrap();
    let start = RunStart {
        id: id.into(),
        station: "bench".into(),
        tank: "nickel".into(),
        title: "6 key cups".into(),
        started_by: "mila".into(),
        started: "2026-01-01T00:00:00.000Z".into(),
        target: None,
        area_square_meters: 0.01,
        parts: 6,
        metal: Some("Ni".into()),
        thickness_meters_per_coulomb: None,
        continues: None,
        hung: Vec::new(),
        order_json: "{}".into(),
        job: None,
        lot: None,
        customer: None,
    };
    ledger.begin(start).await.unwrap();
    let end = RunEnd {
        id: id.into(),
        ended: "2026-01-01T10:00:00.000Z".into(),
        state: "complete",
        cause: "charge reached".into(),
        charge: Microcoulombs(ampere_hours * 3_600_000_000),
        unobserved: Duration::ZERO,
        worked: Duration::from_secs(36_000),
        load_slope: None,
    };
    ledger.finish(end).await.unwrap();
    ledger.close().await.unwrap();
}

struct Daemon {
    child: Child,
    config: String,
    address: String,
}

impl Drop for Daemon {
    fn drop(&mut self) {
        self.child.kill().ok();
        self.child.wait().ok();
    }
}

impl Daemon {
    fn start(folder: &Path) -> Daemon {
        let file = folder.join("tankside.toml").display().to_string();
        std::fs::write(&file, config(folder)).unwrap();
        let log = folder.join("log");
        let child = Command::new(BINARY)
            .args(["serve", "--config", &file])
            .stdin(Stdio::null())
            .stderr(std::fs::File::create(&log).unwrap())
            .spawn()
            .unwrap();
        let mut daemon = Daemon { child, config: file, address: String::new() };
        let begun = Instant::now();
        daemon.address = loop {
            let text = std::fs::read_to_string(&log).unwrap();
            if let Some(line) = text.lines().find(|l| l.contains("listening address=")) {
                break line.rsplit('=').next().unwrap().to_owned();
            }
            assert!(begun.elapsed() < Duration::from_secs(20), "it does not listen: {text}");
            std::thread::sleep(Duration::from_millis(20));
        };
        daemon
    }
    fn end(mut self) {
        let pid = nix::unistd::Pid::from_raw(self.child.id().try_into().unwrap());
        nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM).unwrap();
        self.child.wait().unwrap();
    }
    fn say(&self, words: &[&str]) -> Output {
        let mut command = Command::new(BINARY);
        command.args(words).args(["--config", &self.config]).stdin(Stdio::null());
        command.env("USER", "mila").env_remove("TANKSIDE_TOKEN").output().unwrap()
    }
    fn fine(&self, words: &[&str]) -> String {
        let output = self.say(words);
        assert!(output.status.success(), "{words:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    }
    fn refused(&self, words: &[&str]) -> String {
        let output = self.say(words);
        assert_eq!(output.status.code(), Some(1), "{words:?}");
        String::from_utf8(output.stderr).unwrap()
    }
    fn rule(&self, name: &str) -> Value {
        let tanks: Value = serde_json::from_str(&self.fine(&["tanks", "--json"])).unwrap();
        let rules = tanks[0]["upkeep"].as_array().unwrap();
        rules.iter().find(|r| r["additive"] == name).unwrap().clone()
    }
    fn ratio(&self, name: &str) -> f64 {
        self.rule(name)["due_ratio"].as_f64().unwrap()
    }
    fn metric(&self, name: &str) -> f64 {
        let mut to = TcpStream::connect(&self.address).unwrap();
        write!(to, "GET /metrics HTTP/1.1\r\nhost: {}\r\nconnection: close\r\n\r\n", self.address).unwrap();
        let mut page = String::new();
        to.read_to_string(&mut page).unwrap();
        let line = format!("tankside_upkeep_due_ratio{{additive=\"{name}\",tank=\"nickel\"}} ");
        page.lines().find_map(|l| l.strip_prefix(&line)).unwrap_or_else(|| panic!("{page}")).parse().unwrap()
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn log_resets_its_rule_alone_and_undo_puts_it_back() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("ledger.sqlite");
    worked(&file, "a", 150).await;
    let daemon = Daemon::start(folder.path());
    assert_eq!((daemon.ratio("brightener"), daemon.metric("brightener")), (0.5, 0.5));
    assert_eq!(daemon.ratio("analysis"), 1.0, "nothing says that it was ever done");
    // 150 A.h of 1.095 g/A.h ("Surface Finishing Tutorial #166, theoretical deposit per Ah") are 164 g of 1 kg.
    let anodes = daemon.rule("anodes");
    assert!((anodes["dissolved_grams"].as_f64().unwrap() - 164.2).abs() < 0.2, "{anodes}");
    assert!((daemon.metric("anodes") - 0.1642).abs() < 0.0002);
    // 150 A.h within the last day, by the account: the other 150 take a day too.
    let forecast = daemon.rule("brightener")["forecast"].as_str().unwrap().to_owned();
    let said = daemon.fine(&["tanks"]);
    let analysis = said.lines().find(|l| l.contains("analysis")).unwrap_or_default();
    assert!(
        analysis.contains("never logged") && !analysis.contains("DUE"),
        "late before it was ever done: {said}"
    );
    for wanted in ["50 %", "150 A·h of 300 A·h", "15 mL", "never logged", &forecast[..10]] {
        assert!(said.contains(wanted), "{wanted} in {said}");
    }

    let said = daemon.fine(&["tanks", "--log", "nickel", "brightener", "--note", "new bottle"]);
    assert!(said.contains("nickel: brightener, 15 mL by its rule: logged"), "{said}");
    assert_eq!((daemon.ratio("brightener"), daemon.metric("brightener")), (0.0, 0.0));
    assert!(daemon.ratio("anodes") > 0.16, "another rule was reset");
    assert_eq!(daemon.rule("brightener")["last_by"], "mila");
    daemon.fine(&["tanks", "--log", "nickel", "analysis"]);
    assert!(daemon.ratio("analysis") < 0.001);

    let said = daemon.fine(&["tanks", "--undo", "nickel", "--as", "jonas"]);
    assert!(said.contains("analysis of ") && said.contains("taken back"), "the last one: {said}");
    assert_eq!((daemon.ratio("analysis"), daemon.ratio("brightener")), (1.0, 0.0));
    daemon.end();

    // What was worked since the log is what counts, over a restart.
    worked(&file, "b", 75).await;
    let daemon = Daemon::start(folder.path());
    assert_eq!((daemon.ratio("brightener"), daemon.ratio("analysis")), (0.25, 1.0));
    daemon.fine(&["tanks", "--undo", "nickel"]);
    assert_eq!(daemon.metric("brightener"), 0.75, "as if it had never been logged");
    let said = daemon.refused(&["tanks", "--undo", "nickel"]);
    assert!(said.contains("nothing is logged"), "{said}");
    daemon.end();

    let (ledger, _) = Ledger::open(&file).unwrap();
    let all = ledger.reader().additions("nickel", 10).unwrap();
    let kept: Vec<_> = all.iter().map(|a| (a.what.as_str(), a.amount.as_str(), a.undone.is_some())).collect();
    assert_eq!(kept, [("analysis", "", true), ("brightener", "15 mL", true)], "nothing is wiped out");
    assert_eq!(all[1].note.as_deref(), Some("new bottle"));
}

#[test]
fn rule_or_tank_that_is_not_there_is_named_with_those_that_are() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(folder.path());
    let said = daemon.refused(&["tanks", "--log", "nickel", "brightner"]);
    assert!(said.contains("brightener, anodes, analysis"), "{said}");
    let said = daemon.refused(&["tanks", "--log", "gold", "brightener"]);
    assert!(said.contains("there is: nickel"), "{said}");
    let both = daemon.say(&["tanks", "--log", "nickel", "brightener", "--undo", "nickel"]);
    assert_eq!(both.status.code(), Some(64));
}

#[tokio::test]
async fn account_of_one_tank_is_told_since_each_event_and_by_day_with_what_is_wrong_named() {
    let folder = tempfile::tempdir().unwrap();
    worked(&folder.path().join("ledger.sqlite"), "0190a5e0-0000-7000-8000-000000000001", 150).await;
    let daemon = Daemon::start(folder.path());
    let said = daemon.fine(&["tanks", "nickel"]);
    assert!(said.contains("150 A·h in 1 runs") && said.contains("nothing was logged yet"), "{said}");
    let said = daemon.fine(&["tanks", "nickel", "--analyses"]);
    assert!(said.contains("no analysis of this bath is on record"), "{said}");
    daemon.fine(&["tanks", "--log", "nickel", "make-up"]);
    let said = daemon.fine(&["tanks", "nickel"]);
    assert!(said.lines().any(|l| l.starts_with("make-up") && l.contains("0 A·h")), "{said}");
    let month: Value =
        serde_json::from_str(&daemon.fine(&["tanks", "nickel", "--by", "month", "--json"])).unwrap();
    assert_eq!(month["rows"][0]["charge_coulombs"], 150.0 * 3600.0);
    assert_eq!(month["rows"].as_array().unwrap().len(), 1);
    // What hung was not written down by that run: all of it is the rest.
    let said = daemon.fine(&["tanks", "nickel", "--by", "part", "--since", "2020-01-01"]);
    assert!(said.contains("rack, tips, parts not recorded") && said.contains("since 20"), "{said}");
    let said = daemon.fine(&["tanks", "nickel", "--by", "day", "--since", "make-up"]);
    assert!(said.contains("nothing was worked"), "{said}");
    let said = daemon.refused(&["tanks", "nickel", "--since", "lately"]);
    assert!(said.contains("is no day (2026-01-31)") && said.contains("logged: make-up"), "{said}");
    let said = daemon.refused(&["tanks", "gold"]);
    assert!(said.contains("there is no tank \"gold\"; there is: nickel"), "{said}");
    daemon.end();
}

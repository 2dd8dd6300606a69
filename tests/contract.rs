//! The OpenAPI document, held against a running daemon by a program that we did
//! not write: Schemathesis sends what the document promises and what it forbids,
//! and complains of a server error, an answer that is not in the document, one
//! that is not of its schema, and a forbidden request that is taken.
//!
//! Behind the daemon is the simulated supply, with a run on: what is sent reaches
//! a station that works. The seed is fixed, so the same requests are sent each time.
#![cfg(feature = "daemon")]

mod tools;

use serde_json::{Value, json};
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use tankside::plan::Request;
use tankside::process::End;

const TANKSIDE: &str = env!("CARGO_BIN_EXE_tankside");

/// Goes when dropped, in good order.
struct Process(Child);

impl Drop for Process {
    fn drop(&mut self) {
        let pid = nix::unistd::Pid::from_raw(i32::try_from(self.0.id()).unwrap());
        nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM).ok();
        self.0.wait().ok();
    }
}

#[expect(clippy::disallowed_methods, reason = "configs are files")]
fn write(path: &Path, text: &str) {
    std::fs::write(path, text).unwrap();
}

struct Bench {
    folder: tempfile::TempDir,
    address: String,
    // Ended in this order: the daemon needs its supply to switch it off.
    _daemon: Process,
    _mimic: Process,
}

impl Bench {
    fn new() -> Bench {
        let folder = tempfile::tempdir().unwrap();
        let supply = folder.path().join("supply");
        let mut mimic = Command::new(TANKSIDE)
            .args(["mimic", "--agitation", "air", "--baud", "115200", "--link"])
            .arg(&supply)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let said = BufReader::new(mimic.stdout.take().unwrap()).lines();
        assert!(said.map_while(Result::ok).any(|line| line == "ready"));
        let mimic = Process(mimic);
        let config = folder.path().join("tankside.toml");
        let text = format!(
            r#"[daemon]
listen = "127.0.0.1:0"
state = "{}"
[[station]]
name = "bench"
[station.supply]
dialect = "scpi"
port = "{}"
baud = 115200
max-current = "10 A"
max-voltage = "12 V"
[[tank]]
name = "nickel"
bath = "watts-nickel"
volume = "20 L"
anode-area = "6 dm2"
agitation = "air"
temperature = "54 degC"
[[tank.upkeep]]
name = "brightener"
every = "10 A.h"
"#,
            folder.path().join("state").display(),
            supply.display()
        );
        write(&config, &text);
        let mut daemon = Command::new(TANKSIDE)
            .env_remove("RUST_LOG")
            .arg("serve")
            .arg("--config")
            .arg(&config)
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(daemon.stderr.take().unwrap()).lines().map(Result::unwrap);
        let daemon = Process(daemon);
        let mut heard = Vec::new();
        let mut until = |words: &str| {
            let line = lines.by_ref().inspect(|l| heard.push(l.clone())).find(|l| l.contains(words));
            line.unwrap_or_else(|| panic!("never said {words:?}: {heard:#?}"))
        };
        let line = until("listening address=");
        let address = line.split("address=").nth(1).unwrap().split_whitespace().next().unwrap().to_owned();
        until("link up");
        // The rest must be read, or it would stand still.
        std::thread::spawn(move || lines.for_each(drop));
        Bench { folder, address, _daemon: daemon, _mimic: mimic }
    }

    fn post(&self, path: &str, body: &Value) -> Value {
        let mut answer = ureq::post(format!("http://{}{path}", self.address)).send_json(body).unwrap();
        answer.body_mut().read_json().unwrap()
    }

    /// One pass over every route but the streams, which never end.
    fn asked(&self, config: &str, more: &[&str]) {
        let path = self.folder.path().join("schemathesis.toml");
        write(&path, config);
        let mut command = tools::python_with_schemathesis();
        command
            .current_dir(self.folder.path())
            .args(["-m", "schemathesis.cli", "--config-file"])
            .arg(&path)
            .args(["run", &format!("http://{}/api/v1/openapi.json", self.address)])
            .args(["--seed", "7", "--no-color", "--exclude-path-regex", "(/stream|/events)$"])
            // A name that is not there is refused although the document takes any name.
            .args(["--exclude-checks", "positive_data_acceptance"])
            .args(more);
        let (fine, said) = tools::run(command, "");
        assert!(fine, "{said}");
        let tested = said.lines().find_map(|l| l.trim().strip_prefix("Tested: ")?.parse::<usize>().ok());
        assert!(tested.is_some_and(|n| n > 30), "it asked too little: {said}");
    }
}

#[test]
fn no_answer_is_undocumented_and_none_is_a_server_error() {
    let bench = Bench::new();
    let parts = vec!["area 80 cm2".parse().unwrap()];
    let request = Request::new("nickel", parts, End::Thickness("8 um".parse().unwrap()));
    let started = bench.post("/api/v1/stations/bench/start", &json!({ "by": "mila", "request": request }));
    let run = started["run"].as_str().unwrap_or_else(|| panic!("{started}"));
    // Strangers' names first, then those that are there.
    bench.asked("", &["--max-examples", "10"]);
    let there =
        format!("[parameters]\nstation = \"bench\"\ntank = \"nickel\"\nwatch = \"drift\"\nrun = \"{run}\"\n");
    bench.asked(&there, &["--max-examples", "30"]);
}

//! Prometheus, of Debian, with the shipped scrape file and rules, beside a daemon at work.

use super::hall::{Daemon, Hall, Log, Process, clean, near, number, tank, until};
use super::tools;
use nix::sys::signal::Signal;
use serde_json::Value;
use std::net::SocketAddr;
use std::process::Stdio;

fn deploy(file: &str) -> String {
    std::fs::read_to_string(format!("{}/deploy/{file}", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

/// Exactly one place of a text changed.
#[track_caller]
fn with(text: &str, from: &str, to: &str) -> String {
    assert_eq!(text.matches(from).count(), 1, "{from:?} in {text}");
    text.replace(from, to)
}

/// The shipped scrape file for that daemon, twice a second.
fn config(daemon: &Daemon) -> String {
    let config = with(&deploy("prometheus.yml"), "127.0.0.1:8093", &daemon.address.to_string());
    let config = with(&config, "scrape_timeout: 3s", "scrape_timeout: 400ms");
    let config = with(&config, "evaluation_interval: 5s", "evaluation_interval: 500ms");
    config.replace("scrape_interval: 5s", "scrape_interval: 500ms")
}

struct Prometheus {
    address: SocketAddr,
    process: Process,
}

impl Prometheus {
    /// With the shipped files, and no patience.
    fn beside(daemon: &Daemon, hall: &Hall) -> Prometheus {
        let folder = hall.folder.path();
        std::fs::write(folder.join("alerts.yml"), deploy("alerts.yml")).unwrap();
        std::fs::write(folder.join("prometheus.yml"), config(daemon)).unwrap();
        let mut command = clean(tools::prometheus());
        command
            .current_dir(folder)
            .args([
                "--config.file=prometheus.yml",
                "--storage.tsdb.path=tsdb",
                "--web.listen-address=127.0.0.1:0",
            ])
            .args(["--log.level=info", "--log.format=logfmt"]);
        let mut child = command
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap_or_else(|e| panic!("cannot run Prometheus ({e}); `tests/run` installs it"));
        let log = Log::of(child.stderr.take().unwrap());
        let process = Process { child };
        // Its log says which port the system gave it.
        let line = log.until("msg=\"Listening on\"");
        let address = line.split("address=").nth(1).unwrap().split_whitespace().next().unwrap();
        let address = address.parse().unwrap_or_else(|e| panic!("{e}: {line}"));
        Prometheus { address, process }
    }

    fn api(&self, path: &str) -> Result<Value, String> {
        let url = format!("http://{}/api/v1/{path}", self.address);
        let mut answer = ureq::get(url).call().map_err(|e| e.to_string())?;
        let answer: Value = answer.body_mut().read_json().map_err(|e| e.to_string())?;
        if answer["status"] == "success" { Ok(answer["data"].clone()) } else { Err(answer.to_string()) }
    }

    /// The only value of a query.
    fn value(&self, query: &str) -> Result<f64, String> {
        let data = self.api(&format!("query?query={}", escape(query)))?;
        let Some([one]) = data["result"].as_array().map(Vec::as_slice) else { return Err(data.to_string()) };
        one["value"][1].as_str().and_then(|v| v.parse().ok()).ok_or_else(|| data.to_string())
    }

    /// Waits until a query has one value that will do.
    fn until(&self, query: &str, wanted: impl Fn(f64) -> bool) -> f64 {
        until(query, || match self.value(query) {
            Ok(value) if wanted(value) => Ok(value),
            other => Err(format!("{other:?}")),
        })
    }

    fn firing(&self, alert: &str) -> Result<Value, String> {
        let data = self.api("alerts")?;
        let found = data["alerts"]
            .as_array()
            .into_iter()
            .flatten()
            .find(|a| a["labels"]["alertname"] == alert && a["state"] == "firing");
        found.cloned().ok_or_else(|| data.to_string())
    }
}

fn escape(query: &str) -> String {
    query
        .bytes()
        .map(|b| if b.is_ascii_alphanumeric() { char::from(b).to_string() } else { format!("%{b:02X}") })
        .collect()
}

#[test]
fn prometheus_reads_what_is_so_and_raises_the_shipped_alert_on_a_fault() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    let prometheus = Prometheus::beside(&daemon, &hall);
    prometheus.until("up{job=\"tankside\"}", |v| v == 1.0);

    let tank = tank("bench");
    let hours = format!("tank:tankside_tank_charge:ampere_hours{{tank=\"{tank}\"}}");
    prometheus.until("tankside_link_up{station=\"bench\"}", |v| v == 1.0);
    prometheus.until("tankside_output_on{station=\"bench\"}", |v| v == 0.0);
    prometheus.until(&hours, |v| v == 0.0);
    let rules = prometheus.api("rules").unwrap();
    let all: Vec<&Value> =
        rules["groups"].as_array().unwrap().iter().flat_map(|g| g["rules"].as_array().unwrap()).collect();
    let shipped = deploy("alerts.yml");
    let count =
        shipped.lines().filter(|l| ["- alert:", "- record:"].iter().any(|w| l.trim().starts_with(w))).count();
    assert_eq!(all.len(), count, "{rules:#}");
    prometheus.until("count(ALERTS) or vector(0)", |v| v == 0.0);

    let words = ["start", "--json", "--station", "bench", "--tank", &tank, "--part", super::hall::PART];
    let order = ["--charge", "36 C", "--current", "3 A", "--ramp", "1 s"];
    daemon.verb(&[&words[..], &order[..]].concat()).good();
    prometheus.until("tankside_output_on{station=\"bench\"}", |v| v == 1.0);
    prometheus.until("tankside_run_state{state=\"running\"}", |v| v == 1.0);
    let amps = prometheus.until("tankside_supply_amperes{station=\"bench\"}", |v| v > 2.9);
    near(amps, 3.0, 0.02);
    hall.mimic().until("done", |s| !s.on());
    prometheus.until("tankside_run_state{state=\"complete\"}", |v| v == 1.0);
    let tanks = daemon.verb(&["tanks", "--json"]).json();
    let row = tanks.as_array().unwrap().iter().find(|t| t["tank"] == tank.as_str()).unwrap().clone();
    let coulombs = number(&row["charge_coulombs"]);
    near(coulombs, 36.0, 0.02);
    // The very number: not about as much.
    prometheus.until(&hours, |v| (v * 3600.0 - coulombs).abs() < 1e-6);

    assert!(prometheus.firing("TanksideOpenCircuit").is_err(), "it fires although nothing is wrong");
    daemon.verb(&[&words[..], &["--charge", "1000 C", "--current", "3 A", "--ramp", "1 s"]].concat()).good();
    prometheus.until("tankside_supply_amperes{station=\"bench\"}", |v| v > 2.9);
    hall.mimic().does("fault open-circuit");
    let alert = until("TanksideOpenCircuit fires", || prometheus.firing("TanksideOpenCircuit"));
    assert_eq!(alert["labels"]["severity"], "critical");
    assert_eq!(alert["annotations"]["summary"], "bench: no current flows");
    // A measured value of a supply that is off is not the last one that was seen.
    prometheus.until("tankside_output_on{station=\"bench\"}", |v| v == 0.0);

    // From the first token on it needs one too, in the lines that are shipped as comments.
    let made = daemon.verb(&["token", "add", "prometheus", "--scope", "watch", "--json"]).json();
    prometheus.until("up{job=\"tankside\"}", |v| v == 0.0);
    let secret = hall.folder.path().join("prometheus.token");
    std::fs::write(&secret, made["token"].as_str().unwrap()).unwrap();
    let told = with(&config(&daemon), "    # authorization:", "    authorization:");
    let told = with(
        &told,
        "    #   credentials_file: /etc/prometheus/tankside.token",
        "      credentials_file: prometheus.token",
    );
    std::fs::write(hall.folder.path().join("prometheus.yml"), told).unwrap();
    prometheus.process.signal(Signal::SIGHUP);
    prometheus.until("up{job=\"tankside\"}", |v| v == 1.0);
}

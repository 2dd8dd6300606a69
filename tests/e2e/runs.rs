//! Runs that go as they should.

use super::hall::{Daemon, Hall, PART, near, number, say, tank, tankside, text, until};
use super::tools;
use nix::sys::signal::Signal;
use std::io::Write;
use std::net::TcpStream;
use std::path::Path;

/// Faraday's constant in C/mol (exact since the SI of 2019), the molar mass of
/// nickel in g/mol (IUPAC, abridged) and its density in g/cm³ (common tables).
const F: f64 = 96_485.332_12;
const NICKEL_MOLAR_MASS: f64 = 58.6934;
const NICKEL_DENSITY: f64 = 8.908;

/// Asks a ledger with the stock shell.
pub fn sqlite(ledger: &Path, question: &str) -> String {
    let mut command = tools::sqlite3();
    command.arg("-readonly").arg("-bail").arg(ledger).arg(question);
    let (good, said) = tools::run(command, "");
    assert!(good, "sqlite3: {said}");
    said.trim().into()
}

#[test]
fn charge_and_thickness_agree_with_the_closed_form_the_cell_the_metrics_and_a_restart() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    // 84 cm² with the rack at 95.5 %: about 31 C, which 3 A pass in some eleven seconds.
    let asked = ["--tank", &tank("bench"), "--part", PART, "--thickness", "0.12 um", "--current", "3 A"];
    let plan = daemon.verb(&[&["plan", "--json"], &asked[..]].concat()).json();
    let efficiency = number(&plan["order"]["deposit"]["efficiency"]);
    let closed = 0.12e-4 * 84.0 * NICKEL_DENSITY * 2.0 * F / NICKEL_MOLAR_MASS / efficiency;

    let run = daemon.run_at("bench", &["--thickness", "0.12 um", "--current", "3 A", "--ramp", "1 s"]);
    let done = daemon.until_state("complete");
    let truth = hall.mimic().until("off", |s| !s.on());
    let row = daemon.row(&run);
    near(number(&row["charge_coulombs"]), closed, 0.01);
    near(number(&row["charge_coulombs"]), truth.charge(), 0.01);
    near(number(&row["thickness_meters"]), 0.12e-6, 0.01);
    near(number(&row["thickness_meters"]), truth.number("thickness_meters"), 0.01);
    assert_eq!(row["unobserved_seconds"], 0.0, "{row}");
    assert_eq!(done["alarms"], serde_json::json!([]));

    // One account, wherever it is asked for.
    let account = number(&row["charge_coulombs"]);
    let of_tank = |daemon: &Daemon| {
        let tanks = daemon.verb(&["tanks", "--json"]).json();
        assert_eq!(tanks[0]["tank"], tank("bench").as_str());
        number(&tanks[0]["charge_coulombs"])
    };
    let metric = format!("tankside_tank_charge_coulombs_total{{tank=\"{}\"}}", tank("bench"));
    near(of_tank(&daemon), account, 1e-9);
    near(daemon.metric(&metric).unwrap(), account, 1e-9);
    near(daemon.metric("tankside_run_charge_coulombs{station=\"bench\"}").unwrap(), account, 1e-9);
    near(daemon.metric("tankside_run_thickness_meters{station=\"bench\"}").unwrap(), 0.12e-6, 0.01);
    assert_eq!(daemon.metric("tankside_run_state{state=\"complete\",station=\"bench\"}"), Some(1.0));
    assert_eq!(daemon.metric("tankside_output_on{station=\"bench\"}"), Some(0.0));
    tools::check_metrics_page(&daemon.page("/metrics"));
    let report = daemon.verb(&["report", &run]).good();
    assert!(report.contains("state      complete") && report.contains("by mila"), "{report}");
    let csv = daemon.verb(&["report", &run, "--csv"]).good();
    assert!(csv.lines().count() > 50, "five seconds at least of readings: {csv}");

    // The stock shell reads it while the daemon has it open.
    let shell = sqlite(
        &hall.ledger(),
        "SELECT state, charge_microcoulombs FROM run_charge JOIN tank_charge ON run_id = id",
    );
    assert_eq!(shell, format!("complete|{}", (account * 1e6).round()));
    let passed: f64 = sqlite(
        &hall.ledger(),
        "SELECT SUM((amperes + before) / 2 * (seconds - since)) FROM (SELECT seconds, amperes,
         LAG(amperes) OVER w AS before, LAG(seconds) OVER w AS since FROM reading WINDOW w AS (ORDER BY seconds))",
    )
    .parse()
    .unwrap();
    near(passed, account, 0.01);

    let mut daemon = daemon;
    daemon.process.signal(Signal::SIGTERM);
    assert_eq!(daemon.process.ended().code(), Some(0));
    assert_eq!(sqlite(&hall.ledger(), "PRAGMA integrity_check"), "ok");
    let again = hall.daemon();
    near(of_tank(&again), account, 1e-9);
    near(again.metric(&metric).unwrap(), account, 1e-9);
    assert_eq!(again.row(&run)["state"], "complete");
}

#[test]
fn turn_waits_with_the_output_off_until_it_is_answered_and_each_face_gets_half() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    let run = daemon.run("16 C", &["--turn", "2"]);
    let asks = daemon.until("asks for the turn", |s| s["run"]["question"].is_object());
    assert_eq!(asks["run"]["question"]["turn-part"]["next"], 2, "{asks}");
    // Half a turn later nothing has moved: it waits for a person, not for a time.
    let waits = hall.mimic().until("off", |s| !s.on());
    let later = hall.mimic().asked_again(30);
    assert!(!later.on() && later.charge() == waits.charge(), "{later:?}");
    near(later.charge(), 8.0, 0.04);
    let status = daemon.verb(&["status"]).good();
    assert!(status.to_lowercase().contains("turn"), "{status}");

    daemon.verb(&["answer", "done"]).good();
    daemon.until_state("complete");
    let truth = hall.mimic().state();
    near(truth.charge(), 16.0, 0.02);
    let row = daemon.row(&run);
    near(number(&row["charge_coulombs"]), truth.charge(), 0.01);
    let story: Vec<_> =
        row["events"].as_array().unwrap().iter().map(|e| text(&e["text"]).to_owned()).collect();
    assert!(story.iter().any(|t| t.contains("mila")), "who answered stands in the record: {story:#?}");
    let nothing = daemon.verb(&["answer", "done"]).bad(1);
    assert!(nothing.contains("no run is under way"), "{nothing}");
}

#[test]
fn held_run_has_no_current_resumes_with_a_new_ramp_and_stops_when_told() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    let run = daemon.run("1000 C", &[]);
    daemon.until_steady();
    let early = daemon.verb(&["resume"]).bad(1);
    assert!(early.contains("not held"), "{early}");

    daemon.verb(&["hold"]).good();
    let held = daemon.until_state("held");
    assert_eq!(held["run"]["cause"], "held by mila", "{held}");
    let off = hall.mimic().until("off", |s| !s.on());
    let later = hall.mimic().asked_again(30);
    assert!(!later.on() && later.charge() == off.charge(), "held is without current: {later:?}");

    daemon.verb(&["resume"]).good();
    daemon.until("ramps again", |s| s["run"]["phase"] == "ramp");
    let steady = daemon.until_steady();
    assert!(
        number(&steady["run"]["charge_coulombs"]) > off.charge() * 0.98,
        "it goes on, not anew: {steady}"
    );

    daemon.until("well on its way", |s| number(&s["run"]["charge_coulombs"]) > 9.0);
    daemon.verb(&["stop"]).good();
    daemon.until_state("stopped");
    let truth = hall.mimic().until("off", |s| !s.on());
    let row = daemon.row(&run);
    assert_eq!((text(&row["state"]), text(&row["cause"])), ("stopped", "stopped by mila"));
    near(number(&row["charge_coulombs"]), truth.charge(), 0.02);
}

#[test]
fn second_start_is_refused_and_the_first_run_does_not_notice() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    let run = daemon.run("15 C", &[]);
    daemon.until_steady();
    let words = ["start", "--tank", &tank("bench"), "--part", PART, "--charge", "5 C", "--current", "1 A"];
    let refused = daemon.verb(&words).bad(1);
    assert!(refused.contains("run"), "{refused}");
    daemon.until_state("complete");
    let row = daemon.row(&run);
    near(number(&row["charge_coulombs"]), 15.0, 0.02);
    assert_eq!(daemon.get("/api/v1/runs").as_array().unwrap().len(), 1, "a refused start leaves no row");
}

#[test]
fn order_beyond_the_limits_is_refused_with_both_numbers_and_touches_nothing() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    let start = |more: &[&str]| {
        let tank = tank("bench");
        let words = ["start", "--tank", &tank, "--part", PART, "--charge", "5 C"];
        daemon.verb(&[&words, more].concat()).bad(1)
    };
    let amps = start(&["--current", "15 A"]);
    assert!(amps.contains("15 A") && amps.contains("10 A"), "{amps}");
    let volts = start(&["--volts", "14 V"]);
    assert!(volts.contains("14 V") && volts.contains("12 V"), "{volts}");
    let truth = hall.mimic().asked_again(10);
    assert!(!truth.on() && truth.0["last_on"].is_null(), "{truth:?}");
    assert_eq!(daemon.get("/api/v1/runs"), serde_json::json!([]));
}

#[test]
fn hundred_slow_web_clients_change_nothing_in_the_run() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    let run = daemon.run("24 C", &[]);
    // A third with half a request, a third that never read their stream, a third that trickle a body.
    let mut slow = Vec::new();
    for i in 0..100 {
        let mut client = TcpStream::connect(daemon.address).unwrap();
        let host = daemon.address;
        let sent = match i % 3 {
            0 => "GET /metrics HTTP/1.1\r\nho".to_owned(),
            1 => format!("GET /api/v1/stations/bench/stream HTTP/1.1\r\nhost: {host}\r\n\r\n"),
            _ => format!(
                "POST /api/v1/stations/bench/stop HTTP/1.1\r\nhost: {host}\r\ncontent-type: application/json\r\n\
                 content-length: 14\r\n\r\n{{"
            ),
        };
        client.write_all(sent.as_bytes()).unwrap();
        slow.push(client);
    }
    let steady = daemon.until_steady();
    assert!(number(&steady["link"]["polls_per_second"]) > 0.0);
    daemon.until_state("complete");
    let truth = hall.mimic().until("off", |s| !s.on());
    let row = daemon.row(&run);
    near(number(&row["charge_coulombs"]), truth.charge(), 0.01);
    near(truth.charge(), 24.0, 0.02);
    assert_eq!(row["unobserved_seconds"], 0.0, "{row}");
    let quiet = daemon.get("/api/v1/alarms");
    assert_eq!(quiet["journal"], serde_json::json!([]), "{quiet}");
    drop(slow);
    // Whoever is quick is still answered.
    until("answered", || if daemon.get("/healthz")["ok"] == true { Ok(()) } else { Err(String::new()) });
}

#[test]
fn record_that_was_tampered_with_after_its_run_is_found_and_named() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    let evil = "<script>alert(1)</script>";
    let run = daemon.run_at("bench", &["--charge", "0.1 A.min", "--current", "3 A", "--lot", evil]);
    daemon.until_state("complete");
    let verify = || {
        let mut command = tankside();
        command.args(["runs", "verify", "--ledger"]).arg(hall.ledger());
        say(command)
    };

    // What the run got, on a page that holds nobody's markup, and in numbers that are the ledger's.
    let page = daemon.verb(&["report", &run, "--html", "-"]).good();
    assert!(page.contains("&lt;script&gt;") && !page.contains("<script"), "{page}");
    assert!(
        page.contains("<svg") && page.contains("Not signed off.") && page.contains("TANKSIDE,MIMIC"),
        "{page}"
    );
    let record = daemon.verb(&["report", &run, "--json"]).json();
    let part = &record["steps"][0]["run"];
    assert_eq!(part["charge_coulombs"], daemon.row(&run)["charge_coulombs"]);
    assert_eq!(record["lot"], evil);
    assert!(part["thickness"]["low_meters"].is_number() && part["parts"][0]["count"].is_number(), "{record}");
    assert!(daemon.page(&format!("/api/v1/runs/{run}/plot.svg")).contains("<svg"));

    // Signing and correcting leave the seal whole and show.
    daemon.verb(&["runs", "amend", &run, "--lot", "K-7", "--by", "jonas", "--why", "a slip"]).good();
    daemon.verb(&["runs", "sign", &run, "--by", "mila", "--remark", "bright"]).good();
    let record = daemon.verb(&["report", &run, "--json"]).json();
    assert_eq!(record["amendments"][1]["from"], evil);
    assert_eq!(record["signatures"][0]["by"], "mila");
    let head = text(&record["chain"]["hash"]).to_owned();
    assert!(verify().good().contains(&head), "the head of the chain, daemon or no daemon");

    drop(daemon);
    let mut shell = tools::sqlite3();
    let deed = "DELETE FROM reading_block;
                UPDATE event SET text = text || ' and well' WHERE kind = 'ended';";
    shell.arg("-bail").arg(hall.ledger()).arg(deed);
    let (good, said) = tools::run(shell, "");
    assert!(good, "sqlite3: {said}");
    let found = verify();
    assert_eq!(found.code, Some(65), "{found:?}");
    let found = found.out;
    assert!(found.contains(&format!("run {run}")) && found.contains("readings, events"), "{found}");
}

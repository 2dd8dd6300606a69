//! Alarms, from the cell to the operator.

use super::hall::{Daemon, Hall, Plan, errors, near, number, tank, text, until};
use serde_json::Value;

/// The alarm stands: in the status, in the metrics, in the journal, and in words.
fn alarm_stands(daemon: &Daemon, watch: &str) {
    let status =
        daemon.until("alarmed", |s| s["alarms"].as_array().unwrap().iter().any(|a| a["watch"] == watch));
    let alarm: &Value = status["alarms"].as_array().unwrap().iter().find(|a| a["watch"] == watch).unwrap();
    assert!(!text(&alarm["remedy"]).is_empty(), "{alarm}");
    let metric = format!("tankside_alarm_active{{priority=\"high\",station=\"bench\",watch=\"{watch}\"}}");
    assert_eq!(daemon.metric(&metric), Some(1.0), "{}", daemon.page("/metrics"));
    let said = daemon.verb(&["alarms"]).good();
    assert!(said.contains(watch), "{said}");
}

#[test]
fn over_voltage_cuts_the_output_and_stands_until_it_is_acknowledged() {
    let hall = Hall::of(Plan { watch: "[station.watch.over-voltage]\nlimit = \"2.5 V\"", ..Plan::default() });
    let daemon = hall.daemon();
    let run = daemon.run("1000 C", &[]);
    daemon.until_state("aborted");
    let truth = hall.mimic().until("off", |s| !s.on());
    let row = daemon.row(&run);
    assert!(text(&row["cause"]).contains("over-voltage"), "{row}");
    assert!(text(&row["cause"]).contains("2.5"), "the limit is named: {row}");
    near(number(&row["charge_coulombs"]), truth.charge(), 0.1);
    alarm_stands(&daemon, "over-voltage");
    let later = hall.mimic().asked_again(30);
    assert!(!later.on() && later.number("last_on") == truth.number("last_on"), "{later:?}");

    daemon.verb(&["alarms", "--ack", "over-voltage", "--note", "dirty clip, cleaned"]).good();
    until("in the journal", || {
        let all = daemon.verb(&["alarms", "--json"]).json();
        let journal = all["journal"].as_array().unwrap();
        let acknowledged = journal.iter().find(|row| row["note"] == "dirty clip, cleaned");
        match acknowledged {
            Some(row) if row["by"] == "mila" && row["watch"] == "over-voltage" => Ok(()),
            _ => Err(all.to_string()),
        }
    });
    daemon.until("stands no more", |s| {
        let alarms = s["alarms"].as_array().unwrap();
        alarms.iter().all(|a| a["watch"] != "over-voltage" || a["state"] == "acknowledged")
    });
}

#[test]
fn clip_that_falls_off_holds_the_run_and_the_run_ends_right_after_it_is_mended() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    let run = daemon.run("20 C", &[]);
    daemon.until_steady();
    hall.mimic().does("fault open-circuit");
    let held = daemon.until_state("held");
    assert!(text(&held["run"]["cause"]).contains("open-circuit"), "{held}");
    hall.mimic().until("off", |s| !s.on());
    alarm_stands(&daemon, "open-circuit");
    // Mended, nothing starts by itself.
    hall.mimic().does("clear");
    let waits = hall.mimic().asked_again(30);
    assert!(!waits.on(), "{waits:?}");
    daemon.verb(&["resume"]).good();
    daemon.until_state("complete");
    let truth = hall.mimic().until("off", |s| !s.on());
    let row = daemon.row(&run);
    near(number(&row["charge_coulombs"]), truth.charge(), 0.02);
    near(truth.charge(), 20.0, 0.02);
}

#[test]
fn work_that_touches_the_anode_is_cut() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    let run = daemon.run("1000 C", &[]);
    daemon.until_steady();
    hall.mimic().does("fault short");
    daemon.until_state("aborted");
    let truth = hall.mimic().until("off", |s| !s.on());
    let row = daemon.row(&run);
    assert!(text(&row["cause"]).contains("short-circuit"), "{row}");
    alarm_stands(&daemon, "short-circuit");
    hall.mimic().does("clear");
    let later = hall.mimic().asked_again(30);
    assert_eq!(later.number("last_on"), truth.number("last_on"), "{later:?}");
}

#[test]
fn one_supply_dies_and_the_other_station_ends_its_run_at_the_right_charge() {
    let mut hall = Hall::of(Plan { stations: &["bench", "attic"], ..Plan::default() });
    let daemon = hall.daemon();
    let ramp = ["--current", "3 A", "--ramp", "1 s"];
    let lost = daemon.run_at("attic", &[&["--charge", "1000 C"], &ramp[..]].concat());
    let good = daemon.run_at("bench", &[&["--charge", "24 C"], &ramp[..]].concat());
    daemon.until_at("attic", "steady", |s| s["run"]["phase"] == "steady");
    hall.mimics[1].process.child.kill().unwrap();
    let gone = daemon.until_at("attic", "aborted", |s| s["run"]["state"] == "aborted");
    assert!(text(&gone["run"]["cause"]).contains("go to the supply"), "{gone}");
    assert_eq!(gone["output_known"], false, "{gone}");

    daemon.until_state("complete");
    let truth = hall.mimics[0].until("off", |s| !s.on());
    let row = daemon.row(&good);
    near(number(&row["charge_coulombs"]), truth.charge(), 0.01);
    near(truth.charge(), 24.0, 0.02);
    assert_eq!(errors(&daemon.status(), "no-reply"), 0);
    assert_eq!(daemon.row(&lost)["state"], "aborted");
    // Each tank has its own account.
    let tanks = daemon.verb(&["tanks", "--json"]).json();
    let of = |name: &str| {
        let row = tanks.as_array().unwrap().iter().find(|t| t["tank"] == tank(name).as_str()).unwrap();
        number(&row["charge_coulombs"])
    };
    near(of("bench"), number(&row["charge_coulombs"]), 1e-9);
    assert!(of("attic") > 0.0);
}

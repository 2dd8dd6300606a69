//! `tankside off`: never refused, whoever is there.

use super::hall::{Hall, Mimic, Plan, Said, number, say, tankside, text};
use nix::sys::signal::Signal;
use std::io::Write;

/// Switches on by hand, as a person at a terminal program would.
fn on_by_hand(mimic: &Mimic) {
    let mut line = std::fs::OpenOptions::new().write(true).open(&mimic.link).unwrap();
    line.write_all(b"VOLT 4;CURR 2;:OUTP ON\n").unwrap();
    mimic.until("on", |s| s.on());
}

fn off(words: &[&str]) -> Said {
    let mut command = tankside();
    command.arg("off").args(words);
    say(command)
}

#[test]
fn off_through_the_daemon_ends_the_run_and_is_confirmed() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    let run = daemon.run("1000 C", &[]);
    daemon.until_steady();
    let said = daemon.verb(&["off"]).good();
    assert!(said.contains("output off, confirmed"), "{said}");
    assert!(!hall.mimic().state().on(), "off before it was said");
    let row = daemon.row(&run);
    assert_eq!((text(&row["state"]), text(&row["cause"])), ("aborted", "switched off by mila"));
    // Without a run it is not refused either.
    daemon.verb(&["off"]).good();
}

#[test]
fn off_without_a_daemon_goes_to_the_ports_of_the_config() {
    let hall = Hall::usual();
    on_by_hand(hall.mimic());
    // Nobody listens on the discard port.
    let said = off(&["--config", hall.config.to_str().unwrap(), "--address", "127.0.0.1:9"]);
    assert!(said.err.contains("no daemon answers"), "{said:?}");
    let out = said.good();
    assert!(out.contains("output off, confirmed by the supply"), "{out}");
    assert!(!hall.mimic().state().on());
}

#[test]
fn off_with_a_broken_config_or_none_still_switches_off() {
    let hall = Hall::usual();
    let broken = hall.folder.path().join("broken.toml");
    let text = std::fs::read_to_string(&hall.config).unwrap();
    std::fs::write(&broken, text.replacen("[daemon]", "[daemon", 1)).unwrap();
    on_by_hand(hall.mimic());
    let said = off(&["--config", broken.to_str().unwrap(), "--address", "127.0.0.1:9"]);
    assert!(said.err.contains("has mistakes"), "{said:?}");
    said.good();
    assert!(!hall.mimic().state().on());

    on_by_hand(hall.mimic());
    let out = off(&[hall.mimic().link.to_str().unwrap()]).good();
    assert!(out.contains("confirmed"), "{out}");
    assert!(!hall.mimic().state().on());
}

#[test]
fn off_with_a_broken_config_finds_its_daemon_and_says_where_it_looked() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    let broken = hall.folder.path().join("broken.toml");
    let text = std::fs::read_to_string(&hall.config).unwrap();
    std::fs::write(&broken, text.replacen("[daemon]", "[daemon", 1)).unwrap();
    let listen = format!("asking the daemon at {}", daemon.address);
    let said = off(&["--config", broken.to_str().unwrap()]);
    let found = text.contains(&daemon.address.to_string());
    assert_eq!(said.err.contains(&listen) && said.err.contains("listen line"), found, "{said:?}");
    assert!(said.err.contains("has mistakes") && said.err.contains("asking the daemon at"), "{said:?}");

    // One of the same name may be another's: it is said who did it.
    let said = off(&["--config", broken.to_str().unwrap(), "--address", &daemon.address.to_string()]);
    let whom = format!("by the daemon at {}; if that is not this bench's", daemon.address);
    assert!(said.out.contains(&whom), "{said:?}");

    // A daemon that is another's does not stand in for the stations of this config.
    std::fs::write(&broken, text.replacen("[daemon]", "[daemon", 1).replace("\"bench\"", "\"annex\""))
        .unwrap();
    let said = off(&["--config", broken.to_str().unwrap(), "--address", &daemon.address.to_string()]);
    assert!(said.err.contains("annex is no station of that daemon; going to its port"), "{said:?}");
}

#[test]
fn off_past_a_daemon_that_hangs_switches_off_and_does_not_claim_to_know() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    let run = daemon.run("1000 C", &[]);
    daemon.until_steady();
    daemon.process.signal(Signal::SIGSTOP);
    let said = daemon.verb(&["off"]);
    assert!(said.out.contains("off was sent, but NOT confirmed"), "{said:?}");
    assert!(
        said.out.contains(&format!("process {}", daemon.process.pid())),
        "who holds it is named: {said:?}"
    );
    let complaint = said.bad(1);
    assert!(complaint.contains("go to the supply"), "{complaint}");
    let off = hall.mimic().until("off", |s| !s.on());

    // Awake again, the daemon finds out and does not switch on.
    daemon.process.signal(Signal::SIGCONT);
    let found = daemon.until("no longer running", |s| s["run"]["state"] != "running");
    assert!(["held", "aborted"].contains(&text(&found["run"]["state"])), "{found}");
    daemon.until("known off", |s| s["output_known"] == true && s["output_on"] == false);
    let later = hall.mimic().asked_again(30);
    assert!(!later.on() && later.number("last_on") == off.number("last_on"), "{later:?}");
    assert!(number(&daemon.get(&format!("/api/v1/runs/{run}"))["charge_coulombs"]) <= off.charge() * 1.01);
}

#[test]
fn off_reaches_the_other_station_while_one_is_silent_and_goes_to_that_ones_port_only() {
    let hall = Hall::of(Plan { stations: &["left", "right"], ..Plan::default() });
    let daemon = hall.daemon();
    for name in hall.plan.stations {
        daemon.run_at(name, &["--charge", "1000 C", "--current", "3 A", "--ramp", "1 s"]);
    }
    hall.mimics.iter().for_each(|mimic| drop(mimic.until("on", |s| s.on())));
    hall.mimics[0].does("fault link-drops");
    let said = daemon.verb(&["off"]);
    assert!(said.out.contains("right: output off, confirmed"), "{said:?}");
    assert!(!hall.mimics[1].state().on(), "{said:?}");
    assert!(said.err.contains("left: ") && said.err.contains("going to its port"), "{said:?}");
    let port = |name: &str| hall.port(name).display().to_string();
    assert!(said.out.contains(&port("left")) && !said.out.contains(&port("right")), "{said:?}");
    assert!(said.bad(1).contains("go to the supply"));
}

#[test]
fn off_of_the_service_manager_and_the_minder_meet_at_the_port_and_both_confirm() {
    // A slow line, so that they do meet.
    let hall = Hall::of(Plan { baud: 9600, ..Plan::default() });
    let daemon = hall.daemon();
    daemon.run("1000 C", &[]);
    daemon.until_steady();
    daemon.process.signal(Signal::SIGKILL);
    let said = off(&["--config", hall.config.to_str().unwrap(), "--address", "127.0.0.1:9"]);
    assert!(!hall.mimic().state().on());
    assert!(said.good().contains("output off, confirmed by the supply"));
    let minder = daemon.log.until("minder: /");
    assert!(minder.contains("output off, confirmed by the supply"), "{minder}");
}

#[test]
fn off_at_a_supply_that_is_not_there_fails_and_sends_the_person_to_it() {
    let folder = tempfile::tempdir().unwrap();
    let said = off(&[folder.path().join("nothing").to_str().unwrap()]);
    assert!(said.out.contains("NOT switched off"), "{said:?}");
    assert!(said.bad(1).contains("by hand"));
}

#[test]
fn off_with_a_dead_link_says_once_what_is_wrong_and_once_what_to_do() {
    let mut hall = Hall::usual();
    let daemon = hall.daemon();
    daemon.run("1000 C", &[]);
    daemon.until_steady();
    drop(hall.mimics.remove(0));
    daemon.until("gone", |s| s["link"]["up"] == false);
    let said = daemon.verb(&["off"]);
    let all = format!("{}{}", said.out, said.err);
    assert_eq!(all.matches("cannot open").count(), 1, "{all}");
    assert_eq!(all.matches("go to the supply").count(), 1, "{all}");
    assert!(said.bad(1).contains("switch it off by hand"));
}

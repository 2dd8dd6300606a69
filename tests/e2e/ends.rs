//! The ways a daemon ends, good and bad, with current on.

use super::hall::{Daemon, Hall, Mimic, Plan, minders, near, number, text, until};
use super::runs::sqlite;
use nix::sys::signal::{Signal, kill};

/// One second, the contract's own bound (DEVELOPERS.md): the minder has switched off by then.
pub const MINDED: f64 = 1.0;

/// Told to end with current on: off confirmed, the run closed, exit 0.
fn told_to_end(signal: Signal) {
    let hall = Hall::usual();
    let mut daemon = hall.daemon();
    let run = daemon.run("1000 C", &[]);
    daemon.until("well on its way", |s| number(&s["run"]["charge_coulombs"]) > 9.0);
    daemon.process.signal(signal);
    assert_eq!(daemon.process.ended().code(), Some(0), "{}", daemon.log.text());
    let truth = hall.mimic().state();
    assert!(!truth.on(), "off before it ended: {truth:?}");
    daemon.log.until("output off, confirmed");
    daemon.log.until("tankside ends");
    let row =
        sqlite(&hall.ledger(), &format!("SELECT state, cause, ended_utc > '' FROM run WHERE id = '{run}'"));
    assert!(row.starts_with("aborted|") && row.contains("stopped") && row.ends_with("|1"), "{row}");
    let passed: f64 = sqlite(&hall.ledger(), "SELECT coulombs FROM run_charge").parse().unwrap();
    near(passed, truth.charge(), 0.02);
    // The minder was told goodbye: nobody is left who would switch the port.
    assert!(!daemon.log.text().contains("minder:"), "{}", daemon.log.text());

    let again = hall.daemon();
    assert!(again.log.text().lines().all(|l| !l.contains("interrupted")), "{}", again.log.text());
    let later = hall.mimic().asked_again(10);
    assert_eq!(later.number("last_on"), truth.number("last_on"), "no current without a person: {later:?}");
}

#[test]
fn sigterm_with_current_on_switches_off_confirms_and_closes_the_run() {
    told_to_end(Signal::SIGTERM);
}

#[test]
fn sigint_with_current_on_switches_off_confirms_and_closes_the_run() {
    told_to_end(Signal::SIGINT);
}

/// Kills the daemon with current on. Returns how long the output stayed on, and
/// the charge at the kill, both at the most: by the mimic's own clock, from an
/// instant just before the kill.
pub fn kill_daemon(daemon: &mut Daemon, mimic: &Mimic) -> (f64, f64) {
    let before = mimic.state();
    assert!(before.on(), "{before:?}");
    daemon.process.signal(Signal::SIGKILL);
    let after = mimic.state();
    assert!(!daemon.process.ended().success());
    let off = mimic.until("off", |s| !s.on());
    let lasted = off.number("last_off") - before.number("seconds");
    println!(
        "off {:.0} to {lasted:.3} s after kill -9",
        (off.number("last_off") - after.number("seconds")).max(0.0)
    );
    (lasted, after.charge())
}

fn killed(baud: u32) {
    let hall = Hall::of(Plan { baud, ..Plan::default() });
    let mut daemon = hall.daemon();
    let run = daemon.run("1000 C", &[]);
    daemon.until("well on its way", |s| number(&s["run"]["charge_coulombs"]) > 6.0);
    let (lasted, charge) = kill_daemon(&mut daemon, hall.mimic());
    assert!(lasted <= MINDED, "the minder took {lasted} s\n{}", daemon.log.text());
    daemon.log.until("output off, confirmed by the supply");
    let off = hall.mimic().state();

    let again = hall.daemon();
    let log = again.log.until("interrupted");
    assert!(log.contains("WARN"), "{log}");
    let row = again.row(&run);
    assert_eq!(row["state"], "aborted");
    assert!(text(&row["cause"]).contains("interrupted"), "{row}");
    let recorded = number(&row["charge_coulombs"]);
    let lost = charge - recorded;
    println!("{lost:.3} C of {charge:.3} C lost by the kill; {:.3} C passed after it", off.charge() - charge);
    // One second's worth at 3 A, with one reading's noise.
    assert!(lost < 3.0 * 1.01 && lost > -0.1, "{recorded} C on record, {charge} C at the kill");
    let account = number(&again.verb(&["tanks", "--json"]).json()[0]["charge_coulombs"]);
    near(account, recorded, 1e-9);
    let later = hall.mimic().asked_again(10);
    assert_eq!(later.number("last_on"), off.number("last_on"), "no current without a person: {later:?}");
    let next = again.run("6 C", &[]);
    again.until_state("complete");
    assert_eq!(again.row(&next)["state"], "complete");
}

#[test]
fn killed_with_current_on_is_off_within_a_second_and_loses_less_than_a_seconds_charge() {
    killed(115_200);
}

#[test]
fn killed_on_a_slow_line_is_off_within_a_second_too() {
    killed(9_600);
}

/// As long as the minder waits for a sign of life, a beat, and what it may take to switch off.
const FROZEN: f64 = 20.0 + 1.0 + MINDED;

#[test]
fn daemon_that_stands_still_with_current_on_is_ended_and_switched_off() {
    let hall = Hall::usual();
    let mut daemon = hall.daemon();
    daemon.run("1000 C", &[]);
    daemon.until("well on its way", |s| number(&s["run"]["charge_coulombs"]) > 6.0);
    let before = hall.mimic().state();
    assert!(before.on(), "{before:?}");
    daemon.process.signal(Signal::SIGSTOP);
    let off = hall.mimic().until("off", |s| !s.on());
    let lasted = off.number("last_off") - before.number("seconds");
    assert!((15.0..=FROZEN).contains(&lasted), "{lasted} s");
    daemon.log.until("stood still for 20 s; it was ended");
    daemon.log.until("output off, confirmed by the supply");
    assert!(!daemon.process.ended().success());
}

#[test]
fn minder_that_is_killed_is_replaced_and_its_successor_switches_off() {
    let hall = Hall::usual();
    let mut daemon = hall.daemon();
    daemon.run("1000 C", &[]);
    daemon.until_steady();
    let first = daemon.minder();
    kill(first, Signal::SIGKILL).unwrap();
    let said = daemon.log.until("the minder ended");
    assert!(said.contains("ERROR"), "{said}");
    daemon.log.until("another minder is ready");
    let second = daemon.minder();
    assert_ne!(first, second);
    assert_eq!(daemon.status()["run"]["state"], "running", "the run goes on meanwhile");
    let (lasted, _) = kill_daemon(&mut daemon, hall.mimic());
    assert!(lasted <= MINDED, "the second minder took {lasted} s\n{}", daemon.log.text());
}

#[test]
fn minder_of_two_stations_switches_both_off() {
    let hall = Hall::of(Plan { stations: &["bench", "attic"], ..Plan::default() });
    let mut daemon = hall.daemon();
    for name in ["bench", "attic"] {
        daemon.run_at(name, &["--charge", "1000 C", "--current", "3 A", "--ramp", "1 s"]);
        daemon.until_at(name, "steady", |s| s["run"]["phase"] == "steady");
    }
    let before = hall.mimics[1].state();
    let (lasted, _) = kill_daemon(&mut daemon, &hall.mimics[0]);
    let other = hall.mimics[1].until("off", |s| !s.on());
    let other = other.number("last_off") - before.number("seconds");
    assert!(lasted <= MINDED && other <= MINDED, "{lasted} s and {other} s\n{}", daemon.log.text());
}

#[test]
fn daemon_that_was_killed_leaves_no_minder_behind() {
    let hall = Hall::usual();
    let mut daemon = hall.daemon();
    let minder = daemon.minder();
    assert_eq!(minders(daemon.process.pid()), [minder]);
    daemon.process.signal(Signal::SIGKILL);
    daemon.process.ended();
    // A zombie of ours or gone altogether; not at work.
    until("the minder gone", || {
        let stat = std::fs::read_to_string(format!("/proc/{minder}/stat")).unwrap_or_default();
        if stat.is_empty() || stat.contains(") Z ") { Ok(()) } else { Err(stat) }
    });
}

#[test]
fn daemon_and_minder_killed_together_the_next_start_switches_off_before_anything_else() {
    let hall = Hall::usual();
    let mut daemon = hall.daemon();
    let run = daemon.run("1000 C", &[]);
    daemon.until_steady();
    // Stopped first, so that it cannot start another minder.
    daemon.process.signal(Signal::SIGSTOP);
    kill(daemon.minder(), Signal::SIGKILL).unwrap();
    daemon.process.signal(Signal::SIGKILL);
    daemon.process.ended();
    let on = hall.mimic().state();
    assert!(on.on(), "nobody is left to switch it off: {on:?}");

    let again = hall.daemon();
    let off = hall.mimic().until("off", |s| !s.on());
    again.log.until("link up, output found ON, now confirmed off");
    assert!(text(&again.row(&run)["cause"]).contains("interrupted"));
    let later = hall.mimic().asked_again(10);
    assert_eq!(later.number("last_on"), off.number("last_on"), "no current without a person: {later:?}");
}

#[test]
fn told_to_end_while_the_supply_is_silent_it_says_so_and_does_not_end_well() {
    let hall = Hall::usual();
    let mut daemon = hall.daemon();
    daemon.run("1000 C", &[]);
    daemon.until_steady();
    hall.mimic().does("fault link-drops");
    daemon.process.signal(Signal::SIGTERM);
    assert_eq!(daemon.process.ended().code(), Some(1), "{}", daemon.log.text());
    daemon.log.until("output NOT confirmed off");
    daemon.log.until("go to the supply");
    let cause = sqlite(&hall.ledger(), "SELECT state, ended_utc > '' FROM run");
    assert_eq!(cause, "aborted|1");
    // Let go without a goodbye, the minder tries once more and succeeds when the supply hears again.
    hall.mimic().does("clear");
    hall.mimic().until("off", |s| !s.on());
}

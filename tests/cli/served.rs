//! Verbs that work a daemon, and what they meet when it ends.

use super::rig::*;
use std::io::{BufRead, BufReader, Read};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

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
fn run_is_started_held_resumed_and_switched_off_by_its_operators() {
    let shop = Shop::new();
    let daemon = shop.serve();
    let answer = daemon.say(&["answer"]);
    assert_eq!(code(&answer), 1, "nothing is asked: {}", out(&answer));
    let started = daemon.start_cups();
    assert_eq!(code(&started), 0, "{}", err(&started));
    assert!(out(&started).contains("- Thickness is the mean"), "warnings stay in: {}", out(&started));
    let name = "on record as started by mila; in your own name: --as NAME";
    assert!(out(&started).contains(name), "{}", out(&started));
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

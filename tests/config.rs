//! The manual loads and says what the code does; bad configs say exactly what is wrong.
#![expect(clippy::disallowed_methods, reason = "these tests read the files they are about")]

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tankside::config::{Config, OnLedgerFailure, TemperatureSource, check_report, load};
use tankside::quantity::{Amps, Units, Volts};
use tankside::supply::Port;
use tankside::watch;

const MANUAL: &str = include_str!("../config/tankside.toml");
const DIALECTS: &[&str] = &["scpi", "modbus-example"];

/// The least that is a config.
const LEAST: &str = r#"
[[station]]
name = "bench"
[station.supply]
dialect = "scpi"
port = "/dev/ttyS0"
max-current = "10 A"
max-voltage = "12 V"
[[tank]]
name = "nickel"
bath = "watts-nickel"
"#;

fn good(text: &str) -> Config {
    load(text, "tankside.toml", &[], DIALECTS)
        .unwrap_or_else(|all| panic!("{}", all.iter().fold(String::new(), |s, p| s + &p.to_string() + "\n")))
}

#[test]
fn the_manual_is_a_good_config() {
    let config = good(MANUAL);
    assert_eq!(config.stations.len(), 1);
    assert_eq!(config.tanks.len(), 1);
    assert!(config.baths.iter().any(|b| b.name == config.tanks[0].bath));
    assert_eq!(config.stations[0].limits.max_amps, Amps::new(10.0));
    assert!(matches!(config.stations[0].supply.port, Port::Serial(_)));
    assert_eq!(config.tanks[0].agitation_sensor.as_ref().map(|s| s.running.as_str()), Some("1"));
    assert!(
        matches!(&config.tanks[0].temperature, Some(TemperatureSource::File { scale, .. }) if *scale == 0.001)
    );
}

#[test]
fn what_the_manual_gives_as_default_is_what_stands_when_a_key_is_left_out() {
    // Every key of the manual that has a default is written with it there.
    let (manual, least) = (good(MANUAL), good(LEAST));
    let (m, l) = (&manual.daemon, &least.daemon);
    assert_eq!((&m.listen, &m.state, m.units, &m.names), (&l.listen, &l.state, l.units, &l.names));
    assert_eq!((m.loopback_open, &m.tls), (l.loopback_open, &l.tls));
    let (m, l) = (&manual.stations[0], &least.stations[0]);
    assert_eq!((m.poll, m.stale_after, m.max_gap), (l.poll, l.stale_after, l.max_gap));
    assert_eq!(m.on_ledger_failure, l.on_ledger_failure);
    assert_eq!(m.watches, l.watches);
    assert_eq!(m.watches, watch::Settings::default());
    let (m, l) = (&m.supply, &l.supply);
    assert_eq!((m.baud, m.parity, m.two_stop_bits), (l.baud, l.parity, l.two_stop_bits));
    assert_eq!(m.identity, l.identity);
}

#[test]
fn the_manual_leaves_no_key_out() {
    // An unknown key in every table makes the code list the keys it knows there.
    let mut text = String::from("zzzzzzzz = 1\n");
    for line in MANUAL.lines() {
        writeln!(text, "{}", line.replace("{ file", "{ zzzzzzzz = 1, file")).unwrap();
        if line.starts_with('[') {
            text.push_str("zzzzzzzz = 1\n");
        }
    }
    let problems = load(&text, "f", &[], DIALECTS).unwrap_err();
    let in_line = MANUAL.matches("{ file").count();
    let tables = 1 + text.lines().filter(|l| l.starts_with('[')).count() + in_line;
    assert_eq!(problems.len(), tables, "{problems:#?}");
    for problem in problems {
        let keys = problem.remedy.strip_prefix("keys here are ").unwrap_or_else(|| panic!("{problem}"));
        for key in keys.split(", ") {
            let told =
                MANUAL.lines().any(|l| {
                    let l = l.trim_start_matches(['#', '[']);
                    l.starts_with(&format!("{key} =")) || l.starts_with(&format!("{key}]"))
                }) || [format!(".{key}]"), format!("[{key}."), format!("{{ {key} ="), format!(", {key} =")]
                    .iter()
                    .any(|form| MANUAL.contains(form));
            assert!(told, "the manual does not tell of {key} ({})", problem.key);
        }
    }
}

#[test]
fn slower_polls_take_their_time_limits_along() {
    let config = good(&LEAST.replace("name = \"bench\"", "name = \"bench\"\npoll = \"1 s\""));
    assert_eq!(config.stations[0].stale_after, Duration::from_secs(5));
    assert_eq!(config.stations[0].max_gap, Duration::from_secs(5));
    good(&LEAST.replace("name = \"bench\"", "name = \"bench\"\npoll = \"100 ms\"\nstale-after = \"300 ms\""));
}

#[test]
fn every_key_can_be_set_to_something_else() {
    let text = r#"
[daemon]
listen = "0.0.0.0:80"
state = "/srv/t"
units = "us"
names = ["tank.example"]
loopback = "open"
[daemon.tls]
certificate = "/etc/t/chain.pem"
key = "/etc/t/key.pem"
[[station]]
name = "a"
poll = "1 s"
stale-after = "4 s"
max-gap = "6 s"
on-ledger-failure = "finish"
[station.supply]
dialect = "scpi"
port = "tcp:supply.lan:5025"
identity = "X"
max-current = "5 A"
max-voltage = "6 V"
[station.watch]
amps-count = "1 mA"
volts-count = "1 mV"
[station.watch.over-voltage]
on-delay = "2 s"
off-delay = "3 s"
deadband = "10 %"
priority = "medium"
response = "hold"
limit = "5 V"
[[tank]]
name = "t"
bath = "silver"
volume = "2 gal"
anode-area = "12 in2"
agitation = "rod"
temperature = "75 degF"
max-load = "1 A/gal"
hull-panel = { current = "2 A", burnt-up-to = "0.5 in" }
"#;
    let config = good(text);
    assert_eq!(config.daemon.units, Units::Us);
    assert_eq!(config.daemon.listen.to_string(), "0.0.0.0:80");
    assert_eq!(config.daemon.names, ["tank.example"]);
    assert!(config.daemon.loopback_open);
    assert_eq!(config.daemon.tls.as_ref().map(|t| t.key.to_str().unwrap()), Some("/etc/t/key.pem"));
    let station = &config.stations[0];
    assert_eq!(station.supply.port, Port::Tcp("supply.lan:5025".into()));
    assert_eq!(station.on_ledger_failure, OnLedgerFailure::Finish);
    assert_eq!(station.max_gap, Duration::from_secs(6));
    assert_eq!(station.watches.over_voltage, Some(Volts::new(5.0)));
    assert_eq!(station.watches.amps_count, Amps::new(0.001));
    let tuning = station.watches.tuning(watch::Kind::OverVoltage);
    assert_eq!(tuning.on_delay, Duration::from_secs(2));
    assert_eq!(tuning.off_delay, Duration::from_secs(3));
    assert_eq!(tuning.deadband, 0.1);
    assert_eq!(tuning.priority, watch::Priority::Medium);
    assert_eq!(tuning.response, watch::Response::Hold);
    let tank = &config.tanks[0];
    assert!(
        matches!(tank.temperature, Some(TemperatureSource::Fixed(t)) if (t.get() - 23.889).abs() < 0.001)
    );
    assert!(tank.volume.is_some() && tank.anode_area.is_some() && tank.max_load.is_some());
    assert_eq!(tank.panel.map(|d| d.to_string()).as_deref(), Some("9.119 A/dm²"));
}

#[test]
fn a_bad_bath_file_is_told_together_with_the_config_and_its_tank_is_not_blamed() {
    let own = [("baths/mine.toml".to_owned(), "title = 3\n".to_owned())];
    let text = LEAST.replace("watts-nickel", "mine").replace("\"12 V\"", "12");
    let said: Vec<_> =
        load(&text, "t.toml", &own, DIALECTS).unwrap_err().iter().map(ToString::to_string).collect();
    assert!(said[0].starts_with("t.toml:8:15 station.supply.max-voltage: 12 has no unit"), "{said:#?}");
    assert!(said[1..].iter().all(|m| m.starts_with("baths/mine.toml:")), "{said:#?}");
    assert!(said.iter().any(|m| m.contains("title: 3 is a whole number")), "{said:#?}");
}

#[test]
fn check_says_what_was_understood() {
    let said = check_report("tankside.toml", &Ok(good(MANUAL)));
    for part in [
        "tankside.toml: good\n",
        "daemon: listens on 127.0.0.1:8093, plain HTTP; ledger in /var/lib/tankside\n",
        "station bench: scpi on /dev/serial/by-id/usb-bench-supply-port0 at 9600 baud 8N1; ANY supply is accepted",
        "at most 10 A and 12 V; polled every ",
        "tank nickel: watts-nickel, 20 L, 6 dm² of anode, air, which /sys/class/gpio/gpio17/value proves, temperature from /sys/bus",
        "burns above 25 A/dm² here, at most 40 A for its volume\n",
        "upkeep of nickel: brightener every 300 A·h or 30 d, anodes every 2 kg of metal\n",
        "bath silver: Silver (cyanide); ",
        "holds CYANIDE: never near acid\n",
        "bath acid-activator: Acid activator (dip); a dip without current; ",
    ] {
        assert!(said.contains(part), "nobody said {part:?}:\n{said}");
    }
    let us = check_report("f", &Ok(good(&MANUAL.replace("units = \"metric\"", "units = \"us\""))));
    assert!(us.contains("gal"), "{us}");
}

#[test]
fn station_of_several_supplies_may_give_the_sum_of_their_currents_and_the_least_of_their_volts() {
    let beside = "[[station.parallel]]\ndialect = \"scpi\"\nport = \"/dev/ttyS1\"\nidentity = \"second\"\n\
                  max-current = \"2.5 A\"\nmax-voltage = \"8 V\"\n";
    let config = good(&LEAST.replace("[[tank]]", &format!("{beside}[[tank]]")));
    let station = &config.stations[0];
    assert_eq!((station.limits.max_amps, station.limits.max_volts), (Amps::new(12.5), Volts::new(8.0)));
    assert_eq!((station.parallel.len(), station.parallel[0].max_amps), (1, Amps::new(2.5)));
    let ports: Vec<_> = station.supplies().map(|s| s.port.to_string()).collect();
    assert_eq!(ports, ["/dev/ttyS0", "/dev/ttyS1"]);
    let said = check_report("f", &Ok(config));
    assert!(
        said.contains(
            "in parallel scpi on /dev/ttyS1 at 9600 baud 8N1; must say \"second\"; ammeter not checked, at most \
             2.5 A of it; at most 12.5 A and 8 V"
        ),
        "{said}"
    );
}

/// The least config with the manual's own example of an ammeter's check.
fn checked_ammeter() -> String {
    let from = MANUAL.find("#[station.supply.ammeter]").unwrap();
    let lines: Vec<_> = MANUAL[from..].lines().map_while(|l| l.strip_prefix('#')).collect();
    LEAST.replace("[[tank]]", &format!("{}\n[[tank]]", lines.join("\n")))
}

#[test]
fn check_of_an_ammeter_is_worked_out_from_its_pairs_and_shown() {
    let config = good(&checked_ammeter());
    let ammeter = config.stations[0].ammeter.as_ref().unwrap();
    // By hand: sums of x 16, y 16.052, x² 126, xy 126.39; (126.39 - 16 x 16.052 / 3) / (126 - 16² / 3) = 1.0027705.
    assert!((ammeter.gain - 1.002_770_5).abs() < 1e-7, "{ammeter:?}");
    assert!((ammeter.offset.get() - 0.002_557_4).abs() < 1e-7, "{ammeter:?}");
    assert_eq!(config.stations[0].overdue("2027-10-31"), [""; 0]);
    assert!(config.stations[0].overdue("2027-11-01")[0].contains("/dev/ttyS0 was due on 2027-11-01"));
    let said = check_report("f", &Ok(config));
    let wanted =
        "amperes corrected by 1.0028 x shown + 2.557 mA, checked 2026-11-01 by … against shunt 50 mV / 10 A";
    assert!(said.contains(wanted), "{said}");
    assert!(check_report("f", &Ok(good(LEAST))).contains("; ammeter not checked;"));
}

#[test]
fn a_manual_cut_short_anywhere_is_refused_or_read_but_never_panics() {
    let mut refused = 0;
    for end in (0..MANUAL.len()).step_by(61).filter(|i| MANUAL.is_char_boundary(*i)) {
        let text = &MANUAL[..end];
        for problem in load(text, "cut.toml", &[], DIALECTS).err().unwrap_or_default() {
            refused += 1;
            assert!(problem.line >= 1 && problem.line <= text.lines().count().max(1) + 1, "{problem}");
            assert!(!problem.to_string().contains("our fault"), "{problem}");
        }
    }
    assert!(refused > 100);
}

/// `tests/config-bad/NAME.toml` must say exactly `NAME.txt`. With
/// `TANKSIDE_REWRITE=1` in the environment the texts are written anew: read
/// the difference before you commit it.
#[test]
fn bad_configs_say_exactly_what_is_wrong() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/config-bad");
    let mut files: Vec<PathBuf> = std::fs::read_dir(&folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| p.extension().is_some_and(|e| e == "toml"))
        .collect();
    files.sort();
    assert!(files.len() >= 15, "only {} cases in {}", files.len(), folder.display());
    let mut wrong = String::new();
    for path in files {
        let text = std::fs::read_to_string(&path).unwrap();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let loaded = load(&text, &name, &[], DIALECTS);
        assert!(loaded.is_err(), "{name} was taken for good");
        let said = check_report(&name, &loaded);
        let expected_file = path.with_extension("txt");
        if std::env::var_os("TANKSIDE_REWRITE").is_some() {
            std::fs::write(&expected_file, &said).unwrap();
        }
        let expected = std::fs::read_to_string(&expected_file).unwrap_or_default();
        if said != expected {
            writeln!(wrong, "{name} says\n{said}but should say\n{expected}").unwrap();
        }
    }
    assert!(wrong.is_empty(), "\n{wrong}");
}

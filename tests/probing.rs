//! `probe`, `check`, `off` and commissioning as people type them, against mimics that speak each protocol.
#![cfg(feature = "daemon")]
#![expect(clippy::disallowed_methods, reason = "a test at the edge: it starts processes and writes files")]

use std::net::SocketAddr;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::sync::Arc;
use tankside::mimic::{self, Options, Protocol, Running};
use tankside::quantity::{Amps, Volts};
use tankside::supply::{Transcript, dialect};

fn tankside(words: &[&str], inside: &Path) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tankside"));
    command.args(words).current_dir(inside).stdin(Stdio::null());
    command.env("USER", "mila").env_remove("TANKSIDE_TOKEN").env_remove("RUST_LOG");
    command.output().unwrap()
}

/// Exit code, stdout, stderr.
fn said(words: &[&str], inside: &Path) -> (i32, String, String) {
    let output = tankside(words, inside);
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

async fn over_tcp(protocol: Protocol, resistor: Option<f64>, serial: &str) -> (Running, String) {
    let any: Option<SocketAddr> = Some("127.0.0.1:0".parse().unwrap());
    let running = mimic::start(Options {
        protocol,
        pty: false,
        tcp: any,
        serial: serial.into(),
        setup: mimic::Setup { resistor, ..mimic::Setup::default() },
        ..Options::default()
    })
    .await
    .unwrap();
    let port = format!("tcp:{}", running.tcp().unwrap());
    (running, port)
}

fn shipped(name: &str) -> String {
    dialect::SHIPPED.iter().find(|(n, _)| *n == name).unwrap().1.to_owned()
}

fn changed(text: &str, from: &str, to: &str) -> String {
    assert!(text.contains(from), "{from:?} is not in the file");
    text.replacen(from, to, 1)
}

/// A config of one station, with the dialects that are given beside it.
fn config(folder: &Path, supply: &str, more: &str, dialects: &[(&str, &str)]) {
    let state = folder.join("state").display().to_string();
    let text = format!(
        "[daemon]\nlisten = \"127.0.0.1:1\"\nstate = \"{state}\"\n[[station]]\nname = \"bench\"\n[station.supply]\n\
         {supply}\nmax-current = \"5 A\"\nmax-voltage = \"12 V\"\n{more}\n[[tank]]\nname = \"nickel\"\n\
         bath = \"watts-nickel\"\nvolume = \"20 L\"\nanode-area = \"6 dm2\"\nagitation = \"air\"\n"
    );
    std::fs::write(folder.join("tankside.toml"), text).unwrap();
    std::fs::create_dir_all(folder.join("dialects")).unwrap();
    for (name, text) in dialects {
        std::fs::write(folder.join("dialects").join(name), text).unwrap();
    }
}

const CONFIG: [&str; 2] = ["--config", "tankside.toml"];

fn with<'w>(words: &[&'w str]) -> Vec<&'w str> {
    CONFIG.iter().chain(words).copied().collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_probe_over_tcp_tells_all_it_can_ask_for_and_its_record_is_a_test() {
    let folder = tempfile::tempdir().unwrap();
    for (protocol, name) in [
        (Protocol::Modbus(mimic::modbus::WordOrder::Abcd), "modbus-example"),
        (Protocol::Scpi, "scpi"),
        (Protocol::Line, "line-example"),
    ] {
        let (running, port) = over_tcp(protocol, None, "0042").await;
        running.with_bench(|bench, now| {
            bench.set_volts(now, Volts::new(6.5)).unwrap();
            bench.set_amps(now, Amps::new(1.25)).unwrap();
            bench.set_ovp(now, Volts::new(9.0)).unwrap();
        });
        // Which dialect it is, nobody has said; one that hangs up on strange words is asked in others.
        let (code, out, err) = said(&["probe", &port, "--record", "t.txt"], folder.path());
        assert_eq!(code, 0, "{out}{err}");
        assert!(out.contains(&format!("answers to {name}\n")), "{out}");
        assert!(!out.contains("baud"), "{out}");
        assert!(out.contains("set to 6.5 V, 1.25 A"), "{out}");
        assert!(out.contains("over-voltage protection: at 9 V"), "{out}");
        let words = "order of words: register 48 holds 123456 as it must";
        assert_eq!(out.contains(words), name == "modbus-example", "{out}");
        assert!(!running.with_bench(|bench, _| bench.truth()).output);
        // Played back, it says the same.
        let text = std::fs::read_to_string(folder.path().join("t.txt")).unwrap();
        let transcript = Transcript::parse(&text).unwrap();
        let dialect = Arc::new(dialect::parse(&shipped(name), name).unwrap());
        let found = transcript.replay(&dialect).await.unwrap();
        assert_eq!(found.said(), transcript.header("reading"));
        assert!(found.protections[0].starts_with("at 9 V"), "{found:?}");
    }
    // A supply whose words lie otherwise: which order it is, and nothing else is said to be wrong.
    let (_running, port) = over_tcp(Protocol::Modbus(mimic::modbus::WordOrder::Dcba), None, "1").await;
    let (code, out, _) = said(&["probe", &port, "--dialect", "modbus-example"], folder.path());
    assert!(code == 1 && out.contains("WRONG") && out.contains("in the order DCBA they are"), "{out}");
    assert!(out.contains("no block for the config") && !out.contains("[station.supply]"), "{out}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_probe_that_is_answered_with_an_exception_says_what_it_means_and_not_that_nothing_answers() {
    let folder = tempfile::tempdir().unwrap();
    let (_running, port) = over_tcp(Protocol::Modbus(mimic::modbus::WordOrder::Abcd), None, "1").await;
    let off_by = changed(&shipped("modbus-example"), "register = 32\n", "register = 900\n");
    config(folder.path(), &format!("dialect = \"mine\"\nport = \"{port}\""), "", &[("mine.toml", &off_by)]);
    let (code, out, err) = said(&with(&["probe", &port, "--dialect", "mine"]), folder.path());
    assert_eq!(code, 69);
    assert!(err.contains("a supply answers, but not as dialect \"mine\" asks"), "{err}");
    assert!(err.contains("error 2, it has no such register") && err.contains("may count from 1"), "{err}");
    assert!(!out.contains("nothing answered") && !err.contains("nothing answers"), "{out}{err}");
    // And where nobody is: words, no number of the system.
    let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let (code, out, err) = said(&["probe", &format!("tcp:{free}")], folder.path());
    assert_eq!(code, 69);
    assert!(!out.contains("os error") && !err.contains("os error"), "{out}{err}");
}

#[test]
fn a_broken_dialect_is_told_once_by_its_own_mistakes_and_not_as_missing() {
    let folder = tempfile::tempdir().unwrap();
    let broken = changed(&shipped("modbus-example"), "scale = \"1 mA\"", "scale = 0.001");
    config(
        folder.path(),
        "dialect = \"rectifier\"\nport = \"tcp:127.0.0.1:1\"",
        "",
        &[("rectifier.toml", &broken)],
    );
    let (code, out, err) = said(&with(&["check"]), folder.path());
    assert_eq!(code, 78);
    assert!(
        out.lines().count() == 1 && out.contains("rectifier.toml:") && out.contains("has no unit"),
        "{out}"
    );
    assert!(!out.contains("there is no dialect") && err.contains("1 problem;"), "{out}{err}");
}

#[test]
fn check_says_where_what_is_set_and_what_is_read_back_do_not_go_together() {
    let folder = tempfile::tempdir().unwrap();
    let supply = "dialect = \"rectifier\"\nport = \"tcp:127.0.0.1:1\"";
    let check = |text: &str| {
        config(folder.path(), supply, "", &[("rectifier.toml", text)]);
        said(&with(&["check"]), folder.path())
    };
    let good = shipped("modbus-example");
    let (code, out, _) = check(&good);
    assert!(code == 0 && !out.contains("look:"), "{out}");
    // In registers of their own it may be meant.
    let tenth = changed(
        &good,
        "set-amps = { register = 22, scale = \"1 mA\" }",
        "set-amps = { register = 22, scale = \"10 mA\" }",
    );
    let (code, out, _) = check(&tenth);
    let flat = out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(code == 0 && flat.contains("look: dialect rectifier: set-amps is written by 1 mA a count (register 2) and read back by 10 mA a count (register 22)"), "{out}");
    // In one register it cannot be.
    let all = changed(
        &good,
        "set-amps = { register = 22, scale = \"1 mA\" }",
        "set-amps = { register = 2, scale = \"10 mA\" }",
    );
    let (code, out, _) = check(&all);
    assert!(code == 78 && out.contains("read back from the same register by 10 mA"), "{out}");
    let crossed = changed(
        &good,
        "set-volts = { register = 21, scale = \"10 mV\" }",
        "set-volts = { register = 2, scale = \"10 mV\" }",
    );
    let (code, out, _) = check(&crossed);
    assert!(code == 78 && out.contains("set-volts and set-amps are exchanged"), "{out}");
    let half = changed(
        &good,
        "output = { register = 18, on = 1, off = 0 }",
        "output = { register = 18, on = 0, off = 2 }",
    );
    let (code, out, _) = check(&half);
    assert!(code == 0 && out.contains("look: dialect rectifier: output: 1 is written for on"), "{out}");
    // The scpi ones: what is read back is another setpoint.
    let other = changed(&shipped("scpi"), "set-amps = \"CURR?\"", "set-amps = \"VOLT?\"");
    let (code, out, _) = check(&other);
    assert!(code == 0 && out.contains("set-amps is set with \"CURR\" and read back with \"VOLT?\""), "{out}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn off_speaks_a_workshops_own_modbus_dialect_although_all_else_is_broken() {
    let folder = tempfile::tempdir().unwrap();
    let (running, port) = over_tcp(Protocol::Modbus(mimic::modbus::WordOrder::Abcd), None, "1").await;
    running.with_bench(|bench, now| {
        bench.set_volts(now, Volts::new(5.0)).unwrap();
        bench.set_amps(now, Amps::new(1.0)).unwrap();
        assert!(bench.output(now, true));
    });
    // The address is the station's, not the dialect's; the mimic answers to 1 alone.
    let own = changed(&shipped("modbus-example"), "\nunit = 1\n", "\nunit = 9\n");
    let supply = format!("port = \"{port}\"\nunit = 1\ndialect = \"rectifier\"");
    config(
        folder.path(),
        &supply,
        "[[tank",
        &[("rectifier.toml", &own), ("broken.toml", "about = 3\n[modbus")],
    );
    std::fs::write(folder.path().join("dialects/scrap.toml"), [0xff, 0xfe]).unwrap();
    let (code, out, err) = said(&with(&["check"]), folder.path());
    assert_eq!(code, 78, "the config must be broken: {out}{err}");
    // Nobody's daemon, whatever else runs on this machine.
    let (code, out, err) = said(&with(&["off", "--address", "127.0.0.1:1"]), folder.path());
    assert!(code == 0 && out.contains("output off, confirmed by the supply"), "{out}{err}");
    assert!(!err.contains("os error"), "{err}");
    assert!(!running.with_bench(|bench, _| bench.truth()).output);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn supplies_in_parallel_are_commissioned_one_after_the_other() {
    let folder = tempfile::tempdir().unwrap();
    let (first, port) = over_tcp(Protocol::Scpi, Some(8.0), "0001").await;
    let (other, beside) = over_tcp(Protocol::Scpi, Some(8.0), "0002").await;
    let supply = format!("dialect = \"scpi\"\nport = \"{port}\"");
    let more = format!(
        "[[station.parallel]]\ndialect = \"scpi\"\nport = \"{beside}\"\nmax-current = \"2 A\"\nmax-voltage = \"12 V\""
    );
    config(folder.path(), &supply, &more, &[]);
    let trial = ["probe", "--commission", "--load", "resistor"];
    let (code, _, err) = said(&with(&trial), folder.path());
    assert!(
        code == 64
            && err.contains("the 2 supplies, one after the other,")
            && err.contains("hand at its switch"),
        "{err}"
    );
    let words = with(&["probe", "--commission", "--load", "resistor", "--i-am-at-the-supply"]);
    let (code, out, err) = said(&words, folder.path());
    assert_eq!(code, 0, "{out}{err}");
    for (port, serial) in [(&port, "0001"), (&beside, "0002")] {
        assert!(out.contains(&format!("supply on {port}:")) && out.contains(serial), "{out}");
    }
    assert_eq!(out.matches("the load is a resistor: right").count(), 2, "{out}");
    for running in [&first, &other] {
        let truth = running.with_bench(|bench, _| (bench.truth().output, bench.last_on().is_some()));
        assert_eq!(truth, (false, true), "each was tried, and is off");
    }
    let (ledger, _) = tankside::ledger::Ledger::open(&folder.path().join("state/ledger.sqlite")).unwrap();
    let row = ledger.reader().commissioning("bench").unwrap().unwrap();
    assert!(row.passed && row.identity.contains("0001") && row.identity.contains(" + "), "{row:?}");
    ledger.close().await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_tank_on_the_leads_is_not_commissioned_as_a_resistor_and_a_missing_key_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let (_cell, port) = over_tcp(Protocol::Scpi, None, "0001").await;
    let words = with(&["probe", "--commission", "--load", "resistor", "--i-am-at-the-supply"]);
    config(folder.path(), &format!("dialect = \"scpi\"\nport = \"{port}\""), "", &[]);
    let (code, out, _) = said(&words, folder.path());
    assert!(
        code == 1
            && out.contains("the load is a resistor: WRONG")
            && out.contains("A plating cell looks like this"),
        "{out}"
    );
    // No trips: the protections are there, and only how they tell is not.
    let (_resistor, port) = over_tcp(Protocol::Modbus(mimic::modbus::WordOrder::Abcd), Some(8.0), "1").await;
    let good = shipped("modbus-example");
    let line = good.lines().find(|l| l.starts_with("trips = ")).unwrap();
    let mute = changed(&good, line, "");
    config(folder.path(), &format!("dialect = \"mute\"\nport = \"{port}\""), "", &[("mute.toml", &mute)]);
    let (code, out, err) = said(&words, folder.path());
    assert_eq!(code, 0, "{out}{err}");
    let named = "over-voltage protection: not tried: the dialect file has no `trips` in [modbus.read]";
    assert!(out.contains(named), "{out}");
}

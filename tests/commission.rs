//! A supply is tried on a load: the mimic does as it should, and what it does wrong is found.
#![cfg(feature = "daemon")]

use std::sync::Arc;
use tankside::mimic::{self, Options};
use tankside::quantity::{Amps, Volts};
use tankside::supply::{Clock, Device, Parity, Port, Spec, Trial, TrialLoad, Verdict, Wiring, dialect};

/// A mimic with so many ohms on its leads, or the usual cell.
fn on(resistor: Option<f64>) -> Options {
    Options { setup: mimic::Setup { resistor, ..mimic::Setup::default() }, ..Options::default() }
}

async fn device(running: &mimic::Running) -> Device {
    let scpi = Arc::new(dialect::shipped().into_iter().find(|d| d.name == "scpi").unwrap());
    let spec = Spec {
        dialect: "scpi".into(),
        port: Port::Serial(running.pty().unwrap()),
        baud: 115_200,
        parity: Parity::None,
        two_stop_bits: false,
        identity: None,
        wiring: Wiring::default(),
    };
    let mut device = Device::new(spec, scpi, Clock::new());
    device.connect().await.unwrap();
    device
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_supply_that_does_as_it_should_passes_and_is_off_afterwards() {
    let running = mimic::start(on(Some(4.0))).await.unwrap();
    let mut device = device(&running).await;
    let trial = Trial { load: TrialLoad::Resistor, amps: Amps::new(1.0), volts: Volts::new(6.0) };
    let result = device.commission(trial).await.unwrap();
    println!("{result}");
    assert!(result.passed(), "{result}");
    assert_eq!(result.points.len(), 4);
    for verdict in [
        &result.load,
        &result.current,
        &result.constant_current,
        &result.constant_voltage,
        &result.over_voltage,
        &result.over_current,
        &result.off,
    ] {
        assert_eq!(*verdict, Verdict::Right, "{result}");
    }
    assert_eq!(device.read().await.unwrap().output, Some(false));
    let json = serde_json::to_string(&result).unwrap();
    assert_eq!(serde_json::from_str::<tankside::supply::Commissioning>(&json).unwrap(), result);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_plating_cell_is_no_resistor_and_nothing_more_is_tried_on_it() {
    let running = mimic::start(on(None)).await.unwrap();
    let mut device = device(&running).await;
    let trial = Trial { load: TrialLoad::Resistor, amps: Amps::new(0.5), volts: Volts::new(5.0) };
    let result = device.commission(trial).await.unwrap();
    println!("{result}");
    let Verdict::Wrong(why) = &result.load else { panic!("a cell passed for a resistor: {result}") };
    assert!(why.contains("ohm at 0.125 A") && why.contains("ohm at 0.500 A"), "what was seen: {why}");
    assert!(why.contains("a resistor would show the same at each") && why.contains("tank"), "{why}");
    assert!(!result.passed());
    assert!(matches!(result.over_voltage, Verdict::NotTried(_)), "{result}");
    assert_eq!(device.read().await.unwrap().output, Some(false));
    // Neither is it a pair of clamped leads.
    let result = device.commission(Trial { load: TrialLoad::Short, ..trial }).await.unwrap();
    assert!(matches!(&result.load, Verdict::Wrong(why) if why.contains("clamped together")), "{result}");
}

#[test]
fn a_commissioning_from_before_the_load_was_judged_is_still_read() {
    let old = r#"{"identity":"x","trial":{"load":"resistor","amps":"1 A","volts":"6 V"},"points":[],"current":"right",
        "constant_current":"right","constant_voltage":"right","over_voltage":"right","over_current":"right",
        "off_milliseconds":40,"off":"right"}"#;
    let old = serde_json::from_str::<tankside::supply::Commissioning>(old).unwrap();
    assert!(old.passed() && matches!(old.load, Verdict::NotTried(_)), "{old}");
}

#[tokio::test]
async fn the_ledger_keeps_what_came_of_it_and_the_newest_counts() {
    use tankside::ledger::{CommissioningRow, Ledger};
    let folder = tempfile::tempdir().unwrap();
    let (ledger, _) = Ledger::open(&folder.path().join("ledger.sqlite")).unwrap();
    assert_eq!(ledger.reader().commissioning("bench").unwrap(), None);
    let row = |passed| CommissioningRow {
        station: "bench".into(),
        at: String::new(),
        by: "ada".into(),
        identity: "BENCH-12".into(),
        dialect: "scpi".into(),
        passed,
        off_milliseconds: 40,
        result_json: "{}".into(),
    };
    ledger.commissioned(row(true)).await.unwrap();
    ledger.commissioned(row(false)).await.unwrap();
    let found = ledger.reader().commissioning("bench").unwrap().unwrap();
    assert!(!found.passed && found.at.contains('T'), "{found:?}");
    assert_eq!(ledger.reader().commissioning("other").unwrap(), None);
    ledger.close().await.unwrap();
}

#[test]
fn a_worksheet_says_of_a_supply_nobody_has_tried_that_nobody_has() {
    use tankside::plan::supply_warning;
    assert!(supply_warning("bench", None).unwrap().contains("never commissioned"));
    assert!(supply_warning("bench", Some(("2026-01-02T03:04:05Z", false))).unwrap().contains("2026-01-02"));
    assert_eq!(supply_warning("bench", Some(("2026-01-02T03:04:05Z", true))), None);
}

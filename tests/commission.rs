//! A supply is tried on a load: the mimic does as it should, and what it does wrong is found.
#![cfg(feature = "daemon")]

use std::sync::Arc;
use tankside::mimic::{self, Options};
use tankside::quantity::{Amps, Volts};
use tankside::supply::{Clock, Device, Parity, Port, Spec, Trial, TrialLoad, Verdict, Wiring, dialect};

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
    let running = mimic::start(Options::default()).await.unwrap();
    let mut device = device(&running).await;
    let trial = Trial { load: TrialLoad::Resistor, amps: Amps::new(1.0), volts: Volts::new(6.0) };
    let result = device.commission(trial).await.unwrap();
    println!("{result}");
    assert!(result.passed(), "{result}");
    assert_eq!(result.points.len(), 4);
    for verdict in
        [&result.current, &result.constant_current, &result.over_voltage, &result.over_current, &result.off]
    {
        assert_eq!(*verdict, Verdict::Right, "{result}");
    }
    assert_eq!(device.read().await.unwrap().output, Some(false));
    let json = serde_json::to_string(&result).unwrap();
    assert_eq!(serde_json::from_str::<tankside::supply::Commissioning>(&json).unwrap(), result);
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

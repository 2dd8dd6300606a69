//! What a supply does beside answering: its watchdog, its front panel, its other outputs.

use super::fake::{Shared, bench, serve, spec};
use super::*;
use crate::quantity::{Amps, Volts};
use std::sync::Arc;

fn shipped(name: &str) -> String {
    super::dialect::SHIPPED.iter().find(|(n, _)| *n == name).unwrap().1.to_owned()
}

async fn connected(bench: &Shared, text: &str) -> Device {
    let dialect = Arc::new(super::dialect::parse(text, "x.toml").unwrap());
    let mut device = Device::new(spec(None), dialect, Clock::new());
    device.connect_over(serve(bench)).await.unwrap();
    device
}

fn heard(bench: &Shared) -> Vec<String> {
    std::mem::take(&mut bench.lock().unwrap().heard)
}

#[tokio::test(start_paused = true)]
async fn a_watchdog_is_armed_between_protections_and_on_and_disarmed_when_off_is_confirmed() {
    let bench = bench();
    let text = shipped("scpi")
        + "[scpi.watchdog]\ntime = \"5 s\"\narm = \"SYST:WDOG 5\"\ndisarm = \"SYST:WDOG 0\"\n";
    let mut device = connected(&bench, &text).await;
    device.off().await.unwrap();
    assert!(!heard(&bench).iter().any(|l| l.contains("WDOG")), "nothing is armed yet");
    device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap();
    device.output_on().await.unwrap();
    device.read().await.unwrap();
    device.off().await.unwrap();
    let heard = heard(&bench);
    let at =
        |line: &str| heard.iter().rposition(|l| l == line).unwrap_or_else(|| panic!("{line}: {heard:?}"));
    assert!(at("CURR:PROT:STAT ON") < at("SYST:WDOG 5") && at("SYST:WDOG 5") < at("OUTP ON"), "{heard:?}");
    assert!(at("OUTP OFF") < at("SYST:WDOG 0"), "{heard:?}");
    let confirmed = heard.iter().rposition(|l| l == "OUTP?").unwrap();
    assert!(confirmed < at("SYST:WDOG 0"), "disarmed before off was confirmed: {heard:?}");
    assert_eq!(heard.iter().filter(|l| l.contains("WDOG")).count(), 2, "{heard:?}");
}

#[tokio::test(start_paused = true)]
async fn a_disarm_that_is_refused_spoils_neither_off_nor_what_is_told_next() {
    let bench = bench();
    let text =
        shipped("scpi") + "[scpi.watchdog]\ntime = \"5 s\"\narm = \"SYST:WDOG 5\"\ndisarm = \"SYST:WDOF\"\n";
    let mut device = connected(&bench, &text).await;
    device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap();
    device.output_on().await.unwrap();
    device.off().await.unwrap();
    device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap();
}

#[tokio::test(start_paused = true)]
async fn a_supply_in_local_mode_says_so_and_is_not_taken_for_on() {
    let bench = bench();
    let mut device = connected(&bench, &shipped("scpi")).await;
    device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap();
    let local = ("OUTP ON".into(), "-201,\"Invalid while in local\"".into());
    bench.lock().unwrap().refuses = Some(local);
    let trouble = device.output_on().await.unwrap_err();
    assert_eq!(trouble.kind(), "local-mode");
    assert!(trouble.to_string().contains("press its local/remote key"), "{trouble}");
    assert_eq!(device.errors()["local-mode"], 1);
    assert!(
        !trouble.is_gone() && !trouble.is_doubtful(),
        "asking again does not help, and the line is sound"
    );
    assert_eq!(device.read().await.unwrap().output, Some(false));
    bench.lock().unwrap().refuses = None;
    device.output_on().await.unwrap();
}

#[tokio::test(start_paused = true)]
async fn readings_of_another_output_are_refused_also_where_questions_go_one_by_one() {
    for joined in ["joined = true", "joined = false"] {
        let bench = bench();
        let text = shipped("scpi-channel").replace("joined = true", joined);
        let mut device = connected(&bench, &text).await;
        device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap();
        device.read().await.unwrap();
        bench.lock().unwrap().channel = "2".into();
        let trouble = device.read().await.unwrap_err();
        assert!(trouble.to_string().contains("told channel 1 and reports 2"), "{joined}: {trouble}");
        // What is told selects it again, off before all.
        device.off().await.unwrap();
        device.read().await.unwrap();
    }
}

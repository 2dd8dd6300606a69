//! The metrics page is an API: a golden page keeps it.
//!
//! `TANKSIDE_UPDATE_GOLDEN=1 cargo test --test metrics` writes the page anew;
//! the commit that changes it says why.
#![cfg(feature = "daemon")]

use std::collections::BTreeSet;
use std::time::Duration;
use tankside::ledger::TankRow;
use tankside::quantity::{Mono, Units};
use tankside::run::guide::{Guide, JobPlan, JobStep, JobTodo, JobView, Reference};
use tankside::run::{RunPhase, RunState};
use tankside::serve::{Look, Metrics};
use tankside::station::{AlarmView, LinkView, Measured, RaisedCount, Snapshot, TankView};
use tankside::watch::{AlarmState, Priority, Response};

const GOLDEN: &str = include_str!("golden/metrics.txt");
const TABLE: &str = include_str!("../src/serve/metrics.rs");

fn working() -> Snapshot {
    let mut snapshot = Snapshot {
        station: "bench".into(),
        seq: 4711,
        link: LinkView {
            up: true,
            errors: [("garbled", 2), ("timeout", 1)].into_iter().collect(),
            ..LinkView::default()
        },
        measured: Some(Measured { volts: 3.25, amperes: 4.5, regulation: Some("current") }),
        reading_age_seconds: Some(0.125),
        output_known: true,
        output_on: Some(true),
        setpoint_writes: 61,
        tank: Some(TankView {
            name: "nickel".into(),
            bath: "watts-nickel".into(),
            charge_coulombs: 3600.5,
            unobserved_seconds: 0.0,
        }),
        alarms: vec![AlarmView {
            gone_unseen: false,
            watch: "over-voltage".into(),
            state: AlarmState::Acknowledged,
            priority: Priority::High,
            text: "6.2 V".into(),
            response: Response::Cut,
            cause: "",
            consequence: "",
            remedy: String::new(),
            respond_within_minutes: 1,
            unseen: "",
            since: String::new(),
            gone: None,
            first_out: Some(1),
            latched: false,
            earlier: false,
            chattering: true,
            shelved_until: None,
        }],
        raised: vec![RaisedCount { watch: "over-voltage", priority: "high", count: 4 }],
        ..Snapshot::default()
    };
    snapshot.job = Some(job());
    let run = &mut snapshot.run;
    run.state = RunState::Running;
    run.phase = RunPhase::Steady;
    run.setpoint_amperes = 4.5;
    run.ceiling_volts = 6.0;
    run.area_square_meters = 0.0125;
    run.charge_coulombs = 900.25;
    run.charge_target_coulombs = Some(1800.0);
    run.thickness_meters = Some(4e-6);
    run.burn_margin_ratio = Some(0.5);
    run.burn_level_volts = Some(4.75);
    snapshot
}

/// A job of three prompts, at its first.
fn job() -> JobView {
    let step = |name: &str| JobStep {
        name: name.into(),
        tank: None,
        anodes: None,
        purpose: None,
        todo: JobTodo::Prompt { say: "Look.".into(), bake: None },
        rinse: Vec::new(),
        hazards: Vec::new(),
        within: None,
    };
    let plan = JobPlan {
        title: "6 key cups".into(),
        sheet: "nickel".into(),
        base: "brass".into(),
        parts: 6,
        loads: 1,
        units: Units::Metric,
        steps: vec![step("hang"), step("look"), step("dry")],
    };
    Guide::new("job", "mila", plan, 1, None, Reference::default()).unwrap().view(Mono::ZERO)
}

fn look(snapshot: &Snapshot, silent_millis: u64) -> Look {
    Look::at(
        snapshot,
        Duration::from_millis(silent_millis),
        Duration::from_secs(100),
        Duration::from_millis(1500),
    )
}

fn ledger() -> Vec<TankRow> {
    let row = |tank: &str, charge_coulombs: f64, unobserved_seconds, runs| TankRow {
        tank: tank.into(),
        charge_coulombs,
        charge_microcoulombs: (charge_coulombs * 1e6) as i64,
        unobserved_seconds,
        runs,
    };
    vec![row("nickel", 2700.25, 12.5, 3), row("silver", 0.0, 0.0, 0)]
}

/// One station at work, one that was never reached.
fn page(metrics: &Metrics) -> String {
    let attic = Snapshot { station: "attic".into(), ..Snapshot::default() };
    metrics.upkeep([("nickel", "brightener", 0.875), ("nickel", "anodes", 1.25)].into_iter());
    metrics.page(&[look(&working(), 125), look(&attic, 500)], &ledger(), &[("nickel".into(), 54.25)]).unwrap()
}

fn names(text: &str) -> BTreeSet<String> {
    text.lines()
        .filter_map(|line| line.strip_prefix("# TYPE "))
        .filter_map(|rest| rest.split(' ').next())
        .map(Into::into)
        .collect()
}

#[test]
fn page_is_the_golden_page() {
    let metrics = Metrics::new();
    metrics.poll_seconds("bench").observe(0.031);
    metrics.ledger_commit.observe(0.004);
    let page = page(&metrics);
    if std::env::var_os("TANKSIDE_UPDATE_GOLDEN").is_some() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/golden/metrics.txt");
        #[expect(clippy::disallowed_methods, reason = "the one update switch of the golden page")]
        std::fs::write(path, &page).unwrap();
        return;
    }
    assert_eq!(page, GOLDEN, "a name, a label or a help text changed; they are an API");
}

#[test]
fn step_of_a_job_that_has_ended_is_not_shown_as_if_it_went_on() {
    let metrics = Metrics::new();
    let mut snapshot = working();
    let shown = |snapshot: &Snapshot| {
        let page = metrics.page(&[look(snapshot, 125)], &ledger(), &[]).unwrap();
        page.lines().any(|l| l == "tankside_job_step{station=\"bench\"} 2")
    };
    assert!(shown(&snapshot));
    snapshot.job.as_mut().unwrap().abort("it failed");
    assert!(!shown(&snapshot));
}

#[test]
fn table_in_the_doc_names_exactly_what_is_on_the_page() {
    let table: BTreeSet<String> = TABLE
        .lines()
        .filter_map(|line| line.strip_prefix("//! | `"))
        .filter_map(|rest| rest.split('`').next())
        .map(Into::into)
        .collect();
    assert_eq!(table, names(GOLDEN));
    assert!(table.len() > 20);
}

#[test]
fn measured_values_vanish_when_stale_and_come_back() {
    let metrics = Metrics::new();
    let measured = [
        "tankside_supply_volts{",
        "tankside_supply_amperes{",
        "tankside_current_density_amperes_per_square_meter{",
        "tankside_burn_margin_ratio{",
        "tankside_burn_level_volts{",
    ];
    let always = [
        "tankside_link_up{",
        "tankside_reading_age_seconds{",
        "tankside_output_known{",
        "tankside_setpoint_amperes{",
        "tankside_run_charge_coulombs{",
        "tankside_tank_charge_coulombs_total{",
    ];
    let snapshot = working();
    for (silent, shown) in [(100, true), (1400, false), (100, true), (60_000, false)] {
        let page = metrics.page(&[look(&snapshot, silent)], &ledger(), &[]).unwrap();
        for name in measured {
            assert_eq!(page.contains(name), shown, "{name} after {silent} ms");
        }
        for name in always {
            assert!(page.contains(name), "{name} after {silent} ms");
        }
    }
    let page = metrics.page(&[look(&snapshot, 60_000)], &ledger(), &[]).unwrap();
    assert!(page.contains("tankside_output_known{station=\"bench\"} 0"));
    assert!(page.contains("tankside_link_up{station=\"bench\"} 0"));
    assert!(!page.contains("tankside_output_on{"));
}

#[test]
fn thermometer_that_falls_silent_leaves_no_old_temperature() {
    let metrics = Metrics::new();
    let warm = metrics.page(&[], &[], &[("nickel".into(), 54.25)]).unwrap();
    assert!(warm.contains("tankside_tank_temperature_celsius{tank=\"nickel\"} 54.25"));
    assert!(!metrics.page(&[], &[], &[]).unwrap().contains("tankside_tank_temperature_celsius{"));
}

#[test]
fn rule_that_is_gone_or_cannot_be_read_leaves_no_old_ratio() {
    let metrics = Metrics::new();
    metrics.upkeep([("nickel", "brightener", 0.875), ("nickel", "filter", f64::NAN)].into_iter());
    let page = metrics.page(&[], &[], &[]).unwrap();
    assert!(page.contains("tankside_upkeep_due_ratio{additive=\"brightener\",tank=\"nickel\"} 0.875"));
    assert!(!page.contains("filter"));
    metrics.upkeep(std::iter::empty());
    assert!(!metrics.page(&[], &[], &[]).unwrap().contains("tankside_upkeep_due_ratio{"));
}

#[test]
fn counters_never_fall_and_the_tank_goes_on_from_the_ledger() {
    let metrics = Metrics::new();
    let charge = |page: &str| {
        let line =
            page.lines().find(|l| l.starts_with("tankside_tank_charge_coulombs_total{tank=\"nickel\"}"));
        line.and_then(|l| l.rsplit(' ').next()).and_then(|v| v.parse::<f64>().ok()).unwrap()
    };
    let idle = Snapshot { station: "bench".into(), ..Snapshot::default() };
    assert_eq!(charge(&metrics.page(&[look(&idle, 0)], &ledger(), &[]).unwrap()), 2700.25);
    assert_eq!(charge(&metrics.page(&[look(&working(), 0)], &ledger(), &[]).unwrap()), 3600.5);
    // The ledger is behind the running station, or cannot be read at all.
    assert_eq!(charge(&metrics.page(&[look(&idle, 0)], &ledger(), &[]).unwrap()), 3600.5);
    assert_eq!(charge(&metrics.page(&[], &[], &[]).unwrap()), 3600.5);
}

#[test]
fn alarm_that_has_gone_is_zero_and_not_forgotten() {
    let metrics = Metrics::new();
    let line = "tankside_alarm_active{priority=\"high\",station=\"bench\",watch=\"over-voltage\"}";
    let mut snapshot = working();
    assert!(metrics.page(&[look(&snapshot, 0)], &[], &[]).unwrap().contains(&format!("{line} 1")));
    snapshot.alarms[0].state = AlarmState::ReturnedUnacknowledged;
    assert!(metrics.page(&[look(&snapshot, 0)], &[], &[]).unwrap().contains(&format!("{line} 0")));
    snapshot.alarms.clear();
    assert!(metrics.page(&[look(&snapshot, 0)], &[], &[]).unwrap().contains(&format!("{line} 0")));
}

#[test]
fn chatter_that_has_ended_is_zero_and_raised_alarms_stay_counted() {
    let metrics = Metrics::new();
    let chatter = "tankside_alarm_chattering{station=\"bench\",watch=\"over-voltage\"}";
    let raised = "tankside_alarms_raised_total{priority=\"high\",station=\"bench\",watch=\"over-voltage\"} 4";
    let mut snapshot = working();
    snapshot.alarms_in_flood = true;
    let page = metrics.page(&[look(&snapshot, 0)], &[], &[]).unwrap();
    for line in [&format!("{chatter} 1"), raised, "tankside_alarms_in_flood{station=\"bench\"} 1"] {
        assert!(page.contains(line), "{line}");
    }
    snapshot.alarms.clear();
    snapshot.raised.clear();
    snapshot.alarms_in_flood = false;
    let page = metrics.page(&[look(&snapshot, 0)], &[], &[]).unwrap();
    for line in [&format!("{chatter} 0"), raised, "tankside_alarms_in_flood{station=\"bench\"} 0"] {
        assert!(page.contains(line), "{line}");
    }
}

#[test]
fn page_has_no_run_id_and_only_the_agreed_labels() {
    let mut snapshot = working();
    snapshot.run.run = Some("0190a5e0-0000-7000-8000-000000000001".into());
    let page = Metrics::new().page(&[look(&snapshot, 0)], &ledger(), &[]).unwrap();
    assert!(!page.contains("0190a5e0"));
    let agreed = ["station", "tank", "watch", "priority", "state", "kind", "version", "le", "additive"];
    for line in page.lines().filter(|l| !l.starts_with('#')) {
        let Some((_, labels)) = line.split_once('{') else { continue };
        let labels = labels.split('}').next().unwrap();
        for label in labels.split("\",").map(|pair| pair.split('=').next().unwrap()) {
            assert!(agreed.contains(&label), "{label} in {line}");
        }
    }
}

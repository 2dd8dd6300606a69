//! What a record shows of a run, and what it does not.

use super::*;
use crate::ledger::fixtures::run_row;

fn record(readings: &[(f64, f64)]) -> Record {
    let reading = |(seconds, amperes): &(f64, f64)| ReadingRow {
        seconds: *seconds,
        volts: 4.0 + amperes,
        amperes: *amperes,
        setpoint_amperes: 4.0,
        ceiling_volts: None,
        bath_celsius: Some(55.0 - seconds / 10.0),
    };
    Record {
        job: None,
        run: RunRow {
            started: "2026-03-01T10:00:00.000Z".into(),
            ended: Some("2026-03-01T10:05:00.000Z".into()),
            charge_coulombs: 600.0,
            worked_seconds: 150.0,
            ..run_row("b")
        },
        readings: readings.iter().map(reading).collect(),
        alarms: Vec::new(),
        stages: Vec::new(),
        additions: Vec::new(),
        analyses: Vec::new(),
        panels: Vec::new(),
        parts: Vec::new(),
        account: 0,
    }
}

fn alarm(watch: &str, at: &str, from: &str, to: &str) -> AlarmRow {
    AlarmRow {
        at: at.into(),
        monotonic_milliseconds: 0,
        station: "bench".into(),
        run: Some("b".into()),
        watch: watch.into(),
        from: from.into(),
        to: to.into(),
        priority: "high".into(),
        text: String::new(),
        by: None,
        note: None,
    }
}

#[test]
fn time_without_current_is_between_the_first_and_the_last_of_it() {
    let seen = |readings: &[(f64, f64)]| record(readings).interrupted();
    // Before the first current and after the last is no interruption; noise is no current.
    let quiet = [(0.0, 0.0), (5.0, 0.01), (10.0, 4.0), (60.0, 4.0), (61.0, 0.0), (90.0, 0.0)];
    assert_eq!(seen(&quiet).unwrap().count, 0);
    let broken =
        [(0.0, 4.0), (30.0, 0.0), (32.0, 0.0), (34.0, 4.0), (60.0, 0.02), (120.0, 3.9), (130.0, 0.0)];
    let found = seen(&broken).unwrap();
    assert_eq!((found.count, found.longest.get(), found.minute), (2, 60.0, 1.0));
    assert_eq!(seen(&[]), None, "no readings, no word");
    assert_eq!(seen(&[(0.0, 0.0)]), None);
}

#[test]
fn planned_turn_with_the_output_off_is_not_told_as_current_that_went_off() {
    let stage = |seconds: f64, state: &str, phase: &str| StageRow {
        seconds,
        state: state.into(),
        phase: phase.into(),
    };
    let turn = [(0.0, 4.0), (60.0, 4.0), (62.0, 0.0), (95.0, 0.0), (101.0, 0.05), (103.0, 4.0), (160.0, 4.0)];
    let mut turned = record(&turn);
    turned.stages = vec![
        stage(0.0, "running", "steady"),
        stage(61.0, "running", "turn"),
        stage(100.0, "running", "ramp"),
        stage(130.0, "running", "steady"),
    ];
    let found = turned.interrupted().unwrap();
    assert_eq!((found.count, found.turning.get()), (0, 41.0), "the turn and the rise after it");
    // Held in the middle of the turn: that was not planned.
    turned.stages.insert(2, stage(80.0, "held", "off"));
    let found = turned.interrupted().unwrap();
    assert_eq!((found.count, found.longest.get(), found.turning.get()), (1, 8.0, 33.0));
    // A hold elsewhere is counted as ever.
    let mut held = record(&turn);
    held.stages =
        vec![stage(0.0, "running", "steady"), stage(61.0, "held", "off"), stage(100.0, "running", "ramp")];
    assert_eq!(held.interrupted().unwrap().count, 1);
}

#[test]
fn alarm_counts_when_it_comes_and_not_when_it_is_acknowledged() {
    let mut record = record(&[(0.0, 4.0)]);
    record.alarms = vec![
        alarm("bad-contact", "2026-03-01T10:02:30.000Z", "normal", "unacknowledged"),
        alarm("bad-contact", "2026-03-01T10:02:40.000Z", "unacknowledged", "acknowledged"),
        alarm("drift", "2026-03-01T10:01:00.000Z", "normal", "unacknowledged"),
    ];
    let found = record.raised(&["bad-contact", "open-circuit"]);
    assert_eq!((found.count, found.minute), (1, 2.5));
    assert_eq!(record.raised(&["touch"]).count, 0);
}

#[test]
fn temperature_and_density_are_those_of_the_readings_with_their_minute() {
    let record = record(&[(0.0, 4.0), (60.0, 4.0), (120.0, 4.0)]);
    let bath = bath::shipped().into_iter().find(|b| b.name == "watts-nickel").unwrap();
    let t = record.temperature(&bath).unwrap();
    assert_eq!((t.least.get(), t.least_minute, t.most.get()), (43.0, 2.0, 55.0));
    // 600 C in 150 s on 1 dm2: 4 A/dm2.
    let d = record.density(&bath, None).unwrap();
    assert!((d.mean.get() - 400.0).abs() < 1e-9, "{}", d.mean);
    let e = record.evidence(None);
    assert!(e.temperature.is_none() && e.density.is_none() && e.margin.is_none(), "no bath, no window");
}

/// Cleaned, failed the water-break, cleaned, passed, plated.
fn job(record: &mut Record) {
    let step = |number: u32, name: &str, kind: &str, outcome: &str, run: Option<&str>| JobStepRow {
        job: "j".into(),
        number,
        sheet_step: number,
        name: name.into(),
        kind: kind.into(),
        began: format!("2026-03-01T09:5{number}:00.000Z"),
        ended: Some(format!("2026-03-01T09:5{number}:30.000Z")),
        outcome: Some(outcome.into()),
        run: run.map(Into::into),
        ..JobStepRow::default()
    };
    let job = JobRow {
        id: "j".into(),
        station: "bench".into(),
        sheet: "s".into(),
        title: "6 key cups".into(),
        base: "brass".into(),
        parts: 6,
        lot: None,
        customer: None,
        started_by: "mila".into(),
        started: "2026-03-01T09:50:00.000Z".into(),
        ended: None,
        state: "running".into(),
        cause: None,
        continues: None,
        plan_json: "{}".into(),
    };
    let steps = vec![
        step(1, "clean", "powered", "done", None),
        step(2, "water-break", "inspect", "failed", None),
        step(3, "water-break", "inspect", "done", None),
        step(4, "nickel", "powered", "done", Some("b")),
    ];
    record.run.job = Some("j".into());
    record.job = Some((job, steps));
}

#[test]
fn step_whose_time_cannot_be_read_is_said_and_takes_no_other_evidence_with_it() {
    let mut record = record(&[(0.0, 4.0)]);
    job(&mut record);
    assert_eq!(record.evidence(None).water_break_failed, Some(1));
    record.job.as_mut().unwrap().1[0].began = "yesterday".into();
    let e = record.evidence(None);
    assert_eq!(e.water_break_failed, Some(1), "a clean step's time took the failed water-break with it");
    let told = advise::advise(Fault::Peeling, &e).text();
    assert!(told.contains("step 1, clean, took: a time of it cannot be read (\"yesterday\")"), "{told}");
    record.job.as_mut().unwrap().0.started = String::new();
    let e = record.evidence(None);
    assert_eq!(e.water_break_failed, Some(1));
    assert!(e.unread.iter().any(|u| u.contains("when the job began cannot be read")), "{:?}", e.unread);
    record.job.as_mut().unwrap().1[3].run = None;
    let e = record.evidence(None);
    assert!(e.unread.iter().any(|u| u.contains("no step of its job j names it")), "{:?}", e.unread);
    record.job = None;
    let e = record.evidence(None);
    assert!(e.unread.iter().any(|u| u.contains("job j is not on record")), "{:?}", e.unread);
}

#[test]
fn run_without_charge_is_said_to_be_one_before_any_cause_is() {
    let mut record = record(&[]);
    assert_eq!(advise::advise(Fault::Peeling, &record.evidence(None)).first, None);
    record.run.charge_coulombs = 0.0;
    let text = advise::advise(Fault::Peeling, &record.evidence(None)).text();
    assert!(text.lines().nth(1).unwrap().starts_with("NO CHARGE is on record"), "{text}");
}

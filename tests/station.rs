//! A station end to end over a real pty: control thread, supply, ledger, and the mimic at the other end.
#![cfg(feature = "daemon")]

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tankside::ledger::Ledger;
use tankside::mimic::{self, Fault, Options, Running};
use tankside::plan::{Control as Held, DepositForecast, Goal, Order};
use tankside::process::Entry;
use tankside::quantity::{Amps, CurrentSlope, Microcoulombs, Span, Volts};
use tankside::run::{Command, Limits, RunPhase, RunState, Setup};
use tankside::station::{Control, Handle, Parallel, Settings, Snapshot, spawn};
use tankside::supply::{Ammeter, Clock, Parity, Port, Spec, dialect};
use tankside::watch;

/// Long enough for a loaded machine, short enough that a hang is noticed.
const PATIENCE: Duration = Duration::from_secs(30);

struct Hall {
    folder: tempfile::TempDir,
    ledger: Ledger,
    mimic: Running,
    others: Vec<Running>,
    control: Control,
}

/// A mimic on a pty at that speed, and a station that works it.
async fn hall(baud: u32, identity: Option<&str>) -> Hall {
    hall_with(baud, identity, watch::Settings::default()).await
}

async fn hall_with(baud: u32, identity: Option<&str>, watches: watch::Settings) -> Hall {
    hall_of(baud, identity, watches, &[], None).await
}

/// … and beside it a mimic for each current, with a serial number of its own.
async fn hall_of(
    baud: u32,
    identity: Option<&str>,
    watches: watch::Settings,
    beside: &[f64],
    ammeter: Option<Ammeter>,
) -> Hall {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("supply");
    let options = Options { baud: Some(baud), link: Some(link.clone()), ..Options::default() };
    let mimic = mimic::start(options).await.unwrap();
    let (ledger, _) = Ledger::open(&folder.path().join("ledger.sqlite")).unwrap();
    let scpi = Arc::new(dialect::shipped().into_iter().find(|d| d.name == "scpi").unwrap());
    let spec = |link: PathBuf, identity: Option<&str>| Spec {
        dialect: "scpi".into(),
        port: Port::Serial(link),
        baud,
        parity: Parity::None,
        two_stop_bits: false,
        identity: identity.map(Into::into),
        wiring: tankside::supply::Wiring::default(),
    };
    let (mut others, mut parallel) = (Vec::new(), Vec::new());
    for (i, amps) in beside.iter().enumerate() {
        let serial = format!("100{i}");
        let link = folder.path().join(&serial);
        let options = Options {
            baud: Some(baud),
            link: Some(link.clone()),
            serial: serial.clone(),
            ..Options::default()
        };
        others.push(mimic::start(options).await.unwrap());
        parallel.push(Parallel {
            supply: spec(link, Some(&serial)),
            dialect: scpi.clone(),
            ammeter: None,
            max_amps: Amps::new(*amps),
        });
    }
    let settings = Settings {
        name: "bench".into(),
        supply: spec(link, identity),
        dialect: scpi,
        ammeter,
        parallel,
        setup: Setup {
            limits: Limits { max_amps: Amps::new(10.0), max_volts: Volts::new(12.0) },
            watches,
            max_gap: Duration::from_secs(2),
            stale_after: Duration::from_secs(2),
            hold_on_ledger_failure: true,
        },
        poll: Duration::from_millis(100),
        baths: tankside::station::Baths::default(),
    };
    let control = spawn(vec![settings], ledger.clone(), Clock::new()).unwrap();
    Hall { folder, ledger, mimic, others, control }
}

impl Hall {
    fn handle(&self) -> Handle {
        self.control.handles()[0].clone()
    }
    fn truth(&self) -> mimic::Truth {
        self.mimic.with_bench(|bench, _| bench.truth())
    }
    fn fault(&self, fault: Fault, lasts: Option<Duration>) {
        self.mimic.with_bench(|bench, now| bench.fault(now, fault, lasts));
    }
    fn port(&self) -> PathBuf {
        self.folder.path().join("supply")
    }
}

fn order(coulombs: i64) -> Box<Order> {
    Box::new(Order {
        title: "a bench part".into(),
        tank: "nickel".into(),
        bath: "bright-nickel".into(),
        parts: 1,
        area: mimic::Setup::default().area,
        hung: Vec::new(),
        deposit: Some(DepositForecast { metal: "Ni".into(), efficiency: 0.955 }),
        burn: None,
        entry: Entry::Dead,
        entry_volts: Volts::new(2.0),
        entry_amps: Amps::new(2.0),
        control: Held::Current {
            setpoint: Amps::new(2.8),
            ceiling: Volts::new(6.0),
            slope: CurrentSlope::new(1.4),
        },
        goal: Goal::Charge(Microcoulombs(coulombs * 1_000_000)),
        time_limit: Duration::from_secs(600),
        turn: None,
        seek: None,
        like_slopes: Vec::new(),
    })
}

async fn until(handle: &Handle, what: &str, wanted: impl Fn(&Snapshot) -> bool) -> Arc<Snapshot> {
    let mut snapshots = handle.subscribe();
    let found = tokio::time::timeout(PATIENCE, snapshots.wait_for(|s| wanted(s))).await;
    match found {
        Ok(Ok(s)) => s.clone(),
        _ => panic!("never {what}: {:#?}", handle.snapshot()),
    }
}

async fn begin(handle: &Handle, id: &str, coulombs: i64) {
    until(handle, "up", |s| s.link.up).await;
    handle.command("test", Command::Start { id: id.into(), order: order(coulombs) }).await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn charge_on_record_is_the_charge_that_passed_in_the_cell() {
    let hall = hall(115_200, Some("TANKSIDE,MIMIC")).await;
    let handle = hall.handle();
    begin(&handle, "a", 14).await;
    until(&handle, "complete", |s| s.run.state == RunState::Complete).await;
    assert!(!hall.truth().output);
    let run = hall.ledger.run("a").await.unwrap().unwrap();
    let truth = hall.truth().charge.get();
    assert!(
        (run.charge_coulombs / truth - 1.0).abs() < 0.01,
        "{} C on record, {truth} C passed",
        run.charge_coulombs
    );
    assert!((run.charge_coulombs / 14.0 - 1.0).abs() < 0.02, "{run:?}");
    assert_eq!(hall.ledger.tanks().await.unwrap()[0].charge_coulombs, run.charge_coulombs);
    let alarms = hall.ledger.alarms(10).await.unwrap();
    assert!(alarms.is_empty(), "{alarms:#?}");
    assert_eq!(hall.control.shutdown().await[0].off, Ok(()));
}

#[tokio::test(flavor = "multi_thread")]
async fn clip_that_falls_off_leaves_the_output_off_and_an_alarm_on_record() {
    let hall = hall(115_200, None).await;
    let handle = hall.handle();
    begin(&handle, "a", 10_000).await;
    until(&handle, "steady", |s| s.run.phase == RunPhase::Steady).await;
    hall.fault(Fault::OpenCircuit, None);
    let s = until(&handle, "held", |s| s.run.state == RunState::Held).await;
    assert!(!hall.truth().output);
    assert!(s.run.cause.as_ref().unwrap().contains("open-circuit"), "{:?}", s.run.cause);
    handle.command("test", Command::Stop).await.unwrap();
    until(&handle, "stopped", |s| s.run.state == RunState::Stopped).await;
    let alarms = hall.ledger.alarms(10).await.unwrap();
    assert!(alarms.iter().any(|a| a.watch == "open-circuit" && a.to == "unacknowledged"), "{alarms:#?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn voltage_above_what_is_allowed_is_off_within_two_seconds() {
    let mut watches = watch::Settings::default();
    watches.over_voltage = Some(Volts::new(3.0));
    let hall = hall_with(115_200, None, watches).await;
    let handle = hall.handle();
    begin(&handle, "a", 10_000).await;
    until(&handle, "above", |s| s.measured.as_ref().is_some_and(|m| m.volts > 3.0)).await;
    let above = tokio::time::Instant::now();
    let s = until(&handle, "aborted", |s| s.run.state == RunState::Aborted).await;
    // Half a second is the on-delay; the rest is for the wire and a loaded machine.
    assert!(above.elapsed() < Duration::from_secs(2), "{:?}", above.elapsed());
    assert!(!hall.truth().output);
    assert!(s.run.cause.as_ref().unwrap().contains("over-voltage"), "{:?}", s.run.cause);
}

#[tokio::test(flavor = "multi_thread")]
async fn late_replies_are_never_taken_for_answers_to_later_questions() {
    let hall = hall(115_200, None).await;
    let handle = hall.handle();
    begin(&handle, "a", 10_000).await;
    until(&handle, "steady", |s| s.run.phase == RunPhase::Steady).await;
    hall.fault(Fault::LateReply(Span::new(1.0)), Some(Duration::from_millis(1_200)));
    until(&handle, "timed out", |s| s.link.errors.contains_key("no-reply")).await;
    let s = until(&handle, "sound again", |s| {
        s.link.up && s.reading_age_seconds.is_some_and(|age| age < 0.2) && s.measured.is_some()
    })
    .await;
    // It may have gone on or been cut as silent; either way output and reading agree with the bench.
    assert_eq!(s.output_on == Some(true), s.run.state == RunState::Running, "{s:#?}");
    for r in hall.ledger.readings("a").await.unwrap() {
        assert!((0.0..2.9).contains(&r.amperes) && r.volts < 6.1, "{r:?}");
        // A voltage in the place of a current, or the other way about, would show here.
        assert!(r.setpoint_amperes < 2.8 || (r.amperes - 2.8).abs() < 0.1 || r.amperes < 0.1, "{r:?}");
    }
    let Hall { control, mimic, .. } = hall;
    assert_eq!(control.shutdown().await[0].off, Ok(()));
    assert!(!mimic.with_bench(|bench, _| bench.truth().output));
}

#[tokio::test(flavor = "multi_thread")]
async fn unplugged_and_replugged_the_supply_is_switched_off_and_the_run_stays_aborted() {
    let hall = hall(115_200, None).await;
    let handle = hall.handle();
    begin(&handle, "a", 10_000).await;
    until(&handle, "steady", |s| s.run.phase == RunPhase::Steady).await;
    hall.fault(Fault::Unplug, Some(Duration::from_secs(1)));
    let s = until(&handle, "aborted", |s| s.run.state == RunState::Aborted).await;
    assert!(s.run.cause.as_ref().unwrap().contains("go to the supply"), "{:?}", s.run.cause);
    assert!(!s.output_known);
    let s = until(&handle, "back", |s| s.link.up && s.output_on == Some(false)).await;
    assert!(hall.port().exists() && !hall.truth().output);
    assert_eq!(s.run.state, RunState::Aborted);
    let run = hall.ledger.run("a").await.unwrap().unwrap();
    assert_eq!(run.state, "aborted");
    assert!(run.charge_coulombs > 1.0);
}

#[tokio::test(flavor = "multi_thread")]
async fn supply_that_lost_its_mains_is_not_programmed_again_before_somebody_starts_something() {
    let hall = hall(115_200, Some("0001")).await;
    let handle = hall.handle();
    begin(&handle, "a", 10_000).await;
    until(&handle, "steady", |s| s.run.phase == RunPhase::Steady).await;
    let level = |hall: &Hall| hall.mimic.with_bench(|bench, _| bench.supply().ovp.level);
    let programmed = level(&hall);
    hall.fault(Fault::PowerCycle, None);
    until(&handle, "ended or held", |s| s.run.state != RunState::Running).await;
    let s = until(&handle, "back", |s| s.link.up && s.measured.is_some() && s.output_on == Some(false)).await;
    // A good many polls later nothing has been written.
    let seq = s.seq;
    until(&handle, "polled on", |s| s.seq > seq + 30 && s.link.up).await;
    let fresh = level(&hall);
    assert!(fresh > programmed, "its level is back at what it powers up with: {fresh} V, was {programmed} V");
    assert_eq!(hall.mimic.with_bench(|bench, _| bench.supply().amps_setpoint()), 0.0);
    assert!(!hall.truth().output);
    if handle.snapshot().run.state == RunState::Held {
        handle.command("ada", Command::Stop).await.unwrap();
        until(&handle, "stopped", |s| s.run.state != RunState::Held).await;
    }
    begin(&handle, "b", 10_000).await;
    until(&handle, "steady again", |s| s.run.phase == RunPhase::Steady).await;
    assert_eq!(level(&hall), programmed, "programmed again, now that somebody has said so");
}

#[tokio::test(flavor = "multi_thread")]
async fn garbled_replies_are_counted_and_never_become_a_reading() {
    let hall = hall(115_200, None).await;
    let handle = hall.handle();
    begin(&handle, "a", 10_000).await;
    until(&handle, "steady", |s| s.run.phase == RunPhase::Steady).await;
    let errors = |s: &Snapshot| s.link.errors.values().sum::<u64>();
    let before = errors(&handle.snapshot());
    hall.fault(Fault::Garbled, Some(Duration::from_millis(400)));
    let s = until(&handle, "counted", |s| errors(s) > before).await;
    assert!(s.measured.as_ref().is_none_or(|m| (m.amperes - 2.8).abs() < 0.1), "{:?}", s.measured);
    let age = |s: &Snapshot| s.reading_age_seconds.is_some_and(|a| a < 0.2);
    until(&handle, "sound again", |s| age(s) && s.run.state == RunState::Running).await;
    for r in hall.ledger.readings("a").await.unwrap() {
        assert!(r.amperes < 2.9 && r.volts < 6.1, "{r:?}");
    }
    let Hall { control, mimic, ledger, .. } = hall;
    assert_eq!(control.shutdown().await[0].off, Ok(()));
    assert!(!mimic.with_bench(|bench, _| bench.truth().output));
    assert_eq!(ledger.run("a").await.unwrap().unwrap().state, "aborted");
}

#[tokio::test(flavor = "multi_thread")]
async fn another_instrument_on_the_port_is_refused_and_no_run_starts() {
    let hall = hall(115_200, Some("SOMETHING,ELSE")).await;
    let handle = hall.handle();
    let s = until(&handle, "refused", |s| s.link.errors.contains_key("wrong-identity")).await;
    assert!(!s.link.up);
    let start = Command::Start { id: "a".into(), order: order(10) };
    assert!(handle.command("test", start).await.unwrap_err().0.contains("not connected"));
    assert!(!hall.truth().output);
}

#[tokio::test(flavor = "multi_thread")]
async fn slow_line_still_ends_a_run_at_its_charge() {
    let hall = hall(9_600, None).await;
    let handle = hall.handle();
    begin(&handle, "a", 14).await;
    let s = until(&handle, "steady", |s| s.run.phase == RunPhase::Steady).await;
    assert!(s.link.polls_per_second > 3.0, "{}", s.link.polls_per_second);
    until(&handle, "complete", |s| s.run.state == RunState::Complete).await;
    let (run, truth) = (hall.ledger.run("a").await.unwrap().unwrap(), hall.truth().charge.get());
    assert!(
        (run.charge_coulombs / truth - 1.0).abs() < 0.02,
        "{} C on record, {truth} C passed",
        run.charge_coulombs
    );
}

/// Two supplies: the first may give 7 A, the other 3 A.
async fn pair() -> Hall {
    hall_of(115_200, Some("0001"), watch::Settings::default(), &[3.0], None).await
}

fn truth_of(mimic: &Running) -> mimic::Truth {
    mimic.with_bench(|bench, _| bench.truth())
}

#[tokio::test(flavor = "multi_thread")]
async fn charge_of_two_supplies_in_parallel_is_the_sum_of_what_passed() {
    let hall = pair().await;
    let handle = hall.handle();
    begin(&handle, "a", 14).await;
    let s = until(&handle, "steady", |s| s.run.phase == RunPhase::Steady).await;
    let identity = s.link.identity.as_ref().unwrap();
    assert!(identity.contains("0001") && identity.contains(" + ") && identity.contains("1000"), "{identity}");
    assert!(s.link.port.contains("/supply + ") && s.link.port.ends_with("/1000"), "{}", s.link.port);
    until(&handle, "complete", |s| s.run.state == RunState::Complete).await;
    let (first, other) = (hall.truth(), truth_of(&hall.others[0]));
    assert!(!first.output && !other.output);
    let share = first.charge.get() / (first.charge.get() + other.charge.get());
    assert!((share - 0.7).abs() < 0.01, "the first carried {share} of it");
    let run = hall.ledger.run("a").await.unwrap().unwrap();
    let truth = first.charge.get() + other.charge.get();
    assert!(
        (run.charge_coulombs / truth - 1.0).abs() < 0.01,
        "{} C on record, {truth} C passed",
        run.charge_coulombs
    );
    let alarms = hall.ledger.alarms(10).await.unwrap();
    assert!(alarms.is_empty(), "{alarms:#?}");
    assert_eq!(hall.control.shutdown().await[0].off, Ok(()));
}

#[tokio::test(flavor = "multi_thread")]
async fn one_of_two_supplies_that_trips_holds_the_run_with_both_off() {
    let hall = pair().await;
    let handle = hall.handle();
    begin(&handle, "a", 10_000).await;
    until(&handle, "steady", |s| s.run.phase == RunPhase::Steady).await;
    hall.others[0].with_bench(|bench, now| bench.fault(now, Fault::SupplyTrips, None));
    until(&handle, "less", |s| s.measured.as_ref().is_some_and(|m| m.amperes < 2.5)).await;
    let s = until(&handle, "held", |s| s.run.state == RunState::Held).await;
    assert!(!hall.truth().output && !truth_of(&hall.others[0]).output);
    assert!(s.run.cause.as_ref().unwrap().contains("in parallel gives nothing"), "{:?}", s.run.cause);
    let alarms = hall.ledger.alarms(10).await.unwrap();
    assert!(alarms.iter().any(|a| a.watch == "read-back" && a.to == "unacknowledged"), "{alarms:#?}");
    let most = hall.ledger.readings("a").await.unwrap().iter().map(|r| r.amperes).fold(0.0, f64::max);
    assert!(most < 2.9, "the one that was left carried {most} A");
}

#[tokio::test(flavor = "multi_thread")]
async fn one_of_two_supplies_unplugged_holds_the_run_with_the_other_off_until_it_is_back() {
    let hall = pair().await;
    let handle = hall.handle();
    begin(&handle, "a", 10_000).await;
    until(&handle, "steady", |s| s.run.phase == RunPhase::Steady).await;
    hall.others[0].with_bench(|bench, now| bench.fault(now, Fault::Unplug, Some(Duration::from_secs(4))));
    let s = until(&handle, "held", |s| s.run.state == RunState::Held).await;
    let cause = s.run.cause.as_ref().unwrap();
    assert!(cause.contains("/1000") && cause.contains("go to the supply"), "{cause}");
    assert!(!s.output_known, "nobody knows about the one that is gone");
    assert!(!hall.truth().output, "the one that could be reached went on");
    let refused = handle.command("ada", Command::Resume).await.unwrap_err().to_string();
    assert!(
        refused.contains("not resumed: the supply is not connected: ") && refused.contains("/1000"),
        "{refused}"
    );
    let s = until(&handle, "back", |s| s.link.up && s.output_on == Some(false)).await;
    assert!(!hall.truth().output && !truth_of(&hall.others[0]).output);
    assert_eq!(s.run.state, RunState::Held, "the link healed, and the run must not by itself");
    let before = s.run.charge_coulombs;
    handle.command("ada", Command::Resume).await.unwrap();
    let s = until(&handle, "steady again", |s| s.run.phase == RunPhase::Steady).await;
    assert!(hall.truth().output && truth_of(&hall.others[0]).output);
    assert!(s.run.charge_coulombs >= before && s.run.state == RunState::Running);
    handle.command("ada", Command::Stop).await.unwrap();
    until(&handle, "stopped", |s| s.run.state == RunState::Stopped).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn one_of_two_supplies_that_falls_silent_holds_the_run_with_the_other_off() {
    let hall = pair().await;
    let handle = hall.handle();
    begin(&handle, "a", 10_000).await;
    until(&handle, "steady", |s| s.run.phase == RunPhase::Steady).await;
    hall.others[0].with_bench(|bench, now| bench.fault(now, Fault::LinkDrops, Some(Duration::from_secs(9))));
    let s = until(&handle, "held", |s| s.run.state == RunState::Held).await;
    let cause = s.run.cause.as_ref().unwrap();
    assert!(cause.contains("/1000: no reply") && cause.contains("go to the supply"), "{cause}");
    assert!(!hall.truth().output, "the one that answers went on");
    until(&handle, "back", |s| s.link.up && s.output_on == Some(false)).await;
    assert!(!truth_of(&hall.others[0]).output);
    handle.command("ada", Command::Resume).await.unwrap();
    until(&handle, "steady again", |s| s.run.phase == RunPhase::Steady).await;
    handle.command("ada", Command::Stop).await.unwrap();
    until(&handle, "stopped", |s| s.run.state == RunState::Stopped).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn charge_is_counted_in_true_amperes_where_the_ammeter_was_found_wrong() {
    let ammeter = Ammeter {
        gain: 1.06,
        offset: Amps::new(-0.01),
        checked: "2026-11-01".into(),
        due: "2027-11-01".into(),
        by: "Ada".into(),
        against: "shunt 50 mV / 10 A".into(),
    };
    let hall = hall_of(115_200, None, watch::Settings::default(), &[], Some(ammeter.clone())).await;
    let handle = hall.handle();
    begin(&handle, "a", 14).await;
    let arrived = |s: &Snapshot| s.measured.as_ref().is_some_and(|m| (m.amperes - 2.8).abs() < 0.03);
    until(&handle, "at the true setpoint", arrived).await;
    until(&handle, "complete", |s| s.run.state == RunState::Complete).await;
    let run = hall.ledger.run("a").await.unwrap().unwrap();
    // The mimic believes its own meter: what it counts is what the supply shows.
    let shown = hall.truth().charge.get();
    let truth = ammeter.gain * shown + ammeter.offset.get() * run.worked_seconds;
    assert!((run.charge_coulombs / truth - 1.0).abs() < 0.01, "{run:?}, {shown} C by the supply's own meter");
    assert!(run.charge_coulombs > 1.04 * shown, "{run:?}");
    let alarms = hall.ledger.alarms(10).await.unwrap();
    assert!(alarms.is_empty(), "the setpoint reported back is compared like with like: {alarms:#?}");
    let events = hall.ledger.events(Some("a".into()), 100).await.unwrap();
    let said = events.iter().find(|e| e.kind == "ammeter").map(|e| e.text.as_str()).unwrap_or_default();
    assert!(said.contains("1.0600 x shown - 10 mA") && said.contains("due 2027-11-01"), "{said}");
}

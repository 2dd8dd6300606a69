//! The task against the simulated bench, in real time with short orders: the
//! ledger's thread and the control thread run as they do in the daemon.

use super::crew::{Control, Settings, spawn_with};
use super::remote::Remote;
use crate::bath::Agitation;
use crate::ledger::Ledger;
use crate::mimic::{self, Bench, Link};
use crate::plan::{BurnEstimate, Control as Held, DepositForecast, Goal, Order};
use crate::process::Entry;
use crate::quantity::{Amps, CurrentSlope, Microcoulombs, Reading, Temperature, Volts};
use crate::run::{Command, Limits, Protection, RunState, Setup};
use crate::station::{BathSource, Baths, Handle, Snapshot};
use crate::supply::{Clock, Dialect, Parity, Port, Spec, Trouble, dialect};
use crate::watch::{AlarmState, Handling, Kind};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

mod dark;
mod jobs;

/// A bench behind the seam, and what a test may do to it.
#[derive(Clone)]
struct Rig {
    bench: Arc<Mutex<Bench>>,
    clock: Clock,
    pulled: Arc<Mutex<Pulled>>,
    /// Each time somebody pulled at something.
    moved: Arc<tokio::sync::Notify>,
    writes: u64,
}

#[derive(Default)]
struct Pulled {
    unplugged: bool,
    panic: bool,
    mute: bool,
    /// Reads never end, and nobody says who it is.
    hangs: bool,
    nameless: bool,
    /// What it holds as a setpoint is not believed; its output goes off all the same.
    rubbish: bool,
    /// Off is taken by the line and never confirmed, as long as this holds.
    off_hangs: bool,
    /// How many of those are waited for.
    offs_waited_for: u32,
    connections: u32,
    offs: u32,
    found_on: Option<bool>,
}

impl Rig {
    fn new(clock: Clock) -> Rig {
        let setup = mimic::Setup::default();
        let bench = Arc::new(Mutex::new(Bench::new(setup, clock.now())));
        Rig { bench, clock, pulled: Arc::default(), moved: Arc::default(), writes: 0 }
    }
    fn pull(&self, how: impl FnOnce(&mut Pulled)) {
        how(&mut self.pulled.lock().unwrap());
        self.moved.notify_waiters();
    }
    fn output(&self) -> bool {
        self.bench.lock().unwrap().truth().output
    }
    fn there(&self) -> Result<(), Trouble> {
        if std::mem::take(&mut self.pulled.lock().unwrap().panic) {
            panic!("a slip in our code");
        }
        let pulled = self.pulled.lock().unwrap();
        if pulled.unplugged || self.bench.lock().unwrap().link() == Link::Gone {
            return Err(Trouble::Gone("unplugged".into()));
        }
        if pulled.mute {
            return Err(Trouble::NoReply { asked: "MEAS:CURR?".into(), waited: Duration::from_millis(1) });
        }
        Ok(())
    }
    fn refuse(e: mimic::OutOfRange) -> Trouble {
        Trouble::Refused { told: "set".into(), code: -222, said: e.to_string() }
    }
}

impl Remote for Rig {
    async fn open(&mut self) -> Result<String, Trouble> {
        self.pull(|p| p.connections += 1);
        if self.pulled.lock().unwrap().nameless {
            return Err(Trouble::WrongIdentity { wanted: "bench".into(), found: "stranger".into() });
        }
        self.there()?;
        let on = self.output();
        self.pull(|p| p.found_on = Some(on));
        self.off().await?;
        if self.pulled.lock().unwrap().rubbish {
            return Err(Trouble::Setpoint {
                why: "the output is confirmed off, but a setpoint is not believed".into(),
            });
        }
        Ok("bench".into())
    }
    fn found_on(&self) -> Option<bool> {
        self.pulled.lock().unwrap().found_on
    }
    fn close(&mut self) {}
    async fn off(&mut self) -> Result<(), Trouble> {
        if self.pulled.lock().unwrap().off_hangs {
            self.pull(|p| p.offs_waited_for += 1);
            loop {
                let moved = self.moved.notified();
                if !self.pulled.lock().unwrap().off_hangs {
                    break;
                }
                moved.await;
            }
            self.pull(|p| p.offs_waited_for -= 1);
        }
        self.there()?;
        self.pull(|p| p.offs += 1);
        self.bench.lock().unwrap().output(self.clock.now(), false);
        Ok(())
    }
    async fn prepare(&mut self, protection: Protection, ceiling: Volts) -> Result<(), Trouble> {
        self.there()?;
        let now = self.clock.now();
        let mut bench = self.bench.lock().unwrap();
        bench.output(now, false);
        bench.set_amps(now, Amps::ZERO).map_err(Rig::refuse)?;
        bench.set_ovp(now, protection.over_voltage).map_err(Rig::refuse)?;
        bench.set_ocp(now, protection.over_current).map_err(Rig::refuse)?;
        bench.set_volts(now, ceiling).map_err(Rig::refuse)
    }
    async fn set(&mut self, amps: Amps, volts: Volts) -> Result<(), Trouble> {
        self.there()?;
        self.writes += 1;
        let now = self.clock.now();
        let mut bench = self.bench.lock().unwrap();
        bench.set_amps(now, amps).map_err(Rig::refuse)?;
        bench.set_volts(now, volts).map_err(Rig::refuse)
    }
    async fn on(&mut self) -> Result<(), Trouble> {
        self.there()?;
        self.bench.lock().unwrap().output(self.clock.now(), true);
        Ok(())
    }
    async fn read(&mut self) -> Result<Reading, Trouble> {
        self.there()?;
        if self.pulled.lock().unwrap().hangs {
            std::future::pending::<()>().await;
        }
        Ok(self.bench.lock().unwrap().read(self.clock.now()))
    }
    fn writes(&self) -> u64 {
        self.writes
    }
    fn errors(&self) -> BTreeMap<&'static str, u64> {
        BTreeMap::new()
    }
}

fn settings(name: &str) -> Settings {
    let scpi: Dialect = dialect::shipped().remove(0);
    Settings {
        name: name.into(),
        supply: Spec {
            dialect: "scpi".into(),
            port: Port::Tcp("bench:5025".into()),
            baud: 9600,
            parity: Parity::None,
            two_stop_bits: false,
            identity: None,
            wiring: crate::supply::Wiring::default(),
        },
        dialect: Arc::new(scpi),
        ammeter: None,
        parallel: Vec::new(),
        setup: Setup {
            limits: Limits { max_amps: Amps::new(10.0), max_volts: Volts::new(12.0) },
            watches: crate::watch::Settings::default(),
            max_gap: Duration::from_secs(2),
            stale_after: Duration::from_secs(1),
            hold_on_ledger_failure: true,
        },
        poll: Duration::from_millis(20),
        baths: Baths::default(),
    }
}

fn order(coulombs: f64) -> Box<Order> {
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
            setpoint: Amps::new(2.0),
            ceiling: Volts::new(6.0),
            slope: CurrentSlope::new(4.0),
        },
        goal: Goal::Charge(Microcoulombs((coulombs * 1e6) as i64)),
        time_limit: Duration::from_secs(600),
        turn: None,
        seek: None,
        like_slopes: Vec::new(),
    })
}

struct Hall {
    folder: tempfile::TempDir,
    ledger: Ledger,
    rigs: Vec<Rig>,
    control: Control,
}

fn hall(names: &[&str]) -> Hall {
    hall_in(tempfile::tempdir().unwrap(), names, |_, settings| settings)
}

fn hall_in(folder: tempfile::TempDir, names: &[&str], change: impl Fn(Clock, Settings) -> Settings) -> Hall {
    let (ledger, _) = Ledger::open(&folder.path().join("ledger.sqlite")).unwrap();
    let clock = Clock::new();
    let rigs: Vec<Rig> = names.iter().map(|_| Rig::new(clock)).collect();
    let crew = names
        .iter()
        .zip(rigs.clone())
        .map(|(name, rig)| (change(clock, settings(name)), move || rig.clone()))
        .collect();
    let control = spawn_with(crew, ledger.clone(), clock).unwrap();
    Hall { folder, ledger, rigs, control }
}

/// Waits until a published snapshot is as wanted; ten seconds are more than any test needs.
async fn until(handle: &Handle, what: &str, wanted: impl Fn(&Snapshot) -> bool) -> Arc<Snapshot> {
    let mut snapshots = handle.subscribe();
    let found = tokio::time::timeout(Duration::from_secs(30), snapshots.wait_for(|s| wanted(s))).await;
    match found {
        Ok(Ok(s)) => s.clone(),
        _ => panic!("never {what}: {:#?}", handle.snapshot()),
    }
}

async fn begin(handle: &Handle, id: &str, coulombs: f64) {
    until(handle, "up", |s| s.link.up).await;
    let start = Command::Start { id: id.into(), order: order(coulombs) };
    assert_eq!(handle.command("test", start).await.unwrap(), format!("run {id} is started"));
}

#[tokio::test]
async fn run_ends_at_its_charge_with_the_output_off_and_the_account_grown() {
    let hall = hall(&["bench"]);
    let handle = hall.control.handles()[0].clone();
    begin(&handle, "a", 2.0).await;
    let s = until(&handle, "complete", |s| s.run.state == RunState::Complete).await;
    assert!(!hall.rigs[0].output());
    let run = hall.ledger.run("a").await.unwrap().unwrap();
    assert_eq!(run.state, "complete");
    assert!((run.charge_coulombs - 2.0).abs() < 0.06, "{run:?}");
    let truth = hall.rigs[0].bench.lock().unwrap().truth().charge.get();
    assert!(
        (run.charge_coulombs - truth).abs() < 0.03 * truth,
        "{} C on record, {truth} C passed",
        run.charge_coulombs
    );
    assert!(run.thickness_meters.unwrap() > 0.0);
    assert_eq!(hall.ledger.account("nickel").charge_coulombs, run.charge_coulombs);
    assert_eq!(s.tank.as_ref().unwrap().charge_coulombs, run.charge_coulombs);
    assert!(s.setpoint_writes > 5 && s.seq > 10);
    let readings = hall.ledger.readings("a").await.unwrap();
    assert!(readings.len() > 20, "{}", readings.len());
    let events: Vec<_> =
        hall.ledger.events(Some("a".into()), 100).await.unwrap().into_iter().map(|e| e.kind).collect();
    assert_eq!((events.last().unwrap().as_str(), events[0].as_str()), ("started", "ended"));
    assert_eq!(hall.control.shutdown().await[0].off, Ok(()));
}

#[tokio::test]
async fn unplugged_mid_run_the_run_is_aborted_and_the_link_heals_by_itself() {
    let hall = hall(&["bench"]);
    let handle = hall.control.handles()[0].clone();
    begin(&handle, "a", 1_000.0).await;
    until(&handle, "steady", |s| s.run.phase == crate::run::RunPhase::Steady).await;
    hall.rigs[0].pull(|p| p.unplugged = true);
    let s = until(&handle, "aborted", |s| s.run.state == RunState::Aborted).await;
    assert!(!s.link.up && !s.output_known && s.measured.is_none());
    assert!(s.run.cause.as_ref().unwrap().contains("go to the supply"), "{:?}", s.run.cause);
    assert!(hall.rigs[0].output(), "the bench cannot have heard anything");
    hall.rigs[0].pull(|p| p.unplugged = false);
    let s = until(&handle, "back", |s| s.link.up && s.output_on == Some(false)).await;
    assert!(!hall.rigs[0].output());
    assert_eq!(s.run.state, RunState::Aborted, "the link heals, the run does not");
    assert!(s.log.iter().any(|l| l.contains("answers again after")), "{:#?}", s.log);
    assert_eq!(hall.ledger.run("a").await.unwrap().unwrap().state, "aborted");
    let lost = |s: &Snapshot, earlier| {
        s.alarms.iter().any(|a| a.watch == "stale-link" && !a.state.active() && a.earlier == earlier)
    };
    until(&handle, "over, and nothing has begun since", |s| lost(s, false)).await;
    begin(&handle, "b", 0.5).await;
    until(&handle, "of the load before", |s| s.run.state == RunState::Running && lost(s, true)).await;
    until(&handle, "complete", |s| s.run.state == RunState::Complete).await;
}

#[tokio::test]
async fn mute_supply_is_cut_by_the_watch_and_opened_anew() {
    let hall = hall(&["bench"]);
    let handle = hall.control.handles()[0].clone();
    begin(&handle, "a", 1_000.0).await;
    until(&handle, "flowing", |s| s.measured.as_ref().is_some_and(|m| m.amperes > 1.0)).await;
    hall.rigs[0].pull(|p| p.mute = true);
    let s = until(&handle, "aborted", |s| s.run.state == RunState::Aborted).await;
    assert!(!s.output_known || s.output_on != Some(false), "nothing was heard");
    until(&handle, "lost", |s| !s.link.up).await;
    hall.rigs[0].pull(|p| p.mute = false);
    until(&handle, "back", |s| s.link.up && s.output_on == Some(false)).await;
    assert!(!hall.rigs[0].output());
}

#[tokio::test]
async fn panic_in_one_task_switches_that_supply_off_and_leaves_the_others_alone() {
    let hall = hall(&["one", "two"]);
    let (one, two) = (hall.control.handles()[0].clone(), hall.control.handles()[1].clone());
    begin(&one, "a", 1_000.0).await;
    begin(&two, "b", 3.0).await;
    until(&one, "flowing", |s| s.run.charge_coulombs > 0.5).await;
    // Panics once; the connection made afterwards works.
    hall.rigs[0].pull(|p| p.panic = true);
    let s = until(&one, "off after a panic", |s| s.output_on == Some(false) && !s.link.up).await;
    assert!(s.link.trouble.as_ref().unwrap().contains("a slip in our code"), "{:?}", s.link.trouble);
    assert!(!hall.rigs[0].output());
    let run = hall.ledger.run("a").await.unwrap().unwrap();
    assert_eq!(run.state, "aborted");
    assert!(run.charge_coulombs > 0.4, "what was recorded stays: {run:?}");
    let refusal = one.command("test", Command::Resume).await.unwrap_err();
    assert!(refusal.0.contains("restart the daemon"), "{refusal}");
    assert!(one.command("test", Command::Abort).await.unwrap().contains("off"));
    until(&two, "complete", |s| s.run.state == RunState::Complete).await;
    assert!(hall.control.shutdown().await.iter().all(|f| f.off == Ok(())));
}

#[tokio::test]
async fn stopped_daemon_leaves_no_output_on_and_no_run_open() {
    let hall = hall(&["bench"]);
    let handle = hall.control.handles()[0].clone();
    begin(&handle, "a", 1_000.0).await;
    until(&handle, "flowing", |s| s.run.charge_coulombs > 0.5).await;
    let farewell = hall.control.shutdown().await;
    assert_eq!(farewell[0].off, Ok(()));
    assert!(!hall.rigs[0].output());
    let run = hall.ledger.run("a").await.unwrap().unwrap();
    assert_eq!(run.state, "aborted");
    assert!(run.cause.as_ref().unwrap().contains("stopped"), "{run:?}");
    assert!(handle.command("test", Command::Hold).await.is_err());
}

#[tokio::test]
async fn watchdog_is_fed_by_finished_rounds_only() {
    let hall = hall(&["bench"]);
    let mut pulse = hall.control.pulse();
    let handle = hall.control.handles()[0].clone();
    let first = until(&handle, "up", |s| s.link.up).await.seq;
    until(&handle, "a round on", |s| s.seq > first).await;
    assert!(pulse.all_moved());
    hall.control.shutdown().await;
    pulse.all_moved();
    assert!(!pulse.all_moved(), "nothing works any more");
}

#[tokio::test]
async fn run_is_held_with_the_output_off_when_the_ledger_fails_under_it() {
    let hall = hall(&["bench"]);
    let handle = hall.control.handles()[0].clone();
    begin(&handle, "a", 1_000.0).await;
    until(&handle, "flowing", |s| s.run.charge_coulombs > 0.5).await;
    hall.ledger.clone().close().await.unwrap();
    let s = until(&handle, "held", |s| s.run.state == RunState::Held).await;
    assert!(s.run.cause.as_ref().unwrap().contains("ledger"), "{:?}", s.run.cause);
    assert!(!hall.rigs[0].output());
    assert!(handle.command("test", Command::Resume).await.is_err());
}

#[tokio::test]
async fn no_run_starts_without_its_intent_on_disk() {
    let hall = hall(&["bench"]);
    let handle = hall.control.handles()[0].clone();
    until(&handle, "up", |s| s.link.up).await;
    hall.ledger.clone().close().await.unwrap();
    let start = Command::Start { id: "a".into(), order: order(5.0) };
    let refusal = handle.command("test", start).await.unwrap_err();
    assert!(refusal.0.contains("ledger"), "{refusal}");
    let s = until(&handle, "not running", |s| s.run.state != RunState::Running).await;
    assert!(!hall.rigs[0].output() && s.setpoint_writes == 0, "{s:?}");
}

#[tokio::test]
async fn shelved_alarm_comes_back_unshelved_after_a_restart_and_the_journal_says_so() {
    let hall = hall(&["bench"]);
    let handle = hall.control.handles()[0].clone();
    begin(&handle, "a", 1_000.0).await;
    until(&handle, "flowing", |s| s.run.charge_coulombs > 0.5).await;
    let shelve = |time| Command::Alarm {
        kind: Kind::Drift,
        handling: Handling::Shelve { time, note: Some("heater swings".into()) },
    };
    let said = handle.command("mila", shelve(Some(Duration::from_secs(1800)))).await.unwrap();
    assert!(said.contains("30 min"), "{said}");
    let s = until(&handle, "shelved", |s| s.alarms.iter().any(|a| a.state == AlarmState::Shelved)).await;
    let alarm = s.alarms.iter().find(|a| a.watch == "drift").unwrap();
    assert!(alarm.shelved_until.is_some() && !alarm.unseen.is_empty(), "{alarm:?}");
    hall.ledger.sync().await.unwrap();
    let row = hall.ledger.alarms(1).await.unwrap().remove(0);
    assert_eq!((row.to.as_str(), row.by.as_deref()), ("shelved", Some("mila")));
    assert_eq!(row.note.as_deref(), Some("heater swings"));
    // What stops the current is not put aside.
    let cut =
        Command::Alarm { kind: Kind::OverVoltage, handling: Handling::Shelve { time: None, note: None } };
    assert!(handle.command("mila", cut).await.is_err());
    let Hall { folder, ledger, control, .. } = hall;
    control.shutdown().await;
    ledger.close().await.unwrap();

    let hall = hall_in(folder, &["bench"], |_, s| s);
    let handle = hall.control.handles()[0].clone();
    let s = until(&handle, "up", |s| s.link.up).await;
    assert!(s.alarms.is_empty(), "{:?}", s.alarms);
    hall.ledger.sync().await.unwrap();
    let row = hall.ledger.alarms(1).await.unwrap().remove(0);
    assert_eq!((row.watch.as_str(), row.from.as_str(), row.to.as_str()), ("drift", "shelved", "normal"));
    assert!(row.text.contains("unshelved") && row.by.is_none(), "{row:?}");
    assert_eq!(hall.ledger.reader().alarms_left("bench").unwrap(), []);
}

#[tokio::test]
async fn suppression_by_design_is_seen_and_not_journalled() {
    let hall = hall(&["bench"]);
    let handle = hall.control.handles()[0].clone();
    until(&handle, "up", |s| s.link.up).await;
    let order = Box::new(Order { entry: Entry::Live, ..*order(0.5) });
    handle.command("test", Command::Start { id: "a".into(), order }).await.unwrap();
    until(&handle, "suppressed", |s| s.suppressed.contains(&"open-circuit")).await;
    handle.command("test", Command::Answer(crate::run::Answer::Done)).await.unwrap();
    until(&handle, "complete", |s| s.run.state == RunState::Complete).await;
    hall.ledger.sync().await.unwrap();
    let rows = hall.ledger.alarms(100).await.unwrap();
    assert!(rows.iter().all(|r| r.to != "suppressed" && r.from != "suppressed"), "{rows:#?}");
}

#[tokio::test]
async fn bath_of_the_runs_tank_reaches_the_margin_and_a_stopped_pump_takes_it_away() {
    let source =
        BathSource { tank: "nickel".into(), agitation: Agitation::Air, thermometer: None, stirring: None };
    let made = std::cell::OnceCell::new();
    let hall = hall_in(tempfile::tempdir().unwrap(), &["bench"], |clock, settings| {
        let baths = made.get_or_init(|| Baths::new(vec![source.clone()], clock)).clone();
        Settings { baths, ..settings }
    });
    let baths = made.get().unwrap();
    baths.tell("nickel", "mila", Some(Temperature::new(55.0)), Some((Agitation::Air, true))).unwrap();
    let handle = hall.control.handles()[0].clone();
    until(&handle, "up", |s| s.link.up).await;
    let mut order = order(1_000.0);
    order.burn = Some(BurnEstimate {
        density: order.control.max_amps() / order.area * 4.0,
        edge_factor: 2.0,
        agitation: Agitation::Air,
        by_agitation: None,
        temperature: Some(Temperature::new(55.0)),
        own_panel: true,
    });
    handle.command("test", Command::Start { id: "a".into(), order }).await.unwrap();
    let s = until(&handle, "a margin", |s| {
        s.run.phase == crate::run::RunPhase::Steady && s.run.burn_margin.is_some()
    })
    .await;
    let margin = s.run.burn_margin.unwrap();
    assert!(margin.agitation_proven && margin.ratio > 0.4, "{margin:?}");
    assert_eq!(s.bath.as_ref().unwrap().temperature_by.as_deref(), Some("mila"));
    baths.tell("nickel", "pump relay", None, Some((Agitation::Still, true))).unwrap();
    until(&handle, "no margin", |s| s.run.burn_margin.is_some_and(|m| m.ratio < 0.0)).await;
    until(&handle, "alarmed", |s| {
        s.alarms.iter().any(|a| a.watch == "burn-margin" && a.first_out == Some(1))
    })
    .await;
    let s = until(&handle, "counted", |s| s.raised.iter().any(|r| r.watch == "burn-margin" && r.count == 1))
        .await;
    assert!(s.run.state == RunState::Running, "it tells; it does not stop");
    hall.ledger.sync().await.unwrap();
    let events = hall.ledger.events(Some("a".into()), 100).await.unwrap();
    let told: Vec<_> = events.iter().filter(|e| e.kind == "bath").map(|e| e.text.as_str()).collect();
    assert_eq!(told.len(), 2, "{events:#?}");
    assert!(told[1].contains("agitation air by its sensor") && told[0].contains("still"), "{told:?}");
    let rows = hall.ledger.readings("a").await.unwrap();
    let last = rows.last().unwrap();
    assert_eq!((last.ceiling_volts, last.bath_celsius), (Some(6.0), Some(55.0)));
}

#[tokio::test]
async fn earlier_like_loads_question_an_area_that_is_half_of_what_was_entered() {
    let hall = hall(&["bench"]);
    let handle = hall.control.handles()[0].clone();
    for id in ["a", "b", "c"] {
        begin(&handle, id, 3.0).await;
        until(&handle, "complete", |s| s.run.run.as_deref() == Some(id) && s.run.state == RunState::Complete)
            .await;
        let slope = hall.ledger.run(id).await.unwrap().unwrap().load_slope_ohm_square_meters;
        assert!(slope.is_some_and(|s| s > 0.0), "{slope:?}");
    }
    // Twice the area in the order, at the same density: the same parts hang as before.
    let mut wrong = order(1_000.0);
    wrong.area = wrong.area * 2.0;
    wrong.control =
        Held::Current { setpoint: Amps::new(4.0), ceiling: Volts::new(8.0), slope: CurrentSlope::new(4.0) };
    handle.command("test", Command::Start { id: "d".into(), order: wrong }).await.unwrap();
    let s = until(&handle, "asked", |s| s.run.area_question.is_some()).await;
    assert!(s.run.area_question.as_ref().unwrap().contains("less area"), "{:?}", s.run.area_question);
}

#[tokio::test]
async fn off_does_not_wait_for_an_answer_that_never_comes() {
    let hall = hall(&["bench"]);
    let (handle, rig) = (&hall.control.handles()[0], &hall.rigs[0]);
    until(handle, "up", |s| s.link.up).await;
    handle.command("ada", Command::Start { id: "r1".into(), order: order(1e6) }).await.unwrap();
    until(handle, "steady", |s| s.run.phase == crate::run::RunPhase::Steady).await;
    rig.pull(|p| p.hangs = true);
    // A command that can wait does; off is carried out in the middle of the read.
    let offs = rig.pulled.lock().unwrap().offs;
    let asked = tokio::time::timeout(Duration::from_secs(5), handle.command("ada", Command::Abort)).await;
    assert!(asked.is_ok(), "off was kept waiting");
    assert!(rig.pulled.lock().unwrap().offs > offs && !rig.output());
    rig.pull(|p| p.hangs = false);
    hall.control.shutdown().await;
}

#[tokio::test]
async fn short_is_cut_when_its_delay_is_over_and_not_at_the_poll_after() {
    let slow = |_, settings: Settings| Settings {
        poll: Duration::from_secs(5),
        setup: Setup {
            stale_after: Duration::from_secs(20),
            max_gap: Duration::from_secs(20),
            ..settings.setup
        },
        ..settings
    };
    let hall = hall_in(tempfile::tempdir().unwrap(), &["bench"], slow);
    let (handle, rig) = (&hall.control.handles()[0], &hall.rigs[0]);
    begin(handle, "a", 1_000.0).await;
    let steady = |s: &Snapshot| s.run.phase == crate::run::RunPhase::Steady;
    let charge = until(handle, "steady", steady).await.run.charge_coulombs;
    // Two seconds of it at least: what this load needs has been read.
    until(handle, "read in its turn", |s| steady(s) && s.run.charge_coulombs > charge + 4.0).await;
    rig.bench.lock().unwrap().fault(rig.clock.now(), mimic::Fault::Short, None);
    let s = until(handle, "seen", |s| s.measured.as_ref().is_some_and(|m| m.volts < 1.0)).await;
    let seen = rig.clock.now();
    assert_eq!(s.run.state, RunState::Running, "the delay has only begun");
    let s = until(handle, "cut", |s| s.run.state == RunState::Aborted).await;
    assert!(s.run.cause.as_ref().unwrap().starts_with("short-circuit"), "{:?}", s.run.cause);
    // The delay is 1 s, the next poll 5 s away.
    let lasted = rig.clock.now().since(seen);
    assert!(lasted < Duration::from_millis(4_500), "{lasted:?}");
    assert!(!rig.output());
}

#[tokio::test]
async fn off_is_sent_to_a_supply_that_does_not_say_its_name() {
    let hall = hall(&["bench"]);
    let (handle, rig) = (&hall.control.handles()[0], &hall.rigs[0]);
    until(handle, "up", |s| s.link.up).await;
    rig.pull(|p| (p.unplugged, p.nameless) = (true, true));
    until(handle, "down", |s| !s.link.up).await;
    // Back, with its output on by its own front panel, and under another name.
    rig.pull(|p| p.unplugged = false);
    rig.bench.lock().unwrap().output(rig.clock.now(), true);
    handle.command("ada", Command::Abort).await.unwrap();
    assert!(!rig.output());
    assert!(!handle.snapshot().link.up, "off asks for no identity, and gives none");
    hall.control.shutdown().await;
}

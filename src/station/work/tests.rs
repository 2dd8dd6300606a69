//! The task against the simulated bench, in real time with short orders: the
//! ledger's thread and the control thread run as they do in the daemon.

use super::crew::{Control, Settings, spawn_with};
use super::remote::Remote;
use crate::ledger::Ledger;
use crate::mimic::{self, Bench, Link};
use crate::plan::{Control as Held, DepositForecast, Goal, Order};
use crate::process::Entry;
use crate::quantity::{Amps, CurrentSlope, Microcoulombs, Reading, Volts};
use crate::run::{Command, Limits, Protection, RunState, Setup};
use crate::station::{Handle, Snapshot};
use crate::supply::{Clock, Dialect, Parity, Port, Spec, Trouble, dialect};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// A bench behind the seam, and what a test may do to it.
#[derive(Clone)]
struct Rig {
    bench: Arc<Mutex<Bench>>,
    clock: Clock,
    pulled: Arc<Mutex<Pulled>>,
    writes: u64,
}

#[derive(Default)]
struct Pulled {
    unplugged: bool,
    panic: bool,
    mute: bool,
    connections: u32,
    offs: u32,
}

impl Rig {
    fn new(clock: Clock) -> Rig {
        let setup = mimic::Setup::default();
        let bench = Arc::new(Mutex::new(Bench::new(setup, clock.now())));
        Rig { bench, clock, pulled: Arc::default(), writes: 0 }
    }
    fn pull(&self, how: impl FnOnce(&mut Pulled)) {
        how(&mut self.pulled.lock().unwrap());
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
        self.off().await?;
        Ok("bench".into())
    }
    fn close(&mut self) {}
    async fn off(&mut self) -> Result<(), Trouble> {
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
    }
}

fn order(coulombs: f64) -> Box<Order> {
    Box::new(Order {
        title: "a bench part".into(),
        tank: "nickel".into(),
        bath: "bright-nickel".into(),
        parts: 1,
        area: mimic::Setup::default().area,
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
    _folder: tempfile::TempDir,
    ledger: Ledger,
    rigs: Vec<Rig>,
    control: Control,
}

fn hall(names: &[&str]) -> Hall {
    let folder = tempfile::tempdir().unwrap();
    let (ledger, _) = Ledger::open(&folder.path().join("ledger.sqlite")).unwrap();
    let clock = Clock::new();
    let rigs: Vec<Rig> = names.iter().map(|_| Rig::new(clock)).collect();
    let crew =
        names.iter().zip(rigs.clone()).map(|(name, rig)| (settings(name), move || rig.clone())).collect();
    let control = spawn_with(crew, ledger.clone(), clock).unwrap();
    Hall { _folder: folder, ledger, rigs, control }
}

/// Waits until a published snapshot is as wanted; ten seconds are more than any test needs.
async fn until(handle: &Handle, what: &str, wanted: impl Fn(&Snapshot) -> bool) -> Arc<Snapshot> {
    let mut snapshots = handle.subscribe();
    let found = tokio::time::timeout(Duration::from_secs(10), snapshots.wait_for(|s| wanted(s))).await;
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
    begin(&handle, "b", 0.5).await;
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

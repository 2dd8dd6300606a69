//! The metrics page. The table below is the API: a name, once here, stays.
//!
//! | name | kind | labels | what | when absent |
//! |---|---|---|---|---|
//! | `tankside_build_info` | gauge | `version` | always 1 | never |
//! | `tankside_link_up` | gauge | `station` | 1: the supply is connected, identified and answering | never |
//! | `tankside_reading_age_seconds` | gauge | `station` | age of the last good reading; before the first, the time waited for one | never |
//! | `tankside_output_known` | gauge | `station` | 1: we know whether the output is on | never |
//! | `tankside_output_on` | gauge | `station` | 1: the output is on | not known |
//! | `tankside_supply_volts` | gauge | `station` | measured at the terminals | stale |
//! | `tankside_supply_amperes` | gauge | `station` | measured | stale |
//! | `tankside_current_density_amperes_per_square_meter` | gauge | `station` | measured current over the load's area (1 A/dm² is 100) | stale, or no load |
//! | `tankside_burn_margin_ratio` | gauge | `station` | how far the edge is from burning: 1 far, 0 there | stale, or not to be told |
//! | `tankside_burn_level_volts` | gauge | `station` | volts at which it would burn here and now | stale, or not to be told |
//! | `tankside_setpoint_amperes` | gauge | `station` | commanded current | never |
//! | `tankside_ceiling_volts` | gauge | `station` | commanded voltage | never |
//! | `tankside_run_state` | gauge | `station`, `state` | 1 for the state the run is in, 0 for the others | never |
//! | `tankside_run_charge_coulombs` | gauge | `station` | charge of the present or last run | never |
//! | `tankside_run_charge_target_coulombs` | gauge | `station` | charge at which it ends | it ends by time, or no run yet |
//! | `tankside_run_thickness_meters` | gauge | `station` | predicted mean thickness so far | no metal is deposited |
//! | `tankside_job_step` | gauge | `station` | the step of the guided job that is at work, from 1 | no job is open |
//! | `tankside_alarm_active` | gauge | `station`, `watch`, `priority` | 1 while the condition holds; 0 once it has gone | never raised since start |
//! | `tankside_alarms_raised_total` | counter | `station`, `watch`, `priority` | alarms raised since start | none raised yet |
//! | `tankside_alarms_in_flood` | gauge | `station` | 1: more than ten alarms were raised in ten minutes, and it has not ended | never |
//! | `tankside_alarm_chattering` | gauge | `station`, `watch` | 1: raised three times or more within the last minute | never chattered since start |
//! | `tankside_setpoint_writes_total` | counter | `station` | setpoints written since start | never |
//! | `tankside_link_errors_total` | counter | `station`, `kind` | link errors since start | none of that kind yet |
//! | `tankside_tank_charge_coulombs_total` | counter | `tank` | all charge the tank has worked; goes on over restarts (÷ 3600 is A·h) | never |
//! | `tankside_tank_unobserved_seconds_total` | counter | `tank` | time under current that was not observed | never |
//! | `tankside_upkeep_due_ratio` | gauge | `tank`, `additive` | how far along it is to being due: 1 and more is due | no rule, or the ledger cannot be read |
//! | `tankside_tank_temperature_celsius` | gauge | `tank` | what its thermometer, or somebody with one, says | older than two minutes, or not known |
//! | `tankside_poll_seconds` | histogram | `station` | time an exchange with the supply took | never |
//! | `tankside_ledger_commit_seconds` | histogram | | time a commit to the ledger took | never |
//!
//! Beside these come the `process_*` metrics of the client library. Units are base units, as the
//! Prometheus naming guide asks; charge is in coulombs because that guide (and
//! promtool) knows no ampere-hour.

use super::look::Look;
use crate::ledger::TankRow;
use crate::run::RunState;
use prometheus::core::Collector;
use prometheus::{
    Counter, CounterVec, Encoder, Gauge, GaugeVec, Histogram, HistogramOpts, HistogramVec, IntCounter,
    IntCounterVec, Opts, Registry, TextEncoder,
};
use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

/// The content type of the page (Prometheus text exposition format 0.0.4).
pub const CONTENT_TYPE: &str = "text/plain; version=0.0.4";

/// Everything on the page, with the children held.
pub struct Metrics {
    registry: Registry,
    stations: Mutex<BTreeMap<String, Station>>,
    tanks: Mutex<BTreeMap<String, (Counter, Counter)>>,
    fleet: Fleet,
    /// Observed by whoever drains the ledger's commit times.
    pub ledger_commit: Histogram,
}

/// The families, by label.
struct Fleet {
    link_up: GaugeVec,
    age: GaugeVec,
    known: GaugeVec,
    on: GaugeVec,
    volts: GaugeVec,
    amperes: GaugeVec,
    density: GaugeVec,
    burn_margin: GaugeVec,
    burn_level: GaugeVec,
    setpoint: GaugeVec,
    ceiling: GaugeVec,
    state: GaugeVec,
    charge: GaugeVec,
    target: GaugeVec,
    thickness: GaugeVec,
    job_step: GaugeVec,
    alarm: GaugeVec,
    raised: IntCounterVec,
    flood: GaugeVec,
    chattering: GaugeVec,
    writes: IntCounterVec,
    errors: IntCounterVec,
    poll: HistogramVec,
    tank_charge: CounterVec,
    tank_unobserved: CounterVec,
    temperature: GaugeVec,
    upkeep: GaugeVec,
}

/// What one station always has.
struct Station {
    link_up: Gauge,
    age: Gauge,
    known: Gauge,
    setpoint: Gauge,
    ceiling: Gauge,
    state: [Gauge; RunState::ALL.len()],
    charge: Gauge,
    writes: IntCounter,
    errors: BTreeMap<&'static str, IntCounter>,
    alarms: BTreeMap<(String, &'static str), Gauge>,
    raised: BTreeMap<(&'static str, &'static str), IntCounter>,
    flood: Gauge,
    chattering: BTreeMap<String, Gauge>,
}

#[expect(
    clippy::expect_used,
    reason = "names and labels are literals; every test of this room builds them all"
)]
impl Metrics {
    /// An empty page with every family registered.
    pub fn new() -> Metrics {
        let registry = Registry::new();
        let fleet = Fleet::new(&registry);
        let ledger_commit = Histogram::with_opts(
            HistogramOpts::new("tankside_ledger_commit_seconds", "Time a commit to the ledger took.")
                .buckets(vec![0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 1.0]),
        )
        .expect("literal name");
        registry.register(Box::new(ledger_commit.clone())).expect("registered once");
        let build = GaugeVec::new(
            Opts::new("tankside_build_info", "Always 1; the version is the label."),
            &["version"],
        )
        .expect("literal name");
        build.with_label_values(&[env!("CARGO_PKG_VERSION")]).set(1.0);
        registry.register(Box::new(build)).expect("registered once");
        Metrics { registry, stations: Mutex::default(), tanks: Mutex::default(), fleet, ledger_commit }
    }

    /// With the client library's own `process_*` metrics.
    pub fn with_process(self) -> Metrics {
        let process = prometheus::process_collector::ProcessCollector::for_self();
        self.registry.register(Box::new(process)).expect("registered once");
        self
    }
}

impl Default for Metrics {
    fn default() -> Self {
        Metrics::new()
    }
}

impl Metrics {
    /// Where a station's exchanges are observed.
    pub fn poll_seconds(&self, station: &str) -> Histogram {
        self.fleet.poll.with_label_values(&[station])
    }

    /// How far along each rule is, by tank and name; what is left out is not on the page.
    pub fn upkeep<'a>(&self, due: impl Iterator<Item = (&'a str, &'a str, f64)>) {
        self.fleet.upkeep.reset();
        for (tank, additive, ratio) in due.filter(|(_, _, ratio)| ratio.is_finite()) {
            self.fleet.upkeep.with_label_values(&[tank, additive]).set(ratio);
        }
    }

    /// The page. Measured values that are stale are not on it.
    ///
    /// # Errors
    /// When the encoder fails: a slip of ours.
    pub fn page(
        &self,
        looks: &[Look],
        tanks: &[TankRow],
        celsius: &[(String, f64)],
    ) -> Result<String, prometheus::Error> {
        self.fleet.temperature.reset();
        for (tank, degrees) in celsius {
            self.fleet.temperature.with_label_values(&[tank]).set(*degrees);
        }
        for look in looks {
            self.show(look);
        }
        self.accounts(looks, tanks);
        let mut out = Vec::new();
        TextEncoder::new().encode(&self.registry.gather(), &mut out)?;
        String::from_utf8(out).map_err(|e| prometheus::Error::Msg(e.to_string()))
    }

    fn show(&self, look: &Look) {
        let snapshot = &look.snapshot;
        let run = &snapshot.run;
        let name = snapshot.station.as_str();
        let fleet = &self.fleet;
        let mut stations = self.stations.lock().unwrap_or_else(PoisonError::into_inner);
        let station = stations.entry(name.into()).or_insert_with(|| Station::new(fleet, name));
        station.link_up.set(flag(snapshot.link.up));
        station.age.set(look.age_seconds);
        station.known.set(flag(snapshot.output_known));
        station.setpoint.set(run.setpoint_amperes);
        station.ceiling.set(run.ceiling_volts);
        for (gauge, state) in station.state.iter().zip(RunState::ALL) {
            gauge.set(flag(state == run.state));
        }
        station.charge.set(run.charge_coulombs);
        raise(&station.writes, snapshot.setpoint_writes);
        for (kind, count) in &snapshot.link.errors {
            let child =
                station.errors.entry(kind).or_insert_with(|| fleet.errors.with_label_values(&[name, kind]));
            raise(child, *count);
        }
        for gauge in station.alarms.values() {
            gauge.set(0.0);
        }
        for alarm in &snapshot.alarms {
            let key = (alarm.watch.clone(), alarm.priority.name());
            let child = station.alarms.entry(key).or_insert_with(|| {
                fleet.alarm.with_label_values(&[name, &alarm.watch, alarm.priority.name()])
            });
            child.set(flag(alarm.state.active()));
        }
        station.flood.set(flag(snapshot.alarms_in_flood));
        for raised in &snapshot.raised {
            let labels = [name, raised.watch, raised.priority];
            let child = station
                .raised
                .entry((raised.watch, raised.priority))
                .or_insert_with(|| fleet.raised.with_label_values(&labels));
            raise(child, raised.count);
        }
        for gauge in station.chattering.values() {
            gauge.set(0.0);
        }
        for alarm in snapshot.alarms.iter().filter(|a| a.chattering) {
            let child = station
                .chattering
                .entry(alarm.watch.clone())
                .or_insert_with(|| fleet.chattering.with_label_values(&[name, &alarm.watch]));
            child.set(1.0);
        }
        drop(stations);

        let measured = snapshot.measured.as_ref().filter(|_| !look.stale);
        let has_load = run.area_square_meters > 0.0;
        put(&fleet.on, name, snapshot.output_on.filter(|_| snapshot.output_known).map(flag));
        put(&fleet.volts, name, measured.map(|m| m.volts));
        put(&fleet.amperes, name, measured.map(|m| m.amperes));
        put(&fleet.density, name, measured.filter(|_| has_load).map(|m| m.amperes / run.area_square_meters));
        put(&fleet.burn_margin, name, run.burn_margin_ratio.filter(|_| !look.stale));
        put(&fleet.burn_level, name, run.burn_level_volts.filter(|_| !look.stale));
        put(&fleet.target, name, run.charge_target_coulombs);
        put(&fleet.thickness, name, run.thickness_meters);
        let job = snapshot.job.as_ref().filter(|job| job.is_open());
        put(&fleet.job_step, name, job.map(|job| job.step as f64));
    }

    /// The tanks' accounts: the ledger's, or the running station's where that is ahead.
    fn accounts(&self, looks: &[Look], rows: &[TankRow]) {
        let live = looks.iter().filter_map(|look| look.snapshot.tank.as_ref());
        let all = rows
            .iter()
            .map(|row| (row.tank.as_str(), row.charge_coulombs, row.unobserved_seconds))
            .chain(live.map(|tank| (tank.name.as_str(), tank.charge_coulombs, tank.unobserved_seconds)));
        let mut tanks = self.tanks.lock().unwrap_or_else(PoisonError::into_inner);
        for (name, coulombs, unobserved) in all {
            let (charge, time) = tanks.entry(name.into()).or_insert_with(|| {
                (
                    self.fleet.tank_charge.with_label_values(&[name]),
                    self.fleet.tank_unobserved.with_label_values(&[name]),
                )
            });
            raise_to(charge, coulombs);
            raise_to(time, unobserved);
        }
    }
}

fn flag(is: bool) -> f64 {
    f64::from(u8::from(is))
}

/// A gauge that has no value is not on the page.
fn put(family: &GaugeVec, station: &str, value: Option<f64>) {
    match value.filter(|v| v.is_finite()) {
        Some(value) => family.with_label_values(&[station]).set(value),
        // It says so when there was none; that is what we want.
        None => drop(family.remove_label_values(&[station])),
    }
}

/// A counter never falls, whatever it is fed.
fn raise(counter: &IntCounter, total: u64) {
    counter.inc_by(total.saturating_sub(counter.get()));
}

fn raise_to(counter: &Counter, total: f64) {
    let more = total - counter.get();
    if more > 0.0 && more.is_finite() {
        counter.inc_by(more);
    }
}

impl Station {
    fn new(fleet: &Fleet, name: &str) -> Station {
        fleet.poll.with_label_values(&[name]);
        Station {
            link_up: fleet.link_up.with_label_values(&[name]),
            age: fleet.age.with_label_values(&[name]),
            known: fleet.known.with_label_values(&[name]),
            setpoint: fleet.setpoint.with_label_values(&[name]),
            ceiling: fleet.ceiling.with_label_values(&[name]),
            state: RunState::ALL.map(|state| fleet.state.with_label_values(&[name, state.name()])),
            charge: fleet.charge.with_label_values(&[name]),
            writes: fleet.writes.with_label_values(&[name]),
            errors: BTreeMap::new(),
            alarms: BTreeMap::new(),
            raised: BTreeMap::new(),
            flood: fleet.flood.with_label_values(&[name]),
            chattering: BTreeMap::new(),
        }
    }
}

#[expect(
    clippy::expect_used,
    reason = "names and labels are literals; every test of this room builds them all"
)]
impl Fleet {
    fn new(registry: &Registry) -> Fleet {
        fn keep<C: Collector + Clone + 'static>(registry: &Registry, family: C) -> C {
            registry.register(Box::new(family.clone())).expect("registered once");
            family
        }
        let gauge = |name: &str, help: &str, labels: &[&str]| {
            keep(registry, GaugeVec::new(Opts::new(name, help), labels).expect("literal name"))
        };
        let count = |name: &str, help: &str, labels: &[&str]| {
            keep(registry, IntCounterVec::new(Opts::new(name, help), labels).expect("literal name"))
        };
        let total = |name: &str, help: &str, labels: &[&str]| {
            keep(registry, CounterVec::new(Opts::new(name, help), labels).expect("literal name"))
        };
        let s: &[&str] = &["station"];
        Fleet {
            link_up: gauge(
                "tankside_link_up",
                "1 when the supply is connected, identified and answering.",
                s,
            ),
            age: gauge("tankside_reading_age_seconds", "Age of the last good reading.", s),
            known: gauge("tankside_output_known", "1 when it is known whether the output is on.", s),
            on: gauge("tankside_output_on", "1 when the output is on; absent when not known.", s),
            volts: gauge("tankside_supply_volts", "Measured terminal voltage; absent when stale.", s),
            amperes: gauge("tankside_supply_amperes", "Measured current; absent when stale.", s),
            density: gauge(
                "tankside_current_density_amperes_per_square_meter",
                "Measured current over the load's area; absent when stale.",
                s,
            ),
            burn_margin: gauge(
                "tankside_burn_margin_ratio",
                "How far the edge is from burning: 1 is far, 0 is there; absent when not known.",
                s,
            ),
            burn_level: gauge(
                "tankside_burn_level_volts",
                "Voltage at which the edge would burn here and now; absent when not known.",
                s,
            ),
            setpoint: gauge("tankside_setpoint_amperes", "Commanded current.", s),
            ceiling: gauge("tankside_ceiling_volts", "Commanded voltage.", s),
            state: gauge("tankside_run_state", "1 for the state the run is in.", &["station", "state"]),
            charge: gauge("tankside_run_charge_coulombs", "Charge of the present or last run.", s),
            target: gauge("tankside_run_charge_target_coulombs", "Charge at which the run ends.", s),
            thickness: gauge("tankside_run_thickness_meters", "Predicted mean thickness so far.", s),
            job_step: gauge(
                "tankside_job_step",
                "The guided job's step at work; absent when none is open.",
                s,
            ),
            alarm: gauge(
                "tankside_alarm_active",
                "1 while the alarm's condition holds.",
                &["station", "watch", "priority"],
            ),
            raised: count(
                "tankside_alarms_raised_total",
                "Alarms raised since start.",
                &["station", "watch", "priority"],
            ),
            flood: gauge(
                "tankside_alarms_in_flood",
                "1 from more than ten alarms in ten minutes until fewer than five.",
                s,
            ),
            chattering: gauge(
                "tankside_alarm_chattering",
                "1 while an alarm has been raised three times or more within a minute.",
                &["station", "watch"],
            ),
            writes: count("tankside_setpoint_writes_total", "Setpoints written since start.", s),
            errors: count("tankside_link_errors_total", "Link errors since start.", &["station", "kind"]),
            poll: keep(
                registry,
                HistogramVec::new(
                    HistogramOpts::new("tankside_poll_seconds", "Time an exchange with the supply took.")
                        .buckets(vec![0.005, 0.01, 0.025, 0.05, 0.1, 0.2, 0.5, 1.0, 2.5]),
                    s,
                )
                .expect("literal name"),
            ),
            tank_charge: total(
                "tankside_tank_charge_coulombs_total",
                "All charge the tank has worked; goes on over restarts. Divide by 3600 for ampere-hours.",
                &["tank"],
            ),
            tank_unobserved: total(
                "tankside_tank_unobserved_seconds_total",
                "Time under current that was not observed.",
                &["tank"],
            ),
            upkeep: gauge(
                "tankside_upkeep_due_ratio",
                "How far along upkeep is to being due: 1 and more is due.",
                &["tank", "additive"],
            ),
            temperature: gauge(
                "tankside_tank_temperature_celsius",
                "The tank's temperature by its thermometer or somebody with one; absent when older than two minutes.",
                &["tank"],
            ),
        }
    }
}

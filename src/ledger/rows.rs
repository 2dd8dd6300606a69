//! Rows as they go in and as they are read back, in plain numbers with the unit in the name.

use super::job::JobStepRow;
use crate::quantity::{Amps, Microcoulombs, Temperature, Volts};
use serde::Serialize;
use std::sync::Arc;
use std::time::Duration;

/// A run about to begin: the intent that is on disk before the output goes on.
#[derive(Clone, Debug, PartialEq)]
pub struct RunStart {
    /// UUIDv7.
    pub id: String,
    /// Station.
    pub station: String,
    /// Tank whose account gets the charge.
    pub tank: String,
    /// Title of the order.
    pub title: String,
    /// Who started it.
    pub started_by: String,
    /// RFC 3339 UTC.
    pub started: String,
    /// Charge to reach, where the run ends by charge.
    pub target: Option<Microcoulombs>,
    /// Everything that takes current.
    pub area_square_meters: f64,
    /// Parts.
    pub parts: u32,
    /// Metal id, where one is deposited.
    pub metal: Option<String>,
    /// Predicted mean thickness on this load for each coulomb.
    pub thickness_meters_per_coulomb: Option<f64>,
    /// The run whose remainder this is.
    pub continues: Option<String>,
    /// What hangs, each number and kind once; empty where it is not known.
    pub hung: Vec<HungRow>,
    /// The whole order as JSON.
    pub order_json: String,
    /// The job whose step this is.
    pub job: Option<String>,
    /// The lot.
    pub lot: Option<String>,
    /// The customer's reference.
    pub customer: Option<String>,
}

/// One kind of part in a run.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HungRow {
    /// Part number, where it has one.
    pub number: Option<String>,
    /// Its name, or its shape.
    pub kind: String,
    /// How many.
    pub count: u32,
    /// What takes current on all of them.
    pub area_square_meters: f64,
}

/// How a run ended.
#[derive(Clone, Debug, PartialEq)]
pub struct RunEnd {
    /// Which run.
    pub id: String,
    /// RFC 3339 UTC.
    pub ended: String,
    /// `complete`, `stopped` or `aborted`.
    pub state: &'static str,
    /// The first cause.
    pub cause: String,
    /// All the charge that passed.
    pub charge: Microcoulombs,
    /// Time under current that was not observed.
    pub unobserved: Duration,
    /// Time worked.
    pub worked: Duration,
    /// Slope of the load's own line times the area entered, ohm m2, where the ramp gave one.
    pub load_slope: Option<f64>,
}

/// What [`super::Ledger::record`] takes.
#[derive(Clone, Debug, PartialEq)]
pub enum Row {
    /// One reading of a run.
    Reading {
        /// Which run.
        run: String,
        /// Since the run's start.
        since_start: Duration,
        /// Terminal voltage; kept to the millivolt.
        volts: Volts,
        /// Current; kept to the tenth of a milliampere.
        amps: Amps,
        /// Current setpoint in force; kept to the tenth of a milliampere.
        setpoint: Amps,
        /// Voltage setpoint in force, nothing while the output is off by our command; kept to the millivolt.
        ceiling: Volts,
        /// The bath's temperature, where a fresh one is known; kept to the hundredth of a degree.
        bath: Option<Temperature>,
    },
    /// All the charge of a run so far (a total, not a step: the last one counts).
    Charge {
        /// Which run.
        run: String,
        /// Its charge so far.
        charge: Microcoulombs,
        /// Time under current that was not observed, so far.
        unobserved: Duration,
        /// Time worked so far.
        worked: Duration,
    },
    /// The state or phase of a run changed.
    Phase(PhaseRow),
    /// Something happened.
    Event(EventRow),
    /// An alarm changed.
    Alarm(AlarmRow),
    /// Somebody asked for something that could change something.
    Audit(super::gate::AuditRow),
    /// A step of a job began, or ended.
    JobStep(JobStepRow),
    /// Something happened in a job.
    JobEvent {
        /// Which.
        job: String,
        /// What.
        event: EventRow,
    },
}

/// A change of state or phase.
#[derive(Clone, Debug, PartialEq)]
pub struct PhaseRow {
    /// Which run.
    pub run: String,
    /// RFC 3339 UTC.
    pub at: String,
    /// Since the run's start.
    pub since_start: Duration,
    /// New state.
    pub state: &'static str,
    /// New phase.
    pub phase: &'static str,
    /// Why, where there is a why.
    pub why: Option<String>,
}

/// One run.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RunRow {
    /// UUIDv7.
    pub id: String,
    /// Station.
    pub station: String,
    /// Tank.
    pub tank: String,
    /// Title of the order.
    pub title: String,
    /// Who started it.
    pub started_by: String,
    /// RFC 3339 UTC.
    pub started: String,
    /// RFC 3339 UTC; `None` while open.
    pub ended: Option<String>,
    /// `running`, `complete`, `stopped` or `aborted`.
    pub state: String,
    /// First cause of the end.
    pub cause: Option<String>,
    /// Charge.
    pub charge_coulombs: f64,
    /// Charge asked for, where the run ends by charge.
    pub target_coulombs: Option<f64>,
    /// Time with the output on, unobserved.
    pub unobserved_seconds: f64,
    /// Time worked.
    pub worked_seconds: f64,
    /// Area.
    pub area_square_meters: f64,
    /// Parts.
    pub parts: u32,
    /// Metal id, where one is deposited.
    pub metal: Option<String>,
    /// Predicted mean thickness for the charge that passed.
    pub thickness_meters: Option<f64>,
    /// The run whose remainder this is.
    pub continues: Option<String>,
    /// Slope of the load's own line times the area entered, ohm m2, where the ramp gave one.
    pub load_slope_ohm_square_meters: Option<f64>,
    /// The whole order as JSON.
    pub order_json: String,
    /// The job whose step this was.
    pub job: Option<String>,
    /// The lot.
    pub lot: Option<String>,
    /// The customer's reference.
    pub customer: Option<String>,
}

/// One stage of a run, as recorded.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StageRow {
    /// Seconds since the run's start at which it began.
    pub seconds: f64,
    /// State.
    pub state: String,
    /// Phase.
    pub phase: String,
}

/// One tank's account.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TankRow {
    /// Tank.
    pub tank: String,
    /// All charge ever.
    pub charge_coulombs: f64,
    /// The same, exact.
    pub charge_microcoulombs: i64,
    /// Unobserved time under current.
    pub unobserved_seconds: f64,
    /// Runs counted.
    pub runs: u64,
}

/// One reading.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ReadingRow {
    /// Seconds since the run's start.
    pub seconds: f64,
    /// Volts.
    pub volts: f64,
    /// Amperes.
    pub amperes: f64,
    /// Current setpoint in force.
    pub setpoint_amperes: f64,
    /// Voltage setpoint in force, 0 while the output was off by our command; `None` in records of before schema 3.
    pub ceiling_volts: Option<f64>,
    /// The bath's temperature, where it was known.
    pub bath_celsius: Option<f64>,
}

/// One alarm change.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AlarmRow {
    /// RFC 3339 UTC.
    pub at: String,
    /// The daemon's monotonic clock, which no one can set.
    pub monotonic_milliseconds: i64,
    /// Station.
    pub station: String,
    /// Run, if one was on.
    pub run: Option<String>,
    /// Watch.
    pub watch: String,
    /// State before.
    pub from: String,
    /// State after.
    pub to: String,
    /// Priority.
    pub priority: String,
    /// Text.
    pub text: String,
    /// Who, where a person did.
    pub by: Option<String>,
    /// Their note.
    pub note: Option<String>,
}

/// One event.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct EventRow {
    /// RFC 3339 UTC.
    pub at: String,
    /// The daemon's monotonic clock, which no one can set.
    pub monotonic_milliseconds: i64,
    /// Station.
    pub station: String,
    /// Run, if one was on.
    pub run: Option<String>,
    /// Kind in a word: `started`, `phase`, `asked`, `answered`, `command`, `ended`, `note`, `link`,
    /// `clock`, `ledger`.
    pub kind: String,
    /// A sentence.
    pub text: String,
}

/// Something that was recorded, for those who listen; cheap to clone.
#[derive(Clone, Debug, PartialEq)]
pub enum News {
    /// An alarm changed.
    Alarm(Arc<AlarmRow>),
    /// Something happened.
    Event(Arc<EventRow>),
    /// Something happened in a guided job.
    Job {
        /// The job's id.
        job: Arc<str>,
        /// What.
        event: Arc<EventRow>,
    },
}

/// What came of trying a station's supply.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CommissioningRow {
    /// Station.
    pub station: String,
    /// RFC 3339 UTC.
    pub at: String,
    /// Who did it.
    pub by: String,
    /// What the supply says it is.
    pub identity: String,
    /// Its dialect, with the orders of words that it went by.
    pub dialect: String,
    /// Whether nothing was wrong.
    pub passed: bool,
    /// From the order until the current was gone.
    pub off_milliseconds: i64,
    /// Every point and verdict.
    pub result_json: String,
}

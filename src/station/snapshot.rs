//! What everybody outside the control loop sees.

use crate::run::View;
use serde::Serialize;
use std::collections::BTreeMap;

/// One station at one instant. Published whole after each step; readers never
/// see anything else. `station` fills it, `serve` and `cli` show it.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Snapshot {
    /// The station's name.
    pub station: String,
    /// Counts publications.
    pub seq: u64,
    /// Wall time of this snapshot, RFC 3339 UTC.
    pub taken: String,
    /// The link to the supply.
    pub link: LinkView,
    /// The last good reading; `None` when there is none or it is stale.
    pub measured: Option<Measured>,
    /// Age of the last good reading when this was taken; `None` before the first.
    pub reading_age_seconds: Option<f64>,
    /// Whether we know if the output is on.
    pub output_known: bool,
    /// Whether it is on, where known.
    pub output_on: Option<bool>,
    /// The run.
    pub run: View,
    /// Alarms that are not normal, most urgent first.
    pub alarms: Vec<AlarmView>,
    /// The last few sentences worth reading, newest last (at most 20).
    pub log: Vec<String>,
    /// Trend of the last minutes, oldest first: seconds ago, volts, amperes (at most 300 points).
    pub trend: Vec<(f32, f32, f32)>,
    /// The tank in use (or last used), with its account.
    pub tank: Option<TankView>,
    /// Setpoint writes since start.
    pub setpoint_writes: u64,
    /// Seconds that exchanges took since the last snapshot (for the histogram).
    #[serde(skip)]
    pub poll_seconds: Vec<f64>,
}

/// The link to the supply.
#[derive(Clone, Debug, Default, Serialize)]
pub struct LinkView {
    /// Whether the supply is connected, identified and answering.
    pub up: bool,
    /// What it said it is.
    pub identity: Option<String>,
    /// The port as configured.
    pub port: String,
    /// Why it is not up, in the operator's words.
    pub trouble: Option<String>,
    /// Errors since start, by kind.
    pub errors: BTreeMap<&'static str, u64>,
    /// Measured polls a second, over the last few seconds.
    pub polls_per_second: f64,
}

/// The last good reading in plain numbers.
#[derive(Clone, Debug, Serialize)]
pub struct Measured {
    /// Terminal volts.
    pub volts: f64,
    /// Amperes.
    pub amperes: f64,
    /// `current`, `voltage`, `neither`, or `None` where the supply does not say.
    pub regulation: Option<&'static str>,
}

/// An alarm for people.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AlarmView {
    /// Which watch.
    pub watch: String,
    /// ISA-18.2 state.
    pub state: crate::watch::AlarmState,
    /// Priority.
    pub priority: crate::watch::Priority,
    /// What was seen.
    pub text: String,
    /// What to do.
    pub remedy: String,
    /// Wall time of the last change, RFC 3339 UTC.
    pub since: String,
}

/// A tank's account.
#[derive(Clone, Debug, Default, Serialize)]
pub struct TankView {
    /// Its name.
    pub name: String,
    /// Its bath's name.
    pub bath: String,
    /// All the charge it has worked.
    pub charge_coulombs: f64,
    /// Time under current that was not observed.
    pub unobserved_seconds: f64,
}

//! Rows as they are read back, in plain numbers with the unit in the name.

use serde::Serialize;

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
    /// Predicted mean thickness.
    pub thickness_meters: Option<f64>,
    /// The whole order as JSON.
    pub order_json: String,
}

/// One tank's account.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TankRow {
    /// Tank.
    pub tank: String,
    /// All charge ever.
    pub charge_coulombs: f64,
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
}

/// One alarm change.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AlarmRow {
    /// RFC 3339 UTC.
    pub at: String,
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
    /// Station.
    pub station: String,
    /// Run, if one was on.
    pub run: Option<String>,
    /// Kind in a word: `phase`, `asked`, `answered`, `command`, `note`, `link`, `clock`.
    pub kind: String,
    /// A sentence.
    pub text: String,
}

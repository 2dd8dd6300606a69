//! What readers see of a run.

use super::api::{Question, RunPhase, RunState};
use serde::Serialize;

/// The run as it stands, in plain numbers with the unit in the name; part of
/// the published snapshot.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct View {
    /// ISA-88 state.
    pub state: RunState,
    /// Phase within the powered step.
    pub phase: RunPhase,
    /// The run's id; kept after its end until the next start.
    pub run: Option<String>,
    /// Its title.
    pub title: Option<String>,
    /// Its tank.
    pub tank: Option<String>,
    /// Current setpoint in force.
    pub setpoint_amperes: f64,
    /// Voltage setpoint (ceiling) in force.
    pub ceiling_volts: f64,
    /// Whether we last commanded the output on.
    pub output_commanded: bool,
    /// The load's area.
    pub area_square_meters: f64,
    /// Current over area.
    pub density_amperes_per_square_meter: f64,
    /// Charge so far.
    pub charge_coulombs: f64,
    /// Charge to reach; `None` when the run ends by time.
    pub charge_target_coulombs: Option<f64>,
    /// Predicted mean thickness so far.
    pub thickness_meters: Option<f64>,
    /// Time worked so far, turns and holds not counted.
    pub worked_seconds: f64,
    /// Time left at the present current.
    pub left_seconds: Option<f64>,
    /// Commanded but unobserved time.
    pub unobserved_seconds: f64,
    /// Which face is at work, counted from 1, and of how many.
    pub face: Option<(u8, u8)>,
    /// What the run waits for.
    pub question: Option<Question>,
    /// Why it was held or ended: the first cause.
    pub cause: Option<String>,
    /// Causes that came after the first.
    pub later_causes: Vec<String>,
    /// How far the edge is from burning: 1 is far, 0 is there. `None` when it cannot be told.
    pub burn_margin_ratio: Option<f64>,
    /// Burn level in volts by the load's own line, where known.
    pub burn_level_volts: Option<f64>,
}

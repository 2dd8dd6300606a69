//! Text into checked config, or every problem with its place and remedy.
//!
//! What the room is for: one function that `serve` and `check` both call.
//! What it may not know: how any of it is used. A bad file never turns into
//! defaults.

mod model;
pub use model::{Config, Daemon, OnLedgerFailure, Station, Tank, TemperatureSource};

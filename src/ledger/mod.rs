//! What happened, on disk: runs, readings, tank charge, alarms, events.
//!
//! What the room is for: one SQLite file (WAL, synchronous FULL) that a person
//! can read with the stock shell, written by one thread. Durable before
//! dangerous. What it may not know: how decisions are made.

mod rows;
pub use rows::{AlarmRow, EventRow, ReadingRow, RunRow, TankRow};

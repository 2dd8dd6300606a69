//! A simulated supply with a plating cell behind it.
//!
//! What the room is for: trying a process without a bath, and being the other
//! end of every end-to-end test. The models (supply, cell, faults) are pure and
//! run in virtual time; the servers (pty, TCP) need the `daemon` feature.
//! What it may not know: `run`, `watch`, or any other control code.

mod bench;
#[cfg(test)]
mod bench_tests;
mod cell;
mod chemistry;
mod prng;
pub mod scpi;
mod script;
mod supply;

pub use bench::{Bench, Link, Setup, Truth};
pub use cell::{Cell, CellSetup, Flaws};
pub use chemistry::{Chemistry, Kind};
pub use prng::Prng;
pub use script::{Entry, Fault, From, Script, ScriptError, parse_fault};
pub use supply::{Guard, Holding, OutOfRange, Rating, SupplyModel};

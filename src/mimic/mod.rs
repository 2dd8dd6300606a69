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
pub mod family;
mod life;
pub mod modbus;
pub mod plain;
mod prng;
pub mod scpi;
mod script;
#[cfg(feature = "daemon")]
#[expect(clippy::disallowed_methods, reason = "the mimic's edge: it writes the truth file")]
mod server;
mod supply;

pub use bench::{Bench, Link, Setup, Truth};
pub use cell::{Cell, CellSetup, Flaws};
pub use chemistry::{Chemistry, Kind};
pub use life::{Hand, Life, Slow, Sway};
pub use prng::Prng;
pub use script::{Entry, Fault, Origin, Script, ScriptError, parse_fault};
#[cfg(feature = "daemon")]
pub use server::{MimicError, Options, Protocol, Running, run, start};
pub use supply::{Guard, Holding, OutOfRange, Rating, SupplyModel};

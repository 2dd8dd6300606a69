//! Volts, amperes, areas, densities, charges, lengths, temperatures, as types.
//!
//! What the room is for: every number that has a unit gets a type here, is
//! parsed from what a plater writes ("40 ASF", "2.5 µm", "138 °F") and printed
//! back in metric or US units. It also holds the small things every other room
//! measures with: [`Mono`] (time that comes in as an argument), [`Coulometer`]
//! (the integral of current, in whole microcoulombs), [`Reading`] (what a
//! supply reports at one instant) and [`Document`] (a TOML file read key by
//! key, with the place of everything wrong in it).
//!
//! What it may not know: anything else in the house.
//!
//! Inside, every quantity is an `f64` in the SI base unit (temperature: degC).
//! Parsing never yields NaN or infinity, and never takes a bare number.

mod coulometer;
mod document;
mod mono;
mod nearest;
mod parse;
mod print;
mod reading;
#[cfg(test)]
mod tests;
mod types;
mod unit;

pub use coulometer::{Coulometer, Microcoulombs};
pub use document::{Document, Field, Place, Problem, Quantity, Table};
pub use mono::Mono;
pub use nearest::nearest;
pub use parse::QuantityError;
pub use print::Units;
pub use reading::{Faults, Reading, Regulation};
pub use types::*;
pub use unit::{Dimension, Unit};

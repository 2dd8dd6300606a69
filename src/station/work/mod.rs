//! The daemon's half of the room: one thread per line, one task per station.
//!
//! Control has a thread and a runtime of its own, so that nothing that serves
//! people can keep it waiting. A panic in one station's task is caught there:
//! its supply is switched off through a fresh connection, and the others go on.

mod bath;
mod crew;
mod ear;
mod gang;
mod journal;
mod like;
mod pace;
mod picture;
mod remote;
mod shell;
mod skew;

#[cfg(test)]
mod tests;

pub use bath::{BathSource, Baths};
pub use crew::{Control, Farewell, Parallel, Pulse, Settings, spawn};

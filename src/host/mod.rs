//! The whole of Tankside inside another program, without a command line.
//!
//! What the room is for: reading a config with all that it names, starting the
//! stations with their ledger, minder and HTTP, and ending them in good order.
//! `cli` is one program around it; [`Tankside::builder`] is for the others.
//! What it may not know: arguments, the terminal, signals.

pub(crate) mod access;
mod builder;
mod failure;
mod minder;
pub(crate) mod setup;
mod work;

pub use crate::serve::{PlannedJob, StartWith};
pub use builder::Builder;
pub(crate) use failure::Done;
pub use failure::Failure;
pub use minder::{MinderProgram, minder_if_asked};
pub use work::Tankside;
pub(crate) use work::open_ledger;

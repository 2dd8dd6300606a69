//! The supply: what it is told, what it answers, and how far the answer is believed.
//!
//! What the room is for: framing, dialects (data files), links (serial, TCP,
//! pty), the rules of trust after a time-out, and off. What it may not know:
//! runs, tanks, the ledger. A reply that does not fit its request is an error
//! with the bytes in hex, never a value.
//!
//! Dialects, replies and troubles are pure; everything that touches a port
//! lies in `link` and needs the `daemon` feature.

mod ammeter;
pub mod dialect;
mod help;
#[cfg(feature = "daemon")]
mod link;
pub mod reply;
mod spec;
mod trouble;

pub use ammeter::Ammeter;
pub use dialect::Dialect;
pub use help::{Holder, OpenHelp};
#[cfg(feature = "daemon")]
pub use link::{
    Clock, Commissioning, Device, Found, Identity, Minder, OffReport, Point, ProbeReport, STABLE, Transcript,
    Trial, TrialLoad, Verdict, minder, off_at_port, off_when_free, probe, stable_names,
};
#[cfg(feature = "daemon")]
pub(crate) use link::{Rest, keep_last_word};
pub use spec::{Flow, Parity, Port, Spec, Wiring};
pub use trouble::{Bytes, Trouble, plain};

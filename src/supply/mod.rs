//! The supply: what it is told, what it answers, and how far the answer is believed.
//!
//! What the room is for: framing, dialects (data files), links (serial, TCP,
//! pty), the rules of trust after a time-out, and off. What it may not know:
//! runs, tanks, the ledger. A reply that does not fit its request is an error
//! with the bytes in hex, never a value.
//!
//! Dialects, replies and troubles are pure; everything that touches a port
//! needs the `daemon` feature.

pub mod dialect;
mod help;
pub mod reply;
mod spec;
mod trouble;

pub use dialect::Dialect;
pub use help::{Holder, OpenHelp};
pub use spec::{Parity, Port, Spec};
pub use trouble::{Bytes, Trouble};

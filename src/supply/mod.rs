//! The supply: what it is told, what it answers, and how far the answer is believed.
//!
//! What the room is for: framing, dialects (data files), links (serial, TCP,
//! pty), the rules of trust after a time-out, and off. What it may not know:
//! runs, tanks, the ledger. A reply that does not fit its request is an error
//! with the bytes in hex, never a value.

mod spec;
pub use spec::{Parity, Port, Spec};

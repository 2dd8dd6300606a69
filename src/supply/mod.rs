//! The supply: what it is told, what it answers, and how far the answer is believed.
//!
//! What the room is for: framing, dialects (data files), links (serial, TCP,
//! pty), the rules of trust after a time-out, and off. What it may not know:
//! runs, tanks, the ledger. A reply that does not fit its request is an error
//! with the bytes in hex, never a value.
//!
//! Dialects, replies and troubles are pure; everything that touches a port
//! needs the `daemon` feature.

#[cfg(feature = "daemon")]
mod clock;
#[cfg(feature = "daemon")]
mod device;
pub mod dialect;
mod help;
#[cfg(feature = "daemon")]
mod line;
#[cfg(feature = "daemon")]
pub mod minder;
#[cfg(feature = "daemon")]
mod off;
#[cfg(feature = "daemon")]
mod open;
#[cfg(all(test, feature = "daemon"))]
#[expect(clippy::disallowed_methods, reason = "tests of real ports look into /proc and make files")]
mod port_tests;
#[cfg(feature = "daemon")]
mod probe;
pub mod reply;
mod spec;
#[cfg(feature = "daemon")]
mod talk;
#[cfg(all(test, feature = "daemon"))]
mod tests;
mod trouble;

#[cfg(feature = "daemon")]
pub use clock::Clock;
#[cfg(feature = "daemon")]
pub use device::{Device, Identity};
pub use dialect::Dialect;
pub use help::{Holder, OpenHelp};
#[cfg(feature = "daemon")]
pub use minder::Minder;
#[cfg(feature = "daemon")]
pub use off::{OffReport, off_at_port};
#[cfg(feature = "daemon")]
pub use probe::{Found, ProbeReport, probe};
pub use spec::{Parity, Port, Spec};
pub use trouble::{Bytes, Trouble};

//! The live half of the supply room: ports, time-outs, trust, off.
//!
//! What the folder is for: everything that opens a port or waits. `open.rs`
//! and `tty.rs` know of ports, `line.rs` of text lines and trust, `bus.rs` of lines that
//! need a guard (with `registers.rs` and `tap.rs` for Modbus), `rest.rs` of when to wait and for how long, `talk.rs` of
//! questions and orders, `session.rs` of framings, `device.rs` of what a supply is asked to do; `off.rs`, `minder.rs` and
//! `probe.rs` are small programs over them. What it may not know: how a file
//! is read or a reply is parsed; that is pure and lies above.

mod bus;
mod clock;
mod commission;
mod device;
mod echo;
#[cfg(test)]
mod fake;
mod line;
#[cfg(test)]
mod line_tests;
pub mod minder;
#[cfg(test)]
mod modbus_tests;
mod off;
mod open;
mod phrases;
#[cfg(test)]
#[expect(clippy::disallowed_methods, reason = "tests of real ports look into /proc and make files")]
mod port_tests;
mod probe;
mod record;
mod registers;
mod rest;
mod session;
#[cfg(test)]
mod story_tests;
mod talk;
mod tap;
#[cfg(test)]
mod tests;
mod tty;

use super::{Bytes, Dialect, Flow, Parity, Port, Spec, Trouble, dialect, help, reply, trouble};

pub use clock::Clock;
pub use commission::{Commissioning, Point, Trial, TrialLoad, Verdict};
pub use device::{Device, Identity};
pub use minder::Minder;
pub use off::{OffReport, off_at_port, off_when_free};
pub use open::{STABLE, stable_names};
pub use probe::{Found, ProbeReport, probe};
pub use record::Transcript;
pub(crate) use rest::Rest;
pub(crate) use tty::keep_last_word;

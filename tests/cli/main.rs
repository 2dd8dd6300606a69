//! The verbs as people type them, against a mimic on a pty and a real daemon.
#![cfg(feature = "daemon")]
#![expect(
    clippy::disallowed_methods,
    reason = "a test at the edge: it starts processes, reads files, and looks again until a deadline"
)]

mod alone;
mod rig;
mod served;

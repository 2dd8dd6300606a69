//! The whole program end to end: `tankside serve` as the daemon, `tankside mimic`
//! as a process of its own on a pty, `tankside VERB` as the operator, and the
//! bytes between them. One file per kind of trouble; `hall` starts and asks.
//!
//! Nothing here waits for a time and hopes: it waits for a condition, and a
//! deadline ends the wait. No test measures the machine's speed, except where
//! the safety contract itself names a time.
#![cfg(feature = "daemon")]
#![expect(
    clippy::disallowed_methods,
    reason = "tests from outside need clocks, files and sockets of their own"
)]

mod answers;
mod disk;
mod embed;
mod ends;
#[expect(dead_code, reason = "the benchmarks use the rest of it")]
mod hall;
mod jobs;
mod link;
mod notify;
mod off;
mod ports;
mod rank;
mod runs;
mod scrape;
#[path = "../tools/mod.rs"]
mod tools;
mod watches;
mod words;

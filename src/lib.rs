//! Tankside runs a plating station for a person who plates small parts at a bench.

pub mod bath;
#[cfg(feature = "daemon")]
pub mod cli;
pub mod config;
pub mod deposit;
pub mod draw;
#[cfg(feature = "daemon")]
pub mod ledger;
pub mod mimic;
pub mod part;
pub mod plan;
pub mod process;
pub mod quantity;
pub mod run;
#[cfg(feature = "daemon")]
pub mod serve;
pub mod station;
pub mod supply;
pub mod watch;

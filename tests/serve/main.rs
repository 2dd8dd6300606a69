//! The HTTP side against a fake station and a fake ledger: every route, and
//! everything that a stranger, a careless program or a second operator may send.
#![cfg(feature = "daemon")]

mod access;
mod commands;
mod hostile;
mod once;
mod reads;
mod rig;
mod wire;

//! HTTP: API, metrics, health.
//!
//! What the room is for: showing the published snapshots and the ledger, and
//! passing commands on. What it may not know: `supply`; it cannot touch a port.

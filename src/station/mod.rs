//! Ties one supply, its runs, its watches and the ledger together.
//!
//! What the room is for: one task per station waits for the port, a timer or a
//! command, steps the controller, carries out its actions in order and
//! publishes a [`Snapshot`]. It decides nothing about a run.
//! What it may not know: HTTP, pages, the terminal.

#[cfg(feature = "daemon")]
mod handle;
mod rehearse;
mod replay;
mod snapshot;
#[cfg(feature = "daemon")]
mod work;
#[cfg(feature = "daemon")]
pub use handle::{Ask, Envelope, Handle};
pub use rehearse::{
    JobRehearsal, Rehearsal, Staging, Vessel, Visit, rehearse, rehearse_in, rehearse_job_in, rehearse_with,
};
pub use replay::{
    COLUMNS, CsvError, Raised, Replay, ReplayLoad, ReplayRow, as_csv, as_text, not_at_work, parse_csv, replay,
};
pub use snapshot::{AlarmView, BathView, LinkView, Measured, RaisedCount, Snapshot, TankView};
#[cfg(feature = "daemon")]
pub use work::{BathSource, Baths, Control, Farewell, Parallel, Pulse, Settings, spawn};

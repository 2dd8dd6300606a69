//! Text into checked config, or every problem with its place and remedy.
//!
//! What the room is for: one function, [`load`], that `serve` and `check` both
//! call. What it may not know: how any of it is used, and how files are read
//! (the shell reads them and hands the text in). A bad file never turns into
//! defaults.

mod daemon;
mod model;
mod notify;
mod read;
mod report;
mod upkeep;
mod watches;

#[cfg(feature = "daemon")]
pub(crate) use daemon::STATE;
pub use model::{
    AgitationSensor, Config, Daemon, OnLedgerFailure, Parallel, Station, Tank, TemperatureSource, Tls,
};
pub use notify::{Mqtt, MqttVersion, Notify, OnAlarm, Webhook};
pub use read::load;
pub use report::check_report;

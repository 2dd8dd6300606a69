//! Load, process, tank and supply limits into a worksheet and an order, or the reasons why not.
//!
//! What the room is for: every number is worked out here, before any current
//! flows. What it may not know: readings, the clock, the ledger.

mod order;
pub use order::{BurnEstimate, Control, DepositForecast, Goal, Order};

//! Plots and record pages as SVG and HTML, and the terminal's small trend.
//!
//! What the room is for: numbers in, picture out. What it may not know: where
//! the numbers come from.

#[cfg(feature = "daemon")]
pub mod plot;
#[cfg(feature = "daemon")]
pub mod record;
mod strip;
mod trend;
pub use strip::strip;
pub use trend::trend;

//! The one clock of the shell.

use crate::quantity::Mono;
use tokio::time::Instant;

/// Turns the runtime's monotonic clock into [`Mono`]. Made once by the shell
/// and handed to everything that stamps, so that all stamps share one origin.
#[derive(Clone, Copy, Debug)]
pub struct Clock(Instant);

impl Clock {
    /// A clock whose origin is now.
    #[expect(
        clippy::new_without_default,
        reason = "a default that looks at the clock would hide that it does"
    )]
    pub fn new() -> Self {
        Clock(Instant::now())
    }

    /// Now.
    pub fn now(self) -> Mono {
        self.at(Instant::now())
    }

    /// That instant; the origin if it is earlier.
    pub fn at(self, instant: Instant) -> Mono {
        Mono::ZERO + instant.saturating_duration_since(self.0)
    }
}

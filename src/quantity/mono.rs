//! Time as an argument.

use std::ops::{Add, Sub};
use std::time::Duration;

/// An instant on the monotonic clock: nanoseconds since an origin that the
/// shell chose. There is no `now()`: whoever calls the core says what time it is.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(transparent)]
pub struct Mono(u64);

impl Mono {
    /// The origin.
    pub const ZERO: Mono = Mono(0);

    /// An instant `nanos` nanoseconds after the origin.
    pub const fn from_nanos(nanos: u64) -> Self {
        Mono(nanos)
    }

    /// An instant `millis` milliseconds after the origin.
    pub const fn from_millis(millis: u64) -> Self {
        Mono(millis * 1_000_000)
    }

    /// Nanoseconds since the origin.
    pub const fn nanos(self) -> u64 {
        self.0
    }

    /// Seconds since the origin.
    pub fn seconds(self) -> f64 {
        self.0 as f64 / 1e9
    }

    /// How long after `earlier` this is; zero if it is not after.
    pub fn since(self, earlier: Mono) -> Duration {
        Duration::from_nanos(self.0.saturating_sub(earlier.0))
    }
}

impl Add<Duration> for Mono {
    type Output = Mono;
    fn add(self, by: Duration) -> Mono {
        Mono(self.0.saturating_add(u64::try_from(by.as_nanos()).unwrap_or(u64::MAX)))
    }
}

impl Sub<Duration> for Mono {
    type Output = Mono;
    fn sub(self, by: Duration) -> Mono {
        Mono(self.0.saturating_sub(u64::try_from(by.as_nanos()).unwrap_or(u64::MAX)))
    }
}

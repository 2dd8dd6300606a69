//! A station as seen from here: the last snapshot, and how old it has become.
//!
//! A snapshot says how old its reading was when it was published. If the
//! control loop stops publishing, that age would stand still and an old picture
//! would look fresh; so the time since the last publication is added here, and
//! what can no longer be vouched for is taken out.

use crate::station::{Handle, Snapshot};
use serde::Serialize;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

/// One station that is served.
#[derive(Clone, Debug)]
pub struct Watched {
    /// The way to it.
    pub handle: Handle,
    /// A reading older than this is stale.
    pub stale_after: Duration,
    seen: Arc<Mutex<Seen>>,
}

#[derive(Debug)]
struct Seen {
    seq: u64,
    at: Instant,
    first: Instant,
}

/// A station at the moment of asking.
#[derive(Clone, Debug, Serialize)]
pub struct Look {
    /// The last snapshot, with everything taken out that is no longer true.
    #[serde(flatten)]
    pub snapshot: Snapshot,
    /// Whether the measured values are too old to show.
    pub stale: bool,
    /// Seconds since the control loop last published.
    pub silent_seconds: f64,
    /// Age of the last good reading; before the first, the time we have waited for one.
    pub age_seconds: f64,
    /// A reading older than this is stale.
    pub stale_after_seconds: f64,
}

impl Watched {
    /// Begins to watch. `stale_after` as in the config.
    pub fn new(handle: Handle, stale_after: Duration) -> Watched {
        let now = Instant::now();
        let seq = handle.snapshot().seq;
        Watched { handle, stale_after, seen: Arc::new(Mutex::new(Seen { seq, at: now, first: now })) }
    }

    /// The station now.
    pub fn look(&self) -> Look {
        let snapshot = self.handle.snapshot();
        let now = Instant::now();
        let (silent, waited) = {
            let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
            if seen.seq != snapshot.seq {
                seen.seq = snapshot.seq;
                seen.at = now;
            }
            (now - seen.at, now - seen.first)
        };
        let mut look = Look::at(&snapshot, silent, waited, self.stale_after);
        // Before the first publication the snapshot has no name yet.
        look.snapshot.station = self.handle.name().into();
        look
    }

    /// Notes the moment of every publication; ends with the station.
    pub(super) async fn follow(self, poll_seconds: prometheus::Histogram) {
        let mut publications = self.handle.subscribe();
        while publications.changed().await.is_ok() {
            let snapshot = publications.borrow_and_update().clone();
            for seconds in &snapshot.poll_seconds {
                poll_seconds.observe(*seconds);
            }
            self.look();
        }
    }

    /// Whether control stepped lately: within five seconds, or the stale time if that is longer.
    pub fn alive(&self, look: &Look) -> bool {
        look.silent_seconds <= silence_limit(self.stale_after)
    }
}

/// A control loop that has published nothing for this long is taken for stuck.
/// It publishes each second at least; one exchange with a supply that does not
/// answer may keep it for a few more.
const SILENCE: Duration = Duration::from_secs(5);

fn silence_limit(stale_after: Duration) -> f64 {
    stale_after.max(SILENCE).as_secs_f64()
}

impl Look {
    /// The same for those who draw no trend: a tenth of the bytes.
    #[must_use]
    pub(super) fn without_trend(mut self) -> Look {
        self.snapshot.trend = Vec::new();
        self
    }

    /// The snapshot as it must be shown when it was published `silent` ago.
    pub fn at(snapshot: &Snapshot, silent: Duration, waited: Duration, stale_after: Duration) -> Look {
        let mut snapshot = snapshot.clone();
        let age = snapshot.reading_age_seconds.map(|age| age + silent.as_secs_f64());
        snapshot.reading_age_seconds = age;
        let stale = age.is_none_or(|age| age > stale_after.as_secs_f64()) || snapshot.measured.is_none();
        if stale {
            snapshot.measured = None;
            snapshot.no_current_seconds = None;
            snapshot.run.burn_margin_ratio = None;
            snapshot.run.burn_margin = None;
            snapshot.run.burn_level_volts = None;
        }
        if silent.as_secs_f64() > silence_limit(stale_after) {
            snapshot.output_known = false;
            snapshot.link.up = false;
            snapshot.link.trouble = Some(format!(
                "the control loop of this station has said nothing for {:.0} s; go to the supply and look at it",
                silent.as_secs_f64()
            ));
        }
        if !snapshot.output_known {
            snapshot.output_on = None;
        }
        Look {
            stale,
            silent_seconds: silent.as_secs_f64(),
            age_seconds: age.unwrap_or(waited.as_secs_f64()),
            stale_after_seconds: stale_after.as_secs_f64(),
            snapshot,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::{LinkView, Measured};

    fn fresh() -> Snapshot {
        Snapshot {
            measured: Some(Measured { volts: 3.0, amperes: 2.0, regulation: Some("current") }),
            reading_age_seconds: Some(0.1),
            output_known: true,
            output_on: Some(true),
            link: LinkView { up: true, ..LinkView::default() },
            ..Snapshot::default()
        }
    }

    const STALE: Duration = Duration::from_secs(1);

    #[test]
    fn old_picture_of_a_stuck_control_loop_does_not_look_fresh() {
        let look = Look::at(&fresh(), Duration::from_secs(6), Duration::from_secs(60), STALE);
        assert!(look.stale && look.snapshot.measured.is_none());
        assert!(!look.snapshot.output_known && look.snapshot.output_on.is_none() && !look.snapshot.link.up);
        assert!((look.age_seconds - 6.1).abs() < 1e-9);
    }

    #[test]
    fn fresh_reading_is_shown() {
        let look = Look::at(&fresh(), Duration::from_millis(200), Duration::from_secs(60), STALE);
        assert!(!look.stale && look.snapshot.measured.is_some() && look.snapshot.output_on == Some(true));
    }

    #[test]
    fn before_the_first_reading_the_age_is_the_time_waited() {
        let look = Look::at(&Snapshot::default(), Duration::ZERO, Duration::from_secs(7), STALE);
        assert!(look.stale);
        assert!((look.age_seconds - 7.0).abs() < 1e-9);
    }
}

//! Suspends and steps of the wall clock.
//!
//! The runtime's monotonic clock stands still while the machine is suspended,
//! but the supply goes on: so the time slept through is added to every instant
//! that the controller sees, and shows there as a gap that was not observed.

use crate::quantity::Mono;
use nix::time::{ClockId, clock_gettime};
use std::time::Duration;

/// Less than this is drift or the wait between two reads of the clocks.
const NOTABLE: f64 = 1.0;

/// Seconds on the three clocks of the machine, read at one moment.
#[derive(Clone, Copy, Debug)]
pub(super) struct Clocks {
    /// Does not count suspends.
    pub monotonic: f64,
    /// Counts them.
    pub boot: f64,
    /// Can be set.
    pub wall: f64,
}

impl Clocks {
    /// Now, or `None` where the system does not say.
    pub fn read() -> Option<Clocks> {
        let seconds = |id| clock_gettime(id).ok().map(|t| Duration::from(t).as_secs_f64());
        #[cfg(target_os = "linux")]
        let boot = ClockId::CLOCK_BOOTTIME;
        #[cfg(not(target_os = "linux"))]
        let boot = ClockId::CLOCK_MONOTONIC;
        Some(Clocks {
            monotonic: seconds(ClockId::CLOCK_MONOTONIC)?,
            boot: seconds(boot)?,
            wall: seconds(ClockId::CLOCK_REALTIME)?,
        })
    }
}

#[derive(Debug, Default)]
pub(super) struct Skew {
    last: Option<Clocks>,
    slept: Duration,
}

impl Skew {
    /// Compares the clocks with the last time; what is worth an event, if anything.
    pub fn check(&mut self, now: Option<Clocks>) -> Option<String> {
        let last = self.last.replace(now?)?;
        let now = self.last?;
        let passed = now.monotonic - last.monotonic;
        let slept = (now.boot - last.boot) - passed;
        let stepped = (now.wall - last.wall) - (now.boot - last.boot);
        let mut said = Vec::new();
        if slept >= NOTABLE {
            self.slept += Duration::from_secs_f64(slept);
            said.push(format!(
                "the machine was suspended for {slept:.0} s; what the supply did meanwhile was not observed"
            ));
        }
        if stepped.abs() >= NOTABLE {
            said.push(format!(
                "the wall clock was set {} by {:.0} s",
                if stepped > 0.0 { "forward" } else { "back" },
                stepped.abs()
            ));
        }
        (!said.is_empty()).then(|| said.join("; "))
    }

    /// The instant with the time slept through.
    pub fn awake(&self, at: Mono) -> Mono {
        at + self.slept
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(monotonic: f64, boot: f64, wall: f64) -> Option<Clocks> {
        Some(Clocks { monotonic, boot, wall })
    }

    #[test]
    fn suspend_is_a_gap_and_not_a_step_of_the_wall_clock() {
        let mut skew = Skew::default();
        assert_eq!(skew.check(at(10.0, 10.0, 1000.0)), None);
        assert_eq!(skew.check(at(11.0, 11.0, 1001.01)), None);
        let said = skew.check(at(12.0, 42.0, 1032.0)).unwrap();
        assert!(said.contains("suspended for 30 s") && !said.contains("wall"), "{said}");
        assert_eq!(skew.awake(Mono::from_millis(2_000)), Mono::from_millis(32_000));
    }

    #[test]
    fn step_of_the_wall_clock_moves_no_duration() {
        let mut skew = Skew::default();
        skew.check(at(10.0, 10.0, 1000.0));
        assert_eq!(skew.check(at(11.0, 11.0, 901.0)).unwrap(), "the wall clock was set back by 100 s");
        assert_eq!(skew.awake(Mono::from_millis(7)), Mono::from_millis(7));
    }

    #[test]
    fn machine_tells_its_clocks() {
        let clocks = Clocks::read().unwrap();
        assert!(clocks.boot >= clocks.monotonic - 0.1 && clocks.wall > 1e9);
    }
}

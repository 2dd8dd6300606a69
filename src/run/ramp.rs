//! Bringing a setpoint up, and down, gently.

use std::time::Duration;

/// The longest stretch of time one good reading may carry the ramp: after a
/// silence the ramp goes on from where it was, it does not jump.
const MOST_PER_READING: Duration = Duration::from_millis(500);

/// A setpoint on its way to a target, never faster than its slope.
///
/// The number is in the unit of what is controlled: amperes or volts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Ramp {
    at: f64,
    target: f64,
    per_second: f64,
    least_step: f64,
    saved: Duration,
}

impl Ramp {
    /// From `from` up or down to `target`. Steps smaller than 1/200 of the
    /// way are saved up, so that a supply is not written to for nothing.
    pub fn new(from: f64, target: f64, per_second: f64) -> Self {
        Ramp {
            at: from,
            target,
            per_second: per_second.abs(),
            least_step: (target - from).abs() / 200.0,
            saved: Duration::ZERO,
        }
    }

    /// The setpoint after `dt` more of good readings; `None` while the step is too small to write.
    pub fn advance(&mut self, dt: Duration) -> Option<f64> {
        self.saved = (self.saved + dt).min(MOST_PER_READING);
        let room = self.per_second * self.saved.as_secs_f64();
        let missing = self.target - self.at;
        let next = if missing.abs() <= room { self.target } else { self.at + room.copysign(missing) };
        let arrives = next == self.target;
        if next == self.at || (!arrives && (next - self.at).abs() < self.least_step) {
            return None;
        }
        self.at = next;
        self.saved = Duration::ZERO;
        Some(next)
    }

    /// Where it is.
    pub fn at(&self) -> f64 {
        self.at
    }

    /// Where it is going.
    pub fn target(&self) -> f64 {
        self.target
    }

    /// Whether the target is reached.
    pub fn done(&self) -> bool {
        self.at == self.target
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn never_steeper_than_its_slope_and_never_beyond_its_target() {
        let mut ramp = Ramp::new(0.0, 2.8, 0.14);
        for n in 1..=200 {
            ramp.advance(Duration::from_millis(200));
            let most = (0.14 * 0.2 * f64::from(n)).min(2.8);
            assert!(ramp.at() <= most + 1e-12, "{} after {n} readings", ramp.at());
        }
        assert!(ramp.done());
        assert_eq!(ramp.at(), 2.8);
    }

    #[test]
    fn a_long_silence_does_not_become_a_jump() {
        let mut ramp = Ramp::new(0.0, 10.0, 1.0);
        assert_eq!(ramp.advance(Duration::from_secs(60)), Some(0.5));
    }

    #[test]
    fn steps_too_small_to_write_are_saved_up_not_lost() {
        let mut ramp = Ramp::new(0.0, 10.0, 0.2);
        let steps: Vec<_> = (0..4).filter_map(|_| ramp.advance(Duration::from_millis(100))).collect();
        assert_eq!(steps.len(), 1);
        assert!((ramp.at() - 0.06).abs() < 1e-12, "{}", ramp.at());
    }

    #[test]
    fn goes_down_as_well() {
        let mut ramp = Ramp::new(3.0, 0.0, 10.0);
        assert_eq!(ramp.advance(Duration::from_millis(200)), Some(1.0));
        assert_eq!(ramp.advance(Duration::from_millis(200)), Some(0.0));
        assert!(ramp.done());
    }
}

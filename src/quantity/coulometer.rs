//! The integral of current.

use super::{Amps, Charge, Mono};
use std::ops::{Add, AddAssign, Sub};
use std::time::Duration;

/// Charge as an integer, so that sums are exact and the same on every machine.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(transparent)]
pub struct Microcoulombs(pub i64);

impl Microcoulombs {
    /// None.
    pub const ZERO: Microcoulombs = Microcoulombs(0);

    /// As a quantity.
    pub fn charge(self) -> Charge {
        Charge::new(self.0 as f64 / 1e6)
    }

    /// The nearest whole microcoulomb; saturates.
    pub fn from_charge(charge: Charge) -> Self {
        Microcoulombs((charge.get() * 1e6).round() as i64)
    }
}

impl Add for Microcoulombs {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Microcoulombs(self.0.saturating_add(other.0))
    }
}
impl Sub for Microcoulombs {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Microcoulombs(self.0.saturating_sub(other.0))
    }
}
impl AddAssign for Microcoulombs {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

/// Integrates current over time: trapezoids between readings, nothing over a
/// gap longer than `max_gap`, and a level step where we changed the setpoint
/// ourselves (see [`Coulometer::changed`]).
///
/// Sums are kept in microampere-nanoseconds (`i128`), so no charge is lost to
/// rounding however long the run.
#[derive(Clone, Debug)]
pub struct Coulometer {
    max_gap: Duration,
    /// Twice the integral, microampere-nanoseconds: a trapezoid's half is taken once, at the end.
    twice: i128,
    unobserved: Duration,
    last: Option<Point>,
    change: Option<Mono>,
}

#[derive(Clone, Copy, Debug)]
struct Point {
    at: Mono,
    microamps: i64,
}

impl Coulometer {
    /// A coulometer at zero. Over a gap longer than `max_gap` nothing is added.
    pub fn new(max_gap: Duration) -> Self {
        Coulometer { max_gap, twice: 0, unobserved: Duration::ZERO, last: None, change: None }
    }

    /// Takes one measurement. Measurements that are not newer than the last are ignored.
    ///
    /// A negative current (meter noise at zero) counts as none: charge never falls.
    pub fn measure(&mut self, at: Mono, amps: Amps) {
        let microamps = (amps.get() * 1e6).round().clamp(0.0, 1e15) as i64;
        let now = Point { at, microamps };
        let Some(last) = self.last else {
            self.last = Some(now);
            self.change = None;
            return;
        };
        if at <= last.at {
            return;
        }
        let gap = at.since(last.at);
        if gap > self.max_gap {
            self.unobserved += gap;
        } else {
            let (a, b) = (i128::from(last.microamps), i128::from(now.microamps));
            let whole = gap.as_nanos() as i128;
            self.twice += match self.change {
                Some(t) if t >= last.at && t < at => {
                    let before = t.since(last.at).as_nanos() as i128;
                    2 * (a * before + b * (whole - before))
                }
                _ => (a + b) * whole,
            };
        }
        self.last = Some(now);
        self.change = None;
    }

    /// Says that we changed the setpoint or the output at `at`: the current is
    /// taken to have stood at the reading before until then, and at the reading
    /// after from then on. Of several changes between two readings the last counts.
    pub fn changed(&mut self, at: Mono) {
        if self.last.is_some_and(|last| at >= last.at) {
            self.change = Some(at);
        }
    }

    /// Forgets the last reading, so that the time up to the next one is not
    /// counted as anything: the output was off.
    pub fn rest(&mut self) {
        self.last = None;
        self.change = None;
    }

    /// Says that current may have flowed from the last reading until `now` without
    /// anybody seeing it: counted as unobserved time, never as charge.
    pub fn unobserved_until(&mut self, now: Mono) {
        if let Some(last) = self.last.take() {
            self.unobserved += now.since(last.at);
        }
        self.change = None;
    }

    /// Says that current may have flowed for so much longer without anybody seeing it.
    pub fn unobserved_for(&mut self, more: Duration) {
        self.unobserved += more;
    }

    /// Says that the current, as last read, stood until `from`, and that nobody saw what flowed from then until `now`:
    /// that is unobserved time, never charge. Where the last reading is newer than `from`, from that on; where it showed
    /// no current, there is nothing to see.
    pub fn unobserved_from(&mut self, from: Mono, now: Mono) {
        let Some(last) = self.last else { return };
        if last.microamps == 0 {
            return self.changed(now);
        }
        self.measure(from, Amps::new(last.microamps as f64 / 1e6));
        self.unobserved_until(now);
    }

    /// The charge so far. Never falls.
    pub fn charge(&self) -> Microcoulombs {
        Microcoulombs(i64::try_from(self.twice / 2_000_000_000).unwrap_or(i64::MAX))
    }

    /// The charge there will be at `at` if the current stays as last read.
    pub fn projected(&self, at: Mono) -> Microcoulombs {
        let more = self
            .last
            .filter(|last| at > last.at)
            .map_or(0, |last| 2 * i128::from(last.microamps) * at.since(last.at).as_nanos() as i128);
        Microcoulombs(i64::try_from((self.twice + more) / 2_000_000_000).unwrap_or(i64::MAX))
    }

    /// When `target` will be reached if the current stays as last read; `None`
    /// if nothing flows. Not before the last reading.
    pub fn reaches(&self, target: Microcoulombs) -> Option<Mono> {
        let last = self.last?;
        let missing = i128::from(target.0) * 2_000_000_000 - self.twice;
        if missing <= 0 {
            return Some(last.at);
        }
        if last.microamps <= 0 {
            return None;
        }
        let nanos = missing / (2 * i128::from(last.microamps));
        Some(last.at + Duration::from_nanos(u64::try_from(nanos).unwrap_or(u64::MAX)))
    }

    /// Time over which current was commanded but not observed.
    pub fn unobserved(&self) -> Duration {
        self.unobserved
    }

    /// What the last measurement was.
    pub fn last_amps(&self) -> Option<Amps> {
        self.last.map(|p| Amps::new(p.microamps as f64 / 1e6))
    }

    /// When the last measurement was taken.
    pub fn last_at(&self) -> Option<Mono> {
        self.last.map(|p| p.at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GAP: Duration = Duration::from_secs(2);

    fn amps(a: f64) -> Amps {
        Amps::new(a)
    }

    #[test]
    fn one_ampere_for_one_hour_is_3600_coulombs() {
        let mut c = Coulometer::new(GAP);
        for ms in (0..=3_600_000).step_by(200) {
            c.measure(Mono::from_millis(ms), amps(1.0));
        }
        assert_eq!(c.charge(), Microcoulombs(3_600_000_000));
        assert_eq!(c.unobserved(), Duration::ZERO);
    }

    #[test]
    fn what_flowed_until_a_late_word_is_not_charge() {
        let mut c = Coulometer::new(GAP);
        c.measure(Mono::from_millis(0), amps(2.0));
        c.unobserved_from(Mono::from_millis(100), Mono::from_millis(1100));
        assert_eq!((c.charge(), c.unobserved()), (Microcoulombs(200_000), Duration::from_secs(1)));
        // What is read later counts from then on.
        c.measure(Mono::from_millis(1200), amps(2.0));
        c.measure(Mono::from_millis(1700), amps(2.0));
        assert_eq!(c.charge(), Microcoulombs(1_200_000));
        // A reading after the command says that it still flowed then; one of nothing, that nothing did.
        c.unobserved_from(Mono::from_millis(1600), Mono::from_millis(2000));
        assert_eq!((c.charge(), c.unobserved()), (Microcoulombs(1_200_000), Duration::from_millis(1300)));
        c.measure(Mono::from_millis(2100), amps(0.0));
        c.unobserved_from(Mono::from_millis(2100), Mono::from_millis(3000));
        assert_eq!(c.unobserved(), Duration::from_millis(1300));
    }

    #[test]
    fn nothing_is_invented_over_a_gap() {
        let mut c = Coulometer::new(GAP);
        c.measure(Mono::from_millis(0), amps(2.0));
        c.measure(Mono::from_millis(1000), amps(2.0));
        c.measure(Mono::from_millis(11_000), amps(2.0));
        assert_eq!(c.charge(), Microcoulombs(2_000_000));
        assert_eq!(c.unobserved(), Duration::from_secs(10));
    }

    #[test]
    fn own_change_between_readings_is_a_step_not_a_slope() {
        let mut c = Coulometer::new(GAP);
        c.measure(Mono::from_millis(0), amps(4.0));
        c.changed(Mono::from_millis(150));
        c.measure(Mono::from_millis(200), amps(0.0));
        assert_eq!(c.charge(), Microcoulombs(600_000));
    }

    #[test]
    fn reaches_is_when_the_target_is_hit() {
        let mut c = Coulometer::new(GAP);
        c.measure(Mono::from_millis(0), amps(2.0));
        let at = c.reaches(Microcoulombs(1_000_000)).unwrap();
        assert_eq!(at, Mono::from_millis(500));
        assert_eq!(c.projected(at), Microcoulombs(1_000_000));
    }

    #[test]
    fn noise_below_zero_and_repeated_readings_add_nothing() {
        let mut c = Coulometer::new(GAP);
        c.measure(Mono::from_millis(100), amps(-0.01));
        c.measure(Mono::from_millis(100), amps(5.0));
        c.measure(Mono::from_millis(50), amps(5.0));
        c.measure(Mono::from_millis(300), amps(-0.01));
        assert_eq!(c.charge(), Microcoulombs::ZERO);
    }
}

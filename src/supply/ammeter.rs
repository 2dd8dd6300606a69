//! What a check against a shunt or a reference meter found of a supply's ammeter.
//!
//! Amperes are corrected once, where readings enter the station; whatever sees
//! them later sees true amperes. Setpoints are turned back the same way, so
//! that the true current is the one asked for and a setpoint reported back
//! still compares like with like. That takes the supply to regulate by the same
//! shunt that it measures with (common practice, no source).

use crate::quantity::{Amps, Reading};

/// A pair may lie this far off the line, as a share of the greatest current. Common practice, no source.
const STRAY: f64 = 0.005;

/// The record of a check.
#[derive(Clone, Debug, PartialEq)]
pub struct Ammeter {
    /// True amperes for each that the supply shows.
    pub gain: f64,
    /// True amperes, beside that.
    pub offset: Amps,
    /// The day of the check, `YYYY-MM-DD`.
    pub checked: String,
    /// The day from which it no longer counts, `YYYY-MM-DD`.
    pub due: String,
    /// Who did it.
    pub by: String,
    /// Against what.
    pub against: String,
}

impl Ammeter {
    /// The gains that are a correction; beyond them the meter is broken or the wrong one was read.
    pub const GAIN: std::ops::RangeInclusive<f64> = 0.9..=1.1;

    /// True amperes for what the supply shows. Nothing stays nothing: a meter at rest shows no offset.
    pub fn truth(&self, shown: Amps) -> Amps {
        if shown == Amps::ZERO { shown } else { shown * self.gain + self.offset }
    }

    /// What the supply must be told for true amperes; never below nothing, and nothing for nothing.
    pub fn told(&self, truth: Amps) -> Amps {
        if truth.is_positive() { ((truth - self.offset) / self.gain).max(Amps::ZERO) } else { Amps::ZERO }
    }

    /// A reading of the supply in true amperes.
    pub fn corrected(&self, r: Reading) -> Reading {
        Reading { amps: self.truth(r.amps), set_amps: r.set_amps.map(|a| self.truth(a)), ..r }
    }

    /// Why it no longer counts on that day (`YYYY-MM-DD`), if so.
    pub fn overdue(&self, supply: &str, today: &str) -> Option<String> {
        // Days written like this sort as text.
        (today >= self.due.as_str()).then(|| {
            format!(
                "the check of the ammeter of the supply on {supply} was due on {}: charge and thickness still use \
                 what was found on {}; check it anew",
                self.due, self.checked
            )
        })
    }

    /// Whether the text is a day as `YYYY-MM-DD`.
    pub fn is_day(text: &str) -> bool {
        let parts: Vec<&str> = text.split('-').collect();
        let [year, month, day] = parts[..] else { return false };
        let digits = |s: &str, n: usize| {
            (s.len() == n && s.bytes().all(|b| b.is_ascii_digit())).then(|| s.parse::<u32>().ok()).flatten()
        };
        let (Some(year), Some(month), Some(day)) = (digits(year, 4), digits(month, 2), digits(day, 2)) else {
            return false;
        };
        let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
        let days = match month {
            4 | 6 | 9 | 11 => 30,
            2 if leap => 29,
            2 => 28,
            1..=12 => 31,
            _ => 0,
        };
        (1..=days).contains(&day)
    }

    /// Gain and offset of the line through pairs of what the supply showed and what the reference showed, by least squares.
    ///
    /// # Errors
    /// Why the pairs make no line, and what to do.
    pub fn line_through(pairs: &[(Amps, Amps)]) -> Result<(f64, Amps), (String, &'static str)> {
        let n = pairs.len() as f64;
        if pairs.len() < 3 {
            return Err((
                format!("{} pairs prove nothing: any two lie on a line", pairs.len()),
                "write three or more, spread over the currents that are used",
            ));
        }
        let most = pairs.iter().map(|p| p.0).fold(Amps::ZERO, Amps::max);
        let least = pairs.iter().map(|p| p.0).fold(most, Amps::min);
        if most - least < most * 0.5 {
            return Err((
                format!("{least} to {most} is too narrow to tell a gain from an offset"),
                "take pairs from a fifth of the largest current up to it",
            ));
        }
        let (mean_x, mean_y) = (
            pairs.iter().map(|p| p.0.get()).sum::<f64>() / n,
            pairs.iter().map(|p| p.1.get()).sum::<f64>() / n,
        );
        let (mut xx, mut xy) = (0.0, 0.0);
        for (x, y) in pairs {
            xx += (x.get() - mean_x).powi(2);
            xy += (x.get() - mean_x) * (y.get() - mean_y);
        }
        let gain = xy / xx;
        let offset = Amps::new(mean_y - gain * mean_x);
        let stray = |(x, y): &(Amps, Amps)| (*x * gain + offset - *y).abs();
        let strays = pairs.iter().map(stray).enumerate();
        if let Some((at, far)) = strays.max_by(|a, b| a.1.get().total_cmp(&b.1.get()))
            && far > most * STRAY
        {
            return Err((
                format!("pair {} is {far} off the line through all", at + 1),
                "read it again, once the current stands still; if it stays, the meter does not go straight",
            ));
        }
        if !Self::GAIN.contains(&gain) {
            return Err((
                format!("a gain of {gain:.4} is no correction"),
                "was the supply's reading written first, and the reference second, in the same unit?",
            ));
        }
        Ok((gain, offset))
    }
}

impl std::fmt::Display for Ammeter {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let sign = if self.offset < Amps::ZERO { '-' } else { '+' };
        write!(
            f,
            "amperes corrected by {:.4} x shown {sign} {}, checked {} by {} against {}, due {}",
            self.gain,
            self.offset.abs(),
            self.checked,
            self.by,
            self.against,
            self.due
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn amps(pairs: &[(f64, f64)]) -> Vec<(Amps, Amps)> {
        pairs.iter().map(|(x, y)| (Amps::new(*x), Amps::new(*y))).collect()
    }

    fn meter(gain: f64, offset: f64) -> Ammeter {
        Ammeter {
            gain,
            offset: Amps::new(offset),
            checked: "2026-11-01".into(),
            due: "2027-11-01".into(),
            by: "Ada".into(),
            against: "shunt 50 mV / 10 A".into(),
        }
    }

    #[test]
    fn line_is_found_and_a_slip_is_not_averaged_away() {
        // Worked by hand: means 3 and 3.011; slope 10.03/10; offset 3.011 - 3.009.
        let (gain, offset) = Ammeter::line_through(&amps(&[
            (1.0, 1.005),
            (2.0, 2.008),
            (3.0, 3.011),
            (4.0, 4.014),
            (5.0, 5.017),
        ]))
        .unwrap();
        assert!((gain - 1.003).abs() < 1e-12 && (offset.get() - 0.002).abs() < 1e-12, "{gain} {offset}");
        // One of which does not lie on the line: of (1, 1), (2, 2), (3, 3.02) it is slope 1.01, offset -0.04/3.
        let (gain, offset) = Ammeter::line_through(&amps(&[(1.0, 1.0), (2.0, 2.0), (3.0, 3.02)])).unwrap();
        assert!((gain - 1.01).abs() < 1e-12 && (offset.get() + 0.04 / 3.0).abs() < 1e-12, "{gain} {offset}");
        let slip =
            Ammeter::line_through(&amps(&[(1.0, 1.0), (2.0, 2.2), (3.0, 3.0), (4.0, 4.0)])).unwrap_err().0;
        assert!(slip.starts_with("pair 2 is "), "{slip}");
    }

    #[test]
    fn pairs_that_prove_nothing_are_refused() {
        for (pairs, said) in [
            (&[][..], "prove nothing"),
            (&[(1.0, 1.0), (2.0, 2.0)], "prove nothing"),
            (&[(2.0, 2.0), (2.0, 2.0), (2.0, 2.0)], "too narrow"),
            (&[(9.0, 9.0), (9.5, 9.5), (10.0, 10.0)], "too narrow"),
            (&[(1.0, 2.0), (2.0, 4.0), (3.0, 6.0)], "no correction"),
        ] {
            let why = Ammeter::line_through(&amps(pairs)).unwrap_err().0;
            assert!(why.contains(said), "{pairs:?}: {why}");
        }
    }

    #[test]
    fn what_is_told_comes_back_as_what_was_asked_for() {
        for meter in [meter(1.003, 0.002), meter(0.95, -0.01), meter(1.1, 0.0)] {
            for truth in [0.05, 0.5, 2.8, 10.0].map(Amps::new) {
                assert!((meter.truth(meter.told(truth)) - truth).abs() < Amps::new(1e-12));
            }
            assert_eq!((meter.told(Amps::ZERO), meter.truth(Amps::ZERO)), (Amps::ZERO, Amps::ZERO));
        }
        assert_eq!(meter(1.0, 0.02).told(Amps::new(0.01)), Amps::ZERO, "never below nothing");
    }

    #[test]
    fn day_that_is_none_is_refused_and_the_due_day_itself_is_overdue() {
        for good in ["2026-11-01", "2024-02-29", "2000-02-29", "2026-12-31"] {
            assert!(Ammeter::is_day(good), "{good}");
        }
        for bad in ["", "2026-02-29", "1900-02-29", "2026-13-01", "2026-00-10", "2026-04-31", "2026-1-1"] {
            assert!(!Ammeter::is_day(bad), "{bad}");
        }
        for bad in ["26-11-01", "2026-11-00", "2026/11/01", "2026-11-01T00", "+026-11-01"] {
            assert!(!Ammeter::is_day(bad), "{bad}");
        }
        assert_eq!(meter(1.0, 0.0).overdue("/dev/x", "2027-10-31"), None);
        assert!(
            meter(1.0, 0.0).overdue("/dev/x", "2027-11-01").unwrap().contains("/dev/x was due on 2027-11-01")
        );
    }
}

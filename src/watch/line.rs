//! What this load's volts should be at a given current, learned in the ramp.

use crate::quantity::{Amps, Volts};

/// Share of the logarithmic part: volts per e-fold of current, fixed because a ramp
/// cannot tell it from the straight part (fitted values on simulated nickel cells: 0.06-0.09 V).
const LOG_VOLTS: f64 = 0.075;

/// A straight line of volts over amperes with a fixed logarithmic part, by least squares.
#[derive(Clone, Debug, Default)]
pub(crate) struct LoadLine {
    n: f64,
    sum_i: f64,
    sum_ii: f64,
    sum_v: f64,
    sum_iv: f64,
    sum_vv: f64,
    least: f64,
    most: f64,
}

/// A fitted line with one-sigma uncertainties.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FittedLine {
    /// Volts at no current, logarithmic part left out.
    pub zero_volts: f64,
    /// Its standard error.
    pub zero_error: f64,
    /// Ohms.
    pub slope: f64,
    /// Its standard error.
    pub slope_error: f64,
}

impl LoadLine {
    /// Takes one reading of the ramp: not in voltage limit, and above 8 % of the setpoint.
    pub fn learn(&mut self, volts: Volts, amps: Amps) {
        let (i, v) = (amps.get(), volts.get());
        if !(i > 0.0 && i.is_finite() && v.is_finite()) {
            return;
        }
        let v = v - LOG_VOLTS * i.ln();
        self.least = if self.n == 0.0 { i } else { self.least.min(i) };
        self.most = self.most.max(i);
        self.n += 1.0;
        self.sum_i += i;
        self.sum_ii += i * i;
        self.sum_v += v;
        self.sum_iv += i * v;
        self.sum_vv += v * v;
    }

    /// The line, once there is enough to go by: 12 readings over a span of 1.5 to 1, and a rising slope.
    pub fn fitted(&self) -> Option<FittedLine> {
        if self.n < 12.0 || self.most <= 1.5 * self.least {
            return None;
        }
        let det = self.n * self.sum_ii - self.sum_i * self.sum_i;
        if det <= 0.0 {
            return None;
        }
        let slope = (self.n * self.sum_iv - self.sum_i * self.sum_v) / det;
        let zero = (self.sum_v - slope * self.sum_i) / self.n;
        let squares = self.sum_vv - zero * self.sum_v - slope * self.sum_iv;
        let variance = squares.max(0.0) / (self.n - 2.0);
        (slope > 0.0).then(|| FittedLine {
            zero_volts: zero,
            zero_error: (variance * self.sum_ii / det).sqrt(),
            slope,
            slope_error: (variance * self.n / det).sqrt(),
        })
    }

    /// The volts to expect at `amps`. Without a fit a weak line stands in.
    pub fn volts_at(&self, amps: Amps, setpoint: Amps) -> Volts {
        let i = amps.get().max(0.0);
        match self.fitted() {
            Some(line) if i > 0.0 => line.volts_at(amps),
            _ => LoadLine::weak(amps, setpoint),
        }
    }

    /// Where no line was learned: 0.3 V at no current and 1 V at the setpoint.
    pub fn weak(amps: Amps, setpoint: Amps) -> Volts {
        Volts::new(0.3 + 0.7 * amps.get().max(0.0) / setpoint.get().max(1e-9))
    }
}

impl FittedLine {
    /// The volts to expect at `amps` (more than none).
    pub fn volts_at(&self, amps: Amps) -> Volts {
        let i = amps.get();
        Volts::new(self.zero_volts + self.slope * i + LOG_VOLTS * i.ln())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_load_is_learned() {
        let mut line = LoadLine::default();
        for k in 1..=20 {
            let i = 0.15 * f64::from(k);
            line.learn(Volts::new(1.4 + 0.87 * i + LOG_VOLTS * i.ln()), Amps::new(i));
        }
        let fit = line.fitted().unwrap();
        assert!((fit.zero_volts - 1.4).abs() < 1e-9 && (fit.slope - 0.87).abs() < 1e-9, "{fit:?}");
        assert!(fit.slope_error < 1e-6);
    }

    #[test]
    fn noise_shows_as_uncertainty() {
        let mut line = LoadLine::default();
        for k in 1..=40 {
            let i = 0.07 * f64::from(k);
            let noise = if k % 2 == 0 { 0.02 } else { -0.02 };
            line.learn(Volts::new(1.4 + 0.87 * i + LOG_VOLTS * i.ln() + noise), Amps::new(i));
        }
        let fit = line.fitted().unwrap();
        assert!((fit.slope - 0.87).abs() < 3.0 * fit.slope_error && fit.slope_error > 1e-3, "{fit:?}");
    }

    #[test]
    fn too_few_readings_or_too_narrow_a_span_fit_nothing() {
        let mut line = LoadLine::default();
        for _ in 0..50 {
            line.learn(Volts::new(3.0), Amps::new(2.0));
        }
        assert_eq!(line.fitted(), None);
        assert!((line.volts_at(Amps::new(2.0), Amps::new(2.0)).get() - 1.0).abs() < 1e-12);
    }
}

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
    least: f64,
    most: f64,
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
    }

    /// Zero-current volts and slope in ohms, once there is enough to go by.
    pub fn fitted(&self) -> Option<(f64, f64)> {
        if self.n < 12.0 || self.most <= 1.5 * self.least {
            return None;
        }
        let det = self.n * self.sum_ii - self.sum_i * self.sum_i;
        if det <= 0.0 {
            return None;
        }
        let slope = (self.n * self.sum_iv - self.sum_i * self.sum_v) / det;
        let zero = (self.sum_v - slope * self.sum_i) / self.n;
        (slope > 0.0).then_some((zero, slope))
    }

    /// The volts to expect at `amps`. Without a fit a weak line stands in:
    /// 0.3 V at no current and 1 V at the setpoint.
    pub fn volts_at(&self, amps: Amps, setpoint: Amps) -> Volts {
        let i = amps.get().max(0.0);
        Volts::new(match self.fitted() {
            Some((zero, slope)) if i > 0.0 => zero + slope * i + LOG_VOLTS * i.ln(),
            _ => 0.3 + 0.7 * i / setpoint.get().max(1e-9),
        })
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
        let (zero, slope) = line.fitted().unwrap();
        assert!((zero - 1.4).abs() < 1e-9 && (slope - 0.87).abs() < 1e-9, "{zero} {slope}");
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

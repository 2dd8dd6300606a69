//! What a thermometer takes out of the volts, and when it is not to be believed.
//!
//! A thermostat's swing is taken out, and no more than that: a bath that really
//! cools must show as drift, thermometer or not.

use crate::quantity::Temperature;

/// The thermometer lags the solution at the part by about this, s.
const LAG: f64 = 15.0;
/// Change of the ohmic part per degC (solution resistance about -2 % per degC, from
/// memory, less what is not solution).
const PER_DEGREE: f64 = 0.018;
/// The widest swing below the reference that is put down to a thermostat, degC.
const SWING: f64 = 2.5;
/// No bath moves by so much between two readings of its thermometer, degC.
const JUMP: f64 = 3.0;
/// A value that has jumped and stays is taken for a new thermometer after this, s.
const NEW: f64 = 120.0;

/// The state of the correction.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Warmth {
    lagged: Option<f64>,
    reference: f64,
    correction: f64,
    distrusted: Option<(f64, f64)>,
}

impl Warmth {
    /// Takes the temperature, if one is known, `dt` seconds after the last time; gives what to
    /// add to the relative volts. Without one the last correction stays, so that a
    /// thermometer that falls silent does not look like a step in the volts.
    pub fn take(&mut self, temperature: Option<Temperature>, dt: f64) -> f64 {
        let Some(t) = temperature.map(Temperature::get).filter(|t| t.is_finite()) else {
            return self.correction;
        };
        let Some(lagged) = self.lagged else {
            self.lagged = Some(t);
            self.reference = t;
            return self.correction;
        };
        if (t - lagged).abs() > JUMP {
            let (value, lasted) = self.distrusted.unwrap_or((t, 0.0));
            let steady = (t - value).abs() < JUMP;
            let lasted = if steady { lasted + dt } else { 0.0 };
            self.distrusted = Some((t, lasted));
            if lasted >= NEW {
                // As if nothing had happened: the correction goes on from where it was.
                self.reference += t - lagged;
                self.lagged = Some(t);
                self.distrusted = None;
            }
            return self.correction;
        }
        self.distrusted = None;
        let lagged = lagged + (t - lagged) * (dt / (LAG + dt));
        self.lagged = Some(lagged);
        // A bath that warms up takes the reference with it; one that cools does not.
        self.reference = self.reference.max(lagged - SWING);
        self.correction = PER_DEGREE * (lagged - self.reference).max(-SWING);
        self.correction
    }

    /// The thermometer's value jumped as no bath does.
    pub fn distrusted(&self) -> bool {
        self.distrusted.is_some()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(w: &mut Warmth, t: f64, seconds: usize) -> f64 {
        (0..seconds).map(|_| w.take(Some(Temperature::new(t)), 1.0)).last().unwrap_or(0.0)
    }

    #[test]
    fn a_thermostats_swing_is_taken_out_and_a_cooling_bath_is_not() {
        let mut w = Warmth::default();
        at(&mut w, 55.0, 10);
        assert!((at(&mut w, 54.0, 200) + 0.018).abs() < 1e-3);
        let cold = (0..600).fold(0.0, |_, k| w.take(Some(Temperature::new(54.0 - f64::from(k) * 0.02)), 1.0));
        assert!((cold + 0.045).abs() < 1e-3, "{cold}");
    }

    #[test]
    fn a_failed_sensor_changes_nothing_and_says_so() {
        let mut w = Warmth::default();
        let before = at(&mut w, 55.0, 60);
        for failed in [85.0, -127.0, 0.0] {
            assert_eq!(w.take(Some(Temperature::new(failed)), 1.0), before);
            assert!(w.distrusted());
        }
        assert_eq!(w.take(None, 1.0), before);
        at(&mut w, 55.1, 1);
        assert!(!w.distrusted());
    }
}

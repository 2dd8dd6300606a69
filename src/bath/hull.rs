//! The scale of the 267 mL Hull cell: where on the panel, which density.

use crate::quantity::{Amps, Density, Length};

/// Validity of the scale: a quarter to three and a quarter inches from the high edge.
const FROM: f64 = 0.25;
const TO: f64 = 3.25;

/// Local density at `from_high_edge` on the panel of a 267 mL Hull cell at `current`;
/// `None` outside the scale's validity.
///
/// `i = I (27.7 - 48.7 log10 L)`, A/ft2 and inches, valid for L = 0.25 to 3.25 in: Metal
/// Finishing Guide Book 2013, p. 482. An average over several electrolytes; it is not the
/// primary current distribution, and cyanide baths deviate.
pub fn panel_density(current: Amps, from_high_edge: Length) -> Option<Density> {
    let inches = from_high_edge.get() / 0.0254;
    if !(FROM..=TO).contains(&inches) || !current.is_positive() {
        return None;
    }
    let asf = current.get() * (27.7 - 48.7 * inches.log10());
    Some(Density::new(asf / (0.3048 * 0.3048)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_scale_gives_its_own_table_and_nothing_beyond_it() {
        // A/ft2 at 1 A by the Guide Book's formula, worked out by hand to three figures.
        for (mm, asf) in [(6.35, 57.0), (12.7, 42.4), (25.4, 27.7), (50.8, 13.0), (76.2, 4.5)] {
            let d = panel_density(Amps::new(2.0), Length::new(mm / 1000.0)).unwrap();
            let found = d.get() * 0.3048 * 0.3048 / 2.0;
            assert!((found - asf).abs() < 0.06, "{mm} mm: {found}");
        }
        for mm in [0.0, 5.0, 83.0, 94.0, f64::NAN] {
            assert_eq!(panel_density(Amps::new(1.0), Length::new(mm / 1000.0)), None, "{mm} mm");
        }
    }
}

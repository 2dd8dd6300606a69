//! The scale of the 267 mL Hull cell: where on the panel, which density.

use crate::quantity::{Amps, Density, Length, Span, Units, Volume};
use serde::{Deserialize, Serialize};

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

/// A Hull panel as a person read it, and the densities that follow from the published scale.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PanelRecord {
    /// The current of the panel.
    pub current: Amps,
    /// How long.
    pub time: Span,
    /// How far from the high edge it is burnt.
    pub burnt_to: Length,
    /// From where on it is dull, if it goes dull.
    pub dull_from: Option<Length>,
    /// Local density where burning ends.
    pub burn: Density,
    /// Local density under which it is dull.
    pub dull: Option<Density>,
}

const PANEL_HOW: &str = "write \"267 mL 2 A 5 min, burnt to 12 mm, dull from 70 mm\"";

impl std::str::FromStr for PanelRecord {
    type Err = String;

    /// Reads `267 mL 2 A 5 min, burnt to 12 mm, dull from 70 mm`; distances from the high-density edge.
    fn from_str(text: &str) -> Result<PanelRecord, String> {
        let mut parts = text.split(',').map(str::trim);
        let words: Vec<&str> = parts.next().unwrap_or_default().split_whitespace().collect();
        let [cell, ml, amps, a, minutes, min] = &words[..] else {
            return Err(format!("cell, current and time are not there; {PANEL_HOW}"));
        };
        let read = |n: &str, unit: &str| format!("{n} {unit}");
        let cell: Volume =
            read(cell, ml).parse().map_err(|e: crate::quantity::QuantityError| e.to_string())?;
        if (cell.get() - 0.267).abs() > 1e-4 {
            return Err(format!("{cell}: only the scale of the 267 mL cell is known here; {PANEL_HOW}"));
        }
        let current: Amps =
            read(amps, a).parse().map_err(|e: crate::quantity::QuantityError| e.to_string())?;
        let time: Span =
            read(minutes, min).parse().map_err(|e: crate::quantity::QuantityError| e.to_string())?;
        // 5 A is usual at the most, 10 A what a supply for it should have (Metal Finishing Guide Book 2013, p. 481).
        if !(0.1..=10.0).contains(&current.get()) {
            return Err(format!("{current} is no panel's current: 1, 2, 3 or 5 A is usual; {PANEL_HOW}"));
        }
        if !(10.0..=3600.0).contains(&time.get()) {
            return Err(format!("{time} is no panel's time: 5 to 10 min is usual; {PANEL_HOW}"));
        }
        let (mut burnt_to, mut dull_from, mut nowhere) = (None, None, false);
        for part in parts {
            let at = |said: &str| said.trim().parse::<Length>().map_err(|e| format!("{part:?}: {e}"));
            if let Some(said) = part.strip_prefix("burnt to") {
                burnt_to = Some(at(said)?);
            } else if let Some(said) = part.strip_prefix("dull from") {
                dull_from = Some(at(said)?);
            } else if part == "not burnt" {
                nowhere = true;
            } else {
                return Err(format!("{part:?} cannot be read; {PANEL_HOW}"));
            }
        }
        let Some(burnt_to) = burnt_to else {
            let wrong = if nowhere {
                "a panel that is not burnt does not show where this tank burns: run one at a higher current"
            } else {
                "where burning ends is not there"
            };
            return Err(format!("{wrong}; {PANEL_HOW}"));
        };
        let limits = "the published scale holds from 6.35 mm to 82.55 mm from the high edge";
        let burn = panel_density(current, burnt_to)
            .ok_or_else(|| format!("burnt to {burnt_to}: {limits}; another current moves it there"))?;
        let dull = match dull_from {
            Some(at) if at <= burnt_to => {
                return Err(format!("dull from {at} is within what is burnt; {PANEL_HOW}"));
            }
            Some(at) => Some(
                panel_density(current, at)
                    .ok_or_else(|| format!("dull from {at}: {limits}; leave it out"))?,
            ),
            None => None,
        };
        Ok(PanelRecord { current, time, burnt_to, dull_from, burn, dull })
    }
}

impl PanelRecord {
    /// What it says of the tank, and how far that may be trusted.
    pub fn text(&self, units: Units) -> String {
        let dull = self.dull.map_or(String::new(), |d| format!(", dull below {}", d.show(units)));
        format!(
            "burns at {}{dull}, by the published scale of the 267 mL cell (6.35 mm to 82.55 mm; an average over \
             several baths, up to a sixth above the primary distribution near the high edge and a quarter below it near \
             the low one; cyanide baths deviate)",
            self.burn.show(units)
        )
    }
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

    #[test]
    fn panel_as_written_gives_the_densities_of_the_scale() {
        let panel: PanelRecord = "267 mL 2 A 5 min, burnt to 12.7 mm, dull from 76.2 mm".parse().unwrap();
        // Twice 42.4 and 4.5 A/ft2: the Guide Book's formula by hand, as above.
        assert!((panel.burn.get() * 0.3048 * 0.3048 - 84.7).abs() < 0.1, "{}", panel.burn);
        assert!((panel.dull.unwrap().get() * 0.3048 * 0.3048 - 8.9).abs() < 0.1);
        assert!(panel.text(Units::Us).contains("A/ft²"));
    }

    #[test]
    fn panel_beyond_the_scale_or_of_another_cell_is_refused_with_a_way_out() {
        for (bad, why) in [
            ("", "cell, current and time"),
            ("1000 mL 2 A 5 min, burnt to 12 mm", "267 mL"),
            ("267 mL 2 A 5 min", "where burning ends"),
            ("267 mL 2 A 5 min, not burnt", "higher current"),
            ("267 mL 2 A 5 min, burnt to 3 mm", "6.35 mm"),
            ("267 mL 2 A 5 min, burnt to 12 mm, dull from 90 mm", "6.35 mm"),
            ("267 mL 2 A 5 min, burnt to 40 mm, dull from 30 mm", "within what is burnt"),
            ("267 mL 200 A 5 min, burnt to 12 mm", "panel's current"),
            ("267 mL 2 V 5 min, burnt to 12 mm", "V"),
            ("267 mL 2 A 5 min, burnt to 12", "12"),
            ("267 mL 2 A 5 min, grey from 12 mm", "cannot be read"),
        ] {
            let said = bad.parse::<PanelRecord>().unwrap_err();
            assert!(said.contains(why), "{bad}: {said}");
        }
    }
}

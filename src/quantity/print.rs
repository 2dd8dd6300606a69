//! Printing: rounded for people, or exact.

use super::unit::Unit;
use serde::{Deserialize, Serialize};

/// Which units a person reads.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Units {
    /// A/dm², µm, °C, litres.
    #[default]
    Metric,
    /// A/ft², µin, °F, gallons.
    Us,
}

/// The value in the first of `names` in which it is at least one (else the
/// last), to four figures, with the unit as people write it.
pub(super) fn human(base: f64, units: &[Unit], names: &[&str]) -> String {
    let pick = |name: &&str| {
        #[expect(clippy::expect_used, reason = "names are literals beside the table; a test walks them all")]
        units.iter().find(|u| u.symbol == *name).expect("display unit is in its table")
    };
    let chosen = names
        .iter()
        .map(&pick)
        .find(|u| rounded((base - u.offset) / u.factor).0.abs() >= 1.0)
        .or_else(|| names.last().map(&pick))
        .unwrap_or(&units[0]);
    let (_, text) = rounded((base - chosen.offset) / chosen.factor);
    format!("{text} {}", pretty(chosen.symbol))
}

/// Four significant figures, never in exponent form, no trailing zeros after three.
fn rounded(value: f64) -> (f64, String) {
    if value == 0.0 || !value.is_finite() {
        return (value, if value == 0.0 { "0".into() } else { value.to_string() });
    }
    let magnitude = value.abs().log10().floor() as i32;
    let decimals = (3 - magnitude).clamp(0, 9) as usize;
    let mut text = format!("{value:.decimals$}");
    if text.contains('.') {
        text.truncate(text.trim_end_matches('0').trim_end_matches('.').len());
    }
    if text == "-0" {
        text = "0".into();
    }
    (text.parse().unwrap_or(value), text)
}

/// The symbol as people write it: `A/dm²`, `µm`, `°C`.
pub(super) fn pretty(symbol: &str) -> String {
    match symbol {
        "degC" => "°C".into(),
        "degF" => "°F".into(),
        "um" => "µm".into(),
        "uin" => "µin".into(),
        "A.min" => "A·min".into(),
        "A.h" => "A·h".into(),
        "1" => String::new(),
        s => s.replace("m2", "m²").replace("in2", "in²").replace("ft2", "ft²"),
    }
}

/// The shortest text that parses back to the same bits: in the first unit in
/// which it is at least one and round-trips, else in the base unit.
pub(super) fn exact(base: f64, units: &[Unit]) -> String {
    format!("{base} {}", units[0].symbol)
}

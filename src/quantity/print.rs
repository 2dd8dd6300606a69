//! Printing: rounded for people, or exact.

use super::unit::{Dimension, Table, Unit, find_symbol};
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

/// To four figures, in the first of the display units in which the value is
/// not too small (else the last). Times are written as people say them: `2 min 30 s`.
pub(super) fn human(base: f64, table: &Table, names: &[(&str, f64)]) -> String {
    if table.dimension == Dimension::Time && base.is_finite() {
        return clock(base);
    }
    let fits = |(symbol, least): &&(&str, f64)| {
        rounded(find_symbol(table.units, symbol).of_base(base)).0.abs() >= *least
    };
    let symbol = names.iter().find(fits).or(names.last()).map_or(table.units[0].symbol, |(symbol, _)| symbol);
    human_in(base, table.units, symbol)
}

/// To four figures, in that unit.
pub(super) fn human_in(base: f64, units: &'static [Unit], symbol: &str) -> String {
    let (_, text) = rounded(find_symbol(units, symbol).of_base(base));
    match pretty(symbol) {
        unit if unit.is_empty() => text,
        unit => format!("{text} {unit}"),
    }
}

/// A time to better than 0.1 %: `45 s`, `2 min 30.5 s`, `1 h 5 min`, `1250 h`.
fn clock(base: f64) -> String {
    let size = base.abs();
    if size < 59.995 {
        return format!("{} s", rounded(base).1);
    }
    if size >= 3.6e6 {
        return format!("{} h", rounded(base / 3600.0).1);
    }
    // Tenths of a second below 10 min, seconds below 10 h, minutes above.
    let step = if size < 600.0 {
        1
    } else if size < 36_000.0 {
        10
    } else {
        600
    };
    let tenths = ((size * 10.0 / f64::from(step)).round() as u64) * u64::from(step as u32);
    let (hours, minutes, seconds) = (tenths / 36_000, tenths / 600 % 60, tenths % 600);
    let mut parts = Vec::new();
    if hours > 0 {
        parts.push(format!("{hours} h"));
    }
    if minutes > 0 {
        parts.push(format!("{minutes} min"));
    }
    match (seconds / 10, seconds % 10) {
        (0, 0) => {}
        (whole, 0) => parts.push(format!("{whole} s")),
        (whole, tenth) => parts.push(format!("{whole}.{tenth} s")),
    }
    if base < 0.0 {
        // A sum of units has no sign; a negative time is nonsense that a caller will refuse, shown plainly.
        return format!("{} s", rounded(base).1);
    }
    parts.join(" ")
}

/// Four significant figures, never in exponent form, no trailing zeros.
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
        "1" => String::new(),
        s => s.replace("A.", "A·").replace("m2", "m²").replace("in2", "in²").replace("ft2", "ft²"),
    }
}

/// A text that parses back to the same bits: the shortest in a metric display
/// unit, unless a US one gives a round figure where metric does not ("40 A/ft2");
/// in the base unit where that is much shorter, and where no other has one.
pub(super) fn exact(base: f64, table: &Table) -> String {
    let best = |names: &[(&str, f64)]| {
        let all =
            names.iter().filter_map(|(symbol, _)| Some((shortest(base, *table.unit(symbol))?, *symbol)));
        all.min_by_key(|(text, _)| text.len()).map(|(text, symbol)| (text, symbol.to_owned()))
    };
    let plain = (short_form(base), table.units[0].symbol.to_owned());
    let metric = best(table.metric).filter(|(text, _)| text.len() <= plain.0.len() + 4);
    let us = best(table.us).filter(|(text, _)| text.len() <= 6);
    let mut chosen = metric.unwrap_or(plain);
    if let Some(us) = us.filter(|us| us.0.len() < chosen.0.len()) {
        chosen = us;
    }
    format!("{} {}", chosen.0, chosen.1)
}

/// The shortest decimal that, in this unit, gives exactly these bits.
fn shortest(base: f64, unit: Unit) -> Option<String> {
    let value = unit.of_base(base);
    if !value.is_finite() {
        return None;
    }
    (0..17).find_map(|digits| {
        let candidate: f64 = format!("{value:.digits$e}").parse().ok()?;
        (unit.to_base(candidate).to_bits() == base.to_bits()).then(|| short_form(candidate))
    })
}

/// As Rust prints it, in exponent form only where that spares a row of zeros.
fn short_form(value: f64) -> String {
    let plain = format!("{value}");
    let exponent = format!("{value:e}");
    if plain.len() > exponent.len() + 6 { exponent } else { plain }
}

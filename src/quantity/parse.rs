//! Parsing what a plater writes.

use super::types::ALL;
use super::unit::{Dimension, Unit};
use std::fmt;

/// Why a text is not the quantity that was asked for. The message says what
/// was wrong and what would fit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum QuantityError {
    /// Nothing, or nothing that starts like a number.
    NotANumber {
        /// What was written.
        text: String,
        /// What was asked for.
        wanted: Dimension,
    },
    /// A number without a unit.
    BareNumber {
        /// What was written.
        text: String,
        /// What was asked for.
        wanted: Dimension,
    },
    /// A unit of something else.
    WrongDimension {
        /// What was written.
        text: String,
        /// What it is.
        found: Dimension,
        /// What was asked for.
        wanted: Dimension,
    },
    /// No unit we know.
    UnknownUnit {
        /// What was written.
        text: String,
        /// The part taken for a unit.
        unit: String,
        /// What was asked for.
        wanted: Dimension,
    },
    /// NaN, infinite, or too large to compute with.
    NotFinite {
        /// What was written.
        text: String,
        /// What was asked for.
        wanted: Dimension,
    },
}

impl QuantityError {
    /// What is wrong, without the remedy.
    pub fn wrong(&self) -> String {
        match self {
            QuantityError::NotANumber { text, wanted } => format!("{text:?} is not {}", wanted.word()),
            QuantityError::BareNumber { text, .. } => format!("{text:?} has no unit"),
            QuantityError::WrongDimension { text, found, wanted } => {
                format!("{text:?} is {}, not {}", found.word(), wanted.word())
            }
            QuantityError::UnknownUnit { text, unit, .. } => format!("{text:?}: unit {unit:?} is not known"),
            QuantityError::NotFinite { text, .. } => format!("{text:?} is too large or not a number at all"),
        }
    }

    /// What would be right: "write a number and one of A, mA".
    pub fn remedy(&self) -> String {
        let (QuantityError::NotANumber { wanted, .. }
        | QuantityError::BareNumber { wanted, .. }
        | QuantityError::WrongDimension { wanted, .. }
        | QuantityError::UnknownUnit { wanted, .. }
        | QuantityError::NotFinite { wanted, .. }) = self;
        format!("write {}", choices(*wanted))
    }
}

impl fmt::Display for QuantityError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.wrong(), self.remedy())
    }
}

impl std::error::Error for QuantityError {}

/// "a number and one of m2, dm2, …".
pub(super) fn choices(wanted: Dimension) -> String {
    let names: Vec<_> = units_of(wanted).iter().filter(|u| u.symbol != "1").map(|u| u.symbol).collect();
    format!("a number and one of {}", names.join(", "))
}

fn units_of(wanted: Dimension) -> &'static [Unit] {
    ALL.iter().find(|(d, _)| *d == wanted).map_or(&[], |(_, u)| u)
}

/// Parses into the base unit.
pub(super) fn parse(text: &str, wanted: Dimension, units: &[Unit]) -> Result<f64, QuantityError> {
    let trimmed = text.trim();
    let split = number_end(trimmed);
    let (number, unit) = trimmed.split_at(split);
    let unit = normalise(unit);
    let not_a_number = || QuantityError::NotANumber { text: text.into(), wanted };
    if number.is_empty() {
        let lower = trimmed.trim_start_matches(['-', '+']).to_ascii_lowercase();
        if lower.starts_with("nan") || lower.starts_with("inf") {
            return Err(QuantityError::NotFinite { text: text.into(), wanted });
        }
        return Err(not_a_number());
    }
    let value: f64 = number.parse().map_err(|_| not_a_number())?;
    if unit.is_empty() {
        return Err(QuantityError::BareNumber { text: text.into(), wanted });
    }
    let Some(found) = find(&unit, units) else {
        return Err(match ALL.iter().find(|(_, all)| find(&unit, all).is_some()) {
            Some((found, _)) => QuantityError::WrongDimension { text: text.into(), found: *found, wanted },
            None => QuantityError::UnknownUnit { text: text.into(), unit, wanted },
        });
    };
    let base = value * found.factor + found.offset;
    // Nothing at a bench is within many orders of magnitude of this; beyond it sums could overflow.
    if !base.is_finite() || base.abs() > 1e30 {
        return Err(QuantityError::NotFinite { text: text.into(), wanted });
    }
    Ok(base)
}

/// Where the leading number ends: sign, digits, point, exponent.
fn number_end(text: &str) -> usize {
    let bytes = text.as_bytes();
    let digits = |mut i: usize| {
        while bytes.get(i).is_some_and(u8::is_ascii_digit) {
            i += 1;
        }
        i
    };
    let start = usize::from(matches!(bytes.first(), Some(b'-' | b'+')));
    let whole = digits(start);
    let mut end = whole;
    if bytes.get(whole) == Some(&b'.') {
        let fraction = digits(whole + 1);
        if fraction > whole + 1 {
            end = fraction;
        }
    }
    if end == start {
        return 0;
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let sign = end + 1 + usize::from(matches!(bytes.get(end + 1), Some(b'-' | b'+')));
        let exponent = digits(sign);
        if exponent > sign {
            end = exponent;
        }
    }
    end
}

/// One spelling for `µ` and `μ`, `²` and `^2`, `°C` and `degC`, `·` and `.`; no spaces.
fn normalise(unit: &str) -> String {
    let mut out = String::with_capacity(unit.len());
    for c in unit.chars() {
        match c {
            'µ' | 'μ' => out.push('u'),
            '²' => out.push('2'),
            '³' => out.push('3'),
            '°' | 'º' => out.push_str("deg"),
            '·' | '⋅' | '∙' | '*' | '×' => out.push('.'),
            '^' => {}
            c if c.is_whitespace() => {}
            c => out.push(c),
        }
    }
    out
}

fn find<'u>(unit: &str, units: &'u [Unit]) -> Option<&'u Unit> {
    let exact = |u: &&Unit| u.symbol == unit || u.aliases.contains(&unit);
    // Case is forgiven only in words: "mA" and "MA" are not the same thing.
    let word =
        |u: &&Unit| unit.len() >= 3 && u.aliases.iter().any(|a| a.len() >= 3 && a.eq_ignore_ascii_case(unit));
    units.iter().find(exact).or_else(|| units.iter().find(word))
}

/// Takes a string with a unit; anything else is refused with the units that fit.
pub(super) fn deserialize<'de, D: serde::Deserializer<'de>>(
    d: D,
    wanted: Dimension,
    units: &'static [Unit],
) -> Result<f64, D::Error> {
    struct Visitor(Dimension, &'static [Unit]);
    impl serde::de::Visitor<'_> for Visitor {
        type Value = f64;
        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            write!(f, "{} in quotes: {}", self.0.word(), choices(self.0))
        }
        fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<f64, E> {
            parse(text, self.0, self.1).map_err(E::custom)
        }
        fn visit_i64<E: serde::de::Error>(self, n: i64) -> Result<f64, E> {
            Err(E::custom(QuantityError::BareNumber { text: n.to_string(), wanted: self.0 }))
        }
        fn visit_u64<E: serde::de::Error>(self, n: u64) -> Result<f64, E> {
            Err(E::custom(QuantityError::BareNumber { text: n.to_string(), wanted: self.0 }))
        }
        fn visit_f64<E: serde::de::Error>(self, n: f64) -> Result<f64, E> {
            Err(E::custom(QuantityError::BareNumber { text: n.to_string(), wanted: self.0 }))
        }
    }
    d.deserialize_any(Visitor(wanted, units))
}

//! Parsing what a plater writes.

use super::types::ALL;
use super::unit::{Dimension, Table, Unit};
use std::borrow::Cow;
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
    /// A comma in the number: a decimal in half the world, a separator in the other.
    Comma {
        /// What was written.
        text: String,
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
            QuantityError::UnknownUnit { text, unit, wanted } => match other_case(unit, *wanted) {
                Some(meant) => {
                    format!("{text:?}: unit {unit:?} is not known (large and small letters matter: {meant}?)")
                }
                None => format!("{text:?}: unit {unit:?} is not known"),
            },
            QuantityError::Comma { text, .. } => format!("{text:?} has a comma in the number"),
            QuantityError::NotFinite { text, .. } => format!("{text:?} is too large or not a number at all"),
        }
    }

    /// What would be right: "write a number and one of A or mA".
    pub fn remedy(&self) -> String {
        match self {
            QuantityError::Comma { wanted, .. } => {
                format!("write the decimals after a point, no separators, and {}", one_of(*wanted))
            }
            QuantityError::NotANumber { wanted, .. }
            | QuantityError::BareNumber { wanted, .. }
            | QuantityError::WrongDimension { wanted, .. }
            | QuantityError::UnknownUnit { wanted, .. }
            | QuantityError::NotFinite { wanted, .. } => format!("write {}", choices(*wanted)),
        }
    }
}

impl fmt::Display for QuantityError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.wrong(), self.remedy())
    }
}

impl std::error::Error for QuantityError {}

/// "a number and one of mm, um, …".
pub(super) fn choices(wanted: Dimension) -> String {
    format!("a number and {}", one_of(wanted))
}

/// "one of mm, um, … or nm"; display units first, metric before US.
fn one_of(wanted: Dimension) -> String {
    let units = table_of(wanted).map(Table::in_reading_order).unwrap_or_default();
    let names: Vec<_> = units.iter().filter(|u| u.symbol != "1").map(|u| u.symbol).collect();
    match names.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("one of {} or {last}", rest.join(", ")),
        Some((only, _)) => (*only).to_string(),
        None => "its unit".to_string(),
    }
}

fn table_of(wanted: Dimension) -> Option<&'static Table> {
    ALL.iter().find(|t| t.dimension == wanted)
}

/// The unit that differs from `unit` only in large and small letters.
fn other_case(unit: &str, wanted: Dimension) -> Option<&'static str> {
    let units = table_of(wanted)?.units;
    units.iter().map(|u| u.symbol).find(|symbol| symbol.eq_ignore_ascii_case(unit))
}

/// Parses into the base unit.
pub(super) fn parse(text: &str, table: &Table) -> Result<f64, QuantityError> {
    let wanted = table.dimension;
    let plain = plain_signs(text.trim());
    let whole = parse_one(text, &plain, table);
    // "2 min 30 s": only where a sum of units is how people write, and only if
    // the text is not a quantity of anything as it stands.
    if wanted == Dimension::Time
        && matches!(whole, Err(QuantityError::UnknownUnit { .. }))
        && let Some(sum) = parse_sum(&plain, table)
    {
        return finite(sum, text, wanted);
    }
    whole
}

/// One number and one unit. `text` is what the person wrote, for messages.
fn parse_one(text: &str, plain: &str, table: &Table) -> Result<f64, QuantityError> {
    let wanted = table.dimension;
    let (value, rest) = number(plain).map_err(|why| match why {
        NoNumber::Nothing => QuantityError::NotANumber { text: text.into(), wanted },
        NoNumber::NotFinite => QuantityError::NotFinite { text: text.into(), wanted },
    })?;
    if let Some(after) = rest.strip_prefix(',')
        && after.starts_with(|c: char| c.is_ascii_digit())
    {
        return Err(QuantityError::Comma { text: text.into(), wanted });
    }
    let unit = normalise(rest);
    if unit.is_empty() {
        return Err(QuantityError::BareNumber { text: text.into(), wanted });
    }
    let Some(found) = find(&unit, table.units) else {
        return Err(match ALL.iter().find(|t| find(&unit, t.units).is_some()) {
            Some(other) => {
                QuantityError::WrongDimension { text: text.into(), found: other.dimension, wanted }
            }
            None => QuantityError::UnknownUnit { text: text.into(), unit, wanted },
        });
    };
    finite(found.to_base(value), text, wanted)
}

/// Refuses what cannot be computed with.
fn finite(base: f64, text: &str, wanted: Dimension) -> Result<f64, QuantityError> {
    // Nothing at a bench is within many orders of magnitude of this; beyond it sums could overflow.
    if !base.is_finite() || base.abs() > 1e30 {
        return Err(QuantityError::NotFinite { text: text.into(), wanted });
    }
    Ok(base)
}

/// "1 h 2 min 30 s": two or more parts, none negative, each unit smaller than the one before.
fn parse_sum(plain: &str, table: &Table) -> Option<f64> {
    let mut rest = plain;
    let mut sum = 0.0;
    let mut last = f64::INFINITY;
    while !rest.is_empty() {
        let (value, after) = number(rest).ok()?;
        let end = after.find(|c: char| c.is_ascii_digit() || c == '-' || c == '+').unwrap_or(after.len());
        let (unit, next) = after.split_at(end);
        let unit = find(&normalise(unit), table.units)?;
        if value.is_sign_negative() || unit.factor >= last {
            return None;
        }
        last = unit.factor;
        sum += unit.to_base(value);
        rest = next;
    }
    Some(sum)
}

enum NoNumber {
    Nothing,
    NotFinite,
}

/// The leading number (a decimal, or a fraction as on a ruler: `1/2`, `1 1/2`) and what follows it.
fn number(text: &str) -> Result<(f64, &str), NoNumber> {
    let (number, rest) = text.split_at(number_end(text));
    if number.is_empty() {
        let word = text.trim_start_matches(['-', '+']).to_ascii_lowercase();
        let not_finite = word.starts_with("nan") || word.starts_with("inf");
        return Err(if not_finite { NoNumber::NotFinite } else { NoNumber::Nothing });
    }
    let value: f64 = number.parse().map_err(|_| NoNumber::Nothing)?;
    if !value.is_finite() {
        return Err(NoNumber::NotFinite);
    }
    let whole = number.bytes().all(|b| b.is_ascii_digit() || b == b'-' || b == b'+');
    if whole && let Some((below, rest)) = rest.strip_prefix('/').and_then(digits) {
        return fraction(value, below).map(|v| (v, rest));
    }
    if whole
        && rest.starts_with(char::is_whitespace)
        && let Some((above, rest)) = digits(rest.trim_start())
        && let Some((below, rest)) = rest.strip_prefix('/').and_then(digits)
    {
        let part = fraction(above, below)?;
        return Ok((if value.is_sign_negative() { value - part } else { value + part }, rest));
    }
    // "5. A": a point that nothing follows.
    let rest = match rest.strip_prefix('.') {
        Some(after) if after.starts_with(char::is_whitespace) => after,
        _ => rest,
    };
    Ok((value, rest))
}

fn fraction(above: f64, below: f64) -> Result<f64, NoNumber> {
    let value = above / below;
    if value.is_finite() { Ok(value) } else { Err(NoNumber::NotFinite) }
}

/// Leading digits as a number, and what follows.
fn digits(text: &str) -> Option<(f64, &str)> {
    let end = text.bytes().take_while(u8::is_ascii_digit).count();
    let (number, rest) = text.split_at(end);
    Some((number.parse().ok()?, rest))
}

/// Where the leading decimal ends: sign, digits, point, exponent.
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

/// The typographer's minus as the one on keyboards.
fn plain_signs(text: &str) -> Cow<'_, str> {
    if text.contains('\u{2212}') { text.replace('\u{2212}', "-").into() } else { text.into() }
}

/// One spelling for `µ` and `μ`, `²` and `^2`, `°C` and `degC`, `·` and `.`,
/// `per` and `/`; no spaces, no point at the end.
fn normalise(unit: &str) -> String {
    let mut out = String::with_capacity(unit.len());
    for word in unit.split_whitespace() {
        if word.eq_ignore_ascii_case("per") {
            out.push('/');
            continue;
        }
        for c in word.chars() {
            match c {
                'µ' | 'μ' => out.push('u'),
                '²' => out.push('2'),
                '³' => out.push('3'),
                '°' | 'º' => out.push_str("deg"),
                '·' | '⋅' | '∙' | '*' | '×' => out.push('.'),
                '″' | '”' => out.push('"'),
                '^' => {}
                c => out.push(c),
            }
        }
    }
    if out.ends_with('.') {
        out.pop();
    }
    out
}

fn find<'u>(unit: &str, units: &'u [Unit]) -> Option<&'u Unit> {
    let exact = |u: &&Unit| u.symbol == unit || u.aliases.contains(&unit);
    let word = |u: &&Unit| u.aliases.iter().any(|a| is_word(a) && a.eq_ignore_ascii_case(unit));
    units.iter().find(exact).or_else(|| units.iter().find(word))
}

/// Case is forgiven only in words ("ASF", "Minutes"): a prefix must stay what
/// it is, since mA and MA are a milliampere and a million amperes. So a word has
/// three letters or more, is small throughout in our table, and is not milli of
/// a symbol ("mg/l").
fn is_word(alias: &str) -> bool {
    alias.len() >= 3
        && !alias.bytes().any(|b| b.is_ascii_uppercase())
        && !(alias.starts_with('m') && alias.contains('/'))
}

/// Takes a string with a unit; anything else is refused with the units that fit.
pub(super) fn deserialize<'de, D: serde::Deserializer<'de>>(
    d: D,
    table: &'static Table,
) -> Result<f64, D::Error> {
    struct Visitor(&'static Table);
    impl Visitor {
        fn bare<E: serde::de::Error>(&self, text: String) -> Result<f64, E> {
            Err(E::custom(QuantityError::BareNumber { text, wanted: self.0.dimension }))
        }
    }
    impl serde::de::Visitor<'_> for Visitor {
        type Value = f64;
        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            write!(f, "{} in quotes: {}", self.0.dimension.word(), choices(self.0.dimension))
        }
        fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<f64, E> {
            parse(text, self.0).map_err(E::custom)
        }
        fn visit_i64<E: serde::de::Error>(self, n: i64) -> Result<f64, E> {
            self.bare(n.to_string())
        }
        fn visit_u64<E: serde::de::Error>(self, n: u64) -> Result<f64, E> {
            self.bare(n.to_string())
        }
        fn visit_f64<E: serde::de::Error>(self, n: f64) -> Result<f64, E> {
            self.bare(n.to_string())
        }
    }
    d.deserialize_any(Visitor(table))
}

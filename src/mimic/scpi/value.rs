//! Parameters: NRf numbers with unit suffixes, MIN/MAX/DEF, booleans.
//!
//! IEEE 488.2, 7.7.2: NRf is any of NR1 (whole), NR2 (point), NR3 (exponent),
//! and a listener takes all three. SCPI-1999 volume 1, 7.2 and 7.3: MINimum,
//! MAXimum, DEFault; a boolean is ON, OFF or a number, rounded, not zero.

use super::error::Error;

/// A numeric parameter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Number {
    /// A value in the base unit.
    Value(f64),
    /// The least that is allowed.
    Minimum,
    /// The most.
    Maximum,
    /// What it is after a reset.
    Default,
}

/// Which unit suffix may follow a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Suffix {
    /// V, mV, uV, kV.
    Volt,
    /// A, mA, uA, kA.
    Ampere,
    /// None.
    Nothing,
}

/// Reads a number.
///
/// # Errors
/// -104, -121, -123, -124, -131, -138 or -141.
pub fn number(text: &str, suffix: Suffix) -> Result<Number, Error> {
    let text = text.trim();
    if is_word(text, "MIN", "MINIMUM") {
        return Ok(Number::Minimum);
    }
    if is_word(text, "MAX", "MAXIMUM") {
        return Ok(Number::Maximum);
    }
    if is_word(text, "DEF", "DEFAULT") {
        return Ok(Number::Default);
    }
    let Some(first) = text.bytes().next() else { return Err(Error::MISSING_PARAMETER) };
    match first {
        b'"' | b'\'' | b'#' | b'(' => return Err(Error::DATA_TYPE),
        b if b.is_ascii_alphabetic() => return Err(Error::INVALID_CHARACTER_DATA),
        _ => {}
    }
    let (value, rest) = nrf(text)?;
    Ok(Number::Value(value * scale(rest.trim(), suffix)?))
}

/// Reads a boolean.
///
/// # Errors
/// As [`number`].
pub fn boolean(text: &str) -> Result<bool, Error> {
    let text = text.trim();
    if text.eq_ignore_ascii_case("ON") {
        return Ok(true);
    }
    if text.eq_ignore_ascii_case("OFF") {
        return Ok(false);
    }
    match number(text, Suffix::Nothing)? {
        Number::Value(v) => Ok(v.round() != 0.0),
        _ => Err(Error::INVALID_CHARACTER_DATA),
    }
}

fn is_word(text: &str, short: &str, long: &str) -> bool {
    text.eq_ignore_ascii_case(short) || text.eq_ignore_ascii_case(long)
}

/// The number at the start of `text`, and the rest.
fn nrf(text: &str) -> Result<(f64, &str), Error> {
    let bytes = text.as_bytes();
    let run = |from: usize| bytes[from..].iter().take_while(|b| b.is_ascii_digit()).count();
    let mut at = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    let whole = run(at);
    at += whole;
    let mut digits = whole;
    if bytes.get(at) == Some(&b'.') {
        let part = run(at + 1);
        digits += part;
        at += 1 + part;
    }
    if digits == 0 {
        return Err(Error::INVALID_NUMBER_CHARACTER);
    }
    if digits > 255 {
        return Err(Error::TOO_MANY_DIGITS);
    }
    // White space may stand before the exponent mark and after it.
    let skip = |from: usize| from + bytes[from..].iter().take_while(|b| **b == b' ' || **b == b'\t').count();
    let mark = skip(at);
    let mut compact = text[..at].to_owned();
    if matches!(bytes.get(mark), Some(b'e' | b'E')) {
        let sign = skip(mark + 1);
        let from = sign + usize::from(matches!(bytes.get(sign), Some(b'+' | b'-')));
        let len = bytes.get(from..).map_or(0, |b| b.iter().take_while(|b| b.is_ascii_digit()).count());
        if len == 0 {
            return Err(Error::INVALID_NUMBER_CHARACTER);
        }
        let exponent: i64 = text[sign..from + len].parse().map_err(|_| Error::EXPONENT_TOO_LARGE)?;
        if exponent.abs() > 32_000 {
            return Err(Error::EXPONENT_TOO_LARGE);
        }
        compact.push_str(&format!("e{exponent}"));
        at = from + len;
    }
    let value = compact.parse().map_err(|_| Error::INVALID_NUMBER_CHARACTER)?;
    Ok((value, &text[at..]))
}

fn scale(suffix: &str, allowed: Suffix) -> Result<f64, Error> {
    if suffix.is_empty() {
        return Ok(1.0);
    }
    let unit = match allowed {
        Suffix::Nothing => return Err(Error::SUFFIX_NOT_ALLOWED),
        Suffix::Volt => 'V',
        Suffix::Ampere => 'A',
    };
    let upper = suffix.to_ascii_uppercase();
    match upper.strip_suffix(unit) {
        Some("") => Ok(1.0),
        Some("M") => Ok(1e-3),
        Some("U") => Ok(1e-6),
        Some("K") => Ok(1e3),
        _ if suffix.bytes().all(|b| b.is_ascii_alphabetic()) => Err(Error::INVALID_SUFFIX),
        _ => Err(Error::INVALID_NUMBER_CHARACTER),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_three_number_forms_of_ieee_488_2_are_taken() {
        for (text, value) in [
            ("5", 5.0),
            ("+5", 5.0),
            ("-0", 0.0),
            ("5.", 5.0),
            (".5", 0.5),
            ("05.250", 5.25),
            ("5E0", 5.0),
            ("52.5e-1", 5.25),
            ("5.25 E +0", 5.25),
            ("5 V", 5.0),
            ("5250mV", 5.25),
            ("5250 MV", 5.25),
            ("0.005kv", 5.0),
        ] {
            let Ok(Number::Value(got)) = number(text, Suffix::Volt) else { panic!("{text}") };
            assert!((got - value).abs() < 1e-12, "{text}: {got}");
        }
    }

    #[test]
    fn what_is_no_number_gets_the_error_that_says_why() {
        for (text, error) in [
            ("", Error::MISSING_PARAMETER),
            ("\"5\"", Error::DATA_TYPE),
            ("five", Error::INVALID_CHARACTER_DATA),
            ("NAN", Error::INVALID_CHARACTER_DATA),
            ("--5", Error::INVALID_NUMBER_CHARACTER),
            ("5..5", Error::INVALID_NUMBER_CHARACTER),
            ("5E", Error::INVALID_NUMBER_CHARACTER),
            ("5E99999", Error::EXPONENT_TOO_LARGE),
            ("5 A", Error::INVALID_SUFFIX),
            ("5 OHM", Error::INVALID_SUFFIX),
        ] {
            assert_eq!(number(text, Suffix::Volt), Err(error), "{text}");
        }
        assert_eq!(number(&"9".repeat(300), Suffix::Volt), Err(Error::TOO_MANY_DIGITS));
        assert_eq!(number("5 V", Suffix::Nothing), Err(Error::SUFFIX_NOT_ALLOWED));
    }

    #[test]
    fn booleans_are_words_or_rounded_numbers() {
        for (text, value) in
            [("ON", true), ("off", false), ("1", true), ("0", false), ("0.4", false), ("-7", true)]
        {
            assert_eq!(boolean(text), Ok(value), "{text}");
        }
        assert_eq!(boolean("YES"), Err(Error::INVALID_CHARACTER_DATA));
        assert_eq!(boolean("MAX"), Err(Error::INVALID_CHARACTER_DATA));
    }
}

//! Reading a reply, byte for byte: IEEE 488.2 response data and SCPI-1999's error queue.
//!
//! Pure. A reply either fits the question entirely or is a [`Misfit`].

use std::fmt;

/// Why a line is not an answer to what was asked.
#[derive(Clone, Debug, PartialEq)]
pub enum Misfit {
    /// Nothing but blanks.
    Empty,
    /// Bytes that are not printable ASCII.
    NotAscii,
    /// More or fewer fields than were asked for.
    Fields {
        /// Asked for.
        wanted: usize,
        /// Came.
        found: usize,
    },
    /// Not the kind of data that was asked for.
    WrongType(&'static str),
    /// A number that stands for none, or cannot be.
    OutOfRange(String),
}

impl fmt::Display for Misfit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Misfit::Empty => f.write_str("it is empty"),
            Misfit::NotAscii => f.write_str("it is not plain ASCII"),
            Misfit::Fields { wanted, found } => write!(f, "{found} fields instead of {wanted}"),
            Misfit::WrongType(wanted) => write!(f, "it is not {wanted}"),
            Misfit::OutOfRange(why) => f.write_str(why),
        }
    }
}

/// SCPI-1999 vol. 1, section 7.2.1.5 (from memory): not-a-number is sent as 9.91E37, infinity as 9.9E37
/// with its sign. Nothing a supply reports comes near either.
const SENTINEL: f64 = 9.9e37;

/// The line without its end and the blanks around it; printable ASCII, not empty.
///
/// # Errors
/// [`Misfit::Empty`], [`Misfit::NotAscii`].
pub fn line(bytes: &[u8]) -> Result<&str, Misfit> {
    let trimmed = bytes.trim_ascii();
    if trimmed.is_empty() {
        return Err(Misfit::Empty);
    }
    if !trimmed.iter().all(|b| matches!(b, b' '..=b'~' | b'\t')) {
        return Err(Misfit::NotAscii);
    }
    std::str::from_utf8(trimmed).map_err(|_| Misfit::NotAscii)
}

/// Exactly `wanted` fields, which IEEE 488.2 puts `;` between when several queries went in one line.
///
/// # Errors
/// As [`line()`], and [`Misfit::Fields`].
pub fn fields(bytes: &[u8], wanted: usize) -> Result<Vec<&str>, Misfit> {
    let all: Vec<&str> = line(bytes)?.split(';').map(str::trim).collect();
    if all.len() != wanted {
        return Err(Misfit::Fields { wanted, found: all.len() });
    }
    Ok(all)
}

/// A number in any of NR1 (`-7`), NR2 (`7.25`), NR3 (`+7.25E+00`), finite.
///
/// # Errors
/// [`Misfit::WrongType`] for anything else, a unit after the number included;
/// [`Misfit::OutOfRange`] for SCPI's not-a-number and infinities.
pub fn number(field: &str) -> Result<f64, Misfit> {
    const WANTED: Misfit = Misfit::WrongType("a number");
    if !is_nrf(field.as_bytes()) {
        return Err(WANTED);
    }
    let value: f64 = field.parse().map_err(|_| WANTED)?;
    if value.abs() >= SENTINEL {
        let what = if (9.905e37..9.915e37).contains(&value) { "not-a-number" } else { "infinity" };
        return Err(Misfit::OutOfRange(format!("it stands for {what}")));
    }
    Ok(value)
}

/// A whole number (NR1).
///
/// # Errors
/// [`Misfit::WrongType`].
pub fn whole(field: &str) -> Result<i64, Misfit> {
    const WANTED: Misfit = Misfit::WrongType("a whole number");
    if !field.bytes().all(|b| matches!(b, b'0'..=b'9' | b'+' | b'-')) {
        return Err(WANTED);
    }
    field.parse().map_err(|_| WANTED)
}

/// A boolean: `1` or `0` as SCPI-1999 has it, or the words `ON` and `OFF` that some answer.
///
/// # Errors
/// [`Misfit::WrongType`]; `1.000` is a voltage, not a yes.
pub fn boolean(field: &str) -> Result<bool, Misfit> {
    match field {
        "1" | "+1" => Ok(true),
        "0" | "+0" => Ok(false),
        word if word.eq_ignore_ascii_case("ON") => Ok(true),
        word if word.eq_ignore_ascii_case("OFF") => Ok(false),
        _ => Err(Misfit::WrongType("on or off")),
    }
}

/// One entry of the error queue: `<number>,"<text>"`; number 0 is an empty queue.
///
/// # Errors
/// As [`line()`], and [`Misfit::WrongType`]. A bare number is not an entry: it may be a late answer to something else.
pub fn error_entry(bytes: &[u8]) -> Result<(i32, String), Misfit> {
    const WANTED: Misfit = Misfit::WrongType("<number>,\"<text>\"");
    let (code, text) = line(bytes)?.split_once(',').ok_or(WANTED)?;
    let code = i32::try_from(whole(code.trim()).map_err(|_| WANTED)?).map_err(|_| WANTED)?;
    let text = text.trim().strip_prefix('"').and_then(|t| t.strip_suffix('"')).ok_or(WANTED)?;
    // A quote inside a string is doubled (IEEE 488.2, string response data).
    if text.replace("\"\"", "").contains('"') {
        return Err(WANTED);
    }
    Ok((code, text.replace("\"\"", "\"")))
}

/// An identity: four fields between commas (IEEE 488.2, `*IDN?`); fewer are taken too, a bare number is not.
///
/// # Errors
/// As [`line()`], and [`Misfit::WrongType`].
pub fn identity(bytes: &[u8]) -> Result<&str, Misfit> {
    let text = line(bytes)?;
    let plain = text.split([';', ',']).all(|f| is_nrf(f.trim().as_bytes()) || boolean(f.trim()).is_ok());
    if plain || error_entry(bytes).is_ok() {
        return Err(Misfit::WrongType("an identity"));
    }
    Ok(text)
}

/// Sign, digits with at most one point, exponent; nothing else.
fn is_nrf(bytes: &[u8]) -> bool {
    let digits = |b: &[u8]| !b.is_empty() && b.iter().all(u8::is_ascii_digit);
    let unsigned = |b: &[u8]| matches!(b.first(), Some(b'+' | b'-')).then_some(1).unwrap_or(0);
    let bytes = &bytes[unsigned(bytes)..];
    let (mantissa, exponent) = match bytes.iter().position(|b| matches!(b, b'e' | b'E')) {
        Some(at) => (&bytes[..at], Some(&bytes[at + 1..])),
        None => (bytes, None),
    };
    let mantissa_fits = match mantissa.iter().position(|b| *b == b'.') {
        Some(at) => {
            let (whole, rest) = (&mantissa[..at], &mantissa[at + 1..]);
            (digits(whole) || digits(rest))
                && (whole.is_empty() || digits(whole))
                && (rest.is_empty() || digits(rest))
        }
        None => digits(mantissa),
    };
    mantissa_fits && exponent.is_none_or(|e| digits(&e[unsigned(e)..]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Forms of IEEE 488.2 section 8.7 (from memory): NR1, NR2, NR3.
    #[test]
    fn every_numeric_form_is_read() {
        for (text, value) in [
            ("7", 7.0),
            ("-7", -7.0),
            ("+007", 7.0),
            ("7.25", 7.25),
            (".5", 0.5),
            ("5.", 5.0),
            ("-0.001", -0.001),
            ("7.25E+00", 7.25),
            ("+7.25E-3", 0.00725),
            ("1e2", 100.0),
        ] {
            assert_eq!(number(text), Ok(value), "{text}");
        }
    }

    #[test]
    fn text_that_rust_would_take_for_a_number_is_not_one() {
        for text in [
            "nan",
            "inf",
            "-infinity",
            "",
            "+",
            ".",
            "1.2.3",
            "1e",
            "1e+",
            "5.0V",
            "0x10",
            "1_0",
            "1,2",
            "e5",
        ] {
            assert_eq!(number(text), Err(Misfit::WrongType("a number")), "{text}");
        }
    }

    #[test]
    fn scpi_not_a_number_and_infinities_are_refused() {
        for text in ["9.91E37", "9.91E+37", "9.9E37", "-9.9E37", "1e400"] {
            assert!(matches!(number(text), Err(Misfit::OutOfRange(_))), "{text}");
        }
        assert!(number("9.91E37").unwrap_err().to_string().contains("not-a-number"));
        assert!(number("-9.9E37").unwrap_err().to_string().contains("infinity"));
    }

    #[test]
    fn a_voltage_is_never_taken_for_a_switch_position() {
        assert_eq!(boolean("1"), Ok(true));
        assert_eq!(boolean("off"), Ok(false));
        for text in ["1.0", "2", "", "-1", "TRUE", "0.000"] {
            assert!(boolean(text).is_err(), "{text}");
        }
    }

    /// Numbers of SCPI-1999 vol. 2, chapter 21 (error/event queue): -113, -222, -350.
    #[test]
    fn error_queue_entries_are_read_whole_or_not_at_all() {
        assert_eq!(error_entry(b"0,\"No error\"\r"), Ok((0, "No error".into())));
        assert_eq!(error_entry(b"+0,\"No error\""), Ok((0, "No error".into())));
        assert_eq!(error_entry(b" -113,\"Undefined header;VOL\""), Ok((-113, "Undefined header;VOL".into())));
        assert_eq!(error_entry(b"-222,\"Data \"\"out\"\"\""), Ok((-222, "Data \"out\"".into())));
        assert_eq!(error_entry(b"-350, \"Queue overflow\""), Ok((-350, "Queue overflow".into())));
        for bad in
            [&b"0"[..], b"0,No error", b"0,\"No err", b"x,\"y\"", b"1.5,\"y\"", b"", b"0,\"a\"b\"", b"0,\""]
        {
            assert!(error_entry(bad).is_err(), "{}", bad.escape_ascii());
        }
    }

    #[test]
    fn more_or_fewer_fields_than_asked_are_an_error() {
        assert_eq!(fields(b" 7.0 ; 2.5 \r", 2), Ok(vec!["7.0", "2.5"]));
        assert_eq!(fields(b"7.0;2.5", 1), Err(Misfit::Fields { wanted: 1, found: 2 }));
        assert_eq!(fields(b"7.0", 2), Err(Misfit::Fields { wanted: 2, found: 1 }));
        assert_eq!(fields(b"  \r\n", 1), Err(Misfit::Empty));
        assert_eq!(fields(b"7.0\xff", 1), Err(Misfit::NotAscii));
        assert_eq!(fields(b"7.\x000", 1), Err(Misfit::NotAscii));
    }

    #[test]
    fn a_late_number_is_never_taken_for_an_identity() {
        for late in [&b"7.02"[..], b"1", b"7.0;2.5;1", b"OFF", b"0,\"No error\""] {
            assert!(identity(late).is_err(), "{}", late.escape_ascii());
        }
        assert_eq!(identity(b"MAKER,MODEL,0,1.0\r"), Ok("MAKER,MODEL,0,1.0"));
    }

    proptest! {
        #[test]
        fn no_bytes_make_a_parser_panic_or_yield_what_is_not_finite(bytes in proptest::collection::vec(any::<u8>(), 0..64)) {
            let _ = error_entry(&bytes);
            let _ = identity(&bytes);
            for n in 1..4 {
                if let Ok(all) = fields(&bytes, n) {
                    prop_assert_eq!(all.len(), n);
                    for field in all {
                        if let Ok(value) = number(field) {
                            prop_assert!(value.is_finite() && value.abs() < 9.9e37);
                        }
                    }
                }
            }
        }

        #[test]
        fn a_printed_number_reads_back(value in -1e6f64..1e6) {
            prop_assert_eq!(number(&format!("{value}")), Ok(value));
            prop_assert_eq!(number(&format!("{value:e}")), Ok(value));
        }
    }
}

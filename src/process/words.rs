//! The words of a step, read from a file: shared by order files and process sheets.

use super::{Between, Confirm, End, Entry, Hold, Ramp, Standard, Turn};
use crate::quantity::{Field, Table};

/// Absent is `Some(None)`; present and bad is `None`, with its problem noted by `get`.
#[expect(clippy::option_option, reason = "absent, bad and good are three things here")]
pub(crate) fn optional<'d, T>(
    table: &Table<'d>,
    key: &'static str,
    get: impl FnOnce(&Table<'d>) -> Option<T>,
) -> Option<Option<T>> {
    let present = table.has(key);
    match get(table) {
        Some(value) => Some(Some(value)),
        None if present => None,
        None => Some(None),
    }
}

/// The one of these keys that is there; none or several is a problem.
pub(crate) fn one_of(table: &Table<'_>, keys: &[&'static str]) -> Option<&'static str> {
    let present: Vec<_> = keys.iter().copied().filter(|key| table.has(key)).collect();
    let list = keys.join(", ");
    if let [only] = present[..] {
        return Some(only);
    }
    for key in keys {
        // Asked for, so that a second one is not called unknown as well.
        let _ = table.may(key);
    }
    match present.get(1) {
        Some(second) => table.problem(second, format!("more than one of {list}"), "keep one of them"),
        None => table.report(format!("has none of {list}"), "write one of them"),
    }
    None
}

/// What is held, if the table says so.
#[expect(clippy::option_option, reason = "absent, bad and good are three things here")]
pub(crate) fn hold(table: &Table<'_>) -> Option<Option<Hold>> {
    optional(table, "hold", |t| {
        let table = t.may("hold").table()?;
        match one_of(&table, &["density", "current", "voltage"])? {
            "density" => table.need("density").positive().map(Hold::Density),
            "current" => table.need("current").positive().map(Hold::Current),
            _ => table.need("voltage").positive().map(Hold::Voltage),
        }
    })
}

/// What ends the step.
pub(crate) fn end(field: &Field<'_>) -> Option<End> {
    let table = field.table()?;
    match one_of(&table, &["thickness", "minimum", "standard", "charge", "time"])? {
        "thickness" => table.need("thickness").positive().map(End::Thickness),
        "minimum" => table.need("minimum").positive().map(End::Minimum),
        "standard" => {
            let field = table.need("standard");
            match field.text()?.parse::<Standard>() {
                Ok(standard) => Some(End::Standard(standard)),
                Err(e) => field.bad(e.wrong(), e.remedy()),
            }
        }
        "charge" => table.need("charge").positive().map(End::Charge),
        _ => table.need("time").positive().map(End::Time),
    }
}

/// How the part meets the tank, if the table says so.
#[expect(clippy::option_option, reason = "absent, bad and good are three things here")]
pub(crate) fn entry(table: &Table<'_>) -> Option<Option<Entry>> {
    optional(table, "entry", |t| {
        t.may("entry").choice(&[
            ("dead", Entry::Dead),
            ("live", Entry::Live),
            ("on-contact", Entry::OnContact),
        ])
    })
}

/// How gently, if the table says so.
#[expect(clippy::option_option, reason = "absent, bad and good are three things here")]
pub(crate) fn ramp(table: &Table<'_>) -> Option<Option<Ramp>> {
    optional(table, "ramp", |t| {
        let table = t.may("ramp").table()?;
        match one_of(&table, &["time", "current", "voltage"])? {
            "time" => table.need("time").positive().map(Ramp::Time),
            "current" => table.need("current").positive().map(Ramp::Current),
            _ => table.need("voltage").positive().map(Ramp::Voltage),
        }
    })
}

/// Turning, if the table says so.
#[expect(clippy::option_option, reason = "absent, bad and good are three things here")]
pub(crate) fn turn(table: &Table<'_>) -> Option<Option<Turn>> {
    optional(table, "turn", |t| {
        let table = t.may("turn").table()?;
        let faces = table.need("faces").integer(2..=12);
        let between = optional(&table, "between", |t| {
            t.may("between").choice(&[("off", Between::Off), ("entry-voltage", Between::EntryVoltage)])
        });
        let confirm = optional(&table, "confirm", |t| {
            t.may("confirm").choice(&[("operator", Confirm::Operator), ("contact", Confirm::Contact)])
        });
        Some(Turn {
            faces: u8::try_from(faces?).ok()?,
            between: between?.unwrap_or_default(),
            confirm: confirm?.unwrap_or_default(),
        })
    })
}

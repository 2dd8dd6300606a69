//! What every framing's table holds, and the small readers that they share.

use super::{Persistence, PowerUp, Timing};
use crate::quantity::{Amps, Field, Span, Table, Volts};
use std::time::Duration;

/// Keys that every framing's table has.
pub(super) struct Common {
    pub timing: Timing,
    pub setpoints: Persistence,
    pub power_up: PowerUp,
    pub dtr: Option<bool>,
    pub rts: Option<bool>,
}

pub(super) fn read(table: &Table<'_>) -> Option<Common> {
    let setpoints = table.need("setpoints").choice(&[
        ("volatile", Persistence::Volatile),
        ("persistent", Persistence::Persistent),
        ("unknown", Persistence::Unknown),
    ]);
    let power_up = table.may("power-up");
    let power_up = if table.has("power-up") {
        power_up.choice(&[("off", PowerUp::Off), ("on", PowerUp::On), ("unknown", PowerUp::Unknown)])
    } else {
        Some(PowerUp::Unknown)
    };
    let dtr = table.may("dtr").flag();
    let rts = table.may("rts").flag();
    let timing = table.need("timing").table().and_then(|t| timing(&t));
    Some(Common { timing: timing?, setpoints: setpoints?, power_up: power_up?, dtr, rts })
}

fn timing(t: &Table<'_>) -> Option<Timing> {
    let reply = t.need("reply-timeout").within(Span::new(0.01), Span::new(10.0));
    let gap = t.need("gap-timeout").within(Span::new(0.005), Span::new(10.0));
    let min_gap = t.need("min-gap").within(Span::ZERO, Span::new(1.0));
    let (reply, gap, min_gap) = (reply?, gap?, min_gap?);
    if gap > reply {
        t.problem("gap-timeout", "is longer than reply-timeout", format!("write {reply} or less"));
        return None;
    }
    Some(Timing { reply_timeout: reply.duration(), gap_timeout: gap.duration(), min_gap: min_gap.duration() })
}

/// The time after which a communication watchdog switches off.
pub(super) fn watchdog_time(t: &Table<'_>, key: &'static str) -> Option<Duration> {
    Some(t.need(key).within(Span::new(0.5), Span::new(60.0))?.duration())
}

/// A table that is left out is fine; one that is there and wrong is not.
pub(super) fn optional<T>(
    parent: &Table<'_>,
    key: &'static str,
    read: impl FnOnce(&Table<'_>) -> Option<T>,
) -> Option<Option<T>> {
    let field = parent.may(key);
    if !parent.has(key) {
        return Some(None);
    }
    field.table().and_then(|t| read(&t)).map(Some)
}

/// The steps of setpoints.
pub(super) fn steps(t: &Table<'_>) -> Option<(Volts, Amps)> {
    let volts = t.need("volts-step").positive();
    let amps = t.need("amps-step").positive();
    volts.zip(amps)
}

/// The largest values that are believed.
pub(super) fn most(t: &Table<'_>) -> Option<(Volts, Amps)> {
    let volts = t.need("volts-most").positive();
    let amps = t.need("amps-most").positive();
    volts.zip(amps)
}

pub(super) fn line_end(field: Field<'_>) -> Option<Vec<u8>> {
    let end: &[u8] = field.choice(&[("lf", b"\n" as &[u8]), ("cr", b"\r"), ("crlf", b"\r\n")])?;
    Some(end.into())
}

/// What every line must be: printable, one command, not empty.
fn plain(t: &Table<'_>, key: &'static str) -> Option<String> {
    let field = t.need(key);
    let text = field.text()?;
    if text.trim() != text || !text.bytes().all(|b| matches!(b, b' '..=b'~')) {
        return field
            .bad(format!("{text:?} is not a command"), "write printable ASCII without blanks around it");
    }
    if text.contains(';') {
        return field.bad(format!("{text:?} is more than one command"), "write one");
    }
    Some(text)
}

pub(super) fn query(t: &Table<'_>, key: &'static str) -> Option<String> {
    let text = plain(t, key)?;
    if !text.split(' ').next().is_some_and(|header| header.ends_with('?')) {
        t.problem(key, format!("{text:?} asks nothing"), "end the query's header in \"?\"");
        return None;
    }
    Some(text)
}

pub(super) fn command(t: &Table<'_>, key: &'static str) -> Option<String> {
    let text = plain(t, key)?;
    if text.contains('?') {
        t.problem(key, format!("{text:?} asks instead of setting"), "drop the \"?\"");
        return None;
    }
    Some(text)
}

/// A command that a value is put behind.
pub(super) fn header(t: &Table<'_>, key: &'static str) -> Option<String> {
    let text = command(t, key)?;
    if text.contains(' ') {
        t.problem(key, format!("{text:?} already has a value"), "write the header alone");
        return None;
    }
    Some(text)
}

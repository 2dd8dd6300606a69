//! The `[scpi]` table: text lines after SCPI-1999 and IEEE 488.2.

use super::reader::{Reader, Table};
use super::{Range, Timing};
use crate::quantity::{Amps, Span, Volts};
use std::time::Duration;

/// Whether setpoints survive a power cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Persistence {
    /// They do not.
    Volatile,
    /// They do: each write wears a memory cell.
    Persistent,
    /// Not known.
    Unknown,
}

/// Commands of one protection that the supply has of its own.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Protection {
    /// Sets the level; the value follows.
    pub level: String,
    /// Asks for the level.
    pub level_read: String,
    /// Arms it; `None` where it is always armed.
    pub switch_on: Option<String>,
    /// Asks whether it is armed.
    pub switch_read: Option<String>,
    /// Asks whether it has tripped.
    pub tripped: String,
    /// Clears a trip.
    pub clear: String,
}

/// Where the supply says which limit it holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RegulationBits {
    /// Asks for the register (NR1).
    pub read: String,
    /// Set while it holds the current.
    pub constant_current: u8,
    /// Set while it holds the voltage.
    pub constant_voltage: u8,
    /// Set while it is too hot.
    pub over_temperature: Option<u8>,
}

/// Everything that is said in this framing.
#[derive(Clone, Debug, PartialEq)]
pub struct Scpi {
    /// Ends a line to the supply.
    pub send_end: Vec<u8>,
    /// Ends a line from the supply.
    pub reply_end: Vec<u8>,
    /// Whether several queries may go in one line.
    pub joined: bool,
    /// Whether setpoints survive a power cut.
    pub setpoints: Persistence,
    /// Asks who it is.
    pub identity: String,
    /// Asks for the oldest entry of the error queue.
    pub error: String,
    /// Asks for measured volts.
    pub volts: String,
    /// Asks for measured amperes.
    pub amps: String,
    /// Asks whether the output is on.
    pub output: String,
    /// Asks for the voltage setpoint.
    pub set_volts_read: String,
    /// Asks for the current setpoint.
    pub set_amps_read: String,
    /// Sets the voltage; the value follows.
    pub set_volts: String,
    /// Sets the current; the value follows.
    pub set_amps: String,
    /// Switches the output on.
    pub output_on: String,
    /// Switches the output off.
    pub output_off: String,
    /// Empties the error queue.
    pub clear_status: String,
    /// Its own over-voltage protection.
    pub over_voltage: Option<Protection>,
    /// Its own over-current protection.
    pub over_current: Option<Protection>,
    /// Where it says which limit it holds.
    pub regulation: Option<RegulationBits>,
}

type Parts = (Timing, Range, Option<bool>, Option<bool>, Scpi);

pub(super) fn read(r: &mut Reader<'_>, table: &mut Table<'_, '_>) -> Option<Parts> {
    let send_end = line_end(r, table, "send-end");
    let reply_end = line_end(r, table, "reply-end");
    let joined = r.flag(table, "joined");
    let setpoints = r.choice(
        table,
        "setpoints",
        &[
            ("volatile", Persistence::Volatile),
            ("persistent", Persistence::Persistent),
            ("unknown", Persistence::Unknown),
        ],
    );
    let dtr = r.flag_if(table, "dtr");
    let rts = r.flag_if(table, "rts");
    let timing = r.table(table, "timing", timing).flatten();
    let range = r.table(table, "range", range).flatten();
    let queries = r
        .table(table, "queries", |r, t| {
            let all = ["identity", "error", "volts", "amps", "output", "set-volts", "set-amps"];
            all.map(|key| query(r, t, key))
        })
        .unwrap_or_default();
    let commands = r
        .table(table, "commands", |r, t| {
            let [volts, amps] = ["set-volts", "set-amps"].map(|key| header(r, t, key));
            let [on, off, clear] = ["output-on", "output-off", "clear-status"].map(|key| command(r, t, key));
            [volts, amps, on, off, clear]
        })
        .unwrap_or_default();
    let over_voltage = optional(r.table_if(table, "over-voltage", protection));
    let over_current = optional(r.table_if(table, "over-current", protection));
    let regulation = optional(r.table_if(table, "regulation", regulation));

    let [identity, error, volts, amps, output, set_volts_read, set_amps_read] = queries;
    let [set_volts, set_amps, output_on, output_off, clear_status] = commands;
    let scpi = Scpi {
        send_end: send_end?,
        reply_end: reply_end?,
        joined: joined?,
        setpoints: setpoints?,
        identity: identity?,
        error: error?,
        volts: volts?,
        amps: amps?,
        output: output?,
        set_volts_read: set_volts_read?,
        set_amps_read: set_amps_read?,
        set_volts: set_volts?,
        set_amps: set_amps?,
        output_on: output_on?,
        output_off: output_off?,
        clear_status: clear_status?,
        over_voltage: over_voltage?,
        over_current: over_current?,
        regulation: regulation?,
    };
    Some((timing?, range?, dtr, rts, scpi))
}

/// A table that is left out is fine; one that is there and wrong is not.
fn optional<T>(read: Option<Option<T>>) -> Option<Option<T>> {
    match read {
        None => Some(None),
        Some(None) => None,
        Some(Some(value)) => Some(Some(value)),
    }
}

fn timing(r: &mut Reader<'_>, t: &mut Table<'_, '_>) -> Option<Timing> {
    let reply = span(r, t, "reply-timeout", 0.01, 10.0);
    let gap = span(r, t, "gap-timeout", 0.005, 10.0);
    let min_gap = span(r, t, "min-gap", 0.0, 1.0);
    let ((reply_timeout, _), (gap_timeout, at), (min_gap, _)) = (reply?, gap?, min_gap?);
    if gap_timeout > reply_timeout {
        r.wrong(t, "gap-timeout", at, "is longer than reply-timeout; write at most that");
        return None;
    }
    Some(Timing { reply_timeout, gap_timeout, min_gap })
}

fn span(
    r: &mut Reader<'_>,
    t: &mut Table<'_, '_>,
    key: &'static str,
    least: f64,
    most: f64,
) -> Option<(Duration, usize)> {
    let (span, at) = r.quantity::<Span>(t, key)?;
    if span.get() < least || span.get() > most {
        r.wrong(t, key, at, format!("is outside {least} s to {most} s"));
        return None;
    }
    Some((span.duration(), at))
}

fn range(r: &mut Reader<'_>, t: &mut Table<'_, '_>) -> Option<Range> {
    let positive = |r: &mut Reader<'_>, t: &Table<'_, '_>, key, value: Option<(f64, usize)>| {
        let (value, at) = value?;
        if value <= 0.0 {
            r.wrong(t, key, at, "is not more than zero");
            return None;
        }
        Some(value)
    };
    let mut volts = |r: &mut Reader<'_>, key| {
        let value = r.quantity::<Volts>(t, key).map(|(v, at)| (v.get(), at));
        positive(r, t, key, value).map(Volts::new)
    };
    let volts_step = volts(r, "volts-step");
    let volts_most = volts(r, "volts-most");
    let mut amps = |r: &mut Reader<'_>, key| {
        let value = r.quantity::<Amps>(t, key).map(|(v, at)| (v.get(), at));
        positive(r, t, key, value).map(Amps::new)
    };
    let amps_step = amps(r, "amps-step");
    let amps_most = amps(r, "amps-most");
    Some(Range {
        volts_step: volts_step?,
        amps_step: amps_step?,
        volts_most: volts_most?,
        amps_most: amps_most?,
    })
}

fn protection(r: &mut Reader<'_>, t: &mut Table<'_, '_>) -> Option<Protection> {
    let level = header(r, t, "level");
    let level_read = query(r, t, "level-read");
    let armed = t.has("switch-on") || t.has("switch-read");
    let switch_on = if armed { command(r, t, "switch-on") } else { None };
    let switch_read = if armed { query(r, t, "switch-read") } else { None };
    let tripped = query(r, t, "tripped");
    let clear = command(r, t, "clear");
    if armed && (switch_on.is_none() || switch_read.is_none()) {
        return None;
    }
    Some(Protection {
        level: level?,
        level_read: level_read?,
        switch_on,
        switch_read,
        tripped: tripped?,
        clear: clear?,
    })
}

fn regulation(r: &mut Reader<'_>, t: &mut Table<'_, '_>) -> Option<RegulationBits> {
    let read = query(r, t, "read");
    let current = r.bit(t, "constant-current-bit");
    let voltage = r.bit(t, "constant-voltage-bit");
    let hot = if t.has("over-temperature-bit") { Some(r.bit(t, "over-temperature-bit")?) } else { None };
    let ((current, _), (voltage, at)) = (current?, voltage?);
    if current == voltage {
        r.wrong(t, "constant-voltage-bit", at, "is the same bit as constant-current-bit");
        return None;
    }
    if let Some((bit, at)) = hot
        && (bit == current || bit == voltage)
    {
        r.wrong(t, "over-temperature-bit", at, "is the same bit as one for regulation");
        return None;
    }
    Some(RegulationBits {
        read: read?,
        constant_current: current,
        constant_voltage: voltage,
        over_temperature: hot.map(|(bit, _)| bit),
    })
}

fn line_end(r: &mut Reader<'_>, t: &mut Table<'_, '_>, key: &'static str) -> Option<Vec<u8>> {
    let (text, span) = r.spanned(t, key)?;
    if !matches!(text.as_str(), "\n" | "\r" | "\r\n") {
        r.wrong(t, key, span.start, r#"is not a line end; write "\n", "\r" or "\r\n""#);
        return None;
    }
    Some(text.into_bytes())
}

/// What every line must be: printable, one command, not empty.
fn plain(r: &mut Reader<'_>, t: &mut Table<'_, '_>, key: &'static str) -> Option<(String, usize)> {
    let (text, span) = r.spanned(t, key)?;
    let at = span.start;
    if text.trim() != text || text.is_empty() || !text.bytes().all(|b| matches!(b, b' '..=b'~')) {
        r.wrong(
            t,
            key,
            at,
            format!("{text:?} is not a command; write printable ASCII without blanks around it"),
        );
        return None;
    }
    if text.contains(';') {
        r.wrong(t, key, at, format!("{text:?} is more than one command; write one"));
        return None;
    }
    Some((text, at))
}

fn query(r: &mut Reader<'_>, t: &mut Table<'_, '_>, key: &'static str) -> Option<String> {
    let (text, at) = plain(r, t, key)?;
    if !text.split(' ').next().is_some_and(|header| header.ends_with('?')) {
        r.wrong(t, key, at, format!("{text:?} asks nothing; a query's header ends in \"?\""));
        return None;
    }
    Some(text)
}

fn command(r: &mut Reader<'_>, t: &mut Table<'_, '_>, key: &'static str) -> Option<String> {
    let (text, at) = plain(r, t, key)?;
    if text.contains('?') {
        r.wrong(t, key, at, format!("{text:?} asks instead of setting; drop the \"?\""));
        return None;
    }
    Some(text)
}

/// A command that a value is put behind.
fn header(r: &mut Reader<'_>, t: &mut Table<'_, '_>, key: &'static str) -> Option<String> {
    let at = r.spanned_at(t, key);
    let text = command(r, t, key)?;
    if text.contains(' ') {
        r.wrong(t, key, at, format!("{text:?} already has a value; write the header alone"));
        return None;
    }
    Some(text)
}

//! The `[scpi]` table: text lines after SCPI-1999 and IEEE 488.2.

use super::{Range, Timing};
use crate::quantity::{Field, Span, Table};

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

pub(super) fn read(table: &Table<'_>) -> Option<Parts> {
    let send_end = line_end(table.need("send-end"));
    let reply_end = line_end(table.need("reply-end"));
    let joined = table.need("joined").flag();
    let setpoints = table.need("setpoints").choice(&[
        ("volatile", Persistence::Volatile),
        ("persistent", Persistence::Persistent),
        ("unknown", Persistence::Unknown),
    ]);
    let dtr = table.may("dtr").flag();
    let rts = table.may("rts").flag();
    let timing = table.need("timing").table().and_then(|t| timing(&t));
    let range = table.need("range").table().and_then(|t| range(&t));
    let queries = table.need("queries").table().map(|t| {
        ["identity", "error", "volts", "amps", "output", "set-volts", "set-amps"].map(|key| query(&t, key))
    });
    let commands = table.need("commands").table().map(|t| {
        let [volts, amps] = ["set-volts", "set-amps"].map(|key| header(&t, key));
        let [on, off, clear] = ["output-on", "output-off", "clear-status"].map(|key| command(&t, key));
        [volts, amps, on, off, clear]
    });
    let over_voltage = optional(table, "over-voltage", protection);
    let over_current = optional(table, "over-current", protection);
    let regulation = optional(table, "regulation", regulation);

    let [identity, error, volts, amps, output, set_volts_read, set_amps_read] = queries?;
    let [set_volts, set_amps, output_on, output_off, clear_status] = commands?;
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
fn optional<T>(
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

fn range(t: &Table<'_>) -> Option<Range> {
    let volts_step = t.need("volts-step").positive();
    let amps_step = t.need("amps-step").positive();
    let volts_most = t.need("volts-most").positive();
    let amps_most = t.need("amps-most").positive();
    Some(Range {
        volts_step: volts_step?,
        amps_step: amps_step?,
        volts_most: volts_most?,
        amps_most: amps_most?,
    })
}

fn protection(t: &Table<'_>) -> Option<Protection> {
    let level = header(t, "level");
    let level_read = query(t, "level-read");
    let armed = ["switch-on", "switch-read"].map(|key| {
        let _ = t.may(key);
        t.has(key)
    });
    let switch = armed.contains(&true).then(|| command(t, "switch-on").zip(query(t, "switch-read")));
    let tripped = query(t, "tripped");
    let clear = command(t, "clear");
    let (switch_on, switch_read) = match switch {
        None => (None, None),
        Some(pair) => {
            let (on, read) = pair?;
            (Some(on), Some(read))
        }
    };
    Some(Protection {
        level: level?,
        level_read: level_read?,
        switch_on,
        switch_read,
        tripped: tripped?,
        clear: clear?,
    })
}

fn regulation(t: &Table<'_>) -> Option<RegulationBits> {
    let bit = |field: Field<'_>| field.integer(0..=15).and_then(|bit| u8::try_from(bit).ok());
    let read = query(t, "read");
    let current = bit(t.need("constant-current-bit"));
    let voltage = bit(t.need("constant-voltage-bit"));
    let hot = t.may("over-temperature-bit");
    let hot = if t.has("over-temperature-bit") { bit(hot).map(Some) } else { Some(None) };
    let (current, voltage, hot) = (current?, voltage?, hot?);
    if current == voltage {
        t.problem("constant-voltage-bit", "is the same bit as constant-current-bit", "write another");
        return None;
    }
    if hot == Some(current) || hot == Some(voltage) {
        t.problem("over-temperature-bit", "is the same bit as one for regulation", "write another");
        return None;
    }
    Some(RegulationBits {
        read: read?,
        constant_current: current,
        constant_voltage: voltage,
        over_temperature: hot,
    })
}

fn line_end(field: Field<'_>) -> Option<Vec<u8>> {
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

fn query(t: &Table<'_>, key: &'static str) -> Option<String> {
    let text = plain(t, key)?;
    if !text.split(' ').next().is_some_and(|header| header.ends_with('?')) {
        t.problem(key, format!("{text:?} asks nothing"), "end the query's header in \"?\"");
        return None;
    }
    Some(text)
}

fn command(t: &Table<'_>, key: &'static str) -> Option<String> {
    let text = plain(t, key)?;
    if text.contains('?') {
        t.problem(key, format!("{text:?} asks instead of setting"), "drop the \"?\"");
        return None;
    }
    Some(text)
}

/// A command that a value is put behind.
fn header(t: &Table<'_>, key: &'static str) -> Option<String> {
    let text = command(t, key)?;
    if text.contains(' ') {
        t.problem(key, format!("{text:?} already has a value"), "write the header alone");
        return None;
    }
    Some(text)
}

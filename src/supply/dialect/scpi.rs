//! The `[scpi]` table: text lines after SCPI-1999 and IEEE 488.2.

use super::Range;
use super::shared::{command, header, line_end, most, optional, query, steps, watchdog_time};
use crate::quantity::{Field, Table};
use std::time::Duration;

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

/// Which channel of a supply with several everything goes to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Select {
    /// Selects it.
    pub command: String,
    /// Asks which is selected.
    pub read: String,
    /// What the supply must answer to that.
    pub answer: String,
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
    /// Arms its communication watchdog, which switches off when nobody talks to it.
    pub watchdog: Option<String>,
    /// After so long without a question it switches off; `None` only where there is no watchdog.
    pub watchdog_time: Option<Duration>,
    /// Disarms it, once the output is off and nobody will talk.
    pub unwatch: Option<String>,
    /// Selects the channel; sent before everything else that is said.
    pub select: Option<Select>,
    /// Its own over-voltage protection.
    pub over_voltage: Option<Protection>,
    /// Its own over-current protection.
    pub over_current: Option<Protection>,
    /// Where it says which limit it holds.
    pub regulation: Option<RegulationBits>,
}

pub(super) fn read(table: &Table<'_>) -> Option<(Range, Scpi)> {
    let send_end = line_end(table.need("send-end"));
    let reply_end = line_end(table.need("reply-end"));
    let joined = table.need("joined").flag();
    let range = table.need("range").table().and_then(|t| steps(&t).zip(most(&t)));
    let queries = table.need("queries").table().map(|t| {
        ["identity", "error", "volts", "amps", "output", "set-volts", "set-amps"].map(|key| query(&t, key))
    });
    let commands = table.need("commands").table().map(|t| {
        let [volts, amps] = ["set-volts", "set-amps"].map(|key| header(&t, key));
        let [on, off, clear] = ["output-on", "output-off", "clear-status"].map(|key| command(&t, key));
        [volts, amps, on, off, clear]
    });
    let watchdog = optional(table, "watchdog", |t| {
        let arm = command(t, "arm");
        let time = watchdog_time(t, "time");
        let _ = t.may("disarm");
        let disarm = if t.has("disarm") { command(t, "disarm").map(Some) } else { Some(None) };
        Some((arm?, time?, disarm?))
    });
    let select = optional(table, "channel", select);
    let over_voltage = optional(table, "over-voltage", protection);
    let over_current = optional(table, "over-current", protection);
    let regulation = optional(table, "regulation", regulation);

    let [identity, error, volts, amps, output, set_volts_read, set_amps_read] = queries?;
    let [set_volts, set_amps, output_on, output_off, clear_status] = commands?;
    let (watchdog, watchdog_time, unwatch) =
        watchdog?.map_or((None, None, None), |(arm, time, disarm)| (Some(arm), Some(time), disarm));
    let scpi = Scpi {
        send_end: send_end?,
        reply_end: reply_end?,
        joined: joined?,
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
        watchdog,
        watchdog_time,
        unwatch,
        select: select?,
        over_voltage: over_voltage?,
        over_current: over_current?,
        regulation: regulation?,
    };
    let ((volts_step, amps_step), (volts_most, amps_most)) = range?;
    Some((Range { volts_step, amps_step, volts_most, amps_most }, scpi))
}

fn select(t: &Table<'_>) -> Option<Select> {
    let select = command(t, "select");
    let read = query(t, "read");
    let answer = t.need("answer").text();
    Some(Select { command: select?, read: read?, answer: answer?.trim().to_owned() })
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

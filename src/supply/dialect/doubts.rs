//! What a dialect says twice and differently: set here, read back there.

use super::modbus::{Modbus, Scaled};
use super::{Dialect, Kind};
use crate::quantity::{Amps, Volts};

impl Dialect {
    /// What is more likely a slip than meant, a sentence each. Nothing is refused for it: `check` prints it.
    pub fn doubts(&self) -> Vec<String> {
        match &self.kind {
            Kind::Modbus(modbus) => doubts(modbus).into_iter().chain(self.unproved_doubt()).collect(),
            Kind::Scpi(scpi) => [
                ("set-volts", &scpi.set_volts, &scpi.set_volts_read),
                ("set-amps", &scpi.set_amps, &scpi.set_amps_read),
            ]
            .into_iter()
            .filter(|(_, set, read)| read.split(' ').next() != Some(&format!("{set}?")))
            .map(|(key, set, read)| {
                format!("{key} is set with {set:?} and read back with {read:?}; look whether both mean the same setpoint")
            })
            .collect(),
            Kind::Line(_) => Vec::new(),
        }
    }
}

/// A setpoint: its key, what is written, what is read back, and how a count of one is put into words.
type Setpoint = (&'static str, Scaled, Scaled, fn(f64) -> String);

fn setpoints(m: &Modbus) -> [Setpoint; 2] {
    [
        ("set-volts", m.set_volts, m.set_volts_read, |n| Volts::new(n).to_string()),
        ("set-amps", m.set_amps, m.set_amps_read, |n| Amps::new(n).to_string()),
    ]
}

/// What cannot be right: key, what is wrong, what would be right.
pub(super) fn contradictions(m: &Modbus) -> Vec<(&'static str, String, String)> {
    let mut found = Vec::new();
    for (key, set, read, one) in setpoints(m) {
        let alike = set.form == read.form && (set.per_count / read.per_count - 1.0).abs() < 1e-9;
        if (set.space, set.register) == (read.space, read.register) && !alike {
            found.push((
                "read",
                format!(
                    "{key} is written to register {} by {} a count and read back from the same register by {}",
                    set.register,
                    one(set.per_count),
                    one(read.per_count)
                ),
                "write the same scale and type in [modbus.write] and in [modbus.read]".into(),
            ));
        }
    }
    let crossed = |set: Scaled, read: Scaled| (set.space, set.register) == (read.space, read.register);
    if crossed(m.set_volts, m.set_amps_read) || crossed(m.set_amps, m.set_volts_read) {
        found.push((
            "read",
            "the volts that are set are read back as amperes, or the other way round: set-volts and set-amps are exchanged"
                .into(),
            "exchange the two registers in [modbus.read] or in [modbus.write]".into(),
        ));
    }
    let same = (m.output.space, m.output.register) == (m.output_on.space, m.output_on.register);
    if same && (m.output_on.word, m.output_off.word) != (m.output.word, m.output_is_off) {
        found.push((
            "read",
            format!(
                "output is written to {} {} as {} for on and {} for off, and read back from there as {} and {}",
                m.output.space.place(),
                m.output.register, m.output_on.word, m.output_off.word, m.output.word, m.output_is_off
            ),
            "write the same words in [modbus.write] and in [modbus.read]".into(),
        ));
    }
    found
}

fn doubts(m: &Modbus) -> Vec<String> {
    let mut found = Vec::new();
    for (key, set, read, one) in setpoints(m) {
        if (set.space, set.register) != (read.space, read.register)
            && (set.per_count / read.per_count - 1.0).abs() > 1e-9
        {
            found.push(format!(
                "{key} is written by {} a count (register {}) and read back by {} a count (register {}); look whether the \
                 manual means that, and try it on a resistor",
                one(set.per_count),
                set.register,
                one(read.per_count),
                read.register
            ));
        }
    }
    found.extend(numbers(m));
    let (on, off) = (m.output_on.word, m.output_off.word);
    if on == m.output_is_off || off == m.output.word {
        found.push(format!(
            "output: {on} is written for on and {off} for off, and {} is read as on and {} as off; look whether the words \
             are exchanged",
            m.output.word, m.output_is_off
        ));
    }
    found
}

/// Register numbers that look like those of a manual's table (1 is 40001 for holding registers, 30001 for input ones)
/// and not like those on the wire. Common practice of manuals; the specification counts from 0.
fn numbers(m: &Modbus) -> Option<String> {
    let mut all: Vec<u16> = vec![m.identity.first, m.output.register, m.output_on.register];
    let scaled = [m.volts, m.amps, m.set_volts_read, m.set_amps_read, m.set_volts, m.set_amps];
    all.extend(scaled.iter().map(|s| s.register));
    all.extend(m.regulation.map(|r| r.register));
    all.extend(m.trips.map(|t| t.register));
    all.extend(m.clear.map(|c| c.register));
    let levels = [m.over_voltage, m.over_current, m.known.map(|k| k.scaled), m.watchdog.map(|w| w.scaled)];
    all.extend(levels.iter().flatten().map(|s| s.register));
    all.retain(|n| (30_001..=39_999).contains(n) || (40_001..=49_999).contains(n));
    all.sort_unstable();
    all.dedup();
    let first = *all.first()?;
    let base = if first > 40_000 { 40_001 } else { 30_001 };
    let others = match all.len() {
        1 => String::new(),
        n => format!(", and {} more like it", n - 1),
    };
    Some(format!(
        "register {first}{others}: manuals count holding registers from 40001 and input registers from 30001, and the \
         wire counts from 0. If the manual says {first}, write {}; leave it only if the manual gives {first} as the \
         address on the wire",
        first - base
    ))
}

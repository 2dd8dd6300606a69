//! The supply's language: SCPI-1999 over IEEE 488.2, on the mimic's side.
//!
//! It shares no code with the station's side, so that one slip in the reading
//! of the standard is not made twice. Pure: bytes in, bytes out.
//!
//! Questionable condition, bit 0: voltage is not what was set (the supply holds
//! its current); bit 1: current is not what was set (it holds its voltage);
//! bit 4: over-temperature. Many supplies use bits 0 and 1 so; the standard does
//! not say (from memory).

mod error;
mod header;
mod value;

pub use error::{Error, QUEUE_DEPTH, Queue};
pub use header::{Form, Meaning, TREE};
pub use value::{Number, Suffix};

use super::bench::Bench;
use super::supply::{Holding, OutOfRange, Rating};
use crate::quantity::Mono;
use value::{boolean, number};

/// Longest message that is kept; a longer one is -363.
pub const INPUT_BUFFER: usize = 512;

/// What has come down one line and has not ended yet.
#[derive(Clone, Debug, Default)]
pub struct Input {
    bytes: Vec<u8>,
    overrun: bool,
}

impl Input {
    /// Takes one byte; the whole line when it ends here, cut where it is too long.
    pub fn line(&mut self, byte: u8) -> Option<Vec<u8>> {
        match byte {
            b'\n' | b'\r' => {
                self.overrun = false;
                return Some(std::mem::take(&mut self.bytes));
            }
            _ if self.bytes.len() < INPUT_BUFFER => self.bytes.push(byte),
            _ => self.overrun = true,
        }
        None
    }

    /// Forgets it: the line was closed, or the supply was deaf.
    pub fn clear(&mut self) {
        self.bytes.clear();
        self.overrun = false;
    }
}

/// The registers and queues of one supply, whichever line it is spoken to on.
#[derive(Clone, Debug)]
pub struct Instrument {
    identity: String,
    errors: Queue,
    event: u8,
    event_enable: u8,
    service_enable: u8,
    questionable: Register,
    operation: Register,
    power_ups: u32,
    /// The output that is selected, from 1; there is one, and an empty place beside it.
    channel: u8,
}

#[derive(Clone, Copy, Debug, Default)]
struct Register {
    condition: u16,
    event: u16,
    enable: u16,
}

impl Register {
    fn update(&mut self, condition: u16) {
        self.event |= condition & !self.condition;
        self.condition = condition;
    }
}

impl Instrument {
    /// With the rating and the serial number that `*IDN?` tells.
    pub fn new(rating: &Rating, serial: &str) -> Self {
        // Commas separate the four fields, and the field must stay printable.
        let serial: String = serial
            .chars()
            .filter(|c| c.is_ascii_graphic() && !matches!(c, ',' | ';' | '"'))
            .take(24)
            .collect();
        Instrument {
            identity: format!(
                "TANKSIDE,MIMIC-{:.0}-{:.0},{serial},{}",
                rating.max_amps,
                rating.max_volts,
                env!("CARGO_PKG_VERSION")
            ),
            errors: Queue::default(),
            event: 128,
            event_enable: 0,
            service_enable: 0,
            questionable: Register::default(),
            operation: Register::default(),
            power_ups: 1,
            channel: 1,
        }
    }

    /// What `*IDN?` answers.
    pub fn identity(&self) -> &str {
        &self.identity
    }

    /// Takes bytes off a line. LF and CR end a message; for each message that
    /// asked something, one reply line with its LF.
    pub fn take(&mut self, input: &mut Input, bench: &mut Bench, now: Mono, bytes: &[u8]) -> Vec<u8> {
        let mut out = Vec::new();
        for &b in bytes {
            if b == b'\n' || b == b'\r' {
                if let Some(reply) = self.end_of_message(input, bench, now) {
                    out.extend_from_slice(reply.as_bytes());
                    out.push(b'\n');
                }
            } else if input.bytes.len() < INPUT_BUFFER {
                input.bytes.push(b);
            } else {
                input.overrun = true;
            }
        }
        out
    }

    fn end_of_message(&mut self, line: &mut Input, bench: &mut Bench, now: Mono) -> Option<String> {
        bench.advance(now);
        self.follow_power(bench);
        let input = std::mem::take(&mut line.bytes);
        if std::mem::take(&mut line.overrun) {
            self.fail(Error::INPUT_BUFFER_OVERRUN);
            return None;
        }
        let printable = |b: &u8| matches!(b, b'\t' | 0x20..=0x7e);
        if !input.iter().all(printable) {
            self.fail(Error::INVALID_CHARACTER);
            return None;
        }
        let text = String::from_utf8(input).ok()?; // Printable ASCII, checked just above.
        if text.trim().is_empty() {
            return None;
        }
        let mut replies: Vec<String> = Vec::new();
        let mut path: Vec<String> = Vec::new();
        for unit in split(&text, ';') {
            match self.unit(bench, now, unit.trim(), &mut path) {
                Ok(Some(reply)) => replies.push(reply),
                Ok(None) => {}
                Err(error) => {
                    self.fail(error);
                    // After a command error the rest of the message cannot be trusted (IEEE 488.2, 6.1.7).
                    if error.event_bit() == 32 {
                        break;
                    }
                }
            }
        }
        (!replies.is_empty()).then(|| replies.join(";"))
    }

    fn fail(&mut self, error: Error) {
        self.event |= error.event_bit();
        self.errors.push(error);
    }

    /// A supply that lost its mains has forgotten everything.
    fn follow_power(&mut self, bench: &Bench) {
        let ups = bench.supply().power_ups();
        if ups != self.power_ups {
            let mut fresh = Instrument::new(&bench.supply().rating(), "");
            fresh.identity = std::mem::take(&mut self.identity);
            fresh.power_ups = ups;
            *self = fresh;
        }
    }

    fn unit(
        &mut self,
        bench: &mut Bench,
        now: Mono,
        unit: &str,
        path: &mut Vec<String>,
    ) -> Result<Option<String>, Error> {
        if unit.is_empty() {
            return Err(Error::SYNTAX);
        }
        let end = unit.find([' ', '\t']).unwrap_or(unit.len());
        let (written, rest) = unit.split_at(end);
        let parameters: Vec<&str> = if rest.trim().is_empty() {
            Vec::new()
        } else {
            split(rest, ',').into_iter().map(str::trim).collect()
        };
        let (name, query) = match written.strip_suffix('?') {
            Some(name) => (name, true),
            None => (written, false),
        };
        if let Some(common) = name.strip_prefix('*') {
            return self.common(bench, now, common, query, &parameters);
        }
        let (from_root, name) = match name.strip_prefix(':') {
            Some(name) => (true, name),
            None => (false, name),
        };
        let legal = |c: char| c.is_ascii_alphanumeric() || c == '_';
        for mnemonic in name.split(':') {
            if mnemonic.is_empty() {
                return Err(Error::SYNTAX);
            }
            if !mnemonic.chars().all(legal) {
                // "VOLT?5" and "VOLT,5": the parameter needs white space before it.
                return Err(if mnemonic.contains(['?', ',']) {
                    Error::INVALID_SEPARATOR
                } else {
                    Error::SYNTAX
                });
            }
        }
        if from_root {
            path.clear();
        }
        // No header of ours is deeper than this; a joined message may not grow its path for ever.
        path.truncate(8);
        let mnemonics: Vec<&str> = path.iter().map(String::as_str).chain(name.split(':')).collect();
        let meaning = header::find(&mnemonics, query)?;
        let parent: Vec<String> = mnemonics[..mnemonics.len() - 1].iter().map(|m| (*m).to_owned()).collect();
        let reply = if query {
            self.ask(bench, now, meaning, &parameters).map(Some)
        } else {
            self.tell(bench, meaning, &parameters).map(|()| None)
        };
        *path = parent;
        reply
    }

    fn common(
        &mut self,
        bench: &mut Bench,
        now: Mono,
        name: &str,
        query: bool,
        parameters: &[&str],
    ) -> Result<Option<String>, Error> {
        let name = name.to_ascii_uppercase();
        let register = |parameters: &[&str]| -> Result<u8, Error> {
            let value = whole(one(parameters)?)?;
            u8::try_from(value).map_err(|_| Error::DATA_OUT_OF_RANGE)
        };
        if !matches!((name.as_str(), query), ("ESE" | "SRE", false)) {
            none(parameters)
                .map_err(|e| if is_common(&name, query) { e } else { Error::UNDEFINED_HEADER })?;
        }
        match (name.as_str(), query) {
            ("IDN", true) => Ok(Some(self.identity.clone())),
            ("OPC", true) => Ok(Some("1".into())),
            ("TST", true) => Ok(Some("0".into())),
            ("ESR", true) => Ok(Some(std::mem::take(&mut self.event).to_string())),
            ("ESE", true) => Ok(Some(self.event_enable.to_string())),
            ("SRE", true) => Ok(Some(self.service_enable.to_string())),
            ("STB", true) => {
                self.refresh(bench, now);
                Ok(Some(self.status_byte().to_string()))
            }
            ("RST", false) => {
                bench.reset(now);
                Ok(None)
            }
            ("CLS", false) => {
                self.errors.clear();
                self.event = 0;
                self.questionable.event = 0;
                self.operation.event = 0;
                Ok(None)
            }
            ("OPC", false) => {
                self.event |= 1;
                Ok(None)
            }
            ("ESE", false) => {
                self.event_enable = register(parameters)?;
                Ok(None)
            }
            ("SRE", false) => {
                self.service_enable = register(parameters)? & !64;
                Ok(None)
            }
            ("WAI", false) => Ok(None),
            _ => Err(Error::UNDEFINED_HEADER),
        }
    }

    fn tell(&mut self, bench: &mut Bench, meaning: Meaning, parameters: &[&str]) -> Result<(), Error> {
        if self.channel != 1 && meaning.is_of_output() {
            return Err(Error::HARDWARE_MISSING);
        }
        let supply = bench.supply_mut();
        let rating = supply.rating();
        let out = |_: OutOfRange| Error::DATA_OUT_OF_RANGE;
        let level = |suffix, most: f64, usual: f64| -> Result<f64, Error> {
            Ok(match number(one(parameters)?, suffix)? {
                Number::Value(v) => v,
                Number::Minimum => 0.0,
                Number::Maximum => most,
                Number::Default => usual,
            })
        };
        let (volts, amps) = (rating.max_volts, rating.max_amps);
        match meaning {
            Meaning::Volts => supply.set_volts(level(Suffix::Volt, volts, 0.0)?).map_err(out),
            Meaning::Amps => supply.set_amps(level(Suffix::Ampere, amps, 0.0)?).map_err(out),
            Meaning::Ovp => supply.set_ovp(level(Suffix::Volt, volts * 1.1, volts * 1.1)?).map_err(out),
            Meaning::Ocp => supply.set_ocp(level(Suffix::Ampere, amps * 1.1, amps * 1.1)?).map_err(out),
            Meaning::OvpState => boolean(one(parameters)?).map(|on| supply.ovp.armed = on),
            Meaning::OcpState => boolean(one(parameters)?).map(|on| supply.ocp.armed = on),
            Meaning::OvpClear => none(parameters).map(|()| supply.ovp.tripped = false),
            Meaning::OcpClear => none(parameters).map(|()| supply.ocp.tripped = false),
            Meaning::OutputClear => none(parameters).map(|()| supply.clear_trips()),
            Meaning::Output => {
                let on = boolean(one(parameters)?)?;
                let now = bench.now();
                if bench.output(now, on) { Ok(()) } else { Err(Error::SETTINGS_CONFLICT) }
            }
            Meaning::QuestionableEnable => {
                self.questionable.enable = register16(parameters)?;
                Ok(())
            }
            Meaning::OperationEnable => {
                self.operation.enable = register16(parameters)?;
                Ok(())
            }
            Meaning::StatusPreset => {
                none(parameters)?;
                self.questionable.enable = 0;
                self.operation.enable = 0;
                Ok(())
            }
            Meaning::Channel => match number(one(parameters)?, Suffix::Nothing)? {
                Number::Value(1.0) | Number::Minimum | Number::Default => {
                    self.channel = 1;
                    Ok(())
                }
                Number::Value(2.0) | Number::Maximum => {
                    self.channel = 2;
                    Ok(())
                }
                Number::Value(_) => Err(Error::DATA_OUT_OF_RANGE),
            },
            _ => Err(Error::UNDEFINED_HEADER),
        }
    }

    fn ask(
        &mut self,
        bench: &mut Bench,
        now: Mono,
        meaning: Meaning,
        parameters: &[&str],
    ) -> Result<String, Error> {
        if self.channel != 1 && meaning.is_of_output() {
            return Err(Error::HARDWARE_MISSING);
        }
        let rating = bench.supply().rating();
        let (most_volts, most_amps) = (rating.max_volts, rating.max_amps);
        // `VOLT? MAX` asks for the limit instead of the setting.
        let level = |now: f64, most: f64, usual: f64, step: f64| -> Result<String, Error> {
            let asked = match parameters {
                [] => now,
                [one] => match number(one, Suffix::Nothing)? {
                    Number::Minimum => 0.0,
                    Number::Maximum => most,
                    Number::Default => usual,
                    Number::Value(_) => return Err(Error::PARAMETER_NOT_ALLOWED),
                },
                _ => return Err(Error::PARAMETER_NOT_ALLOWED),
            };
            Ok(nr2(asked, step))
        };
        let supply = bench.supply();
        match meaning {
            Meaning::Volts => return level(supply.volts_setpoint(), most_volts, 0.0, rating.volts_step),
            Meaning::Amps => return level(supply.amps_setpoint(), most_amps, 0.0, rating.amps_step),
            Meaning::Ovp => {
                return level(supply.ovp.level, most_volts * 1.1, most_volts * 1.1, rating.volts_step);
            }
            Meaning::Ocp => {
                return level(supply.ocp.level, most_amps * 1.1, most_amps * 1.1, rating.amps_step);
            }
            _ => none(parameters)?,
        }
        let bit = |b: bool| String::from(if b { "1" } else { "0" });
        let reply = match meaning {
            Meaning::OvpState => bit(supply.ovp.armed),
            Meaning::OvpTripped => bit(supply.ovp.tripped),
            Meaning::OcpState => bit(supply.ocp.armed),
            Meaning::OcpTripped => bit(supply.ocp.tripped),
            Meaning::Output => bit(supply.output()),
            Meaning::OutputTripped => bit(supply.tripped()),
            Meaning::MeasureVolts => nr2(bench.read(now).volts.get(), rating.volts_step),
            Meaning::MeasureAmps => nr2(bench.read(now).amps.get(), rating.amps_step),
            Meaning::ErrorNext => {
                let error = self.errors.pop();
                format!("{},\"{}\"", error.code, error.text)
            }
            Meaning::ErrorCount => self.errors.len().to_string(),
            Meaning::Channel => self.channel.to_string(),
            Meaning::Version => "1999.0".into(),
            Meaning::Capability => "\"DCPSUPPLY WITH MEASURE\"".into(),
            Meaning::QuestionableCondition
            | Meaning::QuestionableEvent
            | Meaning::OperationCondition
            | Meaning::OperationEvent => {
                self.refresh(bench, now);
                match meaning {
                    Meaning::QuestionableCondition => self.questionable.condition,
                    Meaning::QuestionableEvent => std::mem::take(&mut self.questionable.event),
                    Meaning::OperationCondition => self.operation.condition,
                    _ => std::mem::take(&mut self.operation.event),
                }
                .to_string()
            }
            Meaning::QuestionableEnable => self.questionable.enable.to_string(),
            Meaning::OperationEnable => self.operation.enable.to_string(),
            _ => return Err(Error::UNDEFINED_HEADER),
        };
        Ok(reply)
    }

    /// Brings the condition registers up to now.
    fn refresh(&mut self, bench: &mut Bench, now: Mono) {
        bench.advance(now);
        let supply = bench.supply();
        let condition = match supply.holding() {
            Holding::Nothing => 0,
            Holding::Current => 1,
            Holding::Voltage => 2,
        };
        self.questionable.update(condition | if supply.otp { 16 } else { 0 });
        self.operation.update(0);
    }

    /// IEEE 488.2, 11.2, with SCPI-1999's bits 2, 3 and 7.
    fn status_byte(&self) -> u8 {
        let mut byte = 0;
        let mut set = |bit: u8, on: bool| byte |= if on { bit } else { 0 };
        set(4, !self.errors.is_empty());
        set(8, self.questionable.event & self.questionable.enable != 0);
        set(32, self.event & self.event_enable != 0);
        set(128, self.operation.event & self.operation.enable != 0);
        let service = byte & self.service_enable != 0;
        if service { byte | 64 } else { byte }
    }
}

fn is_common(name: &str, query: bool) -> bool {
    if query {
        matches!(name, "IDN" | "OPC" | "TST" | "ESR" | "ESE" | "SRE" | "STB")
    } else {
        matches!(name, "RST" | "CLS" | "OPC" | "ESE" | "SRE" | "WAI")
    }
}

/// Splits where a separator stands outside quotes.
fn split(text: &str, at: char) -> Vec<&str> {
    let mut pieces = Vec::new();
    let mut quote = None;
    let mut from = 0;
    for (i, c) in text.char_indices() {
        match quote {
            Some(q) if c == q => quote = None,
            Some(_) => {}
            None if c == '"' || c == '\'' => quote = Some(c),
            None if c == at => {
                pieces.push(&text[from..i]);
                from = i + 1;
            }
            None => {}
        }
    }
    pieces.push(&text[from..]);
    pieces
}

fn none(parameters: &[&str]) -> Result<(), Error> {
    if parameters.is_empty() { Ok(()) } else { Err(Error::PARAMETER_NOT_ALLOWED) }
}

fn one<'p>(parameters: &[&'p str]) -> Result<&'p str, Error> {
    match parameters {
        [] | [""] => Err(Error::MISSING_PARAMETER),
        [one] => Ok(one),
        _ => Err(Error::PARAMETER_NOT_ALLOWED),
    }
}

fn whole(text: &str) -> Result<i64, Error> {
    match number(text, Suffix::Nothing)? {
        Number::Value(v) if v.abs() < 1e9 => Ok(v.round() as i64),
        Number::Value(_) => Err(Error::DATA_OUT_OF_RANGE),
        _ => Err(Error::INVALID_CHARACTER_DATA),
    }
}

fn register16(parameters: &[&str]) -> Result<u16, Error> {
    // Bit 15 is never used (SCPI-1999 volume 1, 9.2).
    let value = whole(one(parameters)?)?;
    u16::try_from(value).ok().filter(|v| *v < 0x8000).ok_or(Error::DATA_OUT_OF_RANGE)
}

/// NR2: always the same number of decimals, those of the resolution.
fn nr2(value: f64, step: f64) -> String {
    let decimals = (-step.log10()).ceil().clamp(1.0, 6.0) as usize;
    // "-0.000" is a number, but nobody's idea of zero.
    format!("{:.decimals$}", if value.abs() < step / 2.0 { 0.0 } else { value })
}

#[cfg(test)]
mod tests;

//! What a device is asked and told, put into the words of its framing.
//!
//! The only place that looks into [`Kind`]: another framing is another arm here.

use super::dialect::{Kind, Range, RegulationBits, Scpi};
use super::line::{Line, Wire};
use super::reply::{self, Misfit};
use super::trouble::{Bytes, Trouble};
use super::{Dialect, dialect};
use crate::quantity::{Amps, Volts};
use tokio::time::Instant;

/// One thing to ask for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Item {
    Volts,
    Amps,
    Output,
    SetVolts,
    SetAmps,
    Regulation,
    OverVoltageTripped,
    OverCurrentTripped,
    OverVoltageLevel,
    OverCurrentLevel,
    OverVoltageArmed,
    OverCurrentArmed,
}

/// One answer; its type is that of the question.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Value {
    Number(f64),
    Flag(bool),
    Bits(u16),
}

impl Value {
    pub fn number(self) -> Option<f64> {
        if let Value::Number(n) = self { Some(n) } else { None }
    }
    pub fn flag(self) -> Option<bool> {
        if let Value::Flag(yes) = self { Some(yes) } else { None }
    }
    pub fn bits(self) -> Option<u16> {
        if let Value::Bits(bits) = self { Some(bits) } else { None }
    }
}

/// One thing to tell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Order {
    SetVolts(Volts),
    SetAmps(Amps),
    On,
    Off,
    OverVoltageLevel(Volts),
    OverCurrentLevel(Amps),
    OverVoltageArm,
    OverCurrentArm,
    OverVoltageClear,
    OverCurrentClear,
    /// Empties the error queue.
    Forget,
}

/// No more questions than this in one line: input buffers of supplies are small.
const JOINED: usize = 5;

/// What reading the queue may take at most; SCPI-1999 wants at least two places, few have more than 32.
pub(super) const QUEUE: usize = 40;

/// The words of one order, or `None` if the dialect has none.
pub(super) fn words(dialect: &Dialect, order: Order) -> Option<String> {
    let Kind::Scpi(scpi) = &dialect.kind;
    let Range { volts_step, amps_step, .. } = dialect.range;
    let (ov, oc) = (scpi.over_voltage.as_ref(), scpi.over_current.as_ref());
    let volts = |v: Volts| decimal(v.get(), volts_step.get());
    let amps = |a: Amps| decimal(a.get(), amps_step.get());
    Some(match order {
        Order::SetVolts(v) => format!("{} {}", scpi.set_volts, volts(v)),
        Order::SetAmps(a) => format!("{} {}", scpi.set_amps, amps(a)),
        Order::On => scpi.output_on.clone(),
        Order::Off => scpi.output_off.clone(),
        Order::OverVoltageLevel(v) => format!("{} {}", ov?.level, volts(v)),
        Order::OverCurrentLevel(a) => format!("{} {}", oc?.level, amps(a)),
        Order::OverVoltageArm => ov?.switch_on.clone()?,
        Order::OverCurrentArm => oc?.switch_on.clone()?,
        Order::OverVoltageClear => ov?.clear.clone(),
        Order::OverCurrentClear => oc?.clear.clone(),
        Order::Forget => scpi.clear_status.clone(),
    })
}

/// A value rounded down to a whole number of steps, so that no setpoint ends
/// above what was asked for, with as many places as the step has.
pub(super) fn decimal(value: f64, step: f64) -> String {
    // A millionth of a step up first, or 2.8 A / 1 mA would come out as 2799.
    let steps = (value / step + 1e-6).floor();
    let places = (-step.log10()).ceil().clamp(0.0, 9.0) as usize;
    format!("{:.places$}", steps * step + 0.0)
}

fn question(scpi: &Scpi, item: Item) -> Option<&str> {
    let (ov, oc) = (scpi.over_voltage.as_ref(), scpi.over_current.as_ref());
    Some(match item {
        Item::Volts => &scpi.volts,
        Item::Amps => &scpi.amps,
        Item::Output => &scpi.output,
        Item::SetVolts => &scpi.set_volts_read,
        Item::SetAmps => &scpi.set_amps_read,
        Item::Regulation => &scpi.regulation.as_ref()?.read,
        Item::OverVoltageTripped => &ov?.tripped,
        Item::OverCurrentTripped => &oc?.tripped,
        Item::OverVoltageLevel => &ov?.level_read,
        Item::OverCurrentLevel => &oc?.level_read,
        Item::OverVoltageArmed => ov?.switch_read.as_ref()?,
        Item::OverCurrentArmed => oc?.switch_read.as_ref()?,
    })
}

/// Whether the dialect can ask for it.
pub(super) fn has(dialect: &Dialect, item: Item) -> bool {
    let Kind::Scpi(scpi) = &dialect.kind;
    question(scpi, item).is_some()
}

/// Where the dialect says which limit holds.
pub(super) fn regulation(dialect: &Dialect) -> Option<&RegulationBits> {
    let Kind::Scpi(scpi) = &dialect.kind;
    scpi.regulation.as_ref()
}

/// Asks for `items` (those the dialect has) and returns them in order, with
/// the time at which the amperes, or else the last of them, were taken.
pub(super) async fn get<S: Wire>(
    line: &mut Line<S>,
    dialect: &Dialect,
    items: &[Item],
) -> Result<(Vec<(Item, Value)>, Instant), Trouble> {
    let Kind::Scpi(scpi) = &dialect.kind;
    let asked: Vec<(Item, &str)> = items.iter().filter_map(|i| Some((*i, question(scpi, *i)?))).collect();
    let mut values = Vec::with_capacity(asked.len());
    let mut at = None;
    for part in asked.chunks(if scpi.joined { JOINED } else { 1 }) {
        let text = join(part.iter().map(|(_, q)| *q));
        let answer = line.ask(&text).await?;
        let fields = reply::fields(&answer.bytes, part.len());
        let fields = fields.map_err(|misfit| doubt(line, &text, &answer.bytes, misfit))?;
        for ((item, _), field) in part.iter().zip(fields) {
            let value = value(&dialect.range, *item, field);
            values.push((*item, value.map_err(|misfit| doubt(line, &text, &answer.bytes, misfit))?));
        }
        let has_amps = part.iter().any(|(item, _)| *item == Item::Amps);
        if has_amps || !values.iter().any(|(item, _)| *item == Item::Amps) {
            at = Some(answer.at);
        }
    }
    Ok((values, at.unwrap_or_else(Instant::now)))
}

/// `A?;:B?`: after `;` a header goes on where the last one left off, and `:` starts from the root (SCPI-1999
/// vol. 1, section 6.2.4, from memory). Common commands have no root.
fn join<'q>(questions: impl Iterator<Item = &'q str>) -> String {
    let mut text = String::new();
    for question in questions {
        if !text.is_empty() {
            text.push(';');
            if !question.starts_with([':', '*']) {
                text.push(':');
            }
        }
        text.push_str(question);
    }
    text
}

fn value(range: &dialect::Range, item: Item, field: &str) -> Result<Value, Misfit> {
    let within = |most: f64, least: f64, unit: &str| {
        let number = reply::number(field)?;
        if number > most || number < least {
            return Err(Misfit::OutOfRange(format!("{number} {unit} is outside {least} to {most} {unit}")));
        }
        Ok(Value::Number(number))
    };
    let (volts, amps) = (range.volts_most.get(), range.amps_most.get());
    match item {
        // A meter may read a little below zero.
        Item::Volts => within(volts, -volts, "V"),
        Item::Amps => within(amps, -amps, "A"),
        Item::SetVolts | Item::OverVoltageLevel => within(volts, 0.0, "V"),
        Item::SetAmps | Item::OverCurrentLevel => within(amps, 0.0, "A"),
        Item::Output
        | Item::OverVoltageTripped
        | Item::OverCurrentTripped
        | Item::OverVoltageArmed
        | Item::OverCurrentArmed => reply::boolean(field).map(Value::Flag),
        Item::Regulation => {
            let bits = reply::whole(field)?;
            // SCPI-1999 registers are 16 bits wide and bit 15 is always 0 (vol. 1, section 20, from memory).
            match u16::try_from(bits) {
                Ok(bits) if bits < 0x8000 => Ok(Value::Bits(bits)),
                _ => Err(Misfit::OutOfRange(format!("{bits} is no 16-bit register"))),
            }
        }
    }
}

/// Asks who is there.
pub(super) async fn identity<S: Wire>(line: &mut Line<S>, dialect: &Dialect) -> Result<String, Trouble> {
    let Kind::Scpi(scpi) = &dialect.kind;
    let answer = line.ask(&scpi.identity).await?;
    let text = reply::identity(&answer.bytes).map(str::to_owned);
    text.map_err(|misfit| doubt(line, &scpi.identity, &answer.bytes, misfit))
}

/// The oldest entry of the error queue; `None` when it is empty.
pub(super) async fn error<S: Wire>(
    line: &mut Line<S>,
    dialect: &Dialect,
) -> Result<Option<(i32, String)>, Trouble> {
    let Kind::Scpi(scpi) = &dialect.kind;
    let answer = line.ask(&scpi.error).await?;
    let entry = reply::error_entry(&answer.bytes);
    let (code, text) = entry.map_err(|misfit| doubt(line, &scpi.error, &answer.bytes, misfit))?;
    Ok((code != 0).then_some((code, text)))
}

fn doubt<S: Wire>(line: &mut Line<S>, asked: &str, came: &[u8], misfit: Misfit) -> Trouble {
    line.distrust();
    let (asked, came) = (asked.to_owned(), Bytes(came.to_vec()));
    match misfit {
        Misfit::WrongType(wanted) => Trouble::WrongType { asked, wanted, came },
        Misfit::OutOfRange(why) => Trouble::OutOfRange { asked, why, came },
        other => Trouble::Garbled { asked, why: other.to_string(), came },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_setpoint_is_never_rounded_above_what_was_asked() {
        assert_eq!(decimal(2.8, 0.001), "2.800");
        assert_eq!(decimal(2.7999, 0.001), "2.799");
        assert_eq!(decimal(0.0, 0.001), "0.000");
        assert_eq!(decimal(7.26, 0.05), "7.25");
        assert_eq!(decimal(12.0, 0.01), "12.00");
        assert_eq!(decimal(3.99, 1.0), "3");
        assert_eq!(decimal(-0.0, 0.001), "0.000");
    }

    #[test]
    fn joined_headers_start_from_the_root() {
        assert_eq!(join(["MEAS:VOLT?", "MEAS:CURR?", ":OUTP?"].into_iter()), "MEAS:VOLT?;:MEAS:CURR?;:OUTP?");
    }
}

//! What a device is asked and told, and the words of that after SCPI-1999.

use super::dialect::{self, Range, Scpi};
use super::line::{Line, Wire};
use super::reply::{self, Misfit};
use super::trouble::{Bytes, Trouble};
use crate::quantity::{Amps, Regulation, Volts};
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
    Holding { regulation: Regulation, hot: bool },
}

impl Value {
    pub fn number(self) -> Option<f64> {
        if let Value::Number(n) = self { Some(n) } else { None }
    }
    pub fn flag(self) -> Option<bool> {
        if let Value::Flag(yes) = self { Some(yes) } else { None }
    }
    pub fn holding(self) -> Option<(Regulation, bool)> {
        if let Value::Holding { regulation, hot } = self { Some((regulation, hot)) } else { None }
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
    /// Arms its communication watchdog.
    Watch,
    /// Disarms it.
    Unwatch,
    /// Empties the error queue.
    Forget,
}

/// No more questions than this in one line: input buffers of supplies are small.
const JOINED: usize = 5;

/// What reading the queue may take at most; SCPI-1999 wants at least two places, few have more than 32.
pub(super) const QUEUE: usize = 40;

/// The words of one order, or `None` if the dialect has none.
pub(super) fn words(scpi: &Scpi, range: Range, order: Order) -> Option<String> {
    let Range { volts_step, amps_step, .. } = range;
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
        Order::Watch => scpi.watchdog.clone()?,
        Order::Unwatch => scpi.unwatch.clone()?,
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

pub(super) fn question(scpi: &Scpi, item: Item) -> Option<&str> {
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

/// Asks for `items` (those the dialect has) and returns them in order, with
/// the time at which the amperes, or else the last of them, were taken.
pub(super) async fn get<S: Wire>(
    line: &mut Line<S>,
    scpi: &Scpi,
    range: &Range,
    items: &[Item],
) -> Result<(Vec<(Item, Value)>, Instant), Trouble> {
    let asked: Vec<(Item, &str)> = items.iter().filter_map(|i| Some((*i, question(scpi, *i)?))).collect();
    let mut values = Vec::with_capacity(asked.len());
    let mut at = None;
    if let Some(select) = scpi.select.as_ref().filter(|_| !scpi.joined && !asked.is_empty()) {
        // Alone, just before.
        let answer = line.ask(&select.read).await?;
        let fields = reply::fields(&answer.bytes, 1);
        let fields = fields.map_err(|misfit| doubt(line, &select.read, &answer.bytes, misfit))?;
        selected(select, fields.first().copied().unwrap_or_default())?;
    }
    for part in asked.chunks(if scpi.joined { JOINED } else { 1 }) {
        // The channel goes along with what is read from it, so that a change at the front panel is seen at once.
        let channel = scpi.select.as_ref().filter(|_| scpi.joined);
        let text = join(channel.map(|c| c.read.as_str()).into_iter().chain(part.iter().map(|(_, q)| *q)));
        let answer = line.ask(&text).await?;
        let fields = reply::fields(&answer.bytes, part.len() + usize::from(channel.is_some()));
        let mut fields = fields.map_err(|misfit| doubt(line, &text, &answer.bytes, misfit))?.into_iter();
        if let Some(select) = channel {
            selected(select, fields.next().unwrap_or_default())?;
        }
        for ((item, _), field) in part.iter().zip(fields) {
            let value = value(scpi, range, *item, field);
            values.push((*item, value.map_err(|misfit| doubt(line, &text, &answer.bytes, misfit))?));
        }
        let has_amps = part.iter().any(|(item, _)| *item == Item::Amps);
        if has_amps || !values.iter().any(|(item, _)| *item == Item::Amps) {
            at = Some(answer.at);
        }
    }
    Ok((values, at.unwrap_or_else(Instant::now)))
}

/// What is read would be another output's if another one is selected.
fn selected(select: &dialect::Select, found: &str) -> Result<(), Trouble> {
    if found.trim_matches('"').eq_ignore_ascii_case(&select.answer) {
        return Ok(());
    }
    let found = found.escape_debug().to_string();
    Err(Trouble::ReadBack { what: "channel", wanted: select.answer.clone(), found })
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

/// A number that the item can have; `Value::Number`.
pub(super) fn believed(range: &dialect::Range, item: Item, number: f64) -> Result<Value, Misfit> {
    let (volts, amps) = (range.volts_most.get(), range.amps_most.get());
    let (most, least, unit) = match item {
        // A meter may read a little below zero.
        Item::Volts => (volts, -volts, "V"),
        Item::SetVolts | Item::OverVoltageLevel => (volts, 0.0, "V"),
        Item::Amps => (amps, -amps, "A"),
        _ => (amps, 0.0, "A"),
    };
    // Not-a-number is in no range.
    if (least..=most).contains(&number) {
        return Ok(Value::Number(number));
    }
    Err(Misfit::OutOfRange(format!("{number} {unit} is outside {least} to {most} {unit}")))
}

fn value(scpi: &Scpi, range: &dialect::Range, item: Item, field: &str) -> Result<Value, Misfit> {
    match item {
        Item::Volts
        | Item::Amps
        | Item::SetVolts
        | Item::SetAmps
        | Item::OverVoltageLevel
        | Item::OverCurrentLevel => believed(range, item, reply::number(field)?),
        Item::Output
        | Item::OverVoltageTripped
        | Item::OverCurrentTripped
        | Item::OverVoltageArmed
        | Item::OverCurrentArmed => reply::boolean(field).map(Value::Flag),
        Item::Regulation => {
            let bits = reply::whole(field)?;
            // SCPI-1999 registers are 16 bits wide and bit 15 is always 0 (vol. 1, section 20, from memory).
            match u16::try_from(bits) {
                Ok(bits) if bits < 0x8000 => Ok(holding(scpi, bits)),
                _ => Err(Misfit::OutOfRange(format!("{bits} is no 16-bit register"))),
            }
        }
    }
}

fn holding(scpi: &Scpi, bits: u16) -> Value {
    let set = |bit: u8| bits & (1 << bit) != 0;
    let register = scpi.regulation.as_ref();
    let regulation = match register.map(|r| (set(r.constant_current), set(r.constant_voltage))) {
        Some((true, false)) => Regulation::ConstantCurrent,
        Some((false, true)) => Regulation::ConstantVoltage,
        _ => Regulation::Neither,
    };
    let hot = register.and_then(|r| r.over_temperature).is_some_and(set);
    Value::Holding { regulation, hot }
}

/// Asks who is there.
pub(super) async fn identity<S: Wire>(line: &mut Line<S>, scpi: &Scpi) -> Result<String, Trouble> {
    let answer = line.ask(&scpi.identity).await?;
    if answer.bytes.trim_ascii().eq_ignore_ascii_case(scpi.identity.as_bytes()) {
        line.distrust();
        return Err(Trouble::Echo { asked: scpi.identity.clone() });
    }
    let text = reply::identity(&answer.bytes).map(str::to_owned);
    text.map_err(|misfit| doubt(line, &scpi.identity, &answer.bytes, misfit))
}

/// The oldest entry of the error queue; `None` when it is empty.
pub(super) async fn error<S: Wire>(
    line: &mut Line<S>,
    scpi: &Scpi,
) -> Result<Option<(i32, String)>, Trouble> {
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

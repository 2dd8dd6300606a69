//! Plain lines: what is asked and told, and how answers fit their patterns.

use super::bus::{Answer, Question, Seat, Standing};
use super::dialect::{Dialect, Plain, Query, Range, Slot};
use super::reply::{self, Misfit};
use super::session::{doubted, only_state};
use super::talk::{Item, Order, Value, believed, decimal};
use super::trouble::{Bytes, Trouble};
use crate::quantity::Regulation;
use tokio::time::Instant;

/// Whether the dialect can ask for it.
pub(super) fn has(plain: &Plain, item: Item) -> bool {
    match item {
        Item::Regulation => tells(plain, Slot::Regulation) || tells(plain, Slot::OverTemperature),
        Item::OverVoltageArmed | Item::OverCurrentArmed => false,
        item => slot(item).is_some_and(|slot| tells(plain, slot)),
    }
}

/// Whether some reply has this hole.
pub(super) fn tells(plain: &Plain, slot: Slot) -> bool {
    plain.queries.iter().any(|query| query.reply.slots().any(|s| s == slot))
}

fn slot(item: Item) -> Option<Slot> {
    Some(match item {
        Item::Volts => Slot::Volts,
        Item::Amps => Slot::Amps,
        Item::Output => Slot::Output,
        Item::SetVolts => Slot::SetVolts,
        Item::SetAmps => Slot::SetAmps,
        Item::Regulation => Slot::Regulation,
        Item::OverVoltageTripped => Slot::OverVoltageTripped,
        Item::OverCurrentTripped => Slot::OverCurrentTripped,
        Item::OverVoltageLevel => Slot::OverVoltage,
        Item::OverCurrentLevel => Slot::OverCurrent,
        Item::OverVoltageArmed | Item::OverCurrentArmed => return None,
    })
}

/// The line of one order, without its address; `None` if the dialect has none.
pub(super) fn words(plain: &Plain, range: Range, order: Order) -> Option<String> {
    let c = &plain.commands;
    let fill = |text: &str, hole: &str, value: f64, step: f64, scale: f64| {
        text.replace(hole, &decimal(value / scale, step / scale))
    };
    let volts = |text: &str, v: f64| fill(text, "{volts}", v, range.volts_step.get(), plain.volts_scale);
    let amps = |text: &str, a: f64| fill(text, "{amps}", a, range.amps_step.get(), plain.amps_scale);
    Some(match order {
        Order::SetVolts(v) => volts(&c.set_volts, v.get()),
        Order::SetAmps(a) => amps(&c.set_amps, a.get()),
        Order::On => c.output_on.clone(),
        Order::Off => c.output_off.clone(),
        Order::OverVoltageLevel(v) => volts(c.over_voltage.as_ref()?, v.get()),
        Order::OverCurrentLevel(a) => amps(c.over_current.as_ref()?, a.get()),
        // One line clears both; it is sent with the first.
        Order::OverVoltageClear => c.clear.clone()?,
        Order::Watch => c.watchdog.clone()?,
        Order::Unwatch => c.unwatch.clone()?,
        Order::OverVoltageArm | Order::OverCurrentArm | Order::OverCurrentClear | Order::Forget => {
            return None;
        }
    })
}

fn addressed(text: &str, unit: u8) -> String {
    text.replace("{unit}", &unit.to_string())
}

/// Tells, and waits for the acknowledgement where there is one.
pub(super) async fn tell(
    seat: &mut Seat,
    unit: u8,
    plain: &Plain,
    told: &str,
    standing: Standing,
) -> Result<(), Trouble> {
    let told = addressed(told, unit);
    let Some(acknowledge) = &plain.acknowledge else {
        return seat.exchange(Question::Tell(told), standing).await.map(|_| ());
    };
    if standing == Standing::Anyway {
        // Not kept from going out by what lies on the line; its acknowledgement is drained before the next question.
        let sent = seat.exchange(Question::Tell(told), standing).await;
        seat.distrust();
        return sent.map(|_| ());
    }
    let answer = seat.exchange(Question::Ask(told.clone()), standing).await?;
    let line = text(seat, plain, &told, &answer)?;
    if acknowledge.fit(line).is_some() {
        return Ok(());
    }
    seat.distrust();
    Err(doubted(&told, Bytes(answer.text.clone()), Misfit::WrongType("the acknowledgement")))
}

/// Who is there; with the question and the answer that prove the line from now on.
pub(super) async fn identity(
    seat: &mut Seat,
    unit: u8,
    plain: &Plain,
) -> Result<(Question, Answer, String), Trouble> {
    let asked = addressed(&plain.identity.ask, unit);
    let question = Question::Ask(asked.clone());
    let answer = seat.exchange(question.clone(), Standing::Known).await?;
    let line = text(seat, plain, &asked, &answer)?;
    let found = plain.identity.reply.fit(line).unwrap_or_default();
    let name = found.iter().find(|(slot, _)| *slot == Slot::Identity).map(|(_, name)| *name);
    match name.map(|name| reply::identity(name.as_bytes())) {
        Some(Ok(name)) => {
            let name = name.to_owned();
            Ok((question, answer, name))
        }
        _ => {
            seat.distrust();
            Err(doubted(&asked, Bytes(answer.text), Misfit::WrongType("an identity")))
        }
    }
}

/// Asks for `items` (those the dialect has); with the time at which the amperes were taken.
pub(super) async fn get(
    seat: &mut Seat,
    unit: u8,
    plain: &Plain,
    dialect: &Dialect,
    items: &[Item],
) -> Result<(Vec<(Item, Value)>, Instant), Trouble> {
    let mut values = Vec::new();
    let (mut at, mut amps_at) = (None, None);
    let wanted = |query: &Query| {
        let mut slots = query.reply.slots();
        slots.any(|s| {
            items
                .iter()
                .any(|i| slot(*i) == Some(s) || (*i == Item::Regulation && s == Slot::OverTemperature))
        })
    };
    let mut heat = None;
    for query in plain.queries.iter().filter(|q| wanted(q)) {
        let asked = addressed(&query.ask, unit);
        let answer = seat.exchange(Question::Ask(asked.clone()), Standing::Trusted).await?;
        let line = text(seat, plain, &asked, &answer)?;
        let read = query.reply.fit(line).ok_or(Misfit::WrongType("a reply that fits its pattern")).and_then(
            |found| {
                let each = found.into_iter().map(|(slot, field)| match value(plain, dialect, slot, field) {
                    Err(_) if only_state(items) && matches!(slot, Slot::SetVolts | Slot::SetAmps) => {
                        Ok((slot, None))
                    }
                    value => Ok((slot, value?)),
                });
                each.collect::<Result<Vec<_>, _>>()
            },
        );
        let read = read.map_err(|misfit| {
            seat.distrust();
            doubted(&asked, Bytes(answer.text.clone()), misfit)
        })?;
        for (slot, value) in read {
            match value {
                // The word for heat and the one for regulation are two holes of one item.
                Some((_, Value::Holding { hot, .. })) if slot == Slot::OverTemperature => heat = Some(hot),
                Some((item, value)) => {
                    if item == Item::Amps {
                        amps_at = Some(answer.at);
                    }
                    values.push((item, value));
                }
                None => {}
            }
        }
        at = Some(answer.at);
    }
    if let Some(heat) = heat {
        let held = values.iter_mut().find_map(|(_, value)| match value {
            Value::Holding { hot, .. } => Some(hot),
            _ => None,
        });
        match held {
            Some(hot) => *hot = heat,
            None => {
                values
                    .push((Item::Regulation, Value::Holding { regulation: Regulation::Neither, hot: heat }));
            }
        }
    }
    Ok((values, amps_at.or(at).unwrap_or_else(Instant::now)))
}

fn value(plain: &Plain, dialect: &Dialect, slot: Slot, field: &str) -> Result<Option<(Item, Value)>, Misfit> {
    let flag = || {
        if field.eq_ignore_ascii_case(&plain.words.on) {
            Ok(true)
        } else if field.eq_ignore_ascii_case(&plain.words.off) {
            Ok(false)
        } else {
            Err(Misfit::WrongType("on or off"))
        }
    };
    let number = |item: Item, scale: f64| {
        let counts = reply::number(field)?;
        // 702 hundredths are 702 / 100: multiplied by 0.01 they would be a hair above 7.02.
        let per_unit = (1.0 / scale).round();
        let decimal = (per_unit * scale - 1.0).abs() < 1e-12;
        let real = if decimal { counts / per_unit } else { counts * scale };
        Ok(Some((item, believed(&dialect.range, item, real)?)))
    };
    let holding = |regulation, hot| Ok(Some((Item::Regulation, Value::Holding { regulation, hot })));
    let (volts, amps) = (plain.volts_scale, plain.amps_scale);
    match slot {
        Slot::Volts => number(Item::Volts, volts),
        Slot::Amps => number(Item::Amps, amps),
        Slot::SetVolts => number(Item::SetVolts, volts),
        Slot::SetAmps => number(Item::SetAmps, amps),
        Slot::OverVoltage => number(Item::OverVoltageLevel, volts),
        Slot::OverCurrent => number(Item::OverCurrentLevel, amps),
        Slot::Output => Ok(Some((Item::Output, Value::Flag(flag()?)))),
        Slot::OverVoltageTripped => Ok(Some((Item::OverVoltageTripped, Value::Flag(flag()?)))),
        Slot::OverCurrentTripped => Ok(Some((Item::OverCurrentTripped, Value::Flag(flag()?)))),
        Slot::OverTemperature => holding(Regulation::Neither, flag()?),
        Slot::Regulation if field.eq_ignore_ascii_case(&plain.words.constant_current) => {
            holding(Regulation::ConstantCurrent, false)
        }
        Slot::Regulation if field.eq_ignore_ascii_case(&plain.words.constant_voltage) => {
            holding(Regulation::ConstantVoltage, false)
        }
        // Supplies have words of their own for "neither", but each is one word.
        Slot::Regulation if field.contains([' ', ',']) => Err(Misfit::WrongType("one word")),
        Slot::Regulation => holding(Regulation::Neither, false),
        Slot::Identity | Slot::Text | Slot::Skip => Ok(None),
    }
}

/// The answer as text, unless it is a refusal, our own words, or no text.
fn text<'a>(seat: &mut Seat, plain: &Plain, asked: &str, answer: &'a Answer) -> Result<&'a str, Trouble> {
    let line = reply::line(&answer.text).map_err(|misfit| {
        seat.distrust();
        doubted(asked, Bytes(answer.text.clone()), misfit)
    })?;
    if line == asked {
        seat.distrust();
        return Err(Trouble::Echo { asked: asked.into() });
    }
    if let Some(found) = plain.refusal.as_ref().and_then(|refusal| refusal.fit(line)) {
        let said = found.iter().find(|(slot, _)| *slot == Slot::Text).map_or(line, |(_, text)| text);
        return Err(Trouble::Refused { told: asked.into(), code: 0, said: said.escape_debug().to_string() });
    }
    Ok(line)
}

//! An open supply in its framing. The only place that looks into [`Kind`]:
//! another framing is another arm here.

use super::bus::{Bus, Question, Seat, Standing, join};
use super::dialect::{Block, Form, Known, Modbus, Scaled, Space, WordOrder};
use super::dialect::{Kind, RegisterSwitch};
use super::line::{Line, Pace, Wire};
use super::phrases;
use super::registers::{Master, Registers};
use super::reply::Misfit;
use super::talk::{self, Item, Order, Value, believed};
use super::trouble::{Bytes, Trouble};
use super::{Dialect, Port, Spec, open};
use crate::quantity::Regulation;
use std::sync::Arc;
use tokio::time::Instant;

/// Whoever answers, in one of the framings.
pub(super) enum Session {
    /// A line of its own.
    Own(Box<Line<Box<dyn Wire>>>),
    /// A place on a line that others may share; its unit address.
    Shared(Seat, u8),
}

/// How fast things go.
pub(super) fn pace(spec: &Spec, dialect: &Dialect) -> Pace {
    let timing = dialect.timing;
    Pace {
        reply_timeout: timing.reply_timeout,
        gap_timeout: timing.gap_timeout,
        min_gap: timing.min_gap,
        byte_time: spec.byte_time(),
    }
}

fn unit(spec: &Spec, dialect: &Dialect) -> u8 {
    let delivered = match &dialect.kind {
        Kind::Modbus(modbus) => modbus.unit,
        Kind::Line(plain) => plain.unit.unwrap_or(0),
        Kind::Scpi(_) => 0,
    };
    spec.wiring.unit.unwrap_or(delivered)
}

fn bus(io: Box<dyn Wire>, spec: &Spec, dialect: &Dialect) -> Arc<Bus> {
    let pace = pace(spec, dialect);
    match &dialect.kind {
        Kind::Modbus(_) => Bus::modbus(Master::new(io, pace, matches!(spec.port, Port::Tcp(_)))),
        Kind::Scpi(scpi) => Bus::text(Line::new(io, pace, &scpi.send_end, &scpi.reply_end)),
        Kind::Line(plain) => Bus::text(Line::new(io, pace, &plain.send_end, &plain.reply_end)),
    }
}

impl Session {
    /// Opens the port, or takes a place on the line that is open there.
    pub async fn open(spec: &Spec, dialect: &Dialect) -> Result<Session, Trouble> {
        if matches!(dialect.kind, Kind::Scpi(_)) {
            return Ok(Session::over(open::open(spec, dialect).await?, spec, dialect));
        }
        let opened = async { Ok(bus(open::open(spec, dialect).await?, spec, dialect)) };
        let bus = join(&spec.port.to_string(), opened).await?;
        Ok(Session::seated(bus, spec, dialect))
    }

    /// Over a stream that is open, and not shared.
    pub fn over(io: Box<dyn Wire>, spec: &Spec, dialect: &Dialect) -> Session {
        match &dialect.kind {
            Kind::Scpi(scpi) => {
                Session::Own(Box::new(Line::new(io, pace(spec, dialect), &scpi.send_end, &scpi.reply_end)))
            }
            Kind::Modbus(_) | Kind::Line(_) => Session::seated(bus(io, spec, dialect), spec, dialect),
        }
    }

    fn seated(bus: Arc<Bus>, spec: &Spec, dialect: &Dialect) -> Session {
        Session::Shared(Seat::new(bus), unit(spec, dialect))
    }

    /// Places on one stream, as several stations on one bus have them.
    #[cfg(test)]
    pub fn beside<const N: usize>(io: Box<dyn Wire>, specs: [&Spec; N], dialect: &Dialect) -> [Session; N] {
        let bus = bus(io, specs[0], dialect);
        specs.map(|spec| Session::seated(bus.clone(), spec, dialect))
    }

    pub fn is_suspect(&self) -> bool {
        match self {
            Session::Own(line) => line.is_suspect(),
            Session::Shared(seat, _) => seat.is_suspect(),
        }
    }

    pub fn unsolicited(&self) -> u64 {
        match self {
            Session::Own(line) => line.unsolicited(),
            Session::Shared(seat, _) => seat.unsolicited(),
        }
    }

    /// Waits until no late answer can be on its way.
    pub async fn quiet(&mut self) -> Result<(), Trouble> {
        match self {
            Session::Own(line) => line.quiet().await,
            Session::Shared(seat, _) => seat.quiet().await,
        }
    }

    /// Asks who is there; with `fits`, what answers right is proof that the line is in order.
    pub async fn identity(
        &mut self,
        dialect: &Dialect,
        fits: impl Fn(&str) -> bool,
    ) -> Result<String, Trouble> {
        match (self, &dialect.kind) {
            (Session::Own(line), Kind::Scpi(scpi)) => {
                let text = talk::identity(line, scpi).await?;
                if fits(&text) {
                    line.trust()
                } else {
                    line.distrust()
                }
                Ok(text)
            }
            (Session::Shared(seat, unit), Kind::Modbus(modbus)) => {
                let question = Question::Registers(*unit, Registers::Read(modbus.identity));
                let answer = seat.exchange(question.clone(), Standing::Known).await?;
                let text = name(&answer.words);
                if fits(&text) {
                    seat.trust(question, answer)
                } else {
                    seat.forget()
                }
                Ok(text)
            }
            (Session::Shared(seat, unit), Kind::Line(plain)) => {
                let (question, answer, text) = phrases::identity(seat, *unit, plain).await?;
                if fits(&text) {
                    seat.trust(question, answer)
                } else {
                    seat.forget()
                }
                Ok(text)
            }
            _ => Err(mixed()),
        }
    }

    /// Proves what a known register proves; nothing where the dialect names none.
    pub async fn prove(&mut self, dialect: &Dialect) -> Result<(), Trouble> {
        let (Session::Shared(seat, unit), Kind::Modbus(modbus)) = (self, &dialect.kind) else {
            return Ok(());
        };
        let Some(known) = modbus.known else { return Ok(()) };
        let form = known.scaled.form;
        let question = Question::Registers(*unit, Registers::Read(known.scaled.block()));
        let words = seat.exchange(question, Standing::Trusted).await?.words;
        if form.decode(&words) == Some(known.value) {
            return Ok(());
        }
        Err(Trouble::WordOrder { why: order_found(&known, &words) })
    }

    /// Asks for `items` (those the dialect has); with the time at which the amperes were taken.
    pub async fn get(
        &mut self,
        dialect: &Dialect,
        items: &[Item],
    ) -> Result<(Vec<(Item, Value)>, Instant), Trouble> {
        match (self, &dialect.kind) {
            (Session::Own(line), Kind::Scpi(scpi)) => talk::get(line, scpi, &dialect.range, items).await,
            (Session::Shared(seat, unit), Kind::Modbus(modbus)) => {
                registers(seat, *unit, modbus, dialect, items).await
            }
            (Session::Shared(seat, unit), Kind::Line(plain)) => {
                phrases::get(seat, *unit, plain, dialect, items).await
            }
            _ => Err(mixed()),
        }
    }

    /// The oldest entry of the error queue; `None` when it is empty or there is no queue.
    pub async fn error(&mut self, dialect: &Dialect) -> Result<Option<(i32, String)>, Trouble> {
        match (self, &dialect.kind) {
            (Session::Own(line), Kind::Scpi(scpi)) => talk::error(line, scpi).await,
            _ => Ok(None),
        }
    }

    /// Tells; where the framing has acknowledgements, waits for it.
    pub async fn tell(&mut self, dialect: &Dialect, order: Order) -> Result<(), Trouble> {
        // Off waits for nothing, not for a line in order either.
        let standing = if order == Order::Off { Standing::Anyway } else { Standing::Trusted };
        match (self, &dialect.kind) {
            (Session::Own(line), Kind::Scpi(scpi)) => {
                let Some(told) = talk::words(scpi, dialect.range, order) else { return Ok(()) };
                if let Some(select) = &scpi.select {
                    line.tell(&select.command).await?;
                }
                line.tell(&told).await
            }
            (Session::Shared(seat, unit), Kind::Modbus(modbus)) => {
                let Some(write) = writing(modbus, order)? else { return Ok(()) };
                seat.exchange(Question::Registers(*unit, write), standing).await.map(|_| ())
            }
            (Session::Shared(seat, unit), Kind::Line(plain)) => {
                let Some(told) = phrases::words(plain, dialect.range, order) else { return Ok(()) };
                phrases::tell(seat, *unit, plain, &told, standing).await
            }
            _ => Err(mixed()),
        }
    }
}

/// Never happens: a session is made from the dialect it is used with.
fn mixed() -> Trouble {
    Trouble::Gone("the port is open in another framing".into())
}

/// Whether the dialect can ask for it.
pub(super) fn has(dialect: &Dialect, item: Item) -> bool {
    match &dialect.kind {
        Kind::Scpi(scpi) => talk::question(scpi, item).is_some(),
        Kind::Modbus(modbus) => match item {
            Item::Volts | Item::Amps | Item::Output | Item::SetVolts | Item::SetAmps => true,
            Item::Regulation => {
                modbus.regulation.is_some() || modbus.trips.is_some_and(|t| t.over_temperature.is_some())
            }
            Item::OverVoltageTripped => modbus.trips.is_some_and(|t| t.over_voltage.is_some()),
            Item::OverCurrentTripped => modbus.trips.is_some_and(|t| t.over_current.is_some()),
            Item::OverVoltageLevel => modbus.over_voltage.is_some(),
            Item::OverCurrentLevel => modbus.over_current.is_some(),
            Item::OverVoltageArmed | Item::OverCurrentArmed => false,
        },
        Kind::Line(plain) => phrases::has(plain, item),
    }
}

/// Which key the dialect file lacks to set that protection and to tell its trip; `None` if it has both.
pub(super) fn missing(dialect: &Dialect, volts: bool) -> Option<String> {
    let name = if volts { "over-voltage" } else { "over-current" };
    let (level, tripped) = if volts {
        (Item::OverVoltageLevel, Item::OverVoltageTripped)
    } else {
        (Item::OverCurrentLevel, Item::OverCurrentTripped)
    };
    let (has_level, has_trip) = (has(dialect, level), has(dialect, tripped));
    match &dialect.kind {
        Kind::Scpi(_) => (!has_level || !has_trip).then(|| format!("table [scpi.{name}]")),
        Kind::Modbus(_) if !has_level => Some(format!("table [modbus.{name}]")),
        Kind::Modbus(modbus) if !has_trip => Some(match modbus.trips {
            None => format!("`trips` in [modbus.read] (with its {name}-bit), so a trip could not be told"),
            Some(_) => format!("{name}-bit in `trips` of [modbus.read], so a trip could not be told"),
        }),
        Kind::Line(_) if !has_level => Some(format!("{name} in [line.commands]")),
        Kind::Line(_) if !has_trip => {
            Some(format!("reply with {{{name}-tripped}} in a [[line.query]], so a trip could not be told"))
        }
        Kind::Modbus(_) | Kind::Line(_) => None,
    }
}

/// Whether the dialect says which limit holds.
pub(super) fn tells_regulation(dialect: &Dialect) -> bool {
    match &dialect.kind {
        Kind::Scpi(scpi) => scpi.regulation.is_some(),
        Kind::Modbus(modbus) => modbus.regulation.is_some(),
        Kind::Line(plain) => phrases::tells(plain, super::dialect::Slot::Regulation),
    }
}

/// Where the dialect looks for regulation, and what it takes for what.
pub(super) fn regulation_in_words(dialect: &Dialect) -> String {
    match &dialect.kind {
        Kind::Scpi(scpi) => scpi.regulation.as_ref().map(|r| {
            let hot = r.over_temperature.map_or(String::new(), |bit| format!(", bit {bit} for too hot"));
            let (current, voltage) = (r.constant_current, r.constant_voltage);
            format!(
                "{}, bit {current} is taken for constant current, bit {voltage} for constant voltage{hot}",
                r.read
            )
        }),
        Kind::Modbus(modbus) => modbus.regulation.map(|r| {
            let (current, voltage) = (r.constant_current, r.constant_voltage);
            format!(
                "register {}, {current} is taken for constant current, {voltage} for constant voltage",
                r.register
            )
        }),
        Kind::Line(plain) => phrases::tells(plain, super::dialect::Slot::Regulation).then(|| {
            let (current, voltage) = (&plain.words.constant_current, &plain.words.constant_voltage);
            format!("{current:?} is taken for constant current, {voltage:?} for constant voltage")
        }),
    }
    .unwrap_or("the dialect does not say".into())
}

/// What the dialect has to prove the order of words by; `None` where there is nothing to prove.
pub(super) fn order_in_words(dialect: &Dialect) -> Option<String> {
    let Kind::Modbus(modbus) = &dialect.kind else { return None };
    if let Some(known) = modbus.known {
        return Some(format!("register {} holds {} as it must", known.scaled.register, known.value));
    }
    let read = [modbus.volts, modbus.amps, modbus.set_volts_read, modbus.set_amps_read];
    read.iter().any(|s| s.form.count() == 2).then(|| {
        "NOT proved: the dialect has no [modbus.known]; compare each number here with the supply's display".into()
    })
}

/// The words of one order for people, and to tell one setpoint from another; `None` if the dialect has none.
pub(super) fn words(dialect: &Dialect, order: Order) -> Option<String> {
    match &dialect.kind {
        Kind::Scpi(scpi) => talk::words(scpi, dialect.range, order),
        Kind::Modbus(modbus) => match writing(modbus, order) {
            Ok(write) => write.map(|w| w.to_string()),
            Err(trouble) => Some(trouble.to_string()),
        },
        Kind::Line(plain) => phrases::words(plain, dialect.range, order),
    }
}

/// The registers that carry out an order.
pub(super) fn writing(modbus: &Modbus, order: Order) -> Result<Option<Registers>, Trouble> {
    let single = |switch: RegisterSwitch| match switch.space {
        Space::Coil => Some(Registers::WriteCoil(switch.register, switch.word == 1)),
        _ => Some(write(modbus, switch.register, vec![switch.word])),
    };
    let number = |scaled: Scaled, value: f64, what: &str| {
        let counts = value / scaled.per_count;
        // Rounded down, so that no setpoint ends above what was asked for; a millionth first, or 2.8 A / 1 mA
        // would come out as 2799.
        let counts = if matches!(scaled.form, Form::F32(_)) { counts } else { (counts + 1e-6).floor() };
        match scaled.form.encode(counts) {
            Some(words) => Ok(Some(write(modbus, scaled.register, words))),
            None => Err(Trouble::OutOfRange {
                asked: format!("register {} ({what})", scaled.register),
                why: format!("{counts} does not fit into it"),
                came: Bytes::default(),
            }),
        }
    };
    match order {
        Order::SetVolts(v) => number(modbus.set_volts, v.get(), "volts"),
        Order::SetAmps(a) => number(modbus.set_amps, a.get(), "amperes"),
        Order::On => Ok(single(modbus.output_on)),
        Order::Off => Ok(single(modbus.output_off)),
        Order::OverVoltageLevel(v) => {
            modbus.over_voltage.map_or(Ok(None), |s| number(s, v.get(), "over-voltage level"))
        }
        Order::OverCurrentLevel(a) => {
            modbus.over_current.map_or(Ok(None), |s| number(s, a.get(), "over-current level"))
        }
        // One register clears both; it is written with the first.
        Order::OverVoltageClear => Ok(modbus.clear.and_then(single)),
        Order::Watch => modbus.watchdog.map_or(Ok(None), |w| number(w.scaled, w.seconds, "watchdog, s")),
        Order::Unwatch => match modbus.watchdog.and_then(|w| Some((w, w.idle?))) {
            Some((w, idle)) => number(w.scaled, idle, "watchdog, s"),
            None => Ok(None),
        },
        Order::OverVoltageArm | Order::OverCurrentArm | Order::OverCurrentClear | Order::Forget => Ok(None),
    }
}

fn write(modbus: &Modbus, register: u16, words: Vec<u16>) -> Registers {
    match words[..] {
        [word] if !modbus.write_multiple => Registers::WriteOne(register, word),
        _ => Registers::Write(register, words),
    }
}

/// Identity words as text if they are text, else in hex.
fn name(words: &[u16]) -> String {
    let bytes: Vec<u8> = words.iter().flat_map(|w| w.to_be_bytes()).collect();
    // Short names are filled up with zeros.
    let end = bytes.iter().rposition(|b| *b != 0).map_or(0, |at| at + 1);
    let text = &bytes[..end];
    if !text.is_empty() && text.iter().all(|b| matches!(b, b' '..=b'~')) {
        return String::from_utf8_lossy(text).trim().into();
    }
    words.iter().map(|w| format!("{w:04x}")).collect::<Vec<_>>().join(" ")
}

/// Which order of words would make the known value of what was read.
fn order_found(known: &Known, words: &[u16]) -> String {
    let form = |order| match known.scaled.form {
        Form::F32(_) => Form::F32(order),
        Form::U32(_) => Form::U32(order),
        Form::I32(_) => Form::I32(order),
        other => other,
    };
    let hex: Vec<String> = words.iter().map(|w| format!("0x{w:04x}")).collect();
    let fits = WordOrder::ALL.into_iter().find(|o| form(*o).decode(words) == Some(known.value));
    let remedy = match fits {
        Some(order) => {
            format!("in the order {} they are: correct the dialect's order of words", order.name())
        }
        None => "in no order of words are they: is this the right register, and the right device?".into(),
    };
    format!(
        "register {} must hold {} and holds {}, which is not that as the dialect reads it; {remedy}; nothing may be \
         switched on before",
        known.scaled.register,
        known.value,
        hex.join(" ")
    )
}

async fn registers(
    seat: &mut Seat,
    unit: u8,
    modbus: &Modbus,
    dialect: &Dialect,
    items: &[Item],
) -> Result<(Vec<(Item, Value)>, Instant), Trouble> {
    let mut values = Vec::new();
    let mut at = None;
    let level = |i: &Item| matches!(i, Item::OverVoltageLevel | Item::OverCurrentLevel);
    let wanted = |i: &&Item| has(dialect, **i);
    if items.iter().filter(wanted).any(|i| !level(i)) {
        // What confirms an off waits for no other block and for nothing that another one says.
        let alone = only_state(items);
        let mut seen = Seen::default();
        for block in modbus.polls.iter().filter(|b| !alone || b.space == modbus.output.space) {
            let answer =
                seat.exchange(Question::Registers(unit, Registers::Read(*block)), Standing::Trusted).await?;
            if block.space == modbus.amps.space || at.is_none() {
                at = Some(answer.at);
            }
            seen.0.push((*block, answer.words));
        }
        values.extend(picture(modbus, dialect, &seen, alone).map_err(|(item, space, misfit)| {
            seat.distrust();
            let (block, words) = seen.of(space).unwrap_or((modbus.identity, &[]));
            doubt(&format!("unit {unit}: {}, {item:?}", Registers::Read(block)), words, misfit)
        })?);
    }
    if items.iter().filter(wanted).any(level) {
        let mut seen = Vec::new();
        for block in modbus.levels() {
            let answer =
                seat.exchange(Question::Registers(unit, Registers::Read(block)), Standing::Trusted).await?;
            at = at.or(Some(answer.at));
            seen.push((block, answer.words));
        }
        let levels =
            [(Item::OverVoltageLevel, modbus.over_voltage), (Item::OverCurrentLevel, modbus.over_current)];
        for (item, scaled) in levels {
            let Some(scaled) = scaled else { continue };
            let holds = |block: &Block| {
                (block.first..=block.first.saturating_add(block.count - 1)).contains(&scaled.register)
            };
            let Some((block, words)) = seen.iter().find(|(block, _)| holds(block)) else { continue };
            let value = number(block.first, words, scaled).and_then(|n| believed(&dialect.range, item, n));
            values.push((
                item,
                value.map_err(|misfit| {
                    seat.distrust();
                    doubt(&format!("unit {unit}: {}", Registers::Read(*block)), words, misfit)
                })?,
            ));
        }
    }
    Ok((values, at.unwrap_or_else(Instant::now)))
}

fn number(first: u16, words: &[u16], scaled: Scaled) -> Result<f64, Misfit> {
    let from = usize::from(scaled.register.saturating_sub(first));
    let value = words.get(from..).and_then(|w| scaled.form.decode(w));
    // 702 hundredths are 702 / 100: multiplied by 0.01 they would be a hair above 7.02.
    let per_unit = (1.0 / scaled.per_count).round();
    let decimal = (per_unit * scaled.per_count - 1.0).abs() < 1e-12;
    let real = |v: f64| if decimal { v / per_unit } else { v * scaled.per_count };
    value.map(real).ok_or(Misfit::Fields { wanted: from + 1, found: words.len() })
}

/// Whether nothing but the output's state is asked: a setpoint beside it that cannot be believed must not keep an off
/// from being confirmed.
pub(super) fn only_state(items: &[Item]) -> bool {
    items == [Item::Output]
}

/// What was read, block by block; one of each space at most.
#[derive(Default)]
struct Seen(Vec<(Block, Vec<u16>)>);

impl Seen {
    fn of(&self, space: Space) -> Option<(Block, &[u16])> {
        self.0.iter().find(|(block, _)| block.space == space).map(|(block, words)| (*block, &words[..]))
    }

    fn word(&self, space: Space, register: u16) -> Option<u16> {
        let (block, words) = self.of(space)?;
        words.get(usize::from(register.checked_sub(block.first)?)).copied()
    }
}

/// Everything that the blocks tell; with `only_state` a setpoint that cannot be believed, and what was not read, is left
/// out. What is not believed is named with the space that it stands in.
fn picture(
    modbus: &Modbus,
    dialect: &Dialect,
    seen: &Seen,
    only_state: bool,
) -> Result<Vec<(Item, Value)>, (Item, Space, Misfit)> {
    let mut values = Vec::with_capacity(8);
    for (item, scaled) in [
        (Item::Volts, modbus.volts),
        (Item::Amps, modbus.amps),
        (Item::SetVolts, modbus.set_volts_read),
        (Item::SetAmps, modbus.set_amps_read),
    ] {
        let Some((block, words)) = seen.of(scaled.space) else { continue };
        match number(block.first, words, scaled).and_then(|n| believed(&dialect.range, item, n)) {
            Ok(value) => values.push((item, value)),
            Err(_) if only_state && matches!(item, Item::SetVolts | Item::SetAmps) => {}
            Err(misfit) => return Err((item, scaled.space, misfit)),
        }
    }
    let on = match seen.word(modbus.output.space, modbus.output.register) {
        Some(word) if word == modbus.output.word => true,
        Some(word) if word == modbus.output_is_off => false,
        _ => return Err((Item::Output, modbus.output.space, Misfit::WrongType("on or off"))),
    };
    values.push((Item::Output, Value::Flag(on)));
    let trips = modbus.trips.and_then(|t| Some((t, seen.word(t.space, t.register)?)));
    let set = |bit: Option<u8>, bits: u16| bit.map(|bit| bits & (1 << bit) != 0);
    let hot = trips.and_then(|(t, bits)| set(t.over_temperature, bits));
    if let Some((t, bits)) = trips {
        let both = [(Item::OverVoltageTripped, t.over_voltage), (Item::OverCurrentTripped, t.over_current)];
        values.extend(both.into_iter().filter_map(|(item, bit)| Some((item, Value::Flag(set(bit, bits)?)))));
    }
    if has(dialect, Item::Regulation) {
        let told = modbus.regulation.and_then(|r| Some((r, seen.word(r.space, r.register)?)));
        let regulation = match told {
            Some((r, word)) if word == r.constant_current => Regulation::ConstantCurrent,
            Some((r, word)) if word == r.constant_voltage => Regulation::ConstantVoltage,
            _ => Regulation::Neither,
        };
        values.push((Item::Regulation, Value::Holding { regulation, hot: hot.unwrap_or(false) }));
    }
    Ok(values)
}

fn doubt(asked: &str, words: &[u16], misfit: Misfit) -> Trouble {
    doubted(asked, Bytes(words.iter().flat_map(|w| w.to_be_bytes()).collect()), misfit)
}

/// A misfit in the operator's words.
pub(super) fn doubted(asked: &str, came: Bytes, misfit: Misfit) -> Trouble {
    let asked = asked.to_owned();
    match misfit {
        Misfit::WrongType(wanted) => Trouble::WrongType { asked, wanted, came },
        Misfit::OutOfRange(why) => Trouble::OutOfRange { asked, why, came },
        other => Trouble::Garbled { asked, why: other.to_string(), came },
    }
}

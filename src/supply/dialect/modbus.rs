//! The `[modbus]` table: registers after the Modbus application protocol.
//!
//! The words are those of *MODBUS Application Protocol Specification V1.1b3*.
//! The order of the two words (and of the bytes in them) of a 32-bit value is
//! not in the specification, so it is never assumed: whoever uses one must
//! write the order down.

use super::Range;
use super::number::{Form, WordOrder};
use super::shared::{most, optional};
use crate::quantity::{Amps, Field, Quantity, Span, Table, Volts};

/// Which of the two register spaces.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Space {
    /// Holding registers, read with function code 03.
    Holding,
    /// Input registers, read with function code 04.
    Input,
}

/// A number with a unit in a register.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scaled {
    /// The first register, counted from 0 as on the wire.
    pub register: u16,
    /// How it lies there.
    pub form: Form,
    /// What a count of one stands for, in V, A or s.
    pub per_count: f64,
}

/// One register and what is written into it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RegisterSwitch {
    /// The register.
    pub register: u16,
    /// The word.
    pub word: u16,
}

/// Where the regulation stands, as a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RegulationRegister {
    /// The register.
    pub register: u16,
    /// It holds this while the current is held.
    pub constant_current: u16,
    /// It holds this while the voltage is held.
    pub constant_voltage: u16,
}

/// Where the trips stand, as bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TripBits {
    /// The register.
    pub register: u16,
    /// Set after an over-voltage trip.
    pub over_voltage: Option<u8>,
    /// Set after an over-current trip.
    pub over_current: Option<u8>,
    /// Set while, or after, it was too hot.
    pub over_temperature: Option<u8>,
}

/// Registers that are read in one go.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Block {
    /// Which space.
    pub space: Space,
    /// The first.
    pub first: u16,
    /// How many.
    pub count: u16,
}

/// A register whose value never changes, to prove the order of words.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Known {
    /// Which space.
    pub space: Space,
    /// Where and how; `per_count` is 1.
    pub scaled: Scaled,
    /// What it must hold.
    pub value: f64,
}

/// The device's own communication watchdog.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Watchdog {
    /// Where its time is set; `per_count` in s.
    pub scaled: Scaled,
    /// To what, s.
    pub seconds: f64,
    /// What disarms it, s; `None` where nothing does.
    pub idle: Option<f64>,
}

/// Everything that is said in this framing.
#[derive(Clone, Debug, PartialEq)]
pub struct Modbus {
    /// The unit address as delivered; the station's `unit` goes before it.
    pub unit: u8,
    /// Whether single registers are written with function code 16 as well.
    pub write_multiple: bool,
    /// Words that say which device this is.
    pub identity: Block,
    /// Everything that is acted on, in one block.
    pub poll: Block,
    /// Measured volts.
    pub volts: Scaled,
    /// Measured amperes.
    pub amps: Scaled,
    /// Output state: `word` while it is on.
    pub output: RegisterSwitch,
    /// What the output register holds while off.
    pub output_is_off: u16,
    /// The voltage setpoint, read back.
    pub set_volts_read: Scaled,
    /// The current setpoint, read back.
    pub set_amps_read: Scaled,
    /// Which limit it holds.
    pub regulation: Option<RegulationRegister>,
    /// What has tripped.
    pub trips: Option<TripBits>,
    /// The voltage setpoint.
    pub set_volts: Scaled,
    /// The current setpoint.
    pub set_amps: Scaled,
    /// Output on.
    pub output_on: RegisterSwitch,
    /// Output off.
    pub output_off: RegisterSwitch,
    /// Clears a trip.
    pub clear: Option<RegisterSwitch>,
    /// Level of its own over-voltage protection, a holding register that reads back.
    pub over_voltage: Option<Scaled>,
    /// Level of its own over-current protection, a holding register that reads back.
    pub over_current: Option<Scaled>,
    /// A value that proves the order of words.
    pub known: Option<Known>,
    /// Its communication watchdog.
    pub watchdog: Option<Watchdog>,
}

impl Modbus {
    /// The block of the levels, if the device has any.
    pub fn levels(&self) -> Option<Block> {
        let all = [self.over_voltage, self.over_current];
        let first = all.iter().flatten().map(|s| s.register).min()?;
        let end = all.iter().flatten().map(|s| s.register + s.form.count()).max()?;
        Some(Block { space: Space::Holding, first, count: end - first })
    }
}

/// The most that one read may ask for (V1.1b3, sections 6.3 and 6.4).
const LONGEST: u16 = 125;

/// Orders of words that the file names, for the forms that need one.
#[derive(Clone, Copy)]
struct Orders {
    float: Order,
    long: Order,
}

/// One of them.
#[derive(Clone, Copy)]
enum Order {
    Absent,
    /// Told already.
    Bad,
    Good(WordOrder),
}

pub(super) fn read(table: &Table<'_>) -> Option<(Range, Modbus)> {
    let unit = table.need("unit").integer(1..=247).and_then(|n| u8::try_from(n).ok());
    let single = table.may("write-single");
    let single = if table.has("write-single") { single.flag() } else { Some(true) };
    let orders = Orders { float: order(table, "float"), long: order(table, "long") };
    let identity = table.need("identity").table().and_then(|t| identity(&t));
    let read = table.need("read").table().and_then(|t| poll(&t, orders));
    let write = table.need("write").table().and_then(|t| write(&t, orders));
    let over_voltage = optional(table, "over-voltage", |t| scaled(t.need("level"), orders, Volts::get));
    let over_current = optional(table, "over-current", |t| scaled(t.need("level"), orders, Amps::get));
    let known = optional(table, "known", |t| known(t, orders));
    let watchdog = optional(table, "watchdog", |t| watchdog(t, orders));
    let most = table.need("range").table().and_then(|t| {
        let steps = ["volts-step", "amps-step"].map(|key| (t.may(key), t.has(key)));
        let [volts, amps] = steps;
        let volts = if volts.1 { volts.0.positive::<Volts>().map(Some) } else { Some(None) };
        let amps = if amps.1 { amps.0.positive::<Amps>().map(Some) } else { Some(None) };
        Some((most(&t)?, volts?, amps?))
    });

    let (identity, read, write) = (identity?, read?, write?);
    let ((volts_most, amps_most), volts_step, amps_step) = most?;
    let step = |given: Option<f64>, scaled: Scaled, key: &'static str| match (given, scaled.form) {
        (Some(step), _) => Some(step),
        (None, Form::F32(_)) => {
            table.problem(
                "range",
                format!("{key} is missing, and a float register has no step of its own"),
                format!("write {key} = \"…\" as the manual gives the resolution"),
            );
            None
        }
        (None, _) => Some(scaled.per_count),
    };
    let volts_step = step(volts_step.map(Volts::get), write.set_volts, "volts-step");
    let amps_step = step(amps_step.map(Amps::get), write.set_amps, "amps-step");
    let range = Range {
        volts_step: Volts::new(volts_step?),
        amps_step: Amps::new(amps_step?),
        volts_most,
        amps_most,
    };
    let modbus = Modbus {
        unit: unit?,
        write_multiple: !single?,
        identity,
        over_voltage: over_voltage?,
        over_current: over_current?,
        known: known?,
        watchdog: watchdog?,
        set_volts: write.set_volts,
        set_amps: write.set_amps,
        output_on: write.on,
        output_off: write.off,
        clear: write.clear,
        ..read
    };
    fits(table, &modbus).then_some((range, modbus))
}

/// What only shows when the registers are put side by side.
fn fits(table: &Table<'_>, m: &Modbus) -> bool {
    let mut good = true;
    let mut wrong = |key: &str, what: String, remedy: String| {
        table.problem(key, what, remedy);
        good = false;
    };
    if m.output_off.word == m.output.word && m.output_on.word == m.output_is_off {
        // Off would switch on, at start-up and whenever somebody asks for off.
        wrong(
            "write",
            format!(
                "output off writes {}, which is what the output reads while it is ON: on and off are exchanged",
                m.output_off.word
            ),
            "look into the supply's manual which word switches on, in [modbus.write] and in [modbus.read]"
                .into(),
        );
    }
    for (key, what, remedy) in super::doubts::contradictions(m) {
        wrong(key, what, remedy);
    }
    let mut lengths = vec![("identity", m.identity), ("read", m.poll)];
    if let Some(levels) = m.levels() {
        lengths.push(("over-voltage and over-current together", levels));
    }
    if let Some(known) = m.known {
        let count = known.scaled.form.count();
        lengths.push(("known", Block { space: known.space, first: known.scaled.register, count }));
    }
    for (name, block) in &lengths {
        if block.count > LONGEST {
            let key = if table.has(name) { name } else { "over-voltage" };
            wrong(
                key,
                format!(
                    "registers {} to {} are {} in one block; one read takes {LONGEST}",
                    block.first,
                    u32::from(block.first) + u32::from(block.count) - 1,
                    block.count
                ),
                "choose registers that lie closer together".into(),
            );
        }
    }
    // A late answer has no name on it; only its length tells whose it is. What proves the line and what is
    // acted on must therefore differ from all else.
    for (at, (name, block)) in lengths.iter().enumerate().take(2) {
        for (other, with) in lengths.iter().skip(at + 1) {
            if block.count == with.count {
                wrong(
                    name,
                    format!(
                        "is {} registers long, as is {other}: a late answer to one could pass for the other",
                        block.count
                    ),
                    if at == 0 { other_count(&lengths) } else { other_block(other) },
                );
            }
        }
    }
    let mut writes = vec![
        ("set-volts", m.set_volts.register, m.set_volts.form.count()),
        ("set-amps", m.set_amps.register, m.set_amps.form.count()),
        ("output", m.output_on.register, 1),
    ];
    writes.extend(m.clear.map(|c| ("clear", c.register, 1)));
    writes.extend(m.over_voltage.map(|s| ("over-voltage.level", s.register, s.form.count())));
    writes.extend(m.over_current.map(|s| ("over-current.level", s.register, s.form.count())));
    writes.extend(m.watchdog.map(|w| ("watchdog", w.scaled.register, w.scaled.form.count())));
    overlaps(&writes).for_each(|text| wrong("write", text, "look the register numbers up again".into()));
    let mut reads = vec![
        ("volts", m.volts.register, m.volts.form.count()),
        ("amps", m.amps.register, m.amps.form.count()),
        ("output", m.output.register, 1),
        ("set-volts", m.set_volts_read.register, m.set_volts_read.form.count()),
        ("set-amps", m.set_amps_read.register, m.set_amps_read.form.count()),
    ];
    reads.extend(m.regulation.map(|r| ("regulation", r.register, 1)));
    reads.extend(m.trips.map(|r| ("trips", r.register, 1)));
    overlaps(&reads).for_each(|text| wrong("read", text, "look the register numbers up again".into()));
    good
}

/// The nearest number of identity words that is no other block's length, a smaller one if there is one.
fn other_count(lengths: &[(&str, Block)]) -> String {
    let is = lengths.first().map_or(0, |(_, identity)| identity.count);
    let free = |n: &u16| !lengths.iter().any(|(_, block)| block.count == *n);
    let free = (1..is).rev().chain(is + 1..=LONGEST).find(free).unwrap_or(is);
    format!(
        "write count = {free} in [modbus.identity]: a part of the name will do, or a word more, as long as the words \
         never change and no other block is as long"
    )
}

fn other_block(other: &str) -> String {
    format!(
        "make the block of [modbus.read] another length (read one register more, such as regulation or trips, or a \
         read-back from elsewhere), or leave {other} out"
    )
}

/// A sentence for every two entries that share a register.
fn overlaps(entries: &[(&'static str, u16, u16)]) -> impl Iterator<Item = String> {
    let mut found = Vec::new();
    for (at, (name, first, count)) in entries.iter().enumerate() {
        for (other, from, many) in &entries[at + 1..] {
            let share = u32::from(*first) < u32::from(*from) + u32::from(*many)
                && u32::from(*from) < u32::from(*first) + u32::from(*count);
            if share {
                found.push(format!("{name} and {other} share register {}", first.max(from)));
            }
        }
    }
    found.into_iter()
}

fn order(table: &Table<'_>, key: &'static str) -> Order {
    let field = table.may(key);
    if !table.has(key) {
        return Order::Absent;
    }
    field.choice(&WordOrder::ALL.map(|o| (o.name(), o))).map_or(Order::Bad, Order::Good)
}

fn address(field: Field<'_>) -> Option<u16> {
    field.integer(0..=65_535).and_then(|n| u16::try_from(n).ok())
}

fn identity(t: &Table<'_>) -> Option<Block> {
    let space = space(t);
    let first = address(t.need("register"));
    let count = t.need("count").integer(1..=i64::from(LONGEST)).and_then(|n| u16::try_from(n).ok());
    let (space, first, count) = (space?, first?, count?);
    whole(t, "count", first, count)?;
    Some(Block { space, first, count })
}

/// Registers are counted to 65535; nothing reaches beyond.
fn whole(t: &Table<'_>, key: &str, first: u16, count: u16) -> Option<()> {
    if u32::from(first) + u32::from(count) > 65_536 {
        t.problem(key, "reaches beyond register 65535", "look the register numbers up again");
        return None;
    }
    Some(())
}

fn space(t: &Table<'_>) -> Option<Space> {
    t.need("table").choice(&[("holding", Space::Holding), ("input", Space::Input)])
}

fn form(t: &Table<'_>, orders: Orders) -> Option<Form> {
    #[derive(Clone, Copy)]
    enum Word {
        U16,
        I16,
        U32,
        I32,
        F32,
    }
    let field = t.may("type");
    let word = if t.has("type") {
        field.choice(&[
            ("u16", Word::U16),
            ("i16", Word::I16),
            ("u32", Word::U32),
            ("i32", Word::I32),
            ("f32", Word::F32),
        ])?
    } else {
        Word::U16
    };
    let (order, key) = match word {
        Word::U16 => return Some(Form::U16),
        Word::I16 => return Some(Form::I16),
        Word::U32 | Word::I32 => (orders.long, "long"),
        Word::F32 => (orders.float, "float"),
    };
    let order = match order {
        Order::Good(order) => order,
        Order::Bad => return None,
        Order::Absent => {
            t.problem(
                "type",
                "takes two registers, and their order is not in the Modbus specification",
                format!(
                    "write {key} = \"ABCD\" (or \"CDAB\", \"BADC\", \"DCBA\") at the top of [modbus], as the manual shows"
                ),
            );
            return None;
        }
    };
    Some(match word {
        Word::U32 => Form::U32(order),
        Word::I32 => Form::I32(order),
        _ => Form::F32(order),
    })
}

/// `{ register = 16, scale = "10 mV" }`: a scale without a unit does not parse.
fn scaled<Q: Quantity>(field: Field<'_>, orders: Orders, base: fn(Q) -> f64) -> Option<Scaled> {
    let t = field.table()?;
    let register = address(t.need("register"));
    let form = form(&t, orders);
    let scale = t.need("scale").positive::<Q>();
    let (register, form, scale) = (register?, form?, scale?);
    whole(&t, "register", register, form.count())?;
    Some(Scaled { register, form, per_count: base(scale) })
}

fn word(field: Field<'_>) -> Option<u16> {
    address(field)
}

/// The parts of [`Modbus`] that stand under `[modbus.read]`; the rest is a placeholder that the caller replaces.
fn poll(t: &Table<'_>, orders: Orders) -> Option<Modbus> {
    let space = space(t);
    let volts = scaled(t.need("volts"), orders, Volts::get);
    let amps = scaled(t.need("amps"), orders, Amps::get);
    let set_volts = scaled(t.need("set-volts"), orders, Volts::get);
    let set_amps = scaled(t.need("set-amps"), orders, Amps::get);
    let output = t.need("output").table().and_then(|t| {
        let (register, on, off) = (address(t.need("register")), word(t.need("on")), word(t.need("off")));
        let (register, on, off) = (register?, on?, off?);
        if on == off {
            t.problem("off", "is the same word as on", "write another");
            return None;
        }
        Some((RegisterSwitch { register, word: on }, off))
    });
    let regulation = optional(t, "regulation", |t| {
        let register = address(t.need("register"));
        let current = word(t.need("constant-current"));
        let voltage = word(t.need("constant-voltage"));
        let (register, constant_current, constant_voltage) = (register?, current?, voltage?);
        if constant_current == constant_voltage {
            t.problem("constant-voltage", "is the same word as constant-current", "write another");
            return None;
        }
        Some(RegulationRegister { register, constant_current, constant_voltage })
    });
    let trips = optional(t, "trips", trips);
    let (volts, amps, set_volts, set_amps) = (volts?, amps?, set_volts?, set_amps?);
    let ((output, output_is_off), regulation, trips) = (output?, regulation?, trips?);
    let mut spans = vec![(output.register, 1)];
    spans.extend([volts, amps, set_volts, set_amps].map(|s| (s.register, s.form.count())));
    spans.extend(regulation.map(|r| (r.register, 1)));
    spans.extend(trips.map(|r| (r.register, 1)));
    let first = spans.iter().map(|(at, _)| *at).min().unwrap_or_default();
    let end = spans.iter().map(|(at, many)| u32::from(*at) + u32::from(*many)).max().unwrap_or_default();
    let count = u16::try_from(end - u32::from(first)).unwrap_or(u16::MAX);
    let poll = Block { space: space?, first, count };
    Some(Modbus {
        poll,
        volts,
        amps,
        output,
        output_is_off,
        set_volts_read: set_volts,
        set_amps_read: set_amps,
        regulation,
        trips,
        // Replaced by the caller.
        unit: 0,
        write_multiple: false,
        identity: poll,
        set_volts,
        set_amps,
        output_on: output,
        output_off: output,
        clear: None,
        over_voltage: None,
        over_current: None,
        known: None,
        watchdog: None,
    })
}

fn trips(t: &Table<'_>) -> Option<TripBits> {
    let register = address(t.need("register"));
    let keys = ["over-voltage-bit", "over-current-bit", "over-temperature-bit"];
    let bits = keys.map(|key| {
        let field = t.may(key);
        if !t.has(key) {
            return Some(None);
        }
        field.integer(0..=15).and_then(|n| u8::try_from(n).ok()).map(Some)
    });
    let [over_voltage, over_current, over_temperature] = bits;
    let bits = [over_voltage?, over_current?, over_temperature?];
    for (at, bit) in bits.iter().enumerate() {
        if bit.is_some() && bits[..at].contains(bit) {
            t.problem(keys[at], "is the same bit as another", "write another");
            return None;
        }
    }
    let [over_voltage, over_current, over_temperature] = bits;
    Some(TripBits { register: register?, over_voltage, over_current, over_temperature })
}

struct Write {
    set_volts: Scaled,
    set_amps: Scaled,
    on: RegisterSwitch,
    off: RegisterSwitch,
    clear: Option<RegisterSwitch>,
}

fn write(t: &Table<'_>, orders: Orders) -> Option<Write> {
    let set_volts = scaled(t.need("set-volts"), orders, Volts::get);
    let set_amps = scaled(t.need("set-amps"), orders, Amps::get);
    let output = t.need("output").table().and_then(|t| {
        let (register, on, off) = (address(t.need("register")), word(t.need("on")), word(t.need("off")));
        let (register, on, off) = (register?, on?, off?);
        if on == off {
            t.problem("off", "is the same word as on", "write another");
            return None;
        }
        Some((RegisterSwitch { register, word: on }, RegisterSwitch { register, word: off }))
    });
    let clear = optional(t, "clear", |t| {
        let (register, value) = (address(t.need("register")), word(t.need("value")));
        Some(RegisterSwitch { register: register?, word: value? })
    });
    let (on, off) = output?;
    Some(Write { set_volts: set_volts?, set_amps: set_amps?, on, off, clear: clear? })
}

fn known(t: &Table<'_>, orders: Orders) -> Option<Known> {
    let space = space(t);
    let register = address(t.need("register"));
    let form = form(t, orders);
    let value = t.need("value").number(-1e12..=1e12);
    let (register, form) = (register?, form?);
    whole(t, "register", register, form.count())?;
    Some(Known { space: space?, scaled: Scaled { register, form, per_count: 1.0 }, value: value? })
}

fn watchdog(t: &Table<'_>, orders: Orders) -> Option<Watchdog> {
    let time = scaled(t.need("time"), orders, Span::get);
    let set = t.need("set").within(Span::new(0.5), Span::new(60.0));
    let idle = t.may("off");
    let idle = if t.has("off") { idle.not_negative::<Span>().map(Some) } else { Some(None) };
    let (scaled, set, idle) = (time?, set?, idle?);
    Some(Watchdog { scaled, seconds: set.get(), idle: idle.map(Span::get) })
}

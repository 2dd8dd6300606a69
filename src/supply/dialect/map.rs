//! The register map in a `[modbus]` table: where each value stands and how it lies there.

use super::modbus::{
    Block, Known, Modbus, RegisterSwitch, RegulationRegister, Scaled, Space, TripBits, Watchdog,
};
use super::number::{Form, WordOrder};
use super::shared::optional;
use crate::quantity::{Amps, Field, Quantity, Span, Table, Volts};

/// The most that one read may ask for (V1.1b3, sections 6.3 and 6.4).
pub(super) const LONGEST: u16 = 125;

/// Orders of words that the file names, for the forms that need one.
#[derive(Clone, Copy)]
pub(super) struct Orders {
    pub float: Order,
    pub long: Order,
}

/// One of them.
#[derive(Clone, Copy)]
pub(super) enum Order {
    Absent,
    /// Told already.
    Bad,
    Good(WordOrder),
}

pub(super) fn order(table: &Table<'_>, key: &'static str) -> Order {
    let field = table.may(key);
    if !table.has(key) {
        return Order::Absent;
    }
    field.choice(&WordOrder::ALL.map(|o| (o.name(), o))).map_or(Order::Bad, Order::Good)
}

fn address(field: Field<'_>) -> Option<u16> {
    field.integer(0..=65_535).and_then(|n| u16::try_from(n).ok())
}

pub(super) fn identity(t: &Table<'_>) -> Option<Block> {
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

const REGISTERS: [(&str, Space); 2] = [("holding", Space::Holding), ("input", Space::Input)];
const ALL: [(&str, Space); 4] = [
    ("holding", Space::Holding),
    ("input", Space::Input),
    ("coil", Space::Coil),
    ("discrete", Space::Discrete),
];

fn space(t: &Table<'_>) -> Option<Space> {
    t.need("table").choice(&REGISTERS)
}

/// The table that a value names for itself, else the one of all.
fn own_space(t: &Table<'_>, of_all: Option<Space>, choices: &[(&str, Space)]) -> Option<Space> {
    let field = t.may("table");
    if t.has("table") { field.choice(choices) } else { of_all }
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

/// `{ register = 16, scale = "10 mV" }`: a scale without a unit does not parse. It is written, so a holding register.
pub(super) fn scaled<Q: Quantity>(field: Field<'_>, orders: Orders, base: fn(Q) -> f64) -> Option<Scaled> {
    count(&field.table()?, orders, base, Some(Space::Holding))
}

/// The same, read from the table that it names, else from the one of all.
fn read_scaled<Q: Quantity>(
    field: Field<'_>,
    orders: Orders,
    base: fn(Q) -> f64,
    of_all: Option<Space>,
) -> Option<Scaled> {
    let t = field.table()?;
    let space = own_space(&t, of_all, &REGISTERS);
    count(&t, orders, base, space)
}

fn count<Q: Quantity>(
    t: &Table<'_>,
    orders: Orders,
    base: fn(Q) -> f64,
    space: Option<Space>,
) -> Option<Scaled> {
    let register = address(t.need("register"));
    let form = form(t, orders);
    let scale = t.need("scale").positive::<Q>();
    let (register, form, scale) = (register?, form?, scale?);
    whole(t, "register", register, form.count())?;
    Some(Scaled { space: space?, register, form, per_count: base(scale) })
}

/// Where the output is told or switched, as what it is on and as what off. A single bit is 1 for on unless the file
/// says otherwise.
fn output(
    t: &Table<'_>,
    of_all: Option<Space>,
    choices: &[(&str, Space)],
) -> Option<(RegisterSwitch, RegisterSwitch)> {
    let space = own_space(t, of_all, choices);
    let register = address(t.need("register"));
    let most = if space.is_some_and(Space::is_bits) { 1 } else { 65_535 };
    let state = |key: &'static str, usual: u16| {
        // Where the table is not known, that is told already.
        let optional = space.is_none_or(Space::is_bits);
        let field = if optional { t.may(key) } else { t.need(key) };
        if optional && !t.has(key) {
            return Some(usual);
        }
        field.integer(0..=most).and_then(|n| u16::try_from(n).ok())
    };
    let (on, off) = (state("on", 1), state("off", 0));
    let (space, register, on, off) = (space?, register?, on?, off?);
    if on == off {
        t.problem("off", "is the same word as on", "write another");
        return None;
    }
    let switch = |word| RegisterSwitch { space, register, word };
    Some((switch(on), switch(off)))
}

fn word(field: Field<'_>) -> Option<u16> {
    address(field)
}

/// The parts of [`Modbus`] that stand under `[modbus.read]`; the rest is a placeholder that the caller replaces.
pub(super) fn poll(t: &Table<'_>, orders: Orders) -> Option<Modbus> {
    let of_all = space(t);
    let volts = read_scaled(t.need("volts"), orders, Volts::get, of_all);
    let amps = read_scaled(t.need("amps"), orders, Amps::get, of_all);
    let set_volts = read_scaled(t.need("set-volts"), orders, Volts::get, of_all);
    let set_amps = read_scaled(t.need("set-amps"), orders, Amps::get, of_all);
    let output = t.need("output").table().and_then(|t| output(&t, of_all, &ALL));
    let regulation = optional(t, "regulation", |t| {
        let space = own_space(t, of_all, &REGISTERS);
        let register = address(t.need("register"));
        let current = word(t.need("constant-current"));
        let voltage = word(t.need("constant-voltage"));
        let (space, register, constant_current, constant_voltage) = (space?, register?, current?, voltage?);
        if constant_current == constant_voltage {
            t.problem("constant-voltage", "is the same word as constant-current", "write another");
            return None;
        }
        Some(RegulationRegister { space, register, constant_current, constant_voltage })
    });
    let trips = optional(t, "trips", |t| trips(t, of_all));
    let (volts, amps, set_volts, set_amps) = (volts?, amps?, set_volts?, set_amps?);
    let ((output, output_is_off), regulation, trips) = (output?, regulation?, trips?);
    let single = |space, first| Block { space, first, count: 1 };
    let mut spans: Vec<Block> = [amps, volts, set_volts, set_amps].iter().map(Scaled::block).collect();
    spans.push(single(output.space, output.register));
    spans.extend(regulation.map(|r| single(r.space, r.register)));
    spans.extend(trips.map(|r| single(r.space, r.register)));
    let polls = blocks(&spans);
    of_all?;
    Some(Modbus {
        identity: *polls.first()?,
        polls,
        volts,
        amps,
        output,
        output_is_off: output_is_off.word,
        set_volts_read: set_volts,
        set_amps_read: set_amps,
        regulation,
        trips,
        // Replaced by the caller.
        unit: 0,
        write_multiple: false,
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

/// One block for each table, from the lowest to the highest of what is wanted of it; in the order of the first of each.
fn blocks(spans: &[Block]) -> Vec<Block> {
    let mut all: Vec<Block> = Vec::new();
    for span in spans {
        let end = |b: &Block| u32::from(b.first) + u32::from(b.count);
        match all.iter_mut().find(|block| block.space == span.space) {
            Some(block) => {
                let last = end(block).max(end(span));
                block.first = block.first.min(span.first);
                block.count = u16::try_from(last - u32::from(block.first)).unwrap_or(u16::MAX);
            }
            None => all.push(*span),
        }
    }
    all
}

fn trips(t: &Table<'_>, of_all: Option<Space>) -> Option<TripBits> {
    let space = own_space(t, of_all, &REGISTERS);
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
    Some(TripBits { space: space?, register: register?, over_voltage, over_current, over_temperature })
}

pub(super) struct Write {
    pub set_volts: Scaled,
    pub set_amps: Scaled,
    pub on: RegisterSwitch,
    pub off: RegisterSwitch,
    pub clear: Option<RegisterSwitch>,
}

pub(super) fn write(t: &Table<'_>, orders: Orders) -> Option<Write> {
    let set_volts = scaled(t.need("set-volts"), orders, Volts::get);
    let set_amps = scaled(t.need("set-amps"), orders, Amps::get);
    let output = t.need("output").table().and_then(|t| {
        output(&t, Some(Space::Holding), &[("holding", Space::Holding), ("coil", Space::Coil)])
    });
    let clear = optional(t, "clear", |t| {
        let (register, value) = (address(t.need("register")), word(t.need("value")));
        Some(RegisterSwitch { space: Space::Holding, register: register?, word: value? })
    });
    let (on, off) = output?;
    Some(Write { set_volts: set_volts?, set_amps: set_amps?, on, off, clear: clear? })
}

pub(super) fn known(t: &Table<'_>, orders: Orders) -> Option<Known> {
    let space = space(t);
    let register = address(t.need("register"));
    let form = form(t, orders);
    let value = t.need("value").number(-1e12..=1e12);
    let (space, register, form) = (space?, register?, form?);
    whole(t, "register", register, form.count())?;
    Some(Known { scaled: Scaled { space, register, form, per_count: 1.0 }, value: value? })
}

pub(super) fn watchdog(t: &Table<'_>, orders: Orders) -> Option<Watchdog> {
    let time = scaled(t.need("time"), orders, Span::get);
    let set = t.need("set").within(Span::new(0.5), Span::new(60.0));
    let idle = t.may("off");
    let idle = if t.has("off") { idle.not_negative::<Span>().map(Some) } else { Some(None) };
    let (scaled, set, idle) = (time?, set?, idle?);
    Some(Watchdog { scaled, seconds: set.get(), idle: idle.map(Span::get) })
}

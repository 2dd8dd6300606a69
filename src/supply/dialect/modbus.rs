//! The `[modbus]` table: registers after the Modbus application protocol.
//!
//! The words are those of *MODBUS Application Protocol Specification V1.1b3*.
//! The order of the two words (and of the bytes in them) of a 32-bit value is
//! not in the specification, so it is never assumed: whoever uses one must
//! write the order down.

use super::Range;
use super::map::{LONGEST, Orders, identity, known, order, poll, scaled, watchdog, write};
use super::number::Form;
use super::shared::{most, optional};
use crate::quantity::{Amps, Table, Volts};

/// Which of the four tables of the protocol (V1.1b3, section 4.3). Each counts its places from 0 by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Space {
    /// Holding registers, read with function code 03.
    Holding,
    /// Input registers, read with function code 04.
    Input,
    /// Coils: single bits, read with function code 01 and written with 05.
    Coil,
    /// Discrete inputs: single bits, read with function code 02.
    Discrete,
}

impl Space {
    /// Whether a place in it is a single bit.
    pub fn is_bits(self) -> bool {
        matches!(self, Space::Coil | Space::Discrete)
    }

    /// Its places, for people: `holding register`.
    pub fn place(self) -> &'static str {
        match self {
            Space::Holding => "holding register",
            Space::Input => "input register",
            Space::Coil => "coil",
            Space::Discrete => "discrete input",
        }
    }
}

/// A number with a unit in a register.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scaled {
    /// Which space.
    pub space: Space,
    /// The first register, counted from 0 as on the wire.
    pub register: u16,
    /// How it lies there.
    pub form: Form,
    /// What a count of one stands for, in V, A or s.
    pub per_count: f64,
}

impl Scaled {
    /// The registers that it takes.
    pub fn block(&self) -> Block {
        Block { space: self.space, first: self.register, count: self.form.count() }
    }
}

/// One register, coil or discrete input, and what stands in it or is written into it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RegisterSwitch {
    /// Which space.
    pub space: Space,
    /// The register.
    pub register: u16,
    /// The word; 0 or 1 for a bit.
    pub word: u16,
}

/// Where the regulation stands, as a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RegulationRegister {
    /// Which space.
    pub space: Space,
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
    /// Which space.
    pub space: Space,
    /// The register.
    pub register: u16,
    /// Set after an over-voltage trip.
    pub over_voltage: Option<u8>,
    /// Set after an over-current trip.
    pub over_current: Option<u8>,
    /// Set while, or after, it was too hot.
    pub over_temperature: Option<u8>,
}

/// Registers, or bits, that are read in one go.
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
    /// Everything that is acted on: one block of each table that something of it stands in, the one with the
    /// amperes first.
    pub polls: Vec<Block>,
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
    /// The blocks of the levels, if the device has any: one where they lie side by side, else one for each, since
    /// many devices refuse to read across registers that they have not.
    pub fn levels(&self) -> Vec<Block> {
        let mut all: Vec<Block> =
            [self.over_voltage, self.over_current].iter().flatten().map(Scaled::block).collect();
        all.sort_unstable_by_key(|block| block.first);
        if let [low, high] = all[..]
            && u32::from(low.first) + u32::from(low.count) == u32::from(high.first)
        {
            return vec![Block { count: low.count + high.count, ..low }];
        }
        all
    }
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
    let mut lengths = vec![("identity", m.identity)];
    lengths.extend(m.polls.iter().map(|block| ("read", *block)));
    let acted_on = lengths.len();
    let levels = m.levels();
    lengths.extend(levels.iter().map(|block| {
        let is = |s: Option<Scaled>| s.is_some_and(|s| s.block() == *block);
        let name = match (is(m.over_voltage), is(m.over_current)) {
            (true, _) => "over-voltage",
            (_, true) => "over-current",
            _ => "over-voltage and over-current together",
        };
        (name, *block)
    }));
    lengths.extend(m.known.map(|known| ("known", known.scaled.block())));
    for (name, block) in &lengths {
        if block.count > LONGEST {
            let key = if table.has(name) { name } else { "over-voltage" };
            wrong(
                key,
                format!(
                    "{}s {} to {} are {} in one block; one read takes {LONGEST}",
                    block.space.place(),
                    block.first,
                    u32::from(block.first) + u32::from(block.count) - 1,
                    block.count
                ),
                "choose registers that lie closer together".into(),
            );
        }
    }
    // A late answer has no name on it; only its function code and its length tell whose it is. What proves the line
    // and what is acted on must therefore differ from all else in the same table.
    for (at, (name, block)) in lengths.iter().enumerate().take(acted_on) {
        for (other, with) in lengths.iter().skip(at + 1) {
            if (block.space, block.count) == (with.space, with.count) {
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
    let bit = |s: RegisterSwitch| Block { space: s.space, first: s.register, count: 1 };
    let mut writes = vec![
        ("set-volts", m.set_volts.block()),
        ("set-amps", m.set_amps.block()),
        ("output", bit(m.output_on)),
    ];
    writes.extend(m.clear.map(|c| ("clear", bit(c))));
    writes.extend(m.over_voltage.map(|s| ("over-voltage.level", s.block())));
    writes.extend(m.over_current.map(|s| ("over-current.level", s.block())));
    writes.extend(m.watchdog.map(|w| ("watchdog", w.scaled.block())));
    overlaps(&writes).for_each(|text| wrong("write", text, "look the register numbers up again".into()));
    let mut reads = vec![
        ("volts", m.volts.block()),
        ("amps", m.amps.block()),
        ("output", bit(m.output)),
        ("set-volts", m.set_volts_read.block()),
        ("set-amps", m.set_amps_read.block()),
    ];
    reads.extend(m.regulation.map(|r| ("regulation", Block { space: r.space, first: r.register, count: 1 })));
    reads.extend(m.trips.map(|r| ("trips", Block { space: r.space, first: r.register, count: 1 })));
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
fn overlaps(entries: &[(&'static str, Block)]) -> impl Iterator<Item = String> {
    let mut found = Vec::new();
    for (at, (name, one)) in entries.iter().enumerate() {
        for (other, with) in &entries[at + 1..] {
            let share = one.space == with.space
                && u32::from(one.first) < u32::from(with.first) + u32::from(with.count)
                && u32::from(with.first) < u32::from(one.first) + u32::from(one.count);
            if share {
                let place = one.space.place();
                found.push(format!("{name} and {other} share {place} {}", one.first.max(with.first)));
            }
        }
    }
    found.into_iter()
}

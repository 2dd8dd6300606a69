//! The `[line]` table: plain request and reply lines, after no standard.

use super::pattern::{Pattern, Slot};
use super::shared::{line_end, most, steps, watchdog_time};
use super::{Dialect, Range};
use crate::quantity::{Amps, Field, Table, Volts};
use std::time::Duration;

/// One question and how its answer looks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Query {
    /// The line that asks.
    pub ask: String,
    /// The answer.
    pub reply: Pattern,
}

/// What words mean.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Words {
    /// On, or tripped, or too hot.
    pub on: String,
    /// Off, or not tripped, or not too hot.
    pub off: String,
    /// It holds the current.
    pub constant_current: String,
    /// It holds the voltage.
    pub constant_voltage: String,
}

/// Lines that set; `{volts}`, `{amps}` and `{unit}` are filled in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Commands {
    /// Sets the voltage.
    pub set_volts: String,
    /// Sets the current.
    pub set_amps: String,
    /// Output on.
    pub output_on: String,
    /// Output off.
    pub output_off: String,
    /// Sets the level of its own over-voltage protection.
    pub over_voltage: Option<String>,
    /// Sets the level of its own over-current protection.
    pub over_current: Option<String>,
    /// Clears a trip.
    pub clear: Option<String>,
    /// Arms its communication watchdog.
    pub watchdog: Option<String>,
    /// After so long without a question it switches off; `None` only where there is no watchdog.
    pub watchdog_time: Option<Duration>,
    /// Disarms it.
    pub unwatch: Option<String>,
}

/// Everything that is said in this framing.
#[derive(Clone, Debug, PartialEq)]
pub struct Plain {
    /// Ends a line to the supply.
    pub send_end: Vec<u8>,
    /// Ends a line from the supply.
    pub reply_end: Vec<u8>,
    /// Its address as delivered, for `{unit}`; the station's `unit` goes before it.
    pub unit: Option<u8>,
    /// What every command is answered with; `None` if with nothing.
    pub acknowledge: Option<Pattern>,
    /// What any line is answered with when it is refused.
    pub refusal: Option<Pattern>,
    /// What words mean.
    pub words: Words,
    /// What a count of one stands for in every voltage, V.
    pub volts_scale: f64,
    /// What a count of one stands for in every current, A.
    pub amps_scale: f64,
    /// Who is there.
    pub identity: Query,
    /// Everything else that can be asked.
    pub queries: Vec<Query>,
    /// Everything that can be told.
    pub commands: Commands,
}

pub(super) fn read(table: &Table<'_>) -> Option<(Range, Plain)> {
    let send_end = line_end(table.need("send-end"));
    let reply_end = line_end(table.need("reply-end"));
    let unit = table.may("unit");
    let unit = if table.has("unit") {
        unit.integer(0..=247).and_then(|n| u8::try_from(n).ok()).map(Some)
    } else {
        Some(None)
    };
    let acknowledge = maybe(table, "acknowledge", pattern);
    let refusal = maybe(table, "refusal", pattern);
    let range = table.need("range").table().and_then(|t| steps(&t).zip(most(&t)));
    let words = table.need("words").table().and_then(|t| words(&t));
    let scale = table.need("scale").table().and_then(|t| {
        let volts = t.need("volts").positive::<Volts>();
        let amps = t.need("amps").positive::<Amps>();
        volts.zip(amps)
    });
    let identity = table.need("identity").table().and_then(|t| {
        let query = query(&t)?;
        if !query.reply.slots().any(|slot| slot == Slot::Identity) {
            t.problem("reply", "tells no identity", "put {identity} where the name stands in the reply");
            return None;
        }
        Some(query)
    });
    // Each is read, also after a bad one, so that all problems are told at once.
    let queries: Vec<_> = table.need("query").tables().iter().map(query).collect();
    let commands = table.need("commands").table().and_then(|t| commands(&t));

    let ((volts_step, amps_step), (volts_most, amps_most)) = range?;
    let (volts_scale, amps_scale) = scale?;
    let plain = Plain {
        send_end: send_end?,
        reply_end: reply_end?,
        unit: unit?,
        acknowledge: acknowledge?,
        refusal: refusal?,
        words: words?,
        volts_scale: volts_scale.get(),
        amps_scale: amps_scale.get(),
        identity: identity?,
        queries: queries.into_iter().collect::<Option<_>>()?,
        commands: commands?,
    };
    fits(table, &plain).then_some((Range { volts_step, amps_step, volts_most, amps_most }, plain))
}

/// What only shows when the lines are put side by side.
fn fits(table: &Table<'_>, plain: &Plain) -> bool {
    let mut good = true;
    let mut wrong = |key: &str, what: String, remedy: String| {
        table.problem(key, what, remedy);
        good = false;
    };
    let mut told: Vec<Slot> = Vec::new();
    for query in &plain.queries {
        for slot in query.reply.slots() {
            if told.contains(&slot) && slot != Slot::Skip {
                let name = slot.name();
                wrong(
                    "query",
                    format!("{{{name}}} is told by two queries"),
                    "keep one, {skip} the other".into(),
                );
            }
            told.push(slot);
        }
    }
    for slot in [Slot::Volts, Slot::Amps, Slot::Output, Slot::SetVolts, Slot::SetAmps] {
        if !told.contains(&slot) {
            let name = slot.name();
            wrong(
                "query",
                format!("no reply tells {{{name}}}"),
                format!("add a [[line.query]] whose reply has {{{name}}}"),
            );
        }
    }
    for (slot, set, key) in [
        (Slot::OverVoltage, &plain.commands.over_voltage, "over-voltage"),
        (Slot::OverCurrent, &plain.commands.over_current, "over-current"),
    ] {
        if set.is_some() != told.contains(&slot) {
            wrong(
                "commands",
                format!("{key} is only set or only read"),
                format!("give both the command {key} and a reply with {{{key}}}, or neither"),
            );
        }
    }
    if let Some(refusal) = &plain.refusal {
        let sample = |slot: Slot| match slot {
            Slot::Output | Slot::OverVoltageTripped | Slot::OverCurrentTripped | Slot::OverTemperature => {
                plain.words.on.clone()
            }
            Slot::Regulation => plain.words.constant_current.clone(),
            slot if slot.is_number() => "1.0".into(),
            _ => "X".into(),
        };
        let all = plain.queries.iter().chain([&plain.identity]).map(|q| &q.reply).chain(&plain.acknowledge);
        for reply in all {
            let text = reply.fill(sample);
            if refusal.fit(&text).is_some() {
                wrong(
                    "refusal",
                    format!("the reply {text:?} would be taken for a refusal and never be reached"),
                    "begin the refusal with what only a refusal begins with".into(),
                );
            }
        }
    }
    let asks: Vec<&str> = plain.queries.iter().chain([&plain.identity]).map(|q| q.ask.as_str()).collect();
    let c = &plain.commands;
    let optional =
        [&c.over_voltage, &c.over_current, &c.clear, &c.watchdog, &c.unwatch].into_iter().flatten();
    for command in [&c.set_volts, &c.set_amps, &c.output_on, &c.output_off].into_iter().chain(optional) {
        if asks.contains(&command.as_str()) {
            wrong(
                "commands",
                format!("{command:?} is also a query: it would ask instead of setting"),
                "write the line that sets".into(),
            );
        }
    }
    if c.output_on == c.output_off {
        wrong("commands", "output-on and output-off are the same line".into(), "look them up again".into());
    }
    good
}

fn maybe<T>(
    t: &Table<'_>,
    key: &'static str,
    read: impl FnOnce(Field<'_>) -> Option<T>,
) -> Option<Option<T>> {
    let field = t.may(key);
    if t.has(key) { read(field).map(Some) } else { Some(None) }
}

fn pattern(field: Field<'_>) -> Option<Pattern> {
    let text = field.text()?;
    match Pattern::parse(&text) {
        Ok(pattern) => Some(pattern),
        Err((wrong, remedy)) => field.bad(wrong, remedy),
    }
}

fn query(t: &Table<'_>) -> Option<Query> {
    let ask = said(t.need("ask"), &[]);
    let reply = pattern(t.need("reply"));
    let (ask, reply) = (ask?, reply?);
    if reply.slots().next().is_none() {
        t.problem("reply", "tells nothing", "put a hole such as {volts} where the value stands");
        return None;
    }
    Some(Query { ask, reply })
}

fn words(t: &Table<'_>) -> Option<Words> {
    let [on, off, current, voltage] =
        ["on", "off", "constant-current", "constant-voltage"].map(|key| (t.need(key).text(), key));
    let (constant_current, constant_voltage) = (current.0?, voltage.0?);
    let (on, off) = (on.0?, off.0?);
    for (a, b, key) in [(&on, &off, "off"), (&constant_current, &constant_voltage, "constant-voltage")] {
        if a.eq_ignore_ascii_case(b) {
            t.problem(key, format!("{b:?} means two things"), "look the words up again");
            return None;
        }
    }
    Some(Words { on, off, constant_current, constant_voltage })
}

fn commands(t: &Table<'_>) -> Option<Commands> {
    let set_volts = command(t.need("set-volts"), &["{volts}"]);
    let set_amps = command(t.need("set-amps"), &["{amps}"]);
    let output_on = command(t.need("output-on"), &[]);
    let output_off = command(t.need("output-off"), &[]);
    let over_voltage = maybe(t, "over-voltage", |f| command(f, &["{volts}"]));
    let over_current = maybe(t, "over-current", |f| command(f, &["{amps}"]));
    let clear = maybe(t, "clear", |f| command(f, &[]));
    let watchdog = maybe(t, "watchdog", |f| command(f, &[]));
    // Asked for only beside a watchdog; alone it is a slip.
    let time = if t.has("watchdog") { watchdog_time(t, "watchdog-time").map(Some) } else { Some(None) };
    let unwatch = maybe(t, "watchdog-off", |f| command(f, &[]));
    Some(Commands {
        set_volts: set_volts?,
        set_amps: set_amps?,
        output_on: output_on?,
        output_off: output_off?,
        over_voltage: over_voltage?,
        over_current: over_current?,
        clear: clear?,
        watchdog: watchdog?,
        watchdog_time: time?,
        unwatch: unwatch?,
    })
}

fn command(field: Field<'_>, holes: &[&str]) -> Option<String> {
    let place = field.text()?;
    if place.contains('?') {
        return field.bad(format!("{place:?} asks instead of setting"), "write the line that sets");
    }
    said(field, holes)
}

/// A line to the supply, with exactly these holes, and perhaps its address.
fn said(field: Field<'_>, holes: &[&str]) -> Option<String> {
    let text = field.text()?;
    if text.is_empty() || text.trim() != text || !text.bytes().all(|b| matches!(b, b' '..=b'~')) {
        return field.bad(format!("{text:?} is no line"), "write printable ASCII without blanks around it");
    }
    let mut rest = text.replace("{unit}", "");
    for hole in holes {
        if !rest.contains(hole) {
            return field
                .bad(format!("{text:?} carries no value"), format!("put {hole} where the value belongs"));
        }
        rest = rest.replacen(hole, "", 1);
    }
    if rest.contains(['{', '}']) {
        return field
            .bad(format!("{text:?} has a hole that nothing fills"), "only values it sets, and {unit}");
    }
    Some(text)
}

impl Dialect {
    /// Whether supplies that speak this can have addresses, and so share a line.
    pub fn has_units(&self) -> bool {
        match &self.kind {
            super::Kind::Scpi(_) => false,
            super::Kind::Modbus(_) => true,
            super::Kind::Line(plain) => plain.identity.ask.contains("{unit}"),
        }
    }

    /// Whether a supply that speaks this can share a line with one that speaks the other.
    pub fn shares_with(&self, other: &Dialect) -> bool {
        match (&self.kind, &other.kind) {
            (super::Kind::Modbus(_), super::Kind::Modbus(_)) => true,
            (super::Kind::Line(a), super::Kind::Line(b)) => {
                (&a.send_end, &a.reply_end) == (&b.send_end, &b.reply_end)
            }
            _ => false,
        }
    }
}

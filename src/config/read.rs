//! The config file, key by key, then what only shows when keys are put side by side.

use super::daemon::{daemon, default_daemon};
use super::model::{
    AgitationSensor, Config, Daemon, OnLedgerFailure, Parallel, Station, Tank, TemperatureSource,
};
use super::{Notify, notify, upkeep, watches};
use crate::bath::{self, Agitation};
use crate::deposit::{METALS, Price};
use crate::quantity::{
    Amps, Density, Document, Field, Length, Place, Problem, Span, Table, Temperature, Volts, nearest,
};
use crate::run::Limits;
use crate::supply::{Ammeter, Flow, Parity, Port, Spec, Wiring};
use crate::watch;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Seconds between polls when nothing is said: five readings a second.
const POLL: f64 = 0.2;
/// Supplies of one station beside its first.
const PARALLEL: usize = 7;
/// The standard rates a serial port can be set to.
const BAUDS: [i64; 11] = [1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200, 230_400, 460_800, 921_600];

/// Text into config.
///
/// `file` is the config file's name for messages. `bath_files` are the files
/// of the folder that overrides shipped baths, each as its path for messages
/// and its text. `dialect_names` are the supply dialects there are.
///
/// # Errors
/// Every problem in the config file and in every bath file, bath files last.
pub fn load(
    text: &str,
    file: &str,
    bath_files: &[(String, String)],
    dialect_names: &[&str],
) -> Result<Config, Vec<Problem>> {
    let baths = bath::gather(bath_files);
    // A bath with a bad file still has a name, so that its tank is not blamed as well.
    let bath_names: Vec<String> = match &baths {
        Ok(good) => good.iter().map(|b| b.name.clone()).collect(),
        Err(_) => bath::names(bath_files),
    };
    let read = Document::parse(text, file).and_then(|doc| {
        let made = root(&doc, &doc.root(), &bath_names, dialect_names);
        doc.finish(made)
    });
    match (read, baths) {
        (Ok((daemon, stations, tanks, notify, prices)), Ok(baths)) => {
            Ok(Config { daemon, stations, tanks, baths, notify, prices })
        }
        (read, baths) => {
            let mut problems = read.err().unwrap_or_default();
            problems.extend(baths.err().unwrap_or_default());
            Err(problems)
        }
    }
}

type Parts = (Daemon, Vec<Station>, Vec<Tank>, Notify, Vec<(String, Price)>);

fn root(
    doc: &Document<'_>,
    root: &Table<'_>,
    bath_names: &[String],
    dialect_names: &[&str],
) -> Option<Parts> {
    let daemon = match root.may("daemon").table() {
        Some(table) => daemon(&table),
        None if root.has("daemon") => None,
        None => default_daemon(),
    };
    let mut names = Names::default();
    let mut ports = BTreeMap::new();
    let stations: Vec<_> = root
        .need("station")
        .tables()
        .iter()
        .map(|table| {
            names.check(doc, table, "station");
            station(doc, table, dialect_names, &mut ports)
        })
        .collect();
    let mut names = Names::default();
    let tanks: Vec<_> = root
        .need("tank")
        .tables()
        .iter()
        .map(|table| {
            names.check(doc, table, "tank");
            tank(doc, table, bath_names)
        })
        .collect();
    let notify = notify::read(doc, root);
    let prices = prices(root);
    Some((
        daemon?,
        stations.into_iter().collect::<Option<_>>()?,
        tanks.into_iter().collect::<Option<_>>()?,
        notify?,
        prices?,
    ))
}

/// What metals cost, by their symbol.
fn prices(root: &Table<'_>) -> Option<Vec<(String, Price)>> {
    let Some(table) = root.may("prices").table() else { return Some(Vec::new()) };
    let all: Vec<Option<(String, Price)>> = table
        .entries()
        .into_iter()
        .map(|(symbol, field)| {
            if !METALS.iter().any(|m| m.symbol == symbol) {
                let mut all: Vec<_> = METALS.iter().map(|m| m.symbol).collect();
                all.dedup();
                return field.bad(
                    format!("{symbol:?} is no metal known here"),
                    format!("write one of {}", all.join(", ")),
                );
            }
            match field.text()?.parse::<Price>() {
                Ok(price) => Some((symbol, price)),
                Err(e) => field.bad(e.wrong(), e.remedy()),
            }
        })
        .collect();
    all.into_iter().collect()
}

fn station(
    doc: &Document<'_>,
    table: &Table<'_>,
    dialect_names: &[&str],
    ports: &mut Ports,
) -> Option<Station> {
    let name = name(table);
    let poll = or(table, "poll", Span::new(POLL), |field| field.within(Span::new(0.05), Span::new(10.0)));
    let times = |factor: f64, least: f64| {
        let poll = poll.unwrap_or(Span::new(POLL));
        (poll * factor).max(Span::new(least))
    };
    let minute = Span::new(60.0);
    let stale_after = or(table, "stale-after", times(5.0, 3.0), |f| f.within(Span::new(0.15), minute));
    let max_gap = or(table, "max-gap", times(5.0, 2.0), |f| f.within(Span::new(0.1), minute));
    if let (Some(poll), Some(stale)) = (poll, stale_after)
        // Decimal fractions are not exact in binary: 3 x 0.1 s is a hair above 0.3 s.
        && stale < poll * (3.0 - 1e-9)
    {
        table.problem(
            "stale-after",
            format!("{stale} is less than three polls of {poll}: one lost reply would stop a run"),
            format!("write {} or more, or poll faster", poll * 3.0),
        );
    }
    if let (Some(poll), Some(gap)) = (poll, max_gap)
        && gap < poll * (2.0 - 1e-9)
    {
        table.problem(
            "max-gap",
            format!("{gap} is less than two polls of {poll}: no charge would be counted"),
            format!("write {} or more, or poll faster", poll * 2.0),
        );
    }
    let on_ledger_failure = or(table, "on-ledger-failure", OnLedgerFailure::default(), |field| {
        field.choice(&[("hold", OnLedgerFailure::Hold), ("finish", OnLedgerFailure::Finish)])
    });
    let watches = watches::read(table);
    let count = watches.as_ref().map_or(watch::Settings::default().amps_count, |w| w.amps_count);
    let supply = table.need("supply").table().and_then(|t| supply(doc, &t, dialect_names, count, ports));
    let others = parallel(doc, table, dialect_names, count, ports);
    let (spec, first, ammeter) = supply?;
    let limits = others.as_ref()?.iter().fold(first, |all, (_, own, _)| Limits {
        max_amps: all.max_amps + own.max_amps,
        max_volts: all.max_volts.min(own.max_volts),
    });
    let parallel = others?.into_iter().map(|(supply, own, ammeter)| Parallel {
        supply,
        ammeter,
        max_amps: own.max_amps,
    });
    Some(Station {
        name: name?,
        supply: spec,
        ammeter,
        parallel: parallel.collect(),
        limits,
        poll: poll?.duration(),
        max_gap: max_gap?.duration(),
        stale_after: stale_after?.duration(),
        watches: watches?,
        on_ledger_failure: on_ledger_failure?,
    })
}

fn supply(
    doc: &Document<'_>,
    table: &Table<'_>,
    dialect_names: &[&str],
    amps_count: Amps,
    ports: &mut Ports,
) -> Option<Supply> {
    let dialect = known(table, "dialect", dialect_names.iter().copied(), "dialect", "config/dialects");
    let port = port(table);
    let baud = or(table, "baud", 9600, |field| {
        let n = field.integer(BAUDS[0]..=BAUDS[BAUDS.len() - 1])?;
        if !BAUDS.contains(&n) {
            let list = BAUDS.map(|b| b.to_string()).join(", ");
            table.problem("baud", format!("{n} is not a standard rate"), format!("write one of {list}"));
            return None;
        }
        u32::try_from(n).ok()
    });
    let parity = or(table, "parity", Parity::None, |field| {
        field.choice(&[("none", Parity::None), ("even", Parity::Even), ("odd", Parity::Odd)])
    });
    let stop_bits = or(table, "stop-bits", 1, |field| field.integer(1..=2));
    let data_bits = or(table, "data-bits", 8, |field| field.integer(7..=8));
    let flow = or(table, "flow", Flow::None, |field| {
        field.choice(&[("none", Flow::None), ("hardware", Flow::Hardware), ("software", Flow::Software)])
    });
    let echo = or(table, "echo", false, |field| field.flag());
    let unit = or(table, "unit", None, |field| field.integer(1..=247).map(|n| u8::try_from(n).ok()));
    if matches!(port, Some(Port::Tcp(_))) {
        for key in ["baud", "parity", "stop-bits", "data-bits", "flow", "echo"] {
            if table.has(key) {
                table.problem(key, "has no meaning on a TCP port", "leave it out");
            }
        }
    }
    let identity = table.may("identity").text();
    let max_amps = table.need("max-current").positive::<Amps>();
    let max_volts = table.need("max-voltage").positive::<Volts>();
    let ammeter = or(table, "ammeter", None, |field| ammeter(&field.table()?, amps_count).map(Some));
    let wiring = Wiring { unit: unit?, seven_bits: data_bits? == 7, flow: flow?, echo: echo? };
    let (baud, parity, two_stop_bits) = (baud?, parity?, stop_bits? == 2);
    let spec = Spec { dialect: dialect?, port: port?, baud, parity, two_stop_bits, identity, wiring };
    share(doc, table, &spec, ports);
    Some((spec, Limits { max_amps: max_amps?, max_volts: max_volts? }, ammeter?))
}

/// A supply, what it may be asked for, and what a check found of its ammeter.
type Supply = (Spec, Limits, Option<Ammeter>);

/// The supplies beside the first.
fn parallel(
    doc: &Document<'_>,
    table: &Table<'_>,
    dialect_names: &[&str],
    amps_count: Amps,
    ports: &mut Ports,
) -> Option<Vec<Supply>> {
    let tables = table.may("parallel").tables();
    if tables.len() > PARALLEL {
        table.problem(
            "parallel",
            format!("{} supplies beside the first are more than {PARALLEL}", tables.len()),
            "leave some out",
        );
    }
    // All are read, so that all their problems are told.
    let read: Vec<_> = tables.iter().map(|t| supply(doc, t, dialect_names, amps_count, ports)).collect();
    read.into_iter().collect()
}

/// The tank's own Hull panel: how far from its high edge it is burnt.
fn hull_panel(table: &Table<'_>) -> Option<Density> {
    let current: Option<Amps> = table.need("current").positive();
    let burnt: Option<Length> = table.need("burnt-up-to").positive();
    let (current, burnt) = current.zip(burnt)?;
    let found = bath::panel_density(current, burnt);
    if found.is_none() {
        let wrong = format!("{burnt} is outside the scale of the Hull panel");
        table.problem("burnt-up-to", wrong, "measure from the high-density edge: 6.35 mm to 82.55 mm");
    }
    found
}

/// The record of a check of the ammeter: gain and offset, or the pairs that they follow from.
fn ammeter(table: &Table<'_>, amps_count: Amps) -> Option<Ammeter> {
    let (gain, pairs) = (table.may("gain"), table.may("pairs"));
    let far = Amps::new(1000.0);
    let offset = or(table, "offset", Amps::ZERO, |field| field.within(far * -1.0, far));
    let line = if table.has("pairs") {
        for key in ["gain", "offset"] {
            if table.has(key) {
                table.problem(key, "follows from the pairs", "write either the pairs, or gain and offset");
            }
        }
        let tables = pairs.tables();
        let read = tables.iter().map(|p| (p.need("shown").positive(), p.need("true").positive()));
        let read: Vec<Option<(Amps, Amps)>> = read.map(|(shown, truth)| shown.zip(truth)).collect();
        let read: Option<Vec<_>> = read.into_iter().collect();
        read.and_then(|read| {
            let line = Ammeter::line_through(&read);
            line.map_err(|(wrong, remedy)| table.problem("pairs", wrong, remedy)).ok()
        })
    } else if table.has("gain") {
        gain.number(Ammeter::GAIN).zip(offset)
    } else {
        table.report("has neither gain nor pairs", "write gain = 1.0 if the meter was found right");
        None
    };
    if let Some((_, offset)) = line
        && offset.abs() > amps_count * 3.0
    {
        let key = if table.has("pairs") { "pairs" } else { "offset" };
        table.problem(
            key,
            format!("an offset of {offset} is more than three steps of the ammeter ({amps_count} each)"),
            "have the supply adjusted, or write its true step as amps-count",
        );
    }
    let day = |key| {
        let text = table.need(key).text()?;
        if Ammeter::is_day(&text) {
            return Some(text);
        }
        table.problem(key, format!("{text:?} is not a day"), "write year, month and day: \"2026-11-01\"");
        None
    };
    let (checked, due) = (day("checked"), day("due"));
    if let (Some(checked), Some(due)) = (&checked, &due)
        && due <= checked
    {
        table.problem("due", format!("{due} is not after {checked}"), "write the day of the next check");
    }
    let (by, against) = (table.need("by").text(), table.need("against").text());
    let (gain, offset) = line?;
    Some(Ammeter { gain, offset, checked: checked?, due: due?, by: by?, against: against? })
}

/// One port, one supply, unless each has an address of its own on it.
fn share(doc: &Document<'_>, table: &Table<'_>, spec: &Spec, ports: &mut Ports) {
    let here = table.place("port");
    let others = ports.entry(spec.port.to_string()).or_default();
    for (place, other) in others.iter() {
        let line = place.line;
        let settings = |s: &Spec| (s.baud, s.parity, s.two_stop_bits, Wiring { unit: None, ..s.wiring });
        match (spec.wiring.unit, other.wiring.unit) {
            (Some(ours), Some(theirs)) if ours != theirs && settings(spec) == settings(other) => continue,
            (Some(ours), Some(theirs)) if ours == theirs => table.problem(
                "unit",
                format!("{ours} is the address of the station of line {line} on the same port"),
                "give each supply an address of its own, at the supply and here",
            ),
            (Some(_), Some(_)) => doc.report(
                &here,
                format!("the line settings differ from those of line {line} on the same port"),
                "write the same baud, parity, stop-bits, data-bits, flow and echo in both",
            ),
            _ => doc.report(
                &here,
                format!("{} is taken by the station of line {line}", spec.port),
                "give each station a port of its own; supplies that have addresses may share one, each with its `unit`",
            ),
        }
        // One reason is enough.
        break;
    }
    others.push((here, spec.clone()));
}

/// Who is on which port so far.
type Ports = BTreeMap<String, Vec<(Place, Spec)>>;

/// `/dev/…`, `tcp:host:port` or `bridge:host:port`.
fn port(table: &Table<'_>) -> Option<Port> {
    let text = table.need("port").text()?;
    if let Some(port) = Port::parse(&text) {
        return Some(port);
    }
    table.problem(
        "port",
        format!("{text:?} is neither a serial port nor a TCP address"),
        "write the full path (\"/dev/serial/by-id/…\") or \"tcp:HOST:PORT\" (\"tcp:192.0.2.7:5025\"; \"bridge:…\" \
         for a serial server)",
    );
    None
}

fn tank(doc: &Document<'_>, table: &Table<'_>, bath_names: &[String]) -> Option<Tank> {
    let name = name(table);
    let bath = known(table, "bath", bath_names.iter().map(String::as_str), "bath", "config/baths");
    let volume = table.may("volume").positive();
    let anode_area = table.may("anode-area").positive();
    let agitation = or(table, "agitation", Agitation::Still, |field| {
        field.choice(&[
            ("still", Agitation::Still),
            ("rod", Agitation::Rod),
            ("air", Agitation::Air),
            ("vigorous", Agitation::Vigorous),
        ])
    });
    let sensor = agitation_sensor(table);
    if sensor.is_some() && agitation == Some(Agitation::Still) {
        table.problem(
            "agitation-sensor",
            "has nothing to prove: the tank's agitation is \"still\"",
            "say in agitation how the solution moves while the sensor says so: \"rod\", \"air\" or \"vigorous\"",
        );
    }
    let temperature = temperature(table.may("temperature"));
    let max_load = table.may("max-load").positive();
    let panel = table.may("hull-panel").table().and_then(|t| hull_panel(&t));
    let upkeep = upkeep::read(doc, table);
    Some(Tank {
        name: name?,
        bath: bath?,
        volume,
        anode_area,
        agitation: agitation?,
        agitation_sensor: sensor,
        temperature,
        max_load,
        panel,
        upkeep: upkeep?,
    })
}

fn agitation_sensor(tank: &Table<'_>) -> Option<AgitationSensor> {
    let table = tank.may("agitation-sensor").table()?;
    let file = full_path(table.need("file"));
    let running = table.need("running").text();
    if let Some(text) = &running
        && text.trim() != text
    {
        table.problem(
            "running",
            format!("{text:?} cannot be compared: white space around what the file says is left out"),
            "write what the file says while the solution is moved, such as \"1\"",
        );
    }
    Some(AgitationSensor { file: file?, running: running? })
}

fn temperature(field: Field<'_>) -> Option<TemperatureSource> {
    if !field.is_table() {
        return field.within(Temperature::new(-20.0), Temperature::new(150.0)).map(TemperatureSource::Fixed);
    }
    let table = field.table()?;
    let path = full_path(table.need("file"));
    let scale = or(&table, "scale", 1.0, |field| field.number(1e-6..=1e6));
    Some(TemperatureSource::File { path: path?, scale: scale? })
}

/// The key's value, or what stands when it is absent; `None` only if it is bad.
pub(super) fn or<'d, T>(
    table: &Table<'d>,
    key: &'static str,
    absent: T,
    read: impl FnOnce(Field<'d>) -> Option<T>,
) -> Option<T> {
    let field = table.may(key);
    if table.has(key) { read(field) } else { Some(absent) }
}

pub(super) fn full_path(field: Field<'_>) -> Option<PathBuf> {
    let text = field.text()?;
    if text.starts_with('/') {
        return Some(text.into());
    }
    field.bad(format!("{text:?} depends on where the daemon is started"), "write the full path, from /")
}

/// A name that is also a metric label and a part of a URL.
pub(super) fn name(table: &Table<'_>) -> Option<String> {
    let name = table.need("name").text()?;
    let fits = name.len() <= 32
        && name.starts_with(|c: char| c.is_ascii_alphanumeric())
        && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_');
    if !fits {
        table.problem(
            "name",
            format!("{name:?} does not fit into addresses and metrics"),
            "write up to 32 letters a-z, digits, - and _, beginning with a letter or digit",
        );
        return None;
    }
    Some(name)
}

/// A name out of a list that is known beforehand.
fn known<'n>(
    table: &Table<'_>,
    key: &'static str,
    names: impl Iterator<Item = &'n str> + Clone,
    what: &str,
    folder: &str,
) -> Option<String> {
    let name = table.need(key).text()?;
    if names.clone().any(|n| n == name) {
        return Some(name);
    }
    let remedy = match nearest(&name, names.clone()) {
        Some(near) => format!("did you mean {near:?}?"),
        None => {
            let list = names.collect::<Vec<_>>().join(", ");
            format!("write one of {list}, or add a file to {folder}")
        }
    };
    table.problem(key, format!("there is no {what} {name:?}"), remedy);
    None
}

/// Finds names given twice.
#[derive(Default)]
struct Names(BTreeMap<String, Place>);

impl Names {
    fn check(&mut self, doc: &Document<'_>, table: &Table<'_>, what: &str) {
        // Bad names are told by `name`; here only those that read well are compared.
        let Some(name) = table.peek("name") else { return };
        let here = table.place("name");
        match self.0.get(name) {
            Some(first) => doc.report(
                &here,
                format!("another {what} is called {name:?} (line {})", first.line),
                "give each its own name",
            ),
            None => {
                self.0.insert(name.to_owned(), here);
            }
        }
    }
}

//! Readings from a record or from elsewhere, through today's watches: what would have been
//! raised when. Pure: text or rows in, findings out; much faster than real time.

use crate::bath::{Agitation, Bath};
use crate::part::{Allowance, Load, Part};
use crate::plan::{Control, Order};
use crate::quantity::{Amps, Area, Faults, Mono, Reading, Temperature, Volts};
use crate::run::burn_basis;
use crate::watch::{AlarmState, BathNow, BurnBasis, Context, Kind, Panel, Phase, Settings};
use std::collections::VecDeque;
use std::fmt;
use std::time::Duration;

/// The columns of a CSV file; the last may be missing, the order is free.
pub const COLUMNS: [&str; 6] = ["t_s", "V", "I", "I_set", "V_lim", "T_C"];
/// A setpoint that has not moved for this long is held; before, it is a ramp.
const HELD: Duration = Duration::from_millis(1500);
/// Problems that are listed before the rest is only counted.
const MOST_PROBLEMS: usize = 50;

/// One reading as it was recorded.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReplayRow {
    /// Seconds since the start of the record.
    pub seconds: f64,
    /// Volts measured.
    pub volts: f64,
    /// Amperes measured.
    pub amps: f64,
    /// Current setpoint; 0: output off.
    pub set_amps: f64,
    /// Voltage setpoint (ceiling).
    pub set_volts: f64,
    /// Bath temperature, where it was measured.
    pub celsius: Option<f64>,
}

/// One line that cannot be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CsvError {
    /// Line, counted from 1.
    pub line: usize,
    /// What is wrong and what would be right.
    pub problem: String,
}

impl fmt::Display for CsvError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}", self.line, self.problem)
    }
}
impl std::error::Error for CsvError {}

/// Reads a CSV text with a header naming its columns: `t_s,V,I,I_set,V_lim,T_C`.
///
/// # Errors
/// Every bad line with its number (the first 50, then how many more): an unknown, missing or
/// doubled column, too few or too many fields, a field that is not a finite number. A `T_C` may be empty.
pub fn parse_csv(text: &str) -> Result<Vec<ReplayRow>, Vec<CsvError>> {
    let mut lines = text.lines().zip(1..);
    let header = lines.next().map_or("", |(h, _)| h.trim_start_matches('\u{feff}'));
    let places = columns(header).map_err(|problem| vec![CsvError { line: 1, problem }])?;
    let wide = header.split(',').count();
    let mut rows = Vec::new();
    let mut errors: Vec<CsvError> = Vec::new();
    let mut more = 0;
    for (raw, line) in lines {
        if raw.trim().is_empty() {
            continue;
        }
        match row(raw, wide, &places) {
            Ok(row) => rows.push(row),
            Err(problem) if errors.len() < MOST_PROBLEMS => errors.push(CsvError { line, problem }),
            Err(_) => more += 1,
        }
    }
    if let (1.., Some(last)) = (more, errors.last_mut()) {
        last.problem += &format!(" (and {more} more lines cannot be read)");
    }
    if errors.is_empty() { Ok(rows) } else { Err(errors) }
}

/// Where each of [`COLUMNS`] stands.
fn columns(header: &str) -> Result<[Option<usize>; COLUMNS.len()], String> {
    let shape = COLUMNS.join(",");
    let mut places = [None; COLUMNS.len()];
    for (k, name) in header.split(',').map(str::trim).enumerate() {
        let Some(column) = COLUMNS.iter().position(|c| *c == name) else {
            let name: String = name.chars().take(40).collect();
            return Err(format!("no column is called {name:?}; write a header such as {shape}"));
        };
        if places[column].replace(k).is_some() {
            return Err(format!("column {name} stands there twice"));
        }
    }
    for (name, place) in COLUMNS.iter().zip(places).take(COLUMNS.len() - 1) {
        if place.is_none() {
            return Err(format!(
                "column {name} is missing; write a header such as {shape} (T_C may be left out)"
            ));
        }
    }
    Ok(places)
}

fn row(raw: &str, wide: usize, places: &[Option<usize>; COLUMNS.len()]) -> Result<ReplayRow, String> {
    let fields: Vec<&str> = raw.split(',').map(str::trim).collect();
    if fields.len() != wide {
        return Err(format!("{} fields; the header has {wide}", fields.len()));
    }
    let number = |k: usize| -> Result<f64, String> {
        // Only the last column may be missing, and it is asked for only where it is there.
        let field = places[k].map_or("", |at| fields[at]);
        field.parse::<f64>().ok().filter(|x| x.is_finite()).ok_or_else(|| {
            let field: String = field.chars().take(40).collect();
            format!("{} is {field:?}, not a number such as 2.85", COLUMNS[k])
        })
    };
    let celsius = match places[5] {
        Some(at) if !fields[at].is_empty() => Some(number(5)?),
        _ => None,
    };
    let seconds = number(0)?;
    // Below zero or beyond some hundred years no clock can hold it.
    if !(0.0..=4.0e9).contains(&seconds) {
        return Err(format!("t_s is {seconds}; seconds count from 0 at the start of the record"));
    }
    Ok(ReplayRow {
        seconds,
        volts: number(1)?,
        amps: number(2)?,
        set_amps: number(3)?,
        set_volts: number(4)?,
        celsius,
    })
}

/// What was raised.
#[derive(Clone, Debug, PartialEq)]
pub struct Raised {
    /// Seconds since the start of the record.
    pub seconds: f64,
    /// By which watch.
    pub kind: Kind,
    /// What was seen.
    pub text: String,
}

/// What came of a replay.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Replay {
    /// Every alarm as it was raised, in order.
    pub raised: Vec<Raised>,
    /// What some watch could not judge for at least a quarter of the readings under current, and why.
    pub cannot_judge: Vec<(Kind, &'static str)>,
    /// Rows that were not newer than the one before, and were passed over.
    pub passed_over: usize,
}

/// What is known of the recorded load beside its readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReplayLoad {
    /// Where it burns; `None`: the burn margin is not judged.
    pub basis: Option<BurnBasis>,
    /// How the bath was moved.
    pub agitation: Agitation,
    /// Whether the voltage was held under a current ceiling, rather than the current.
    pub voltage_control: bool,
}

impl ReplayLoad {
    /// Of a run, by its order.
    pub fn of(order: &Order) -> ReplayLoad {
        ReplayLoad {
            basis: burn_basis(order),
            agitation: order.burn.map_or(Agitation::Still, |burn| burn.agitation),
            voltage_control: matches!(order.control, Control::Voltage { .. }),
        }
    }
}

/// Edge over mean when no shape is given: flat work between two anodes, from memory.
const USUAL_EDGE: f64 = 2.0;

impl ReplayLoad {
    /// Of readings from elsewhere: what hung in which of the baths, so that the burn margin is judged; without a bath it is
    /// not. `area` counts before that of `shape`, which also gives the edge factor.
    ///
    /// # Errors
    /// A bath that is not there, or without an area, or a shape that is none; with the key that it is about.
    pub fn told(
        baths: &[Bath],
        bath: Option<&str>,
        area: Option<Area>,
        shape: Option<Part>,
        agitation: Agitation,
    ) -> Result<ReplayLoad, (&'static str, String)> {
        let shaped = shape.map(|part| Load::new(vec![part], Allowance::default())).transpose();
        let shaped = shaped.map_err(|e| ("shape", e.to_string()))?;
        let Some(name) = bath else {
            return Ok(ReplayLoad { basis: None, agitation, voltage_control: false });
        };
        let Some(bath) = baths.iter().find(|b| b.name == name) else {
            let names: Vec<_> = baths.iter().map(|b| b.name.as_str()).collect();
            return Err(("bath", format!("there is no bath {name:?}; there is: {}", names.join(", "))));
        };
        let Some(area) = area.or(shaped.as_ref().map(Load::area)).filter(|a| a.is_positive()) else {
            return Err(("bath", "how much hung? say area (\"1.2 dm2\") or shape".into()));
        };
        let basis = bath.burn_density(agitation).map(|density| BurnBasis {
            density,
            edge_factor: shaped.as_ref().map_or(USUAL_EDGE, Load::edge_factor),
            agitation,
            by_agitation: bath.burn,
            temperature: Some(bath.temperature.typical),
            own_panel: false,
            area,
        });
        Ok(ReplayLoad { basis, agitation, voltage_control: false })
    }
}

/// While a part was being hung or turned the watches looked away by design: those readings of a run count as with the
/// output off. `stages`: when each began and its phase, oldest first.
pub fn not_at_work<'s>(rows: &mut [ReplayRow], stages: impl IntoIterator<Item = (f64, &'s str)>) {
    let mut stages = stages.into_iter().peekable();
    let mut worked = true;
    for row in rows {
        while let Some((_, phase)) = stages.next_if(|(at, _)| *at <= row.seconds) {
            worked = matches!(phase, "ramp" | "steady");
        }
        if !worked {
            row.set_volts = 0.0;
        }
    }
}

/// Shows `rows` to all watches of `settings`, as a station would have.
pub fn replay(rows: &[ReplayRow], settings: &Settings, load: &ReplayLoad) -> Replay {
    let most = |of: fn(&ReplayRow) -> f64, least: f64| rows.iter().map(of).fold(least, f64::max);
    let max_amps = Amps::new(most(|r| r.set_amps, 10.0));
    let max_volts = Volts::new(most(|r| r.set_volts, 1.0));
    let max_amps_set = Amps::new(most(|r| r.set_amps, 0.0));
    let mut panel = Panel::new(settings.clone());
    let mut out = Replay::default();
    let mut set: VecDeque<(Mono, f64, f64)> = VecDeque::new();
    let mut changed: Option<Mono> = None;
    let mut warm: Option<(Mono, Temperature)> = None;
    let mut last: Option<Mono> = None;
    let mut dumb: Vec<(Kind, &'static str, usize)> = Vec::new();
    let mut judged = 0_usize;
    for row in rows {
        let at = Mono::from_nanos((row.seconds * 1e9).round() as u64 + 1);
        if last.is_some_and(|l| at <= l) {
            out.passed_over += 1;
            continue;
        }
        last = Some(at);
        if set.back().is_none_or(|(_, a, v)| *a != row.set_amps || *v != row.set_volts) {
            set.push_back((at, row.set_amps, row.set_volts));
            changed = Some(at);
        }
        // What was replaced more than a second ago no longer counts as in force.
        while set.len() > 1 && at.since(set[1].0) > Duration::from_secs(1) {
            set.pop_front();
        }
        if let Some(t) = row.celsius {
            warm = Some((at, Temperature::new(t)));
        }
        let since_change = changed.map_or(Duration::MAX, |t| at.since(t));
        let on = row.set_amps > 0.0 && row.set_volts > 0.0;
        let phase = match on {
            false => Phase::Off,
            true if since_change < HELD => Phase::Ramp,
            true => Phase::Steady,
        };
        let reading = Reading {
            at,
            volts: Volts::new(row.volts),
            amps: Amps::new(row.amps),
            regulation: None,
            output: None,
            set_amps: None,
            set_volts: None,
            faults: Faults::default(),
        };
        let lately = |of: fn(&(Mono, f64, f64)) -> f64, pick: fn(f64, f64) -> f64, start: f64| {
            set.iter().map(of).fold(start, pick)
        };
        let cx = Context {
            phase,
            reading: Some(&reading),
            output_on: on,
            set_amps: Amps::new(row.set_amps),
            set_volts: Volts::new(row.set_volts),
            least_amps: Amps::new(lately(|s| s.1, f64::min, row.set_amps)),
            most_amps: Amps::new(lately(|s| s.1, f64::max, row.set_amps)),
            most_volts: Volts::new(lately(|s| s.2, f64::max, row.set_volts)),
            aim_amps: max_amps_set,
            current_control: !load.voltage_control,
            since_change,
            since_switched: since_change,
            least_volts: Volts::new(lately(|s| s.2, f64::min, row.set_volts)),
            max_amps,
            max_volts,
            basis: load.basis,
            bath: Some(BathNow {
                temperature: warm.map(|(when, t)| (t, at.since(when))),
                agitation: load.agitation,
                proven: false,
            }),
            stale: None,
        };
        for change in panel.update(at, &cx) {
            if change.alarm.state == AlarmState::Unacknowledged {
                let (kind, text) = (change.alarm.kind, change.alarm.text);
                out.raised.push(Raised { seconds: row.seconds, kind, text });
            }
        }
        if phase == Phase::Steady {
            judged += 1;
            for (kind, why) in panel.cannot_judge(&cx) {
                match dumb.iter_mut().find(|(k, w, _)| (*k, *w) == (kind, why)) {
                    Some(entry) => entry.2 += 1,
                    None => dumb.push((kind, why, 1)),
                }
            }
        }
    }
    out.cannot_judge = dumb.into_iter().filter(|d| d.2 * 4 >= judged).map(|d| (d.0, d.1)).collect();
    out
}

/// `file,t_s,class`, one line per alarm, without the header.
pub fn as_csv(file: &str, replay: &Replay) -> String {
    // A name with a comma or a quote is quoted (RFC 4180).
    let file = match file.contains([',', '"', '\n', '\r']) {
        true => format!("\"{}\"", file.replace('"', "\"\"")),
        false => file.to_owned(),
    };
    replay.raised.iter().map(|r| format!("{file},{:.1},{}\n", r.seconds, r.kind.name())).collect()
}

/// The same for a person.
pub fn as_text(replay: &Replay) -> String {
    let mut text: String = replay
        .raised
        .iter()
        .map(|r| format!("{:>9.1} s  {}: {}\n", r.seconds, r.kind.name(), r.text))
        .collect();
    if replay.raised.is_empty() {
        text += "nothing would have been raised\n";
    }
    for (kind, why) in &replay.cannot_judge {
        text += &format!("{}: cannot judge: {why}\n", kind.name());
    }
    if replay.passed_over > 0 {
        text +=
            &format!("{} rows were not newer than the one before and were passed over\n", replay.passed_over);
    }
    text
}

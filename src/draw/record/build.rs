//! From the ledger's rows to a record.

use super::*;
use crate::draw::plot::charge_of;
use crate::ledger::{AlarmRow, EventRow, RecordRow, RunRow};
use crate::quantity::{Amps, Area, CurrentSlope, Length, Ratio, VoltageSlope, Volts};
use serde::de::DeserializeOwned;
use serde_json::Value;

/// Everything the ledger knows of a run.
#[derive(Clone, Debug)]
pub struct Sources {
    /// The run.
    pub run: RunRow,
    /// Stages, oldest first.
    pub stages: Vec<StageRow>,
    /// Events, oldest first.
    pub events: Vec<EventRow>,
    /// Alarm changes, oldest first.
    pub alarms: Vec<AlarmRow>,
    /// Readings, oldest first.
    pub readings: Vec<ReadingRow>,
    /// Entries of its record, oldest first.
    pub entries: Vec<RecordRow>,
    /// The chain's newest entry.
    pub head: Option<RecordRow>,
    /// Now, RFC 3339 UTC.
    pub printed: String,
}

/// The record of one run: a record of one step.
pub fn from_run(sources: Sources) -> Record {
    let run = run_of(&sources);
    let mut record = empty(&sources, &run);
    (record.deviations, record.notes) = (deviations(&sources, &run), notes(&sources));
    entries(&sources.entries, &mut record);
    record.steps.push(Step {
        number: 1,
        name: run_title(&sources),
        tank: Some(run.tank.clone()),
        began: Some(run.started.clone()),
        ended: run.ended.clone(),
        outcome: run.state.clone(),
        run: Some(run),
        ..Step::default()
    });
    sum_up(&mut record);
    record
}

/// A record of a run on which nothing stands yet.
pub(super) fn empty(sources: &Sources, run: &RunPart) -> Record {
    Record {
        format: "tankside-record-1",
        title: run_title(sources),
        id: run.id.clone(),
        printed: sources.printed.clone(),
        job: None,
        lot: None,
        customer: None,
        deviations: Vec::new(),
        notes: Vec::new(),
        measurements: Vec::new(),
        amendments: Vec::new(),
        signatures: Vec::new(),
        chain: sources.head.as_ref().map(seal),
        steps: Vec::new(),
    }
}

/// The run's part of a record.
pub fn run_of(sources: &Sources) -> RunPart {
    let Sources { run, stages, events, readings, .. } = sources;
    let order: Value = serde_json::from_str(&run.order_json).unwrap_or_default();
    let sheet = worksheet(&sources.entries);
    let planned_mean = value::<Length>(&sheet["thickness"]["mean"]).map(Length::get).filter(|m| *m > 0.0);
    // What came of the plan: its figures are for the planned charge, the run's for what passed.
    let share = run.thickness_meters.zip(planned_mean).map(|(got, planned)| got / planned);
    let parts: Vec<PartLine> =
        sheet["parts"].as_array().into_iter().flatten().map(|p| part(p, share)).collect();
    RunPart {
        id: run.id.clone(),
        station: run.station.clone(),
        supply: events.iter().find(|e| e.kind == "supply").map(|e| e.text.clone()),
        tank: run.tank.clone(),
        bath: order["bath"].as_str().map(Into::into),
        started: run.started.clone(),
        ended: run.ended.clone(),
        started_by: run.started_by.clone(),
        state: run.state.clone(),
        cause: run.cause.clone(),
        continues: run.continues.clone(),
        settings: settings(&order, run),
        thickness: thickness(run, &order, &sheet, &parts),
        parts,
        part_count: run.parts,
        area_square_meters: run.area_square_meters,
        charge_coulombs: run.charge_coulombs,
        unobserved_seconds: run.unobserved_seconds,
        worked_seconds: run.worked_seconds,
        mean_amperes: (run.worked_seconds > 0.0).then(|| run.charge_coulombs / run.worked_seconds),
        phases: phases(stages, readings),
        alarms: alarms(&sources.alarms, run, readings),
        reading_count: readings.len(),
        seal: sources.entries.iter().find(|e| e.kind == "run").map(seal),
        readings: readings.clone(),
        stages: stages.clone(),
    }
}

fn run_title(sources: &Sources) -> String {
    sources.run.title.clone()
}

pub(super) fn seal(row: &RecordRow) -> Seal {
    Seal { seq: row.seq, hash: row.hash.clone(), at: row.at.clone(), later: row.later }
}

fn value<T: DeserializeOwned>(value: &Value) -> Option<T> {
    serde_json::from_value(value.clone()).ok()
}

pub(super) fn content(row: &RecordRow) -> Value {
    serde_json::from_str(&row.content).unwrap_or_default()
}

/// The worksheet that the run was started by, where it is on record.
fn worksheet(entries: &[RecordRow]) -> Value {
    entries.iter().find(|e| e.kind == "plan").map(|e| content(e)["worksheet"].clone()).unwrap_or_default()
}

fn settings(order: &Value, run: &RunRow) -> Settings {
    let mut settings = Settings {
        target_coulombs: run.target_coulombs,
        target_seconds: duration(&order["goal"]["time"]),
        time_limit_seconds: duration(&order["time-limit"]),
        entry: order["entry"].as_str().map(Into::into),
        faces: order["turn"]["faces"].as_u64(),
        ..Settings::default()
    };
    if let Some(current) = order["control"].get("current") {
        settings.control = "current".into();
        let setpoint = value::<Amps>(&current["setpoint"]).map(Amps::get);
        settings.setpoint_amperes = setpoint;
        settings.ceiling_volts = value::<Volts>(&current["ceiling"]).map(Volts::get);
        settings.density_amperes_per_square_meter =
            setpoint.filter(|_| run.area_square_meters > 0.0).map(|a| a / run.area_square_meters);
        let slope = value::<CurrentSlope>(&current["slope"]).map(CurrentSlope::get).filter(|s| *s > 0.0);
        settings.ramp_seconds = setpoint.zip(slope).map(|(a, s)| a / s);
    } else if let Some(voltage) = order["control"].get("voltage") {
        settings.control = "voltage".into();
        let setpoint = value::<Volts>(&voltage["setpoint"]).map(Volts::get);
        settings.setpoint_volts = setpoint;
        settings.ceiling_amperes = value::<Amps>(&voltage["ceiling"]).map(Amps::get);
        let slope = value::<VoltageSlope>(&voltage["slope"]).map(VoltageSlope::get).filter(|s| *s > 0.0);
        settings.ramp_seconds = setpoint.zip(slope).map(|(v, s)| v / s);
    }
    settings
}

pub(super) fn duration(value: &Value) -> Option<f64> {
    Some(value["secs"].as_u64()? as f64 + value["nanos"].as_u64().unwrap_or(0) as f64 / 1e9)
}

fn part(row: &Value, share: Option<f64>) -> PartLine {
    let text = |key: &str| row[key].as_str().unwrap_or_default().to_owned();
    let area = |key: &str| value::<Area>(&row[key]).map(Area::get);
    let shape = text("shape");
    PartLine {
        name: row["name"].as_str().map_or_else(|| shape.clone(), Into::into),
        shape,
        counted: text("counted"),
        count: row["count"].as_u64().unwrap_or(0),
        each_square_meters: area("each"),
        area_square_meters: area("area"),
        least_meters: value::<Length>(&row["thinnest"]).map(Length::get).zip(share).map(|(l, s)| l * s),
    }
}

fn thickness(run: &RunRow, order: &Value, sheet: &Value, parts: &[PartLine]) -> Option<Thickness> {
    let mean = run.thickness_meters?;
    let used = order["deposit"]["efficiency"].as_f64();
    let at = |key: &str| {
        let efficiency = value::<Ratio>(&sheet["efficiency"][key])?.get();
        used.filter(|u| *u > 0.0).map(|u| mean * efficiency / u)
    };
    Some(Thickness {
        metal: run.metal.clone().unwrap_or_default(),
        mean_meters: mean,
        low_meters: at("low"),
        high_meters: at("high"),
        least_meters: parts.iter().filter_map(|p| p.least_meters).min_by(f64::total_cmp),
        efficiency: used,
    })
}

fn phases(stages: &[StageRow], readings: &[ReadingRow]) -> Vec<Phase> {
    let charge = charge_of(readings);
    let end = readings.last().map_or(0.0, |r| r.seconds);
    // Charge up to the last reading at or before that time.
    let upto = |at: f64| {
        let k = charge.partition_point(|(t, _)| *t <= at);
        k.checked_sub(1).map_or(0.0, |k| charge[k].1)
    };
    stages
        .iter()
        .enumerate()
        .map(|(k, stage)| {
            let to = stages.get(k + 1).map_or(end.max(stage.seconds), |next| next.seconds);
            let from = readings.partition_point(|r| r.seconds < stage.seconds);
            let until = readings.partition_point(|r| r.seconds < to).max(from);
            let within = &readings[from..until];
            let mean = |value: fn(&ReadingRow) -> f64| {
                (!within.is_empty()).then(|| within.iter().map(value).sum::<f64>() / within.len() as f64)
            };
            Phase {
                seconds: stage.seconds,
                lasted_seconds: to - stage.seconds,
                state: stage.state.clone(),
                phase: stage.phase.clone(),
                charge_coulombs: upto(to) - upto(stage.seconds),
                mean_volts: mean(|r| r.volts),
                mean_amperes: mean(|r| r.amperes),
            }
        })
        .collect()
}

fn since_start(at: &str, run: &RunRow, readings: &[ReadingRow]) -> f64 {
    let time = |text: &str| text.parse::<jiff::Timestamp>().ok();
    let seconds = time(at).zip(time(&run.started)).map_or(0.0, |(a, s)| a.duration_since(s).as_secs_f64());
    // A wall clock that was set must not put a mark outside the run.
    seconds.clamp(0.0, readings.last().map_or(f64::MAX, |r| r.seconds))
}

fn alarms(rows: &[AlarmRow], run: &RunRow, readings: &[ReadingRow]) -> Vec<Alarm> {
    let mut alarms: Vec<Alarm> = Vec::new();
    for row in rows {
        if row.to == "unacknowledged" && row.by.is_none() {
            alarms.push(Alarm {
                number: alarms.len() + 1,
                at: row.at.clone(),
                seconds: since_start(&row.at, run, readings),
                watch: row.watch.clone(),
                priority: row.priority.clone(),
                text: row.text.clone(),
                acknowledged: None,
            });
        } else if let Some(by) = &row.by
            && let Some(alarm) = alarms.iter_mut().rfind(|a| a.watch == row.watch)
        {
            let note = row.note.as_deref().map(|n| format!(": {n}")).unwrap_or_default();
            alarm.acknowledged = Some(format!("{} by {by}{note}", row.to));
        }
    }
    alarms
}

/// Where an event belongs.
#[derive(PartialEq)]
enum Place {
    /// Something was not as planned.
    Deviation,
    /// Said on the way.
    Note,
    /// Told elsewhere in the record, or of no weight.
    Elsewhere,
}

fn place(event: &EventRow) -> Place {
    match event.kind.as_str() {
        "command" | "ammeter" | "clock" | "ledger" | "link" | "limits" => Place::Deviation,
        // Who held it is told by their command.
        "phase" if event.text.starts_with("held") && !event.text.contains("held by") => Place::Deviation,
        "answered" if event.text.ends_with("not possible") => Place::Deviation,
        "started" | "phase" | "asked" | "answered" | "supply" | "bath" | "ended" => Place::Elsewhere,
        _ => Place::Note,
    }
}

pub(super) fn deviations(sources: &Sources, run: &RunPart) -> Vec<Remark> {
    let mut all = Vec::new();
    let mut say = |at: &str, text: String| all.push(Remark { at: at.into(), text, by: None });
    for warning in worksheet(&sources.entries)["warnings"].as_array().into_iter().flatten() {
        // Of the worksheet's warnings those on the supply (never commissioned, ammeter's check overdue), and that whoever
        // started it knew of edges that would burn.
        let text = warning.as_str().unwrap_or_default();
        let told = ["commission", "ammeter", "knowing that edges may burn"];
        if told.iter().any(|word| text.contains(word)) {
            say(&run.started, text.into());
        }
    }
    for event in &sources.events {
        if place(event) == Place::Deviation {
            say(&event.at, event.text.clone());
        }
    }
    // The area that the figures rest on may not be what hung. The charge that passed is what it is.
    for alarm in sources.alarms.iter().filter(|row| row.to == "unacknowledged" && row.by.is_none()) {
        match alarm.watch.as_str() {
            "part-off" => say(
                &alarm.at,
                format!(
                    "part-off: {}. If a part fell off, less area hung from then on than this record reckons with: \
                     density and thickness on the rest are higher than stated",
                    alarm.text
                ),
            ),
            "touch" => say(
                &alarm.at,
                format!(
                    "touch: {}. If more metal took current from then on, density and thickness on the parts are lower \
                     than stated",
                    alarm.text
                ),
            ),
            _ => {}
        }
    }
    let end = run.ended.as_deref().unwrap_or(&sources.printed);
    if run.unobserved_seconds > 0.0 {
        say(
            end,
            format!(
                "{:.1} s under current were not observed; no charge is counted for them",
                run.unobserved_seconds
            ),
        );
    }
    match run.state.as_str() {
        "complete" => {}
        "running" => say(end, "the run has not ended: this is what stands so far".into()),
        other => say(
            end,
            format!("the run was {other}: {}", run.cause.as_deref().unwrap_or("no cause is on record")),
        ),
    }
    if let Some(before) = &run.continues {
        say(&run.started, format!("this is the remainder of run {before}"));
    }
    if let Some(seal) = run.seal.as_ref().filter(|s| s.later) {
        say(&seal.at, "sealed later than at its end: what was changed before that does not show".into());
    }
    all.sort_by(|a, b| a.at.cmp(&b.at));
    all
}

pub(super) fn notes(sources: &Sources) -> Vec<Remark> {
    sources
        .events
        .iter()
        .filter(|e| place(e) == Place::Note)
        .map(|e| Remark { at: e.at.clone(), text: e.text.clone(), by: None })
        .collect()
}

/// What was entered on the record, oldest first.
pub(super) fn entries(rows: &[RecordRow], record: &mut Record) {
    for row in rows {
        let content = content(row);
        let text = |key: &str| content[key].as_str().map(String::from);
        match row.kind.as_str() {
            "sign" => record.signatures.push(Signature {
                at: row.at.clone(),
                by: row.by.clone().unwrap_or_default(),
                remark: text("remark"),
            }),
            "amend" => {
                let (what, to) = (text("what").unwrap_or_default(), text("to").unwrap_or_default());
                let slot = if what == "lot" { &mut record.lot } else { &mut record.customer };
                let from = slot.replace(to.clone());
                record.amendments.push(Amendment {
                    at: row.at.clone(),
                    by: row.by.clone(),
                    what,
                    from,
                    to,
                    why: text("why"),
                });
            }
            "note" | "unobserved" => record.notes.push(Remark {
                at: row.at.clone(),
                text: text("text").unwrap_or_default(),
                by: row.by.clone(),
            }),
            "measurement" => record.measurements.push(Measurement {
                at: row.at.clone(),
                by: row.by.clone(),
                method: text("method"),
                thickness_meters: content["thickness_meters"].as_f64(),
                weight_before_grams: content["weight_before_grams"].as_f64(),
                weight_after_grams: content["weight_after_grams"].as_f64(),
                mean_meters: content["mean_meters"].as_f64(),
                efficiency: content["efficiency"].as_f64(),
                efficiency_by: text("efficiency_by"),
                efficiency_counts: content["efficiency_counts"].as_bool(),
                text: text("text"),
                step: None,
                finding: content["finding"].as_i64(),
                undoes: content["undoes"].as_i64(),
                taken_back: None,
            }),
            _ => {}
        }
    }
    // What was taken back says so where it stands.
    let undone: Vec<_> = record
        .measurements
        .iter()
        .filter_map(|m| {
            Some((m.undoes?, format!("{} by {}", m.at, m.by.as_deref().unwrap_or("nobody named"))))
        })
        .collect();
    for measurement in &mut record.measurements {
        let back = undone.iter().find(|(id, _)| measurement.finding == Some(*id));
        measurement.taken_back = back.map(|(_, when)| when.clone());
    }
}

/// Puts what was measured beside each step whose parts it was measured on.
pub(super) fn sum_up(record: &mut Record) {
    let counts = |m: &&Measurement| m.taken_back.is_none() && m.undoes.is_none();
    for step in &mut record.steps {
        // On the record of a single run a measurement names no step.
        let own = |m: &&Measurement| m.step.is_none_or(|n| n == step.number);
        let all = || record.measurements.iter().filter(counts).filter(own);
        let read: Vec<f64> = all().filter_map(|m| m.thickness_meters).collect();
        let worked = all().rfind(|m| m.mean_meters.is_some() || m.efficiency.is_some());
        if read.is_empty() && worked.is_none() {
            continue;
        }
        step.measured = Some(Found {
            places: read.len(),
            least_meters: read.iter().copied().min_by(f64::total_cmp),
            most_meters: read.iter().copied().max_by(f64::total_cmp),
            mean_meters: worked.and_then(|m| m.mean_meters),
            efficiency: worked.and_then(|m| m.efficiency),
            efficiency_by: worked.and_then(|m| m.efficiency_by.clone()),
            efficiency_counts: worked.and_then(|m| m.efficiency_counts),
        });
    }
}

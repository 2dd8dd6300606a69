//! The page of a whole job: deviations first, then every step, what each tank gave, small plots, sign-off.

use super::html::{Out, amendments, measured, parts_table, plain, remarks, signatures, when};
use super::{Record, Step, Thickness};
use crate::draw::plot::{Paper, escape};
use crate::quantity::{Amps, Area, Charge, Density, Length, Span, Units, Volts};
use std::collections::BTreeMap;

/// So many deviations and alarms at most go onto paper; the JSON has all.
const MOST: usize = 24;

/// Everything between the head of the page and its foot.
pub(super) fn body(out: &mut Out, record: &Record, units: Units) {
    facts(out, record);
    remarks(out, "Deviations", &record.deviations, MOST, "None on record.");
    steps(out, &record.steps, units);
    deposits(out, record, units);
    parts(out, record, units);
    charges(out, &record.steps, units);
    alarms(out, record);
    measured(out, record, units);
    if !record.notes.is_empty() {
        remarks(out, "Notes", &record.notes, 8, "");
    }
    amendments(out, record);
    plots(out, &record.steps);
    signatures(out, record);
}

/// Station and supplies, for the foot of the page.
pub(super) fn set_by(record: &Record) -> String {
    let Some(job) = &record.job else { return String::new() };
    let mut supplies: Vec<&str> =
        record.steps.iter().filter_map(|s| s.run.as_ref()?.supply.as_deref()).collect();
    supplies.dedup();
    match &supplies[..] {
        [] => format!("; station {}, the supply's identity is not on record", job.station),
        all => format!("; station {}, supply {}", job.station, all.join("; ")),
    }
}

fn facts(out: &mut Out, record: &Record) {
    let Some(job) = &record.job else { return };
    let cause = job.cause.as_deref().map_or(String::new(), |c| format!(": {c}"));
    out.facts(&[
        ("lot", record.lot.clone().unwrap_or_else(|| "not entered".into())),
        ("customer's reference", record.customer.clone().unwrap_or_else(|| "not entered".into())),
        ("process sheet", job.sheet.clone()),
        ("base metal", job.base.clone()),
        ("started", format!("{} by {}", plain(&job.started), job.started_by)),
        ("ended", job.ended.as_deref().map_or("not yet".into(), plain)),
        ("outcome", format!("{}{cause}", job.state)),
        ("worked by", job.worked_by.join(", ")),
    ]);
}

/// Time of day; the day stands above.
fn clock(at: Option<&str>) -> String {
    at.and_then(|at| at.get(11..19)).unwrap_or("-").to_owned()
}

fn lasted(step: &Step) -> Option<f64> {
    let time = |t: &Option<String>| t.as_deref()?.parse::<jiff::Timestamp>().ok();
    Some(time(&step.ended)?.duration_since(time(&step.began)?).as_secs_f64())
}

fn planned(step: &Step, units: Units) -> String {
    let span = |s: f64| Span::new(s).show(units);
    let mut all = Vec::new();
    if let Some(run) = &step.run {
        let s = &run.settings;
        all.extend(s.target_coulombs.map(|c| Charge::new(c).show_in("A.min")));
        all.extend(s.target_seconds.map(span));
        all.extend(s.setpoint_amperes.map(|a| format!("at {}", Amps::new(a).show(units))));
        all.extend(s.setpoint_volts.map(|v| format!("at {}", Volts::new(v).show(units))));
    } else {
        all.extend(step.target_coulombs.map(|c| Charge::new(c).show_in("A.min")));
        all.extend(step.planned_seconds.map(span));
        all.extend(step.most_seconds.map(|m| format!("(at most {})", span(m))));
    }
    if all.is_empty() && step.kind.as_deref() == Some("inspect") {
        return "look".into();
    }
    if all.is_empty() { "-".into() } else { all.join(" ") }
}

fn done(step: &Step, units: Units) -> String {
    if let Some(run) = &step.run {
        return format!(
            "{} in {}",
            Charge::new(run.charge_coulombs).show_in("A.min"),
            Span::new(run.worked_seconds).show(units)
        );
    }
    if let Some(dwell) = step.dwell_seconds {
        return format!("{} in the tank", Span::new(dwell).show(units));
    }
    match (step.kind.as_deref(), step.answers.last()) {
        // What was asked stands in the sheet and in the JSON.
        (Some("inspect"), Some(last)) => last.text.split(':').next().unwrap_or_default().to_owned(),
        _ => "-".into(),
    }
}

fn steps(out: &mut Out, steps: &[Step], units: Units) {
    out.section("Steps, as they came");
    let rows: Vec<_> = steps
        .iter()
        .map(|s| {
            let why = s.reason.as_deref().map_or(String::new(), |r| format!(": {r}"));
            let mut who: Vec<&str> =
                s.answers.iter().filter_map(|a| a.by.as_deref()).chain(s.by.as_deref()).collect();
            who.sort_unstable();
            who.dedup();
            let outcome = if s.outcome == "skipped" { "SKIPPED" } else { &s.outcome };
            vec![
                s.label(),
                s.name.clone(),
                s.tank.clone().unwrap_or_else(|| "-".into()),
                clock(s.began.as_deref()),
                lasted(s).map_or("-".into(), |t| Span::new(t).show(units)),
                planned(s, units),
                done(s, units),
                format!("{outcome}{why}"),
                who.join(", "),
            ]
        })
        .collect();
    out.table(&["#no.", "step", "tank", "@began", "#lasted", "planned", "done", "outcome", "by"], &rows);
    out.put(format_args!(
        "<p>Numbered as in the sheet; a step that was done twice stands twice. \u{201c}Lasted\u{201d} is with hanging, answering and rinsing.</p>\n"
    ));
    out.end();
}

fn deposits(out: &mut Out, record: &Record, units: Units) {
    let length = |m: f64| Length::new(m).show(units);
    let range = |t: &Thickness| match (t.low_meters, t.high_meters) {
        (Some(low), Some(high)) => format!("{} to {}", length(low), length(high)),
        _ => "not known".into(),
    };
    let rows: Vec<_> = record
        .steps
        .iter()
        .filter_map(|s| Some((s, s.run.as_ref()?)))
        .filter_map(|(s, run)| {
            let t = run.thickness.as_ref()?;
            Some(vec![
                s.label(),
                format!("{} ({})", s.name, t.metal),
                run.settings
                    .density_amperes_per_square_meter
                    .map_or("-".into(), |d| Density::new(d).show(units)),
                length(t.mean_meters),
                range(t),
                t.least_meters.map_or("not known".into(), |m| format!("about {}", length(m))),
                s.measured.as_ref().map_or("-".into(), |m| m.text(units)),
            ])
        })
        .collect();
    if rows.is_empty() {
        return;
    }
    out.section("Deposits");
    out.table(&["#step", "deposit", "#density", "#mean", "range of the mean", "thinnest", "measured"], &rows);
    out.put(format_args!(
        "<p>Mean, range and thinnest are predicted from the charge, not measured. The mean is over all that took \
         current; edges get more, recesses less. A standard's minimum counts where the deposit is thinnest.</p>\n"
    ));
    out.end();
}

fn parts(out: &mut Out, record: &Record, units: Units) {
    let area = |m2: f64| Area::new(m2).show(units);
    let count = record.job.as_ref().map_or(0, |j| j.part_count);
    out.section("Parts");
    // The same load hangs in every step.
    let run = record.steps.iter().filter_map(|s| s.run.as_ref()).find(|r| !r.parts.is_empty());
    if let Some(run) = run {
        parts_table(out, &run.parts, units);
    }
    let took = record.steps.iter().filter_map(|s| s.run.as_ref()).map(|r| r.area_square_meters);
    let took = took.fold(0.0, f64::max);
    let current = if took > 0.0 {
        format!("; {} took current, rack and tips with them", area(took))
    } else {
        String::new()
    };
    out.put(format_args!("<p>{count} part{} hung{current}.</p>\n", if count == 1 { "" } else { "s" }));
    out.end();
}

/// What a tank gave in a job: coulombs, seconds, and in which steps.
#[derive(Default)]
struct Sum {
    charge: f64,
    unseen: f64,
    worked: f64,
    steps: Vec<String>,
}

fn charges(out: &mut Out, steps: &[Step], units: Units) {
    let mut tanks: BTreeMap<(&str, &str), Sum> = BTreeMap::new();
    for (step, run) in steps.iter().filter_map(|s| Some((s, s.run.as_ref()?))) {
        let sum = tanks.entry((&run.tank, run.bath.as_deref().unwrap_or("not on record"))).or_default();
        sum.charge += run.charge_coulombs;
        sum.unseen += run.unobserved_seconds;
        sum.worked += run.worked_seconds;
        sum.steps.push(step.label());
    }
    if tanks.is_empty() {
        return;
    }
    let span = |s: f64| Span::new(s).show(units);
    let rows: Vec<_> = tanks
        .into_iter()
        .map(|((tank, bath), Sum { charge, unseen, worked, steps })| {
            vec![
                tank.to_owned(),
                bath.to_owned(),
                steps.join(", "),
                Charge::new(charge).show_in("A.min"),
                span(worked),
                if unseen > 0.0 { format!("{}, no charge counted", span(unseen)) } else { "none".into() },
            ]
        })
        .collect();
    out.section("Charge by tank");
    out.table(&["tank", "bath", "steps", "#charge", "#under current", "not observed"], &rows);
    out.end();
}

/// The runs' own and the job's, in the order they came.
fn alarms(out: &mut Out, record: &Record) {
    let of_runs = record
        .steps
        .iter()
        .filter_map(|s| Some((s, s.run.as_ref()?)))
        .flat_map(|(s, run)| run.alarms.iter().map(move |a| (s, a)))
        .map(|(s, a)| {
            let row = vec![
                format!("{}\u{25be}{}", s.label(), a.number),
                clock(Some(&a.at)),
                format!("{} ({})", a.watch, a.priority),
                a.text.clone(),
                a.acknowledged.clone().unwrap_or_else(|| "nobody, during the run".into()),
            ];
            (a.at.as_str(), row)
        });
    let of_job = record.job.iter().flat_map(|job| &job.alarms).map(|a| {
        let (watch, text) = a.text.split_once(": ").unwrap_or((&a.text, ""));
        let during =
            record.steps.iter().rfind(|s| s.began.as_deref().is_some_and(|began| began <= a.at.as_str()));
        let step = during.map_or("-".into(), |s| s.label());
        let row = vec![step, clock(Some(&a.at)), format!("{watch} (of the job)"), text.into(), "-".into()];
        (a.at.as_str(), row)
    });
    let mut all: Vec<_> = of_runs.chain(of_job).collect();
    all.sort_by(|a, b| a.0.cmp(b.0));
    let all: Vec<_> = all.into_iter().map(|(_, row)| row).collect();
    out.section("Alarms");
    if all.is_empty() {
        out.put(format_args!("<p>None was raised.</p>\n"));
    } else {
        out.table(
            &["step\u{25be}no.", "@at", "alarm", "what was seen", "attended to"],
            &all[..all.len().min(MOST)],
        );
        super::html::more(out, all.len(), MOST);
    }
    out.end();
}

fn plots(out: &mut Out, steps: &[Step]) {
    let runs: Vec<_> = steps.iter().filter_map(|s| Some((s, s.run.as_ref()?))).collect();
    if runs.is_empty() {
        return;
    }
    // What a customer asks about is the deposit: two sheets of paper have no room for every cleaner.
    let (drawn, left): (Vec<_>, Vec<_>) = runs.iter().partition(|(_, run)| run.thickness.is_some());
    let (drawn, left) = if drawn.is_empty() { (left, drawn) } else { (drawn, left) };
    out.put(format_args!("<h2>Readings</h2>\n<div class=\"plots\">\n"));
    for (step, run) in drawn {
        let title = format!("Step {}: {} in {}", step.label(), step.name, run.tank);
        out.put(format_args!("<figure><figcaption>{}</figcaption>\n", escape(&title)));
        if run.readings.is_empty() {
            out.put(format_args!("<p>There are no readings.</p>\n"));
        } else {
            out.put(format_args!("{}", run.plot(&title, Paper::Half)));
        }
        out.put(format_args!("</figure>\n"));
    }
    out.put(format_args!("</div>\n"));
    if !left.is_empty() {
        let numbers: Vec<_> = left.iter().map(|(step, _)| step.label()).collect();
        out.put(format_args!(
            "<p>Steps that deposit nothing are not drawn here ({}): each is a run with a record of its own.</p>\n",
            numbers.join(", ")
        ));
    }
}

/// The seals, for the foot of the page.
pub(super) fn seals(out: &mut Out, record: &Record) {
    let Some(job) = &record.job else { return };
    match &job.seal {
        Some(seal) => out.put(format_args!(
            "<p>Job sealed {} as entry {}{}, after a seal at the end of each of {} steps: <span class=\"hash\">{}</span></p>\n",
            when(&seal.at),
            seal.seq,
            if seal.later { ", later than at its end" } else { "" },
            job.step_seals,
            escape(&seal.hash)
        )),
        None => out.put(format_args!(
            "<p>The job has not ended and is not sealed as a whole; {} of its steps are.</p>\n",
            job.step_seals
        )),
    }
    let runs: Vec<_> = record
        .steps
        .iter()
        .filter_map(|s| {
            let run = s.run.as_ref()?;
            Some(match &run.seal {
                Some(seal) => {
                    format!("step {}: entry {}, {}\u{2026}", s.label(), seal.seq, &seal.hash.get(..16)?)
                }
                None => format!("step {}: not sealed", s.label()),
            })
        })
        .collect();
    if !runs.is_empty() {
        out.put(format_args!("<p>Runs sealed: {}</p>\n", escape(&runs.join("; "))));
    }
}

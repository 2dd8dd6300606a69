//! The record as a page: one file, nothing from elsewhere, prints on one or two A4 sheets.

use super::{Found, PartLine, Phase, Record, Remark, RunPart, job_html};
use crate::draw::plot::{Paper, escape};
use crate::quantity::{Amps, Area, Charge, Density, Length, Ratio, Span, Units, Volts};
use std::fmt::Write;

const STYLE: &str = include_str!("style.css");
/// So many lines of phases and alarms at most go onto paper; the JSON has all.
const MOST_LINES: usize = 16;
/// So many of what was said.
const MOST_REMARKS: usize = 14;

/// What a page that is served knows beside the record.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Served {
    /// Where the way back leads, on the same server: `/#/runs/…`.
    pub back: Option<String>,
    /// How far the clocks at the bench were ahead of UTC when it began, min.
    pub ahead_minutes: Option<i32>,
}

/// The page, by itself. Every text from a person is escaped.
pub fn html(record: &Record, units: Units) -> String {
    served(record, units, &Served::default())
}

/// The page as it is served: with a way back, and what the clocks at the bench say.
pub fn served(record: &Record, units: Units, by: &Served) -> String {
    let mut out = Out(String::with_capacity(64 * 1024));
    let title = escape(&record.title);
    out.put(format_args!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width\">\n<title>Record: {title}</title>\n\
         <style>\n{STYLE}</style>\n</head>\n<body>\n<header>\n{}<h1>{title}</h1>\n\
         <p class=\"sub\">Record of a {}; put together {} UTC. All times here are UTC{}.</p>\n</header>\n",
        by.back.as_deref().map_or(String::new(), |to| {
            format!("<nav><a href=\"{}\">Back to the page</a></nav>\n", escape(to))
        }),
        if record.job.is_some() { "job" } else { "run" },
        when(&record.printed),
        by.ahead_minutes.map_or(String::new(), bench_clocks)
    ));
    if record.job.is_some() {
        job_html::body(&mut out, record, units);
    } else {
        of_a_run(&mut out, record, units);
    }
    footer(&mut out, record);
    out.put(format_args!("</body>\n</html>\n"));
    out.0
}

fn of_a_run(out: &mut Out, record: &Record, units: Units) {
    out.facts(&[
        ("lot", record.lot.clone().unwrap_or_else(|| "not entered".into())),
        ("customer's reference", record.customer.clone().unwrap_or_else(|| "not entered".into())),
    ]);
    for (step, part) in record.steps.iter().filter_map(|s| Some((s, s.run.as_ref()?))) {
        run(out, part, step.measured.as_ref(), &record.title, units);
    }
    measured(out, record, units);
    remarks(out, "Deviations", &record.deviations, MOST_REMARKS, "None on record.");
    if !record.notes.is_empty() {
        remarks(out, "Notes", &record.notes, MOST_REMARKS, "");
    }
    amendments(out, record);
    signatures(out, record);
    for part in record.steps.iter().filter_map(|s| s.run.as_ref()) {
        set_by(out, part, units);
    }
}

/// What a clock at the bench says beside UTC.
fn bench_clocks(ahead: i32) -> String {
    let (hours, minutes) = (ahead.unsigned_abs() / 60, ahead.unsigned_abs() % 60);
    let by = if minutes == 0 { format!("{hours} h") } else { format!("{hours} h {minutes} min") };
    match ahead {
        0 => ", as the clocks at the bench are".into(),
        1.. => format!("; the clocks at the bench were {by} ahead of it"),
        _ => format!("; the clocks at the bench were {by} behind it"),
    }
}

/// The page as far as it is written.
pub(super) struct Out(String);

impl Out {
    pub fn put(&mut self, text: std::fmt::Arguments<'_>) {
        // Writing to a string cannot fail.
        let _ = self.0.write_fmt(text);
    }

    /// Names and values, values escaped here.
    pub fn facts(&mut self, facts: &[(&str, String)]) {
        self.put(format_args!("<dl class=\"facts\">\n"));
        for (name, value) in facts {
            self.put(format_args!("<dt>{name}</dt><dd>{}</dd>\n", escape(value)));
        }
        self.put(format_args!("</dl>\n"));
    }

    /// A table; a head that begins with `#` is of figures. Cells escaped here.
    pub fn table(&mut self, heads: &[&str], rows: &[Vec<String>]) {
        let class = |head: &str| match head.as_bytes().first() {
            Some(b'#') => " class=\"n\"",
            Some(b'@') => " class=\"t\"",
            _ => "",
        };
        self.put(format_args!("<table>\n<tr>"));
        for head in heads {
            let name = head.trim_start_matches(['#', '@']);
            self.put(format_args!("<th scope=\"col\"{}>{name}</th>", class(head)));
        }
        self.put(format_args!("</tr>\n"));
        for row in rows {
            self.put(format_args!("<tr>"));
            for (cell, head) in row.iter().zip(heads) {
                // On a phone each cell says what it is, and one that has nothing to say is left out.
                let name = head.trim_start_matches(['#', '@']);
                let none = if matches!(cell.as_str(), "" | "-") { " data-none" } else { "" };
                self.put(format_args!("<td{} data-l=\"{name}\"{none}>{}</td>", class(head), escape(cell)));
            }
            self.put(format_args!("</tr>\n"));
        }
        self.put(format_args!("</table>\n"));
    }

    pub fn section(&mut self, title: &str) {
        self.put(format_args!("<section>\n<h2>{title}</h2>\n"));
    }

    pub fn end(&mut self) {
        self.put(format_args!("</section>\n"));
    }
}

/// [`plain`], escaped.
pub(super) fn when(at: &str) -> String {
    escape(&plain(at))
}

fn run(out: &mut Out, run: &RunPart, found: Option<&Found>, title: &str, units: Units) {
    let charge = Charge::new(run.charge_coulombs);
    let shown = |seconds: f64| Span::new(seconds).show(units);
    let mut got = format!("{} = {}", charge.show_in("A.min"), charge.show_in("A.h"));
    if let Some(target) = run.settings.target_coulombs {
        got += &format!("; {} asked for", Charge::new(target).show_in("A.min"));
    }
    let ended = run.ended.as_deref().map_or("not yet".into(), plain);
    out.section("Run");
    out.facts(&[
        ("started", format!("{} by {}", plain(&run.started), run.started_by)),
        ("ended", ended),
        ("tank", run.tank.clone()),
        (
            "outcome",
            format!("{}{}", run.state, run.cause.as_deref().map_or(String::new(), |c| format!(": {c}"))),
        ),
        ("worked", shown(run.worked_seconds)),
        ("charge", got),
    ]);
    out.end();
    parts(out, run, units);
    deposit(out, run, found, units);
    out.section("Readings");
    if run.readings.is_empty() {
        out.put(format_args!("<p>There are no readings.</p>\n"));
    } else {
        out.put(format_args!("<figure>\n{}</figure>\n", run.plot(title, Paper::Page)));
    }
    out.end();
    phases(out, &run.phases, units);
    alarms(out, run);
}

/// What only who looks into it later asks for.
fn set_by(out: &mut Out, run: &RunPart, units: Units) {
    settings(out, run, units);
    let unseen = match run.unobserved_seconds {
        s if s > 0.0 => format!("{}; no charge is counted for it", Span::new(s).show(units)),
        _ => "none".into(),
    };
    out.section("Station and bath");
    out.facts(&[
        ("station", run.station.clone()),
        ("supply", run.supply.clone().unwrap_or_else(|| "its identity is not on record".into())),
        ("bath", run.bath.clone().unwrap_or_else(|| "not on record".into())),
        ("not observed", unseen),
        ("charge counted", "by trapezoid, from reading to reading".into()),
    ]);
    out.end();
}

/// `2026-11-25 14:03:07` of an RFC 3339 time.
pub(super) fn plain(at: &str) -> String {
    at.chars().take(19).collect::<String>().replace('T', " ")
}

/// The same of `TIME by NAME`.
fn plain_by(text: &str) -> String {
    text.split_once(" by ").map_or_else(|| text.into(), |(at, by)| format!("{} by {by}", plain(at)))
}

fn settings(out: &mut Out, run: &RunPart, units: Units) {
    let s = &run.settings;
    let mut facts = Vec::new();
    let amps = |a: f64| Amps::new(a).show(units);
    let volts = |v: f64| Volts::new(v).show(units);
    let span = |t: f64| Span::new(t).show(units);
    if let Some(a) = s.setpoint_amperes {
        facts.push(("current", amps(a)));
    }
    if let Some(v) = s.setpoint_volts {
        facts.push(("voltage", volts(v)));
    }
    if let Some(d) = s.density_amperes_per_square_meter {
        facts.push(("density", Density::new(d).show(units)));
    }
    if let Some(v) = s.ceiling_volts {
        facts.push(("ceiling", volts(v)));
    }
    if let Some(a) = s.ceiling_amperes {
        facts.push(("ceiling", amps(a)));
    }
    if let Some(t) = s.ramp_seconds {
        facts.push(("ramp", span(t)));
    }
    match (s.target_coulombs, s.target_seconds) {
        (Some(c), _) => facts.push(("ends at", Charge::new(c).show_in("A.min"))),
        (None, Some(t)) => facts.push(("ends after", span(t))),
        _ => {}
    }
    if let Some(t) = s.time_limit_seconds {
        facts.push(("at the latest after", span(t)));
    }
    if let Some(entry) = &s.entry {
        facts.push(("entry", entry.clone()));
    }
    facts.push(("faces", s.faces.map_or("1, no turn".into(), |f| f.to_string())));
    out.section("Settings");
    out.facts(&facts);
    out.end();
}

/// What hung, kind by kind.
pub(super) fn parts_table(out: &mut Out, parts: &[PartLine], units: Units) {
    let area = |m2: f64| Area::new(m2).show(units);
    let rows: Vec<_> = parts
        .iter()
        .map(|p| {
            vec![
                if p.name == p.shape { p.shape.clone() } else { format!("{}: {}", p.name, p.shape) },
                p.counted.clone(),
                p.count.to_string(),
                p.each_square_meters.map_or("-".into(), area),
                p.area_square_meters.map_or("-".into(), area),
            ]
        })
        .collect();
    out.table(&["part", "counted", "#count", "#area of one", "#area of all"], &rows);
}

fn parts(out: &mut Out, run: &RunPart, units: Units) {
    let area = |m2: f64| Area::new(m2).show(units);
    out.section("Parts");
    if !run.parts.is_empty() {
        parts_table(out, &run.parts, units);
    }
    out.put(format_args!(
        "<p>{} part{} hung; {} took current, rack and tips with them.</p>\n",
        run.part_count,
        if run.part_count == 1 { "" } else { "s" },
        area(run.area_square_meters)
    ));
    out.end();
}

fn deposit(out: &mut Out, run: &RunPart, found: Option<&Found>, units: Units) {
    let Some(t) = &run.thickness else { return };
    let length = |m: f64| Length::new(m).show(units);
    let mut facts = vec![("mean", format!("{} of {}", length(t.mean_meters), t.metal))];
    match (t.low_meters, t.high_meters) {
        (Some(low), Some(high)) => {
            facts.push(("range of the mean", format!("{} to {}", length(low), length(high))));
        }
        _ => facts.push(("range of the mean", "not known: the worksheet is not on record".into())),
    }
    facts.push((
        "thinnest",
        t.least_meters.map_or("not known for this shape".into(), |m| {
            format!("about {}, by the part's shape", length(m))
        }),
    ));
    if let Some(e) = t.efficiency {
        facts.push(("efficiency used", Ratio::new(e).show(units)));
    }
    facts.push(("measured", found.map_or("no".into(), |f| f.text(units))));
    out.section("Deposit, predicted from the charge");
    out.facts(&facts);
    out.put(format_args!(
        "<p>Only what stands beside \u{201c}measured\u{201d} was measured. The mean is over all that took current; edges get more, recesses less. A standard's minimum \
         counts where the deposit is thinnest.</p>\n"
    ));
    out.end();
}

fn phases(out: &mut Out, phases: &[Phase], units: Units) {
    if phases.is_empty() {
        return;
    }
    out.section("Phases");
    let rows: Vec<_> = phases
        .iter()
        .take(MOST_LINES)
        .map(|p| {
            vec![
                Span::new(p.seconds).show(units),
                if p.state == "running" { p.phase.clone() } else { format!("{}, {}", p.state, p.phase) },
                Span::new(p.lasted_seconds).show(units),
                Charge::new(p.charge_coulombs).show_in("A.min"),
                p.mean_amperes.map_or("-".into(), |a| Amps::new(a).show(units)),
                p.mean_volts.map_or("-".into(), |v| Volts::new(v).show(units)),
            ]
        })
        .collect();
    out.table(&["#from", "phase", "#lasted", "#charge", "#mean current", "#mean voltage"], &rows);
    more(out, phases.len(), MOST_LINES);
    out.end();
}

fn alarms(out: &mut Out, run: &RunPart) {
    out.section("Alarms");
    if run.alarms.is_empty() {
        out.put(format_args!("<p>None was raised.</p>\n"));
    } else {
        let rows: Vec<_> = run
            .alarms
            .iter()
            .take(MOST_LINES)
            .map(|a| {
                vec![
                    a.number.to_string(),
                    plain(&a.at),
                    format!("{} ({})", a.watch, a.priority),
                    a.text.clone(),
                    a.acknowledged.clone().unwrap_or_else(|| "nobody, during the run".into()),
                ]
            })
            .collect();
        out.table(&["#no.", "@at", "alarm", "what was seen", "attended to"], &rows);
        more(out, run.alarms.len(), MOST_LINES);
    }
    out.end();
}

pub(super) fn more(out: &mut Out, all: usize, shown: usize) {
    if all > shown {
        out.put(format_args!("<p>and {} more: the JSON has them all.</p>\n", all - shown));
    }
}

pub(super) fn measured(out: &mut Out, record: &Record, units: Units) {
    out.section("Measured on the parts");
    if record.measurements.is_empty() {
        out.put(format_args!("<p>Nothing was entered.</p>\n"));
    } else {
        let rows: Vec<_> = record
            .measurements
            .iter()
            .map(|m| {
                let mut text = m.text.clone().unwrap_or_default();
                if let Some(step) = m.step.and_then(|n| record.steps.iter().find(|s| s.number == n)) {
                    text = format!("step {}: {text}", step.label());
                }
                if let Some(back) = &m.taken_back {
                    // What no longer counts needs no cautions.
                    let kept = text.split(" - ").next().unwrap_or_default();
                    text = format!("TAKEN BACK {}: {kept}", plain_by(back));
                }
                if let Some(undone) = m.undoes {
                    text = format!("{text} (measurement {undone})");
                }
                vec![
                    m.finding.map_or(String::new(), |n| n.to_string()),
                    plain(&m.at),
                    m.by.clone().unwrap_or_default(),
                    m.method.clone().unwrap_or_default(),
                    m.thickness_meters.map_or("-".into(), |t| Length::new(t).show(units)),
                    text,
                ]
            })
            .collect();
        out.table(&["#no.", "@at", "by", "method", "#thickness", "where and what"], &rows);
    }
    out.end();
}

pub(super) fn remarks(out: &mut Out, title: &str, remarks: &[Remark], most: usize, none: &str) {
    out.section(title);
    if remarks.is_empty() {
        out.put(format_args!("<p>{none}</p>\n"));
    } else {
        let rows: Vec<_> = remarks
            .iter()
            .take(most)
            .map(|r| {
                let by = r.by.as_deref().map_or(String::new(), |by| format!("{by}: "));
                vec![plain(&r.at), format!("{by}{}", r.text)]
            })
            .collect();
        out.table(&["@at", "what"], &rows);
        more(out, remarks.len(), most);
    }
    out.end();
}

pub(super) fn amendments(out: &mut Out, record: &Record) {
    if record.amendments.is_empty() {
        return;
    }
    out.section("Entered and amended");
    let rows: Vec<_> = record
        .amendments
        .iter()
        .map(|a| {
            let what = match &a.from {
                Some(from) => format!("{}: from \u{201c}{from}\u{201d} to \u{201c}{}\u{201d}", a.what, a.to),
                None => format!("{}: \u{201c}{}\u{201d}", a.what, a.to),
            };
            let why = a.why.as_deref().map_or(String::new(), |w| format!(" ({w})"));
            vec![plain(&a.at), a.by.clone().unwrap_or_default(), what + &why]
        })
        .collect();
    out.table(&["@at", "by", "what"], &rows);
    out.end();
}

pub(super) fn signatures(out: &mut Out, record: &Record) {
    out.section("Sign-off");
    if record.signatures.is_empty() {
        out.put(format_args!(
            "<p>Not signed off.</p>\n<div class=\"sign\"><span>name</span><span>date</span><span>remark</span></div>\n"
        ));
    } else {
        let rows: Vec<_> = record
            .signatures
            .iter()
            .map(|s| vec![plain(&s.at), s.by.clone(), s.remark.clone().unwrap_or_default()])
            .collect();
        out.table(&["@at", "name", "remark"], &rows);
    }
    out.end();
}

fn footer(out: &mut Out, record: &Record) {
    let what = if record.job.is_some() { "Job" } else { "Run" };
    out.put(format_args!(
        "<footer>\n<p>{what} {}{}.</p>\n",
        escape(&record.id),
        escape(&job_html::set_by(record))
    ));
    job_html::seals(out, record);
    for run in record.steps.iter().filter(|_| record.job.is_none()).filter_map(|s| s.run.as_ref()) {
        match &run.seal {
            Some(seal) => out.put(format_args!(
                "<p>Sealed {} as entry {}{}: <span class=\"hash\">{}</span></p>\n",
                when(&seal.at),
                seal.seq,
                if seal.later { ", later than at the run's end" } else { "" },
                escape(&seal.hash)
            )),
            None => out.put(format_args!("<p>Not sealed: the run has not ended.</p>\n")),
        }
    }
    if let Some(head) = &record.chain {
        out.put(format_args!(
            "<p>Head of the chain, entry {}: <span class=\"hash\">{}</span><br>Keep this page, or write the hash down \
             outside the computer: <em>tankside runs verify --head HASH</em> then shows whether anything before it was \
             changed. Without a hash kept elsewhere, whoever may write the ledger can work out every hash anew.</p>\n",
            head.seq,
            escape(&head.hash)
        ));
    }
    out.put(format_args!("</footer>\n"));
}

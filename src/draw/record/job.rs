//! From the ledger's rows of a job, and of the runs inside it, to a record.

use super::build::{Sources, content, deviations, duration, entries, notes, run_of, seal, sum_up};
use super::*;
use crate::ledger::{EventRow, JobRow, JobStepRow, RecordRow};
use serde_json::Value;
use std::collections::BTreeMap;

/// A load still in its tank so long after its current ended, s, is told as a deviation; common practice, no source:
/// long enough for anybody at the bench, short enough that no deposit is etched meanwhile.
const UNLOAD: f64 = 120.0;

/// Everything the ledger knows of a job.
#[derive(Clone, Debug)]
pub struct JobSources {
    /// The job.
    pub job: JobRow,
    /// Its steps as they came.
    pub steps: Vec<JobStepRow>,
    /// Its events, oldest first; those of its runs may be among them.
    pub events: Vec<EventRow>,
    /// The runs inside, oldest first.
    pub runs: Vec<Sources>,
    /// Entries of its own record, oldest first.
    pub entries: Vec<RecordRow>,
    /// The chain's newest entry.
    pub head: Option<RecordRow>,
    /// Now, RFC 3339 UTC.
    pub printed: String,
}

/// The record of a job: its steps as they came, with the runs inside.
pub fn from_job(sources: JobSources) -> Record {
    let JobSources { job, steps: rows, events, runs, entries: own, head, printed } = sources;
    let plan: Value = serde_json::from_str(&job.plan_json).unwrap_or_default();
    let events: Vec<EventRow> = events.into_iter().filter(|e| e.run.is_none()).collect();
    let mut by_id: BTreeMap<String, Sources> = runs.into_iter().map(|r| (r.run.id.clone(), r)).collect();
    let mut record = Record {
        format: "tankside-record-1",
        title: job.title.clone(),
        id: job.id.clone(),
        printed: printed.clone(),
        job: None,
        lot: job.lot.clone(),
        customer: job.customer.clone(),
        steps: Vec::new(),
        deviations: Vec::new(),
        notes: Vec::new(),
        measurements: Vec::new(),
        amendments: Vec::new(),
        signatures: Vec::new(),
        chain: head.as_ref().map(seal),
    };
    entries(&own, &mut record);
    let shares = share_out(&rows, &events);
    let mut tries: BTreeMap<u32, u32> = BTreeMap::new();
    for (row, said) in rows.iter().zip(&shares) {
        let planned =
            usize::try_from(row.sheet_step).unwrap_or(0).checked_sub(1).map(|at| &plan["steps"][at]);
        let planned = planned.unwrap_or(&Value::Null);
        let attempt = tries.entry(row.sheet_step).or_default();
        *attempt += 1;
        let run = row.run.as_ref().and_then(|id| by_id.remove(id));
        let step = Step { attempt: Some(*attempt), ..step(row, planned, said, run.as_ref()) };
        if let Some(run) = &run {
            of_a_run(run, &step, &job, &mut record);
        }
        of_a_step(&step, said, is_asked_for(planned), &mut record.deviations);
        record.steps.push(step);
    }
    // A run that no step names: the daemon died before the step's row had it.
    for run in by_id.into_values() {
        record.deviations.push(Remark {
            at: run.run.started.clone(),
            text: format!("run {} in {} belongs to this job, and no step names it", run.run.id, run.run.tank),
            by: None,
        });
    }
    of_the_job(&job, &events, &own, &printed, &mut record);
    record.job = Some(JobPart {
        station: job.station,
        sheet: job.sheet,
        base: job.base,
        part_count: job.parts,
        started: job.started,
        started_by: job.started_by.clone(),
        ended: job.ended,
        state: job.state,
        cause: job.cause,
        continues: job.continues,
        worked_by: hands(&job.started_by, &record.steps),
        alarms: events
            .iter()
            .filter(|e| e.kind == "warning" && !e.text.ends_with(" is over"))
            .map(|e| Remark { at: e.at.clone(), text: e.text.clone(), by: None })
            .collect(),
        step_seals: own.iter().filter(|e| e.kind == "step").count(),
        seal: own.iter().find(|e| e.kind == "job").map(seal),
    });
    record.deviations.sort_by(|a, b| a.at.cmp(&b.at));
    record.notes.sort_by(|a, b| a.at.cmp(&b.at));
    record.measurements.sort_by(|a, b| a.at.cmp(&b.at));
    sum_up(&mut record);
    record
}

/// Everybody who did something, in the order of their first deed.
fn hands(first: &str, steps: &[Step]) -> Vec<String> {
    let mut all = vec![first.to_owned()];
    let said = steps.iter().flat_map(|s| s.answers.iter().filter_map(|a| a.by.clone()).chain(s.by.clone()));
    for by in said {
        if !all.contains(&by) {
            all.push(by);
        }
    }
    all
}

/// The job's events to the steps in which they came. A step begins with an event of its own.
fn share_out(rows: &[JobStepRow], events: &[EventRow]) -> Vec<Vec<EventRow>> {
    let mut shares = vec![Vec::new(); rows.len()];
    let mut at = 0;
    for event in events {
        let begins = |row: &JobStepRow| event.text == format!("step {}, {}", row.sheet_step, row.name);
        if event.kind == "step" && rows.get(at).is_some_and(begins) {
            at += 1;
        }
        if let Some(k) = at.checked_sub(1) {
            shares[k].push(event.clone());
        }
    }
    shares
}

fn time(at: &str) -> Option<jiff::Timestamp> {
    at.parse().ok()
}

fn between(from: &str, to: &str) -> Option<f64> {
    Some(time(to)?.duration_since(time(from)?).as_secs_f64())
}

/// An answer: who, the word, and what was asked.
struct Said<'e> {
    at: &'e str,
    by: &'e str,
    word: &'e str,
    asked: String,
}

fn answers(said: &[EventRow]) -> Vec<Said<'_>> {
    let one = |e: &'_ EventRow| {
        let (left, seq) = e.text.rsplit_once(" to question ")?;
        let (by, word) = left.rsplit_once(": ")?;
        let head = format!("question {seq}: ");
        let asked = said.iter().find_map(|q| q.text.strip_prefix(&head).filter(|_| q.kind == "asked"));
        Some((by.len(), word.len(), asked.unwrap_or("a question that is not on record").to_owned()))
    };
    said.iter()
        .filter(|e| e.kind == "answered")
        .filter_map(|e| {
            let (by, word, asked) = one(e)?;
            Some(Said { at: &e.at, by: &e.text[..by], word: &e.text[by + 2..by + 2 + word], asked })
        })
        .collect()
}

fn step(row: &JobStepRow, planned: &Value, said: &[EventRow], run: Option<&Sources>) -> Step {
    let todo = &planned["todo"];
    let answers = answers(said);
    let done: Vec<&str> = answers.iter().filter(|a| a.word == "done").map(|a| a.at).collect();
    let dip = &todo["dip"];
    let bake = &todo["prompt"]["bake"];
    let timed = !dip.is_null() || !bake.is_null();
    // The first "done" of a dip or a bake says that it is in, the next one that it is out.
    let dwell = match done[..] {
        [into, out, ..] if timed => between(into, out),
        _ => None,
    };
    let order = &todo["powered"]["order"];
    let ended = run.and_then(|r| r.run.ended.as_deref());
    let unloaded = ended
        .and_then(|ended| done.iter().filter_map(|at| between(ended, at)).find(|seconds| *seconds >= 0.0));
    Step {
        number: usize::try_from(row.number).unwrap_or(0),
        name: row.name.clone(),
        tank: row.tank.clone(),
        began: Some(row.began.clone()),
        ended: row.ended.clone(),
        outcome: row.outcome.clone().unwrap_or_else(|| "at work".into()),
        sheet_step: Some(row.sheet_step),
        attempt: None,
        kind: Some(row.kind.clone()),
        planned_seconds: duration(&dip["time"])
            .or_else(|| duration(&bake["time"]))
            .or_else(|| duration(&order["goal"]["time"])),
        most_seconds: duration(&dip["most"]),
        dwell_seconds: dwell,
        target_coulombs: run
            .and_then(|r| r.run.target_coulombs)
            .or_else(|| order["goal"]["charge"].as_i64().map(|charge| charge as f64 / 1e6)),
        unloaded_seconds: unloaded,
        reason: row.reason.clone(),
        by: row.by.clone(),
        answers: answers
            .iter()
            .map(|a| Remark {
                at: a.at.to_owned(),
                text: format!("{}: {}", a.word, a.asked),
                by: Some(a.by.to_owned()),
            })
            .collect(),
        run: run.map(run_of),
        measured: None,
    }
}

/// Whether somebody is asked if the load came out when the current of that step has ended: with its first rinse. From a
/// strike that goes under current straight into the next tank nobody is.
fn is_asked_for(planned: &Value) -> bool {
    planned["rinse"].as_array().is_none_or(|rinse| !rinse.is_empty())
}

/// What of a run's own record belongs on that of its job.
fn of_a_run(run: &Sources, step: &Step, job: &JobRow, record: &mut Record) {
    let place = step.place();
    let told = |r: Remark| Remark { text: format!("{place}: {}", r.text), ..r };
    let part = run_of(run);
    for said in deviations(run, &part) {
        // What each worksheet warns of, such as a supply that nobody has tried, is told once with all its places.
        let warned = |d: &&mut Remark| d.text.split_once(": ").is_some_and(|(_, text)| text == said.text);
        match record.deviations.iter_mut().filter(|_| said.at == part.started).find(warned) {
            Some(first) => {
                first.text = first.text.replacen(": ", &format!("; {place}: "), 1);
            }
            None => record.deviations.push(told(said)),
        }
    }
    if part.parts.is_empty() {
        record.deviations.push(Remark {
            at: part.started.clone(),
            text: format!("{place}: the worksheet of its run is not on record"),
            by: None,
        });
    }
    record.notes.extend(notes(run).into_iter().map(told));
    let mut own = Record { job: None, ..super::build::empty(run, &part) };
    entries(&run.entries, &mut own);
    let number = Some(step.number);
    record.measurements.extend(own.measurements.into_iter().map(|m| Measurement { step: number, ..m }));
    record.notes.extend(own.notes.into_iter().map(told));
    // Lot and customer go onto each run of a job by themselves: no amendment.
    let same = |a: &Amendment| {
        let of_job = if a.what == "lot" { &job.lot } else { &job.customer };
        a.from.is_none() && a.why.is_none() && Some(&a.to) == of_job.as_ref()
    };
    record.amendments.extend(
        own.amendments
            .into_iter()
            .filter(|a| !same(a))
            .map(|a| Amendment { what: format!("{} of {place}", a.what), ..a }),
    );
    record.signatures.extend(own.signatures.into_iter().map(|s| {
        let remark = s.remark.map(|r| format!(": {r}")).unwrap_or_default();
        Signature { remark: Some(format!("{place} only{remark}")), ..s }
    }));
}

fn of_a_step(step: &Step, said: &[EventRow], is_asked_for: bool, all: &mut Vec<Remark>) {
    let place = step.place();
    let mut say = |at: &str, text: String, by: Option<&str>| {
        all.push(Remark { at: at.into(), text: format!("{place}: {text}"), by: by.map(Into::into) });
    };
    let inspects = step.kind.as_deref() == Some("inspect");
    let end = step.ended.as_deref().or(step.began.as_deref()).unwrap_or_default();
    let why = step.reason.as_deref().map(|r| format!(": {r}")).unwrap_or_default();
    match step.outcome.as_str() {
        "skipped" => say(end, format!("SKIPPED{why}"), step.by.as_deref()),
        "redone" => say(end, format!("left, to be done again{why}"), step.by.as_deref()),
        "failed" if inspects => say(end, format!("not passed{why}"), step.by.as_deref()),
        "failed" => say(end, format!("not done to its end{why}"), step.by.as_deref()),
        _ => {}
    }
    for event in said {
        let text = event.text.as_str();
        match event.kind.as_str() {
            "warning" if !text.ends_with(" is over") => say(&event.at, text.into(), None),
            "phase" if text.starts_with("the job is held") => say(&event.at, text.into(), None),
            // Whoever sent a step back is told by the step.
            "command" if !text.contains(": redo") => say(&event.at, text.into(), None),
            "answered" if !inspects && text.contains(": no to question ") => {
                let no = answers(std::slice::from_ref(event));
                let by = no.first().map(|a| a.by);
                say(&event.at, "answered no: it could not be done as asked".into(), by);
            }
            _ => {}
        }
    }
    let done = step.outcome == "done";
    if let (Some(most), Some(dwell)) = (step.most_seconds, step.dwell_seconds)
        && dwell > most
        && !said.iter().any(|e| e.kind == "warning" && e.text.starts_with("over-dwell"))
    {
        say(end, format!("in for {dwell:.0} s; the sheet allows {most:.0} s"), None);
    }
    if done && step.kind.as_deref() == Some("dip") && step.dwell_seconds.is_none() {
        say(end, "nobody said that the load came out: how long it was in is not known".into(), None);
    }
    match (step.unloaded_seconds, step.run.as_ref().and_then(|r| r.ended.as_deref())) {
        (Some(late), Some(ended)) if late > UNLOAD => {
            say(ended, format!("came out late: {late:.0} s after its current had ended"), None);
        }
        (None, Some(ended)) if done && is_asked_for => {
            say(ended, "nobody said that the load came out after its current had ended".into(), None);
        }
        _ => {}
    }
}

fn of_the_job(job: &JobRow, events: &[EventRow], own: &[RecordRow], printed: &str, record: &mut Record) {
    let mut say = |at: &str, text: String| record.deviations.push(Remark { at: at.into(), text, by: None });
    let end = job.ended.as_deref().unwrap_or(printed);
    match job.state.as_str() {
        "complete" => {}
        "running" => say(end, "the job has not ended: this is what stands so far".into()),
        other => {
            say(
                end,
                format!("the job was {other}: {}", job.cause.as_deref().unwrap_or("no cause is on record")),
            );
        }
    }
    if let Some(before) = &job.continues {
        say(&job.started, format!("this is the rest of job {before}"));
    }
    match own.iter().find(|e| e.kind == "job") {
        Some(sealed) if sealed.later => {
            say(
                &sealed.at,
                "sealed later than at its end: what was changed before that does not show".into(),
            );
        }
        None if job.ended.is_some() => say(end, "the job is not sealed".into()),
        _ => {}
    }
    let notes = events.iter().filter(|e| e.kind == "note" && !e.text.starts_with("hazards here: "));
    record.notes.extend(notes.map(|e| Remark { at: e.at.clone(), text: e.text.clone(), by: None }));
    // An entry whose text cannot be read is not passed over.
    for entry in own.iter().filter(|e| content(e).is_null()) {
        record.deviations.push(Remark {
            at: entry.at.clone(),
            text: format!("entry {} ({}) on its record cannot be read", entry.seq, entry.kind),
            by: None,
        });
    }
}

/// A job's steps as CSV, as they came; empty where not known.
pub fn steps_csv(record: &Record) -> String {
    let mut out = String::from(
        "number,sheet_step,name,kind,tank,began,ended,outcome,by,reason,planned_seconds,most_seconds,dwell_seconds,\
         target_coulombs,charge_coulombs,unobserved_seconds,worked_seconds,mean_meters,least_meters,run,attempt,\
         measured_mean_meters,measured_least_meters,measured_most_meters,measured_efficiency\n",
    );
    let word = |text: Option<&str>| text.map_or(String::new(), cell);
    let figure = |v: Option<f64>| v.map_or(String::new(), |v| v.to_string());
    for s in &record.steps {
        let run = s.run.as_ref();
        let thickness = run.and_then(|r| r.thickness.as_ref());
        let cells = [
            s.number.to_string(),
            s.sheet_step.map_or(String::new(), |n| n.to_string()),
            cell(&s.name),
            word(s.kind.as_deref()),
            word(s.tank.as_deref()),
            word(s.began.as_deref()),
            word(s.ended.as_deref()),
            cell(&s.outcome),
            word(s.by.as_deref()),
            word(s.reason.as_deref()),
            figure(s.planned_seconds),
            figure(s.most_seconds),
            figure(s.dwell_seconds),
            figure(s.target_coulombs),
            figure(run.map(|r| r.charge_coulombs)),
            figure(run.map(|r| r.unobserved_seconds)),
            figure(run.map(|r| r.worked_seconds)),
            figure(thickness.map(|t| t.mean_meters)),
            figure(thickness.and_then(|t| t.least_meters)),
            word(run.map(|r| r.id.as_str())),
            s.attempt.map_or(String::new(), |n| n.to_string()),
            figure(s.measured.as_ref().and_then(|m| m.mean_meters)),
            figure(s.measured.as_ref().and_then(|m| m.least_meters)),
            figure(s.measured.as_ref().and_then(|m| m.most_meters)),
            figure(s.measured.as_ref().and_then(|m| m.efficiency)),
        ];
        out += &cells.join(",");
        out.push('\n');
    }
    out
}

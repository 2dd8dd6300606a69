//! Jobs: a load through a whole sheet, begun, answered, sent back, told.

use super::args::{AnswerArg, Common, StartArgs, StationArg};
use super::client::{Client, escape};
use super::follow::text;
use super::say::{line, seconds, table, when, wrap};
use super::{line as sheet, order, plan, setup, show};
use crate::draw::record::tried;
use crate::host::{Done, Failure};
use crate::plan::SheetRequest;
use crate::quantity::{Charge, Units};
use crate::run::RunState;
use crate::run::guide::{JobPlan, step_meant};
use crate::station::rehearse_job_in;
use serde_json::{Map, Value, json};
use std::collections::HashMap;

const WIDTH: usize = 80;

/// A run, a job, or the rest of one.
pub(crate) fn start(client: &Client, args: &StartArgs, by: &str, json: bool) -> Done {
    let mut body = Map::new();
    body.insert("by".into(), by.into());
    for (key, value) in [("lot", &args.lot), ("customer", &args.customer)] {
        body.extend(value.as_ref().map(|v| (key.to_owned(), v.as_str().into())));
    }
    if args.edges_may_burn {
        body.insert("edges_may_burn".into(), true.into());
    }
    if args.supply_may_fail {
        body.insert("supply_may_fail".into(), true.into());
    }
    let station = args.order.station.as_deref();
    if let Some(job) = &args.job_from {
        body.insert("continues".into(), named(client, job)?.into());
        body.extend(args.from.as_ref().map(|step| ("from".to_owned(), step.as_str().into())));
        return show::told(client, "job", station, body.into(), json);
    }
    match sheet::asked(&args.order, &args.sheet)? {
        Some(request) if sheet::is_file(&request.sheet) => Err(Failure::usage(format!(
            "--sheet {:?}: the daemon reads only sheets in the folder \"processes\" beside its config; put it there",
            request.sheet
        ))),
        Some(request) => {
            let request = serde_json::to_value(&request).map_err(|e| Failure::bug(e.to_string()))?;
            body.insert("request".into(), request);
            show::told(client, "job", station, body.into(), json)
        }
        None => {
            body.insert("request".into(), plan::in_json(&order::request(&args.order)?)?);
            show::told(client, "start", station, body.into(), json)
        }
    }
}

/// A command to the job.
pub(crate) fn told(client: &Client, deed: &str, at: &StationArg, body: Value, json: bool) -> Done {
    show::told(client, &format!("job/{deed}"), at.station.as_deref(), body, json)
}

/// A command to the job if one is open at that station, else to its run.
pub(crate) fn command(client: &Client, verb: &str, at: &StationArg, body: Value, json: bool) -> Done {
    if is_open(client, at)? {
        return told(client, verb, at, body, json);
    }
    show::told(client, verb, at.station.as_deref(), body, json)
}

pub(crate) fn answer(
    client: &Client,
    answer: AnswerArg,
    question: Option<u32>,
    at: &StationArg,
    by: &str,
    json: bool,
) -> Done {
    let word = match answer {
        AnswerArg::Done => "done",
        AnswerArg::Yes => "yes",
        AnswerArg::No => "no",
    };
    if is_open(client, at)? {
        let mut body = json!({ "by": by, "answer": word });
        if let Some(seq) = question {
            body["seq"] = seq.into();
        }
        return told(client, "answer", at, body, json);
    }
    if question.is_some() {
        return Err(Failure::refused(
            "no job is under way at this station, and only its questions have numbers",
        ));
    }
    let word = if word == "no" { "no" } else { "done" };
    show::told(client, "answer", at.station.as_deref(), json!({ "by": by, "answer": word }), json)
}

fn is_open(client: &Client, at: &StationArg) -> Result<bool, Failure> {
    let look = client.get(&format!("/api/v1/stations/{}", client.station(at.station.as_deref())?))?;
    Ok(open(&look["job"]))
}

/// Whether a job of a snapshot is running or held.
pub(super) fn open(job: &Value) -> bool {
    matches!(job["state"].as_str(), Some("running" | "held"))
}

/// The job that is meant: "last", its id, or the beginning of exactly one.
pub(super) fn named(client: &Client, job: &str) -> Result<String, Failure> {
    show::id_meant("job", job, || {
        let all = client.get("/api/v1/jobs?limit=1000")?;
        let ids = all.as_array().into_iter().flatten();
        Ok(ids.filter_map(|job| job["id"].as_str().map(Into::into)).collect())
    })
}

/// A step again: by its number, its name or the beginning of it; the one at work if nothing is said.
pub(crate) fn redo(client: &Client, step: Option<&str>, at: &StationArg, by: &str, json: bool) -> Done {
    let Some(text) = step else { return told(client, "redo", at, json!({ "by": by }), json) };
    let look = client.get(&format!("/api/v1/stations/{}", client.station(at.station.as_deref())?))?;
    if !open(&look["job"]) {
        return Err(Failure::refused("no job is under way at this station"));
    }
    let steps = look["job"]["steps"].as_array().into_iter().flatten();
    let names: Vec<_> = steps.filter_map(|step| step["name"].as_str()).collect();
    let step = step_meant(&names, text).map_err(Failure::usage)? + 1;
    told(client, "redo", at, json!({ "by": by, "step": step }), json)
}

/// The last jobs.
pub(crate) fn list(client: &Client, json: bool) -> Done {
    let jobs = client.get("/api/v1/jobs?limit=20")?;
    if json {
        return show::json_out(&jobs);
    }
    let mut rows = vec![["job", "started", "state", "sheet", "lot", "title"].map(String::from).to_vec()];
    for job in jobs.as_array().into_iter().flatten() {
        let lot = job["lot"].as_str().unwrap_or("-").to_owned();
        let keys = [text(&job["id"]), when(&job["started"]), text(&job["state"]), text(&job["sheet"])];
        rows.push(keys.into_iter().chain([lot, text(&job["title"])]).collect());
    }
    super::say::say(&table(&rows));
    Ok(())
}

/// One job with its steps as they came.
pub(crate) fn one(client: &Client, id: &str, json: bool) -> Done {
    let job = client.get(&format!("/api/v1/jobs/{}", escape(&named(client, id)?)))?;
    if json {
        return show::json_out(&job);
    }
    line(format!("job       {}", text(&job["id"])));
    line(format!("title     {}", text(&job["title"])));
    line(format!("sheet     {} on {}", text(&job["sheet"]), text(&job["base"])));
    for (key, label) in [("lot", "lot"), ("customer", "customer"), ("continues", "continues")] {
        if let Some(value) = job[key].as_str() {
            line(format!("{label:<10}{value}"));
        }
    }
    line(format!("started   {} by {}", when(&job["started"]), text(&job["started_by"])));
    let cause = job["cause"].as_str().map(|c| format!(": {c}")).unwrap_or_default();
    line(format!("state     {}{cause}", text(&job["state"])));
    line("");
    let mut tries = HashMap::new();
    for step in job["steps"].as_array().into_iter().flatten() {
        let attempt = tries.entry(step["sheet_step"].as_u64()).or_insert(0);
        *attempt += 1;
        let mut said = format!("{:>3} {}{}", step["sheet_step"], text(&step["name"]), tried(*attempt));
        said.push_str(&step["tank"].as_str().map(|t| format!(" in {t}")).unwrap_or_default());
        said.push_str(&format!(": {}", step["outcome"].as_str().unwrap_or("at work")));
        said.push_str(&step["by"].as_str().map(|by| format!(" by {by}")).unwrap_or_default());
        said.push_str(&step["reason"].as_str().map(|why| format!(": {why}")).unwrap_or_default());
        said.push_str(&step["run"].as_str().map(|run| format!(" (run {run})")).unwrap_or_default());
        wrap(&said, 4, WIDTH).iter().for_each(line);
    }
    Ok(())
}

/// The whole job in virtual time, with an operator who does everything at once and well.
pub(crate) fn rehearsal(
    common: &Common,
    station: Option<&str>,
    request: SheetRequest,
    seed: u64,
    units: Units,
) -> Done {
    let setup = setup::good(common)?;
    let (made, sheet, base) = sheet::made(&setup, station, request, units)?;
    let station = setup.station(station)?;
    let plan = JobPlan::new(&made, &sheet, base.name());
    line(format!("rehearsing on the mimic, in virtual time: {}", plan.title));
    let vessel = |order: &_| setup.config.vessel(order);
    let played = rehearse_job_in(plan, &setup::controller(station), station.poll, seed, vessel)
        .map_err(Failure::refused)?;
    for (at, sentence) in &played.story {
        let stamp = format!("{:>12}  ", seconds(at.as_secs_f64()));
        let lines = wrap(sentence, 0, WIDTH - 14);
        for (n, text) in lines.iter().enumerate() {
            line(format!("{}{text}", if n == 0 { stamp.as_str() } else { "              " }));
        }
    }
    line("");
    for (tank, charge) in &played.charges {
        line(format!("charge      {tank}: {}", Charge::new(*charge).show_in("A.min")));
    }
    line("The mimic is a model: it shows the course of a job, not the look of your deposit.");
    match played.view.state {
        RunState::Complete => Ok(()),
        other => {
            let why = played.view.cause.clone().unwrap_or(played.view.say);
            Err(Failure::refused(format!("{}: {why}", other.name())))
        }
    }
}

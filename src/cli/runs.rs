//! One run or one job: its record, its sign-off, and whether anything on record was changed.

use super::args::{Common, RunsDeed};
use super::client::Client;
use super::follow::text;
use super::say::{line, say, when};
use super::setup;
use super::show::{self, json_out, record};
use crate::draw::record::{Found, tried};
use crate::host::{Done, Failure};
use crate::ledger::{Reader, Verdict};
use crate::quantity::{Length, Units};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

/// The id of the run that is meant.
pub(super) fn run_id(client: &Client, id: &str) -> Result<String, Failure> {
    show::run_id(id, || show::known_ids(client))
}

/// Of what the record is: `runs` or `jobs` as in the API's paths, and the id.
fn run_or_job(client: &Client, text: &str) -> Result<(&'static str, String), Failure> {
    if text == "last" {
        return Ok(("runs", run_id(client, text)?));
    }
    if text == "last-job" {
        return Ok(("jobs", super::job::named(client, "last")?));
    }
    let known = || {
        let jobs = client.get("/api/v1/jobs?limit=1000")?;
        let jobs = jobs.as_array().into_iter().flatten().filter_map(|j| j["id"].as_str().map(Into::into));
        Ok(show::known_ids(client)?.into_iter().chain(jobs).collect())
    };
    let id = show::run_id(text, known)?;
    let is_job = client.get(&format!("/api/v1/jobs/{id}")).is_ok();
    Ok((if is_job { "jobs" } else { "runs" }, id))
}

/// How a record is wanted.
pub(crate) enum Form<'a> {
    Lines,
    Json,
    Csv,
    Html(&'a Path),
}

pub(crate) fn report(client: &Client, id: &str, form: &Form<'_>, units: Units) -> Done {
    let (what, id) = run_or_job(client, id)?;
    let path = format!("/api/v1/{what}/{id}");
    match form {
        Form::Lines if what == "jobs" => {
            super::job::one(client, &id, false)?;
            let kept = client.get(&format!("{path}/record.json"))?;
            say(&later(&kept));
            say(&deposits(&kept, units));
            line("");
            line("deviations");
            let mut any = false;
            for remark in kept["deviations"].as_array().into_iter().flatten() {
                any = true;
                let by = remark["by"].as_str().map_or(String::new(), |by| format!("{by}: "));
                let said = format!("  {}  {by}{}", text(&remark["at"]), text(&remark["text"]));
                super::say::wrap(&said, 4, 100).iter().for_each(line);
            }
            if !any {
                line("  none on record");
            }
        }
        Form::Csv => say(&client.get_text(&format!("{path}/record.csv"))?),
        Form::Json => json_out(&client.get(&format!("{path}/record.json"))?)?,
        Form::Html(file) => {
            let units = if units == Units::Us { "us" } else { "metric" };
            let page = client.get_text(&format!("{path}/record.html?units={units}"))?;
            if file.as_os_str() == "-" {
                say(&page);
            } else {
                write(file, &page)?;
                line(format!("{}: open it in a browser to print it", file.display()));
            }
        }
        Form::Lines => {
            let run = client.get(&path)?;
            say(&record(&run, units));
            let kept = client.get(&format!("{path}/record.json"))?;
            if let Some(found) = measured(&kept["steps"][0], units) {
                line(format!("measured   {found}"));
            }
            say(&later(&kept));
            for event in run["events"].as_array().into_iter().flatten() {
                line(format!("  {}  {}: {}", when(&event["at"]), text(&event["kind"]), text(&event["text"])));
            }
        }
    }
    Ok(())
}

/// What was measured on the parts of a step of a record, in the words of the page.
fn measured(step: &Value, units: Units) -> Option<String> {
    let found = serde_json::from_value::<Option<Found>>(step["measured"].clone()).ok()??;
    Some(found.text(units))
}

/// Each deposit of a job: what its charge should have made, and what was measured.
fn deposits(kept: &Value, units: Units) -> String {
    let mut out = String::new();
    for step in kept["steps"].as_array().into_iter().flatten() {
        let made = &step["run"]["thickness"];
        let Some(mean) = made["mean_meters"].as_f64() else { continue };
        if out.is_empty() {
            out.push_str("\ndeposits\n");
        }
        let found = measured(step, units).unwrap_or_else(|| "no".into());
        let said = format!(
            "{} {}{}: mean {} of {} by charge and efficiency; measured: {found}",
            step["sheet_step"],
            text(&step["name"]),
            tried(step["attempt"].as_u64().and_then(|n| n.try_into().ok()).unwrap_or(1)),
            Length::new(mean).show(units),
            text(&made["metal"]),
        );
        super::say::wrap(&said, 4, 100).iter().for_each(|l| out.push_str(&format!("{l}\n")));
    }
    out
}

/// What was entered on a record, and its seal, in lines.
fn later(kept: &Value) -> String {
    let mut rows = Vec::new();
    for (name, key) in [("lot", "lot"), ("customer", "customer")] {
        rows.extend(kept[key].as_str().map(|v| (name, v.to_owned())));
    }
    for signature in kept["signatures"].as_array().into_iter().flatten() {
        let remark = signature["remark"].as_str().map(|r| format!(": {r}")).unwrap_or_default();
        rows.push(("signed", format!("{} by {}{remark}", when(&signature["at"]), text(&signature["by"]))));
    }
    let of_job = kept["job"].is_object();
    let seal = if of_job { &kept["job"]["seal"] } else { &kept["steps"][0]["run"]["seal"] };
    if let Some(hash) = seal["hash"].as_str() {
        let later = if seal["later"] == true { ", later than at the end" } else { "" };
        rows.push(("sealed", format!("entry {}{later}, {hash}", seal["seq"])));
    }
    rows.iter().map(|(name, value)| format!("{name:<11}{value}\n")).collect()
}

#[expect(clippy::disallowed_methods, reason = "a person asked for a file")]
fn write(file: &Path, page: &str) -> Done {
    std::fs::write(file, page).map_err(|e| Failure::refused(format!("{}: {e}", file.display())))
}

/// Sign-off and amendments go to the daemon, which alone writes the ledger; the check reads the file itself.
pub(crate) fn deed(client: &Client, deed: &RunsDeed, operator: &str, json: bool) -> Done {
    let (id, what, body) = match deed {
        RunsDeed::Measure(args) => return super::findings::measure(client, args, operator, json),
        RunsDeed::Sign { run, by, remark } => {
            (run, "sign", json!({ "by": by.as_deref().unwrap_or(operator), "remark": remark }))
        }
        RunsDeed::Amend { run, lot, customer, note, why, by } => {
            let by = by.as_deref().unwrap_or(operator);
            (run, "amend", json!({ "by": by, "lot": lot, "customer": customer, "note": note, "why": why }))
        }
        RunsDeed::Verify { .. } => {
            return Err(Failure::bug("verify needs no daemon and was not taken first"));
        }
    };
    let (of, id) = run_or_job(client, id)?;
    let answer = client.post(&format!("/api/v1/{of}/{id}/{what}"), &body)?;
    if json {
        return json_out(&answer);
    }
    line(text(&answer["said"]));
    Ok(())
}

/// Walks the chain in the ledger's file, daemon or no daemon.
pub(crate) fn verify(
    common: &Common,
    since: Option<&str>,
    head: Option<&str>,
    ledger: Option<&PathBuf>,
) -> Done {
    let file = match ledger {
        Some(file) => file.clone(),
        None => setup::good(common)?.config.daemon.state.join("ledger.sqlite"),
    };
    if let Some(since) = since
        && since.get(..10).is_none_or(|day| day.parse::<jiff::civil::Date>().is_err())
    {
        return Err(Failure::usage(format!("--since {since:?} is no date: write it as 2026-11-01")));
    }
    let verdict = Reader::new(&file)
        .verify(since, head)
        .map_err(|e| Failure::ledger(format!("{}: {e}", file.display())))?;
    if common.json {
        json_out(&json!(verdict))?;
    } else {
        say(&told(&verdict));
    }
    match verdict.faults.len() {
        0 => Ok(()),
        1 => {
            Err(Failure::data("1 thing on record does not fit; keep the file as it is and look at a backup"))
        }
        n => Err(Failure::data(format!(
            "{n} things on record do not fit; keep the file as it is and look at a backup"
        ))),
    }
}

fn told(verdict: &Verdict) -> String {
    let mut out = String::new();
    for fault in &verdict.faults {
        let run = fault.run.as_deref().map(|run| format!("run {run}"));
        let job = fault.job.as_deref().map(|job| format!("job {job}"));
        let run = run.or(job).unwrap_or_else(|| "the chain".into());
        let place = fault.seq.map_or(String::new(), |seq| format!(" (entry {seq})"));
        out += &format!("{run}{place}: {}\n", fault.what);
    }
    let plural =
        |n: u64, one: &str, many: &str| if n == 1 { format!("1 {one}") } else { format!("{n} {many}") };
    out += &format!(
        "{}, {} and {} hashed again: {}\n",
        plural(verdict.entries, "entry", "entries"),
        plural(verdict.runs, "run", "runs"),
        plural(verdict.jobs, "job", "jobs"),
        if verdict.faults.is_empty() {
            "nothing was changed since it was sealed"
        } else {
            "not as it was sealed"
        }
    );
    if verdict.later > 0 {
        out += &format!(
            "{} sealed later than at the end: what was changed before that does not show\n",
            plural(verdict.later, "record was", "records were")
        );
    }
    if verdict.waiting > 0 {
        out += &format!(
            "{} from before there were such seals: the daemon seals them when it has nothing else to do\n",
            plural(verdict.waiting, "record is", "records are")
        );
    }
    if let Some(head) = &verdict.head {
        out += &format!("head {head}\n");
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn step(attempt: u32, measured: Value) -> Value {
        json!({"sheet_step": 4, "attempt": attempt, "name": "nickel", "measured": measured,
               "run": {"thickness": {"mean_meters": 2.1e-6, "metal": "Ni"}}})
    }

    #[test]
    fn report_of_a_job_says_what_was_measured_beside_what_was_predicted() {
        let weighed = json!({"places": 0, "least_meters": null, "most_meters": null, "mean_meters": 2.02e-6,
                             "efficiency": 0.974, "efficiency_by": "weight", "efficiency_counts": true});
        let dip = json!({"sheet_step": 3, "attempt": 1, "name": "dip", "measured": null, "run": null});
        let kept = json!({"steps": [dip, step(1, Value::Null), step(2, weighed)]});
        assert_eq!(
            deposits(&kept, Units::Metric),
            "\ndeposits\n4 nickel: mean 2.1 µm of Ni by charge and efficiency; measured: no\n\
             4 nickel (second try): mean 2.1 µm of Ni by charge and efficiency; measured: mean 2.02 µm by weight;\n    \
             efficiency 97.4 % by weight\n"
        );
        assert_eq!(deposits(&json!({"steps": []}), Units::Metric), "");
    }
}

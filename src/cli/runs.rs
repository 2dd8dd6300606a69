//! One run: its record, its sign-off, and whether anything on record was changed.

use super::args::{Common, RunsDeed};
use super::client::Client;
use super::follow::text;
use super::say::{line, say, when};
use super::setup;
use super::show::{self, json_out, record};
use crate::host::{Done, Failure};
use crate::ledger::{Reader, Verdict};
use crate::quantity::Units;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

/// The id of the run that is meant.
pub(super) fn run_id(client: &Client, id: &str) -> Result<String, Failure> {
    show::run_id(id, || show::known_ids(client))
}

/// How a record is wanted.
pub(crate) enum Form<'a> {
    Lines,
    Json,
    Csv,
    Html(&'a Path),
}

pub(crate) fn report(client: &Client, id: &str, form: &Form<'_>, units: Units) -> Done {
    let id = run_id(client, id)?;
    let path = format!("/api/v1/runs/{id}");
    match form {
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
            say(&later(&kept));
            for event in run["events"].as_array().into_iter().flatten() {
                line(format!("  {}  {}: {}", when(&event["at"]), text(&event["kind"]), text(&event["text"])));
            }
        }
    }
    Ok(())
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
    let seal = &kept["steps"][0]["run"]["seal"];
    if let Some(hash) = seal["hash"].as_str() {
        let later = if seal["later"] == true { ", later than at the run's end" } else { "" };
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
    let id = run_id(client, id)?;
    let answer = client.post(&format!("/api/v1/runs/{id}/{what}"), &body)?;
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
        let run = fault.run.as_deref().map_or("the chain".into(), |run| format!("run {run}"));
        let place = fault.seq.map_or(String::new(), |seq| format!(" (entry {seq})"));
        out += &format!("{run}{place}: {}\n", fault.what);
    }
    let plural =
        |n: u64, one: &str, many: &str| if n == 1 { format!("1 {one}") } else { format!("{n} {many}") };
    out += &format!(
        "{}, {} hashed again: {}\n",
        plural(verdict.entries, "entry", "entries"),
        plural(verdict.runs, "run", "runs"),
        if verdict.faults.is_empty() {
            "nothing was changed since it was sealed"
        } else {
            "not as it was sealed"
        }
    );
    if verdict.later > 0 {
        out += &format!(
            "{} sealed later than at the end: what was changed before that does not show\n",
            plural(verdict.later, "run was", "runs were")
        );
    }
    if verdict.waiting > 0 {
        out += &format!(
            "{} from before there were seals: the daemon seals them when it has nothing else to do\n",
            plural(verdict.waiting, "run is", "runs are")
        );
    }
    if let Some(head) = &verdict.head {
        out += &format!("head {head}\n");
    }
    out
}

//! `replay`: a record through today's watches.

use super::args::{Common, ReplayArgs, ReplayFormat};
use super::client::Client;
use super::say::{hint, line, say};
use super::setup::{self, Setup};
use super::show::{json_out, known_ids, run_id};
use crate::bath::{self, Agitation};
use crate::host::{Done, Failure};
use crate::ledger::Reader;
use crate::part::Part;
use crate::plan::Order;
use crate::quantity::Area;
use crate::station::{Replay, ReplayLoad, ReplayRow, as_csv, as_text, not_at_work, parse_csv, replay};
use crate::watch::Settings;
use serde_json::{Value, json};

pub(crate) fn replay_verb(client: &Client, common: &Common, args: &ReplayArgs) -> Done {
    let setup = if setup::is_there(common) { Some(setup::good(common)?) } else { None };
    let mut all = Vec::new();
    if args.csv.is_empty() {
        let run = fetch(client, setup.as_ref(), args.run.as_deref().unwrap_or("last"))?;
        let known =
            |name: &&str| setup.as_ref().is_some_and(|s| s.config.stations.iter().any(|t| t.name == **name));
        let station = args.station.as_deref().or(run.station.as_deref().filter(known));
        let settings = settings(setup.as_ref(), station)?;
        all.push((run.id.clone(), replay(&run.rows()?, &settings, &run.load)));
    } else {
        let settings = settings(setup.as_ref(), args.station.as_deref())?;
        let load = load(args, setup.as_ref())?;
        let mut wrong = Vec::new();
        for path in &args.csv {
            let shown = path.display().to_string();
            let text = setup::read(path).map_err(|e| Failure::config(format!("{shown}: {e}")))?;
            match parse_csv(&text) {
                Ok(rows) => all.push((shown, replay(&rows, &settings, &load))),
                Err(errors) => wrong.extend(errors.iter().map(|e| format!("{shown}: {e}"))),
            }
        }
        if !wrong.is_empty() {
            return Err(Failure::config(wrong.join("\n")));
        }
    }
    if common.json {
        return json_out(&all.iter().map(|(name, r)| in_json(name, r)).collect());
    }
    if args.format == ReplayFormat::Csv {
        line("file,t_s,class");
        all.iter().for_each(|(name, r)| say(&as_csv(name, r)));
        return Ok(());
    }
    if setup.is_none() {
        line("by the watches as shipped; for a station's own give its config with --config");
    }
    for (name, r) in &all {
        line(format!("{name}:"));
        say(&as_text(r));
    }
    Ok(())
}

fn in_json(name: &str, r: &Replay) -> Value {
    json!({
        "file": name,
        "raised": r.raised.iter()
            .map(|a| json!({"t_s": a.seconds, "class": a.kind.name(), "text": a.text}))
            .collect::<Vec<_>>(),
        "cannot_judge": r.cannot_judge.iter()
            .map(|(kind, why)| json!({"class": kind.name(), "why": why}))
            .collect::<Vec<_>>(),
        "passed_over": r.passed_over,
    })
}

/// The watches of that station; without a config, those of the manual.
fn settings(setup: Option<&Setup>, station: Option<&str>) -> Result<Settings, Failure> {
    match (setup, station) {
        (Some(setup), name) if name.is_some() || setup.config.stations.len() == 1 => {
            Ok(setup.station(name)?.watches.clone())
        }
        (None, Some(name)) => Err(Failure::usage(format!("--station {name}: give its config with --config"))),
        _ => Ok(Settings::default()),
    }
}

/// A run of the ledger.
struct Recorded {
    id: String,
    station: Option<String>,
    readings: Value,
    stages: Value,
    order: Order,
    load: ReplayLoad,
}

/// From the daemon; where none answers, from the ledger itself.
fn fetch(client: &Client, setup: Option<&Setup>, id: &str) -> Result<Recorded, Failure> {
    let (run, readings) = match from_daemon(client, id) {
        Err(failure) if failure.code == 69 => match setup {
            Some(setup) => from_ledger(setup, id)?,
            None => return Err(failure),
        },
        answer => answer?,
    };
    let text = run["order_json"].as_str().unwrap_or_default();
    let order: Order = serde_json::from_str(text)
        .map_err(|e| Failure::refused(format!("the order of this run cannot be read any more: {e}")))?;
    let load = ReplayLoad::of(&order);
    Ok(Recorded {
        id: run["id"].as_str().unwrap_or(id).into(),
        station: run["station"].as_str().map(Into::into),
        stages: run["stages"].clone(),
        readings,
        order,
        load,
    })
}

fn from_daemon(client: &Client, id: &str) -> Result<(Value, Value), Failure> {
    let id = run_id(id, || known_ids(client))?;
    Ok((client.get(&format!("/api/v1/runs/{id}"))?, client.get(&format!("/api/v1/runs/{id}/readings"))?))
}

fn from_ledger(setup: &Setup, id: &str) -> Result<(Value, Value), Failure> {
    let failed = |e: crate::ledger::LedgerError| Failure::ledger(e.to_string());
    let bug = |e: serde_json::Error| Failure::bug(e.to_string());
    let reader = Reader::new(&setup.config.daemon.state.join("ledger.sqlite"));
    let known = || Ok(reader.runs(1000, None).map_err(failed)?.into_iter().map(|row| row.id).collect());
    let id = run_id(id, known)?;
    let row = reader.run(&id).map_err(failed)?.ok_or_else(|| {
        Failure::refused(format!("there is no run {id:?}; \"{}\" lists them", hint("runs")))
    })?;
    let mut run = serde_json::to_value(&row).map_err(bug)?;
    run["stages"] = serde_json::to_value(reader.stages(&row.id).map_err(failed)?).map_err(bug)?;
    let readings = serde_json::to_value(reader.readings(&row.id).map_err(failed)?).map_err(bug)?;
    Ok((run, readings))
}

impl Recorded {
    /// As the replay wants it.
    fn rows(&self) -> Result<Vec<ReplayRow>, Failure> {
        let readings = self.readings.as_array().map_or(&[][..], Vec::as_slice);
        let stages = self.stages.as_array().map_or(&[][..], Vec::as_slice).iter();
        let stages = stages.filter_map(|s| Some((s["seconds"].as_f64()?, s["phase"].as_str()?)));
        let number = |r: &Value, key: &str| {
            r[key].as_f64().ok_or_else(|| Failure::refused(format!("a recorded reading has no {key}")))
        };
        let mut rows = Vec::with_capacity(readings.len());
        for r in readings {
            rows.push(ReplayRow {
                seconds: number(r, "seconds")?,
                volts: number(r, "volts")?,
                amps: number(r, "amperes")?,
                set_amps: number(r, "setpoint_amperes")?,
                // Records of before schema 3 have no ceiling: the order's own stands in.
                set_volts: r["ceiling_volts"].as_f64().unwrap_or(self.order.control.max_volts().get()),
                celsius: r["bath_celsius"].as_f64(),
            });
        }
        not_at_work(&mut rows, stages);
        Ok(rows)
    }
}

/// What flags say of a load that came as CSV.
fn load(args: &ReplayArgs, setup: Option<&Setup>) -> Result<ReplayLoad, Failure> {
    let agitation = Agitation::named(&args.agitation).ok_or_else(|| {
        Failure::usage(format!("--agitation {:?}: still, rod, air or vigorous", args.agitation))
    })?;
    let usage = |flag: &str, e: &dyn std::fmt::Display| Failure::usage(format!("--{flag}: {e}"));
    let area: Option<Area> =
        args.area.as_ref().map(|t| t.parse()).transpose().map_err(|e| usage("area", &e))?;
    let part: Option<Part> =
        args.shape.as_ref().map(|t| t.parse()).transpose().map_err(|e| usage("shape", &e))?;
    let shipped = bath::shipped();
    let baths = setup.map_or(&shipped[..], |s| &s.config.baths[..]);
    ReplayLoad::told(baths, args.bath.as_deref(), area, part, agitation).map_err(|(flag, e)| usage(flag, &e))
}

//! `plan`, `rehearse` and `start`: the verbs that take an order.

use super::args::{Common, OrderArgs};
use super::client::Client;
use super::order::request;
use super::say::{line, say, seconds};
use super::setup::{self, Setup};
use super::show;
use crate::config::Station;
use crate::host::{Done, Failure};
use crate::mimic::Script;
use crate::plan::{Plan, Request};
use crate::quantity::{Charge, Length, Units};
use crate::run::RunState;
use crate::serve::plan_for;
use crate::station::{Rehearsal, Staging, rehearse_in};
use serde_json::{Value, json};
use std::path::Path;

/// Prints the worksheet. With a config it is worked out here; without one, the daemon is asked.
pub(crate) fn plan(client: &Client, common: &Common, args: &OrderArgs, units: Units) -> Done {
    let request = request(args)?;
    if !setup::is_there(common) {
        let body = json!({ "station": args.station, "request": in_json(&request)? });
        let answer = client.post("/api/v1/plan", &body)?;
        if common.json {
            return show::json_out(&answer);
        }
        say(answer["text"].as_str().unwrap_or_default());
        return Ok(());
    }
    let setup = setup::good(common)?;
    let station = setup.station(args.station.as_deref())?;
    let mut plan = made(&setup, station, &request, units)?;
    plan.worksheet.warnings.extend(setup.supply_warning(&station.name));
    if common.json {
        return show::json_out(&serde_json::to_value(&plan).map_err(|e| Failure::bug(e.to_string()))?);
    }
    say(&plan.worksheet.text());
    Ok(())
}

/// The order against the mimic, in virtual time.
pub(crate) fn rehearsal(
    common: &Common,
    args: &OrderArgs,
    seed: u64,
    faults: Option<&Path>,
    units: Units,
) -> Done {
    let request = request(args)?;
    let setup = setup::good(common)?;
    let station = setup.station(args.station.as_deref())?;
    let order = made(&setup, station, &request, units)?.order;
    let script = faults.map_or(Ok(Script::default()), super::mimic::script)?;
    let staging = Staging { seed, faults: script };
    let vessel = setup.config.vessel(&order).ok_or_else(|| Failure::bug("the tank of the order is gone"))?;
    line(format!("rehearsing on the mimic, in virtual time: {}", order.title));
    let played = rehearse_in(order, setup::controller(station), vessel, station.poll, &staging);
    tell(&played, units);
    match &played.outcome {
        Some(end) if end.state == RunState::Complete => Ok(()),
        Some(end) => Err(Failure::refused(format!("{}: {}", end.state.name(), end.cause))),
        None => Err(Failure::refused("it did not end within two days of virtual time")),
    }
}

fn made(setup: &Setup, station: &Station, request: &Request, units: Units) -> Result<Plan, Failure> {
    plan_for(&setup.config, station, request, &|tank| setup.own(tank), units).map_err(|reasons| {
        Failure::refused(format!("this cannot be done as asked:\n  {}", reasons.join("\n  ")))
    })
}

pub(super) fn in_json(request: &Request) -> Result<Value, Failure> {
    serde_json::to_value(request).map_err(|e| Failure::bug(e.to_string()))
}

fn tell(played: &Rehearsal, units: Units) {
    for (at, sentence) in &played.story {
        line(format!("{:>12}  {sentence}", seconds(at.as_secs_f64())));
    }
    let view = &played.view;
    let truth = &played.truth;
    line("");
    let charge = Charge::new(view.charge_coulombs);
    line(format!("charge      {} = {}", charge.show_in("A.min"), charge.show_in("A.h")));
    if let Some(metres) = view.thickness_meters {
        line(format!(
            "deposit     {} by charge; in the cell {} mean, {} at the edge",
            Length::new(metres).show(units),
            truth.thickness.show(units),
            truth.edge_thickness.show(units)
        ));
    }
    if view.unobserved_seconds > 0.0 {
        line(format!("unobserved  {}: no charge is counted for it", seconds(view.unobserved_seconds)));
    }
    let stairs: Vec<_> =
        played.story.iter().filter_map(|(at, s)| Some((at, s.strip_prefix("seeking: ")?))).collect();
    if !stairs.is_empty() {
        line("staircase   when, from and to, why");
        for (at, step) in stairs {
            line(format!("{:>12}  {step}", seconds(at.as_secs_f64())));
        }
    }
    if truth.burnt {
        line("burnt       the edge darkened in the cell");
    }
    line("The mimic is a model: it shows the course of a run, not the look of your deposit.");
}

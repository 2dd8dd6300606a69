//! `plan`, `rehearse` and `start`: the verbs that take an order.

use super::args::{Common, OrderArgs};
use super::client::Client;
use super::order::request;
use super::say::{line, say, seconds};
use super::setup::{self, Setup};
use super::show;
use crate::config::{Config, Station, TemperatureSource};
use crate::host::{Done, Failure};
use crate::mimic::{self, Bench, Chemistry, Script};
use crate::plan::{Order, Plan, Request};
use crate::quantity::{Charge, Length, Mono, Temperature, Units};
use crate::run::{BathNews, RunState};
use crate::serve::plan_for;
use crate::station::{Rehearsal, Visit, rehearse_with};
use serde_json::{Value, json};
use std::path::Path;
use std::time::Duration;

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
    let bench = Bench::new(bench(&setup.config, station, &order, seed, script)?, Mono::ZERO);
    line(format!("rehearsing on the mimic, in virtual time: {}", order.title));
    let tank = setup.config.tanks.iter().find(|t| t.name == order.tank);
    let thermometer = tank.is_some_and(|t| matches!(t.temperature, Some(TemperatureSource::File { .. })));
    let pump = tank.is_some_and(|t| t.agitation_sensor.is_some());
    // What the tank's sensors would tell, each second.
    let mut told = None;
    let played =
        rehearse_with(order, setup::controller(station), bench, station.poll, |bench, since, reading| {
            let due = told.is_none_or(|at| since.saturating_sub(at) >= Duration::from_secs(1));
            if due {
                told = Some(since);
            }
            let cell = bench.cell();
            let news = BathNews {
                temperature: thermometer.then(|| (Temperature::new(cell.temperature()), bench.now())),
                agitation: pump.then(|| (cell.agitation(), true)),
            };
            Visit { reading, bath: (due && (thermometer || pump)).then_some(news), stop: false }
        });
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

/// A cell like the tank, with that load in it.
pub(crate) fn bench(
    config: &Config,
    station: &Station,
    order: &Order,
    seed: u64,
    script: Script,
) -> Result<mimic::Setup, Failure> {
    let bath = config.baths.iter().find(|b| b.name == order.bath);
    let bath = bath.ok_or_else(|| Failure::bug(format!("bath {:?} is gone", order.bath)))?;
    let mut setup = mimic::Setup::new(Chemistry::of(bath));
    setup.seed = seed;
    setup.script = script;
    setup.area = order.area;
    setup.rating.max_amps = station.limits.max_amps.get();
    setup.rating.max_volts = station.limits.max_volts.get();
    if let Some(burn) = &order.burn {
        setup.edge_factor = burn.edge_factor;
    }
    if let Some(tank) = config.tanks.iter().find(|t| t.name == order.tank) {
        setup.agitation = tank.agitation;
        if let Some(TemperatureSource::Fixed(at)) = tank.temperature {
            setup.temperature = at;
        }
    }
    Ok(setup)
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

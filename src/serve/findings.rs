//! What was measured: baths analysed, Hull panels read, parts of a run measured or weighed.

use super::body::Body;
use super::own::PartFigures;
use super::problem::Problem;
use super::state::AppState;
use crate::bath::{self, Advice, Bath, Found, PanelRecord};
use crate::config::{Config, Tank};
use crate::deposit::{Measured, Method, ThicknessAt, Truth, Worked, metal, weights_text};
use crate::ledger::{FindingKind, FindingRow, RunRow};
use crate::plan::Order;
use crate::quantity::{Area, Charge, Length, Ratio, Units};
use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

/// Analyses shown and taken into the trend.
const MOST: u32 = 50;

fn bad(code: &'static str, text: impl Into<String>, errors: Vec<String>) -> Problem {
    Problem::new(StatusCode::UNPROCESSABLE_ENTITY, code, text).with_errors(errors)
}

/// The tank and its bath.
pub(super) fn known<'c>(config: Option<&'c Config>, tank: &str) -> Result<(&'c Tank, &'c Bath), Problem> {
    let config = config.ok_or_else(|| Problem::not_found("this daemon has no config to look tanks up in"))?;
    let Some(found) = config.tanks.iter().find(|t| t.name == tank) else {
        let names: Vec<_> = config.tanks.iter().map(|t| t.name.as_str()).collect();
        return Err(Problem::not_found(format!("there is no tank {tank:?}; there is: {}", names.join(", "))));
    };
    let bath = config.baths.iter().find(|b| b.name == found.bath);
    let bath = bath.ok_or_else(|| Problem::bug(format!("bath {:?} is gone", found.bath)))?;
    Ok((found, bath))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Entered {
    by: String,
    /// As a person writes it.
    entered: String,
    #[serde(default)]
    note: Option<String>,
    /// Work it out and write nothing.
    #[serde(default)]
    only_show: bool,
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) struct Trend {
    what: String,
    /// The change for each ampere-hour worked; `null`: fewer than two analyses that lie apart.
    per_ampere_hour: Option<f64>,
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) struct Analysed {
    tank: String,
    advice: Advice,
    trend: Vec<Trend>,
    /// The advice, a sentence or less each.
    lines: Vec<String>,
    /// The same in columns, with the analyses before it.
    text: String,
}

/// One analysis as it was written.
#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) struct Past {
    at: String,
    by: String,
    ampere_hours: f64,
    found: Vec<Found>,
    note: Option<String>,
}

/// Enters an analysis and answers with what to add.
pub(super) async fn analysis(
    State(app): State<AppState>,
    Path(tank): Path<String>,
    Body(body): Body<Entered>,
) -> Result<Json<Analysed>, Problem> {
    let (facts, bath) = known(app.planner.config(), &tank)?;
    let by = super::command::text("by", &body.by, 64)?;
    let entered = super::command::text("entered", &body.entered, 1000)?;
    let note = body.note.map(|note| super::command::text("note", &note, 500)).transpose()?;
    let found = bath::entered(bath, &entered)
        .map_err(|wrong| bad("not-possible", "this analysis cannot be read", wrong))?;
    let Some(volume) = facts.volume else {
        return Err(bad(
            "not-possible",
            format!("the volume of tank {tank} is not in the config: write volume = \"20 L\" there"),
            Vec::new(),
        ));
    };
    let advice = bath::advise(bath, &found, volume);
    if !body.only_show {
        let row = row(FindingKind::Analysis, &tank, bath, None, &entered, &found, by, note)?;
        app.write(move |h| h.found(&row, Vec::new())).await?;
    }
    let wanted = tank.clone();
    let past = app.read(move |h| h.findings(&wanted, FindingKind::Analysis, MOST)).await?;
    let past = read(&past, &bath.name);
    let units = app.facts.units;
    let trend: Vec<Trend> = found
        .iter()
        .map(|f| Trend { what: f.what.clone(), per_ampere_hour: bath::trend(&points(&past, &f.what)) })
        .collect();
    let (mut text, mut lines) = (advice.text(units), advice.lines(units));
    if past.len() < 2 {
        text.push_str(&format!("{ALONE}\n"));
        lines.push(ALONE.into());
    } else {
        text.push_str(&table(&past, &found, &trend));
    }
    Ok(Json(Analysed { tank, advice, trend, lines, text }))
}

/// Past analyses of a tank, newest first.
pub(super) async fn analyses(
    State(app): State<AppState>,
    Path(tank): Path<String>,
) -> Result<Json<Vec<Past>>, Problem> {
    let (facts, _) = known(app.planner.config(), &tank)?;
    let bath = facts.bath.clone();
    let past = app.read(move |h| h.findings(&tank, FindingKind::Analysis, MOST)).await?;
    Ok(Json(read(&past, &bath)))
}

fn read(rows: &[FindingRow], bath: &str) -> Vec<Past> {
    let same = rows.iter().filter(|row| row.bath == bath);
    same.filter_map(|row| {
        Some(Past {
            at: row.at.clone(),
            by: row.by.clone(),
            ampere_hours: row.tank_microcoulombs as f64 / 3.6e9,
            found: serde_json::from_str(&row.figures_json).ok()?,
            note: row.note.clone(),
        })
    })
    .collect()
}

fn points(past: &[Past], what: &str) -> Vec<(Charge, f64)> {
    let each = past.iter().filter_map(|p| {
        let value = p.found.iter().find(|f| f.what == what)?.value;
        Some((Charge::new(p.ampere_hours * 3600.0), value))
    });
    each.collect()
}

const ALONE: &str = "No earlier analysis of this bath to compare with.";

/// The last analyses under each other, and how each figure moves.
fn table(past: &[Past], found: &[Found], trend: &[Trend]) -> String {
    let mut out = String::from("\nEarlier                  ");
    found.iter().for_each(|f| out.push_str(&format!("{:>14}", short(&f.what))));
    out.push('\n');
    for p in past.iter().take(6) {
        out.push_str(&format!("{}  {:>9.1} A·h", p.at.split('T').next().unwrap_or_default(), p.ampere_hours));
        for f in found {
            let value = p.found.iter().find(|g| g.what == f.what).map(|g| (g.value * 100.0).round() / 100.0);
            out.push_str(&format!("{:>14}", value.map_or("-".into(), |v| v.to_string())));
        }
        out.push('\n');
    }
    out.push_str(&format!("{:<25}", "change in 100 A·h"));
    for t in trend {
        let shown = t.per_ampere_hour.map_or("-".into(), |s| format!("{:+.2}", s * 100.0));
        out.push_str(&format!("{shown:>14}"));
    }
    out.push_str("\nWhat was added in between is in the change.\n");
    out
}

fn short(what: &str) -> String {
    what.chars().take(13).collect()
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) struct Paneled {
    tank: String,
    panel: PanelRecord,
    /// What it says and what comes of it, a sentence or less each.
    lines: Vec<String>,
    /// The same, a line each.
    text: String,
}

/// Enters a Hull panel.
pub(super) async fn panel(
    State(app): State<AppState>,
    Path(tank): Path<String>,
    Body(body): Body<Entered>,
) -> Result<Json<Paneled>, Problem> {
    let (_, bath) = known(app.planner.config(), &tank)?;
    let by = super::command::text("by", &body.by, 64)?;
    let entered = super::command::text("entered", &body.entered, 1000)?;
    let note = body.note.map(|note| super::command::text("note", &note, 500)).transpose()?;
    let panel: PanelRecord = entered
        .parse()
        .map_err(|wrong: String| bad("not-possible", "this panel cannot be read", vec![wrong]))?;
    if bath.burn.is_none() {
        return Err(bad(
            "not-possible",
            format!("{} deposits nothing that could burn", bath.title),
            Vec::new(),
        ));
    }
    let units = app.facts.units;
    let mut lines = vec![panel.text(units)];
    if body.only_show {
        lines.push("Nothing was written.".into());
    } else {
        let row = row(FindingKind::Panel, &tank, bath, None, &entered, &panel, by, note)?;
        app.write(move |h| h.found(&row, Vec::new())).await?;
        lines.push(format!(
            "plan takes {} as where tank {tank} burns from now on, before the config's hull-panel and the bath file, \
             until the panel is due again; it can be taken back from the tank's log",
            panel.burn.show(units)
        ));
    }
    let text = lines.iter().map(|line| format!("{line}\n")).collect();
    Ok(Json(Paneled { tank, panel, lines, text }))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Reading {
    thickness: crate::quantity::Length,
    at: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Measure {
    by: String,
    #[serde(default)]
    readings: Vec<Reading>,
    #[serde(default)]
    method: Option<Method>,
    #[serde(default)]
    weight_before: Option<crate::quantity::Mass>,
    #[serde(default)]
    weight_after: Option<crate::quantity::Mass>,
    /// How many of the run's parts were on the scale.
    #[serde(default)]
    weighed: Option<u32>,
    #[serde(default)]
    area: Option<Area>,
    #[serde(default)]
    note: Option<String>,
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) struct MeasuredAnswer {
    run: String,
    tank: String,
    truth: Truth,
    text: String,
}

/// What was measured on the parts of a run that has ended.
pub(super) async fn measure(
    State(app): State<AppState>,
    Path(id): Path<String>,
    Body(body): Body<Measure>,
) -> Result<Json<MeasuredAnswer>, Problem> {
    let run = run_of(&app, &id).await?;
    let by = super::command::text("by", &body.by, 64)?;
    let note = body.note.as_deref().map(|note| super::command::text("note", note, 500)).transpose()?;
    if run.ended.is_none() {
        return Err(Problem::refused("this run still goes on: measure its parts when it has ended"));
    }
    let metal = run.metal.as_deref().and_then(metal);
    let Some(metal) = metal else {
        return Err(bad("not-possible", "nothing was deposited in this run", Vec::new()));
    };
    let weights = match (body.weight_before, body.weight_after) {
        (Some(before), Some(after)) => Some((before, after)),
        (None, None) => None,
        _ => {
            return Err(bad(
                "not-possible",
                "a weight before needs one after, and the other way round",
                Vec::new(),
            ));
        }
    };
    let mut readings = Vec::new();
    for r in &body.readings {
        readings.push(ThicknessAt { thickness: r.thickness, at: super::command::text("at", &r.at, 40)? });
    }
    let measured =
        Measured { readings, method: body.method, weights, weighed: body.weighed, area: body.area };
    let worked = Worked {
        metal,
        charge: Charge::new(run.charge_coulombs),
        area: Area::new(run.area_square_meters),
        parts: run.parts,
    };
    let mut truth = measured
        .truth(&worked)
        .map_err(|wrong| bad("not-possible", "this cannot be so; nothing was written", wrong))?;
    if run.unobserved_seconds > 0.0 {
        truth.efficiency_counts = false;
        truth.questions.push(format!(
            "{:.0} s of the run were not observed and their charge is not counted: the efficiency comes out high and \
             does not count for the tank.",
            run.unobserved_seconds
        ));
    }
    let order: Option<Order> = serde_json::from_str(&run.order_json).ok();
    let bath = order.as_ref().map_or(String::new(), |o| o.bath.clone());
    let edge_factor = order.as_ref().and_then(|o| o.burn).map(|b| b.edge_factor);
    let figures = PartFigures { truth: truth.clone(), edge_factor };
    let row = FindingRow {
        id: 0,
        at: String::new(),
        kind: FindingKind::Part,
        tank: run.tank.clone(),
        bath,
        run: Some(run.id.clone()),
        tank_microcoulombs: 0,
        entered: serde_json::to_string(&measured).map_err(|e| Problem::bug(e.to_string()))?,
        figures_json: serde_json::to_string(&figures).map_err(|e| Problem::bug(e.to_string()))?,
        by,
        note,
        undone: None,
    };
    let text = shown(&truth, app.facts.units);
    let lines = on_record(&measured, &truth, &text);
    app.write(move |h| h.found(&row, lines)).await?;
    Ok(Json(MeasuredAnswer { run: run.id, tank: run.tank, truth, text }))
}

/// What was measured, as it goes on the run's record: a line for each place, and one for what follows.
fn on_record(measured: &Measured, truth: &Truth, follows: &str) -> Vec<Value> {
    let method = measured.method.and_then(|m| serde_json::to_value(m).ok());
    let mut lines: Vec<_> = measured
        .readings
        .iter()
        .map(|r| json!({ "method": method, "thickness_meters": r.thickness.get(), "text": r.at }))
        .collect();
    if let Some((before, after)) = measured.weights {
        lines.push(json!({
            "method": "weight", "thickness_meters": null, "text": weights_text(before, after),
            "weight_before_grams": before.get(), "weight_after_grams": after.get(),
        }));
    }
    let follows = follows.split_whitespace().collect::<Vec<_>>().join(" ");
    lines.push(json!({
        "method": "worked out", "thickness_meters": null, "text": follows, "mean_meters": truth.mean.map(Length::get),
        "efficiency": truth.efficiency.map(Ratio::get), "efficiency_by": truth.efficiency_by,
        "efficiency_counts": truth.efficiency.map(|_| truth.efficiency_counts),
    }));
    lines
}

fn shown(truth: &Truth, units: Units) -> String {
    format!("{}\n", truth.text(units))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Undo {
    by: String,
}

#[derive(Serialize)]
pub(super) struct Said {
    said: String,
}

/// Takes the last measurement of a run's parts back.
pub(super) async fn unmeasure(
    State(app): State<AppState>,
    Path(id): Path<String>,
    Body(body): Body<Undo>,
) -> Result<Json<Said>, Problem> {
    let by = super::command::text("by", &body.by, 64)?;
    let run = run_of(&app, &id).await?;
    let all = app.read(move |h| h.findings_of_run(&run.id)).await?;
    let Some(last) = all.into_iter().rev().find(|row| row.undone.is_none()) else {
        return Err(Problem::new(
            StatusCode::CONFLICT,
            "refused",
            "nothing was measured on this run's parts",
        ));
    };
    let said =
        format!("the measurement of {} by {}: taken back; it stays on record as such", last.at, last.by);
    let text = said.clone();
    app.write(move |h| h.undo_finding(last.id, &by, &text)).await?;
    Ok(Json(Said { said }))
}

/// One measurement of a run's parts.
#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) struct Part {
    at: String,
    by: String,
    entered: Value,
    figures: Value,
    note: Option<String>,
    undone: Option<String>,
}

/// Everything measured on a run's parts, oldest first.
pub(super) async fn measured(
    State(app): State<AppState>,
    Path(id): Path<String>,
) -> Result<Json<Vec<Part>>, Problem> {
    let run = run_of(&app, &id).await?;
    let all = app.read(move |h| h.findings_of_run(&run.id)).await?;
    let part = |row: FindingRow| Part {
        entered: serde_json::from_str(&row.entered).unwrap_or_default(),
        figures: serde_json::from_str(&row.figures_json).unwrap_or_default(),
        at: row.at,
        by: row.by,
        note: row.note,
        undone: row.undone,
    };
    Ok(Json(all.into_iter().map(part).collect()))
}

pub(super) async fn run_of(app: &AppState, id: &str) -> Result<RunRow, Problem> {
    let wanted = id.to_owned();
    let found = app.read(move |h| h.run(&wanted)).await?;
    found.ok_or_else(|| Problem::not_found(format!("there is no run {id:?}")))
}

#[expect(
    clippy::too_many_arguments,
    reason = "a row has so many columns, and this is the one place they meet"
)]
fn row(
    kind: FindingKind,
    tank: &str,
    bath: &Bath,
    run: Option<String>,
    entered: &str,
    figures: &impl Serialize,
    by: String,
    note: Option<String>,
) -> Result<FindingRow, Problem> {
    Ok(FindingRow {
        id: 0,
        at: String::new(),
        kind,
        tank: tank.into(),
        bath: bath.name.clone(),
        run,
        tank_microcoulombs: 0,
        entered: entered.into(),
        figures_json: serde_json::to_string(figures).map_err(|e| Problem::bug(e.to_string()))?,
        by,
        note,
        undone: None,
    })
}

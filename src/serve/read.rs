//! What can be read: stations, runs, tanks, alarms, health, metrics.

use super::look::Look;
use super::metrics::CONTENT_TYPE;
use super::problem::Problem;
use super::state::{AppState, TankFacts};
use super::upkeep::{Due, due};
use crate::ledger::{AlarmRow, EventRow, ReadingRow, RunRow, StageRow, TankRow};
use crate::station::BathView;
use crate::watch::{self, AlarmState, Figures, JournalEntry};
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::time::Duration;

const MOST_ROWS: u32 = 1000;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Page {
    #[serde(default)]
    limit: Option<u32>,
    #[serde(default)]
    before: Option<String>,
}

pub(super) fn page(query: Result<Query<Page>, QueryRejection>) -> Result<(u32, Option<String>), Problem> {
    let bad = |text: String| Problem::new(StatusCode::BAD_REQUEST, "bad-query", text);
    let Query(page) = query.map_err(|e| bad(e.body_text()))?;
    let limit = page.limit.unwrap_or(50);
    if !(1..=MOST_ROWS).contains(&limit) {
        return Err(bad(format!("limit: 1 to {MOST_ROWS}")));
    }
    Ok((limit, page.before))
}

pub(super) async fn stations(State(app): State<AppState>) -> Json<Vec<Look>> {
    Json(app.stations.iter().map(|w| w.look()).collect())
}

pub(super) async fn station(
    State(app): State<AppState>,
    Path(name): Path<String>,
) -> Result<Json<Look>, Problem> {
    Ok(Json(app.station(&name)?.look()))
}

pub(super) async fn runs(
    State(app): State<AppState>,
    query: Result<Query<Page>, QueryRejection>,
) -> Result<Json<Vec<RunRow>>, Problem> {
    let (limit, before) = page(query)?;
    Ok(Json(app.read(move |h| h.runs(limit, before.as_deref())).await?))
}

#[derive(Serialize)]
pub(super) struct RunWithEvents {
    #[serde(flatten)]
    run: RunRow,
    events: Vec<EventRow>,
    /// Stages as they came.
    stages: Vec<StageRow>,
}

pub(super) async fn run(
    State(app): State<AppState>,
    Path(id): Path<String>,
) -> Result<Json<RunWithEvents>, Problem> {
    let wanted = id.clone();
    let found = app
        .read(move |h| {
            let Some(run) = h.run(&wanted)? else { return Ok(None) };
            let events = h.events(&wanted, MOST_ROWS)?;
            let stages = h.stages(&wanted)?;
            Ok(Some(RunWithEvents { run, events, stages }))
        })
        .await?;
    found.map(Json).ok_or_else(|| Problem::not_found(format!("there is no run {id:?}")))
}

pub(super) async fn readings(
    State(app): State<AppState>,
    Path(id): Path<String>,
) -> Result<Json<Vec<ReadingRow>>, Problem> {
    let wanted = id.clone();
    let found = app
        .read(move |h| if h.run(&wanted)?.is_some() { h.readings(&wanted).map(Some) } else { Ok(None) })
        .await?;
    found.map(Json).ok_or_else(|| Problem::not_found(format!("there is no run {id:?}")))
}

#[derive(Serialize)]
pub(super) struct TankLine {
    #[serde(flatten)]
    facts: TankFacts,
    charge_coulombs: f64,
    charge_ampere_hours: f64,
    unobserved_seconds: f64,
    runs: u64,
    /// The bath's temperature, where one is known and not old.
    temperature_celsius: Option<f64>,
    /// What falls due in it.
    upkeep: Vec<Due>,
    /// All that is known of the bath, with its age and who says so.
    known: Option<BathView>,
}

pub(super) async fn tanks(State(app): State<AppState>) -> Result<Json<Vec<TankLine>>, Problem> {
    let rows = accounts(&app).await?;
    let due = due(&app, &rows).await?;
    let line = |row: &TankRow| {
        let facts = app.facts.tanks.iter().find(|t| t.tank == row.tank).cloned();
        TankLine {
            // A tank that left the config keeps its account.
            facts: facts.unwrap_or_else(|| TankFacts {
                tank: row.tank.clone(),
                bath: String::new(),
                volume_liters: None,
            }),
            charge_coulombs: row.charge_coulombs,
            charge_ampere_hours: row.charge_coulombs / 3600.0,
            unobserved_seconds: row.unobserved_seconds,
            runs: row.runs,
            upkeep: due.iter().filter(|d| d.tank == row.tank).cloned().collect(),
            temperature_celsius: app.baths.view(&row.tank).and_then(|v| v.fresh_celsius()),
            known: app.baths.view(&row.tank),
        }
    };
    Ok(Json(rows.iter().map(line).collect()))
}

/// The ledger's accounts, brought up to what a running station has seen since,
/// and an empty one for each tank that never worked.
pub(super) async fn accounts(app: &AppState) -> Result<Vec<TankRow>, Problem> {
    let mut rows = app.read(|h| h.tanks()).await?;
    for facts in &app.facts.tanks {
        if !rows.iter().any(|row| row.tank == facts.tank) {
            rows.push(TankRow {
                tank: facts.tank.clone(),
                charge_coulombs: 0.0,
                charge_microcoulombs: 0,
                unobserved_seconds: 0.0,
                runs: 0,
            });
        }
    }
    for tank in app.stations.iter().filter_map(|w| w.handle.snapshot().tank.clone()) {
        if let Some(row) = rows.iter_mut().find(|row| row.tank == tank.name) {
            row.charge_coulombs = row.charge_coulombs.max(tank.charge_coulombs);
            row.unobserved_seconds = row.unobserved_seconds.max(tank.unobserved_seconds);
        }
    }
    Ok(rows)
}

#[derive(Serialize)]
pub(super) struct Alarms {
    /// Those that are not normal, with the station.
    now: Vec<Value>,
    /// The journal, newest first.
    journal: Vec<AlarmRow>,
}

pub(super) async fn alarms(
    State(app): State<AppState>,
    query: Result<Query<Page>, QueryRejection>,
) -> Result<Json<Alarms>, Problem> {
    let (limit, _) = page(query)?;
    let journal = app.read(move |h| h.alarms(limit)).await?;
    let now = app
        .stations
        .iter()
        .flat_map(|w| {
            let station = w.handle.name().to_owned();
            w.look().snapshot.alarms.into_iter().map(move |alarm| json!({"station": station, "alarm": alarm}))
        })
        .collect();
    Ok(Json(Alarms { now, journal }))
}

/// One watch explained, whatever its alarm does.
pub(super) async fn help(Path(watch): Path<String>) -> Result<Json<Value>, Problem> {
    let kind = super::command::kind(&watch)?;
    let help = kind.help();
    Ok(Json(json!({
        "watch": kind.name(), "cause": help.cause, "consequence": help.consequence, "remedy": help.remedy,
        "minutes": help.minutes, "unseen": help.unseen,
    })))
}

/// So many rows of the journal at most are worked into figures; a bench raises far fewer in a year.
const MOST_CHANGES: u32 = 200_000;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Lately {
    #[serde(default)]
    days: Option<u32>,
}

#[derive(Serialize)]
pub(super) struct FiguresAnswer {
    days: u32,
    /// From when, RFC 3339 UTC.
    from: String,
    #[serde(flatten)]
    figures: Figures,
    text: String,
}

/// The figures by which an alarm system is judged, over the last days.
pub(super) async fn figures(
    State(app): State<AppState>,
    query: Result<Query<Lately>, QueryRejection>,
) -> Result<Json<FiguresAnswer>, Problem> {
    let bad = |text: String| Problem::new(StatusCode::BAD_REQUEST, "bad-query", text);
    let Query(lately) = query.map_err(|e| bad(e.body_text()))?;
    let days = lately.days.unwrap_or(7);
    if !(1..=3660).contains(&days) {
        return Err(bad("days: 1 to 3660".into()));
    }
    let now = jiff::Timestamp::now();
    let length = Duration::from_secs(u64::from(days) * 86_400);
    let began = now - length;
    let from = format!("{began:.3}");
    let since = from.clone();
    let rows = app.read(move |h| h.alarms_since(&since, MOST_CHANGES)).await?;
    let mut last = Duration::ZERO;
    let journal: Vec<_> = rows.iter().filter_map(|row| entry(row, began, &mut last)).collect();
    let figures = watch::figures(&journal, length);
    let text = figures.text();
    Ok(Json(FiguresAnswer { days, from, figures, text }))
}

/// A row of the journal as the figures want it; the wall clock may step back, the order does not.
fn entry(row: &AlarmRow, began: jiff::Timestamp, last: &mut Duration) -> Option<JournalEntry> {
    let at: jiff::Timestamp = row.at.parse().ok()?;
    let (from, to) = (AlarmState::named(&row.from)?, AlarmState::named(&row.to)?);
    *last = Duration::try_from(at.duration_since(began)).unwrap_or_default().max(*last);
    Some(JournalEntry {
        at: *last,
        alarm: format!("{}/{}", row.station, row.watch),
        priority: row.priority.clone(),
        stood: !to.raises(from, row.by.is_some()),
        stands: to.active(),
    })
}

pub(super) async fn metrics(State(app): State<AppState>) -> Result<Response, Problem> {
    let (tanks, commits) = match accounts(&app).await {
        Ok(rows) => (rows, app.read(|h| Ok(h.take_commit_seconds())).await?),
        // A ledger that cannot be read must not hide the supply: the counters stand.
        Err(_) => (Vec::new(), Vec::new()),
    };
    // A ledger that cannot be read says nothing of what is due.
    let due = due(&app, &tanks).await.unwrap_or_default();
    app.metrics.upkeep(due.iter().map(|d| (d.tank.as_str(), d.additive.as_str(), d.due_ratio)));
    for seconds in commits {
        app.metrics.ledger_commit.observe(seconds);
    }
    let looks: Vec<_> = app.stations.iter().map(|w| w.look()).collect();
    let page =
        app.metrics.page(&looks, &tanks, &app.temperatures()).map_err(|e| Problem::bug(e.to_string()))?;
    Ok(([(header::CONTENT_TYPE, CONTENT_TYPE)], page).into_response())
}

/// The process is alive and every control loop stepped lately.
pub(super) async fn healthz(State(app): State<AppState>) -> Response {
    let silent: Vec<_> = app
        .stations
        .iter()
        .map(|w| (w, w.look()))
        .filter(|(w, look)| !w.alive(look))
        .map(|(w, look)| format!("station {}: no step for {:.1} s", w.handle.name(), look.silent_seconds))
        .collect();
    verdict(silent)
}

/// Every link is up and the ledger takes writes: a run could start.
pub(super) async fn readyz(State(app): State<AppState>) -> Response {
    let mut wrong: Vec<_> = app
        .stations
        .iter()
        .map(|w| w.look())
        .filter(|look| !look.snapshot.link.up)
        .map(|look| {
            let trouble = look.snapshot.link.trouble.unwrap_or_else(|| "not connected yet".into());
            format!("station {}: {trouble}", look.snapshot.station)
        })
        .collect();
    let history = app.history.clone();
    match tokio::task::spawn_blocking(move || history.writable()).await {
        Ok(Ok(())) => {}
        Ok(Err(e)) => wrong.push(format!("ledger: {e}")),
        Err(e) => wrong.push(format!("ledger: {e}")),
    }
    verdict(wrong)
}

fn verdict(wrong: Vec<String>) -> Response {
    let status = if wrong.is_empty() { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    (status, Json(json!({ "ok": wrong.is_empty(), "wrong": wrong }))).into_response()
}

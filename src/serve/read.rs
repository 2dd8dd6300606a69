//! What can be read: stations, runs, tanks, alarms, health, metrics.

use super::guard::Identity;
use super::lists::{Asked, Format, MOST_ROWS, bad_query, listed, page, searched, unread};
use super::look::Look;
use super::metrics::CONTENT_TYPE;
use super::problem::Problem;
use super::state::{AppState, TankFacts};
use super::upkeep::{Due, due};
use crate::ledger::{AlarmRow, EventRow, RunRow, StageRow, TankRow};
use crate::station::BathView;
use crate::watch::{self, AlarmState, Figures, JournalEntry};
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::{Extension, Json};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::sync::OnceLock;
use std::time::Duration;

/// A station publishes each second at least; between two publications only ages grow. What has the
/// same tag says the same but for those.
fn tag(looks: &[Look]) -> String {
    static START: OnceLock<String> = OnceLock::new();
    let start = START.get_or_init(|| uuid::Uuid::now_v7().simple().to_string());
    let mut tag = format!("W/\"{start}");
    for look in looks {
        tag += &format!("-{}{}{}", look.snapshot.seq, u8::from(look.stale), u8::from(look.snapshot.link.up));
    }
    tag + "\""
}

/// The answer, or 304 to who has it already (RFC 9110, section 13.1.2).
fn tagged(headers: &HeaderMap, tag: String, answer: impl IntoResponse) -> Response {
    let weak = |t: &str| t.trim().trim_start_matches("W/").to_owned();
    let known = headers
        .get_all(header::IF_NONE_MATCH)
        .iter()
        .filter_map(|v| v.to_str().ok())
        .flat_map(|v| v.split(','))
        .any(|t| t.trim() == "*" || weak(t) == weak(&tag));
    // `no-cache`: it may be kept, and is asked for again each time.
    let about = [(header::ETAG, tag), (header::CACHE_CONTROL, "no-cache".into())];
    if known { (StatusCode::NOT_MODIFIED, about).into_response() } else { (about, answer).into_response() }
}

pub(super) async fn stations(State(app): State<AppState>, headers: HeaderMap) -> Response {
    let looks: Vec<_> = app.stations.iter().map(|w| w.look()).collect();
    tagged(&headers, tag(&looks), Json(&looks))
}

pub(super) async fn station(
    State(app): State<AppState>,
    Path(name): Path<String>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let look = app.station(&name)?.look();
    Ok(tagged(&headers, tag(std::slice::from_ref(&look)), Json(&look)))
}

const RUN_COLUMNS: [&str; 20] = [
    "id",
    "station",
    "tank",
    "title",
    "started_by",
    "started",
    "ended",
    "state",
    "cause",
    "charge_coulombs",
    "target_coulombs",
    "unobserved_seconds",
    "worked_seconds",
    "area_square_meters",
    "parts",
    "metal",
    "thickness_meters",
    "job",
    "lot",
    "customer",
];

pub(super) async fn runs(State(app): State<AppState>, asked: Asked) -> Result<Response, Problem> {
    let (page, limit) = page(asked)?;
    let path = searched("/api/v1/runs", page.find.as_deref());
    let format = page.format;
    let rows = app
        .read(move |h| match &page.find {
            Some(words) => h.find_runs(limit, page.after.as_deref(), words),
            None => h.runs(limit, page.after.as_deref()),
        })
        .await?;
    let next = rows.last().filter(|_| rows.len() == limit as usize).map(|row| (row.id.clone(), limit));
    listed(&path, &rows, &RUN_COLUMNS, format, next)
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

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Form {
    #[serde(default)]
    format: Format,
}

const READING_COLUMNS: [&str; 6] =
    ["seconds", "volts", "amperes", "setpoint_amperes", "ceiling_volts", "bath_celsius"];

pub(super) async fn readings(
    State(app): State<AppState>,
    Path(id): Path<String>,
    asked: Result<Query<Form>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(form) = asked.map_err(unread)?;
    let wanted = id.clone();
    let list = app
        .paper(move |h| {
            let found = h.run(&wanted)?.map(|_| h.readings(&wanted)).transpose()?;
            Ok(found.map(|rows| listed("", &rows, &READING_COLUMNS, form.format, None)))
        })
        .await?;
    list.ok_or_else(|| Problem::not_found(format!("there is no run {id:?}")))?
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

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Newest {
    #[serde(default)]
    limit: Option<u32>,
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
    asked: Result<Query<Newest>, QueryRejection>,
) -> Result<Json<Alarms>, Problem> {
    let Query(newest) = asked.map_err(unread)?;
    let limit = newest.limit.unwrap_or(50);
    if !(1..=MOST_ROWS).contains(&limit) {
        return Err(bad_query(format!("limit: 1 to {MOST_ROWS}")));
    }
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
    use super::command::Meant;
    let (name, help) = match super::command::meant(&watch)? {
        Meant::Watch(kind) => (kind.name(), kind.help()),
        Meant::Job(kind) => (kind.name(), kind.help()),
    };
    Ok(Json(json!({
        "watch": name, "cause": help.cause, "consequence": help.consequence, "remedy": help.remedy,
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
    let Query(lately) = query.map_err(unread)?;
    let days = lately.days.unwrap_or(7);
    if !(1..=3660).contains(&days) {
        return Err(bad_query("days: 1 to 3660"));
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

/// Every link is up and the ledger takes writes: a run could start. Whoever was not recognised hears that something is
/// wrong and where; ports and paths are in the reasons, and those are for who may look.
pub(super) async fn readyz(
    State(app): State<AppState>,
    Extension(Identity(who)): Extension<Identity>,
) -> Response {
    let why = |plain: &str, reason: String| if who.is_some() { reason } else { plain.to_owned() };
    let mut wrong: Vec<_> = app
        .stations
        .iter()
        .map(|w| w.look())
        .filter(|look| !look.snapshot.link.up)
        .map(|look| {
            let trouble = look.snapshot.link.trouble.unwrap_or_else(|| "not connected yet".into());
            format!("station {}: {}", look.snapshot.station, why("its supply does not answer", trouble))
        })
        .collect();
    let history = app.history.clone();
    match tokio::task::spawn_blocking(move || history.writable()).await {
        Ok(Ok(())) => {}
        Ok(Err(e)) => wrong.push(format!("ledger: {}", why("nothing can be written", e.to_string()))),
        Err(e) => wrong.push(format!("ledger: {}", why("nothing can be written", e.to_string()))),
    }
    verdict(wrong)
}

fn verdict(wrong: Vec<String>) -> Response {
    let status = if wrong.is_empty() { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    (status, Json(json!({ "ok": wrong.is_empty(), "wrong": wrong }))).into_response()
}

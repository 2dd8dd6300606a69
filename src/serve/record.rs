//! A run's record: page, JSON, CSV, plot; what is entered on it later.

use super::body::Body;
use super::history::{History, HistoryError};
use super::lists::unread;
use super::problem::Problem;
use super::read::accounts;
use super::screen::pixels;
use super::state::AppState;
use crate::draw::plot::{self, Paper};
use crate::draw::record;
use crate::ledger::Entry;
use crate::quantity::Units;
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

/// Events of one run that a record is made of; far more than any run has.
pub(super) const MOST_EVENTS: u32 = 100_000;
/// What a lot or a customer's reference may be long.
const MOST_NAME: usize = 120;
/// What a remark may be long.
const MOST_TEXT: usize = 1_000;

fn unknown(id: &str) -> Problem {
    Problem::not_found(format!("there is no run {id:?}"))
}

pub(super) fn bad(text: impl Into<String>) -> Problem {
    Problem::new(StatusCode::BAD_REQUEST, "bad-query", text.into())
}

/// The record of a run as it stands, if there is one.
fn load(h: &dyn History, id: &str) -> Result<Option<record::Record>, HistoryError> {
    let Some(run) = h.run(id)? else { return Ok(None) };
    Ok(Some(record::from_run(record::Sources {
        run,
        stages: h.stages(id)?,
        events: h.events(id, MOST_EVENTS)?,
        alarms: h.alarms_of(id)?,
        readings: h.readings(id)?,
        entries: h.entries(id)?,
        head: h.head()?,
        printed: format!("{:.0}", jiff::Timestamp::now()),
    })))
}

/// Something made of the record of a run, aside from the threads that answer.
async fn made<T: Send + 'static>(
    app: &AppState,
    id: &str,
    make: impl FnOnce(record::Record) -> T + Send + 'static,
) -> Result<T, Problem> {
    let wanted = id.to_owned();
    app.paper(move |h| Ok(load(h, &wanted)?.map(make))).await?.ok_or_else(|| unknown(id))
}

/// A file that a browser keeps under that name instead of showing it in the place of the page, STOP and all.
pub(super) fn kept(name: &str, answer: impl IntoResponse) -> Response {
    let mut response = answer.into_response();
    // Names are ids of the ledger: letters, digits and dashes.
    if let Ok(value) = HeaderValue::from_str(&format!("attachment; filename=\"{name}\"")) {
        response.headers_mut().insert(header::CONTENT_DISPOSITION, value);
    }
    response
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Shown {
    #[serde(default)]
    pub(super) units: Option<Units>,
}

pub(super) async fn html(
    State(app): State<AppState>,
    Path(id): Path<String>,
    query: Result<Query<Shown>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(shown) = query.map_err(unread)?;
    let units = shown.units.unwrap_or(app.facts.units);
    let back = format!("/#/runs/{id}");
    made(&app, &id, move |record| {
        let began = record.steps.iter().find_map(|s| s.run.as_ref()).map(|run| run.started.clone());
        let page = record::served(&record, units, &beside(back, began.as_deref()));
        styled("text/html; charset=utf-8", page)
    })
    .await
}

/// What a served page says beside the record: the way back, and the clocks of this machine's time zone when it began.
pub(super) fn beside(back: String, began: Option<&str>) -> record::Served {
    let at = began.and_then(|at| at.parse::<Timestamp>().ok());
    let ahead_minutes = at.map(|at| TimeZone::system().to_offset(at).seconds() / 60);
    record::Served { back: Some(back), ahead_minutes }
}

pub(super) async fn data(State(app): State<AppState>, Path(id): Path<String>) -> Result<Response, Problem> {
    let name = format!("run-{id}.json");
    made(&app, &id, move |record| kept(&name, Json(record))).await
}

pub(super) async fn csv(State(app): State<AppState>, Path(id): Path<String>) -> Result<Response, Problem> {
    let wanted = id.clone();
    let rows = app
        .paper(move |h| {
            let found = h.run(&wanted)?.map(|_| h.readings(&wanted)).transpose()?;
            Ok(found.map(|readings| record::csv(&readings)))
        })
        .await?
        .ok_or_else(|| unknown(&id))?;
    Ok(kept(&format!("run-{id}.csv"), ([(header::CONTENT_TYPE, "text/csv; charset=utf-8")], rows)))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct With {
    /// Another run to lay over it.
    #[serde(default)]
    with: Option<String>,
    /// Of the screen, in pixels.
    #[serde(default)]
    width: Option<u16>,
}

/// Screens narrower than this, in pixels, have a drawing of their own: letters of a wide one would be too small there.
const PHONE: u16 = 560;

fn paper(width: Option<u16>) -> Result<Paper, Problem> {
    Ok(if pixels(width)?.is_some_and(|w| w < PHONE) { Paper::Phone } else { Paper::Page })
}

fn svg(picture: &str) -> Response {
    styled("image/svg+xml", plot::standalone(picture))
}

/// A document that is looked at by itself, with a style of its own and nothing else: the policy names that style by
/// its hash (Content Security Policy Level 3), otherwise the browser would show it bare.
pub(super) fn styled(media: &'static str, text: String) -> Response {
    let style = text.split_once("<style>").and_then(|(_, rest)| rest.split_once("</style>"));
    let hash = STANDARD.encode(Sha256::digest(style.map_or("", |(style, _)| style).as_bytes()));
    let policy = format!(
        "default-src 'none'; style-src 'sha256-{hash}'; form-action 'none'; frame-ancestors 'none'; base-uri 'none'"
    );
    ([(header::CONTENT_TYPE, media.to_owned()), (header::CONTENT_SECURITY_POLICY, policy)], text)
        .into_response()
}

/// One run, or two over each other.
pub(super) async fn picture(
    State(app): State<AppState>,
    Path(id): Path<String>,
    query: Result<Query<With>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(query) = query.map_err(unread)?;
    let paper = paper(query.width)?;
    let run = |record: &record::Record| record.steps.iter().find_map(|s| s.run.clone());
    let drawn = app.paper(move |h| {
        let Some((one, first)) = load(h, &id)?.and_then(|one| run(&one).map(|part| (one, part))) else {
            return Ok(Err(unknown(&id)));
        };
        let Some(other) = query.with else { return Ok(Ok(svg(&first.plot(&one.title, paper)))) };
        let Some((two, second)) = load(h, &other)?.and_then(|two| run(&two).map(|part| (two, part))) else {
            return Ok(Err(unknown(&other)));
        };
        let name = |record: &record::Record, part: &record::RunPart| {
            let began = part.started.chars().take(16).collect::<String>().replace('T', " ");
            format!("{}, {began}", record.title)
        };
        // Two whole names do not fit over a panel: there they are the first and the second.
        let title = format!("first: {}; second: {}", name(&one, &first), name(&two, &second));
        Ok(Ok(svg(&plot::compare(
            &title,
            plot::Side { name: "first", readings: &first.readings },
            plot::Side { name: "second", readings: &second.readings },
            paper,
        ))))
    });
    drawn.await?
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Each {
    /// `day` or `month`.
    #[serde(default)]
    each: Option<String>,
    /// Of the screen, in pixels.
    #[serde(default)]
    width: Option<u16>,
}

/// What a tank worked per day or month, as bars.
pub(super) async fn worked(
    State(app): State<AppState>,
    Path(tank): Path<String>,
    query: Result<Query<Each>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(query) = query.map_err(unread)?;
    let paper = paper(query.width)?;
    let (letters, limit, each) = match query.each.as_deref() {
        None | Some("day") => (10, 31, "day"),
        Some("month") => (7, 24, "month"),
        Some(other) => return Err(bad(format!("each: {other:?} is neither day nor month"))),
    };
    if !accounts(&app).await?.iter().any(|row| row.tank == tank) {
        return Err(Problem::not_found(format!("there is no tank {tank:?}")));
    }
    let wanted = tank.clone();
    let rows = app.read(move |h| h.worked(&wanted, letters, limit)).await?;
    let bars: Vec<_> =
        rows.into_iter().map(|(label, coulombs)| plot::Bar { label, value: coulombs / 3600.0 }).collect();
    Ok(svg(&plot::bars(&format!("tank {tank}, each {each} it worked"), "A·h", &bars, paper)))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Sign {
    by: String,
    #[serde(default)]
    remark: Option<String>,
}

impl Sign {
    /// Who, and what they add.
    pub(super) fn checked(self) -> Result<(String, Option<String>), Problem> {
        let by = super::command::text("by", &self.by, 64)?;
        Ok((by, self.remark.map(|r| super::command::text("remark", &r, MOST_TEXT)).transpose()?))
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Amend {
    by: String,
    #[serde(default)]
    lot: Option<String>,
    #[serde(default)]
    customer: Option<String>,
    #[serde(default)]
    note: Option<String>,
    #[serde(default)]
    why: Option<String>,
}

#[derive(Serialize)]
pub(super) struct Said {
    run: String,
    said: String,
}

/// Signs a run off. It may be signed more than once: every one stays.
pub(super) async fn sign(
    State(app): State<AppState>,
    Path(id): Path<String>,
    Body(body): Body<Sign>,
) -> Result<Json<Said>, Problem> {
    let wanted = id.clone();
    let run = app.read(move |h| h.run(&wanted)).await?.ok_or_else(|| unknown(&id))?;
    let said = signed(&app, &id, body, ("run", &run.title), run.ended.is_some()).await?;
    Ok(Json(Said { run: id, said }))
}

/// Signs off a run or a job that is there: which of the two, and its title. Says what was done.
pub(super) async fn signed(
    app: &AppState,
    id: &str,
    body: Sign,
    (what, title): (&str, &str),
    has_ended: bool,
) -> Result<String, Problem> {
    let (by, remark) = body.checked()?;
    if !has_ended {
        return Err(Problem::refused(format!("{what} {id} has not ended: sign it off when it has")));
    }
    enter(app, id, "sign", &by, json!({ "remark": remark })).await?;
    Ok(format!("signed off by {by}; it stands on the record of {title}"))
}

/// Enters lot, customer's reference or a note; what stood before stays visible.
pub(super) async fn amend(
    State(app): State<AppState>,
    Path(id): Path<String>,
    Body(body): Body<Amend>,
) -> Result<Json<Said>, Problem> {
    let wanted = id.clone();
    app.read(move |h| h.run(&wanted)).await?.ok_or_else(|| unknown(&id))?;
    let said = entered(&app, &id, body).await?;
    Ok(Json(Said { run: id, said }))
}

/// Puts an amendment on the record of a run or a job that is there, and says what was entered.
pub(super) async fn entered(app: &AppState, id: &str, body: Amend) -> Result<String, Problem> {
    let by = super::command::text("by", &body.by, 64)?;
    let why = body.why.map(|w| super::command::text("why", &w, MOST_TEXT)).transpose()?;
    let lot = body.lot.map(|l| super::command::text("lot", &l, MOST_NAME)).transpose()?;
    let customer = body.customer.map(|c| super::command::text("customer", &c, MOST_NAME)).transpose()?;
    let note = body.note.map(|n| super::command::text("note", &n, MOST_TEXT)).transpose()?;
    let mut said = Vec::new();
    for (what, to) in [("lot", lot), ("customer", customer)] {
        if let Some(to) = to {
            said.push(format!("{what}: {to}"));
            enter(app, id, "amend", &by, json!({ "what": what, "to": to, "why": why })).await?;
        }
    }
    if let Some(text) = note {
        said.push("the note".into());
        enter(app, id, "note", &by, json!({ "text": text })).await?;
    }
    if said.is_empty() {
        return Err(Problem::new(
            StatusCode::BAD_REQUEST,
            "bad-json",
            "nothing to enter: say lot, customer or note",
        ));
    }
    Ok(format!("entered on the record by {by}: {}", said.join("; ")))
}

pub(super) async fn enter(
    app: &AppState,
    run: &str,
    kind: &str,
    by: &str,
    content: Value,
) -> Result<(), Problem> {
    let entry = Entry { run: run.into(), kind: kind.into(), by: by.into(), content };
    app.write(move |h| h.enter(entry)).await
}

/// What a run was started by: its worksheet, and lot and customer where they were said. The run is on its way: what
/// cannot be written is said in the log and is missing from the record, which says so.
pub(super) async fn planned(
    app: &AppState,
    run: &str,
    by: &str,
    sheet: &Value,
    names: [(&str, Option<String>); 2],
) {
    let mut entries = vec![("plan", json!({ "worksheet": crate::plan::kept(sheet) }))];
    for (what, to) in names {
        entries.extend(to.map(|to| ("amend", json!({ "what": what, "to": to, "why": null }))));
    }
    for (kind, content) in entries {
        if let Err(problem) = enter(app, run, kind, by, content).await {
            tracing::warn!("run {run}: its {kind} could not be put on record: {}", problem.detail);
        }
    }
}

//! Jobs: begin one, answer it, send it back, read what is on record.

use super::body::Body;
use super::command::{Taken, answered, nothing_on_without_a_minder, text};
use super::lists::{Asked, listed, page};
use super::once;
use super::problem::Problem;
use super::state::AppState;
use crate::ledger::{EventRow, JobRow, JobStepRow};
use crate::run::guide::{Guide, GuideCommand, JobAnswer, JobPlan, Reference};
use axum::Json;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use serde_json::Value;

const MOST_EVENTS: u32 = 5000;

/// A sheet order, or the rest of an earlier job.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Start {
    by: String,
    /// JSON, or the text of an order file; without it `continues`.
    #[serde(default)]
    request: Option<Value>,
    /// The job whose rest this is.
    #[serde(default)]
    continues: Option<String>,
    /// With which step to begin: its name, or its number from 1.
    #[serde(default)]
    from: Option<String>,
    #[serde(default)]
    lot: Option<String>,
    #[serde(default)]
    customer: Option<String>,
}

fn bad(detail: impl Into<String>) -> Problem {
    Problem::new(StatusCode::BAD_REQUEST, "bad-json", detail)
}

pub(super) async fn start(
    State(app): State<AppState>,
    Path(station): Path<String>,
    headers: HeaderMap,
    Body(body): Body<Start>,
) -> Result<Response, Problem> {
    let key = once::key(&headers)?;
    let name = app.station(&station)?.handle.name().to_owned();
    let asked =
        serde_json::json!(["job", body.by, body.request, body.continues, body.from, body.lot, body.customer])
            .to_string();
    let begun = async { begin(&app, name.clone(), body).await.into_response() };
    match key {
        None => Ok(begun.await),
        Some(key) => Ok(once::once(&app, &name, &key, &asked, begun).await),
    }
}

async fn begin(app: &AppState, station: String, body: Start) -> Reply {
    let by = text("by", &body.by, 80)?;
    let watched = app.station(&station)?;
    let mut whose = reference(body.lot.as_deref(), body.customer.as_deref())?;
    let mut worksheet = None;
    let (plan, first) = match (&body.request, &body.continues, &body.from) {
        (Some(request), None, None) => {
            let (planner, request, name) =
                (app.planner.clone(), request.clone(), watched.handle.name().to_owned());
            let planned = tokio::task::spawn_blocking(move || planner.plan_job(Some(&name), &request))
                .await
                .map_err(|e| Problem::bug(e.to_string()))??;
            worksheet = Some(planned.worksheet);
            (planned.plan, 0)
        }
        (None, Some(earlier), from) => {
            let (plan, first, theirs) = rest_of(app, earlier, &station, from.as_deref()).await?;
            whose.lot = whose.lot.or(theirs.lot);
            whose.customer = whose.customer.or(theirs.customer);
            (plan, first)
        }
        (_, None, Some(_)) => {
            return Err(bad("from: only the rest of an earlier job begins later than with its first step"));
        }
        _ => return Err(bad("say what: a request, or the job that this one continues")),
    };
    nothing_on_without_a_minder(app, &station, &by)?;
    let id = uuid::Uuid::now_v7().to_string();
    let guide =
        Guide::new(&id, &by, plan, first, body.continues, whose).map_err(|e| Problem::refused(e.0))?;
    let said = answered(watched.handle.start_job(&by, guide)).await?;
    let mut taken = Taken::new(station, said);
    (taken.worksheet, taken.job) = (worksheet, Some(id));
    Ok(Json(taken))
}

/// The lot and the customer's reference, each a line of text.
pub(super) fn reference(lot: Option<&str>, customer: Option<&str>) -> Result<Reference, Problem> {
    Ok(Reference {
        lot: lot.map(|t| text("lot", t, 80)).transpose()?,
        customer: customer.map(|t| text("customer", t, 120)).transpose()?,
    })
}

/// The plan of an earlier job of that station that has ended, and with which step its rest begins.
async fn rest_of(
    app: &AppState,
    job: &str,
    station: &str,
    from: Option<&str>,
) -> Result<(JobPlan, usize, Reference), Problem> {
    let wanted = job.to_owned();
    let found = app.read(move |h| h.job(&wanted, 1)).await?;
    let Some((row, steps, _)) = found else {
        return Err(Problem::not_found(format!("there is no job {job:?}")));
    };
    if row.station != station {
        return Err(Problem::refused(format!("that job was worked at station {:?}", row.station)));
    }
    if row.ended.is_none() {
        return Err(Problem::refused("that job is still under way; answer it, or end it first"));
    }
    let plan: JobPlan = serde_json::from_str(&row.plan_json)
        .map_err(|e| Problem::refused(format!("the plan of that job cannot be read any more: {e}")))?;
    let left = steps.iter().map(|s| {
        let left = matches!(s.outcome.as_deref(), Some("done" | "skipped"));
        (usize::try_from(s.sheet_step).unwrap_or(1).saturating_sub(1), left)
    });
    let first = plan.rest(left, from).map_err(|e| Problem::refused(e.0))?;
    Ok((plan, first, Reference { lot: row.lot, customer: row.customer }))
}

/// The body of the commands that need nothing else.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Plain {
    by: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Answered {
    by: String,
    answer: JobAnswer,
    /// Which question is meant.
    #[serde(default)]
    seq: Option<u32>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Redo {
    by: String,
    /// Which step, from 1.
    #[serde(default)]
    step: Option<usize>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Skip {
    by: String,
    reason: String,
}

type Reply = Result<Json<Taken>, Problem>;

pub(super) async fn answer(
    State(app): State<AppState>,
    Path(station): Path<String>,
    Body(body): Body<Answered>,
) -> Reply {
    if body.answer != JobAnswer::No {
        nothing_on_without_a_minder(&app, &station, &body.by)?;
    }
    send(&app, &station, &body.by, GuideCommand::Answer { answer: body.answer, seq: body.seq }).await
}

pub(super) async fn redo(
    State(app): State<AppState>,
    Path(station): Path<String>,
    Body(body): Body<Redo>,
) -> Reply {
    send(&app, &station, &body.by, GuideCommand::Redo(body.step)).await
}

pub(super) async fn skip(
    State(app): State<AppState>,
    Path(station): Path<String>,
    Body(body): Body<Skip>,
) -> Reply {
    let reason = text("reason", &body.reason, 500)?;
    send(&app, &station, &body.by, GuideCommand::Skip { reason }).await
}

pub(super) async fn hold(
    State(app): State<AppState>,
    Path(station): Path<String>,
    Body(body): Body<Plain>,
) -> Reply {
    send(&app, &station, &body.by, GuideCommand::Hold).await
}

pub(super) async fn resume(
    State(app): State<AppState>,
    Path(station): Path<String>,
    Body(body): Body<Plain>,
) -> Reply {
    nothing_on_without_a_minder(&app, &station, &body.by)?;
    send(&app, &station, &body.by, GuideCommand::Resume).await
}

pub(super) async fn stop(
    State(app): State<AppState>,
    Path(station): Path<String>,
    Body(body): Body<Plain>,
) -> Reply {
    send(&app, &station, &body.by, GuideCommand::Stop).await
}

async fn send(app: &AppState, station: &str, by: &str, command: GuideCommand) -> Reply {
    let by = text("by", by, 80)?;
    let watched = app.station(station)?;
    let said = answered(watched.handle.job(&by, command)).await?;
    let mut taken = Taken::new(station.into(), said);
    taken.job = watched.handle.snapshot().job.as_ref().map(|job| job.id.clone());
    Ok(Json(taken))
}

const COLUMNS: [&str; 14] = [
    "id",
    "station",
    "sheet",
    "title",
    "base",
    "parts",
    "lot",
    "customer",
    "started_by",
    "started",
    "ended",
    "state",
    "cause",
    "continues",
];

pub(super) async fn jobs(State(app): State<AppState>, asked: Asked) -> Result<Response, Problem> {
    let (page, limit) = page(asked)?;
    let rows = app.read(move |h| h.jobs(limit, page.after.as_deref())).await?;
    let next = rows.last().filter(|_| rows.len() == limit as usize).map(|row| (row.id.clone(), limit));
    listed("/api/v1/jobs", &rows, &COLUMNS, page.format, next)
}

#[derive(Serialize)]
pub(super) struct JobOnRecord {
    #[serde(flatten)]
    job: JobRow,
    /// Steps as they came.
    steps: Vec<JobStepRow>,
    /// What happened, oldest first.
    events: Vec<EventRow>,
    /// The plan that it was worked by.
    plan: Option<Value>,
}

pub(super) async fn job(
    State(app): State<AppState>,
    Path(id): Path<String>,
) -> Result<Json<JobOnRecord>, Problem> {
    let wanted = id.clone();
    let found = app.read(move |h| h.job(&wanted, MOST_EVENTS)).await?;
    let Some((job, steps, events)) = found else {
        return Err(Problem::not_found(format!("there is no job {id:?}")));
    };
    let plan = serde_json::from_str(&job.plan_json).ok();
    Ok(Json(JobOnRecord { job, steps, events, plan }))
}

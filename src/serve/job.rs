//! Jobs: begin one, answer it, send it back, read what is on record.

use super::body::Body;
use super::command::{StartWith, Taken, answered, nothing_on_without_a_minder, text};
use super::lists::{Asked, listed, page, searched};
use super::once;
use super::problem::Problem;
use super::state::{AppState, PlannedJob};
use crate::ledger::{EventRow, JobRow, JobStepRow};
use crate::plan::Order;
use crate::run::guide::{Guide, GuideCommand, JobAnswer, JobPlan, JobTodo, Reference};
use axum::Json;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

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
    /// Whoever starts it knows that edges will burn.
    #[serde(default)]
    edges_may_burn: bool,
    /// Whoever starts it knows that the supply did not pass its commissioning.
    #[serde(default)]
    supply_may_fail: bool,
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
    text("by", &body.by, 80)?;
    let Some(key) = key else { return Ok(begin(&app, &name, body).await.into_response()) };
    let Start { by, request, continues, from, lot, customer, edges_may_burn, supply_may_fail } = &body;
    let asked = json!(["job", by, request, continues, from, lot, customer, edges_may_burn, supply_may_fail])
        .to_string();
    Ok(once::once(&app, &name, &key, &asked, async { begin(&app, &name, body).await.into_response() }).await)
}

async fn begin(app: &AppState, station: &str, body: Start) -> Result<Json<Taken>, Problem> {
    app.station(station)?;
    let mut whose = reference(body.lot.as_deref(), body.customer.as_deref())?;
    let mut worksheet = None;
    let (plan, first) = match (&body.request, &body.continues, &body.from) {
        (Some(request), None, None) => {
            let (planner, request, name) = (app.planner.clone(), request.clone(), station.to_owned());
            let planned = tokio::task::spawn_blocking(move || planner.plan_job(Some(&name), &request))
                .await
                .map_err(|e| Problem::bug(e.to_string()))??;
            worksheet = Some(planned.worksheet);
            (planned.plan, 0)
        }
        (None, Some(earlier), from) => {
            let (plan, first, theirs) = rest_of(app, earlier, station, from.as_deref()).await?;
            whose.lot = whose.lot.or(theirs.lot);
            whose.customer = whose.customer.or(theirs.customer);
            (plan, first)
        }
        (_, None, Some(_)) => {
            return Err(bad("from: only the rest of an earlier job begins later than with its first step"));
        }
        _ => return Err(bad("say what: a request, or the job that this one continues")),
    };
    let Start { by, continues, edges_may_burn, supply_may_fail, .. } = body;
    let with = StartWith { whose, edges_may_burn, supply_may_fail };
    let (id, said) = start_job(app, station, &by, plan, (first, continues), with).await?;
    let mut taken = Taken::new(station.to_owned(), said);
    (taken.worksheet, taken.job) = (worksheet, Some(id));
    Ok(Json(taken))
}

/// A sheet worked out for a load, whoever asks for it.
///
/// # Errors
/// As [`Planner::plan_job`](super::Planner::plan_job).
pub(crate) fn plan_job(app: &AppState, station: &str, request: &Value) -> Result<PlannedJob, Problem> {
    app.planner.plan_job(Some(station), request)
}

/// A job's start, whoever asks for it: the id and the station's answer. It begins with the step at that place, and may
/// be the rest of an earlier job. What is known about it goes on the worksheets of its powered steps.
///
/// # Errors
/// Why not; then nothing was begun.
pub(crate) async fn start_job(
    app: &AppState,
    station: &str,
    by: &str,
    mut plan: JobPlan,
    (first, continues): (usize, Option<String>),
    with: StartWith,
) -> Result<(String, String), Problem> {
    let by = text("by", by, 80)?;
    let watched = app.station(station)?;
    for step in plan.steps.iter_mut().skip(first) {
        if let JobTodo::Powered { order, worksheet, .. } = &mut step.todo {
            let place = format!("step {:?}: ", step.name);
            burning(app, order, worksheet, &by, with.edges_may_burn, &place)?;
        }
    }
    let powered = plan.steps.iter_mut().skip(first).filter_map(|step| match &mut step.todo {
        JobTodo::Powered { worksheet, .. } => Some(worksheet),
        _ => None,
    });
    trusted(app, station, powered, &by, with.supply_may_fail).await?;
    nothing_on_without_a_minder(app, station, &by)?;
    let id = uuid::Uuid::now_v7().to_string();
    let guide =
        Guide::new(&id, &by, plan, first, continues, with.whose).map_err(|e| Problem::refused(e.0))?;
    let said = answered(watched.handle.start_job(&by, guide)).await?;
    Ok((id, said))
}

/// Nobody burns edges unknowingly: an order whose edges would burn is refused unless whoever starts it says that they
/// know; then that goes on the record with the worksheet.
pub(super) fn burning(
    app: &AppState,
    order: &Order,
    worksheet: &mut Value,
    by: &str,
    known: bool,
    place: &str,
) -> Result<(), Problem> {
    let units = app.planner.config().map(|config| config.daemon.units).unwrap_or_default();
    let Some(burns) = order.edges_burn(units) else { return Ok(()) };
    if !known {
        return Err(Problem::unknowing("edges_may_burn", &format!("{place}{burns}")));
    }
    if let Some(warnings) = worksheet.get_mut("warnings").and_then(Value::as_array_mut) {
        warnings.push(format!("{by} started it knowing that edges may burn: {burns}.").into());
    }
    Ok(())
}

/// No current from a supply that is known to fail, or whose numbers may be wild: see [`Trust`](super::state::Trust).
/// Whoever knows of the failed commissioning goes on the record with each worksheet.
pub(super) async fn trusted<'w>(
    app: &AppState,
    station: &str,
    worksheets: impl IntoIterator<Item = &'w mut Value>,
    by: &str,
    known: bool,
) -> Result<(), Problem> {
    let (planner, name) = (app.planner.clone(), station.to_owned());
    let trust = tokio::task::spawn_blocking(move || planner.trust(&name))
        .await
        .map_err(|e| Problem::bug(e.to_string()))?;
    let mut worksheets = worksheets.into_iter().peekable();
    if worksheets.peek().is_none() {
        return Ok(());
    }
    if let Some(why) = &trust.never {
        return Err(Problem::refused(format!("not started: {why}")));
    }
    if let Some(why) = trust.unless.as_ref().filter(|_| !known) {
        return Err(Problem::unknowing("supply_may_fail", why));
    }
    let failed = trust
        .unless
        .map(|why| format!("{by} started it knowing that the supply failed its commissioning: {why}"));
    let said: Vec<_> = trust.note.into_iter().chain(failed).collect();
    for worksheet in worksheets {
        if let Some(warnings) = worksheet.get_mut("warnings").and_then(Value::as_array_mut) {
            warnings.extend(said.iter().map(|text| Value::from(text.as_str())));
        }
    }
    Ok(())
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
    let first = plan.rest(left(&steps), from).map_err(|e| Problem::refused(e.0))?;
    Ok((plan, first, Reference { lot: row.lot, customer: row.customer }))
}

/// A job's steps as they came: place in the sheet from 0, and whether it was left done or skipped.
fn left(steps: &[JobStepRow]) -> impl Iterator<Item = (usize, bool)> + '_ {
    steps.iter().map(|s| {
        let left = matches!(s.outcome.as_deref(), Some("done" | "skipped"));
        (usize::try_from(s.sheet_step).unwrap_or(1).saturating_sub(1), left)
    })
}

/// The steps that the rest of a job may begin with.
fn beginnings(job: &JobRow, steps: &[JobStepRow]) -> Vec<String> {
    let plan = serde_json::from_str::<JobPlan>(&job.plan_json).ok().filter(|_| job.ended.is_some());
    let Some(plan) = plan else { return Vec::new() };
    let undone = plan.rest(left(steps), None).ok();
    undone.map_or_else(Vec::new, |at| plan.steps[..=at].iter().map(|s| s.name.clone()).collect())
}

/// A command to the job; not every deed takes every key.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Deed {
    by: String,
    #[serde(default)]
    answer: Option<JobAnswer>,
    /// Which question is meant.
    #[serde(default)]
    seq: Option<u32>,
    /// Which step, from 1.
    #[serde(default)]
    step: Option<usize>,
    #[serde(default)]
    reason: Option<String>,
}

pub(super) async fn command(
    State(app): State<AppState>,
    Path((station, deed)): Path<(String, String)>,
    Body(body): Body<Deed>,
) -> Result<Json<Taken>, Problem> {
    let by = text("by", &body.by, 80)?;
    let command = meant(&deed, &body)?;
    let switches = match &command {
        GuideCommand::Answer { answer, .. } => *answer != JobAnswer::No,
        GuideCommand::Resume => true,
        _ => false,
    };
    if switches {
        nothing_on_without_a_minder(&app, &station, &by)?;
    }
    let watched = app.station(&station)?;
    let said = answered(watched.handle.job(&by, command)).await?;
    let mut taken = Taken::new(station, said);
    taken.job = watched.handle.snapshot().job.as_ref().map(|job| job.id.clone());
    Ok(Json(taken))
}

/// What may be done to a job.
pub(super) const DEEDS: [&str; 6] = ["answer", "redo", "skip", "hold", "resume", "stop"];

fn meant(deed: &str, body: &Deed) -> Result<GuideCommand, Problem> {
    let takes: &[&str] = match deed {
        "answer" => &["answer", "seq"],
        "redo" => &["step"],
        "skip" => &["reason"],
        "hold" | "resume" | "stop" => &[],
        _ => {
            return Err(Problem::not_found(format!(
                "nobody can {deed:?} a job; there is: {}",
                DEEDS.join(", ")
            )));
        }
    };
    let given = [
        ("answer", body.answer.is_some()),
        ("seq", body.seq.is_some()),
        ("step", body.step.is_some()),
        ("reason", body.reason.is_some()),
    ];
    if let Some((key, _)) = given.iter().find(|(key, there)| *there && !takes.contains(key)) {
        return Err(bad(format!("{key}: {deed} takes none")));
    }
    Ok(match deed {
        "answer" => GuideCommand::Answer {
            answer: body.answer.ok_or_else(|| bad("answer: yes, no or done"))?,
            seq: body.seq,
        },
        "redo" => GuideCommand::Redo(body.step),
        "skip" => {
            let reason = body.reason.as_deref().unwrap_or_default();
            GuideCommand::Skip { reason: text("reason", reason, 500)? }
        }
        "hold" => GuideCommand::Hold,
        "resume" => GuideCommand::Resume,
        _ => GuideCommand::Stop,
    })
}

pub(super) async fn jobs(State(app): State<AppState>, asked: Asked) -> Result<Response, Problem> {
    let (page, limit) = page(asked)?;
    let path = searched("/api/v1/jobs", page.find.as_deref());
    let format = page.format;
    let rows = app
        .read(move |h| match &page.find {
            Some(words) => h.find_jobs(limit, page.after.as_deref(), words),
            None => h.jobs(limit, page.after.as_deref()),
        })
        .await?;
    let next = rows.last().filter(|_| rows.len() == limit as usize).map(|row| (row.id.clone(), limit));
    let columns = [
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
    ];
    listed(&path, &rows, &columns, format, next)
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
    /// Steps that its rest may begin with, in the sheet's order: the last of them is the first that was not done.
    /// None if there is no rest, or it has not ended.
    rest: Vec<String>,
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
    let rest = beginnings(&job, &steps);
    Ok(Json(JobOnRecord { job, steps, events, plan, rest }))
}

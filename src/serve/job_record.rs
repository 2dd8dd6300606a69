//! The record of a whole job: page, JSON, CSV; sign-off and what is entered on it later.

use super::body::Body;
use super::lists::unread;
use super::problem::Problem;
use super::record::{Amend, MOST_EVENTS, Shown, Sign, beside, entered, signed, styled};
use super::state::AppState;
use crate::draw::record;
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::Serialize;

fn unknown(id: &str) -> Problem {
    Problem::not_found(format!("there is no job {id:?}"))
}

/// The record of a job as it stands, with the runs inside.
async fn of(app: &AppState, id: &str) -> Result<record::Record, Problem> {
    let wanted = id.to_owned();
    let sources = app
        .read(move |h| {
            let Some((job, steps, events)) = h.job(&wanted, MOST_EVENTS)? else { return Ok(None) };
            let (head, printed) = (h.head()?, format!("{:.0}", jiff::Timestamp::now()));
            let mut runs = Vec::new();
            for run in h.runs_of_job(&wanted)? {
                let id = run.id.clone();
                runs.push(record::Sources {
                    run,
                    stages: h.stages(&id)?,
                    events: h.events(&id, MOST_EVENTS)?,
                    alarms: h.alarms_of(&id)?,
                    readings: h.readings(&id)?,
                    entries: h.entries(&id)?,
                    head: head.clone(),
                    printed: printed.clone(),
                });
            }
            let entries = h.entries(&wanted)?;
            Ok(Some(record::JobSources { job, steps, events, runs, entries, head, printed }))
        })
        .await?;
    sources.map(record::from_job).ok_or_else(|| unknown(id))
}

pub(super) async fn html(
    State(app): State<AppState>,
    Path(id): Path<String>,
    query: Result<Query<Shown>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(shown) = query.map_err(unread)?;
    let record = of(&app, &id).await?;
    let began = record.job.as_ref().map(|job| job.started.clone());
    let by = beside(format!("/#/runs/job/{id}"), began.as_deref());
    let page = record::served(&record, shown.units.unwrap_or(app.facts.units), &by);
    Ok(styled("text/html; charset=utf-8", page))
}

pub(super) async fn data(
    State(app): State<AppState>,
    Path(id): Path<String>,
) -> Result<Json<record::Record>, Problem> {
    Ok(Json(of(&app, &id).await?))
}

/// The steps as a table; the readings of a run are on the run's own.
pub(super) async fn csv(State(app): State<AppState>, Path(id): Path<String>) -> Result<Response, Problem> {
    let rows = record::steps_csv(&of(&app, &id).await?);
    Ok(([(header::CONTENT_TYPE, "text/csv; charset=utf-8")], rows).into_response())
}

#[derive(Serialize)]
pub(super) struct Said {
    job: String,
    said: String,
}

/// Signs a job off. It may be signed more than once: every one stays.
pub(super) async fn sign(
    State(app): State<AppState>,
    Path(id): Path<String>,
    Body(body): Body<Sign>,
) -> Result<Json<Said>, Problem> {
    let wanted = id.clone();
    let (job, ..) = app.read(move |h| h.job(&wanted, 0)).await?.ok_or_else(|| unknown(&id))?;
    let said = signed(&app, &id, body, ("job", &job.title), job.ended.is_some()).await?;
    Ok(Json(Said { job: id, said }))
}

/// Enters lot, customer's reference or a note; what stood before stays visible.
pub(super) async fn amend(
    State(app): State<AppState>,
    Path(id): Path<String>,
    Body(body): Body<Amend>,
) -> Result<Json<Said>, Problem> {
    let wanted = id.clone();
    app.read(move |h| h.job(&wanted, 0)).await?.ok_or_else(|| unknown(&id))?;
    let said = entered(&app, &id, body).await?;
    Ok(Json(Said { job: id, said }))
}

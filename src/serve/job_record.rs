//! The record of a whole job: page, JSON, CSV; sign-off and what is entered on it later.

use super::body::Body;
use super::lists::unread;
use super::problem::Problem;
use super::record::{Amend, MOST_EVENTS, Shown, Sign, beside, entered, kept, signed, styled};
use super::state::AppState;
use crate::draw::record;
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::header;
use axum::response::Response;
use serde::Serialize;

fn unknown(id: &str) -> Problem {
    Problem::not_found(format!("there is no job {id:?}"))
}

/// Something made of the record of a job as it stands, with the runs inside.
async fn made<T: Send + 'static>(
    app: &AppState,
    id: &str,
    make: impl FnOnce(record::Record) -> T + Send + 'static,
) -> Result<T, Problem> {
    let wanted = id.to_owned();
    let made = app.paper(move |h| {
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
        let sources = record::JobSources { job, steps, events, runs, entries, head, printed };
        Ok(Some(make(record::from_job(sources))))
    });
    made.await?.ok_or_else(|| unknown(id))
}

pub(super) async fn html(
    State(app): State<AppState>,
    Path(id): Path<String>,
    query: Result<Query<Shown>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(shown) = query.map_err(unread)?;
    let units = shown.units.unwrap_or(app.facts.units);
    let back = format!("/#/runs/job/{id}");
    made(&app, &id, move |record| {
        let began = record.job.as_ref().map(|job| job.started.clone());
        let page = record::served(&record, units, &beside(back, began.as_deref()));
        styled("text/html; charset=utf-8", page)
    })
    .await
}

pub(super) async fn data(State(app): State<AppState>, Path(id): Path<String>) -> Result<Response, Problem> {
    let name = format!("job-{id}.json");
    made(&app, &id, move |record| kept(&name, Json(record))).await
}

/// The steps as a table; the readings of a run are on the run's own.
pub(super) async fn csv(State(app): State<AppState>, Path(id): Path<String>) -> Result<Response, Problem> {
    let rows = made(&app, &id, |record| record::steps_csv(&record)).await?;
    Ok(kept(&format!("job-{id}.csv"), ([(header::CONTENT_TYPE, "text/csv; charset=utf-8")], rows)))
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

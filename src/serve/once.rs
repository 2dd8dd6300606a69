//! A start that is asked for twice under one key is carried out once.
//!
//! The header and its answers are those of the IETF draft "The Idempotency-Key
//! HTTP Header Field" (draft-ietf-httpapi-idempotency-key-header-07): the same key
//! and body give the first answer again; another body is 422, and a key whose
//! first request is still under way is 409. The key is on disk before the station
//! is asked, so a daemon that dies in between does not start a second run for it.

use super::problem::Problem;
use super::state::AppState;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use std::collections::HashSet;
use std::sync::{Arc, Mutex, PoisonError};

const LONGEST: usize = 100;
const HEADER: &str = "idempotency-key";

/// Keys whose first request is under way.
#[derive(Clone, Debug, Default)]
pub(super) struct UnderWay(Arc<Mutex<HashSet<(String, String)>>>);

/// Gone from [`UnderWay`] when dropped.
struct Turn(UnderWay, (String, String));

impl UnderWay {
    fn take(&self, station: &str, key: &str) -> Option<Turn> {
        let pair = (station.to_owned(), key.to_owned());
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.insert(pair.clone()).then(|| Turn(self.clone(), pair))
    }
}

impl Drop for Turn {
    fn drop(&mut self) {
        self.0.0.lock().unwrap_or_else(PoisonError::into_inner).remove(&self.1);
    }
}

/// The key of a request, if it has one.
///
/// # Errors
/// For one that is no key.
pub(super) fn key(headers: &HeaderMap) -> Result<Option<String>, Problem> {
    let mut all = headers.get_all(HEADER).iter();
    let Some(value) = all.next() else { return Ok(None) };
    let text = value.to_str().unwrap_or_default();
    let good = (1..=LONGEST).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_graphic());
    if all.next().is_some() || !good {
        let why = format!("Idempotency-Key: once, 1 to {LONGEST} letters, digits and signs without spaces");
        return Err(Problem::new(StatusCode::BAD_REQUEST, "bad-header", why));
    }
    Ok(Some(text.to_owned()))
}

/// Does it, or gives the answer that was given when it was done. `request` is the body, as it was understood.
pub(super) async fn once<F>(app: &AppState, station: &str, key: &str, request: &str, work: F) -> Response
where
    F: Future<Output = Response>,
{
    let Some(_turn) = app.under_way.take(station, key) else {
        let why = "a start with this Idempotency-Key is under way; ask again in a moment";
        return Problem::new(StatusCode::CONFLICT, "in-progress", why).retry_after(1).into_response();
    };
    let print = super::guard::hash(request);
    let (at, named) = (station.to_owned(), key.to_owned());
    let known = match app.read(move |h| h.once(&at, &named)).await {
        Ok(known) => known,
        Err(problem) => return problem.into_response(),
    };
    match known {
        Some(row) if row.request != print => {
            let why = "this Idempotency-Key came with another body before; a new start needs a new key";
            return Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "key-reused", why).into_response();
        }
        Some(row) => {
            return row.answer.map_or_else(in_doubt, |(status, body)| again(status, body));
        }
        None => {}
    }
    let (at, named) = (station.to_owned(), key.to_owned());
    if let Err(problem) = app.write(move |h| h.once_begin(&at, &named, &print)).await {
        return problem.into_response();
    }
    let (parts, body) = work.await.into_parts();
    // Our own answers, all of them short.
    let body = axum::body::to_bytes(body, 1 << 20).await.unwrap_or_default();
    let text = String::from_utf8_lossy(&body).into_owned();
    let (at, named, status) = (station.to_owned(), key.to_owned(), parts.status.as_u16());
    if let Err(problem) = app.write(move |h| h.once_end(&at, &named, status, &text)).await {
        // The run is begun or refused already; what is lost is the answer to whoever asks again.
        tracing::error!("the answer to a start is not kept: {}", problem.detail);
    }
    Response::from_parts(parts, body.into())
}

fn again(status: u16, body: String) -> Response {
    let status = StatusCode::from_u16(status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let kind = if status.is_success() { "application/json" } else { "application/problem+json" };
    (status, [(header::CONTENT_TYPE, kind)], body).into_response()
}

fn in_doubt() -> Response {
    let why = "a start with this Idempotency-Key was cut short, and whether its run or job began is not known: look at the station, the runs and the jobs, then start with a new key";
    Problem::new(StatusCode::CONFLICT, "in-doubt", why).into_response()
}

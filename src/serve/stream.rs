//! One station's live stream: server-sent events, one per published snapshot.

use super::look::Watched;
use super::problem::Problem;
use super::state::AppState;
use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::response::sse::{Event, Sse};
use futures_util::stream::{self, Stream};
use std::convert::Infallible;
use std::time::Duration;
use tokio::sync::OwnedSemaphorePermit;
use tokio::time::{Instant, sleep_until, timeout};
use tokio_util::sync::CancellationToken;

/// An event at least this often, so that a reader sees the age grow and notices
/// when we are gone.
const HEARTBEAT: Duration = Duration::from_secs(1);
/// And at most this often, however fast the station polls.
const BREATH: Duration = Duration::from_millis(100);

/// `event: snapshot` with the station as JSON. Ends with the daemon: without
/// that, a graceful shutdown would wait for every open browser.
pub(super) async fn stream(
    State(app): State<AppState>,
    Path(name): Path<String>,
    headers: HeaderMap,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let watched = app.station(&name)?.clone();
    let place = app.stream_place()?;
    // Whoever has the last one already waits for the next.
    let had = headers.get("last-event-id").and_then(|v| v.to_str().ok()?.parse::<u64>().ok());
    let first = (had == Some(watched.look().snapshot.seq)).then(Instant::now);
    Ok(Sse::new(events(watched, app.shutdown.clone(), first, place)))
}

fn events(
    watched: Watched,
    shutdown: CancellationToken,
    first: Option<Instant>,
    place: OwnedSemaphorePermit,
) -> impl Stream<Item = Result<Event, Infallible>> {
    let publications = watched.handle.subscribe();
    stream::unfold(
        (watched, publications, first, shutdown, place),
        async |(watched, mut publications, last, shutdown, place)| {
            if let Some(last) = last {
                let next = async {
                    sleep_until(last + BREATH).await;
                    // Unchanged for a second: the same again, older.
                    !matches!(timeout(HEARTBEAT, publications.changed()).await, Ok(Err(_)))
                };
                let goes_on = tokio::select! {
                    () = shutdown.cancelled() => false,
                    goes_on = next => goes_on,
                };
                if !goes_on {
                    return None;
                }
            }
            publications.mark_unchanged();
            let look = watched.look();
            let event = Event::default().event("snapshot").id(look.snapshot.seq.to_string());
            let event = match event.json_data(&look) {
                Ok(event) => event,
                Err(e) => Event::default().event("trouble").data(e.to_string()),
            };
            Some((Ok(event), (watched, publications, Some(Instant::now()), shutdown, place)))
        },
    )
}

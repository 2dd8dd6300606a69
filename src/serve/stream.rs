//! One station's live stream: server-sent events, one per published snapshot.

use super::look::{Look, Watched};
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

/// Points of the trend are a second apart; two moments nearer than this are the same point.
const SAME: i64 = 500;

/// What a reader has: the id of an event is `SEQ.NEWEST`.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Had {
    /// Of the snapshot.
    seq: u64,
    /// Newest point of the trend, milliseconds since 1970; 0: none.
    newest: i64,
}

impl Had {
    /// Of an id of ours; a bare number is a seq.
    fn read(id: &str) -> Option<Had> {
        let (seq, newest) = id.split_once('.').unwrap_or((id, "0"));
        Some(Had { seq: seq.parse().ok()?, newest: newest.parse().ok()? })
    }
}

/// Takes out of the trend what a reader has who has all up to `newest`, and says up to when it has all then.
/// Without a readable time of the snapshot nothing can be told apart, and all stays.
fn only_new(look: &mut Look, newest: i64) -> i64 {
    let Ok(taken) = look.snapshot.taken.parse::<jiff::Timestamp>() else { return 0 };
    let taken = taken.as_millisecond();
    let when = |ago: f32| taken - (f64::from(ago) * 1000.0).round() as i64;
    let last = look.snapshot.trend.last().map_or(newest, |p| when(p.0));
    // A clock that was put back: rather twice than never.
    if last >= newest - SAME {
        look.snapshot.trend.retain(|p| when(p.0) > newest + SAME);
    }
    if look.snapshot.trend.is_empty() { newest } else { last }
}

/// `event: snapshot` with the station as JSON; its trend whole in the first, in those after it only what is new. Who
/// comes back with the id of the last gets what is new since. Ends with the daemon: without that, a graceful shutdown
/// would wait for every open browser.
pub(super) async fn stream(
    State(app): State<AppState>,
    Path(name): Path<String>,
    headers: HeaderMap,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let watched = app.station(&name)?.clone();
    let place = app.stream_place()?;
    // Whoever has the last one already waits for the next.
    let had = headers.get("last-event-id").and_then(|v| Had::read(v.to_str().ok()?));
    let first = had.is_some_and(|had| had.seq == watched.look().snapshot.seq).then(Instant::now);
    let newest = had.map_or(0, |had| had.newest);
    Ok(Sse::new(events(watched, app.shutdown.clone(), first, newest, place)))
}

fn events(
    watched: Watched,
    shutdown: CancellationToken,
    first: Option<Instant>,
    newest: i64,
    place: OwnedSemaphorePermit,
) -> impl Stream<Item = Result<Event, Infallible>> {
    let publications = watched.handle.subscribe();
    stream::unfold(
        (watched, publications, first, newest, shutdown, place),
        async |(watched, mut publications, last, newest, shutdown, place)| {
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
            let mut look = watched.look();
            let newest = only_new(&mut look, newest);
            let event = Event::default().event("snapshot").id(format!("{}.{newest}", look.snapshot.seq));
            let event = match event.json_data(&look) {
                Ok(event) => event,
                Err(e) => Event::default().event("trouble").data(e.to_string()),
            };
            Some((Ok(event), (watched, publications, Some(Instant::now()), newest, shutdown, place)))
        },
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::Snapshot;

    /// `seconds` after a moment, with a point each second up to then.
    fn look(seconds: i64) -> Look {
        let taken = jiff::Timestamp::from_second(1_800_000_000 + seconds).unwrap();
        let trend = (0..=seconds).map(|at| ((seconds - at) as f32, 3.0, at as f32)).collect();
        let snapshot = Snapshot { seq: 9, taken: format!("{taken:.3}"), trend, ..Snapshot::default() };
        Look::at(&snapshot, Duration::ZERO, Duration::ZERO, Duration::from_secs(1))
    }
    fn amps(look: &Look) -> Vec<f32> {
        look.snapshot.trend.iter().map(|p| p.2).collect()
    }

    #[test]
    fn trend_is_neither_sent_again_nor_left_out() {
        let mut first = look(5);
        let newest = only_new(&mut first, 0);
        assert_eq!(amps(&first), [0.0, 1.0, 2.0, 3.0, 4.0, 5.0], "who has nothing gets all");
        let mut next = look(7);
        let then = only_new(&mut next, newest);
        assert_eq!(amps(&next), [6.0, 7.0]);
        let mut same = look(7);
        assert_eq!(only_new(&mut same, then), then);
        assert!(amps(&same).is_empty());
        // A reader that was away since the first.
        let id = format!("9.{newest}");
        let had = Had::read(&id).unwrap();
        let mut later = look(9);
        only_new(&mut later, had.newest);
        assert_eq!(amps(&later), [6.0, 7.0, 8.0, 9.0]);
    }

    #[test]
    fn clock_that_is_put_back_does_not_end_the_trend() {
        let newest = only_new(&mut look(500), 0);
        let mut back = look(3);
        only_new(&mut back, newest);
        assert_eq!(amps(&back).len(), 4);
    }

    #[test]
    fn id_of_somebody_else_is_not_taken() {
        assert_eq!(Had::read("12"), Some(Had { seq: 12, newest: 0 }));
        assert_eq!(Had::read("12.1800000000000"), Some(Had { seq: 12, newest: 1_800_000_000_000 }));
        assert!(Had::read("e2.a0").is_none() && Had::read("").is_none());
    }
}

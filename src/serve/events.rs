//! Events and alarm changes as server-sent events, from the ledger, resumable.
//!
//! The id is `e{event}.a{alarm}`: the numbers of the last row of each kind that
//! was sent. Whoever comes back with it (`Last-Event-ID`, or `after`) gets what
//! came since, however long ago; without it, or with one that this ledger has not
//! come to, the stream begins now, and its first event (`begin`) says where. A row is seen
//! once it is on disk, within a second.

use super::lists::{bad_query, unread};
use super::problem::Problem;
use super::state::AppState;
use crate::ledger::{AlarmRow, EventRow};
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::HeaderMap;
use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::stream::{self, Stream};
use serde::Deserialize;
use std::collections::VecDeque;
use std::convert::Infallible;
use std::time::Duration;
use tokio::sync::OwnedSemaphorePermit;

/// How often the ledger is asked for more.
const LOOK: Duration = Duration::from_millis(500);
/// A comment at least this often, so that either end notices when the other is gone.
const HEARTBEAT: Duration = Duration::from_secs(10);
/// Rows of each kind that are read at once.
const BATCH: u32 = 200;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct From {
    #[serde(default)]
    after: Option<String>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Cursor {
    event: i64,
    alarm: i64,
}

impl Cursor {
    fn read(text: &str) -> Option<Cursor> {
        let (event, alarm) = text.strip_prefix('e')?.split_once(".a")?;
        let number = |t: &str| t.bytes().all(|b| b.is_ascii_digit()).then(|| t.parse().ok())?;
        Some(Cursor { event: number(event)?, alarm: number(alarm)? })
    }
    fn text(self) -> String {
        format!("e{}.a{}", self.event, self.alarm)
    }
}

struct Reading {
    app: AppState,
    at: Cursor,
    waiting: VecDeque<(Cursor, Row)>,
    begun: bool,
    _place: OwnedSemaphorePermit,
}

enum Row {
    Event(EventRow),
    Alarm(AlarmRow),
}

pub(super) async fn events(
    State(app): State<AppState>,
    headers: HeaderMap,
    asked: Result<Query<From>, QueryRejection>,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let Query(from) = asked.map_err(unread)?;
    // A browser that comes back by itself sends the header along with the address it began with.
    let told = headers.get("last-event-id").map(|v| v.to_str().unwrap_or_default().to_owned()).or(from.after);
    let told = told.map(|text| {
        Cursor::read(&text).ok_or_else(|| bad_query("after: an id of this stream, such as e12.a3"))
    });
    let told = told.transpose()?;
    let (event, alarm) = app.read(|h| h.newest()).await?;
    let newest = Cursor { event, alarm };
    // An id that this ledger has not come to is another ledger's: whoever has it would wait for years in silence.
    let at = told.filter(|at| at.event <= newest.event && at.alarm <= newest.alarm).unwrap_or(newest);
    let place = app.stream_place()?;
    let reading = Reading { app, at, waiting: VecDeque::new(), begun: false, _place: place };
    Ok(Sse::new(stream::unfold(reading, next)).keep_alive(KeepAlive::new().interval(HEARTBEAT)))
}

async fn next(mut reading: Reading) -> Option<(Result<Event, Infallible>, Reading)> {
    if !reading.begun {
        // Where it stands, at once: whoever is cut before the first row can still resume.
        reading.begun = true;
        let event = Event::default().event("begin").id(reading.at.text()).data("{}");
        return Some((Ok(event), reading));
    }
    loop {
        if let Some((cursor, row)) = reading.waiting.pop_front() {
            reading.at = cursor;
            let event = match &row {
                Row::Event(row) => Event::default().event("event").json_data(row),
                Row::Alarm(row) => Event::default().event("alarm").json_data(row),
            };
            let event = event.unwrap_or_else(|e| Event::default().event("trouble").data(e.to_string()));
            return Some((Ok(event.id(cursor.text())), reading));
        }
        let at = reading.at;
        let more = reading
            .app
            .read(move |h| Ok((h.events_after(at.event, BATCH)?, h.alarms_after(at.alarm, BATCH)?)))
            .await;
        match more {
            Ok((events, alarms)) => reading.waiting = woven(at, events, alarms),
            // A ledger that cannot be read now may be read again in a moment.
            Err(problem) => tracing::debug!("events: {}", problem.detail),
        }
        if reading.waiting.is_empty() {
            tokio::select! {
                () = reading.app.shutdown.cancelled() => return None,
                () = tokio::time::sleep(LOOK) => {}
            }
        }
    }
}

/// Both kinds in the order of their time; rows of one kind keep theirs whatever the wall clock did.
fn woven(
    mut at: Cursor,
    events: Vec<(i64, EventRow)>,
    alarms: Vec<(i64, AlarmRow)>,
) -> VecDeque<(Cursor, Row)> {
    let (mut events, mut alarms) = (events.into_iter().peekable(), alarms.into_iter().peekable());
    let mut all = VecDeque::new();
    loop {
        let event_first = match (events.peek(), alarms.peek()) {
            (None, None) => return all,
            (Some((_, e)), Some((_, a))) => e.at <= a.at,
            (e, _) => e.is_some(),
        };
        let row = if event_first {
            events.next().map(|(id, row)| (Cursor { event: id, ..at }, Row::Event(row)))
        } else {
            alarms.next().map(|(id, row)| (Cursor { alarm: id, ..at }, Row::Alarm(row)))
        };
        if let Some((cursor, row)) = row {
            at = cursor;
            all.push_back((cursor, row));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cursor_is_read_back_and_anything_else_is_none() {
        let cursor = Cursor { event: 12, alarm: 3 };
        assert_eq!(Cursor::read(&cursor.text()), Some(cursor));
        for bad in ["", "12", "e1.a", "e.a1", "e1.a2.a3", "e-1.a2", "e1.a99999999999999999999", "e+1.a1"] {
            assert_eq!(Cursor::read(bad), None, "{bad}");
        }
    }
}

//! One stream for a whole screen: every station that is new, four times a second.
//!
//! Each picture is put into words once, however many look; every screen gets the
//! same bytes. While nobody looks nothing is done.

use super::look::{Look, Watched};
use super::problem::Problem;
use super::state::AppState;
use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::http::{HeaderName, header};
use axum::response::IntoResponse;
use futures_util::stream::{self, Stream};
use std::convert::Infallible;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tokio::sync::{Notify, watch};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep};
use tokio_util::sync::CancellationToken;

/// A screen for people is renewed so often.
const GLANCE: Duration = Duration::from_millis(250);
/// And shown every station at least so often: it sees ages grow, and notices when we are gone.
const WHOLE: Duration = Duration::from_secs(1);
/// Screens are not all served at the same instant but in so many turns, a millisecond each: whoever asks for something
/// else meanwhile waits for one or two of them, not for all.
const TURNS: u64 = 100;

/// One event, as it goes over the wire.
#[derive(Clone, Debug, Default)]
struct Picture {
    /// Counts them.
    number: u64,
    /// It has every station.
    whole: bool,
    event: Bytes,
}

/// Where the pictures come from; cheap to clone.
#[derive(Clone, Debug)]
pub(super) struct Glances {
    pictures: watch::Sender<Picture>,
    wanted: Arc<Notify>,
    /// Screens so far.
    came: Arc<AtomicU64>,
}

impl Glances {
    /// Must be called within a tokio runtime; the painter ends with the token.
    pub fn begin(stations: Arc<[Watched]>, shutdown: CancellationToken) -> Glances {
        let glances =
            Glances { pictures: watch::Sender::default(), wanted: Arc::default(), came: Arc::default() };
        let painter = glances.clone();
        tokio::spawn(async move {
            tokio::select! {
                () = shutdown.cancelled() => {}
                () = painter.paint(&stations) => {}
            }
        });
        glances
    }

    /// A receiver, and how long after each picture its turn comes.
    fn subscribe(&self) -> (watch::Receiver<Picture>, Duration) {
        let pictures = self.pictures.subscribe();
        self.wanted.notify_one();
        // 37 and 100 have no divisor in common: every turn is used before one is used twice.
        let turn = self.came.fetch_add(1, Ordering::Relaxed) * 37 % TURNS;
        (pictures, Duration::from_millis(turn))
    }

    async fn paint(&self, stations: &[Watched]) {
        let mut beat = interval(GLANCE);
        beat.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut seen: Vec<u64> = Vec::new();
        let mut whole_at: Option<Instant> = None;
        loop {
            while self.pictures.receiver_count() == 0 {
                self.wanted.notified().await;
            }
            beat.tick().await;
            let looks: Vec<Look> = stations.iter().map(Watched::look).collect();
            let now: Vec<u64> = looks.iter().map(|look| look.snapshot.seq).collect();
            let whole = whole_at.is_none_or(|at| at.elapsed() >= WHOLE);
            let fresh: Vec<Look> = looks
                .into_iter()
                .enumerate()
                .filter(|(i, look)| whole || seen.get(*i) != Some(&look.snapshot.seq))
                .map(|(_, look)| look.without_trend())
                .collect();
            seen = now;
            if whole {
                whole_at = Some(Instant::now());
            }
            if !fresh.is_empty() {
                self.pictures.send_modify(|picture| {
                    *picture = Picture { number: picture.number + 1, whole, event: event(&fresh) };
                });
            }
        }
    }
}

/// `event: stations`, with an array of them. JSON on one line needs no other framing.
fn event(looks: &[Look]) -> Bytes {
    let (kind, data) = match serde_json::to_string(looks) {
        Ok(json) => ("stations", json),
        Err(e) => ("trouble", e.to_string()),
    };
    Bytes::from(format!("event: {kind}\ndata: {data}\n\n"))
}

fn everything(stations: &[Watched]) -> Bytes {
    let looks: Vec<Look> = stations.iter().map(|w| w.look().without_trend()).collect();
    event(&looks)
}

/// `event: stations` with an array of those that are new, without their trend: one stream for a whole screen, however
/// many stations there are. All of them at once, and again at least each second.
pub(super) async fn all(State(app): State<AppState>) -> Result<impl IntoResponse, Problem> {
    let place = app.stream_place()?;
    let about = [
        (header::CONTENT_TYPE, "text/event-stream"),
        (header::CACHE_CONTROL, "no-cache"),
        // Some proxies keep events back without it.
        (HeaderName::from_static("x-accel-buffering"), "no"),
    ];
    Ok((about, Body::from_stream(looks(&app.glances, app.stations.clone(), app.shutdown.clone(), place))))
}

/// The `place` is given back when the stream ends.
fn looks<P: Send + 'static>(
    glances: &Glances,
    stations: Arc<[Watched]>,
    shutdown: CancellationToken,
    place: P,
) -> impl Stream<Item = Result<Bytes, Infallible>> + use<P> {
    let begun = (glances.subscribe(), None::<u64>, stations, shutdown, place);
    stream::unfold(begun, async |((mut pictures, turn), last, stations, shutdown, place)| {
        let (event, number) = match last {
            // Whoever comes sees everything at once.
            None => {
                let number = pictures.borrow_and_update().number;
                (everything(&stations), number)
            }
            Some(last) => {
                let next = async {
                    pictures.changed().await.ok()?;
                    sleep(turn).await;
                    Some(())
                };
                tokio::select! {
                    () = shutdown.cancelled() => return None,
                    next = next => next?,
                }
                let picture = pictures.borrow_and_update().clone();
                // A slow reader missed one, and a station with it: everything instead.
                let follows = picture.whole || picture.number == last + 1;
                (if follows { picture.event } else { everything(&stations) }, picture.number)
            }
        };
        Some((Ok(event), ((pictures, turn), Some(number), stations, shutdown, place)))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::{Handle, Snapshot};
    use futures_util::StreamExt;
    use std::pin::pin;
    use tokio::sync::mpsc;
    use tokio::time::timeout;

    type Publish = watch::Sender<Arc<Snapshot>>;

    fn stations() -> (Vec<Publish>, Arc<[Watched]>) {
        let of = |name: &str| {
            let (publish, snapshots) = watch::channel(snapshot(1));
            let handle = Handle::new(name, snapshots, mpsc::channel(1).0);
            (publish, Watched::new(handle, Duration::from_secs(1)))
        };
        let (publish, watched): (Vec<_>, Vec<_>) = ["a", "b"].map(of).into_iter().unzip();
        (publish, watched.into())
    }

    fn snapshot(seq: u64) -> Arc<Snapshot> {
        Arc::new(Snapshot { seq, ..Snapshot::default() })
    }

    fn seqs(event: &Bytes) -> Vec<(String, u64)> {
        let text = std::str::from_utf8(event).unwrap();
        let data = text.strip_prefix("event: stations\ndata: ").unwrap().strip_suffix("\n\n").unwrap();
        assert!(!data.contains('\n'), "one line, or the event is cut short: {data}");
        let all: Vec<serde_json::Value> = serde_json::from_str(data).unwrap();
        let one = |s: &serde_json::Value| (s["station"].as_str().unwrap().into(), s["seq"].as_u64().unwrap());
        all.iter().map(one).collect()
    }

    fn known(all: &[(&str, u64)]) -> Vec<(String, u64)> {
        all.iter().map(|(name, seq)| ((*name).into(), *seq)).collect()
    }

    #[tokio::test(start_paused = true)]
    async fn screen_that_missed_a_picture_is_shown_everything_and_not_only_the_last_change() {
        let (publish, stations) = stations();
        let shutdown = CancellationToken::new();
        let glances = Glances::begin(stations.clone(), shutdown.clone());
        let mut quick = pin!(looks(&glances, stations.clone(), shutdown.clone(), ()));
        let mut slow = pin!(looks(&glances, stations.clone(), shutdown.clone(), ()));
        for screen in [&mut quick, &mut slow] {
            assert_eq!(seqs(&screen.next().await.unwrap().unwrap()), known(&[("a", 1), ("b", 1)]));
        }
        // The first picture of all is whole.
        assert_eq!(seqs(&quick.next().await.unwrap().unwrap()), known(&[("a", 1), ("b", 1)]));
        publish[0].send_replace(snapshot(2));
        assert_eq!(seqs(&quick.next().await.unwrap().unwrap()), known(&[("a", 2)]));
        publish[1].send_replace(snapshot(2));
        assert_eq!(seqs(&quick.next().await.unwrap().unwrap()), known(&[("b", 2)]));
        assert_eq!(seqs(&slow.next().await.unwrap().unwrap()), known(&[("a", 2), ("b", 2)]));
        // Nothing new: within a second all the same.
        let next = timeout(WHOLE + GLANCE * 2, quick.next()).await.unwrap();
        assert_eq!(seqs(&next.unwrap().unwrap()), known(&[("a", 2), ("b", 2)]));
        shutdown.cancel();
        let rest = timeout(WHOLE, async { while quick.next().await.is_some() {} }).await;
        assert!(rest.is_ok(), "the stream outlives the daemon");
    }

    #[tokio::test(start_paused = true)]
    async fn nothing_is_painted_while_nobody_looks_and_the_next_who_comes_is_served() {
        let (_publish, stations) = stations();
        let shutdown = CancellationToken::new();
        let glances = Glances::begin(stations.clone(), shutdown.clone());
        {
            let mut screen = pin!(looks(&glances, stations.clone(), shutdown.clone(), ()));
            screen.next().await.unwrap().unwrap();
            screen.next().await.unwrap().unwrap();
        }
        sleep(GLANCE * 2).await;
        let painted = glances.pictures.borrow().number;
        sleep(Duration::from_secs(60)).await;
        assert_eq!(glances.pictures.borrow().number, painted);
        let mut screen = pin!(looks(&glances, stations.clone(), shutdown.clone(), ()));
        screen.next().await.unwrap().unwrap();
        timeout(WHOLE, screen.next()).await.expect("the painter sleeps on").unwrap().unwrap();
    }
}

//! The same thing asked twice: starts under a key, snapshots under a tag, lists in pages.

use super::rig::*;

async fn start(rig: &Rig, key: &str, body: Value) -> Answer {
    rig.with(Peer::here(), "POST", "/api/v1/stations/bench/start", &[("idempotency-key", key)], body).await
}

fn order_of(thickness: &str) -> Value {
    json!({"by": "mila", "request": {"thickness": thickness}})
}

#[tokio::test]
async fn start_that_is_repeated_under_its_key_begins_no_second_run() {
    let rig = rig();
    let first = start(&rig, "press-1", order_of("8 um")).await;
    assert_eq!(first.status, StatusCode::OK, "{}", first.text);
    rig.post("/api/v1/stations/bench/stop", json!({"by": "mila"})).await;
    // The run is over; the answer was lost, and the program asks again.
    let again = start(&rig, "press-1", order_of("8 um")).await;
    assert_eq!((again.status, &again.text), (StatusCode::OK, &first.text));
    assert_eq!(*rig.seen.lock().unwrap(), ["mila start", "mila stop"]);
    let other = start(&rig, "press-1", order_of("9 um")).await;
    assert_eq!((other.status, other.problem().as_str()), (StatusCode::UNPROCESSABLE_ENTITY, "key-reused"));
    assert_eq!(start(&rig, "press-2", order_of("8 um")).await.status, StatusCode::OK, "another press");
    let refused = start(&rig, "press-3", order_of("8 um")).await;
    assert_eq!(refused.problem(), "refused");
    let seen = rig.seen.lock().unwrap().len();
    assert_eq!(start(&rig, "press-3", order_of("8 um")).await.text, refused.text);
    assert_eq!(rig.seen.lock().unwrap().len(), seen, "the station was not asked again");
}

#[tokio::test]
async fn start_cut_short_by_a_dying_daemon_is_in_doubt_and_not_repeated() {
    let rig = rig();
    let whole = start(&rig, "press", order_of("8 um")).await;
    assert_eq!(whole.status, StatusCode::OK);
    // What the disk holds when the daemon died after the intent and before the answer.
    rig.shelf.keys.lock().unwrap().values_mut().for_each(|row| row.answer = None);
    let seen = rig.seen.lock().unwrap().len();
    let doubt = start(&rig, "press", order_of("8 um")).await;
    assert_eq!((doubt.status, doubt.problem().as_str()), (StatusCode::CONFLICT, "in-doubt"));
    assert_eq!(rig.seen.lock().unwrap().len(), seen);
}

#[tokio::test]
async fn two_presses_at_once_under_one_key_begin_one_run() {
    let rig = rig();
    let (one, two) = tokio::join!(start(&rig, "k", order_of("8 um")), start(&rig, "k", order_of("8 um")));
    let starts = rig.seen.lock().unwrap().iter().filter(|s| s.ends_with("start")).count();
    assert_eq!(starts, 1);
    for answer in [one, two] {
        assert!(
            answer.status == StatusCode::OK || answer.problem() == "in-progress",
            "{} {}",
            answer.status,
            answer.text
        );
    }
}

#[tokio::test]
async fn key_that_cannot_be_kept_starts_nothing() {
    let rig = rig();
    for bad in ["", "two words", &"x".repeat(101)] {
        assert_eq!(start(&rig, bad, order_of("8 um")).await.problem(), "bad-header", "{bad:?}");
    }
    *rig.shelf.broken.lock().unwrap() = true;
    assert_eq!(start(&rig, "k", order_of("8 um")).await.problem(), "ledger");
    assert!(rig.seen.lock().unwrap().is_empty());
}

#[tokio::test]
async fn snapshot_that_is_known_is_not_sent_again_and_a_new_one_is() {
    let rig = rig();
    for path in ["/api/v1/stations", "/api/v1/stations/bench"] {
        let first = rig.get(path).await;
        let tag = first.headers["etag"].to_str().unwrap().to_owned();
        let known = rig.with(Peer::here(), "GET", path, &[("if-none-match", &tag)], json!({})).await;
        assert_eq!((known.status, known.text.as_str()), (StatusCode::NOT_MODIFIED, ""));
        assert_eq!(known.headers["etag"], tag.as_str());
        let strange = rig.with(Peer::here(), "GET", path, &[("if-none-match", "\"x\"")], json!({})).await;
        assert_eq!(strange.status, StatusCode::OK);
        let seq = rig.publish.borrow().seq + 1;
        rig.publish.send_replace(Arc::new(snapshot(seq)));
        let new = rig.with(Peer::here(), "GET", path, &[("if-none-match", &tag)], json!({})).await;
        assert_eq!(new.status, StatusCode::OK);
    }
}

#[tokio::test]
async fn full_page_links_to_the_next_and_the_last_to_none() {
    let rig = rig();
    let first = rig.get("/api/v1/runs?limit=1").await;
    let link = first.headers["link"].to_str().unwrap().to_owned();
    assert_eq!(link, format!("</api/v1/runs?limit=1&after={RUN}>; rel=\"next\""));
    let path = link.split(['<', '>']).nth(1).unwrap();
    let next = rig.get(path).await;
    assert_eq!(next.json(), json!([]));
    assert!(!next.headers.contains_key("link"));
    let csv = rig.get("/api/v1/runs?format=csv").await;
    let mut lines = csv.text.lines();
    assert!(lines.next().unwrap().starts_with("id,station,tank,title,"), "{}", csv.text);
    assert!(
        lines.next().unwrap().starts_with(&format!("{RUN},bench,nickel,6 key cups,mila,2026")),
        "{}",
        csv.text
    );
    let readings = rig.get(&format!("/api/v1/runs/{RUN}/readings?format=csv")).await.text;
    assert_eq!(
        readings,
        "seconds,volts,amperes,setpoint_amperes,ceiling_volts,bath_celsius\r\n1.0,2.0,3.0,3.0,6.0,\r\n"
    );
    assert_eq!(rig.get("/api/v1/runs?format=xml").await.problem(), "bad-query");
    assert_eq!(rig.get("/api/v1/runs?after=").await.problem(), "bad-query");
}

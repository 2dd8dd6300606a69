//! What somebody tries who should not switch a supply, and what must not keep off from somebody who may.

use super::rig::*;
use super::wire::{asking, daemon, exchange, read_until};
use std::net::IpAddr;

const OFF: &str = "/api/v1/stations/bench/off";

fn elsewhere(last: u8) -> Peer {
    Peer { address: [192, 0, 2, last].into(), here: false, tls: false }
}

fn by() -> Value {
    json!({ "by": "mila" })
}

async fn with_token(rig: &Rig, method: &str, path: &str, token: &str, body: Value) -> Answer {
    let bearer = format!("Bearer {token}");
    rig.with(elsewhere(7), method, path, &[("authorization", &bearer)], body).await
}

/// A browser that has logged in: cookie and word.
async fn log_in(rig: &Rig, token: &str) -> (String, String) {
    let answer = rig.with(elsewhere(7), "POST", "/api/v1/session", &[], json!({ "token": token })).await;
    let set = answer.headers["set-cookie"].to_str().unwrap();
    (set.split(';').next().unwrap().to_owned(), answer.json()["csrf"].as_str().unwrap().to_owned())
}

fn audited(rig: &Rig) -> Vec<AuditRow> {
    rig.shelf.audited.lock().unwrap().clone()
}

#[tokio::test]
async fn stranger_pushes_nobody_out_of_the_audit_and_what_has_no_line_is_counted() {
    let rig = rig();
    let (operate, watch) = (rig.token("tablet", Scope::Operate), rig.token("screen", Scope::Watch));
    // Without a token, with a forged Host, with a form, by a log-in that is none, and by a screen that may only look.
    for n in 0..400u16 {
        let address: IpAddr = [198, 51, (n >> 8) as u8, n as u8].into();
        let peer = Peer { address, ..elsewhere(0) };
        rig.with(peer, "POST", OFF, &[], by()).await;
        let forged = Request::post(OFF).header("host", "tank.example").body(Body::empty()).unwrap();
        rig.ask(forged).await;
        rig.with(peer, "POST", "/api/v1/session", &[], json!({})).await;
        with_token(&rig, "POST", OFF, &watch, by()).await;
        log_in(&rig, &watch).await;
        let plan = json!({"request": {"thickness": "8 um"}});
        assert_eq!(with_token(&rig, "POST", "/api/v1/plan", &watch, plan).await.status, StatusCode::OK);
    }
    let lines = audited(&rig).len();
    assert!((20..300).contains(&lines), "2400 requests of people who may change nothing: {lines} lines");
    assert_eq!(with_token(&rig, "POST", OFF, &operate, by()).await.status, StatusCode::OK);
    let last = audited(&rig).pop().unwrap();
    assert_eq!(
        (last.token.as_deref(), last.what.as_str()),
        (Some("tablet"), "POST /api/v1/stations/bench/off")
    );

    tokio::time::pause();
    tokio::time::advance(Duration::from_secs(3601)).await;
    rig.with(elsewhere(9), "POST", OFF, &[], by()).await;
    let left_out = |row: &AuditRow| row.what.split_once(" (")?.1.split(' ').next()?.parse::<usize>().ok();
    let all = audited(&rig);
    assert!(left_out(all.last().unwrap()).is_some_and(|n| n > 1000), "{:?}", all.last());
    assert_eq!(all.iter().filter_map(left_out).sum::<usize>(), 2000 - lines, "each is counted somewhere");
}

#[tokio::test]
async fn command_whose_giver_hangs_up_is_carried_out_and_written_down() {
    // Its output does not go off, so that the answer takes three seconds.
    let rig = rig_with(false);
    let token = rig.token("tablet", Scope::Operate);
    let (address, _served) = daemon(&rig).await;
    let mut socket = TcpStream::connect(address).await.unwrap();
    let body = by().to_string();
    let ask = format!(
        "POST {OFF} HTTP/1.1\r\nhost: {address}\r\nauthorization: Bearer {token}\r\ncontent-type: application/json\r\ncontent-length: {}\r\n\r\n{body}",
        body.len()
    );
    let mut pictures = rig.publish.subscribe();
    socket.write_all(ask.as_bytes()).await.unwrap();
    pictures.changed().await.unwrap();
    assert_eq!(*rig.seen.lock().unwrap(), ["mila abort"]);
    drop(socket);
    let written = tokio::time::timeout(Duration::from_secs(10), rig.shelf.written.notified());
    assert!(written.await.is_ok(), "switched off by nobody");
    let row = audited(&rig).remove(0);
    assert_eq!((row.token.as_deref(), row.by.as_deref(), row.status), (Some("tablet"), Some("mila"), 504));
}

#[tokio::test]
async fn stream_ends_when_its_token_is_revoked_and_tells_nothing_more() {
    let rig = rig();
    let (first, second) = (rig.token("screen", Scope::Watch), rig.token("tablet", Scope::Watch));
    let (address, _served) = daemon(&rig).await;
    let open = async |path: &str, token: &str| {
        let mut socket = asking(address, path, &format!("authorization: Bearer {token}\r\n")).await;
        read_until(&mut socket, "event: ").await;
        socket
    };
    let mut revoked = Vec::new();
    for path in ["/api/v1/stream", "/api/v1/stations/bench/stream", "/api/v1/events"] {
        revoked.push((path, open(path, &first).await));
    }
    let mut other = open("/api/v1/stream", &second).await;
    Tokens::at(rig.folder.path()).revoke("screen").unwrap();
    rig.publish.send_replace(Arc::new(Snapshot { log: vec!["a secret".into()], ..snapshot(2) }));
    for (path, socket) in &mut revoked {
        let mut rest = Vec::new();
        let ended = tokio::time::timeout(Duration::from_secs(15), socket.read_to_end(&mut rest)).await;
        ended.unwrap_or_else(|_| panic!("{path} goes on")).unwrap();
        assert!(!String::from_utf8_lossy(&rest).contains("a secret"), "{path}");
    }
    read_until(&mut other, "a secret").await;
}

#[tokio::test]
async fn stream_that_needed_no_token_ends_when_the_first_token_is_made() {
    let rig = rig();
    let (address, _served) = daemon(&rig).await;
    let mut socket = asking(address, "/api/v1/stream", "connection: close\r\n").await;
    read_until(&mut socket, "event: stations").await;
    rig.token("tablet", Scope::Watch);
    let mut rest = Vec::new();
    tokio::time::timeout(Duration::from_secs(5), socket.read_to_end(&mut rest)).await.unwrap().unwrap();
}

#[tokio::test]
async fn log_ins_without_end_log_no_operator_out() {
    let rig = rig();
    let (operate, watch) = (rig.token("tablet", Scope::Operate), rig.token("screen", Scope::Watch));
    let (cookie, word) = log_in(&rig, &operate).await;
    for _ in 0..300 {
        log_in(&rig, &watch).await;
    }
    let headers = [("cookie", cookie.as_str()), ("x-tankside", word.as_str())];
    let off = rig.with(elsewhere(7), "POST", OFF, &headers, by()).await;
    assert_eq!(off.status, StatusCode::OK, "{}", off.text);
}

#[tokio::test]
async fn screen_that_is_in_use_is_not_logged_out_in_the_middle_of_a_long_run() {
    let rig = rig();
    let token = rig.token("tablet", Scope::Operate);
    let (cookie, _) = log_in(&rig, &token).await;
    let who = async || {
        let answer =
            rig.with(elsewhere(7), "GET", "/api/v1/session", &[("cookie", &cookie)], json!({})).await;
        answer.json()["name"].clone()
    };
    tokio::time::pause();
    for hour in [8, 16, 24] {
        tokio::time::advance(Duration::from_secs(8 * 3600)).await;
        assert_eq!(who().await, "tablet", "after {hour} h");
    }
    tokio::time::advance(Duration::from_secs(12 * 3600 + 1)).await;
    assert_eq!(who().await, Value::Null, "nobody was there");
}

#[tokio::test]
async fn spoiled_list_of_tokens_keeps_off_from_nobody_who_could_operate_and_lets_nobody_start() {
    let rig = rig();
    let (operate, watch) = (rig.token("tablet", Scope::Operate), rig.token("screen", Scope::Watch));
    let (cookie, word) = log_in(&rig, &operate).await;
    let (address, _served) = daemon(&rig).await;
    let mut looks = asking(address, "/api/v1/stream", &format!("cookie: {cookie}\r\n")).await;
    read_until(&mut looks, "event: stations").await;
    write(&rig.folder.path().join("tokens.json"), "{");
    // A page that is told to log in puts its stop button away and forgets its word for off.
    for path in ["/api/v1/session", "/api/v1/stations"] {
        let answer = rig.with(elsewhere(7), "GET", path, &[("cookie", &cookie)], json!({})).await;
        assert_eq!(answer.problem(), "tokens", "{path}");
    }
    rig.publish.send_replace(Arc::new(Snapshot { log: vec!["still told".into()], ..snapshot(2) }));
    read_until(&mut looks, "still told").await;
    for verb in ["off", "abort", "stop", "hold"] {
        let path = format!("/api/v1/stations/bench/{verb}");
        let answer = with_token(&rig, "POST", &path, &operate, by()).await;
        assert!([200, 409].contains(&answer.status.as_u16()), "{verb}: {}", answer.text);
        let headers = [("cookie", cookie.as_str()), ("x-tankside", word.as_str())];
        let answer = rig.with(elsewhere(7), "POST", &path, &headers, by()).await;
        assert!([200, 409].contains(&answer.status.as_u16()), "{verb}: {}", answer.text);
        let no_word = rig.with(elsewhere(7), "POST", &path, &headers[..1], by()).await;
        assert_eq!(no_word.problem(), "bad-csrf");
        assert_eq!(with_token(&rig, "POST", &path, &watch, by()).await.problem(), "no-scope");
        assert_eq!(with_token(&rig, "POST", &path, "guess", by()).await.problem(), "tokens");
        assert!(
            [StatusCode::UNAUTHORIZED, StatusCode::SERVICE_UNAVAILABLE]
                .contains(&rig.with(elsewhere(7), "POST", &path, &[], by()).await.status)
        );
    }
    rig.seen.lock().unwrap().clear();
    let start = json!({"by": "mila", "request": {"thickness": "8 um"}});
    for path in ["start", "resume"] {
        let body = if path == "start" { start.clone() } else { by() };
        let answer =
            with_token(&rig, "POST", &format!("/api/v1/stations/bench/{path}"), &operate, body).await;
        assert_eq!(answer.problem(), "tokens");
    }
    assert!(rig.seen.lock().unwrap().is_empty(), "{:?}", rig.seen.lock().unwrap());
    // A revoked one is not a spoiled list.
    std::fs::remove_file(rig.folder.path().join("tokens.json")).unwrap();
    rig.token("other", Scope::Watch);
    assert_eq!(with_token(&rig, "POST", OFF, &operate, by()).await.problem(), "no-token");
}

#[tokio::test]
async fn name_that_is_empty_odd_or_long_keeps_no_output_on() {
    let rig = rig();
    for body in [
        json!({}),
        json!({"by": "mila", "why": "it smells"}),
        json!({"by": ""}),
        json!({"by": "mila\nbench: off"}),
        json!({"by": "x".repeat(500)}),
        json!({"by": " \t"}),
    ] {
        for verb in ["off", "abort"] {
            rig.start("mila").await;
            rig.seen.lock().unwrap().clear();
            let answer = rig.post(&format!("/api/v1/stations/bench/{verb}"), body.clone()).await;
            assert_eq!(answer.status, StatusCode::OK, "{body}: {}", answer.text);
            let seen = rig.seen.lock().unwrap().clone();
            assert!(seen.len() == 1 && seen[0].ends_with(" abort") && seen[0].len() < 100, "{seen:?}");
            assert!(!seen[0].contains(char::is_control), "{seen:?}");
        }
    }
    assert_eq!(audited(&rig).pop().unwrap().by.as_deref(), Some("nobody named"));
}

#[tokio::test]
async fn body_that_cannot_be_read_keeps_no_output_on() {
    let rig = rig();
    let long = format!(r#"{{"by":"mila","why":"{}"}}"#, "x".repeat(70_000));
    for (body, by) in [
        ("", "nobody named"),
        ("{", "nobody named"),
        ("off!", "nobody named"),
        ("[]", "nobody named"),
        (r#"["mila"]"#, "nobody named"),
        (r#"{"by":null}"#, "nobody named"),
        (r#"{"by":7}"#, "nobody named"),
        (r#"{"by":"mila"} x"#, "nobody named"),
        (&long, "nobody named"),
    ] {
        for verb in ["off", "abort"] {
            rig.start("mila").await;
            rig.seen.lock().unwrap().clear();
            let answer = rig.raw(&format!("/api/v1/stations/bench/{verb}"), body.to_owned()).await;
            assert_eq!(answer.status, StatusCode::OK, "{body:.80}: {}", answer.text);
            assert_eq!(*rig.seen.lock().unwrap(), [format!("{by} abort")], "{body:.80}");
        }
    }
}

#[tokio::test]
async fn bare_post_is_off_but_no_form_of_another_site_switches_off() {
    let rig = rig();
    for verb in ["off", "abort"] {
        rig.start("mila").await;
        let path = format!("/api/v1/stations/bench/{verb}");
        let bare = Request::post(&path).header("host", "localhost").body(Body::empty()).unwrap();
        let answer = rig.ask(bare).await;
        assert_eq!(answer.status, StatusCode::OK, "{}", answer.text);
        for (name, value) in
            [("sec-fetch-site", "cross-site"), ("origin", "null"), ("origin", "https://tank.example")]
        {
            rig.seen.lock().unwrap().clear();
            let form = Request::post(&path).header("host", "localhost").header(name, value);
            let form = form.header("content-type", "text/plain").body(Body::from("by=x")).unwrap();
            assert!(rig.ask(form).await.status.is_client_error(), "{name}: {value}");
            assert!(rig.seen.lock().unwrap().is_empty());
        }
        let start = Request::post("/api/v1/stations/bench/hold").header("host", "localhost");
        let answer = rig.ask(start.body(Body::empty()).unwrap()).await;
        assert_eq!(answer.status, StatusCode::UNSUPPORTED_MEDIA_TYPE, "for nothing but off");
    }
}

#[tokio::test(start_paused = true)]
async fn body_that_never_comes_keeps_no_output_on_for_long() {
    let rig = rig();
    rig.start("mila").await;
    let never = futures_util::stream::pending::<Result<Vec<u8>, std::io::Error>>();
    let request = Request::post(OFF)
        .header("host", "localhost")
        .header("content-type", "application/json")
        .body(Body::from_stream(never))
        .unwrap();
    let asked = tokio::time::Instant::now();
    let answer = rig.ask(request).await;
    assert_eq!(answer.status, StatusCode::OK, "{}", answer.text);
    assert!(asked.elapsed() < Duration::from_millis(500), "{:?}", asked.elapsed());
    assert_eq!(rig.seen.lock().unwrap()[1..], ["nobody named abort"]);
}

#[tokio::test]
async fn what_is_asked_for_does_nothing_to_the_terminal_that_shows_the_audit() {
    let rig = rig();
    // U+009B begins what an escape and a bracket begin (ECMA-48, section 5.4); a path may have it.
    rig.post("/api/v1/stations/\u{9b}2J\u{202e}/stop", by()).await;
    let row = audited(&rig).pop().expect("audited");
    assert_eq!(row.what, "POST /api/v1/stations/%C2%9B2J%E2%80%AE/stop");
}

#[tokio::test]
async fn behind_a_proxy_the_audit_says_for_whom_it_asked_and_believes_nobody_elsewhere() {
    let rig = rig();
    let token = format!("Bearer {}", rig.token("tablet", Scope::Operate));
    let from = async |peer: Peer, forwarded: &str| {
        let headers = [("authorization", token.as_str()), ("x-forwarded-for", forwarded)];
        rig.with(peer, "POST", OFF, &headers, by()).await;
        audited(&rig).pop().unwrap().address
    };
    assert_eq!(from(Peer::here(), "198.51.100.9").await, "198.51.100.9 by the proxy 127.0.0.1");
    let spoofed = from(Peer::here(), "203.0.113.1, 2001:db8::9").await;
    assert_eq!(spoofed, "2001:db8::9 by the proxy 127.0.0.1", "its own word is the last");
    assert_eq!(from(Peer::here(), "127.0.0.1 by root").await, "127.0.0.1");
    assert_eq!(from(elsewhere(7), "127.0.0.1").await, "192.0.2.7");
}

#[tokio::test]
async fn host_in_the_request_line_is_checked_like_the_one_in_the_header() {
    let rig = rig();
    let (address, _served) = daemon(&rig).await;
    let ask = async |line: &str, rest: &str| {
        exchange(address, &format!("{line}\r\n{rest}connection: close\r\n\r\n")).await
    };
    let host = format!("host: {address}\r\n");
    let own = ask(&format!("GET http://{address}/healthz HTTP/1.1"), &host).await;
    assert!(own.starts_with("HTTP/1.1 200"), "{own}");
    for line in [
        "GET http://tank.example/healthz HTTP/1.1".to_owned(),
        format!("GET http://mila@{address}/healthz HTTP/1.1"),
        format!("GET http://{address}.tank.example/healthz HTTP/1.1"),
    ] {
        let answer = ask(&line, &host).await;
        assert!(answer.starts_with("HTTP/1.1 421") && answer.contains("bad-host"), "{line}: {answer}");
    }
    for (line, rest) in [("GET /healthz HTTP/1.1", ""), ("GET /healthz HTTP/1.0", "")] {
        assert!(ask(line, rest).await.contains(" 421 "), "{line}: no host at all");
    }
}

#[tokio::test]
async fn page_that_came_without_tls_is_not_the_one_that_a_proxy_serves_with_it() {
    let rig = rig();
    let token = format!("Bearer {}", rig.token("tablet", Scope::Operate));
    let stop = async |proto: &str, origin: &str| {
        let request = Request::post(OFF)
            .header("host", "tank.example.org")
            .header("origin", origin)
            .header("authorization", &token)
            .header("x-forwarded-proto", proto)
            .header("content-type", "application/json")
            .body(Body::from(by().to_string()))
            .unwrap();
        rig.ask(request).await.status
    };
    assert_eq!(stop("https", "https://tank.example.org").await, StatusCode::OK);
    assert_eq!(stop("https", "http://tank.example.org").await, StatusCode::FORBIDDEN);
    assert_eq!(stop("http", "http://tank.example.org").await, StatusCode::OK);
}

#[tokio::test]
async fn full_house_keeps_stop_from_nobody_who_may_operate() {
    let rig = rig();
    let (operate, watch) = (rig.token("tablet", Scope::Operate), rig.token("screen", Scope::Watch));
    let (cookie, word) = log_in(&rig, &operate).await;
    let (address, _served) = daemon(&rig).await;
    // Three times as many as there are seats and places, and more as they are given up.
    let crowd = tokio::spawn(async move {
        let mut held = std::collections::VecDeque::new();
        loop {
            held.push_back(TcpStream::connect(address).await.unwrap());
            if held.len() > 900 {
                held.pop_front();
            }
            tokio::task::yield_now().await;
        }
    });
    let ask = async |line: &str, who: &str, body: Value| {
        let body = body.to_string();
        let ask = format!(
            "{line} HTTP/1.1\r\nhost: {address}\r\n{who}content-type: application/json\r\ncontent-length: {}\r\n\r\n{body}",
            body.len()
        );
        exchange(address, &ask).await
    };
    let bearer = |token: &str| format!("authorization: Bearer {token}\r\n");
    // Until the house is full.
    let mut seated = Vec::new();
    loop {
        let mut socket = asking(address, "/api/v1/stations", &bearer(&watch)).await;
        if read_until(&mut socket, "\r\n\r\n").await.starts_with("HTTP/1.1 503") {
            break;
        }
        seated.push(socket);
    }
    let post = format!("POST {OFF}");
    for n in 0..50 {
        let answer = ask(&post, &bearer(&operate), by()).await;
        assert!(answer.starts_with("HTTP/1.1 200"), "{n}: {answer:?}");
        let browser = format!("cookie: {cookie}\r\nx-tankside: {word}\r\n");
        let answer = ask(&post, &browser, by()).await;
        assert!(answer.starts_with("HTTP/1.1 200"), "{n}: {answer:?}");
    }
    // A page whose log-in has a newer word is told that, and not that it is to wait.
    let old = ask(&post, &format!("cookie: {cookie}\r\nx-tankside: of-yesterday\r\n"), by()).await;
    assert!(old.starts_with("HTTP/1.1 403") && old.contains("bad-csrf"), "{old}");
    let looks = ask("GET /api/v1/stations", &bearer(&watch), json!({})).await;
    assert!(looks.starts_with("HTTP/1.1 503") && looks.contains("retry-after: 5"), "{looks}");
    let stays = ask("GET /api/v1/stream", &bearer(&operate), json!({})).await;
    assert!(stays.starts_with("HTTP/1.1 503"), "a stream would keep the place: {stays}");
    let logs_in = ask("POST /api/v1/session", "", json!({ "token": operate })).await;
    assert!(logs_in.starts_with("HTTP/1.1 200"), "{logs_in}");
    crowd.abort();
}

#[tokio::test]
async fn record_of_a_long_run_holds_up_nobody_who_wants_to_switch_off() {
    let rig = rig();
    // Some eleven hours at 5 Hz.
    rig.shelf.more_readings.store(200_000, Ordering::Relaxed);
    // One thread answers here: while it makes something of them, nobody else has a turn.
    let shelf = rig.shelf.clone();
    let others = tokio::spawn(async move {
        loop {
            shelf.turns.fetch_add(1, Ordering::Relaxed);
            tokio::task::yield_now().await;
        }
    });
    for path in ["readings?format=csv", "readings", "record.json", "record.csv", "plot.svg"] {
        let request = Request::get(format!("/api/v1/runs/{RUN}/{path}")).header("host", "localhost");
        let answer = router(rig.app.clone()).oneshot(request.body(Body::empty()).unwrap()).await.unwrap();
        assert_eq!(answer.status(), StatusCode::OK, "{path}");
        let read_at = rig.shelf.turns_when_read.load(Ordering::Relaxed);
        let turns = rig.shelf.turns.load(Ordering::Relaxed) - read_at;
        assert!(turns > 1000, "{path}: others had {turns} turns between the last reading and the answer");
    }
    others.abort();
}

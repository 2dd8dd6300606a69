//! Who is let in, and for what.

use super::rig::*;

#[tokio::test]
async fn forged_host_is_refused_on_every_route() {
    let rig = rig();
    for host in ["tank.example", "localhost.tank.example", "10.1.2.3:8093", ""] {
        for path in ["/", "/metrics", "/api/v1/stations", "/healthz"] {
            let answer = rig.ask(Request::get(path).header("host", host).body(Body::empty()).unwrap()).await;
            assert_eq!(answer.status, StatusCode::MISDIRECTED_REQUEST, "{host} {path}");
            assert_eq!(answer.problem(), "bad-host");
        }
    }
    let none = rig.ask(Request::get("/").body(Body::empty()).unwrap()).await;
    assert_eq!(none.problem(), "bad-host");
    let two = Request::get("/").header("host", "localhost").header("host", "tank.example");
    assert_eq!(rig.ask(two.body(Body::empty()).unwrap()).await.problem(), "bad-host");
}

#[tokio::test]
async fn address_that_is_no_text_is_answered_like_any_other_name_of_nothing() {
    let rig = rig();
    for path in ["stations/%ff", "runs/a%C3", "tanks/%C3%28/account", "jobs/%ff/record.csv"] {
        let answer = rig.get(&format!("/api/v1/{path}")).await;
        assert_eq!(
            (answer.status, answer.problem().as_str()),
            (StatusCode::NOT_FOUND, "not-found"),
            "{path}"
        );
    }
    let answer = rig.post("/api/v1/stations/%ff/stop", json!({"by": "mila"})).await;
    assert_eq!((answer.status, answer.problem().as_str()), (StatusCode::NOT_FOUND, "not-found"));
    // One that is text is still looked for by its name.
    let answer = rig.get("/api/v1/stations/b%C3%A4nk%").await;
    assert!(answer.json()["detail"].as_str().unwrap().contains("bänk%"), "{}", answer.text);
}

#[tokio::test]
async fn page_of_another_site_cannot_stop_a_run() {
    let rig = rig();
    rig.start("mila").await;
    let stop = |origin: &str| {
        Request::post("/api/v1/stations/bench/stop")
            .header("host", "localhost:8093")
            .header("origin", origin)
            .header("content-type", "application/json")
            .body(Body::from(r#"{"by":"mila"}"#))
            .unwrap()
    };
    for origin in ["http://tank.example", "null", "https://localhost:8093", "http://localhost:9999", ""] {
        let answer = rig.ask(stop(origin)).await;
        assert_eq!(
            (answer.status, answer.problem().as_str()),
            (StatusCode::FORBIDDEN, "bad-origin"),
            "{origin}"
        );
    }
    assert_eq!(rig.seen.lock().unwrap().len(), 1, "only the start went through");
    assert_eq!(rig.ask(stop("http://localhost:8093")).await.status, StatusCode::OK);
}

#[tokio::test]
async fn every_answer_carries_the_security_headers() {
    let rig = rig();
    for path in ["/", "/metrics", "/nothing", "/api/v1/stations/bench/stop"] {
        let headers = rig.get(path).await.headers;
        assert_eq!(headers["x-content-type-options"], "nosniff", "{path}");
        assert_eq!(headers["cache-control"], "no-store");
        assert!(headers["content-security-policy"].to_str().unwrap().contains("frame-ancestors 'none'"));
        assert!(!headers.contains_key("access-control-allow-origin"));
    }
}

/// A machine on the network.
fn elsewhere(last: u8) -> Peer {
    Peer { address: [192, 0, 2, last].into(), here: false, tls: false }
}

fn bearer(token: &str) -> String {
    format!("Bearer {token}")
}

#[tokio::test]
async fn nobody_from_elsewhere_gets_in_without_a_token_and_nobody_at_all_once_there_is_one() {
    let rig = rig();
    let read = async |peer, headers: &[(&str, &str)]| {
        rig.with(peer, "GET", "/api/v1/stations", headers, json!({})).await
    };
    assert_eq!(read(Peer::here(), &[]).await.status, StatusCode::OK);
    assert_eq!(read(elsewhere(7), &[]).await.problem(), "no-token");
    // What a proxy on this machine passes on comes from elsewhere.
    for forwarded in [("x-forwarded-for", "192.0.2.7"), ("forwarded", "for=192.0.2.7"), ("via", "1.1 front")]
    {
        assert_eq!(read(Peer::here(), &[forwarded]).await.problem(), "no-token", "{forwarded:?}");
    }
    let token = rig.token("tablet", Scope::Watch);
    let answer = read(Peer::here(), &[]).await;
    assert_eq!((answer.status, answer.problem().as_str()), (StatusCode::UNAUTHORIZED, "no-token"));
    assert!(answer.headers["www-authenticate"].to_str().unwrap().starts_with("Bearer"));
    for peer in [Peer::here(), elsewhere(7)] {
        assert_eq!(read(peer, &[("authorization", &bearer(&token))]).await.status, StatusCode::OK);
    }
    for path in ["/", "/page.js", "/page.css", "/favicon.svg", "/healthz", "/readyz", "/api/v1/session"] {
        assert_eq!(
            rig.with(elsewhere(7), "GET", path, &[], json!({})).await.status,
            StatusCode::OK,
            "{path}"
        );
    }
    for path in ["/metrics", "/api/v1/runs", "/api/v1/tanks", "/api/v1/audit", "/api/v1/nothing"] {
        assert_eq!(rig.with(elsewhere(7), "GET", path, &[], json!({})).await.problem(), "no-token", "{path}");
    }
    let mut lost = snapshot(2);
    lost.link.up = false;
    lost.link.trouble = Some("/dev/ttyUSB0 is gone".into());
    rig.publish.send_replace(Arc::new(lost));
    let ready = async |headers: &[(&str, &str)]| {
        rig.with(elsewhere(7), "GET", "/readyz", headers, json!({})).await.json()["wrong"][0].clone()
    };
    assert_eq!(ready(&[]).await, "station bench: its supply does not answer", "no port for a stranger");
    let known = ready(&[("authorization", &bearer(&token))]).await;
    assert_eq!(known, "station bench: /dev/ttyUSB0 is gone");
    Tokens::at(rig.folder.path()).revoke("tablet").unwrap();
    assert_eq!(read(elsewhere(7), &[("authorization", &bearer(&token))]).await.problem(), "no-token");
}

#[tokio::test]
async fn loopback_may_be_left_open_though_there_are_tokens() {
    let mut rig = rig();
    rig.token("tablet", Scope::Watch);
    rig.app = rig.app.guarded(Tokens::at(rig.folder.path()), true);
    assert_eq!(rig.get("/api/v1/stations").await.status, StatusCode::OK);
    let behind = rig.with(Peer::here(), "GET", "/api/v1/stations", &[("via", "1.1 front")], json!({})).await;
    assert_eq!(behind.problem(), "no-token");
}

#[tokio::test]
async fn token_that_may_watch_switches_nothing_and_one_that_may_operate_changes_no_watch() {
    let rig = rig();
    let (watch, operate, admin) = (
        bearer(&rig.token("screen", Scope::Watch)),
        bearer(&rig.token("tablet", Scope::Operate)),
        bearer(&rig.token("boss", Scope::Admin)),
    );
    let post = async |path: &str, token: &str, body: Value| {
        rig.with(elsewhere(7), "POST", path, &[("authorization", token)], body).await
    };
    let by = json!({"by": "mila"});
    for verb in ["hold", "resume", "stop", "abort", "off"] {
        let path = format!("/api/v1/stations/bench/{verb}");
        let refused = post(&path, &watch, by.clone()).await;
        assert_eq!(
            (refused.status, refused.problem().as_str()),
            (StatusCode::FORBIDDEN, "no-scope"),
            "{verb}"
        );
        assert!(refused.text.contains("screen is for watch; this needs operate"), "{}", refused.text);
    }
    let start = json!({"by": "mila", "request": {"thickness": "8 um"}});
    assert_eq!(post("/api/v1/stations/bench/start", &watch, start.clone()).await.problem(), "no-scope");
    assert!(rig.seen.lock().unwrap().is_empty(), "the station was asked");
    let plan = json!({"request": {"thickness": "8 um"}});
    assert_eq!(post("/api/v1/plan", &watch, plan).await.status, StatusCode::OK, "working out starts nothing");
    assert_eq!(post("/api/v1/stations/bench/start", &operate, start).await.status, StatusCode::OK);
    assert_eq!(post("/api/v1/stations/bench/off", &operate, by.clone()).await.status, StatusCode::OK);

    let out = "/api/v1/stations/bench/alarms/drift/out-of-service";
    let reason = json!({"by": "mila", "reason": "meter away"});
    assert_eq!(post(out, &operate, reason.clone()).await.problem(), "no-scope");
    assert_eq!(post(out, &admin, reason).await.status, StatusCode::OK);
    let audit = |token: String| {
        let rig = &rig;
        async move {
            rig.with(elsewhere(7), "GET", "/api/v1/audit", &[("authorization", &token)], json!({})).await
        }
    };
    assert_eq!(audit(operate).await.problem(), "no-scope");
    assert_eq!(audit(admin).await.status, StatusCode::OK);
}

#[tokio::test]
async fn guessing_is_slowed_and_keeps_no_operator_from_the_stop_button() {
    let rig = rig();
    let good = bearer(&rig.token("tablet", Scope::Operate));
    let off = async |peer, token: &str| {
        rig.with(
            peer,
            "POST",
            "/api/v1/stations/bench/off",
            &[("authorization", token)],
            json!({"by": "mila"}),
        )
        .await
    };
    let mut last = off(elsewhere(7), "Bearer guess").await;
    let mut guesses = 1;
    while last.status == StatusCode::UNAUTHORIZED && guesses < 100 {
        last = off(elsewhere(7), "Bearer guess").await;
        guesses += 1;
    }
    assert_eq!((last.status, last.problem().as_str()), (StatusCode::TOO_MANY_REQUESTS, "too-many-tries"));
    assert!((1..=60).contains(&last.headers["retry-after"].to_str().unwrap().parse::<u64>().unwrap()));
    assert_eq!(guesses, 11, "ten a minute");
    assert_eq!(off(elsewhere(7), &good).await.status, StatusCode::OK, "the same address, with a good token");
    assert_eq!(off(elsewhere(8), "Bearer guess").await.status, StatusCode::UNAUTHORIZED, "another address");
    let audited = rig.shelf.audited.lock().unwrap();
    assert_eq!(audited.len(), 10 + 1 + 1, "guesses beyond the limit fill no disk: {audited:?}");
}

#[tokio::test]
async fn guessing_at_the_log_in_is_slowed_too_and_keeps_no_operator_from_logging_in() {
    let rig = rig();
    let good = rig.token("tablet", Scope::Operate);
    let log_in = async |token: &str| {
        rig.with(elsewhere(7), "POST", "/api/v1/session", &[], json!({ "token": token })).await
    };
    for _ in 0..10 {
        assert_eq!(log_in("guess").await.status, StatusCode::UNAUTHORIZED);
    }
    let last = log_in("guess").await;
    assert_eq!((last.status, last.problem().as_str()), (StatusCode::TOO_MANY_REQUESTS, "too-many-tries"));
    assert!(last.headers.contains_key("retry-after"));
    assert_eq!(log_in(&good).await.status, StatusCode::OK, "the same address, with a good token");
}

fn cookie_of(answer: &Answer) -> String {
    let set = answer.headers["set-cookie"].to_str().unwrap();
    set.split(';').next().unwrap().to_owned()
}

#[tokio::test]
async fn browser_logs_in_with_a_cookie_that_no_script_sees_and_no_other_site_uses() {
    let rig = rig();
    let token = rig.token("tablet", Scope::Operate);
    let who = async |headers: &[(&str, &str)]| {
        rig.with(elsewhere(7), "GET", "/api/v1/session", headers, json!({})).await.json()
    };
    assert_eq!(
        who(&[]).await,
        json!({"needed": true, "name": null, "scope": null, "csrf": null, "expires": null})
    );
    let wrong = rig.with(elsewhere(7), "POST", "/api/v1/session", &[], json!({"token": "guess"})).await;
    assert_eq!(wrong.problem(), "no-token");
    let answer = rig.with(elsewhere(7), "POST", "/api/v1/session", &[], json!({"token": token})).await;
    assert_eq!(answer.status, StatusCode::OK, "{}", answer.text);
    let set = answer.headers["set-cookie"].to_str().unwrap();
    for part in ["tankside-8093=", "HttpOnly", "SameSite=Strict", "Path=/", "Max-Age=2592000"] {
        assert!(set.contains(part), "{set}");
    }
    assert!(!set.contains("Secure"), "over plain HTTP a Secure cookie would be lost: {set}");
    assert!(!set.contains(&token), "the cookie is not the token");
    let csrf = answer.json()["csrf"].as_str().unwrap().to_owned();
    let cookie = cookie_of(&answer);
    let known = who(&[("cookie", &cookie)]).await;
    assert_eq!(
        (&known["name"], &known["scope"], &known["csrf"]),
        (&json!("tablet"), &json!("operate"), &json!(csrf))
    );

    let read = rig.with(elsewhere(7), "GET", "/api/v1/stations", &[("cookie", &cookie)], json!({})).await;
    assert_eq!(read.status, StatusCode::OK);
    let off = async |headers: &[(&str, &str)]| {
        rig.with(elsewhere(7), "POST", "/api/v1/stations/bench/off", headers, json!({"by": "mila"})).await
    };
    for word in [None, Some(""), Some("page"), Some(&csrf[..63])] {
        let mut headers = vec![("cookie", cookie.as_str())];
        headers.extend(word.map(|w| ("x-tankside", w)));
        let refused = off(&headers).await;
        assert_eq!(
            (refused.status, refused.problem().as_str()),
            (StatusCode::FORBIDDEN, "bad-csrf"),
            "{word:?}"
        );
    }
    assert!(rig.seen.lock().unwrap().is_empty());
    assert_eq!(off(&[("cookie", &cookie), ("x-tankside", &csrf)]).await.status, StatusCode::OK);

    let end = [("cookie", cookie.as_str()), ("x-tankside", csrf.as_str())];
    let gone = rig.with(elsewhere(7), "POST", "/api/v1/session/end", &end, json!({})).await;
    assert!(gone.headers["set-cookie"].to_str().unwrap().contains("Max-Age=0"), "{:?}", gone.headers);
    assert_eq!(off(&end).await.problem(), "no-token");
}

#[tokio::test]
async fn revoked_tokens_log_in_ends_and_under_tls_the_cookie_is_secure() {
    let rig = rig();
    let token = rig.token("tablet", Scope::Watch);
    let tls = Peer { tls: true, ..elsewhere(7) };
    let answer = rig.with(tls, "POST", "/api/v1/session", &[], json!({"token": token})).await;
    assert!(answer.headers["set-cookie"].to_str().unwrap().contains("; Secure"));
    assert!(answer.headers.contains_key("strict-transport-security"));
    let proxied = [("x-forwarded-proto", "https"), ("x-forwarded-for", "192.0.2.7")];
    let behind = rig.with(Peer::here(), "POST", "/api/v1/session", &proxied, json!({"token": token})).await;
    assert!(behind.headers["set-cookie"].to_str().unwrap().contains("; Secure"));
    let cookie = cookie_of(&answer);
    let read =
        async || rig.with(tls, "GET", "/api/v1/stations", &[("cookie", &cookie)], json!({})).await.status;
    assert_eq!(read().await, StatusCode::OK);
    Tokens::at(rig.folder.path()).revoke("tablet").unwrap();
    assert_eq!(read().await, StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn form_of_another_site_cannot_stop_a_run_even_where_no_token_is_needed() {
    let rig = rig();
    rig.start("mila").await;
    // What a form can send: these three types, and no header of its own (the Fetch standard, "CORS-safelisted").
    for kind in ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x"] {
        let request = Request::post("/api/v1/stations/bench/stop")
            .header("host", "localhost:8093")
            .header("content-type", kind)
            .body(Body::from(r#"{"by":"mila"}"#))
            .unwrap();
        let answer = rig.ask(request).await;
        assert_eq!(
            (answer.status, answer.problem().as_str()),
            (StatusCode::UNSUPPORTED_MEDIA_TYPE, "not-json")
        );
    }
    assert_eq!(rig.seen.lock().unwrap().len(), 1);
}

#[tokio::test]
async fn audit_says_who_did_what_from_where_and_what_came_of_it() {
    let rig = rig();
    let token = bearer(&rig.token("tablet", Scope::Admin));
    let with = [("authorization", token.as_str())];
    rig.with(elsewhere(7), "POST", "/api/v1/stations/bench/stop", &with, json!({"by": "mila"})).await;
    rig.with(elsewhere(8), "POST", "/api/v1/stations/bench/off", &[], json!({"by": "eve"})).await;
    rig.with(elsewhere(7), "GET", "/api/v1/stations", &with, json!({})).await;
    let audit = rig.with(elsewhere(7), "GET", "/api/v1/audit", &with, json!({})).await.json();
    let rows: Vec<_> = audit
        .as_array()
        .unwrap()
        .iter()
        .map(|r| {
            (
                r["token"].clone(),
                r["by"].clone(),
                r["address"].clone(),
                r["what"].clone(),
                r["status"].clone(),
                r["code"].clone(),
            )
        })
        .collect();
    let wanted = [
        (
            json!(null),
            json!(null),
            json!("192.0.2.8"),
            json!("POST /api/v1/stations/bench/off"),
            json!(401),
            json!("no-token"),
        ),
        (
            json!("tablet"),
            json!("mila"),
            json!("192.0.2.7"),
            json!("POST /api/v1/stations/bench/stop"),
            json!(409),
            json!("refused"),
        ),
    ];
    assert_eq!(rows, wanted, "newest first; reading is not audited");
    let first = rig.with(elsewhere(7), "GET", "/api/v1/audit?limit=1", &with, json!({})).await;
    let link = first.headers["link"].to_str().unwrap();
    assert_eq!(link, "</api/v1/audit?limit=1&after=2>; rel=\"next\"");
    let next =
        rig.with(elsewhere(7), "GET", "/api/v1/audit?limit=1&after=2&format=csv", &with, json!({})).await;
    assert!(next.text.starts_with("id,at,token,by,address,what,status,code\r\n1,"), "{}", next.text);
    assert!(next.headers["content-type"].to_str().unwrap().starts_with("text/csv"));
}

#[tokio::test]
async fn spoiled_list_of_tokens_lets_nobody_in_and_is_said() {
    let rig = rig();
    let token = bearer(&rig.token("tablet", Scope::Admin));
    write(&rig.folder.path().join("tokens.json"), "{");
    let answer =
        rig.with(Peer::here(), "GET", "/api/v1/stations", &[("authorization", &token)], json!({})).await;
    assert_eq!((answer.status, answer.problem().as_str()), (StatusCode::SERVICE_UNAVAILABLE, "tokens"));
    assert_eq!(rig.get("/api/v1/stations").await.problem(), "tokens");
    assert_eq!(rig.get("/healthz").await.status, StatusCode::OK);
}

#[tokio::test]
async fn page_needs_nothing_that_its_policy_forbids() {
    let rig = rig();
    let page = rig.get("/").await;
    let policy = page.headers["content-security-policy"].to_str().unwrap();
    for part in [
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "connect-src 'self'",
        "base-uri 'none'",
    ] {
        assert!(policy.split("; ").any(|p| p == part), "{policy}");
    }
    assert!(!policy.contains("unsafe"), "{policy}");
    for forbidden in
        ["<style", " style=", " onclick=", " onload=", "javascript:", "<script>", "http://", "https://"]
    {
        assert!(!page.text.contains(forbidden), "{forbidden} in the page");
    }
    let script = rig.get("/page.js").await.text;
    for forbidden in ["eval(", "new Function", "setAttribute(\"style\"", "innerHTML"] {
        assert!(!script.contains(forbidden), "{forbidden} in the script");
    }
}

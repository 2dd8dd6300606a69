//! What a person or a program tells a station: what reaches it, in whose name, and what does not.

use super::rig::*;

#[tokio::test]
async fn no_run_starts_while_nobody_would_switch_off_if_the_daemon_died() {
    let mut rig = rig();
    let minder = Arc::new(AtomicBool::new(false));
    rig.app = rig.app.minded(minder.clone());
    let refused = rig.start("mila").await;
    assert_eq!((refused.status, refused.problem().as_str()), (StatusCode::CONFLICT, "refused"));
    assert!(refused.text.contains("the minder"), "{}", refused.text);
    assert!(rig.seen.lock().unwrap().is_empty(), "the station was asked");
    // Off is never refused.
    assert_eq!(rig.post("/api/v1/stations/bench/off", json!({"by": "mila"})).await.status, StatusCode::OK);
    minder.store(true, Ordering::Relaxed);
    assert_eq!(rig.start("mila").await.status, StatusCode::OK);
}

#[tokio::test]
async fn start_that_would_burn_edges_is_refused_in_the_words_of_a_request_and_not_of_a_terminal() {
    let rig = rig();
    let mut body = json!({"by": "mila", "request": {"thickness": "8 um", "burns": true}});
    let refused = rig.post("/api/v1/stations/bench/start", body.clone()).await;
    assert_eq!((refused.status, refused.problem().as_str()), (StatusCode::CONFLICT, "refused"));
    let problem = refused.json();
    let detail = problem["detail"].as_str().unwrap();
    assert!(detail.ends_with("; or say that you know it: \"edges_may_burn\": true"), "{detail}");
    assert!(!detail.contains("--"), "{detail}");
    // A page has a tick box for it, a terminal a flag: each says the reason in words of its own.
    assert_eq!(problem["needs"]["field"], "edges_may_burn");
    let why = problem["needs"]["why"].as_str().unwrap();
    assert!(why.starts_with("edges would see 12 A/dm²") && !why.contains("edges_may_burn"), "{why}");
    assert!(rig.seen.lock().unwrap().is_empty(), "the station was asked");
    body["edges_may_burn"] = true.into();
    let taken = rig.post("/api/v1/stations/bench/start", body).await;
    assert_eq!(taken.status, StatusCode::OK, "{}", taken.text);
    assert!(
        taken.json()["worksheet"]["warnings"][0].as_str().unwrap().contains("knowing that edges may burn")
    );
}

#[tokio::test]
async fn command_by_anything_but_post_is_refused() {
    let rig = rig();
    for verb in ["start", "hold", "resume", "stop", "abort", "answer", "off", "ack"] {
        for method in ["GET", "PUT", "DELETE", "PATCH"] {
            let request = Request::builder()
                .method(method)
                .uri(format!("/api/v1/stations/bench/{verb}"))
                .header("host", "localhost")
                .header("content-type", "application/json")
                .body(Body::from(r#"{"by":"mila"}"#))
                .unwrap();
            let answer = rig.ask(request).await;
            assert_eq!(answer.status, StatusCode::METHOD_NOT_ALLOWED, "{method} {verb}");
            assert_eq!(answer.problem(), "bad-method");
            assert_eq!(answer.headers["allow"], "POST");
        }
    }
    assert!(rig.seen.lock().unwrap().is_empty());
}

#[tokio::test]
async fn bad_bodies_reach_no_station() {
    let rig = rig();
    let stop = "/api/v1/stations/bench/stop";
    for body in ["", "{", "[]", "{}", r#"{"by":7}"#, r#"{"by":"mila","speed":"fast"}"#, r#"{"by":"mila"} x"#]
    {
        let answer = rig.raw(stop, body.into()).await;
        assert_eq!(
            (answer.status, answer.problem().as_str()),
            (StatusCode::BAD_REQUEST, "bad-json"),
            "{body}"
        );
    }
    // In the order of the fields it would be a shape too, though no document says so.
    for (path, body) in [
        (stop, r#"["mila"]"#),
        ("/api/v1/stations/bench/start", r#"["mila", {"thickness": "8 um"}]"#),
        ("/api/v1/stations/bench/answer", r#" ["mila", "done"]"#),
        (stop, r#""mila""#),
    ] {
        let answer = rig.raw(path, body.into()).await;
        assert_eq!(answer.problem(), "bad-json", "{body}");
        assert_eq!(answer.json()["detail"], "the body: send a JSON object, {…}", "{body}");
    }
    for by in ["", "   ", "mila\nstation bench: output off", &"x".repeat(81)] {
        assert_eq!(rig.post(stop, json!({ "by": by })).await.problem(), "bad-json", "{by:?}");
    }
    let unknown = rig.raw(stop, r#"{"by":"mila","speed":1}"#.into()).await.json();
    assert!(unknown["detail"].as_str().unwrap().contains("speed"), "{unknown}");
    let untyped =
        Request::post(stop).header("host", "localhost").body(Body::from(r#"{"by":"mila"}"#)).unwrap();
    let answer = rig.ask(untyped).await;
    assert_eq!((answer.status, answer.problem().as_str()), (StatusCode::UNSUPPORTED_MEDIA_TYPE, "not-json"));
    let large = rig.raw(stop, format!(r#"{{"by":"{}"}}"#, "x".repeat(70_000))).await;
    assert_eq!((large.status, large.problem().as_str()), (StatusCode::PAYLOAD_TOO_LARGE, "too-large"));
    let endless = futures_util::stream::repeat_with(|| Ok::<_, std::io::Error>(vec![b' '; 4096]));
    let request = Request::post(stop)
        .header("host", "localhost")
        .header("content-type", "application/json")
        .body(Body::from_stream(endless))
        .unwrap();
    assert_eq!(rig.ask(request).await.problem(), "too-large");
    assert_eq!(
        rig.post("/api/v1/stations/bench/ack", json!({"by": "mila", "watch": "sun"})).await.problem(),
        "bad-json"
    );
    assert_eq!(
        rig.post("/api/v1/stations/bench/answer", json!({"by": "mila", "answer": "maybe"})).await.problem(),
        "bad-json"
    );
    assert!(rig.seen.lock().unwrap().is_empty(), "{:?}", rig.seen.lock().unwrap());
}

#[tokio::test]
async fn wrong_unit_in_a_plan_is_said_and_starts_nothing() {
    let rig = rig();
    let bad = json!({"by": "mila", "request": {"thickness": "8 V"}});
    let answer = rig.post("/api/v1/stations/bench/start", bad).await;
    assert_eq!(
        (answer.status, answer.problem().as_str()),
        (StatusCode::UNPROCESSABLE_ENTITY, "not-possible")
    );
    assert!(answer.json()["errors"][0].as_str().unwrap().contains("a voltage"), "{}", answer.text);
    assert!(rig.seen.lock().unwrap().is_empty());
    let plan = rig.post("/api/v1/plan", json!({"request": {"thickness": "8 um"}})).await;
    assert_eq!(plan.json()["worksheet"]["loads"], 1);
    assert_eq!(plan.json()["order"]["tank"], "nickel");
    let nowhere =
        rig.post("/api/v1/plan", json!({"station": "attic", "request": {"thickness": "8 um"}})).await;
    assert_eq!(nowhere.problem(), "not-found");
}

#[tokio::test]
async fn commands_reach_the_station_in_the_operators_name() {
    let rig = rig();
    let started = rig.start("mila").await.json();
    assert_eq!(started["said"], "started");
    let id = started["run"].as_str().unwrap();
    assert_eq!(id.as_bytes()[14], b'7', "a UUID of version 7 (RFC 9562): {id}");
    for verb in ["hold", "resume"] {
        let answer = rig.post(&format!("/api/v1/stations/bench/{verb}"), json!({"by": "jonas"})).await;
        assert_eq!(answer.json()["said"], "done");
    }
    rig.post("/api/v1/stations/bench/answer", json!({"by": "jonas", "answer": "done"})).await;
    rig.post(
        "/api/v1/stations/bench/ack",
        json!({"by": "jonas", "watch": "over-voltage", "note": "dirty clip"}),
    )
    .await;
    rig.post("/api/v1/stations/bench/abort", json!({"by": "mila"})).await;
    assert_eq!(
        *rig.seen.lock().unwrap(),
        ["mila start", "jonas hold", "jonas resume", "jonas answer", "jonas ack", "mila abort"]
    );
}

#[tokio::test]
async fn command_that_does_not_fit_the_state_is_refused_with_why_and_changes_nothing() {
    let rig = rig();
    for (verb, body) in [
        ("hold", json!({"by": "mila"})),
        ("resume", json!({"by": "mila"})),
        ("stop", json!({"by": "mila"})),
        ("abort", json!({"by": "mila"})),
        ("answer", json!({"by": "mila", "answer": "done"})),
    ] {
        let answer = rig.post(&format!("/api/v1/stations/bench/{verb}"), body).await;
        assert_eq!((answer.status, answer.problem().as_str()), (StatusCode::CONFLICT, "refused"), "{verb}");
        assert_eq!(answer.json()["detail"], "no run is on", "{verb}");
    }
    let now = rig.get("/api/v1/stations/bench").await.json();
    assert_eq!((&now["run"]["state"], &now["output_on"]), (&json!("idle"), &json!(false)));
}

#[tokio::test]
async fn answer_that_is_meant_for_one_question_never_answers_the_next() {
    let rig = rig();
    rig.start("mila").await;
    let asks = |question: Option<Question>| {
        rig.publish.send_modify(|now| {
            let mut next = (**now).clone();
            next.seq += 1;
            next.run.run = Some(RUN.into());
            next.run.question = question.clone();
            *now = Arc::new(next);
        });
    };
    let answer = async |key: &str, meant: Value| {
        let body = json!({"by": "jonas", "answer": "done", key: meant});
        rig.post("/api/v1/stations/bench/answer", body).await
    };
    let turn = |next: u8| json!({"turn-part": {"next": next, "faces": 3}});
    asks(Some(Question::TurnPart { next: 3, faces: 3, count: true }));
    for (key, meant) in [("question", turn(2)), ("question", json!("hang-part")), ("run", json!("another"))] {
        let told = answer(key, meant.clone()).await;
        assert_eq!((told.status, told.problem().as_str()), (StatusCode::CONFLICT, "refused"), "{meant}");
    }
    assert_eq!(answer("question", json!("dance")).await.problem(), "bad-json");
    asks(None);
    assert_eq!(answer("question", turn(3)).await.problem(), "refused");
    for between in [None, Some(Question::Held)] {
        asks(between);
        let told = answer("run", json!(RUN)).await;
        assert_eq!(
            told.problem(),
            "refused",
            "a job that asks between its runs would take it: {}",
            told.text
        );
    }
    assert_eq!(*rig.seen.lock().unwrap(), ["mila start"]);
    asks(Some(Question::TurnPart { next: 3, faces: 3, count: true }));
    assert_eq!(
        answer("question", turn(3)).await.status,
        StatusCode::OK,
        "that they are to be counted may come later"
    );
    assert_eq!(answer("run", json!(RUN)).await.status, StatusCode::OK);
}

#[tokio::test]
async fn of_two_operators_at_once_one_starts_and_the_other_is_told() {
    let rig = rig();
    let (one, two) = tokio::join!(rig.start("mila"), rig.start("jonas"));
    let mut statuses = [one.status, two.status];
    statuses.sort();
    assert_eq!(statuses, [StatusCode::OK, StatusCode::CONFLICT]);
    let refused = if one.status == StatusCode::CONFLICT { one } else { two };
    assert_eq!(refused.problem(), "refused");
    assert_eq!(refused.json()["detail"], "a run is on; stop it first");
}

#[tokio::test(start_paused = true)]
async fn off_is_confirmed_by_a_later_reading_or_not_at_all() {
    let rig = rig();
    rig.start("mila").await;
    let off = rig.post("/api/v1/stations/bench/off", json!({"by": "mila"})).await;
    assert!(off.json()["said"].as_str().unwrap().starts_with("output off, confirmed"));
    let idle = rig.post("/api/v1/stations/bench/off", json!({"by": "mila"})).await;
    assert_eq!(idle.status, StatusCode::OK, "off is not refused without a run: {}", idle.text);

    let stuck = rig_with(false);
    stuck.start("mila").await;
    let off = stuck.post("/api/v1/stations/bench/off", json!({"by": "mila"})).await;
    assert_eq!((off.status, off.problem().as_str()), (StatusCode::GATEWAY_TIMEOUT, "not-confirmed"));
    assert!(off.json()["detail"].as_str().unwrap().contains("go to the supply"));
}

#[tokio::test]
async fn alarm_is_handled_in_a_name_and_with_no_word_that_does_not_belong() {
    let rig = rig();
    let post = async |deed: &str, body: Value| {
        rig.post(&format!("/api/v1/stations/bench/alarms/drift/{deed}"), body).await
    };
    for (deed, body) in [
        ("ack", json!({"by": "mila", "note": "seen"})),
        ("shelve", json!({"by": "mila", "time": "30 min", "note": "heater swings"})),
        ("shelve", json!({"by": "mila"})),
        ("unshelve", json!({"by": "mila"})),
        ("out-of-service", json!({"by": "mila", "reason": "meter away"})),
        ("in-service", json!({"by": "mila"})),
    ] {
        let answer = post(deed, body).await;
        assert_eq!(answer.status, StatusCode::OK, "{deed}: {}", answer.text);
    }
    let half_an_hour = Some(Duration::from_secs(1800));
    let note = |text: &str| Some(text.to_owned());
    let wanted = [
        Handling::Acknowledge { note: note("seen") },
        Handling::Shelve { time: half_an_hour, note: note("heater swings") },
        Handling::Shelve { time: None, note: None },
        Handling::Unshelve,
        Handling::OutOfService { reason: "meter away".into() },
        Handling::InService,
    ];
    assert_eq!(*rig.handled.lock().unwrap(), wanted.map(|handling| (Kind::Drift, handling)));
    for (deed, body) in [
        ("ack", json!({"note": "nobody"})),
        ("ack", json!({"by": "mila", "time": "5 min"})),
        ("shelve", json!({"by": "mila", "time": 30})),
        ("shelve", json!({"by": "mila", "time": "9 h"})),
        ("shelve", json!({"by": "mila", "time": "0 s"})),
        ("unshelve", json!({"by": "mila", "reason": "x"})),
        ("out-of-service", json!({"by": "mila"})),
        ("out-of-service", json!({"by": "mila", "reason": " "})),
    ] {
        assert_eq!(post(deed, body.clone()).await.problem(), "bad-json", "{deed} {body}");
    }
    assert_eq!(post("forget", json!({"by": "mila"})).await.problem(), "not-found");
    let sun = rig.post("/api/v1/stations/bench/alarms/sun/ack", json!({"by": "mila"})).await;
    assert_eq!(sun.problem(), "bad-json");
    assert_eq!(rig.handled.lock().unwrap().len(), 6, "what was refused did not reach the station");
}

#[tokio::test]
async fn bath_is_told_by_a_person_or_a_sensor_of_their_own() {
    let rig = rig();
    let body = json!({"by": "mila", "temperature": "24 degC", "agitation": "rod"});
    let answer = rig.post("/api/v1/tanks/silver/bath", body).await;
    assert_eq!(answer.status, StatusCode::OK, "{}", answer.text);
    let known = answer.json()["known"].clone();
    assert_eq!((&known["temperature_celsius"], &known["agitation"]), (&json!(24.0), &json!("rod")));
    assert_eq!((&known["agitation_proven"], &known["agitation_by"]), (&json!(false), &json!("mila")));
    rig.post("/api/v1/tanks/silver/bath", json!({"agitation": "still", "proven": true})).await;
    assert_eq!(rig.baths.news("silver").agitation, Some((Agitation::Still, true)));
    for (body, code) in [
        (json!({}), "bad-json"),
        (json!({"temperature": "24"}), "bad-json"),
        (json!({"temperature": "400 degC"}), "bad-json"),
        (json!({"agitation": "wild"}), "bad-json"),
        (json!({"temperature": "24 degC", "proven": true}), "bad-json"),
        (json!({"temperature": "24 degC", "colour": "green"}), "bad-json"),
    ] {
        assert_eq!(rig.post("/api/v1/tanks/silver/bath", body.clone()).await.problem(), code, "{body}");
    }
    let warm = json!({"temperature": "24 degC"});
    assert_eq!(rig.post("/api/v1/tanks/gold/bath", warm.clone()).await.problem(), "not-found");
    let answer = rig.post("/api/v1/tanks/nickel/bath", warm).await;
    assert!(answer.text.contains("thermometer that answers"), "{}", answer.text);
    assert_eq!(answer.problem(), "refused");
}

#[tokio::test]
async fn words_that_do_not_belong_to_a_deed_of_a_job_reach_no_station() {
    let rig = rig();
    let post = async |deed: &str, body: Value| {
        rig.post(&format!("/api/v1/stations/bench/job{deed}"), body).await.problem()
    };
    for (deed, body) in [
        ("", json!({"by": "mila"})),
        ("", json!({"by": "mila", "request": {"sheet": "x"}, "from": "activate"})),
        ("", json!({"by": "mila", "request": {"sheet": "x"}, "continues": "0190"})),
        ("", json!({"by": "mila", "request": {"sheet": "x"}, "lot": "two\nlines"})),
        ("/answer", json!({"by": "mila"})),
        ("/answer", json!({"by": "mila", "answer": "maybe"})),
        ("/answer", json!({"by": "mila", "answer": "done", "reason": "x"})),
        ("/answer", json!({"by": "", "answer": "done"})),
        ("/redo", json!({"by": "mila", "step": -1})),
        ("/redo", json!({"by": "mila", "reason": "x"})),
        ("/skip", json!({"by": "mila"})),
        ("/skip", json!({"by": "mila", "reason": " "})),
        ("/stop", json!({"by": "mila", "step": 2})),
    ] {
        assert_eq!(post(deed, body.clone()).await, "bad-json", "{deed} {body}");
    }
    assert_eq!(post("/forget", json!({"by": "mila"})).await, "not-found");
    let rest = json!({"by": "mila", "continues": "0190"});
    assert_eq!(post("", rest).await, "not-found", "there is no such job");
    assert!(rig.seen.lock().unwrap().is_empty());
    // Whoever could not be switched off after a dead daemon is not switched on.
    let mut rig = rig;
    rig.app = rig.app.minded(Arc::new(AtomicBool::new(false)));
    let done = json!({"by": "mila", "answer": "done"});
    let refused = rig.post("/api/v1/stations/bench/job/answer", done).await;
    assert!(refused.text.contains("minder"), "{}", refused.text);
}

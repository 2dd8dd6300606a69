//! What can be read, and how it is said that it cannot.

use super::rig::*;

#[tokio::test]
async fn every_page_that_can_be_read_is_there() {
    let rig = rig();
    for path in ["/", "/page.js", "/page.css", "/favicon.svg", "/metrics", "/healthz", "/readyz"] {
        assert_eq!(rig.get(path).await.status, StatusCode::OK, "{path}");
    }
    let stations = rig.get("/api/v1/stations").await.json();
    assert_eq!(stations[0]["station"], "bench");
    assert_eq!(stations[0]["stale"], false);
    let one = rig.get("/api/v1/stations/bench").await.json();
    assert_eq!(one["measured"]["amperes"], 2.0);
    assert!(one["age_seconds"].as_f64().unwrap() >= 0.05);
    assert_eq!(rig.get("/api/v1/runs").await.json().as_array().unwrap().len(), 2);
    assert_eq!(rig.get("/api/v1/runs?limit=1").await.json().as_array().unwrap().len(), 1);
    assert_eq!(rig.get("/api/v1/runs?before=x").await.json(), json!([]));
    assert_eq!(rig.get(&format!("/api/v1/runs/{RUN}")).await.json()["events"][0]["text"], "ramp");
    assert_eq!(rig.get(&format!("/api/v1/runs/{RUN}/readings")).await.json()[0]["amperes"], 3.0);
    assert_eq!(rig.get("/api/v1/alarms").await.json(), json!({"now": [], "journal": []}));
}

#[tokio::test]
async fn tank_account_is_the_running_stations_where_that_is_ahead_and_no_tank_is_missing() {
    let tanks = rig().get("/api/v1/tanks").await.json();
    assert_eq!(tanks[0]["tank"], "nickel");
    assert_eq!(tanks[0]["charge_coulombs"], 7230.0);
    assert_eq!(tanks[0]["charge_ampere_hours"], 7230.0 / 3600.0);
    assert_eq!(tanks[1]["tank"], "silver");
    assert_eq!(tanks[1]["charge_coulombs"], 0.0);
}

#[tokio::test]
async fn thermometer_is_read_and_nonsense_is_no_temperature_and_is_said() {
    let rig = rig();
    let tank = async |what: &str, wanted: &dyn Fn(&Value) -> bool| {
        for _ in 0..1000 {
            let tank = rig.get("/api/v1/tanks").await.json()[0].clone();
            if wanted(&tank) {
                return tank;
            }
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        panic!("never {what}");
    };
    tank("read", &|t| t["temperature_celsius"] == 54.25).await;
    assert!(
        rig.get("/metrics").await.text.contains("tankside_tank_temperature_celsius{tank=\"nickel\"} 54.25")
    );
    write(&rig.sensor, "-127000");
    let failed = tank("failed", &|t| t["temperature_celsius"].is_null()).await;
    assert!(failed["known"]["temperature_trouble"].as_str().unwrap().contains("-127"), "{failed}");
    assert!(!rig.get("/metrics").await.text.contains("tankside_tank_temperature_celsius{"));
}

#[tokio::test]
async fn figures_count_what_was_raised_and_not_what_a_person_put_back() {
    let rig = rig();
    let figures = rig.get("/api/v1/alarms/figures?days=1").await.json();
    assert_eq!((&figures["raised"], &figures["days"]), (&json!(3), &json!(1)), "{figures}");
    assert_eq!(figures["chattering"], json!({"bench/drift": 1}), "{figures}");
    assert_eq!(figures["per_hour"], 3.0 / 24.0);
    assert!(figures["text"].as_str().unwrap().contains("EEMUA"), "{figures}");
    assert_eq!(rig.get("/api/v1/alarms/figures?days=0").await.problem(), "bad-query");
    let help = rig.get("/api/v1/alarms/help/burn-margin").await.json();
    assert!(help["unseen"].as_str().unwrap().contains("pump"), "{help}");
    assert_eq!(rig.get("/api/v1/alarms/help/sun").await.problem(), "bad-json");
}

#[tokio::test]
async fn unknown_station_run_page_and_query_are_named() {
    let rig = rig();
    for path in ["/api/v1/stations/bath", "/api/v1/runs/none", "/api/v1/runs/none/readings", "/api/v2", "/x"]
    {
        let answer = rig.get(path).await;
        assert_eq!(
            (answer.status, answer.problem().as_str()),
            (StatusCode::NOT_FOUND, "not-found"),
            "{path}"
        );
    }
    for query in ["limit=0", "limit=-1", "limit=many", "limit=1001", "speed=3"] {
        let answer = rig.get(&format!("/api/v1/runs?{query}")).await;
        assert_eq!(
            (answer.status, answer.problem().as_str()),
            (StatusCode::BAD_REQUEST, "bad-query"),
            "{query}"
        );
    }
}

#[tokio::test]
async fn record_for_machines_is_a_file_of_its_own_name_and_not_shown_in_the_place_of_the_page() {
    let rig = rig();
    for (of, kind, id) in
        [("run", "json", RUN), ("run", "csv", RUN), ("job", "json", JOB), ("job", "csv", JOB)]
    {
        let answer = rig.get(&format!("/api/v1/{of}s/{id}/record.{kind}")).await;
        assert_eq!(answer.status, StatusCode::OK, "{of} {kind}: {}", answer.text);
        let kept = format!("attachment; filename=\"{of}-{id}.{kind}\"");
        assert_eq!(answer.headers.get("content-disposition").map(|v| v.as_bytes()), Some(kept.as_bytes()));
    }
}

#[tokio::test]
async fn readings_from_elsewhere_are_judged_and_what_cannot_be_read_in_them_is_named() {
    let rig = rig();
    // An hour at a reading a second, more than a command may have; at 3000 s the part falls off.
    let reading = |s: u32| if s < 3000 { "3.5000,2.8000" } else { "8.0000,0.0000" };
    let mut csv = String::from("t_s,V,I,I_set,V_lim\n");
    csv.extend((0..3600).map(|s| format!("{s},{},2.8000,8.0000\n", reading(s))));
    assert!(csv.len() > 64 * 1024);
    let told = rig.post("/api/v1/replay", json!({ "csv": csv })).await;
    assert_eq!(told.status, StatusCode::OK, "{}", told.text);
    let told = told.json();
    assert_eq!((&told["watches_of"], &told["passed_over"]), (&Value::Null, &json!(0)));
    let raised = told["raised"].as_array().unwrap();
    let open = raised.iter().find(|r| r["watch"] == "open-circuit").unwrap_or_else(|| panic!("{told}"));
    assert!((3000.0..3010.0).contains(&open["seconds"].as_f64().unwrap()), "{open}");
    for (body, said) in [
        (json!({ "csv": csv.replace("\n7,3.5", "\n7,many") }), "csv: line 9: V is \"many000\", not a number"),
        (json!({ "csv": "t_s,V,I\n" }), "csv: line 1: column I_set is missing"),
        (
            json!({ "csv": csv, "bath": "watts-nickle" }),
            "bath: there is no bath \"watts-nickle\"; there is: ",
        ),
        (json!({ "csv": csv, "bath": "watts-nickel" }), "bath: how much hung?"),
        (json!({ "csv": csv, "shape": "6 cup" }), "shape: "),
    ] {
        let refused = rig.post("/api/v1/replay", body).await;
        assert_eq!(
            (refused.status, refused.problem().as_str()),
            (StatusCode::UNPROCESSABLE_ENTITY, "not-possible")
        );
        assert!(refused.json()["errors"][0].as_str().unwrap().starts_with(said), "{}", refused.text);
    }
    let nobody = rig.post("/api/v1/replay", json!({ "csv": csv, "station": "attic" })).await;
    assert_eq!(nobody.problem(), "not-found");
    let large = rig.post("/api/v1/replay", json!({ "csv": "x".repeat(1 << 20) })).await;
    assert_eq!(large.problem(), "too-large");
    assert!(large.text.contains("1048576 bytes"), "{}", large.text);
}

#[tokio::test]
async fn number_in_an_address_that_is_none_is_refused_in_words() {
    let rig = rig();
    for (asked, said) in [
        ("runs?limit=many", "limit: write a whole number"),
        ("runs?limit=", "limit: write a whole number"),
        ("runs?limit=-1", "limit: write a whole number"),
        ("runs?limit=99999999999", "limit: write a smaller number"),
        ("alarms/figures?days=x", "days: write a whole number"),
        ("stations/bench/trend.svg?width=x", "width: write a whole number"),
    ] {
        let answer = rig.get(&format!("/api/v1/{asked}")).await;
        assert_eq!(answer.problem(), "bad-query", "{asked}");
        assert_eq!(answer.json()["detail"], said, "{asked}");
    }
}

#[tokio::test]
async fn metrics_have_a_type_that_prometheus_takes_and_the_commit_times() {
    let answer = rig().get("/metrics").await;
    assert_eq!(answer.headers["content-type"], "text/plain; version=0.0.4");
    assert!(answer.text.contains("tankside_ledger_commit_seconds_count 1"), "{}", answer.text);
    assert!(answer.text.contains("tankside_tank_charge_coulombs_total{tank=\"nickel\"} 7230"));
}

#[tokio::test(start_paused = true)]
async fn health_tells_a_stuck_loop_from_a_lost_link_and_a_full_disk() {
    let rig = rig();
    assert_eq!(rig.get("/healthz").await.status, StatusCode::OK);
    assert_eq!(rig.get("/readyz").await.status, StatusCode::OK);

    *rig.shelf.broken.lock().unwrap() = true;
    let ready = rig.get("/readyz").await;
    assert_eq!(ready.status, StatusCode::SERVICE_UNAVAILABLE);
    assert_eq!(ready.json()["wrong"][0], "ledger: the disk is gone");
    assert_eq!(rig.get("/healthz").await.status, StatusCode::OK);
    assert_eq!(rig.get("/api/v1/runs").await.problem(), "ledger");
    let metrics = rig.get("/metrics").await;
    assert!(
        metrics.text.contains("tankside_supply_volts{station=\"bench\"} 3"),
        "a full disk hides no supply"
    );
    *rig.shelf.broken.lock().unwrap() = false;

    let mut lost = snapshot(2);
    lost.link.up = false;
    lost.link.trouble = Some("unplugged".into());
    rig.publish.send_replace(Arc::new(lost));
    assert_eq!(rig.get("/readyz").await.json()["wrong"][0], "station bench: unplugged");
    assert_eq!(rig.get("/healthz").await.status, StatusCode::OK);

    rig.publish.send_replace(Arc::new(snapshot(3)));
    tokio::task::yield_now().await;
    tokio::time::advance(Duration::from_secs(6)).await;
    assert_eq!(rig.get("/healthz").await.status, StatusCode::SERVICE_UNAVAILABLE);
    let station = rig.get("/api/v1/stations/bench").await.json();
    assert_eq!(
        (&station["stale"], &station["measured"], &station["output_known"]),
        (&json!(true), &json!(null), &json!(false))
    );
}

/// Every key that is answered and not in the document.
fn undescribed(document: &Value, schema: &Value, answer: &Value, place: &str, found: &mut Vec<String>) {
    if let Some(name) = schema["$ref"].as_str() {
        let name = name.trim_start_matches("#/components/schemas/");
        return undescribed(document, &document["components"]["schemas"][name], answer, place, found);
    }
    if let Some(either) = schema["anyOf"].as_array() {
        return undescribed(document, &either[0], answer, place, found);
    }
    match answer {
        Value::Array(all) => {
            for (n, one) in all.iter().enumerate() {
                undescribed(document, &schema["items"], one, &format!("{place}[{n}]"), found);
            }
        }
        Value::Object(map) if schema["properties"].is_object() => {
            for (key, value) in map {
                let place = format!("{place}.{key}");
                match schema["properties"].get(key) {
                    Some(schema) => undescribed(document, schema, value, &place, found),
                    None => found.push(place),
                }
            }
        }
        _ => {}
    }
}

#[tokio::test]
async fn no_answer_has_a_key_that_the_document_is_silent_about() {
    let rig = rig();
    let document = rig.get("/api/v1/openapi.json").await.json();
    assert_eq!(document["openapi"], "3.1.0");
    rig.post("/api/v1/stations/bench/hold", json!({"by": "mila"})).await;
    rig.post("/api/v1/tanks/silver/bath", json!({"by": "mila", "temperature": "24 degC"})).await;
    let mut found = Vec::new();
    let mut read = 0;
    for (path, operations) in document["paths"].as_object().unwrap() {
        let Some(schema) = operations["get"]["responses"]["200"]["content"]["application/json"].get("schema")
        else {
            continue;
        };
        // Analyses need a config, which this rig has none of: `tests/findings.rs` reads them.
        if path.ends_with("/analysis") {
            continue;
        }
        let path = path.replace("/advice", "/advice?saw=dull");
        let path = path.replace("{tank}", "nickel");
        let real = path
            .replace("{station}", "bench")
            .replace("{run}", RUN)
            .replace("{job}", JOB)
            .replace("{watch}", "drift");
        let answer = rig.get(&real).await;
        assert_eq!(answer.status, StatusCode::OK, "{real}");
        undescribed(&document, schema, &answer.json(), &path, &mut found);
        read += 1;
    }
    assert!(read > 10, "{read}");
    assert_eq!(found, Vec::<String>::new());
}

#[tokio::test]
async fn screen_gets_all_it_needs_in_one_answer_and_draws_no_trend_itself() {
    let rig = rig();
    let mut busy = snapshot(2);
    busy.trend = (0..300u16).map(|i| (f32::from(300 - i), 3.0, f32::from(i) / 100.0)).collect();
    rig.publish.send_replace(Arc::new(busy));
    let house = rig.get("/api/v1/house").await;
    assert_eq!(house.status, StatusCode::OK);
    let house = house.json();
    assert_eq!(house["now"][0]["station"], "bench");
    assert_eq!(house["now"][0]["trend"].as_array().unwrap().len(), 0, "a trend is drawn, not sent");
    assert!(house["now"][0]["age_seconds"].is_number(), "a picture without its age");

    let drawn = rig.get("/api/v1/stations/bench/trend.svg?width=320").await;
    assert_eq!(
        (drawn.status, drawn.headers["content-type"].to_str().unwrap()),
        (StatusCode::OK, "image/svg+xml")
    );
    assert!(drawn.text.contains("width=\"320\"") && drawn.text.contains("class=\"amps\""), "{}", drawn.text);
    for (path, status) in [
        ("/api/v1/stations/bench/trend.svg?width=9999", StatusCode::BAD_REQUEST),
        ("/api/v1/stations/bench/trend.svg?wide=3", StatusCode::BAD_REQUEST),
        ("/api/v1/stations/attic/trend.svg", StatusCode::NOT_FOUND),
        ("/page/secrets.js", StatusCode::NOT_FOUND),
    ] {
        assert_eq!(rig.get(path).await.status, status, "{path}");
    }
}

//! What a person measures, from the routes to the disk and back into the plan: analyses, Hull panels, parts.
#![cfg(feature = "daemon")]

use axum::body::Body;
use axum::http::Request;
use serde_json::{Value, json};
use std::sync::Arc;
use std::time::Duration;
use tankside::config;
use tankside::ledger::{Ledger, RunEnd, RunStart};
use tankside::quantity::{Microcoulombs, Units};
use tankside::serve::{AppState, Desk, Facts, Metrics, router};
use tankside::station::Baths;
use tankside::supply::Clock;
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;

struct Rig {
    app: AppState,
    ledger: Ledger,
    _folder: tempfile::TempDir,
}

fn rig() -> Rig {
    let folder = tempfile::tempdir().unwrap();
    let text = r#"
        [daemon]
        state = "/tmp"
        [prices]
        Ni = "17 EUR/kg"
        [[station]]
        name = "bench"
        [station.supply]
        dialect = "scpi"
        port = "/dev/ttyUSB0"
        max-current = "10 A"
        max-voltage = "12 V"
        [[tank]]
        name = "nickel"
        bath = "watts-nickel"
        volume = "20 L"
        agitation = "air"
        [[tank.upkeep]]
        name = "analysis"
        or-every = "30 d"
        [[tank.upkeep]]
        name = "hull-panel"
        every = "50 A.h"
        [[tank]]
        name = "dip"
        bath = "acid-activator"
    "#;
    let config = config::load(text, "t.toml", &[], &["scpi"]).unwrap_or_else(|p| panic!("{p:#?}"));
    let (ledger, _) = Ledger::open(&folder.path().join("ledger.sqlite")).unwrap();
    let desk =
        Desk { config, ledger: ledger.reader().clone(), sheets: Vec::new(), speech: Default::default() };
    let facts = Facts {
        listen: "127.0.0.1:8093".parse().unwrap(),
        names: Vec::new(),
        units: Units::Metric,
        config_hash: "0".into(),
        tanks: Vec::new(),
    };
    let app = AppState::new(
        Vec::new(),
        Arc::new(ledger.clone()),
        Arc::new(desk),
        facts,
        Baths::new(Vec::new(), Clock::new()),
        Metrics::new(),
        CancellationToken::new(),
    );
    Rig { app, ledger, _folder: folder }
}

/// Without the line breaks of the page.
fn flat(text: &Value) -> String {
    text.as_str().unwrap().split_whitespace().collect::<Vec<_>>().join(" ")
}

impl Rig {
    async fn send(&self, request: Request<Body>) -> (u16, Value) {
        let response = router(self.app.clone()).oneshot(request).await.unwrap();
        let status = response.status().as_u16();
        let bytes = axum::body::to_bytes(response.into_body(), 1 << 20).await.unwrap();
        (status, serde_json::from_slice(&bytes).unwrap_or_default())
    }
    async fn get(&self, path: &str) -> Value {
        let request = Request::get(path).header("host", "127.0.0.1:8093").body(Body::empty()).unwrap();
        self.send(request).await.1
    }
    async fn post(&self, path: &str, body: Value) -> (u16, Value) {
        let request = Request::post(path)
            .header("host", "127.0.0.1:8093")
            .header("content-type", "application/json")
            .body(Body::from(body.to_string()));
        self.send(request.unwrap()).await
    }
    async fn plan(&self) -> Value {
        let disc =
            json!({"name": "key cups", "count": 6, "disc": {"diameter": "34 mm", "thickness": "1 mm"}});
        let body = json!({"request": {"tank": "nickel", "part": [disc], "end": {"thickness": "8 um"}}});
        let (status, plan) = self.post("/api/v1/plan", body).await;
        assert_eq!(status, 200, "{plan}");
        plan
    }
    /// A complete run of two parts on 1 dm2 with one ampere-hour.
    async fn run(&self, id: &str) {
        self.run_at(id, "2026-01-01T00:00:00.000Z").await;
    }
    async fn run_at(&self, id: &str, started: &str) {
        let order = self.plan().await["order"].to_string();
        let start = RunStart {
            id: id.into(),
            station: "bench".into(),
            tank: "nickel".into(),
            title: "2 key cups".into(),
            started_by: "mila".into(),
            started: started.into(),
            target: None,
            area_square_meters: 0.01,
            parts: 2,
            metal: Some("Ni".into()),
            thickness_meters_per_coulomb: None,
            continues: None,
            job: None,
            lot: None,
            customer: None,
            hung: Vec::new(),
            order_json: order,
        };
        self.ledger.begin(start).await.unwrap();
        let end = RunEnd {
            id: id.into(),
            ended: "2026-01-01T01:00:00.000Z".into(),
            state: "complete",
            cause: "done".into(),
            charge: Microcoulombs(3_600_000_000),
            unobserved: Duration::ZERO,
            worked: Duration::from_secs(3600),
            load_slope: None,
        };
        self.ledger.finish(end).await.unwrap();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn analysis_gives_grams_begins_its_rule_anew_and_is_taken_back() {
    let rig = rig();
    let entered = "nickel: 19.8 mL EDTA 0.1 M, sample 2 mL; chloride = 13.4 g/L, pH = 4";
    let (status, said) =
        rig.post("/api/v1/tanks/nickel/analysis", json!({"by": "mila", "entered": entered})).await;
    assert_eq!(status, 200, "{said}");
    // By hand: 19.8 mL of 0.1 mol/L in 2 mL is 58.106 g/L; aim 71.40; 13.30 g/L short, 22.33 % in the sulfate, 20 L.
    let mass = said["advice"]["additions"][0]["mass"].as_str().unwrap();
    let grams: tankside::quantity::Mass = mass.parse().unwrap();
    assert!((grams.get() - (71.405 - 58.106) / 0.22330 * 20.0).abs() < 3.0, "{mass}");
    let text = said["text"].as_str().unwrap();
    assert!(
        text.contains("LOW") && text.contains("NiSO4.6H2O") && text.contains("No earlier analysis"),
        "{text}"
    );

    let again = json!({"by": "mila", "entered": "nickel = 70 g/L", "only_show": true});
    assert_eq!(rig.post("/api/v1/tanks/nickel/analysis", again).await.0, 200);
    assert_eq!(
        rig.get("/api/v1/tanks/nickel/analysis").await.as_array().unwrap().len(),
        1,
        "shown is not written"
    );

    let (status, _) = rig.post("/api/v1/tanks/nickel/undo", json!({"by": "jonas"})).await;
    assert_eq!(status, 200);
    assert_eq!(rig.get("/api/v1/tanks/nickel/analysis").await, json!([]));
    assert!(rig.ledger.reader().last_done().unwrap().is_empty(), "its rule counts on as before");
}

#[tokio::test(flavor = "multi_thread")]
async fn trend_is_over_the_work_in_between() {
    let rig = rig();
    for (nickel, id) in [(72.0, "a"), (71.0, "b"), (70.0, "c")] {
        rig.run(id).await;
        let body = json!({"by": "mila", "entered": format!("nickel = {nickel} g/L")});
        let (_, said) = rig.post("/api/v1/tanks/nickel/analysis", body).await;
        if id == "c" {
            // 1 g/L in each ampere-hour.
            let slope = said["trend"][0]["per-ampere-hour"].as_f64().unwrap();
            assert!((slope + 1.0).abs() < 1e-9, "{said}");
            assert!(said["text"].as_str().unwrap().contains("-100"), "{said}");
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn panel_is_taken_by_the_plan_until_its_rule_is_due() {
    let rig = rig();
    let before = rig.plan().await;
    let body = json!({"by": "mila", "entered": "267 mL 1 A 5 min, burnt to 12.7 mm"});
    let (status, said) = rig.post("/api/v1/tanks/nickel/panel", body).await;
    assert_eq!(status, 200, "{said}");
    let after = rig.plan().await;
    // 42.4 A/ft2 at 1 A: the Guide Book's scale.
    let burn: tankside::quantity::Density =
        after["order"]["burn"]["density"].as_str().unwrap().parse().unwrap();
    assert!((burn.get() * 0.3048 * 0.3048 - 42.4).abs() < 0.1, "{burn}");
    assert!(flat(&after["text"]).contains("own panel of"), "{}", after["text"]);
    assert_ne!(before["order"]["burn"], after["order"]["burn"]);

    for bad in ["1000 mL 1 A 5 min, burnt to 12 mm", "267 mL 1 A 5 min, burnt to 2 mm"] {
        let (status, said) =
            rig.post("/api/v1/tanks/nickel/panel", json!({"by": "mila", "entered": bad})).await;
        assert_eq!((status, said["code"].as_str().unwrap()), (422, "not-possible"), "{said}");
    }
    let (status, _) = rig
        .post("/api/v1/tanks/dip/panel", json!({"by": "m", "entered": "267 mL 1 A 5 min, burnt to 12 mm"}))
        .await;
    assert_eq!(status, 422, "a dip does not burn");

    for n in 0..51 {
        rig.run(&format!("r{n:02}")).await;
    }
    let late = rig.plan().await;
    assert_eq!(late["order"]["burn"], before["order"]["burn"], "51 A.h later it is out of date");
    assert!(flat(&late["text"]).contains("out of date"), "{}", late["text"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn three_weighed_parts_change_the_plan_and_a_bad_weighing_nothing() {
    let rig = rig();
    for id in ["a", "b", "c"] {
        rig.run(id).await;
    }
    let bad = json!({"by": "mila", "weight_before": "24 g", "weight_after": "26 g"});
    let (status, said) = rig.post("/api/v1/runs/a/measured", bad).await;
    assert_eq!(status, 422, "{said}");
    assert!(said["errors"][0].as_str().unwrap().contains("weighed wet"), "{said}");

    // 0.9855 g of 1.0950 g: 90 %.
    let good =
        json!({"by": "mila", "weight_before": "24.0000 g", "weight_after": "24.9855 g", "area": "1 dm2"});
    for (n, id) in ["a", "b", "c"].into_iter().enumerate() {
        let plan = rig.plan().await;
        assert_eq!(plan["order"]["deposit"]["efficiency"], 0.955, "after {n} parts");
        let (status, said) = rig.post(&format!("/api/v1/runs/{id}/measured"), good.clone()).await;
        assert_eq!(status, 200, "{said}");
    }
    let plan = rig.plan().await;
    let own = plan["order"]["deposit"]["efficiency"].as_f64().unwrap();
    assert!((own - 0.90).abs() < 1e-3, "{own}");
    assert!(flat(&plan["text"]).contains("this tank's own"), "{}", plan["text"]);

    let (status, _) = rig.post("/api/v1/runs/c/measured/undo", json!({"by": "jonas"})).await;
    assert_eq!(status, 200);
    assert_eq!(rig.plan().await["order"]["deposit"]["efficiency"], 0.955, "two are too few again");
    let all = rig.get("/api/v1/runs/c/measured").await;
    assert!(all[0]["undone"].is_string(), "it stays on record: {all}");
    let (status, _) = rig.post("/api/v1/runs/c/measured/undo", json!({"by": "jonas"})).await;
    assert_eq!(status, 409);
}

#[tokio::test(flavor = "multi_thread")]
async fn weighing_stands_on_the_record_as_the_scale_showed_it_with_what_follows() {
    let rig = rig();
    rig.run("a").await;
    // 1 A.h on 1 dm2: 1.0950 g of nickel at 100 % ("Surface Finishing Tutorial #166").
    let body = json!({"by": "mila", "weight_before": "500.33 g", "weight_after": "501.4 g", "area": "1 dm2"});
    let (status, said) = rig.post("/api/v1/runs/a/measured", body).await;
    assert_eq!(status, 200, "{said}");
    let record = rig.get("/api/v1/runs/a/record.json").await;
    let scale = &record["measurements"][0];
    assert_eq!(scale["text"], "500.33 g before, 501.40 g after", "{record}");
    assert_eq!(
        (&scale["weight_before_grams"], &scale["weight_after_grams"]),
        (&json!(500.33), &json!(501.4))
    );
    let found = &record["steps"][0]["measured"];
    let efficiency = found["efficiency"].as_f64().unwrap();
    assert!((efficiency - 1.07 / 1.0950).abs() < 1e-3, "{found}");
    assert_eq!((&found["efficiency_by"], &found["efficiency_counts"]), (&json!("weight"), &json!(true)));

    let (status, _) = rig.post("/api/v1/runs/a/measured/undo", json!({"by": "mila"})).await;
    assert_eq!(status, 200);
    let record = rig.get("/api/v1/runs/a/record.json").await;
    assert!(record["steps"][0]["measured"].is_null(), "taken back, it counts no more: {record}");
}

#[tokio::test(flavor = "multi_thread")]
async fn advice_names_what_the_record_shows_and_says_what_it_does_not_know() {
    let rig = rig();
    rig.run("a").await;
    let advice = rig.get("/api/v1/runs/a/advice?saw=dark-edges").await;
    // 1 A on 1 dm2 is 1 A/dm2: under the window, and nothing else is on record.
    assert_eq!(advice["saw"], "dark-edges", "{advice}");
    let low = rig.get("/api/v1/runs/a/advice?saw=dull").await;
    assert_eq!(low["causes"][0]["cause"], "density too low", "{low}");
    assert!(low["causes"][0]["seen"].as_str().unwrap().contains("1 A/dm²"), "{low}");
    assert!(low["not-known"].as_array().unwrap().len() > 2);

    let body = json!({"by": "mila", "entered": "nickel = 40 g/L, pH = 4"});
    assert_eq!(rig.post("/api/v1/tanks/nickel/analysis", body).await.0, 200);
    let before = rig.get("/api/v1/runs/a/advice?saw=dark-edges").await;
    assert_ne!(before["causes"][0]["cause"], "metal too low", "an analysis after the run says nothing of it");
    rig.run_at("b", "2099-01-01T00:00:00.000Z").await;
    let advice = rig.get("/api/v1/runs/b/advice?saw=dark-edges").await;
    assert_eq!(advice["causes"][0]["cause"], "metal too low", "{advice}");
    assert!(advice["text"].as_str().unwrap().contains("nickel 40 g/L on "), "{advice}");

    let bad = rig.get("/api/v1/runs/a/advice?saw=sparkly").await;
    assert!(bad["detail"].as_str().unwrap().contains("peeling"), "{bad}");
    assert_eq!(rig.get("/api/v1/runs/zz/advice?saw=dull").await["status"], 404);
}

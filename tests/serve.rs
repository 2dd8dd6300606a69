//! The HTTP side against a fake station and a fake ledger: every route, and
//! everything that a stranger, a careless program or a second operator may send.
#![cfg(feature = "daemon")]

use axum::body::Body;
use axum::http::{Request, StatusCode};
use serde_json::{Value, json};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tankside::bath::Agitation;
use tankside::ledger::{AlarmRow, EventRow, ReadingRow, RunRow, StageRow, TankRow};
use tankside::plan::{Control, Goal, Order};
use tankside::quantity::{Amps, Area, CurrentSlope, Microcoulombs, Units, Volts};
use tankside::run::{Command, Question, Refusal, RunState};
use tankside::serve::{
    AppState, Facts, History, HistoryError, Metrics, Planned, Planner, Problem, TankFacts, Watched, listen,
    router,
};
use tankside::station::{
    AlarmView, Ask, BathSource, Baths, Envelope, Handle, LinkView, Measured, Snapshot, TankView,
};
use tankside::supply::Clock;
use tankside::watch::{AlarmState, Handling, Kind, Priority, Response};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;

const RUN: &str = "0190a5e0-0000-7000-8000-000000000001";

#[derive(Default)]
struct Shelf {
    broken: Mutex<bool>,
}

impl Shelf {
    fn check(&self) -> Result<(), HistoryError> {
        if *self.broken.lock().unwrap() { Err(HistoryError("the disk is gone".into())) } else { Ok(()) }
    }
}

fn run_row(id: &str) -> RunRow {
    RunRow {
        id: id.into(),
        station: "bench".into(),
        tank: "nickel".into(),
        title: "6 key cups".into(),
        started_by: "mila".into(),
        started: "2026-01-02T03:04:05Z".into(),
        ended: None,
        state: "running".into(),
        cause: None,
        charge_coulombs: 60.0,
        target_coulombs: Some(120.0),
        unobserved_seconds: 0.0,
        worked_seconds: 30.0,
        area_square_meters: 0.01,
        parts: 6,
        metal: Some("Ni".into()),
        thickness_meters: Some(1e-6),
        continues: None,
        load_slope_ohm_square_meters: None,
        order_json: "{}".into(),
        job: None,
        lot: None,
        customer: None,
    }
}

impl History for Shelf {
    fn runs(&self, limit: u32, before: Option<&str>) -> Result<Vec<RunRow>, HistoryError> {
        self.check()?;
        let all = if before.is_some() { vec![] } else { vec![run_row(RUN), run_row("older")] };
        Ok(all.into_iter().take(limit as usize).collect())
    }
    fn run(&self, id: &str) -> Result<Option<RunRow>, HistoryError> {
        self.check()?;
        Ok((id == RUN).then(|| run_row(id)))
    }
    fn readings(&self, _: &str) -> Result<Vec<ReadingRow>, HistoryError> {
        Ok(vec![ReadingRow {
            seconds: 1.0,
            volts: 2.0,
            amperes: 3.0,
            setpoint_amperes: 3.0,
            ceiling_volts: Some(6.0),
            bath_celsius: None,
        }])
    }
    fn tanks(&self) -> Result<Vec<TankRow>, HistoryError> {
        self.check()?;
        Ok(vec![TankRow {
            tank: "nickel".into(),
            charge_coulombs: 7200.0,
            charge_microcoulombs: 7_200_000_000,
            unobserved_seconds: 1.5,
            runs: 4,
        }])
    }
    fn alarms(&self, _: u32) -> Result<Vec<AlarmRow>, HistoryError> {
        self.check()?;
        Ok(vec![])
    }
    fn alarms_since(&self, from: &str, _: u32) -> Result<Vec<AlarmRow>, HistoryError> {
        self.check()?;
        let from: jiff::Timestamp = from.parse().unwrap();
        // Three times within a minute, an hour after the span began; a person put it aside, then back.
        let steps = [
            (0, "normal", "unacknowledged", None),
            (5, "unacknowledged", "returned-unacknowledged", None),
            (10, "returned-unacknowledged", "unacknowledged", None),
            (15, "unacknowledged", "returned-unacknowledged", None),
            (20, "returned-unacknowledged", "unacknowledged", None),
            (30, "unacknowledged", "shelved", Some("mila")),
            (40, "shelved", "unacknowledged", Some("mila")),
        ];
        Ok(steps
            .into_iter()
            .map(|(seconds, was, is, by)| AlarmRow {
                at: format!("{:.3}", from + Duration::from_secs(3600 + seconds)),
                monotonic_milliseconds: 0,
                station: "bench".into(),
                run: None,
                watch: "drift".into(),
                from: was.into(),
                to: is.into(),
                priority: "medium".into(),
                text: String::new(),
                by: by.map(Into::into),
                note: None,
            })
            .collect())
    }
    fn stages(&self, _: &str) -> Result<Vec<StageRow>, HistoryError> {
        Ok(vec![StageRow { seconds: 0.0, state: "running".into(), phase: "ramp".into() }])
    }
    fn events(&self, run: &str, _: u32) -> Result<Vec<EventRow>, HistoryError> {
        Ok(vec![EventRow {
            at: "2026-01-02T03:04:05Z".into(),
            monotonic_milliseconds: 0,
            station: "bench".into(),
            run: Some(run.into()),
            kind: "phase".into(),
            text: "ramp".into(),
        }])
    }
    fn writable(&self) -> Result<(), HistoryError> {
        self.check()
    }
    fn take_commit_seconds(&self) -> Vec<f64> {
        vec![0.004]
    }
}

fn order() -> Order {
    Order {
        title: "6 key cups".into(),
        tank: "nickel".into(),
        bath: "watts-nickel".into(),
        parts: 6,
        area: Area::new(0.01),
        deposit: None,
        burn: None,
        entry: tankside::process::Entry::Dead,
        entry_volts: Volts::new(1.0),
        entry_amps: Amps::new(0.5),
        control: Control::Current {
            setpoint: Amps::new(4.0),
            ceiling: Volts::new(6.0),
            slope: CurrentSlope::new(0.2),
        },
        goal: Goal::Charge(Microcoulombs(120_000_000)),
        time_limit: Duration::from_secs(600),
        turn: None,
        seek: None,
        like_slopes: Vec::new(),
    }
}

/// Takes any request whose thickness parses.
struct Sheet;

impl Planner for Sheet {
    fn plan(&self, _: Option<&str>, request: &Value) -> Result<Planned, Problem> {
        let text = request["thickness"].as_str().ok_or_else(|| {
            Problem::new(StatusCode::BAD_REQUEST, "bad-json", "request.thickness: a text with its unit")
        })?;
        text.parse::<tankside::quantity::Length>().map_err(|e| {
            Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "not-possible", "this cannot be planned")
                .with_errors(vec![format!("thickness: {e}")])
        })?;
        Ok(Planned { worksheet: json!({"loads": 1}), text: "one load\n".into(), order: order() })
    }
}

fn snapshot(seq: u64) -> Snapshot {
    Snapshot {
        station: "bench".into(),
        seq,
        taken: "2026-01-02T03:04:05Z".into(),
        link: LinkView { up: true, port: "/dev/pts/9".into(), ..LinkView::default() },
        measured: Some(Measured { volts: 3.0, amperes: 2.0, regulation: Some("current") }),
        reading_age_seconds: Some(0.05),
        output_known: true,
        output_on: Some(false),
        tank: Some(TankView {
            name: "nickel".into(),
            bath: "watts-nickel".into(),
            charge_coulombs: 7230.0,
            unobserved_seconds: 1.5,
        }),
        ..Snapshot::default()
    }
}

struct Rig {
    app: AppState,
    shelf: Arc<Shelf>,
    publish: Arc<watch::Sender<Arc<Snapshot>>>,
    shutdown: CancellationToken,
    seen: Arc<Mutex<Vec<String>>>,
    handled: Arc<Mutex<Vec<(Kind, Handling)>>>,
    baths: Baths,
    sensor: PathBuf,
    _folder: tempfile::TempDir,
}

#[expect(clippy::disallowed_methods, reason = "a thermometer is a file")]
fn write(path: &Path, text: &str) {
    std::fs::write(path, text).unwrap();
}

/// A station that knows one thing: whether a run is on. `switches` says whether
/// its output really goes off.
fn rig_with(token: Option<&str>, switches: bool) -> Rig {
    let (publish, snapshots) = watch::channel(Arc::new(snapshot(1)));
    let (commands, mut inbox) = mpsc::channel::<Envelope>(8);
    let publish = Arc::new(publish);
    let seen = Arc::new(Mutex::new(Vec::new()));
    let handled = Arc::new(Mutex::new(Vec::new()));
    let (publisher, log, alarms) = (publish.clone(), seen.clone(), handled.clone());
    tokio::spawn(async move {
        let mut running = false;
        while let Some(envelope) = inbox.recv().await {
            let Ask::Run(command, _) = &envelope.command else {
                envelope.reply.send(Err(Refusal("no jobs here".into()))).ok();
                continue;
            };
            let word = match command {
                Command::Start { .. } => "start",
                Command::Hold => "hold",
                Command::Resume => "resume",
                Command::Stop => "stop",
                Command::Abort | Command::Quit => "abort",
                Command::Answer(_) => "answer",
                Command::Alarm { handling: Handling::Acknowledge { .. }, .. } => "ack",
                Command::Alarm { .. } => "alarm",
            };
            log.lock().unwrap().push(format!("{} {word}", envelope.by));
            if let Command::Alarm { kind, handling } = command {
                alarms.lock().unwrap().push((*kind, handling.clone()));
            }
            let verdict = match (command, running) {
                (Command::Start { .. }, true) => Err(Refusal("a run is on; stop it first".into())),
                (Command::Start { .. }, false) => {
                    running = true;
                    Ok("started".into())
                }
                (Command::Alarm { .. }, _) => Ok("acknowledged".into()),
                (_, false) => Err(Refusal("no run is on".into())),
                (Command::Stop | Command::Abort, true) => {
                    running = false;
                    Ok("ended".into())
                }
                (_, true) => Ok("done".into()),
            };
            publisher.send_modify(|now| {
                let mut next = (**now).clone();
                next.seq += 1;
                next.run.state = if running { RunState::Running } else { RunState::Idle };
                next.output_on = Some(running || !switches);
                *now = Arc::new(next);
            });
            envelope.reply.send(verdict).ok();
        }
    });
    let shelf = Arc::new(Shelf::default());
    let shutdown = CancellationToken::new();
    let folder = tempfile::tempdir().unwrap();
    let sensor = folder.path().join("temperature");
    write(&sensor, "54250\n");
    let source = |tank: &str, thermometer| BathSource {
        tank: tank.into(),
        agitation: Agitation::Air,
        thermometer,
        stirring: None,
    };
    let sources = vec![source("nickel", Some((sensor.clone(), 0.001))), source("silver", None)];
    let baths = Baths::new(sources, Clock::new());
    baths.watch_sensors();
    let facts = Facts {
        listen: "127.0.0.1:8093".parse().unwrap(),
        token: token.map(Into::into),
        units: Units::Metric,
        config_hash: "0".into(),
        tanks: vec![
            TankFacts { tank: "nickel".into(), bath: "watts-nickel".into(), volume_liters: Some(20.0) },
            TankFacts { tank: "silver".into(), bath: "silver".into(), volume_liters: Some(12.0) },
        ],
    };
    let station = Watched::new(Handle::new("bench", snapshots, commands), Duration::from_secs(1));
    let app = AppState::new(
        vec![station],
        shelf.clone(),
        Arc::new(Sheet),
        facts,
        baths.clone(),
        Metrics::new(),
        shutdown.clone(),
    );
    Rig { app, shelf, publish, shutdown, seen, handled, baths, sensor, _folder: folder }
}

fn rig() -> Rig {
    rig_with(None, true)
}

struct Answer {
    status: StatusCode,
    headers: axum::http::HeaderMap,
    text: String,
}

impl Answer {
    fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|e| panic!("{e}: {}", self.text))
    }
    /// The stable code, and that the answer is a problem document as RFC 9457 has it.
    fn problem(&self) -> String {
        assert_eq!(self.headers["content-type"], "application/problem+json", "{}", self.text);
        let json = self.json();
        assert_eq!(json["status"], self.status.as_u16());
        assert!(json["title"].is_string() && json["detail"].is_string() && json["type"].is_string());
        json["code"].as_str().unwrap().to_owned()
    }
}

impl Rig {
    async fn ask(&self, request: Request<Body>) -> Answer {
        let response = router(self.app.clone()).oneshot(request).await.unwrap();
        let (parts, body) = response.into_parts();
        let bytes = axum::body::to_bytes(body, 1 << 20).await.unwrap();
        Answer {
            status: parts.status,
            headers: parts.headers,
            text: String::from_utf8(bytes.to_vec()).unwrap(),
        }
    }
    async fn get(&self, path: &str) -> Answer {
        self.ask(Request::get(path).header("host", "localhost:8093").body(Body::empty()).unwrap()).await
    }
    async fn post(&self, path: &str, body: Value) -> Answer {
        self.raw(path, body.to_string()).await
    }
    async fn raw(&self, path: &str, body: String) -> Answer {
        let request = Request::post(path)
            .header("host", "127.0.0.1:8093")
            .header("content-type", "application/json")
            .body(Body::from(body))
            .unwrap();
        self.ask(request).await
    }
    async fn start(&self, by: &str) -> Answer {
        self.post("/api/v1/stations/bench/start", json!({"by": by, "request": {"thickness": "8 um"}})).await
    }
}

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
async fn metrics_have_a_type_that_prometheus_takes_and_the_commit_times() {
    let answer = rig().get("/metrics").await;
    assert_eq!(answer.headers["content-type"], "text/plain; version=0.0.4");
    assert!(answer.text.contains("tankside_ledger_commit_seconds_count 1"), "{}", answer.text);
    assert!(answer.text.contains("tankside_tank_charge_coulombs_total{tank=\"nickel\"} 7230"));
}

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

    let stuck = rig_with(None, false);
    stuck.start("mila").await;
    let off = stuck.post("/api/v1/stations/bench/off", json!({"by": "mila"})).await;
    assert_eq!((off.status, off.problem().as_str()), (StatusCode::GATEWAY_TIMEOUT, "not-confirmed"));
    assert!(off.json()["detail"].as_str().unwrap().contains("go to the supply"));
}

#[tokio::test]
async fn with_a_token_nothing_but_page_and_health_is_open() {
    let rig = rig_with(Some("a-long-secret"), true);
    for open in ["/", "/page.js", "/healthz", "/readyz"] {
        assert_eq!(rig.get(open).await.status, StatusCode::OK, "{open}");
    }
    let with = |path: &str, value: &str| {
        Request::get(path)
            .header("host", "localhost")
            .header("authorization", value)
            .body(Body::empty())
            .unwrap()
    };
    for path in ["/metrics", "/api/v1/stations", "/api/v1/runs", "/api/v1/tanks"] {
        let answer = rig.get(path).await;
        assert_eq!(
            (answer.status, answer.problem().as_str()),
            (StatusCode::UNAUTHORIZED, "no-token"),
            "{path}"
        );
        for wrong in
            ["Bearer a-long-secre", "Bearer a-long-secret2", "Basic a-long-secret", "a-long-secret", ""]
        {
            assert_eq!(rig.ask(with(path, wrong)).await.status, StatusCode::UNAUTHORIZED, "{wrong}");
        }
        assert_eq!(rig.ask(with(path, "Bearer a-long-secret")).await.status, StatusCode::OK, "{path}");
    }
    assert_eq!(rig.start("mila").await.problem(), "no-token");
    assert!(rig.seen.lock().unwrap().is_empty());
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

/// A daemon on a real loopback socket.
async fn daemon(rig: &Rig) -> (SocketAddr, tokio::task::JoinHandle<()>) {
    let listening = listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
    let address = listening.address;
    (address, tokio::spawn(listening.serve(rig.app.clone())))
}

async fn read_until(socket: &mut TcpStream, wanted: &str) -> String {
    let mut all = Vec::new();
    while !String::from_utf8_lossy(&all).contains(wanted) {
        let mut chunk = [0; 4096];
        let got =
            tokio::time::timeout(Duration::from_secs(5), socket.read(&mut chunk)).await.unwrap().unwrap();
        assert_ne!(got, 0, "ended before {wanted:?}: {}", String::from_utf8_lossy(&all));
        all.extend_from_slice(&chunk[..got]);
    }
    String::from_utf8(all).unwrap()
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

#[tokio::test]
async fn stream_of_all_stations_says_something_each_second_and_ends_with_the_daemon() {
    let rig = rig();
    let (address, served) = daemon(&rig).await;
    let mut socket = TcpStream::connect(address).await.unwrap();
    let ask = format!("GET /api/v1/stream HTTP/1.1\r\nhost: {address}\r\n\r\n");
    socket.write_all(ask.as_bytes()).await.unwrap();
    let head = read_until(&mut socket, "\"seq\":1,").await;
    assert!(head.contains("text/event-stream") && head.contains("event: stations"), "{head}");
    assert!(!head.contains("content-encoding"), "a stream that is compressed is held back: {head}");
    // Nothing new is published; it speaks all the same.
    read_until(&mut socket, "\"seq\":1,").await;
    rig.publish.send_replace(Arc::new(snapshot(2)));
    read_until(&mut socket, "\"seq\":2,").await;
    rig.shutdown.cancel();
    tokio::time::timeout(Duration::from_secs(2), served)
        .await
        .expect("the stream holds the daemon up")
        .unwrap();
}

#[tokio::test]
async fn stream_brings_each_snapshot_and_ends_on_shutdown() {
    let rig = rig();
    let (address, served) = daemon(&rig).await;
    let mut socket = TcpStream::connect(address).await.unwrap();
    let ask = format!("GET /api/v1/stations/bench/stream HTTP/1.1\r\nhost: {address}\r\n\r\n");
    socket.write_all(ask.as_bytes()).await.unwrap();
    let head = read_until(&mut socket, "id: 1").await;
    assert!(head.contains("text/event-stream") && head.contains("event: snapshot"), "{head}");
    let mut next = snapshot(2);
    next.run.question = Some(Question::TurnPart { next: 2, faces: 2 });
    next.alarms.push(AlarmView {
        watch: "over-voltage".into(),
        state: AlarmState::Unacknowledged,
        priority: Priority::High,
        text: "6.2 V".into(),
        response: Response::Cut,
        cause: "",
        consequence: "",
        remedy: "Look for a loose clip.".into(),
        respond_within_minutes: 1,
        unseen: "",
        since: "2026-01-02T03:04:05Z".into(),
        first_out: Some(1),
        chattering: false,
        shelved_until: None,
    });
    rig.publish.send_replace(Arc::new(next));
    let event = read_until(&mut socket, "id: 2").await;
    assert!(event.contains("turn-part") && event.contains("over-voltage"), "{event}");

    rig.shutdown.cancel();
    tokio::time::timeout(Duration::from_secs(2), served)
        .await
        .expect("shutdown waits for no stream")
        .unwrap();
    let mut rest = Vec::new();
    tokio::time::timeout(Duration::from_secs(2), socket.read_to_end(&mut rest)).await.unwrap().unwrap();
    assert!(rest.ends_with(b"0\r\n\r\n"), "the stream ends whole");
}

#[tokio::test]
async fn slow_client_is_cut_and_disturbs_nobody() {
    let rig = rig();
    let (address, _served) = daemon(&rig).await;
    let mut slow = Vec::new();
    for _ in 0..50 {
        let mut socket = TcpStream::connect(address).await.unwrap();
        socket.write_all(b"GET / HTTP/1.1\r\nho").await.unwrap();
        slow.push(socket);
    }
    let mut body = TcpStream::connect(address).await.unwrap();
    let head = format!(
        "POST /api/v1/stations/bench/stop HTTP/1.1\r\nhost: {address}\r\ncontent-type: application/json\r\ncontent-length: 14\r\n\r\n{{"
    );
    body.write_all(head.as_bytes()).await.unwrap();

    let mut quick = TcpStream::connect(address).await.unwrap();
    quick.write_all(format!("GET /healthz HTTP/1.1\r\nhost: {address}\r\n\r\n").as_bytes()).await.unwrap();
    read_until(&mut quick, "\"ok\":true").await;

    let mut answer = Vec::new();
    tokio::time::timeout(Duration::from_secs(12), body.read_to_end(&mut answer)).await.unwrap().unwrap();
    assert!(
        String::from_utf8_lossy(&answer).starts_with("HTTP/1.1 408"),
        "{}",
        String::from_utf8_lossy(&answer)
    );
    for mut socket in slow {
        let mut rest = Vec::new();
        tokio::time::timeout(Duration::from_secs(12), socket.read_to_end(&mut rest)).await.unwrap().ok();
    }
    assert!(rig.seen.lock().unwrap().is_empty());
}

#[tokio::test]
async fn second_daemon_on_the_address_is_told_so() {
    let first = listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
    let second = listen(first.address).await.err().expect("taken");
    assert!(second.contains("is taken") && second.contains("daemon.listen"), "{second}");
}

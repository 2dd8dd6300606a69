//! A fake station, a fake ledger, and a way to ask.

pub use axum::body::Body;
pub use axum::http::{Request, StatusCode};
pub use serde_json::{Value, json};
pub use std::collections::BTreeMap;
pub use std::net::SocketAddr;
pub use std::path::{Path, PathBuf};
pub use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
pub use std::sync::{Arc, Mutex};
pub use std::time::Duration;
pub use tankside::bath::Agitation;
pub use tankside::ledger::{
    AlarmRow, AuditRow, EventRow, JobRow, JobStepRow, OnceRow, ReadingRow, RunRow, StageRow, TankRow,
};
pub use tankside::plan::{BurnEstimate, Control, Goal, Order};
pub use tankside::quantity::{Amps, Area, CurrentSlope, Density, Microcoulombs, Units, Volts};
pub use tankside::run::{Command, Question, Refusal, RunState};
pub use tankside::serve::{
    AppState, Facts, History, HistoryError, Metrics, Peer, Planned, Planner, Problem, Scope, TankFacts,
    Tokens, Watched, listen, router,
};
pub use tankside::station::{
    AlarmView, Ask, BathSource, Baths, Envelope, Handle, LinkView, Measured, Snapshot, TankView,
};
pub use tankside::supply::Clock;
pub use tankside::watch::{AlarmState, Handling, Kind, Priority, Response};
pub use tokio::io::{AsyncReadExt, AsyncWriteExt};
pub use tokio::net::TcpStream;
pub use tokio::sync::{Notify, mpsc, watch};
pub use tokio_util::sync::CancellationToken;
pub use tower::ServiceExt;

pub const JOB: &str = "0190a5e0-0000-7000-8000-000000000002";
pub const RUN: &str = "0190a5e0-0000-7000-8000-000000000001";

#[derive(Default)]
pub struct Shelf {
    pub broken: Mutex<bool>,
    pub audited: Mutex<Vec<AuditRow>>,
    pub keys: Mutex<BTreeMap<(String, String), OnceRow>>,
    pub events: Mutex<Vec<EventRow>>,
    /// Readings of the run, beside the first.
    pub more_readings: AtomicUsize,
    /// Turns that others had, and of these those before the readings were last read.
    pub turns: AtomicUsize,
    pub turns_when_read: AtomicUsize,
    /// A line of the audit was written.
    pub written: Notify,
}

impl Shelf {
    fn check(&self) -> Result<(), HistoryError> {
        if *self.broken.lock().unwrap() { Err(HistoryError("the disk is gone".into())) } else { Ok(()) }
    }
}

pub fn run_row(id: &str) -> RunRow {
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
        order_json: serde_json::to_string(&order()).unwrap(),
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
    fn job(
        &self,
        id: &str,
        _: u32,
    ) -> Result<Option<(JobRow, Vec<JobStepRow>, Vec<EventRow>)>, HistoryError> {
        self.check()?;
        let job = JobRow {
            id: JOB.into(),
            station: "bench".into(),
            sheet: "nickel-on-copper-alloys".into(),
            title: "6 key cups".into(),
            base: "brass".into(),
            parts: 6,
            lot: None,
            customer: None,
            started_by: "mila".into(),
            started: "2026-01-01T00:00:00Z".into(),
            ended: None,
            state: "running".into(),
            cause: None,
            continues: None,
            plan_json: "{}".into(),
        };
        let step = JobStepRow {
            job: JOB.into(),
            number: 1,
            sheet_step: 1,
            name: "hang".into(),
            kind: "prompt".into(),
            tank: None,
            began: "2026-01-01T00:00:00Z".into(),
            ended: None,
            outcome: None,
            reason: None,
            by: None,
            run: None,
        };
        Ok((id == JOB).then(|| (job, vec![step], Vec::new())))
    }
    fn readings(&self, _: &str) -> Result<Vec<ReadingRow>, HistoryError> {
        let row = ReadingRow {
            seconds: 1.0,
            volts: 2.0,
            amperes: 3.0,
            setpoint_amperes: 3.0,
            ceiling_volts: Some(6.0),
            bath_celsius: None,
        };
        let all = vec![row; 1 + self.more_readings.load(Ordering::Relaxed)];
        self.turns_when_read.store(self.turns.load(Ordering::Relaxed), Ordering::Relaxed);
        Ok(all)
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
    fn audit(&self, mut row: AuditRow) {
        let mut all = self.audited.lock().unwrap();
        row.id = all.len() as i64 + 1;
        all.push(row);
        self.written.notify_one();
    }
    fn audits(&self, limit: u32, before: Option<i64>) -> Result<Vec<AuditRow>, HistoryError> {
        let all = self.audited.lock().unwrap();
        let older = all.iter().rev().filter(|r| before.is_none_or(|b| r.id < b));
        Ok(older.take(limit as usize).cloned().collect())
    }
    fn once(&self, station: &str, key: &str) -> Result<Option<OnceRow>, HistoryError> {
        self.check()?;
        Ok(self.keys.lock().unwrap().get(&(station.into(), key.into())).cloned())
    }
    fn once_begin(&self, station: &str, key: &str, request: &str) -> Result<(), HistoryError> {
        let row = OnceRow { request: request.into(), answer: None };
        let old = self.keys.lock().unwrap().insert((station.into(), key.into()), row);
        if old.is_some() { Err(HistoryError("the key is there".into())) } else { Ok(()) }
    }
    fn once_end(&self, station: &str, key: &str, status: u16, answer: &str) -> Result<(), HistoryError> {
        let mut keys = self.keys.lock().unwrap();
        keys.get_mut(&(station.into(), key.into())).unwrap().answer = Some((status, answer.into()));
        Ok(())
    }
    fn newest(&self) -> Result<(i64, i64), HistoryError> {
        Ok((self.events.lock().unwrap().len() as i64, 0))
    }
    fn events_after(&self, id: i64, limit: u32) -> Result<Vec<(i64, EventRow)>, HistoryError> {
        let all = self.events.lock().unwrap();
        Ok((1..).zip(all.iter().cloned()).filter(|(n, _)| *n > id).take(limit as usize).collect())
    }
    fn writable(&self) -> Result<(), HistoryError> {
        self.check()
    }
    fn take_commit_seconds(&self) -> Vec<f64> {
        vec![0.004]
    }
}

pub fn order() -> Order {
    Order {
        title: "6 key cups".into(),
        tank: "nickel".into(),
        bath: "watts-nickel".into(),
        parts: 6,
        area: Area::new(0.01),
        hung: Vec::new(),
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
pub struct Sheet;

impl Planner for Sheet {
    fn plan(&self, _: Option<&str>, request: &Value) -> Result<Planned, Problem> {
        let text = request["thickness"].as_str().ok_or_else(|| {
            Problem::new(StatusCode::BAD_REQUEST, "bad-json", "request.thickness: a text with its unit")
        })?;
        text.parse::<tankside::quantity::Length>().map_err(|e| {
            Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "not-possible", "this cannot be planned")
                .with_errors(vec![format!("thickness: {e}")])
        })?;
        // 4 A on 1 dm² is 12 A/dm² at the edges.
        let burn = (request["burns"] == true).then(|| BurnEstimate {
            density: Density::new(800.0),
            edge_factor: 3.0,
            agitation: Agitation::Air,
            by_agitation: None,
            temperature: None,
            own_panel: false,
        });
        Ok(Planned {
            worksheet: json!({"loads": 1, "warnings": []}),
            text: "one load\n".into(),
            blocks: Vec::new(),
            order: Order { burn, ..order() },
        })
    }
}

pub fn snapshot(seq: u64) -> Snapshot {
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

pub struct Rig {
    pub app: AppState,
    pub shelf: Arc<Shelf>,
    pub publish: Arc<watch::Sender<Arc<Snapshot>>>,
    pub shutdown: CancellationToken,
    pub seen: Arc<Mutex<Vec<String>>>,
    pub handled: Arc<Mutex<Vec<(Kind, Handling)>>>,
    pub baths: Baths,
    pub sensor: PathBuf,
    pub folder: tempfile::TempDir,
}

#[expect(clippy::disallowed_methods, reason = "a thermometer is a file")]
pub fn write(path: &Path, text: &str) {
    std::fs::write(path, text).unwrap();
}

/// A station that knows one thing: whether a run is on. `switches` says whether
/// its output really goes off.
pub fn rig_with(switches: bool) -> Rig {
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
        names: vec!["tank.example.org".into()],
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
    )
    .guarded(Tokens::at(folder.path()), false);
    Rig { app, shelf, publish, shutdown, seen, handled, baths, sensor, folder }
}

pub fn rig() -> Rig {
    rig_with(true)
}

pub struct Answer {
    pub status: StatusCode,
    pub headers: axum::http::HeaderMap,
    pub text: String,
}

impl Answer {
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|e| panic!("{e}: {}", self.text))
    }
    /// The stable code, and that the answer is a problem document as RFC 9457 has it.
    pub fn problem(&self) -> String {
        assert_eq!(self.headers["content-type"], "application/problem+json", "{}", self.text);
        let json = self.json();
        assert_eq!(json["status"], self.status.as_u16());
        assert!(json["title"].is_string() && json["detail"].is_string() && json["type"].is_string());
        json["code"].as_str().unwrap().to_owned()
    }
}

impl Rig {
    pub async fn ask(&self, request: Request<Body>) -> Answer {
        let response = router(self.app.clone()).oneshot(request).await.unwrap();
        let (parts, body) = response.into_parts();
        let bytes = axum::body::to_bytes(body, 1 << 20).await.unwrap();
        Answer {
            status: parts.status,
            headers: parts.headers,
            text: String::from_utf8(bytes.to_vec()).unwrap(),
        }
    }
    pub async fn get(&self, path: &str) -> Answer {
        self.ask(Request::get(path).header("host", "localhost:8093").body(Body::empty()).unwrap()).await
    }
    pub async fn post(&self, path: &str, body: Value) -> Answer {
        self.raw(path, body.to_string()).await
    }
    pub async fn raw(&self, path: &str, body: String) -> Answer {
        let request = Request::post(path)
            .header("host", "127.0.0.1:8093")
            .header("content-type", "application/json")
            .body(Body::from(body))
            .unwrap();
        self.ask(request).await
    }
    /// From elsewhere, or with headers of its own.
    pub async fn with(
        &self,
        peer: Peer,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: Value,
    ) -> Answer {
        let mut request = Request::builder().method(method).uri(path).header("host", "127.0.0.1:8093");
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let body = if method == "GET" {
            Body::empty()
        } else {
            request = request.header("content-type", "application/json");
            Body::from(body.to_string())
        };
        let mut request = request.body(body).unwrap();
        request.extensions_mut().insert(peer);
        self.ask(request).await
    }
    pub fn token(&self, name: &str, scope: Scope) -> String {
        Tokens::at(self.folder.path()).add(name, scope).unwrap()
    }
    pub async fn start(&self, by: &str) -> Answer {
        self.post("/api/v1/stations/bench/start", json!({"by": by, "request": {"thickness": "8 um"}})).await
    }
}

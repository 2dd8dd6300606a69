//! HTTP: API, metrics, health.
//!
//! What the room is for: showing the published snapshots and the ledger, and
//! passing commands on. What it may not know: `supply`; it cannot touch a port.
//!
//! | route | |
//! |---|---|
//! | GET `/`, `/page/{file}` | the page; [`House`] and the streams feed it |
//! | GET `/api/v1/house` | what a screen needs once, and every station now |
//! | GET `/api/v1/stream` | every station as server-sent events, without trends |
//! | GET `/api/v1/stations/{station}/trend.svg` | the last minutes drawn |
//! | GET `/metrics` | Prometheus text; the names are in [`metrics`] |
//! | GET `/healthz`, `/readyz` | alive and stepping; links up and ledger writable |
//! | GET `/api/v1/stations`, `/api/v1/stations/{station}` | snapshots with their age |
//! | GET `/api/v1/stations/{station}/stream` | the same as server-sent events |
//! | POST `/api/v1/stations/{station}/{start,hold,resume,stop,abort,answer,off,ack}` | commands |
//! | POST `/api/v1/stations/{station}/job` | begins a job: a load through a process sheet |
//! | POST `/api/v1/stations/{station}/job/{answer,redo,skip,hold,resume,stop}` | commands to the job |
//! | GET `/api/v1/jobs`, `/api/v1/jobs/{job}` | jobs on record, with their steps and events |
//! | POST `/api/v1/stations/{station}/alarms/{watch}/{ack,shelve,unshelve,out-of-service,in-service}` | one alarm, in a person's name |
//! | POST `/api/v1/tanks/{tank}/bath` | what is so in a bath: temperature, agitation |
//! | POST `/api/v1/plan` | a request in, a worksheet and an order out |
//! | POST `/api/v1/rehearse` | the same against a simulated cell: what would happen, and its curve |
//! | GET `/api/v1/runs`, `/api/v1/runs/{run}`, `/api/v1/runs/{run}/readings` | the ledger |
//! | GET `/api/v1/tanks`, `/api/v1/alarms` | accounts; alarms now and their journal |
//! | POST `/api/v1/tanks/{tank}/{log,undo}` | upkeep that was done; the last log taken back |
//! | GET `/api/v1/alarms/figures`, `/api/v1/alarms/help/{watch}` | what a standard asks for; one watch explained |

mod body;
mod command;
mod guard;
mod history;
mod house;
mod job;
mod look;
pub mod metrics;
mod notify;
mod planner;
mod problem;
mod read;
mod screen;
mod server;
mod sheets;
mod state;
mod stream;
mod upkeep;

pub use history::{History, HistoryError};
pub use house::{House, SheetFacts, StationFacts, VesselFacts};
pub use look::{Look, Watched};
pub use metrics::Metrics;
pub use notify::notify;
pub use planner::{Desk, controller_for, plan_for, today};
pub use problem::Problem;
pub use server::{Listening, listen};
pub use sheets::{Refused, Shop, line_for};
pub use state::{AppState, Facts, Planned, PlannedJob, Planner, TankFacts};
pub use upkeep::TankRules;

use axum::Router;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::routing::{get, post};
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::compression::CompressionLayer;

/// Every route, behind the guard.
pub fn router(app: AppState) -> Router {
    let station = Router::new()
        .route("/", get(read::station))
        .route("/stream", get(stream::stream))
        .route("/trend.svg", get(screen::trend))
        .route("/start", post(command::start))
        .route("/hold", post(command::hold))
        .route("/resume", post(command::resume))
        .route("/stop", post(command::stop))
        .route("/abort", post(command::abort))
        .route("/answer", post(command::answer))
        .route("/job", post(job::start))
        .route("/job/{deed}", post(job::command))
        .route("/off", post(command::off))
        .route("/ack", post(command::acknowledge))
        .route("/alarms/{watch}/{deed}", post(command::alarm));
    // Text that a browser needs before it shows anything, a third as long on the wire. Streams and answers of the
    // control loop go as they are: they are small, or must not be held back.
    let page = Router::new()
        .route("/", get(|| screen::file(Path("index.html".into()))))
        .route("/page.js", get(|| screen::file(Path("page.js".into()))))
        .route("/page.css", get(|| screen::file(Path("page.css".into()))))
        .route("/favicon.svg", get(|| screen::file(Path("favicon.svg".into()))))
        .route("/page/{file}", get(screen::file))
        .route("/api/v1/house", get(house::house))
        .layer(CompressionLayer::new());
    Router::new()
        .merge(page)
        .route("/metrics", get(read::metrics))
        .route("/healthz", get(read::healthz))
        .route("/readyz", get(read::readyz))
        .route("/api/v1/stream", get(stream::all))
        .route("/api/v1/stations", get(read::stations))
        .nest("/api/v1/stations/{station}", station)
        .route("/api/v1/runs", get(read::runs))
        .route("/api/v1/runs/{run}", get(read::run))
        .route("/api/v1/runs/{run}/readings", get(read::readings))
        .route("/api/v1/jobs", get(job::jobs))
        .route("/api/v1/jobs/{job}", get(job::job))
        .route("/api/v1/tanks", get(read::tanks))
        .route("/api/v1/tanks/{tank}/log", post(upkeep::log))
        .route("/api/v1/tanks/{tank}/undo", post(upkeep::undo))
        .route("/api/v1/tanks/{tank}/bath", post(command::bath))
        .route("/api/v1/alarms", get(read::alarms))
        .route("/api/v1/alarms/figures", get(read::figures))
        .route("/api/v1/alarms/help/{watch}", get(read::help))
        .route("/api/v1/plan", post(command::plan))
        .route("/api/v1/rehearse", post(screen::rehearse))
        .fallback(|| async { Problem::not_found("there is nothing here; see /api/v1/stations") })
        .method_not_allowed_fallback(|| async {
            Problem::new(
                StatusCode::METHOD_NOT_ALLOWED,
                "bad-method",
                "commands are POST, everything else is GET",
            )
        })
        .layer(CatchPanicLayer::custom(|_: Box<dyn std::any::Any + Send>| {
            Problem::bug("a slip of ours; the daemon's log has it").into_response()
        }))
        .layer(axum::middleware::from_fn_with_state(app.clone(), guard::guard))
        .with_state(app)
}

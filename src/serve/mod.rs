//! HTTP: API, metrics, health.
//!
//! What the room is for: showing the published snapshots and the ledger, and
//! passing commands on. What it may not know: `supply`; it cannot touch a port.
//!
//! | route | |
//! |---|---|
//! | GET `/` | a plain page: the stations, live |
//! | GET `/metrics` | Prometheus text; the names are in [`metrics`] |
//! | GET `/healthz`, `/readyz` | alive and stepping; links up and ledger writable |
//! | GET `/api/v1/stations`, `/api/v1/stations/{station}` | snapshots with their age |
//! | GET `/api/v1/stations/{station}/stream` | the same as server-sent events |
//! | POST `/api/v1/stations/{station}/{start,hold,resume,stop,abort,answer,off,ack}` | commands |
//! | POST `/api/v1/stations/{station}/alarms/{watch}/{ack,shelve,unshelve,out-of-service,in-service}` | one alarm, in a person's name |
//! | POST `/api/v1/tanks/{tank}/bath` | what is so in a bath: temperature, agitation |
//! | POST `/api/v1/plan` | a request in, a worksheet and an order out |
//! | GET `/api/v1/runs`, `/api/v1/runs/{run}`, `/api/v1/runs/{run}/readings` | the ledger |
//! | GET `/api/v1/tanks`, `/api/v1/alarms` | accounts; alarms now and their journal |
//! | GET `/api/v1/tanks/{tank}/account?by=day\|month\|part\|event&since=` | one account in its parts |
//! | POST `/api/v1/tanks/{tank}/{log,undo}` | upkeep that was done; the last log taken back |
//! | GET `/api/v1/alarms/figures`, `/api/v1/alarms/help/{watch}` | what a standard asks for; one watch explained |

mod account;
mod body;
mod command;
mod guard;
mod history;
mod look;
pub mod metrics;
mod planner;
mod problem;
mod read;
mod server;
mod state;
mod stream;
mod upkeep;

pub use history::{History, HistoryError};
pub use look::{Look, Watched};
pub use metrics::Metrics;
pub use planner::{Desk, plan_for, today};
pub use problem::Problem;
pub use server::{Listening, listen};
pub use state::{AppState, Facts, Planned, Planner, TankFacts};
pub use upkeep::TankRules;

use axum::Router;
use axum::http::{StatusCode, header};
use axum::response::IntoResponse;
use axum::routing::{get, post};
use tower_http::catch_panic::CatchPanicLayer;

/// Every route, behind the guard.
pub fn router(app: AppState) -> Router {
    let station = Router::new()
        .route("/", get(read::station))
        .route("/stream", get(stream::stream))
        .route("/start", post(command::start))
        .route("/hold", post(command::hold))
        .route("/resume", post(command::resume))
        .route("/stop", post(command::stop))
        .route("/abort", post(command::abort))
        .route("/answer", post(command::answer))
        .route("/off", post(command::off))
        .route("/ack", post(command::acknowledge))
        .route("/alarms/{watch}/{deed}", post(command::alarm));
    Router::new()
        .route("/", get(|| async { file("text/html; charset=utf-8", include_str!("page/index.html")) }))
        .route(
            "/page.js",
            get(|| async { file("text/javascript; charset=utf-8", include_str!("page/page.js")) }),
        )
        .route("/page.css", get(|| async { file("text/css; charset=utf-8", include_str!("page/page.css")) }))
        .route("/favicon.svg", get(|| async { file("image/svg+xml", include_str!("page/favicon.svg")) }))
        .route("/metrics", get(read::metrics))
        .route("/healthz", get(read::healthz))
        .route("/readyz", get(read::readyz))
        .route("/api/v1/stations", get(read::stations))
        .nest("/api/v1/stations/{station}", station)
        .route("/api/v1/runs", get(read::runs))
        .route("/api/v1/runs/{run}", get(read::run))
        .route("/api/v1/runs/{run}/readings", get(read::readings))
        .route("/api/v1/tanks", get(read::tanks))
        .route("/api/v1/tanks/{tank}/log", post(upkeep::log))
        .route("/api/v1/tanks/{tank}/account", get(account::account))
        .route("/api/v1/tanks/{tank}/undo", post(upkeep::undo))
        .route("/api/v1/tanks/{tank}/bath", post(command::bath))
        .route("/api/v1/alarms", get(read::alarms))
        .route("/api/v1/alarms/figures", get(read::figures))
        .route("/api/v1/alarms/help/{watch}", get(read::help))
        .route("/api/v1/plan", post(command::plan))
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

fn file(kind: &'static str, text: &'static str) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, kind)], text)
}

//! What every route is given.

use super::glance::Glances;
use super::guard::{Gate, Tokens};
use super::history::History;
use super::house::House;
use super::look::Watched;
use super::metrics::Metrics;
use super::problem::Problem;
use super::upkeep::TankRules;
use crate::plan::{Block, Order};
use crate::quantity::Units;
use crate::run::guide::JobPlan;
use crate::station::{Baths, JobRehearsal, Rehearsal, Staging};
use serde_json::Value;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio_util::sync::CancellationToken;

/// A tank as configured, for people.
#[derive(Clone, Debug, serde::Serialize)]
pub struct TankFacts {
    /// Its name.
    pub tank: String,
    /// Its bath's name.
    pub bath: String,
    /// How much solution.
    pub volume_liters: Option<f64>,
}

/// What does not change while the daemon runs.
#[derive(Clone, Debug)]
pub struct Facts {
    /// The address it was told to listen on.
    pub listen: SocketAddr,
    /// Names it may be asked by, beside `localhost` and addresses.
    pub names: Vec<String>,
    /// Units for people.
    pub units: Units,
    /// Of the config's text.
    pub config_hash: String,
    /// Tanks in file order.
    pub tanks: Vec<TankFacts>,
}

/// A request that can be carried out.
#[derive(Clone, Debug)]
pub struct Planned {
    /// The worksheet, as JSON.
    pub worksheet: Value,
    /// The same for people.
    pub text: String,
    /// The same in its blocks.
    pub blocks: Vec<Block>,
    /// Ready to run.
    pub order: Order,
}

/// A sheet that can be worked for one load.
#[derive(Clone, Debug)]
pub struct PlannedJob {
    /// The sheet's worksheet, as JSON.
    pub worksheet: Value,
    /// The same for people.
    pub text: String,
    /// The same in its blocks.
    pub blocks: Vec<Block>,
    /// Ready to be guided.
    pub plan: JobPlan,
}

/// What speaks against a start, before anything is asked of the supply.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Trust {
    /// Why nothing may be started, whoever knows it.
    pub never: Option<String>,
    /// Why nothing may be started unless whoever starts it says that they know.
    pub unless: Option<String>,
    /// What has not been shown of the supply, where nothing else speaks against it: said with the start and kept with it.
    pub note: Option<String>,
}

/// The seam to `plan`: it knows the config, this room does not.
pub trait Planner: Send + Sync + 'static {
    /// Works out a request, as it came, for that station (`None`: the only one).
    ///
    /// # Errors
    /// `bad-json` when it is no request, `not-possible` with every reason.
    fn plan(&self, station: Option<&str>, request: &Value) -> Result<Planned, Problem>;

    /// Works out a sheet for a load, as it came (JSON, or the text of an order file).
    ///
    /// # Errors
    /// As [`Planner::plan`].
    fn plan_job(&self, _station: Option<&str>, _request: &Value) -> Result<PlannedJob, Problem> {
        Err(Problem::refused("no sheets are planned here"))
    }
    /// What speaks against current from that station's supply.
    fn trust(&self, _station: &str) -> Trust {
        Trust::default()
    }

    /// The config, where there is one: tanks and baths for what is measured in them.
    fn config(&self) -> Option<&crate::config::Config> {
        None
    }

    /// What the config says that does not change, for people's screens.
    fn house(&self) -> House {
        House::default()
    }

    /// The same request against a simulated cell, in virtual time.
    ///
    /// # Errors
    /// As [`Planner::plan`].
    fn rehearse(
        &self,
        station: Option<&str>,
        request: &Value,
        staging: &Staging,
    ) -> Result<Rehearsal, Problem> {
        let config = self.config().ok_or_else(|| Problem::not_found("nothing can be rehearsed here"))?;
        config.rehearsed(station, request, staging)
    }

    /// A sheet for a load in simulated cells, in virtual time, with an operator who does everything at once and well.
    ///
    /// # Errors
    /// As [`Planner::plan_job`].
    fn rehearse_job(
        &self,
        _station: Option<&str>,
        _request: &Value,
        _seed: u64,
    ) -> Result<JobRehearsal, Problem> {
        Err(Problem::not_found("nothing can be rehearsed here"))
    }

    /// What falls due in each tank that has rules.
    fn upkeep(&self) -> Vec<TankRules> {
        Vec::new()
    }
}

/// What every route is given; cheap to clone.
#[derive(Clone)]
pub struct AppState {
    pub(super) stations: Arc<[Watched]>,
    pub(super) history: Arc<dyn History>,
    pub(super) planner: Arc<dyn Planner>,
    pub(super) facts: Arc<Facts>,
    pub(super) baths: Baths,
    pub(super) metrics: Arc<Metrics>,
    /// Ends the streams.
    pub(super) shutdown: CancellationToken,
    /// One rehearsal at a time: each may work a processor for a second.
    pub(super) stage: Arc<tokio::sync::Mutex<()>>,
    /// Whether somebody would switch off if the daemon died.
    minder: Arc<AtomicBool>,
    pub(super) gate: Arc<Gate>,
    pub(super) under_way: super::once::UnderWay,
    /// What every screen is shown.
    pub(super) glances: Glances,
    /// One permit per open stream.
    pub(super) streams: Arc<Semaphore>,
    /// One permit per record that is being made.
    papers: Arc<Semaphore>,
}

/// Open streams; a bench has a few screens with a few each.
const MOST_STREAMS: usize = 128;
/// Records that are made at once: that of a long run is work for a second and more, and takes memory.
const MOST_PAPERS: usize = 2;

impl AppState {
    /// Joins the parts and begins to watch the stations. Must be called within a
    /// tokio runtime: one small task per station notes when it last spoke.
    pub fn new(
        stations: Vec<Watched>,
        history: Arc<dyn History>,
        planner: Arc<dyn Planner>,
        facts: Facts,
        baths: Baths,
        metrics: Metrics,
        shutdown: CancellationToken,
    ) -> AppState {
        for watched in &stations {
            tokio::spawn(watched.clone().follow(metrics.poll_seconds(watched.handle.name())));
        }
        let stations: Arc<[Watched]> = stations.into();
        AppState {
            glances: Glances::begin(stations.clone(), shutdown.clone()),
            stations,
            history,
            planner,
            facts: Arc::new(facts),
            baths,
            metrics: Arc::new(metrics),
            shutdown,
            stage: Arc::default(),
            minder: Arc::new(AtomicBool::new(true)),
            gate: Arc::new(Gate::new(Tokens::none(), false)),
            under_way: Default::default(),
            streams: Arc::new(Semaphore::new(MOST_STREAMS)),
            papers: Arc::new(Semaphore::new(MOST_PAPERS)),
        }
    }

    /// The same, that starts no run while that is false: see [`crate::supply::Minder::stands`].
    #[must_use]
    pub fn minded(mut self, minder: Arc<AtomicBool>) -> AppState {
        self.minder = minder;
        self
    }

    /// The same, that lets in by those tokens. `loopback_open`: this machine needs none even when there are some.
    #[must_use]
    pub fn guarded(mut self, tokens: Tokens, loopback_open: bool) -> AppState {
        self.gate = Arc::new(Gate::new(tokens, loopback_open));
        self
    }

    /// A place for one more stream.
    pub(super) fn stream_place(&self) -> Result<OwnedSemaphorePermit, Problem> {
        self.streams.clone().try_acquire_owned().map_err(|_| {
            Problem::new(
                axum::http::StatusCode::SERVICE_UNAVAILABLE,
                "too-many",
                format!("{MOST_STREAMS} streams are open, and that is the most; close one"),
            )
            .retry_after(5)
        })
    }

    /// Whether a run may be started as far as the minder goes.
    pub(super) fn is_minded(&self) -> bool {
        self.minder.load(Ordering::Relaxed)
    }

    /// The station of that name.
    pub(super) fn station(&self, name: &str) -> Result<&Watched, Problem> {
        self.stations.iter().find(|w| w.handle.name() == name).ok_or_else(|| {
            let names: Vec<_> = self.stations.iter().map(|w| w.handle.name()).collect();
            Problem::not_found(format!("there is no station {name:?}; there is: {}", names.join(", ")))
        })
    }

    /// The baths' temperatures that are young enough to be called present, tank by tank.
    pub(super) fn temperatures(&self) -> Vec<(String, f64)> {
        let fresh =
            |tank: &TankFacts| Some((tank.tank.clone(), self.baths.view(&tank.tank)?.fresh_celsius()?));
        self.facts.tanks.iter().filter_map(fresh).collect()
    }

    /// Writes to the ledger on the blocking pool.
    pub(super) async fn write(
        &self,
        what: impl FnOnce(&dyn History) -> Result<(), super::history::HistoryError> + Send + 'static,
    ) -> Result<(), Problem> {
        let history = self.history.clone();
        match tokio::task::spawn_blocking(move || what(history.as_ref())).await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(e)) => Err(Problem::new(
                axum::http::StatusCode::SERVICE_UNAVAILABLE,
                "ledger",
                format!("the ledger cannot be written: {e}"),
            )),
            Err(e) => Err(Problem::bug(e.to_string())),
        }
    }

    /// Reads what may be much and makes something of it, both on the blocking pool: on the threads that answer it would
    /// keep everybody waiting, STOP too. A few at once.
    pub(super) async fn paper<T: Send + 'static>(
        &self,
        make: impl FnOnce(&dyn History) -> Result<T, super::history::HistoryError> + Send + 'static,
    ) -> Result<T, Problem> {
        // It is never closed.
        let permit = self.papers.clone().acquire_owned().await.map_err(|e| Problem::bug(e.to_string()))?;
        self.read(move |h| {
            // Held until it is made: who asks and goes away frees nothing.
            let _permit = permit;
            make(h)
        })
        .await
    }

    /// Reads from the ledger on the blocking pool.
    pub(super) async fn read<T: Send + 'static>(
        &self,
        what: impl FnOnce(&dyn History) -> Result<T, super::history::HistoryError> + Send + 'static,
    ) -> Result<T, Problem> {
        let history = self.history.clone();
        match tokio::task::spawn_blocking(move || what(history.as_ref())).await {
            Ok(Ok(value)) => Ok(value),
            Ok(Err(e)) => Err(Problem::new(
                axum::http::StatusCode::SERVICE_UNAVAILABLE,
                "ledger",
                format!("the ledger cannot be read: {e}"),
            )),
            Err(e) => Err(Problem::bug(e.to_string())),
        }
    }
}

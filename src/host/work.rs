//! Everything is started here, in this order, and ended in the reverse.

use super::setup::{self, Setup};
use super::{Failure, MinderProgram, access};
use crate::config::{Config, Tank, TemperatureSource};
use crate::ledger::{EventRow, Ledger, News, Reader, Recovery};
use crate::plan::{Plan, Request, SheetRequest};
use crate::rank;
use crate::run::{Refusal, RunState};
use crate::serve::{
    AppState, Desk, Facts, Listening, Metrics, PlannedJob, Problem, StartWith, TankFacts, Watched, listen,
    notify, own_of, plan_for, plan_job, start_job, start_run, today,
};
use crate::station::{self, BathSource, Baths, Control, Handle, Parallel, Pulse, Settings};
use crate::supply::minder::Heart;
use crate::supply::{Clock, Device, Dialect, Minder, Spec, Trouble};
use futures_util::stream::{self, Stream};
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::broadcast::error::RecvError;
use tokio::task::JoinHandle;
use tokio::time::{sleep, timeout};
use tokio_util::sync::{CancellationToken, DropGuard};
use tokio_util::task::AbortOnDropHandle;

/// To find a port shut takes an instant; whatever takes longer is not that.
const BUSY_LOOK: Duration = Duration::from_millis(500);
/// After this a busy port is tried once more.
const BUSY_WAIT: Duration = Duration::from_secs(2);

/// Stations at work: control threads, a ledger and a minder; with [`Builder::http`](super::Builder::http) also its
/// own HTTP.
///
/// End it with [`stop`](Tankside::stop). Dropped instead, it still ends: control switches every output off, the minder
/// does the same once more, and HTTP, notices and sensors cease; but nobody waits for it, nor for the confirmation. The
/// ledger stays open as long as there is a [`Tankside::router`] somewhere.
pub struct Tankside {
    control: Control,
    minder: Minder,
    ledger: Ledger,
    http: Option<JoinHandle<()>>,
    sensors: Vec<AbortOnDropHandle<()>>,
    tellers: Vec<JoinHandle<()>>,
    /// Ends HTTP and whoever tells; dropped, too.
    shutdown: DropGuard,
    app: AppState,
    config: Arc<Config>,
    address: Option<SocketAddr>,
}

impl std::fmt::Debug for Tankside {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let stations: Vec<_> = self.stations().iter().map(Handle::name).collect();
        f.debug_struct("Tankside").field("stations", &stations).field("address", &self.address).finish()
    }
}

impl Tankside {
    /// Begins with a config; see [`Builder`](super::Builder).
    pub fn builder() -> super::Builder {
        super::Builder::default()
    }

    /// Starts everything. The address and the ledger come first: a second daemon
    /// fails there, before any port is touched. The minder comes before the stations.
    pub(crate) async fn start(
        setup: &Setup,
        at: Option<SocketAddr>,
        minder: &MinderProgram,
    ) -> Result<Tankside, Failure> {
        let config = &setup.config;
        tracing::info!(
            version = env!("CARGO_PKG_VERSION"),
            config = %setup.path.display(),
            config_hash = %setup.hash,
            "tankside starts"
        );
        let facing = at.unwrap_or(config.daemon.listen);
        let tokens = access::tokens(setup, facing)?;
        access::told(setup)?.iter().for_each(|text| tracing::warn!("{text}"));
        let listening = match at {
            Some(at) => {
                let listening = listen(at).await.map_err(Failure::refused)?;
                let tls = config.daemon.tls.as_ref();
                Some(listening.with_tls(tls).map_err(|e| Failure::config(e.to_string()))?)
            }
            None => None,
        };
        let address = listening.as_ref().map(|l| l.address);
        let (ledger, recovery) = open_ledger(&config.daemon.state)?;
        // Only now: a second daemon must not overwrite the first one's.
        let tokens = tokens.with_local().map_err(|e| Failure::ledger(e.to_string()))?;
        let clock = Clock::new();
        let baths = baths(setup, clock);
        let stations = stations(setup, &baths)?;
        let ports: Vec<_> = stations
            .iter()
            .flat_map(|s| s.supplies().map(|(spec, dialect)| (spec.clone(), dialect.clone())))
            .collect();
        refuse_busy(&ports).await?;
        let minder = minder.spawn(&ports).await?;
        let control = match station::spawn(stations, ledger.clone(), clock) {
            Ok(control) => control,
            Err(e) => {
                // One that did start may have found an output on and be at it: the minder sees to all of them.
                drop(minder);
                return Err(Failure::bug(format!("the control thread does not start: {e}")));
            }
        };
        minder.listen_to(heart(&control));
        control.handles().iter().for_each(|handle| handle.needs(minder.stands()));
        let shutdown = CancellationToken::new();
        let sensors = baths.watch_sensors().into_iter().map(AbortOnDropHandle::new).collect();
        let facing = address.unwrap_or(config.daemon.listen);
        let told = notify(&config.notify, control.handles(), &|| ledger.news(), &shutdown);
        // Cancelled where nothing comes of it, as well.
        let guard = shutdown.clone().drop_guard();
        let tellers = match told {
            Ok(tellers) => tellers,
            Err(why) => {
                // One that was found on and is not known to be off now is the minder's.
                if control.shutdown().await.iter().all(|farewell| farewell.off.is_ok()) {
                    minder.goodbye().await;
                }
                return Err(Failure::config(format!("notify: {why}")));
            }
        };
        tell_interrupted(&ledger, &recovery).await;
        let app = app(setup, &control, &ledger, baths, facing, shutdown.clone())
            .minded(minder.stands())
            .guarded(tokens, config.daemon.loopback_open);
        let http = listening.map(|l| tokio::spawn(Listening::serve(l, app.clone())));
        if let Some(address) = address {
            tracing::info!(%address, "listening");
        }
        Ok(Tankside {
            control,
            minder,
            ledger,
            http,
            sensors,
            tellers,
            shutdown: guard,
            app,
            config: Arc::new(config.clone()),
            address,
        })
    }

    /// Where its own HTTP answers, if it has one.
    pub fn address(&self) -> Option<SocketAddr> {
        self.address
    }

    /// The way to each station, in the config's order: snapshots, a stream of them, commands.
    pub fn stations(&self) -> &[Handle] {
        self.control.handles()
    }

    /// The way to the station of that name.
    pub fn station(&self, name: &str) -> Option<&Handle> {
        self.stations().iter().find(|handle| handle.name() == name)
    }

    /// Works out a request on that station with what the config knows of its tank. Touches no supply.
    ///
    /// # Errors
    /// Every reason why it cannot be done, in the operator's words.
    pub fn plan(&self, station: &str, request: &Request) -> Result<Plan, Vec<String>> {
        let found = self.config.stations.iter().find(|s| s.name == station);
        let found = found.ok_or_else(|| vec![format!("station: there is no station {station:?}")])?;
        let own = |tank: &Tank| own_of(self.ledger.reader(), tank);
        let mut plan = plan_for(&self.config, found, request, &own, self.config.daemon.units)?;
        plan.worksheet.warnings.extend(found.overdue(&today()));
        Ok(plan)
    }

    /// Starts what was planned for that station, in somebody's name, and returns the run's id. The checks, and what goes
    /// on the record, are those of a start over HTTP. Hold, resume, stop, answers and off go through the station's
    /// [`Handle::command`].
    ///
    /// ```no_run
    /// # async fn started(tankside: &tankside::Tankside) -> Result<(), Box<dyn std::error::Error>> {
    /// use tankside::host::StartWith;
    /// use tankside::plan::Request;
    /// use tankside::process::End;
    /// let cups = "6 cups: disc 34 mm x 1 mm".parse()?;
    /// let request = Request::new("nickel", vec![cups], End::Thickness("1 um".parse()?));
    /// let plan = tankside.plan("bench", &request).map_err(|reasons| reasons.join("\n"))?;
    /// let run = tankside.run("bench", "ada", plan, StartWith::default()).await?;
    /// # Ok(())
    /// # }
    /// ```
    ///
    /// # Errors
    /// Why not, in the operator's words; then nothing was switched on.
    pub async fn run(&self, station: &str, by: &str, plan: Plan, with: StartWith) -> Result<String, Refusal> {
        let refused = |problem: Problem| Refusal(problem.detail);
        // A worksheet is plain data: it can be written.
        let mut worksheet = serde_json::to_value(&plan.worksheet).unwrap_or_default();
        let started = start_run(&self.app, station, by, plan.order, &mut worksheet, with).await;
        started.map(|(id, _)| id).map_err(refused)
    }

    /// Works out a load by a whole process sheet at that station. Touches no supply.
    ///
    /// # Errors
    /// Every reason why it cannot be done, in the operator's words.
    pub fn plan_job(&self, station: &str, request: &SheetRequest) -> Result<PlannedJob, Vec<String>> {
        // A request is plain data: it can be written.
        let request = serde_json::to_value(request).unwrap_or_default();
        plan_job(&self.app, station, &request).map_err(|problem| match problem.errors {
            none if none.is_empty() => vec![problem.detail],
            reasons => reasons,
        })
    }

    /// Begins what was planned for that station, in somebody's name, and returns the job's id. The checks, and what goes
    /// on the record, are those of a start over HTTP. Answers, hold, resume, stop, redo and skip go through the station's
    /// [`Handle::job`].
    ///
    /// # Errors
    /// Why not, in the operator's words; then nothing was begun.
    pub async fn begin(
        &self,
        station: &str,
        by: &str,
        job: PlannedJob,
        with: StartWith,
    ) -> Result<String, Refusal> {
        let started = start_job(&self.app, station, by, job.plan, (0, None), with).await;
        started.map(|(id, _)| id).map_err(|problem| Refusal(problem.detail))
    }

    /// Every route of the daemon, for the caller's own server. Requests pass the same guard; its Host check goes by
    /// [`Builder::behind`](super::Builder::behind).
    pub fn router(&self) -> axum::Router {
        crate::serve::router(self.app.clone())
    }

    /// The ledger's reading side.
    pub fn ledger(&self) -> &Reader {
        self.ledger.reader()
    }

    /// Every alarm's change and every event of all stations from now on. Whoever lags over a thousand behind misses
    /// some, and the log says how many; nobody waits for a listener.
    pub fn news(&self) -> impl Stream<Item = News> + Send + Unpin + use<> {
        Box::pin(stream::unfold(self.ledger.news(), |mut receiver| async move {
            loop {
                match receiver.recv().await {
                    Ok(news) => return Some((news, receiver)),
                    Err(RecvError::Lagged(missed)) => {
                        tracing::warn!("a listener to the news missed {missed}")
                    }
                    Err(RecvError::Closed) => return None,
                }
            }
        }))
    }

    /// Counts the finished rounds of every station, for a watchdog.
    pub fn pulse(&self) -> Pulse {
        self.control.pulse()
    }

    /// Off everywhere, confirmed; then the minder is let go, and nobody else is served.
    ///
    /// # Errors
    /// When an output is not confirmed off. The minder then does its work once more.
    pub async fn stop(self) -> Result<(), Failure> {
        let farewells = self.control.shutdown().await;
        let mut unsure = Vec::new();
        for farewell in farewells {
            match farewell.off {
                Ok(()) => tracing::info!(station = %farewell.station, "output off, confirmed"),
                Err(why) => {
                    tracing::error!(station = %farewell.station, "output NOT confirmed off: {why}");
                    unsure.push(format!("{}: {why}", farewell.station));
                }
            }
        }
        let minder = if unsure.is_empty() {
            self.minder.rest();
            Some(self.minder)
        } else {
            // Dropped without a goodbye it switches off by itself, at the ports: before anybody who may be slow is waited for.
            drop(self.minder);
            None
        };
        drop(self.sensors);
        drop(self.shutdown);
        if let Some(http) = self.http
            && let Err(e) = http.await
        {
            tracing::error!("serving ended badly: {e}");
        }
        for teller in self.tellers {
            // They end with the token; a broker that is gone is not waited for longer than its goodbye.
            let _ = teller.await;
        }
        let closed = self.ledger.close().await;
        if !unsure.is_empty() {
            return Err(Failure::refused(format!(
                "not every output was confirmed off; go to the supply: {}",
                unsure.join("; ")
            )));
        }
        if let Some(minder) = minder {
            minder.goodbye().await;
        }
        closed.map_err(|e| Failure::ledger(e.to_string()))?;
        tracing::info!("tankside ends");
        Ok(())
    }
}

/// What the minder listens to: control that has finished its rounds, and whether an output may be on.
fn heart(control: &Control) -> Heart {
    let (mut pulse, handles) = (control.pulse(), control.handles().to_vec());
    let mut told = false;
    Box::new(move || {
        // A run that has begun switches on within the second.
        let may_be_on = |h: &Handle| {
            let seen = h.snapshot();
            !seen.output_known || seen.output_on != Some(false) || seen.run.state == RunState::Running
        };
        word(pulse.all_moved(), handles.iter().any(may_be_on), &mut told)
    })
}

/// What the minder is told: nothing while a line stands still, so that it ends the daemon. That current may flow is said
/// all the same, once: it waits for ever until it has heard so, and each line has a thread of its own to stand still.
fn word(moved: bool, on: bool, told: &mut bool) -> Option<bool> {
    let speaks = moved || (on && !*told);
    if speaks {
        *told = on;
    }
    speaks.then_some(on)
}

/// Whoever was told that they began is told that they have ended; the ledger has it already.
async fn tell_interrupted(ledger: &Ledger, recovery: &Recovery) {
    for id in &recovery.interrupted {
        match ledger.run(id).await {
            Ok(Some(run)) => ledger.tell(EventRow {
                at: run.ended.unwrap_or_default(),
                monotonic_milliseconds: 0,
                station: run.station,
                run: Some(run.id),
                kind: "ended".into(),
                text: format!("{}: interrupted, the program died or was killed", run.state),
            }),
            Ok(None) => {}
            Err(e) => tracing::warn!("run {id} was interrupted, and nobody is told: {e}"),
        }
    }
}

pub(crate) fn open_ledger(folder: &Path) -> Result<(Ledger, Recovery), Failure> {
    std::fs::create_dir_all(folder).map_err(|e| {
        Failure::ledger(format!(
            "{}: {e}; daemon.state must be a folder this user may write",
            folder.display()
        ))
    })?;
    let file = folder.join("ledger.sqlite");
    // What the ledger begins is born of a thread that stands aside: control waits for none of it but before an output on.
    let opened = std::thread::scope(|scope| {
        let open = || {
            rank::aside();
            Ledger::open(&file)
        };
        scope.spawn(open).join()
    });
    let (ledger, recovery) = opened
        .map_err(|_| Failure::bug("opening the ledger failed"))?
        .map_err(|e| Failure::ledger(e.to_string()))?;
    if recovery.interrupted.is_empty() {
        tracing::info!("{}", recovery.sentence);
    } else {
        tracing::warn!("{}", recovery.sentence);
    }
    Ok((ledger, recovery))
}

/// A port that another program holds is not worked: two masters on one supply
/// would fight over its setpoints. Anything else wrong with a port is the
/// station's to show and to wait for.
///
/// # Errors
/// The page of help of the first port that stays busy.
async fn refuse_busy(ports: &[(Spec, Arc<Dialect>)]) -> Result<(), Failure> {
    for (spec, dialect) in ports {
        let mut again = true;
        loop {
            let mut device = Device::new(spec.clone(), dialect.clone(), Clock::new());
            // Asking takes as long as the supply takes; only being shut out is quick, and only that counts here.
            let Ok(Err(Trouble::Busy(help))) = timeout(BUSY_LOOK, device.connect()).await else { break };
            // The daemon before us, or its minder, may be letting go just now.
            if !again {
                return Err(Failure::unreachable(help.to_string()));
            }
            again = false;
            sleep(BUSY_WAIT).await;
        }
    }
    Ok(())
}

/// Every tank with what watches it.
fn baths(setup: &Setup, clock: Clock) -> Baths {
    let source = |t: &crate::config::Tank| BathSource {
        tank: t.name.clone(),
        agitation: t.agitation,
        thermometer: match &t.temperature {
            Some(TemperatureSource::File { path, scale }) => Some((path.clone(), *scale)),
            _ => None,
        },
        stirring: t.agitation_sensor.as_ref().map(|s| (s.file.clone(), s.running.clone())),
    };
    Baths::new(setup.config.tanks.iter().map(source).collect(), clock)
}

fn stations(setup: &Setup, baths: &Baths) -> Result<Vec<Settings>, Failure> {
    let one = |station: &crate::config::Station| {
        for late in station.overdue(&crate::serve::today()) {
            tracing::warn!(station = %station.name, "{late}");
        }
        let dialect = |spec: &Spec| {
            let dialect = setup.dialect(&spec.dialect)?;
            tracing::info!(
                station = %station.name,
                port = %spec.name(),
                dialect = %dialect.name,
                tried = dialect.maturity.name(),
                identity = spec.identity.as_deref().unwrap_or("any: pin it in the config"),
                "station"
            );
            Ok(dialect)
        };
        let beside = |p: &crate::config::Parallel| {
            let (supply, dialect) = (p.supply.clone(), dialect(&p.supply)?);
            Ok(Parallel { supply, dialect, ammeter: p.ammeter.clone(), max_amps: p.max_amps })
        };
        Ok(Settings {
            name: station.name.clone(),
            supply: station.supply.clone(),
            dialect: dialect(&station.supply)?,
            ammeter: station.ammeter.clone(),
            parallel: station.parallel.iter().map(beside).collect::<Result<_, Failure>>()?,
            setup: setup::controller(station),
            poll: station.poll,
            baths: baths.clone(),
        })
    };
    setup.config.stations.iter().map(one).collect()
}

fn app(
    setup: &Setup,
    control: &Control,
    ledger: &Ledger,
    baths: Baths,
    address: SocketAddr,
    shutdown: CancellationToken,
) -> AppState {
    let config = &setup.config;
    let watched = control
        .handles()
        .iter()
        .zip(&config.stations)
        .map(|(handle, station)| Watched::new(handle.clone(), station.stale_after))
        .collect();
    let facts = Facts {
        listen: address,
        names: config.daemon.names.clone(),
        units: config.daemon.units,
        config_hash: setup.hash.clone(),
        tanks: config
            .tanks
            .iter()
            .map(|t| TankFacts {
                tank: t.name.clone(),
                bath: t.bath.clone(),
                volume_liters: t.volume.map(|v| v.get()),
            })
            .collect(),
    };
    let metrics = Metrics::new().with_process();
    let desk = Desk {
        config: config.clone(),
        sheets: setup.sheets.clone(),
        ledger: ledger.reader().clone(),
        speech: config.stations.iter().map(|s| (s.name.clone(), setup.speech(s))).collect(),
    };
    AppState::new(watched, Arc::new(ledger.clone()), Arc::new(desk), facts, baths, metrics, shutdown)
}

#[cfg(test)]
mod tests {
    use super::word;

    #[test]
    fn minder_hears_that_current_may_flow_on_one_line_while_another_stands_still() {
        let mut told = false;
        assert_eq!(word(true, false, &mut told), Some(false));
        assert_eq!(word(false, false, &mut told), None, "at rest it may stand still");
        // Its last word was rest: without this one it would wait for ever.
        assert_eq!(word(false, true, &mut told), Some(true));
        assert_eq!(word(false, true, &mut told), None, "from now on it counts the time");
        assert_eq!(word(true, true, &mut told), Some(true));
        assert_eq!(word(false, false, &mut told), None, "nor does it hear of rest from who stands still");
        assert_eq!((word(true, false, &mut told), told), (Some(false), false));
    }
}

//! The daemon: everything is started here, in this order, and ended in the reverse.

use super::failure::{Done, Failure};
use super::log;
use super::setup::{self, Setup};
use crate::config::TemperatureSource;
use crate::ledger::Ledger;
use crate::serve::{
    AppState, Desk, Facts, Listening, Metrics, TankFacts, Tokens, Watched, check_tls, listen,
};
use crate::station::{self, BathSource, Baths, Control, Parallel, Pulse, Settings};
use crate::supply::{Clock, Device, Dialect, Minder, Spec, Trouble};
use sd_notify::NotifyState;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::runtime::Runtime;
use tokio::signal::unix::{SignalKind, signal};
use tokio::task::JoinHandle;
use tokio::time::{sleep, timeout};
use tokio_util::sync::CancellationToken;

/// How often it is looked whether control has moved on; half a watchdog interval where systemd sets one.
const LOOK: Duration = Duration::from_secs(1);
/// To find a port shut takes an instant; whatever takes longer is not that.
const BUSY_LOOK: Duration = Duration::from_millis(500);
/// After this a busy port is tried once more.
const BUSY_WAIT: Duration = Duration::from_secs(2);

/// The verb.
pub(crate) fn serve(setup: &Setup) -> Done {
    // Dropped last: what the end has to say is waited for, for a moment.
    let _log = logging("warn,tankside=info")?;
    let runtime = runtime()?;
    runtime.block_on(async {
        let (mut term, mut int) = signals()?;
        let daemon = Daemon::start(setup, setup.config.daemon.listen).await?;
        notify(&[NotifyState::Ready]);
        tokio::select! {
            _ = term.recv() => tracing::info!("SIGTERM"),
            _ = int.recv() => tracing::info!("SIGINT"),
        }
        daemon.stop().await
    })
}

/// Logs to stderr until it is dropped; RUST_LOG chooses, else `usual`.
pub(crate) fn logging(usual: &str) -> Result<log::Log, Failure> {
    log::to_stderr(usual).map_err(|e| Failure::bug(format!("the log does not start: {e}")))
}

/// One thread answers people; control has its own.
pub(crate) fn runtime() -> Result<Runtime, Failure> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .max_blocking_threads(8)
        .thread_name("serve")
        .enable_all()
        .build()
        .map_err(|e| Failure::bug(e.to_string()))
}

type Signal = tokio::signal::unix::Signal;

/// SIGTERM and SIGINT, from now on.
pub(crate) fn signals() -> Result<(Signal, Signal), Failure> {
    let hear = |kind| signal(kind).map_err(|e| Failure::bug(format!("cannot hear signals: {e}")));
    Ok((hear(SignalKind::terminate())?, hear(SignalKind::interrupt())?))
}

/// Everything at work.
pub(crate) struct Daemon {
    control: Control,
    minder: Minder,
    ledger: Ledger,
    http: JoinHandle<()>,
    watchdog: JoinHandle<()>,
    sensors: Vec<JoinHandle<()>>,
    shutdown: CancellationToken,
    /// Where it answers.
    pub address: SocketAddr,
}

impl Daemon {
    /// Starts everything. The address and the ledger come first: a second daemon
    /// fails there, before any port is touched. The minder comes before the stations.
    pub(crate) async fn start(setup: &Setup, at: SocketAddr) -> Result<Daemon, Failure> {
        let config = &setup.config;
        tracing::info!(
            version = env!("CARGO_PKG_VERSION"),
            config = %setup.path.display(),
            config_hash = %setup.hash,
            "tankside starts"
        );
        let tokens = tokens(setup, at)?;
        let listening = listen(at).await.map_err(Failure::refused)?;
        let listening =
            listening.with_tls(config.daemon.tls.as_ref()).map_err(|e| Failure::config(e.to_string()))?;
        let address = listening.address;
        let ledger = open_ledger(&config.daemon.state)?;
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
        let minder = Minder::spawn(&ports).await.map_err(|e| {
            Failure::bug(format!("the minder does not start ({e}); without it nothing may be switched on"))
        })?;
        let control = match station::spawn(stations, ledger.clone(), clock) {
            Ok(control) => control,
            Err(e) => {
                minder.goodbye().await;
                return Err(Failure::bug(format!("the control thread does not start: {e}")));
            }
        };
        let shutdown = CancellationToken::new();
        let sensors = baths.watch_sensors();
        let app = app(setup, &control, &ledger, baths, address, shutdown.clone())
            .minded(minder.stands())
            .guarded(tokens, config.daemon.loopback_open);
        let http = tokio::spawn(Listening::serve(listening, app));
        let watchdog = tokio::spawn(feed(control.pulse()));
        tracing::info!(%address, "listening");
        Ok(Daemon { control, minder, ledger, http, watchdog, sensors, shutdown, address })
    }

    /// Off everywhere, confirmed; then the minder is let go, and nobody else is served.
    ///
    /// # Errors
    /// When an output is not confirmed off. The minder then does its work once more.
    pub(crate) async fn stop(self) -> Done {
        notify(&[NotifyState::Stopping]);
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
        self.watchdog.abort();
        self.sensors.iter().for_each(JoinHandle::abort);
        self.shutdown.cancel();
        if let Err(e) = self.http.await {
            tracing::error!("serving ended badly: {e}");
        }
        let closed = self.ledger.close().await;
        if !unsure.is_empty() {
            // Dropped without a goodbye: it switches off by itself, at the ports.
            drop(self.minder);
            return Err(Failure::refused(format!(
                "not every output was confirmed off; go to the supply: {}",
                unsure.join("; ")
            )));
        }
        self.minder.goodbye().await;
        closed.map_err(|e| Failure::ledger(e.to_string()))?;
        tracing::info!("tankside ends");
        Ok(())
    }
}

/// The tokens, if whoever may reach that address could have one.
///
/// # Errors
/// For an address that others can reach, as long as there is no token; for a certificate that cannot be used.
pub(crate) fn tokens(setup: &Setup, at: SocketAddr) -> Result<Tokens, Failure> {
    let daemon = &setup.config.daemon;
    let tokens = Tokens::at(&daemon.state);
    if let Some(tls) = &daemon.tls {
        check_tls(tls).map_err(|e| Failure::config(e.to_string()))?;
    }
    let any = tokens.any().map_err(|e| Failure::config(e.to_string()))?;
    if at.ip().is_loopback() {
        return Ok(tokens);
    }
    if !any {
        return Err(Failure::config(format!(
            "daemon.listen: {at} can be reached from other machines, and there is no token; make one with \
             \"tankside token add NAME --scope operate\", or listen on 127.0.0.1"
        )));
    }
    if daemon.tls.is_none() {
        tracing::warn!(
            "tokens pass {at} in plain text, for anybody on that network to read: set daemon.tls, or put a proxy with \
             TLS before a daemon on 127.0.0.1 (deploy/README.md)"
        );
    }
    Ok(tokens)
}

pub(crate) fn open_ledger(folder: &Path) -> Result<Ledger, Failure> {
    std::fs::create_dir_all(folder).map_err(|e| {
        Failure::ledger(format!(
            "{}: {e}; daemon.state must be a folder this user may write",
            folder.display()
        ))
    })?;
    let (ledger, recovery) =
        Ledger::open(&folder.join("ledger.sqlite")).map_err(|e| Failure::ledger(e.to_string()))?;
    if recovery.interrupted.is_empty() {
        tracing::info!("{}", recovery.sentence);
    } else {
        tracing::warn!("{}", recovery.sentence);
    }
    Ok(ledger)
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
    let desk = Desk { config: config.clone(), ledger: ledger.reader().clone() };
    AppState::new(watched, Arc::new(ledger.clone()), Arc::new(desk), facts, baths, metrics, shutdown)
}

/// Pings systemd's watchdog after every station has finished a round, and not otherwise.
async fn feed(mut pulse: Pulse) {
    let Some(limit) = sd_notify::watchdog_enabled() else { return };
    let mut every = tokio::time::interval((limit / 2).min(LOOK));
    loop {
        every.tick().await;
        if pulse.all_moved() {
            notify(&[NotifyState::Watchdog]);
        }
    }
}

fn notify(state: &[NotifyState<'_>]) {
    // Without systemd there is nobody to tell; with it, the watchdog tells what failed.
    if let Err(e) = sd_notify::notify(state) {
        tracing::debug!("sd_notify: {e}");
    }
}

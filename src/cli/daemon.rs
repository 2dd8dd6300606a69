//! The verb `serve`: the stations, their HTTP, and a service manager's wishes.

use super::log;
use super::setup::Setup;
use crate::host::{Done, Failure, MinderProgram, Tankside};
use crate::rank;
use crate::station::Pulse;
use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
use sd_notify::NotifyState;
use std::net::SocketAddr;
use std::time::Duration;
use tokio::runtime::Runtime;
use tokio::signal::unix::{SignalKind, signal};

/// How often it is looked whether control has moved on; half a watchdog interval where systemd sets one.
const LOOK: Duration = Duration::from_secs(1);

/// The verb.
pub(crate) fn serve(setup: &Setup) -> Done {
    // Dropped last: what the end has to say is waited for, for a moment.
    let _log = logging("warn,tankside=info")?;
    let runtime = runtime()?;
    runtime.block_on(async {
        let (mut term, mut int) = signals()?;
        let daemon = start(setup, setup.config.daemon.listen).await?;
        feed(daemon.pulse())?;
        // Whoever needs real time, if there is any, has got it from this thread by now.
        rank::aside();
        notify(&[NotifyState::Ready]);
        tokio::select! {
            _ = term.recv() => tracing::info!("SIGTERM"),
            _ = int.recv() => tracing::info!("SIGINT"),
        }
        notify(&[NotifyState::Stopping]);
        daemon.stop().await
    })
}

/// Logs to stderr until it is dropped; RUST_LOG chooses, else `usual`.
pub(crate) fn logging(usual: &str) -> Result<log::Log, Failure> {
    log::to_stderr(usual).map_err(|e| Failure::bug(format!("the log does not start: {e}")))
}

/// Open files that are enough for every connection that is let in, and for all else.
const FILES: u64 = 1024;

/// One thread answers people, at a lower priority; control has its own.
pub(crate) fn runtime() -> Result<Runtime, Failure> {
    more_files();
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .max_blocking_threads(8)
        .thread_name("serve")
        .on_thread_start(rank::behind)
        .enable_all()
        .build()
        .map_err(|e| Failure::bug(e.to_string()))
}

/// Where the soft limit of open files is small and the hard one is not.
fn more_files() {
    let limit = getrlimit(Resource::Nofile);
    let wanted = limit.maximum.map_or(FILES, |hard| hard.min(FILES));
    if limit.current.is_some_and(|soft| soft < wanted)
        && let Err(e) = setrlimit(Resource::Nofile, Rlimit { current: Some(wanted), ..limit })
    {
        tracing::debug!("the limit of open files stays: {e}");
    }
}

type Signal = tokio::signal::unix::Signal;

/// SIGTERM and SIGINT, from now on.
pub(crate) fn signals() -> Result<(Signal, Signal), Failure> {
    let hear = |kind| signal(kind).map_err(|e| Failure::bug(format!("cannot hear signals: {e}")));
    Ok((hear(SignalKind::terminate())?, hear(SignalKind::interrupt())?))
}

/// Everything at work, answering at that address.
pub(crate) async fn start(setup: &Setup, at: SocketAddr) -> Result<Tankside, Failure> {
    Tankside::start(setup, Some(at), &MinderProgram::Tankside).await
}

/// Pings systemd's watchdog after every station has finished a round, and not otherwise. On a thread of its own: who
/// keeps the one busy that answers people must not make control look frozen; it keeps real time, if it was given any.
fn feed(mut pulse: Pulse) -> Done {
    let Some(limit) = sd_notify::watchdog_enabled() else { return Ok(()) };
    let bug = |e: std::io::Error| Failure::bug(format!("the watchdog's thread does not start: {e}"));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().map_err(bug)?;
    let ping = async move {
        let mut every = tokio::time::interval((limit / 2).min(LOOK));
        loop {
            every.tick().await;
            if pulse.all_moved() {
                notify(&[NotifyState::Watchdog]);
            }
        }
    };
    // It ends with the process.
    std::thread::Builder::new()
        .name("watchdog".into())
        .spawn(move || runtime.block_on(ping))
        .map(drop)
        .map_err(bug)
}

fn notify(state: &[NotifyState<'_>]) {
    // Without systemd there is nobody to tell; with it, the watchdog tells what failed.
    if let Err(e) = sd_notify::notify(state) {
        tracing::debug!("sd_notify: {e}");
    }
}

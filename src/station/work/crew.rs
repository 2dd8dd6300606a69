//! The control threads, the tasks on them, and what happens when one of them panics.
//!
//! Every line has a thread of its own. To read a terminal can take as long as the kernel's own worker is kept from the
//! processor that hands over what has come (n_tty_read waits for it, asleep in a way that nothing wakes): measured at
//! 10 ms and more on a full machine. What holds up one line must hold up no other.

use super::ear::ticking;
use super::gang::{Gang, Member};
use super::pace::Backoff;
use super::remote::{Line, Remote};
use super::shell::{LAST_WORD, Shell, utc, within};
use crate::ledger::{EventRow, JobEnd, Ledger, Row, RunEnd};
use crate::quantity::{Amps, Microcoulombs};
use crate::rank;
use crate::run::{Command, Refusal, RunState, Setup};
use crate::station::{Ask, Baths, Envelope, Handle, Snapshot};
use crate::supply::{Ammeter, Clock, Dialect, Port, Spec};
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tokio::sync::{Mutex, mpsc, oneshot, watch};
use tokio::task::{JoinError, JoinHandle, LocalSet, spawn_local};
use tokio_util::sync::{CancellationToken, DropGuard};

/// Commands that may wait at a station.
const COMMANDS: usize = 16;
/// A station that failed says again that it is there this often.
const SIGN_OF_LIFE: Duration = Duration::from_secs(1);

/// A station as it is to be worked.
#[derive(Clone, Debug)]
pub struct Settings {
    /// Its name.
    pub name: String,
    /// How to reach its supply.
    pub supply: Spec,
    /// How its supply speaks.
    pub dialect: Arc<Dialect>,
    /// What a check found of its ammeter.
    pub ammeter: Option<Ammeter>,
    /// Supplies beside it that feed the same bar; the current is shared among all.
    pub parallel: Vec<Parallel>,
    /// What its controller is made from.
    pub setup: Setup,
    /// Time between polls.
    pub poll: Duration,
    /// What is known of the baths; shared with the API and the sensors.
    pub baths: Baths,
}

/// A supply beside the first.
#[derive(Clone, Debug)]
pub struct Parallel {
    /// How to reach it.
    pub supply: Spec,
    /// How it speaks.
    pub dialect: Arc<Dialect>,
    /// What a check found of its ammeter.
    pub ammeter: Option<Ammeter>,
    /// The most it may give; what is left of the station's limit is the first one's.
    pub max_amps: Amps,
}

impl Settings {
    /// Every supply and its dialect, the first one first: all that must be off when the station is.
    pub fn supplies(&self) -> impl Iterator<Item = (&Spec, &Arc<Dialect>)> {
        let others = self.parallel.iter().map(|p| (&p.supply, &p.dialect));
        std::iter::once((&self.supply, &self.dialect)).chain(others)
    }

    pub(super) fn port(&self) -> String {
        self.supplies().map(|(spec, _)| spec.name()).collect::<Vec<_>>().join(" + ")
    }

    /// What is to be said of corrected amperes when a run begins.
    pub(super) fn corrections(&self) -> Vec<String> {
        self.supplies()
            .zip(self.ammeters())
            .filter_map(|((spec, _), ammeter)| {
                ammeter.as_ref().map(|ammeter| format!("supply on {}: {ammeter}", spec.name()))
            })
            .collect()
    }

    fn ammeters(&self) -> impl Iterator<Item = &Option<Ammeter>> {
        std::iter::once(&self.ammeter).chain(self.parallel.iter().map(|p| &p.ammeter))
    }

    /// All supplies as one; connects nothing yet.
    fn gang(&self, clock: Clock) -> Gang<Line> {
        let others: Amps = self.parallel.iter().map(|p| p.max_amps).sum();
        let most = std::iter::once(self.setup.limits.max_amps - others)
            .chain(self.parallel.iter().map(|p| p.max_amps));
        let members =
            self.supplies().zip(self.ammeters()).zip(most).map(|(((spec, dialect), ammeter), most)| Member {
                remote: Line::new(spec.clone(), dialect.clone(), ammeter.clone(), clock),
                port: spec.name(),
                most,
                step: dialect.range.amps_step * ammeter.as_ref().map_or(1.0, |a| a.gain),
            });
        Gang::new(members.collect())
    }
}

/// How a station was left.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Farewell {
    /// Which.
    pub station: String,
    /// Whether its output was confirmed off; else why not, in the operator's words.
    pub off: Result<(), String>,
}

/// Counts the finished rounds of every station, for the watchdog: fed by
/// finished work, never by a timer.
#[derive(Clone, Debug)]
pub struct Pulse {
    beats: Vec<Arc<AtomicU64>>,
    seen: Vec<u64>,
}

impl Pulse {
    /// Whether every station has finished a round since the last time it was asked.
    pub fn all_moved(&mut self) -> bool {
        let now: Vec<u64> = self.beats.iter().map(|b| b.load(Ordering::Relaxed)).collect();
        let moved = now.iter().zip(&self.seen).all(|(now, seen)| now != seen);
        if moved {
            self.seen = now;
        }
        moved
    }
}

/// All stations at work. Dropping it stops them too, but waits for nothing.
#[derive(Debug)]
pub struct Control {
    handles: Vec<Handle>,
    pulse: Pulse,
    quit: DropGuard,
    /// Of each thread: the places of its stations in `handles`, and what comes of them.
    done: Vec<(Vec<usize>, oneshot::Receiver<Vec<Farewell>>)>,
}

impl Control {
    /// The way to each station, in the order they were given.
    pub fn handles(&self) -> &[Handle] {
        &self.handles
    }

    /// For the watchdog.
    pub fn pulse(&self) -> Pulse {
        self.pulse.clone()
    }

    /// Switches every output off, confirms it, ends runs as aborted, and
    /// flushes the ledger. Say goodbye to the minder only if all are off.
    pub async fn shutdown(self) -> Vec<Farewell> {
        self.quit.disarm().cancel();
        let mut all = Vec::new();
        for (places, done) in self.done {
            let lost = |place: &usize| Farewell {
                station: self.handles[*place].name().into(),
                off: Err("the control thread ended before it could confirm".into()),
            };
            let farewells = done.await.unwrap_or_else(|_| places.iter().map(lost).collect());
            all.extend(places.into_iter().zip(farewells));
        }
        all.sort_by_key(|(place, _)| *place);
        all.into_iter().map(|(_, farewell)| farewell).collect()
    }
}

/// Works the stations, those of each line on a thread of their own.
///
/// # Errors
/// If the thread or its runtime cannot be made.
pub fn spawn(stations: Vec<Settings>, ledger: Ledger, clock: Clock) -> std::io::Result<Control> {
    let crew = stations
        .into_iter()
        .map(|settings| {
            let made_from = settings.clone();
            (settings, move || made_from.gang(clock))
        })
        .collect();
    spawn_with(crew, ledger, clock)
}

/// As [`spawn`], with other supplies behind the seam. Each is made on the
/// control thread, and made anew if the station's task panics.
pub(super) fn spawn_with<R, F>(
    crew: Vec<(Settings, F)>,
    ledger: Ledger,
    clock: Clock,
) -> std::io::Result<Control>
where
    R: Remote + 'static,
    F: Fn() -> R + Send + 'static,
{
    let quit = CancellationToken::new();
    let mut handles = Vec::new();
    let mut beats = Vec::new();
    let mut lines: Vec<(Vec<Port>, Vec<usize>, Vec<_>)> = Vec::new();
    for (place, (settings, make)) in crew.into_iter().enumerate() {
        let ports: Vec<Port> = settings.supplies().map(|(spec, _)| spec.port.clone()).collect();
        let (commands, inbox) = mpsc::channel(COMMANDS);
        let out = watch::Sender::new(Arc::new(Snapshot {
            station: settings.name.clone(),
            taken: utc(),
            ..Snapshot::default()
        }));
        let beat = Arc::new(AtomicU64::new(0));
        handles.push(Handle::new(&settings.name, out.subscribe(), commands));
        beats.push(beat.clone());
        let post = Post { settings, ledger: ledger.clone(), clock, out, beat, quit: quit.clone() };
        let mut line = (ports, vec![place], vec![(post, inbox, make)]);
        // With whoever shares a line with it, and with whoever shares one with them.
        for (theirs, places, posts) in
            lines.extract_if(.., |(theirs, ..)| shares(theirs, &line.0)).collect::<Vec<_>>()
        {
            line.0.extend(theirs);
            line.1.extend(places);
            line.2.extend(posts);
        }
        lines.push(line);
    }
    // Where a thread cannot be made, those before it are ended.
    let quit = quit.drop_guard();
    let mut done = Vec::new();
    for (_, places, posts) in lines {
        done.push((places, thread_for(posts, ledger.clone())?));
    }
    let seen = vec![0; beats.len()];
    Ok(Control { handles, pulse: Pulse { beats, seen }, quit, done })
}

fn shares(some: &[Port], others: &[Port]) -> bool {
    some.iter().any(|port| others.contains(port))
}

/// Works those stations on one thread, in this order.
fn thread_for<R, F>(
    posts: Vec<(Post, mpsc::Receiver<Envelope>, F)>,
    ledger: Ledger,
) -> std::io::Result<oneshot::Receiver<Vec<Farewell>>>
where
    R: Remote + 'static,
    F: Fn() -> R + Send + 'static,
{
    let (tell, done) = oneshot::channel();
    // The threads that look something up for control stand aside; its own keeps its rank.
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_all().on_thread_start(rank::aside).build()?;
    std::thread::Builder::new().name("control".into()).spawn(move || {
        let farewells = LocalSet::new().block_on(&runtime, async move {
            let tasks: Vec<(String, JoinHandle<Farewell>)> = posts
                .into_iter()
                .map(|(post, inbox, make)| (post.settings.name.clone(), spawn_local(post.tend(inbox, make))))
                .collect();
            let mut farewells = Vec::new();
            for (station, task) in tasks {
                // A second panic, on the way out of the first, ends here.
                let lost =
                    |e: JoinError| Farewell { station, off: Err(format!("its task failed twice: {e}")) };
                farewells.push(task.await.unwrap_or_else(lost));
            }
            if let Err(e) = within(LAST_WORD, ledger.sync()).await {
                tracing::error!("on the way out: {e}");
            }
            farewells
        });
        // Nobody waits when `Control` was dropped.
        let _ = tell.send(farewells);
    })?;
    Ok(done)
}

struct Post {
    settings: Settings,
    ledger: Ledger,
    clock: Clock,
    out: watch::Sender<Arc<Snapshot>>,
    beat: Arc<AtomicU64>,
    quit: CancellationToken,
}

impl Post {
    async fn tend<R: Remote + 'static>(
        self,
        inbox: mpsc::Receiver<Envelope>,
        make: impl Fn() -> R,
    ) -> Farewell {
        let inbox = Rc::new(Mutex::new(inbox));
        let seed = self.settings.name.bytes().fold(0xcbf2_9ce4_8422_2325, |h: u64, b| {
            // FNV-1a: any spread will do.
            (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3)
        });
        let shell = Shell::new(
            self.settings.clone(),
            make(),
            self.ledger.clone(),
            self.clock,
            self.out.clone(),
            self.beat.clone(),
            seed,
        );
        let task = spawn_local({
            let (inbox, quit) = (inbox.clone(), self.quit.clone());
            async move { shell.work(&mut *inbox.lock().await, &quit).await }
        });
        match task.await {
            Ok(farewell) => farewell,
            Err(e) => {
                let why = e.try_into_panic().ok().map_or_else(|| "it was cancelled".into(), |p| text_of(&*p));
                let mut inbox = inbox.lock().await;
                self.aftermath(&mut inbox, make(), seed, &why).await
            }
        }
    }

    /// The task is dead. Off through a fresh connection, the run closed, and
    /// nothing but off from here on; the other stations know nothing of it.
    async fn aftermath<R: Remote>(
        &self,
        inbox: &mut mpsc::Receiver<Envelope>,
        mut remote: R,
        seed: u64,
        why: &str,
    ) -> Farewell {
        let name = &self.settings.name;
        let cause = format!("the program failed at this station ({why}); this is a bug, please report it");
        tracing::error!(station = %name, "{cause}");
        let mut off = remote.off().await.map_err(|t| t.to_string());
        self.close_run(&cause).await;
        let mut backoff = Backoff::new(seed);
        loop {
            self.publish(&cause, &off);
            // Off is tried again at least each second; it is never given up.
            let wait = if off.is_ok() { SIGN_OF_LIFE } else { backoff.wait().min(SIGN_OF_LIFE) };
            tokio::select! {
                biased;
                () = self.quit.cancelled() => break,
                Some(envelope) = inbox.recv() => {
                    let answer = match envelope.command {
                        Ask::Run(Command::Abort, _) => {
                            off = remote.off().await.map_err(|t| t.to_string());
                            off.clone().map(|()| "output off, confirmed by the supply".into())
                        }
                        _ => Err(format!("{cause}; restart the daemon to work this station again")),
                    };
                    let _ = envelope.reply.send(answer.map_err(Refusal));
                }
                () = tokio::time::sleep(wait) => {
                    if off.is_err() {
                        off = ticking(remote.off(), &self.beat).await.map_err(|t| t.to_string());
                    }
                }
            }
        }
        off = remote.off().await.map_err(|t| t.to_string());
        Farewell { station: name.clone(), off }
    }

    async fn close_run(&self, cause: &str) {
        let last = self.out.borrow().run.clone();
        let run = last.run.filter(|_| matches!(last.state, RunState::Running | RunState::Held));
        self.ledger.record(Row::Event(EventRow {
            at: utc(),
            monotonic_milliseconds: super::journal::millis(self.clock.now()),
            station: self.settings.name.clone(),
            run: run.clone(),
            kind: "note".into(),
            text: cause.into(),
        }));
        let job = self.out.borrow().job.as_ref().filter(|job| job.is_open()).map(|job| job.id.clone());
        if let Some(id) = job {
            let end = JobEnd { id, ended: utc(), state: RunState::Aborted.name(), cause: cause.into() };
            if let Err(e) = within(LAST_WORD, self.ledger.finish_job(end)).await {
                tracing::error!("{e}");
            }
        }
        let Some(id) = run else { return };
        let end = RunEnd {
            id,
            ended: utc(),
            state: RunState::Aborted.name(),
            cause: cause.into(),
            // The ledger keeps the greater: what was recorded last stands.
            charge: Microcoulombs::ZERO,
            unobserved: Duration::ZERO,
            worked: Duration::ZERO,
            load_slope: None,
        };
        if let Err(e) = within(LAST_WORD, self.ledger.finish(end)).await {
            tracing::error!("{e}");
        }
    }

    fn publish(&self, cause: &str, off: &Result<(), String>) {
        let mut snapshot = Snapshot::clone(&self.out.borrow());
        snapshot.seq += 1;
        snapshot.taken = utc();
        snapshot.link.up = false;
        snapshot.link.trouble = Some(match off {
            Ok(()) => format!("{cause}; its output was switched off and confirmed off; restart the daemon"),
            Err(e) => format!("{cause}; its output could NOT be confirmed off ({e}): go to the supply"),
        });
        snapshot.measured = None;
        snapshot.output_known = off.is_ok();
        snapshot.output_on = off.is_ok().then_some(false);
        snapshot.poll_seconds.clear();
        if matches!(snapshot.run.state, RunState::Running | RunState::Held) {
            snapshot.run.state = RunState::Aborted;
            snapshot.run.cause = Some(cause.into());
            snapshot.run.question = None;
            snapshot.run.output_commanded = false;
        }
        if let Some(job) = snapshot.job.as_mut().filter(|job| job.is_open()) {
            job.abort(cause);
        }
        self.out.send_replace(Arc::new(snapshot));
        self.beat.fetch_add(1, Ordering::Relaxed);
    }
}

fn text_of(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(|s| (*s).to_owned());
    text.or_else(|| panic.downcast_ref::<String>().cloned()).unwrap_or_else(|| "no words".into())
}

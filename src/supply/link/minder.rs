//! The minder: a child process that switches off when the daemon dies without a goodbye.
//!
//! It holds the read end of a pipe whose only write end is the daemon's (Rust
//! opens pipes close-on-exec, so no other child keeps it open). First comes one
//! line with the ports; then nothing, or `bye`. The end of the pipe without
//! `bye` means that the daemon was killed: off goes to every port at once.
//!
//! A daemon that is frozen keeps its end open. So it says `on` or `rest` after
//! its stations have finished a round, fed by finished work and never by a timer
//! alone. If the last word was `on` and none follows, the daemon is ended, since
//! only the end of its process frees the port for an off that can be confirmed.

use super::off::off_when_free;
use super::{Dialect, OffReport, Spec, dialect};
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io::Write as _;
use std::os::fd::AsFd;
use std::process::{ExitCode, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;
use std::time::Duration;
use tokio::io::{AsyncBufRead, AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::unix::pipe;
use tokio::process::{Child, ChildStdin, Command};
use tokio::sync::{mpsc as queue, oneshot};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep, timeout};

/// A child that has not said `ready` by then will not.
const STARTS: Duration = Duration::from_secs(5);
/// The kernel closes a dead process's files one by one: the pipe may end a little before the port is free.
const PORT_FREES: Duration = Duration::from_millis(300);
/// Another that switches off at the same port is done by then.
const HOLDER_ENDS: Duration = Duration::from_secs(2);
/// How long one port may take altogether, confirmation included.
const GIVES_UP: Duration = Duration::from_secs(20);
/// Between two starts of a minder that keeps dying.
const RESPAWN: Duration = Duration::from_secs(1);
/// What it has to say is waited for this long; whoever should read it may be dead or stopped.
const SPEAKS: Duration = Duration::from_secs(1);

/// An output that may be on, and no finished round for so long: the daemon is frozen. As long as the service's
/// watchdog waits, and far above the slowest round that is no failure.
const FROZEN: Duration = Duration::from_secs(20);
/// A daemon that was killed is gone by then, or something keeps it.
const ENDS: Duration = Duration::from_secs(2);
/// Between two looks at that.
const LOOKS: Duration = Duration::from_millis(5);
/// How often the daemon is asked for its heart. Shorter than a supply takes from the start of a run to its output on:
/// the word that a run has begun is there before the current.
const BEAT: Duration = Duration::from_millis(250);

/// One port as the daemon tells it to the minder.
#[derive(Debug, Serialize, Deserialize)]
struct Ward {
    spec: Spec,
    dialect: String,
}

/// The first line.
#[derive(Debug, Serialize, Deserialize)]
struct Charge {
    wards: Vec<Ward>,
    /// Without a word for so long after `on` the daemon is taken for frozen.
    frozen: Duration,
}

/// Asked four times a second: `None` if not every station has finished a round since it was last asked, else
/// whether an output is on or may be.
pub type Heart = Box<dyn FnMut() -> Option<bool> + Send>;

enum Word {
    Heart(Heart),
    Rest,
    Bye(oneshot::Sender<()>),
}

/// The daemon's side. Dropping it without [`Minder::goodbye`] makes the minder switch off.
#[derive(Debug)]
pub struct Minder {
    words: queue::UnboundedSender<Word>,
    stands: Arc<AtomicBool>,
}

impl Minder {
    /// Starts `tankside minder`, from the very binary that runs now, and waits
    /// until it is ready. If it dies it is started again, and the log says so.
    ///
    /// # Errors
    /// If it does not start: then nothing may be switched on.
    pub async fn spawn(ports: &[(Spec, Arc<Dialect>)]) -> std::io::Result<Minder> {
        let command = || {
            // Resolved by the child itself: still right after the file was replaced by an upgrade.
            let mut command = Command::new("/proc/self/exe");
            command.arg0("tankside").arg("minder");
            command
        };
        Minder::spawn_with(command, ports).await
    }

    /// As [`Minder::spawn`], with a command of the caller's that ends in [`child_main`].
    ///
    /// # Errors
    /// As [`Minder::spawn`].
    pub async fn spawn_with(
        command: impl Fn() -> Command + Send + 'static,
        ports: &[(Spec, Arc<Dialect>)],
    ) -> std::io::Result<Minder> {
        Minder::spawn_within(command, ports, FROZEN).await
    }

    /// As [`Minder::spawn_with`], with another patience with a frozen daemon.
    pub(super) async fn spawn_within(
        command: impl Fn() -> Command + Send + 'static,
        ports: &[(Spec, Arc<Dialect>)],
        frozen: Duration,
    ) -> std::io::Result<Minder> {
        let wards: Vec<Ward> = ports
            .iter()
            .map(|(spec, dialect)| Ward { spec: spec.clone(), dialect: dialect.source.clone() })
            .collect();
        let mut line = serde_json::to_string(&Charge { wards, frozen })?;
        line.push('\n');
        let (words, told) = queue::unbounded_channel();
        let stands = Arc::new(AtomicBool::new(true));
        let (tell, ready) = oneshot::channel();
        // A thread of its own: callers that keep their runtime busy, or do not turn it, are not frozen stations.
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        let standing = stands.clone();
        let work = async move {
            let (first, said) = match start(command(), &line).await {
                Ok(first) => (Some(first), tell.send(Ok(()))),
                Err(error) => (None, tell.send(Err(error))),
            };
            // Where nobody waits for it any more, the pipe closes.
            if let (Some(first), Ok(())) = (first, said) {
                keep(command, line, first, told, standing).await;
            }
        };
        std::thread::Builder::new().name("minder".into()).spawn(move || runtime.block_on(work))?;
        ready.await.map_err(|_| std::io::Error::other("the minder's thread has ended"))??;
        Ok(Minder { words, stands })
    }

    /// From now on the daemon must live, not only be there: while an output may be on and that heart stands still
    /// for 20 s, the minder ends this process (SIGKILL) and switches off. A computer that sleeps is not frozen.
    pub fn listen_to(&self, heart: Heart) {
        // Nobody hears it only when everything ends.
        let _ = self.words.send(Word::Heart(heart));
    }

    /// Every output is confirmed off and none goes on again: what is left to do may take its time.
    pub fn rest(&self) {
        let _ = self.words.send(Word::Rest);
    }

    /// True while a minder is at work; false from the death of one until another is ready. Nothing new
    /// may be switched on meanwhile.
    pub fn stands(&self) -> Arc<AtomicBool> {
        self.stands.clone()
    }

    /// Tells the minder that all is well and waits until it has gone. The
    /// caller has switched everything off before.
    pub async fn goodbye(self) {
        let (done, gone) = oneshot::channel();
        if self.words.send(Word::Bye(done)).is_ok() {
            let _ = gone.await;
        }
    }
}

async fn start(mut command: Command, line: &str) -> std::io::Result<(Child, ChildStdin)> {
    let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn()?;
    let broken = || std::io::Error::other("the minder did not get ready");
    let (mut stdin, stdout) = child.stdin.take().zip(child.stdout.take()).ok_or_else(broken)?;
    let ready = async {
        stdin.write_all(line.as_bytes()).await?;
        let mut lines = BufReader::new(stdout).lines();
        while let Some(said) = lines.next_line().await? {
            if said == "ready" {
                return Ok(());
            }
        }
        Err(broken())
    };
    match timeout(STARTS, ready).await {
        Ok(Ok(())) => Ok((child, stdin)),
        Ok(Err(error)) => Err(error),
        Err(_) => Err(broken()),
    }
}

async fn keep(
    command: impl Fn() -> Command + Send + 'static,
    line: String,
    first: (Child, ChildStdin),
    mut told: queue::UnboundedReceiver<Word>,
    stands: Arc<AtomicBool>,
) {
    let (mut child, mut stdin) = first;
    let mut heart: Option<Heart> = None;
    let mut beat = interval(BEAT);
    beat.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        let status = tokio::select! {
            word = told.recv() => match word {
                // Dropped without a goodbye: the pipe closes and the minder does its work.
                None => return,
                Some(Word::Heart(given)) => {
                    heart = Some(given);
                    continue;
                }
                Some(Word::Rest) => {
                    heart = None;
                    say_to(&mut stdin, "rest\n").await;
                    continue;
                }
                Some(Word::Bye(done)) => {
                    say_to(&mut stdin, "bye\n").await;
                    drop(stdin);
                    let _ = timeout(STARTS, child.wait()).await;
                    let _ = done.send(());
                    return;
                }
            },
            _ = beat.tick(), if heart.is_some() => {
                match heart.as_mut().and_then(|ask| ask()) {
                    Some(true) => say_to(&mut stdin, "on\n").await,
                    Some(false) => say_to(&mut stdin, "rest\n").await,
                    None => {}
                }
                continue;
            }
            status = child.wait() => status,
        };
        stands.store(false, Ordering::Relaxed);
        tracing::error!("the minder ended ({status:?}); no run starts until another is ready");
        (child, stdin) = loop {
            match start(command(), &line).await {
                Ok(next) => break next,
                Err(error) => tracing::error!("the minder does not start: {error}"),
            }
            let again = sleep(RESPAWN);
            tokio::pin!(again);
            loop {
                tokio::select! {
                    word = told.recv() => match word {
                        None => return,
                        Some(Word::Heart(given)) => heart = Some(given),
                        Some(Word::Rest) => heart = None,
                        Some(Word::Bye(done)) => {
                            let _ = done.send(());
                            return;
                        }
                    },
                    () = &mut again => break,
                }
            }
        };
        stands.store(true, Ordering::Relaxed);
        tracing::warn!("another minder is ready");
    }
}

/// A minder that does not read is not waited for.
async fn say_to(stdin: &mut ChildStdin, word: &str) {
    let _ = timeout(SPEAKS, stdin.write_all(word.as_bytes())).await;
}

/// The child's side: everything that the hidden verb `minder` does. Exit code 0
/// after a goodbye or when every port is confirmed off, else 74 (EX_IOERR).
pub fn child_main() -> ExitCode {
    // A session of its own: the terminal's Ctrl-C is for the daemon.
    let _ = nix::unistd::setsid();
    super::tty::keep_last_word();
    let daemon = nix::unistd::getppid();
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            say(vec![format!("cannot start: {error}")]);
            return ExitCode::from(71);
        }
    };
    let well = runtime.block_on(async {
        use tokio::signal::unix::{SignalKind, signal};
        // Caught and left lying: it must outlive the daemon by the time that off takes.
        let _deaf = [SignalKind::interrupt(), SignalKind::terminate(), SignalKind::hangup()].map(signal);
        let ready = || {
            let mut out = std::io::stdout();
            let _ = writeln!(out, "ready").and_then(|()| out.flush());
        };
        // A pipe that is watched, not read by a thread of its own: nothing is left to wait for at the end.
        let stdin = std::io::stdin().as_fd().try_clone_to_owned();
        match stdin.and_then(|fd| pipe::Receiver::from_file(File::from(fd))) {
            Ok(stdin) => {
                let (well, words) = mind(BufReader::new(stdin), ready, || end(daemon)).await;
                say(words);
                well
            }
            Err(error) => {
                say(vec![format!("is started by the daemon, which holds the other end of a pipe: {error}")]);
                false
            }
        }
    });
    if well { ExitCode::SUCCESS } else { ExitCode::from(74) }
}

/// Waits for `bye` or the end; at the end switches everything off. Returns whether all is well, and
/// what there is to say. It is said after every port is done: a terminal that takes no
/// more bytes, as after Ctrl-S, must not stand between the end of the daemon and off.
async fn mind<Ended: Future<Output = bool>>(
    mut from: impl AsyncBufRead + Unpin,
    ready: impl FnOnce(),
    end: impl FnOnce() -> Ended,
) -> (bool, Vec<String>) {
    let mut line = String::new();
    if from.read_line(&mut line).await.unwrap_or(0) == 0 {
        return (true, Vec::new());
    }
    let Charge { wards, frozen } = match serde_json::from_str(&line) {
        Ok(charge) => charge,
        Err(error) => return (false, vec![format!("cannot read what to mind: {error}")]),
    };
    let mut minded = Vec::new();
    for ward in wards {
        match dialect::parse(&ward.dialect, &ward.spec.dialect) {
            Ok(dialect) => minded.push((ward.spec, Arc::new(dialect))),
            Err(problems) => {
                let first = problems.first().map(ToString::to_string).unwrap_or_default();
                return (false, vec![format!("cannot read the dialect of {}: {first}", ward.spec.port)]);
            }
        }
    }
    ready();
    let ports = minded.len();
    let mut may_be_on = false;
    let first = loop {
        line.clear();
        let heard = match may_be_on {
            true => timeout(frozen, from.read_line(&mut line)).await,
            false => Ok(from.read_line(&mut line).await),
        };
        match heard {
            Ok(Ok(0) | Err(_)) => {
                break format!("the daemon is gone without a goodbye; switching off {ports} port(s)");
            }
            Ok(Ok(_)) if line.trim() == "bye" => return (true, Vec::new()),
            Ok(Ok(_)) => may_be_on = line.trim() == "on",
            Err(_) => {
                let done = match end().await {
                    true => "it was ended",
                    false => {
                        "it could NOT be ended and may still hold the port (as process 1 of a container? start that with \
                         an init, --init)"
                    }
                };
                let time = frozen.as_secs();
                break format!("the daemon stood still for {time} s; {done}; switching off {ports} port(s)");
            }
        }
    };
    let mut words = vec![first];
    let tasks: Vec<_> =
        minded.into_iter().map(|(spec, dialect)| tokio::spawn(switch_off(spec, dialect))).collect();
    let mut well = true;
    for task in tasks {
        let (confirmed, text) = task.await.unwrap_or_else(|e| (false, format!("a slip of ours: {e}")));
        well &= confirmed;
        words.push(text);
    }
    (well, words)
}

/// Ends the daemon that stands still and waits until it is gone, [`ENDS`] at most: what it holds is free only then. A
/// kill that is accepted is not death: process 1 of a container does not hear it from inside (pid_namespaces(7)), and
/// one that waits for a disk dies when the disk has answered.
async fn end(daemon: nix::unistd::Pid) -> bool {
    gone(
        || nix::unistd::getppid() != daemon,
        || nix::sys::signal::kill(daemon, nix::sys::signal::Signal::SIGKILL).is_ok(),
    )
    .await
}

/// Whether it is gone, after the kill where it is not already; another parent is how its child sees that.
async fn gone(gone: impl Fn() -> bool, kill: impl FnOnce() -> bool) -> bool {
    if gone() {
        return true;
    }
    if !kill() {
        return gone();
    }
    let begun = Instant::now();
    while !gone() {
        if begun.elapsed() >= ENDS {
            return false;
        }
        sleep(LOOKS).await;
    }
    true
}

async fn switch_off(spec: Spec, dialect: Arc<Dialect>) -> (bool, String) {
    let begun = Instant::now();
    let work = async {
        // Until the dead daemon's lock is gone.
        match off_when_free(&spec, &dialect, PORT_FREES).await {
            // Sent past the lock of whoever came first, most likely the service's own `off`; confirmed after it.
            Ok(OffReport::SentPastLock { .. }) => off_when_free(&spec, &dialect, HOLDER_ENDS).await,
            other => other,
        }
    };
    let (text, well) = match timeout(GIVES_UP, work).await {
        Ok(Ok(report)) => (report.to_string(), report == OffReport::Confirmed),
        Ok(Err(trouble)) if trouble.is_gone() => {
            (format!("NOT switched off, go to the supply: {trouble}"), false)
        }
        Ok(Err(trouble)) => (format!("off was sent, NOT confirmed, go to the supply: {trouble}"), false),
        Err(_) => ("NOT confirmed, go to the supply: it does not answer".into(), false),
    };
    (well, format!("{}: {text} ({} ms)", spec.port, begun.elapsed().as_millis()))
}

/// To stderr, from a thread that is left behind if nobody reads.
fn say(words: Vec<String>) {
    let (done, said) = mpsc::channel();
    let speak = move || {
        for text in words {
            // The daemon that read it may be dead: a broken pipe is no reason to stop.
            let _ = writeln!(std::io::stderr(), "minder: {text}");
        }
        let _ = done.send(());
    };
    if std::thread::Builder::new().spawn(speak).is_ok() {
        let _ = said.recv_timeout(SPEAKS);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::duplex;

    /// What the minder of no ports says after those words and an hour, and how long it took.
    async fn after(words: &[u8], ended: bool) -> (bool, Vec<String>, Duration) {
        let (mut daemon, from) = duplex(4096);
        let charge = Charge { wards: Vec::new(), frozen: FROZEN };
        let line = serde_json::to_string(&charge).unwrap() + "\n";
        daemon.write_all(line.as_bytes()).await.unwrap();
        daemon.write_all(words).await.unwrap();
        let begun = Instant::now();
        let hour = async {
            sleep(Duration::from_secs(3600)).await;
            let _ = daemon.write_all(b"bye\n").await;
            std::future::pending::<()>().await
        };
        let minding = mind(BufReader::new(from), || {}, async || ended);
        let (well, said) = tokio::select! {
            minded = minding => minded,
            () = hour => unreachable!("it waits for the minder"),
        };
        (well, said, begun.elapsed())
    }

    #[tokio::test(start_paused = true)]
    async fn daemon_that_stands_still_is_ended_where_an_output_may_be_on_and_left_alone_where_none_is() {
        let (well, said, took) = after(b"rest\non\n", true).await;
        assert!(well && said[0].contains("stood still for 20 s; it was ended"), "{said:?}");
        assert_eq!(took, FROZEN);
        let (_, said, _) = after(b"on\n", false).await;
        assert!(said[0].contains("could NOT be ended"), "{said:?}");
        let (well, said, took) = after(b"on\nrest\n", true).await;
        assert!(well && said.is_empty() && took >= Duration::from_secs(3600), "{said:?} after {took:?}");
    }

    #[tokio::test(start_paused = true)]
    async fn a_daemon_that_was_killed_is_waited_for_until_it_is_gone_but_not_for_ever() {
        let begun = Instant::now();
        let dies = begun + Duration::from_millis(700);
        assert!(gone(|| Instant::now() >= dies, || true).await);
        assert!(
            Instant::now() >= dies && begun.elapsed() < ENDS,
            "not before it is gone: {:?}",
            begun.elapsed()
        );
        // Process 1 of a container takes the kill and lives on.
        let begun = Instant::now();
        assert!(!gone(|| false, || true).await);
        assert!(begun.elapsed() >= ENDS && begun.elapsed() < ENDS * 2, "{:?}", begun.elapsed());
        assert!(gone(|| true, || unreachable!("nobody is killed in its place")).await);
        assert!(!gone(|| false, || false).await);
    }
}

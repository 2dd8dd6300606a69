//! How the rest of the daemon talks to a station.

use super::Snapshot;
use crate::plan::Order;
use crate::run::guide::{Guide, GuideCommand, JobAnswer, Reference, WarningKind};
use crate::run::{Answer, Command, Refusal};
use crate::watch::Handling;
use futures_util::stream::{self, Stream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};
use tokio::sync::{mpsc, oneshot, watch};

/// What a station is asked.
#[derive(Debug)]
pub enum Ask {
    /// Something of its run. The reference is that of a run that is to start.
    Run(Command, Reference),
    /// To begin this job.
    StartJob(Box<Guide>),
    /// Something of its job.
    Job(GuideCommand),
    /// Something of an alarm of its job.
    JobAlarm(WarningKind, Handling),
}

impl Ask {
    fn may_switch_on(&self) -> bool {
        match self {
            Ask::Run(Command::Start { .. } | Command::Resume | Command::Answer(Answer::Done), _)
            | Ask::StartJob(_)
            | Ask::Job(GuideCommand::Resume) => true,
            Ask::Job(GuideCommand::Answer { answer, .. }) => *answer != JobAnswer::No,
            Ask::Run(..) | Ask::Job(_) | Ask::JobAlarm(..) => false,
        }
    }
}

/// A command on its way to a station, with the way back.
#[derive(Debug)]
pub struct Envelope {
    /// Who asks.
    pub by: String,
    /// What for.
    pub command: Ask,
    /// Where the answer goes: a sentence, or why not.
    pub reply: oneshot::Sender<Result<String, Refusal>>,
}

/// Cheap to clone; every reader and commander holds one.
#[derive(Clone, Debug)]
pub struct Handle {
    name: Arc<str>,
    snapshot: watch::Receiver<Arc<Snapshot>>,
    commands: mpsc::Sender<Envelope>,
    /// Whether a minder is at work; not set where none was promised.
    minder: Arc<OnceLock<Arc<AtomicBool>>>,
}

impl Handle {
    /// Joins the two ends.
    pub fn new(
        name: &str,
        snapshot: watch::Receiver<Arc<Snapshot>>,
        commands: mpsc::Sender<Envelope>,
    ) -> Self {
        Handle { name: name.into(), snapshot, commands, minder: Arc::default() }
    }

    /// From now on whatever may switch an output on is refused here too while that minder is not at work. Counts for
    /// every clone, and once.
    pub(crate) fn needs(&self, minder: Arc<AtomicBool>) {
        self.minder.get_or_init(|| minder);
    }

    /// The station's name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The last published snapshot.
    pub fn snapshot(&self) -> Arc<Snapshot> {
        self.snapshot.borrow().clone()
    }

    /// A receiver of its own, for streams.
    pub fn subscribe(&self) -> watch::Receiver<Arc<Snapshot>> {
        self.snapshot.clone()
    }

    /// Snapshots as they are published, the present one first. A slow reader gets the newest and misses those between;
    /// the stream ends when the station's task has.
    pub fn snapshots(&self) -> impl Stream<Item = Arc<Snapshot>> + Send + Unpin + use<> {
        let mut receiver = self.subscribe();
        receiver.mark_changed();
        Box::pin(stream::unfold(receiver, |mut receiver| async move {
            receiver.changed().await.ok()?;
            let snapshot = receiver.borrow_and_update().clone();
            Some((snapshot, receiver))
        }))
    }

    /// Sends a command and waits for the station's answer. A start by it has the controller's own checks alone: use
    /// [`Tankside::run`](crate::Tankside::run), which asks what is known of the supply and of the edges, and puts the
    /// worksheet on the run's record.
    ///
    /// # Errors
    /// The refusal in the operator's words; also when the station's task has ended.
    pub async fn command(&self, by: &str, command: Command) -> Result<String, Refusal> {
        self.ask(by, Ask::Run(command, Reference::default())).await
    }

    /// Starts a run for that lot and customer, with the controller's own checks alone; see [`Handle::command`]. The id
    /// is the caller's, and no other run's.
    ///
    /// # Errors
    /// As [`Handle::command`].
    pub async fn start(
        &self,
        by: &str,
        id: String,
        order: Order,
        whose: Reference,
    ) -> Result<String, Refusal> {
        self.ask(by, Ask::Run(Command::Start { id, order: Box::new(order) }, whose)).await
    }

    /// Begins a job.
    ///
    /// # Errors
    /// As [`Handle::command`].
    pub async fn start_job(&self, by: &str, guide: Guide) -> Result<String, Refusal> {
        self.ask(by, Ask::StartJob(Box::new(guide))).await
    }

    /// Sends a command to the job.
    ///
    /// # Errors
    /// As [`Handle::command`].
    pub async fn job(&self, by: &str, command: GuideCommand) -> Result<String, Refusal> {
        self.ask(by, Ask::Job(command)).await
    }

    /// Does this to an alarm of a job.
    ///
    /// # Errors
    /// As [`Handle::command`].
    pub async fn job_alarm(
        &self,
        by: &str,
        kind: WarningKind,
        handling: Handling,
    ) -> Result<String, Refusal> {
        self.ask(by, Ask::JobAlarm(kind, handling)).await
    }

    async fn ask(&self, by: &str, command: Ask) -> Result<String, Refusal> {
        let minded = self.minder.get().is_none_or(|stands| stands.load(Ordering::Relaxed));
        if !minded && command.may_switch_on() {
            return Err(Refusal(
                "nothing is switched on now: the minder, which switches off if this program dies, has ended and is \
                 being started again; try once more"
                    .into(),
            ));
        }
        let (reply, answer) = oneshot::channel();
        let gone =
            || Refusal(format!("station {:?} is not being worked; look at the daemon's log", self.name));
        self.commands.send(Envelope { by: by.into(), command, reply }).await.map_err(|_| gone())?;
        answer.await.map_err(|_| gone())?
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn nothing_is_switched_on_while_the_minder_is_away_and_off_goes_through() {
        let (commands, mut inbox) = mpsc::channel(1);
        let snapshot = watch::Sender::new(Arc::new(Snapshot::default()));
        let handle = Handle::new("bench", snapshot.subscribe(), commands);
        let stands = Arc::new(AtomicBool::new(false));
        let clone = handle.clone();
        handle.needs(stands.clone());
        tokio::spawn(async move {
            while let Some(envelope) = inbox.recv().await {
                let _ = envelope.reply.send(Ok("taken".into()));
            }
        });
        for command in [Command::Resume, Command::Answer(Answer::Done)] {
            let no = clone.command("ada", command).await.unwrap_err();
            assert!(no.0.contains("the minder"), "{no}");
        }
        let answer = GuideCommand::Answer { answer: JobAnswer::Yes, seq: None };
        assert!(clone.job("ada", answer).await.is_err());
        for command in [Command::Abort, Command::Stop, Command::Hold, Command::Answer(Answer::No)] {
            assert!(clone.command("ada", command).await.is_ok());
        }
        stands.store(true, Ordering::Relaxed);
        assert!(clone.command("ada", Command::Resume).await.is_ok());
    }
}

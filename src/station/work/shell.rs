//! One station's task: wait, translate, step, carry out, publish.

use super::ear::{Ear, SIGN_OF_LIFE, Woken, ticking, unless_urgent};
use super::journal;
use super::pace::{Backoff, Edges};
use super::picture::Picture;
use super::remote::Remote;
use super::skew::{Clocks, Skew};
use super::{Farewell, Settings, like};
use crate::ledger::{AlarmRow, EventRow, Health, Ledger, LedgerError, PhaseRow, Row, RunEnd};
use crate::quantity::{Amps, Microcoulombs, Mono, Reading, Volts};
use crate::run::guide::{Guide, GuideInput, Reference};
use crate::run::{Action, BathNews, Command, Controller, Event, Input, Outcome, Refusal};
use crate::station::{Ask, BathView, Envelope, Snapshot};
use crate::supply::{Clock, Trouble};
use crate::watch::AlarmChange;
use std::collections::VecDeque;
use std::pin::pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, sleep, timeout};
use tokio_util::sync::CancellationToken;
use tracing::Level;

mod job;
mod scribe;
mod unseen;

use unseen::Unseen;

/// A supply that gives no good answer for this long, or three times the stale
/// time if that is longer, is opened anew.
const SILENT: Duration = Duration::from_secs(3);
/// The intent must be on disk within this time, or the run does not start.
const INTENT: Duration = Duration::from_secs(10);
/// The end of a run is waited for this long; it is written all the same, later.
pub(super) const LAST_WORD: Duration = Duration::from_secs(2);
/// On the way out, off is waited for this long.
const LEAVE: Duration = Duration::from_secs(8);
/// A temperature that is older than this is not recorded as the reading's own.
const FRESH: Duration = Duration::from_secs(60);
/// No line is faster than this.
const LEAST_POLL: Duration = Duration::from_millis(1);
/// An off that is not confirmed within this time is on its way, or cannot be sent now; what led to it is told.
const SENT: Duration = Duration::from_millis(20);
/// With nothing to wait for, look this often.
const IDLE: Duration = Duration::from_secs(1);
/// The task's own things.
pub(super) struct Shell<R> {
    settings: Settings,
    remote: R,
    controller: Controller,
    ledger: Ledger,
    clock: Clock,
    skew: Skew,
    picture: Picture,
    beat: Arc<AtomicU64>,
    /// The run that is being worked, once its intent is on disk.
    open: Option<OpenRun>,
    /// The run that ended last, while its output may still be on.
    unseen: Option<Unseen>,
    /// The job that is being guided, or was last.
    guide: Option<Guide>,
    /// What the controller recorded and the guide has not heard yet.
    heard: VecDeque<Event>,
    /// When the job's step began, for its row.
    step_began: String,
    /// Whose work the run is that is about to start.
    reference: Reference,
    /// What the controller was last told of the bath, and the sentence that was last recorded of it.
    bath_told: (BathNews, String),
    poll_at: Mono,
    /// When the last reading was begun.
    polled: Mono,
    read_now: bool,
    /// How long an exchange takes on this line.
    exchange: Duration,
    /// Since when no good answer has come.
    silent: Option<Mono>,
    /// Commands that came during an exchange and can wait for its end.
    later: VecDeque<Envelope>,
    retry_at: Mono,
    backoff: Backoff,
    edges: Edges,
    /// Lines for the log. Whoever reads it may be slow, so they go out after
    /// the actions, never between a decision and the off that it leads to.
    untold: Vec<(Level, String)>,
}

struct OpenRun {
    id: String,
    began: Mono,
}

impl<R: Remote> Shell<R> {
    pub fn new(
        settings: Settings,
        remote: R,
        ledger: Ledger,
        clock: Clock,
        out: watch::Sender<Arc<Snapshot>>,
        beat: Arc<AtomicU64>,
        seed: u64,
    ) -> Self {
        let picture = Picture::new(&settings.name, settings.port(), settings.setup.stale_after, out);
        Shell {
            controller: Controller::new(settings.setup.clone()),
            settings,
            remote,
            ledger,
            clock,
            skew: Skew::default(),
            picture,
            beat,
            open: None,
            unseen: None,
            guide: None,
            heard: VecDeque::new(),
            step_began: String::new(),
            reference: Reference::default(),
            bath_told: Default::default(),
            poll_at: Mono::ZERO,
            polled: Mono::ZERO,
            read_now: false,
            exchange: Duration::ZERO,
            silent: None,
            later: VecDeque::new(),
            retry_at: Mono::ZERO,
            backoff: Backoff::new(seed),
            edges: Edges::default(),
            untold: Vec::new(),
        }
    }

    /// Works until told to quit, then leaves the supply off.
    pub async fn work(
        mut self,
        commands: &mut mpsc::Receiver<Envelope>,
        quit: &CancellationToken,
    ) -> Farewell {
        let mut health = self.ledger.health();
        health.mark_changed();
        let mut ear = Ear { commands, quit };
        // Opening the port begins with off, and that waits for no disk.
        self.attend_port(Some(&mut ear)).await;
        self.close_left_alarms().await;
        loop {
            self.hear_bath().await;
            self.attend_port(Some(&mut ear)).await;
            while let Some(envelope) = self.later.pop_front() {
                self.obey(envelope).await;
            }
            self.tell_guide(GuideInput::Tick).await;
            self.tick_told();
            self.publish();
            let wait = self.wait();
            tokio::select! {
                biased;
                () = ear.quit.cancelled() => break,
                Some(envelope) = ear.commands.recv() => self.obey(envelope).await,
                Ok(()) = health.changed() => {
                    let input = match &*health.borrow_and_update() {
                        Health::Good => Input::LedgerBack,
                        Health::Failing(why) => Input::LedgerFailed(why.clone()),
                    };
                    self.drive(input).await;
                }
                () = sleep(wait) => {}
            }
        }
        self.leave().await
    }

    /// Reads, or opens, or lets time pass: whatever is due.
    async fn attend_port(&mut self, ear: Option<&mut Ear<'_>>) {
        if let Some(text) = self.skew.check(Clocks::read()) {
            self.event("clock", &text);
        }
        let now = self.now();
        if !self.picture.link.up {
            if now >= self.retry_at {
                return self.open_link(ear).await;
            }
        } else if self.brink(now).is_some() {
            // An exchange begun now would still be under way when the off is due.
        } else if self.read_now || now >= self.port_at() {
            return self.poll(ear).await;
        }
        self.drive(Input::Tick).await;
    }

    /// When the supply is read next: at the next poll, or before it where a watch waits for one more reading to stop the
    /// current. One try each; what fails then is tried again at the next poll.
    fn port_at(&self) -> Mono {
        let look = self.controller.next_look().filter(|at| *at > self.polled);
        look.map_or(self.poll_at, |at| at.min(self.poll_at))
    }

    /// A deadline of the controller's that comes before an exchange begun now would be over.
    fn brink(&self, now: Mono) -> Option<Mono> {
        self.controller.next_deadline().filter(|at| *at > now && *at < now + self.exchange)
    }

    async fn poll(&mut self, ear: Option<&mut Ear<'_>>) {
        self.read_now = false;
        let now = self.now();
        self.polled = now;
        // The next poll keeps its place in time; those that were missed are left out.
        while self.poll_at <= now {
            self.poll_at = self.poll_at + self.settings.poll.max(LEAST_POLL);
        }
        let began = Instant::now();
        let read = match unless_urgent(self.remote.read(), ear, &mut self.later, &self.beat).await {
            Err(woken) => return self.attend_to(woken).await,
            Ok(read) => read,
        };
        let input = match read {
            Ok(reading) => {
                self.silent = None;
                // Follows the longer ones at once and forgets them slowly; a slow answer must not
                // keep the next poll away for long.
                let took = began.elapsed().min(Duration::from_millis(150));
                self.exchange = took.max(self.exchange * 9 / 10);
                let reading = Reading { at: self.skew.awake(reading.at), ..reading };
                self.picture.reading(reading, began.elapsed());
                if reading.output == Some(false) {
                    self.settle_unseen(None).await;
                }
                self.record_reading(&reading);
                Input::Reading(reading)
            }
            Err(trouble) => self.read_failed(&trouble),
        };
        self.drive(input).await;
        self.record_charge();
    }

    fn read_failed(&mut self, trouble: &Trouble) -> Input {
        let now = self.now();
        let since = *self.silent.get_or_insert(now);
        let limit = SILENT.max(self.settings.setup.stale_after * 3);
        // Off already: opened again, it is confirmed off whatever else it says, and 0 is written over what is wild.
        let off = trouble.is_wild() && !self.controller.view().output_commanded;
        if off || trouble.is_gone() || now.since(since) >= limit {
            self.link_lost(trouble)
        } else if trouble.is_wild() {
            self.of(trouble, Input::Wild(trouble.to_string()))
        } else {
            self.of(trouble, Input::Unread(trouble.to_string()))
        }
    }

    /// Whose trouble it is: where there are several supplies, perhaps not everyone's.
    fn of(&self, trouble: &Trouble, input: Input) -> Input {
        if self.remote.partly(trouble) { Input::Part(Box::new(input)) } else { input }
    }

    fn link_lost(&mut self, trouble: &Trouble) -> Input {
        // Before it is closed.
        let whose = self.of(trouble, Input::LinkLost(trouble.to_string()));
        self.let_go(&trouble.to_string());
        whose
    }

    fn let_go(&mut self, why: &str) {
        // Close before waiting: a port that is held keeps its device from coming back.
        self.remote.close();
        self.picture.link.up = false;
        self.picture.off_all_the_same = false;
        self.picture.link.trouble = Some(why.into());
        self.read_now = false;
        self.silent = None;
        self.retry_at = self.now();
        if let Some(line) = self.edges.failed(self.retry_at, why) {
            self.event("link", &format!("link lost: {line}"));
        }
    }

    async fn open_link(&mut self, ear: Option<&mut Ear<'_>>) {
        let opened = match unless_urgent(self.remote.open(), ear, &mut self.later, &self.beat).await {
            Err(woken) => return self.attend_to(woken).await,
            Ok(opened) => opened,
        };
        let now = self.now();
        let input = match opened {
            Ok(identity) => {
                let healed = self.edges.healed(now).map(|h| format!("; {h}")).unwrap_or_default();
                self.backoff.reset();
                self.picture.off_all_the_same = false;
                self.picture.link.up = true;
                self.picture.link.trouble = None;
                self.picture.link.identity = Some(identity.clone());
                self.poll_at = now;
                let found = self.remote.found_on();
                self.picture.found_on = found == Some(true);
                let was = if self.picture.found_on { "found ON, now " } else { "" };
                self.event(
                    "link",
                    &format!("link up, output {was}confirmed off: {}{healed}", identity.escape_debug()),
                );
                self.settle_unseen(found).await;
                Input::LinkBack
            }
            Err(trouble) => {
                self.remote.close();
                self.not_let_in(&trouble).await;
                self.retry_at = now + self.backoff.wait();
                self.picture.link.trouble = Some(trouble.to_string());
                if let Some(line) = self.edges.failed(now, &trouble.to_string()) {
                    self.event("link", &line);
                }
                // It is down already; this tells why it still is.
                self.of(&trouble, Input::LinkLost(trouble.to_string()))
            }
        };
        self.drive(input).await;
    }

    /// Tells the controller what is newly known of the bath of the tank in use.
    async fn hear_bath(&mut self) {
        let Some(tank) = self.picture.tank() else { return };
        let mut news = self.settings.baths.news(tank);
        if let Some((_, at)) = &mut news.temperature {
            *at = self.skew.awake(*at);
        }
        self.picture.bath = self.settings.baths.view(tank);
        if news != self.bath_told.0 {
            self.bath_told.0 = news;
            self.drive(Input::Bath(news)).await;
        }
        let sentence = self.picture.bath.as_ref().map(BathView::sentence).unwrap_or_default();
        if sentence != self.bath_told.1 && self.open.is_some() {
            let warm = self.picture.bath.as_ref().and_then(BathView::fresh_celsius);
            let warm = warm.map(|c| format!("{c:.1} °C; ")).unwrap_or_default();
            self.event("bath", &format!("{warm}{sentence}"));
            self.bath_told.1 = sentence;
        }
    }

    /// What earlier like loads say of an area, for the order that is about to start.
    async fn remember_like(&self, command: &mut Command) {
        let Command::Start { order, .. } = command else { return };
        if self.controller.busy() || !order.like_slopes.is_empty() {
            return;
        }
        match timeout(LAST_WORD, self.ledger.slopes(&order.tank, like::LOOKED_AT)).await {
            Ok(Ok(rows)) => order.like_slopes = like::slopes(order, &rows),
            // Without them no question of the area is put; the run is as good.
            Ok(Err(e)) => tracing::warn!(station = %self.settings.name, "earlier loads cannot be read: {e}"),
            Err(_) => tracing::warn!(station = %self.settings.name, "earlier loads were not read in time"),
        }
    }

    /// Off does not wait for an answer that is still to come. The word to end is heard by the loop.
    async fn attend_to(&mut self, woken: Woken) {
        if let Woken::Urgent(envelope) = woken {
            self.read_now = true;
            self.obey(envelope).await;
        }
    }

    async fn obey(&mut self, envelope: Envelope) {
        let Envelope { by, command, reply } = envelope;
        let answer = match command {
            Ask::Run(command, whose) => self.obey_run(&by, command, whose).await,
            Ask::StartJob(guide) => self.start_job(*guide).await,
            Ask::Job(command) => self.obey_job(&by, command).await,
            Ask::JobAlarm(kind, handling) => self.handle_told(&by, kind, handling),
        };
        self.tell_guide(GuideInput::Tick).await;
        self.publish();
        // Whoever asked may have gone away; the command was carried out all the same.
        let _ = reply.send(answer);
    }

    /// Passes a command to the controller and carries out what comes of it.
    async fn command(&mut self, by: &str, mut command: Command, whose: Reference) -> Result<String, Refusal> {
        // A disk that was slow once is good again when the ledger says so.
        let needs_disk = matches!(command, Command::Start { .. } | Command::Resume);
        if needs_disk && *self.ledger.health().borrow() == Health::Good {
            self.drive(Input::LedgerBack).await;
        }
        self.remember_like(&mut command).await;
        let sentence = journal::taken(&command);
        self.reference = whose;
        let actions = self.controller.command(self.now(), by, command)?;
        let follow = self.carry_out(actions).await;
        let trouble = follow.iter().find_map(why);
        self.hear_bath().await;
        self.follow_up(follow).await;
        trouble.map_or(Ok(sentence), |why| Err(Refusal(why)))
    }

    async fn drive(&mut self, input: Input) {
        self.follow_up(vec![input]).await;
    }

    /// Steps the controller with each input, and with what comes of its actions.
    async fn follow_up(&mut self, inputs: Vec<Input>) {
        let mut inputs = VecDeque::from(inputs);
        while let Some(input) = inputs.pop_front() {
            let actions = self.controller.step(self.now(), input);
            inputs.extend(self.carry_out(actions).await);
        }
    }

    /// In order. Once something has failed, only off, records and alarms are
    /// still carried out: what came after it was meant for a supply that did as told.
    async fn carry_out(&mut self, mut actions: Vec<Action>) -> Vec<Input> {
        let mut inputs: Vec<Input> = Vec::new();
        if actions.contains(&Action::Output(false)) {
            // Alarms wait for nothing, and are to be told while off is tried.
            actions.sort_by_key(|action| !matches!(action, Action::Alarm(_)));
        }
        for action in actions {
            let failed = inputs.iter().any(|i| why(i).is_some());
            let input = match action {
                Action::Output(false) => Some(self.switch_off().await),
                Action::Record(event) => self.record(event).await,
                Action::Alarm(change) => {
                    self.alarm(&change);
                    None
                }
                _ if failed => None,
                Action::Prepare { protection, volts } => {
                    let done = self.remote.prepare(protection, volts).await;
                    Some(self.outcome(done, Input::Prepared))
                }
                Action::Set { amps, volts } => {
                    let done = self.remote.set(amps, volts).await;
                    self.read_now = true;
                    Some(self.outcome(done, Input::Applied))
                }
                Action::Output(true) => Some(self.switch_on().await),
            };
            inputs.extend(input);
        }
        inputs
    }

    async fn switch_off(&mut self) -> Input {
        let done = self.send_off().await;
        match done {
            Ok(()) => self.settle_unseen(None).await,
            Err(_) => self.picture.off_all_the_same = false,
        }
        if !self.picture.link.up {
            // Off asks for neither link nor identity. The link is opened anew.
            self.retry_at = self.now();
            self.remote.close();
            return match done {
                Ok(()) => Input::Applied,
                Err(e) => Input::Failed(format!("off could not be confirmed: {e}; go to the supply")),
            };
        }
        self.read_now = true;
        self.outcome(done, Input::Applied)
    }

    /// Off goes out first. What led to it is told while its confirmation is waited for: on a line that is dead that
    /// takes seconds.
    async fn send_off(&mut self) -> Result<(), Trouble> {
        let writes = self.remote.writes();
        let mut off = pin!(self.remote.off());
        let mut wait = SENT;
        loop {
            tokio::select! {
                biased;
                done = &mut off => return done,
                () = sleep(wait) => {}
            }
            self.untold.drain(..).for_each(|(level, text)| tell(&self.settings.name, level, &text));
            let now = self.skew.awake(self.clock.now());
            self.picture.publish(now, utc(), &self.controller, self.guide.as_ref(), &self.ledger, writes);
            self.beat.fetch_add(1, Ordering::Relaxed);
            wait = SIGN_OF_LIFE;
        }
    }

    /// Only after everything that leads to it is on disk.
    async fn switch_on(&mut self) -> Input {
        if let Err(e) = ticking(within(INTENT, self.ledger.sync()), &self.beat).await {
            return Input::LedgerFailed(e.to_string());
        }
        let done = self.remote.on().await;
        self.read_now = true;
        self.outcome(done, Input::Applied)
    }

    fn outcome(&mut self, done: Result<(), Trouble>, good: Input) -> Input {
        match done {
            Ok(()) => good,
            Err(trouble) if trouble.is_gone() => self.link_lost(&trouble),
            Err(trouble) => self.of(&trouble, Input::Failed(trouble.to_string())),
        }
    }

    fn publish(&mut self) {
        self.untold.drain(..).for_each(|(level, text)| tell(&self.settings.name, level, &text));
        self.picture.link.errors = self.remote.errors();
        let writes = self.remote.writes();
        let (controller, guide) = (&self.controller, self.guide.as_ref());
        self.picture.publish(self.now(), utc(), controller, guide, &self.ledger, writes);
        self.beat.fetch_add(1, Ordering::Relaxed);
    }

    fn wait(&self) -> Duration {
        let now = self.now();
        if let Some(at) = self.brink(now).filter(|_| self.picture.link.up) {
            return at.since(now);
        }
        let port = match self.picture.link.up {
            _ if self.read_now => now,
            true => self.port_at(),
            false => self.retry_at,
        };
        let next = self.controller.next_deadline().map_or(port, |d| d.min(port));
        next.since(now).min(IDLE)
    }

    fn now(&self) -> Mono {
        self.skew.awake(self.clock.now())
    }

    /// Off, confirmed, the run ended, everything on disk.
    async fn leave(mut self) -> Farewell {
        let until = self.now() + LEAVE;
        if let Ok(actions) = self.controller.command(self.now(), "the daemon", Command::Quit) {
            let follow = self.carry_out(actions).await;
            self.follow_up(follow).await;
        }
        while self.controller.busy() && self.now() < until {
            self.attend_port(None).await;
            self.publish();
            sleep(self.wait()).await;
        }
        // Whatever was seen before, off is the last word on the line.
        let off = self.remote.off().await.map_err(|t| t.to_string());
        if self.controller.busy() {
            let why = "the daemon was stopped before the output was seen to be off";
            self.let_go(why);
            let actions = self.controller.step(self.now(), Input::LinkLost(why.into()));
            for action in actions {
                if let Action::Record(event) = action {
                    self.record(event).await;
                }
            }
        }
        self.tell_guide(GuideInput::Quit).await;
        self.picture.left("the daemon was stopped", off.is_ok());
        self.publish();
        self.remote.close();
        Farewell { station: self.settings.name, off }
    }
}

fn tell(station: &str, level: Level, text: &str) {
    match level {
        Level::WARN => tracing::warn!(%station, "{text}"),
        _ => tracing::info!(%station, "{text}"),
    }
}

/// The reason in an input that says that something could not be done.
fn why(input: &Input) -> Option<String> {
    match input {
        Input::Failed(why) | Input::LinkLost(why) | Input::LedgerFailed(why) => Some(why.clone()),
        Input::Part(of) => self::why(of),
        _ => None,
    }
}

pub(super) async fn within(
    limit: Duration,
    write: impl Future<Output = Result<(), LedgerError>>,
) -> Result<(), LedgerError> {
    match timeout(limit, write).await {
        Ok(done) => done,
        Err(_) => Err(LedgerError::Write(format!("no answer from the disk within {} s", limit.as_secs()))),
    }
}

/// The wall time when so much has passed.
pub(super) fn utc_in(time: Duration) -> String {
    format!("{:.0}", jiff::Timestamp::now() + time)
}

/// The wall time so much ago.
pub(super) fn utc_before(time: Duration) -> String {
    format!("{:.3}", jiff::Timestamp::now() - time)
}

/// Wall time as a stamp: RFC 3339 UTC to the millisecond.
pub(super) fn utc() -> String {
    format!("{:.3}", jiff::Timestamp::now())
}

//! The entry points: time and one input in, actions out.

use super::api::{Action, Answer, BathNews, Command, Event, Input, Limits, Refusal, RunState};
use super::stage::Run;
use super::story::Doubt;
use super::view::View;
use super::wire::Wire;
use crate::plan::{Control, Goal, Order};
use crate::quantity::{Amps, Mono, Reading, Volts};
use crate::watch::{Alarm, AlarmState, BathNow, Context, Kind, Panel, Phase, Response, Settings};
use std::time::Duration;

/// One of several supplies may give nothing while another goes on for this long; then the run is held, whatever the
/// watches are set to. Longer than the delay of the read-back watch, so that its alarm comes first.
const PARTED_AT_MOST: Duration = Duration::from_secs(2);

/// What a controller is made from; all of it is the station's.
#[derive(Clone, Debug)]
pub struct Setup {
    /// What the station allows, whatever an order says.
    pub limits: Limits,
    /// Its watches.
    pub watches: Settings,
    /// Over a longer gap between readings no charge is counted.
    pub max_gap: Duration,
    /// Current without a good reading for this long is cut.
    pub stale_after: Duration,
    /// Hold a run when the ledger can no longer be written (else finish it).
    pub hold_on_ledger_failure: bool,
}

/// One station's control: at most one run at a time, and the watches over it.
///
/// Drive it with [`step`](Controller::step) for everything that happens and
/// [`command`](Controller::command) for what people ask; carry out the actions
/// in order; call `step(…, Input::Tick)` at [`next_deadline`](Controller::next_deadline)
/// at the latest. It holds no clock and does no IO.
#[derive(Clone, Debug)]
pub struct Controller {
    pub(super) setup: Setup,
    pub(super) panel: Panel,
    pub(super) wire: Wire,
    pub(super) run: Option<Run>,
    pub(super) last: Option<Reading>,
    pub(super) now: Mono,
    /// Whether the link is up; else why not, as far as it is known.
    link: Result<(), Option<String>>,
    /// Why the last reading was none; kept until one is good.
    pub(super) unread: Option<String>,
    /// The last trouble was that of one of several supplies, and the others answered.
    pub(super) partly: bool,
    ledger: Result<(), String>,
    bath: BathNews,
    /// Why the supply is silent although current was commanded; kept until the link is back.
    pub(super) lost: Option<String>,
    /// Up to when a run's unobserved time is counted, while its output may still be on.
    pub(super) unseen: Option<Mono>,
    /// Since when one of several supplies gives nothing while another goes on.
    parted: Option<Mono>,
}

impl Controller {
    /// A station at rest, its link not yet up.
    pub fn new(setup: Setup) -> Self {
        Controller {
            panel: Panel::new(setup.watches.clone()),
            setup,
            wire: Wire::default(),
            run: None,
            last: None,
            now: Mono::ZERO,
            link: Err(None),
            unread: None,
            partly: false,
            ledger: Ok(()),
            bath: BathNews::default(),
            lost: None,
            unseen: None,
            parted: None,
        }
    }

    /// Takes one input. Never fails: what goes wrong becomes an alarm, an event, an output off.
    pub fn step(&mut self, now: Mono, input: Input) -> Vec<Action> {
        let mut out = Vec::new();
        self.pass_time(now);
        let mut fresh = None;
        let mut since_last = Duration::ZERO;
        let (partly, input) = match input {
            Input::Part(input) => (true, *input),
            input => (false, input),
        };
        if matches!(input, Input::Failed(_) | Input::LinkLost(_) | Input::Unread(_) | Input::Wild(_)) {
            self.partly = partly;
        }
        match input {
            Input::Tick | Input::Part(_) => {}
            Input::Unread(why) => self.unread = Some(why),
            Input::Wild(why) => self.wild(why, &mut out),
            Input::Reading(reading) => {
                since_last = self.last.map_or(Duration::ZERO, |last| reading.at.since(last.at));
                self.take(reading);
                fresh = Some(reading);
            }
            Input::Prepared => self.prepared(&mut out),
            Input::Applied => self.applied(&mut out),
            Input::Failed(why) => self.failed(&why, &mut out),
            Input::LinkLost(why) => self.link_lost(&why, &mut out),
            Input::LinkBack => self.link_back(&mut out),
            Input::LedgerFailed(why) => self.ledger_failed(why, &mut out),
            Input::LedgerBack => self.ledger = Ok(()),
            Input::Bath(news) => {
                self.bath.temperature = news.temperature.or(self.bath.temperature);
                self.bath.agitation = news.agitation.or(self.bath.agitation);
            }
        }
        self.ask_watches(fresh.as_ref(), &mut out);
        self.progress(fresh.as_ref(), since_last, &mut out);
        out
    }

    /// Takes what a person asks for.
    ///
    /// # Errors
    /// A [`Refusal`] in the operator's words; then nothing has changed.
    pub fn command(&mut self, now: Mono, by: &str, command: Command) -> Result<Vec<Action>, Refusal> {
        let mut out = Vec::new();
        self.pass_time(now);
        match command {
            Command::Start { id, order } => self.start(id, order, by, &mut out)?,
            Command::Hold => self.hold_asked(by, &mut out)?,
            Command::Resume => self.resume(by, &mut out)?,
            Command::Stop => self.stop(by, &mut out)?,
            Command::Abort => self.abort(by, &format!("switched off by {by}"), &mut out),
            Command::Quit => self.abort(by, "the daemon was stopped", &mut out),
            Command::Answer(answer) => self.answer(by, answer, &mut out)?,
            Command::Alarm { kind, handling } => {
                let change = self.panel.handle(self.now, kind, by, handling).map_err(Refusal)?;
                out.push(Action::Alarm(change));
            }
        }
        Ok(out)
    }

    /// When `step` must be called again at the latest; `None` when nothing is waited for.
    pub fn next_deadline(&self) -> Option<Mono> {
        let stale = (self.wire.on && self.lost.is_none())
            .then(|| self.wire.observed.map(|at| at + self.setup.stale_after))
            .flatten();
        [stale, self.run_deadline()].into_iter().flatten().min()
    }

    /// When a reading would settle whether a watch stops the current, if one is about to: its condition held at the last
    /// reading, and then its on-delay is over. Whoever reads only at the next poll sees it up to a poll late.
    pub fn next_look(&self) -> Option<Mono> {
        self.wire.on.then(|| self.panel.next_due(self.now)).flatten()
    }

    /// The run as it stands.
    pub fn view(&self) -> View {
        super::view::build(self)
    }

    /// Alarms that are not normal, most urgent first.
    pub fn alarms(&self) -> Vec<Alarm> {
        self.panel.alarms()
    }

    /// Watches that are no alarm in the present phase, by design.
    pub fn suppressed(&self) -> Vec<Kind> {
        self.panel.suppressed()
    }

    /// What is known of the bath, with its age; `None` where not even an assumption is.
    pub fn bath(&self) -> Option<BathNow> {
        self.bath_now()
    }

    /// Up to when the run's unobserved time is counted, while its output may still be on; `None` where it is known.
    pub fn unseen_since(&self) -> Option<Mono> {
        self.unseen
    }

    /// The output, of which nothing was known, has been seen to be off: `more` time from
    /// [`unseen_since`](Controller::unseen_since) on that was not observed, and in the operator's words what was
    /// `found`. Comes after the run's end as well, and nothing follows from it.
    pub fn seen_off(&mut self, more: Duration, found: String) {
        self.unseen = None;
        if let Some(run) = &mut self.run {
            run.coulometer.unobserved_for(more);
            run.later.push(found);
        }
    }

    /// Whether a run is running or held.
    pub fn busy(&self) -> bool {
        self.run.as_ref().is_some_and(Run::open)
    }

    /// When the open run was started.
    pub fn began(&self) -> Option<Mono> {
        self.run.as_ref().filter(|run| run.open()).map(|run| run.began)
    }

    /// For how long the load of the open run has hung without current, where it waits: at a turn, in a hold, and on the
    /// way there and back; from the last reading that showed some. `None` while current flows or is meant to, before any
    /// has, and while nobody knows whether it does.
    pub fn without_current(&self) -> Option<Duration> {
        let run = self.run.as_ref().filter(|run| run.open() && run.waits())?;
        let flows = self.wire.on && run.flows;
        let known = self.link.is_ok() && self.lost.is_none() && self.unseen.is_none();
        (known && !flows).then(|| run.flowed_at.map(|at| self.now.since(at))).flatten()
    }

    fn pass_time(&mut self, now: Mono) {
        // A caller whose clock steps back gets the later of the two: durations only grow.
        let now = now.max(self.now);
        let dt = now.since(self.now);
        self.now = now;
        let on = self.wire.on;
        if let Some(run) = &mut self.run {
            run.pass(dt, on);
        }
        self.wire.forget_before(now - Duration::from_secs(1));
    }

    fn take(&mut self, reading: Reading) {
        if self.last.is_some_and(|last| reading.at <= last.at) {
            return;
        }
        self.last = Some(reading);
        (self.unread, self.partly) = (None, false);
        if self.link.is_ok() && reading.output == Some(false) {
            // An off that was not seen in time has been seen after all.
            (self.lost, self.unseen) = (None, None);
        }
        self.wire.observed = Some(reading.at);
        self.parted = reading.faults.parted.then(|| self.parted.unwrap_or(self.now));
        if let Some(run) = &mut self.run {
            run.measure(&reading);
        }
    }

    fn ask_watches(&mut self, fresh: Option<&Reading>, out: &mut Vec<Action>) {
        let silent =
            self.wire.observed.filter(|at| self.wire.on && self.now.since(*at) >= self.setup.stale_after);
        if let Some(at) = silent
            && self.lost.is_none()
        {
            // Kept until the supply is heard to be off: the alarm must not clear because we sent it.
            let seconds = self.now.since(at).as_secs_f64();
            let last = self.unread.as_ref().map(|why| format!(" ({why})")).unwrap_or_default();
            let doubt = Doubt::NotHeard.said();
            self.lost =
                Some(format!("no good reading for {seconds:.1} s while current flows{last}; {doubt}"));
        }
        let lost = self.lost.clone();
        let cx = self.context(fresh, lost.as_deref());
        let changes = self.panel.update(self.now, &cx);
        let doubt = self.panel.asks_for_a_look(&cx);
        out.extend(changes.into_iter().map(Action::Alarm));
        if !self.wire.on {
            return;
        }
        let demand = self.panel.demand(self.now);
        let demand = demand.map(|(r, kind, text)| (r, kind, format!("{}: {text}", kind.name())));
        match demand {
            // Of several supplies one is silent: the others are switched off, and the run can go on when it is back.
            Some((Response::Cut, kind @ Kind::StaleLink, cause)) if self.partly => {
                self.held_for(kind);
                self.hold_at_once(&cause, out);
            }
            Some((Response::Cut, _, cause)) => self.cut(&cause, out),
            Some((Response::Hold, kind, cause)) => {
                self.held_for(kind);
                self.hold(&cause, out);
            }
            Some((Response::Tell, ..)) | None => {}
        }
        if let Some(cause) = doubt {
            self.hold(&cause, out);
        }
        if self.wire.on && self.parted.is_some_and(|since| self.now.since(since) >= PARTED_AT_MOST) {
            self.hold("one of the supplies in parallel gives nothing while another goes on", out);
        }
    }

    /// The output goes off with the hold, and the watch can see its condition no longer: what to do about it stays with
    /// the run.
    fn held_for(&mut self, kind: Kind) {
        if let Some(run) = self.run.as_mut().filter(|run| run.cause.is_none()) {
            run.held_for = Some(kind);
        }
    }

    /// What the watches are shown.
    pub(super) fn context<'a>(&self, fresh: Option<&'a Reading>, stale: Option<&'a str>) -> Context<'a> {
        let super::wire::Lately { least_amps, most_amps, least_volts, most_volts } = self.wire.lately();
        Context {
            phase: self.run.as_ref().map_or(Phase::Off, Run::watch_phase),
            reading: fresh,
            output_on: self.wire.on,
            set_amps: self.wire.amps,
            set_volts: self.wire.volts,
            least_amps,
            most_amps,
            most_volts,
            aim_amps: self.run.as_ref().map_or(Amps::ZERO, |run| run.setpoint),
            current_control: self.run.as_ref().is_none_or(Run::holds_current),
            since_change: self.wire.changed.map_or(Duration::MAX, |at| self.now.since(at)),
            since_switched: self.wire.switched.map_or(Duration::MAX, |at| self.now.since(at)),
            least_volts,
            max_amps: self.setup.limits.max_amps,
            max_volts: self.setup.limits.max_volts,
            basis: self.run.as_ref().and_then(Run::burn_basis),
            bath: self.bath_now(),
            stale,
        }
    }

    /// What is known of the bath, as old as it is; the order's agitation where nobody said otherwise.
    fn bath_now(&self) -> Option<BathNow> {
        let assumed = self.run.as_ref().and_then(|run| run.order.burn).map(|burn| (burn.agitation, false));
        let (agitation, proven) = self.bath.agitation.or(assumed)?;
        let temperature = self.bath.temperature.map(|(t, at)| (t, self.now.since(at)));
        Some(BathNow { temperature, agitation, proven })
    }

    fn link_lost(&mut self, why: &str, out: &mut Vec<Action>) {
        if std::mem::replace(&mut self.link, Err(Some(why.to_owned()))).is_err() {
            return;
        }
        let powered = self.wire.on;
        if powered {
            self.lost = Some(format!("{why}; {}", Doubt::NotHeard.said()));
        }
        if self.busy() {
            let cause = if powered {
                format!("link lost: {why}; {}", Doubt::AtTheEnd.said())
            } else {
                format!("link lost: {why}")
            };
            if self.partly && self.run.as_ref().is_some_and(Run::can_wait) {
                self.hold_unseen(&cause, out);
            } else {
                self.give_up(&cause, out);
            }
        }
        // What was in force is no longer known.
        self.wire = Wire { observed: self.wire.observed, ..Wire::default() };
    }

    fn link_back(&mut self, out: &mut Vec<Action>) {
        self.link = Ok(());
        (self.unread, self.partly) = (None, false);
        self.wire = Wire::default();
        self.unseen = None;
        if self.lost.take().is_some() {
            out.push(Action::Record(Event::Note(
                "link is back: the supply is identified and its output confirmed off".into(),
            )));
        }
    }

    fn ledger_failed(&mut self, why: String, out: &mut Vec<Action>) {
        let cause = format!("the ledger cannot be written: {why}");
        let known = std::mem::replace(&mut self.ledger, Err(why)).is_err();
        if self.run.as_ref().is_some_and(Run::not_yet_on) {
            self.cut(&cause, out);
        } else if !known && self.setup.hold_on_ledger_failure {
            self.hold(&cause, out);
        }
    }

    fn start(
        &mut self,
        id: String,
        order: Box<Order>,
        by: &str,
        out: &mut Vec<Action>,
    ) -> Result<(), Refusal> {
        let refuse = |text: String| Err(Refusal(text));
        if self.busy() {
            return refuse("a run is already under way at this station; stop it first".into());
        }
        self.connected().map_err(Refusal)?;
        if let Err(why) = &self.ledger {
            return refuse(format!("no run starts while the ledger cannot be written: {why}"));
        }
        self.free_of_shorts().map_err(Refusal)?;
        fits(&order, self.setup.limits).map_err(Refusal)?;
        self.panel.new_load();
        self.unseen = None;
        // What was known of another run's bath may be another tank's; the shell tells it anew.
        self.bath = BathNews::default();
        out.push(Action::Record(Event::Started { id: id.clone(), order: order.clone(), by: by.into() }));
        self.run = Some(Run::new(id, *order, self.setup.max_gap, self.now));
        self.prepare(out);
        Ok(())
    }

    /// The link is up; else why not.
    fn connected(&self) -> Result<(), String> {
        match &self.link {
            Ok(()) => Ok(()),
            Err(None) => {
                Err("the supply is not connected yet; check that it is switched on and plugged in".into())
            }
            Err(Some(why)) => Err(format!("the supply is not connected: {why}")),
        }
    }

    /// No short-circuit alarm stands; else what to do.
    fn free_of_shorts(&self) -> Result<(), String> {
        let Some(alarm) = self.panel.standing(Kind::ShortCircuit) else { return Ok(()) };
        let then = match alarm.state {
            // Acknowledged while it was there, and it latches: that word parted nothing.
            AlarmState::Acknowledged if self.setup.watches.tuning(Kind::ShortCircuit).latch => {
                "It was acknowledged before it had gone, so say once more that you have looked: acknowledge it again, then \
                 start again."
            }
            _ => "The alarm goes by itself some seconds after the output went off; then start again.",
        };
        Err(format!(
            "not started: the short-circuit alarm still stands ({}). Part what touches, and look for a mark where it arced. {then}",
            alarm.text
        ))
    }

    fn open_run(&self) -> Result<RunState, Refusal> {
        match &self.run {
            Some(run) if run.open() => Ok(run.state),
            _ => Err(Refusal("no run is under way at this station".into())),
        }
    }

    fn hold_asked(&mut self, by: &str, out: &mut Vec<Action>) -> Result<(), Refusal> {
        if self.open_run()? == RunState::Held {
            return Err(Refusal("the run is held already".into()));
        }
        out.push(commanded(by, "hold"));
        self.hold(&format!("held by {by}"), out);
        Ok(())
    }

    fn resume(&mut self, by: &str, out: &mut Vec<Action>) -> Result<(), Refusal> {
        if self.open_run()? != RunState::Held {
            return Err(Refusal("the run is not held; there is nothing to resume".into()));
        }
        self.connected().map_err(|why| Refusal(format!("not resumed: {why}")))?;
        if let Err(why) = &self.ledger {
            return Err(Refusal(format!("not resumed while the ledger cannot be written: {why}")));
        }
        out.push(commanded(by, "resume"));
        self.go_on_after_hold(out);
        Ok(())
    }

    fn stop(&mut self, by: &str, out: &mut Vec<Action>) -> Result<(), Refusal> {
        self.open_run()?;
        out.push(commanded(by, "stop"));
        self.end(RunState::Stopped, &format!("stopped by {by}"), out);
        Ok(())
    }

    /// Never refused: with no run it still sends off.
    fn abort(&mut self, by: &str, cause: &str, out: &mut Vec<Action>) {
        out.push(commanded(by, "off"));
        if self.busy() {
            self.end(RunState::Aborted, cause, out);
        } else {
            out.push(Action::Output(false));
        }
    }

    fn answer(&mut self, by: &str, answer: Answer, out: &mut Vec<Action>) -> Result<(), Refusal> {
        if self.open_run()? == RunState::Held {
            return Err(Refusal("the run is held; resume it or stop it".into()));
        }
        if !self.run.as_ref().is_some_and(Run::asks) {
            return Err(Refusal("nothing is being asked at this station".into()));
        }
        out.push(Action::Record(Event::Answered { by: by.into(), answer }));
        match answer {
            Answer::Done => self.answered(out),
            Answer::No => self.hold(&format!("{by} could not do what was asked"), out),
        }
        Ok(())
    }
}

fn commanded(by: &str, what: &'static str) -> Action {
    Action::Record(Event::Commanded { by: by.into(), what })
}

/// The order against the station's limits: the second of three checks.
fn fits(order: &Order, limits: Limits) -> Result<(), String> {
    let amps = order.max_amps();
    let volts = order.max_volts();
    let numbers = [amps.get(), volts.get(), order.entry_amps.get(), order.area.get()];
    let sound = slope_is_sound(order) && numbers.iter().all(|x| x.is_finite());
    let goal = match order.goal {
        Goal::Charge(q) => q.0 > 0,
        Goal::Time(t) => !t.is_zero(),
    };
    if !sound || !amps.is_positive() || !volts.is_positive() {
        return Err("the order's current, voltage and ramp must all be more than nothing".into());
    }
    if amps > limits.max_amps {
        return Err(format!("the order asks for {amps}; this station allows {}", limits.max_amps));
    }
    if volts > limits.max_volts {
        return Err(format!("the order asks for {volts}; this station allows {}", limits.max_volts));
    }
    if order.entry_volts < Volts::ZERO || order.entry_amps < Amps::ZERO {
        return Err("the entry voltage and current cannot be below nothing".into());
    }
    if !order.area.is_positive() {
        return Err("the order's area must be more than nothing".into());
    }
    if !goal || order.time_limit.is_zero() {
        return Err("the order needs a target and a time limit of more than nothing".into());
    }
    if order.turn.is_some_and(|t| !(2..=12).contains(&t.faces)) {
        return Err("a part is turned over 2 to 12 faces".into());
    }
    Ok(())
}

fn slope_is_sound(order: &Order) -> bool {
    let slope = match order.control {
        Control::Current { slope, .. } => slope.get(),
        Control::Voltage { slope, .. } => slope.get(),
    };
    slope > 0.0 && slope.is_finite()
}

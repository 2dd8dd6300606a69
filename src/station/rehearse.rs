//! An order against the mimic in virtual time: the same controller, no clock, no wire.

mod job;

pub use job::{JobRehearsal, rehearse_job_in};

use crate::bath::{Agitation, Bath};
use crate::mimic::{self, Bench, Chemistry, Link, Script, Truth};
use crate::plan::Order;
use crate::quantity::{Mono, Reading, Temperature};
use crate::run::BathNews;
use crate::run::{
    Action, Answer, Command, Controller, Event, Input, Outcome, Question, RunState, Setup, View,
};
use crate::watch::{Alarm, AlarmState};
use std::time::Duration;

/// How long the rehearsal's operator takes to hang or turn a part.
const HANDS: Duration = Duration::from_secs(8);
/// A rehearsal that has not ended after so much virtual time is given up.
const GIVE_UP: Duration = Duration::from_secs(48 * 3600);

/// What came of a rehearsal.
#[derive(Clone, Debug)]
pub struct Rehearsal {
    /// What happened, with the time since the start.
    pub story: Vec<(Duration, String)>,
    /// Every reading, with the time since the start.
    pub readings: Vec<(Duration, Reading)>,
    /// Every alarm as it was raised, with the time since the start.
    pub alarms: Vec<(Duration, Alarm)>,
    /// How it ended; `None` only if it was given up after two days.
    pub outcome: Option<Outcome>,
    /// The run as last seen.
    pub view: View,
    /// What really happened in the simulated cell.
    pub truth: Truth,
}

/// Works `order` on `bench`, polling every `poll`, with an operator who hangs,
/// turns, and stops a held run. Faults are those of the bench's script.
pub fn rehearse(order: Order, setup: Setup, bench: Bench, poll: Duration) -> Rehearsal {
    let mut readings = Vec::new();
    let mut r = rehearse_with(order, setup, bench, poll, |_, since, reading| {
        readings.extend(reading.map(|r| (since, r)));
        Visit { reading, ..Visit::default() }
    });
    r.readings = readings;
    r
}

/// The vessel that a rehearsal simulates.
#[derive(Clone, Copy, Debug)]
pub struct Vessel<'a> {
    /// What is in it.
    pub bath: &'a Bath,
    /// How it is moved.
    pub agitation: Agitation,
    /// How warm it is; the bath's usual where nobody knows.
    pub temperature: Option<Temperature>,
    /// Whether the controller hears of its warmth each second.
    pub thermometer: bool,
    /// Whether the controller hears each second that it is moved.
    pub pump: bool,
}

/// What a rehearsal is played with: the same, played again, tells the same story.
#[derive(Clone, Debug)]
pub struct Staging {
    /// Of noise and faults.
    pub seed: u64,
    /// What goes wrong, and when.
    pub faults: Script,
}

impl Staging {
    /// With that seed and the faults of a script, one a line: `at 12 s open-circuit for 5 s`.
    ///
    /// # Errors
    /// Each bad line of the script, with its number and how to mend it.
    pub fn new(seed: u64, faults: &str) -> Result<Self, Vec<String>> {
        let faults =
            Script::parse(faults).map_err(|all| all.iter().map(ToString::to_string).collect::<Vec<_>>())?;
        Ok(Staging { seed, faults })
    }
}

impl Default for Staging {
    /// Nothing goes wrong.
    fn default() -> Self {
        Staging { seed: 1, faults: Script::default() }
    }
}

/// So many readings of a rehearsal in a vessel are kept, about: enough for a curve on any screen.
const KEPT: u32 = 1200;

/// Works `order` in a cell like that vessel, and keeps about a thousand readings evenly over its time limit.
pub fn rehearse_in(
    order: Order,
    setup: Setup,
    vessel: Vessel<'_>,
    poll: Duration,
    staging: &Staging,
) -> Rehearsal {
    let every = order.time_limit / KEPT;
    let bench = cell(&order, &setup, vessel, staging);
    let (mut readings, mut kept) = (Vec::new(), None);
    let mut sensors = Sensors::of(vessel);
    let mut played = rehearse_with(order, setup, bench, poll, |bench, since, reading| {
        if let Some(reading) = reading
            && kept.is_none_or(|at: Duration| since >= at + every)
        {
            kept = Some(since);
            readings.push((since, reading));
        }
        Visit { reading, bath: sensors.tell(bench, since), stop: false }
    });
    played.readings = readings;
    played
}

/// A cell like that vessel with the order's load in it.
fn cell(order: &Order, setup: &Setup, vessel: Vessel<'_>, staging: &Staging) -> Bench {
    let mut cell = mimic::Setup::new(Chemistry::of(vessel.bath));
    cell.seed = staging.seed;
    cell.script.clone_from(&staging.faults);
    cell.area = order.area;
    cell.agitation = vessel.agitation;
    cell.rating.max_amps = setup.limits.max_amps.get();
    cell.rating.max_volts = setup.limits.max_volts.get();
    if let Some(burn) = &order.burn {
        cell.edge_factor = burn.edge_factor;
    }
    if let Some(at) = vessel.temperature {
        cell.temperature = at;
    }
    Bench::new(cell, Mono::ZERO)
}

/// What a vessel's sensors tell, each second.
struct Sensors {
    thermometer: bool,
    pump: bool,
    told: Option<Duration>,
}

impl Sensors {
    fn of(vessel: Vessel<'_>) -> Self {
        Sensors { thermometer: vessel.thermometer, pump: vessel.pump, told: None }
    }

    fn tell(&mut self, bench: &Bench, since: Duration) -> Option<BathNews> {
        let due = self.told.is_none_or(|at| since.saturating_sub(at) >= Duration::from_secs(1));
        if !due || !(self.thermometer || self.pump) {
            return None;
        }
        self.told = Some(since);
        let cell = bench.cell();
        Some(BathNews {
            temperature: self.thermometer.then(|| (Temperature::new(cell.temperature()), bench.now())),
            agitation: self.pump.then(|| (cell.agitation(), true)),
        })
    }
}

/// What a visitor makes of one poll of a rehearsal.
#[derive(Clone, Copy, Debug, Default)]
pub struct Visit {
    /// What the controller gets to see; `None`: no reading came.
    pub reading: Option<Reading>,
    /// News of the bath: a thermometer, a pump's relay.
    pub bath: Option<BathNews>,
    /// End the rehearsal here, as an operator's stop would.
    pub stop: bool,
}

/// As [`rehearse`], with a visitor at each poll who sees the bench, the time since the
/// start and the reading if there was one, and says what the controller gets. Readings are not kept.
pub fn rehearse_with(
    order: Order,
    setup: Setup,
    mut bench: Bench,
    poll: Duration,
    mut visit: impl FnMut(&Bench, Duration, Option<Reading>) -> Visit,
) -> Rehearsal {
    let start = bench.now();
    let mut hall = Hall {
        controller: Controller::new(setup),
        now: start,
        start,
        story: Vec::new(),
        alarms: Vec::new(),
        question: None,
        outcome: None,
    };
    hall.feed(&mut bench, Input::LinkBack);
    let command = Command::Start { id: "rehearsal".into(), order: Box::new(order) };
    if let Err(refusal) = hall.ask(&mut bench, command) {
        hall.tell(format!("refused: {refusal}"));
    }
    let mut hands: Option<Mono> = None;
    while hall.outcome.is_none() && hall.controller.busy() && hall.now.since(start) < GIVE_UP {
        let next = hall.now + poll;
        while let Some(at) = hall.controller.next_deadline().filter(|at| *at < next) {
            hall.now = at;
            bench.advance(at);
            hall.feed(&mut bench, Input::Tick);
        }
        hall.now = next;
        let reading = match bench.link() {
            Link::Up => Some(bench.read(next)),
            _ => {
                bench.advance(next);
                None
            }
        };
        let visit = visit(&bench, next.since(start), reading);
        if let Some(news) = visit.bath {
            hall.feed(&mut bench, Input::Bath(news));
        }
        match visit.reading {
            Some(reading) => hall.feed(&mut bench, Input::Reading(reading)),
            None if bench.link() == Link::Gone => {
                hall.feed(&mut bench, Input::LinkLost("the supply does not answer".into()));
            }
            None => hall.feed(&mut bench, Input::Tick),
        }
        if visit.stop {
            // An open run is not refused its stop; one that just ended needs none.
            let _taken = hall.ask(&mut bench, Command::Stop);
        }
        hall.work_hands(&mut bench, &mut hands);
    }
    let truth = bench.truth();
    Rehearsal {
        story: hall.story,
        readings: Vec::new(),
        alarms: hall.alarms,
        outcome: hall.outcome,
        view: hall.controller.view(),
        truth,
    }
}

struct Hall {
    controller: Controller,
    now: Mono,
    start: Mono,
    story: Vec<(Duration, String)>,
    alarms: Vec<(Duration, Alarm)>,
    /// The last question put, and that it may still stand.
    question: Option<Question>,
    outcome: Option<Outcome>,
}

impl Hall {
    fn tell(&mut self, text: String) {
        self.story.push((self.now.since(self.start), text));
    }

    fn feed(&mut self, bench: &mut Bench, input: Input) {
        let actions = self.controller.step(self.now, input);
        self.carry_out(bench, actions);
    }

    fn ask(&mut self, bench: &mut Bench, command: Command) -> Result<(), crate::run::Refusal> {
        let actions = self.controller.command(self.now, "rehearsal", command)?;
        self.carry_out(bench, actions);
        Ok(())
    }

    fn carry_out(&mut self, bench: &mut Bench, actions: Vec<Action>) {
        let now = self.now;
        for action in actions {
            let done = match action {
                Action::Record(event) => {
                    self.tell(event.sentence());
                    match event {
                        Event::Ended(outcome) => self.outcome = Some(outcome),
                        Event::Asked(question) => self.question = Some(question),
                        _ => {}
                    }
                    continue;
                }
                Action::Alarm(change) => {
                    if change.alarm.state == AlarmState::Unacknowledged {
                        let a = &change.alarm;
                        self.tell(format!(
                            "ALARM {}: {}. What to do: {}",
                            a.kind.name(),
                            a.text,
                            a.kind.remedy()
                        ));
                        self.alarms.push((now.since(self.start), change.alarm));
                    }
                    continue;
                }
                Action::Prepare { protection, volts } => {
                    bench.output(now, false);
                    bench.clear_trips(now);
                    bench
                        .set_ovp(now, protection.over_voltage)
                        .and_then(|()| bench.set_ocp(now, protection.over_current))
                        .and_then(|()| bench.set_amps(now, crate::quantity::Amps::ZERO))
                        .and_then(|()| bench.set_volts(now, volts))
                        .map(|()| Input::Prepared)
                        .map_err(|why| why.to_string())
                }
                Action::Set { amps, volts } => bench
                    .set_amps(now, amps)
                    .and_then(|()| bench.set_volts(now, volts))
                    .map(|()| Input::Applied)
                    .map_err(|why| why.to_string()),
                Action::Output(on) if bench.output(now, on) => Ok(Input::Applied),
                Action::Output(_) => Err("the supply did not switch its output".to_owned()),
            };
            self.feed(bench, done.unwrap_or_else(Input::Failed));
        }
    }

    /// The operator: hangs and turns after a while, ends a held run.
    fn work_hands(&mut self, bench: &mut Bench, busy_until: &mut Option<Mono>) {
        if self.question.is_none() && busy_until.is_none() {
            return;
        }
        let view = self.controller.view();
        self.question.clone_from(&view.question);
        let asked = match view.question {
            Some(Question::HangPart | Question::TurnPart { .. }) => true,
            Some(Question::Held) if view.state == RunState::Held => {
                // A held run is not refused its stop.
                let _taken = self.ask(bench, Command::Stop);
                false
            }
            _ => false,
        };
        match (asked, *busy_until) {
            (true, None) => {
                bench.hang(self.now, false);
                *busy_until = Some(self.now + HANDS);
            }
            (true, Some(at)) if self.now >= at => {
                bench.hang(self.now, true);
                *busy_until = None;
                // Contact may have answered already; then there is nothing to answer.
                let _taken = self.ask(bench, Command::Answer(Answer::Done));
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mimic;
    use crate::plan::{Control, DepositForecast, Goal};
    use crate::process::{Between, Confirm, Entry, Turn};
    use crate::quantity::{Amps, CurrentSlope, Microcoulombs, Volts};
    use crate::run::Limits;
    use crate::watch::Settings;

    fn setup() -> Setup {
        Setup {
            limits: Limits { max_amps: Amps::new(10.0), max_volts: Volts::new(12.0) },
            watches: Settings::default(),
            max_gap: Duration::from_secs(2),
            stale_after: Duration::from_secs(2),
            hold_on_ledger_failure: true,
        }
    }

    fn order(coulombs: i64) -> Order {
        Order {
            title: "a bench part".into(),
            tank: "nickel".into(),
            bath: "bright-nickel".into(),
            parts: 1,
            area: mimic::Setup::default().area,
            hung: Vec::new(),
            deposit: Some(DepositForecast { metal: "Ni".into(), efficiency: 0.955 }),
            burn: None,
            entry: Entry::Dead,
            entry_volts: Volts::new(2.0),
            entry_amps: Amps::new(2.0),
            control: Control::Current {
                setpoint: Amps::new(2.8),
                ceiling: Volts::new(6.0),
                slope: CurrentSlope::new(0.14),
            },
            goal: Goal::Charge(Microcoulombs(coulombs * 1_000_000)),
            time_limit: Duration::from_secs(7200),
            turn: Some(Turn { faces: 2, between: Between::Off, confirm: Confirm::Operator }),
            seek: None,
            like_slopes: Vec::new(),
        }
    }

    fn play(coulombs: i64, script: &str) -> Rehearsal {
        let script = mimic::Script::parse(script).unwrap();
        let bench = Bench::new(mimic::Setup { script, ..Default::default() }, Mono::from_millis(1000));
        rehearse(order(coulombs), setup(), bench, Duration::from_millis(200))
    }

    #[test]
    fn a_good_rehearsal_gives_the_charge_that_was_asked_for() {
        let r = play(600, "");
        let end = r.outcome.unwrap();
        assert_eq!(end.state, RunState::Complete, "{:#?}", r.story);
        assert!((end.charge.charge().get() - 600.0).abs() < 0.6, "{end:?}");
        assert!((r.truth.charge.get() / 600.0 - 1.0).abs() < 0.005, "{:?}", r.truth.charge);
        assert!(!r.story.iter().any(|(_, s)| s.starts_with("ALARM")), "{:#?}", r.story);
        assert!(!r.truth.output);
    }

    #[test]
    fn a_clip_that_falls_off_is_held_and_stopped() {
        let r = play(600, "at 60 s open-circuit");
        assert_eq!(r.outcome.unwrap().state, RunState::Stopped);
        assert!(r.story.iter().any(|(_, s)| s.starts_with("ALARM open-circuit")), "{:#?}", r.story);
        assert!(!r.truth.output);
    }

    #[test]
    fn a_short_is_cut_within_two_seconds() {
        let r = play(600, "at 60 s short");
        assert_eq!(r.outcome.unwrap().state, RunState::Aborted, "{:#?}", r.story);
        let alarm = r.story.iter().find(|(_, s)| s.starts_with("ALARM short")).unwrap();
        assert!(alarm.0 < Duration::from_millis(62_500), "{alarm:?}");
    }
}

//! A part that falls off when the volts are still settling, at a turn or in a hold: controller, watches and the simulated
//! cell in virtual time, with a person who does what each story says.

use std::time::Duration;
use tankside::bath;
use tankside::mimic::{self, Bench, Chemistry, Fault};
use tankside::plan::{Control, Goal, Order};
use tankside::process::{Between, Confirm, Entry, Turn};
use tankside::quantity::{Amps, Area, CurrentSlope, Mono, Ratio, Volts};
use tankside::run::{Action, Answer, Command, Controller, Event, Input, Limits, Question, RunPhase, Setup};
use tankside::watch::{AlarmChange, AlarmState, Handling, Kind, Settings};

const POLL: Duration = Duration::from_millis(200);

struct Story {
    controller: Controller,
    bench: Bench,
    now: Mono,
    changes: Vec<AlarmChange>,
    events: Vec<Event>,
}

/// Nickel, 5 A on 1 dm2 in six parts, two faces of 120 s, ramp 5 s.
fn order(entry: Between) -> Order {
    Order {
        title: "key cups".into(),
        tank: "nickel".into(),
        bath: "watts-nickel".into(),
        parts: 6,
        area: Area::new(0.01),
        hung: Vec::new(),
        deposit: None,
        burn: None,
        entry: Entry::Dead,
        entry_volts: Volts::new(1.5),
        entry_amps: Amps::new(2.0),
        control: Control::Current {
            setpoint: Amps::new(5.0),
            ceiling: Volts::new(11.0),
            slope: CurrentSlope::new(1.0),
        },
        goal: Goal::Time(Duration::from_secs(240)),
        time_limit: Duration::from_secs(600),
        turn: Some(Turn { faces: 2, between: entry, confirm: Confirm::Operator }),
        seek: None,
        like_slopes: Vec::new(),
    }
}

impl Story {
    /// Long at its current, with everything learned.
    fn settled() -> Story {
        let mut story = Story::new(order(Between::Off));
        story.steady();
        story.wait(40.0);
        story
    }

    fn new(order: Order) -> Story {
        let bath = bath::shipped().into_iter().find(|b| b.name == "watts-nickel").expect("it is shipped");
        let mut cell = mimic::Setup::new(Chemistry::of(&bath));
        cell.area = Area::new(0.01);
        let mut story = Story {
            controller: Controller::new(Setup {
                limits: Limits { max_amps: Amps::new(10.0), max_volts: Volts::new(12.0) },
                watches: Settings::default(),
                max_gap: Duration::from_secs(2),
                stale_after: Duration::from_secs(2),
                hold_on_ledger_failure: true,
            }),
            bench: Bench::new(cell, Mono::from_millis(1000)),
            now: Mono::from_millis(1000),
            changes: Vec::new(),
            events: Vec::new(),
        };
        story.feed(Input::LinkBack);
        story.start("first", order);
        story
    }

    fn start(&mut self, id: &str, order: Order) {
        self.ask(Command::Start { id: id.into(), order: Box::new(order) });
    }

    fn feed(&mut self, input: Input) {
        let actions = self.controller.step(self.now, input);
        self.carry_out(actions);
    }

    fn ask(&mut self, command: Command) {
        let actions = self.controller.command(self.now, "rosa", command).expect("it is taken");
        self.carry_out(actions);
    }

    fn carry_out(&mut self, actions: Vec<Action>) {
        for action in actions {
            let (now, bench) = (self.now, &mut self.bench);
            let answer = match action {
                Action::Record(event) => {
                    self.events.push(event);
                    continue;
                }
                Action::Alarm(change) => {
                    self.changes.push(change);
                    continue;
                }
                Action::Prepare { volts, .. } => {
                    bench.output(now, false);
                    bench.set_amps(now, Amps::ZERO).and_then(|()| bench.set_volts(now, volts)).unwrap();
                    Input::Prepared
                }
                Action::Set { amps, volts } => {
                    bench.set_amps(now, amps).and_then(|()| bench.set_volts(now, volts)).unwrap();
                    Input::Applied
                }
                Action::Output(on) => {
                    assert!(bench.output(now, on));
                    Input::Applied
                }
            };
            self.feed(answer);
        }
    }

    fn wait(&mut self, seconds: f64) {
        for _ in 0..(seconds / POLL.as_secs_f64()).round() as u32 {
            let next = self.now + POLL;
            while let Some(at) = self.controller.next_deadline().filter(|at| *at < next) {
                self.now = at;
                self.feed(Input::Tick);
            }
            self.now = next;
            let reading = self.bench.read(next);
            self.feed(Input::Reading(reading));
        }
    }

    #[track_caller]
    fn until(&mut self, seconds: f64, what: impl Fn(&tankside::run::View) -> bool) {
        for _ in 0..(seconds / POLL.as_secs_f64()) as u32 {
            if what(&self.controller.view()) {
                return;
            }
            self.wait(POLL.as_secs_f64());
        }
        panic!("not in {seconds} s: {:?}", self.controller.view());
    }

    #[track_caller]
    fn steady(&mut self) {
        self.until(20.0, |v| v.phase == RunPhase::Steady);
    }

    #[track_caller]
    fn turn(&mut self) {
        self.until(200.0, |v| matches!(v.question, Some(Question::TurnPart { .. })));
    }

    fn turned(&mut self) {
        self.ask(Command::Answer(Answer::Done));
        self.steady();
    }

    fn falls(&mut self, share: f64) {
        self.bench.fault(self.now, Fault::PartOff(Ratio::new(share)), None);
    }

    fn hung_again(&mut self) {
        self.bench.clear_faults(self.now);
    }

    fn state(&self, kind: Kind) -> AlarmState {
        self.controller.alarms().iter().find(|a| a.kind == kind).map_or(AlarmState::Normal, |a| a.state)
    }

    fn raised(&self) -> Vec<Kind> {
        let raised = |c: &&AlarmChange| c.alarm.state.raises(c.from, c.by.is_some());
        self.changes.iter().filter(raised).map(|c| c.alarm.kind).collect()
    }

    fn acknowledge(&mut self, kind: Kind) {
        self.ask(Command::Alarm { kind, handling: Handling::Acknowledge { note: None } });
    }

    /// Whether the watch says that it cannot judge.
    fn blind(&self) -> bool {
        self.controller.view().cannot_judge.iter().any(|cannot| cannot.watch == "part-off")
    }
}

#[test]
fn part_that_falls_off_seconds_after_a_face_began_is_not_learned_as_normal() {
    for after in [0.0, 2.0, 5.0, 8.0, 14.0, 22.0, 30.0] {
        for face in [1, 2] {
            let mut story = Story::new(order(Between::Off));
            story.steady();
            if face == 2 {
                story.turn();
                story.turned();
            }
            story.wait(after);
            story.falls(0.3);
            assert!(after >= 25.0 || story.blind(), "face {face}, {after} s: it says that it can judge");
            story.wait(20.0);
            assert_eq!(
                story.raised(),
                [Kind::PartOff],
                "face {face}, {after} s after the current was reached"
            );
        }
    }
}

#[test]
fn part_that_fell_off_in_the_turn_or_in_its_ramp_shows_against_the_face_before() {
    for between in [Between::Off, Between::EntryVoltage] {
        for in_ramp in [false, true] {
            let mut story = Story::new(order(between));
            story.turn();
            if in_ramp {
                story.ask(Command::Answer(Answer::Done));
                story.wait(3.0);
                story.falls(0.3);
                story.steady();
            } else {
                story.falls(0.3);
                story.turned();
            }
            story.wait(20.0);
            assert_eq!(story.raised(), [Kind::PartOff], "{between:?}, in the ramp: {in_ramp}");
        }
    }
}

#[test]
fn sound_load_that_is_turned_held_and_resumed_cries_no_wolf() {
    for between in [Between::Off, Between::EntryVoltage] {
        let mut story = Story::new(order(between));
        story.steady();
        story.wait(10.0);
        story.ask(Command::Hold);
        story.wait(60.0);
        story.ask(Command::Resume);
        story.turn();
        story.turned();
        story.until(200.0, |v| v.state == tankside::run::RunState::Complete);
        assert!(story.changes.is_empty(), "{:?}", story.changes);
    }
}

#[test]
fn turn_does_not_take_a_part_off_alarm_away_and_asks_to_count() {
    let mut story = Story::new(order(Between::Off));
    story.steady();
    story.wait(60.0);
    story.falls(0.3);
    story.turn();
    story.wait(60.0);
    assert_eq!(story.state(Kind::PartOff), AlarmState::Unacknowledged, "nobody has seen it go");
    let asked = story.controller.view().question;
    assert_eq!(asked, Some(Question::TurnPart { next: 2, faces: 2, count: true }));
    assert!(asked.unwrap().sentence().contains("count the parts"));
    story.turned();
    story.wait(60.0);
    assert_eq!(story.state(Kind::PartOff), AlarmState::Unacknowledged, "it still hangs short of a part");
    assert_eq!(story.raised(), [Kind::PartOff]);
    // After the end as well; the next load is another one.
    story.until(200.0, |v| v.state == tankside::run::RunState::Complete);
    story.wait(10.0);
    assert_eq!(story.state(Kind::PartOff), AlarmState::Unacknowledged);
    story.hung_again();
    story.start("second", order(Between::Off));
    story.steady();
    assert_eq!(story.state(Kind::PartOff), AlarmState::ReturnedUnacknowledged);
    story.wait(60.0);
    assert_eq!(story.raised(), [Kind::PartOff], "another load is not held against this one");
}

#[test]
fn part_hung_again_in_the_turn_is_seen_to_be_back_and_touches_nothing() {
    let mut story = Story::new(order(Between::Off));
    story.steady();
    story.wait(60.0);
    story.falls(0.3);
    story.turn();
    story.hung_again();
    story.turned();
    story.wait(20.0);
    assert_eq!(story.state(Kind::PartOff), AlarmState::ReturnedUnacknowledged);
    assert!(!story.controller.alarms()[0].gone_unseen, "it was seen to go");
    story.wait(60.0);
    assert_eq!(story.raised(), [Kind::PartOff]);
}

#[test]
fn part_hung_again_under_current_is_seen_to_be_back() {
    let mut story = Story::settled();
    story.falls(0.3);
    story.wait(15.0);
    assert_eq!(story.state(Kind::PartOff), AlarmState::Unacknowledged);
    story.hung_again();
    story.wait(15.0);
    assert_eq!(story.state(Kind::PartOff), AlarmState::ReturnedUnacknowledged);
    assert_eq!(story.raised(), [Kind::PartOff], "no touch");
}

#[test]
fn whoever_has_looked_is_asked_no_more_and_what_falls_after_that_is_told() {
    let mut story = Story::settled();
    story.falls(0.3);
    story.wait(15.0);
    story.acknowledge(Kind::PartOff);
    story.turn();
    assert_eq!(story.state(Kind::PartOff), AlarmState::Normal);
    let asked = story.controller.view().question;
    assert_eq!(asked, Some(Question::TurnPart { next: 2, faces: 2, count: false }));
    story.turned();
    story.wait(40.0);
    assert_eq!(story.raised(), [Kind::PartOff], "known, and as it was");
    story.falls(0.3);
    story.wait(20.0);
    assert_eq!(story.raised(), [Kind::PartOff, Kind::PartOff]);
}

#[test]
fn second_part_that_falls_while_the_first_is_known_of_is_told_again() {
    let mut story = Story::settled();
    story.falls(0.2);
    story.wait(10.0);
    story.acknowledge(Kind::PartOff);
    story.wait(10.0);
    story.falls(0.2);
    story.wait(15.0);
    assert_eq!(story.state(Kind::PartOff), AlarmState::Unacknowledged);
    assert_eq!(story.raised(), [Kind::PartOff, Kind::PartOff]);
}

#[test]
fn hold_and_resume_take_no_part_off_alarm_away() {
    let mut story = Story::settled();
    story.falls(0.3);
    story.wait(15.0);
    story.ask(Command::Hold);
    story.wait(30.0);
    assert_eq!(story.state(Kind::PartOff), AlarmState::Unacknowledged);
    let view = story.controller.view();
    assert_eq!((view.cause.as_deref(), view.held_for), (Some("held by rosa"), None));
    story.ask(Command::Resume);
    story.steady();
    story.wait(40.0);
    assert_eq!(story.state(Kind::PartOff), AlarmState::Unacknowledged);
    assert_eq!(story.raised(), [Kind::PartOff]);
}

#[test]
fn alarm_says_how_far_the_volts_rose_and_not_another_figure() {
    let mut story = Story::settled();
    let before = story.bench.read(story.now).volts.get();
    story.falls(0.3);
    story.wait(15.0);
    let after = story.bench.read(story.now).volts.get();
    let text = story.controller.alarms()[0].text.clone();
    let percent = (after / before - 1.0) * 100.0;
    let told: f64 = text.split(" up by ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
    assert!((told - percent).abs() < 1.5, "{told} told, {percent} so: {text}");
    // 30 % of the area gone is 43 % more density, give or take what the leads and the anode have of the volts.
    let gone: f64 = text.split("about ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
    assert!((20.0..=32.0).contains(&gone), "{text}");
}

#[test]
fn what_went_with_the_output_is_not_told_as_gone_by_itself() {
    let mut story = Story::new(order(Between::Off));
    story.steady();
    story.wait(5.0);
    story.bench.fault(story.now, Fault::OpenCircuit, None);
    story.until(10.0, |v| v.state == tankside::run::RunState::Held);
    story.wait(5.0);
    assert_eq!(story.state(Kind::OpenCircuit), AlarmState::ReturnedUnacknowledged);
    assert!(story.controller.alarms()[0].gone_unseen);
    let told = story.changes.last().unwrap().sentence();
    assert!(told.contains("not seen since the output is off") && !told.contains("by itself"), "{told}");
    // Mended and resumed, it is seen to be gone.
    story.bench.clear_faults(story.now);
    story.ask(Command::Resume);
    story.steady();
    story.wait(15.0);
    assert_eq!(story.state(Kind::OpenCircuit), AlarmState::ReturnedUnacknowledged);
    assert!(!story.controller.alarms()[0].gone_unseen);
}

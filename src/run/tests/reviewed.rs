//! Stories that a careful reader of the code found missing.

use super::rig::{Load, POLL, Rig, acknowledge, order, setup};
use crate::plan::{Control, Goal, Order};
use crate::process::{Between, Confirm, Entry, Turn};
use crate::quantity::{Amps, CurrentSlope, Microcoulombs, Volts};
use crate::run::{Action, Answer, Command, Input, RunPhase, RunState, Setup};
use crate::watch::Kind;
use std::time::Duration;

#[test]
fn an_alarm_that_still_stands_stops_the_next_run_too() {
    // Cut for over-current; started again before the alarm has cleared, the fault still there.
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.amps = 3.0;
    rig.until(3.0, |v| v.state == RunState::Aborted);
    rig.ask(Command::Start { id: "r2".into(), order: Box::new(order()) }).unwrap();
    rig.until(10.0, |v| v.phase == RunPhase::Steady);
    rig.amps = 3.0;
    rig.until(3.0, |v| v.state == RunState::Aborted);
}

#[test]
fn a_reading_that_came_late_does_not_put_off_the_cut_by_a_poll() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    assert_eq!(rig.controller.next_look(), None, "nothing is about to be cut");
    let (begin, late) = (rig.now, Duration::from_millis(40));
    rig.load = Load::Short;
    rig.poll_at(begin + POLL + late);
    let seen = rig.now;
    let mut polls = 1;
    while rig.output {
        let next = begin + POLL * (polls + 1);
        let look = rig.controller.next_look().filter(|at| *at > rig.now && *at < next);
        polls += u32::from(look.is_none());
        rig.poll_at(look.unwrap_or(next));
    }
    assert_eq!(rig.raised(), [Kind::ShortCircuit]);
    // The delay is 1 s. On the grid the sixth poll comes 960 ms after the late first, and the seventh 200 ms later.
    let took = rig.now.since(seen);
    assert!((980..=1000).contains(&took.as_millis()), "{took:?}");
    assert_eq!(rig.controller.next_look(), None);
}

#[test]
fn a_latched_alarm_cuts_again() {
    let mut settings = crate::watch::Settings::default();
    settings.tuning_mut(Kind::OverCurrent).latch = true;
    let mut rig = Rig::with(Setup { watches: settings, ..setup() });
    for id in ["r1", "r2"] {
        rig.ask(Command::Start { id: id.into(), order: Box::new(order()) }).unwrap();
        rig.until(10.0, |v| v.phase == RunPhase::Steady);
        rig.amps = 3.0;
        rig.until(3.0, |v| v.state == RunState::Aborted);
        rig.amps = 0.0;
        rig.run_for(20.0);
        // One word is not enough to release a latched alarm that is acknowledged while it stands.
        let _first = rig.ask(acknowledge(Kind::OverCurrent));
    }
}

#[test]
fn silence_in_the_run_after_a_silent_end_is_noticed_as_soon() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.silent = true;
    rig.run_for(8.0);
    assert_eq!(rig.controller.view().state, RunState::Aborted);
    // Started without a reading in between; silent still.
    rig.ask(Command::Start { id: "r2".into(), order: Box::new(order()) }).unwrap();
    let began = rig.now;
    rig.until(5.0, |v| v.cause.is_some());
    assert!(rig.now.since(began) < Duration::from_secs(3), "{:?}", rig.now.since(began));
}

#[test]
fn a_live_entry_nobody_answers_ends_at_its_charge() {
    let mut rig = Rig::new();
    let entry = Order { entry: Entry::Live, goal: Goal::Charge(Microcoulombs(5_000_000)), ..order() };
    rig.ask(Command::Start { id: "r".into(), order: Box::new(entry) }).unwrap();
    rig.until(60.0, |v| v.state == RunState::Complete);
    // Half a poll is unknown between output on and the first reading.
    assert!((rig.true_coulombs - 5.0).abs() < 0.1, "{}", rig.true_coulombs);
}

#[test]
fn an_entry_with_nothing_hung_is_held_after_half_an_hour() {
    let mut rig = Rig::new();
    rig.load = Load::Open;
    rig.ask(Command::Start { id: "r".into(), order: Box::new(Order { entry: Entry::Live, ..order() }) })
        .unwrap();
    rig.run_for(1790.0);
    assert_eq!(rig.controller.view().state, RunState::Running);
    rig.until(20.0, |v| v.state == RunState::Held);
}

#[test]
fn a_stale_reading_does_not_say_where_the_climb_begins() {
    let turn = Turn { faces: 2, between: Between::EntryVoltage, confirm: Confirm::Operator };
    let mut rig = Rig::started(Order { turn: Some(turn), ..order() });
    rig.until(40.0, |v| v.phase == RunPhase::Turn);
    rig.run_for(1.0);
    rig.silent = true;
    rig.run_for(1.4);
    rig.ask(Command::Answer(Answer::Done)).unwrap();
    assert!(rig.amps < 0.1, "what flowed 1.4 s ago is not what flows: {}", rig.amps);
}

#[test]
fn a_knob_turned_in_the_ramp_is_noticed_in_the_ramp() {
    let slow = Order {
        control: Control::Current {
            setpoint: Amps::new(2.0),
            ceiling: Volts::new(6.0),
            slope: CurrentSlope::new(0.05),
        },
        ..order()
    };
    let mut rig = Rig::started(slow);
    rig.run_for(15.0);
    rig.claims_amps = Some(5.0);
    rig.run_for(2.0);
    assert_eq!(rig.raised(), [Kind::ReadBack]);
    assert_ne!(rig.controller.view().phase, RunPhase::Steady);
}

#[test]
fn the_ledger_failing_as_the_output_goes_on_ends_the_run() {
    let mut rig = Rig::new();
    rig.feed(Input::LedgerBack);
    let started = Command::Start { id: "r".into(), order: Box::new(order()) };
    let _prepare = rig.controller.command(rig.now, "ada", started).unwrap();
    let on = rig.controller.step(rig.now, Input::Prepared);
    assert!(on.contains(&Action::Output(true)));
    rig.feed(Input::LedgerFailed("the disk is full".into()));
    rig.run_for(1.0);
    assert_eq!(rig.outcome().unwrap().state, RunState::Aborted);
}

#[test]
fn a_bridge_after_a_ramp_too_quick_to_learn_from_is_a_short() {
    let quick = Order {
        control: Control::Current {
            setpoint: Amps::new(2.0),
            ceiling: Volts::new(6.0),
            slope: CurrentSlope::new(20.0),
        },
        ..order()
    };
    let mut rig = Rig::started(quick);
    rig.run_for(5.0);
    rig.load = Load::Bridge;
    rig.until(2.5, |v| v.state == RunState::Aborted);
    assert_eq!(rig.raised(), [Kind::ShortCircuit]);
}

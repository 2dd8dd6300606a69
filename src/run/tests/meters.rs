//! What the watches believe of a voltmeter, over a run with a turn.

use super::rig::{Rig, order};
use crate::plan::{Control, Goal, Order};
use crate::process::{Between, Confirm, Turn};
use crate::quantity::{Amps, CurrentSlope, Microcoulombs, Volts};
use crate::run::{Answer, Command, RunPhase};

const DEAD: &str = "stands still";

/// Silver on a few cups: two faces, and a ramp of 35 s to 0.7 A, so that each reading is less than half a count (of
/// 10 mV) above the one before.
fn slow() -> Order {
    Order {
        control: Control::Current {
            setpoint: Amps::new(0.7),
            ceiling: Volts::new(6.0),
            slope: CurrentSlope::new(0.7 / 35.0),
        },
        goal: Goal::Charge(Microcoulombs(140_000_000)),
        time_limit: std::time::Duration::from_secs(600),
        turn: Some(Turn { faces: 2, between: Between::Off, confirm: Confirm::Operator }),
        ..order()
    }
}

fn started() -> Rig {
    Rig::started(slow())
}

fn dumb(rig: &Rig) -> String {
    // The order tells nothing of where its bath burns.
    let all = rig.controller.view().cannot_judge.into_iter().filter(|cannot| cannot.watch != "burn-margin");
    all.map(|cannot| format!("{}: {}", cannot.watch, cannot.why)).collect::<Vec<_>>().join("; ")
}

/// To the steady current of the face that hangs, and long enough for the volts to have settled.
fn settle(rig: &mut Rig) {
    rig.until(90.0, |v| v.phase == RunPhase::Steady);
    rig.run_for(30.0);
}

fn turn(rig: &mut Rig) {
    rig.until(200.0, |v| v.question.is_some());
    rig.ask(Command::Answer(Answer::Done)).unwrap();
}

#[test]
fn good_voltmeter_is_not_called_dead_because_the_ramp_is_slow() {
    let mut rig = started();
    for face in 1..=2 {
        settle(&mut rig);
        assert_eq!(dumb(&rig), "", "face {face}");
        if face == 1 {
            turn(&mut rig);
        }
    }
}

#[test]
fn voltmeter_that_died_on_the_first_face_is_found_in_the_ramp_of_the_second() {
    let mut rig = started();
    settle(&mut rig);
    rig.claims_volts = Some(rig.truth().0);
    turn(&mut rig);
    settle(&mut rig);
    assert!(dumb(&rig).contains(DEAD), "{}", dumb(&rig));
}

#[test]
fn voltmeter_that_was_dead_from_the_start_is_found_on_each_face() {
    let mut rig = started();
    rig.claims_volts = Some(1.9);
    settle(&mut rig);
    assert!(dumb(&rig).contains(DEAD), "{}", dumb(&rig));
    turn(&mut rig);
    settle(&mut rig);
    assert!(dumb(&rig).contains(DEAD), "{}", dumb(&rig));
}

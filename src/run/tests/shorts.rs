//! A short that was there before anything was learned of the load.

use super::rig::{Load, Rig, acknowledge, by_volts, order, setup};
use crate::plan::{Control, Order};
use crate::quantity::{Amps, CurrentSlope, Volts};
use crate::run::{Command, Limits, RunPhase, RunState, Setup};
use crate::watch::{Kind, Response, Settings};

fn start() -> Command {
    Command::Start { id: "r2".into(), order: Box::new(order()) }
}

fn ramped(amps: f64, slope: f64) -> Order {
    Order {
        control: Control::Current {
            setpoint: Amps::new(amps),
            ceiling: Volts::new(6.0),
            slope: CurrentSlope::new(slope),
        },
        ..order()
    }
}

/// 2 A at once: the ramp tells nothing.
fn quick() -> Order {
    ramped(2.0, 20.0)
}

fn shorted(order: Order) -> Rig {
    let mut rig = Rig::new();
    rig.load = Load::Bridge;
    rig.ask(Command::Start { id: "r1".into(), order: Box::new(order) }).unwrap();
    rig
}

#[test]
fn bridge_that_was_there_from_the_start_is_cut_in_the_ramp() {
    let mut rig = shorted(order());
    rig.until(6.0, |v| v.state == RunState::Aborted);
    assert_eq!(rig.raised(), [Kind::ShortCircuit]);
}

#[test]
fn bridge_that_nobody_can_tell_is_held_and_asked_about_once() {
    let mut rig = shorted(quick());
    rig.until(6.0, |v| v.state == RunState::Held);
    let cause = rig.controller.view().cause.unwrap();
    assert!(cause.contains("short?") && cause.contains("touch"), "{cause}");
    rig.ask(Command::Resume).unwrap();
    rig.until(60.0, |v| v.state == RunState::Complete);
}

#[test]
fn what_was_learned_of_the_bridge_is_forgotten_when_it_was_parted() {
    let mut rig = shorted(quick());
    rig.until(6.0, |v| v.state == RunState::Held);
    rig.load = Load::Good;
    rig.ask(Command::Resume).unwrap();
    rig.until(60.0, |v| v.state == RunState::Complete);
    assert!(rig.raised().is_empty(), "{:?}", rig.raised());
}

#[test]
fn held_by_a_person_nobody_has_looked_for_a_short() {
    let mut rig = shorted(order());
    rig.run_for(1.0);
    rig.ask(Command::Hold).unwrap();
    rig.until(6.0, |v| v.state == RunState::Held);
    rig.ask(Command::Resume).unwrap();
    rig.until(8.0, |v| v.state == RunState::Aborted);
    assert_eq!(rig.raised(), [Kind::ShortCircuit]);
}

#[test]
fn bridge_under_held_voltage_does_not_stand_at_the_current_ceiling_for_ever() {
    let mut rig = shorted(by_volts(4.0));
    rig.until(10.0, |v| matches!(v.state, RunState::Held | RunState::Aborted));
}

#[test]
fn watch_that_only_tells_holds_nothing_and_one_that_holds_can_be_answered() {
    let with = |response| {
        let mut watches = Settings::default();
        watches.tuning_mut(Kind::ShortCircuit).response = response;
        Rig::with(Setup { watches, ..setup() })
    };
    let mut rig = with(Response::Tell);
    rig.load = Load::Bridge;
    rig.ask(Command::Start { id: "r1".into(), order: Box::new(quick()) }).unwrap();
    rig.until(60.0, |v| v.state == RunState::Complete);
    let mut rig = with(Response::Hold);
    rig.load = Load::Bridge;
    rig.ask(Command::Start { id: "r1".into(), order: Box::new(ramped(3.0, 0.5)) }).unwrap();
    rig.until(8.0, |v| v.state == RunState::Held);
    rig.run_for(3.0);
    rig.ask(Command::Resume).unwrap();
    rig.until(60.0, |v| v.state == RunState::Complete);
}

#[test]
fn bridge_across_a_load_that_was_known_well_is_held_again_if_it_was_not_parted() {
    let mut watches = Settings::default();
    watches.tuning_mut(Kind::ShortCircuit).response = Response::Hold;
    // At so large a station 0.12 V at 2 A is nothing strange in itself.
    let limits = Limits { max_amps: Amps::new(60.0), ..setup().limits };
    let mut rig = Rig::with(Setup { watches, limits, ..setup() });
    rig.ask(start()).unwrap();
    rig.until(10.0, |v| v.phase == RunPhase::Steady);
    rig.run_for(3.0);
    rig.load = Load::Bridge;
    rig.until(6.0, |v| v.state == RunState::Held);
    rig.run_for(3.0);
    rig.ask(Command::Resume).unwrap();
    rig.until(8.0, |v| v.state == RunState::Held);
    rig.load = Load::Good;
    rig.run_for(3.0);
    rig.ask(Command::Resume).unwrap();
    rig.until(60.0, |v| v.state == RunState::Complete);
}

#[test]
fn no_run_starts_while_a_short_still_stands() {
    let mut rig = shorted(order());
    rig.until(6.0, |v| v.state == RunState::Aborted);
    let refused = rig.ask(start()).unwrap_err();
    assert!(refused.contains("short-circuit alarm still stands") && refused.contains("Part what touches"));
    assert!(refused.contains("goes by itself") && !refused.contains("--ack"), "{refused}");
    // A word that somebody knows of it parts nothing.
    rig.ask(acknowledge(Kind::ShortCircuit)).unwrap();
    assert!(rig.ask(start()).is_err());
    rig.load = Load::Good;
    rig.run_for(3.0);
    rig.ask(start()).unwrap();
    rig.until(60.0, |v| v.state == RunState::Complete);
}

#[test]
fn latched_short_stands_in_the_way_until_it_is_acknowledged_after_it_has_gone() {
    let mut watches = Settings::default();
    watches.tuning_mut(Kind::ShortCircuit).latch = true;
    let mut rig = Rig::with(Setup { watches, ..setup() });
    rig.load = Load::Bridge;
    rig.ask(start()).unwrap();
    rig.until(6.0, |v| v.state == RunState::Aborted);
    rig.ask(acknowledge(Kind::ShortCircuit)).unwrap();
    rig.run_for(20.0);
    let refused = rig.ask(start()).unwrap_err();
    assert!(refused.contains("acknowledged before it had gone"), "{refused}");
    assert!(refused.contains("acknowledge it again") && !refused.contains("--"), "{refused}");
    let latched =
        |rig: &Rig| rig.controller.alarms().iter().any(|a| a.kind == Kind::ShortCircuit && a.latched);
    assert!(latched(&rig), "nobody can see that it waits for one more word");
    rig.ask(acknowledge(Kind::ShortCircuit)).unwrap();
    assert!(!latched(&rig));
    rig.load = Load::Good;
    rig.ask(start()).unwrap();
    rig.until(10.0, |v| v.phase == RunPhase::Steady);
}

#[test]
fn a_short_that_was_not_parted_is_cut_again() {
    let mut rig = shorted(order());
    rig.until(6.0, |v| v.state == RunState::Aborted);
    rig.run_for(3.0);
    rig.ask(start()).unwrap();
    rig.until(6.0, |v| v.state == RunState::Aborted);
}

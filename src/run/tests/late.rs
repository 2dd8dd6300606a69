//! An off whose word comes late: what nobody saw is not charge.

use super::rig::{Rig, order};
use crate::run::{Command, Input, RunPhase, RunState};
use std::time::Duration;

/// Charge in the book, in the cell, and seconds not observed, of a run that is held, resumed and switched off, each off
/// with its word late.
fn played(takes: Duration, late_to_go: bool) -> (f64, f64, f64) {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    (rig.off_takes, rig.late_to_go) = (takes, late_to_go);
    rig.ask(Command::Hold).unwrap();
    rig.until(8.0, |v| v.state == RunState::Held);
    rig.ask(Command::Resume).unwrap();
    rig.run_for(10.0);
    rig.ask(Command::Abort).unwrap();
    rig.until(8.0, |v| v.state == RunState::Aborted);
    let end = rig.outcome().unwrap();
    (end.charge.charge().get(), rig.true_coulombs, end.unobserved.as_secs_f64())
}

#[test]
fn supply_that_goes_off_at_once_and_says_so_late_has_no_charge_invented() {
    let (usual, true_usual, _) = played(Duration::from_millis(40), false);
    assert!((usual - true_usual).abs() < 0.3, "{usual} of {true_usual}");
    for millis in [300, 700, 1500] {
        let (charge, truth, unobserved) = played(Duration::from_millis(millis), false);
        assert!((charge - truth).abs() < 0.3, "{millis} ms: {charge} C in the book, {truth} C in the cell");
        // The sink before a hold may have come to nothing before the off; the abort was at 2 A.
        assert!(
            unobserved >= millis as f64 / 1e3 - 1e-9 && unobserved <= 2e-3 * millis as f64 + 0.1,
            "{unobserved}"
        );
    }
}

#[test]
fn supply_that_goes_off_late_is_short_by_what_was_not_observed_and_no_more() {
    for millis in [300, 700, 1500] {
        let (charge, truth, unobserved) = played(Duration::from_millis(millis), true);
        assert!(charge <= truth + 0.3, "{millis} ms: {charge} of {truth}");
        assert!(truth - charge <= unobserved * 2.0 + 0.3, "{millis} ms: {charge} of {truth}, {unobserved} s");
    }
}

#[test]
fn off_without_a_word_that_a_reading_shows_later_is_no_slope_down_to_it() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    let before = rig.controller.view().charge_coulombs;
    let actions = rig.controller.command(rig.now, "ada", Command::Abort).unwrap();
    drop(actions);
    // It took; the confirmation was lost, and a second later a reading shows nothing.
    rig.output = false;
    rig.now = rig.now + Duration::from_millis(1000);
    rig.feed(Input::Failed("no reply".into()));
    rig.poll();
    let view = rig.controller.view();
    assert!((view.charge_coulombs - before).abs() < 0.01, "{} more", view.charge_coulombs - before);
    assert!((1.0..1.4).contains(&view.unobserved_seconds), "{}", view.unobserved_seconds);
}

#[test]
fn time_without_current_is_counted_in_a_hold_and_not_while_nobody_knows_whether_the_output_is_off() {
    let bare = |rig: &Rig| rig.controller.without_current().map(|time| time.as_secs());
    let mut rig = Rig::started(order());
    assert_eq!(bare(&rig), None, "no current has been on yet");
    rig.until(10.0, |v| v.phase == RunPhase::Steady);
    assert_eq!(bare(&rig), None);
    rig.ask(Command::Hold).unwrap();
    rig.until(8.0, |v| v.state == RunState::Held);
    rig.run_for(30.0);
    // From the last reading that showed current: the ramp down may have taken up to a second.
    assert!(matches!(bare(&rig), Some(30 | 31)), "{:?}", bare(&rig));
    rig.ask(Command::Resume).unwrap();
    rig.until(10.0, |v| v.phase == RunPhase::Steady);
    assert_eq!(bare(&rig), None);
    // One of several supplies is gone, and the run waits for it: was it off?
    rig.feed(Input::Part(Box::new(Input::LinkLost("unplugged".into()))));
    rig.silent = true;
    rig.run_for(10.0);
    assert_eq!((rig.controller.view().state, bare(&rig)), (RunState::Held, None));
    rig.silent = false;
    rig.feed(Input::LinkBack);
    rig.run_for(1.0);
    assert!(matches!(bare(&rig), Some(11 | 12)), "seen to be off: {:?}", bare(&rig));
    rig.ask(Command::Stop).unwrap();
    rig.run_for(1.0);
    assert_eq!(bare(&rig), None);
}

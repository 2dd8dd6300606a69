//! Several supplies that feed one bar: one fails, the run waits for it.

use super::rig::{Rig, order};
use crate::run::{Action, Command, Input, RunState};
use crate::watch::Kind;

fn part(input: Input) -> Input {
    Input::Part(Box::new(input))
}

fn lost() -> Input {
    part(Input::LinkLost("supply on /dev/1: the link to the supply is gone: unplugged".into()))
}

#[test]
fn a_lost_link_to_one_of_several_holds_and_neither_ends_nor_resumes_by_itself() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.log.clear();
    rig.feed(lost());
    let view = rig.controller.view();
    assert_eq!(view.state, RunState::Held);
    assert!(rig.log.contains(&Action::Output(false)) && rig.outcome().is_none());
    let cause = view.cause.unwrap();
    assert!(cause.contains("/dev/1") && cause.contains("go to the supply"), "{cause}");
    assert!(rig.raised().contains(&Kind::StaleLink));
    let refused = rig.ask(Command::Resume).unwrap_err();
    assert!(refused.starts_with("not resumed: the supply is not connected: supply on /dev/1"), "{refused}");
    let charge = rig.controller.view().charge_coulombs;
    rig.silent = true;
    rig.run_for(5.0);
    rig.silent = false;
    rig.log.clear();
    rig.feed(Input::LinkBack);
    rig.run_for(5.0);
    assert!(!rig.log.iter().any(|a| matches!(a, Action::Output(true) | Action::Prepare { .. })), "by itself");
    assert_eq!(
        (rig.controller.view().state, rig.controller.view().charge_coulombs),
        (RunState::Held, charge)
    );
    rig.ask(Command::Resume).unwrap();
    rig.until(60.0, |v| v.state == RunState::Complete);
}

#[test]
fn one_of_several_that_falls_silent_holds_without_a_ramp_and_without_being_seen_off() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.log.clear();
    rig.silent = true;
    let why = "supply on /dev/1: the reply to \"MEAS:CURR?\" is not a number";
    for _ in 0..30 {
        rig.feed(part(Input::Unread(why.into())));
        rig.poll();
    }
    let view = rig.controller.view();
    assert_eq!(view.state, RunState::Held);
    assert!(!rig.log.iter().any(|a| matches!(a, Action::Set { .. })), "nobody ramps what cannot be read");
    assert!(view.cause.unwrap().contains("is not a number"));
    // The ramp of a resume that fails again leads back to the hold.
    rig.silent = false;
    rig.feed(Input::LinkBack);
    rig.ask(Command::Resume).unwrap();
    rig.run_for(1.0);
    rig.feed(lost());
    assert_eq!(rig.controller.view().state, RunState::Held);
}

#[test]
fn the_only_supply_that_is_lost_or_all_of_them_still_end_the_run() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.feed(Input::LinkLost("gone".into()));
    assert_eq!(rig.controller.view().state, RunState::Aborted);
    // An end that was under way stays one.
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.silent = true;
    rig.ask(Command::Stop).unwrap();
    rig.feed(lost());
    assert_eq!(rig.controller.view().state, RunState::Aborted);
}

#[test]
fn a_stale_link_says_what_the_last_answer_was() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.silent = true;
    let why = "the reply to \"MEAS:CURR?\" is not a number: \"OVERLOAD\"";
    for _ in 0..15 {
        rig.feed(Input::Unread(why.into()));
        rig.poll();
    }
    let text = rig.log.iter().find_map(|a| match a {
        Action::Alarm(c) if c.alarm.kind == Kind::StaleLink => Some(c.alarm.text.clone()),
        _ => None,
    });
    assert!(text.as_ref().is_some_and(|t| t.contains(why)), "{text:?}");
    // Of one supply it is the end.
    rig.until(5.0, |v| v.state == RunState::Aborted);
}

#[test]
fn a_start_without_a_link_says_why_there_is_none() {
    let mut rig = Rig::new();
    rig.feed(Input::LinkLost("another instrument answers: it says \"LAMP\"".into()));
    let refused = rig.ask(Command::Start { id: "r1".into(), order: Box::new(order()) }).unwrap_err();
    assert_eq!(refused, "the supply is not connected: another instrument answers: it says \"LAMP\"");
    // And the newest reason counts.
    rig.feed(Input::LinkLost("no such port".into()));
    let refused = rig.ask(Command::Start { id: "r1".into(), order: Box::new(order()) }).unwrap_err();
    assert!(refused.ends_with("no such port"), "{refused}");
}

#[test]
fn a_wild_reading_cuts_at_once_and_its_cause_is_the_runs() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.log.clear();
    let why = "the order of words (float = \"ABCD\") is probably wrong";
    rig.feed(Input::Wild(why.into()));
    assert!(rig.log.contains(&Action::Output(false)), "not one reading later: {:?}", rig.log);
    rig.run_for(3.0);
    assert_eq!(rig.controller.view().state, RunState::Aborted);
    let cause = rig.controller.view().cause.unwrap();
    assert!(cause.contains("order of words"), "{cause}");
    // With the output off it is only said.
    rig.log.clear();
    rig.feed(Input::Wild(why.into()));
    assert!(!rig.log.contains(&Action::Output(false)), "{:?}", rig.log);
}

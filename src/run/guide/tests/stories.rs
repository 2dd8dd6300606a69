//! One thing goes wrong in each.

use super::rig::{Rig, inspect, nickel, plan, powered, seconds};
use crate::process::{Polarity, Purpose};
use crate::run::guide::{
    About, Guide, GuideCommand, GuideInput, JobAnswer, JobBake, JobEvent, JobTodo, Progress, Reference,
    StepOutcome, WarningKind,
};
use crate::run::{Event, Question, RunPhase, RunState};

fn skip(reason: &str) -> GuideCommand {
    GuideCommand::Skip { reason: reason.into() }
}

#[test]
fn good_load_goes_from_the_first_prompt_to_the_last_and_gives_each_tank_its_own_run() {
    let mut rig = Rig::new(nickel());
    rig.yes_to(About::Prompt);
    rig.yes_to(About::Feed);
    assert_eq!(rig.started, ["cleaner"]);
    rig.run_ends(RunState::Complete, "target reached");
    rig.yes_to(About::Rinse);
    rig.yes_to(About::Inspect);
    rig.yes_to(About::GoTo);
    assert!(rig.view().question.is_none());
    rig.pass(seconds(24));
    assert_eq!(rig.view().countdown_seconds, Some(1.0));
    rig.pass(seconds(1));
    rig.yes_to(About::TakeOut);
    rig.yes_to(About::Rinse);
    rig.yes_to(About::Feed);
    assert_eq!(rig.started, ["cleaner", "nickel"]);
    rig.run_ends(RunState::Complete, "target reached");
    rig.yes_to(About::Prompt);
    assert_eq!(rig.view().state, RunState::Complete);
    assert!(rig.left().iter().all(|(_, how)| *how == StepOutcome::Done));
    assert!(rig.events.iter().all(|e| !matches!(e, JobEvent::Warned(_))), "{:?}", rig.events);
}

#[test]
fn water_break_that_fails_twice_leads_back_to_the_cleaner_twice_and_then_the_job_is_held_with_advice() {
    let mut rig = Rig::new(nickel());
    for times in 1..=2 {
        rig.go_to(3);
        rig.answer(JobAnswer::No).unwrap();
        let view = rig.view();
        assert_eq!((view.step, view.steps[1].times), (2, times + 1));
        assert_eq!(view.steps[2].state, Progress::Again);
    }
    rig.go_to(3);
    rig.answer(JobAnswer::No).unwrap();
    let view = rig.view();
    assert_eq!((view.state, view.step), (RunState::Held, 3));
    assert_eq!(view.held.unwrap().advice.as_deref(), Some("Wipe with pumice."));
    assert!(view.say.contains("pumice"), "{}", view.say);
    // Held is held: an answer that comes late from another place changes nothing.
    assert!(rig.answer(JobAnswer::Yes).unwrap_err().contains("held"));
    rig.say(GuideCommand::Redo(Some(2))).unwrap();
    rig.go_to(3);
    // The sheet's number stays the sheet's number.
    rig.answer(JobAnswer::No).unwrap();
    assert_eq!(rig.view().state, RunState::Held);
    rig.say(GuideCommand::Resume).unwrap();
    rig.yes_to(About::Inspect);
    assert_eq!(rig.view().step, 4);
}

#[test]
fn question_says_what_each_answer_leads_to_before_it_is_given() {
    let then = |rig: &Rig, answer: JobAnswer| {
        let question = rig.view().question.expect("a question");
        let leads: Vec<_> = question.leads_to.iter().map(|l| l.answer).collect();
        assert_eq!(leads, question.answers);
        question.leads_to.into_iter().find(|l| l.answer == answer).expect("that answer").then
    };
    let mut rig = Rig::new(nickel());
    assert!(then(&rig, JobAnswer::No).contains("held"), "{:?}", rig.view().question);
    assert!(then(&rig, JobAnswer::Done).starts_with("on to step 2"), "{:?}", rig.view().question);
    rig.go_to(3);
    assert!(then(&rig, JobAnswer::Yes).starts_with("on to step 4"), "{:?}", rig.view().question);
    for said in ["2 of 2 tries left", "1 of 2 tries left"] {
        let no = then(&rig, JobAnswer::No);
        assert!(no.starts_with("back to step 2") && no.contains(said), "{no}");
        rig.answer(JobAnswer::No).unwrap();
        assert_eq!(rig.view().step, 2);
        assert!(then(&rig, JobAnswer::Done).contains("CURRENT"), "{:?}", rig.view().question);
        rig.go_to(3);
    }
    assert!(then(&rig, JobAnswer::No).contains("held with the sheet's advice"));
    rig.yes_to(About::Inspect);
    assert!(then(&rig, JobAnswer::Done).contains("count from then"), "{:?}", rig.view().question);
}

#[test]
fn rinse_or_step_is_not_called_as_the_file_calls_it_and_current_is_said_before_a_hand_goes_in() {
    let mut rig = Rig::new(nickel());
    rig.go_to(2);
    assert!(rig.view().say.contains("The current comes up by itself"), "{}", rig.view().say);
    rig.yes_to(About::Feed);
    rig.feed(GuideInput::Run(Event::Asked(Question::TurnPart { next: 2, faces: 2, count: false })));
    let turn = rig.view().say;
    assert!(turn.starts_with("Current is off.") && turn.contains("current comes back by itself"), "{turn}");
    rig.run_ends(RunState::Complete, "target reached");
    assert_eq!(rig.view().say, "Current is off. Lift the load out. Rinse in running water.");
    rig.yes_to(About::Rinse);
    assert_eq!(rig.view().steps[2].title, "Look: water break");
    rig.yes_to(About::Inspect);
    rig.yes_to(About::GoTo);
    rig.pass(seconds(25));
    rig.yes_to(About::TakeOut);
    assert_eq!(rig.view().say, "Rinse in running water, then deionised water kept for nickel.");
    let on = &rig.view().question.unwrap().leads_to[0].then;
    assert_eq!(on, "on to step 5, nickel");
    rig.yes_to(About::Rinse);
    rig.say(GuideCommand::Hold).unwrap();
    assert!(rig.view().say.starts_with("Held by mila."), "{}", rig.view().say);
}

#[test]
fn load_that_stays_in_acid_is_warned_of_also_while_the_job_is_held() {
    let mut rig = Rig::new(nickel());
    rig.go_to(4);
    rig.yes_to(About::GoTo);
    rig.pass(seconds(10));
    let early = rig.answer(JobAnswer::Done).unwrap_err();
    assert!(early.contains("15 s"), "{early}");
    rig.say(GuideCommand::Hold).unwrap();
    assert!(rig.view().say.contains("take it out"), "{}", rig.view().say);
    rig.pass(seconds(49));
    assert!(rig.view().warnings.is_empty());
    rig.pass(seconds(2));
    let view = rig.view();
    assert_eq!((view.warnings[0].kind, view.warnings[0].priority), ("over-dwell", "high"));
    assert_eq!((view.over_seconds, view.over_dwell_seconds), (Some(36.0), Some(1.0)));
    let remedy = rig.guide.remedy(WarningKind::OverDwell).unwrap();
    assert!(
        remedy.starts_with("Take the load out of acid now and rinse it in running water, then"),
        "{remedy}"
    );
    assert_eq!(rig.guide.remedy(WarningKind::Late), None);
    rig.say(GuideCommand::Resume).unwrap();
    rig.yes_to(About::TakeOut);
    assert!(rig.view().warnings.is_empty());
    let told = rig.events.iter().filter(|e| matches!(e, JobEvent::Warned(_))).count();
    let over = rig.events.iter().filter(|e| matches!(e, JobEvent::WarningOver(_))).count();
    assert_eq!((told, over), (1, 1));
}

#[test]
fn plating_that_begins_late_after_activation_is_warned_of_once() {
    let mut rig = Rig::new(nickel());
    rig.go_to(5);
    rig.pass(seconds(20));
    assert_eq!(rig.view().begin_within_seconds, Some(10.0));
    rig.pass(seconds(100));
    assert_eq!(rig.view().late_seconds, Some(90.0));
    assert_eq!(rig.view().warnings[0].kind, "step-late");
    rig.yes_to(About::Feed);
    assert!(rig.view().warnings.is_empty());
    assert_eq!(rig.events.iter().filter(|e| matches!(e, JobEvent::Warned(_))).count(), 1);
}

#[test]
fn step_is_not_skipped_without_a_reason_and_an_activation_that_is_says_what_it_risks() {
    let mut rig = Rig::new(nickel());
    rig.go_to(4);
    assert!(rig.say(skip("  ")).unwrap_err().contains("reason"));
    let said = rig.say(skip("activated elsewhere")).unwrap();
    assert!(said.contains("peels"), "{said}");
    let view = rig.view();
    assert_eq!((view.step, view.steps[3].state), (5, Progress::Skipped));
    assert_eq!(view.steps[3].reason.as_deref(), Some("activated elsewhere"));
}

#[test]
fn job_whose_last_step_was_skipped_does_not_say_that_every_step_is_done() {
    let mut rig = Rig::new(nickel());
    rig.go_to(4);
    while rig.view().state == RunState::Running {
        rig.say(skip("the supply is wanted elsewhere")).unwrap();
    }
    let view = rig.view();
    let last = format!("{:?}", view.steps.last().unwrap().name);
    let cause = view.cause.unwrap();
    assert!(cause.contains("SKIPPED") && cause.contains(&last), "{cause}");
    assert!(!cause.contains("every step is done"), "{cause}");
}

#[test]
fn whoever_ends_a_job_while_the_load_is_in_acid_is_told_to_take_it_out() {
    for command in [GuideCommand::Stop, skip("changed my mind")] {
        let mut rig = Rig::new(nickel());
        rig.go_to(4);
        rig.yes_to(About::GoTo);
        rig.pass(seconds(5));
        let said = rig.say(command).unwrap();
        assert!(said.contains("in acid: take it out"), "{said}");
    }
}

#[test]
fn run_under_way_is_stopped_before_its_step_is_skipped_or_done_again() {
    let mut rig = Rig::new(nickel());
    rig.go_to(2);
    rig.yes_to(About::Feed);
    for command in [skip("clean enough"), GuideCommand::Redo(None), GuideCommand::Redo(Some(1))] {
        assert!(rig.say(command).unwrap_err().contains("stop the run first"));
    }
    rig.run_ends(RunState::Stopped, "stopped by ada");
    let view = rig.view();
    assert_eq!((view.state, view.steps[1].state), (RunState::Held, Progress::Failed));
    let held = view.held.unwrap();
    assert!(held.why.contains("stopped by ada") && !held.may_resume, "{held:?}");
    assert!(rig.say(GuideCommand::Resume).unwrap_err().contains("redo"));
    rig.say(GuideCommand::Redo(None)).unwrap();
    rig.yes_to(About::Feed);
    assert_eq!(rig.started, ["cleaner", "cleaner"]);
    assert_eq!(rig.view().state, RunState::Running);
}

#[test]
fn earlier_step_is_done_again_and_so_is_everything_after_it() {
    let mut rig = Rig::new(nickel());
    rig.go_to(5);
    assert!(rig.say(GuideCommand::Redo(Some(6))).is_err());
    assert!(rig.say(GuideCommand::Redo(Some(0))).is_err());
    rig.say(GuideCommand::Redo(Some(2))).unwrap();
    let view = rig.view();
    assert_eq!(view.step, 2);
    assert!(view.steps[2..5].iter().all(|s| s.state == Progress::Again), "{view:?}");
    assert_eq!(rig.left().last(), Some(&(5, StepOutcome::Redone)));
    rig.go_to(7);
    assert_eq!(rig.view().state, RunState::Complete);
    assert_eq!(rig.started, ["cleaner", "cleaner", "nickel"]);
}

#[test]
fn leads_are_confirmed_each_way_before_any_current() {
    let mut rig = Rig::new(plan(vec![
        powered("clean", "cleaner", Purpose::Clean, Polarity::Cathode),
        powered("etch", "woods", Purpose::Activate, Polarity::Anode),
        powered("strike", "woods", Purpose::Strike, Polarity::Cathode),
    ]));
    rig.asks(About::Feed);
    assert!(rig.view().say.contains("negative"), "{}", rig.view().say);
    rig.go_to(2);
    rig.asks(About::Polarity);
    assert!(rig.view().say.contains("ANODE"), "{}", rig.view().say);
    // Whoever cannot swap starts nothing, and is asked again.
    rig.answer(JobAnswer::No).unwrap();
    assert_eq!(rig.view().state, RunState::Held);
    rig.say(GuideCommand::Resume).unwrap();
    rig.yes_to(About::Polarity);
    rig.asks(About::Feed);
    assert!(rig.view().say.contains("POSITIVE"), "{}", rig.view().say);
    assert_eq!(rig.started, ["cleaner"]);
    rig.go_to(3);
    rig.yes_to(About::Polarity);
    rig.yes_to(About::Feed);
    rig.run_ends(RunState::Complete, "target reached");
    assert_eq!(rig.view().state, RunState::Complete);
}

#[test]
fn leads_left_swapped_by_a_skip_or_by_the_last_step_are_put_back() {
    let etch = || powered("etch", "woods", Purpose::Activate, Polarity::Anode);
    let mut rig =
        Rig::new(plan(vec![etch(), powered("strike", "woods", Purpose::Strike, Polarity::Cathode)]));
    // Perhaps half done, perhaps not touched: whoever swaps right ones makes the part the anode.
    rig.asks(About::Polarity);
    assert!(rig.view().say.contains("POSITIVE") && rig.view().say.contains("if they are not so"));
    rig.say(skip("no time")).unwrap();
    rig.asks(About::Polarity);
    let say = rig.view().say;
    assert!(say.contains("NEGATIVE") && say.contains("if they are not so"), "{say}");

    let mut rig = Rig::new(plan(vec![etch()]));
    rig.yes_to(About::Polarity);
    rig.yes_to(About::Feed);
    rig.run_ends(RunState::Complete, "target reached");
    rig.asks(About::Polarity);
    assert!(rig.say(skip("tired")).is_err());
    rig.yes_to(About::Polarity);
    assert_eq!(rig.view().state, RunState::Complete);

    let mut rig = Rig::new(plan(vec![etch()]));
    rig.yes_to(About::Polarity);
    rig.say(GuideCommand::Stop).unwrap();
    assert!(rig.view().say.contains("put them back"), "{}", rig.view().say);
}

#[test]
fn second_answer_to_one_question_is_refused_and_told_who_was_first() {
    let mut rig = Rig::new(nickel());
    let seq = rig.view().question.unwrap().seq;
    let both = |rig: &mut Rig| rig.say(GuideCommand::Answer { answer: JobAnswer::Done, seq: Some(seq) });
    both(&mut rig).unwrap();
    let no = both(&mut rig).unwrap_err();
    assert!(no.contains("answered already: done by mila") && no.contains("what stands now"), "{no}");
    rig.asks(About::Feed);
    assert!(rig.started.is_empty());
}

#[test]
fn done_is_no_answer_to_a_look() {
    let mut rig = Rig::new(nickel());
    rig.go_to(3);
    assert!(rig.answer(JobAnswer::Done).unwrap_err().contains("yes or no"));
    assert_eq!(rig.view().step, 3);
}

#[test]
fn question_of_the_run_is_the_jobs_and_goes_when_the_contact_answers_it() {
    let mut rig = Rig::new(nickel());
    rig.go_to(2);
    rig.yes_to(About::Feed);
    let turn = Event::Asked(Question::TurnPart { next: 2, faces: 2, count: false });
    rig.feed(GuideInput::Run(turn.clone()));
    rig.asks(About::TurnPart);
    // Seen by the contact: the run ramps again.
    rig.phase(RunState::Running, RunPhase::Ramp, None);
    assert!(rig.view().question.is_none());
    rig.feed(GuideInput::Run(turn));
    rig.yes_to(About::TurnPart);
    assert!(rig.view().question.is_none());
    rig.phase(RunState::Held, RunPhase::Off, Some("open-circuit: no current"));
    let view = rig.view();
    assert_eq!(view.state, RunState::Held);
    assert!(view.say.contains("open-circuit"), "{}", view.say);
    rig.say(GuideCommand::Resume).unwrap();
    assert_eq!(rig.view().state, RunState::Running);
}

#[test]
fn job_that_is_stopped_ends_when_its_run_has_ended_and_not_before() {
    let mut rig = Rig::new(nickel());
    rig.go_to(2);
    rig.yes_to(About::Feed);
    rig.say(GuideCommand::Stop).unwrap();
    let view = rig.view();
    assert_eq!((view.state, view.cause.as_deref()), (RunState::Stopped, Some("stopped by mila")));
    assert_eq!(rig.left().last(), Some(&(2, StepOutcome::Failed)));
    assert!(rig.say(GuideCommand::Resume).is_err());
}

#[test]
fn run_that_was_not_started_leaves_the_step_where_it_was() {
    let mut rig = Rig::new(nickel());
    rig.go_to(2);
    let ask = GuideCommand::Answer { answer: JobAnswer::Done, seq: None };
    rig.guide.command(rig.now, "mila", ask).unwrap();
    rig.feed(GuideInput::RunRefused("the supply is not connected".into()));
    let view = rig.view();
    assert!(view.held.unwrap().why.contains("not connected"));
    rig.say(GuideCommand::Resume).unwrap();
    rig.yes_to(About::Feed);
    assert_eq!(rig.started, ["cleaner"]);
}

#[test]
fn off_between_runs_holds_the_job() {
    let mut rig = Rig::new(nickel());
    rig.go_to(4);
    rig.feed(GuideInput::Off { by: "ada".into() });
    assert!(rig.view().say.contains("ada sent off"));
    assert!(rig.view().question.is_none());
}

#[test]
fn daemon_that_ends_ends_the_job() {
    let mut rig = Rig::new(nickel());
    rig.go_to(4);
    rig.feed(GuideInput::Quit);
    assert_eq!(rig.view().state, RunState::Aborted);
    assert_eq!(rig.left().last(), Some(&(4, StepOutcome::Failed)));
}

#[test]
fn rest_of_a_job_begins_at_the_first_step_that_was_not_done_or_earlier_never_later() {
    let plan = nickel();
    // Hung, cleaned, failed to look, cleaned again, then the lights went out.
    let rows = [(0, true), (1, true), (2, false), (1, true), (2, false)];
    assert_eq!(plan.rest(rows, None), Ok(2));
    assert_eq!(plan.rest(rows, Some("clean")), Ok(1));
    assert!(plan.rest(rows, Some("nickel")).unwrap_err().0.contains("water-break"));
    assert!(plan.rest(rows, Some("polish")).is_err());
    // What was done before it was sent back is to be done again.
    assert_eq!(plan.rest([(0, true), (1, true), (2, true), (3, true), (1, false)], None), Ok(1));
    // That job went on with another: what lies before its first step was done there.
    assert_eq!(plan.rest([(3, true), (4, false)], None), Ok(4));
    assert_eq!(plan.rest([], None), Ok(0));
}

#[test]
fn job_that_goes_on_asks_how_the_leads_are_before_its_first_current() {
    let guide = Guide::new("job-2", "mila", nickel(), 4, Some("job-1".into()), Reference::default()).unwrap();
    let rig = Rig::of(guide);
    assert_eq!(rig.view().steps[3].state, Progress::Earlier);
    rig.asks(About::Polarity);
    // Nobody knows whether they are swapped: whoever swaps right ones plates the anodes.
    let say = rig.view().say;
    assert!(say.contains("NEGATIVE") && say.contains("if they are not so"), "{say}");
}

#[test]
fn no_tank_is_fed_without_a_word_on_which_side_the_part_hangs() {
    let mut rig = Rig::new(plan(vec![
        powered("clean", "cleaner", Purpose::Clean, Polarity::Cathode),
        powered("nickel", "nickel", Purpose::Plate, Polarity::Cathode),
    ]));
    rig.go_to(2);
    rig.asks(About::Feed);
    assert!(rig.view().say.contains("nickel") && rig.view().say.contains("negative"), "{}", rig.view().say);
}

#[test]
fn bake_counts_from_the_oven_and_warns_when_it_is_late() {
    let mut bake = nickel().steps[5].clone();
    bake.todo = JobTodo::Prompt {
        say: "Into the oven.".into(),
        bake: Some(JobBake {
            temperature: crate::quantity::Temperature::new(200.0),
            time: seconds(3600),
            within: seconds(600),
        }),
    };
    let mut rig = Rig::new(plan(vec![powered("nickel", "nickel", Purpose::Plate, Polarity::Cathode), bake]));
    rig.go_to(2);
    rig.pass(seconds(599));
    assert!(rig.view().warnings.is_empty());
    rig.pass(seconds(2));
    assert_eq!(rig.view().warnings[0].kind, "bake-late");
    rig.yes_to(About::GoTo);
    rig.pass(seconds(3599));
    assert!(rig.view().question.is_none());
    rig.pass(seconds(1));
    rig.yes_to(About::TakeOut);
    assert_eq!(rig.view().state, RunState::Complete);
}

#[test]
fn guide_that_is_written_down_and_read_again_goes_on_as_if_nothing_had_happened() {
    let mut rig = Rig::new(nickel());
    rig.go_to(4);
    rig.yes_to(About::GoTo);
    rig.pass(seconds(10));
    let text = serde_json::to_string(&rig.guide).unwrap();
    let again: Guide = serde_json::from_str(&text).unwrap();
    assert_eq!(again, rig.guide);
    assert_eq!(again.view(rig.now), rig.view());
}

#[test]
fn hazards_of_a_step_are_told_once_and_shown_as_long_as_it_lasts() {
    let mut rig = Rig::new(nickel());
    rig.go_to(3);
    rig.answer(JobAnswer::No).unwrap();
    assert_eq!(rig.view().hazards, ["Hot caustic."]);
    let told = |e: &&JobEvent| matches!(e, JobEvent::Note(text) if text.contains("caustic"));
    assert_eq!(rig.events.iter().filter(told).count(), 1);
}

#[test]
fn inspect_that_leads_back_to_itself_cannot_be_asked_for_ever() {
    let mut rig = Rig::new(plan(vec![inspect("look", 0, 3)]));
    for _ in 0..3 {
        rig.answer(JobAnswer::No).unwrap();
        assert_eq!(rig.view().state, RunState::Running);
    }
    rig.answer(JobAnswer::No).unwrap();
    assert_eq!(rig.view().state, RunState::Held);
}

#[test]
fn load_that_is_to_be_hung_live_is_never_said_to_be_under_current_before_it_hangs() {
    let mut live = powered("strike", "strike", Purpose::Strike, Polarity::Cathode);
    let JobTodo::Powered { order, .. } = &mut live.todo else { unreachable!() };
    order.entry = crate::process::Entry::Live;
    let mut rig = Rig::new(plan(vec![live]));
    // The stand-in for the controller is at its ramp at once; the real one comes to it by the entry.
    let (said, _) = rig.guide.command(rig.now, "mila", answer_done()).unwrap();
    let hears = |rig: &mut Rig, event| {
        rig.guide.step(rig.now, GuideInput::Run(event));
        rig.view().say
    };
    let phase = |phase| Event::Phase { state: RunState::Running, phase, why: None };
    for said in [said, hears(&mut rig, phase(RunPhase::Entry))] {
        assert!(said.contains("Keep the load out of strike") && !said.contains("under current"), "{said}");
    }
    let said = hears(&mut rig, Event::Asked(Question::HangPart));
    assert!(said.starts_with("The entry voltage is ON. Hang the load in strike"), "{said}");
    assert_eq!(rig.guide.command(rig.now, "mila", answer_done()).unwrap().0, "the current comes up");
    let said = hears(&mut rig, Event::Answered { by: "mila".into(), answer: crate::run::Answer::Done });
    assert!(said.contains("hands off the bar: the current comes up in strike"), "{said}");
    assert_eq!(hears(&mut rig, phase(RunPhase::Steady)), "Wait: the load is under current in strike.");
    // After a hold the load is in: nobody is told to keep it out.
    hears(&mut rig, Event::Phase { state: RunState::Held, phase: RunPhase::Off, why: None });
    let said = hears(&mut rig, phase(RunPhase::Entry));
    assert!(said.contains("the current comes up in strike"), "{said}");
    let said = hears(&mut rig, phase(RunPhase::Turn));
    assert!(said.contains("switched for the turn"), "{said}");
}

fn answer_done() -> GuideCommand {
    GuideCommand::Answer { answer: JobAnswer::Done, seq: None }
}

#[test]
fn time_without_current_counts_from_the_last_dip_or_run_and_only_where_the_load_waits() {
    let bare = |rig: &Rig| rig.guide.without_current(rig.now).map(|t| t.as_secs());
    let mut rig = Rig::new(nickel());
    assert_eq!(bare(&rig), None, "no current has been on yet");
    rig.go_to(3);
    rig.pass(seconds(7));
    assert_eq!(bare(&rig), None, "a look that nothing hurries");
    rig.say(GuideCommand::Hold).unwrap();
    assert_eq!(bare(&rig), Some(7), "held, since the cleaner's current ended");
    rig.say(GuideCommand::Resume).unwrap();
    rig.go_to(5);
    rig.pass(seconds(4));
    rig.asks(About::Feed);
    assert_eq!(bare(&rig), Some(4), "before the nickel, since the acid");
    rig.yes_to(About::Feed);
    rig.pass(seconds(3));
    assert_eq!(bare(&rig), None, "the run speaks for itself");
    rig.run_ends(RunState::Aborted, "switched off by mila");
    rig.pass(seconds(5));
    assert_eq!(bare(&rig), Some(5), "the run ended early and the load still hangs");
    rig.say(GuideCommand::Stop).unwrap();
    assert_eq!(bare(&rig), None);
}

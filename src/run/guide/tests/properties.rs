//! What holds whatever anybody does, in any order.

use super::rig::{Rig, inspect, nickel, plan, powered, seconds};
use crate::process::{Polarity, Purpose};
use crate::run::guide::{
    About, GuideCommand, GuideInput, JobAnswer, JobEvent, JobPlan, JobTodo, StepOutcome,
};
use crate::run::{Event, Question, RunPhase, RunState};
use proptest::prelude::*;

#[derive(Clone, Debug)]
enum Deed {
    Say(GuideCommand),
    Wait(u64),
    RunEnds(bool),
    RunHeld,
    Turn,
    Off,
}

fn deed() -> impl Strategy<Value = Deed> {
    let answer = prop_oneof![Just(JobAnswer::Yes), Just(JobAnswer::No), Just(JobAnswer::Done)];
    prop_oneof![
        8 => (answer, prop::option::weighted(0.2, 0..30u32))
            .prop_map(|(answer, seq)| Deed::Say(GuideCommand::Answer { answer, seq })),
        1 => prop::option::of(0..9usize).prop_map(|n| Deed::Say(GuideCommand::Redo(n))),
        1 => prop_oneof![Just(""), Just(" "), Just("why not")]
            .prop_map(|r| Deed::Say(GuideCommand::Skip { reason: r.into() })),
        1 => Just(Deed::Say(GuideCommand::Hold)),
        2 => Just(Deed::Say(GuideCommand::Resume)),
        4 => (1..90u64).prop_map(Deed::Wait),
        4 => any::<bool>().prop_map(Deed::RunEnds),
        1 => Just(Deed::RunHeld),
        1 => Just(Deed::Turn),
        1 => Just(Deed::Off),
    ]
}

/// Polarity both ways, two looks, a dip.
fn sheet() -> JobPlan {
    let mut steps = nickel().steps;
    steps.insert(4, powered("etch", "woods", Purpose::Activate, Polarity::Anode));
    steps.insert(5, inspect("again", 1, 1));
    plan(steps)
}

fn polarity(plan: &JobPlan, step: usize) -> Polarity {
    match &plan.steps[step].todo {
        JobTodo::Powered { part, .. } => *part,
        other => panic!("a run of {other:?}"),
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn no_run_without_its_questions_no_step_passed_over_no_endless_way_back(
        deeds in prop::collection::vec(deed(), 1..200)
    ) {
        let mut rig = Rig::new(sheet());
        let plan = sheet();
        let (mut asked, mut last_run) = (0u32, None::<Polarity>);
        let mut seen = 0;
        for deed in deeds {
            let before = rig.started.len();
            let question = rig.view().question;
            let at = rig.view().step - 1;
            match deed {
                Deed::Say(command) => { let _taken = rig.say(command); }
                Deed::Wait(s) => rig.pass(seconds(s)),
                Deed::RunEnds(well) if rig.on => {
                    let how = if well { RunState::Complete } else { RunState::Aborted };
                    rig.run_ends(how, "it ended");
                }
                Deed::RunHeld if rig.on => rig.phase(RunState::Held, RunPhase::Off, Some("a watch")),
                Deed::Turn if rig.on && rig.view().state == RunState::Running => {
                    rig.feed(GuideInput::Run(Event::Asked(Question::TurnPart { next: 2, faces: 2, count: false })));
                }
                Deed::Off if !rig.on => rig.feed(GuideInput::Off { by: "ada".into() }),
                _ => {}
            }
            let view = rig.view();
            // A run starts only from the answer to "the supply feeds this tank", with the polarity confirmed.
            if rig.started.len() > before {
                prop_assert_eq!(question.map(|q| q.about), Some(About::Feed));
                let part = polarity(&plan, at);
                if last_run.is_some_and(|l| l != part) {
                    let swap = rig.events.iter().any(|e| matches!(e, JobEvent::Asked(q) if q.about == About::Polarity));
                    prop_assert!(swap);
                }
                if part == Polarity::Anode || last_run == Some(Polarity::Anode) && part == Polarity::Cathode {
                    prop_assert!(confirmed_since_last_run(&rig.events, seen) || last_run == Some(part));
                }
                last_run = Some(part);
                seen = rig.events.len();
            }
            prop_assert_eq!(view.may_skip && rig.on, false);
            // Numbers of questions only grow.
            if let Some(q) = &view.question {
                prop_assert!(q.seq >= asked);
                asked = q.seq;
            }
            if view.state != RunState::Running && view.state != RunState::Held {
                prop_assert!(!rig.on);
                break;
            }
            prop_assert!(!view.say.is_empty());
        }
        // Every step before the one at work was left done, or skipped with a reason.
        let mut left = vec![false; plan.steps.len()];
        let mut backs = vec![0u32; plan.steps.len()];
        for event in &rig.events {
            match event {
                JobEvent::StepBegan { step, .. } => {
                    prop_assert!(left[..*step].iter().all(|done| *done), "step {} before its time", step + 1);
                    left[*step..].fill(false);
                }
                JobEvent::StepEnded { step, outcome, reason, .. } => {
                    if *outcome == StepOutcome::Skipped {
                        prop_assert!(reason.as_ref().is_some_and(|r| !r.trim().is_empty()));
                    }
                    left[*step] = matches!(outcome, StepOutcome::Done | StepOutcome::Skipped);
                    if reason.as_ref().is_some_and(|r| r.contains("back to")) {
                        backs[*step] += 1;
                    }
                }
                _ => {}
            }
        }
        for (step, backs) in plan.steps.iter().zip(backs) {
            let most = match step.todo { JobTodo::Inspect { most, .. } => u32::from(most), _ => 0 };
            prop_assert!(backs <= most);
        }
    }
}

/// Whether a question of polarity was answered with done since that event.
fn confirmed_since_last_run(events: &[JobEvent], since: usize) -> bool {
    let asked: Vec<u32> = events[since.min(events.len())..]
        .iter()
        .filter_map(|e| match e {
            JobEvent::Asked(q) if q.about == About::Polarity => Some(q.seq),
            _ => None,
        })
        .collect();
    events.iter().any(|e| {
        matches!(e, JobEvent::Answered { seq, answer: JobAnswer::Done | JobAnswer::Yes, .. } if asked.contains(seq))
    })
}

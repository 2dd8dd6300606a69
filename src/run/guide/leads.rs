//! What each answer to a question leads to, said before it is given.

use super::api::{About, JobAnswer, LeadsTo};
use super::machine::{Guide, Phase};
use super::plan::{JobStep, JobTodo};
use super::words;
use crate::process::{Entry, Polarity, spoken};
use crate::quantity::Span;

/// For each of the answers to the question that is about to be put.
pub(super) fn leads_to(guide: &Guide, about: About, answers: &[JobAnswer]) -> Vec<LeadsTo> {
    let then = |answer: JobAnswer| match (about, answer) {
        (About::Inspect, JobAnswer::No) => not_passed(guide),
        (_, JobAnswer::No) => no(guide, about),
        _ => done(guide, about),
    };
    answers.iter().map(|&answer| LeadsTo { answer, then: then(answer) }).collect()
}

/// Where the "no" of a look leads.
fn not_passed(guide: &Guide) -> String {
    let JobTodo::Inspect { back_to, most, .. } = &guide.here().todo else { return String::new() };
    let to = (*back_to).min(guide.at);
    let left = most.saturating_sub(guide.passages[guide.at].backs);
    if left == 0 {
        let often = if *most == 1 { "once".into() } else { format!("{most} times") };
        return format!("the job is held with the sheet's advice (it has led back {often} already)");
    }
    let tries = if *most == 1 { "try" } else { "tries" };
    format!("back to step {}, {} ({left} of {most} {tries} left)", to + 1, place(&guide.plan.steps[to]))
}

/// Anything that cannot be done.
fn no(guide: &Guide, about: About) -> String {
    match about {
        About::HangPart | About::TurnPart => {
            "the run is held with the output off until you say how to go on".into()
        }
        _ if guide.phase == Phase::SwapBack => {
            "the job is held, the leads perhaps still swapped; resume asks again, stop ends it".into()
        }
        _ => {
            "the job is held, the output off; resume asks again, redo does a step again, skip leaves it out, stop ends it"
                .into()
        }
    }
}

fn done(guide: &Guide, about: About) -> String {
    let step = guide.here();
    match (about, guide.phase) {
        (_, Phase::SwapBack) => "the job is complete".into(),
        (About::HangPart, _) => "the current comes up".into(),
        (About::TurnPart, _) => "the current comes up again for the next face".into(),
        (About::Polarity, _) => format!("next you put the supply on {}", tank(step)),
        (About::Feed, _) => match &step.todo {
            JobTodo::Powered { order, .. } if order.entry == Entry::Dead => {
                format!("CURRENT: it comes up in {} by itself", tank(step))
            }
            _ => "the entry voltage comes ON; then you are asked to hang the load".into(),
        },
        (About::GoTo, _) => match words::dwell(step).0 {
            Some(time) => format!("the {} count from then", Span::from(time)),
            None => after(guide),
        },
        (About::TakeOut, _) if !step.rinse.is_empty() => format!("rinse in {}", words::waters(step)),
        _ => after(guide),
    }
}

/// What comes when the step at work is left as done.
fn after(guide: &Guide) -> String {
    match guide.plan.steps.get(guide.at + 1) {
        Some(next) => format!("on to step {}, {}", guide.at + 2, place(next)),
        None if guide.swapped && guide.leads != Some(Polarity::Cathode) => {
            "last, the part's bar goes back to the negative side".into()
        }
        None => "the job is complete".into(),
    }
}

fn place(step: &JobStep) -> String {
    // Many a step is called as its tank is: "nickel in nickel" says nothing more.
    let tank = step.tank.as_ref().filter(|tank| **tank != step.name);
    format!("{}{}", spoken(&step.name), tank.map_or(String::new(), |tank| format!(" in {tank}")))
}

fn tank(step: &JobStep) -> &str {
    step.tank.as_deref().unwrap_or("its tank")
}

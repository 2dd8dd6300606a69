//! What is said to the person at the tank.

use super::api::{About, JobAnswer};
use super::machine::{Guide, Phase};
use super::plan::{JobStep, JobTodo};
use super::{JobPlan, WarningKind};
use crate::process::{Between, Confirm, Entry, Polarity, spoken};
use crate::quantity::Span;
use crate::run::{Outcome, Question, RunPhase};
use std::time::Duration;

/// How long a load is to stay in, and how long at most; a bake counts like a dip.
pub(super) fn dwell(step: &JobStep) -> (Option<Duration>, Option<Duration>) {
    match &step.todo {
        JobTodo::Dip { time, most } => (Some(*time), *most),
        JobTodo::Prompt { bake: Some(bake), .. } => (Some(bake.time), None),
        _ => (None, None),
    }
}

/// Whether the step puts metal on the part.
pub(super) fn deposits(step: &JobStep) -> bool {
    matches!(&step.todo, JobTodo::Powered { part: Polarity::Cathode, order, .. } if order.deposit.is_some())
}

fn tank(step: &JobStep) -> &str {
    step.tank.as_deref().unwrap_or("its tank")
}

fn span(time: Duration) -> String {
    Span::from(time).to_string()
}

/// The question of the phase that the guide is in.
pub(super) fn question(guide: &Guide) -> (About, String, Vec<JobAnswer>) {
    let step = guide.here();
    let done = vec![JobAnswer::Done, JobAnswer::No];
    match guide.phase {
        Phase::Polarity => (About::Polarity, polarity(step), done),
        Phase::Feed => (About::Feed, feed(step), done),
        Phase::In(_) => (About::TakeOut, take_out(step), done),
        Phase::Rinse => (About::Rinse, rinse(step), done),
        Phase::Look => {
            let text = match &step.todo {
                JobTodo::Inspect { question, .. } => question.clone(),
                _ => String::new(),
            };
            (About::Inspect, text, vec![JobAnswer::Yes, JobAnswer::No])
        }
        Phase::SwapBack => (
            About::Polarity,
            format!("Current is off: {NEGATIVE}, so that the next load finds it so. {IF_NOT_SO}"),
            done,
        ),
        Phase::GoTo | Phase::Run | Phase::RunFailed | Phase::Over => match &step.todo {
            JobTodo::Prompt { say, bake: None } => (About::Prompt, say.clone(), done),
            JobTodo::Prompt { say, bake: Some(bake) } => {
                let text = format!(
                    "{say} Say done when the part itself is at {}; the {} count from then.",
                    bake.temperature,
                    span(bake.time)
                );
                (About::GoTo, text, done)
            }
            JobTodo::Dip { time, most } => {
                let most = most.map_or(String::new(), |m| format!(", out by {} at the latest", span(m)));
                let text = format!(
                    "Hang the load in {} for {}{most}, without current. Say done the moment it is in.",
                    tank(step),
                    span(*time)
                );
                (About::GoTo, text, done)
            }
            _ => (About::GoTo, String::new(), done),
        },
    }
}

const NEGATIVE: &str = "the part's bar belongs on the NEGATIVE side, the anodes on the positive";
/// Nobody knows for certain how the leads are: a job goes on where another was cut off, a step is done again, or left out
/// with the leads in hand. Told to swap them, a person with them right would make the part the anode.
const IF_NOT_SO: &str = "SWAP THE LEADS if they are not so already.";

fn polarity(step: &JobStep) -> String {
    match &step.todo {
        JobTodo::Powered { part: Polarity::Anode, .. } => format!(
            "Current is off: in {} the part is the ANODE, its bar belongs on the POSITIVE side, the plates on the \
             negative. {IF_NOT_SO}",
            tank(step)
        ),
        _ => format!("Current is off: from here on the part is the cathode, {NEGATIVE}. {IF_NOT_SO}"),
    }
}

fn feed(step: &JobStep) -> String {
    let JobTodo::Powered { part, order, .. } = &step.todo else { return String::new() };
    // With each tank the leads are taken in hand anew, and may be turned round by it.
    let side = match part {
        Polarity::Anode => ", the part on the POSITIVE side",
        Polarity::Cathode => ", the part on the negative side",
    };
    let anodes = step.anodes.as_ref().map_or(String::new(), |a| format!(" (opposite: {a})"));
    let hang = match order.entry {
        Entry::Dead => "Hang the load in it. The current comes up by itself when you say done.",
        Entry::Live | Entry::OnContact => {
            "Do NOT hang the load yet: the entry voltage comes on when you say done, then you are asked for it."
        }
    };
    format!("Put the supply's leads on {}{anodes} and on no other tank{side}. {hang}", tank(step))
}

fn take_out(step: &JobStep) -> String {
    match &step.todo {
        JobTodo::Prompt { .. } => "The bake is over: take it out of the oven and let it cool.".into(),
        _ => format!("Take the load out of {} NOW.", tank(step)),
    }
}

/// What the run asks, with the tank's name in it.
pub(super) fn run_question(step: &JobStep, question: &Question) -> String {
    match question {
        Question::HangPart => {
            format!("The entry voltage is ON. Hang the load in {}.", tank(step))
        }
        Question::TurnPart { next, faces, count } => {
            let turn = match &step.todo {
                JobTodo::Powered { order, .. } => order.turn,
                _ => None,
            };
            let now = match turn.map(|t| t.between) {
                Some(Between::EntryVoltage) => "The entry voltage is ON",
                _ => "Current is off",
            };
            let seen = match turn.map(|t| t.confirm) {
                Some(Confirm::Contact) => " When the contact breaks and returns, that is taken for done.",
                _ => "",
            };
            let count = if *count {
                "An alarm stands that a part may have fallen off: count the parts on the bar. "
            } else {
                ""
            };
            format!(
                "{now}. {count}Turn the parts so that face {next} of {faces} looks at the anode.{seen} When you say done, the \
                 current comes back by itself."
            )
        }
        Question::Held => question.sentence(),
    }
}

pub(super) fn over_dwell(step: &JobStep, time: Duration, most: Duration) -> String {
    format!(
        "The load is still in {}: the sheet allows {} and asks for {}.",
        tank(step),
        span(most),
        span(time)
    )
}

pub(super) fn late(step: &JobStep, kind: WarningKind) -> String {
    match (&step.todo, kind) {
        (JobTodo::Prompt { bake: Some(bake), .. }, _) => format!(
            "The part is not in the oven {} after plating: the sooner it is baked, the less hydrogen stays.",
            span(bake.within)
        ),
        _ => format!(
            "{} was to begin within {} of the step before: the metal passivates meanwhile.",
            capital(&spoken(&step.name)),
            step.within.map(span).unwrap_or_default()
        ),
    }
}

/// What to do about that warning in this step.
pub(super) fn remedy(step: &JobStep, kind: WarningKind) -> String {
    match kind {
        WarningKind::OverDwell if step.rinse.is_empty() => {
            format!("Take the load out of {} now and rinse it. Then look for etching.", tank(step))
        }
        WarningKind::OverDwell => {
            let waters = waters(step);
            format!(
                "Take the load out of {} now and rinse it in {waters}. Then look for etching.",
                tank(step)
            )
        }
        WarningKind::Late => {
            let now = match &step.tank {
                Some(tank) => format!("Get the load into {tank} now."),
                None => format!("{} now.", title(step)),
            };
            format!("{now} If it has dried or waited for minutes, activate it again first.")
        }
        WarningKind::BakeLate => kind.help().remedy.into(),
    }
}

/// What to do when a step's run did not reach its target.
pub(super) fn after_a_failed_run(outcome: &Outcome) -> String {
    let charge = outcome.charge.charge();
    format!(
        "{} passed. Mend the cause; a redo gives the whole step again on top of what is there. Redo the step or an \
         earlier one (an interrupted deposit wants activating anew), skip it with a reason, or stop the job",
        charge.show_in("A.min")
    )
}

/// For whoever ends or skips a step while the load is in.
pub(super) fn still_in(guide: &Guide) -> String {
    match guide.phase {
        Phase::In(_) => format!("; the load is in {}: take it out and rinse it", tank(guide.here())),
        _ => String::new(),
    }
}

/// What to do now, in one sentence.
pub(super) fn what_now(guide: &Guide) -> String {
    use crate::run::RunState;
    let step = guide.here();
    match guide.state {
        RunState::Complete => return "The job is complete.".into(),
        RunState::Stopped | RunState::Aborted => {
            let leads = if guide.swapped && guide.leads != Some(Polarity::Cathode) {
                " The leads may be swapped: put them back."
            } else {
                ""
            };
            return format!("The job is {}.{leads}", guide.state.name());
        }
        RunState::Idle | RunState::Running | RunState::Held => {}
    }
    if let Some(held) = &guide.held {
        let danger = match guide.phase {
            Phase::In(_) => format!(" The load is in {}: take it out and rinse it.", tank(step)),
            _ => String::new(),
        };
        let advice =
            held.advice.as_ref().map(|a| format!(" {}.", a.trim_end_matches('.'))).unwrap_or_default();
        return format!("{}.{danger}{advice}", is_held(held.why.trim_end_matches('.')));
    }
    if let Some(question) = &guide.question {
        return question.text.clone();
    }
    match guide.phase {
        Phase::In(_) => format!("Wait: the load is in {}.", tank(step)),
        Phase::Run => under_way(guide, step),
        _ => String::new(),
    }
}

/// While the step's run is on and asks nothing: what it does in its phase.
fn under_way(guide: &Guide, step: &JobStep) -> String {
    let tank = tank(step);
    match guide.run_phase {
        RunPhase::Entry if !guide.hung => format!(
            "Keep the load out of {tank}: the entry voltage is coming on, and you are asked to hang it in a moment."
        ),
        RunPhase::Entry => format!("Wait, hands off the bar: the current comes up in {tank} by itself."),
        RunPhase::Turn => "Wait, hands off the bar: the output is being switched for the turn.".into(),
        RunPhase::Off => format!("Wait: the output is going off in {tank}."),
        RunPhase::Ramp | RunPhase::Steady => format!("Wait: the load is under current in {tank}."),
    }
}

/// What comes after the step at work, in a few words.
pub(super) fn next(plan: &JobPlan, at: usize) -> Option<String> {
    let step = plan.steps.get(at + 1)?;
    Some(match &step.todo {
        JobTodo::Dip { time, .. } => format!("{}: {} in {}", spoken(&step.name), span(*time), tank(step)),
        JobTodo::Powered { .. } => format!("{}: with current in {}", spoken(&step.name), tank(step)),
        JobTodo::Inspect { .. } => format!("{}: look", spoken(&step.name)),
        JobTodo::Prompt { .. } => spoken(&step.name),
    })
}

/// The step's name for people: "Look: water break again".
pub(super) fn title(step: &JobStep) -> String {
    let name = spoken(&step.name);
    match step.todo {
        JobTodo::Inspect { .. } => format!("Look: {name}"),
        _ => capital(&name),
    }
}

/// The rinses one after the other: "running water, then deionised water kept for nickel".
pub(super) fn waters(step: &JobStep) -> String {
    let mut said = String::new();
    for (at, water) in step.rinse.iter().enumerate() {
        if at > 0 {
            said += ", then ";
        }
        said += water;
        if at > 0 && step.rinse[at - 1] == *water {
            said += " once more";
        }
    }
    said
}

fn rinse(step: &JobStep) -> String {
    let waters = waters(step);
    match &step.todo {
        JobTodo::Powered { .. } => format!("Current is off. Lift the load out. Rinse in {waters}."),
        _ => format!("Rinse in {waters}."),
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// "held by Rosa" is a hold already; anything else is why there is one.
fn is_held(why: &str) -> String {
    if why.starts_with("held ") { capital(why) } else { format!("Held: {why}") }
}

//! Climbing toward the fastest safe density, one reasoned step at a time.
//!
//! Off unless the order asks for it. Up only while the burn margin's worst case
//! stays above what was asked for and nothing else speaks against it; down at once
//! on the evidence of any strand; never above the order's own top.

use super::api::{Action, Event};
use super::controller::Controller;
use super::ramp::Ramp;
use super::stage::Stage;
use crate::plan::Control;
use crate::quantity::Amps;
use crate::watch::{Margin, Strand};
use std::time::Duration;

/// The setpoint is looked at so long after it was last moved: the film needs
/// seconds, the drift watch half a minute, to answer to a step.
const LOOK: Duration = Duration::from_secs(40);
/// After a step down nothing goes up for this long.
const REST: Duration = Duration::from_secs(300);
const UP: f64 = 1.05;
const DOWN: f64 = 0.9;

/// How far the search has come.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Seeking {
    /// Worked time before which the setpoint is left alone.
    look_at: Duration,
    /// Worked time before which nothing goes up.
    rest_until: Duration,
}

/// Where the next step goes, and why.
#[derive(Clone, Debug, PartialEq)]
enum Step {
    Up(String),
    Down(String),
    Stay,
}

impl Controller {
    /// Called with each good reading while the setpoint is held.
    pub(super) fn seek(&mut self, out: &mut Vec<Action>) {
        let margin = self.panel.margin();
        let against = self.panel.against_more();
        let Some(run) = &mut self.run else { return };
        let (Some(seek), Control::Current { ceiling: _, slope, .. }) = (run.order.seek, run.order.control)
        else {
            return;
        };
        let worked = run.worked;
        if run.seeking.look_at.is_zero() {
            // The first look waits as long as every other.
            run.seeking.look_at = worked + LOOK;
        }
        if worked < run.seeking.look_at {
            return;
        }
        let rested = worked >= run.seeking.rest_until;
        let next = match decide(margin, against.as_deref(), seek.margin, rested) {
            Step::Up(why) => Some((run.setpoint * UP, why)),
            Step::Down(why) => {
                run.seeking.rest_until = worked + REST;
                Some((run.setpoint * DOWN, why))
            }
            Step::Stay => None,
        };
        run.seeking.look_at = worked + LOOK;
        let Some((wanted, why)) = next else { return };
        let wanted = wanted.min(seek.top).max(Amps::ZERO);
        if (wanted - run.setpoint).abs() < Amps::new(1e-3) {
            return;
        }
        let from = run.setpoint;
        run.setpoint = wanted;
        let ramp = Ramp::new(from.get(), wanted.get(), slope.get());
        out.push(Action::Record(Event::Note(format!("seeking: {from} to {wanted}: {why}"))));
        self.enter(Stage::Climbing(ramp), None, out);
    }
}

fn decide(margin: Option<Margin>, against: Option<&str>, least: f64, rested: bool) -> Step {
    let percent = |x: f64| format!("{:.0} %", x * 100.0);
    if let Some(why) = against {
        return Step::Down(why.to_owned());
    }
    let Some(m) = margin else {
        return Step::Stay;
    };
    let strand = match m.strand {
        Strand::Density => "density",
        Strand::Voltage => "volts",
        Strand::Late => "signs of gas",
    };
    if m.low < least {
        return Step::Down(format!(
            "the margin by {strand} may be as low as {}, {} is asked for",
            percent(m.low),
            percent(least)
        ));
    }
    // What a step up would leave at worst, before it is taken.
    let after = 1.0 - (1.0 - m.low) * UP;
    if rested && after >= least {
        return Step::Up(format!(
            "the margin by {strand} is {} at worst, {} is asked for",
            percent(m.low),
            percent(least)
        ));
    }
    Step::Stay
}

//! The turns of a run, as the worksheet tells them: which face, when, and what the output does meanwhile.

use super::Order;
use crate::process::{Between, Confirm};
use crate::quantity::{Ratio, Span, Units};
use serde::Serialize;

/// The turns of one run.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Turning {
    /// Over how many faces.
    pub faces: u8,
    /// Each turn, in order: one fewer than the faces.
    pub at: Vec<TurnAt>,
    /// Whether the output is off meanwhile, or the entry voltage stays on.
    pub between: Between,
    /// How the run learns that the parts are turned.
    pub confirm: Confirm,
    /// All of it to the person at the tank.
    pub say: String,
}

/// One turn.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct TurnAt {
    /// The face that comes to the anode, counted from 1.
    pub face: u8,
    /// After how long with the output on, ramps included.
    pub after: Span,
    /// The share of charge or time that is done by then.
    pub share: Ratio,
}

impl Turning {
    /// Those of an order that takes `time` with the output on; `None` where nothing is turned.
    pub(super) fn of(order: &Order, time: Span, units: Units) -> Option<Turning> {
        let turn = order.turn?;
        // Each face has the same share and its own ramp, so each takes as long.
        let share = |face: u8| f64::from(face - 1) / f64::from(turn.faces);
        let at: Vec<_> = (2..=turn.faces)
            .map(|face| TurnAt { face, after: time * share(face), share: Ratio::new(share(face)) })
            .collect();
        let faces: Vec<_> = at.iter().map(|turn| turn.face.to_string()).collect();
        let times: Vec<_> = at.iter().map(|turn| turn.after.show(units)).collect();
        let each = if at.len() > 1 { " each time" } else { "" };
        let when = format!("after {} of current", listed(&times));
        let turned = format!("turn the parts, face {} of {} to the anode", faces.join(", then "), turn.faces);
        let contact = match turn.confirm {
            Confirm::Contact => ", or let it see the contact break and return",
            Confirm::Operator => "",
        };
        let meanwhile = match turn.between {
            Between::Off => "the output goes off",
            Between::EntryVoltage => "the current falls",
        };
        let say = format!(
            "{when} {meanwhile}{each}: {turned}, and say so{contact}. {} until you do, however long it takes; that \
             is not in the time given",
            match turn.between {
                Between::Off => "No current flows".to_owned(),
                Between::EntryVoltage =>
                    format!("The output stays ON at {} and at most {}", order.entry_volts, order.entry_amps),
            }
        );
        Some(Turning { faces: turn.faces, at, between: turn.between, confirm: turn.confirm, say })
    }
}

/// "a", "a and b", "a, b and c".
fn listed(all: &[String]) -> String {
    match all {
        [before @ .., last] if !before.is_empty() => format!("{} and {last}", before.join(", ")),
        all => all.concat(),
    }
}

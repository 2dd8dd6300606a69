//! What may be behind an alarm, most likely first, and what one look tells.

use super::evidence::Evidence;
use super::kind::Kind;
use super::margin::Strand;
use super::rules::Context;
use crate::bath::Agitation;

/// One candidate: what it may be, and the look that tells it from the others.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Candidate {
    /// What it may be.
    pub cause: &'static str,
    /// What to look at.
    pub look: &'static str,
}

const COOLING: Candidate =
    Candidate { cause: "the bath is cooling", look: "read the thermometer; is the heater on?" };
const STIRRER: Candidate =
    Candidate { cause: "agitation has stopped", look: "look for bubbles or movement at the part" };
const PART_OFF: Candidate = Candidate { cause: "a part has fallen off", look: "count the parts on the bar" };
const ANODE_LEAD: Candidate =
    Candidate { cause: "an anode lead has come off", look: "follow each anode lead to its hook" };
const ANODE: Candidate = Candidate {
    cause: "the anode is going passive or its bag is clogged",
    look: "look for gas at the anode; squeeze the bag",
};
const CONTACT: Candidate =
    Candidate { cause: "a contact is hot or loose", look: "feel clip and clamps, with the output off" };
const METAL: Candidate =
    Candidate { cause: "metal is low", look: "compare colour or density with a fresh bath; analyse" };
const AREA: Candidate = Candidate {
    cause: "the area entered is too small or too large",
    look: "check the count and which faces were meant",
};
const TOUCH: Candidate = Candidate {
    cause: "something touches, or more area hangs in",
    look: "look for a part, wire or tool that touches the bar or the anode",
};
const CEILING: Candidate = Candidate {
    cause: "the voltage ceiling is too low for this load",
    look: "compare with the ceiling in the worksheet",
};
const PANEL: Candidate =
    Candidate { cause: "somebody used the supply's own panel", look: "ask, and look at the panel" };
const TRIPPED: Candidate =
    Candidate { cause: "the supply's own protection has tripped", look: "read the supply's display" };
const CLIP: Candidate = Candidate {
    cause: "the clip on the part is off or dirty",
    look: "look at the clip; wiggle it with the output off",
};

/// The candidates that fit the evidence, in order of likelihood.
///
/// Order from simulated cells: cooling shows every time and slowly; a passive
/// anode speeds up; a fallen part and a lost anode lead look the same in volts;
/// a stopped stirrer does not show in volts at all.
pub(super) fn candidates(kind: Kind, e: &Evidence, cx: &Context) -> Vec<Candidate> {
    let cold = cx.bath.and_then(|b| b.temperature).zip(cx.basis.and_then(|b| b.temperature));
    let cooled = cold.map(|((now, _), usual)| (usual - now).get() > 2.0);
    match kind {
        Kind::Drift | Kind::DriftNotice => match cooled {
            Some(true) => vec![COOLING, ANODE, METAL, CONTACT],
            // Warm and measured: it is not the heater.
            Some(false) => vec![ANODE, CONTACT, METAL],
            None => vec![COOLING, ANODE, CONTACT, METAL],
        },
        Kind::PartOff => vec![PART_OFF, ANODE_LEAD, CONTACT],
        Kind::Touch => vec![TOUCH],
        Kind::BadContact => vec![CLIP, CONTACT],
        Kind::VoltageLimit => vec![CEILING, COOLING, ANODE, CONTACT],
        Kind::OutputGone => vec![TRIPPED, PANEL],
        Kind::OpenCircuit => vec![CLIP, ANODE_LEAD],
        Kind::BurnMargin => {
            let mut all = Vec::new();
            if cx.bath.is_some_and(|b| b.agitation == Agitation::Still)
                && cx.basis.is_some_and(|b| b.agitation != Agitation::Still)
            {
                all.push(STIRRER);
            }
            if cooled == Some(true) {
                all.push(COOLING);
            }
            match e.margin.map(|m| m.strand) {
                Some(Strand::Voltage | Strand::Late) => all.extend([METAL, ANODE, AREA]),
                _ => all.extend([AREA, METAL]),
            }
            all
        }
        _ => Vec::new(),
    }
}

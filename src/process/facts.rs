//! What the checks need to know of each step: its tank's baths, taken together.

use super::{Kind, Polarity, Powered, Purpose, Sheet, Step, TankRole};
use crate::bath::Bath;

/// A step in a tank.
#[derive(Clone, Debug)]
pub(super) struct Wet<'s> {
    pub index: usize,
    pub step: &'s Step,
    pub tank: &'s TankRole,
    /// Every bath that may play the role and is known; never empty.
    pub baths: Vec<&'s Bath>,
}

impl<'s> Wet<'s> {
    /// Any of its baths makes hydrogen cyanide with acid.
    pub fn cyanide(&self) -> bool {
        self.baths.iter().any(|b| b.cyanide)
    }

    /// Any of its baths is acid.
    pub fn acid(&self) -> bool {
        self.baths.iter().any(|b| b.is_acid())
    }

    /// All of its baths are alkaline cleaners.
    pub fn cleaner(&self) -> bool {
        self.baths.iter().all(|b| b.metal.is_none() && b.ph.typical > 9.0)
    }

    /// The metal's id in `deposit`, of the usual bath.
    pub fn metal(&self) -> Option<&'s str> {
        self.baths[0].metal.as_deref()
    }

    /// The metal's symbol: `Au` of `Au(I)`.
    pub fn symbol(&self) -> Option<&'s str> {
        self.metal().map(|id| id.split('(').next().unwrap_or(id))
    }

    /// Whether its tank deposits metal on the part.
    pub fn deposits(&self) -> bool {
        self.metal().is_some() && self.powered().is_some_and(|p| p.part == Polarity::Cathode)
    }

    /// Strongly acid nickel or acid gold: a strike that holds on passive metal.
    /// pH 1.5 and under for nickel: from memory, between Wood's strike and any plating bath.
    pub fn bites(&self) -> bool {
        match self.symbol() {
            Some("Ni") => self.baths.iter().all(|b| b.ph.typical <= 1.5),
            Some("Au") => {
                self.step.purpose() == Some(Purpose::Strike) && self.baths.iter().all(|b| b.is_acid())
            }
            _ => false,
        }
    }

    /// Whether both baths are of one chemistry, so that one may drip into the other:
    /// the same metal, both cyanide or neither, both acid or neither.
    pub fn kin(&self, other: &Wet<'_>) -> bool {
        self.tank.name == other.tank.name
            || (self.symbol().is_some()
                && self.symbol() == other.symbol()
                && self.cyanide() == other.cyanide()
                && self.acid() == other.acid())
    }

    pub fn powered(&self) -> Option<&'s Powered> {
        match &self.step.kind {
            Kind::Powered(powered) => Some(powered),
            _ => None,
        }
    }
}

/// Every step in a tank whose role and baths are known, in order.
pub(super) fn wet<'s>(sheet: &'s Sheet, baths: &'s [Bath]) -> Vec<Wet<'s>> {
    let steps = sheet.steps.iter().enumerate();
    steps
        .filter_map(|(index, step)| {
            let tank = sheet.tank(step.tank()?)?;
            let baths: Vec<_> =
                tank.baths.iter().filter_map(|name| baths.iter().find(|b| b.name == *name)).collect();
            (!baths.is_empty()).then_some(Wet { index, step, tank, baths })
        })
        .collect()
}

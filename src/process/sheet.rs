//! A sheet and its steps.

use super::{End, Entry, Finding, Hold, Ramp, Turn};
use crate::quantity::{Span, Temperature, Volts};
use serde::{Deserialize, Serialize};

/// A choice of words: as files write them, and what each means.
macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $word:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum $name { $($(#[$vdoc])* $variant),+ }

        impl $name {
            /// Every one, as files write it.
            pub(crate) const WORDS: &'static [(&'static str, $name)] = &[$(($word, $name::$variant)),+];

            /// As files write it.
            pub fn name(self) -> &'static str {
                match self { $($name::$variant => $word),+ }
            }
        }
    };
}

words! {
    /// The metal a part is made of, or what covers it when it comes in.
    Base {
        /// Copper, and alloys plated like it.
        Copper = "copper",
        /// Brass and bronze.
        Brass = "brass",
        /// Low-carbon steel.
        Steel = "steel",
        /// Hardened or high-strength steel.
        HardenedSteel = "hardened-steel",
        /// Stainless steel.
        StainlessSteel = "stainless-steel",
        /// Zinc die casting.
        ZincDieCast = "zinc-die-cast",
        /// Old nickel plate, whatever is under it.
        Nickel = "nickel",
    }
}

words! {
    /// What a step is done for.
    Purpose {
        /// To take off soil.
        Clean = "clean",
        /// To take off oxide, so that metal meets metal.
        Activate = "activate",
        /// A thin deposit that holds where the plate itself would not.
        Strike = "strike",
        /// The deposit that was asked for, or one under it.
        Plate = "plate",
    }
}

words! {
    /// On which side of the supply the part hangs.
    Polarity {
        /// On the negative side: metal deposits, hydrogen forms.
        Cathode = "cathode",
        /// On the positive side: oxygen forms, metal dissolves.
        Anode = "anode",
    }
}

words! {
    /// What the other electrode of a tank is made of.
    Anode {
        /// Nickel; dissolves.
        Nickel = "nickel",
        /// Oxygen-free copper; dissolves.
        Copper = "copper",
        /// Copper with a little phosphorus; dissolves evenly in acid copper.
        PhosphorisedCopper = "phosphorised-copper",
        /// Fine silver; dissolves.
        Silver = "silver",
        /// Zinc; dissolves.
        Zinc = "zinc",
        /// Tin; dissolves.
        Tin = "tin",
        /// Lead alloy; does not dissolve.
        Lead = "lead",
        /// Steel; a counter-electrode in alkali.
        Steel = "steel",
        /// Stainless steel; does not dissolve without chloride.
        StainlessSteel = "stainless-steel",
        /// Platinised titanium; does not dissolve.
        PlatinisedTitanium = "platinised-titanium",
        /// No electrode: a dip.
        None = "none",
    }
}

words! {
    /// What a rinse is.
    Water {
        /// Fresh water runs through it.
        Running = "running",
        /// Nothing runs; it is changed by hand.
        Still = "still",
        /// Deionised or distilled, still.
        Deionised = "deionised",
    }
}

/// A tank by its role in the sheet; which tank of the workshop it is, the run says.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct TankRole {
    /// Its role: `cleaner`, `nickel`.
    pub name: String,
    /// Baths that may play it, the usual one first.
    pub baths: Vec<String>,
    /// Its anodes, or counter-electrodes.
    pub anodes: Anode,
    /// Whether they hang in cloth bags.
    pub bagged: bool,
}

/// A rinse by its role.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Rinse {
    /// Its role: `after-acid`.
    pub name: String,
    /// What it is.
    pub water: Water,
    /// The tank role that it is kept for alone, as that tank's last rinse.
    pub own: Option<String>,
}

impl Rinse {
    /// In words: "running water", "deionised water kept for nickel", "the gold drag-out (still water)".
    pub fn words(&self) -> String {
        let water = self.water.name();
        match &self.own {
            Some(role) => format!("{water} water kept for {}", spoken(role)),
            None if self.name.ends_with("drag-out") => format!("the {} ({water} water)", spoken(&self.name)),
            None => format!("{water} water"),
        }
    }
}

/// A name of the sheet as it is spoken: "water-break-again" is "water break again".
pub fn spoken(name: &str) -> String {
    name.replace('-', " ").replace("drag out", "drag-out")
}

/// Timed, without current.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Dip {
    /// The tank's role.
    pub tank: String,
    /// What for.
    pub purpose: Purpose,
    /// How long.
    pub time: Span,
    /// After how long at most it must be out; past it the run warns.
    pub most: Option<Span>,
}

/// With current.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Powered {
    /// The tank's role; it gets the charge.
    pub tank: String,
    /// What for.
    pub purpose: Purpose,
    /// Which side of the supply the part hangs on. The supply does not swap its
    /// leads: the operator does, and is asked.
    pub part: Polarity,
    /// What is held; without it the bath's typical density for the part's metal.
    pub hold: Option<Hold>,
    /// What ends it.
    pub end: End,
    /// How the part meets the tank.
    pub entry: Entry,
    /// The voltage at a live entry.
    pub entry_volts: Option<Volts>,
    /// How gently.
    pub ramp: Option<Ramp>,
    /// Turning the part.
    pub turn: Option<Turn>,
}

/// A question; "no" leads back, and after `most` times the run is held.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Inspect {
    /// What to look at, asked so that "yes" goes on.
    pub question: String,
    /// The name of an earlier step, done again after a "no".
    pub back_to: String,
    /// How many times "no" may lead back before the run is held; 1 to 9.
    pub most: u8,
    /// What to try when the run is held.
    pub advice: String,
}

/// Something to do, confirmed by the operator.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Prompt {
    /// What to do.
    pub say: String,
    /// That it is a bake against hydrogen.
    pub bake: Option<Bake>,
}

/// A bake that drives hydrogen out of steel.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Bake {
    /// Of the part.
    pub temperature: crate::quantity::Temperature,
    /// How long at that temperature.
    pub time: Span,
    /// How soon after the last plating it must be in the oven.
    pub within: Span,
}

impl Bake {
    /// The lowest and the highest part temperature that counts as a bake.
    pub const BETWEEN: (Temperature, Temperature) = (Temperature::new(190.0), Temperature::new(220.0));
}

/// What a step is.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Timed, without current.
    Dip(Dip),
    /// With current.
    Powered(Powered),
    /// A question with a way back.
    Inspect(Inspect),
    /// Something to do.
    Prompt(Prompt),
}

/// One line of a sheet.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Step {
    /// Its name, unique in the sheet.
    pub name: String,
    /// What it is.
    pub kind: Kind,
    /// Rinses after it, in order, by role.
    pub rinse: Vec<String>,
    /// What can hurt here, beside the bath's own cautions.
    pub hazards: Vec<String>,
    /// The most time from the end of the step before to the start of this one.
    pub within: Option<Span>,
    /// What each value of the step rests on, `(key, source)`.
    pub sources: Vec<(String, String)>,
}

impl Step {
    /// The role of the tank it is done in.
    pub fn tank(&self) -> Option<&str> {
        match &self.kind {
            Kind::Dip(dip) => Some(&dip.tank),
            Kind::Powered(powered) => Some(&powered.tank),
            _ => None,
        }
    }

    /// What it is done for.
    pub fn purpose(&self) -> Option<Purpose> {
        match &self.kind {
            Kind::Dip(dip) => Some(dip.purpose),
            Kind::Powered(powered) => Some(powered.purpose),
            _ => None,
        }
    }
}

/// A process sheet, checked.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Sheet {
    /// File name without ending: `nickel-on-steel`.
    pub name: String,
    /// For people.
    pub title: String,
    /// Metals it is for.
    pub base: Vec<Base>,
    /// What comes out, in words.
    pub finish: String,
    /// Standards whose deposit it can make, by title ("ASTM B689").
    pub standards: Vec<String>,
    /// The strongest steel it is for, tensile strength in MPa; there with steel.
    pub steel_tensile: Option<u32>,
    /// Every tank it needs.
    pub tanks: Vec<TankRole>,
    /// Every rinse it needs.
    pub rinses: Vec<Rinse>,
    /// Its steps, in order.
    pub steps: Vec<Step>,
    /// What would be better, though it may be done as it stands.
    pub advice: Vec<Finding>,
    /// What order, rinses, anodes, hazards and standards rest on.
    pub sources: Vec<(String, String)>,
}

impl Sheet {
    /// The tank of that role.
    pub fn tank(&self, role: &str) -> Option<&TankRole> {
        self.tanks.iter().find(|t| t.name == role)
    }

    /// The rinse of that role.
    pub fn rinse(&self, role: &str) -> Option<&Rinse> {
        self.rinses.iter().find(|r| r.name == role)
    }

    /// Where the step of that name stands.
    pub fn position(&self, step: &str) -> Option<usize> {
        self.steps.iter().position(|s| s.name == step)
    }

    /// The deposit that was asked for: the last plating step.
    pub fn finish_step(&self) -> Option<usize> {
        self.steps.iter().rposition(|s| s.purpose() == Some(Purpose::Plate))
    }
}

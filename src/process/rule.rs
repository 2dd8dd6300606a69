//! What a careful plater checks on a sheet, and why.

use serde::Serialize;

/// One thing to check.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rule {
    /// The first deposit must hold on the base metal.
    Strike,
    /// Acid and cyanide are kept apart by rinses.
    CyanideAndAcid,
    /// A rinse that both acid and cyanide drag into.
    SharedRinse,
    /// The plating tank has a last rinse of its own.
    OwnLastRinse,
    /// The anodes fit the bath.
    Anodes,
    /// Nickel between copper alloys and gold.
    NickelUnderGold,
    /// Electrocleaning on the side of the supply that suits the metal.
    CleaningPolarity,
    /// Strong steel is baked after plating.
    Bake,
    /// From activation to plating without delay.
    NoDelay,
    /// Zinc meets no strong acid.
    ZincAndAcid,
    /// Oxide is taken off before the first deposit.
    Activation,
    /// The deposit asked for is thicker than the strike under it.
    ThinTarget,
    /// What the sheet says of a step cannot be done in its tank.
    Contradiction,
    /// Density, time or temperature outside the bath's window.
    Window,
    /// Cleaned first, and the cleaning looked at.
    Cleaning,
}

impl Rule {
    /// Why it matters.
    pub fn reason(self) -> &'static str {
        match self {
            Rule::Strike => "a deposit straight on this surface does not hold",
            Rule::CyanideAndAcid => {
                "acid dragged into cyanide, or cyanide into acid, frees hydrogen cyanide, which kills"
            }
            Rule::SharedRinse => {
                "acid and cyanide meet in a rinse that both are dragged into, and in its drain"
            }
            Rule::OwnLastRinse => "what the rinse carries is dragged into the plating bath and stays there",
            Rule::Anodes => {
                "the wrong anode spoils the bath, stops dissolving, or gives off gas that it should not"
            }
            Rule::NickelUnderGold => "copper comes through thin gold and darkens it, faster in heat and damp",
            Rule::CleaningPolarity => {
                "cathodic gas puts hydrogen and smut into steel; anodic current eats zinc and brass and makes nickel passive"
            }
            Rule::Bake => "strong steel takes up hydrogen in plating and cracks later under load",
            Rule::NoDelay => "the bared metal grows a new oxide while it waits, and the deposit peels",
            Rule::ZincAndAcid => "strong acid eats the casting",
            Rule::Activation => "a deposit on oxide peels",
            Rule::ThinTarget => "the strike alone would be more than what was asked for, or nearly all of it",
            Rule::Contradiction => "it cannot be done as written",
            Rule::Window => "outside the window of good practice deposits turn out poor",
            Rule::Cleaning => "soil that is left shows as bare spots and peeling",
        }
    }

    /// What the check rests on.
    pub fn source(self) -> &'static str {
        match self {
            Rule::Strike => {
                "common practice, no source; stainless steel: ASTM B254; zinc: Metal Finishing Guide Book 2013, p. 312"
            }
            Rule::CyanideAndAcid => {
                "at least one rinse between: NSW OHS Regulation 2001, clause 194 (repealed); that it be running: common practice, no source"
            }
            Rule::SharedRinse | Rule::OwnLastRinse | Rule::Activation | Rule::Cleaning => {
                "common practice, no source"
            }
            Rule::Anodes => {
                "Metal Finishing Guide Book 2012-2013, p. 356 (nickel); Products Finishing, \"Phosphorus Copper Anodes\"; \
                 Metal Finishing Guide Book 2011-2012, p. 213 and 240 (gold, silver); the rest from memory"
            }
            Rule::ZincAndAcid => {
                "1 % by volume of sulfuric acid or less for zinc: reprint of a text on activation (secondary, edition unknown)"
            }
            Rule::NickelUnderGold => "ASTM B488, excerpts; the least thickness of 1.25 µm from memory",
            Rule::CleaningPolarity => {
                "reprint of a text on cleaning for plating (secondary, edition unknown); nickel from memory"
            }
            Rule::Bake => {
                "about 205 °C for 8 to 24 h: Metal Finishing Guide Book 2013, p. 308; from 1000 MPa and within 4 h: from memory"
            }
            Rule::NoDelay => {
                "ASTM B254, abstract: keep the time from activator to plate shortest; the figures from memory"
            }
            Rule::ThinTarget | Rule::Contradiction => {
                "own reasoning, by Faraday's law where it is about thickness"
            }
            Rule::Window => "the bath file and its sources",
        }
    }
}

/// What was found on a sheet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Finding {
    /// Which check.
    pub rule: Rule,
    /// The name of the step it is about; `None`: the whole sheet, or a tank.
    pub step: Option<String>,
    /// The role of the tank it is about, where it is about no step.
    pub tank: Option<String>,
    /// Whether the sheet is refused for it; else it is advice.
    pub must: bool,
    /// What is wrong.
    pub wrong: String,
    /// What would be right.
    pub remedy: String,
}

impl Finding {
    /// What is wrong, why that matters, and what says so, in one line.
    pub fn explained(&self) -> String {
        match self.rule {
            Rule::Contradiction => self.wrong.clone(),
            rule => format!("{}: {} ({})", self.wrong, rule.reason(), rule.source()),
        }
    }
}

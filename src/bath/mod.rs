//! A solution as data: its window, efficiency, burn density, anodes, cautions.
//!
//! What the room is for: reading and judging the files of `config/baths/`.
//! What it may not know: tanks, loads, supplies. Every value in a file carries
//! its source or "from memory"; one without is refused.

mod analysis;
mod correct;
mod hull;
mod read;
mod shipped;

pub use analysis::{Asked, Found, Unit, analysed, entered};
pub use correct::{Addition, Advice, Dilution, Standing, State, advise, trend};
pub use hull::{PanelRecord, panel_density};
pub use read::parse;
pub use shipped::{gather, names, shipped};

use crate::deposit::{self, Formula};
use crate::quantity::{BathLoad, Concentration, Density, Length, Ratio, Span, Temperature, Volts};
use serde::{Deserialize, Serialize};

/// How the solution is moved past the part.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Agitation {
    /// Not at all.
    Still,
    /// The work bar moves.
    Rod,
    /// Air bubbles.
    Air,
    /// A jet, an eductor, a fast stirrer.
    Vigorous,
}

impl Agitation {
    /// All of them, the least first.
    pub const ALL: [Agitation; 4] = [Agitation::Still, Agitation::Rod, Agitation::Air, Agitation::Vigorous];

    /// As in config and API.
    pub fn name(self) -> &'static str {
        match self {
            Agitation::Still => "still",
            Agitation::Rod => "rod",
            Agitation::Air => "air",
            Agitation::Vigorous => "vigorous",
        }
    }

    /// The one of that name.
    pub fn named(name: &str) -> Option<Agitation> {
        Agitation::ALL.into_iter().find(|a| a.name() == name)
    }
}

/// A value with the least and the most that is good practice, and what to use when nothing is said.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window<Q> {
    /// Least.
    pub low: Q,
    /// What to use when nothing is said.
    pub typical: Q,
    /// Most.
    pub high: Q,
}

impl<Q: PartialOrd> Window<Q> {
    /// Whether the value is neither less nor more than good practice.
    pub fn contains(&self, value: Q) -> bool {
        (&self.low..=&self.high).contains(&&value)
    }
}

/// One thing the solution is made of.
#[derive(Clone, Debug, PartialEq)]
pub struct Component {
    /// Its chemical name.
    pub name: String,
    /// How much of it.
    pub amount: Window<Concentration>,
    /// Its formula, where the grams per litre are of one.
    pub formula: Option<Formula>,
    /// What is put in to raise it, where that is something else.
    pub add: Option<Formula>,
    /// How much of the formula is in what is put in (37 % for concentrated hydrochloric acid).
    pub strength: Ratio,
    /// Grams per millilitre of what is put in, where it is a liquid.
    pub grams_per_ml: Option<f64>,
}

/// Local density at which deposits darken, by agitation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Burn {
    /// Without agitation.
    pub still: Density,
    /// With a moving work bar.
    pub rod: Density,
    /// With air.
    pub air: Density,
    /// With a jet or a fast stirrer.
    pub vigorous: Density,
}

impl Burn {
    /// The density for that agitation.
    pub fn at(&self, agitation: Agitation) -> Density {
        match agitation {
            Agitation::Still => self.still,
            Agitation::Rod => self.rod,
            Agitation::Air => self.air,
            Agitation::Vigorous => self.vigorous,
        }
    }
}

/// A bath, checked.
#[derive(Clone, Debug, PartialEq)]
pub struct Bath {
    /// File name without ending: `watts-nickel`.
    pub name: String,
    /// For people: "Watts nickel".
    pub title: String,
    /// The metal's id in `deposit`; `None` for cleaners and activators.
    pub metal: Option<String>,
    /// Cathode current density (mean). For a cleaner: of the default base metal.
    /// All zero for a dip without current.
    pub density: Window<Density>,
    /// For a cleaner: the density by base metal, where it differs.
    pub density_by_base: Vec<(String, Window<Density>)>,
    /// Solution temperature.
    pub temperature: Window<Temperature>,
    /// pH.
    pub ph: Window<f64>,
    /// How long a strike, a clean or a dip lasts; `None` where thickness decides.
    pub treat_time: Option<Window<Span>>,
    /// What it is made of.
    pub make_up: Vec<Component>,
    /// Cathode efficiency; `None` where nothing is deposited.
    pub efficiency: Option<Window<Ratio>>,
    /// Where deposits burn; `None` where that has no meaning.
    pub burn: Option<Burn>,
    /// Usual tank volts.
    pub volts: Option<Window<Volts>>,
    /// Usual most current per volume of bath.
    pub max_load: Option<BathLoad>,
    /// Least anode area over cathode area.
    pub anode_ratio: Option<f64>,
    /// Which anodes, and whether they are bagged.
    pub anodes: String,
    /// Whether agitation is required, advised or forbidden: a sentence.
    pub agitation: String,
    /// Hazards of this bath, each a sentence.
    pub cautions: Vec<Caution>,
    /// Makes hydrogen cyanide with acid.
    pub cyanide: bool,
    /// Sources: what each value rests on, `(key, source)`.
    pub sources: Vec<(String, String)>,
}

/// What can hurt.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Caution {
    /// A sentence to the person at the tank.
    pub text: String,
    /// When there is that to fear.
    pub of: CautionOf,
}

/// When there is something to fear. It may move a caution further down a list, and never takes one out of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum CautionOf {
    /// At every tank.
    Tank,
    /// In this bath, whatever hangs in it.
    Bath,
    /// With a part of steel.
    Steel,
    /// In a shop that has a cyanide bath too.
    CyanideNearby,
}

impl Bath {
    /// Acid enough that its drag-out frees hydrogen cyanide from a cyanide bath:
    /// pH under 6 (from memory: at 7 nearly all free cyanide is already HCN, so
    /// this is the line between baths that push the pH down and those that do not).
    pub fn is_acid(&self) -> bool {
        self.ph.typical < 6.0
    }

    /// Whether it is a dip without current.
    pub fn is_dip(&self) -> bool {
        !self.density.high.is_positive()
    }

    /// The density window for that base metal, or the bath's own where none is told apart.
    pub fn density_on(&self, base: &str) -> Window<Density> {
        self.density_by_base.iter().find(|(name, _)| name == base).map_or(self.density, |(_, window)| *window)
    }

    /// Mean thickness that it deposits at this density in this time, at its typical
    /// efficiency (Faraday's law); `None` where nothing deposits.
    pub fn deposit_after(&self, time: Span, density: Density) -> Option<Length> {
        let metal = deposit::metal(self.metal.as_deref()?)?;
        let at = deposit::Efficiency::new(self.efficiency?.typical).ok()?;
        Some(metal.thickness_after(time, density, at))
    }

    /// The burn density for that agitation.
    pub fn burn_density(&self, agitation: Agitation) -> Option<Density> {
        self.burn.map(|burn| burn.at(agitation))
    }
}

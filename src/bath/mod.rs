//! A solution as data: its window, efficiency, burn density, anodes, cautions.
//!
//! What the room is for: reading and judging the files of `config/baths/`.
//! What it may not know: tanks, loads, supplies. Every value in a file carries
//! its source or "from memory".

use crate::quantity::{BathLoad, Density, Ratio, Temperature, Volts};
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

/// Local density at which deposits darken, by agitation.
#[derive(Clone, Copy, Debug, PartialEq)]
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
    pub density: Window<Density>,
    /// For a cleaner: the density by base metal, where it differs.
    pub density_by_base: Vec<(String, Window<Density>)>,
    /// Solution temperature.
    pub temperature: Window<Temperature>,
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
    pub cautions: Vec<String>,
    /// Makes hydrogen cyanide with acid.
    pub cyanide: bool,
    /// Sources: what each value rests on, `(key, source)`.
    pub sources: Vec<(String, String)>,
}

impl Bath {
    /// The burn density for that agitation.
    pub fn burn_density(&self, agitation: Agitation) -> Option<Density> {
        self.burn.map(|b| match agitation {
            Agitation::Still => b.still,
            Agitation::Rod => b.rod,
            Agitation::Air => b.air,
            Agitation::Vigorous => b.vigorous,
        })
    }
}

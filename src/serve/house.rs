//! What a screen needs to know once: the units, the stations' limits, the tanks' windows.

use super::look::Look;
use super::sheets;
use super::state::AppState;
use crate::bath::{self, Asked, Bath};
use crate::config::Tank;
use crate::process::{Kind, Sheet, Step};
use crate::quantity::{Units, Volume};
use axum::Json;
use axum::extract::State;
use serde::Serialize;

/// What does not change while the daemon runs, in plain numbers with the unit in the name.
#[derive(Clone, Debug, Default, Serialize)]
pub struct House {
    /// Of the program.
    pub version: &'static str,
    /// Units for people.
    pub units: Units,
    /// Stations, in file order.
    pub stations: Vec<StationFacts>,
    /// Tanks, in file order.
    pub tanks: Vec<VesselFacts>,
    /// Process sheets.
    pub sheets: Vec<SheetFacts>,
}

/// A process sheet, to choose from.
#[derive(Clone, Debug, Serialize)]
pub struct SheetFacts {
    /// Its name.
    pub sheet: String,
    /// For people.
    pub title: String,
    /// Metals it is for.
    pub base: Vec<&'static str>,
    /// Over how many faces it turns a load, in the step that turns it most; 1: not at all.
    pub faces: u8,
    /// Baths that it needs and no tank holds, each with the first that would do.
    pub missing: Vec<String>,
    /// Its roles that more than one tank could play: a request has to say which, in its `role`.
    pub choices: Vec<RoleFacts>,
}

/// A role of a sheet, and who could play it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct RoleFacts {
    /// The role.
    pub role: String,
    /// Tanks that hold a fitting bath, two or more, in file order.
    pub tanks: Vec<String>,
}

impl SheetFacts {
    /// Of that sheet in a house with those tanks.
    pub(super) fn of(sheet: &Sheet, tanks: &[Tank]) -> SheetFacts {
        let lacks =
            sheet.tanks.iter().filter(|role| !tanks.iter().any(|tank| role.baths.contains(&tank.bath)));
        let faces = |step: &Step| match &step.kind {
            Kind::Powered(powered) => powered.turn.map(|turn| turn.faces),
            _ => None,
        };
        SheetFacts {
            faces: sheet.steps.iter().filter_map(faces).max().unwrap_or(1),
            sheet: sheet.name.clone(),
            title: sheet.title.clone(),
            base: sheet.base.iter().map(|b| b.name()).collect(),
            missing: lacks.filter_map(|role| role.baths.first().cloned()).collect(),
            choices: sheets::choices(sheet, tanks),
        }
    }
}

/// What a station may be asked for.
#[derive(Clone, Debug, Serialize)]
pub struct StationFacts {
    /// Its name.
    pub station: String,
    /// The most current.
    pub max_amperes: f64,
    /// The most voltage.
    pub max_volts: f64,
}

/// A tank and what its bath wants.
#[derive(Clone, Debug, Serialize)]
pub struct VesselFacts {
    /// Its name.
    pub tank: String,
    /// Its bath's name.
    pub bath: String,
    /// The bath, for people.
    pub title: String,
    /// What it deposits; `None` for cleaners and dips.
    pub metal: Option<String>,
    /// Least, usual and most mean current density; all zero for a dip without current.
    pub density_amperes_per_square_meter: [f64; 3],
    /// Least, usual and most temperature.
    pub temperature_celsius: [f64; 3],
    /// How much solution.
    pub volume_liters: Option<f64>,
    /// Makes hydrogen cyanide with acid.
    pub cyanide: bool,
    /// What may be entered of an analysis.
    pub analysed: Vec<Asked>,
    /// What can hurt, each a sentence.
    pub cautions: Vec<String>,
}

impl VesselFacts {
    /// Of a tank of that name with that bath.
    pub(super) fn of(tank: &str, bath: &Bath, volume: Option<Volume>) -> VesselFacts {
        let (density, warmth) = (bath.density, bath.temperature);
        VesselFacts {
            tank: tank.into(),
            bath: bath.name.clone(),
            title: bath.title.clone(),
            metal: bath.metal.clone(),
            density_amperes_per_square_meter: [density.low.get(), density.typical.get(), density.high.get()],
            temperature_celsius: [warmth.low.get(), warmth.typical.get(), warmth.high.get()],
            volume_liters: volume.map(|v| v.get()),
            cyanide: bath.cyanide,
            analysed: bath::analysed(bath),
            cautions: sentences(bath),
        }
    }
}

/// What one value of a bath file rests on.
#[derive(Clone, Debug, Serialize)]
pub struct SourceFacts {
    /// Which value.
    pub what: String,
    /// A publication and its place, or "from memory".
    pub rests_on: String,
}

/// A bath that a tank may hold.
#[derive(Clone, Debug, Serialize)]
pub struct BathFacts {
    /// Its name, as a tank of the config names it.
    pub bath: String,
    /// For people.
    pub title: String,
    /// What it deposits; `None` for cleaners and dips.
    pub metal: Option<String>,
    /// Least, usual and most mean current density; all zero for a dip without current.
    pub density_amperes_per_square_meter: [f64; 3],
    /// Least, usual and most temperature.
    pub temperature_celsius: [f64; 3],
    /// Least, usual and most share of the charge that deposits metal.
    pub efficiency: Option<[f64; 3]>,
    /// The anodes that it wants, in words.
    pub anodes: String,
    /// The agitation that it wants, in words.
    pub agitation: String,
    /// Makes hydrogen cyanide with acid.
    pub cyanide: bool,
    /// What can hurt, each a sentence.
    pub cautions: Vec<String>,
    /// What its values rest on.
    pub sources: Vec<SourceFacts>,
}

impl BathFacts {
    fn of(bath: &Bath) -> BathFacts {
        let (density, warmth) = (bath.density, bath.temperature);
        let source = |(what, rests_on): &(String, String)| SourceFacts {
            what: what.clone(),
            rests_on: rests_on.clone(),
        };
        BathFacts {
            bath: bath.name.clone(),
            title: bath.title.clone(),
            metal: bath.metal.clone(),
            density_amperes_per_square_meter: [density.low.get(), density.typical.get(), density.high.get()],
            temperature_celsius: [warmth.low.get(), warmth.typical.get(), warmth.high.get()],
            efficiency: bath.efficiency.map(|e| [e.low.get(), e.typical.get(), e.high.get()]),
            anodes: bath.anodes.clone(),
            agitation: bath.agitation.clone(),
            cyanide: bath.cyanide,
            cautions: sentences(bath),
            sources: bath.sources.iter().map(source).collect(),
        }
    }
}

/// Every bath that is known, those of the config's own folder too.
pub(super) async fn baths(State(app): State<AppState>) -> Json<Vec<BathFacts>> {
    let baths = app.planner.config().map_or(&[][..], |config| &config.baths[..]);
    Json(baths.iter().map(BathFacts::of).collect())
}

/// What can hurt in that bath, each a sentence.
fn sentences(bath: &Bath) -> Vec<String> {
    bath.cautions.iter().map(|caution| caution.text.clone()).collect()
}

#[derive(Serialize)]
pub(super) struct Whole {
    #[serde(flatten)]
    house: House,
    /// Every station now, as on its stream; without the trend.
    now: Vec<Look>,
}

/// Everything that a screen needs before it can show the first picture.
pub(super) async fn house(State(app): State<AppState>) -> Json<Whole> {
    Json(Whole {
        house: app.planner.house(),
        now: app.stations.iter().map(|w| w.look().without_trend()).collect(),
    })
}

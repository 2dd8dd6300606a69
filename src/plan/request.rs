//! What is asked for, and what there is to do it with.

use super::{Order, Own, SeekAsked, Worksheet};
use crate::bath::Agitation;
use crate::deposit::Price;
use crate::part::{Allowance, Part};
use crate::process::{End, Entry, Hold, Ramp, Turn};
use crate::quantity::{Amps, Area, BathLoad, Density, Span, Volts, Volume};
use serde::{Deserialize, Serialize};
use std::fmt;

/// What the operator wants. From an order file ([`Request::from_toml`]), from
/// JSON, or built by hand.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Request {
    /// The tank's name in the config.
    pub tank: String,
    /// What to call it; made from the parts if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// What is to be plated, all of it, whether or not it hangs at once.
    #[serde(rename = "part")]
    pub parts: Vec<Part>,
    /// What rack and tips take.
    #[serde(default)]
    pub rack: Allowance,
    /// The parts' own metal, for cleaners that treat each differently.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub base: Option<String>,
    /// What is held; the bath's typical density, or less, if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hold: Option<Hold>,
    /// What ends it.
    pub end: End,
    /// How the part meets the tank.
    #[serde(default)]
    pub entry: Entry,
    /// The voltage at a live entry and between faces.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub entry_volts: Option<Volts>,
    /// How gently; from nothing to the setpoint in 20 s if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ramp: Option<Ramp>,
    /// Turning the part.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub turn: Option<Turn>,
    /// The most voltage in current control.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ceiling: Option<Volts>,
    /// The most current in voltage control.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ceiling_amps: Option<Amps>,
    /// Climbing toward the fastest safe density.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seek: Option<SeekAsked>,
    /// The backstop; one and a half times the expected time and two minutes if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_limit: Option<Span>,
    /// How many parts the bar or rack holds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub places: Option<u32>,
    /// What the metal costs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub metal_price: Option<Price>,
    /// The shop's day; 8 h and 10 min between loads if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub day: Option<Day>,
}

/// A day's work at this tank.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Day {
    /// How long is worked.
    pub hours: Span,
    /// From the end of one load to the start of the next: rinsing, racking, cleaning.
    pub between_loads: Span,
}

impl Default for Day {
    /// 8 h, 10 min between loads: from memory.
    fn default() -> Self {
        Day { hours: Span::new(8.0 * 3600.0), between_loads: Span::new(600.0) }
    }
}

impl Request {
    /// A request that leaves everything else to the plan.
    pub fn new(tank: &str, parts: Vec<Part>, end: End) -> Request {
        Request {
            tank: tank.into(),
            title: None,
            parts,
            rack: Allowance::default(),
            base: None,
            hold: None,
            end,
            entry: Entry::Dead,
            entry_volts: None,
            ramp: None,
            turn: None,
            ceiling: None,
            ceiling_amps: None,
            seek: None,
            time_limit: None,
            places: None,
            metal_price: None,
            day: None,
        }
    }
}

/// What the station's supply can give.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SupplyLimits {
    /// The most current.
    pub max_amps: Amps,
    /// The most voltage.
    pub max_volts: Volts,
}

/// What is known of the tank. What is not known is not judged, and the worksheet says so.
#[derive(Clone, Debug, PartialEq)]
pub struct TankFacts {
    /// How much solution.
    pub volume: Option<Volume>,
    /// Wetted anode area that faces the work.
    pub anode_area: Option<Area>,
    /// Agitation.
    pub agitation: Agitation,
    /// The most current per volume, if the bath's is not to hold.
    pub max_load: Option<BathLoad>,
    /// Local density at which this tank's own Hull panel burnt, with its agitation and at its
    /// temperature, as the config has it; goes before the bath file's.
    pub panel: Option<Density>,
    /// What the ledger has of this tank's own: a panel that goes before the one above, parts measured.
    pub own: Own,
    /// What the tank's metal costs, where the request gives no price.
    pub price: Option<Price>,
}

/// A worksheet for people and an order for the controller: one load, ready to run.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Plan {
    /// Every number with its reason.
    pub worksheet: Worksheet,
    /// The first load.
    pub order: Order,
}

/// One reason why it cannot be done as asked, and the way out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Obstacle {
    /// The key of the request that it is about.
    pub key: &'static str,
    /// What cannot be.
    pub wrong: String,
    /// What could be.
    pub remedy: String,
}

impl fmt::Display for Obstacle {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}; {}", self.key, self.wrong, self.remedy)
    }
}

impl std::error::Error for Obstacle {}

//! The worksheet: every number of a plan with its reason, as data.

use super::{Day, OwnPanel, Turning};
use crate::bath::{Agitation, Caution};
use crate::deposit::{OwnFigure, Price};
use crate::part::Significant;
use crate::process::Standard;
use crate::quantity::{
    Amps, Area, Charge, Density, Energy, Length, Mass, Ratio, Span, Temperature, Units, Volts,
};
use serde::Serialize;

/// One kind of part.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct PartRow {
    /// What the operator calls it.
    pub name: Option<String>,
    /// The short form of its shape, exact.
    pub shape: String,
    /// Which surface was counted.
    pub counted: &'static str,
    /// How many in all.
    pub count: u32,
    /// What takes current on one.
    pub each: Area,
    /// What takes current on all.
    pub area: Area,
    /// Edge density over mean density.
    pub edge_factor: f64,
    /// Whether somebody gave the edge factor, or it is the shape's usual one.
    pub edge_factor_given: bool,
    /// Mean thickness over the thinnest on significant surfaces.
    pub mean_over_minimum: f64,
    /// Whether somebody gave that ratio, or it is the shape's usual one.
    pub mean_over_minimum_given: bool,
    /// On which surfaces a minimum counts.
    pub significant: Significant,
    /// What of one part that is.
    pub significant_area: Area,
    /// The thinnest deposit to be expected there.
    pub thinnest: Option<Length>,
}

/// A minimum thickness as target, and the mean that it takes.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Target {
    /// The least thickness on significant surfaces.
    pub minimum: Length,
    /// The mean that the charge is worked out for.
    pub mean: Length,
    /// The mean over the minimum, of the part that asks most.
    pub ratio: f64,
    /// Where the ratio comes from.
    pub ratio_why: String,
    /// The standard's class, if one was named.
    pub standard: Option<Standard>,
    /// Whether the class's figure is from memory.
    pub from_memory: bool,
    /// What the class's figure rests on.
    pub source: Option<&'static str>,
    /// What else the standard asks for.
    pub checks: &'static [&'static str],
}

/// What the metal is worth.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Value {
    /// The price as given.
    pub price: Price,
    /// Of the first load, in the price's currency.
    pub first_load: f64,
    /// Of everything asked for.
    pub all: f64,
}

/// Output of a day.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Throughput {
    /// The day that was reckoned with.
    pub day: Day,
    /// Whether that day was given, or is the usual one.
    pub day_given: bool,
    /// Full loads in a day.
    pub loads_per_day: u32,
    /// Parts in a day, as far as there are any.
    pub parts_per_day: u32,
    /// Parts in an hour, day in, day out.
    pub parts_per_hour: f64,
    /// Everything asked for, with the times between loads.
    pub all: Span,
    /// Days for everything asked for, whole loads only.
    pub days: u32,
    /// Charge through the tank in a day.
    pub charge_per_day: Charge,
    /// Metal deposited in a day.
    pub metal_per_day: Option<Mass>,
    /// What bounds it: a bound on how much hangs, or the count asked for.
    pub limit: String,
    /// What would lift it, the most first.
    pub lifts: Vec<Lift>,
}

/// Something that would give more parts an hour.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Lift {
    /// What to change.
    pub what: String,
    /// Parts in an hour with it.
    pub parts_per_hour: f64,
    /// That over what it is now.
    pub gain: f64,
}

/// So many loads that are the same.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct LoadRow {
    /// How many loads.
    pub loads: u32,
    /// What hangs in each: what it is called, how many.
    pub parts: Vec<(String, u32)>,
    /// The same as counts, one for each kind asked for, in its order.
    pub counts: Vec<u32>,
    /// Parts, rack and tips of each.
    pub area: Area,
    /// The current of each.
    pub current: Amps,
}

/// What bounds how much hangs at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Bound {
    /// The supply's current.
    Supply,
    /// Amperes per litre of solution.
    Solution,
    /// Anode area.
    Anodes,
    /// Places on the bar or rack.
    Bar,
}

/// How much hangs at once by one bound.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct AtOnce {
    /// Which bound.
    pub bound: Bound,
    /// Parts, rack and tips together; `None` where it cannot be judged.
    pub area: Option<Area>,
    /// How many of the largest part.
    pub parts: Option<u32>,
    /// The figures it comes from, or what is missing.
    pub why: String,
    /// Whether this is the bound that holds.
    pub limits: bool,
}

/// The share of the charge that deposits metal.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Efficiencies {
    /// Least of the bath's window.
    pub low: Ratio,
    /// Used for the charge.
    pub used: Ratio,
    /// Most of the bath's window.
    pub high: Ratio,
}

/// The deposit to be expected.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Thickness {
    /// The mean at the efficiency used.
    pub mean: Length,
    /// The mean at the least efficiency.
    pub low: Length,
    /// The mean at the most efficiency.
    pub high: Length,
    /// At the edges, by the edge factor.
    pub edge: Length,
}

/// Every number of a plan, each with its unit; lines for people where a reason is due.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Worksheet {
    /// What it is.
    pub title: String,
    /// The units of the sentences; every value carries its own.
    pub units: Units,
    /// The tank's name.
    pub tank: String,
    /// The bath, for people.
    pub bath: String,
    /// Least and most of the bath's temperature window.
    pub temperature: (Temperature, Temperature),
    /// The tank's agitation.
    pub agitation: Agitation,
    /// Every kind of part asked for.
    pub parts: Vec<PartRow>,
    /// What rack and tips of the first load take.
    pub rack: Area,
    /// Where that figure comes from.
    pub rack_why: String,
    /// Parts of the first load, without the rack.
    pub parts_area: Area,
    /// Everything in the first load that takes current.
    pub area: Area,
    /// All loads that the count asked for makes; the order is the first.
    pub loads: Vec<LoadRow>,
    /// How many loads in all.
    pub load_count: u32,
    /// How much hangs at once, by each bound.
    pub at_once: Vec<AtOnce>,
    /// Mean density.
    pub density: Density,
    /// Why this density.
    pub density_why: String,
    /// Least and most of the bath's window.
    pub window: (Density, Density),
    /// Density at the edges, by the edge factor of the sharpest part.
    pub edge_density: Density,
    /// Whether that is by the tank's own Hull panel.
    pub own_panel: bool,
    /// That panel, where it is the ledger's; the config's has no date.
    pub panel: Option<OwnPanel>,
    /// Where the bath burns with this agitation, if known.
    pub burn_density: Option<Density>,
    /// Whether the edges would burn: a start is refused then, unless whoever starts it says that they know.
    pub edges_burn: bool,
    /// The highest mean density that is safe, and the reason.
    pub fastest: Density,
    /// Why no faster.
    pub fastest_why: String,
    /// Setpoint in current control, expected current in voltage control.
    pub current: Amps,
    /// Ceiling in current control, setpoint in voltage control.
    pub volts: Volts,
    /// What is held and what bounds it.
    pub held: String,
    /// Time from nothing to the setpoint.
    pub ramp: Span,
    /// Over how many faces the charge is split.
    pub faces: u8,
    /// When the parts are turned, and what is off meanwhile; `None` where they are not.
    pub turn: Option<Turning>,
    /// Charge of the first load.
    pub charge: Charge,
    /// Expected time with the output on, ramps included, turns not.
    pub time: Span,
    /// The backstop.
    pub time_limit: Span,
    /// Energy at the bath's usual voltage, if that is known.
    pub energy_usual: Option<Energy>,
    /// Energy at the ceiling: the most it can be.
    pub energy_at_most: Energy,
    /// Metal deposited, rack included.
    pub mass: Option<Mass>,
    /// Its name.
    pub metal: Option<&'static str>,
    /// The efficiency window.
    pub efficiency: Option<Efficiencies>,
    /// What the parts measured in this tank say, whether or not there are enough of them to be used.
    pub own_efficiency: Option<OwnFigure>,
    /// The thinnest over the mean of like parts measured in this tank, likewise.
    pub own_distribution: Option<OwnFigure>,
    /// Predicted thickness.
    pub thickness: Option<Thickness>,
    /// The minimum asked for, and the mean that it takes.
    pub target: Option<Target>,
    /// What the metal is worth, where a price was given.
    pub value: Option<Value>,
    /// What comes out in a day, and what limits it.
    pub throughput: Throughput,
    /// What the operator should know of this plan.
    pub warnings: Vec<String>,
    /// What can hurt; never left out.
    pub cautions: Vec<Caution>,
}

/// What a run's record keeps of its worksheet; the rest follows from the order.
const KEPT: [&str; 9] = [
    "parts",
    "thickness",
    "efficiency",
    "target",
    "warnings",
    "density",
    "density-why",
    "rack",
    "load-count",
];

impl Worksheet {
    /// As JSON, what a run's record keeps of it.
    pub fn for_the_record(&self) -> serde_json::Value {
        // A worksheet is plain data: it can be written.
        kept(&serde_json::to_value(self).unwrap_or_default())
    }
}

/// Of a worksheet in JSON, what a run's record keeps.
pub fn kept(worksheet: &serde_json::Value) -> serde_json::Value {
    KEPT.iter().filter_map(|key| Some(((*key).to_owned(), worksheet.get(key)?.clone()))).collect()
}

//! An order: everything a run needs, in numbers, checked.

use crate::bath::{Agitation, Burn};
use crate::part::{Load, Shape};
use crate::process::{Entry, Turn};
use crate::quantity::{
    Amps, Area, CurrentSlope, Density, Microcoulombs, Temperature, Units, VoltageSlope, Volts,
};
use serde::{Deserialize, Serialize};
use std::time::Duration;

/// What is held, in numbers of this load.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Control {
    /// Current control under a voltage ceiling.
    Current {
        /// The setpoint.
        setpoint: Amps,
        /// The voltage it may not exceed.
        ceiling: Volts,
        /// The steepest the setpoint may rise.
        slope: CurrentSlope,
    },
    /// Voltage control under a current ceiling.
    Voltage {
        /// The setpoint.
        setpoint: Volts,
        /// The current it may not exceed.
        ceiling: Amps,
        /// The steepest the setpoint may rise.
        slope: VoltageSlope,
    },
}

impl Control {
    /// The most current this order ever commands.
    pub fn max_amps(&self) -> Amps {
        match self {
            Control::Current { setpoint, .. } => *setpoint,
            Control::Voltage { ceiling, .. } => *ceiling,
        }
    }
    /// The most voltage this order ever commands.
    pub fn max_volts(&self) -> Volts {
        match self {
            Control::Current { ceiling, .. } => *ceiling,
            Control::Voltage { setpoint, .. } => *setpoint,
        }
    }
}

/// What ends the powered step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Goal {
    /// This much charge has passed.
    Charge(Microcoulombs),
    /// The output has been on, ramping or steady, for this long.
    Time(Duration),
}

/// What deposit is predicted from the charge.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct DepositForecast {
    /// The metal's id in `deposit` ("Ni", "Cu(I)", …).
    pub metal: String,
    /// Cathode efficiency used, 0 to 1.
    pub efficiency: f64,
}

/// The density at which this bath is expected to burn, as far as plan knows.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct BurnEstimate {
    /// Local density at which the deposit darkens, for the tank's agitation.
    pub density: Density,
    /// Edge density over mean density for this load's shape.
    pub edge_factor: f64,
    /// The agitation for which `density` holds.
    pub agitation: Agitation,
    /// The bath's densities by agitation, for when agitation turns out otherwise; only
    /// their ratios count. `None`: the usual ratios.
    #[serde(default)]
    pub by_agitation: Option<Burn>,
    /// The temperature for which it holds.
    pub temperature: Option<Temperature>,
    /// Whether it comes from this tank's own Hull panel or an earlier burn, not from the bath file.
    #[serde(default)]
    pub own_panel: bool,
}

/// One kind of part in an order, for the record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Hung {
    /// Part number, where the order gives one.
    pub number: Option<String>,
    /// Its name, or its shape in words.
    pub kind: String,
    /// How many hang.
    pub count: u32,
    /// What takes current on all of them.
    pub area: Area,
}

impl Hung {
    /// What hangs in a load; what has the same number and name is one line.
    pub fn all(load: &Load) -> Vec<Hung> {
        let mut all: Vec<Hung> = Vec::new();
        for part in load.parts() {
            let kind = match (part.name(), part.shape()) {
                (Some(name), _) => name.to_owned(),
                // A mesh has no short form that reads back; its figures are long.
                (None, shape @ Shape::Mesh(_)) => shape.describe(Units::Metric),
                (None, shape) => shape.to_string(),
            };
            let number = part.number().map(str::to_owned);
            match all.iter_mut().find(|h| h.number == number && h.kind == kind) {
                Some(same) => {
                    same.count = same.count.saturating_add(part.count());
                    same.area += part.area();
                }
                None => all.push(Hung { number, kind, count: part.count(), area: part.area() }),
            }
        }
        all
    }
}

/// A load, a process and targets, checked by `plan` and ready to run.
///
/// Built by `plan`; every number is final. `run` checks it once more against
/// the station's limits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Order {
    /// What it is, in the operator's words ("6 key cups, nickel 8 µm").
    pub title: String,
    /// The tank's name in the config; its account gets the charge.
    pub tank: String,
    /// The bath's name.
    pub bath: String,
    /// How many parts hang.
    pub parts: u32,
    /// Everything that takes current: parts, rack and tips.
    pub area: Area,
    /// What hangs, kind by kind; empty in orders of before it was written down.
    #[serde(default)]
    pub hung: Vec<Hung>,
    /// `None` where no metal is deposited (cleaning, activation).
    pub deposit: Option<DepositForecast>,
    /// `None` where the bath does not burn.
    pub burn: Option<BurnEstimate>,
    /// How the part meets the tank.
    pub entry: Entry,
    /// The voltage on at a live entry and between faces.
    pub entry_volts: Volts,
    /// The most current at a live entry and between faces.
    pub entry_amps: Amps,
    /// What is held.
    pub control: Control,
    /// What ends it.
    pub goal: Goal,
    /// The backstop: after this long with the output on the run ends whatever the charge.
    pub time_limit: Duration,
    /// Turning the part.
    pub turn: Option<Turn>,
    /// Climbing toward the fastest safe density; current control only.
    #[serde(default)]
    pub seek: Option<Seek>,
    /// Slope of volts over amperes times area, ohm m2, of this tank's earlier good runs of like
    /// loads; three or more let the run ask whether the area is right.
    #[serde(default)]
    pub like_slopes: Vec<f64>,
}

impl Order {
    /// The most current this order ever commands.
    pub fn max_amps(&self) -> Amps {
        let top = self.seek.map_or(Amps::ZERO, |seek| seek.top);
        self.control.max_amps().max(self.entry_amps).max(top)
    }
    /// The most voltage this order ever commands.
    pub fn max_volts(&self) -> Volts {
        self.control.max_volts().max(self.entry_volts)
    }

    /// In the operator's words, that its edges would burn as the setpoint is, and what to do instead; `None` where they
    /// would not, or where nobody knows. Under voltage control the setpoint is no current, so nothing is known.
    pub fn edges_burn(&self, units: Units) -> Option<String> {
        let burn = self.burn.as_ref()?;
        let Control::Current { setpoint, .. } = self.control else { return None };
        let edges = setpoint / self.area * burn.edge_factor;
        // What is asked for exactly at the limit comes back from a division.
        if edges <= burn.density * (1.0 + 1e-9) {
            return None;
        }
        Some(format!(
            "edges would see {} and burn at about {} {}: dark, hard edges. Hold at most {}, or move the solution more",
            edges.show(units),
            burn.density.show(units),
            super::warn::agitation(burn.agitation),
            (burn.density / burn.edge_factor * super::work::SAFE_SHARE).show(units),
        ))
    }
}

/// Climb in steps from the setpoint while the burn margin stays wide enough.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Seek {
    /// The margin's worst case must stay above this.
    pub margin: f64,
    /// Never above this current.
    pub top: Amps,
}

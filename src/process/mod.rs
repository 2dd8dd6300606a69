//! A process sheet as data: what is done to a load, step by step.
//!
//! What the room is for: the words an order is written in (how a part meets
//! the tank, how the supply holds, when a step ends, how a part is turned); the
//! [`Sheet`], its steps in order, and what a careful plater would say of it;
//! the [`Standard`]s a deposit can be asked to meet. What it may not know: the
//! load, the supply, the clock. Numbers that depend on an area are worked out
//! in `plan`.
//!
//! ```
//! use tankside::process::{self, Kind};
//! let sheet = process::shipped().into_iter().find(|s| s.name == "nickel-on-copper-alloys").unwrap();
//! assert!(matches!(sheet.steps.last().unwrap().kind, Kind::Prompt(_) | Kind::Powered(_)));
//! ```

mod check;
mod deposits;
mod facts;
mod read;
mod rule;
mod sheet;
mod shipped;
mod standard;
pub(crate) mod words;

#[cfg(test)]
mod tests;

pub use check::check;
pub use read::{parse, parse_with};
pub use rule::{Finding, Rule};
pub use sheet::{
    Anode, Bake, Base, Dip, Inspect, Kind, Polarity, Powered, Prompt, Purpose, Rinse, Sheet, Step, TankRole,
    Water, spoken,
};
pub use shipped::{gather, names, shipped, sort_out};
pub use standard::{Standard, StandardError};

use crate::quantity::{Amps, Charge, CurrentSlope, Density, Length, Span, VoltageSlope, Volts};
use serde::{Deserialize, Serialize};

/// How a part meets the tank.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Entry {
    /// Hung with the output off; the ramp begins at start.
    #[default]
    Dead,
    /// A low entry voltage is on while the part is hung; the operator says when it hangs.
    Live,
    /// As live, and the ramp begins by itself when current first flows.
    OnContact,
}

/// What stands at the rack while a part is being turned.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Between {
    /// Output off.
    #[default]
    Off,
    /// The entry voltage stays on.
    EntryVoltage,
}

/// How the run learns that the part has been turned.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Confirm {
    /// The operator says so.
    #[default]
    Operator,
    /// The contact is seen to break and to return (needs the entry voltage on); the operator may still say so.
    Contact,
}

/// Turning the part so that every face has its share of the charge.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Turn {
    /// Over how many faces the charge (or time) is split evenly; 2 to 12.
    pub faces: u8,
    /// Output between faces.
    #[serde(default)]
    pub between: Between,
    /// How the turn is confirmed.
    #[serde(default)]
    pub confirm: Confirm,
}

/// What the supply holds once the ramp is done.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Hold {
    /// Current in proportion to the area.
    Density(Density),
    /// A current, whatever the area.
    Current(Amps),
    /// A voltage, under a current ceiling.
    Voltage(Volts),
}

/// How gently the setpoint is brought up.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Ramp {
    /// From nothing to the setpoint in this time.
    Time(Span),
    /// No steeper than this (current control).
    Current(CurrentSlope),
    /// No steeper than this (voltage control).
    Voltage(VoltageSlope),
}

/// What ends the step.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum End {
    /// Mean thickness of the deposit, by charge and efficiency.
    Thickness(Length),
    /// Thickness where it is thinnest on the significant surfaces; the mean is
    /// larger by the ratio of the part's shape.
    Minimum(Length),
    /// As minimum, what this class of a standard asks for.
    Standard(Standard),
    /// Charge.
    Charge(Charge),
    /// Time at the setpoint and in the ramp, turns and holds not counted.
    Time(Span),
}

//! Seeking the fastest safe density: what is asked for, and whether it can be.

use super::check::Obstacles;
use super::work::Work;
use super::{Control, Seek};
use crate::process::Hold;
use crate::quantity::{Amps, Area, Density, Ratio};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// Climb in steps while the burn margin's worst case stays above `margin`, never above `top`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct SeekAsked {
    /// The margin's worst case must stay above this.
    pub margin: Ratio,
    /// Never above this.
    pub top: SeekTop,
}

/// The most that seeking may reach: a density or a current.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum SeekTop {
    /// In proportion to the area.
    Density(Density),
    /// Whatever the area.
    Current(Amps),
}

impl SeekTop {
    fn on(self, area: Area) -> Amps {
        match self {
            SeekTop::Density(density) => density * area,
            SeekTop::Current(amps) => amps,
        }
    }
}

impl FromStr for SeekTop {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        text.parse().map(SeekTop::Density).or_else(|_| text.parse().map(SeekTop::Current)).map_err(|_| {
            format!("{text:?} is neither a current density nor a current; write \"6 A/dm2\" or \"8 A\"")
        })
    }
}

impl TryFrom<String> for SeekTop {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        text.parse()
    }
}

impl From<SeekTop> for String {
    fn from(top: SeekTop) -> String {
        top.to_string()
    }
}

impl fmt::Display for SeekTop {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            SeekTop::Density(density) => density.fmt(f),
            SeekTop::Current(amps) => amps.fmt(f),
        }
    }
}

impl Work<'_> {
    /// What the run seeks, in numbers of this load; what cannot be goes into `no`, what should
    /// be known into `warnings`.
    pub(super) fn seek(
        &self,
        control: &Control,
        area: Area,
        edge: f64,
        no: &mut Obstacles,
        warnings: &mut Vec<String>,
    ) -> Option<Seek> {
        let u = self.units;
        let asked = self.request.seek?;
        if matches!(self.request.hold, Some(Hold::Voltage(_))) {
            no.add(
                "seek",
                "with a voltage held there is no setpoint to climb",
                "hold a density or a current",
            );
            return None;
        }
        let (least, most) = (Ratio::new(0.05), Ratio::new(0.9));
        if !(least..=most).contains(&asked.margin) {
            no.add(
                "seek.margin",
                format!("{} is no margin to keep", asked.margin),
                "write 5 % to 90 %; 30 % is usual",
            );
        }
        let top = asked.top.on(area);
        let setpoint = control.max_amps();
        let ways = match asked.top {
            SeekTop::Density(_) => |amps: Amps, area: Area, u| (amps / area).show(u),
            SeekTop::Current(_) => |amps: Amps, _: Area, u| amps.show(u),
        };
        if !(top.is_positive() && top >= setpoint) {
            no.add(
                "seek.top",
                format!("{} is below the {} that it begins with", asked.top, ways(setpoint, area, u)),
                format!("write at least {}, or hold less", ways(setpoint, area, u)),
            );
        }
        if top > self.supply.max_amps {
            no.add(
                "seek.top",
                format!("{} is more than the supply's {}", top.show(u), self.supply.max_amps.show(u)),
                format!("write at most {}", ways(self.supply.max_amps, area, u)),
            );
        }
        let solution = self.most_amps();
        if top > solution && solution < self.supply.max_amps {
            no.add(
                "seek.top",
                format!("{} is more than the solution's {}", top.show(u), solution.show(u)),
                format!("write at most {}", ways(solution, area, u)),
            );
        }
        let density = top / area;
        if density > self.window.high {
            warnings.push(format!(
                "Seeking may go to {}, above the bath's window ({} to {}): expect rough or dark edges there.",
                density.show(u),
                self.window.low.show(u),
                self.window.high.show(u)
            ));
        }
        match self.bath.burn_density(self.tank.agitation) {
            None => no.add(
                "seek",
                "where this bath burns is not known, so there is no margin to seek by",
                "leave it out, or write [burn-density] into the bath file",
            ),
            Some(burn) if density * edge > burn => warnings.push(format!(
                "At the top of {} edges would see {} and burn at about {}: only the margin keeps it below.",
                density.show(u),
                (density * edge).show(u),
                burn.show(u)
            )),
            Some(_) => {}
        }
        warnings.push(
            "Seeking goes by the margin's worst case: without a thermometer and a sensor on the agitation \
             its band is wide, and it may go down instead of up."
                .into(),
        );
        Some(Seek { margin: asked.margin.get(), top })
    }
}

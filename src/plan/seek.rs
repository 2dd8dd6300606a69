//! Seeking the fastest safe density: what is asked for, and whether it can be.

use super::check::Obstacles;
use super::work::Work;
use super::{Control, Order, Seek};
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
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(try_from = "String")]
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

/// Exact, as each quantity writes itself; what is shown is rounded.
impl Serialize for SeekTop {
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        match self {
            SeekTop::Density(density) => density.serialize(s),
            SeekTop::Current(amps) => amps.serialize(s),
        }
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
        match self.burn_at(self.tank.agitation) {
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

/// What is held and what bounds it, for people.
pub(super) fn held(order: &Order) -> String {
    let held = match &order.control {
        Control::Current { setpoint, ceiling, .. } => format!("current {setpoint}, ceiling {ceiling}"),
        Control::Voltage { setpoint, ceiling, .. } => format!("voltage {setpoint}, at most {ceiling}"),
    };
    match order.seek {
        Some(seek) => format!(
            "{held}, then seeking up to {} while the margin is {:.0} % or more at worst",
            seek.top,
            seek.margin * 100.0
        ),
        None => held,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bath;
    use crate::plan::{Obstacle, Plan, Request, SupplyLimits, TankFacts, plan};
    use crate::process::End;
    use crate::quantity::Units;

    fn made(change: impl FnOnce(&mut Request), bath: &str) -> Result<Plan, Vec<Obstacle>> {
        let bath = bath::shipped().into_iter().find(|b| b.name == bath).unwrap();
        let cups = "6 key cups: disc 34 mm x 1 mm".parse().unwrap();
        let mut request = Request::new("nickel", vec![cups], End::Time("10 min".parse().unwrap()));
        request.seek =
            Some(SeekAsked { margin: Ratio::new(0.3), top: SeekTop::Density("6 A/dm2".parse().unwrap()) });
        change(&mut request);
        let tank = TankFacts {
            volume: Some("20 L".parse().unwrap()),
            anode_area: Some("6 dm2".parse().unwrap()),
            agitation: bath::Agitation::Air,
            max_load: None,
            panel: None,
            own: Default::default(),
            price: None,
        };
        let supply = SupplyLimits { max_amps: Amps::new(10.0), max_volts: "12 V".parse().unwrap() };
        plan(&request, &bath, &tank, &supply, Units::Metric)
    }

    fn refused(change: impl FnOnce(&mut Request), bath: &str) -> String {
        Obstacle::text(&made(change, bath).unwrap_err())
    }

    #[test]
    fn top_as_a_density_follows_the_area_and_as_a_current_does_not() {
        let order = made(|_| {}, "watts-nickel").unwrap().order;
        let seek = order.seek.unwrap();
        assert!((seek.top / order.area).get() - 600.0 < 1e-9 && seek.margin == 0.3, "{seek:?}");
        let order =
            made(|r| r.seek.as_mut().unwrap().top = "7 A".parse().unwrap(), "watts-nickel").unwrap().order;
        assert_eq!(order.seek.unwrap().top, Amps::new(7.0));
        assert_eq!(order.max_amps(), Amps::new(7.0));
    }

    #[test]
    fn what_cannot_be_sought_is_refused_with_a_way_out() {
        let top = |text: &str| {
            let top = text.parse().unwrap();
            refused(move |r| r.seek.as_mut().unwrap().top = top, "watts-nickel")
        };
        assert!(top("12 A").contains("seek.top: 12 A is more than the supply's 10 A"));
        assert!(top("1 A").contains("below the"));
        let held = refused(|r| r.hold = Some(Hold::Voltage("3 V".parse().unwrap())), "watts-nickel");
        assert!(held.contains("seek: with a voltage held"), "{held}");
        let margin = refused(|r| r.seek.as_mut().unwrap().margin = Ratio::new(0.95), "watts-nickel");
        assert!(margin.contains("seek.margin"), "{margin}");
    }

    #[test]
    fn above_the_window_is_warned_of_and_no_seek_means_no_word_of_it() {
        let sheet = made(|r| r.seek.as_mut().unwrap().top = "8 A/dm2".parse().unwrap(), "watts-nickel")
            .unwrap()
            .worksheet;
        let all = sheet.warnings.join("\n");
        assert!(all.contains("Seeking goes by the margin's worst case"), "{all}");
        let sheet = made(|r| r.seek = None, "watts-nickel").unwrap().worksheet;
        assert!(!sheet.warnings.join("\n").contains("eek"), "{:?}", sheet.warnings);
    }

    #[test]
    fn top_reads_back_as_it_was_written() {
        for text in ["6 A/dm2", "8 A", "40 ASF"] {
            let top: SeekTop = text.parse().unwrap();
            let json = serde_json::to_string(&top).unwrap();
            assert_eq!(serde_json::from_str::<SeekTop>(&json).unwrap(), top, "{json}");
        }
        assert!(serde_json::from_str::<SeekTop>("\"8 V\"").is_err());
        assert!(serde_json::from_str::<SeekTop>("8").is_err());
    }
}

//! What this tank's own measurements say: its Hull panel, and the parts that came out of it.

use super::TankFacts;
use crate::bath::Window;
use crate::deposit::{Efficiency, OwnFigure, PARTS_NEEDED};
use crate::quantity::{Density, Ratio, Units};
use serde::Serialize;

/// Edge factors nearer than this share are of like parts.
const LIKE: f64 = 0.2;

/// A panel of this tank that is not older than its due date.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct OwnPanel {
    /// Local density where burning ends.
    pub burn: Density,
    /// Local density under which it is dull.
    pub dull: Option<Density>,
    /// The day it was read, and by whom.
    pub made: String,
}

/// A part that was measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OwnPart {
    /// Efficiency, where it is good enough to speak for the tank.
    pub efficiency: Option<f64>,
    /// The thinnest over the mean.
    pub distribution: Option<f64>,
    /// Edge factor of the load it hung in.
    pub edge_factor: Option<f64>,
}

/// Everything of the tank's own, as the ledger has it, with this bath.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Own {
    /// The latest panel, if it counts.
    pub panel: Option<OwnPanel>,
    /// Why a panel that is there does not count.
    pub panel_out: Option<String>,
    /// Parts measured, newest first.
    pub parts: Vec<OwnPart>,
}

impl Own {
    /// The efficiency of the parts measured.
    pub fn efficiency(&self) -> Option<OwnFigure> {
        let all: Vec<f64> = self.parts.iter().filter_map(|p| p.efficiency).collect();
        OwnFigure::of(&all)
    }

    /// The thinnest over the mean, of parts measured whose edge factor is like this one.
    pub fn distribution(&self, edge_factor: f64) -> Option<OwnFigure> {
        let like = |p: &&OwnPart| p.edge_factor.is_some_and(|f| (f / edge_factor - 1.0).abs() <= LIKE);
        let all: Vec<f64> = self.parts.iter().filter(like).filter_map(|p| p.distribution).collect();
        OwnFigure::of(&all)
    }
}

/// The tank's own efficiency where enough parts were measured, two spreads either way; else the bath file's.
pub(super) fn efficiency(file: Window<Efficiency>, tank: &TankFacts) -> Window<Efficiency> {
    let Some(own) = tank.own.efficiency().filter(OwnFigure::holds) else { return file };
    let share =
        |share: f64| Efficiency::new(Ratio::new(share.clamp(0.001, 1.0))).unwrap_or(Efficiency::WHOLE);
    Window {
        low: share(own.mean - 2.0 * own.spread),
        typical: share(own.mean),
        high: share(own.mean + 2.0 * own.spread),
    }
}

/// "94.2 % ± 1.1 %, 5 parts"; what is left out is said.
pub(super) fn shown(own: &OwnFigure) -> String {
    let percent = |share: f64| (share * 1000.0).round() / 10.0;
    let parts = if own.parts == 1 { "1 part".into() } else { format!("{} parts", own.parts) };
    let out = match own.left_out {
        0 => String::new(),
        n => format!(", {n} far off left out"),
    };
    format!("{} % ± {} %, {parts}{out}", percent(own.mean), percent(own.spread))
}

/// What is known of the tank's own and not used yet, or no longer.
pub(super) fn notes(own: &Own, efficiency: Option<f64>, density: Density, units: Units) -> Vec<String> {
    let mut all = Vec::new();
    if let (Some(figure), Some(used)) = (own.efficiency().filter(|f| !f.holds()), efficiency) {
        all.push(format!(
            "Parts measured in this tank so far have an efficiency of {}; from {PARTS_NEEDED} parts on that goes before \
             the bath file's {} %.",
            shown(&figure),
            (used * 1000.0).round() / 10.0
        ));
    }
    all.extend(own.panel_out.clone());
    if let Some(panel) = &own.panel
        && let Some(dull) = panel.dull.filter(|dull| density < *dull)
    {
        all.push(format!(
            "{} is below the {} under which this tank's panel of {} is dull: recesses get less still.",
            density.show(units),
            dull.show(units),
            panel.made
        ));
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bath::{self, Agitation};
    use crate::plan::{Plan, Request, SupplyLimits, TankFacts, plan};
    use crate::process::End;

    fn made(own: Own, end: End) -> Plan {
        let nickel = bath::shipped().into_iter().find(|b| b.name == "watts-nickel").unwrap();
        let cups = "6 key cups: disc 34 mm x 1 mm".parse().unwrap();
        let tank = TankFacts {
            volume: Some("20 L".parse().unwrap()),
            anode_area: Some("6 dm2".parse().unwrap()),
            agitation: Agitation::Air,
            max_load: None,
            panel: Some("20 A/dm2".parse().unwrap()),
            own,
            price: Some("17 EUR/kg".parse().unwrap()),
        };
        let supply = SupplyLimits { max_amps: "10 A".parse().unwrap(), max_volts: "12 V".parse().unwrap() };
        plan(&Request::new("nickel", vec![cups], end), &nickel, &tank, &supply, Units::Metric).unwrap()
    }
    fn parts(shares: &[f64], edge_factor: f64) -> Own {
        let part = |s: &f64| OwnPart {
            efficiency: Some(*s),
            distribution: Some(0.5),
            edge_factor: Some(edge_factor),
        };
        Own { parts: shares.iter().map(part).collect(), ..Own::default() }
    }
    fn thickness() -> End {
        End::Thickness("8 um".parse().unwrap())
    }
    fn used(plan: &Plan) -> f64 {
        plan.order.deposit.as_ref().unwrap().efficiency
    }

    #[test]
    fn two_parts_are_shown_and_three_go_before_the_bath_file() {
        let two = made(parts(&[0.90, 0.90], 2.7), thickness());
        assert_eq!(used(&two), 0.955, "the bath file's");
        assert!(
            two.worksheet.text().contains("so far have an efficiency of 90 % ± 0.9 %, 2"),
            "{}",
            two.worksheet.text()
        );
        let three = made(parts(&[0.90, 0.91, 0.89], 2.7), thickness());
        assert!((used(&three) - 0.90).abs() < 1e-12);
        let charge = |plan: &Plan| plan.worksheet.charge.get();
        assert!(
            (charge(&three) / charge(&two) - 0.955 / 0.90).abs() < 1e-9,
            "more charge for the same thickness"
        );
        let text = three.worksheet.text();
        assert!(text.contains("this tank's own, 90 % ± 1 %, 3 parts"), "{text}");
        let json = serde_json::to_value(&three.worksheet).unwrap();
        assert_eq!(json["own-efficiency"]["parts"], 3);
    }

    #[test]
    fn distribution_of_like_parts_makes_the_minimum_and_of_others_does_not() {
        let minimum = || End::Minimum("8 um".parse().unwrap());
        let like = made(parts(&[0.955; 3], 2.7), minimum());
        let target = like.worksheet.target.clone().unwrap();
        assert!((target.ratio - 2.0).abs() < 1e-12 && target.ratio_why.contains("like parts"), "{target:?}");
        let unlike = made(parts(&[0.955; 3], 1.0), minimum()).worksheet.target.unwrap();
        assert!(unlike.ratio_why.contains("usual for"), "{unlike:?}");
    }

    #[test]
    fn ledgers_panel_goes_before_the_configs_and_an_old_one_is_named_and_left_alone() {
        let by_config = made(Own::default(), thickness());
        assert_eq!(by_config.order.burn.unwrap().density, "20 A/dm2".parse().unwrap());
        let panel = OwnPanel {
            burn: "9 A/dm2".parse().unwrap(),
            dull: Some("5 A/dm2".parse().unwrap()),
            made: "2026-03-01 (mila)".into(),
        };
        let by_ledger = made(Own { panel: Some(panel), ..Own::default() }, thickness());
        let burn = by_ledger.order.burn.unwrap();
        assert!(burn.own_panel && burn.density == "9 A/dm2".parse().unwrap());
        let text = by_ledger.worksheet.text().replace("\n                  ", " ");
        assert!(text.contains("by this tank's own panel of 2026-03-01 (mila)"), "{text}");
        assert!(by_ledger.worksheet.warnings.iter().any(|w| w.contains("is dull")), "2.7 A/dm2 is below 5");
        let out =
            Own { panel_out: Some("The Hull panel of 2026-01-01 is out of date".into()), ..Own::default() };
        let old = made(out, thickness());
        assert_eq!(old.order.burn.unwrap().density, by_config.order.burn.unwrap().density);
        assert!(old.worksheet.warnings.iter().any(|w| w.contains("out of date")));
    }

    #[test]
    fn metal_is_valued_by_the_configs_price_where_the_request_has_none() {
        let plan = made(Own::default(), thickness());
        let (value, mass) = (plan.worksheet.value.unwrap(), plan.worksheet.mass.unwrap());
        assert!((value.first_load - mass.get() * 0.017).abs() < 1e-12);
    }
}

//! What a whole sheet brings in a day: loads, metal and its value, energy.

use super::line::Line;
use super::{Bound, Day, LineStep, Todo};
use crate::quantity::{Energy, Mass, Span, Units};
use serde::Serialize;

/// Metal that one load takes, and what it is worth.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Worth {
    /// The metal's name.
    pub metal: &'static str,
    /// What one load takes, rack and tips included.
    pub mass: Mass,
    /// What that is worth, where the config has a price; as `"1.24 EUR"`.
    pub worth: Option<String>,
}

/// A day's work with a sheet on one line, one load at a time.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct LineDay {
    /// The day that was reckoned with.
    pub day: Day,
    /// Whether that day was given, or is the usual one.
    pub day_given: bool,
    /// Full loads in a day.
    pub loads_per_day: u32,
    /// Parts in a day, as far as there are any.
    pub parts_per_day: u32,
    /// Days for everything asked for; 0 where not one load fits a day.
    pub days: u32,
    /// The step that takes most of the time, and its share of the time in tanks.
    pub longest: Option<(String, f64)>,
    /// The step that takes fewest parts at once, and what bounds it there.
    pub limit: Option<(String, String)>,
    /// Metal of one load.
    pub metal: Vec<Worth>,
    /// Energy of one load at the ceilings: the most it can be.
    pub energy_at_most: Energy,
}

/// Time in tanks for one load.
pub(super) fn in_tanks(steps: &[LineStep]) -> Span {
    steps.iter().map(time).sum()
}

fn time(step: &LineStep) -> Span {
    match &step.todo {
        Todo::Dip { time, .. } => *time,
        Todo::Powered { plan, .. } => plan.worksheet.time,
        Todo::Inspect { .. } | Todo::Prompt { .. } => Span::ZERO,
    }
}

/// Square metres that may hang at once in that step, its name, and what bounds it.
fn bound(step: &LineStep) -> Option<(f64, String, String)> {
    let Todo::Powered { plan, .. } = &step.todo else { return None };
    let row = plan.worksheet.at_once.iter().find(|row| row.limits)?;
    let what = match row.bound {
        Bound::Supply => "the supply",
        Bound::Solution => "amperes per litre",
        Bound::Anodes => "anode area",
        Bound::Bar => "places on the bar",
    };
    Some((row.area?.get(), step.name.clone(), format!("{what}, {}", row.why)))
}

impl Line<'_> {
    pub(super) fn day(&self, counts: &[u32], steps: &[LineStep], loads: u32) -> LineDay {
        let day = self.request.day.unwrap_or_default();
        let all = in_tanks(steps);
        let each = all + day.between_loads;
        // The last load of a day is not followed by another.
        let fit = (day.hours + day.between_loads) / each + 1e-9;
        let loads_per_day = if each.is_positive() { fit.floor().clamp(0.0, 1e9) as u32 } else { 0 };
        let hung = counts.iter().fold(0, |sum: u32, n| sum.saturating_add(*n));
        let wanted = self.request.parts.iter().fold(0, |sum: u32, p| sum.saturating_add(p.count()));
        let longest = steps.iter().max_by(|a, b| time(a).get().total_cmp(&time(b).get()));
        let powered = || {
            steps.iter().filter_map(|step| match &step.todo {
                Todo::Powered { plan, .. } => Some(&plan.worksheet),
                _ => None,
            })
        };
        let worth = powered().filter_map(|sheet| {
            let worth = sheet.value.as_ref().map(|value| value.price.show(value.first_load));
            Some(Worth { metal: sheet.metal?, mass: sheet.mass?, worth })
        });
        LineDay {
            day,
            day_given: self.request.day.is_some(),
            loads_per_day,
            parts_per_day: loads_per_day.saturating_mul(hung).min(wanted),
            days: if loads_per_day == 0 { 0 } else { loads.div_ceil(loads_per_day) },
            longest: longest.filter(|_| all.is_positive()).map(|step| (step.name.clone(), time(step) / all)),
            limit: steps
                .iter()
                .filter_map(bound)
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .map(|(_, step, why)| (step, why)),
            metal: worth.collect(),
            energy_at_most: powered().map(|sheet| sheet.energy_at_most).sum(),
        }
    }
}

impl LineDay {
    /// Rows for the worksheet: label and text.
    pub(super) fn rows(&self, units: Units, loads: u32) -> Vec<(&'static str, String)> {
        let mut rows = Vec::new();
        let metal: Vec<_> = self
            .metal
            .iter()
            .map(|w| {
                let worth = w.worth.as_ref().map_or(String::new(), |worth| format!(", worth {worth}"));
                format!("{} of {}{worth}", w.mass.show(Units::Metric), w.metal)
            })
            .collect();
        if !metal.is_empty() {
            rows.push(("metal", format!("{} in a load, rack and tips included", metal.join("; "))));
        }
        rows.push(("energy", format!("at most {}", self.energy_at_most.show(units))));
        let given = if self.day_given { "" } else { ", from memory" };
        let fit = match self.loads_per_day {
            0 => "not one load".to_owned(),
            1 => "1 load".into(),
            n => format!("up to {n} loads"),
        };
        let days = match self.days {
            0 => String::new(),
            _ if loads <= 1 => String::new(),
            1 => "; all in one day".into(),
            n => format!("; {n} days for all"),
        };
        rows.push((
            "in a day",
            format!(
                "{fit}, {} between for rinsing, carrying and racking (day of {}{given}){days}",
                self.day.between_loads.show(units),
                self.day.hours.show(units)
            ),
        ));
        if let Some((step, bound)) = self.limit.as_ref().filter(|_| loads > 1) {
            rows.push(("limit", format!("{step}: {bound}")));
        }
        if let Some((step, share)) = &self.longest {
            rows.push(("longest step", format!("{step}: {:.0} % of the time in tanks", share * 100.0)));
        }
        rows
    }
}

//! Which earlier loads are like this one, so that their slopes say something of its area.

use crate::plan::{Control, Order};
use crate::quantity::Density;

/// So many complete runs of the tank are looked at …
pub(super) const LOOKED_AT: u32 = 200;
/// … and the newest so many that are alike are kept.
const KEPT: usize = 20;
/// Densities alike: the line is a little bent, so far apart its slope hardly moves.
const DENSITY: f64 = 0.15;
/// Edge factors alike stand for shapes alike.
const EDGE: f64 = 0.02;

/// The slopes times area of those `rows` (order as JSON, slope; newest first) that are like `order`:
/// same bath, current held at about the same density, and the same title or the same shape by its edge factor.
pub(super) fn slopes(order: &Order, rows: &[(String, f64)]) -> Vec<f64> {
    let Some(density) = held(order) else { return Vec::new() };
    rows.iter()
        .filter_map(|(json, slope)| {
            let other: Order = serde_json::from_str(json).ok()?;
            let near = (held(&other)? / density - 1.0).abs() <= DENSITY;
            let edge = |o: &Order| o.burn.map(|b| b.edge_factor);
            let shape = edge(&other).zip(edge(order)).is_some_and(|(a, b)| (a / b - 1.0).abs() <= EDGE);
            (other.bath == order.bath && near && (shape || other.title == order.title)).then_some(*slope)
        })
        .take(KEPT)
        .collect()
}

fn held(order: &Order) -> Option<Density> {
    match order.control {
        Control::Current { setpoint, .. } => Some(setpoint / order.area).filter(|d| d.is_positive()),
        Control::Voltage { .. } => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Goal;
    use crate::process::Entry;
    use crate::quantity::{Amps, Area, CurrentSlope, Microcoulombs, Volts};
    use std::time::Duration;

    fn order(title: &str, amps: f64) -> Order {
        Order {
            title: title.into(),
            tank: "nickel".into(),
            bath: "watts-nickel".into(),
            parts: 6,
            area: Area::new(0.01),
            hung: Vec::new(),
            deposit: None,
            burn: None,
            entry: Entry::Dead,
            entry_volts: Volts::new(1.0),
            entry_amps: Amps::new(1.0),
            control: Control::Current {
                setpoint: Amps::new(amps),
                ceiling: Volts::new(6.0),
                slope: CurrentSlope::new(0.2),
            },
            goal: Goal::Charge(Microcoulombs(1)),
            time_limit: Duration::from_secs(600),
            turn: None,
            seek: None,
            like_slopes: Vec::new(),
        }
    }

    #[test]
    fn other_baths_densities_and_parts_say_nothing_of_this_load() {
        let row = |o: Order| (serde_json::to_string(&o).unwrap(), 6e-3);
        let rows = [
            row(order("6 key cups", 4.0)),
            row(order("6 key cups", 4.4)),
            row(order("6 key cups", 8.0)),
            row(order("2 levers", 4.0)),
            row(Order { bath: "silver".into(), ..order("6 key cups", 4.0) }),
            ("not an order".into(), 6e-3),
        ];
        assert_eq!(slopes(&order("6 key cups", 4.0), &rows).len(), 2);
    }

    #[test]
    fn no_more_than_the_newest_are_kept() {
        let rows = vec![(serde_json::to_string(&order("a", 4.0)).unwrap(), 1.0); 50];
        assert_eq!(slopes(&order("a", 4.0), &rows).len(), KEPT);
    }
}

//! Whether what hangs on the bar looks like the area in the order.
//!
//! The slope of a load's line times its area is about the same for like loads in one
//! tank. On simulated cells it scatters by 6 % (one sigma), so an area that is wrong by
//! less than about a quarter cannot be told; and a difference is a question, not a stop.

/// Earlier like loads that are needed before anything is said.
const LEAST: usize = 3;
/// One-sigma scatter of slope times area between like loads.
const SCATTER: f64 = 0.06;
/// Slope times area so much above the usual is questioned: there is less area than entered.
const LESS: f64 = 0.20;
/// … and so much below it: there is more.
const MORE: f64 = 0.15;

/// The question to put, if there is one: `slope` in ohm and `area` in m2 of this load as
/// entered, how many `parts` the order has, and slope times area (ohm m2) of `earlier`
/// like loads in this tank. `None`: nothing to ask, or fewer than three to go by.
pub fn question(slope: f64, area: f64, parts: u32, earlier: &[f64]) -> Option<String> {
    let mut usual: Vec<f64> = earlier.iter().copied().filter(|x| x.is_finite() && *x > 0.0).collect();
    let now = slope * area;
    if usual.len() < LEAST || !now.is_finite() || now <= 0.0 {
        return None;
    }
    usual.sort_by(f64::total_cmp);
    let ratio = now / usual[usual.len() / 2];
    if (1.0 - MORE..=1.0 + LESS).contains(&ratio) {
        return None;
    }
    // Slope goes with one over the area that really hangs there.
    let share = 1.0 / ratio;
    let seen = (f64::from(parts) * share).round().max(1.0);
    let looks = if parts > 1 && seen != f64::from(parts) {
        let plural = if seen == 1.0 { "part" } else { "parts" };
        format!("looks like {seen:.0} {plural}, the order says {parts}")
    } else {
        format!("looks like {:.0} cm2, the order says {:.0} cm2", area * share * 1e4, area * 1e4)
    };
    Some(format!(
        "{looks}: by the volts of the ramp there is {:.0} % {} area than entered, give or take {:.0} %; count the parts, and check which faces were meant and that all hang in the solution (a difference under about 25 % cannot be told)",
        (share - 1.0).abs() * 100.0,
        if share < 1.0 { "less" } else { "more" },
        SCATTER * 2.0 * 100.0
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_parts_of_three_are_noticed_and_all_three_are_not_questioned() {
        let earlier = [6.1e-3, 6.4e-3, 6.0e-3, 6.3e-3];
        let text = question(6.2e-3 / 0.02, 0.03, 3, &earlier).unwrap();
        assert!(text.starts_with("looks like 2 parts, the order says 3"), "{text}");
        assert_eq!(question(6.5e-3 / 0.03, 0.03, 3, &earlier), None);
    }

    #[test]
    fn half_as_much_again_is_noticed() {
        let text = question(0.1 / 1.5, 0.06, 1, &[6e-3; 3]).unwrap();
        assert!(text.starts_with("looks like 900 cm2, the order says 600 cm2"), "{text}");
        assert!(text.contains("50 % more"), "{text}");
    }

    #[test]
    fn with_fewer_than_three_to_go_by_nothing_is_asked() {
        assert_eq!(question(1.0, 1.0, 3, &[0.1, 0.1]), None);
        assert_eq!(question(1.0, 1.0, 3, &[0.1, 0.1, f64::NAN]), None);
        assert_eq!(question(f64::NAN, 1.0, 3, &[0.1; 3]), None);
    }
}

//! Fewer points, no lost peak; and no line over a time in which nothing was seen.

/// Points of a trace in a picture, about.
pub(super) const MOST_POINTS: usize = 1_500;

/// At most about `most` points: of each of `most / 2` equal shares the least and the greatest, in their order; the
/// first and the last stay.
pub(super) fn thin(points: &[(f64, f64)], most: usize) -> Vec<(f64, f64)> {
    let shares = (most / 2).max(1);
    if points.len() <= most {
        return points.to_vec();
    }
    let mut kept = Vec::with_capacity(most + 2);
    kept.push(points[0]);
    for share in 0..shares {
        let from = share * points.len() / shares;
        let to = ((share + 1) * points.len() / shares).max(from + 1);
        let (mut least, mut most) = (from, from);
        for k in from..to {
            if points[k].1 < points[least].1 {
                least = k;
            }
            if points[k].1 > points[most].1 {
                most = k;
            }
        }
        let (first, second) = (least.min(most), least.max(most));
        kept.push(points[first]);
        if second != first {
            kept.push(points[second]);
        }
    }
    kept.push(points[points.len() - 1]);
    kept
}

/// The longest time between two readings over which a line is drawn: 2 s, the default of `max-gap`, or three usual
/// times between readings where the supply is slower.
pub(super) fn gap(seconds: &[f64]) -> f64 {
    let mut steps: Vec<f64> = seconds.windows(2).map(|w| w[1] - w[0]).collect();
    steps.sort_by(f64::total_cmp);
    steps.get(steps.len() / 2).map_or(2.0, |usual| (3.0 * usual).max(2.0))
}

/// The stretches of a trace that were seen without a longer gap than `gap`.
pub(super) fn stretches(points: &[(f64, f64)], gap: f64) -> Vec<&[(f64, f64)]> {
    points.chunk_by(|a, b| b.0 - a.0 <= gap).collect()
}

/// A trace as a step line: each value until the next one.
pub(super) fn steps(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut line: Vec<(f64, f64)> = Vec::new();
    for &(at, value) in points {
        let level = line.len() >= 2 && line[line.len() - 2].1 == line[line.len() - 1].1;
        match line.last_mut() {
            // Level: only its ends are needed.
            Some(end) if level => {
                end.0 = at;
                let last = end.1;
                if last != value {
                    line.push((at, value));
                }
            }
            Some(&mut (_, last)) if last != value => line.extend([(at, last), (at, value)]),
            _ => line.push((at, value)),
        }
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn peak_and_dip_survive_and_points_stay_few_and_in_order(
            values in prop::collection::vec(-1e3f64..1e3, 1..20_000),
        ) {
            let points: Vec<_> = values.iter().enumerate().map(|(k, v)| (k as f64, *v)).collect();
            let kept = thin(&points, 100);
            prop_assert!(kept.len() <= 102);
            let span = |p: &[(f64, f64)]| {
                p.iter().fold((f64::MAX, f64::MIN), |(a, b), (_, v)| (a.min(*v), b.max(*v)))
            };
            prop_assert_eq!(span(&kept), span(&points));
            prop_assert!(kept.windows(2).all(|w| w[0].0 <= w[1].0));
            prop_assert_eq!((kept[0], kept[kept.len() - 1]), (points[0], points[points.len() - 1]));
        }
    }

    #[test]
    fn no_line_is_drawn_over_a_gap() {
        let points = [(0.0, 1.0), (0.2, 1.0), (40.0, 1.0), (40.2, 1.0)];
        assert_eq!(gap(&points.map(|p| p.0)), 2.0);
        let parts: Vec<_> = stretches(&points, 2.0).iter().map(|s| s.len()).collect();
        assert_eq!(parts, [2, 2]);
        assert_eq!(gap(&[0.0, 5.0, 10.0]), 15.0, "a slow supply is not one long gap");
    }

    #[test]
    fn step_goes_straight_up_and_a_level_takes_two_points() {
        let rise = [(0.0, 0.0), (1.0, 0.0), (2.0, 0.0), (3.0, 2.0), (4.0, 2.0)];
        assert_eq!(steps(&rise), [(0.0, 0.0), (3.0, 0.0), (3.0, 2.0), (4.0, 2.0)]);
    }
}

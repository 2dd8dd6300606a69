//! A minimum thickness, and the mean that it takes.

use super::{Request, Target};
use crate::part::{Load, Part};
use crate::process::End;

/// The minimum asked for, if one was: the mean is larger by the ratio of the
/// part that asks most, since all that hang share one density.
pub(super) fn target(request: &Request, load: &Load) -> Option<Target> {
    let (minimum, standard) = match request.end {
        End::Minimum(minimum) => (minimum, None),
        End::Standard(standard) => (standard.minimum(), Some(standard)),
        End::Thickness(_) | End::Charge(_) | End::Time(_) => return None,
    };
    let ratio = load.mean_over_minimum();
    let part = load.parts().iter().max_by(|a, b| a.mean_over_minimum().total_cmp(&b.mean_over_minimum()))?;
    Some(Target {
        minimum,
        mean: minimum * ratio,
        ratio,
        ratio_why: why(part),
        standard,
        from_memory: standard.is_some_and(|s| s.from_memory()),
        source: standard.map(|s| s.source()),
        checks: standard.map_or(&[], |s| s.checks()),
    })
}

fn why(part: &Part) -> String {
    if part.mean_over_minimum_given() {
        return "as given".into();
    }
    let name = part.shape().name();
    format!("usual for {name}, not measured on this rack: write mean-over-minimum where you know better")
}

//! A minimum thickness, and the mean that it takes.

use super::worksheet::PartRow;
use super::{Request, Target, own};
use crate::deposit::OwnFigure;
use crate::part::{Load, Part, Shape};
use crate::process::End;
use crate::quantity::{Length, Units};

/// The minimum asked for, if one was: the mean is larger by the ratio of the
/// part that asks most, since all that hang share one density.
pub(super) fn target(request: &Request, load: &Load, own: Option<OwnFigure>) -> Option<Target> {
    let (minimum, standard) = match request.end {
        End::Minimum(minimum) => (minimum, None),
        End::Standard(standard) => (standard.minimum(), Some(standard)),
        End::Thickness(_) | End::Charge(_) | End::Time(_) => return None,
    };
    let part = load.parts().iter().max_by(|a, b| ratio(a, own).total_cmp(&ratio(b, own)))?;
    let ratio = ratio(part, own);
    Some(Target {
        minimum,
        mean: minimum * ratio,
        ratio,
        ratio_why: why(part, own),
        standard,
        from_memory: standard.is_some_and(|s| s.from_memory()),
        source: standard.map(|s| s.source()),
        checks: standard.map_or(&[], |s| s.checks()),
    })
}

/// The mean over the minimum: as given, else by like parts measured in this tank, else the shape's usual one.
pub(super) fn ratio(part: &Part, own: Option<OwnFigure>) -> f64 {
    match own.filter(|own| own.mean > 0.0 && !part.mean_over_minimum_given()) {
        Some(own) => (1.0 / own.mean).max(1.0),
        None => part.mean_over_minimum(),
    }
}

fn why(part: &Part, own: Option<OwnFigure>) -> String {
    if part.mean_over_minimum_given() {
        return "as given".into();
    }
    if let Some(own) = own {
        return format!("measured on like parts in this tank: thinnest over mean {}", own::shown(&own));
    }
    let name = part.shape().name();
    format!("usual for {name}, not measured on this rack: write mean-over-minimum where you know better")
}

/// A part as the worksheet has it.
pub(super) fn part_row(part: &Part, mean: Option<Length>, own: Option<OwnFigure>) -> PartRow {
    let over = ratio(part, own);
    PartRow {
        name: part.name().map(str::to_owned),
        shape: match part.shape() {
            // A mesh has no short form that reads back; its figures are long.
            Shape::Mesh(_) => part.shape().describe(Units::Metric),
            shape => shape.to_string(),
        },
        counted: part.shape().counted(),
        count: part.count(),
        each: part.area_each(),
        area: part.area(),
        edge_factor: part.edge_factor(),
        edge_factor_given: part.edge_factor_given(),
        mean_over_minimum: over,
        mean_over_minimum_given: part.mean_over_minimum_given(),
        significant: part.significant(),
        significant_area: part.shape().significant_area(part.significant()),
        thinnest: mean.map(|mean| mean / over),
    }
}

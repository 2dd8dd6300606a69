//! What comes out in a day, what limits it, and what would lift the limit.

use super::loads::{Batch, fit, room};
use super::work::Work;
use super::worksheet::{AtOnce, Bound, Lift, Throughput};
use super::{Day, warn};
use crate::bath::Agitation;
use crate::part::{Load, Part};
use crate::process::End;
use crate::quantity::{Amps, Area, Charge, Density, Mass, Span};

/// A lift below this is not worth a line: it drowns in what is not known of the work.
const WORTH_SAYING: f64 = 1.05;

/// A plan, as far as the day's work goes.
pub(super) struct Line<'a> {
    pub work: &'a Work<'a>,
    pub all: &'a Load,
    pub batches: &'a [Batch],
    pub at_once: &'a [AtOnce],
    pub density: Density,
    pub fastest: Density,
    /// Of the first load, with the output on.
    pub time: Span,
    pub charge: Charge,
    pub mass: Option<Mass>,
    pub ramp: Span,
    pub faces: u8,
}

/// What bounds the parts of a load, apart from how many there are.
#[derive(Clone, Copy)]
enum Most {
    Current(Amps),
    Work(Area),
    Places(u32),
}

pub(super) fn throughput(line: &Line<'_>) -> Throughput {
    let request = line.work.request;
    let day = request.day.unwrap_or_default();
    let each = line.time + day.between_loads;
    let loads = line.batches.iter().map(|b| b.loads).fold(0, u32::saturating_add);
    let in_first: u32 = line.batches.first().map_or(0, |b| b.parts.iter().map(|(_, n)| n).sum());
    // The last load of a day is not followed by another: its time between falls outside.
    let loads_per_day = ((day.hours + day.between_loads) / each + 1e-9).floor().clamp(0.0, 1e9) as u32;
    let parts_per_day = loads_per_day.saturating_mul(in_first).min(line.all.count());
    let done = f64::from(loads_per_day.min(loads));
    Throughput {
        day,
        day_given: request.day.is_some(),
        loads_per_day,
        parts_per_day,
        parts_per_hour: f64::from(in_first) * 3600.0 / each.get(),
        all: each * f64::from(loads) - day.between_loads,
        days: if loads_per_day == 0 { 0 } else { loads.div_ceil(loads_per_day) },
        charge_per_day: line.charge * done,
        metal_per_day: line.mass.map(|mass| mass * done),
        limit: limit(line, loads),
        lifts: lifts(line, day),
    }
}

fn limit(line: &Line<'_>, loads: u32) -> String {
    if loads <= 1 {
        return "everything hangs at once: only the time of the load counts".into();
    }
    match line.at_once.iter().find(|row| row.limits).map(|row| row.bound) {
        Some(Bound::Supply) => "the supply's current".into(),
        Some(Bound::Solution) => "amperes per litre of solution".into(),
        Some(Bound::Anodes) => "anode area".into(),
        Some(Bound::Bar) => "places on the bar".into(),
        None => "nothing that is known".into(),
    }
}

/// What would give more parts an hour, the most first.
fn lifts(line: &Line<'_>, day: Day) -> Vec<Lift> {
    let work = line.work;
    let u = work.units;
    let bounds = bounds(line);
    let now = rate(line, day, line.density, &bounds);
    if now <= 0.0 {
        return Vec::new();
    }
    let mut all: Vec<(String, f64)> = Vec::new();
    for (at, (bound, _)) in bounds.iter().enumerate() {
        let mut lifted = bounds.clone();
        lifted.remove(at);
        let parts = hung(line, line.density, &lifted);
        if parts <= hung(line, line.density, &bounds) {
            continue;
        }
        let parts_area = largest(line) * f64::from(parts);
        let area = parts_area + line.all.allowance().area(parts_area);
        let amps = line.density * area;
        let what = match bound {
            Bound::Supply => format!("a supply of {}", amps.show(u)),
            Bound::Solution => match work.tank.max_load.or(work.bath.max_load) {
                Some(per) => format!("a tank of {}", (amps / per).show(u)),
                None => continue,
            },
            Bound::Anodes => {
                format!("anodes of {}", (area * work.bath.anode_ratio.unwrap_or(1.0)).show(u))
            }
            Bound::Bar => format!("{parts} places on the bar"),
        };
        all.push((format!("{what} ({parts} at once)"), rate(line, day, line.density, &lifted)));
    }
    if line.fastest > line.density {
        let faster = rate(line, day, line.fastest, &bounds);
        all.push((format!("the fastest safe density, {}", line.fastest.show(u)), faster));
    }
    let livelier = [Agitation::Rod, Agitation::Air, Agitation::Vigorous];
    if let Some((moved, density)) =
        livelier.into_iter().filter(|a| *a > work.tank.agitation).find_map(|moved| {
            let safe = work.fastest(line.all.edge_factor(), work.burn_at(moved)).0;
            (safe > line.fastest && safe > line.density).then_some((moved, safe))
        })
    {
        let what = format!("{} and {}", warn::agitation(moved).trim_start_matches("with "), density.show(u));
        all.push((what, rate(line, day, density, &bounds)));
    }
    if day.between_loads > line.time {
        let brisk = Day { between_loads: day.between_loads / 2.0, ..day };
        let what = format!("half the time between loads, {}", brisk.between_loads.show(u));
        all.push((what, rate(line, brisk, line.density, &bounds)));
    }
    let mut lifts: Vec<_> = all
        .into_iter()
        .map(|(what, rate)| Lift { what, parts_per_hour: rate, gain: rate / now })
        .filter(|lift| lift.gain >= WORTH_SAYING)
        .collect();
    lifts.sort_by(|a, b| b.gain.total_cmp(&a.gain));
    lifts
}

/// The bounds as they hold at any density.
fn bounds(line: &Line<'_>) -> Vec<(Bound, Most)> {
    let known = line.at_once.iter().filter_map(|row| Some((row, row.area?)));
    known
        .map(|(row, area)| {
            let most = match row.bound {
                Bound::Supply | Bound::Solution => Most::Current(line.density * area),
                Bound::Anodes => Most::Work(area),
                Bound::Bar => Most::Places(row.parts.unwrap_or(0)),
            };
            (row.bound, most)
        })
        .collect()
}

fn largest(line: &Line<'_>) -> Area {
    line.all.parts().iter().map(Part::area_each).fold(Area::ZERO, Area::max)
}

/// How many of the largest part hang at that density.
fn hung(line: &Line<'_>, density: Density, bounds: &[(Bound, Most)]) -> u32 {
    let each = largest(line);
    let fits = |area: Area| fit(room(area, line.all.allowance()).max(Area::ZERO), each);
    let most = bounds.iter().map(|(_, most)| match most {
        Most::Current(amps) => fits(*amps / density),
        Most::Work(area) => fits(*area),
        Most::Places(places) => *places,
    });
    most.fold(line.all.count(), u32::min)
}

/// Parts an hour at that density.
fn rate(line: &Line<'_>, day: Day, density: Density, bounds: &[(Bound, Most)]) -> f64 {
    let ramps = line.ramp * (f64::from(line.faces.max(1)) * 0.5);
    let time = match line.work.request.end {
        End::Time(time) => time,
        // The same charge on each part: the time at the setpoint goes as one over the density.
        _ => (line.time - ramps).max(Span::ZERO) * (line.density / density) + ramps,
    };
    f64::from(hung(line, density, bounds)) * 3600.0 / (time + day.between_loads).get()
}

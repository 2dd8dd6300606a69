//! How many hang at once, and how many loads that makes.

use crate::part::{Allowance, Part};
use crate::quantity::Area;

/// So many equal loads, each of `(index into the parts, how many of it)`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Batch {
    pub loads: u32,
    pub parts: Vec<(usize, u32)>,
}

/// Room for parts when everything that takes current may be `limit`.
pub(super) fn room(limit: Area, allowance: Allowance) -> Area {
    match allowance {
        Allowance::Share(share) => limit / (1.0 + share.get()),
        Allowance::Area(rack) => limit - rack,
    }
}

/// How many of area `each` fit. A part that fits but for rounding fits.
pub(super) fn fit(room: Area, each: Area) -> u32 {
    (room / each + 1e-9).floor().clamp(0.0, f64::from(u32::MAX)) as u32
}

/// Fills loads in the order of the list, each as full as it gets; `None` if
/// some part does not fit alone. Equal loads in a row are one batch, so a
/// hundred thousand parts are no more work than ten. No load has more than
/// `places` parts.
pub(super) fn split(parts: &[Part], room: Area, places: u32) -> Option<Vec<Batch>> {
    let mut batches: Vec<Batch> = Vec::new();
    let mut open: Vec<(usize, u32)> = Vec::new();
    let mut left = room;
    let mut free = places;
    for (index, part) in parts.iter().enumerate() {
        let each = part.area_each();
        let full = fit(room, each).min(places);
        if full == 0 {
            return None;
        }
        let mut wanted = part.count();
        let now = fit(left, each).min(wanted).min(free);
        if now > 0 {
            open.push((index, now));
            left = left - each * f64::from(now);
            free -= now;
            wanted -= now;
        }
        if wanted == 0 {
            continue;
        }
        if !open.is_empty() {
            batches.push(Batch { loads: 1, parts: std::mem::take(&mut open) });
        }
        if wanted >= full {
            batches.push(Batch { loads: wanted / full, parts: vec![(index, full)] });
        }
        left = room;
        free = places;
        if wanted % full > 0 {
            open.push((index, wanted % full));
            left = room - each * f64::from(wanted % full);
            free -= wanted % full;
        }
    }
    if !open.is_empty() {
        batches.push(Batch { loads: 1, parts: open });
    }
    let mut joined: Vec<Batch> = Vec::new();
    for batch in batches {
        match joined.last_mut() {
            Some(last) if last.parts == batch.parts => last.loads += batch.loads,
            _ => joined.push(batch),
        }
    }
    Some(joined)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn parts(of: &[(u32, f64)]) -> Vec<Part> {
        of.iter().map(|(n, cm2)| format!("{n} area {cm2} cm2").parse().unwrap()).collect()
    }
    fn cm2(v: f64) -> Area {
        Area::new(v * 1e-4)
    }

    #[test]
    fn full_loads_first_and_the_rest_last() {
        let made = split(&parts(&[(7, 10.0)]), cm2(30.0), u32::MAX).unwrap();
        assert_eq!(made, [Batch { loads: 2, parts: vec![(0, 3)] }, Batch { loads: 1, parts: vec![(0, 1)] }]);
        let made = split(&parts(&[(4, 10.0), (3, 5.0)]), cm2(30.0), u32::MAX).unwrap();
        assert_eq!(
            made,
            [Batch { loads: 1, parts: vec![(0, 3)] }, Batch { loads: 1, parts: vec![(0, 1), (1, 3)] }]
        );
        assert_eq!(split(&parts(&[(1, 31.0)]), cm2(30.0), u32::MAX), None);
    }

    proptest! {
        #[test]
        fn no_part_is_lost_and_no_load_is_too_large(
            kinds in prop::collection::vec((1u32..500, 1.0f64..30.0), 1..5),
            room in 30.0f64..300.0,
            places in prop_oneof![1u32..40, Just(u32::MAX)],
        ) {
            let all = parts(&kinds);
            let made = split(&all, cm2(room), places).unwrap();
            for (index, part) in all.iter().enumerate() {
                let hung: u32 = made.iter().map(|b| {
                    b.loads * b.parts.iter().filter(|(i, _)| *i == index).map(|(_, n)| n).sum::<u32>()
                }).sum();
                prop_assert_eq!(hung, part.count());
            }
            for batch in &made {
                let area: Area = batch.parts.iter().map(|(i, n)| all[*i].area_each() * f64::from(*n)).sum();
                prop_assert!(area.get() <= room * 1e-4 * (1.0 + 1e-6));
                prop_assert!(batch.parts.iter().map(|(_, n)| n).sum::<u32>() <= places);
            }
        }
    }
}

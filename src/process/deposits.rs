//! Checks on what is deposited on what: strikes, layers, the barrier, the bake, waiting.

use super::check::Said;
use super::facts::Wet;
use super::{Bake, Base, End, Hold, Kind, Purpose, Rule, Sheet};
use crate::quantity::{Length, Span};

/// Tensile strength above which steel is baked, MPa. From memory.
const STRONG_STEEL: u32 = 1000;
/// Least bake. Metal Finishing Guide Book 2013, p. 308: 8-24 h.
const BAKE: Span = Span::new(8.0 * 3600.0);
/// The most time from plating to the oven. From memory.
const TO_THE_OVEN: Span = Span::new(4.0 * 3600.0);
/// The most time from activation to plating: passive metals, others. From memory.
const PASSIVE_WAITS: Span = Span::new(30.0);
const OTHERS_WAIT: Span = Span::new(60.0);
/// Least nickel under gold. From memory (ASTM B488).
const BARRIER: Length = Length::new(1.25e-6);
/// Gold from which ASTM B488 asks for no barrier: class 5.0.
const THICK_GOLD: Length = Length::new(5e-6);

pub(super) fn first_deposit(sheet: &Sheet, all: &[Wet<'_>], deposits: &[&Wet<'_>], said: &mut Said) {
    let Some(first) = deposits.first() else {
        said.sheet(
            true,
            Rule::Contradiction,
            "no step deposits anything",
            "write at least one [step.powered] in a plating bath",
        );
        return;
    };
    let struck = first.step.purpose() == Some(Purpose::Strike);
    for base in &sheet.base {
        let (holds, need) = match base {
            Base::StainlessSteel => (struck && first.bites(), "Wood's nickel strike or an acid gold strike"),
            Base::Nickel => (struck && first.bites(), "Wood's nickel strike"),
            Base::ZincDieCast => {
                (struck && first.symbol() == Some("Cu") && first.cyanide(), "a cyanide copper strike")
            }
            Base::Steel | Base::HardenedSteel => (
                matches!(first.symbol(), Some("Ni" | "Zn" | "Cr" | "Sn")) || first.metal() == Some("Cu(I)"),
                "nickel or a cyanide copper strike",
            ),
            Base::Copper | Base::Brass => (true, ""),
        };
        if !holds {
            said.step(
                true,
                Rule::Strike,
                first,
                format!("{} straight on {}", first.baths[0].title, base.name()),
                format!("begin with {need}"),
            );
        }
    }
    let activated = all.iter().any(|w| {
        w.index < first.index
            && w.acid()
            && w.metal().is_none()
            && w.step.purpose() == Some(Purpose::Activate)
    });
    if !activated && !first.bites() {
        said.step(
            true,
            Rule::Activation,
            first,
            format!("{:?} without activation before", first.step.name),
            "dip in acid first",
        );
    }
}

/// What a step deposits, as far as the sheet says.
fn thickness(w: &Wet<'_>) -> Option<Length> {
    let p = w.powered()?;
    match p.end {
        End::Thickness(t) | End::Minimum(t) => Some(t),
        End::Standard(standard) => Some(standard.minimum()),
        End::Time(time) => {
            let density = match p.hold {
                Some(Hold::Density(d)) => d,
                _ => w.baths[0].density.typical,
            };
            w.baths[0].deposit_after(time, density)
        }
        End::Charge(_) => None,
    }
}

pub(super) fn layers(sheet: &Sheet, deposits: &[&Wet<'_>], said: &mut Said) {
    let purpose = |w: &Wet<'_>| w.step.purpose();
    for (i, w) in deposits.iter().enumerate() {
        let under = i.checked_sub(1).map(|j| deposits[j]);
        if purpose(w) != Some(Purpose::Plate) {
            continue;
        }
        let struck = under.is_some_and(|u| purpose(u) == Some(Purpose::Strike) && u.symbol() == w.symbol());
        let kept = under.is_some_and(|u| u.symbol() == w.symbol());
        match w.symbol() {
            Some("Ag") if !kept => said.step(
                true,
                Rule::Strike,
                w,
                "silver plate without a silver strike under it: silver deposits by mere dipping, loosely"
                    .into(),
                "put a silver strike before it",
            ),
            Some("Au") if !kept => said.step(
                false,
                Rule::Strike,
                w,
                "gold plate without a gold strike under it".into(),
                "put a gold strike before it (ASTM B488 advises one)",
            ),
            _ => {}
        }
        if let (true, Some(under), Some(target)) = (struck, under, thickness(w))
            && let Some(strike) = thickness(under)
            && target <= strike
        {
            said.step(
                true,
                Rule::ThinTarget,
                w,
                format!("{target} is asked for, and {:?} alone makes about {strike}", under.step.name),
                format!("ask for clearly more than {strike}, or shorten the strike"),
            );
        }
    }
    barrier(sheet, deposits, said);
}

fn barrier(sheet: &Sheet, deposits: &[&Wet<'_>], said: &mut Said) {
    let Some(first_gold) = deposits.iter().position(|w| w.symbol() == Some("Au")) else { return };
    let gold_on_top = deposits.last().is_some_and(|w| w.symbol() == Some("Au"));
    if !gold_on_top {
        return; // a gold strike under something else is no gold finish
    }
    let gold = deposits[first_gold];
    let over_copper = sheet.base.iter().any(|b| matches!(b, Base::Copper | Base::Brass))
        || deposits[..first_gold].iter().any(|w| w.symbol() == Some("Cu"));
    let last_copper =
        deposits[..first_gold].iter().rposition(|w| w.symbol() == Some("Cu")).map_or(0, |i| i + 1);
    let nickel: Vec<_> = deposits[last_copper..first_gold]
        .iter()
        .filter(|w| w.symbol() == Some("Ni") && w.step.purpose() == Some(Purpose::Plate))
        .collect();
    if over_copper && nickel.is_empty() {
        let thick = deposits
            .iter()
            .any(|w| w.symbol() == Some("Au") && thickness(w).is_some_and(|t| t >= THICK_GOLD));
        said.step(
            !thick,
            Rule::NickelUnderGold,
            gold,
            "gold on a copper alloy without nickel between".into(),
            format!("plate nickel first, at least {BARRIER}"),
        );
    }
    if let Some((w, thin)) = nickel.iter().find_map(|w| thickness(w).filter(|t| *t < BARRIER).map(|t| (w, t)))
        && over_copper
    {
        said.step(
            true,
            Rule::NickelUnderGold,
            w,
            format!("{thin} of nickel under the gold"),
            format!("plate at least {BARRIER}"),
        );
    }
    let under = first_gold.checked_sub(1).and_then(|i| deposits[i].symbol());
    if under == Some("Ag") && sheet.standards.iter().any(|s| s == "MIL-DTL-45204") {
        said.step(
            true,
            Rule::NickelUnderGold,
            gold,
            "silver under the gold, which MIL-DTL-45204 bars".into(),
            "put nickel there, or leave the standard out",
        );
    }
}

pub(super) fn bake(sheet: &Sheet, deposits: &[&Wet<'_>], said: &mut Said) {
    let steel = sheet.base.iter().any(|b| matches!(b, Base::Steel | Base::HardenedSteel));
    let last = deposits.last().map_or(0, |w| w.index);
    let baked = sheet.steps.iter().enumerate().find_map(|(i, s)| match &s.kind {
        Kind::Prompt(prompt) if i > last => prompt.bake.map(|bake| (s, bake)),
        _ => None,
    });
    let strong = sheet.steel_tensile.is_some_and(|mpa| mpa > STRONG_STEEL);
    match (sheet.steel_tensile, steel) {
        (None, true) => said.sheet(
            true,
            Rule::Bake,
            "for steel, and steel-tensile-mpa is not said",
            "write the strength of the strongest steel it is for",
        ),
        (Some(_), false) => said.sheet(
            true,
            Rule::Contradiction,
            "steel-tensile-mpa on a sheet that is not for steel",
            "leave it out, or add the steel to base",
        ),
        (Some(mpa), true) if strong && !sheet.base.contains(&Base::HardenedSteel) => said.sheet(
            true,
            Rule::Contradiction,
            format!("steel of {mpa} MPa is hardened or high-strength steel, and base does not say so"),
            "write base = [\"hardened-steel\"]",
        ),
        _ => {}
    }
    if !strong {
        return;
    }
    match baked {
        None => said.sheet(
            true,
            Rule::Bake,
            format!("steel of more than {STRONG_STEEL} MPa and no bake after the last deposit"),
            "end with a [step.prompt] that has bake = { temperature = \"205 degC\", time = \"8 h\", within = \"4 h\" }",
        ),
        Some((step, bake)) => {
            let (low, high) = Bake::BETWEEN;
            if !(low..=high).contains(&bake.temperature) || bake.time < BAKE || bake.within > TO_THE_OVEN {
                said.named(
                    true,
                    Rule::Bake,
                    &step.name,
                    format!("{} for {}, begun within {}", bake.temperature, bake.time, bake.within),
                    format!("bake at {low} to {high} for at least {BAKE}, begun within {TO_THE_OVEN}"),
                );
            }
        }
    }
}

pub(super) fn delay(sheet: &Sheet, all: &[Wet<'_>], said: &mut Said) {
    let passive = sheet.base.iter().any(|b| matches!(b, Base::StainlessSteel | Base::Nickel));
    let most = if passive { PASSIVE_WAITS } else { OTHERS_WAIT };
    for pair in all.windows(2) {
        let (from, to) = (&pair[0], &pair[1]);
        let bared = from.step.purpose() == Some(Purpose::Activate) || (from.bites() && from.deposits());
        if !bared || !to.deposits() {
            continue;
        }
        let between = &sheet.steps[from.index + 1..to.index];
        if let Some(prompt) = between.iter().find(|s| matches!(s.kind, Kind::Prompt(_))) {
            said.named(
                true,
                Rule::NoDelay,
                &prompt.name,
                format!("{:?} stands between {:?} and {:?}", prompt.name, from.step.name, to.step.name),
                "do it before the activation",
            );
        }
        // The clock of `within` runs from the end of the line before: the inspection, if there is one.
        let waits: Vec<_> = sheet.steps[from.index + 1..=to.index].iter().map(|s| s.within).collect();
        let total: Option<Span> = waits.into_iter().collect::<Option<Vec<_>>>().map(|w| w.into_iter().sum());
        if total.is_none_or(|total| total > most) {
            said.step(
                true,
                Rule::NoDelay,
                to,
                match total {
                    Some(total) => format!("up to {total} from {:?} to {:?}", from.step.name, to.step.name),
                    None => format!("no longest time from {:?} to {:?}", from.step.name, to.step.name),
                },
                format!(
                    "write \"within\" in every step between and in {:?}, {most} together at most",
                    to.step.name
                ),
            );
        }
    }
}

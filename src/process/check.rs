//! The checks that a careful plater would make before the first part is wet.

use super::deposits::{bake, delay, first_deposit, layers};
use super::facts::{Wet, wet};
use super::{Anode, Base, End, Finding, Hold, Kind, Polarity, Purpose, Rule, Sheet, Water};
use crate::bath::Bath;
use crate::quantity::Span;

/// The longest anodic end of cleaning on metals that it eats: 3-20 s, a text on cleaning (secondary).
const ANODIC_END: Span = Span::new(20.0);

/// Everything found on the sheet, what must be mended and what is advice, by
/// step. `baths` are those that its tanks may hold.
pub fn check(sheet: &Sheet, baths: &[Bath]) -> Vec<Finding> {
    let all = wet(sheet, baths);
    let mut said = Said(Vec::new());
    tanks(sheet, baths, &mut said);
    for step in &all {
        fits(sheet, step, &mut said);
        window(step, &mut said);
        polarity(sheet, step, &mut said);
    }
    for pair in neighbours(sheet, &all) {
        apart(sheet, &pair, &mut said);
    }
    shared_rinses(sheet, &all, &mut said);
    own_rinse(sheet, &all, &mut said);
    let deposits: Vec<_> = all.iter().filter(|w| w.deposits()).collect();
    first_deposit(sheet, &all, &deposits, &mut said);
    layers(sheet, &deposits, &mut said);
    bake(sheet, &deposits, &mut said);
    delay(sheet, &all, &mut said);
    cleaning(sheet, &all, &mut said);
    said.0
}

/// What was found so far.
pub(super) struct Said(Vec<Finding>);

impl Said {
    pub(super) fn step(
        &mut self,
        must: bool,
        rule: Rule,
        step: &Wet<'_>,
        wrong: String,
        remedy: impl Into<String>,
    ) {
        self.named(must, rule, &step.step.name, wrong, remedy);
    }
    pub(super) fn named(
        &mut self,
        must: bool,
        rule: Rule,
        step: &str,
        wrong: String,
        remedy: impl Into<String>,
    ) {
        let remedy = remedy.into();
        self.0.push(Finding { rule, step: Some(step.into()), tank: None, must, wrong, remedy });
    }
    pub(super) fn sheet(
        &mut self,
        must: bool,
        rule: Rule,
        wrong: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        let (wrong, remedy) = (wrong.into(), remedy.into());
        self.0.push(Finding { rule, step: None, tank: None, must, wrong, remedy });
    }
    fn tank(&mut self, must: bool, rule: Rule, tank: &str, wrong: String, remedy: impl Into<String>) {
        let remedy = remedy.into();
        self.0.push(Finding { rule, step: None, tank: Some(tank.into()), must, wrong, remedy });
    }
}

/// Anodes, and whether the baths of one role agree.
fn tanks(sheet: &Sheet, baths: &[Bath], said: &mut Said) {
    for tank in &sheet.tanks {
        let own: Vec<_> = tank.baths.iter().filter_map(|n| baths.iter().find(|b| b.name == *n)).collect();
        let symbol = |b: &Bath| b.metal.as_deref().map(|id| id.split('(').next().unwrap_or(id).to_owned());
        if own.windows(2).any(|w| symbol(w[0]) != symbol(w[1]) || w[0].is_dip() != w[1].is_dip()) {
            said.tank(
                true,
                Rule::Contradiction,
                &tank.name,
                format!("its baths ({}) do not do the same thing", tank.baths.join(", ")),
                "name baths of one metal, or make two tanks of it",
            );
        }
        for bath in own {
            let (fit, bag) = anodes_for(bath);
            if !fit.contains(&tank.anodes) {
                let fit: Vec<_> = fit.iter().map(|a| format!("{:?}", a.name())).collect();
                said.tank(
                    true,
                    Rule::Anodes,
                    &tank.name,
                    format!("{} anodes in {}", tank.anodes.name(), bath.title),
                    format!("write anodes = {}", fit.join(" or ")),
                );
            } else if bag.contains(&tank.anodes) && !tank.bagged {
                said.tank(
                    false,
                    Rule::Anodes,
                    &tank.name,
                    format!(
                        "{} anodes without bags in {}: their fines make the deposit rough",
                        tank.anodes.name(),
                        bath.title
                    ),
                    "bag them: bagged = true",
                );
            }
        }
    }
}

/// Which anodes fit the bath, and which of them want a bag.
fn anodes_for(bath: &Bath) -> (&'static [Anode], &'static [Anode]) {
    use Anode::{
        Copper, Lead, Nickel, None, PhosphorisedCopper, PlatinisedTitanium, Silver, StainlessSteel, Steel,
        Tin, Zinc,
    };
    match bath.metal.as_deref() {
        Option::None if bath.is_dip() => (&[None], &[]),
        Option::None => (&[Steel, StainlessSteel], &[]),
        Some("Ni") => (&[Nickel], &[Nickel]),
        Some("Cu(II)") => (&[PhosphorisedCopper], &[PhosphorisedCopper]),
        Some("Cu(I)") => (&[Copper], &[Copper]),
        Some("Ag") => (&[Silver, StainlessSteel], &[Silver]),
        // Stainless steel is for colour baths; an acid strike eats it.
        Some("Au(I)" | "Au(III)") if bath.treat_time.is_some() => (&[PlatinisedTitanium], &[]),
        Some("Au(I)" | "Au(III)") => (&[PlatinisedTitanium, StainlessSteel], &[]),
        Some("Zn") => (&[Zinc], &[Zinc]),
        Some("Sn(II)" | "Sn(IV)") => (&[Tin], &[Tin]),
        Some("Cr(VI)") => (&[Lead], &[]),
        // Of other metals nothing is known here, so nothing is refused.
        Some(_) => (
            &[
                Nickel,
                Copper,
                PhosphorisedCopper,
                Silver,
                Zinc,
                Tin,
                Lead,
                Steel,
                StainlessSteel,
                PlatinisedTitanium,
            ],
            &[],
        ),
    }
}

/// What a step says of itself against what its tank can do.
fn fits(sheet: &Sheet, w: &Wet<'_>, said: &mut Said) {
    let bath = w.baths[0];
    let contra = |said: &mut Said, wrong: String, remedy: &str| {
        said.step(true, Rule::Contradiction, w, wrong, remedy);
    };
    match &w.step.kind {
        Kind::Dip(dip) => {
            if w.metal().is_some() {
                contra(
                    said,
                    format!("a dip without current in {}, a plating bath", bath.title),
                    "make it [step.powered]",
                );
            }
            if !matches!(dip.purpose, Purpose::Clean | Purpose::Activate) {
                let wrong = format!("a dip cannot {}: nothing deposits without current", dip.purpose.name());
                contra(said, wrong, "write purpose = \"clean\" or \"activate\", or make it [step.powered]");
            }
            if dip.most.is_some_and(|most| most < dip.time) {
                contra(said, "\"most\" is shorter than \"time\"".into(), "write the longer one as most");
            }
            // pH 1: from memory, between a dip of 1 % sulfuric acid and one of 5 %.
            let strong = w.baths.iter().any(|b| b.ph.typical < 1.0);
            if strong && sheet.base.contains(&Base::ZincDieCast) {
                said.step(
                    true,
                    Rule::ZincAndAcid,
                    w,
                    format!("zinc die castings in {}", bath.title),
                    "dip in a mild acid, such as mild-acid-dip",
                );
            }
            if w.acid() && dip.most.is_none() {
                said.step(
                    false,
                    Rule::Window,
                    w,
                    "an acid dip with no longest time".into(),
                    "write most = \"60 s\" or so: past it the run warns",
                );
            }
        }
        Kind::Powered(p) => {
            if let Some(dip) = w.baths.iter().find(|b| b.is_dip()) {
                contra(said, format!("current in {}, which is a dip", dip.title), "make it [step.dip]");
            }
            let plating = matches!(p.purpose, Purpose::Strike | Purpose::Plate);
            if plating && w.metal().is_none() {
                let wrong = format!("{} deposits nothing and cannot {}", bath.title, p.purpose.name());
                contra(said, wrong, "name a tank with a plating bath");
            }
            if plating && p.part == Polarity::Anode {
                contra(said, "metal does not deposit on an anode".into(), "write part = \"cathode\"");
            }
            if p.purpose == Purpose::Clean && w.metal().is_some() {
                contra(
                    said,
                    format!("{} is a plating bath, not a cleaner", bath.title),
                    "name the cleaner's tank",
                );
            }
            let thick = matches!(p.end, End::Thickness(_) | End::Minimum(_) | End::Standard(_));
            if thick && !w.deposits() {
                contra(
                    said,
                    "nothing deposits here, so no thickness can end it".into(),
                    "end it by time or charge",
                );
            }
            if let (End::Standard(standard), Some(symbol)) = (p.end, w.symbol())
                && standard.metal() != symbol
            {
                let wrong =
                    format!("{standard} is about {}, and this tank deposits {symbol}", standard.metal());
                contra(said, wrong, "name a standard for this metal, or a thickness");
            }
        }
        Kind::Inspect(_) | Kind::Prompt(_) => {}
    }
    for (role, at) in w.step.rinse.iter().zip(1..) {
        if sheet.rinse(role).is_some_and(|r| r.own.is_some()) && at < w.step.rinse.len() {
            let wrong = format!("{role:?} is a tank's own last rinse and stands before another");
            said.step(true, Rule::OwnLastRinse, w, wrong, "put it last");
        }
    }
}

/// Density and time against the bath's windows.
fn window(w: &Wet<'_>, said: &mut Said) {
    let bath = w.baths[0];
    if let Some(Hold::Density(density)) = w.powered().and_then(|p| p.hold) {
        let windows = std::iter::once(&bath.density).chain(bath.density_by_base.iter().map(|(_, w)| w));
        if !windows.into_iter().any(|window| window.contains(density)) {
            said.step(
                false,
                Rule::Window,
                w,
                format!(
                    "{density} is outside {}'s {} to {}",
                    bath.title, bath.density.low, bath.density.high
                ),
                "hold a density inside it",
            );
        }
    }
    let time = match &w.step.kind {
        Kind::Dip(dip) => Some(dip.time),
        Kind::Powered(p) => match p.end {
            End::Time(time) => Some(time),
            _ => None,
        },
        _ => None,
    };
    if let (Some(time), Some(usual)) = (time, bath.treat_time)
        && !usual.contains(time)
        && w.powered().is_none_or(|p| p.part == Polarity::Cathode)
    {
        said.step(
            false,
            Rule::Window,
            w,
            format!("{time} is outside {}'s usual {} to {}", bath.title, usual.low, usual.high),
            "keep to the usual time, or say in sources why not",
        );
    }
}

fn polarity(sheet: &Sheet, w: &Wet<'_>, said: &mut Said) {
    let Some(p) = w.powered().filter(|_| w.cleaner()) else { return };
    let anodic = p.part == Polarity::Anode;
    let has = |base: &Base| sheet.base.contains(base);
    if let Some(steel) = [Base::HardenedSteel, Base::Steel].iter().find(|b| has(b))
        && !anodic
    {
        said.step(
            true,
            Rule::CleaningPolarity,
            w,
            format!("{} cleaned as cathode", steel.name()),
            "write part = \"anode\" (the leads are swapped for this step)",
        );
    }
    if !anodic {
        return;
    }
    if has(&Base::Nickel) {
        said.step(
            true,
            Rule::CleaningPolarity,
            w,
            "old nickel cleaned as anode".into(),
            "write part = \"cathode\"",
        );
    }
    let long = !matches!(p.end, End::Time(time) if time <= ANODIC_END);
    if let Some(soft) = [Base::ZincDieCast, Base::Brass, Base::Copper].iter().find(|b| has(b))
        && long
    {
        said.step(
            *soft == Base::ZincDieCast,
            Rule::CleaningPolarity,
            w,
            format!("{} cleaned as anode for more than {ANODIC_END}", soft.name()),
            "clean as cathode, and as anode for 3 to 20 s at the end at most",
        );
    }
}

/// Two steps in tanks that can follow each other, with the rinses between:
/// those of the first, and of nothing else.
struct Pair<'p, 's> {
    from: &'p Wet<'s>,
    to: &'p Wet<'s>,
    /// The inspection whose "no" leads from one to the other, if it is not the next line.
    back: Option<&'s str>,
}

fn neighbours<'p, 's>(sheet: &'s Sheet, all: &'p [Wet<'s>]) -> Vec<Pair<'p, 's>> {
    let mut pairs: Vec<_> = all.windows(2).map(|w| Pair { from: &w[0], to: &w[1], back: None }).collect();
    for (index, step) in sheet.steps.iter().enumerate() {
        let Kind::Inspect(inspect) = &step.kind else { continue };
        let Some(target) = sheet.position(&inspect.back_to) else { continue };
        let from = all.iter().rev().find(|w| w.index < index);
        let to = all.iter().find(|w| w.index >= target);
        if let (Some(from), Some(to)) = (from, to) {
            pairs.push(Pair { from, to, back: Some(&step.name) });
        }
    }
    pairs
}

fn apart(sheet: &Sheet, pair: &Pair<'_, '_>, said: &mut Said) {
    let (from, to) = (pair.from, pair.to);
    let meet = (from.cyanide() && to.acid()) || (from.acid() && to.cyanide());
    if !meet || from.kin(to) {
        return;
    }
    let way = pair.back.map_or(String::new(), |inspect| format!(" (back from {inspect:?})"));
    let running =
        from.step.rinse.iter().filter(|r| sheet.rinse(r).is_some_and(|r| r.water == Water::Running)).count();
    let (a, b) = (&from.baths[0].title, &to.baths[0].title);
    if running == 0 {
        said.step(
            true,
            Rule::CyanideAndAcid,
            from,
            format!("from {a} to {b}{way} without a running rinse between"),
            "rinse twice in between, at least once in running water",
        );
    } else if from.step.rinse.len() < 2 {
        said.step(
            false,
            Rule::CyanideAndAcid,
            from,
            format!("from {a} to {b}{way} with one rinse between"),
            "rinse twice",
        );
    }
}

fn shared_rinses(sheet: &Sheet, all: &[Wet<'_>], said: &mut Said) {
    for rinse in &sheet.rinses {
        // What drips in: the first rinse takes nearly all of it; a still one keeps the rest as well.
        let reaches = |w: &&Wet<'_>| {
            let at = w.step.rinse.iter().position(|r| *r == rinse.name);
            at.is_some_and(|at| at == 0 || rinse.water != Water::Running)
        };
        let into: Vec<_> = all.iter().filter(reaches).collect();
        let cyanide = into.iter().find(|w| w.cyanide());
        let acid = into.iter().find(|w| w.acid() && !w.cyanide());
        if let (Some(cyanide), Some(acid)) = (cyanide, acid) {
            said.step(
                true,
                Rule::SharedRinse,
                if cyanide.index > acid.index { cyanide } else { acid },
                format!(
                    "{:?} takes the drag-out of {:?} and of {:?}",
                    rinse.name, cyanide.step.name, acid.step.name
                ),
                "keep one rinse for acid and another for cyanide",
            );
        }
    }
}

fn own_rinse(sheet: &Sheet, all: &[Wet<'_>], said: &mut Said) {
    for pair in all.windows(2) {
        let (from, to) = (&pair[0], &pair[1]);
        let last = from.step.rinse.last().and_then(|r| sheet.rinse(r));
        if let Some((rinse, owner)) = last.and_then(|r| r.own.as_ref().map(|own| (r, own)))
            && *owner != to.tank.name
        {
            said.step(
                true,
                Rule::OwnLastRinse,
                from,
                format!("{:?} is kept for {owner:?}, and {:?} comes next", rinse.name, to.tank.name),
                "use another rinse here",
            );
            continue;
        }
        if to.metal().is_none() || from.kin(to) {
            continue;
        }
        if last.and_then(|r| r.own.as_deref()) != Some(to.tank.name.as_str()) {
            said.step(
                true,
                Rule::OwnLastRinse,
                to,
                format!(
                    "{:?} is entered from {}",
                    to.tank.name,
                    match last {
                        Some(rinse) => format!("{:?}, which is not kept for it alone", rinse.name),
                        None => format!("{:?} without a rinse", from.step.name),
                    }
                ),
                format!("end the rinses of {:?} with one that has own = {:?}", from.step.name, to.tank.name),
            );
        }
    }
}

fn cleaning(sheet: &Sheet, all: &[Wet<'_>], said: &mut Said) {
    let Some(first) = all.first() else { return };
    if first.step.purpose() != Some(Purpose::Clean) {
        said.step(false, Rule::Cleaning, first, "nothing is cleaned before it".into(), "begin with cleaning");
        return;
    }
    let last_clean = all.iter().rev().find(|w| w.step.purpose() == Some(Purpose::Clean)).unwrap_or(first);
    let next = all.iter().find(|w| w.index > last_clean.index).map_or(sheet.steps.len(), |w| w.index);
    if !sheet.steps[last_clean.index..next].iter().any(|s| matches!(s.kind, Kind::Inspect(_))) {
        said.step(
            false,
            Rule::Cleaning,
            last_clean,
            "the cleaning is not looked at".into(),
            "add a [step.inspect]: does the water film hold without a break?",
        );
    }
}

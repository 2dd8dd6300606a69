//! The causes, each with its test over the evidence.

use super::RestsOn::{self, Alarms, Analyses, Job, Measured, Order, Phases, Readings, Upkeep};
use super::Verdict::{self, Against, For, Strong, Unknown, Weak};
use super::evidence::{AlarmsSeen, Evidence};
use crate::bath::Agitation;

/// What a test found, and the words for it.
pub(super) type Found = (Verdict, String);

/// One cause of the trade.
#[derive(Clone, Copy, Debug)]
pub struct Cause {
    /// What it is called.
    pub name: &'static str,
    /// How it makes the fault.
    pub how: &'static str,
    /// What that rests on.
    pub source: &'static str,
    /// What to check next.
    pub check: &'static str,
    /// What of the record its test looks at; empty where no record tells.
    pub rests_on: &'static [RestsOn],
    /// Metals it holds for; empty: all.
    pub metals: &'static [&'static str],
    pub(super) test: fn(&Evidence) -> Found,
}

const PRACTICE: &str = "common practice, no source";
const BURNT: &str = "Galvanotechnik glossary, \"Burning\"; Products Finishing, \"Burnt Plating Deposits\"";

const fn cause(
    rests_on: &'static [RestsOn],
    name: &'static str,
    how: &'static str,
    source: &'static str,
    check: &'static str,
    test: fn(&Evidence) -> Found,
) -> Cause {
    Cause { name, how, source, check, rests_on, metals: &[], test }
}

const fn of(metals: &'static [&'static str], cause: Cause) -> Cause {
    Cause { metals, ..cause }
}

fn round(v: f64) -> f64 {
    (v * 10.0).round() / 10.0
}
fn unknown(why: &str) -> Found {
    (Unknown, why.into())
}

pub(super) const EDGE: Cause = cause(
    &[Readings, Order],
    "edges beyond what the bath could feed",
    "the film at the edge runs out of metal, hydrogen takes the current, and hydroxide is built in",
    BURNT,
    "hold less current or hang a thief; read a Hull panel, so that the margin is this tank's own",
    |e| match e.margin {
        None => unknown(
            "the burn margin cannot be worked out: no density at which this bath burns, or no readings",
        ),
        Some(m) => {
            let mut seen =
                format!("burn margin down to {:.0} % at minute {}", m.least * 100.0, round(m.minute));
            if let Some(still) = m.if_still {
                seen.push_str(&format!(
                    " if the solution moved as assumed, {:.0} % if it did not",
                    still * 100.0
                ));
            }
            match m.least {
                l if l <= 0.0 => (Strong, seen),
                l if l < 0.1 => (For, seen),
                l if l < 0.3 => (Weak, seen),
                // What was only assumed speaks against nothing.
                _ if m.if_still.is_some_and(|still| still < 0.1) => (Unknown, seen),
                _ => (Against, seen),
            }
        }
    },
);

pub(super) const STIRRING: Cause = cause(
    &[Order, Readings],
    "too little movement of the solution",
    "without movement the film at the part is two to four times as thick, and feeds that much less",
    "Galvanotechnik glossary, \"Burning\"; for nickel over 5 to 10 min without agitation: common practice, no source",
    "see that air or bar really ran to the end; a sensor at the pump would prove it",
    |e| match e.agitation {
        None => unknown("how the solution moved is not on record"),
        Some(a) => match (a.stopped_minute, a.kind, a.proven) {
            (Some(minute), ..) => (Strong, format!("agitation stopped at minute {}", round(minute))),
            (None, Agitation::Still, _) => match e.minutes {
                Some(minutes) if minutes > 5.0 => {
                    (For, format!("no agitation for {} min; beyond 5 to 10 min it is needed", round(minutes)))
                }
                _ => (Weak, "no agitation".into()),
            },
            (None, kind, true) => (Against, format!("{} throughout, by its sensor", kind.name())),
            (None, kind, false) => (
                Unknown,
                format!("{} was assumed; no sensor proves it, and volts do not show a stop", kind.name()),
            ),
        },
    },
);

fn temperature(e: &Evidence, cold: bool) -> Found {
    let Some(t) = e.temperature else { return unknown("the bath's temperature is not on record") };
    let (low, high) = t.window;
    let (value, minute, off) = if cold {
        (t.least, t.least_minute, low.get() - t.least.get())
    } else {
        (t.most, t.most_minute, t.most.get() - high.get())
    };
    let seen = format!("{value} at minute {} ({low} to {high} is good)", round(minute));
    match off {
        off if off > 5.0 => (Strong, seen),
        off if off > 1.0 => (For, seen),
        off if off > 0.0 => (Weak, seen),
        _ => (Against, seen),
    }
}

pub(super) const COLD: Cause = cause(
    &[Readings],
    "bath too cold",
    "a cold bath feeds the film less: 2 to 3 % less for each degree; brighteners do not work and salts come out",
    "CRC Handbook, ionic conductivity and diffusion at infinite dilution; Metal Finishing Guide Book 2013, p. 286 (copper)",
    "put a second thermometer into the bath beside the work; see the heater and its level",
    |e| temperature(e, true),
);
pub(super) const HOT: Cause = cause(
    &[Readings],
    "bath too hot",
    "brightener is used up or does not work, wetting agent breaks down",
    PRACTICE,
    "put a second thermometer into the bath beside the work",
    |e| temperature(e, false),
);

/// A figure of the analysis that is out of its window on that side.
fn analysed(e: &Evidence, names: &[&str], low: bool) -> Found {
    let missing = || unknown(&format!("{} was not analysed before this run", names[0]));
    let Some(all) = &e.analysis else { return missing() };
    let Some(f) = all.iter().find(|f| names.contains(&f.what.as_str())) else { return missing() };
    let (least, most) = f.window;
    let unit = if f.what == "pH" { "" } else { " g/L" };
    let seen = format!("{} {}{unit} on {} ({least:.3} to {most:.3} is good)", f.what, round(f.value), f.day);
    let seen = seen.replace(".000", "");
    let off = if low { (least - f.value) / least.max(1e-9) } else { (f.value - most) / most.max(1e-9) };
    match off {
        off if off > 0.1 => (Strong, seen),
        off if off > 0.0 => (For, seen),
        _ => (Against, seen),
    }
}

pub(super) const METAL_LOW: Cause = cause(
    &[Analyses],
    "metal too low",
    "the film holds less metal, so that the edge burns at a lower current",
    "Products Finishing, \"Burnt Plating Deposits\" and \"Burnt Nickel\"; Metal Finishing Guide Book 2013, p. 286 (copper)",
    "analyse the metal and add what is short",
    |e| {
        let name = match e.metal.as_deref() {
            Some("Ni") => "nickel",
            Some("Cu") => "copper",
            Some("Ag") => "silver",
            Some("Au") => "gold",
            Some("Zn") => "zinc",
            Some("Sn") => "tin",
            Some("Cr") => "chromium",
            _ => "metal",
        };
        analysed(e, &[name, "silver, as cyanide", "gold, as potassium gold cyanide"], true)
    },
);
pub(super) const CHLORIDE_LOW: Cause = of(
    &["Ni", "Cu"],
    cause(
        &[Analyses],
        "chloride too low",
        "nickel anodes go passive, and in copper the additives stop working: edges burn",
        "Products Finishing, \"Burnt Nickel\"; Metal Finishing Guide Book 2012-2013, p. 356; 2013, p. 286 (copper)",
        "analyse chloride; see whether anodes are dark or gas",
        |e| analysed(e, &["chloride", "nickel chloride hexahydrate"], true),
    ),
);
pub(super) const BORIC_LOW: Cause = of(
    &["Ni", "Zn"],
    cause(
        &[Analyses],
        "boric acid too low",
        "nothing holds the pH of the film: over 6 there hydroxide is built in, and gas pits",
        "Journal of the Electrochemical Society 153(7) (2006) C502-C508 (pH at the surface); AESF Annual Technical \
         Conference 1990, \"Effect of near-surface pH on electrodeposition of nickel\"",
        "titrate boric acid with mannitol and alkali; look for crystals on the bag, which mean that there is enough",
        |e| analysed(e, &["boric acid"], true),
    ),
);
pub(super) const PH_HIGH: Cause = cause(
    &[Analyses],
    "pH too high",
    "hydroxide comes out in the film and in the bath: rough, brittle, hazy",
    BURNT,
    "measure the pH with a meter that was calibrated today",
    |e| analysed(e, &["pH"], false),
);
pub(super) const PH_LOW: Cause = cause(
    &[Analyses],
    "pH too low",
    "more hydrogen: pits, less metal, brighteners out of balance",
    PRACTICE,
    "measure the pH with a meter that was calibrated today",
    |e| analysed(e, &["pH"], true),
);
pub(super) const CARBONATE: Cause = of(
    &["Ag"],
    cause(
        &[Analyses],
        "carbonate too high",
        "above about 90 g/L a silver bath burns early",
        "Journal of the Metal Finishing Society of Japan 22(4) (1971) 181",
        "analyse carbonate; freeze it out or make the bath up anew",
        |e| analysed(e, &["potassium carbonate"], false),
    ),
);

fn density(e: &Evidence, high: bool) -> Found {
    let Some(d) = e.density else { return unknown("density is not known: no readings, or no area") };
    let (low, most) = d.window;
    let seen = format!("{} in the mean ({low} to {most} is good)", d.mean);
    if high {
        return match d.mean / most {
            r if r > 1.2 => (Strong, seen),
            r if r > 1.0 => (For, seen),
            _ => (Against, seen),
        };
    }
    if let Some(dull) = d.dull.filter(|dull| d.mean < *dull) {
        return (Strong, format!("{} in the mean; this tank's panel is dull below {dull}", d.mean));
    }
    match d.mean / low {
        r if r < 0.8 => (Strong, seen),
        r if r < 1.0 => (For, seen),
        _ => (Against, seen),
    }
}

pub(super) const DENSITY_HIGH: Cause = cause(
    &[Readings, Order],
    "density above the bath's window",
    "metal comes faster than it can order itself; sharp places see most",
    "Metal Finishing Guide Book 2012-2013, p. 762",
    "measure the area again: an area too small makes the density too high unseen",
    |e| density(e, true),
);
pub(super) const DENSITY_LOW: Cause = cause(
    &[Readings, Order],
    "density too low",
    "recesses stay below what covers or brightens",
    "Metal Finishing Guide Book 2012-2013, p. 762 (window); common practice, no source",
    "measure the area again, racks and tips too; read a Hull panel at the low end",
    |e| density(e, false),
);
pub(super) const VOLTS_HIGH: Cause = cause(
    &[Readings],
    "voltage above the usual",
    "edges build up faster than the field, even without burning",
    PRACTICE,
    "hold a current, or a lower voltage; see clips, anodes and bags for resistance",
    |e| match e.volts {
        None => unknown("voltage is not on record, or the bath file gives no usual one"),
        Some((most, minute, usual)) => {
            let seen = format!("{most} at minute {} (up to {usual} is usual)", round(minute));
            if most > usual { (For, seen) } else { (Against, seen) }
        }
    },
);
pub(super) const ANODES: Cause = cause(
    &[Order],
    "too little anode area, or badly placed",
    "anodes go passive and metal runs down; parts far from one get little",
    "Metal Finishing Guide Book 2012-2013, p. 356",
    "count the anodes that face the work, see that baskets are full and bags clean",
    |e| match e.anode_ratio {
        None => unknown("the anode area is not in the config"),
        Some((is, least)) => {
            let seen = format!("{} of anode to 1 of work ({least} at least)", (is * 100.0).round() / 100.0);
            if is < least { (For, seen) } else { (Against, seen) }
        }
    },
);
pub(super) const CLEANING: Cause = cause(
    &[Job],
    "not clean before plating",
    "oil, soap or oxide left on it: metal does not hold there, or does not come",
    "ASTM F22, hydrophobic surface films by the water-break test; common practice, no source",
    "clean again until water sheets for a minute; look at cleaner, its heat and its rinse",
    |e| {
        if let Some(step) = e.skipped.as_ref().and_then(|all| all.first()) {
            return (Strong, format!("{step:?} was skipped"));
        }
        match e.water_break_failed {
            None => unknown("whether water sheeted before plating is not on record"),
            Some(0) => (Against, "the water-break test passed at the first time".into()),
            Some(1) => (For, "the water-break test failed once before it passed".into()),
            Some(n) => (Strong, format!("the water-break test failed {n} times before it passed")),
        }
    },
);

fn raised(seen: Option<AlarmsSeen>, what: &str, strong: Verdict) -> Found {
    match seen {
        None => unknown("alarms are not on record"),
        Some(a) if a.count == 0 => (Against, format!("no alarm of {what}")),
        Some(a) => {
            let times = if a.count == 1 { "once".into() } else { format!("{} times", a.count) };
            (strong, format!("{what}: {times}, first at minute {}", round(a.minute)))
        }
    }
}

pub(super) const CONTACT: Cause = cause(
    &[Alarms],
    "bad contact",
    "the part goes without current for moments, and takes too much when others do",
    PRACTICE,
    "strip and tighten clips and hooks; each part on two points",
    |e| raised(e.contact, "bad contact or open circuit", Strong),
);
pub(super) const TOUCHED: Cause = cause(
    &[Alarms],
    "parts touched or shaded each other",
    "where another part or the rack is near no metal comes",
    PRACTICE,
    "hang them apart by their own width",
    |e| raised(e.touch, "something that touched", For),
);
pub(super) const OFF: Cause = cause(
    &[Alarms],
    "a part came off",
    "the others took its current; itself it lay without",
    PRACTICE,
    "count the parts, and look on the bottom of the tank",
    |e| raised(e.part_off, "a part or an anode lead that came off", For),
);
pub(super) const INTERRUPTED: Cause = cause(
    &[Readings],
    "current went off in between",
    "nickel goes passive in seconds without current, and the next layer does not hold; acid attacks what hangs idle",
    "common practice, no source; from memory for the seconds",
    "after a break activate again before going on; turn parts with the output on (live) if they peel",
    |e| match e.interrupted {
        None => unknown("the current over time is not on record"),
        // A turn is planned and no interruption; that the surface went passive in it is not to be ruled out.
        Some(i) if i.count == 0 && i.turning.is_positive() => {
            (Unknown, format!("off only while parts were turned, up to {}", i.turning))
        }
        Some(i) if i.count == 0 => (Against, "the current was never off in between".into()),
        Some(i) => {
            let times = if i.count == 1 { "once".into() } else { format!("{} times", i.count) };
            let seen = format!("off {times}, longest {} at minute {}", i.longest, round(i.minute));
            match i.longest.get() {
                s if s > 30.0 => (Strong, seen),
                s if s > 5.0 => (For, seen),
                _ => (Weak, seen),
            }
        }
    },
);
pub(super) const LATE: Cause = cause(
    &[Job],
    "too long from activation to plating",
    "the surface goes passive again in air and rinse",
    "ASTM B254, preparation of and electroplating on stainless steel (time from activator to plate shortest)",
    "have the plating tank ready before activating; activate again",
    |e| match e.late {
        None => unknown("the time from activation to plating is not on record"),
        Some((was, most)) if was > most => (Strong, format!("{was} passed, and {most} is the most")),
        Some((was, most)) => (Against, format!("{was} passed of {most} allowed")),
    },
);
pub(super) const OVER_DWELL: Cause = cause(
    &[Job],
    "too long in acid",
    "acid etches the part, loosens smut and takes up hydrogen",
    PRACTICE,
    "look for smut with a white cloth after the dip",
    |e| match e.over_dwell {
        None => unknown("how long it was in acid is not on record"),
        Some(over) if over.is_positive() => (Strong, format!("{over} longer in a dip than it may be")),
        Some(_) => (Against, "no dip was longer than it may be".into()),
    },
);

/// Upkeep whose name holds one of these words.
fn since(e: &Evidence, words: &[&str], what: &str) -> Found {
    let all = e.since.as_deref().unwrap_or_default();
    let Some(s) = all.iter().find(|s| words.iter().any(|w| s.what.contains(w))) else {
        return (Unknown, format!("no upkeep rule of this tank says when {what}"));
    };
    if !s.ever {
        return (Weak, format!("{}: never logged, {} A·h worked", s.what, round(s.ampere_hours)));
    }
    let seen = format!(
        "{}: {} A·h before, {:.0} % of what its rule allows",
        s.what,
        round(s.ampere_hours),
        s.due * 100.0
    );
    match s.due {
        d if d >= 1.5 => (Strong, seen),
        d if d >= 1.0 => (For, seen),
        d if d >= 0.8 => (Weak, seen),
        _ => (Against, seen),
    }
}

pub(super) const FILTER: Cause = cause(
    &[Upkeep],
    "solids in the bath",
    "what floats settles on the upper faces and is plated over",
    PRACTICE,
    "filter; look at a glass of bath against light; are the upper faces rougher than the lower?",
    |e| since(e, &["filter"], "the filter was changed"),
);
pub(super) const BAGS: Cause = cause(
    &[Upkeep],
    "anode fines",
    "grains that the anode sheds get through a torn or missing bag",
    "common practice, no source; Metal Finishing Guide Book 2012-2013, p. 356 (bags)",
    "lift the bags and look for holes; are there grains on the bottom?",
    |e| since(e, &["bag", "anode"], "bags or anodes were seen to"),
);
pub(super) const ORGANICS: Cause = cause(
    &[Upkeep],
    "organic dirt in the bath",
    "broken-down brightener, oil and soap: haze, pits, brittle and loose metal",
    PRACTICE,
    "shake a sample with active carbon, filter, plate a panel of it beside one untreated",
    |e| since(e, &["carbon"], "the bath was last treated with carbon"),
);
pub(super) const BRIGHTENER: Cause = cause(
    &[Upkeep],
    "brightener low",
    "it is used up by charge and lost by drag-out",
    "Galvanotechnik glossary, \"Ampere-hour\" (dosing by charge)",
    "plate a Hull panel, add a tenth of a dose to it, plate another",
    |e| since(e, &["brightener"], "brightener was added"),
);
pub(super) const WETTER: Cause = cause(
    &[Upkeep],
    "wetting agent low",
    "gas bubbles cling to the part",
    "common practice, no source; it follows drag-out, not charge: from memory",
    "lift a wire ring out of the bath: the film should last some seconds",
    |e| since(e, &["wett"], "wetting agent was added"),
);
pub(super) const INSIDE: Cause = cause(
    &[Measured, Order],
    "the inside does not see an anode",
    "metal goes mostly where the anode looks",
    PRACTICE,
    "an inner anode, or a bath with better throwing power at a lower density; measure inside",
    |e| match (e.inside, e.distribution) {
        (Some(true), Some(d)) => {
            (Strong, format!("the part has an inside; thinnest over mean {:.0} %", d * 100.0))
        }
        (Some(true), None) => (For, "the part has an inside".into()),
        (Some(false), _) => (Against, "the part has no inside".into()),
        (None, Some(d)) if d < 0.5 => (For, format!("thinnest over mean {:.0} %, as measured", d * 100.0)),
        (None, _) => unknown("whether the part has an inside is not on record"),
    },
);
pub(super) const NOT_TURNED: Cause = cause(
    &[Phases, Order],
    "not turned, or not far enough",
    "the face that looks away from the anode gets about half",
    "own figures from a model of the cell (one anode: the back's centre gets half); common practice, no source",
    "turn the part so that each face looks at the anode for the same charge",
    |e| match e.turned {
        None => unknown("whether the part was turned is not on record"),
        Some((done, asked)) if done < asked => (Strong, format!("{done} of {asked} faces")),
        Some((_, asked)) if asked > 1 => (Against, format!("turned over {asked} faces")),
        Some(_) => (Weak, "the order has no turn".into()),
    },
);
pub(super) const SHAPE: Cause = cause(
    &[Order],
    "sharp edges and corners",
    "current crowds there, and the more so at corners",
    "Metal Finishing Guide Book 2012-2013, p. 762",
    "a thief or shield round the rack, parts closer together, a lower density; round the edge",
    |e| match e.edge_factor {
        None => unknown("the edge factor is not on record"),
        Some(f) => {
            let seen = format!("edges carry {} times the mean by the order", (f * 100.0).round() / 100.0);
            match f {
                f if f >= 3.0 => (Strong, seen),
                f if f >= 2.0 => (For, seen),
                f if f >= 1.5 => (Weak, seen),
                _ => (Against, seen),
            }
        }
    },
);
pub(super) const GAS: Cause = cause(
    &[Order],
    "gas trapped under the part",
    "a hollow or a flat face that looks down holds hydrogen, and no metal comes there",
    PRACTICE,
    "hang it tilted so that bubbles run off; move the bar",
    |e| match e.tilted {
        None => unknown("how the part hung is not on record"),
        Some(true) => (Against, "it hung tilted".into()),
        Some(false) => (For, "it hung so that gas stays".into()),
    },
);
pub(super) const LESS_CHARGE: Cause = cause(
    &[Readings],
    "less charge than meant",
    "the part got less metal than the plan has",
    "Faraday's law",
    "weigh a part before and after; see the run's charge against its target",
    |e| match e.unobserved {
        None => unknown("the charge is not on record"),
        Some(t) if t.is_positive() => (Weak, format!("{t} were not observed; their charge is not counted")),
        Some(_) => (Against, "all of the time was observed".into()),
    },
);
pub(super) const THIN: Cause = cause(
    &[Readings],
    "thin, and so porous",
    "the metal below comes through pores and stains",
    "from memory: nickel below about 5 µm is porous",
    "a thicker deposit, or a tighter layer under it",
    |e| match e.thickness {
        None => unknown("the thickness is not on record"),
        Some(t) => {
            let seen = format!("{t} in the mean by charge");
            if t.get() < 5e-6 { (Weak, seen) } else { (Against, seen) }
        }
    },
);
pub(super) const METALS: Cause = cause(
    &[],
    "foreign metals in the bath",
    "copper, zinc, lead or iron dragged in: dark recesses, haze, pits",
    PRACTICE,
    "plate a corrugated dummy at a fifth of the density for some hours, and compare panels; look for fallen parts",
    |_| unknown("foreign metals are not measured here"),
);
pub(super) const RIPPLE: Cause = cause(
    &[],
    "ripple of the supply",
    "peaks burn where the mean would not, and brighteners suffer",
    "Metal Finishing Guide Book 2013, p. 286 (copper: below 10 %) and p. 481 (panels: below 5 %)",
    "look at the current with an oscilloscope, or try another supply",
    |_| unknown("ripple is too fast for these readings"),
);
pub(super) const RINSING: Cause = cause(
    &[],
    "rinsed or dried badly",
    "bath or hard water dries on it",
    PRACTICE,
    "a last rinse in clean hot water, then dry at once in moving air",
    |_| unknown("rinse water and drying are not on record"),
);

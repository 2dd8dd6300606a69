//! From an analysis to what is to be weighed out, and how the figures have moved.

use super::analysis::Analyte;
use super::{Bath, Found, Unit, Window};
use crate::deposit::{ELEMENTS, Formula};
use crate::quantity::{Charge, Concentration, Mass, Units, Volume};
use serde::Serialize;

/// Nearer to the aim than this is the error of the analysis (from memory: a careful titration).
const NEAR: f64 = 0.03;
/// A slope needs figures this many ampere-hours apart at least, or it is noise.
const APART: f64 = 1.0;

/// Where a figure stands against the bath file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Below the window.
    Low,
    /// In it.
    Good,
    /// Above it.
    High,
    /// The bath file gives nothing to compare with.
    Unknown,
}

/// One figure against the bath file.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Standing {
    /// What was found, and how much.
    #[serde(flatten)]
    pub found: Found,
    /// Least, aim and most by the bath file.
    pub window: Option<(f64, f64, f64)>,
    /// Whether that was worked out from several salts by molar masses.
    pub computed: bool,
    /// Where it stands.
    pub state: State,
}

/// Taking bath out for water.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Dilution {
    /// How much bath is taken out, and water put in.
    pub take_out: Volume,
    /// What is too high.
    pub because: String,
}

/// Something to weigh out.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Addition {
    /// Of what, by name and formula.
    pub what: String,
    /// How much, for the whole tank.
    pub mass: Mass,
    /// The same as a liquid, where it is one.
    pub volume: Option<Volume>,
    /// For which figure.
    pub because: String,
    /// The figure is below its window: needed. Else it only brings a good figure to its aim.
    pub needed: bool,
}

/// What to do after an analysis.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Advice {
    /// Every figure, as entered.
    pub standing: Vec<Standing>,
    /// Bath to be taken out first, where something is too high.
    pub dilution: Option<Dilution>,
    /// What to weigh out then.
    pub additions: Vec<Addition>,
    /// What to do about the pH, what was taken for granted, and what can hurt.
    pub notes: Vec<String>,
}

/// Compares with the bath's make-up, and works out additions to the aim for that much solution.
/// Everything is worked out after the dilution, if there is one. The volume of what is added is
/// neglected.
pub fn advise(bath: &Bath, found: &[Found], volume: Volume) -> Advice {
    let mut notes = Vec::new();
    let mut standing = Vec::new();
    for f in found {
        let window = Analyte::named(bath, &f.what).ok().and_then(|a| window(bath, &a).map(|w| (a, w)));
        let state = window.as_ref().map_or(State::Unknown, |(_, w)| match f.value {
            v if v < w.low => State::Low,
            v if v > w.high => State::High,
            _ => State::Good,
        });
        let computed = matches!(window, Some((Analyte::Element(_), _)));
        let window = window.map(|(_, w)| (w.low, w.typical, w.high));
        standing.push(Standing { found: f.clone(), window, computed, state });
    }
    let dilution = dilution(&standing, volume);
    let left = dilution.as_ref().map_or(1.0, |d| 1.0 - d.take_out / volume);
    let additions = additions(bath, &standing, left, volume, &mut notes);
    if let Some(ph) = standing.iter().find(|s| s.found.unit == Unit::Ph) {
        notes.extend(ph_note(bath, ph.state));
    }
    if dilution.is_some() {
        notes.push(
            "What is taken out is hazardous waste: into a labelled drum, never into the drain. Drag-out lowers it \
             too, for nothing, if it is only a little high and the bath plates well: then add none of it and wait."
                .into(),
        );
    }
    if !additions.is_empty() {
        notes.push(
            "Dissolve in a part of the bath, warm and apart from the work, filter, stir in; mask against dust, \
             gloves and eye protection. Add half, analyse or plate a panel, then the rest. (Common practice, no \
             source.)"
                .into(),
        );
        if bath.cyanide {
            notes.push("Cyanide salts: never near acid, which frees hydrogen cyanide; not alone, antidote and help at hand.".into());
        }
    }
    Advice { standing, dilution, additions, notes }
}

/// The window of a figure: of a component as the file gives it; of an element the sum over the salts.
pub(super) fn window(bath: &Bath, analyte: &Analyte) -> Option<Window<f64>> {
    match analyte {
        Analyte::Ph => Some(bath.ph),
        Analyte::Component(c) => {
            let w = bath.make_up[*c].amount;
            Some(Window { low: w.low.get(), typical: w.typical.get(), high: w.high.get() })
        }
        Analyte::Element(e) => {
            let symbol = ELEMENTS[*e].0;
            let mut sum = Window { low: 0.0, typical: 0.0, high: 0.0 };
            for c in &bath.make_up {
                let Some(formula) = &c.formula else { continue };
                let share = formula.share_of(symbol) * c.strength_of_amount();
                sum.low += share * c.amount.low.get();
                sum.typical += share * c.amount.typical.get();
                sum.high += share * c.amount.high.get();
            }
            (sum.high > 0.0).then_some(sum)
        }
    }
}

impl super::Component {
    /// The amount is of the formula itself where something else is put in, else of what is put in.
    fn strength_of_amount(&self) -> f64 {
        if self.add.is_some() { 1.0 } else { self.strength.get() }
    }

    /// Grams of what is put in that bring one gram of that element; `None` if it brings none.
    fn grams_for(&self, symbol: &str) -> Option<f64> {
        let put_in = self.add.as_ref().or(self.formula.as_ref())?;
        let share = put_in.share_of(symbol) * self.strength.get();
        (share > 0.0).then(|| 1.0 / share)
    }

    /// Grams of what is put in for one gram of the amount.
    fn grams_put_in(&self) -> f64 {
        match (&self.formula, &self.add) {
            // Through the element that both hold: gold in KAu(CN)2, chloride in HCl.
            (Some(of), Some(_)) => ELEMENTS
                .iter()
                .filter(|(symbol, ..)| of.share_of(symbol) > 0.99)
                .find_map(|(symbol, ..)| self.grams_for(symbol))
                .unwrap_or(1.0),
            _ => 1.0,
        }
    }

    fn called(&self) -> String {
        match (&self.formula, &self.add) {
            (_, Some(add)) => format!("{add} (for {})", self.name),
            (Some(formula), None) => format!("{} ({formula})", self.name),
            (None, None) => self.name.clone(),
        }
    }
}

/// The figure that is furthest above its window decides; it comes down to its aim.
fn dilution(standing: &[Standing], volume: Volume) -> Option<Dilution> {
    let over = standing.iter().filter(|s| s.state == State::High && s.found.unit == Unit::GramsPerLiter);
    let shares = over.filter_map(|s| Some((1.0 - s.window?.1 / s.found.value, &s.found.what)));
    let (share, what) = shares.max_by(|a, b| a.0.total_cmp(&b.0))?;
    Some(Dilution { take_out: volume * share, because: format!("{what} is too high") })
}

fn additions(
    bath: &Bath,
    standing: &[Standing],
    left: f64,
    volume: Volume,
    notes: &mut Vec<String>,
) -> Vec<Addition> {
    // Elements that fewest salts bring come first: chloride settles how much nickel comes as chloride.
    let mut order: Vec<(&Standing, Analyte)> = standing
        .iter()
        .filter(|s| s.found.unit == Unit::GramsPerLiter)
        .filter_map(|s| Some((s, Analyte::named(bath, &s.found.what).ok()?)))
        .collect();
    order.sort_by_key(|(_, a)| brings(bath, a).len());
    let mut added = vec![0.0; bath.make_up.len()];
    let mut because: Vec<Option<(String, bool)>> = vec![None; bath.make_up.len()];
    for (at, (s, analyte)) in order.iter().enumerate() {
        let Some((low, aim, _)) = s.window else { continue };
        let now = s.found.value * left + brought(bath, analyte, &added);
        let short = aim - now;
        if short <= aim * NEAR {
            continue;
        }
        let settled = &order[..at];
        let free = brings(bath, analyte)
            .into_iter()
            .find(|c| !settled.iter().any(|(_, done)| done != analyte && brings(bath, done).contains(c)));
        let Some(salt) = free else {
            notes.push(format!(
                "{} is {} short of its aim, and every salt that brings it would carry another figure off its own: \
                 make-up by hand.",
                s.found.what,
                Concentration::new(short)
            ));
            continue;
        };
        let component = &bath.make_up[salt];
        let per_gram = match analyte {
            Analyte::Element(e) => component.grams_for(ELEMENTS[*e].0),
            _ => Some(component.grams_put_in()),
        };
        let Some(per_gram) = per_gram else { continue };
        added[salt] += short * per_gram;
        because[salt] = Some((format!("{} to its aim", s.found.what), s.state == State::Low || now < low));
    }
    let metal = order.iter().any(|(s, a)| matches!(a, Analyte::Element(_)) && s.found.what != "chloride");
    let chloride_salt = bath.make_up.iter().any(|c| {
        let f = c.formula.as_ref();
        f.is_some_and(|f| f.share_of("Cl") > 0.0 && f.share_of("Ni") > 0.0)
    });
    if metal && chloride_salt && !order.iter().any(|(s, _)| s.found.what == "chloride") {
        notes.push("Chloride was not measured: all of the metal is reckoned as the other salt.".into());
    }
    let rows = bath.make_up.iter().zip(added).zip(because);
    rows.filter_map(|((component, grams), because)| {
        let (because, needed) = because.filter(|_| grams > 0.0)?;
        let mass = Concentration::new(grams) * volume;
        let volume = component.grams_per_ml.map(|per_ml| Volume::new(mass.get() / per_ml / 1e3));
        Some(Addition { what: component.called(), mass, volume, because, needed })
    })
    .collect()
}

/// The components that bring it.
fn brings(bath: &Bath, analyte: &Analyte) -> Vec<usize> {
    match analyte {
        Analyte::Ph => Vec::new(),
        Analyte::Component(c) => vec![*c],
        Analyte::Element(e) => (0..bath.make_up.len())
            .filter(|c| {
                let of = bath.make_up[*c].formula.as_ref();
                of.is_some_and(|f: &Formula| f.share_of(ELEMENTS[*e].0) > 0.0)
            })
            .collect(),
    }
}

/// Grams per litre of it that what is already to be added brings.
fn brought(bath: &Bath, analyte: &Analyte, added: &[f64]) -> f64 {
    let each = brings(bath, analyte).into_iter().map(|c| {
        let per_gram = match analyte {
            Analyte::Element(e) => bath.make_up[c].grams_for(ELEMENTS[*e].0),
            _ => Some(bath.make_up[c].grams_put_in()),
        };
        per_gram.map_or(0.0, |per| added[c] / per)
    });
    each.sum()
}

/// In words, never in litres: the buffer decides how much it takes. Common practice, no source.
fn ph_note(bath: &Bath, state: State) -> Option<String> {
    let nickel = bath.metal.as_deref() == Some("Ni");
    let sulfamate = bath.make_up.iter().any(|c| c.name.contains("sulfamate"));
    let how = match (state, bath.cyanide, nickel, sulfamate) {
        (State::Good | State::Unknown, ..) => return None,
        (State::Low, true, ..) => "raise it with the bath's own hydroxide",
        (State::High, true, ..) => {
            return Some(
                "The pH is high. NEVER add acid to this bath: it frees hydrogen cyanide, which kills. Ask your \
                 supplier."
                    .into(),
            );
        }
        (State::Low, _, true, _) => "raise it with nickel carbonate, in a paste, and filter",
        (State::High, _, true, true) => "lower it with sulfamic acid, dissolved",
        (State::High, _, true, false) => "lower it with sulfuric acid of about 10 %, acid into water",
        (State::Low, ..) => "raise it with what the bath's maker names",
        (State::High, ..) => "lower it with the bath's own acid, diluted, acid into water",
    };
    Some(format!(
        "pH: {how}, in small steps; stir and measure after each. No figure is given: the buffer decides how much it \
         takes. (Common practice, no source.)"
    ))
}

/// Change of a figure for each ampere-hour worked, from earlier analyses and this one, each with the
/// tank's account then: the median of all slopes between two (Theil-Sen), so that one bad analysis
/// does not turn it. `None` with fewer than two that lie apart. Additions in between are in it.
pub fn trend(points: &[(Charge, f64)]) -> Option<f64> {
    let mut slopes = Vec::new();
    for (at, (q0, v0)) in points.iter().enumerate() {
        for (q1, v1) in &points[at + 1..] {
            let hours = (*q1 - *q0).get() / 3600.0;
            if hours.abs() >= APART {
                slopes.push((v1 - v0) / hours);
            }
        }
    }
    slopes.sort_by(f64::total_cmp);
    match slopes.len() {
        0 => None,
        n if n % 2 == 1 => Some(slopes[n / 2]),
        n => Some((slopes[n / 2 - 1] + slopes[n / 2]) / 2.0),
    }
}

/// One line of an advice, in its parts.
enum Line {
    /// A figure: what it is of, its value, and how it stands.
    Figure(String, String, String),
    /// What to do.
    Deed(String),
    /// What else to know.
    Note(String),
}

impl Advice {
    fn parts(&self, units: Units) -> Vec<Line> {
        let mut all = Vec::new();
        for s in &self.standing {
            let show = |v: f64| match s.found.unit {
                Unit::Ph => format!("{}", (v * 100.0).round() / 100.0),
                Unit::GramsPerLiter => Concentration::new(v).show(units),
            };
            let state = match s.state {
                State::Low => "LOW",
                State::Good => "good",
                State::High => "HIGH",
                State::Unknown => "not judged: the bath file says nothing of it",
            };
            let window = s.window.map_or(String::new(), |(low, aim, high)| {
                let by = if s.computed { ", by the salts' molar masses" } else { "" };
                format!(" (aim {}, {} to {}{by})", show(aim), show(low), show(high))
            });
            all.push(Line::Figure(s.found.what.clone(), show(s.found.value), format!("{state}{window}")));
        }
        if let Some(d) = &self.dilution {
            let out = d.take_out.show(units);
            all.push(Line::Deed(format!("take out {out} of bath and put in water: {}", d.because)));
        }
        for a in &self.additions {
            let liquid = a.volume.map_or(String::new(), |v| format!(" = {}", v.show(units)));
            let needed = if a.needed { "needed" } else { "not needed yet" };
            let mass = a.mass.show(units);
            all.push(Line::Deed(format!("add {mass}{liquid} of {}: {}, {needed}", a.what, a.because)));
        }
        if self.additions.is_empty() && self.dilution.is_none() {
            all.push(Line::Deed("nothing to add".into()));
        }
        all.extend(self.notes.iter().cloned().map(Line::Note));
        all
    }

    /// For people, a line or two each, figures in columns.
    pub fn text(&self, units: Units) -> String {
        let line = |line: Line| match line {
            Line::Figure(what, value, state) => format!("{what:<28}{value:<12}{state}\n"),
            Line::Deed(text) => format!("{text}\n"),
            Line::Note(text) => format!("- {text}\n"),
        };
        self.parts(units).into_iter().map(line).collect()
    }

    /// The same without columns: a sentence or less each.
    pub fn lines(&self, units: Units) -> Vec<String> {
        let line = |line: Line| match line {
            Line::Figure(what, value, state) => format!("{what}, {value}, {state}"),
            Line::Deed(text) | Line::Note(text) => text,
        };
        self.parts(units).into_iter().map(line).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bath::entered;

    fn bath(name: &str) -> Bath {
        crate::bath::shipped().into_iter().find(|b| b.name == name).unwrap()
    }
    fn advice(name: &str, text: &str) -> Advice {
        let bath = bath(name);
        advise(&bath, &entered(&bath, text).unwrap(), "20 L".parse().unwrap())
    }
    #[track_caller]
    fn near(got: f64, want: f64) {
        assert!((got - want).abs() < 2e-3 * want.abs(), "{got} is not {want}");
    }

    // By hand with 22.33 % nickel in the sulfate, 24.69 % nickel and 29.83 % chloride in the chloride.
    // Aim: 270 * 0.2233 + 45 * 0.24694 = 71.40 g/L nickel, 45 * 0.2983 = 13.42 g/L chloride.
    #[test]
    fn nickel_that_comes_with_the_chloride_is_not_added_twice() {
        let all = advice("watts-nickel", "nickel = 58 g/L, chloride = 8 g/L, boric acid = 30 g/L, pH = 4.2");
        let nickel = all.standing[0].window.unwrap();
        near(nickel.0, 240.0 * 0.2233 + 30.0 * 0.24694);
        near(nickel.1, 71.40);
        let by = |formula: &str| all.additions.iter().find(|a| a.what.contains(formula)).unwrap();
        // Chloride: 5.42 g/L short takes 18.18 g/L of the salt, 363.5 g in 20 L; it brings 4.49 g/L nickel.
        near(by("NiCl2").mass.get(), (13.4235 - 8.0) / 0.29830 * 20.0);
        let nickel_left = 71.40 - 58.0 - (13.4235 - 8.0) / 0.29830 * 0.24694;
        near(by("NiSO4").mass.get(), nickel_left / 0.22330 * 20.0);
        near(by("H3BO3").mass.get(), 200.0);
        assert!(by("NiCl2").needed && by("NiSO4").needed && !by("H3BO3").needed);
        assert!(all.notes.iter().all(|n| !n.starts_with("pH")), "4.2 is good");
    }

    #[test]
    fn lines_of_an_advice_say_no_less_than_its_text_and_stand_in_no_columns() {
        let all = advice("watts-nickel", "boric acid = 50 g/L, nickel = 71.4 g/L, pH = 4.2");
        let (text, lines) = (all.text(Units::Metric), all.lines(Units::Metric));
        let words = |text: &str| {
            text.replace([',', '-'], " ").split_whitespace().map(str::to_owned).collect::<Vec<_>>()
        };
        assert_eq!(words(&text), words(&lines.join(" ")));
        assert!(lines.iter().all(|l| !l.contains("  ") && !l.starts_with('-')), "{lines:?}");
        assert!(lines[0].starts_with("boric acid, 50 g/L, HIGH (aim "), "{lines:?}");
    }

    #[test]
    fn too_high_is_diluted_first_and_additions_are_after_that() {
        let all = advice("watts-nickel", "boric acid = 50 g/L, nickel = 71.4 g/L");
        let out = all.dilution.clone().unwrap();
        near(out.take_out.get(), 20.0 * (1.0 - 40.0 / 50.0));
        let sulfate = all.additions.iter().find(|a| a.what.contains("NiSO4")).unwrap();
        near(sulfate.mass.get(), 71.4 * 0.2 / 0.2233 * 20.0);
        assert!(all.notes.iter().any(|n| n.contains("never into the drain")));
        assert!(all.notes.iter().any(|n| n.contains("Chloride was not measured")));
    }

    #[test]
    fn what_is_put_in_as_another_salt_is_weighed_as_that_salt() {
        // 68.37 % gold in the salt: 4 g/L of gold to an aim that the file gives.
        let gold = bath("acid-gold");
        let aim = gold.make_up[0].amount.typical.get();
        let all = advice("acid-gold", &format!("gold = {} g/L", aim - 2.0));
        near(all.additions[0].mass.get(), 2.0 / 0.68366 * 20.0);
        // Chloride of acid copper comes as 37 % hydrochloric acid: 0.03 g/L of Cl in 20 L are 0.6 g, 0.617 g HCl,
        // 1.667 g of acid, 1.41 mL.
        let all = advice("acid-copper", "chloride = 0.05 g/L");
        near(all.additions[0].volume.unwrap().get() * 1e3, 1.413);
    }

    #[test]
    fn acid_is_never_named_for_a_cyanide_bath_and_no_litres_for_any_ph() {
        let silver = advice("silver", "pH = 13.9");
        assert!(
            silver.notes.iter().any(|n| n.contains("NEVER add acid"))
                || silver.standing[0].state == State::Good
        );
        let low = advice("watts-nickel", "pH = 3");
        assert!(low.notes[0].contains("nickel carbonate") && low.notes[0].contains("small steps"));
        let high = advice("watts-nickel", "pH = 5");
        assert!(high.notes[0].contains("sulfuric acid"));
        assert!(low.additions.is_empty() && low.text(Units::Metric).contains("nothing to add"));
    }

    #[test]
    fn trend_is_the_middle_slope_and_says_nothing_of_one_point() {
        let at = |hours: f64, v: f64| (Charge::new(hours * 3600.0), v);
        assert_eq!(trend(&[at(10.0, 70.0)]), None);
        assert_eq!(trend(&[at(10.0, 70.0), at(10.0, 60.0)]), None, "nothing worked in between");
        let steady = [at(0.0, 70.0), at(100.0, 69.0), at(200.0, 68.0), at(300.0, 90.0)];
        let slope = trend(&steady).unwrap();
        assert!(slope.abs() < 0.12, "{slope}: one bad figure does not turn it upside down");
        near(trend(&steady[..3]).unwrap(), -0.01);
    }
}

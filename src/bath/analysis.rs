//! What an analysis of a bath found: as grams per litre, or as the titration that gives them.

use super::{Bath, Component};
use crate::deposit::{ELEMENTS, Formula};
use crate::quantity::{Concentration, Volume, nearest};
use serde::{Deserialize, Serialize};

/// In what a figure is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unit {
    /// Grams per litre.
    GramsPerLiter,
    /// pH.
    Ph,
}

/// One figure of an analysis.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Found {
    /// What: `pH`, an element (`nickel`, `chloride`), or a make-up name of the bath.
    pub what: String,
    /// How much of it.
    pub value: f64,
    /// In what.
    pub unit: Unit,
}

/// What may be found in a bath.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Analyte {
    Ph,
    /// By its place in [`ELEMENTS`].
    Element(usize),
    /// By its place in the make-up.
    Component(usize),
}

impl Analyte {
    pub fn name(&self, bath: &Bath) -> String {
        match self {
            Analyte::Ph => "pH".into(),
            Analyte::Element(e) => element_name(*e).into(),
            Analyte::Component(c) => bath.make_up[*c].name.clone(),
        }
    }

    /// Everything that this bath's file lets be judged: pH, every element but hydrogen, oxygen and
    /// the like that its salts bring, every component.
    pub fn all(bath: &Bath) -> Vec<Analyte> {
        let mut all = vec![Analyte::Ph];
        for (at, (symbol, ..)) in ELEMENTS.iter().enumerate() {
            let told = !["H", "B", "C", "N", "O", "Na", "K", "S", "Si", "P", "F"].contains(symbol);
            let share = |f: &Formula| f.share_of(symbol) > 0.0;
            if told && bath.make_up.iter().any(|c| c.formula.as_ref().is_some_and(share)) {
                all.push(Analyte::Element(at));
            }
        }
        all.extend((0..bath.make_up.len()).map(Analyte::Component));
        all
    }

    pub fn named(bath: &Bath, name: &str) -> Result<Analyte, String> {
        // A comma parts entries, so that a name which has one is written without.
        let plain = |text: &str| {
            let text = text.to_lowercase().replace(['-', '_', ','], " ");
            text.split_whitespace().collect::<Vec<_>>().join(" ")
        };
        let wanted = plain(name);
        let all = Analyte::all(bath);
        let names: Vec<String> = all.iter().map(|a| a.name(bath)).collect();
        let symbol = |a: &Analyte| match a {
            Analyte::Element(e) => ELEMENTS[*e].0,
            _ => "",
        };
        if let Some(at) =
            all.iter().zip(&names).position(|(a, n)| plain(n) == wanted || symbol(a) == name.trim())
        {
            return Ok(all[at].clone());
        }
        // A beginning that fits one component only is enough: "boric", "free cyanide".
        let starts: Vec<usize> =
            (0..names.len()).filter(|i| plain(&names[*i]).starts_with(&wanted)).collect();
        if let ([one], true) = (&starts[..], wanted.len() >= 4) {
            return Ok(all[*one].clone());
        }
        let near = nearest(&wanted, names.iter().map(String::as_str));
        let remedy = match near {
            Some(near) => format!("did you mean {near:?}?"),
            None => format!("there is: {}", names.join(", ")),
        };
        Err(format!(
            "{:?} is nothing that {} is made of, as its file says; {remedy}",
            name.trim(),
            bath.title
        ))
    }

    /// g/mol of what is found, where a formula says.
    fn molar_mass(&self, bath: &Bath) -> Option<f64> {
        match self {
            Analyte::Ph => None,
            Analyte::Element(e) => Some(ELEMENTS[*e].2),
            Analyte::Component(c) => bath.make_up[*c].formula.as_ref().map(Formula::molar_mass),
        }
    }

    /// Its symbol or formula.
    fn formula(&self, bath: &Bath) -> Option<String> {
        match self {
            Analyte::Ph => None,
            Analyte::Element(e) => Some(ELEMENTS[*e].0.to_owned()),
            Analyte::Component(c) => bath.make_up[*c].formula.as_ref().map(Formula::to_string),
        }
    }
}

/// What may be entered of an analysis of a bath.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub struct Asked {
    /// Its name.
    pub what: String,
    /// In what.
    pub unit: Unit,
    /// False for a salt whose metal or chloride is analysed instead.
    pub usual: bool,
}

/// Everything that may be entered of that bath: pH, elements, then make-up by name.
pub fn analysed(bath: &Bath) -> Vec<Asked> {
    let all = Analyte::all(bath);
    let by_element = |c: &Component| {
        let in_it = |a: &Analyte| match (a, &c.formula) {
            (Analyte::Element(e), Some(formula)) => formula.share_of(ELEMENTS[*e].0) > 0.0,
            _ => false,
        };
        all.iter().any(in_it)
    };
    let asked = |a: &Analyte| Asked {
        what: a.name(bath),
        unit: if *a == Analyte::Ph { Unit::Ph } else { Unit::GramsPerLiter },
        usual: match a {
            Analyte::Component(c) => !by_element(&bath.make_up[*c]),
            _ => true,
        },
    };
    all.iter().map(asked).collect()
}

/// As platers say it: the chlorine in a bath is chloride.
fn element_name(at: usize) -> &'static str {
    if ELEMENTS[at].0 == "Cl" { "chloride" } else { ELEMENTS[at].1 }
}

/// Reads what a person writes down: `nickel = 68 g/L, chloride = 14 g/L, boric-acid = 38 g/L,
/// pH = 4.2`; or a titration, `nickel: 9.8 mL EDTA 0.1 M, sample 2 mL`; or with the method's own
/// factor, `nickel: 9.8 mL * 2.93 g/L`.
///
/// # Errors
/// Everything that is wrong with it, a line each.
pub fn entered(bath: &Bath, text: &str) -> Result<Vec<Found>, Vec<String>> {
    let mut found: Vec<Found> = Vec::new();
    let mut wrong = Vec::new();
    for entry in entries(text) {
        match one(bath, &entry) {
            Ok(f) if found.iter().any(|g| g.what == f.what) => {
                wrong.push(format!("{} is there twice", f.what))
            }
            Ok(f) => found.push(f),
            Err(why) => wrong.push(format!("{entry:?}: {why}")),
        }
    }
    if found.is_empty() && wrong.is_empty() {
        wrong.push("nothing is given; write what was found, as in \"nickel = 68 g/L, pH = 4.2\"".into());
    }
    if wrong.is_empty() { Ok(found) } else { Err(wrong) }
}

/// A comma parts entries only where another begins: a titration has commas of its own.
fn entries(text: &str) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for piece in text.split(['\n', ';']) {
        let mut begun = false;
        for part in piece.split(',').map(str::trim).filter(|p| !p.is_empty()) {
            match all.last_mut() {
                Some(last) if begun && !part.contains(['=', ':']) => {
                    last.push_str(", ");
                    last.push_str(part);
                }
                _ => all.push(part.to_owned()),
            }
            begun = true;
        }
    }
    all
}

fn one(bath: &Bath, entry: &str) -> Result<Found, String> {
    let (name, said, titrated) = match (entry.split_once('='), entry.split_once(':')) {
        (Some((name, said)), _) if !name.contains(':') => (name, said.trim(), false),
        (_, Some((name, said))) => (name, said.trim(), true),
        _ => return Err("write \"nickel = 68 g/L\", or \"nickel: 9.8 mL EDTA 0.1 M, sample 2 mL\"".into()),
    };
    let analyte = Analyte::named(bath, name)?;
    let what = analyte.name(bath);
    if analyte == Analyte::Ph {
        let ph: f64 = said.parse().map_err(|_| format!("{said:?} is no pH; write a number such as 4.2"))?;
        if !(0.0..=14.0).contains(&ph) {
            return Err(format!("a pH of {ph} cannot be; write 0 to 14"));
        }
        return Ok(Found { what, value: ph, unit: Unit::Ph });
    }
    let value = if titrated { titration(&analyte, bath, said)? } else { grams(said)? };
    if value > 1500.0 {
        return Err(format!("{} cannot be dissolved; look at unit and factor", Concentration::new(value)));
    }
    Ok(Found { what, value, unit: Unit::GramsPerLiter })
}

fn grams(said: &str) -> Result<f64, String> {
    let c: Concentration = said.parse().map_err(|e: crate::quantity::QuantityError| e.to_string())?;
    if !(c.get() >= 0.0 && c.get().is_finite()) {
        return Err(format!("{said:?} is less than nothing"));
    }
    Ok(c.get())
}

/// `9.8 mL EDTA 0.1 M, sample 2 mL`, or `9.8 mL * 2.93 g/L` (grams per litre for each millilitre).
fn titration(analyte: &Analyte, bath: &Bath, said: &str) -> Result<f64, String> {
    if let Some((volume, factor)) = said.split_once(['*', '×']) {
        let millilitres = millilitres(volume)?;
        let factor = factor.trim().trim_end_matches("per mL").trim_end_matches("/mL").trim();
        let factor = match factor.parse::<f64>() {
            Ok(factor) => factor,
            Err(_) => grams(factor).map_err(|e| format!("the factor: {e}"))?,
        };
        if !(factor > 0.0 && factor.is_finite()) {
            return Err(format!("a factor of {factor} cannot be"));
        }
        return Ok(millilitres * factor);
    }
    const HOW: &str =
        "write \"9.8 mL EDTA 0.1 M, sample 2 mL\", or with the factor of your method \"9.8 mL * 2.93 g/L\"";
    let (run_in, sample) = said.split_once(',').ok_or_else(|| format!("the sample is not given; {HOW}"))?;
    let sample =
        sample.trim().strip_prefix("sample").ok_or_else(|| format!("the sample is not given; {HOW}"))?;
    let words: Vec<&str> = run_in.split_whitespace().collect();
    let [volume @ .., reagent, molar, "M" | "mol/L" | "N"] = &words[..] else {
        return Err(format!("it cannot be read; {HOW}"));
    };
    let molar: f64 = molar.parse().map_err(|_| format!("{molar:?} is no strength; {HOW}"))?;
    if !(molar > 0.0 && molar <= 20.0) {
        return Err(format!("{molar} mol/L cannot be; {HOW}"));
    }
    let (used, sample) = (millilitres(&volume.join(" "))?, millilitres(sample)?);
    if sample <= 0.0 {
        return Err("a sample of nothing".into());
    }
    let moles = reacts(analyte, bath, reagent)?;
    let mass = analyte
        .molar_mass(bath)
        .ok_or("its formula is not in the bath file; give the factor of your method")?;
    Ok(used * molar * moles * mass / sample)
}

fn millilitres(text: &str) -> Result<f64, String> {
    let volume: Volume = text.trim().parse().map_err(|e: crate::quantity::QuantityError| e.to_string())?;
    let ml = volume.get() * 1e3;
    if (0.0..=1e5).contains(&ml) { Ok(ml) } else { Err(format!("{} cannot be", text.trim())) }
}

/// Moles of it that one mole of the reagent takes. Textbook stoichiometry, from memory: EDTA binds
/// metals one to one, silver precipitates chloride one to one and two cyanides bind one silver
/// (Liebig's end point), boric acid with a polyol gives one proton to alkali, sulfuric acid two.
fn reacts(analyte: &Analyte, bath: &Bath, reagent: &str) -> Result<f64, String> {
    let of = analyte.formula(bath).unwrap_or_default();
    let known = match (reagent.to_uppercase().as_str(), of.as_str()) {
        ("EDTA", "Ni" | "Cu" | "Zn" | "Co") => 1.0,
        ("AGNO3", "Cl") => 1.0,
        ("AGNO3", "KCN") => 2.0,
        ("NAOH", "H3BO3" | "HCl") => 1.0,
        ("NAOH", "H2SO4") => 0.5,
        _ => {
            return Err(format!(
                "how {} reacts with {reagent} is not known here (known: a metal with EDTA, chloride or cyanide with \
                 AgNO3, an acid with NaOH); give the factor of your method, as in \"9.8 mL * 2.93 g/L\"",
                analyte.name(bath)
            ));
        }
    };
    Ok(known)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn watts() -> Bath {
        crate::bath::shipped().into_iter().find(|b| b.name == "watts-nickel").unwrap()
    }

    #[test]
    fn what_is_written_down_is_read_as_it_stands() {
        let found = entered(&watts(), "nickel=68 g/L, Cl = 14 g/L, boric-acid = 5 oz/gal, pH = 4.2").unwrap();
        let names: Vec<_> = found.iter().map(|f| f.what.as_str()).collect();
        assert_eq!(names, ["nickel", "chloride", "boric acid", "pH"]);
        assert!((found[2].value - 37.446).abs() < 0.01, "{}", found[2].value);
    }

    // By hand: 23.2 mL of 0.1 mol/L is 2.32 mmol, 136.17 mg of nickel (58.693 g/mol) in 2 mL: 68.08 g/L.
    #[test]
    fn titration_is_worked_out_by_molar_mass_and_by_factor_alike() {
        let by = |text: &str| entered(&watts(), text).unwrap()[0].value;
        assert!((by("nickel: 23.2 mL EDTA 0.1 M, sample 2 mL") - 68.084).abs() < 1e-3);
        assert!((by("nickel: 23.2 mL * 2.93465 g/L") - 68.084).abs() < 1e-3);
        // 12.3 mL of 0.1 mol/L AgNO3 on 3 mL: 1.23 mmol of 35.45 g/mol, 14.53 g/L.
        assert!((by("chloride: 12.3 mL AgNO3 0.1 M, sample 3 mL") - 14.5345).abs() < 1e-3);
        assert!((by("boric acid: 12 mL NaOH 0.1 M, sample 2 mL") - 12.0 * 0.1 * 61.831 / 2.0).abs() < 1e-2);
        let two = entered(&watts(), "nickel: 9.8 mL EDTA 0.1 M, sample 2 mL, pH=4").unwrap();
        assert_eq!(two.len(), 2, "the comma before the sample parts nothing");
    }

    #[test]
    fn field_of_an_analysis_is_read_back_by_its_name() {
        for bath in crate::bath::shipped() {
            for asked in analysed(&bath) {
                let unit = if asked.unit == Unit::Ph { "" } else { " g/L" };
                let found = entered(&bath, &format!("{} = 7{unit}", asked.what.replace(',', "")));
                assert_eq!(found.unwrap()[0].what, asked.what, "{}", bath.name);
            }
        }
        let usual: Vec<_> = analysed(&watts()).into_iter().filter(|a| a.usual).map(|a| a.what).collect();
        assert_eq!(usual.len(), 4, "{usual:?}");
        assert!(
            ["pH", "nickel", "chloride", "boric acid"].iter().all(|what| usual.iter().any(|u| u == what))
        );
    }

    #[test]
    fn everything_wrong_is_told_at_once_with_a_way_out() {
        let wrong = entered(
            &watts(),
            "nikel = 68 g/L, pH = 42, chloride = 14, nickel: 9 mL EDTA 0.1 M, zinc = 1 g/L",
        )
        .unwrap_err();
        assert_eq!(wrong.len(), 5, "{wrong:#?}");
        assert!(wrong[0].contains("did you mean \"nickel\""), "{wrong:#?}");
        assert!(wrong[1].contains("0 to 14") && wrong[2].contains("g/L") && wrong[3].contains("sample"));
        assert!(entered(&watts(), " ").is_err());
        let strange = entered(&watts(), "nickel: 9 mL NaOH 0.1 M, sample 2 mL").unwrap_err();
        assert!(strange[0].contains("factor of your method"), "{strange:?}");
        assert!(entered(&watts(), "nickel = 1 g/L, nickel = 2 g/L").is_err());
        assert!(entered(&watts(), "nickel = -1 g/L").is_err());
    }

    proptest::proptest! {
        #[test]
        fn no_text_is_too_strange_to_be_refused(text in "[ -~µ·]{0,80}", name in "nickel|Cl|boric|pH", tail in "[ -~]{0,40}") {
            let bath = watts();
            for text in [text, format!("{name}={tail}"), format!("{name}: {tail}"), format!("{name}: 9 mL {tail}")] {
                if let Ok(found) = entered(&bath, &text) {
                    proptest::prop_assert!(found.iter().all(|f| f.value.is_finite() && f.value >= 0.0), "{found:?}");
                }
                // Neither may panic.
                let _ = text.parse::<crate::bath::PanelRecord>();
                let _ = text.parse::<Formula>();
            }
        }
    }
}

//! A bath file into a [`Bath`], or everything wrong with it.

use super::{Bath, Burn, Caution, CautionOf, Component, Window};
use crate::deposit::{Formula, METALS};
use crate::quantity::{Density, Document, Field, Problem, Ratio, Span, Table, Temperature, Volts};

/// Everything in a bath file that needs a source.
const SOURCED: [&str; 14] = [
    "density",
    "density-by-base",
    "temperature",
    "ph",
    "treat-time",
    "make-up",
    "efficiency",
    "burn",
    "volts",
    "max-load",
    "anode-ratio",
    "anodes",
    "agitation",
    "cautions",
];

/// Reads one bath file. `file` is its path as the reader should see it; the
/// bath is named after it, without folder and ending.
///
/// # Errors
/// Every problem in the file: unknown keys, values without a source, windows
/// the wrong way round, a cyanide bath that does not warn of acid, and so on.
pub fn parse(text: &str, file: &str) -> Result<Bath, Vec<Problem>> {
    let doc = Document::parse(text, file)?;
    let bath = read(&doc.root(), stem(file));
    doc.finish(bath)
}

/// The file's name without folder and ending.
pub(super) fn stem(file: &str) -> &str {
    let name = file.rsplit('/').next().unwrap_or(file);
    name.strip_suffix(".toml").unwrap_or(name)
}

fn read(root: &Table<'_>, name: &str) -> Option<Bath> {
    if name.is_empty() || !name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-') {
        root.report(
            format!("the file name {name:?} cannot name a bath"),
            "name the file with small letters, digits and hyphens, such as watts-nickel.toml",
        );
    }
    let title = root.need("title").text();
    let metal = metal(root);
    let density = root.need("density").table().and_then(|t| window(&t, Field::not_negative));
    if metal.is_some() && density.is_some_and(|d: Window<Density>| !d.low.is_positive()) {
        root.report(
            "a metal is named, and the density goes down to nothing",
            "write a density.low above zero",
        );
    }
    let density_by_base = by_base(root);
    let temperature = root
        .need("temperature")
        .table()
        .and_then(|t| window(&t, |f| f.within(Temperature::new(-20.0), Temperature::new(150.0))));
    let ph = root.need("ph").table().and_then(|t| window(&t, |f| f.number(0.0..=14.0)));
    let treat_time = root.may("treat-time").table().map(|t| window(&t, |f| f.positive::<Span>()));
    let make_up: Vec<_> = root
        .may("make-up")
        .tables()
        .iter()
        .map(|t| {
            let name = t.need("name").text();
            let amount = window(t, Field::not_negative);
            let (formula, add) = (formula(t, "formula"), formula(t, "add"));
            let strength = t.may("strength").within(Ratio::new(0.01), Ratio::new(1.0));
            let grams_per_ml = t.may("grams-per-ml").number(0.5..=3.0);
            if t.has("add") && !t.has("formula") {
                t.problem("add", "says what is put in, and not of what the amount is", "add \"formula\" too");
            }
            Some(Component {
                name: name?,
                amount: amount?,
                formula,
                add,
                strength: strength.unwrap_or(Ratio::new(1.0)),
                grams_per_ml,
            })
        })
        .collect();
    let efficiency = efficiency(root, metal.is_some());
    let burn = burn(root, metal.is_some());
    let volts = root.may("volts").table().map(|t| window(&t, |f| f.positive::<Volts>()));
    let max_load = root.may("max-load").positive();
    let anode_ratio = root.may("anode-ratio").number(0.01..=100.0);
    let anodes = root.need("anodes").text();
    let agitation = root.need("agitation").text();
    let cyanide = root.need("cyanide").flag();
    let cautions = cautions(root, cyanide == Some(true));
    let sources = sources(root);

    Some(Bath {
        name: name.into(),
        title: title?,
        metal,
        density: density?,
        density_by_base: density_by_base?,
        temperature: temperature?,
        ph: ph?,
        treat_time: whole(treat_time)?,
        make_up: make_up.into_iter().collect::<Option<_>>()?,
        efficiency: whole(efficiency)?,
        burn: whole(burn)?,
        volts: whole(volts)?,
        max_load,
        anode_ratio,
        anodes: anodes?,
        agitation: agitation?,
        cautions: cautions?,
        cyanide: cyanide?,
        sources,
    })
}

fn formula(table: &Table<'_>, key: &'static str) -> Option<Formula> {
    let field = table.may(key);
    match field.text()?.parse::<Formula>() {
        Ok(formula) => Some(formula),
        Err(e) => field.bad(e.wrong(), e.remedy()),
    }
}

/// Absent is fine, present and bad is not.
#[expect(clippy::option_option, reason = "absent, bad and good are three things here")]
fn whole<T>(read: Option<Option<T>>) -> Option<Option<T>> {
    match read {
        None => Some(None),
        Some(None) => None,
        Some(good) => Some(good),
    }
}

fn metal(root: &Table<'_>) -> Option<String> {
    let choices: Vec<_> = METALS.iter().map(|m| (m.id, m.id.to_owned())).collect();
    root.may("metal").choice(&choices)
}

/// `low`, `typical`, `high`, in that order of size.
fn window<'d, Q: PartialOrd + Copy>(
    table: &Table<'d>,
    value: impl Fn(&Field<'d>) -> Option<Q>,
) -> Option<Window<Q>> {
    let low = value(&table.need("low"));
    let typical = value(&table.need("typical"));
    let high = value(&table.need("high"));
    let (low, typical, high) = (low?, typical?, high?);
    if low > high {
        table.problem("high", "is below \"low\"", "write the larger value as \"high\"");
        return None;
    }
    if typical < low || typical > high {
        table.problem("typical", "is not between \"low\" and \"high\"", "write a value between the two");
        return None;
    }
    Some(Window { low, typical, high })
}

fn by_base(root: &Table<'_>) -> Option<Vec<(String, Window<Density>)>> {
    let Some(table) = root.may("density-by-base").table() else {
        return Some(Vec::new());
    };
    let all: Vec<_> = table
        .entries()
        .into_iter()
        .map(|(base, field)| Some((base, window(&field.table()?, |f| f.positive::<Density>())?)))
        .collect();
    all.into_iter().collect()
}

/// Present exactly where a metal is deposited.
fn goes_with_metal<'d>(root: &Table<'d>, key: &'static str, metal: bool) -> Option<Table<'d>> {
    if metal {
        return root.need(key).table();
    }
    let table = root.may(key).table();
    if table.is_some() {
        root.problem(
            key,
            "a bath without \"metal\" deposits nothing",
            "name the metal, or leave this table out",
        );
    }
    table
}

#[expect(clippy::option_option, reason = "absent, bad and good are three things here")]
fn efficiency(root: &Table<'_>, metal: bool) -> Option<Option<Window<Ratio>>> {
    let table = goes_with_metal(root, "efficiency", metal)?;
    Some(window(&table, |f| f.within(Ratio::new(0.001), Ratio::new(1.0))))
}

#[expect(clippy::option_option, reason = "absent, bad and good are three things here")]
fn burn(root: &Table<'_>, metal: bool) -> Option<Option<Burn>> {
    let table = goes_with_metal(root, "burn", metal)?;
    let [still, rod, air, vigorous] =
        ["still", "rod", "air", "vigorous"].map(|key| table.need(key).positive::<Density>());
    let (Some(still), Some(rod), Some(air), Some(vigorous)) = (still, rod, air, vigorous) else {
        return Some(None);
    };
    for (key, calmer, livelier) in [("rod", still, rod), ("air", rod, air), ("vigorous", air, vigorous)] {
        if livelier < calmer {
            table.problem(
                key,
                "burns at a lower density than with less agitation",
                "write still, rod, air, vigorous so that none is below the one before",
            );
        }
    }
    Some(Some(Burn { still, rod, air, vigorous }))
}

/// At least one; a cyanide bath must warn of acid.
fn cautions(root: &Table<'_>, cyanide: bool) -> Option<Vec<Caution>> {
    let all = root.need("cautions").items("a list of sentences in quotes")?;
    let cautions: Vec<Caution> = all.iter().map(caution).collect::<Option<_>>()?;
    if cautions.is_empty() {
        root.problem("cautions", "is empty", "name the hazards: every bath has some");
    }
    let warned = cautions.iter().any(|c| {
        let c = c.text.to_lowercase();
        c.contains("cyanide") && c.contains("acid")
    });
    if cyanide && !warned {
        root.problem(
            "cautions",
            "a cyanide bath, and no caution names both cyanide and acid",
            "say that acid frees hydrogen cyanide from this bath",
        );
    }
    Some(cautions)
}

/// A sentence; or, as a table of one key, a sentence that matters with a part of steel or with a cyanide bath nearby only.
fn caution(field: &Field<'_>) -> Option<Caution> {
    if !field.is_table() {
        return Some(Caution { text: field.text()?, of: CautionOf::Bath });
    }
    let table = field.table()?;
    let steel = table.may("steel").text().map(|text| Caution { text, of: CautionOf::Steel });
    let nearby =
        table.may("cyanide-nearby").text().map(|text| Caution { text, of: CautionOf::CyanideNearby });
    match (steel, nearby) {
        (Some(one), None) | (None, Some(one)) => Some(one),
        _ => field.bad(
            "is not one caution",
            "write a sentence, or { steel = \"…\" }, or { cyanide-nearby = \"…\" }",
        ),
    }
}

/// A source for each value that is there, none for those that are not.
fn sources(root: &Table<'_>) -> Vec<(String, String)> {
    let Some(table) = root.need("sources").table() else {
        return Vec::new();
    };
    let mut all = Vec::new();
    for key in SOURCED {
        let source = table.may(key).text();
        match (root.has(key), table.has(key)) {
            (true, false) => root.problem(
                key,
                "has no source",
                format!("add {key} to [sources]: a publication and page, or \"from memory\""),
            ),
            (false, true) => table.problem(key, "is the source of nothing in this file", "leave it out"),
            _ => {}
        }
        all.extend(source.map(|s| (key.to_owned(), s)));
    }
    all
}

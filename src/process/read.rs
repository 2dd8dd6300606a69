//! A sheet file into a [`Sheet`], or everything wrong with it.

use super::words::{end, entry, hold, optional, ramp, turn};
use super::{
    Anode, Bake, Base, Dip, Inspect, Kind, Polarity, Powered, Prompt, Purpose, Rinse, Sheet, Standard, Step,
    TankRole, Water, check,
};
use crate::bath::{self, Bath};
use crate::quantity::{Document, Field, Place, Problem, Span, Table, Temperature, nearest};

/// Values of a step that need a source, wherever they are given.
const STEP_SOURCED: [&str; 9] =
    ["time", "most", "hold", "end", "entry-volts", "ramp", "turn", "within", "bake"];
/// What of the whole sheet needs a source.
const SHEET_SOURCED: [&str; 5] = ["order", "rinses", "anodes", "hazards", "standards"];

/// Reads one sheet, with the baths that ship. `file` is its path as the reader
/// should see it; the sheet is named after it, without folder and ending.
///
/// # Errors
/// Every problem in the file at once: unknown keys, roles and baths, values
/// without a source, and whatever [`check()`](super::check) says must be mended.
pub fn parse(text: &str, file: &str) -> Result<Sheet, Vec<Problem>> {
    parse_with(text, file, &bath::shipped())
}

/// As [`parse`], with these baths.
///
/// # Errors
/// As [`parse`].
pub fn parse_with(text: &str, file: &str, baths: &[Bath]) -> Result<Sheet, Vec<Problem>> {
    let doc = Document::parse(text, file)?;
    let sheet = {
        let read = read(&doc.root(), stem(file), baths);
        read.map(|(mut sheet, places)| {
            let (must, advice) = check(&sheet, baths).into_iter().partition::<Vec<_>, _>(|f| f.must);
            for finding in must {
                let place = finding.step.as_ref().and_then(|name| places.step(name));
                let place = place.or_else(|| finding.tank.as_ref().and_then(|name| places.tank(name)));
                doc.report(place.unwrap_or(&places.whole), finding.explained(), finding.remedy);
            }
            sheet.advice = advice;
            sheet
        })
    };
    doc.finish(sheet)
}

/// The file's name without folder and ending.
pub(super) fn stem(file: &str) -> &str {
    let name = file.rsplit('/').next().unwrap_or(file);
    name.strip_suffix(".toml").unwrap_or(name)
}

/// Where things stand, for the checks.
struct Places {
    whole: Place,
    tanks: Vec<(String, Place)>,
    steps: Vec<(String, Place)>,
}

impl Places {
    fn step(&self, name: &str) -> Option<&Place> {
        self.steps.iter().find(|(n, _)| n == name).map(|(_, place)| place)
    }
    fn tank(&self, name: &str) -> Option<&Place> {
        self.tanks.iter().find(|(n, _)| n == name).map(|(_, place)| place)
    }
}

fn read(root: &Table<'_>, name: &str, baths: &[Bath]) -> Option<(Sheet, Places)> {
    if name.is_empty() || !name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-') {
        root.report(
            format!("the file name {name:?} cannot name a sheet"),
            "name the file with small letters, digits and hyphens, such as nickel-on-steel.toml",
        );
    }
    let title = root.need("title").text();
    let base = bases(root);
    let finish = root.need("finish").text();
    let standards = standards(root);
    let tensile = optional(root, "steel-tensile-mpa", |t| t.may("steel-tensile-mpa").integer(200..=3000));
    let (tanks, tank_places) = tanks(root, baths);
    let rinses = rinses(root, &tanks);
    let (steps, step_places) = steps(root, &tanks, &rinses);
    let sources = sources(root);
    let places = Places { whole: root.place("title"), tanks: tank_places, steps: step_places };
    let sheet = Sheet {
        name: name.into(),
        title: title?,
        base: base?,
        finish: finish?,
        standards: standards?,
        steel_tensile: tensile?.and_then(|mpa| u32::try_from(mpa).ok()),
        tanks: whole(tanks)?,
        rinses: whole(rinses)?,
        steps: steps.into_iter().collect::<Option<_>>()?,
        advice: Vec::new(),
        sources,
    };
    Some((sheet, places))
}

/// All of them, if all are good.
fn whole<T>(named: Vec<(String, Option<T>)>) -> Option<Vec<T>> {
    named.into_iter().map(|(_, made)| made).collect()
}

fn bases(root: &Table<'_>) -> Option<Vec<Base>> {
    let field = root.need("base");
    let words = field.texts()?;
    if words.is_empty() {
        return field.bad("is empty", "write the metals that it is for, such as [\"copper\", \"brass\"]");
    }
    let list = || Base::WORDS.iter().map(|(w, _)| format!("{w:?}")).collect::<Vec<_>>().join(", ");
    let mut made = Vec::new();
    let mut good = true;
    for word in &words {
        match Base::WORDS.iter().find(|(w, _)| w == word) {
            Some((_, base)) if !made.contains(base) => made.push(*base),
            Some(_) => good = field.bad::<()>(format!("{word:?} stands twice"), "keep one").is_some(),
            None => {
                let remedy = match nearest(word, Base::WORDS.iter().map(|(w, _)| *w)) {
                    Some(near) => format!("did you mean {near:?}? It can be {}", list()),
                    None => format!("write some of {}", list()),
                };
                good = field.bad::<()>(format!("{word:?} is no metal that is known here"), remedy).is_some();
            }
        }
    }
    good.then_some(made)
}

fn standards(root: &Table<'_>) -> Option<Vec<String>> {
    let field = root.need("standards");
    let titles = field.texts()?;
    let mut good = true;
    for title in &titles {
        if Standard::titles().any(|known| known == title) {
            continue;
        }
        let remedy = match nearest(title, Standard::titles()) {
            Some(near) => format!("did you mean {near:?}?"),
            None => format!("write some of {}", Standard::titles().collect::<Vec<_>>().join(", ")),
        };
        good = field.bad::<()>(format!("{title:?} is no standard that is known here"), remedy).is_some();
    }
    good.then_some(titles)
}

type Named<T> = Vec<(String, Option<T>)>;

fn tanks(root: &Table<'_>, baths: &[Bath]) -> (Named<TankRole>, Vec<(String, Place)>) {
    let Some(table) = root.need("tank").table() else { return (Vec::new(), Vec::new()) };
    let mut places = Vec::new();
    let made = table
        .entries()
        .into_iter()
        .map(|(name, field)| {
            places.push((name.clone(), field.place()));
            let tank = field.table().and_then(|t| {
                let kinds = bath_names(&t.need("bath"), baths);
                let anodes = t.need("anodes").choice(Anode::WORDS);
                let bagged = optional(&t, "bagged", |t| t.may("bagged").flag());
                Some(TankRole {
                    name: name.clone(),
                    baths: kinds?,
                    anodes: anodes?,
                    bagged: bagged?.unwrap_or(false),
                })
            });
            (name, tank)
        })
        .collect();
    (made, places)
}

fn bath_names(field: &Field<'_>, baths: &[Bath]) -> Option<Vec<String>> {
    let names = field.texts()?;
    if names.is_empty() {
        return field.bad("is empty", "write the baths that may play this role, the usual one first");
    }
    let mut good = true;
    for name in &names {
        if baths.iter().any(|b| b.name == *name) {
            continue;
        }
        let remedy = match nearest(name, baths.iter().map(|b| b.name.as_str())) {
            Some(near) => format!("did you mean {near:?}?"),
            None => {
                let all: Vec<_> = baths.iter().map(|b| b.name.as_str()).collect();
                format!("write some of {}", all.join(", "))
            }
        };
        good = field.bad::<()>(format!("there is no bath {name:?}"), remedy).is_some();
    }
    good.then_some(names)
}

fn rinses(root: &Table<'_>, tanks: &Named<TankRole>) -> Named<Rinse> {
    let Some(table) = root.need("rinse").table() else { return Vec::new() };
    let made = table.entries().into_iter().map(|(name, field)| {
        let rinse = field.table().and_then(|t| {
            let water = t.need("water").choice(Water::WORDS);
            let own = optional(&t, "own", |t| role(&t.may("own"), tanks, "tank"));
            Some(Rinse { name: name.clone(), water: water?, own: own? })
        });
        (name, rinse)
    });
    made.collect()
}

/// A role that must be declared; `kind` is "tank" or "rinse".
fn role<T>(field: &Field<'_>, known: &Named<T>, kind: &str) -> Option<String> {
    let name = field.text()?;
    if known.iter().any(|(n, _)| *n == name) { Some(name) } else { unknown_role(field, &name, known, kind) }
}

fn unknown_role<T, R>(field: &Field<'_>, name: &str, known: &Named<T>, kind: &str) -> Option<R> {
    let names = || known.iter().map(|(n, _)| n.as_str());
    let remedy = match nearest(name, names()) {
        Some(near) => format!("did you mean {near:?}?"),
        None => format!("write one of {}, or add [{kind}.{name}]", names().collect::<Vec<_>>().join(", ")),
    };
    field.bad(format!("no {kind} has the role {name:?}"), remedy)
}

fn steps(
    root: &Table<'_>,
    tanks: &Named<TankRole>,
    rinses: &Named<Rinse>,
) -> (Vec<Option<Step>>, Vec<(String, Place)>) {
    let tables = root.need("step").tables();
    let mut places: Vec<(String, Place)> = Vec::new();
    let mut made = Vec::new();
    for table in &tables {
        let step = step(table, tanks, rinses, &places);
        if let Some(name) = table.peek("name") {
            if places.iter().any(|(n, _)| n == name) {
                table.problem(
                    "name",
                    format!("there is another step {name:?}"),
                    "give each step its own name",
                );
            }
            places.push((name.into(), table.place("name")));
        }
        made.push(step);
    }
    unused(root, "tank", tanks, &made, |step, role| step.tank() == Some(role));
    unused(root, "rinse", rinses, &made, |step, role| step.rinse.iter().any(|r| r == role));
    (made, places)
}

/// Roles that no step uses; not told while some step could not be read.
fn unused<T>(
    root: &Table<'_>,
    kind: &'static str,
    known: &Named<T>,
    steps: &[Option<Step>],
    uses: impl Fn(&Step, &str) -> bool,
) {
    if steps.iter().any(Option::is_none) {
        return;
    }
    for (name, _) in known {
        if !steps.iter().flatten().any(|step| uses(step, name)) {
            root.problem(
                kind,
                format!("no step uses the {kind} {name:?}"),
                "leave it out, or name it in a step",
            );
        }
    }
}

fn step(
    table: &Table<'_>,
    tanks: &Named<TankRole>,
    rinses: &Named<Rinse>,
    earlier: &[(String, Place)],
) -> Option<Step> {
    let name = table.need("name").text();
    let within = optional(table, "within", |t| t.may("within").positive::<Span>());
    let rinse = optional(table, "rinse", |t| {
        let field = t.may("rinse");
        let names = field.texts()?;
        let good = names.iter().filter(|n| {
            rinses.iter().any(|(known, _)| known == *n)
                || unknown_role::<_, ()>(&field, n, rinses, "rinse").is_some()
        });
        (good.count() == names.len()).then_some(names)
    });
    let hazards = optional(table, "hazards", |t| t.may("hazards").texts());
    let kind = table.one_of(&["dip", "powered", "inspect", "prompt"]);
    let mut given: Vec<&'static str> = Vec::new();
    if table.has("within") {
        given.push("within");
    }
    let made = kind.as_ref().and_then(|(word, t)| {
        given.extend(STEP_SOURCED.iter().filter(|key| t.has(key)));
        match *word {
            "dip" => dip(t, tanks).map(Kind::Dip),
            "powered" => powered(t, tanks).map(Kind::Powered),
            "inspect" => inspect(t, earlier).map(Kind::Inspect),
            _ => prompt(t).map(Kind::Prompt),
        }
    });
    let wet = kind.as_ref().is_some_and(|(word, _)| matches!(*word, "dip" | "powered"));
    drop(kind);
    if wet {
        for (key, wants) in [
            ("rinse", "name the rinses after it, or write [] for none"),
            ("hazards", "name what can hurt in this step"),
        ] {
            if !table.has(key) {
                table.report(format!("{key} is missing in a step that is done in a tank"), wants);
            }
        }
    } else if table.has("rinse") {
        table.problem("rinse", "nothing is wet here", "put it in the step before");
    }
    let hazards = hazards.map(Option::unwrap_or_default);
    if wet && hazards.as_ref().is_some_and(Vec::is_empty) && table.has("hazards") {
        table.problem("hazards", "is empty", "name what can hurt in this step");
    }
    let sources = step_sources(table, &given);
    Some(Step {
        name: name?,
        kind: made?,
        rinse: rinse?.unwrap_or_default(),
        hazards: hazards?,
        within: within?,
        sources,
    })
}

/// A source for each value that is there, none for those that are not.
fn step_sources(table: &Table<'_>, given: &[&'static str]) -> Vec<(String, String)> {
    let mut all = Vec::new();
    if given.is_empty() && !table.has("sources") {
        return all;
    }
    let Some(sources) = table.need("sources").table() else { return all };
    for key in STEP_SOURCED {
        let source = sources.may(key).text();
        match (given.contains(&key), sources.has(key)) {
            (true, false) => sources.report(
                format!("{key} has no source"),
                format!(
                    "add {key}: a publication and page, \"common practice, no source\" or \"from memory\""
                ),
            ),
            (false, true) => sources.problem(key, "is the source of nothing in this step", "leave it out"),
            _ => {}
        }
        all.extend(source.map(|s| (key.to_owned(), s)));
    }
    all
}

fn dip(t: &Table<'_>, tanks: &Named<TankRole>) -> Option<Dip> {
    let tank = role(&t.need("tank"), tanks, "tank");
    let purpose = t.need("purpose").choice(Purpose::WORDS);
    let time = t.need("time").within(Span::new(1.0), Span::new(86_400.0));
    let most = optional(t, "most", |t| t.may("most").positive::<Span>());
    Some(Dip { tank: tank?, purpose: purpose?, time: time?, most: most? })
}

fn powered(t: &Table<'_>, tanks: &Named<TankRole>) -> Option<Powered> {
    let tank = role(&t.need("tank"), tanks, "tank");
    let purpose = t.need("purpose").choice(Purpose::WORDS);
    let part = optional(t, "part", |t| t.may("part").choice(Polarity::WORDS));
    let hold = hold(t);
    let end = end(&t.need("end"));
    let entry = entry(t);
    let entry_volts = optional(t, "entry-volts", |t| t.may("entry-volts").positive());
    let ramp = ramp(t);
    let turn = turn(t);
    Some(Powered {
        tank: tank?,
        purpose: purpose?,
        part: part?.unwrap_or(Polarity::Cathode),
        hold: hold?,
        end: end?,
        entry: entry?.unwrap_or_default(),
        entry_volts: entry_volts?,
        ramp: ramp?,
        turn: turn?,
    })
}

fn inspect(t: &Table<'_>, earlier: &[(String, Place)]) -> Option<Inspect> {
    let question = t.need("question").text();
    let field = t.need("back-to");
    let back_to = field.text();
    let most = t.need("most").integer(1..=9);
    let advice = t.need("advice").text();
    let back_to = back_to.and_then(|back| {
        if earlier.iter().any(|(name, _)| *name == back) {
            return Some(back);
        }
        let remedy = match nearest(&back, earlier.iter().map(|(n, _)| n.as_str())) {
            Some(near) => format!("did you mean {near:?}?"),
            None => "write the name of a step that stands before this one".into(),
        };
        field.bad(format!("no earlier step is called {back:?}"), remedy)
    });
    Some(Inspect { question: question?, back_to: back_to?, most: u8::try_from(most?).ok()?, advice: advice? })
}

fn prompt(t: &Table<'_>) -> Option<Prompt> {
    let say = t.need("say").text();
    let bake = optional(t, "bake", |t| {
        let table = t.may("bake").table()?;
        let temperature = table.need("temperature").within(Temperature::new(0.0), Temperature::new(1000.0));
        let time = table.need("time").positive::<Span>();
        let within = table.need("within").positive::<Span>();
        Some(Bake { temperature: temperature?, time: time?, within: within? })
    });
    Some(Prompt { say: say?, bake: bake? })
}

fn sources(root: &Table<'_>) -> Vec<(String, String)> {
    let Some(table) = root.need("sources").table() else { return Vec::new() };
    let all = SHEET_SOURCED.map(|key| table.need(key).text().map(|s| (key.to_owned(), s)));
    all.into_iter().flatten().collect()
}

//! What a person asks for: one powered order, or a whole sheet for a load.

use super::read::{MeshFiles, day, parts, rack};
use super::{Day, Request};
use crate::part::{Allowance, Part};
use crate::process::End;
use crate::process::words::{self, optional};
use crate::quantity::{Document, Problem, Table};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What an order file or a JSON request asks for. The key `sheet` tells the two apart.
#[derive(Clone, Debug, PartialEq)]
pub enum Asked {
    /// One powered order.
    Order(Box<Request>),
    /// A whole sheet.
    Sheet(Box<SheetRequest>),
}

/// A load to be taken through a process sheet. The sheet says how each step is worked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct SheetRequest {
    /// The sheet's name.
    pub sheet: String,
    /// What is to be plated, all of it, whether or not it hangs at once.
    #[serde(rename = "part")]
    pub parts: Vec<Part>,
    /// The parts' own metal; the sheet's, where it is for one only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub base: Option<String>,
    /// What to call it; the sheet's title and the parts if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// What rack and tips take.
    #[serde(default)]
    pub rack: Allowance,
    /// What ends the finish step, if the sheet's own is not to hold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end: Option<End>,
    /// How often the load is turned in the steps that the sheet turns; as the sheet says if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub turn: Option<FacesAsked>,
    /// The tank of the finish step, where more than one could be it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tank: Option<String>,
    /// Which tank plays a role of the sheet, where more than one could.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub role: BTreeMap<String, String>,
    /// How many parts the bar or rack holds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub places: Option<u32>,
    /// How a day is worked, for how many loads it takes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub day: Option<Day>,
}

impl SheetRequest {
    /// That sheet for those parts, all else as the sheet says.
    pub fn new(sheet: &str, parts: Vec<Part>) -> Self {
        SheetRequest {
            sheet: sheet.into(),
            parts,
            base: None,
            title: None,
            rack: Allowance::default(),
            end: None,
            turn: None,
            tank: None,
            role: BTreeMap::new(),
            places: None,
            day: None,
        }
    }
}

/// Over how many faces a load is turned; what the output does meanwhile is the sheet's.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct FacesAsked {
    /// 1 (no turn) to 12.
    pub faces: u8,
}

/// Keys that say how an order is worked, which in a sheet its steps say.
const THE_SHEETS: [&str; 8] =
    ["hold", "ramp", "entry", "entry-volts", "ceiling", "ceiling-amps", "seek", "time-limit"];

impl Asked {
    /// Reads an order file, with `mesh` for the files it names; see [`Request::from_toml_with`].
    ///
    /// # Errors
    /// Every problem in the file, each with its place and remedy.
    pub fn from_toml_with(text: &str, file: &str, mesh: MeshFiles<'_>) -> Result<Asked, Vec<Problem>> {
        let doc = Document::parse(text, file)?;
        let root = doc.root();
        if !root.has("sheet") {
            return Ok(Asked::Order(Box::new(Request::from_toml_with(text, file, mesh)?)));
        }
        let made = sheet(&root, mesh);
        drop(root);
        Ok(Asked::Sheet(Box::new(doc.finish(made)?)))
    }
}

fn sheet(root: &Table<'_>, mesh: MeshFiles<'_>) -> Option<SheetRequest> {
    for key in THE_SHEETS.into_iter().filter(|key| root.has(key)) {
        root.may(key)
            .bad::<()>("the sheet says how each step is worked", "leave it out, or change the sheet");
    }
    let sheet = root.need("sheet").text();
    let parts = parts(root, mesh);
    let rack = rack(root);
    let base = optional(root, "base", |t| t.may("base").text());
    let title = optional(root, "title", |t| t.may("title").text());
    let end = optional(root, "end", |t| words::end(&t.may("end")));
    let turn = optional(root, "turn", |t| {
        let faces = t.may("turn").table()?.need("faces").integer(1..=12)?;
        Some(FacesAsked { faces: u8::try_from(faces).ok()? })
    });
    let tank = optional(root, "tank", |t| t.may("tank").text());
    let role = optional(root, "role", |t| {
        let entries = t.may("role").table()?.entries();
        entries.into_iter().map(|(role, tank)| Some((role, tank.text()?))).collect::<Option<BTreeMap<_, _>>>()
    });
    let places = optional(root, "places", |t| t.may("places").integer(1..=100_000));
    let day = day(root);
    Some(SheetRequest {
        sheet: sheet?,
        parts: parts?,
        base: base?,
        title: title?,
        rack: rack?.unwrap_or_default(),
        end: end?,
        turn: turn?,
        tank: tank?,
        role: role?.unwrap_or_default(),
        places: places?.and_then(|n| u32::try_from(n).ok()),
        day: day?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Asked, Vec<Problem>> {
        Asked::from_toml_with(text, "o.toml", &|_| Err("no files here".into()))
    }

    const GOOD: &str = "sheet = \"nickel-on-copper-alloys\"\nbase = \"brass\"\n[role]\nnickel = \"bright\"\n\
                        [[part]]\ncount = 6\ndisc = { diameter = \"34 mm\", thickness = \"1 mm\" }\n";

    #[test]
    fn sheet_in_a_file_is_not_taken_for_one_order() {
        let Ok(Asked::Sheet(asked)) = read(GOOD) else { panic!("{:?}", read(GOOD)) };
        assert_eq!((asked.sheet.as_str(), asked.parts[0].count()), ("nickel-on-copper-alloys", 6));
        assert_eq!(asked.role["nickel"], "bright");
        let json = serde_json::to_value(&asked).unwrap();
        assert_eq!(serde_json::from_value::<SheetRequest>(json).unwrap(), *asked);
    }

    #[test]
    fn load_of_a_sheet_is_turned_as_often_as_its_order_says_and_not_a_hundred_times() {
        let faces = |n: &str| read(&format!("{GOOD}[turn]\nfaces = {n}\n"));
        let Ok(Asked::Sheet(asked)) = faces("1") else { panic!("{:?}", faces("1")) };
        assert_eq!(asked.turn, Some(FacesAsked { faces: 1 }));
        assert!(faces("100").is_err() && faces("0").is_err());
        let json = serde_json::to_value(&asked).unwrap();
        assert_eq!(serde_json::from_value::<SheetRequest>(json).unwrap(), *asked);
    }

    #[test]
    fn shipped_sheet_order_is_read_and_its_keys_that_are_commented_out_too() {
        let text = include_str!("../../config/orders/keycups-sheet.toml");
        assert!(matches!(read(text), Ok(Asked::Sheet(_))));
        // A key that is commented out stands at the line's head; prose is indented or begins with a capital.
        let on: Vec<_> = text
            .lines()
            .map(|line| match line.strip_prefix("# ") {
                Some(key) if key.starts_with('[') || key.split(' ').nth(1) == Some("=") => key,
                _ => line,
            })
            .collect();
        let all = read(&on.join("\n"));
        assert!(matches!(&all, Ok(Asked::Sheet(s)) if s.role.len() == 1 && s.places == Some(8)), "{all:?}");
    }

    #[test]
    fn what_the_sheet_says_is_not_passed_over_in_silence_when_the_order_says_otherwise() {
        let bad = format!(
            "{}[hold]\ndensity = \"4 A/dm2\"\n[ramp]\ntime = \"9 s\"\n",
            GOOD.replace("[role]", "entry = \"live\"\n[role]")
        );
        let problems: Vec<_> = read(&bad).unwrap_err().iter().map(ToString::to_string).collect();
        for key in ["entry", "hold", "ramp"] {
            assert!(
                problems.iter().any(|p| p.contains(key) && p.contains("the sheet says")),
                "{key}: {problems:?}"
            );
        }
    }
}

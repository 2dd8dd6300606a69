//! The sheets inside the binary, and the folder that overrides them.

use super::{Sheet, parse_with};
use crate::bath::{self, Bath};
use crate::quantity::Problem;

macro_rules! files {
    ($($name:literal),+ $(,)?) => {
        &[$((concat!("config/processes/", $name, ".toml"), include_str!(concat!("../../config/processes/", $name, ".toml")))),+]
    };
}

/// Path in this repository and text of every sheet that ships.
const FILES: &[(&str, &str)] = files![
    "acid-copper",
    "copper-nickel-on-zinc",
    "gold-over-nickel-on-copper-alloys",
    "nickel-on-copper-alloys",
    "nickel-on-hardened-steel",
    "nickel-on-stainless-gold-strike",
    "nickel-on-stainless-woods",
    "nickel-on-steel",
    "nickel-over-old-nickel",
    "silver-over-nickel-on-brass",
];

/// Every sheet that ships, by name.
///
/// # Panics
/// If a shipped file is bad, which a test of this module keeps from happening.
pub fn shipped() -> Vec<Sheet> {
    #[expect(clippy::expect_used, reason = "the files are compiled in; a test parses every one")]
    gather(&[], &bath::shipped()).expect("shipped process sheets are good")
}

/// The shipped sheets with those of a folder: a file of the same name takes the
/// place of the shipped one, any other name is added. Each of `folder` is a
/// path for messages and a text; `baths` are those that sheets may name.
///
/// # Errors
/// Every problem in every file. A shipped sheet that a folder replaces is not read.
pub fn gather(folder: &[(String, String)], baths: &[Bath]) -> Result<Vec<Sheet>, Vec<Problem>> {
    let (sheets, problems) = sort_out(folder, baths);
    if problems.is_empty() { Ok(sheets) } else { Err(problems) }
}

/// As [`gather`], but the good ones by name and beside them the problems of the
/// others: a shipped sheet may not fit the workshop's own version of a bath.
pub fn sort_out(folder: &[(String, String)], baths: &[Bath]) -> (Vec<Sheet>, Vec<Problem>) {
    let own: Vec<_> = folder.iter().map(|(file, text)| (file.as_str(), text.as_str())).collect();
    let replaced = |file: &str| own.iter().any(|(o, _)| super::read::stem(o) == super::read::stem(file));
    let mut sheets: Vec<Sheet> = Vec::new();
    let mut problems = Vec::new();
    for (file, text) in FILES.iter().copied().filter(|(file, _)| !replaced(file)).chain(own.iter().copied()) {
        match parse_with(text, file, baths) {
            Ok(sheet) => {
                sheets.retain(|s| s.name != sheet.name);
                sheets.push(sheet);
            }
            Err(mut all) => problems.append(&mut all),
        }
    }
    sheets.sort_by(|a, b| a.name.cmp(&b.name));
    (sheets, problems)
}

/// The names of all sheets that [`gather`] would give, whether or not their files are good.
pub fn names(folder: &[(String, String)]) -> Vec<String> {
    let files = FILES.iter().map(|(file, _)| *file).chain(folder.iter().map(|(file, _)| file.as_str()));
    let mut names: Vec<_> = files.map(|file| super::read::stem(file).to_owned()).collect();
    names.sort();
    names.dedup();
    names
}

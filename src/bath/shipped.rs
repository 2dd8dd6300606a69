//! The baths inside the binary, and the folder that overrides them.

use super::{Bath, parse};
use crate::quantity::Problem;

macro_rules! files {
    ($($name:literal),+ $(,)?) => {
        &[$((concat!("config/baths/", $name, ".toml"), include_str!(concat!("../../config/baths/", $name, ".toml")))),+]
    };
}

/// Path in this repository and text of every bath file that ships.
const FILES: &[(&str, &str)] = files![
    "acid-activator",
    "acid-copper",
    "acid-gold",
    "acid-tin",
    "acid-zinc",
    "bright-nickel",
    "copper-strike",
    "electrocleaner",
    "gold-strike",
    "hard-chrome",
    "mild-acid-dip",
    "silver",
    "silver-strike",
    "sulfamate-nickel",
    "watts-nickel",
    "woods-nickel-strike",
];

/// Every bath that ships, by name.
///
/// # Panics
/// If a shipped file is bad, which a test of this module keeps from happening.
pub fn shipped() -> Vec<Bath> {
    #[expect(clippy::expect_used, reason = "the files are compiled in; a test parses every one")]
    gather(&[]).expect("shipped bath files are good")
}

/// The shipped baths with those of a folder: a file `silver.toml` there takes
/// the place of the shipped bath of that name, any other name is added.
/// Each of `folder` is a path for messages and a text.
///
/// # Errors
/// Every problem in every file.
pub fn gather(folder: &[(String, String)]) -> Result<Vec<Bath>, Vec<Problem>> {
    let mut baths: Vec<Bath> = Vec::new();
    let mut problems = Vec::new();
    let own = folder.iter().map(|(file, text)| (file.as_str(), text.as_str()));
    for (file, text) in FILES.iter().copied().chain(own) {
        match parse(text, file) {
            Ok(bath) => {
                baths.retain(|b| b.name != bath.name);
                baths.push(bath);
            }
            Err(mut all) => problems.append(&mut all),
        }
    }
    baths.sort_by(|a, b| a.name.cmp(&b.name));
    if problems.is_empty() { Ok(baths) } else { Err(problems) }
}

/// The names of all baths that [`gather`] would give, whether or not their files are good.
pub fn names(folder: &[(String, String)]) -> Vec<String> {
    let files = FILES.iter().map(|(file, _)| *file).chain(folder.iter().map(|(file, _)| file.as_str()));
    let mut names: Vec<_> = files.map(|file| super::read::stem(file).to_owned()).collect();
    names.sort();
    names.dedup();
    names
}

//! A part from a mesh file: named in an order file or on the command line.

use super::setup;
use crate::part::{Mesh, MeshUnit, Part, Shape};
use std::path::Path;

/// The most bytes of a mesh file: binary STL of six million triangles.
const MOST: u64 = 300 << 20;

/// The bytes of a mesh that an order file names: its path is taken from where the order file lies.
///
/// # Errors
/// One line that names the file.
pub(crate) fn beside(order: &Path, name: &str) -> Result<Vec<u8>, String> {
    let path = order.parent().unwrap_or(Path::new("")).join(name);
    setup::bytes(&path, MOST).map_err(|e| format!("{}: {e}", path.display()))
}

/// `[count] [name:] mesh FILE UNIT` as a part; `None` if the text is of another shape.
///
/// # Errors
/// One line: what is wrong and what would be right.
pub(crate) fn from_flag(text: &str) -> Option<Result<Part, String>> {
    let (head, tail) = split(text)?;
    Some(measured(head, tail))
}

/// What stands before the word `mesh`, and what after it.
fn split(text: &str) -> Option<(&str, &str)> {
    let at = text.match_indices("mesh").map(|(at, _)| at).find(|at| {
        let before = text[..*at].trim_end();
        let begins = before.is_empty()
            || before.ends_with(':')
            || (text[..*at].ends_with(char::is_whitespace)
                && before.trim_end_matches(['x', '×', ' ']).bytes().all(|b| b.is_ascii_digit()));
        begins && text[at + 4..].starts_with(char::is_whitespace)
    })?;
    Some((&text[..at], text[at + 4..].trim()))
}

fn measured(head: &str, tail: &str) -> Result<Part, String> {
    let units = MeshUnit::WORDS.map(|(word, _)| word).join(", ");
    let (file, unit) = tail
        .rsplit_once(char::is_whitespace)
        .ok_or_else(|| format!("{tail:?} has no unit; an STL file carries none: add one of {units}"))?;
    let unit = MeshUnit::WORDS
        .into_iter()
        .find_map(|(word, is)| (word == unit).then_some(is))
        .ok_or_else(|| format!("{unit:?} is not a mesh's unit; write one of {units} after the file"))?;
    let file = file.trim();
    let bytes = setup::bytes(Path::new(file), MOST).map_err(|e| format!("{file}: {e}"))?;
    let measured = Mesh::read(&bytes, unit).map_err(|e| format!("{file}: {}; {}", e.wrong(), e.remedy()))?;
    // Count and name are read as for every other shape.
    let like: Part = format!("{head}area 1 cm2").parse().map_err(|e| format!("{e}"))?;
    let part = Part::new(Shape::Mesh(measured.mesh), like.count()).map_err(|e| e.to_string())?;
    Ok(match like.name() {
        Some(name) => part.named(name),
        None => part,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mesh_is_known_by_its_place_and_no_name_is_taken_for_one() {
        assert_eq!(split("mesh cup.stl mm"), Some(("", "cup.stl mm")));
        assert_eq!(split("6 key cups: mesh my cup.stl mm"), Some(("6 key cups: ", "my cup.stl mm")));
        assert_eq!(split("6 x mesh cup.stl in"), Some(("6 x ", "cup.stl in")));
        assert_eq!(split("wire mesh sieve: area 3 dm2"), None);
        assert_eq!(split("disc 34 mm x 1 mm"), None);
    }

    #[test]
    fn mesh_without_unit_is_asked_for_one() {
        for text in ["mesh cup.stl", "mesh cup.stl furlong"] {
            let said = from_flag(text).unwrap().unwrap_err();
            assert!(said.contains("um, mm, cm, m, in"), "{said}");
        }
    }
}

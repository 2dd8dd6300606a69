//! The short form that people type: `6 key cups: disc 34 mm x 1 mm`.

use super::{
    Box, Cone, Cylinder, Disc, Faces, HexBar, Part, PartError, Plate, Ring, Shape, Sphere, Tube, Walls,
    Washer, Wire,
};
use crate::quantity::{Area, Length};
use std::fmt;
use std::str::FromStr;

/// Shape, names of its measures, words it takes at the end, example.
type Row = (&'static str, &'static [&'static str], &'static [&'static str], &'static str);

const ROWS: &[Row] = &[
    ("plate", &["length", "width", "thickness"], &["both", "one"], "plate 50 mm x 20 mm x 1 mm one"),
    ("disc", &["diameter", "thickness"], &["both", "one"], "disc 34 mm x 1 mm one"),
    ("washer", &["outside", "inside", "thickness"], &["both", "one"], "washer 20 mm x 10 mm x 2 mm one"),
    ("cylinder", &["diameter", "length"], &["no-ends"], "cylinder 10 mm x 30 mm no-ends"),
    (
        "tube",
        &["outside", "wall", "length"],
        &["both", "outside", "inside", "no-ends"],
        "tube 15 mm x 1 mm x 30 mm outside no-ends",
    ),
    ("ring", &["outside", "wire"], &[], "ring 30 mm x 4 mm"),
    ("sphere", &["diameter"], &[], "sphere 10 mm"),
    ("cone", &["diameter", "height"], &["no-base"], "cone 6 mm x 4 mm no-base"),
    ("wire", &["diameter", "length"], &[], "wire 1 mm x 100 mm"),
    ("box", &["length", "width", "height"], &[], "box 10 mm x 20 mm x 30 mm"),
    ("hex-bar", &["flats", "length"], &["no-ends"], "hex-bar 10 mm x 20 mm no-ends"),
];

impl FromStr for Part {
    type Err = PartError;

    /// `[count] [name:] shape measure x measure … [words]`, as in
    /// `disc 34 mm x 1 mm`, `6 octave levers: area 3 in2`,
    /// `tube 15 mm x 1 mm x 30 mm outside`.
    fn from_str(text: &str) -> Result<Part, PartError> {
        let (before, shape) = match text.rsplit_once(':') {
            Some((before, shape)) => (Some(before), shape),
            None => (None, text),
        };
        let (count, rest) = leading_count(before.unwrap_or(shape))?;
        let (name, shape) = match before {
            Some(_) => (Some(rest.trim()).filter(|name| !name.is_empty()), shape),
            None => (None, rest),
        };
        let part = Part::new(shape.parse()?, count)?;
        Ok(match name {
            Some(name) => part.named(name),
            None => part,
        })
    }
}

/// "6 x disc…", "6 disc…": the count, if there is one, and what follows.
fn leading_count(text: &str) -> Result<(u32, &str), PartError> {
    let text = text.trim();
    let end = text.bytes().take_while(u8::is_ascii_digit).count();
    let (digits, rest) = text.split_at(end);
    if digits.is_empty() {
        return Ok((1, text));
    }
    let count = digits.parse().map_err(|_| PartError::Count(digits.into()))?;
    let rest = rest.trim_start();
    let rest = match rest.strip_prefix(['x', '×']) {
        Some(after) if after.starts_with(char::is_whitespace) => after.trim_start(),
        _ => rest,
    };
    Ok((count, rest))
}

impl FromStr for Shape {
    type Err = PartError;

    fn from_str(text: &str) -> Result<Shape, PartError> {
        let text = text.trim();
        let (word, rest) = text.split_once(char::is_whitespace).unwrap_or((text, ""));
        let name = word.to_ascii_lowercase();
        if name == "area" {
            let area: Area = rest.parse().map_err(|why| PartError::Quantity { what: "area", why })?;
            return Ok(Shape::Area(area));
        }
        let Some((name, measures, words, example)) = ROWS.iter().find(|row| row.0 == name) else {
            return Err(PartError::UnknownShape(word.into()));
        };
        let (rest, said) = trailing_words(rest);
        if let Some(word) = said.iter().find(|word| !words.contains(&word.as_str())) {
            return Err(PartError::Word { word: word.clone(), example });
        }
        let pieces: Vec<_> = rest.split(['x', '×', 'X']).collect();
        if pieces.len() != measures.len() || rest.trim().is_empty() {
            return Err(PartError::Measures { text: text.into(), example });
        }
        let mut lengths = [Length::ZERO; 3];
        for ((piece, what), length) in pieces.iter().zip(*measures).zip(&mut lengths) {
            *length = piece.parse().map_err(|why| PartError::Quantity { what, why })?;
        }
        Ok(build(name, lengths, &said))
    }
}

/// Splits off words at the end ("outside", "no ends"); units stay with their numbers.
fn trailing_words(text: &str) -> (&str, Vec<String>) {
    const PARTS_OF_SPEECH: [&str; 6] = ["face", "faces", "side", "sides", "only", "and"];
    const WORDS: [&str; 4] = ["both", "one", "outside", "inside"];
    let mut rest = text.trim();
    let mut said = Vec::new();
    loop {
        let last = rest.rsplit(char::is_whitespace).next().unwrap_or("");
        let before = rest[..rest.len() - last.len()].trim_end();
        let lower = last.trim_end_matches(',').to_ascii_lowercase();
        match lower.as_str() {
            "ends" | "base" => match before.rsplit_once(char::is_whitespace) {
                Some((more, no)) if no.eq_ignore_ascii_case("no") => {
                    said.push(format!("no-{lower}"));
                    rest = more.trim_end();
                    continue;
                }
                _ => return (rest, said),
            },
            "no-ends" | "no-base" => said.push(lower),
            word if WORDS.contains(&word) => said.push(lower),
            word if PARTS_OF_SPEECH.contains(&word) => {}
            _ => return (rest.trim_end_matches(','), said),
        }
        rest = before;
    }
}

fn build(name: &str, [a, b, c]: [Length; 3], said: &[String]) -> Shape {
    let has = |word: &str| said.iter().any(|w| w == word);
    let faces = if has("one") { Faces::One } else { Faces::Both };
    let ends = !has("no-ends");
    match name {
        "plate" => Shape::Plate(Plate { length: a, width: b, thickness: c, faces }),
        "disc" => Shape::Disc(Disc { diameter: a, thickness: b, faces }),
        "washer" => Shape::Washer(Washer { outside: a, inside: b, thickness: c, faces }),
        "cylinder" => Shape::Cylinder(Cylinder { diameter: a, length: b, ends }),
        "tube" => {
            let walls = match (has("outside"), has("inside")) {
                (true, false) => Walls::Outside,
                (false, true) => Walls::Inside,
                _ => Walls::Both,
            };
            Shape::Tube(Tube { outside: a, wall: b, length: c, walls, ends })
        }
        "ring" => Shape::Ring(Ring { outside: a, wire: b }),
        "sphere" => Shape::Sphere(Sphere { diameter: a }),
        "cone" => Shape::Cone(Cone { diameter: a, height: b, base: !has("no-base") }),
        "wire" => Shape::Wire(Wire { diameter: a, length: b }),
        "box" => Shape::Box(Box { length: a, width: b, height: c }),
        _ => Shape::HexBar(HexBar { flats: a, length: b, ends }),
    }
}

impl fmt::Display for Shape {
    /// The short form, exact.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.write(f, &Length::exact, &Area::exact)
    }
}

impl Shape {
    /// The short form with rounded measures, for people.
    pub fn describe(&self, units: crate::quantity::Units) -> String {
        struct Rounded<'a>(&'a Shape, crate::quantity::Units);
        impl fmt::Display for Rounded<'_> {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.write(f, &|l| l.show(self.1), &|a| a.show(self.1))
            }
        }
        Rounded(self, units).to_string()
    }

    fn write(
        &self,
        f: &mut fmt::Formatter<'_>,
        length: &dyn Fn(Length) -> String,
        area: &dyn Fn(Area) -> String,
    ) -> fmt::Result {
        write!(f, "{} ", self.name())?;
        if let Shape::Area(given) = self {
            return f.write_str(&area(*given));
        }
        let measures: Vec<_> = self.measures().into_iter().map(|(_, l)| length(l)).collect();
        f.write_str(&measures.join(" x "))?;
        if let Shape::Mesh(mesh) = self {
            return write!(f, ", {} triangles", mesh.triangles);
        }
        let (walls, ends, base, one) = match self {
            Shape::Plate(Plate { faces, .. })
            | Shape::Disc(Disc { faces, .. })
            | Shape::Washer(Washer { faces, .. }) => ("", true, true, *faces == Faces::One),
            Shape::Cylinder(Cylinder { ends, .. }) | Shape::HexBar(HexBar { ends, .. }) => {
                ("", *ends, true, false)
            }
            Shape::Tube(Tube { walls, ends, .. }) => match walls {
                Walls::Both => ("", *ends, true, false),
                Walls::Outside => (" outside", *ends, true, false),
                Walls::Inside => (" inside", *ends, true, false),
            },
            Shape::Cone(Cone { base, .. }) => ("", true, *base, false),
            _ => ("", true, true, false),
        };
        f.write_str(walls)?;
        f.write_str(if one { " one" } else { "" })?;
        f.write_str(if ends { "" } else { " no-ends" })?;
        f.write_str(if base { "" } else { " no-base" })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn part(text: &str) -> Part {
        text.parse().unwrap_or_else(|e: PartError| panic!("{text}: {e}"))
    }

    #[test]
    fn every_example_in_a_message_is_taken_and_prints_back() {
        for (.., example) in ROWS {
            let shape: Shape = example.parse().unwrap_or_else(|e| panic!("{e}"));
            assert_eq!(shape.to_string(), *example);
        }
    }

    #[test]
    fn count_and_name_come_before_the_shape() {
        assert_eq!(part("6 x disc 34 mm x 1 mm").count(), 6);
        assert_eq!(part("6 disc 34mm×1mm").count(), 6);
        let cups = part("6 key cups: disc 34 mm x 1 mm");
        assert_eq!((cups.count(), cups.name()), (6, Some("key cups")));
        assert_eq!(part("area 6 in2").count(), 1);
    }

    #[test]
    fn words_say_which_surface_counts() {
        let tube = |words: &str| part(&format!("tube 15 mm x 1 mm x 30 mm {words}")).shape().counted();
        assert_eq!(tube(""), "outside, inside and ends");
        assert_eq!(tube("outside"), "outside and ends, not the inside");
        assert_eq!(tube("inside only, no ends"), "inside only");
        assert_eq!(tube("both"), "outside, inside and ends");
        assert_eq!(part("disc 34 mm x 1 mm one face").shape().counted(), "one face only, no edges");
        assert_eq!(part("cone 6 mm x 4 mm no base").shape().counted(), "side only, no base");
    }

    #[test]
    fn what_is_wrong_is_said_in_one_line_with_the_way_to_write_it() {
        for (text, says) in [
            ("", "\"\" is no shape; write one of plate,"),
            ("blob 3 mm", "\"blob\" is no shape; write one of plate,"),
            ("disc 34 mm", "does not have the measures of its shape; write it as \"disc 34 mm x 1 mm one\""),
            ("disc 34 x 1 mm", "diameter: \"34 \" has no unit; write a number and one of mm,"),
            ("disc 34 mm x 1 A", "thickness: \" 1 A\" is a current, not a length"),
            ("sphere 3 mm inside", "\"inside\" does not go with this shape; write it as \"sphere 10 mm\""),
            ("washer 10 mm x 12 mm x 1 mm", "leaves no metal inside an outer diameter of 10 mm"),
            ("0 disc 34 mm x 1 mm", "a count of 0 cannot be; write 1 to 100000"),
            ("99999999999 disc 34 mm x 1 mm", "a count of 99999999999 cannot be"),
            ("area 6", "area: \"6\" has no unit; write a number and one of dm2, cm2, ft2, in2"),
        ] {
            let said = text.parse::<Part>().unwrap_err().to_string();
            assert!(said.contains(says), "{text}: {said}");
            assert!(!said.contains('\n'), "{said}");
        }
    }

    proptest! {
        #[test]
        fn no_text_makes_it_panic(text in prop_oneof![
            any::<String>(),
            "[0-9]{0,3} ?[a-z]{0,4}:? ?(disc|tube|cone|area|plate) [-0-9.]{0,4} ?m{0,2} ?x? ?[0-9]{0,3} ?mm[ a-z]{0,9}",
        ]) {
            let _ = text.parse::<Part>().map_err(|e| e.to_string());
        }
    }
}

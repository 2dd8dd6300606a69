//! Standards: classes as minimum thickness, and what else they ask to be checked.
//!
//! "Minimum" in all of them is the least on significant surfaces, not the mean.

use crate::quantity::{Length, nearest};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;
use std::str::FromStr;

/// One class of one standard.
#[derive(Debug)]
struct Class {
    /// Index of its standard in [`SPECS`].
    spec: &'static Spec,
    /// As written after the title: `class 25`.
    label: &'static str,
    /// The label without its words: `25`, `1A`.
    key: &'static str,
    /// Least thickness on significant surfaces, µm.
    minimum_um: f64,
    /// Whether the figure is from memory: to be checked against the standard before anybody relies on it.
    from_memory: bool,
    source: &'static str,
}

/// A standard.
#[derive(Debug)]
struct Spec {
    title: &'static str,
    /// The metal's symbol.
    metal: &'static str,
    example: &'static str,
    checks: &'static [&'static str],
}

const MEASURE: &str = "Minimum means the thinnest significant place: measure there (ASTM B487, B504, B568, \
     B499). Charge gives a mean.";
const SAMPLE: &str = "Agree on significant surfaces, sample (ASTM B602) and edition.";
const STEEL: &str = "Steel from 1000 MPa: stress relief before, bake after (205 °C, 8-24 h).";

static B689: Spec = Spec {
    title: "ASTM B689",
    metal: "Ni",
    example: "ASTM B689 class 25",
    checks: &[
        MEASURE,
        "Say the type: 1 plain, 2 with sulfur, 3 with particles. The 2018 edition may be withdrawn.",
        SAMPLE,
        STEEL,
    ],
};
static B488: Spec = Spec {
    title: "ASTM B488",
    metal: "Au",
    example: "ASTM B488 1.25",
    checks: &[
        MEASURE,
        "Nickel under the gold on copper alloys for every class but 5.0; at least 1.25 µm (the figure from memory).",
        "Say the type (purity) and the code (hardness). A gold strike is advised.",
        "The method must be good to 10 %. Hard gold is lighter than pure gold: X-ray and coulometric readings come out thin.",
        SAMPLE,
    ],
};
static MIL45204: Spec = Spec {
    title: "MIL-DTL-45204",
    metal: "Au",
    example: "MIL-DTL-45204 class 1",
    checks: &[
        MEASURE,
        "No silver under the gold. On a copper-rich base nickel goes between, against diffusion.",
        "Say the type (purity) and the grade (hardness).",
        SAMPLE,
        STEEL,
    ],
};
static QQN290: Spec = Spec {
    title: "QQ-N-290A",
    metal: "Ni",
    example: "QQ-N-290A class 1 grade C",
    checks: &[
        MEASURE,
        "Usual on copper alloys: grades A to D; on steel and zinc: A to C (a summary of a later revision).",
        SAMPLE,
        STEEL,
    ],
};
static B734: Spec = Spec {
    title: "ASTM B734",
    metal: "Cu",
    example: "ASTM B734 class 12",
    checks: &[MEASURE, "Say what the copper is for: stop-off, underplate, shielding.", SAMPLE, STEEL],
};
static B633: Spec = Spec {
    title: "ASTM B633",
    metal: "Zn",
    example: "ASTM B633 SC 2",
    checks: &[MEASURE, "Say the type: the conversion coat over the zinc, or none.", SAMPLE, STEEL],
};

static SPECS: &[&Spec] = &[&B689, &B488, &MIL45204, &QQN290, &B734, &B633];

/// Standards that a sheet may name although they set no thickness by class here.
const OTHERS: &[&str] = &[
    "ASTM B456", // nickel and chromium: by service condition, agreed with the buyer
    "ISO 1456",
    "ISO 4526",
    "ISO 27874",
    "ASTM B700", // silver: the buyer sets the thickness
    "ISO 4521",
    "ASTM B322", // guides to preparation
    "ASTM B281",
    "ASTM B254",
    "ASTM B343",
    "ASTM B849",
    "ASTM B850",
    "ASTM B242",
    "ASTM B252",
];

const fn class(
    spec: &'static Spec,
    label: &'static str,
    key: &'static str,
    minimum_um: f64,
    source: &'static str,
    from_memory: bool,
) -> Class {
    Class { spec, label, key, minimum_um, from_memory, source }
}

const BY_NAME: &str =
    "ASTM B488, excerpts: the class is the least thickness in µm; which classes there are, from memory";
const MIL: &str = "two public summaries of MIL-DTL-45204";
const QQN: &str = "public copy of QQ-N-290A";
const ZINC: &str = "a plating shop's public data sheet on ASTM B633";
const MEMORY: &str = "from memory";
/// One mil and one microinch in µm.
const MIL_UM: f64 = 25.4;
const UIN: f64 = 0.0254;

static CLASSES: &[Class] = &[
    class(&B689, "class 5", "5", 5.0, MEMORY, true),
    class(&B689, "class 25", "25", 25.0, MEMORY, true),
    class(&B689, "class 50", "50", 50.0, MEMORY, true),
    class(&B689, "class 100", "100", 100.0, MEMORY, true),
    class(&B689, "class 125", "125", 125.0, MEMORY, true),
    class(&B689, "class 200", "200", 200.0, MEMORY, true),
    class(&B488, "class 0.25", "0.25", 0.25, BY_NAME, true),
    class(&B488, "class 0.5", "0.5", 0.5, BY_NAME, true),
    class(&B488, "class 0.75", "0.75", 0.75, BY_NAME, true),
    class(&B488, "class 1.0", "1.0", 1.0, BY_NAME, true),
    class(&B488, "class 1.25", "1.25", 1.25, BY_NAME, true),
    class(&B488, "class 2.5", "2.5", 2.5, BY_NAME, true),
    class(&B488, "class 5.0", "5.0", 5.0, BY_NAME, true),
    class(&MIL45204, "class 00", "00", 20.0 * UIN, MIL, false),
    class(&MIL45204, "class 0", "0", 30.0 * UIN, MIL, false),
    class(&MIL45204, "class 1", "1", 50.0 * UIN, MIL, false),
    class(&MIL45204, "class 2", "2", 100.0 * UIN, MIL, false),
    class(&MIL45204, "class 3", "3", 200.0 * UIN, MIL, false),
    class(&MIL45204, "class 4", "4", 300.0 * UIN, MIL, false),
    class(&MIL45204, "class 5", "5", 500.0 * UIN, MIL, false),
    class(&MIL45204, "class 6", "6", 1500.0 * UIN, MIL, false),
    class(&QQN290, "class 1 grade A", "1A", 1.6 * MIL_UM, QQN, false),
    class(&QQN290, "class 1 grade B", "1B", 1.2 * MIL_UM, QQN, false),
    class(&QQN290, "class 1 grade C", "1C", 1.0 * MIL_UM, QQN, false),
    class(&QQN290, "class 1 grade D", "1D", 0.8 * MIL_UM, QQN, false),
    class(&QQN290, "class 1 grade E", "1E", 0.6 * MIL_UM, QQN, false),
    class(&QQN290, "class 1 grade F", "1F", 0.4 * MIL_UM, QQN, false),
    class(&QQN290, "class 1 grade G", "1G", 0.2 * MIL_UM, QQN, false),
    class(&B734, "class 25", "25", 25.0, MEMORY, true),
    class(&B734, "class 20", "20", 20.0, MEMORY, true),
    class(&B734, "class 12", "12", 12.0, MEMORY, true),
    class(&B734, "class 5", "5", 5.0, MEMORY, true),
    class(&B633, "SC 1", "1", 5.0, ZINC, false),
    class(&B633, "SC 2", "2", 8.0, ZINC, false),
    class(&B633, "SC 3", "3", 12.0, ZINC, false),
    class(&B633, "SC 4", "4", 25.0, ZINC, false),
];

/// A class of a standard as target: `ASTM B689 class 25`.
#[derive(Clone, Copy, Debug)]
pub struct Standard(&'static Class);

impl PartialEq for Standard {
    fn eq(&self, other: &Standard) -> bool {
        std::ptr::eq(self.0, other.0)
    }
}

impl Standard {
    /// Every class that is known.
    pub fn all() -> impl Iterator<Item = Standard> {
        CLASSES.iter().map(Standard)
    }

    /// The title: `ASTM B689`.
    pub fn title(self) -> &'static str {
        self.0.spec.title
    }

    /// The symbol of the metal it is about.
    pub fn metal(self) -> &'static str {
        self.0.spec.metal
    }

    /// Least thickness on significant surfaces.
    pub fn minimum(self) -> Length {
        // Divided, so that 5.0 is the same as "5 um" read from a file.
        Length::new(self.0.minimum_um / 1e6)
    }

    /// Whether that figure is from memory; then check it against the standard's own text.
    pub fn from_memory(self) -> bool {
        self.0.from_memory
    }

    /// What the figure rests on.
    pub fn source(self) -> &'static str {
        self.0.source
    }

    /// What else has to be agreed, done and measured, a sentence each.
    pub fn checks(self) -> &'static [&'static str] {
        self.0.spec.checks
    }

    /// The titles that a sheet may name.
    pub fn titles() -> impl Iterator<Item = &'static str> {
        SPECS.iter().map(|s| s.title).chain(OTHERS.iter().copied())
    }
}

impl fmt::Display for Standard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.0.spec.title, self.0.label)
    }
}

/// Why a text names no class that we know.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum StandardError {
    /// No such standard.
    Title(String),
    /// The standard is known, the class is not.
    Class {
        /// What was written.
        text: String,
        /// Its title.
        title: &'static str,
    },
}

impl StandardError {
    /// What is wrong.
    pub fn wrong(&self) -> String {
        match self {
            StandardError::Title(text) => {
                format!("{text:?} names no standard with classes that is known here")
            }
            StandardError::Class { text, title } => {
                format!("{text:?} names no class of {title} that is known here")
            }
        }
    }

    /// What would be right.
    pub fn remedy(&self) -> String {
        match self {
            StandardError::Title(text) => {
                let near = nearest(text, SPECS.iter().map(|s| s.example));
                let examples: Vec<_> = SPECS.iter().map(|s| format!("{:?}", s.example)).collect();
                match near {
                    Some(near) => format!("did you mean {near:?}?"),
                    None => format!("write one such as {}, or a minimum thickness", examples.join(", ")),
                }
            }
            StandardError::Class { title, .. } => {
                let classes: Vec<_> =
                    CLASSES.iter().filter(|c| c.spec.title == *title).map(|c| c.label).collect();
                format!("write {title} and one of {}; or a minimum thickness", classes.join(", "))
            }
        }
    }
}

impl fmt::Display for StandardError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.wrong(), self.remedy())
    }
}

impl std::error::Error for StandardError {}

/// Capital letters, without spaces and hyphens.
fn bare(text: &str) -> String {
    text.chars().filter(|c| !c.is_whitespace() && *c != '-' && *c != ',').collect::<String>().to_uppercase()
}

impl FromStr for Standard {
    type Err = StandardError;

    /// `ASTM B488 1.25`, `ASTM B488 class 1.25`, `QQ-N-290A class 1 grade C`, `ASTM B633 SC 2`.
    fn from_str(text: &str) -> Result<Standard, StandardError> {
        let written = bare(text);
        let spec = SPECS.iter().find(|s| written.starts_with(&bare(s.title)));
        let spec = *spec.ok_or_else(|| StandardError::Title(text.trim().into()))?;
        let mut key = written[bare(spec.title).len()..].to_owned();
        for word in ["CLASS", "GRADE", "SC"] {
            key = key.replace(word, "");
        }
        let same = |class: &&Class| {
            // 1.0 is 1 and 0.50 is 0.5, but class 00 is not class 0.
            let number = |s: &str| s.parse::<f64>().ok().filter(|_| !s.starts_with("00"));
            class.key == key || (number(class.key).is_some() && number(class.key) == number(&key))
        };
        let found = CLASSES.iter().filter(|c| std::ptr::eq(c.spec, spec)).find(same);
        found
            .map(Standard)
            .ok_or_else(|| StandardError::Class { text: text.trim().into(), title: spec.title })
    }
}

impl Serialize for Standard {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Standard {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Standard, D::Error> {
        String::deserialize(d)?.parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn um(text: &str, um: f64) {
        let got = text.parse::<Standard>().unwrap().minimum().get() * 1e6;
        assert!((got - um).abs() < 0.05, "{text}: {got} is not {um}");
    }

    // MIL-DTL-45204: two public summaries give 0.51, 0.76, 1.27, 2.54, 5.08, 7.62, 12.7, 38.1 µm.
    #[test]
    fn gold_classes_are_those_of_the_summaries() {
        for (class, want) in [
            ("00", 0.51),
            ("0", 0.76),
            ("1", 1.27),
            ("2", 2.54),
            ("3", 5.08),
            ("4", 7.62),
            ("5", 12.7),
            ("6", 38.1),
        ] {
            um(&format!("MIL-DTL-45204 class {class}"), want);
        }
    }

    // QQ-N-290A, public copy: 40.6, 30.5, 25.4, 20.3, 15.2, 10.2, 5.1 µm.
    #[test]
    fn nickel_grades_are_those_of_the_public_copy() {
        for (grade, want) in "ABCDEFG".chars().zip([40.6, 30.5, 25.4, 20.3, 15.2, 10.2, 5.1]) {
            um(&format!("QQ-N-290A class 1 grade {grade}"), want);
        }
    }

    // ASTM B633: a plating shop's data sheet: SC4 25, SC3 12, SC2 8, SC1 5 µm.
    // ASTM B488: the class is the minimum in µm (excerpts).
    #[test]
    fn zinc_and_gold_classes_are_the_published_figures() {
        for (sc, want) in [(4, 25.0), (3, 12.0), (2, 8.0), (1, 5.0)] {
            um(&format!("ASTM B633 SC {sc}"), want);
        }
        um("ASTM B488 1.25", 1.25);
        um("astm b488 class 0.50", 0.5);
        um("ASTM B488 1", 1.0);
        um("ASTM B689 class 25", 25.0);
    }

    #[test]
    fn figures_from_memory_are_marked_and_no_others() {
        for standard in Standard::all() {
            assert_eq!(standard.from_memory(), standard.source().contains("memory"), "{standard}");
            assert_eq!(standard.to_string().parse::<Standard>().unwrap(), standard, "{standard}");
            assert!(standard.checks().iter().any(|c| c.starts_with("Minimum means")), "{standard}");
        }
    }

    #[test]
    fn what_is_no_class_is_refused_with_the_classes_there_are() {
        let said = "ASTM B689 class 30".parse::<Standard>().unwrap_err().to_string();
        assert!(said.contains("one of class 5, class 25, class 50"), "{said}");
        let said = "DIN 1".parse::<Standard>().unwrap_err().to_string();
        assert!(said.contains("write one such as \"ASTM B689 class 25\""), "{said}");
        assert!("MIL-DTL-45204 class 000".parse::<Standard>().is_err());
        assert!("ASTM B488".parse::<Standard>().is_err());
    }
}

//! Why something cannot be a part.

use crate::quantity::QuantityError;
use std::fmt;

/// Why a description is no part. Each is one line that says how to mend it.
#[derive(Clone, Debug, PartialEq)]
pub enum PartError {
    /// A measure is zero, negative, or far from anything that hangs in a bench tank.
    Measure {
        /// Which one, as in the files.
        what: &'static str,
        /// What it was, exact.
        value: String,
        /// What would do: "between 1 um and 10 m".
        range: &'static str,
    },
    /// The hole is as large as the part, or larger.
    Hole {
        /// Which measure makes the hole.
        what: &'static str,
        /// Its size.
        value: String,
        /// The outside diameter.
        outside: String,
        /// What it must be less than.
        most: String,
    },
    /// No shape and no area.
    NoShape,
    /// More than one shape.
    TwoShapes(Vec<&'static str>),
    /// The short form starts with no shape that we know.
    UnknownShape(String),
    /// The short form has too many or too few measures.
    Measures {
        /// What was written.
        text: String,
        /// How it is written.
        example: &'static str,
    },
    /// A word at the end that does not go with this shape.
    Word {
        /// The word.
        word: String,
        /// How the shape is written.
        example: &'static str,
    },
    /// A measure that is no length or area.
    Quantity {
        /// Which one.
        what: &'static str,
        /// Why.
        why: QuantityError,
    },
    /// A count of none, or more than can hang.
    Count(String),
    /// An edge factor below 1 or above 20.
    EdgeFactor(f64),
    /// A ratio of mean to thinnest below 1 or above 20.
    MeanOverMinimum(f64),
    /// A rack allowance below nothing, or more than twenty times the parts.
    Rack(String),
    /// A load of nothing.
    NoParts,
}

/// The shapes, for messages.
pub(super) const SHAPES: &str =
    "plate, disc, washer, cylinder, tube, ring, sphere, cone, wire, box, hex-bar, mesh or area";

impl fmt::Display for PartError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            PartError::Measure { what, value, range } => {
                write!(f, "{what} = {value} cannot be; write one {range}")
            }
            PartError::Hole { what, value, outside, most } => {
                write!(
                    f,
                    "{what} {value} leaves no metal inside an outer diameter of {outside}; write less than {most}"
                )
            }
            PartError::NoShape => write!(f, "no shape; write one of {SHAPES}"),
            PartError::TwoShapes(names) => {
                write!(
                    f,
                    "more than one shape ({}); write one, and another part for the other",
                    names.join(", ")
                )
            }
            PartError::UnknownShape(word) => write!(f, "{word:?} is no shape; write one of {SHAPES}"),
            PartError::Measures { text, example } => {
                write!(f, "{text:?} does not have the measures of its shape; write it as {example:?}")
            }
            PartError::Word { word, example } => {
                write!(f, "{word:?} does not go with this shape; write it as {example:?}")
            }
            PartError::Quantity { what, why } => write!(f, "{what}: {why}"),
            PartError::Count(count) => write!(f, "a count of {count} cannot be; write 1 to 100000"),
            PartError::EdgeFactor(factor) => {
                write!(f, "an edge factor of {factor} cannot be; write 1 (even) to 20 (a needle's tip)")
            }
            PartError::MeanOverMinimum(ratio) => {
                write!(f, "a mean-over-minimum of {ratio} cannot be; write 1 (the same everywhere) to 20")
            }
            PartError::Rack(value) => {
                write!(
                    f,
                    "a rack allowance of {value} cannot be; write 0 % to 2000 % of the parts, or an area"
                )
            }
            PartError::NoParts => write!(f, "no parts; write at least one, as in \"6 disc 34 mm x 1 mm\""),
        }
    }
}

impl std::error::Error for PartError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            PartError::Quantity { why, .. } => Some(why),
            _ => None,
        }
    }
}

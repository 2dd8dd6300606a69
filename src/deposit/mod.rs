//! Faraday's law: charge into mass, thickness and time, and back.
//!
//! What the room is for: metals as data, the arithmetic of deposits with
//! efficiency, and molar masses of salts. What it may not know: baths, parts, supplies.
//!
//! ```
//! use tankside::deposit::{Efficiency, metal};
//! // 1 A for an hour on 1 dm2 of nickel at 95.5 %: 11.74 um.
//! let nickel = metal("Ni").unwrap();
//! let at = Efficiency::new("95.5 %".parse().unwrap()).unwrap();
//! let thickness = nickel.thickness("1 A.h".parse().unwrap(), "1 dm2".parse().unwrap(), at);
//! assert_eq!(thickness.to_string(), "11.74 µm");
//! ```

mod faraday;
mod formula;
mod metals;
mod price;
mod truth;

pub use faraday::{AVOGADRO, ELEMENTARY_CHARGE, Efficiency, EfficiencyError, FARADAY, energy};
pub use formula::{ELEMENTS, Formula, FormulaError};
pub use metals::{METALS, Metal, metal};
pub use price::{Price, PriceError};
pub use truth::{
    Measured, Method, OwnFigure, PARTS_KEPT, PARTS_NEEDED, ThicknessAt, Truth, Worked, weights_text,
};

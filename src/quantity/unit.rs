//! Units: what they are called, how big they are, who uses them.

/// What kind of thing is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Dimension {
    /// Electric potential.
    Voltage,
    /// Electric current.
    Current,
    /// Surface.
    Area,
    /// Current per surface.
    Density,
    /// Electric charge.
    Charge,
    /// Length, thickness.
    Length,
    /// Temperature.
    Temperature,
    /// Capacity.
    Volume,
    /// Mass.
    Mass,
    /// Duration.
    Time,
    /// Energy.
    Energy,
    /// Current per volume of bath.
    BathLoad,
    /// Rate of change of current.
    CurrentSlope,
    /// Rate of change of voltage.
    VoltageSlope,
    /// A share of something.
    Ratio,
    /// Mass per volume.
    Concentration,
}

impl Dimension {
    /// The word an operator would use.
    pub fn word(self) -> &'static str {
        match self {
            Dimension::Voltage => "a voltage",
            Dimension::Current => "a current",
            Dimension::Area => "an area",
            Dimension::Density => "a current density",
            Dimension::Charge => "a charge",
            Dimension::Length => "a length or thickness",
            Dimension::Temperature => "a temperature",
            Dimension::Volume => "a volume",
            Dimension::Mass => "a mass",
            Dimension::Time => "a time",
            Dimension::Energy => "an energy",
            Dimension::BathLoad => "a current per volume",
            Dimension::CurrentSlope => "a current slope",
            Dimension::VoltageSlope => "a voltage slope",
            Dimension::Ratio => "a ratio",
            Dimension::Concentration => "a concentration",
        }
    }
}

/// One unit of one dimension.
#[derive(Clone, Copy, Debug)]
pub struct Unit {
    /// As printed and as preferred in files.
    pub symbol: &'static str,
    /// Other spellings that are taken; all are compared after normalising.
    pub aliases: &'static [&'static str],
    /// How many base units one of it is.
    pub factor: f64,
    /// What is added after multiplying (temperature only).
    pub offset: f64,
}

pub(super) const fn unit(symbol: &'static str, factor: f64, aliases: &'static [&'static str]) -> Unit {
    Unit { symbol, aliases, factor, offset: 0.0 }
}

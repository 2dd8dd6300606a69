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
    /// Volume of an additive per charge.
    Dosage,
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
            Dimension::Dosage => "a dose per charge",
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

/// What parsing and printing need to know of one quantity.
#[derive(Clone, Copy, Debug)]
pub(super) struct Table {
    pub(super) dimension: Dimension,
    /// The first is the base unit.
    pub(super) units: &'static [Unit],
    /// Display units, largest first, each with the least it shows.
    pub(super) metric: &'static [(&'static str, f64)],
    pub(super) us: &'static [(&'static str, f64)],
}

impl Table {
    /// The unit of that symbol.
    pub(super) fn unit(&self, symbol: &str) -> &'static Unit {
        find_symbol(self.units, symbol)
    }

    /// Every unit in the order in which to offer them: display units, metric
    /// before US, then the others.
    pub(super) fn in_reading_order(&self) -> Vec<&'static Unit> {
        let shown = self.metric.iter().chain(self.us).map(|(symbol, _)| self.unit(symbol));
        let mut out: Vec<&'static Unit> = Vec::new();
        for unit in shown.chain(self.units) {
            if !out.iter().any(|u| u.symbol == unit.symbol) {
                out.push(unit);
            }
        }
        out
    }
}

/// The unit of that symbol.
///
/// # Panics
/// If there is none: symbols in code are literals beside their table, and a
/// test walks every display list.
pub(super) fn find_symbol(units: &'static [Unit], symbol: &str) -> &'static Unit {
    match units.iter().find(|u| u.symbol == symbol) {
        Some(unit) => unit,
        None => panic!("no unit {symbol:?} in its table"),
    }
}

impl Unit {
    /// A number of these in the base unit.
    pub(super) fn to_base(self, value: f64) -> f64 {
        // A percent is a hundredth: dividing by 100 rounds once, as the decimal
        // would (95.5 % is 0.955), multiplying by 0.01 rounds twice.
        let inverse = (1.0 / self.factor).round();
        let whole = self.factor < 1.0 && (inverse * self.factor - 1.0).abs() < 1e-15;
        let scaled = if whole { value / inverse } else { value * self.factor };
        // Adding a zero offset would turn -0 into 0 and break the round trip.
        if self.offset == 0.0 { scaled } else { scaled + self.offset }
    }

    /// A number of base units in this unit.
    pub(super) fn of_base(self, base: f64) -> f64 {
        (base - self.offset) / self.factor
    }
}

//! The quantities, one row each, and the products between them.

use super::unit::{Dimension, Table, Unit, unit};
use std::time::Duration;

/// Square metres in a square foot, exact (international foot, 0.3048 m).
pub(super) const FT2: f64 = 0.3048 * 0.3048;
/// Square metres in a square inch, exact (0.0254 m).
pub(super) const IN2: f64 = 0.0254 * 0.0254;
/// Litres in a US gallon, exact (231 cubic inches).
pub(super) const GAL: f64 = 3.785_411_784;

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $dim:ident, [$($unit:expr),+ $(,)?], metric $metric:expr, us $us:expr) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// None of it.
            pub const ZERO: $name = $name(0.0);
            /// Its dimension.
            pub const DIMENSION: Dimension = Dimension::$dim;
            /// Every unit it can be written in; the first is the base unit.
            pub const UNITS: &'static [Unit] = &[$($unit),+];
            /// The units that metric display chooses from, largest first, each with the least it shows.
            pub(super) const METRIC: &'static [(&'static str, f64)] = &$metric;
            /// The units that US display chooses from, largest first, each with the least it shows.
            pub(super) const US: &'static [(&'static str, f64)] = &$us;
            pub(super) const TABLE: Table = Table {
                dimension: Self::DIMENSION,
                units: Self::UNITS,
                metric: Self::METRIC,
                us: Self::US,
            };

            /// From a number in the base unit.
            pub const fn new(base: f64) -> Self {
                $name(base)
            }
            /// The number in the base unit.
            pub const fn get(self) -> f64 {
                self.0
            }
            /// The smaller of two.
            pub fn min(self, other: Self) -> Self {
                $name(self.0.min(other.0))
            }
            /// The larger of two.
            pub fn max(self, other: Self) -> Self {
                $name(self.0.max(other.0))
            }
            /// Without its sign.
            pub fn abs(self) -> Self {
                $name(self.0.abs())
            }
            /// Whether it is more than none.
            pub fn is_positive(self) -> bool {
                self.0 > 0.0
            }
        }
        impl std::ops::Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                $name(self.0 + other.0)
            }
        }
        impl std::ops::AddAssign for $name {
            fn add_assign(&mut self, other: Self) {
                self.0 += other.0;
            }
        }
        impl std::ops::Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                $name(self.0 - other.0)
            }
        }
        impl std::ops::Mul<f64> for $name {
            type Output = Self;
            fn mul(self, by: f64) -> Self {
                $name(self.0 * by)
            }
        }
        impl std::ops::Div<f64> for $name {
            type Output = Self;
            fn div(self, by: f64) -> Self {
                $name(self.0 / by)
            }
        }
        impl std::ops::Div for $name {
            type Output = f64;
            fn div(self, by: Self) -> f64 {
                self.0 / by.0
            }
        }
        impl std::iter::Sum for $name {
            fn sum<I: Iterator<Item = Self>>(all: I) -> Self {
                $name(all.map(|q| q.0).sum())
            }
        }
        impl std::str::FromStr for $name {
            type Err = super::QuantityError;
            fn from_str(text: &str) -> Result<Self, Self::Err> {
                super::parse::parse(text, &Self::TABLE).map($name)
            }
        }
        impl std::fmt::Display for $name {
            /// Rounded for people, metric. `{:#}` prints the exact value instead, one that parses back to it.
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                if f.alternate() {
                    f.pad(&self.exact())
                } else {
                    f.pad(&self.show(super::Units::Metric))
                }
            }
        }
        impl $name {
            /// Rounded for people, in the units they read.
            pub fn show(self, units: super::Units) -> String {
                let names = match units {
                    super::Units::Metric => Self::METRIC,
                    super::Units::Us => Self::US,
                };
                super::print::human(self.0, &Self::TABLE, names)
            }
            /// Rounded for people, in the unit of that symbol ("ft2": `0.05 ft²`).
            ///
            /// # Panics
            /// If the symbol is none of [`Self::UNITS`]: a slip in our code, never in input.
            pub fn show_in(self, symbol: &str) -> String {
                super::print::human_in(self.0, Self::UNITS, symbol)
            }
            /// Exact: parsing it gives the same bits. In the display unit, metric
            /// or US, in which it is shortest; else in the base unit.
            pub fn exact(self) -> String {
                super::print::exact(self.0, &Self::TABLE)
            }
        }
        impl super::document::Quantity for $name {
            const WANTED: Dimension = Dimension::$dim;
        }
        impl serde::Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
                s.serialize_str(&self.exact())
            }
        }
        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                super::parse::deserialize(d, &Self::TABLE).map($name)
            }
        }
    };
}

quantity!(
    /// Volts.
    Volts, Voltage,
    [unit("V", 1.0, &["volt", "volts"]), unit("mV", 1e-3, &["millivolt", "millivolts"])],
    metric [("V", 0.0)], us [("V", 0.0)]
);
quantity!(
    /// Amperes.
    Amps, Current,
    [unit("A", 1.0, &["amp", "amps", "ampere", "amperes"]), unit("mA", 1e-3, &["milliamp", "milliamps"])],
    metric [("A", 0.1), ("mA", 0.0)], us [("A", 0.1), ("mA", 0.0)]
);
quantity!(
    /// Square metres.
    Area, Area,
    [
        unit("m2", 1.0, &["sqm", "squaremetre", "squaremetres", "squaremeter", "squaremeters"]),
        unit("dm2", 1e-2, &["sqdm"]),
        unit("cm2", 1e-4, &["sqcm"]),
        unit("mm2", 1e-6, &["sqmm"]),
        unit("in2", IN2, &["sqin", "sq.in", "insq", "in.sq", "sqinch", "sqinches", "squareinch", "squareinches", "squarein"]),
        unit("ft2", FT2, &["sqft", "sq.ft", "ftsq", "ft.sq", "squarefoot", "squarefeet", "squareft"]),
    ],
    metric [("dm2", 0.1), ("cm2", 0.0)], us [("ft2", 1.0), ("in2", 0.0)]
);
quantity!(
    /// Amperes per square metre.
    Density, Density,
    [
        unit("A/m2", 1.0, &["a/m2", "A/sqm"]),
        unit("A/dm2", 1e2, &["asd", "a/dm2", "A/sqdm", "amps/dm2", "amperes/dm2"]),
        unit("A/cm2", 1e4, &["a/cm2", "A/sqcm"]),
        unit("mA/cm2", 10.0, &["mA/sqcm"]),
        unit("A/in2", 1.0 / IN2, &["asi", "a/in2", "a/sqin", "a/sq.in", "amps/in2", "amps/sqin", "amps/squareinch"]),
        unit(
            "A/ft2",
            1.0 / FT2,
            &["asf", "a/ft2", "a/sqft", "a/sq.ft", "amps/ft2", "amps/sqft", "amps/squarefoot", "amperes/squarefoot"],
        ),
    ],
    metric [("A/dm2", 0.0)], us [("A/ft2", 0.0)]
);
quantity!(
    /// Coulombs.
    Charge, Charge,
    [
        unit("C", 1.0, &["coulomb", "coulombs", "As", "A.s"]),
        unit("A.min", 60.0, &["Amin", "amin", "a.min", "amp.min", "ampmin", "amp-min", "A-min", "amp-minutes", "ampminutes", "ampere-minutes", "ampereminutes"]),
        unit("A.h", 3600.0, &["Ah", "ah", "A.hr", "Ahr", "amp.h", "amp.hr", "amph", "amphr", "amp-h", "amp-hr", "A-h", "A-hr", "amp-hour", "amp-hours", "amphours", "ampere-hours", "amperehours"]),
        unit("mA.h", 3.6, &["mAh", "mA-h"]),
        unit("kA.h", 3.6e6, &["kAh", "kA-h"]),
    ],
    metric [("A.h", 1.0), ("A.min", 0.0)], us [("A.h", 1.0), ("A.min", 0.0)]
);
quantity!(
    /// Metres: of a part, of a deposit.
    Length, Length,
    [
        unit("m", 1.0, &["metre", "meter", "metres", "meters"]),
        unit("cm", 1e-2, &[]),
        unit("mm", 1e-3, &[]),
        unit("um", 1e-6, &["micron", "microns", "micrometre", "micrometer", "micrometres", "micrometers"]),
        unit("nm", 1e-9, &[]),
        unit("in", 0.0254, &["inch", "inches", "\""]),
        unit("ft", 0.3048, &["foot", "feet"]),
        unit("mil", 25.4e-6, &["mils", "thou"]),
        unit("uin", 0.0254e-6, &["microinch", "microinches", "uinch", "uinches", "u\""]),
    ],
    metric [("mm", 0.1), ("um", 0.0)], us [("in", 0.01), ("uin", 0.0)]
);
quantity!(
    /// Degrees Celsius.
    Temperature, Temperature,
    [
        unit("degC", 1.0, &["C", "degc", "degreesc", "celsius", "degreescelsius"]),
        Unit { symbol: "degF", aliases: &["F", "degf", "degreesf", "fahrenheit", "degreesfahrenheit"], factor: 5.0 / 9.0, offset: -160.0 / 9.0 },
        Unit { symbol: "K", aliases: &["kelvin"], factor: 1.0, offset: -273.15 },
    ],
    metric [("degC", 0.0)], us [("degF", 0.0)]
);
quantity!(
    /// Litres.
    Volume, Volume,
    [
        unit("L", 1.0, &["l", "litre", "liter", "litres", "liters", "dm3"]),
        unit("mL", 1e-3, &["ml", "cm3"]),
        unit("m3", 1e3, &[]),
        unit("gal", GAL, &["gallon", "gallons", "usgal", "usgallons"]),
    ],
    metric [("L", 1.0), ("mL", 0.0)], us [("gal", 0.0)]
);
quantity!(
    /// Grams.
    Mass, Mass,
    [
        unit("g", 1.0, &["gram", "grams"]),
        unit("mg", 1e-3, &[]),
        unit("kg", 1e3, &[]),
        unit("oz", 28.349_523_125, &["ounce", "ounces"]),
        unit("lb", 453.592_37, &["lbs", "pound", "pounds"]),
    ],
    metric [("kg", 1.0), ("g", 1.0), ("mg", 0.0)], us [("lb", 1.0), ("oz", 0.0)]
);
quantity!(
    /// Seconds: a length of time as people write it. The core counts in [`Duration`].
    Span, Time,
    [
        unit("s", 1.0, &["sec", "secs", "second", "seconds"]),
        unit("ms", 1e-3, &["millisecond", "milliseconds"]),
        unit("min", 60.0, &["mins", "minute", "minutes"]),
        unit("h", 3600.0, &["hr", "hrs", "hour", "hours"]),
        unit("d", 86400.0, &["day", "days"]),
    ],
    metric [("h", 1.0), ("min", 1.0), ("s", 0.0)], us [("h", 1.0), ("min", 1.0), ("s", 0.0)]
);
quantity!(
    /// Joules.
    Energy, Energy,
    [unit("J", 1.0, &["joule", "joules"]), unit("Wh", 3600.0, &["W.h"]), unit("kWh", 3.6e6, &["kW.h"])],
    metric [("kWh", 1.0), ("Wh", 1.0), ("J", 0.0)], us [("kWh", 1.0), ("Wh", 1.0), ("J", 0.0)]
);
quantity!(
    /// Amperes per litre of bath.
    BathLoad, BathLoad,
    [unit("A/L", 1.0, &["A/l"]), unit("A/gal", 1.0 / GAL, &[])],
    metric [("A/L", 0.0)], us [("A/gal", 0.0)]
);
quantity!(
    /// Litres per coulomb: how much of an additive the worked charge asks for.
    Dosage, Dosage,
    [
        unit("L/C", 1.0, &[]),
        unit("mL/kA.h", 1e-3 / 3.6e6, &["ml/kA.h", "mL/kAh", "ml/kAh", "mL/kA-h"]),
        unit("L/kA.h", 1.0 / 3.6e6, &["l/kA.h", "L/kAh", "l/kAh"]),
        unit("mL/A.h", 1e-3 / 3600.0, &["ml/A.h", "mL/Ah", "ml/Ah"]),
    ],
    metric [("mL/kA.h", 0.0)], us [("mL/kA.h", 0.0)]
);
quantity!(
    /// Amperes per second: how steeply a ramp may rise in current control.
    CurrentSlope, CurrentSlope,
    [unit("A/s", 1.0, &[]), unit("mA/s", 1e-3, &[]), unit("A/min", 1.0 / 60.0, &[])],
    metric [("A/s", 0.01), ("mA/s", 0.0)], us [("A/s", 0.01), ("mA/s", 0.0)]
);
quantity!(
    /// Volts per second: how steeply a ramp may rise in voltage control.
    VoltageSlope, VoltageSlope,
    [unit("V/s", 1.0, &[]), unit("mV/s", 1e-3, &[]), unit("V/min", 1.0 / 60.0, &[])],
    metric [("V/s", 0.01), ("mV/s", 0.0)], us [("V/s", 0.01), ("mV/s", 0.0)]
);
quantity!(
    /// A share: 1 is the whole.
    Ratio, Ratio,
    [unit("1", 1.0, &[]), unit("%", 1e-2, &["percent"])],
    metric [("%", 0.0)], us [("%", 0.0)]
);
quantity!(
    /// Grams per litre.
    Concentration, Concentration,
    [unit("g/L", 1.0, &["g/l"]), unit("mg/L", 1e-3, &["mg/l", "ppm"]), unit("oz/gal", 28.349_523_125 / GAL, &[])],
    metric [("g/L", 1.0), ("mg/L", 0.0)], us [("oz/gal", 0.0)]
);

/// Every table, so that a unit in the wrong place is named for what it is.
pub(super) const ALL: &[Table] = &[
    Volts::TABLE,
    Amps::TABLE,
    Area::TABLE,
    Density::TABLE,
    Charge::TABLE,
    Length::TABLE,
    Temperature::TABLE,
    Volume::TABLE,
    Mass::TABLE,
    Span::TABLE,
    Energy::TABLE,
    BathLoad::TABLE,
    Dosage::TABLE,
    CurrentSlope::TABLE,
    VoltageSlope::TABLE,
    Ratio::TABLE,
    Concentration::TABLE,
];

macro_rules! product {
    ($a:ident * $b:ident = $c:ident) => {
        impl std::ops::Mul<$b> for $a {
            type Output = $c;
            fn mul(self, other: $b) -> $c {
                $c::new(self.get() * other.get())
            }
        }
        impl std::ops::Mul<$a> for $b {
            type Output = $c;
            fn mul(self, other: $a) -> $c {
                $c::new(self.get() * other.get())
            }
        }
        impl std::ops::Div<$a> for $c {
            type Output = $b;
            fn div(self, other: $a) -> $b {
                $b::new(self.get() / other.get())
            }
        }
        impl std::ops::Div<$b> for $c {
            type Output = $a;
            fn div(self, other: $b) -> $a {
                $a::new(self.get() / other.get())
            }
        }
    };
}

product!(Density * Area = Amps);
product!(Amps * Span = Charge);
product!(Volts * Charge = Energy);
product!(CurrentSlope * Span = Amps);
product!(VoltageSlope * Span = Volts);
product!(BathLoad * Volume = Amps);
product!(Dosage * Charge = Volume);
product!(Concentration * Volume = Mass);

impl Span {
    /// As a [`Duration`]; negative or absurd spans become the nearest possible one.
    pub fn duration(self) -> Duration {
        Duration::try_from_secs_f64(self.0.max(0.0)).unwrap_or(Duration::MAX)
    }
}

impl From<Duration> for Span {
    fn from(d: Duration) -> Span {
        Span(d.as_secs_f64())
    }
}

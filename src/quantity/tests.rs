//! What a plater may write, what is refused and how, and that nothing is lost between print and parse.

use super::types::ALL;
use super::*;
use proptest::prelude::*;

fn amps(text: &str) -> Result<Amps, QuantityError> {
    text.parse()
}

#[track_caller]
fn same(text: &str, got: f64, want: f64) {
    assert!((got - want).abs() <= want.abs() * 1e-12, "{text}: {got} is not {want}");
}

#[test]
fn the_ways_platers_write_them_are_taken() {
    for (text, want) in [
        ("40 ASF", 40.0 / 0.092_903_04),
        ("40 asf", 40.0 / 0.092_903_04),
        ("40 Asf", 40.0 / 0.092_903_04),
        ("40 A/ft²", 40.0 / 0.092_903_04),
        ("40 A/ft^2", 40.0 / 0.092_903_04),
        ("40 A/sq ft", 40.0 / 0.092_903_04),
        ("40 amps per square foot", 40.0 / 0.092_903_04),
        ("4 A/dm2", 400.0),
        ("4A/dm²", 400.0),
        ("4 ASD", 400.0),
        ("4 a/dm2", 400.0),
        ("1 A/in2", 1.0 / 0.000_645_16),
        ("400 A/m2", 400.0),
        ("40 mA/cm2", 400.0),
    ] {
        same(text, text.parse::<Density>().unwrap_or_else(|e| panic!("{e}")).get(), want);
    }
    for (text, want) in [
        ("6 in2", 6.0 * 0.000_645_16),
        ("6 sq in", 6.0 * 0.000_645_16),
        ("6 sq. in.", 6.0 * 0.000_645_16),
        ("6 Square Inches", 6.0 * 0.000_645_16),
        ("1 ft²", 0.092_903_04),
        ("1 sq ft", 0.092_903_04),
        ("0.5 dm2", 0.005),
        ("50 cm²", 0.005),
        ("1 m2", 1.0),
    ] {
        same(text, text.parse::<Area>().unwrap_or_else(|e| panic!("{e}")).get(), want);
    }
    for (text, want) in [
        ("2.5 µm", 2.5e-6),
        ("2.5 μm", 2.5e-6),
        ("2.5um", 2.5e-6),
        ("2.5 microns", 2.5e-6),
        ("100 µin", 2.54e-6),
        ("100 uin", 2.54e-6),
        ("100 microinches", 2.54e-6),
        ("1 mil", 25.4e-6),
        ("1 thou", 25.4e-6),
        ("34 mm", 0.034),
        ("1/2 in", 0.0127),
        ("1 1/2 in", 0.0381),
        ("1 1/2\"", 0.0381),
        (".5 in", 0.0127),
        ("-1 1/2 in", -0.0381),
    ] {
        same(text, text.parse::<Length>().unwrap_or_else(|e| panic!("{e}")).get(), want);
    }
    for (text, want) in [("10 A·min", 600.0), ("10 A.min", 600.0), ("10 Amin", 600.0), ("10 A min", 600.0)] {
        same(text, text.parse::<Charge>().unwrap().get(), want);
    }
    for (text, want) in
        [("1.5 A.h", 5400.0), ("1.5 Ah", 5400.0), ("1.5 amp-hours", 5400.0), ("5400 C", 5400.0)]
    {
        same(text, text.parse::<Charge>().unwrap().get(), want);
    }
    for text in ["138 °F", "138F", "138 degF", "138 deg F", "138 ºF"] {
        let t: Temperature = text.parse().unwrap();
        assert!((t.get() - 58.888_888_888_888_9).abs() < 1e-9, "{text}: {t:#}");
    }
    for (text, want) in
        [("55 °C", 55.0), ("55 C", 55.0), ("55 degC", 55.0), ("\u{2212}5 °C", -5.0), ("328.15 K", 55.0)]
    {
        assert!((text.parse::<Temperature>().unwrap().get() - want).abs() < 1e-9, "{text}");
    }
    for (text, want) in [
        ("2 min 30 s", 150.0),
        ("2min30s", 150.0),
        ("1 h 5 min", 3900.0),
        ("90 s", 90.0),
        ("2.5 minutes", 150.0),
        ("1 hr", 3600.0),
        ("1/2 h", 1800.0),
    ] {
        same(text, text.parse::<Span>().unwrap_or_else(|e| panic!("{e}")).get(), want);
    }
    same("20 L", "20 L".parse::<Volume>().unwrap().get(), 20.0);
    same("5 gal", "5 gal".parse::<Volume>().unwrap().get(), 18.927_058_92);
    same("1 g", "1 g".parse::<Mass>().unwrap().get(), 1.0);
    same("95 %", "95 %".parse::<Ratio>().unwrap().get(), 0.95);
    same("250 mA", amps("250 mA").unwrap().get(), 0.25);
    same("5. A", amps("5. A").unwrap().get(), 5.0);
}

#[test]
fn milli_is_never_taken_for_mega() {
    for text in ["10 MA", "10 Ma", "10 MAh", "10 MA/s", "10 MV", "10 MG/L", "10 MA.h"] {
        assert!(text.parse::<Amps>().is_err(), "{text}");
        assert!(text.parse::<Charge>().is_err(), "{text}");
        assert!(text.parse::<CurrentSlope>().is_err(), "{text}");
        assert!(text.parse::<Volts>().is_err(), "{text}");
        assert!(text.parse::<Concentration>().is_err(), "{text}");
    }
    assert_eq!(
        amps("10 MA").unwrap_err().to_string(),
        "\"10 MA\": unit \"MA\" is not known (large and small letters matter: mA?); write a number and one of A or mA"
    );
}

#[test]
fn what_is_refused_says_what_would_fit() {
    let density = "one of A/dm2, A/ft2, A/m2, A/cm2, mA/cm2 or A/in2";
    for (text, want) in [
        ("4", format!("\"4\" has no unit; write a number and {density}")),
        ("4 A", format!("\"4 A\" is a current, not a current density; write a number and {density}")),
        ("4 furlong", format!("\"4 furlong\": unit \"furlong\" is not known; write a number and {density}")),
        ("lots", format!("\"lots\" is not a current density; write a number and {density}")),
        ("", format!("\"\" is not a current density; write a number and {density}")),
        (
            "2,5 A/dm2",
            format!(
                "\"2,5 A/dm2\" has a comma in the number; write the decimals after a point, no separators, and {density}"
            ),
        ),
    ] {
        assert_eq!(text.parse::<Density>().unwrap_err().to_string(), want);
    }
    for text in ["NaN A", "inf A", "-inf A", "1e999 A", "1e31 A", "1/0 A"] {
        assert_eq!(
            amps(text).unwrap_err().to_string(),
            format!("{text:?} is too large or not a number at all; write a number and one of A or mA")
        );
    }
    assert!("2 min 30".parse::<Span>().is_err());
    assert!("30 s 2 min".parse::<Span>().is_err(), "parts out of order are a slip");
    assert!("-2 min 30 s".parse::<Span>().is_err());
    assert_eq!(
        "4 A/dm2".parse::<Span>().unwrap_err().to_string(),
        "\"4 A/dm2\" is a current density, not a time; write a number and one of h, min, s, ms or d"
    );
}

#[test]
fn people_read_round_figures_in_their_units() {
    assert_eq!("6 in2".parse::<Area>().unwrap().show(Units::Us), "6 in²");
    assert_eq!("6 in2".parse::<Area>().unwrap().show(Units::Metric), "0.3871 dm²");
    assert_eq!("0.05 ft2".parse::<Area>().unwrap().show_in("ft2"), "0.05 ft²");
    assert_eq!("0.05 ft2".parse::<Area>().unwrap().show(Units::Us), "7.2 in²");
    assert_eq!("2 ft2".parse::<Area>().unwrap().show(Units::Us), "2 ft²");
    assert_eq!("4 A/dm2".parse::<Density>().unwrap().show(Units::Us), "37.16 A/ft²");
    assert_eq!("2.54 um".parse::<Length>().unwrap().show(Units::Us), "100 µin");
    assert_eq!("1/2 in".parse::<Length>().unwrap().show(Units::Us), "0.5 in");
    assert_eq!("0.5 mm".parse::<Length>().unwrap().to_string(), "0.5 mm");
    assert_eq!("50 um".parse::<Length>().unwrap().to_string(), "50 µm");
    assert_eq!("0.5 A".parse::<Amps>().unwrap().to_string(), "0.5 A");
    assert_eq!("100 s".parse::<Span>().unwrap().to_string(), "1 min 40 s");
    assert_eq!("59.999 s".parse::<Span>().unwrap().to_string(), "1 min");
    assert_eq!("3725 s".parse::<Span>().unwrap().to_string(), "1 h 2 min 5 s");
    assert_eq!("95.5 %".parse::<Ratio>().unwrap().to_string(), "95.5 %");
    assert_eq!("138 degF".parse::<Temperature>().unwrap().show(Units::Us), "138 °F");
    assert_eq!("10 A.min".parse::<Charge>().unwrap().to_string(), "10 A·min");
}

#[test]
fn exact_text_reads_as_it_was_written() {
    for text in ["2.5 um", "34 mm", "100 uin", "0.5 in", "10 mm"] {
        assert_eq!(format!("{:#}", text.parse::<Length>().unwrap()), text);
    }
    assert_eq!(format!("{:#}", "40 ASF".parse::<Density>().unwrap()), "40 A/ft2");
    assert_eq!(format!("{:#}", "4 A/dm2".parse::<Density>().unwrap()), "4 A/dm2");
    assert_eq!(format!("{:#}", "6 in2".parse::<Area>().unwrap()), "6 in2");
    assert_eq!(format!("{:#}", "138 degF".parse::<Temperature>().unwrap()), "138 degF");
    assert_eq!(format!("{:#}", "10 A.min".parse::<Charge>().unwrap()), "10 A.min");
    assert_eq!(format!("{:#}", "90 s".parse::<Span>().unwrap()), "90 s");
    assert_eq!(format!("{:#}", "95.5 %".parse::<Ratio>().unwrap()), "95.5 %");
}

#[test]
fn every_display_unit_is_in_its_table_and_no_spelling_means_two_things() {
    for table in ALL {
        for (symbol, _) in table.metric.iter().chain(table.us) {
            table.unit(symbol);
        }
        let mut seen = std::collections::BTreeMap::new();
        for unit in table.units {
            for spelling in unit.aliases.iter().copied().chain([unit.symbol]) {
                if let Some(other) = seen.insert(spelling, unit.symbol) {
                    panic!("{spelling} is both {other} and {}", unit.symbol);
                }
            }
        }
    }
}

#[test]
fn numbers_in_files_need_quotes_and_a_unit() {
    let bare = serde_json::from_str::<Amps>("4").unwrap_err().to_string();
    assert!(bare.contains("\"4\" has no unit; write a number and one of A or mA"), "{bare}");
    let list = serde_json::from_str::<Amps>("[4]").unwrap_err().to_string();
    assert!(list.contains("a current in quotes: a number and one of A or mA"), "{list}");
}

macro_rules! round_trips {
    ($($name:ident: $type:ident),+ $(,)?) => {
        proptest! {
            $(
                #[test]
                fn $name(
                    digits in -9_999_999i64..10_000_000,
                    power in -15i32..15,
                    bits in any::<f64>().prop_filter("in range", |v| v.abs() < 1e29),
                    unit in 0usize..100,
                ) {
                    // A value as a person writes it in any unit of the table, and any other value at all.
                    let chosen = $type::UNITS[unit % $type::UNITS.len()];
                    let written: $type = format!("{digits}e{power} {}", chosen.symbol).parse().unwrap();
                    for value in [written, $type::new(bits)] {
                        let text = format!("{value:#}");
                        let back: $type = text.parse().unwrap_or_else(|e| panic!("{e}"));
                        prop_assert_eq!(back.get().to_bits(), value.get().to_bits(), "{}", text);
                        let json = serde_json::to_string(&value).unwrap();
                        prop_assert_eq!(serde_json::from_str::<$type>(&json).unwrap().get().to_bits(), value.get().to_bits());
                    }
                    for units in [Units::Metric, Units::Us] {
                        let text = written.show(units);
                        let back: $type = text.parse().unwrap_or_else(|e| panic!("{e}"));
                        // 0.1 % of what is shown (in °F that counts from another zero); below the
// ninth decimal of a display unit nothing is.
                        let room = written.get().abs() * 1e-3 + smallest::<$type>();
                        prop_assert!((back.get() - written.get()).abs() <= room, "{} is not {:#}", text, written);
                    }
                }
            )+
        }
        $(impl Smallest for $type {
            fn smallest() -> f64 {
                [$type::METRIC, $type::US].iter().flat_map(|l| l.iter()).map(|(s, _)| $type::TABLE.unit(s)).map(|u| u.factor * 1e-9 + u.offset.abs() * 1e-3).fold(0.0, f64::max)
            }
        })+
    };
}

trait Smallest {
    fn smallest() -> f64;
}
fn smallest<Q: Smallest>() -> f64 {
    Q::smallest()
}

round_trips! {
    volts_survive_print_and_parse: Volts,
    amps_survive_print_and_parse: Amps,
    area_survives_print_and_parse: Area,
    density_survives_print_and_parse: Density,
    charge_survives_print_and_parse: Charge,
    length_survives_print_and_parse: Length,
    temperature_survives_print_and_parse: Temperature,
    volume_survives_print_and_parse: Volume,
    mass_survives_print_and_parse: Mass,
    span_survives_print_and_parse: Span,
    energy_survives_print_and_parse: Energy,
    bath_load_survives_print_and_parse: BathLoad,
    dosage_survives_print_and_parse: Dosage,
    current_slope_survives_print_and_parse: CurrentSlope,
    voltage_slope_survives_print_and_parse: VoltageSlope,
    ratio_survives_print_and_parse: Ratio,
    concentration_survives_print_and_parse: Concentration,
}

proptest! {
    #[test]
    fn no_text_makes_it_panic_or_yield_what_cannot_be_computed_with(
        text in prop_oneof![
            any::<String>(),
            "[-+−]?[0-9/., eE]{0,12} ?[a-zA-Zµ°²·./\"^]{0,8}[0-9 a-z]{0,6}",
        ]
    ) {
        macro_rules! tries { ($($t:ident)+) => { $(
            match text.parse::<$t>() {
                Ok(q) => prop_assert!(q.get().is_finite()),
                Err(e) => prop_assert!(!e.to_string().is_empty()),
            }
        )+ } }
        tries!(Volts Amps Area Density Charge Length Temperature Volume Mass Span Energy BathLoad Dosage CurrentSlope Ratio);
    }
}

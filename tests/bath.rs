//! The bath files that ship, against the outside world.

use std::collections::BTreeSet;
use tankside::bath::{self, Agitation, Bath, CautionOf, Window, gather, parse, shipped};
use tankside::deposit::{self, Efficiency, metal};
use tankside::quantity::{Amps, Area, Density, Temperature, Units, Volts};

fn named(name: &str) -> Bath {
    shipped().into_iter().find(|b| b.name == name).unwrap_or_else(|| panic!("no bath {name}"))
}

fn asf(x: f64) -> Density {
    format!("{x} A/ft2").parse().unwrap()
}

fn messages(text: &str) -> Vec<String> {
    parse(text, "baths/x.toml").err().unwrap_or_default().iter().map(ToString::to_string).collect()
}

const WATTS: &str = include_str!("../config/baths/watts-nickel.toml");
const SILVER: &str = include_str!("../config/baths/silver.toml");

#[test]
fn every_file_in_the_folder_ships() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config/baths");
    let files: BTreeSet<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| p.extension().is_some_and(|e| e == "toml"))
        .map(|p| p.file_stem().unwrap().to_string_lossy().into_owned())
        .collect();
    let in_binary: BTreeSet<String> = shipped().into_iter().map(|b| b.name).collect();
    assert_eq!(files, in_binary, "add the file to FILES in src/bath/shipped.rs");
    for wanted in [
        "watts-nickel",
        "sulfamate-nickel",
        "bright-nickel",
        "woods-nickel-strike",
        "acid-copper",
        "copper-strike",
        "silver",
        "silver-strike",
        "acid-gold",
        "gold-strike",
        "acid-zinc",
        "acid-tin",
        "electrocleaner",
        "acid-activator",
    ] {
        assert!(in_binary.contains(wanted), "{wanted} is missing");
    }
}

/// Metal Finishing Guide Book 2012-2013, p. 762, "Plating Solutions - Cathode Current Densities".
const TABLE: &[(&str, [f64; 2], [f64; 2])] = &[
    ("watts-nickel", [20.0, 100.0], [4.0, 8.0]),
    ("bright-nickel", [20.0, 100.0], [4.0, 8.0]),
    ("sulfamate-nickel", [20.0, 100.0], [4.0, 8.0]),
    ("acid-copper", [15.0, 50.0], [1.0, 4.0]),
    ("silver", [5.0, 30.0], [0.5, 2.0]),
    ("acid-gold", [10.0, 30.0], [5.0, 6.0]),
    ("gold-strike", [10.0, 30.0], [5.0, 6.0]),
    ("acid-tin", [10.0, 40.0], [1.0, 4.0]),
    ("acid-zinc", [20.0, 80.0], [1.5, 6.0]),
    ("hard-chrome", [200.0, 500.0], [5.0, 12.0]),
];

#[test]
fn windows_are_inside_the_published_table() {
    let slack = 1.0 + 1e-9;
    for (name, [low, high], [volts_low, volts_high]) in TABLE {
        let bath = named(name);
        assert!(bath.density.low * slack >= asf(*low), "{name}: {}", bath.density.low);
        assert!(bath.density.high <= asf(*high) * slack, "{name}: {}", bath.density.high);
        let volts = bath.volts.unwrap();
        assert!(volts.low >= Volts::new(*volts_low) && volts.high <= Volts::new(*volts_high), "{name}");
    }
}

#[test]
fn nickel_takes_about_five_times_the_density_of_gold() {
    // Common practice, no source.
    let gold = named("acid-gold").density.typical;
    for nickel in ["watts-nickel", "bright-nickel", "sulfamate-nickel"] {
        let ratio = named(nickel).density.typical / gold;
        assert!((3.5..=6.0).contains(&ratio), "{nickel} : acid-gold = {ratio}");
    }
    let bright = named("bright-nickel").density.typical / gold;
    assert!((4.0..=6.0).contains(&bright), "bright nickel : acid gold = {bright}");
}

#[test]
fn four_amperes_on_six_square_inches_in_still_nickel_do_not_burn() {
    // Common practice, no source: a 6 in2 part, 4 A, no agitation, 15-20 s without burning.
    let area: Area = "6 in2".parse().unwrap();
    let mean = Amps::new(4.0) / area;
    for nickel in ["watts-nickel", "bright-nickel", "sulfamate-nickel"] {
        assert!(mean < named(nickel).burn_density(Agitation::Still).unwrap(), "{nickel}");
    }
}

#[test]
fn nickel_burns_at_no_higher_density_than_film_thickness_allows() {
    // i = 0.9 n F D c / film thickness; D 1.2e-5 cm2/s at about 55 degC, 1.10 mol/L nickel
    // (240 / 45 g/L make-up); films of 200, 100, 50, 25 um assumed, from memory.
    let watts = named("watts-nickel");
    let limit = |um: f64| Density::new(0.9 * 2.0 * 96_485.332 * 1.2e-9 * 1100.0 / (um * 1e-6));
    assert!((limit(200.0).get() / 100.0 - 11.46).abs() < 0.01);
    for (agitation, film) in [
        (Agitation::Still, 200.0),
        (Agitation::Rod, 100.0),
        (Agitation::Air, 50.0),
        (Agitation::Vigorous, 25.0),
    ] {
        assert!(watts.burn_density(agitation).unwrap() <= limit(film), "{agitation:?}");
    }
}

#[test]
fn nickel_gains_a_tenth_of_a_thousandth_of_an_inch_in_three_to_four_minutes() {
    // Common practice, no source: 100 uin in 3-4 min.
    let watts = named("watts-nickel");
    let at = Efficiency::new(watts.efficiency.unwrap().typical).unwrap();
    let nickel = metal(watts.metal.as_deref().unwrap()).unwrap();
    let minutes =
        nickel.time_for_thickness("100 uin".parse().unwrap(), watts.density.typical, at).get() / 60.0;
    assert!((3.0..=4.0).contains(&minutes), "{minutes} min");
}

#[test]
fn small_nickel_tanks_are_kept_at_120_to_140_degf() {
    // Common practice, no source.
    for nickel in ["watts-nickel", "bright-nickel"] {
        let t = named(nickel).temperature;
        let f = |x: f64| format!("{x} degF").parse::<Temperature>().unwrap();
        assert!(t.low >= f(119.9) && t.high <= f(140.1) && t.contains(t.typical), "{nickel}");
    }
}

#[test]
fn no_hazard_goes_unnamed() {
    for bath in shipped() {
        let texts: Vec<_> = bath.cautions.iter().map(|caution| caution.text.as_str()).collect();
        let said = texts.join("\n").to_lowercase();
        let must = |word: &str| assert!(said.contains(word), "{}: no caution says {word:?}", bath.name);
        if bath.cyanide {
            must("hydrogen cyanide");
            must("acid");
            must("rinse");
        } else if bath.is_acid() {
            must("cyanide bath");
        }
        if bath.metal.as_deref() == Some("Ni") {
            must("sensitise");
        }
        if bath.metal.as_deref() == Some("Au(I)") {
            must("by charge alone is not safe");
        }
        if bath.metal.as_deref() == Some("Cr(VI)") {
            must("cancer");
        }
        if bath.temperature.high >= Temperature::new(55.0) {
            assert!(
                said.contains("hot") && (said.contains("scald") || said.contains("lower parts slowly")),
                "{}",
                bath.name
            );
        }
        if bath.metal.is_none() || bath.efficiency.is_some_and(|e| e.typical.get() < 0.975) {
            must("hydrogen");
        }
    }
}

#[test]
fn caution_that_holds_with_steel_or_beside_cyanide_only_is_told_apart_and_keeps_its_place() {
    let of = |bath: &Bath| bath.cautions.iter().map(|caution| caution.of).collect::<Vec<_>>();
    assert_eq!(
        of(&named("watts-nickel")),
        [CautionOf::Bath, CautionOf::CyanideNearby, CautionOf::Bath, CautionOf::Bath]
    );
    assert_eq!(of(&named("hard-chrome"))[3..], [CautionOf::CyanideNearby, CautionOf::Steel]);
    // No sentence that ships tells of steel or of a cyanide bath elsewhere and is not marked so.
    for bath in shipped() {
        for caution in &bath.cautions {
            let steel =
                caution.text.starts_with("Hardened steel") || caution.text.starts_with("Susceptible steel");
            let nearby =
                ["Acid: never in line with a cyanide", "Acid: rinse well, in running water, before any"];
            let nearby = nearby.iter().any(|start| caution.text.starts_with(start));
            assert_eq!(steel, caution.of == CautionOf::Steel, "{}: {}", bath.name, caution.text);
            assert_eq!(nearby, caution.of == CautionOf::CyanideNearby, "{}: {}", bath.name, caution.text);
        }
    }
    for wrong in ["{ steel = \"a\", cyanide-nearby = \"b\" }", "{ }", "{ brass = \"a\" }", "7"] {
        let said = messages(&WATTS.replacen("cautions = [\n", &format!("cautions = [\n    {wrong},\n"), 1));
        assert!(!said.is_empty() && said.iter().all(|line| line.contains(":9:")), "{wrong}: {said:?}");
    }
}

#[test]
fn every_metal_named_is_one_deposit_can_reckon_with() {
    for bath in shipped() {
        match &bath.metal {
            Some(id) => {
                assert!(metal(id).is_some(), "{}: {id}", bath.name);
                assert!(bath.efficiency.is_some() && bath.burn.is_some() && !bath.is_dip(), "{}", bath.name);
            }
            None => assert!(bath.efficiency.is_none() && bath.burn.is_none(), "{}", bath.name),
        }
    }
}

#[test]
fn cyanide_and_acid_baths_are_told_apart() {
    let cyanide: Vec<_> = shipped().into_iter().filter(|b| b.cyanide).map(|b| b.name).collect();
    assert_eq!(cyanide, ["acid-gold", "copper-strike", "gold-strike", "silver", "silver-strike"]);
    assert!(named("acid-activator").is_acid() && named("acid-copper").is_acid());
    assert!(!named("silver").is_acid() && !named("electrocleaner").is_acid());
    assert!(named("acid-activator").is_dip() && !named("electrocleaner").is_dip());
}

#[test]
fn a_cleaner_knows_its_base_metals() {
    // Metal Finishing Guide Book 2011-2012 p. 77 (A/dm2): brass 2-4, low-carbon steel 5-10, nickel 2-3.
    let cleaner = named("electrocleaner");
    let asd = |low, high| (Density::new(low * 100.0), Density::new(high * 100.0));
    for (base, (low, high)) in
        [("brass", asd(2.0, 4.0)), ("steel", asd(5.0, 10.0)), ("nickel", asd(2.0, 3.0))]
    {
        let Window { low: l, high: h, .. } = cleaner.density_on(base);
        assert_eq!((l, h), (low, high), "{base}");
    }
    assert_eq!(cleaner.density_on("unheard-of"), cleaner.density);
}

#[test]
fn a_value_without_a_source_is_refused() {
    let text = WATTS.replace("ph = \"from memory", "#ph = \"from memory");
    let said = messages(&text);
    assert_eq!(said.len(), 1, "{said:#?}");
    assert!(
        said[0]
            .ends_with("ph: has no source; add ph to [sources]: a publication and page, or \"from memory\"")
    );
    let said = messages(&format!("{WATTS}treat-time = \"from memory\"\n"));
    assert_eq!(said.len(), 1, "{said:#?}");
    assert!(said[0].contains("sources.treat-time: is the source of nothing in this file"));
}

#[test]
fn a_cyanide_bath_that_does_not_warn_of_acid_is_refused() {
    let mut lines: Vec<&str> = SILVER.lines().collect();
    lines.retain(|l| !l.contains("hydrogen cyanide, which kills") && !l.contains("without any acid"));
    let said = messages(&lines.join("\n"));
    assert_eq!(said.len(), 1, "{said:#?}");
    assert!(said[0].contains("no caution names both cyanide and acid"));
}

#[test]
fn everything_wrong_in_a_bath_file_is_told_at_once() {
    let text = WATTS
        .replace("high = \"7 A/dm2\"", "high = \"1 A/dm2\"")
        .replace("low = 3.5", "low = nan")
        .replace("air = \"25 A/dm2\"", "air = \"2 A/dm2\"")
        .replace("metal = \"Ni\"", "metal = \"Nickle\"")
        .replace("anode-ratio", "anode-ration")
        .replace("max-load = \"2 A/L\"", "max-load = 2")
        .replace("low = \"4 V\"", "low = \"4 A\"");
    let said = messages(&text);
    for part in [
        "x.toml:2:9 metal: \"Nickle\" is not one of the choices",
        "x.toml:4:12 max-load: 2 has no unit",
        "x.toml:5:1 anode-ration: there is no such key; did you mean \"anode-ratio\"?",
        "density.high: is below \"low\"",
        "ph.low: nan is not a number from 0 to 14",
        "burn.air: burns at a lower density than with less agitation",
        "volts.low: \"4 A\" is a current, not a voltage",
        "sources.anode-ration: there is no such key",
    ] {
        assert!(said.iter().any(|m| m.contains(part)), "nobody said {part:?}: {said:#?}");
    }
}

#[test]
fn a_folder_overrides_by_name_and_adds() {
    let own = WATTS.replace("high = \"7 A/dm2\"", "high = \"6 A/dm2\"");
    let baths =
        gather(&[("mine/watts-nickel.toml".into(), own.clone()), ("mine/my-nickel.toml".into(), own)])
            .unwrap();
    assert_eq!(baths.len(), shipped().len() + 1);
    let watts = baths.iter().find(|b| b.name == "watts-nickel").unwrap();
    assert_eq!(watts.density.high, Density::new(600.0));
    assert!(gather(&[("mine/My Nickel.toml".into(), WATTS.into())]).is_err());
}

#[test]
fn formula_that_is_none_and_salt_without_what_it_is_for_are_refused() {
    let said = messages(&WATTS.replace("formula = \"NiCl2.6H2O\"", "formula = \"NiCl2.6H2\u{2080}\""));
    assert!(said.iter().any(|m| m.contains("is no formula") && m.contains("NiSO4.6H2O")), "{said:#?}");
    let said = messages(&WATTS.replace("formula = \"H3BO3\"", "add = \"H3BO3\""));
    assert!(said.iter().any(|m| m.contains("says what is put in")), "{said:#?}");
    let said = messages(&WATTS.replace("formula = \"H3BO3\"", "strength = \"370 %\""));
    assert!(said.iter().any(|m| m.contains("strength")), "{said:#?}");
}

/// The metal of every plating bath that gives a make-up is judged, and what is short comes out in grams.
#[test]
fn analysis_of_the_metal_is_answered_in_every_plating_bath() {
    let mut judged = 0;
    for bath in bath::shipped().into_iter().filter(|b| !b.make_up.is_empty()) {
        let Some(metal) = bath.metal.as_deref().and_then(deposit::metal) else { continue };
        let found = bath::entered(&bath, &format!("{} = 0.001 g/L", metal.name));
        let found = found.unwrap_or_else(|e| panic!("{}: {e:?}", bath.name));
        let advice = bath::advise(&bath, &found, "10 L".parse().unwrap());
        assert_eq!(advice.standing[0].state, bath::State::Low, "{}", bath.name);
        let salt = advice.additions.first().unwrap_or_else(|| panic!("{}: nothing to add", bath.name));
        // A salt is heavier than the metal in it.
        let aim = advice.standing[0].window.unwrap().1;
        assert!(salt.mass.get() >= (aim - 0.001) * 10.0 * 0.999, "{}: {salt:?}", bath.name);
        assert!(advice.text(Units::Metric).contains("needed"));
        judged += 1;
    }
    assert!(judged >= 12, "{judged}");
}

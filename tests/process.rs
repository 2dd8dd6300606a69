//! The process sheets that ship, against the folder and the outside world.

use std::collections::BTreeSet;
use tankside::bath;
use tankside::process::{Base, Kind, Purpose, Rule, Sheet, Water, check, names, shipped};
use tankside::quantity::Span;

fn named(name: &str) -> Sheet {
    shipped().into_iter().find(|s| s.name == name).unwrap_or_else(|| panic!("no sheet {name}"))
}

#[test]
fn every_file_in_the_folder_ships() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config/processes");
    let files: BTreeSet<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| p.extension().is_some_and(|e| e == "toml"))
        .map(|p| p.file_stem().unwrap().to_string_lossy().into_owned())
        .collect();
    let in_binary: BTreeSet<String> = names(&[]).into_iter().collect();
    assert_eq!(files, in_binary, "add the file to FILES in src/process/shipped.rs");
    for base in [
        Base::Copper,
        Base::Brass,
        Base::Steel,
        Base::HardenedSteel,
        Base::StainlessSteel,
        Base::ZincDieCast,
        Base::Nickel,
    ] {
        assert!(shipped().iter().any(|s| s.base.contains(&base)), "nothing for {}", base.name());
    }
}

// Common practice, no source: electroclean 30 s and again up to three times, activate 20-30 s,
// water-break test after cleaning and again after activation, the last rinse kept for the tank alone.
#[test]
fn nickel_on_brass_is_as_at_the_bench() {
    let sheet = named("nickel-on-copper-alloys");
    let order: Vec<_> = sheet.steps.iter().map(|s| s.name.as_str()).collect();
    assert_eq!(order, ["hang", "clean", "water-break", "activate", "water-break-again", "nickel", "dry"]);
    for step in &sheet.steps {
        match &step.kind {
            Kind::Powered(p) if p.purpose == Purpose::Clean => {
                assert_eq!(p.end, tankside::process::End::Time(Span::new(30.0)));
            }
            Kind::Dip(dip) => {
                assert!((20.0..=30.0).contains(&dip.time.get()));
                let last = sheet.rinse(step.rinse.last().unwrap()).unwrap();
                assert_eq!(last.own.as_deref(), Some("nickel"));
            }
            Kind::Inspect(inspect) => assert!(inspect.back_to == "clean" && (2..=3).contains(&inspect.most)),
            _ => {}
        }
    }
}

// Common practice, no source: the same line for stainless steel, with a strike in place of the
// activator; bagged nickel in Wood's strike, platinised titanium in the acid gold strike.
#[test]
fn stainless_steel_gets_a_strike_in_place_of_the_activator() {
    for (name, role, anodes, bagged) in [
        ("nickel-on-stainless-woods", "strike", "nickel", true),
        ("nickel-on-stainless-gold-strike", "gold-strike", "platinised-titanium", false),
    ] {
        let sheet = named(name);
        assert!(!sheet.steps.iter().any(|s| s.purpose() == Some(Purpose::Activate)), "{name}");
        let strike = sheet.tank(role).unwrap();
        assert_eq!((strike.anodes.name(), strike.bagged), (anodes, bagged), "{name}");
    }
}

/// NSW OHS Regulation 2001, clause 194 (repealed): a rinse between cyanide and acid. Here
/// counted on the sheets themselves, not through the check.
#[test]
fn no_shipped_sheet_goes_between_acid_and_cyanide_without_running_water() {
    let baths = bath::shipped();
    let mut met = 0;
    for sheet in shipped() {
        let wet: Vec<_> = sheet
            .steps
            .iter()
            .filter_map(|s| {
                let usual = sheet.tank(s.tank()?)?.baths.first()?;
                let bath = baths.iter().find(|b| b.name == *usual)?;
                Some((s, bath))
            })
            .collect();
        for pair in wet.windows(2) {
            let ((from, a), (_, b)) = (pair[0], pair[1]);
            if a.name == b.name || a.cyanide == b.cyanide || !(a.is_acid() || b.is_acid()) {
                continue;
            }
            met += 1;
            let running = |r: &String| sheet.rinse(r).unwrap().water == Water::Running;
            assert!(from.rinse.len() >= 2 && from.rinse.iter().any(running), "{} {}", sheet.name, from.name);
        }
    }
    assert!(met >= 5, "only {met} such places were found: the sheets or this test have changed");
}

// Metal Finishing Guide Book 2013, p. 308: about 205 °C, 8-24 h.
#[test]
fn hardened_steel_is_baked_as_published() {
    let sheet = named("nickel-on-hardened-steel");
    let bake = sheet.steps.iter().find_map(|s| match &s.kind {
        Kind::Prompt(p) => p.bake,
        _ => None,
    });
    let bake = bake.unwrap();
    assert_eq!(bake.temperature.to_string(), "205 °C");
    assert!((8.0..=24.0).contains(&(bake.time.get() / 3600.0)));
}

#[test]
fn a_sheet_changed_in_code_is_checked_as_one_from_a_file() {
    let mut sheet = named("silver-over-nickel-on-brass");
    sheet.steps.iter_mut().for_each(|s| s.rinse.clear());
    let found = check(&sheet, &bath::shipped());
    let musts: BTreeSet<_> = found.iter().filter(|f| f.must).map(|f| format!("{:?}", f.rule)).collect();
    assert!(musts.contains("CyanideAndAcid") && musts.contains("OwnLastRinse"), "{found:#?}");
    for finding in &found {
        assert!(
            !finding.remedy.is_empty()
                && !finding.rule.reason().is_empty()
                && !finding.rule.source().is_empty()
        );
        assert!(finding.rule == Rule::Contradiction || finding.explained().contains(finding.rule.source()));
    }
}

use super::*;
use crate::bath;

const BRASS: &str = include_str!("../../config/processes/nickel-on-copper-alloys.toml");
const STEEL: &str = include_str!("../../config/processes/nickel-on-steel.toml");
const HARD: &str = include_str!("../../config/processes/nickel-on-hardened-steel.toml");
const STAINLESS: &str = include_str!("../../config/processes/nickel-on-stainless-woods.toml");
const SILVER: &str = include_str!("../../config/processes/silver-over-nickel-on-brass.toml");
const GOLD: &str = include_str!("../../config/processes/gold-over-nickel-on-copper-alloys.toml");
const ZINC: &str = include_str!("../../config/processes/copper-nickel-on-zinc.toml");
const COPPER: &str = include_str!("../../config/processes/acid-copper.toml");
const OLD: &str = include_str!("../../config/processes/nickel-over-old-nickel.toml");

fn said(text: &str) -> Vec<String> {
    parse(text, "processes/s.toml").err().unwrap_or_default().iter().map(ToString::to_string).collect()
}

/// The text with one thing changed, which must be there.
#[track_caller]
fn with(text: &str, from: &str, to: &str) -> String {
    assert!(text.contains(from), "{from:?} is not in the sheet");
    text.replacen(from, to, 1)
}

/// That change makes exactly one problem, which says all of `says`.
#[track_caller]
fn refused(text: &str, says: &[&str]) {
    let said = said(text);
    assert_eq!(said.len(), 1, "{said:#?}");
    for word in says {
        assert!(said[0].contains(word), "{word:?} is not in {}", said[0]);
    }
}

#[track_caller]
fn advised(text: &str, rule: Rule, says: &str) {
    let sheet = parse(text, "s.toml").unwrap_or_else(|p| panic!("{p:#?}"));
    assert!(sheet.advice.iter().any(|f| f.rule == rule && f.wrong.contains(says)), "{:#?}", sheet.advice);
}

#[test]
fn every_shipped_sheet_is_good_and_needs_no_advice() {
    let baths = bath::shipped();
    let sheets = gather(&[], &baths).unwrap_or_else(|p| panic!("{p:#?}"));
    assert_eq!(sheets.len(), 10);
    for sheet in &sheets {
        assert_eq!(sheet.advice, [], "{}", sheet.name);
        assert!(sheet.finish_step().is_some(), "{}", sheet.name);
        for step in &sheet.steps {
            for (key, source) in &step.sources {
                let known = [
                    "from memory",
                    "common practice",
                    "Metal Finishing",
                    "Products Finishing",
                    "ASTM",
                    "forum",
                    "text on",
                ];
                assert!(
                    known.iter().any(|k| source.contains(k)),
                    "{} {} {key}: {source}",
                    sheet.name,
                    step.name
                );
            }
        }
    }
    assert_eq!(names(&[]).len(), 10);
}

#[test]
fn a_folder_takes_the_place_of_a_shipped_sheet_even_a_bad_bath_name_is_told() {
    let own = with(BRASS, "Nickel on copper and brass", "Our own");
    let folder = [("mine/nickel-on-copper-alloys.toml".to_owned(), own)];
    let sheets = gather(&folder, &bath::shipped()).unwrap();
    assert_eq!(sheets.len(), 10);
    assert!(sheets.iter().any(|s| s.title == "Our own"));
    let baths: Vec<_> = bath::shipped().into_iter().filter(|b| b.name != "woods-nickel-strike").collect();
    let problems = gather(&[], &baths).unwrap_err();
    assert!(problems.iter().all(|p| p.wrong.contains("woods-nickel-strike")), "{problems:#?}");
    assert_eq!(problems.len(), 2);
}

#[test]
fn a_sheet_reads_as_it_is_written() {
    let sheet = parse(BRASS, "processes/nickel-on-copper-alloys.toml").unwrap();
    assert_eq!(sheet.name, "nickel-on-copper-alloys");
    assert_eq!(sheet.base, [Base::Copper, Base::Brass]);
    let nickel = &sheet.steps[sheet.finish_step().unwrap()];
    assert_eq!((nickel.name.as_str(), nickel.tank()), ("nickel", Some("nickel")));
    let Kind::Powered(powered) = &nickel.kind else { panic!() };
    assert_eq!(powered.end, End::Thickness("8 um".parse().unwrap()));
    assert_eq!(powered.turn.unwrap().faces, 2);
    let Kind::Inspect(inspect) = &sheet.steps[sheet.position("water-break").unwrap()].kind else { panic!() };
    assert_eq!((inspect.back_to.as_str(), inspect.most), ("clean", 3));
    assert_eq!(sheet.rinse("nickel-own").unwrap().own.as_deref(), Some("nickel"));
    let json = serde_json::to_value(&sheet).unwrap();
    assert_eq!(json["steps"][1]["kind"]["powered"]["end"]["time"], "30 s");
}

#[test]
fn unknown_roles_steps_and_keys_are_told_all_at_once_with_places() {
    let text = with(BRASS, "tank = \"acid\"\npurpose", "tank = \"acdi\"\npurpose");
    let text = with(&text, "rinse = [\"after-nickel\"]", "rinse = [\"after-nikel\"]");
    let text = with(&text, "back-to = \"clean\"", "back-to = \"nickel\"");
    let text = with(&text, "most = 3", "mots = 3").replacen(
        "sources = { most = \"common practice, no source: two or three times\" }\n",
        "",
        1,
    );
    let text = with(&text, "base = [\"copper\", \"brass\"]", "base = [\"coper\", \"wood\"]");
    let text = with(&text, "\"ASTM B281\"", "\"ASTM B2811\"");
    let text = with(&text, "[\"electrocleaner\"]", "[\"electroclean\"]");
    let said = said(&text);
    for says in [
        "\"coper\" is no metal that is known here; did you mean \"copper\"?",
        "\"wood\" is no metal that is known here; write some of \"copper\"",
        "\"ASTM B2811\" is no standard that is known here; did you mean \"ASTM B281\"?",
        "tank.cleaner.bath: there is no bath \"electroclean\"; did you mean \"electrocleaner\"?",
        "step.inspect.back-to: no earlier step is called \"nickel\"",
        "step.inspect.most: is missing",
        "step.inspect.mots: there is no such key; did you mean \"most\"?",
        "step.dip.tank: no tank has the role \"acdi\"; did you mean \"acid\"?",
        "step.rinse: no rinse has the role \"after-nikel\"; did you mean \"after-nickel\"?",
    ] {
        assert!(said.iter().any(|line| line.contains(says)), "{says}\n{said:#?}");
    }
    assert_eq!(said.len(), 9, "{said:#?}");
    assert!(said.iter().all(|line| line.starts_with("processes/s.toml:")), "{said:#?}");
}

#[test]
fn a_value_without_a_source_or_a_step_without_hazards_is_refused() {
    refused(
        &with(BRASS, ", most = \"from memory\" }", " }"),
        &["step.sources: most has no source", "\"from memory\""],
    );
    let start = BRASS.find("hazards = [\"Nickel").unwrap();
    let end = start + BRASS[start..].find('\n').unwrap() + 1;
    let bare = format!("{}{}", &BRASS[..start], &BRASS[end..]);
    refused(&bare, &["hazards is missing in a step that is done in a tank"]);
    refused(&format!("{}hazards = []\n{}", &BRASS[..start], &BRASS[end..]), &["step.hazards: is empty"]);
}

#[test]
fn negative_and_absurd_quantities_are_refused() {
    let text = with(BRASS, "thickness = \"8 um\"", "thickness = \"-8 um\"");
    let text = with(&text, "time = \"25 s\"", "time = \"25 d\"");
    let text = with(&text, "faces = 2", "faces = 0");
    let said = said(&text);
    assert_eq!(said.len(), 3, "{said:#?}");
}

#[test]
fn plating_straight_on_metal_that_wants_a_strike_is_refused() {
    // Stainless steel without Wood's strike: the strike's tank holds a plating bath.
    let text = with(STAINLESS, "[\"woods-nickel-strike\"]", "[\"watts-nickel\"]");
    let said = said(&text);
    assert!(
        said.iter().any(
            |l| l.contains("Watts nickel straight on stainless-steel") && l.contains("begin with Wood's")
        ),
        "{said:#?}"
    );
    refused(
        &with(BRASS, "base = [\"copper\", \"brass\"]", "base = [\"copper\", \"zinc-die-cast\"]")
            .replace("acid-activator", "mild-acid-dip"),
        &["Watts nickel straight on zinc-die-cast", "begin with a cyanide copper strike"],
    );
    refused(
        &with(
            COPPER,
            "base = [\"copper\", \"brass\"]",
            "base = [\"copper\", \"steel\"]\nsteel-tensile-mpa = 500",
        )
        .replace("part = \"cathode\"", "part = \"anode\"")
        .replace("time = \"30 s\" }", "time = \"15 s\" }"),
        &["Acid copper (sulfate) straight on steel", "nickel or a cyanide copper strike"],
    );
    let said = said_lines(&with(OLD, "[\"woods-nickel-strike\"]", "[\"bright-nickel\"]"));
    assert!(said.contains("straight on nickel"), "{said}");
    refused(
        &with(SILVER, "purpose = \"strike\"", "purpose = \"plate\""),
        &["silver plate without a silver strike"],
    );
}

fn said_lines(text: &str) -> String {
    said(text).join("\n")
}

#[test]
fn silver_without_its_strike_is_refused() {
    // The strike step taken out, from its head to the next.
    let start = SILVER.find("[[step]]\nname = \"silver-strike\"").unwrap();
    let end = SILVER.find("[[step]]\nname = \"silver\"\n").unwrap();
    let text = format!("{}{}", &SILVER[..start], &SILVER[end..]);
    let text =
        text.replace("[tank.silver-strike]\nbath = [\"silver-strike\"]\nanodes = \"stainless-steel\"\n", "");
    let text = text.replace("own = \"silver-strike\"", "own = \"silver\"");
    let said = said(&text);
    assert_eq!(said.len(), 1, "{said:#?}");
    assert!(said[0].contains("silver plate without a silver strike"), "{said:#?}");
}

#[test]
fn acid_and_cyanide_without_running_water_between_are_refused() {
    refused(
        &with(SILVER, "[rinse.after-nickel]\nwater = \"running\"", "[rinse.after-nickel]\nwater = \"still\""),
        &[
            "from Watts nickel to Silver strike (cyanide) without a running rinse between",
            "frees hydrogen cyanide",
            "NSW OHS Regulation 2001",
        ],
    );
    // The way back counts too: from the acid dip to a cleaner is harmless, to cyanide it is not.
    let text = with(
        ZINC,
        "[[step]]\nname = \"nickel\"",
        "[[step]]\nname = \"covered\"\nwithin = \"5 s\"\nsources = { within = \"from memory\", most = \"from memory\" }\n[step.inspect]\nquestion = \"Is the copper whole?\"\nback-to = \"copper\"\nmost = 1\nadvice = \"Strip it.\"\n\n[[step]]\nname = \"nickel\"",
    );
    assert_eq!(said(&text), [] as [String; 0], "a running rinse follows the dip");
    let text =
        text.replace("[rinse.after-acid]\nwater = \"running\"", "[rinse.after-acid]\nwater = \"still\"");
    let said = said(&text);
    assert!(said.iter().any(|l| l.contains("(back from \"covered\") without a running rinse")), "{said:#?}");
    advised(
        &with(ZINC, "\"after-copper\", \"after-copper-again\"", "\"after-copper-again\"")
            .replace("[rinse.after-copper]\nwater = \"running\"\n\n", ""),
        Rule::CyanideAndAcid,
        "with one rinse between",
    );
}

#[test]
fn one_rinse_for_acid_and_cyanide_is_refused() {
    let text = with(
        SILVER,
        "rinse = [\"silver-drag-out\", \"after-silver\"]",
        "rinse = [\"after-nickel\", \"after-silver\"]",
    )
    .replace("[rinse.silver-drag-out]\nwater = \"still\"\n\n", "");
    refused(
        &text,
        &["\"after-nickel\" takes the drag-out of \"silver\" and of \"nickel\"", "keep one rinse for acid"],
    );
}

#[test]
fn a_plating_tank_without_its_own_last_rinse_is_refused() {
    refused(
        &with(BRASS, "rinse = [\"after-acid\", \"nickel-own\"]", "rinse = [\"after-acid\"]")
            .replace("[rinse.nickel-own]\nwater = \"deionised\"\nown = \"nickel\"\n\n", ""),
        &["\"nickel\" is entered from \"after-acid\", which is not kept for it alone", "own = \"nickel\""],
    );
    refused(
        &with(BRASS, "rinse = [\"after-cleaner\"]", "rinse = [\"after-cleaner\", \"nickel-own\"]"),
        &["\"nickel-own\" is kept for \"nickel\", and \"acid\" comes next"],
    );
}

#[test]
fn anodes_that_do_not_fit_are_refused() {
    refused(
        &with(BRASS, "anodes = \"nickel\"\nbagged = true", "anodes = \"lead\"")
            .replace("\"watts-nickel\", \"bright-nickel\", \"sulfamate-nickel\"", "\"watts-nickel\""),
        &["tank.nickel", "lead anodes in Watts nickel", "anodes = \"nickel\""],
    );
    refused(
        &with(COPPER, "phosphorised-copper", "copper"),
        &["copper anodes in Acid copper", "phosphorised-copper"],
    );
    let gold = with(
        GOLD,
        "[tank.gold-strike]\nbath = [\"gold-strike\"]\nanodes = \"platinised-titanium\"",
        "[tank.gold-strike]\nbath = [\"gold-strike\"]\nanodes = \"stainless-steel\"",
    );
    refused(&gold, &["stainless-steel anodes in Acid gold strike"]);
    advised(&with(BRASS, "bagged = true\n", ""), Rule::Anodes, "without bags");
}

#[test]
fn gold_on_copper_wants_nickel_between() {
    refused(
        &with(GOLD, "thickness = \"4 um\"", "thickness = \"1 um\""),
        &["1 µm of nickel under the gold", "at least 1.25 µm", "ASTM B488"],
    );
    // The nickel made copper: acid copper instead.
    let text = GOLD
        .replace("\"watts-nickel\", \"bright-nickel\", \"sulfamate-nickel\"", "\"acid-copper\"")
        .replace("anodes = \"nickel\"", "anodes = \"phosphorised-copper\"");
    refused(&text, &["gold on a copper alloy without nickel between", "darkens it"]);
    // Class 5.0 asks for none: advice remains.
    advised(
        &text.replace("ASTM B488 1.25", "ASTM B488 5.0"),
        Rule::NickelUnderGold,
        "without nickel between",
    );
}

#[test]
fn steel_cleaned_as_cathode_and_soft_metal_as_anode_are_refused() {
    refused(
        &with(STEEL, "part = \"anode\"", "part = \"cathode\""),
        &["steel cleaned as cathode", "hydrogen and smut"],
    );
    refused(&with(ZINC, "part = \"cathode\"", "part = \"anode\""), &["zinc-die-cast cleaned as anode"]);
    refused(
        &with(OLD, "part = \"cathode\"", "part = \"anode\""),
        &["old nickel cleaned as anode", "makes nickel passive"],
    );
    advised(
        &with(BRASS, "part = \"cathode\"", "part = \"anode\""),
        Rule::CleaningPolarity,
        "cleaned as anode for more than 20 s",
    );
}

#[test]
fn strong_steel_without_a_proper_bake_is_refused() {
    let start = HARD.find("[[step]]\nname = \"bake\"").unwrap();
    let end = HARD.find("# What the order of steps").unwrap();
    let bare = format!("{}{}", &HARD[..start], &HARD[end..]);
    refused(
        &bare,
        &["no bake after the last deposit", "cracks later", "Metal Finishing Guide Book 2013, p. 308"],
    );
    for (from, to) in [
        ("\"205 degC\"", "\"150 degC\""),
        ("time = \"8 h\"", "time = \"3 h\""),
        ("within = \"4 h\"", "within = \"24 h\""),
    ] {
        refused(&with(HARD, from, to), &["bake at 190 °C to 220 °C for at least 8 h, begun within 4 h"]);
    }
    refused(
        &with(STEEL, "steel-tensile-mpa = 1000", "# steel-tensile-mpa = 1000"),
        &["steel-tensile-mpa is not said"],
    );
    let said = said(&with(STEEL, "steel-tensile-mpa = 1000", "steel-tensile-mpa = 1400"));
    assert_eq!(said.len(), 2, "{said:#?}");
    refused(&with(BRASS, "finish =", "steel-tensile-mpa = 500\nfinish ="), &["not for steel"]);
}

#[test]
fn waiting_between_activation_and_plating_is_refused() {
    refused(
        &with(BRASS, "name = \"nickel\"\nwithin = \"30 s\"", "name = \"nickel\"\nwithin = \"5 min\""),
        &["up to 5 min 30 s from \"activate\" to \"nickel\"", "ASTM B254"],
    );
    refused(
        &with(STAINLESS, "within = \"20 s\"\n", "")
            .replace(", within = \"from memory; shortest: ASTM B254, abstract\"", ""),
        &["no longest time from \"strike\" to \"nickel\"", "30 s together at most"],
    );
    let text = with(
        BRASS,
        "[[step]]\nname = \"nickel\"",
        "[[step]]\nname = \"tea\"\nwithin = \"1 s\"\nsources = { within = \"from memory\" }\n[step.prompt]\nsay = \"Have tea.\"\n\n[[step]]\nname = \"nickel\"",
    );
    let said = said(&text);
    assert!(
        said.iter().any(|l| l.contains("\"tea\" stands between \"activate\" and \"nickel\"")),
        "{said:#?}"
    );
}

#[test]
fn a_target_thinner_than_the_strike_is_refused() {
    // Wood's: 4.5 A/dm2 for 2 min at 40 %: 4.5/60*2*12.29*0.4 = 0.74 µm.
    refused(
        &with(STAINLESS, "thickness = \"8 um\"", "thickness = \"0.5 um\""),
        &["0.5 µm is asked for, and \"strike\" alone makes about 0.7375 µm"],
    );
    assert_eq!(said(&with(STAINLESS, "thickness = \"8 um\"", "thickness = \"0.8 um\"")), [] as [String; 0]);
}

#[test]
fn contradictions_are_refused() {
    refused(
        &with(BRASS, "purpose = \"clean\"", "purpose = \"plate\""),
        &["Electrocleaner (alkaline) deposits nothing and cannot plate"],
    );
    refused(
        &with(BRASS, "end = { time = \"30 s\" }", "end = { thickness = \"1 um\" }"),
        &["nothing deposits here"],
    );
    refused(
        &with(GOLD, "ASTM B488 1.25", "ASTM B689 class 5"),
        &["ASTM B689 class 5 is about Ni, and this tank deposits Au"],
    );
    refused(&with(BRASS, "most = \"60 s\"", "most = \"5 s\""), &["\"most\" is shorter than \"time\""]);
    let said =
        said_lines(&with(BRASS, "[\"watts-nickel\", \"bright-nickel\"", "[\"watts-nickel\", \"silver\""));
    assert!(
        said.contains("its baths (watts-nickel, silver, sulfamate-nickel) do not do the same thing"),
        "{said}"
    );
    let said =
        said_lines(&with(BRASS, "purpose = \"plate\"\nend", "purpose = \"plate\"\npart = \"anode\"\nend"));
    assert!(said.contains("metal does not deposit on an anode"), "{said}");
    refused(
        &with(BRASS, "name = \"water-break-again\"", "name = \"water-break\""),
        &["there is another step \"water-break\""],
    );
}

#[test]
fn zinc_in_strong_acid_is_refused() {
    let said = said(&with(ZINC, "mild-acid-dip", "acid-activator"));
    assert_eq!(said.len(), 2, "both dips: {said:#?}");
    assert!(said.iter().all(|l| l.contains("zinc die castings in Acid activator (dip): strong acid eats")));
}

#[test]
fn what_is_only_unwise_is_advice_not_refusal() {
    advised(
        &with(
            BRASS,
            "end = { thickness = \"8 um\" }",
            "hold = { density = \"30 A/dm2\" }\nend = { thickness = \"8 um\" }",
        )
        .replace("sources = { end = \"a usual", "sources = { hold = \"from memory\", end = \"a usual"),
        Rule::Window,
        "30 A/dm² is outside Watts nickel's",
    );
    advised(
        &with(BRASS, "time = \"25 s\"\nmost = \"60 s\"", "time = \"100 s\"\nmost = \"200 s\""),
        Rule::Window,
        "outside Acid activator (dip)'s usual",
    );
}

//! Whole sheets planned.

use super::*;
use crate::bath::{self, Agitation, Bath};
use crate::part::Allowance;
use crate::process::{self, Base, End, Sheet};
use crate::quantity::{Charge, Units};

fn sheet(name: &str) -> Sheet {
    process::shipped().into_iter().find(|s| s.name == name).unwrap()
}

/// One tank for each role, with the role's usual bath.
fn tanks<'a>(sheet: &'a Sheet, baths: &'a [Bath], litres: f64) -> Vec<LineTank<'a>> {
    let facts = TankFacts {
        volume: Some(crate::quantity::Volume::new(litres)),
        anode_area: None,
        agitation: Agitation::Air,
        max_load: None,
        panel: None,
        own: Default::default(),
        price: None,
    };
    let of = |name: &str| baths.iter().find(|b| b.name == name).unwrap();
    sheet
        .tanks
        .iter()
        .map(|t| LineTank { role: &t.name, tank: &t.name, bath: of(&t.baths[0]), facts: facts.clone() })
        .collect()
}
fn supply(amps: &str) -> SupplyLimits {
    SupplyLimits { max_amps: amps.parse().unwrap(), max_volts: "12 V".parse().unwrap() }
}
fn asked(parts: &str, base: Base) -> LineRequest {
    LineRequest {
        title: None,
        parts: parts.split(';').map(|p| p.parse().unwrap()).collect(),
        rack: Allowance::default(),
        base,
        finish: None,
        turn: None,
        places: None,
        day: None,
    }
}

#[test]
fn title_of_a_job_that_would_forge_a_line_is_refused() {
    let (baths, sheet) = (bath::shipped(), sheet("nickel-on-copper-alloys"));
    let mut request = asked("4 key cups: disc 34 mm x 1 mm", Base::Brass);
    request.title = Some("cups\nbench: off".into());
    let no = plan_line(&request, &sheet, &tanks(&sheet, &baths, 20.0), &supply("20 A"), Units::Metric)
        .unwrap_err();
    assert!(no.len() == 1 && no[0].to_string().contains("no line of text"), "{no:?}");
}

#[test]
fn every_shipped_sheet_can_be_planned_for_every_metal_it_is_for() {
    let baths = bath::shipped();
    for sheet in process::shipped() {
        for base in &sheet.base {
            let request = asked("4 key cups: disc 34 mm x 1 mm", *base);
            let made =
                plan_line(&request, &sheet, &tanks(&sheet, &baths, 20.0), &supply("20 A"), Units::Metric)
                    .unwrap_or_else(|no| panic!("{} {}: {no:#?}", sheet.name, base.name()));
            assert_eq!(made.steps.len(), sheet.steps.len());
            let page = made.text();
            assert!(page.lines().all(|line| line.chars().count() <= 80), "{page}");
            assert!(page.contains("The software is not a safety interlock"), "{page}");
            let flat = page.split_whitespace().collect::<Vec<_>>().join(" ");
            for step in &made.steps {
                let Todo::Powered { plan, .. } = &step.todo else { continue };
                assert_eq!(plan.order.turn.is_some(), plan.worksheet.turn.is_some(), "{}", step.name);
                if let Some(turn) = &plan.worksheet.turn {
                    assert!(flat.contains(&format!("Turn: {}", turn.say)), "{}\n{page}", turn.say);
                }
            }
            for step in &sheet.steps {
                for hazard in &step.hazards {
                    assert!(flat.contains(hazard.as_str()), "{hazard}\n{page}");
                }
            }
        }
    }
}

#[test]
fn each_steps_charge_goes_to_that_steps_tank() {
    let baths = bath::shipped();
    let sheet = sheet("silver-over-nickel-on-brass");
    let made = plan_line(
        &asked("4 disc 34 mm x 1 mm", Base::Brass),
        &sheet,
        &tanks(&sheet, &baths, 20.0),
        &supply("20 A"),
        Units::Metric,
    )
    .unwrap();
    let names: Vec<_> = made.charges.iter().map(|(tank, _)| tank.as_str()).collect();
    assert_eq!(names, ["cleaner", "nickel", "silver-strike", "silver"]);
    for step in &made.steps {
        if let Todo::Powered { plan, .. } = &step.todo {
            assert_eq!(Some(&plan.order.tank), step.tank.as_ref());
            assert_eq!(plan.order.parts, 4);
            assert!(plan.order.title.starts_with(&format!("{}: ", step.name)));
        }
    }
    // Copper strike and copper share a tank: their charges are one account.
    let sheet = self::sheet("copper-nickel-on-zinc");
    let made = plan_line(
        &asked("disc 34 mm x 1 mm", Base::ZincDieCast),
        &sheet,
        &tanks(&sheet, &baths, 20.0),
        &supply("20 A"),
        Units::Metric,
    )
    .unwrap();
    let sum: Charge = made
        .steps
        .iter()
        .filter(|s| s.tank.as_deref() == Some("copper"))
        .map(|s| match &s.todo {
            Todo::Powered { plan, .. } => plan.worksheet.charge,
            _ => panic!(),
        })
        .sum();
    assert_eq!(made.charges.iter().find(|(t, _)| t == "copper").unwrap().1, sum);
}

#[test]
fn the_narrowest_step_decides_how_many_hang_in_all_of_them() {
    let baths = bath::shipped();
    let sheet = sheet("nickel-on-copper-alloys");
    // Nickel at 4 A/dm2, cleaner at 3 A/dm2 for brass: nickel is the narrower.
    let made = plan_line(
        &asked("20 disc 34 mm x 1 mm; 3 sphere 10 mm", Base::Brass),
        &sheet,
        &tanks(&sheet, &baths, 20.0),
        &supply("5 A"),
        Units::Metric,
    )
    .unwrap();
    assert_eq!(made.counts, [6, 0]);
    // Three of six; the last two discs and the balls together.
    assert_eq!(made.load_count, 4);
    let hung: Vec<_> = made
        .steps
        .iter()
        .filter_map(|s| match &s.todo {
            Todo::Powered { plan, .. } => Some((plan.order.parts, plan.worksheet.load_count)),
            _ => None,
        })
        .collect();
    assert_eq!(hung, [(6, 1), (6, 1)]);
    let places = LineRequest { places: Some(2), ..asked("5 disc 34 mm x 1 mm", Base::Brass) };
    let made =
        plan_line(&places, &sheet, &tanks(&sheet, &baths, 20.0), &supply("5 A"), Units::Metric).unwrap();
    assert_eq!((made.counts, made.load_count), (vec![2], 3));
}

#[test]
fn a_finish_thinner_than_the_strike_is_refused_with_the_orders_own_figures() {
    let baths = bath::shipped();
    let sheet = sheet("nickel-on-stainless-woods");
    let with = |um: &str| {
        let request = LineRequest {
            finish: Some(End::Thickness(um.parse().unwrap())),
            ..asked("disc 34 mm x 1 mm", Base::StainlessSteel)
        };
        plan_line(&request, &sheet, &tanks(&sheet, &baths, 20.0), &supply("20 A"), Units::Metric)
    };
    let no = with("0.4 um").unwrap_err();
    assert_eq!(no.len(), 1);
    assert!(
        no[0]
            .to_string()
            .starts_with("nickel: end: 0.4 µm is asked for, and \"strike\" alone makes about 0.7"),
        "{}",
        no[0]
    );
    let made = with("3 um").unwrap();
    let Todo::Powered { plan, .. } = &made.steps[sheet.finish_step().unwrap()].todo else { panic!() };
    assert_eq!(plan.worksheet.thickness.unwrap().mean.to_string(), "3 µm");
}

#[test]
fn missing_tanks_wrong_baths_and_the_wrong_metal_are_told_at_once() {
    let baths = bath::shipped();
    let sheet = sheet("nickel-on-copper-alloys");
    let mut some = tanks(&sheet, &baths, 20.0);
    some.retain(|t| t.role != "acid");
    let nickel = some.iter_mut().find(|t| t.role == "nickel").unwrap();
    nickel.bath = baths.iter().find(|b| b.name == "silver").unwrap();
    let no =
        plan_line(&asked("disc 34 mm x 1 mm", Base::Steel), &sheet, &some, &supply("5 A"), Units::Metric)
            .unwrap_err();
    let said: Vec<_> = no.iter().map(ToString::to_string).collect();
    assert_eq!(
        said,
        [
            "base: \"Nickel on copper and brass\" is not for steel; take another sheet; this one is for copper, brass",
            "tank: no tank plays \"acid\"; name one that holds acid-activator",
            "tank: \"nickel\" holds silver and cannot play \"nickel\"; name a tank that holds watts-nickel or bright-nickel or sulfamate-nickel",
        ]
    );
    // What a step cannot do is told with the step.
    let no = plan_line(
        &asked("plate 400 mm x 200 mm x 1 mm", Base::Brass),
        &sheet,
        &tanks(&sheet, &baths, 20.0),
        &supply("5 A"),
        Units::Metric,
    )
    .unwrap_err();
    assert!(
        no.iter().all(|o| matches!(o.step.as_deref(), Some("clean" | "nickel"))) && no.len() >= 2,
        "{no:#?}"
    );
}

#[test]
fn sheet_says_what_a_day_brings_what_the_metal_is_worth_and_what_holds_it_back() {
    let baths = bath::shipped();
    let sheet = sheet("nickel-on-copper-alloys");
    let mut tanks = tanks(&sheet, &baths, 20.0);
    tanks.iter_mut().for_each(|t| t.facts.price = Some("17 EUR/kg".parse().unwrap()));
    let made =
        plan_line(&asked("20 disc 34 mm x 1 mm", Base::Brass), &sheet, &tanks, &supply("5 A"), Units::Metric)
            .unwrap();
    let day = &made.day;
    // 8 h and the 10 min that follow no last load, in loads of their time in tanks and 10 min.
    let each = made.time.get() + 600.0;
    assert_eq!(f64::from(day.loads_per_day), ((8.0 * 3600.0 + 600.0) / each).floor());
    let nickel = day.metal.iter().find(|w| w.metal == "nickel").unwrap();
    let worth: f64 = nickel.worth.as_ref().unwrap().trim_end_matches(" EUR").parse().unwrap();
    assert!((worth - nickel.mass.get() * 0.017).abs() <= 0.0051, "{nickel:?}");
    assert!(made.load_count > 1 && day.limit.as_ref().unwrap().1.contains("supply"), "{day:?}");
    assert!(day.longest.as_ref().unwrap().1 > 0.5);
    let page = made.text();
    for row in ["metal", "energy", "in a day", "limit", "longest step"] {
        assert!(page.contains(&format!("\n  {row}")), "{row}: {page}");
    }
}

#[test]
fn each_powered_step_says_its_polarity_its_anodes_what_limits_it_and_what_would_lift_that() {
    let baths = bath::shipped();
    let sheet = sheet("nickel-on-steel");
    let made = plan_line(
        &asked("40 disc 34 mm x 1 mm", Base::Steel),
        &sheet,
        &tanks(&sheet, &baths, 20.0),
        &supply("10 A"),
        Units::Metric,
    )
    .unwrap();
    let powered: Vec<_> = made.steps.iter().filter(|s| matches!(s.todo, Todo::Powered { .. })).collect();
    assert!(powered.len() > 1);
    for step in &made.steps {
        assert_eq!(step.limit.is_some(), matches!(step.todo, Todo::Powered { .. }), "{}", step.name);
        assert_eq!(step.anodes.is_some(), step.limit.is_some(), "{}", step.name);
    }
    // 40 discs of 19.2 cm2 and their rack take about 32 A at 4 A/dm2: the supply's 10 A are what limits.
    let nickel = powered.iter().find(|s| s.tank.as_deref() == Some("nickel")).unwrap();
    let limit = nickel.limit.as_ref().unwrap();
    let by = limit.by.as_deref().unwrap();
    assert!(by.contains("the supply's current (10 A at 4 A/dm²)"), "{by}");
    assert!(limit.lifts.iter().any(|l| l.what.contains("a supply of") && l.gain > 1.5), "{limit:?}");
    let text = made.text().split_whitespace().collect::<Vec<_>>().join(" ");
    for said in ["the part is the ANODE (+): swap the leads", "the part is the cathode (-), opposite: nickel"]
    {
        assert!(text.contains(said), "{said}: {text}");
    }
    assert!(
        text.contains("limited by the supply's current (10 A at 4 A/dm²); what would lift it: a supply of")
    );
    // A few hang at once wherever they are: then nothing limits.
    let few = plan_line(
        &asked("2 disc 34 mm x 1 mm", Base::Steel),
        &sheet,
        &tanks(&sheet, &baths, 20.0),
        &supply("10 A"),
        Units::Metric,
    )
    .unwrap();
    assert!(few.steps.iter().filter_map(|s| s.limit.as_ref()).all(|l| l.by.is_none()), "{few:#?}");
}

use super::*;
use crate::bath::{self, Agitation, Bath};
use crate::part::{Allowance, Part};
use crate::process::{Between, Confirm, End, Entry, Hold, Ramp, Turn};
use crate::quantity::{Amps, Area, Charge, Density, Ratio, Span, Units, Volts};
use proptest::prelude::*;
use std::time::Duration;

const ORDER: &str = include_str!("../../config/orders/keycups.toml");

fn bath_of(name: &str) -> Bath {
    bath::shipped().into_iter().find(|b| b.name == name).unwrap()
}
fn tank(agitation: Agitation) -> TankFacts {
    TankFacts {
        volume: Some("20 L".parse().unwrap()),
        anode_area: Some("6 dm2".parse().unwrap()),
        agitation,
        max_load: None,
        panel: None,
        own: Default::default(),
        price: None,
    }
}
fn supply(amps: &str) -> SupplyLimits {
    SupplyLimits { max_amps: amps.parse().unwrap(), max_volts: "12 V".parse().unwrap() }
}
fn parts(short: &str) -> Vec<Part> {
    short.split(';').map(|p| p.parse().unwrap()).collect()
}
fn nickel(short: &str, um: f64) -> Request {
    Request::new("nickel", parts(short), End::Thickness(format!("{um} um").parse().unwrap()))
}
fn made(request: &Request) -> Plan {
    plan(request, &bath_of("watts-nickel"), &tank(Agitation::Air), &supply("10 A"), Units::Metric)
        .unwrap_or_else(|no| panic!("{no:#?}"))
}
fn refused(request: &Request) -> Vec<String> {
    plan(request, &bath_of("watts-nickel"), &tank(Agitation::Air), &supply("10 A"), Units::Metric)
        .expect_err("it was planned")
        .iter()
        .map(Obstacle::to_string)
        .collect()
}
#[track_caller]
fn near(got: f64, want: f64) {
    assert!((got - want).abs() <= want.abs() * 1e-9, "{got} is not {want}");
}

#[test]
fn title_or_name_that_would_work_a_terminal_or_forge_a_line_is_refused() {
    // Clears a screen; another line; far too much.
    for text in ["\u{1b}[2Jcups", "cups\nstation bench: output off", "\u{9b}2J", &"x".repeat(201)] {
        let said = refused(&Request { title: Some(text.into()), ..nickel("disc 34 mm x 1 mm", 8.0) });
        assert!(
            said.len() == 1 && said[0].contains("title") && said[0].contains("no line of text"),
            "{said:?}"
        );
        assert!(!said[0].contains(char::is_control) && said[0].len() < 300, "{said:?}");
        let part = parts("disc 34 mm x 1 mm")[0].clone().named(text);
        let said = refused(&Request { parts: vec![part], ..nickel("disc 34 mm x 1 mm", 8.0) });
        assert!(said.len() == 1 && said[0].contains("part"), "{said:?}");
    }
    made(&Request {
        title: Some("Kläppchen, 6 µm – für Ada".into()), ..nickel("disc 34 mm x 1 mm", 8.0)
    });
}

#[test]
fn the_example_order_is_planned_as_worked_by_hand() {
    let request = Request::from_toml(ORDER, "keycups.toml").unwrap();
    let Plan { worksheet, order } = made(&request);
    // 6 discs: 6 × (2 × π/4 × 34² + π × 34 × 1) mm² = 11535.9 mm², and 5 % for the rack.
    near(order.area.get(), 6.0 * (578.0 + 34.0) * std::f64::consts::PI * 1e-6 * 1.05);
    // Typical 4 A/dm², below the 0.8 × 25 / 2.7 = 7.4 at which edges come near burning in air.
    near(worksheet.density.get(), 400.0);
    near(worksheet.current.get(), 400.0 * order.area.get());
    assert_eq!(order.control.max_volts(), Volts::new(8.0));
    // 8 µm at 95.5 % of 12.292 µm per A·h/dm².
    let amp_hours = 8.0 / (0.955 * 12.292) * order.area.get() * 100.0;
    let Goal::Charge(charge) = order.goal else { panic!("{:?}", order.goal) };
    assert!((charge.charge().get() / 3600.0 / amp_hours - 1.0).abs() < 1e-4);
    // The ramp of 20 s passes half of what 20 s at the setpoint would.
    near(worksheet.time.get(), worksheet.charge.get() / worksheet.current.get() + 10.0);
    assert_eq!(worksheet.load_count, 1);
    assert_eq!(order.parts, 6);
    assert_eq!(order.title, "6 key cups, nickel 8 µm");
    let t = worksheet.thickness.unwrap();
    near(t.mean.get(), 8e-6);
    near(t.low.get(), 8e-6 * 93.0 / 95.5);
    near(t.high.get(), 8e-6 * 97.0 / 95.5);
    near(worksheet.energy_at_most.get(), worksheet.charge.get() * 8.0);
    near(worksheet.mass.unwrap().get(), 8e-6 * order.area.get() * 8.908e6);
}

#[test]
fn the_same_request_comes_from_file_json_and_by_hand() {
    let from_file = Request::from_toml(ORDER, "keycups.toml").unwrap();
    let by_hand = Request {
        title: Some("6 key cups, nickel 8 µm".into()),
        ceiling: Some(Volts::new(8.0)),
        ramp: Some(Ramp::Time(Span::new(20.0))),
        ..nickel("6 key cup: disc 34 mm x 1 mm", 8.0)
    };
    assert_eq!(from_file, by_hand);
    let json = serde_json::to_string(&from_file).unwrap();
    assert_eq!(serde_json::from_str::<Request>(&json).unwrap(), from_file);
    assert_eq!(toml::from_str::<Request>(ORDER).unwrap(), from_file, "serde reads what the reader reads");
}

#[test]
fn density_is_lowered_where_edges_would_burn_and_the_reason_said() {
    let request = nickel("disc 34 mm x 1 mm", 3.0);
    let still =
        plan(&request, &bath_of("watts-nickel"), &tank(Agitation::Still), &supply("10 A"), Units::Metric)
            .unwrap();
    // 0.8 × 11 / 2.7
    near(still.worksheet.density.get(), 0.8 * 1100.0 / 2.7);
    assert!(
        still
            .worksheet
            .density_why
            .contains("lowered: edges carry 2.7 times the mean and burn at 11 A/dm² without agitation")
    );
    assert_eq!(still.order.burn.unwrap().edge_factor, 2.7);
    // A ball has hardly an edge: the window's end is what stops it.
    let ball = made(&nickel("sphere 20 mm", 3.0));
    near(ball.worksheet.density.get(), 400.0);
    near(ball.worksheet.fastest.get(), 700.0);
    assert!(ball.worksheet.fastest_why.starts_with("the end of the bath's window"));
    // What was measured is believed.
    let known = parts("disc 34 mm x 1 mm").remove(0).with_edge_factor(1.5).unwrap();
    let known = made(&Request { parts: vec![known], ..request });
    assert!(!known.worksheet.warnings.iter().any(|w| w.contains("edge factor")));
    near(known.worksheet.edge_density.get(), 600.0);
}

#[test]
fn more_than_hangs_at_once_makes_loads_and_the_order_is_for_the_first() {
    let request = nickel("7 area 1 dm2", 5.0);
    let plan = made(&request);
    // 10 A at 4 A/dm² feed 2.5 dm²; with 5 % for the rack that is two parts.
    assert_eq!(plan.worksheet.load_count, 4);
    let rows: Vec<_> = plan.worksheet.loads.iter().map(|r| (r.loads, r.parts[0].1)).collect();
    assert_eq!(rows, [(3, 2), (1, 1)]);
    assert_eq!(plan.order.parts, 2);
    assert!(plan.order.title.ends_with("(2 of 7)"), "{}", plan.order.title);
    near(plan.order.area.get(), 0.021);
    let bound = plan.worksheet.at_once.iter().find(|row| row.limits).unwrap();
    assert_eq!((bound.bound, bound.parts), (Bound::Supply, Some(2)));
    assert!(
        plan.worksheet.warnings.iter().any(|w| w.starts_with("The last load is smaller and takes 4.2 A"))
    );
    assert!(plan.worksheet.text().contains("4: 3 of 2 area 1 dm²"));
}

#[test]
fn solution_and_anodes_limit_as_well_as_the_supply() {
    let request = nickel("9 area 1 dm2", 5.0);
    let bath = bath_of("watts-nickel");
    let limit = |tank: TankFacts| {
        let plan = plan(&request, &bath, &tank, &supply("100 A"), Units::Metric).unwrap();
        let row = plan.worksheet.at_once.iter().find(|row| row.limits).unwrap().clone();
        (row.bound, row.parts.unwrap(), plan.order.parts)
    };
    // 2 A/L in 4 L is 8 A, so 2 dm² at 4 A/dm²: one part and its rack.
    let small = TankFacts { volume: Some("4 L".parse().unwrap()), ..tank(Agitation::Air) };
    assert_eq!(limit(small.clone()), (Bound::Solution, 1, 1));
    assert_eq!(limit(tank(Agitation::Air)), (Bound::Anodes, 5, 5));
    let own = TankFacts { max_load: Some("1 A/L".parse().unwrap()), ..small.clone() };
    let no = plan(&request, &bath, &own, &supply("100 A"), Units::Metric).unwrap_err();
    assert!(
        no[0]
            .to_string()
            .contains("more than the solution can feed (1 A/L in 4 L is 4 A); use a larger tank, or hold at most 3.81 A/dm²"),
        "{}",
        no[0]
    );
}

#[test]
fn what_is_not_known_of_the_tank_is_said_and_not_judged() {
    let unknown = TankFacts {
        volume: None,
        anode_area: None,
        agitation: Agitation::Still,
        max_load: None,
        panel: None,
        own: Default::default(),
        price: None,
    };
    let plan =
        plan(&nickel("area 6 in2", 20.0), &bath_of("watts-nickel"), &unknown, &supply("10 A"), Units::Metric)
            .unwrap();
    let all = plan.worksheet.warnings.join("\n");
    for says in [
        "cannot judge, the tank's volume is not given",
        "cannot judge, the tank's anode area is not given",
        "of nickel without agitation: beyond 5 to 10 min",
        "It is taken as all the wetted metal of one part",
    ] {
        assert!(all.contains(says), "{says}\n{all}");
    }
    assert!(plan.worksheet.text().contains("taken as ALL wetted metal"), "{}", plan.worksheet.text());
    let tube = made(&nickel("tube 15 mm x 1 mm x 30 mm", 3.0));
    assert!(tube.worksheet.warnings.iter().any(|w| w.contains("inside of a tube gets little")));
}

#[test]
fn every_obstacle_is_told_at_once_each_with_a_way_out() {
    let said = refused(&Request {
        hold: Some(Hold::Current(Amps::new(12.0))),
        ceiling: Some(Volts::new(15.0)),
        ceiling_amps: Some(Amps::new(2.0)),
        ramp: Some(Ramp::Voltage("1 V/s".parse().unwrap())),
        turn: Some(Turn { faces: 1, between: Between::Off, confirm: Confirm::Contact }),
        ..nickel("disc 34 mm x 1 mm", -1.0)
    });
    for key in [
        "end.thickness",
        "hold.current",
        "ceiling:",
        "ceiling-amps",
        "ramp.voltage",
        "turn.faces",
        "turn.confirm",
    ] {
        assert!(said.iter().any(|line| line.starts_with(key)), "{key}: {said:#?}");
    }
    assert!(said.iter().all(|line| line.contains("; ") && !line.contains('\n')), "{said:#?}");
    assert_eq!(
        refused(&nickel("plate 400 mm x 200 mm x 1 mm", 8.0)),
        [
            "part: one plate 400 mm x 200 mm x 1 mm with its rack is 16.93 dm² and takes 67.7 A, more than the supply \
             can feed (10 A at 4 A/dm²); use a larger supply (the 0.5908 A/dm² that it can feed is below the bath's \
             window)",
            "part: one plate 400 mm x 200 mm x 1 mm with its rack is 16.93 dm² and takes 67.7 A, more than the \
             solution can feed (2 A/L in 20 L is 40 A); use a larger tank, or hold at most 2.363 A/dm²",
            "part: one plate 400 mm x 200 mm x 1 mm with its rack is 16.93 dm² and takes 67.7 A, more than the anodes \
             can feed (6 dm² of anode, 1 to 1 of work); use at least 16.93 dm² of anodes",
        ]
    );
    let zero = Request { hold: Some(Hold::Density(Density::ZERO)), ..nickel("disc 34 mm x 1 mm", 8.0) };
    assert_eq!(refused(&zero), ["hold.density: 0 A/dm² is not more than nothing; write a value above zero"]);
    assert!(
        refused(&Request { time_limit: Some(Span::new(60.0)), ..nickel("disc 34 mm x 1 mm", 8.0) })[0]
            .starts_with("time-limit: 1 min is shorter than the")
    );
    assert!(
        refused(&Request { parts: vec![], ..nickel("sphere 1 mm", 1.0) })[0].starts_with("part: no parts")
    );
    assert!(
        refused(&Request { rack: Allowance::Share(Ratio::new(-1.0)), ..nickel("sphere 1 mm", 1.0) })[0]
            .starts_with("rack: ")
    );
    assert!(
        refused(&Request { entry_volts: Some(Volts::new(9.0)), ..nickel("sphere 9 mm", 1.0) })[0]
            .starts_with("entry-volts: 9 V is not between nothing and the run's 8 V")
    );
}

#[test]
fn cleaners_run_by_time_with_the_density_of_the_base_metal() {
    let cleaner = bath_of("electrocleaner");
    let request = |base: &str, end| Request {
        base: Some(base.into()),
        ..Request::new("cleaner", parts("2 disc 34 mm x 1 mm"), end)
    };
    let go = |r: &Request| plan(r, &cleaner, &tank(Agitation::Still), &supply("30 A"), Units::Metric);
    let (base, window) = cleaner.density_by_base[0].clone();
    let made = go(&request(&base, End::Time(Span::new(30.0)))).unwrap();
    assert_eq!(made.worksheet.density, window.typical);
    assert_eq!(made.order.goal, Goal::Time(Duration::from_secs(30)));
    assert!(made.order.deposit.is_none() && made.worksheet.thickness.is_none());
    let no = go(&request("butter", End::Thickness("1 um".parse().unwrap()))).unwrap_err();
    let keys: Vec<_> = no.iter().map(|o| o.key).collect();
    assert_eq!(keys, ["end.thickness", "base"]);
    let dip = bath_of("acid-activator");
    let no = plan(
        &request("brass", End::Time(Span::new(30.0))),
        &dip,
        &tank(Agitation::Still),
        &supply("30 A"),
        Units::Metric,
    )
    .unwrap_err();
    assert!(no[0].wrong.contains("is a dip without current"));
}

#[test]
fn a_held_voltage_gets_a_current_ceiling_and_says_that_time_is_a_guess() {
    let request = Request { hold: Some(Hold::Voltage(Volts::new(5.0))), ..nickel("2 area 6 in2", 3.0) };
    let Plan { worksheet, order } = made(&request);
    let Control::Voltage { setpoint, ceiling, slope } = order.control else { panic!() };
    assert_eq!((setpoint, slope), (Volts::new(5.0), "0.25 V/s".parse().unwrap()));
    near(ceiling.get(), (worksheet.fastest * order.area).get());
    assert!(worksheet.warnings.iter().any(|w| w.contains("is a guess, and so is the time")));
    let eager = made(&Request { ceiling_amps: Some(Amps::new(9.5)), ..request.clone() });
    assert!(
        eager.worksheet.warnings.iter().any(|w| w.starts_with("The ceiling of 9.5 A lets the density rise"))
    );
    let short = made(&Request { end: End::Time(Span::new(15.0)), ..request.clone() });
    assert!(short.worksheet.warnings.iter().any(|w| w.starts_with("It ends before the ramp of 20 s")));
    let live = made(&Request { entry: Entry::OnContact, ..request });
    assert_eq!((live.order.entry, live.order.entry_volts), (Entry::OnContact, Volts::new(2.0)));
    assert!(live.order.entry_amps < ceiling);
}

#[test]
fn cautions_are_always_there() {
    for bath in bath::shipped().iter().filter(|b| !b.is_dip()) {
        let request = Request::new("t", parts("sphere 20 mm"), End::Time(Span::new(60.0)));
        let plan = plan(&request, bath, &tank(Agitation::Rod), &supply("30 A"), Units::Metric)
            .unwrap_or_else(|no| panic!("{}: {no:?}", bath.name));
        let page = plan.worksheet.text().split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(page.contains("The software is not a safety interlock"), "{}", bath.name);
        assert!(page.contains("safety data sheets, local codes"), "{}", bath.name);
        for caution in &bath.cautions {
            let text = caution.text.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(page.contains(&text), "{text}");
        }
        assert!(!bath.cyanide || page.contains("acid frees hydrogen cyanide"), "{}", bath.name);
    }
}

#[test]
fn the_page_is_80_columns_wide_and_one_page_long_in_both_units() {
    let request = Request::from_toml(ORDER, "keycups.toml").unwrap();
    for units in [Units::Metric, Units::Us] {
        let plan =
            plan(&request, &bath_of("watts-nickel"), &tank(Agitation::Still), &supply("3 A"), units).unwrap();
        let page = plan.worksheet.text();
        assert!(page.lines().all(|line| line.chars().count() <= 80), "{page}");
        assert!(page.lines().count() <= 66, "{} lines\n{page}", page.lines().count());
        let (own, other) = if units == Units::Us { ("A/ft²", "A/dm²") } else { ("A/dm²", "A/ft²") };
        assert!(page.contains(own) && !page.contains(other), "{page}");
        assert!(page.contains("dm² (") && page.contains(" in²)"), "areas are in both\n{page}");
        let json = serde_json::to_value(&plan).unwrap();
        assert_eq!(json["worksheet"]["load-count"], 2);
        assert_eq!(json["order"]["parts"], 4);
    }
}

#[test]
fn a_bad_order_file_is_told_all_at_once_with_places_and_remedies() {
    let text = "\
tank = 3
entry = \"alive\"
cieling = \"8 V\"
[end]
thickness = 8
time = \"3 min\"
[hold]
density = \"4 A\"
[[part]]
disc = { diameter = \"34\", thickness = \"1 mm\", face = \"one\" }
[[part]]
count = 0
washer = { outside = \"10 mm\", inside = \"12 mm\", thickness = \"1 mm\" }
[[part]]
washer = { outside = \"10 mm\", inside = \"12 mm\", thickness = \"1 mm\" }
";
    let said: Vec<_> =
        Request::from_toml(text, "o.toml").unwrap_err().iter().map(ToString::to_string).collect();
    let expected = [
        "o.toml:1:8 tank: 3 is a whole number; write text in quotes",
        "o.toml:2:9 entry: \"alive\" is not one of the choices; did you mean \"live\"? It can be \"dead\", \"live\", \"on-contact\"",
        "o.toml:3:1 cieling: there is no such key; did you mean \"ceiling\"?",
        "o.toml:6:8 end.time: more than one of thickness, minimum, standard, charge, time; keep one of them",
        "o.toml:8:11 hold.density: \"4 A\" is a current, not a current density; write a number and one of A/dm2, A/ft2, A/m2, A/cm2, mA/cm2 or A/in2",
        "o.toml:10:21 part.disc.diameter: \"34\" has no unit; write a number and one of mm, um, in, uin, m, cm, nm, ft or mil",
        "o.toml:10:47 part.disc.face: there is no such key; did you mean \"faces\"?",
        "o.toml:12:9 part.count: 0 is not a whole number from 1 to 100000; write a whole number from 1 to 100000",
        "o.toml:14:1 part: inside 12 mm leaves no metal inside an outer diameter of 10 mm; write less than 10 mm",
    ];
    assert_eq!(said, expected);
    let said = Request::from_toml("tank = 'n'\n[end]\n", "o.toml").unwrap_err();
    let said: Vec<_> = said.iter().map(ToString::to_string).collect();
    assert_eq!(
        said,
        [
            "o.toml:1:1 part: is missing; write at least one table [[part]]",
            "o.toml:2:1 end: has none of thickness, minimum, standard, charge, time; write one of them",
        ]
    );
}

#[test]
fn turns_split_the_charge_and_ramp_again_for_each_face() {
    let once = made(&nickel("area 1 dm2", 5.0)).worksheet;
    let turned = made(&Request {
        turn: Some(Turn { faces: 4, between: Between::Off, confirm: Confirm::Operator }),
        ..nickel("area 1 dm2", 5.0)
    })
    .worksheet;
    assert_eq!(once.charge, turned.charge);
    near(turned.time.get() - once.time.get(), 30.0);
}

#[test]
fn worksheet_says_each_turn_that_the_run_will_ask_for() {
    let asked = |turn| Request { turn, ..nickel("area 1 dm2", 5.0) };
    let turn = |faces, between, confirm| Some(Turn { faces, between, confirm });
    assert_eq!(made(&asked(None)).worksheet.turn, None);
    let twice = made(&asked(turn(2, Between::Off, Confirm::Operator))).worksheet;
    let said = twice.turn.clone().unwrap();
    let [at] = said.at[..] else { panic!("{said:?}") };
    assert_eq!((at.face, at.share), (2, Ratio::new(0.5)));
    near(at.after.get(), twice.time.get() / 2.0);
    let half = at.after.show(Units::Metric);
    let words =
        format!("after {half} of current the output goes off: turn the parts, face 2 of 2 to the anode");
    assert!(
        said.say.starts_with(&words) && said.say.contains("No current flows until you do"),
        "{}",
        said.say
    );
    let page = twice.text().split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(page.contains(&words), "{page}");

    let many = made(&asked(turn(4, Between::EntryVoltage, Confirm::Contact)));
    let said = many.worksheet.turn.unwrap();
    near(said.at[2].after.get(), many.worksheet.time.get() * 0.75);
    for words in [
        "the current falls each time: turn the parts, face 2, then 3, then 4 of 4 to the anode",
        "or let it see the contact break and return",
        &format!("The output stays ON at {}", many.order.entry_volts),
    ] {
        assert!(said.say.contains(words), "{words}: {}", said.say);
    }
}

proptest! {
    #[test]
    fn no_order_asks_for_more_than_supply_tank_and_ceiling_allow(
        count in 1u32..400,
        mm in 1.0f64..120.0,
        um in 0.01f64..100.0,
        amps in 0.05f64..200.0,
        volts in 1.0f64..40.0,
        litres in 0.5f64..500.0,
        anode_dm2 in 0.1f64..100.0,
        share in 0.0f64..2.0,
        which in 0usize..8,
        faces in 1u8..6,
        moved in 0usize..4,
        hold in 0usize..4,
    ) {
        let baths: Vec<_> = bath::shipped().into_iter().filter(|b| b.metal.is_some()).collect();
        let bath = &baths[which % baths.len()];
        let shape = ["disc {} mm x 1 mm", "sphere {} mm", "tube 200 mm x 1 mm x {} mm", "cone {} mm x 9 mm"][which % 4];
        let part: Part = format!("{count} {}", shape.replace("{}", &mm.to_string())).parse().unwrap();
        let supply = SupplyLimits { max_amps: Amps::new(amps), max_volts: Volts::new(volts) };
        let tank = TankFacts {
            volume: Some(crate::quantity::Volume::new(litres)),
            anode_area: Some(Area::new(anode_dm2 / 100.0)),
            agitation: [Agitation::Still, Agitation::Rod, Agitation::Air, Agitation::Vigorous][moved],
            max_load: None,
            panel: None, own: Default::default(), price: None
        };
        let request = Request {
            rack: Allowance::Share(Ratio::new(share)),
            hold: [None, Some(Hold::Density(bath.density.high)), Some(Hold::Current(Amps::new(amps / 2.0))), Some(Hold::Voltage(Volts::new(volts / 2.0)))][hold],
            turn: (faces > 1).then_some(Turn { faces, between: Between::Off, confirm: Confirm::Operator }),
            ..nickel("sphere 1 mm", um)
        };
        let request = Request { parts: vec![part], ..request };
        match plan(&request, bath, &tank, &supply, Units::Metric) {
            Ok(Plan { worksheet, order }) => {
                let room = 1.0 + 1e-6;
                prop_assert!(order.control.max_amps().get() <= amps * room);
                prop_assert!(order.control.max_volts().get() <= volts);
                prop_assert!(order.entry_volts <= order.control.max_volts());
                prop_assert!(order.entry_amps <= order.control.max_amps());
                if let Some(most) = bath.max_load {
                    prop_assert!(order.control.max_amps().get() <= most.get() * litres * room);
                }
                let hung: u32 = worksheet.loads.iter().map(|row| row.loads * row.parts.iter().map(|p| p.1).sum::<u32>()).sum();
                prop_assert_eq!(hung, count);
                prop_assert!(order.time_limit >= worksheet.time.duration());
                let Goal::Charge(charge) = order.goal else { panic!() };
                prop_assert!((charge.charge() - worksheet.charge).abs() <= Charge::new(1e-6));
                let t = worksheet.thickness.unwrap();
                prop_assert!((t.mean.get() - um * 1e-6).abs() < um * 1e-12);
                prop_assert!(t.low <= t.mean && t.mean <= t.high);
                prop_assert!(worksheet.text().lines().all(|l| l.chars().count() <= 80));
            }
            Err(no) => prop_assert!(!no.is_empty() && no.iter().all(|o| !o.wrong.is_empty() && !o.remedy.is_empty())),
        }
    }
}

#[test]
fn the_example_tells_of_every_key_and_none_that_is_refused() {
    let all: String = ORDER
        .lines()
        .map(|line| match line.strip_prefix("# ") {
            Some(key)
                if key.starts_with('[') || key.split_once(" = ").is_some_and(|(k, _)| !k.contains(' ')) =>
            {
                format!("{key}\n")
            }
            _ => format!("{line}\n"),
        })
        .collect();
    // With everything uncommented at once only the choices are in each other's way.
    let said = Request::from_toml(&all, "keycups.toml").unwrap_err();
    let choices: Vec<_> = said.iter().filter(|p| p.wrong.starts_with("more than one of")).collect();
    assert_eq!(choices.len(), said.len(), "{said:#?}");
    assert_eq!(choices.len(), 4, "end, hold, ramp, rack: {said:#?}");
    let known = serde_json::to_value(Request {
        title: Some("t".into()),
        base: Some("b".into()),
        hold: Some(Hold::Current(Amps::new(1.0))),
        entry_volts: Some(Volts::new(1.0)),
        ramp: Some(Ramp::Time(Span::new(1.0))),
        turn: Some(Turn { faces: 2, between: Between::Off, confirm: Confirm::Operator }),
        ceiling: Some(Volts::new(1.0)),
        ceiling_amps: Some(Amps::new(1.0)),
        time_limit: Some(Span::new(1.0)),
        places: Some(1),
        metal_price: Some("1 EUR/g".parse().unwrap()),
        day: Some(Day::default()),
        ..nickel("sphere 1 mm", 1.0)
    })
    .unwrap();
    for key in known.as_object().unwrap().keys() {
        let there = all.lines().any(|line| {
            line.starts_with(&format!("{key} ="))
                || line == format!("[{key}]")
                || line == format!("[[{key}]]")
        });
        assert!(there, "{key} is not in the example");
    }
}

#[test]
fn the_tanks_own_panel_goes_before_the_bath_file_and_makes_the_margin_surer() {
    let request = nickel("6 disc 34 mm x 1 mm", 8.0);
    let by_file = made(&request);
    let facts = TankFacts { panel: Some("9 A/dm2".parse().unwrap()), ..tank(Agitation::Air) };
    let by_panel = plan(&request, &bath_of("watts-nickel"), &facts, &supply("10 A"), Units::Metric).unwrap();
    let (file, own) = (by_file.order.burn.unwrap(), by_panel.order.burn.unwrap());
    assert!(own.own_panel && !file.own_panel);
    assert_eq!(own.density.to_string(), "9 A/dm²");
    assert!(by_panel.worksheet.fastest < by_file.worksheet.fastest);
    assert!(by_panel.worksheet.text().contains("by this tank's own panel"), "{}", by_panel.worksheet.text());
}

//! The bench against what is known of benches, and each fault against its name.

use super::*;
use crate::bath::Agitation;
use crate::quantity::{Amps, Mono, Reading, Regulation, Volts};
use std::time::Duration;

fn sec(s: f64) -> Mono {
    Mono::from_nanos((s * 1e9) as u64)
}

/// A nickel bench in constant voltage.
fn at_volts(volts: f64, script: &str) -> Bench {
    let mut bench =
        Bench::new(Setup { script: Script::parse(script).unwrap(), ..Setup::default() }, Mono::ZERO);
    bench.set_volts(Mono::ZERO, Volts::new(volts)).unwrap();
    bench.set_amps(Mono::ZERO, Amps::new(10.0)).unwrap();
    assert!(bench.output(Mono::ZERO, true));
    bench
}

/// A nickel bench in constant current under a ceiling.
fn at_amps(amps: f64, script: &str) -> Bench {
    let mut bench = at_volts(8.0, script);
    bench.set_amps(Mono::ZERO, Amps::new(amps)).unwrap();
    bench
}

fn truth_at(bench: &mut Bench, s: f64) -> Truth {
    bench.advance(sec(s));
    bench.truth()
}

#[test]
fn nickel_part_takes_the_amperes_that_a_bench_sees() {
    // Common practice, no source: warm bright nickel, 6 in2 a side, one anode, still:
    // 4 V gives 2.8 to 2.9 A, 5 V about 4 A; slope about 1.15 A/V.
    let four = at_volts(4.0, "").read(sec(1.0)).amps.get();
    let five = at_volts(5.0, "").read(sec(1.0)).amps.get();
    assert!((2.8..=2.9).contains(&four), "{four}");
    assert!((3.9..=4.1).contains(&five), "{five}");
    let slope = five - four;
    assert!((1.10..=1.20).contains(&slope), "{slope}");
    let intercept = 4.0 - four / slope;
    assert!((1.4..=1.65).contains(&intercept), "{intercept}");
}

#[test]
fn nickel_part_does_not_burn_in_20_s_at_5_v_but_does_at_8() {
    // Common practice, no source: at 5 V no burning in 15 to 20 s.
    let t = truth_at(&mut at_volts(5.0, ""), 20.0);
    assert!(!t.burnt, "film {}", t.edge_film);
    let t = truth_at(&mut at_volts(8.0, ""), 120.0);
    assert!(t.burnt, "film {}", t.edge_film);
    assert!(t.burnt_at.unwrap() > sec(2.0), "a full film lasts a while");
}

#[test]
fn nickel_part_gains_100_microinches_in_3_to_4_minutes_at_4_v() {
    // Common practice, no source: 100 uin (2.5 um) in 3 to 4 min.
    let mut bench = at_volts(4.0, "");
    let three = truth_at(&mut bench, 180.0).thickness.get();
    let four = truth_at(&mut bench, 240.0).thickness.get();
    assert!(three < 2.54e-6 && 2.54e-6 < four, "{three} {four}");
}

#[test]
fn current_and_voltage_are_each_others_inverse_and_rise() {
    for kind in [Kind::Nickel, Kind::Copper, Kind::Silver, Kind::Gold, Kind::Other, Kind::Cleaner] {
        let chemistry = Chemistry::new(kind);
        for area in [1e-4, 7.7e-3, 1.0] {
            let setup = CellSetup {
                area,
                edge_factor: 2.5,
                agitation: Agitation::Air,
                temperature: chemistry.temperature,
            };
            let mut cell = Cell::new(chemistry, setup);
            for flaws in [
                Flaws::default(),
                Flaws { short: true, ..Flaws::default() },
                Flaws { anode_lead_off: true, part_left: 0.4, contact_ohms: 0.5, ..Flaws::default() },
            ] {
                cell.flaws = flaws;
                let mut last = -1.0;
                for step in 1..60 {
                    let amps = area * 20.0 * f64::from(step);
                    let volts = cell.volts_at(amps);
                    assert!(volts > last, "{kind:?} {area} {amps}: {volts} after {last}");
                    last = volts;
                    let back = cell.current_at(volts);
                    assert!((back - amps).abs() < 1e-6 + 1e-6 * amps, "{kind:?} {flaws:?} {amps} {back}");
                }
            }
        }
    }
}

#[test]
fn no_current_flows_backward_into_a_supply_below_the_open_circuit_voltage() {
    let mut bench = at_volts(0.1, "");
    let t = truth_at(&mut bench, 1.0);
    assert_eq!(t.amps, Amps::ZERO);
    assert!(t.volts.get() > 0.1, "the bath holds its own voltage");
}

#[test]
fn the_lower_of_the_two_setpoints_wins_and_the_crossing_is_where_the_cell_says() {
    let mut bench = at_volts(4.0, "");
    let r = bench.read(sec(1.0));
    assert_eq!(r.regulation, Some(Regulation::ConstantVoltage));
    let crossing = r.amps;
    bench.set_amps(sec(1.0), crossing - Amps::new(0.05)).unwrap();
    let r = bench.read(sec(2.0));
    assert_eq!(r.regulation, Some(Regulation::ConstantCurrent));
    assert!(r.volts < Volts::new(4.0));
    bench.set_amps(sec(2.0), crossing + Amps::new(0.05)).unwrap();
    assert_eq!(bench.read(sec(3.0)).regulation, Some(Regulation::ConstantVoltage));
}

#[test]
fn setpoints_out_of_range_change_nothing() {
    let mut bench = at_amps(2.0, "");
    assert!(bench.set_amps(sec(1.0), Amps::new(10.5)).is_err());
    assert!(bench.set_amps(sec(1.0), Amps::new(f64::NAN)).is_err());
    assert!(bench.set_volts(sec(1.0), Volts::new(-1.0)).is_err());
    let r = bench.read(sec(2.0));
    assert_eq!((r.set_amps, r.set_volts), (Some(Amps::new(2.0)), Some(Volts::new(8.0))));
}

#[test]
fn over_voltage_protection_trips_on_open_circuit_and_stays_until_cleared() {
    let mut bench = at_amps(2.0, "at 5 s open-circuit for 5 s");
    bench.set_ovp(sec(0.5), Volts::new(6.0)).unwrap();
    assert!(truth_at(&mut bench, 4.9).output);
    let r = bench.read(sec(5.5));
    assert_eq!((r.output, r.faults.over_voltage), (Some(false), true));
    assert!(!bench.output(sec(11.0), true), "on is refused while tripped");
    bench.clear_trips(sec(11.0));
    assert!(!bench.truth().output, "clearing does not switch on");
    assert!(bench.output(sec(11.0), true));
}

#[test]
fn over_current_protection_trips_within_a_tenth_of_a_second() {
    let mut bench = at_volts(5.0, "");
    bench.set_ocp(sec(1.0), Amps::new(3.0)).unwrap();
    let r = bench.read(sec(1.1));
    assert_eq!((r.output, r.faults.over_current, r.amps), (Some(false), true, Amps::ZERO));
}

#[test]
fn one_seed_gives_one_story_and_another_seed_another() {
    let story = |seed: u64| -> Vec<Reading> {
        let script = Script::parse("at 3 s bad-contact for 20 s\nat 30 s part-off 30 %").unwrap();
        let mut bench = Bench::new(Setup { seed, script, ..Setup::default() }, Mono::ZERO);
        bench.set_volts(Mono::ZERO, Volts::new(8.0)).unwrap();
        bench.set_amps(Mono::ZERO, Amps::new(2.0)).unwrap();
        bench.output(Mono::ZERO, true);
        (1..400).map(|i| bench.read(Mono::from_millis(i * 100))).collect()
    };
    assert_eq!(story(7), story(7));
    assert_ne!(story(7), story(8));
}

#[test]
fn film_empties_after_agitation_stops_and_refills_when_it_returns() {
    let script = Script::parse("at 60 s agitation-stops for 120 s").unwrap();
    let setup = Setup { script, agitation: Agitation::Air, ..Setup::default() };
    let mut bench = Bench::new(setup, Mono::ZERO);
    bench.set_volts(Mono::ZERO, Volts::new(10.0)).unwrap();
    bench.set_amps(Mono::ZERO, Amps::new(5.5)).unwrap();
    bench.output(Mono::ZERO, true);
    let before = truth_at(&mut bench, 59.0);
    let soon = truth_at(&mut bench, 62.0);
    let after = truth_at(&mut bench, 179.0);
    let again = truth_at(&mut bench, 260.0);
    assert!(before.edge_film > 0.7 && !before.burnt, "{before:?}");
    assert!(soon.edge_film > 0.5 && !soon.burnt, "it takes time: {soon:?}");
    assert!(after.edge_film < 0.1 && after.burnt, "{after:?}");
    assert!((after.edge_limit.get() * 4.0 / before.edge_limit.get() - 1.0).abs() < 0.05);
    assert!((again.edge_film - before.edge_film).abs() < 0.02 && again.burnt, "{again:?}");
    // Almost invisible in volts before the film is empty.
    assert!((soon.volts.get() / before.volts.get() - 1.0).abs() < 0.01);
}

#[test]
fn an_empty_film_costs_a_step_of_volts_where_the_work_is_even() {
    // Hydrogen takes over at 0.2 to 0.4 V more (from memory).
    let chemistry = Chemistry::new(Kind::Nickel);
    let setup = CellSetup { area: 7.7e-3, edge_factor: 1.0, agitation: Agitation::Still, temperature: 55.0 };
    let mut cell = Cell::new(chemistry, setup);
    let amps = 1.3 * cell.edge_limit() * cell.area();
    let fresh = cell.volts_at(amps);
    for _ in 0..3000 {
        cell.advance(0.1, amps, fresh);
    }
    let step = cell.volts_at(amps) - fresh;
    assert!((0.2..=0.4).contains(&step), "{step}");
    assert!(cell.burnt());
}

#[test]
fn a_cooling_bath_takes_more_volts_and_burns_sooner() {
    let mut bench = at_amps(2.8, "at 10 s heater-fails 10 min");
    let before = truth_at(&mut bench, 9.0);
    let after = truth_at(&mut bench, 200.0);
    let degrees = before.temperature.get() - after.temperature.get();
    assert!(degrees > 5.0, "{degrees}");
    // About 45 mV a degree on a model of a nickel bench; 30 to 70 here.
    let per_degree = (after.volts.get() - before.volts.get()) / degrees;
    assert!((0.030..0.070).contains(&per_degree), "{per_degree}");
    assert!(after.edge_limit < before.edge_limit);
}

#[test]
fn faults_in_the_cell_look_like_what_they_are() {
    let volts = |script: &str, at: f64| truth_at(&mut at_amps(2.8, script), at);
    let sound = volts("", 20.0);
    let open = volts("at 10 s open-circuit", 20.0);
    assert_eq!((open.amps, open.volts), (Amps::ZERO, Volts::new(8.0)));
    let short = volts("at 10 s short", 20.0);
    assert!(short.volts.get() < 0.3 && short.amps.get() > 2.7, "{short:?}");
    let part = volts("at 10 s part-off 30 %", 20.0);
    assert!(part.volts.get() > sound.volts.get() * 1.2, "{part:?}");
    let lead = volts("at 10 s anode-lead-off", 20.0);
    assert!(lead.volts.get() > sound.volts.get() * 1.1, "{lead:?}");
    let passive = volts("at 10 s anode-passivates", 240.0);
    assert!(passive.volts.get() > sound.volts.get() + 0.8, "{passive:?}");
    let tripped = volts("at 10 s supply-trips", 20.0);
    assert!(!tripped.output && tripped.amps == Amps::ZERO);
    let knob = volts("at 10 s front-panel-current 1 A", 20.0);
    assert!((knob.amps.get() - 1.0).abs() < 1e-9);
    let knob = volts("at 10 s front-panel-voltage 2 V", 20.0);
    assert!((knob.volts.get() - 2.0).abs() < 1e-9 && knob.output);
    assert!(!volts("at 10 s front-panel-output-off", 20.0).output);
}

#[test]
fn a_bad_contact_comes_and_goes_and_then_is_gone() {
    let mut bench = at_amps(2.8, "at 10 s bad-contact for 60 s");
    let sound = truth_at(&mut bench, 9.0).volts.get();
    let mut excursions = 0;
    let mut bad = false;
    for i in 1000..7000 {
        let v = truth_at(&mut bench, f64::from(i) * 0.01).volts.get();
        let now_bad = v > sound + 0.5;
        excursions += i32::from(now_bad && !bad);
        bad = now_bad;
    }
    assert!((5..60).contains(&excursions), "{excursions}");
    let after = truth_at(&mut bench, 75.0).volts.get();
    assert!((after / sound - 1.0).abs() < 0.01, "{after} {sound}");
}

#[test]
fn faults_of_the_link_are_told_and_end() {
    let mut bench =
        at_amps(1.0, "at 1 s after start link-drops for 2 s\nat 5 s late-reply 2 s for 1 s\nat 8 s unplug");
    assert_eq!(bench.link(), Link::Up);
    bench.advance(sec(1.5));
    assert_eq!(bench.link(), Link::Silent);
    bench.advance(sec(3.5));
    assert_eq!(bench.link(), Link::Up);
    bench.advance(sec(5.5));
    assert_eq!(bench.link(), Link::Late(Duration::from_secs(2)));
    bench.advance(sec(100.0));
    assert_eq!(bench.link(), Link::Gone);
    assert!(bench.truth().output, "a lost link does not switch anything off");
    bench.clear_faults(sec(101.0));
    assert_eq!(bench.link(), Link::Up);
}

#[test]
fn a_power_cycle_forgets_the_setpoints_and_leaves_the_output_off() {
    let mut bench = at_amps(2.0, "at 5 s power-cycle for 3 s");
    bench.advance(sec(6.0));
    assert_eq!(bench.link(), Link::Silent);
    assert!(!bench.output(sec(6.0), true), "no mains, no output");
    let r = bench.read(sec(9.0));
    assert_eq!(bench.link(), Link::Up);
    assert_eq!((r.output, r.set_amps, r.set_volts), (Some(false), Some(Amps::ZERO), Some(Volts::ZERO)));
}

#[test]
fn a_part_not_yet_hung_draws_nothing_and_then_does() {
    let mut bench = at_volts(2.0, "");
    bench.hang(Mono::ZERO, false);
    assert_eq!(truth_at(&mut bench, 3.0).amps, Amps::ZERO);
    bench.hang(sec(3.0), true);
    assert!(truth_at(&mut bench, 4.0).amps.is_positive());
}

#[test]
fn charge_is_amperes_times_seconds_whatever_the_steps() {
    let mut coarse = at_amps(2.0, "");
    let mut fine = at_amps(2.0, "");
    for i in 1..6000 {
        fine.advance(Mono::from_millis(i * 10));
    }
    fine.advance(sec(60.0));
    coarse.advance(sec(60.0));
    let (a, b) = (coarse.truth().charge.get(), fine.truth().charge.get());
    assert!((a - 120.0).abs() < 0.1 && (b - 120.0).abs() < 0.1, "{a} {b}");
    assert!((a - b).abs() < 0.01, "{a} {b}");
}

#[test]
fn time_never_runs_backward_and_a_repeated_instant_is_free() {
    let mut bench = at_amps(2.0, "");
    let once = truth_at(&mut bench, 10.0);
    assert_eq!(once, truth_at(&mut bench, 10.0));
    assert_eq!(once, truth_at(&mut bench, 4.0));
}

#[test]
fn any_bath_name_gives_a_bench_whose_volts_lie_in_a_bath_s_usual_range() {
    // Tank volts at a usual density: Surfacing guidebook 2012-13, "Cathode Current Densities":
    // nickel 4 to 8, copper sulfate 1 to 4, silver 0.5 to 2, acid gold 5 to 6 (wider here: 4 to 7).
    for (name, density, low, high) in [
        ("watts-nickel", 400.0, 4.0, 8.0),
        ("acid-copper", 300.0, 1.0, 4.0),
        ("silver", 100.0, 0.5, 2.0),
        ("acid-gold", 150.0, 4.0, 7.0),
    ] {
        let chemistry = Chemistry::named(name);
        let setup = CellSetup {
            area: 0.01,
            edge_factor: 1.9,
            agitation: Agitation::Air,
            temperature: chemistry.temperature,
        };
        let volts = Cell::new(chemistry, setup).volts_at(density * 0.01);
        assert!((low..=high).contains(&volts), "{name}: {volts}");
    }
}

#[test]
fn forty_minutes_of_readings_keep_the_charge() {
    let mut bench = at_amps(2.8, "");
    let readings = (1..=12_000).map(|i| bench.read(Mono::from_millis(i * 200))).count();
    assert_eq!(readings, 12_000);
    let t = bench.truth();
    assert!((t.charge.get() / (2.8 * 2400.0) - 1.0).abs() < 1e-3);
}

#[test]
fn every_shipped_bath_gives_a_cell_that_plates_at_its_usual_density_without_burning() {
    for bath in crate::bath::shipped() {
        if bath.is_dip() {
            continue;
        }
        let chemistry = Chemistry::of(&bath);
        let usual = bath.density.typical.get();
        let setup = CellSetup {
            area: 0.01,
            edge_factor: 1.5,
            agitation: Agitation::Air,
            temperature: bath.temperature.typical.get(),
        };
        let mut cell = Cell::new(chemistry, setup);
        let amps = usual * 0.01;
        let volts = cell.volts_at(amps);
        println!(
            "{}: {:?} {usual} A/m2 {volts:.2} V, usual {:?}, limit {:.0}",
            bath.name,
            chemistry.kind,
            bath.volts.map(|v| (v.low.get(), v.typical.get(), v.high.get())),
            cell.edge_limit()
        );
        assert!((0.2..15.0).contains(&volts), "{}: {volts}", bath.name);
        for _ in 0..1200 {
            cell.advance(0.1, amps, volts);
        }
        assert!(!cell.burnt(), "{}: edge film {}", bath.name, cell.edge_film());
        assert_eq!(cell.thickness() > 0.0, bath.metal.is_some(), "{}", bath.name);
    }
}

#[test]
fn a_new_setpoint_is_approached_at_the_slew_rate_and_meters_show_whole_counts() {
    let rating = Rating { amps_slew: 2.0, amps_step: 0.01, volts_step: 0.01, ..Rating::default() };
    let mut bench = Bench::new(Setup { rating, ..Setup::default() }, Mono::ZERO);
    bench.set_volts(Mono::ZERO, Volts::new(8.0)).unwrap();
    bench.set_amps(Mono::ZERO, Amps::new(2.0)).unwrap();
    bench.output(Mono::ZERO, true);
    let half_way = truth_at(&mut bench, 0.5).amps.get();
    assert!((half_way - 1.0).abs() < 0.02, "{half_way}");
    for i in 0..50 {
        let r = bench.read(sec(2.0 + 0.1 * f64::from(i)));
        let counts = r.amps.get() / 0.01;
        assert!((counts - counts.round()).abs() < 1e-6, "{counts}");
        assert!((r.amps.get() - 2.0).abs() < 0.05);
    }
}

proptest::proptest! {
    #[test]
    fn volts_and_amperes_stay_inverse_whatever_the_cell_went_through(
        area in 1e-5..2.0f64,
        edge in 1.0..4.5f64,
        degrees in 5.0..80.0f64,
        history in proptest::collection::vec((0.0..3000.0f64, 0.01..60.0f64), 0..8),
        left in 0.01..1.0f64,
        ohms in 0.0..3.0f64,
        passivates: bool,
        short: bool,
        density in 0.1..5000.0f64,
    ) {
        let chemistry = Chemistry::new(Kind::Nickel);
        let setup = CellSetup { area, edge_factor: edge, agitation: Agitation::Still, temperature: degrees };
        let mut cell = Cell::new(chemistry, setup);
        cell.flaws = Flaws { part_left: left, contact_ohms: ohms, anode_passivates: passivates, ..Flaws::default() };
        for (density, seconds) in history {
            let amps = density * area;
            let volts = cell.volts_at(amps);
            cell.advance(seconds, amps, volts);
            proptest::prop_assert!((0.0..=1.0).contains(&cell.edge_film()));
        }
        cell.flaws.short = short;
        let amps = density * area;
        let volts = cell.volts_at(amps);
        proptest::prop_assert!(volts.is_finite() && volts > 0.0);
        proptest::prop_assert!(cell.volts_at(amps * 1.01) > volts);
        let back = cell.current_at(volts);
        proptest::prop_assert!((back - amps).abs() <= 1e-6 * amps + 1e-9, "{} {}", back, amps);
    }

    #[test]
    fn no_setpoint_is_exceeded_and_no_charge_is_taken_back_whatever_happens(
        seed: u64,
        events in proptest::collection::vec((0usize..20, 0.0..12.0f64, 0.0..10.0f64, 1u64..4000), 1..40),
    ) {
        let mut bench = Bench::new(Setup { seed, ..Setup::default() }, Mono::ZERO);
        let (mut now, mut charge) = (Mono::ZERO, 0.0);
        // While a setpoint falls, the output may still be on its way from the one before.
        let (mut most_volts, mut most_amps) = (0.0f64, 0.0f64);
        for (what, volts, amps, wait) in events {
            match what {
                0..5 => { bench.output(now, what != 0); }
                5..9 => bench.set_volts(now, Volts::new(volts)).unwrap(),
                9..13 => bench.set_amps(now, Amps::new(amps)).unwrap(),
                _ => {
                    let (name, _) = Fault::NAMES[(seed as usize).wrapping_add(what) % Fault::NAMES.len()];
                    let value = match name {
                        "part-off" => " 30 %",
                        "front-panel-current" => " 1 A",
                        "front-panel-voltage" => " 2 V",
                        _ => "",
                    };
                    let (fault, _) = parse_fault(&format!("{name}{value}")).unwrap();
                    let lasts = (!fault.is_instant()).then_some(Duration::from_secs(1));
                    bench.fault(now, fault, lasts);
                }
            }
            most_volts = most_volts.max(bench.supply().volts_setpoint());
            most_amps = most_amps.max(bench.supply().amps_setpoint());
            now = now + Duration::from_millis(wait);
            let r = bench.read(now);
            let t = bench.truth();
            proptest::prop_assert!(t.amps.get() <= most_amps + 1e-9);
            proptest::prop_assert!(t.volts.get() <= most_volts.max(bench.cell().rest_volts()) + 1e-9);
            proptest::prop_assert!(t.charge.get() >= charge);
            proptest::prop_assert!(t.output || t.amps == Amps::ZERO);
            proptest::prop_assert_eq!(r.output, Some(t.output));
            charge = t.charge.get();
        }
    }
}

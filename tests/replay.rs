//! Readings that are bad in all the ways that readings are: no false alarm, no panic, no watch lost in silence.

use tankside::bath::Agitation;
use tankside::quantity::{Amps, Volts};
use tankside::station::{ReplayLoad, ReplayRow, as_csv, as_text, parse_csv, replay};
use tankside::watch::{Kind, Settings};

const LOAD: ReplayLoad = ReplayLoad { basis: None, agitation: Agitation::Air, voltage_control: false };

/// Half an hour of a sound load at 2.8 A after a ramp of 20 s, 5 readings a second, some noise.
fn sound() -> Vec<ReplayRow> {
    let mut dice = tankside::mimic::Prng::new(3);
    (0..9000)
        .map(|k| {
            let seconds = f64::from(k) * 0.2;
            let set = ((seconds / 0.4).floor() * 0.4 / 20.0 * 2.8).clamp(0.056, 2.8);
            let mut round = |x: f64| ((x + 0.7e-3 * dice.normal()) * 1e3).round() / 1e3;
            ReplayRow {
                seconds,
                volts: round(1.2 + 0.075 * set.ln() + 0.9 * set),
                amps: round(set),
                set_amps: set,
                set_volts: 8.0,
                celsius: Some(55.0),
            }
        })
        .collect()
}

fn settings() -> Settings {
    let mut s = Settings::default();
    s.amps_count = Amps::new(1e-3);
    s.volts_count = Volts::new(1e-3);
    s
}

fn run(rows: &[ReplayRow]) -> tankside::station::Replay {
    replay(rows, &settings(), &LOAD)
}

fn changed(change: impl Fn(usize, &mut ReplayRow)) -> Vec<ReplayRow> {
    let mut rows = sound();
    rows.iter_mut().enumerate().for_each(|(k, row)| change(k, row));
    rows
}

fn kinds(rows: &[ReplayRow]) -> Vec<Kind> {
    run(rows).raised.iter().map(|r| r.kind).collect()
}

#[track_caller]
fn quiet(rows: &[ReplayRow]) {
    let r = run(rows);
    assert!(r.raised.is_empty(), "{}", as_text(&r));
}

#[track_caller]
fn cannot(rows: &[ReplayRow], why: &str) {
    let r = run(rows);
    assert!(r.raised.is_empty(), "{}", as_text(&r));
    assert!(r.cannot_judge.iter().any(|(_, w)| w.contains(why)), "{}", as_text(&r));
}

#[test]
fn a_sound_load_raises_nothing_and_is_judged_whole() {
    let r = run(&sound());
    assert!(r.raised.is_empty(), "{}", as_text(&r));
    assert!(r.cannot_judge.iter().all(|(k, _)| *k == Kind::BurnMargin), "{:?}", r.cannot_judge);
}

#[test]
fn volts_that_creep_are_noticed_then_alarmed_and_the_causes_have_a_look_each() {
    let rows = changed(|k, r| r.volts *= 1.0 + 0.08 * (k as f64 / 9000.0));
    assert_eq!(kinds(&rows), [Kind::DriftNotice, Kind::Drift]);
    let text = &run(&rows).raised[1].text;
    assert!(text.contains("Likely:") && text.contains("anode") && text.contains('('), "{text}");
}

#[test]
fn a_creep_in_voltage_control_is_seen_in_the_current() {
    let rows: Vec<ReplayRow> = changed(|k, r| {
        // 3.8 V are held; the load takes less and less.
        let full = (r.set_amps / 2.8).min(1.0);
        r.set_volts = 1.2 + 2.6 * full;
        r.volts = r.set_volts;
        r.amps = (2.75 * full * (1.0 - 0.12 * (k as f64 / 9000.0))).max(0.01);
        r.set_amps = 6.0;
    });
    let load = ReplayLoad { voltage_control: true, ..LOAD };
    let r = replay(&rows, &settings(), &load);
    assert!(r.raised.iter().any(|r| r.kind == Kind::DriftNotice), "{}", as_text(&r));
}

#[test]
fn a_step_is_a_step_within_twenty_seconds_and_not_a_drift() {
    let rows = changed(|k, r| r.volts *= if k > 4000 { 1.25 } else { 1.0 });
    let raised = run(&rows).raised;
    assert_eq!(raised.len(), 1, "{raised:?}");
    assert_eq!(raised[0].kind, Kind::PartOff);
    assert!(raised[0].seconds < 820.0 && raised[0].text.contains("anode lead"), "{raised:?}");
    let down = changed(|k, r| r.volts *= if k > 4000 { 0.8 } else { 1.0 });
    assert_eq!(kinds(&down), [Kind::Touch]);
}

#[test]
fn three_interruptions_in_half_a_minute_are_a_bad_contact_and_one_is_not() {
    let broken = |at: &'static [usize]| {
        changed(move |k, r| {
            if at.iter().any(|a| (*a..a + 3).contains(&k)) {
                (r.volts, r.amps) = (8.0, 0.0);
            }
        })
    };
    assert_eq!(kinds(&broken(&[4000, 4040, 4080])), [Kind::BadContact]);
    quiet(&broken(&[4000]));
}

#[test]
fn a_hand_that_turns_the_part_is_no_alarm() {
    quiet(&changed(|k, r| {
        if (4000..4030).contains(&k) {
            r.volts *= 1.15 + 0.1 * (k as f64).sin();
        }
    }));
}

#[test]
fn gaps_duplicates_and_rows_out_of_order_raise_nothing() {
    let mut rows = sound();
    rows.drain(3000..3150);
    rows.drain(6000..6400);
    quiet(&rows);
    let doubled: Vec<_> = sound().into_iter().flat_map(|r| [r, r]).collect();
    quiet(&doubled);
    assert_eq!(run(&doubled).passed_over, 9000);
    let mut shuffled = sound();
    shuffled.chunks_mut(5).for_each(<[ReplayRow]>::reverse);
    quiet(&shuffled);
}

#[test]
fn a_supply_that_echoes_its_setpoint_is_found_out() {
    cannot(&changed(|_, r| (r.volts, r.amps) = (r.set_volts, r.set_amps)), "reports its setpoint");
}

#[test]
fn a_saturated_voltmeter_is_found_out() {
    cannot(&changed(|_, r| r.volts = r.volts.min(1.5)), "stands still");
}

#[test]
fn volts_in_steps_of_100_mv_raise_nothing_and_say_so() {
    let rows = changed(|k, r| {
        let swing = 0.01 * (k as f64 / 800.0).sin();
        r.volts = (r.volts * (1.0 + swing) * 10.0).round() / 10.0;
    });
    cannot(&rows, "50 mV");
    // A part that falls off still shows.
    let off = changed(|k, r| {
        let more = if k > 4000 { 1.4 } else { 1.0 };
        r.volts = (r.volts * more * 10.0).round() / 10.0;
    });
    assert_eq!(kinds(&off), [Kind::PartOff]);
}

#[test]
fn a_thermometer_that_fails_raises_nothing() {
    for failed in [85.0, -127.0, 0.0] {
        quiet(&changed(|k, r| {
            if k > 4000 {
                r.celsius = Some(failed);
            }
        }));
        quiet(&changed(|k, r| {
            if (4000..4100).contains(&k) {
                r.celsius = Some(failed);
            }
        }));
    }
    quiet(&changed(|k, r| {
        if k > 4000 {
            r.celsius = None;
        }
    }));
}

#[test]
fn a_bath_that_cools_shows_with_a_thermometer_and_without() {
    // 8 degC in half an hour, 1.8 % of the ohmic part each.
    let cool = |thermometer: bool| {
        changed(move |k, r| {
            let cold = 8.0 * (k as f64 / 9000.0);
            r.volts += 0.9 * r.amps * 0.018 * cold;
            r.celsius = thermometer.then_some(55.0 - cold);
        })
    };
    assert!(kinds(&cool(true)).contains(&Kind::Drift));
    assert!(kinds(&cool(false)).contains(&Kind::Drift));
}

#[test]
fn a_bath_of_little_resistance_is_not_taken_for_a_short() {
    // 0.4 V at full current, as a warm acid copper bath with the work close to the anode.
    let rows = changed(|_, r| r.volts = 0.15 + 0.02 * r.amps.max(1e-3).ln() + 0.08 * r.amps);
    quiet(&rows);
    let short = changed(|_, r| r.volts = 0.03 * r.amps);
    assert!(kinds(&short).contains(&Kind::ShortCircuit));
}

#[test]
fn rubbish_does_not_panic() {
    let mut dice = tankside::mimic::Prng::new(11);
    for _ in 0..20 {
        let rows: Vec<ReplayRow> = (0..500)
            .map(|_| {
                let mut x = || match dice.bits() % 6 {
                    0 => 0.0,
                    1 => 1e300,
                    2 => -5.0,
                    3 => 1e-300,
                    _ => dice.unit() * 10.0,
                };
                ReplayRow {
                    seconds: x().abs().min(1e9),
                    volts: x(),
                    amps: x(),
                    set_amps: x(),
                    set_volts: x(),
                    celsius: Some(x()),
                }
            })
            .collect();
        let _ = run(&rows);
    }
}

#[test]
fn a_csv_file_is_read_strictly_and_every_bad_line_is_named() {
    let rows = parse_csv("t_s,V,I,I_set,V_lim,T_C\n0,1.5,0.2,0.2,8,55\n0.2,1.6,0.3,0.3,8,\n\n").unwrap();
    assert_eq!(rows.len(), 2);
    assert_eq!((rows[0].celsius, rows[1].celsius), (Some(55.0), None));
    assert_eq!(parse_csv("I,V,t_s,V_lim,I_set\n0.2,1.5,0,8,0.25\n").unwrap()[0].set_amps, 0.25);

    let text =
        |csv: &str| parse_csv(csv).unwrap_err().iter().map(|e| e.to_string() + "\n").collect::<String>();
    assert!(
        text("t_s,V,I,I_set\n").starts_with("line 1: column V_lim is missing"),
        "{}",
        text("t_s,V,I,I_set\n")
    );
    assert!(text("t_s,V,I,I_set,V_lim,volts\n").contains("no column is called \"volts\""));
    assert!(text("t_s,V,V,I,I_set,V_lim\n").contains("twice"));
    let bad = text("t_s,V,I,I_set,V_lim\n0,1,1,1\n0,1,x,1,8\n0,NaN,1,1,8\n-1,1,1,1,8\n");
    for part in [
        "line 2: 4 fields; the header has 5",
        "line 3: I is \"x\"",
        "line 4: V is \"NaN\"",
        "line 5: t_s is -1",
    ] {
        assert!(bad.contains(part), "{part} not in {bad}");
    }
    assert!(text("").starts_with("line 1"));
}

#[test]
fn what_was_raised_is_printed_as_file_time_and_class() {
    let rows = changed(|k, r| r.volts *= if k > 4000 { 1.25 } else { 1.0 });
    let r = run(&rows);
    let line = as_csv("a,b.csv", &r);
    assert!(line.starts_with("\"a,b.csv\",80") && line.ends_with(",part-off\n"), "{line}");
}

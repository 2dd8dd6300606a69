//! Shorts that were there before the first ampere, and good loads that look a little like them.

use super::*;
use crate::bath::Agitation;
use crate::quantity::{Amps, Area, Density, Faults, Mono, Reading, Volts};
use std::time::Duration;

const POLL: f64 = 0.2;

/// A ramp to `aim` in `ramp` seconds, then the setpoint held, read five times a second in steps of `count`.
struct Ramped {
    aim: f64,
    ramp: f64,
    count: f64,
    max: f64,
    /// What the voltmeter shows too much.
    offset: f64,
    /// The load's area, where it is known.
    dm2: Option<f64>,
}

const USUAL: Ramped = Ramped { aim: 3.0, ramp: 20.0, count: 0.01, max: 10.0, offset: 0.0, dm2: None };

#[derive(Debug, Default)]
struct Seen {
    /// Seconds until the short-circuit alarm, and all that were raised.
    short: Option<f64>,
    raised: Vec<Kind>,
    /// Seconds until somebody was asked to look.
    asked: Option<f64>,
}

fn play(how: &Ramped, volts: impl Fn(f64) -> f64) -> Seen {
    let mut settings = Settings::default();
    settings.amps_count = Amps::new(0.01);
    settings.volts_count = Volts::new(how.count);
    let mut panel = Panel::new(settings);
    let mut seen = Seen::default();
    let polls = ((how.ramp + 15.0) / POLL) as u32;
    for k in 1..polls {
        let t = f64::from(k) * POLL;
        let share = (t / how.ramp).min(1.0);
        let set = how.aim * share;
        // A supply's own scatter, without dice: a millivolt to either side.
        let scatter = (f64::from(k) * 2.399).sin() * 1e-3;
        let shown = ((volts(set) + how.offset + scatter) / how.count).round() * how.count;
        let at = Mono::from_millis(1000 + u64::from(k) * 200);
        let reading = Reading {
            at,
            volts: Volts::new(shown),
            amps: Amps::new(set),
            regulation: None,
            output: Some(true),
            set_amps: None,
            set_volts: None,
            faults: Faults::default(),
        };
        let before = Amps::new((set - how.aim / how.ramp).max(0.0));
        let held = (t - how.ramp).max(0.0);
        let cx = Context {
            phase: if share < 1.0 { Phase::Ramp } else { Phase::Steady },
            reading: Some(&reading),
            output_on: true,
            set_amps: Amps::new(set),
            set_volts: Volts::new(6.0),
            least_amps: before,
            most_amps: Amps::new(set),
            most_volts: Volts::new(6.0),
            aim_amps: Amps::new(how.aim),
            current_control: true,
            since_change: Duration::from_secs_f64(held),
            least_volts: Volts::new(6.0),
            since_switched: Duration::from_secs_f64(t),
            max_amps: Amps::new(how.max),
            max_volts: Volts::new(12.0),
            basis: how.dm2.map(|dm2| BurnBasis {
                density: Density::new(1e4),
                edge_factor: 1.0,
                agitation: Agitation::Still,
                by_agitation: None,
                temperature: None,
                own_panel: false,
                area: Area::new(dm2 / 100.0),
            }),
            bath: None,
            stale: None,
        };
        for change in panel.update(at, &cx) {
            if change.alarm.state == AlarmState::Unacknowledged {
                seen.raised.push(change.alarm.kind);
                if change.alarm.kind == Kind::ShortCircuit {
                    seen.short.get_or_insert(t);
                }
            }
        }
        if panel.asks_for_a_look(&cx).is_some() {
            seen.asked.get_or_insert(t);
        }
    }
    seen
}

/// Ohmic part, and Tafel's (as an inverse hyperbolic sine) of both electrodes: ohm, V per e-fold and exchange amperes.
fn cell(own: f64, ohms: f64, cathode: (f64, f64), anode: (f64, f64)) -> impl Fn(f64) -> f64 {
    move |i| {
        let eta = |(b, i0): (f64, f64)| b * (i / (2.0 * i0)).asinh();
        own + ohms * i + eta(cathode) + eta(anode)
    }
}

#[test]
fn short_that_was_there_before_the_first_ampere_is_cut() {
    for ohms in [0.005, 0.020, 0.050, 0.100] {
        for leads in [0.0, 0.03] {
            for (aim, max) in [(1.5, 10.0), (3.0, 10.0), (3.0, 60.0), (8.0, 10.0), (15.0, 20.0)] {
                for ramp in [2.0, 20.0, 120.0] {
                    let how = Ramped { aim, max, ramp, ..USUAL };
                    let seen = play(&how, |i| (ohms + leads) * i);
                    let case = format!("{ohms} ohm + {leads}, {aim} of {max} A in {ramp} s: {seen:?}");
                    let stopped = seen.short.or(seen.asked.filter(|_| ramp < 5.0)).expect(&case);
                    assert!(stopped <= ramp * 0.75 + 1.5 || ramp < 5.0 && stopped <= ramp + 3.5, "{case}");
                }
            }
        }
    }
}

#[test]
fn short_is_cut_through_a_meter_that_is_coarse_or_does_not_show_zero_at_zero() {
    for ohms in [0.020, 0.050, 0.100] {
        for (count, offset) in [(0.001, 0.0), (0.001, 0.02), (0.01, 0.02), (0.01, -0.02)] {
            let seen = play(&Ramped { count, offset, ..USUAL }, |i| ohms * i);
            let far = offset != 0.0;
            assert!(
                seen.short.or(seen.asked.filter(|_| far)).is_some(),
                "{ohms} ohm, {count} V, {offset} V: {seen:?}"
            );
        }
        // Where the meter's own steps hide it, somebody is asked.
        let seen = play(&Ramped { count: 0.1, ..USUAL }, |i| ohms * i);
        assert!(seen.short.or(seen.asked).is_some(), "{ohms} ohm: {seen:?}");
    }
}

#[test]
fn where_the_ramp_is_too_quick_to_tell_somebody_is_asked() {
    for ohms in [0.050, 0.100] {
        let quick = Ramped { ramp: 0.1, ..USUAL };
        let seen = play(&quick, |i| ohms * i);
        let at = seen.short.or(seen.asked).unwrap_or_else(|| panic!("{ohms} ohm: {seen:?}"));
        assert!(at < 4.0, "{seen:?}");
        // A bath that needs more is not asked about.
        let seen = play(&quick, cell(0.3, 0.6, (0.05, 1e-3), (0.04, 1e-3)));
        assert!(seen.raised.is_empty() && seen.asked.is_none(), "{seen:?}");
    }
}

#[test]
fn good_load_of_little_resistance_is_neither_cut_nor_asked_about() {
    // Acid copper at its least density on 1 dm2 and on a rack of 60 dm2, sensed at the tank: the constants of `short`'s
    // head, and half an ohm cm2 per mm of gap that stays below a tenth of a volt.
    for (aim, max) in [(1.6, 10.0), (96.0, 100.0)] {
        for drop in [0.02, 0.1, 0.3, 1.0] {
            let copper = cell(0.0, drop / aim, (0.051, aim / 16.0), (0.017, aim / 16.0));
            let seen = play(&Ramped { aim, max, ..USUAL }, copper);
            assert!(seen.raised.is_empty() && seen.asked.is_none(), "{aim} A, {drop} V: {seen:?}");
        }
        // Silver at 0.3 V: from memory some 0.12 V at the cathode at 0.5 A/dm2.
        let silver = cell(0.0, 0.15 / aim, (0.051, aim / 10.0), (0.026, aim / 5.0));
        assert!((0.28..0.34).contains(&silver(aim)), "{}", silver(aim));
        let seen = play(&Ramped { aim, max, ..USUAL }, silver);
        assert!(seen.raised.is_empty() && seen.asked.is_none(), "{aim} A: {seen:?}");
    }
}

#[test]
fn good_load_at_little_density_is_asked_about_at_most() {
    for density in [0.1, 0.2, 0.3, 0.5, 0.8] {
        for dm2 in [5.0, 20.0, 100.0] {
            let aim = density * dm2;
            let copper = cell(0.0, 0.05 / aim, (0.051, 0.1 * dm2), (0.017, 0.1 * dm2));
            let seen = play(&Ramped { aim, max: 100.0, dm2: Some(dm2), ..USUAL }, copper);
            assert!(seen.raised.is_empty(), "{density} A/dm2, {dm2} dm2: {seen:?}");
        }
    }
    // Nor is metal that touches passed over there.
    for ohms in [0.01, 0.05, 0.1] {
        let seen = play(&Ramped { dm2: Some(10.0), ..USUAL }, |i| ohms * i);
        assert!(seen.short.or(seen.asked).is_some(), "{ohms} ohm: {seen:?}");
    }
}

#[test]
fn volts_that_bend_upward_at_the_end_of_the_ramp_are_no_short() {
    // The film runs low: a third of a volt more over the last fifth.
    let bent = |i: f64| cell(0.0, 0.1, (0.051, 0.19), (0.017, 0.19))(i) + 0.3 * (i / 3.0).powi(8);
    let seen = play(&USUAL, bent);
    assert!(seen.raised.is_empty() && seen.asked.is_none(), "{seen:?}");
}

#[test]
fn resistor_of_a_fifth_of_an_ohm_or_more_is_no_short() {
    let seen = play(&USUAL, |i| 0.22 * i);
    assert!(seen.raised.is_empty() && seen.asked.is_none(), "{seen:?}");
}

#[test]
fn what_cannot_be_told_is_asked_once_and_learned_anew() {
    let mut rise = short::Rise::default();
    assert!(!rise.asked());
    rise.ask();
    assert!(rise.asked());
    // Half way between a bath's line and a bridge's: nobody can tell.
    let seen = play(&USUAL, |i| 0.024 + 0.055 * i);
    assert!(seen.short.is_none() && seen.asked.is_some_and(|t| t > 22.0), "{seen:?}");
}

//! Charge against the closed form, within the bounds that the README states.

#[path = "bench/charge_model.rs"]
mod charge_model;

use charge_model::{BENCH, Ramp, run, spread};
use std::time::Duration;

const WORST: f64 = 0.000_5;
const DEVIATION: f64 = 0.000_12;
const SEEDS: u64 = 200;

#[test]
fn charge_of_a_sloping_ramp_strays_no_more_than_we_say() {
    let (worst, deviation) = spread(Ramp::Slope, BENCH, SEEDS);
    assert!(worst <= WORST, "worst {:.4} %", worst * 100.0);
    assert!(deviation <= DEVIATION, "standard deviation {:.4} %", deviation * 100.0);
}

#[test]
fn charge_of_a_staircase_ramp_strays_no_more_than_we_say() {
    let (worst, deviation) = spread(Ramp::Staircase, BENCH, SEEDS);
    assert!(worst <= WORST, "worst {:.4} %", worst * 100.0);
    assert!(deviation <= DEVIATION, "standard deviation {:.4} %", deviation * 100.0);
}

#[test]
fn a_coarse_meter_is_outside_the_bounds_so_the_bounds_can_fail() {
    let coarse = charge_model::Meter { count: 0.05, missing: 0.3, ..BENCH };
    let (worst, deviation) = spread(Ramp::Slope, coarse, SEEDS);
    assert!(worst > WORST && deviation > DEVIATION, "{worst} {deviation}");
}

#[test]
fn nothing_is_invented_while_blind_and_the_blind_time_is_told() {
    for seed in 0..50 {
        let seeing = run(Ramp::Slope, BENCH, None, seed);
        let blind = run(Ramp::Slope, BENCH, Some((60.0, 10.0)), seed);
        assert_eq!(seeing.unobserved, Duration::ZERO, "seed {seed}: single lost readings are bridged");
        let told = blind.unobserved.as_secs_f64();
        assert!((9.9..11.0).contains(&told), "seed {seed}: {told} s told of 10 s blind");
        // Steady at 60 s in every run (ramps end by 42 s, the change comes after 80 s).
        let rate = (seeing.counted - blind.counted) / told;
        assert!((2.0..=5.0).contains(&rate), "seed {seed}: {rate} A missing over the gap");
        assert!(blind.counted < blind.truth, "seed {seed}: charge was invented");
    }
}

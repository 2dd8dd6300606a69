//! Charge against the closed form: worst error and standard deviation over 200
//! runs of about four minutes (ramp, steady, one setpoint change).
//! `cargo bench --bench integrate`

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock")]

#[path = "charge_model.rs"]
mod charge_model;

use charge_model::{BENCH, Meter, Ramp, run, spread};
use std::time::{Duration, Instant};
use tankside::quantity::{Amps, Coulometer, Mono};

fn main() {
    println!("charge against the closed form, 200 seeds, jitter 40 ms, stamps good to 5 ms");
    println!("{:<38} {:>12} {:>12}", "readings", "worst", "std. dev.");
    let meters = [
        ("10 Hz, 1 mA", Meter { period: 0.1, missing: 0.0, ..BENCH }),
        ("5 Hz, 1 mA, 1 % missing", BENCH),
        (
            "2 Hz, 10 mA, 5 % missing",
            Meter { period: 0.5, count: 0.01, missing: 0.05, max_gap: Duration::from_secs(5), ..BENCH },
        ),
    ];
    for ramp in [Ramp::Slope, Ramp::Staircase] {
        for (name, meter) in meters {
            let (worst, deviation) = spread(ramp, meter, 200);
            let name = format!("{name}, {ramp:?}");
            println!("{name:<38} {:>10.4} % {:>10.4} %", worst * 100.0, deviation * 100.0);
        }
    }
    let blind = run(Ramp::Slope, BENCH, Some((60.0, 10.0)), 1);
    println!(
        "10 s without readings: {:.1} s told as unobserved, {:.2} % of the charge not counted",
        blind.unobserved.as_secs_f64(),
        -blind.error() * 100.0
    );

    let readings = 10_000_000_u64;
    let mut coulometer = Coulometer::new(Duration::from_secs(2));
    let begun = Instant::now();
    for k in 0..readings {
        coulometer.measure(Mono::from_millis(k * 200), Amps::new(2.8));
    }
    let spent = begun.elapsed();
    println!(
        "{:.1} ns a reading ({} counted)",
        spent.as_nanos() as f64 / readings as f64,
        coulometer.charge().charge()
    );
}

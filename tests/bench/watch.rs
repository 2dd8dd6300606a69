//! What the watches cost: microseconds a reading, all of them together, while the volts drift
//! (the dearest case: the slope is taken too). `cargo bench --bench watch`

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock")]

use std::time::{Duration, Instant};
use tankside::bath::Agitation;
use tankside::quantity::{Amps, Area, Density, Faults, Mono, Reading, Temperature, Volts};
use tankside::station::{ReplayLoad, ReplayRow, replay};
use tankside::watch::{BathNow, BurnBasis, Context, Panel, Phase, Settings};

fn main() {
    let readings = 1_000_000_u64;
    let mut panel = Panel::new(Settings::default());
    let begun = Instant::now();
    let mut raised = 0;
    for k in 0..readings {
        let t = k as f64 * 0.2;
        let amps = (2.8 * t / 20.0).min(2.8);
        let noise = ((k * 7919) % 13) as f64 * 1e-3;
        let volts = 1.2 + 0.9 * amps * (1.0 + 2e-5 * t).min(1.3) + noise;
        let reading = Reading {
            at: Mono::from_millis(1000 + k * 200),
            volts: Volts::new(volts),
            amps: Amps::new(amps),
            regulation: None,
            output: Some(true),
            set_amps: None,
            set_volts: None,
            faults: Faults::default(),
        };
        let set = Amps::new(amps);
        let cx = Context {
            phase: if t < 20.0 { Phase::Ramp } else { Phase::Steady },
            reading: Some(&reading),
            output_on: true,
            set_amps: set,
            set_volts: Volts::new(8.0),
            least_amps: set,
            most_amps: set,
            most_volts: Volts::new(8.0),
            aim_amps: Amps::new(2.8),
            current_control: true,
            since_change: Duration::from_secs(if t < 20.0 { 0 } else { 60 }),
            since_switched: Duration::from_secs(60),
            least_volts: Volts::new(8.0),
            max_amps: Amps::new(10.0),
            max_volts: Volts::new(12.0),
            basis: Some(BurnBasis {
                density: Density::new(2000.0),
                edge_factor: 2.0,
                agitation: Agitation::Air,
                by_agitation: None,
                temperature: Some(Temperature::new(55.0)),
                own_panel: true,
                area: Area::new(0.01),
            }),
            bath: Some(BathNow {
                temperature: Some((Temperature::new(55.0), Duration::from_secs(2))),
                agitation: Agitation::Air,
                proven: true,
            }),
            stale: None,
        };
        raised += panel.update(reading.at, &cx).len();
    }
    let spent = begun.elapsed();
    println!(
        "{:.2} us a reading ({readings} readings, {raised} alarm changes); at most 20 are allowed",
        spent.as_secs_f64() * 1e6 / readings as f64
    );
    let rows: Vec<ReplayRow> = (0..18_000)
        .map(|k| {
            let seconds = f64::from(k) * 0.2;
            let amps = (2.8 * seconds / 20.0).clamp(0.05, 2.8);
            let volts = 1.2 + 0.9 * amps * (1.0 + 2e-5 * seconds);
            ReplayRow { seconds, volts, amps, set_amps: amps, set_volts: 8.0, celsius: None }
        })
        .collect();
    let load = ReplayLoad { basis: None, agitation: Agitation::Air, voltage_control: false };
    let begun = Instant::now();
    let raised = replay(&rows, &Settings::default(), &load).raised.len();
    let spent = begun.elapsed();
    println!(
        "replay: an hour at 5 Hz in {:.1} ms, {:.0} times real time ({raised} raised); at least 5,000 is wanted",
        spent.as_secs_f64() * 1e3,
        3600.0 / spent.as_secs_f64()
    );
}

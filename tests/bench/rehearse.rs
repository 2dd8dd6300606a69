//! A rehearsal of a forty-minute run in virtual time: same controller, same
//! watches, 5 Hz, one turn half way. `cargo bench --bench rehearse`

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock")]

use std::time::{Duration, Instant};
use tankside::mimic::{self, Bench};
use tankside::plan::{Control, DepositForecast, Goal, Order};
use tankside::process::{Between, Confirm, Entry, Turn};
use tankside::quantity::{Amps, CurrentSlope, Microcoulombs, Mono, Volts};
use tankside::run::{Limits, RunState, Setup};
use tankside::station::rehearse;
use tankside::watch::Settings;

/// What the run asks for: 40 minutes at 2.8 A.
const AMPS: f64 = 2.8;
const COULOMBS: i64 = 6720;
/// The figure that must be met.
const MOST: Duration = Duration::from_millis(500);

fn main() {
    let bench_setup = mimic::Setup::default();
    let order = Order {
        title: "a bench part, forty minutes".into(),
        tank: "nickel".into(),
        bath: "bright-nickel".into(),
        parts: 1,
        area: bench_setup.area,
        hung: Vec::new(),
        deposit: Some(DepositForecast { metal: "Ni".into(), efficiency: 0.955 }),
        burn: None,
        entry: Entry::Dead,
        entry_volts: Volts::new(2.0),
        entry_amps: Amps::new(2.0),
        control: Control::Current {
            setpoint: Amps::new(AMPS),
            ceiling: Volts::new(6.0),
            slope: CurrentSlope::new(0.14),
        },
        goal: Goal::Charge(Microcoulombs(COULOMBS * 1_000_000)),
        time_limit: Duration::from_secs(7200),
        turn: Some(Turn { faces: 2, between: Between::Off, confirm: Confirm::Operator }),
        seek: None,
        like_slopes: Vec::new(),
    };
    let mut spent = Vec::new();
    let mut last = None;
    for _ in 0..7 {
        let setup = Setup {
            limits: Limits { max_amps: Amps::new(10.0), max_volts: Volts::new(12.0) },
            watches: Settings::default(),
            max_gap: Duration::from_secs(2),
            stale_after: Duration::from_secs(2),
            hold_on_ledger_failure: true,
        };
        let bench = Bench::new(mimic::Setup::default(), Mono::from_millis(1000));
        let begun = Instant::now();
        let rehearsal = rehearse(order.clone(), setup, bench, Duration::from_millis(200));
        spent.push(begun.elapsed());
        last = Some(rehearsal);
    }
    spent.sort();
    let rehearsal = last.expect("seven were run");
    let end = rehearsal.outcome.expect("the run ended");
    assert_eq!(end.state, RunState::Complete, "{:#?}", rehearsal.story);
    println!(
        "rehearsal of {:.1} min of work, {} readings: median {:.0} ms, worst {:.0} ms of 7 (at most {} ms)",
        end.worked.as_secs_f64() / 60.0,
        rehearsal.readings.len(),
        spent[3].as_secs_f64() * 1e3,
        spent[6].as_secs_f64() * 1e3,
        MOST.as_millis()
    );
    println!(
        "charge counted {:.2} C, charge in the cell {:.2} C, asked {COULOMBS} C",
        end.charge.charge().get(),
        rehearsal.truth.charge.get()
    );
    assert!(spent[6] < MOST, "slower than the README says");
}

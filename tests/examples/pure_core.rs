//! The pure core alone: from a part and a bath to a worksheet and a rehearsed run, without IO, clock, thread or tokio.
//!
//! `cargo run --example pure_core --no-default-features`

use std::error::Error;
use std::time::Duration;
use tankside::bath::{self, Agitation};
use tankside::mimic::{self, Bench};
use tankside::part::Part;
use tankside::plan::{self, Obstacle, Request, SupplyLimits, TankFacts};
use tankside::process::End;
use tankside::quantity::{Amps, Mono, Units, Volts};
use tankside::run::{Limits, Setup};
use tankside::station::rehearse;
use tankside::watch::Settings;

fn main() -> Result<(), Box<dyn Error>> {
    let bath = bath::shipped().into_iter().find(|bath| bath.name == "watts-nickel").ok_or("no such bath")?;
    let cups = Part::new("disc 34 mm x 1 mm".parse()?, 6)?;
    let request = Request::new("nickel", vec![cups], End::Thickness("8 um".parse()?));
    let tank = TankFacts {
        volume: Some("20 L".parse()?),
        anode_area: Some("6 dm2".parse()?),
        agitation: Agitation::Air,
        max_load: None,
        panel: None,
        own: tankside::plan::Own::default(),
        price: None,
    };
    let supply = SupplyLimits { max_amps: Amps::new(10.0), max_volts: Volts::new(12.0) };
    let plan = plan::plan(&request, &bath, &tank, &supply, Units::Metric)
        .map_err(|all| all.iter().map(Obstacle::to_string).collect::<Vec<_>>().join("\n"))?;
    println!("{}", plan.worksheet.text());

    let bench = Bench::new(mimic::Setup { area: plan.order.area, ..mimic::Setup::default() }, Mono::ZERO);
    let station = Setup {
        limits: Limits { max_amps: supply.max_amps, max_volts: supply.max_volts },
        watches: Settings::default(),
        max_gap: Duration::from_secs(2),
        stale_after: Duration::from_secs(2),
        hold_on_ledger_failure: true,
    };
    let rehearsal = rehearse(plan.order, station, bench, Duration::from_millis(200));
    let end = rehearsal.outcome.ok_or("the rehearsal did not end")?;
    println!("rehearsed: {} after {} readings: {}", end.state.name(), rehearsal.readings.len(), end.cause);
    Ok(())
}

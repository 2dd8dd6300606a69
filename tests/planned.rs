//! A planned order, carried out by the real controller on the simulated bench:
//! what the worksheet foretells is what comes about.

use std::time::Duration;
use tankside::bath::{self, Agitation};
use tankside::mimic::{self, Bench};
use tankside::part::{Allowance, Part, Shape};
use tankside::plan::{Request, SupplyLimits, TankFacts, plan};
use tankside::process::{Between, Confirm, End, Entry, Hold, Turn};
use tankside::quantity::{Amps, Area, Mono, Units};
use tankside::run::{Limits, RunState, Setup};
use tankside::station::rehearse;
use tankside::watch::Settings;

#[test]
fn time_charge_and_thickness_come_about_as_planned() {
    let nickel = bath::shipped().into_iter().find(|b| b.name == "bright-nickel").unwrap();
    let tank = TankFacts {
        volume: None,
        anode_area: None,
        agitation: Agitation::Still,
        max_load: None,
        panel: None,
        own: Default::default(),
        price: None,
    };
    let supply = SupplyLimits { max_amps: Amps::new(10.0), max_volts: "12 V".parse().unwrap() };
    for (turn, entry) in [
        (None, Entry::Dead),
        (None, Entry::OnContact),
        (Some(Turn { faces: 3, between: Between::Off, confirm: Confirm::Operator }), Entry::Dead),
    ] {
        let part = Part::new(Shape::Area(mimic::Setup::default().area), 1).unwrap();
        let request = Request {
            rack: Allowance::Area(Area::ZERO),
            hold: Some(Hold::Density("5 A/dm2".parse().unwrap())),
            turn,
            entry,
            ..Request::new("nickel", vec![part], End::Thickness("6 um".parse().unwrap()))
        };
        let made = plan(&request, &nickel, &tank, &supply, Units::Metric).unwrap();
        let setup = Setup {
            limits: Limits { max_amps: supply.max_amps, max_volts: supply.max_volts },
            watches: Settings::default(),
            max_gap: Duration::from_secs(2),
            stale_after: Duration::from_secs(2),
            hold_on_ledger_failure: true,
        };
        let bench = Bench::new(mimic::Setup::default(), Mono::from_millis(1000));
        let run = rehearse(made.order.clone(), setup, bench, Duration::from_millis(200));
        let end = run.outcome.expect("it ended");
        assert_eq!(end.state, RunState::Complete, "{:#?}", run.story);
        let charge = end.charge.charge() / made.worksheet.charge;
        assert!((charge - 1.0).abs() < 0.002, "{turn:?} {entry:?}: {charge} of the charge");
        let worked = end.worked.as_secs_f64() / made.worksheet.time.get();
        assert!((worked - 1.0).abs() < 0.03, "{turn:?} {entry:?}: {worked} of the time");
        assert!(end.worked < made.order.time_limit);
        let thickness = run.view.thickness_meters.unwrap() / 6e-6;
        assert!((thickness - 1.0).abs() < 0.002, "{turn:?} {entry:?}: {thickness} of the thickness");
    }
}

//! Work that touches the anode before any current flows, and good loads of little resistance, on the simulated cell in
//! virtual time.

use std::time::Duration;
use tankside::bath::{self, Agitation, Bath};
use tankside::mimic::{self, Bench, Chemistry, Life, Script};
use tankside::plan::{Control, Goal, Order};
use tankside::process::{self, Entry, Hold, Ramp};
use tankside::quantity::{Amps, Area, CurrentSlope, Density, Mono, Volts};
use tankside::run::{Limits, RunState, Setup};
use tankside::station::{Rehearsal, rehearse};
use tankside::watch::{Kind, Settings};

/// What the mimic's work and anode make where they touch, without the leads.
const BRIDGE: f64 = 0.02;

struct Case<'a> {
    bath: &'a Bath,
    density: Density,
    area: f64,
    ramp: f64,
    entry: Entry,
    agitation: Agitation,
    leads: f64,
    shorted: bool,
}

impl Case<'_> {
    fn amps(&self) -> Amps {
        self.density * Area::new(self.area)
    }

    fn play(&self) -> Rehearsal {
        let amps = self.amps();
        let max_amps = amps.max(Amps::new(10.0));
        let mut cell = mimic::Setup::new(Chemistry::of(self.bath));
        cell.area = Area::new(self.area);
        cell.agitation = self.agitation;
        cell.rating.max_amps = max_amps.get() * 1.2;
        cell.rating.max_volts = 15.0;
        // Before anything is switched on.
        cell.script = Script::parse(if self.shorted { "at 0 s short" } else { "" }).unwrap();
        let bench =
            Bench::new(cell, Mono::from_millis(1000)).living(Life { leads: self.leads, ..Life::default() });
        let setup = Setup {
            limits: Limits { max_amps, max_volts: Volts::new(12.0) },
            watches: Settings::default(),
            max_gap: Duration::from_secs(2),
            stale_after: Duration::from_secs(2),
            hold_on_ledger_failure: true,
        };
        rehearse(self.order(), setup, bench, Duration::from_millis(200))
    }

    fn order(&self) -> Order {
        let amps = self.amps();
        let least = self.bath.volts.map_or(Volts::new(1.0), |v| v.low);
        Order {
            title: "a short, or none".into(),
            tank: "tank".into(),
            bath: self.bath.name.clone(),
            parts: 1,
            area: Area::new(self.area),
            hung: Vec::new(),
            deposit: None,
            burn: None,
            entry: self.entry,
            // As `plan` has it.
            entry_volts: least * 0.5,
            entry_amps: amps * 0.5,
            control: Control::Current {
                setpoint: amps,
                ceiling: Volts::new(12.0),
                slope: CurrentSlope::new(amps.get() / self.ramp),
            },
            goal: Goal::Time(Duration::from_secs_f64(self.ramp + 30.0)),
            time_limit: Duration::from_secs(600),
            turn: None,
            seek: None,
            like_slopes: Vec::new(),
        }
    }
}

fn shipped(name: &str) -> Bath {
    bath::shipped().into_iter().find(|b| b.name == name).unwrap()
}

#[test]
fn work_that_touches_before_the_first_ampere_is_cut_in_the_ramp() {
    for (name, density) in [("watts-nickel", 400.0), ("acid-copper", 300.0), ("silver", 100.0)] {
        let bath = shipped(name);
        for entry in [Entry::Dead, Entry::Live, Entry::OnContact] {
            for ohms in [0.005, 0.020, 0.050, 0.100] {
                let case = Case {
                    bath: &bath,
                    density: Density::new(density),
                    area: 3.0 / density,
                    ramp: 20.0,
                    entry,
                    agitation: Agitation::Air,
                    leads: ohms - BRIDGE,
                    shorted: true,
                };
                let r = case.play();
                let what = format!("{name}, {ohms} ohm, {entry:?}: {:#?}", r.story);
                let end = r.outcome.as_ref().expect(&what);
                assert_eq!(end.state, RunState::Aborted, "{what}");
                assert!(end.cause.starts_with("short-circuit"), "{what}");
                let (at, _) = r.alarms.iter().find(|(_, a)| a.kind == Kind::ShortCircuit).expect(&what);
                // The operator of a rehearsal takes 8 s to hang a part.
                let hung = if entry == Entry::Live { 8.0 } else { 0.0 };
                assert!(at.as_secs_f64() < hung + 17.0, "{what}");
                assert!(!r.truth.output, "{what}");
            }
        }
    }
}

#[track_caller]
fn is_let_be(case: &Case<'_>, what: &str) {
    let r = case.play();
    let what =
        format!("{what}, {} on {} m2, {} ohm leads: {:#?}", case.amps(), case.area, case.leads, r.story);
    assert!(!r.alarms.iter().any(|(_, a)| a.kind == Kind::ShortCircuit), "{what}");
    assert!(!r.story.iter().any(|(_, s)| s.contains("short?")), "{what}");
    assert_eq!(r.outcome.expect("an end").state, RunState::Complete, "{what}");
}

/// Four-wire sense at the tank, and leads as on a bench; a small part, a rack, a tank full.
const LEADS: [f64; 2] = [0.0, 0.03];
const AREAS: [f64; 3] = [0.005, 0.1, 2.0];

#[test]
fn no_shipped_bath_at_its_least_density_is_taken_for_a_short() {
    let mut tried = 0;
    for bath in bath::shipped() {
        let all: Vec<_> =
            [bath.density].into_iter().chain(bath.density_by_base.iter().map(|d| d.1)).collect();
        for density in all.into_iter().map(|w| w.low).filter(|d| d.is_positive()) {
            for (area, leads) in AREAS.into_iter().flat_map(|a| LEADS.map(|l| (a, l))) {
                // Thick leads belong to much current: at most a volt is lost on them.
                let leads =
                    if leads * density.get() * area > 1.0 { 1.0 / (density.get() * area) } else { leads };
                let case = Case {
                    bath: &bath,
                    density,
                    area,
                    ramp: 20.0,
                    entry: Entry::Dead,
                    agitation: Agitation::Air,
                    leads,
                    shorted: false,
                };
                is_let_be(&case, &bath.name);
                tried += 1;
            }
        }
    }
    assert!(tried > 60, "{tried}");
}

#[test]
fn no_powered_step_of_a_shipped_sheet_is_taken_for_a_short() {
    let baths = bath::shipped();
    let mut tried = 0;
    for sheet in process::shipped() {
        for step in &sheet.steps {
            let process::Kind::Powered(powered) = &step.kind else { continue };
            for name in sheet.tanks.iter().filter(|t| t.name == powered.tank).flat_map(|t| &t.baths) {
                let Some(bath) = baths.iter().find(|b| b.name == *name) else { continue };
                let density = match powered.hold {
                    Some(Hold::Density(density)) => density,
                    Some(Hold::Current(_) | Hold::Voltage(_)) => continue,
                    None => bath.density.low,
                };
                let amps = density.get() * 0.02;
                let ramp = match powered.ramp {
                    Some(Ramp::Time(time)) => time.get(),
                    Some(Ramp::Current(slope)) => amps / slope.get(),
                    Some(Ramp::Voltage(_)) => continue,
                    None => 20.0,
                };
                for leads in LEADS {
                    let case = Case {
                        bath,
                        density,
                        area: 0.02,
                        ramp: ramp.max(0.2),
                        entry: powered.entry,
                        agitation: Agitation::Rod,
                        leads,
                        shorted: false,
                    };
                    is_let_be(&case, &format!("{} {} in {name}", sheet.name, step.name));
                    tried += 1;
                }
            }
        }
    }
    assert!(tried > 30, "{tried}");
}

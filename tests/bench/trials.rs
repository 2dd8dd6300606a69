//! Virtual-time rehearsals of many drawn benches, and what the watches made of them.
//!
//! Shared by `tests/figures.rs`, which holds bounds on a small number, and the
//! `figures` benchmark, which prints the table for as many hours as asked for.
//! Every run goes through the real controller; every watch only tells, so that
//! a run goes on after an alarm.

use std::time::Duration;
use tankside::bath::Agitation;
use tankside::mimic::family::{Drawn, Family, Habit, between, draw};
use tankside::mimic::{Bench, Script};
use tankside::plan::{BurnEstimate, Control, Goal, Order};
use tankside::process::{Between, Confirm, Entry, Turn};
use tankside::quantity::{Amps, CurrentSlope, Density, Mono, Reading, Temperature, Volts};
use tankside::run::{BathNews, Limits, Setup};
use tankside::station::{Visit, rehearse_with};
use tankside::watch::{Kind, Response, Settings};

/// The watches were tuned on draws from here on …
pub const TUNING: u64 = 1_000_000;
/// … and are reported on draws from here on, which nothing was tuned on. 9,000,000 and 23,000,000
/// were the first such and are spent: one showed the over-current watch tripping on the meter's
/// noise at the foot of the ramp, the other a notice too many in wide thermostat swings.
pub const REPORTING: u64 = 31_000_000;

/// The faults that a share is counted for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Creep {
    Cooling,
    Depletion,
    PartOff,
    Anode,
    HotContact,
    Bag,
    Stirrer,
    StirrerTold,
}

/// Classes of the confusion matrix, in the order in which they are chosen.
pub const CLASSES: [(Class, Kind); 9] = [
    (Class::Open, Kind::OpenCircuit),
    (Class::Gone, Kind::OutputGone),
    (Class::Short, Kind::ShortCircuit),
    (Class::Limit, Kind::VoltageLimit),
    (Class::Contact, Kind::BadContact),
    (Class::PartOff, Kind::PartOff),
    (Class::Touch, Kind::Touch),
    (Class::Drift, Kind::Drift),
    (Class::Drift, Kind::DriftNotice),
];

/// What an electrical fault is taken for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Class {
    Open,
    Gone,
    Short,
    Limit,
    Contact,
    PartOff,
    AnodeLead,
    Touch,
    Drift,
    Other,
    Nothing,
}

/// One run: what was raised when, and when the edge began to burn.
#[derive(Clone, Debug, Default)]
pub struct Trial {
    pub seconds: f64,
    pub fault_at: f64,
    pub onset: Option<f64>,
    pub alarms: Vec<(f64, Kind)>,
    pub texts: Vec<String>,
    pub thermometer: bool,
    pub seed: u64,
}

impl Trial {
    /// The first alarm of one of these kinds from the fault on, seconds after the start.
    pub fn first(&self, kinds: &[Kind]) -> Option<f64> {
        self.alarms.iter().find(|(t, k)| *t >= self.fault_at && kinds.contains(k)).map(|(t, _)| *t)
    }

    /// What it was taken for: of the alarms within 10 s of the first, the highest class; and when that was raised.
    pub fn class(&self) -> (Class, Option<f64>) {
        let Some(first) = self.alarms.first().map(|(t, _)| *t) else { return (Class::Nothing, None) };
        let early: Vec<_> = self.alarms.iter().filter(|(t, _)| *t <= first + 10.0).collect();
        for (class, kind) in CLASSES {
            if let Some((t, _)) = early.iter().find(|(_, k)| *k == kind) {
                return (class, Some(*t));
            }
        }
        (Class::Other, Some(first))
    }
}

struct Plan {
    drawn: Drawn,
    script: String,
    fault_at: f64,
    minutes: f64,
    turn: Option<Turn>,
    burn: Option<BurnEstimate>,
    /// A sensor tells of the agitation.
    stirrer_told: bool,
    /// Ends so long after the onset, s.
    after_onset: f64,
    seed: u64,
}

impl Plan {
    fn new(drawn: Drawn, seed: u64, minutes: f64) -> Self {
        Plan {
            drawn,
            script: String::new(),
            fault_at: 0.0,
            minutes,
            turn: None,
            burn: None,
            stirrer_told: false,
            after_onset: 20.0,
            seed,
        }
    }

    fn with(mut self, at: f64, fault: &str) -> Self {
        self.script = format!("at {at:.1} s {fault}");
        self.fault_at = at;
        self
    }
}

/// All watches tell and no more; counts are the supply's.
pub fn settings(drawn: &Drawn) -> Settings {
    let mut s = Settings::default();
    s.amps_count = Amps::new(drawn.setup.rating.amps_step);
    s.volts_count = Volts::new(drawn.setup.rating.volts_step);
    for kind in Kind::ALL {
        s.tuning_mut(kind).response = Response::Tell;
    }
    s
}

/// The order for what was drawn.
pub fn order(drawn: &Drawn, minutes: f64) -> Order {
    Order {
        title: "a drawn load".into(),
        tank: "drawn".into(),
        bath: "drawn".into(),
        parts: 1,
        area: drawn.setup.area,
        hung: Vec::new(),
        deposit: None,
        burn: None,
        entry: Entry::Dead,
        entry_volts: Volts::new(1.0),
        entry_amps: drawn.amps * 0.5,
        control: Control::Current {
            setpoint: drawn.amps,
            ceiling: drawn.ceiling,
            slope: CurrentSlope::new(drawn.amps.get() / drawn.ramp),
        },
        goal: Goal::Time(Duration::from_secs_f64(minutes * 60.0)),
        time_limit: Duration::from_secs_f64(minutes * 90.0),
        turn: None,
        seek: None,
        like_slopes: Vec::new(),
    }
}

/// The controller's setup for what was drawn.
pub fn station(drawn: &Drawn) -> Setup {
    Setup {
        limits: Limits {
            max_amps: Amps::new(drawn.setup.rating.max_amps),
            max_volts: Volts::new(drawn.setup.rating.max_volts),
        },
        watches: settings(drawn),
        max_gap: Duration::from_secs(2),
        stale_after: Duration::from_secs(3),
        hold_on_ledger_failure: true,
    }
}

fn play(plan: Plan) -> Trial {
    let drawn = plan.drawn;
    let mut order = order(&drawn, plan.minutes);
    order.turn = plan.turn;
    order.burn = plan.burn;
    let mut bench_setup = drawn.setup.clone();
    bench_setup.script = Script::parse(&plan.script).expect("the scripts here are sound");
    let bench = Bench::new(bench_setup, Mono::from_millis(1000)).living(drawn.life.clone());
    // Half of the supplies tell nothing but volts and amperes.
    let plain = plan.seed.is_multiple_of(2);
    let told = plan.stirrer_told.then_some(drawn.setup.agitation);
    let mut onset: Option<f64> = None;
    let mut sensor: Option<f64> = None;
    let mut last_news = -100.0;
    let mut stirrer = None;
    let lasts = plan.minutes * 60.0;
    let mut ended = 0.0;
    let r = rehearse_with(order, station(&drawn), bench, drawn.poll, |bench, since, reading| {
        let t = since.as_secs_f64();
        ended = t;
        let truth = bench.truth();
        if onset.is_none() && t > plan.fault_at && truth.edge_film < 0.1 && truth.output {
            onset = Some(t);
        }
        let mut news = BathNews::default();
        if drawn.thermometer && t - last_news >= 5.0 {
            // A thermometer in its well: 20 s behind, in sixteenths of a degree.
            let seen = sensor.unwrap_or(truth.temperature.get());
            let dt = if last_news < 0.0 { 0.0 } else { t - last_news };
            let seen = seen + (truth.temperature.get() - seen) * (1.0 - (-dt / 20.0_f64).exp());
            sensor = Some(seen);
            last_news = t;
            let counts = (seen * 16.0).round() / 16.0;
            news.temperature = Some((Temperature::new(counts), truth.at));
        }
        if let Some(usual) = told {
            // A relay or flow switch, a second behind.
            let now = if t > plan.fault_at + 1.0 { Agitation::Still } else { usual };
            if stirrer != Some(now) {
                stirrer = Some(now);
                news.agitation = Some((now, true));
            }
        }
        let reading = reading.map(|r| if plain { bare(r) } else { r });
        let stop = onset.is_some_and(|at| t > at + plan.after_onset) || t > lasts * 1.4;
        Visit { reading, bath: Some(news), stop }
    });
    Trial {
        seconds: ended,
        fault_at: plan.fault_at,
        onset,
        alarms: r.alarms.iter().map(|(t, a)| (t.as_secs_f64(), a.kind)).collect(),
        texts: r.alarms.iter().map(|(_, a)| a.text.clone()).collect(),
        thermometer: drawn.thermometer,
        seed: plan.seed,
    }
}

/// A reading of a supply that tells nothing of itself.
pub fn bare(r: Reading) -> Reading {
    Reading { regulation: None, output: None, set_amps: None, set_volts: None, ..r }
}

/// Half an hour of nothing wrong.
pub fn benign(family: Family, habit: Habit, seed: u64) -> Trial {
    let drawn = draw(family, habit, seed);
    let turn = (habit == Habit::Lifts).then(|| Turn {
        faces: 2 + (seed % 3) as u8,
        between: if seed.is_multiple_of(2) { Between::Off } else { Between::EntryVoltage },
        confirm: Confirm::Operator,
    });
    let mut plan = Plan::new(drawn, seed, 30.0);
    plan.turn = turn;
    // Nothing is wrong in it, so nothing ends it early.
    plan.fault_at = f64::INFINITY;
    let mut trial = play(plan);
    trial.fault_at = 0.0;
    trial
}

/// A fault that creeps, on a bench with some habit of its own.
pub fn creep(family: Family, fault: Creep, seed: u64) -> Trial {
    let habits = [Habit::Quiet, Habit::Heater, Habit::Rod, Habit::Turns];
    let mut drawn = draw(family, habits[(seed % 4) as usize], seed);
    let mut d = drawn.dice.clone();
    let at = between(&mut d, 300.0, 900.0);
    let seconds = |d: &mut _, low: f64, high: f64| between(d, low * 60.0, high * 60.0);
    let (text, minutes) = match fault {
        Creep::Cooling => {
            drawn.life.room = drawn.life.room.min(drawn.setup.temperature.get() - 18.0);
            (format!("heater-fails {:.0} s", seconds(&mut d, 15.0, 60.0)), 90.0)
        }
        Creep::Depletion => (format!("metal-low {:.0} s", seconds(&mut d, 10.0, 60.0)), 90.0),
        Creep::PartOff => {
            let parts = 2.0 + (d.bits() % 5) as f64;
            (format!("part-off {:.1} %", 100.0 / parts), 25.0)
        }
        Creep::Anode => ("anode-passivates".into(), 30.0),
        Creep::HotContact => {
            drawn.life.slow_fault = between(&mut d, 60.0, 400.0);
            (format!("hot-contact {:.1} %", between(&mut d, 3.0, 40.0)), 35.0)
        }
        Creep::Bag => {
            drawn.life.slow_fault = between(&mut d, 300.0, 1500.0);
            (format!("bag-clogs {:.1} %", between(&mut d, 5.0, 40.0)), 50.0)
        }
        Creep::Stirrer | Creep::StirrerTold => ("agitation-stops".into(), 25.0),
    };
    let told = fault == Creep::StirrerTold;
    let burn = told.then(|| BurnEstimate {
        // From this tank's own panel and the shape table: off by 15 and 25 % (one sigma).
        density: Density::new(
            0.9 * drawn.setup.chemistry.limit(drawn.setup.agitation, drawn.setup.temperature.get())
                * (0.15 * d.normal()).exp(),
        ),
        edge_factor: (drawn.setup.edge_factor * (0.25 * d.normal()).exp()).max(1.0),
        agitation: drawn.setup.agitation,
        by_agitation: None,
        temperature: Some(drawn.setup.temperature),
        own_panel: true,
    });
    let mut plan = Plan::new(drawn, seed, minutes).with(at, &text);
    plan.stirrer_told = told;
    plan.burn = burn;
    play(plan)
}

/// An electrical fault.
pub fn electrical(family: Family, fault: Class, seed: u64) -> Trial {
    let habits = [Habit::Quiet, Habit::Heater, Habit::Rod, Habit::Turns];
    let mut drawn = draw(family, habits[(seed % 4) as usize], seed);
    let mut d = drawn.dice.clone();
    let at = between(&mut d, 120.0, 300.0);
    let text = match fault {
        Class::Open => "open-circuit".to_owned(),
        Class::Gone if seed.is_multiple_of(2) => "supply-trips".into(),
        Class::Gone => "front-panel-output-off".into(),
        Class::Short => "short".into(),
        Class::Contact => "bad-contact".into(),
        Class::PartOff => format!("part-off {:.1} %", 100.0 / (2.0 + (d.bits() % 5) as f64)),
        Class::AnodeLead => "anode-lead-off".into(),
        Class::Touch => format!("touch {:.1} %", between(&mut d, 20.0, 100.0)),
        Class::Limit => {
            // Less than the load needs.
            let usual = (drawn.ceiling.get() - 0.5) / 2.1;
            drawn.ceiling = Volts::new(usual * between(&mut d, 0.5, 0.75));
            String::new()
        }
        Class::Drift | Class::Other | Class::Nothing => String::new(),
    };
    let mut plan = Plan::new(drawn, seed, (at + 90.0) / 60.0);
    if !text.is_empty() {
        plan = plan.with(at, &text);
    }
    // The edge may burn as it falls apart; that is not what is looked at here.
    plan.after_onset = f64::INFINITY;
    play(plan)
}

/// Runs `n` trials on two threads, in order.
pub fn many(n: u64, one: impl Fn(u64) -> Trial + Sync) -> Vec<Trial> {
    let half = |odd: u64| (0..n).filter(|k| k % 2 == odd).map(&one).collect::<Vec<_>>();
    let (even, odd) = std::thread::scope(|s| {
        let other = s.spawn(|| half(1));
        (half(0), other.join().expect("a trial does not panic"))
    });
    let mut odd = odd.into_iter();
    even.into_iter().flat_map(|e| [Some(e), odd.next()]).flatten().collect()
}

/// The share of those that hold.
pub fn share(of: &[Trial], holds: impl Fn(&Trial) -> bool) -> f64 {
    if of.is_empty() { f64::NAN } else { of.iter().filter(|t| holds(t)).count() as f64 / of.len() as f64 }
}

/// Kinds by which a creeping fault counts as seen.
pub const SEEN: [Kind; 5] =
    [Kind::DriftNotice, Kind::Drift, Kind::PartOff, Kind::VoltageLimit, Kind::BurnMargin];

/// The middle one; not a number where there is none.
pub fn median(xs: &mut [f64]) -> f64 {
    xs.sort_by(f64::total_cmp);
    xs.get(xs.len() / 2).copied().unwrap_or(f64::NAN)
}

/// Slope times area of one like load, as a run learns it: the bath a degree off either way, the
/// work's area off by a few per cent, `share` of what the order says hanging there.
pub fn slope(drawn: &Drawn, share: f64, seed: u64) -> Option<f64> {
    let mut d = tankside::mimic::Prng::new(seed);
    let mut there = drawn.clone();
    there.setup.seed = seed;
    let area = drawn.setup.area.get() * share * (1.0 + 0.04 * d.normal());
    there.setup.area = tankside::quantity::Area::new(area);
    there.setup.temperature = Temperature::new(drawn.setup.temperature.get() + d.normal());
    there.life.settling.0 = between(&mut d, -0.015, 0.010);
    let bench = Bench::new(there.setup.clone(), Mono::from_millis(1000)).living(there.life.clone());
    let order = order(drawn, (drawn.ramp + 5.0) / 60.0);
    let r = rehearse_with(order, station(drawn), bench, drawn.poll, |_, _, reading| Visit {
        reading,
        ..Visit::default()
    });
    r.view.load_slope_ohm_square_meters
}

/// Whether a load of which `share` hangs is questioned, four like loads having been worked before.
pub fn questioned(family: Family, share: f64, seed: u64) -> bool {
    let drawn = draw(family, Habit::Quiet, seed);
    let earlier: Vec<f64> = (1..5).filter_map(|k| slope(&drawn, 1.0, seed * 10 + k)).collect();
    let area = drawn.setup.area.get();
    slope(&drawn, share, seed * 10)
        .and_then(|now| tankside::watch::area::question(now / area, area, 3, &earlier))
        .is_some()
}

/// A live entry, the part hung after some seconds; `short`: it touches the anode at once.
pub fn entry(family: Family, short: bool, seed: u64) -> Trial {
    let drawn = draw(family, Habit::Quiet, seed);
    let mut order = order(&drawn, 1.5);
    order.entry = Entry::Live;
    let mut setup = drawn.setup.clone();
    setup.script =
        Script::parse(if short { "at 2 s short" } else { "" }).expect("the scripts here are sound");
    let bench = Bench::new(setup, Mono::from_millis(1000)).living(drawn.life.clone());
    let r = rehearse_with(order, station(&drawn), bench, drawn.poll, |_, since, reading| Visit {
        reading: reading.map(bare),
        bath: None,
        stop: short && since > Duration::from_secs(7),
    });
    Trial {
        fault_at: 2.0,
        alarms: r.alarms.iter().map(|(t, a)| (t.as_secs_f64(), a.kind)).collect(),
        seed,
        ..Trial::default()
    }
}

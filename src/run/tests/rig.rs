//! An ideal supply with a straight load behind it, in virtual time.

use crate::plan::{Control, DepositForecast, Goal, Order};
use crate::process::Entry;
use crate::quantity::{
    Amps, Area, CurrentSlope, Faults, Microcoulombs, Mono, Reading, Regulation, VoltageSlope, Volts,
};
use crate::run::{Action, Command, Controller, Event, Input, Limits, Outcome, Setup, View};
use crate::watch::{AlarmState, Handling, Kind, Settings};
use std::time::Duration;

/// What hangs between the leads.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Load {
    /// V = 1.4 V + 0.9 ohm x I.
    Good,
    Open,
    /// Makes 0.30 V by itself and takes no current.
    Cell,
    Short,
    /// A bridge of 60 milliohm: leads and clips that touch.
    Bridge,
}

pub struct Rig {
    pub controller: Controller,
    pub now: Mono,
    pub load: Load,
    pub output: bool,
    pub amps: f64,
    pub volts: f64,
    /// What the supply reports in place of the truth, by fault.
    pub claims_output: Option<bool>,
    pub claims_amps: Option<f64>,
    pub claims_volts: Option<f64>,
    /// The supply is several, and one of them gives nothing.
    pub parted: bool,
    pub silent: bool,
    pub stuck_on: bool,
    /// Its word that it is off comes so much later than it goes off, or (`late_to_go`) with it.
    pub off_takes: Duration,
    pub late_to_go: bool,
    /// It takes no setpoint, and says so.
    pub refuses: bool,
    pub log: Vec<Action>,
    pub true_coulombs: f64,
}

pub const POLL: Duration = Duration::from_millis(200);

pub fn setup() -> Setup {
    Setup {
        limits: Limits { max_amps: Amps::new(10.0), max_volts: Volts::new(12.0) },
        watches: Settings::default(),
        max_gap: Duration::from_secs(2),
        stale_after: Duration::from_secs(2),
        hold_on_ledger_failure: true,
    }
}

/// 2 A for 60 C on 0.5 dm², ramp 0.5 A/s, ceiling 6 V.
pub fn order() -> Order {
    Order {
        title: "test".into(),
        tank: "nickel".into(),
        bath: "watts-nickel".into(),
        parts: 1,
        area: Area::new(0.005),
        hung: Vec::new(),
        deposit: Some(DepositForecast { metal: "Ni".into(), efficiency: 0.955 }),
        burn: None,
        entry: Entry::Dead,
        entry_volts: Volts::new(2.0),
        entry_amps: Amps::new(2.0),
        control: Control::Current {
            setpoint: Amps::new(2.0),
            ceiling: Volts::new(6.0),
            slope: CurrentSlope::new(0.5),
        },
        goal: Goal::Charge(Microcoulombs(60_000_000)),
        time_limit: Duration::from_secs(120),
        turn: None,
        seek: None,
        like_slopes: Vec::new(),
    }
}

pub fn by_volts(volts: f64) -> Order {
    Order {
        control: Control::Voltage {
            setpoint: Volts::new(volts),
            ceiling: Amps::new(4.0),
            slope: VoltageSlope::new(0.5),
        },
        ..order()
    }
}

impl Rig {
    pub fn new() -> Self {
        Rig::with(setup())
    }

    pub fn with(setup: Setup) -> Self {
        let mut rig = Rig {
            controller: Controller::new(setup),
            now: Mono::from_millis(1000),
            load: Load::Good,
            output: false,
            amps: 0.0,
            volts: 0.0,
            claims_output: None,
            claims_amps: None,
            claims_volts: None,
            parted: false,
            silent: false,
            stuck_on: false,
            off_takes: Duration::ZERO,
            late_to_go: false,
            refuses: false,
            log: Vec::new(),
            true_coulombs: 0.0,
        };
        rig.feed(Input::LinkBack);
        rig
    }

    pub fn started(order: Order) -> Self {
        let mut rig = Rig::new();
        rig.ask(Command::Start { id: "r1".into(), order: Box::new(order) }).unwrap();
        rig
    }

    pub fn ask(&mut self, command: Command) -> Result<(), String> {
        let actions = self.controller.command(self.now, "ada", command).map_err(|r| r.0)?;
        self.carry_out(actions);
        Ok(())
    }

    pub fn feed(&mut self, input: Input) {
        let actions = self.controller.step(self.now, input);
        self.carry_out(actions);
    }

    fn carry_out(&mut self, actions: Vec<Action>) {
        for action in actions {
            self.log.push(action.clone());
            let answer = match action {
                Action::Prepare { volts, .. } => {
                    self.output = false;
                    (self.amps, self.volts) = (0.0, volts.get());
                    Input::Prepared
                }
                Action::Set { .. } if self.refuses => Input::Failed("it refused".into()),
                Action::Set { amps, volts } => {
                    (self.amps, self.volts) = (amps.get(), volts.get());
                    Input::Applied
                }
                Action::Output(on) => {
                    let takes = if on { Duration::ZERO } else { self.off_takes };
                    self.output = on || self.stuck_on || self.late_to_go && self.output;
                    self.pass_to(self.now + takes);
                    self.output = on || self.stuck_on;
                    Input::Applied
                }
                Action::Record(_) | Action::Alarm(_) => continue,
            };
            self.feed(answer);
        }
    }

    /// Volts and amperes at the terminals.
    pub fn truth(&self) -> (f64, f64, Regulation) {
        if !self.output {
            return (0.0, 0.0, Regulation::Neither);
        }
        let by_voltage = match self.load {
            Load::Good => ((self.volts - 1.4) / 0.9).max(0.0),
            Load::Open | Load::Cell => 0.0,
            Load::Short => self.volts / 0.01,
            Load::Bridge => self.volts / 0.06,
        };
        let i = by_voltage.min(self.amps);
        let v = match self.load {
            Load::Good if i < by_voltage => 1.4 + 0.9 * i,
            Load::Short => 0.01 * i,
            Load::Cell => self.volts.max(0.30),
            Load::Bridge => 0.06 * i,
            _ => self.volts,
        };
        (v, i, if i < by_voltage { Regulation::ConstantCurrent } else { Regulation::ConstantVoltage })
    }

    /// One poll later.
    pub fn poll(&mut self) {
        self.poll_at(self.now + POLL);
    }

    /// A poll at that time; deadlines in between are served on time.
    pub fn poll_at(&mut self, next: Mono) {
        while let Some(at) = self.controller.next_deadline().filter(|at| *at < next) {
            self.pass_to(at);
            self.feed(Input::Tick);
        }
        self.pass_to(next);
        if self.silent {
            return self.feed(Input::Tick);
        }
        let (v, i, regulation) = self.truth();
        self.feed(Input::Reading(Reading {
            at: self.now,
            volts: Volts::new(self.claims_volts.unwrap_or(v)),
            amps: Amps::new(i),
            regulation: Some(regulation),
            output: Some(self.claims_output.unwrap_or(self.output)),
            set_amps: Some(Amps::new(self.claims_amps.unwrap_or(self.amps))),
            set_volts: Some(Volts::new(self.volts)),
            faults: Faults { parted: self.parted, ..Faults::default() },
        }));
    }

    fn pass_to(&mut self, at: Mono) {
        let dt = at.since(self.now).as_secs_f64();
        self.true_coulombs += self.truth().1 * dt;
        self.now = at;
    }

    pub fn run_for(&mut self, seconds: f64) {
        for _ in 0..(seconds / POLL.as_secs_f64()).round() as usize {
            self.poll();
        }
    }

    /// Polls until `what`; panics after `seconds`.
    pub fn until(&mut self, seconds: f64, what: impl Fn(&View) -> bool) {
        for _ in 0..(seconds / POLL.as_secs_f64()) as usize {
            if what(&self.controller.view()) {
                return;
            }
            self.poll();
        }
        panic!("did not come about in {seconds} s: {:#?}", self.controller.view());
    }

    pub fn outcome(&self) -> Option<Outcome> {
        self.log.iter().find_map(|a| match a {
            Action::Record(Event::Ended(o)) => Some(o.clone()),
            _ => None,
        })
    }

    pub fn raised(&self) -> Vec<Kind> {
        self.log
            .iter()
            .filter_map(|a| match a {
                Action::Alarm(c) if c.alarm.state == AlarmState::Unacknowledged => Some(c.alarm.kind),
                _ => None,
            })
            .collect()
    }
}

pub fn acknowledge(kind: Kind) -> Command {
    Command::Alarm { kind, handling: Handling::Acknowledge { note: Some("clip".into()) } }
}

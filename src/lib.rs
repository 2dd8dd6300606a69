//! Tankside runs a plating station for a person who plates small parts at a bench.
//!
//! The crate is a daemon and a library. Without the `daemon` feature it is the
//! pure core: quantities, Faraday's law, baths, parts, plans, the run controller
//! and its watches, and a simulated bench. No IO, no clock, no thread.
//!
//! Software is not the interlock: whatever embeds this needs its own hardware
//! limits, and a person at the tank.
//!
//! A whole run with the pure core alone, on the simulated bench:
//!
//! ```
//! use std::time::Duration;
//! use tankside::mimic::{self, Bench};
//! use tankside::plan::{Control, DepositForecast, Goal, Order};
//! use tankside::process::Entry;
//! use tankside::quantity::{Amps, CurrentSlope, Microcoulombs, Mono, Volts};
//! use tankside::run::{Action, Command, Controller, Input, Limits, RunState, Setup};
//! use tankside::watch::Settings;
//!
//! let mut now = Mono::ZERO;
//! let bench_setup = mimic::Setup::default();
//! let order = Order {
//!     title: "one bench part, nickel".into(),
//!     tank: "nickel".into(),
//!     bath: "bright-nickel".into(),
//!     parts: 1,
//!     area: bench_setup.area,
//!     hung: Vec::new(),
//!     deposit: Some(DepositForecast { metal: "Ni".into(), efficiency: 0.955 }),
//!     burn: None,
//!     entry: Entry::Dead,
//!     entry_volts: Volts::ZERO,
//!     entry_amps: Amps::ZERO,
//!     control: Control::Current {
//!         setpoint: "2.8 A".parse()?,
//!         ceiling: "6 V".parse()?,
//!         slope: CurrentSlope::new(0.28),
//!     },
//!     goal: Goal::Charge(Microcoulombs::from_charge("5 A.min".parse()?)),
//!     time_limit: Duration::from_secs(600),
//!     turn: None,
//!     seek: None,
//!     like_slopes: Vec::new(),
//! };
//! let mut bench = Bench::new(bench_setup, now);
//! let mut controller = Controller::new(Setup {
//!     limits: Limits { max_amps: Amps::new(10.0), max_volts: Volts::new(12.0) },
//!     watches: Settings::default(),
//!     max_gap: Duration::from_secs(2),
//!     stale_after: Duration::from_secs(2),
//!     hold_on_ledger_failure: true,
//! });
//!
//! // The shell: carry out each action, tell the controller how it went.
//! let carry_out = |controller: &mut Controller, bench: &mut Bench, now: Mono, first: Vec<Action>| {
//!     let mut todo = std::collections::VecDeque::from(first);
//!     while let Some(action) = todo.pop_front() {
//!         let answer = match action {
//!             Action::Prepare { volts, .. } => {
//!                 bench.output(now, false);
//!                 bench.set_amps(now, Amps::ZERO).and(bench.set_volts(now, volts)).map(|()| Input::Prepared)
//!             }
//!             Action::Set { amps, volts } => {
//!                 bench.set_amps(now, amps).and(bench.set_volts(now, volts)).map(|()| Input::Applied)
//!             }
//!             Action::Output(on) => {
//!                 bench.output(now, on);
//!                 Ok(Input::Applied)
//!             }
//!             Action::Record(_) | Action::Alarm(_) => continue,
//!         };
//!         let answer = answer.unwrap_or_else(|why| Input::Failed(why.to_string()));
//!         todo.extend(controller.step(now, answer));
//!     }
//! };
//!
//! controller.step(now, Input::LinkBack);
//! let start = Command::Start { id: "run-1".into(), order: Box::new(order) };
//! let actions = controller.command(now, "ada", start)?;
//! carry_out(&mut controller, &mut bench, now, actions);
//! while controller.busy() {
//!     let poll = now + Duration::from_millis(200);
//!     now = controller.next_deadline().map_or(poll, |at| at.min(poll));
//!     let reading = bench.read(now);
//!     let actions = controller.step(now, Input::Reading(reading));
//!     carry_out(&mut controller, &mut bench, now, actions);
//! }
//! let view = controller.view();
//! assert_eq!(view.state, RunState::Complete);
//! assert!((view.charge_coulombs - 300.0).abs() < 1.0);
//! assert!(!bench.truth().output);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

pub mod advise;
pub mod bath;
#[cfg(feature = "daemon")]
pub mod cli;
pub mod config;
pub mod deposit;
pub mod draw;
#[cfg(feature = "daemon")]
pub mod host;
#[cfg(feature = "daemon")]
pub mod ledger;
pub mod mimic;
pub mod part;
pub mod plan;
pub mod process;
pub mod quantity;
#[cfg(feature = "daemon")]
mod rank;
pub mod run;
#[cfg(feature = "daemon")]
pub mod serve;
pub mod station;
pub mod supply;
pub mod watch;

#[cfg(feature = "daemon")]
pub use host::Tankside;

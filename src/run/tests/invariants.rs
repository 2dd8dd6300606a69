//! Whatever happens in whatever order.

use super::rig::{Load, Rig, acknowledge, by_volts, order, setup};
use crate::plan::Order;
use crate::process::{Between, Confirm, Entry, Turn};
use crate::quantity::{Amps, Faults, Mono, Reading, Volts};
use crate::run::{Action, Answer, Command, Controller, Event, Input, RunState};
use crate::watch::Kind;
use proptest::prelude::*;
use std::time::Duration;

/// One thing that may happen.
#[derive(Clone, Debug)]
enum Happening {
    Poll,
    Load(Load),
    Silent(bool),
    ClaimsOff(bool),
    Ask(u8),
    Fail,
    Link(bool),
    Ledger(bool),
    Surge,
}

fn happening() -> impl Strategy<Value = Happening> {
    prop_oneof![
        30 => Just(Happening::Poll),
        2 => prop_oneof![Just(Load::Good), Just(Load::Open), Just(Load::Short)].prop_map(Happening::Load),
        1 => any::<bool>().prop_map(Happening::Silent),
        1 => any::<bool>().prop_map(Happening::ClaimsOff),
        4 => (0u8..8).prop_map(Happening::Ask),
        1 => Just(Happening::Fail),
        1 => any::<bool>().prop_map(Happening::Link),
        1 => any::<bool>().prop_map(Happening::Ledger),
        1 => Just(Happening::Surge),
    ]
}

fn orders() -> impl Strategy<Value = Order> {
    let entry = prop_oneof![Just(Entry::Dead), Just(Entry::Live), Just(Entry::OnContact)];
    let turn =
        proptest::option::of((2u8..5, any::<bool>(), any::<bool>()).prop_map(|(faces, live, contact)| {
            Turn {
                faces,
                between: if live { Between::EntryVoltage } else { Between::Off },
                confirm: if contact { Confirm::Contact } else { Confirm::Operator },
            }
        }));
    (entry, turn, any::<bool>()).prop_map(|(entry, turn, volts)| Order {
        entry,
        turn,
        ..if volts { by_volts(3.0) } else { order() }
    })
}

fn apply(rig: &mut Rig, order: &Order, what: &Happening) {
    match what {
        Happening::Poll => rig.poll(),
        Happening::Load(load) => rig.load = *load,
        Happening::Silent(silent) => rig.silent = *silent,
        Happening::ClaimsOff(off) => rig.claims_output = off.then_some(false),
        Happening::Ask(n) => {
            let command = match n {
                0 | 1 => Command::Start { id: "r".into(), order: Box::new(order.clone()) },
                2 => Command::Hold,
                3 => Command::Resume,
                4 => Command::Stop,
                5 => Command::Abort,
                6 => Command::Answer(Answer::Done),
                _ => acknowledge(Kind::OpenCircuit),
            };
            // A refusal is a fine answer; it must only leave everything as it was.
            let _refused = rig.ask(command);
        }
        Happening::Fail => rig.feed(Input::Failed("refused".into())),
        Happening::Link(up) => {
            rig.feed(if *up { Input::LinkBack } else { Input::LinkLost("gone".into()) });
            rig.output &= !*up;
        }
        Happening::Ledger(good) => {
            rig.feed(if *good { Input::LedgerBack } else { Input::LedgerFailed("full".into()) });
        }
        Happening::Surge => rig.amps *= 1.5,
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn safety_holds_whatever_happens(order in orders(), story in proptest::collection::vec(happening(), 1..250)) {
        let mut rig = Rig::new();
        let mut charge = 0.0;
        let mut run_starts = 0;
        for what in &story {
            let seen = rig.log.len();
            apply(&mut rig, &order, what);
            let view = rig.controller.view();
            // Output on only inside a running powered step.
            if view.output_commanded {
                prop_assert_eq!(view.state, RunState::Running);
            }
            for action in &rig.log[seen..] {
                if let Action::Set { amps, volts } = action {
                    prop_assert!(*amps <= order.control.max_amps().max(order.entry_amps), "{:?}", action);
                    prop_assert!(*volts <= order.control.max_volts().max(order.entry_volts), "{:?}", action);
                    prop_assert!(*amps <= setup().limits.max_amps && *volts <= setup().limits.max_volts);
                }
                if matches!(action, Action::Record(Event::Started { .. })) {
                    run_starts += 1;
                    charge = 0.0;
                }
            }
            // Charge never falls within a run.
            prop_assert!(view.charge_coulombs >= charge, "{} after {charge}", view.charge_coulombs);
            charge = view.charge_coulombs;
        }
        // Every on has an off, and every start an end, once the story is over.
        let _refused = rig.ask(Command::Abort);
        rig.silent = false;
        rig.run_for(6.0);
        let last_on = rig.log.iter().rposition(|a| *a == Action::Output(true));
        let last_off = rig.log.iter().rposition(|a| *a == Action::Output(false));
        prop_assert!(last_on < last_off || last_on.is_none());
        prop_assert!(!rig.controller.view().output_commanded);
        let ends = rig.log.iter().filter(|a| matches!(a, Action::Record(Event::Ended(_)))).count();
        prop_assert_eq!(ends, run_starts);
    }

    #[test]
    fn the_same_inputs_give_the_same_actions(order in orders(), story in proptest::collection::vec(happening(), 1..150)) {
        let play = || {
            let mut rig = Rig::new();
            for what in &story {
                apply(&mut rig, &order, what);
            }
            rig.log
        };
        prop_assert_eq!(play(), play());
    }

    /// Raw inputs in any order, with readings that no supply would give.
    #[test]
    fn wild_readings_never_switch_on_nor_panic(
        story in proptest::collection::vec((0u64..5_000, any::<u8>(), -20.0..200.0f64, -20.0..200.0f64, any::<bool>()), 1..200),
    ) {
        let mut c = Controller::new(setup());
        let mut now = Mono::ZERO;
        for (ms, what, v, i, on) in story {
            now = now + Duration::from_millis(ms);
            let input = match what % 8 {
                0..=4 => Input::Reading(Reading {
                    at: now,
                    volts: Volts::new(v),
                    amps: Amps::new(i),
                    regulation: None,
                    output: Some(on),
                    set_amps: None,
                    set_volts: None,
                    faults: Faults { over_voltage: what == 0, ..Faults::default() },
                }),
                5 => Input::Prepared,
                6 => Input::Applied,
                _ => Input::Tick,
            };
            let actions = c.step(now, input);
            let powered = actions.iter().any(|a| matches!(a, Action::Output(true) | Action::Set { .. }));
            prop_assert!(!powered, "no run was started");
        }
    }
}

use super::rig::{Load, Rig, acknowledge, by_volts, order};
use crate::bath::Agitation;
use crate::plan::{BurnEstimate, Goal, Order, Seek};
use crate::process::{Between, Confirm, Entry, Turn};
use crate::quantity::{Amps, Density, Temperature, Volts};
use crate::run::{Action, Answer, BathNews, Command, Event, Input, Question, RunPhase, RunState};
use crate::watch::Kind;
use std::time::Duration;

#[test]
fn a_good_run_ramps_holds_and_ends_at_its_charge() {
    let mut rig = Rig::started(order());
    rig.until(5.0, |v| v.phase == RunPhase::Steady);
    assert_eq!(rig.amps, 2.0);
    rig.until(60.0, |v| v.state == RunState::Complete);
    let end = rig.outcome().unwrap();
    assert!((end.charge.charge().get() - 60.0).abs() < 0.01, "{end:?}");
    assert!((rig.true_coulombs - 60.0).abs() < 0.01, "{}", rig.true_coulombs);
    assert!(!rig.output);
    assert_eq!(rig.raised(), []);
    assert_eq!(end.unobserved, Duration::ZERO);
}

#[test]
fn intent_is_recorded_before_the_supply_is_touched() {
    let rig = Rig::started(order());
    let started = rig.log.iter().position(|a| matches!(a, Action::Record(Event::Started { .. })));
    let prepare = rig.log.iter().position(|a| matches!(a, Action::Prepare { .. }));
    let on = rig.log.iter().position(|a| *a == Action::Output(true));
    assert!(started.is_some() && started < prepare && prepare < on, "{:#?}", rig.log);
}

#[test]
fn the_ramp_is_never_steeper_than_ordered() {
    let mut rig = Rig::started(order());
    let mut last = (rig.now, 0.0);
    for _ in 0..30 {
        rig.poll();
        let rise = rig.amps - last.1;
        assert!(rise <= 0.5 * rig.now.since(last.0).as_secs_f64() + 1e-9, "rose {rise} A");
        last = (rig.now, rig.amps);
    }
    assert_eq!(rig.amps, 2.0);
}

#[test]
fn open_circuit_in_the_middle_holds_and_the_run_can_go_on() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.load = Load::Open;
    rig.until(8.0, |v| v.state == RunState::Held);
    assert_eq!(rig.raised(), [Kind::OpenCircuit]);
    assert!(!rig.output);
    let charge = rig.controller.view().charge_coulombs;
    rig.load = Load::Good;
    rig.run_for(30.0);
    assert_eq!(rig.controller.view().charge_coulombs, charge, "nothing flows while held");
    rig.ask(Command::Resume).unwrap();
    assert!(rig.amps < 0.2, "resume ramps again");
    rig.until(60.0, |v| v.state == RunState::Complete);
    // Half a poll of current is unknown where the contact broke unseen.
    assert!((rig.true_coulombs - 60.0).abs() <= 0.2 + 1e-9, "{}", rig.true_coulombs);
}

#[test]
fn nothing_hung_at_start_is_an_open_circuit_and_the_setpoint_stays_low() {
    let mut rig = Rig::new();
    rig.load = Load::Open;
    rig.ask(Command::Start { id: "r".into(), order: Box::new(order()) }).unwrap();
    let mut most: f64 = 0.0;
    for _ in 0..50 {
        rig.poll();
        most = most.max(rig.amps);
    }
    assert_eq!(rig.raised(), [Kind::OpenCircuit]);
    assert_eq!(rig.controller.view().state, RunState::Held);
    assert!(most <= 0.31, "a returning contact would have met {most} A");
}

#[test]
fn a_short_cuts_the_output_and_aborts() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.load = Load::Short;
    rig.until(5.0, |v| v.state == RunState::Aborted);
    assert_eq!(rig.raised(), [Kind::ShortCircuit]);
    assert!(rig.outcome().unwrap().cause.starts_with("short-circuit"));
}

#[test]
fn over_voltage_cuts() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.volts = 9.0;
    rig.load = Load::Open;
    rig.until(3.0, |v| v.state == RunState::Aborted);
    assert_eq!(rig.raised()[0], Kind::OverVoltage);
}

#[test]
fn over_current_cuts() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.amps = 3.0;
    rig.until(3.0, |v| v.state == RunState::Aborted);
    assert_eq!(rig.raised()[0], Kind::OverCurrent);
}

#[test]
fn a_knob_turned_at_the_front_panel_is_an_alarm_not_a_tug_of_war() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    let writes = rig.log.iter().filter(|a| matches!(a, Action::Set { .. })).count();
    rig.claims_amps = Some(1.5);
    rig.run_for(1.6);
    assert_eq!(rig.raised(), [Kind::ReadBack]);
    let after =
        rig.log.iter().filter(|a| matches!(a, Action::Set { amps, .. } if *amps == Amps::new(2.0))).count();
    assert!(after <= writes, "the setpoint was not pushed again");
    rig.until(5.0, |v| v.state == RunState::Held);
}

#[test]
fn others_never_carry_on_when_one_supply_of_several_gives_nothing() {
    let mut rig = Rig::started(order());
    rig.run_for(2.0);
    // In the middle of the ramp, where the setpoint changes with each poll.
    rig.parted = true;
    rig.run_for(1.4);
    assert_eq!(rig.raised(), [Kind::ReadBack]);
    rig.until(4.0, |v| v.state == RunState::Held);
    assert!(!rig.output);
}

#[test]
fn watch_that_only_tells_does_not_let_them_carry_on_either() {
    let mut setup = super::rig::setup();
    setup.watches.tuning_mut(Kind::ReadBack).response = crate::watch::Response::Tell;
    let mut rig = Rig::new();
    rig.controller = crate::run::Controller::new(setup);
    rig.feed(Input::LinkBack);
    rig.ask(Command::Start { id: "r1".into(), order: Box::new(order()) }).unwrap();
    rig.run_for(8.0);
    rig.parted = true;
    rig.run_for(1.0);
    rig.parted = false;
    rig.run_for(3.0);
    assert_eq!(rig.controller.view().state, RunState::Running, "one that came back is no reason");
    rig.parted = true;
    rig.until(5.0, |v| v.state == RunState::Held);
    assert!(!rig.output);
    assert!(rig.controller.view().cause.unwrap().contains("in parallel"));
}

#[test]
fn current_that_stays_behind_its_setpoint_is_told() {
    let mut rig = Rig::started(Order { ..order() });
    rig.run_for(10.0);
    // A ceiling that only lets 1.6 A through: not open, not arriving.
    rig.volts = 2.84;
    rig.claims_output = Some(true);
    let mut tight = order();
    if let crate::plan::Control::Current { ceiling, .. } = &mut tight.control {
        *ceiling = Volts::new(2.84);
    }
    let mut rig = Rig::started(tight);
    rig.run_for(15.0);
    assert_eq!(rig.raised(), [Kind::VoltageLimit]);
    assert_eq!(rig.controller.view().state, RunState::Running, "tell does not stop the run");
}

#[test]
fn silence_under_current_cuts_and_says_go_to_the_supply() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.silent = true;
    rig.run_for(8.0);
    assert_eq!(rig.raised(), [Kind::StaleLink]);
    let end = rig.outcome().unwrap();
    assert_eq!(end.state, RunState::Aborted);
    assert!(end.cause.starts_with("stale-link"), "{end:?}");
    assert!(end.unobserved >= Duration::from_secs(2), "the silent time is kept apart: {end:?}");
    assert!(end.charge.charge().get() <= rig.true_coulombs + 0.5, "nothing is invented");
}

#[test]
fn a_lost_link_ends_the_run_and_healing_does_not_bring_it_back() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.feed(Input::LinkLost("the port is gone".into()));
    assert_eq!(rig.controller.view().state, RunState::Aborted);
    assert_eq!(rig.raised(), [Kind::StaleLink]);
    rig.log.clear();
    rig.output = false;
    rig.feed(Input::LinkBack);
    rig.run_for(5.0);
    assert!(
        !rig.log
            .iter()
            .any(|a| matches!(a, Action::Output(true) | Action::Set { .. } | Action::Prepare { .. }))
    );
    assert!(rig.ask(Command::Resume).is_err());
}

#[test]
fn an_output_that_does_not_go_off_is_said_aloud() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.stuck_on = true;
    rig.ask(Command::Stop).unwrap();
    rig.run_for(5.0);
    let end = rig.outcome().unwrap();
    assert_eq!(end.state, RunState::Aborted);
    let view = rig.controller.view();
    assert!(view.later_causes.iter().any(|c| c.contains("go to the supply")), "{view:?}");
    assert!(rig.raised().contains(&Kind::ReadBack) || rig.raised().contains(&Kind::StaleLink));
    let offs = rig.log.iter().filter(|a| **a == Action::Output(false)).count();
    assert!(offs > 3, "off is sent again: {offs}");
}

#[test]
fn live_entry_waits_for_the_operator_and_ramps_from_what_flows() {
    let mut rig = Rig::new();
    rig.load = Load::Open;
    rig.ask(Command::Start { id: "r".into(), order: Box::new(Order { entry: Entry::Live, ..order() }) })
        .unwrap();
    rig.run_for(20.0);
    let view = rig.controller.view();
    assert_eq!((view.phase, view.question), (RunPhase::Entry, Some(Question::HangPart)));
    assert_eq!(view.thickness_meters, None, "nothing hangs yet that could have a deposit");
    assert_eq!(rig.volts, 2.0);
    assert_eq!(rig.raised(), [], "open at entry is no alarm");
    rig.load = Load::Good;
    rig.run_for(1.0);
    let entry_amps = rig.truth().1;
    rig.ask(Command::Answer(Answer::Done)).unwrap();
    assert!((rig.amps - entry_amps).abs() < 0.01, "no drop, no jump");
    rig.run_for(1.0);
    assert!(rig.controller.view().thickness_meters.is_some_and(|t| t > 0.0));
    rig.until(60.0, |v| v.state == RunState::Complete);
}

#[test]
fn cell_that_makes_more_volts_by_itself_than_the_entry_voltage_is_no_over_voltage_but_a_runaway_is() {
    let mut rig = Rig::new();
    rig.load = Load::Open;
    let low = Order { entry: Entry::Live, entry_volts: Volts::new(0.25), ..order() };
    rig.ask(Command::Start { id: "r".into(), order: Box::new(low) }).unwrap();
    rig.run_for(5.0);
    rig.load = Load::Cell;
    rig.run_for(20.0);
    assert_eq!(rig.raised(), [], "the supply cannot pull it down, and no current flows");
    rig.volts = 5.0;
    rig.until(3.0, |v| v.state == RunState::Aborted);
    assert_eq!(rig.raised()[0], Kind::OverVoltage);
}

#[test]
fn on_contact_starts_by_itself() {
    let mut rig = Rig::new();
    rig.load = Load::Open;
    let order = Order { entry: Entry::OnContact, ..order() };
    rig.ask(Command::Start { id: "r".into(), order: Box::new(order) }).unwrap();
    rig.run_for(5.0);
    assert_eq!(rig.controller.view().phase, RunPhase::Entry);
    rig.load = Load::Good;
    rig.until(2.0, |v| v.phase == RunPhase::Ramp);
    rig.until(60.0, |v| v.state == RunState::Complete);
}

#[test]
fn a_turn_splits_the_charge_evenly_and_nothing_flows_meanwhile() {
    let turn = Turn { faces: 3, between: Between::Off, confirm: Confirm::Operator };
    let mut rig = Rig::started(Order { turn: Some(turn), ..order() });
    for face in 1..=2u8 {
        rig.until(30.0, |v| {
            v.question == Some(Question::TurnPart { next: face + 1, faces: 3, count: false })
        });
        assert!((rig.true_coulombs - 20.0 * f64::from(face)).abs() < 0.05, "{}", rig.true_coulombs);
        assert!(!rig.output);
        rig.load = Load::Open;
        rig.run_for(12.0);
        assert_eq!(rig.raised(), []);
        assert_eq!(rig.controller.without_current().map(|time| time.as_secs()), Some(12));
        rig.load = Load::Good;
        rig.ask(Command::Answer(Answer::Done)).unwrap();
    }
    rig.until(30.0, |v| v.state == RunState::Complete);
    assert!((rig.true_coulombs - 60.0).abs() < 0.05);
}

#[test]
fn a_turn_is_seen_by_its_contact() {
    let turn = Turn { faces: 2, between: Between::EntryVoltage, confirm: Confirm::Contact };
    let mut rig = Rig::started(Order { turn: Some(turn), ..order() });
    rig.until(30.0, |v| v.phase == RunPhase::Turn);
    rig.run_for(2.0);
    assert_eq!(rig.volts, 2.0);
    assert_eq!(rig.controller.view().phase, RunPhase::Turn, "still in contact: not turned yet");
    rig.load = Load::Open;
    rig.run_for(4.0);
    rig.load = Load::Good;
    rig.until(2.0, |v| v.phase == RunPhase::Ramp);
    assert_eq!(rig.controller.view().face, Some((2, 2)));
    assert_eq!(rig.raised(), []);
    rig.until(40.0, |v| v.state == RunState::Complete);
}

#[test]
fn nobody_is_asked_to_turn_a_part_at_the_full_current() {
    let turn = Turn { faces: 2, between: Between::EntryVoltage, confirm: Confirm::Contact };
    let mut rig = Rig::started(Order { turn: Some(turn), ..order() });
    rig.until(10.0, |v| v.phase == RunPhase::Steady);
    // The supply does not go down to the entry voltage: then its output goes off for the turn.
    rig.refuses = true;
    rig.until(30.0, |v| v.phase == RunPhase::Turn);
    rig.refuses = false;
    rig.until(2.0, |v| v.question.is_some());
    assert!(!rig.output);
    assert!((rig.true_coulombs - 30.0).abs() < 0.6, "{}", rig.true_coulombs);
    // A contact that breaks and returns says nothing now; the operator does.
    rig.load = Load::Open;
    rig.run_for(2.0);
    rig.load = Load::Good;
    rig.run_for(2.0);
    assert_eq!(rig.controller.view().phase, RunPhase::Turn);
    rig.ask(Command::Answer(Answer::Done)).unwrap();
    rig.until(40.0, |v| v.state == RunState::Complete);
}

#[test]
fn contact_that_breaks_outside_a_turn_turns_nothing() {
    let turn = Turn { faces: 2, between: Between::EntryVoltage, confirm: Confirm::Contact };
    let mut rig = Rig::started(Order { turn: Some(turn), ..order() });
    rig.until(10.0, |v| v.phase == RunPhase::Steady);
    rig.load = Load::Open;
    rig.run_for(1.0);
    rig.load = Load::Good;
    rig.run_for(2.0);
    assert_eq!(rig.controller.view().face, Some((1, 2)));
}

#[test]
fn a_run_by_volts_holds_the_voltage_under_a_current_ceiling() {
    let mut rig = Rig::started(by_volts(3.2));
    rig.until(10.0, |v| v.phase == RunPhase::Steady);
    assert_eq!((rig.volts, rig.amps), (3.2, 4.0));
    rig.until(60.0, |v| v.state == RunState::Complete);
    assert!((rig.true_coulombs - 60.0).abs() < 0.05);
}

#[test]
fn ends_by_time_and_holds_do_not_count() {
    let mut rig = Rig::started(Order { goal: Goal::Time(Duration::from_secs(20)), ..order() });
    rig.run_for(8.0);
    rig.ask(Command::Hold).unwrap();
    rig.until(3.0, |v| v.state == RunState::Held);
    rig.run_for(60.0);
    rig.ask(Command::Resume).unwrap();
    rig.until(20.0, |v| v.state == RunState::Complete);
    let worked = rig.outcome().unwrap().worked.as_secs_f64();
    assert!((worked - 20.0).abs() < 0.01, "{worked}");
}

#[test]
fn the_time_limit_is_the_backstop() {
    let mut rig = Rig::started(Order { time_limit: Duration::from_secs(10), ..order() });
    rig.until(20.0, |v| v.state == RunState::Stopped);
    assert!(rig.outcome().unwrap().cause.contains("time limit"));
}

#[test]
fn the_ledger_failing_holds_a_run_and_refuses_the_next() {
    let mut rig = Rig::started(order());
    rig.run_for(8.0);
    rig.feed(Input::LedgerFailed("the disk is full".into()));
    rig.until(3.0, |v| v.state == RunState::Held);
    assert!(rig.controller.view().cause.unwrap().contains("disk is full"));
    rig.ask(Command::Stop).unwrap();
    rig.run_for(1.0);
    let refusal = rig.ask(Command::Start { id: "x".into(), order: Box::new(order()) }).unwrap_err();
    assert!(refusal.contains("disk is full"), "{refusal}");
}

#[test]
fn a_supply_that_cannot_be_prepared_ends_the_run_with_that_cause() {
    let mut rig = Rig::new();
    let started = Command::Start { id: "r".into(), order: Box::new(order()) };
    let actions = rig.controller.command(rig.now, "ada", started).unwrap();
    assert!(actions.contains(&Action::Prepare {
        protection: crate::run::Protection {
            over_voltage: Volts::new(6.6000000000000005),
            over_current: Amps::new(2.2)
        },
        volts: Volts::new(6.0)
    }));
    rig.feed(Input::Failed("the supply refused its over-voltage level".into()));
    rig.run_for(1.0);
    let end = rig.outcome().unwrap();
    assert_eq!(end.state, RunState::Aborted);
    assert_eq!(end.cause, "the supply refused its over-voltage level");
    assert!(!rig.log.contains(&Action::Output(true)));
}

#[test]
fn the_first_cause_stays_the_cause() {
    let mut rig = Rig::started(order());
    rig.run_for(10.0);
    rig.load = Load::Open;
    rig.until(6.0, |v| v.cause.is_some());
    rig.ask(Command::Stop).unwrap();
    rig.run_for(1.0);
    let end = rig.outcome().unwrap();
    assert!(end.cause.starts_with("open-circuit"), "{end:?}");
    assert!(rig.controller.view().later_causes.iter().any(|c| c.contains("stopped by ada")));
}

#[test]
fn off_is_never_refused_even_with_no_run() {
    let mut rig = Rig::new();
    rig.log.clear();
    rig.ask(Command::Abort).unwrap();
    assert!(rig.log.contains(&Action::Output(false)));
}

#[test]
fn orders_beyond_the_station_are_refused_with_both_numbers() {
    let mut rig = Rig::new();
    let mut big = order();
    if let crate::plan::Control::Current { setpoint, .. } = &mut big.control {
        *setpoint = Amps::new(12.0);
    }
    let text = rig.ask(Command::Start { id: "r".into(), order: Box::new(big) }).unwrap_err();
    assert_eq!(text, "the order asks for 12 A; this station allows 10 A");
    assert!(rig.log.iter().all(|a| !matches!(a, Action::Prepare { .. })));
}

#[test]
fn alarms_return_and_are_acknowledged() {
    let mut rig = Rig::started(order());
    rig.run_for(8.0);
    rig.load = Load::Open;
    rig.until(8.0, |v| v.state == RunState::Held);
    rig.run_for(5.0);
    assert_eq!(rig.controller.alarms()[0].state, crate::watch::AlarmState::ReturnedUnacknowledged);
    rig.ask(acknowledge(Kind::OpenCircuit)).unwrap();
    assert!(rig.controller.alarms().is_empty());
    assert!(rig.ask(acknowledge(Kind::OpenCircuit)).is_err());
}

#[test]
fn remedy_of_an_open_circuit_stays_while_the_run_is_held_for_it_though_the_alarm_has_gone() {
    let mut rig = Rig::started(order());
    rig.run_for(8.0);
    rig.load = Load::Open;
    rig.until(8.0, |v| v.state == RunState::Held);
    rig.run_for(5.0);
    rig.ask(acknowledge(Kind::OpenCircuit)).unwrap();
    rig.run_for(5.0);
    assert!(rig.controller.alarms().is_empty(), "with the output off nothing is seen of the clip");
    let view = rig.controller.view();
    assert_eq!(view.held_for.as_deref(), Some("open-circuit"));
    assert!(view.held_remedy.unwrap().contains("clip"));
    rig.load = Load::Good;
    rig.ask(Command::Resume).unwrap();
    rig.run_for(5.0);
    assert_eq!(rig.controller.view().held_remedy, None, "it goes on");
    rig.ask(Command::Hold).unwrap();
    rig.until(8.0, |v| v.state == RunState::Held);
    assert_eq!(rig.controller.view().held_for, None, "a person's hold is for no watch");
}

#[test]
fn a_tick_repeated_at_the_same_time_does_nothing() {
    let mut rig = Rig::started(order());
    for _ in 0..20 {
        rig.poll();
        let again = rig.controller.step(rig.now, Input::Tick);
        assert_eq!(again, []);
    }
}

/// Burns at 5 A on this load: 20 A/dm2 at the edge, twice the mean, on half a dm2.
fn seeking(top: f64) -> Order {
    let burn = BurnEstimate {
        density: Density::new(2000.0),
        edge_factor: 2.0,
        agitation: Agitation::Air,
        by_agitation: None,
        temperature: Some(Temperature::new(55.0)),
        own_panel: true,
    };
    Order {
        burn: Some(burn),
        seek: Some(Seek { margin: 0.3, top: Amps::new(top) }),
        goal: Goal::Time(Duration::from_secs(3000)),
        time_limit: Duration::from_secs(4000),
        ..order()
    }
}

fn bath(rig: &mut Rig, agitation: Agitation) {
    let at = rig.now;
    rig.feed(Input::Bath(BathNews {
        temperature: Some((Temperature::new(55.0), at)),
        agitation: Some((agitation, true)),
    }));
}

fn seek_for(rig: &mut Rig, seconds: usize, agitation: Agitation) {
    for _ in 0..seconds / 10 {
        bath(rig, agitation);
        rig.run_for(10.0);
    }
}

#[test]
fn seeking_climbs_while_the_worst_case_allows_and_backs_off_when_the_stirrer_stops() {
    let mut rig = Rig::started(seeking(4.0));
    seek_for(&mut rig, 600, Agitation::Air);
    // 1.46 either way with good inputs: at 2.4 A the worst case is a margin of 30 %.
    assert!((2.2..2.4).contains(&rig.amps), "{}", rig.amps);
    assert_eq!(rig.raised(), []);
    let top = rig.amps;
    seek_for(&mut rig, 100, Agitation::Still);
    assert!(rig.amps < top * 0.91, "{}", rig.amps);
    let told = rig
        .log
        .iter()
        .filter(|a| matches!(a, Action::Record(Event::Note(t)) if t.starts_with("seeking")))
        .count();
    assert!(told >= 4, "each step has its reason on record: {told}");
}

#[test]
fn seeking_never_passes_the_order_and_no_margin_means_no_climb() {
    let mut rig = Rig::started(seeking(2.1));
    seek_for(&mut rig, 300, Agitation::Vigorous);
    assert!((rig.amps - 2.1).abs() < 1e-9, "{}", rig.amps);
    let mut rig = Rig::started(Order { burn: None, ..seeking(4.0) });
    seek_for(&mut rig, 300, Agitation::Vigorous);
    assert_eq!(rig.amps, 2.0);
}

#[test]
fn the_daemon_going_down_is_the_cause_it_gives() {
    let mut rig = Rig::started(order());
    rig.run_for(5.0);
    rig.ask(Command::Quit).unwrap();
    rig.run_for(1.0);
    let end = rig.outcome().unwrap();
    assert_eq!((end.state, end.cause.as_str()), (RunState::Aborted, "the daemon was stopped"));
}

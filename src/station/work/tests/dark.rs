//! A supply that is silent, or gone, while its output is on.

use super::*;

#[tokio::test]
async fn stale_link_is_told_while_the_off_that_nobody_confirms_is_still_waited_for() {
    let hall = hall(&["bench"]);
    let (handle, rig) = (&hall.control.handles()[0], &hall.rigs[0]);
    begin(handle, "a", 1_000.0).await;
    until(handle, "flowing", |s| s.measured.as_ref().is_some_and(|m| m.amperes > 1.0)).await;
    rig.pull(|p| (p.mute, p.off_hangs) = (true, true));
    let stale = |s: &Snapshot| {
        let raised = s.alarms.iter().any(|a| a.watch == "stale-link" && a.state.active());
        raised && s.run.phase == crate::run::RunPhase::Off && !s.output_known
    };
    let s = until(handle, "told", stale).await;
    // Not one off has come back: it was told while the first one hangs, and that one was sent before.
    assert_eq!((rig.pulled.lock().unwrap().offs_waited_for, rig.output()), (1, true));
    assert!(s.log.iter().any(|l| l.contains("alarm stale-link")), "{:#?}", s.log);
    assert!(s.reading_age_seconds.unwrap() < 2.5, "{:?} with a stale time of 1 s", s.reading_age_seconds);
    // And the picture stays alive as long as it hangs.
    until(handle, "told again", |later| later.seq > s.seq && stale(later)).await;
    assert_eq!(rig.pulled.lock().unwrap().offs_waited_for, 1);
    rig.pull(|p| (p.mute, p.off_hangs) = (false, false));
    until(handle, "off", |s| s.output_on == Some(false)).await;
    assert!(!rig.output());
}

/// Cuts the cable under a steady run, and mends it when the output, `on` or off, has been out of sight for two seconds.
async fn out_of_sight(hall: &Hall, on: bool) -> (Arc<Snapshot>, Arc<Snapshot>) {
    let (handle, rig) = (&hall.control.handles()[0], &hall.rigs[0]);
    begin(handle, "a", 1_000.0).await;
    until(handle, "steady", |s| s.run.phase == crate::run::RunPhase::Steady).await;
    rig.pull(|p| p.unplugged = true);
    let lost = until(handle, "aborted", |s| s.run.state == RunState::Aborted).await;
    assert!(lost.run.cause.as_ref().unwrap().contains("output state unknown"), "{:?}", lost.run.cause);
    let seen = lost.reading_age_seconds.unwrap();
    until(handle, "dark", |s| s.reading_age_seconds.is_some_and(|age| age > seen + 2.0)).await;
    rig.bench.lock().unwrap().output(rig.clock.now(), on);
    rig.pull(|p| p.unplugged = false);
    let back = until(handle, "back", |s| s.link.up && s.output_on == Some(false)).await;
    assert!(!rig.output());
    hall.ledger.sync().await.unwrap();
    (lost, back)
}

#[tokio::test]
async fn output_found_on_when_the_link_is_back_is_said_and_all_the_time_is_on_the_closed_runs_account() {
    let hall = hall(&["bench"]);
    let (lost, back) = out_of_sight(&hall, true).await;
    let more = back.run.unobserved_seconds - lost.run.unobserved_seconds;
    assert!((2.0..20.0).contains(&more), "{more} s");
    // On the run, on the tank, in memory and on disk; and the seal is whole.
    let near = |got: f64, what: &str| {
        assert!((got - back.run.unobserved_seconds).abs() < 0.01, "{what}: {got}, {back:?}");
    };
    near(hall.ledger.run("a").await.unwrap().unwrap().unobserved_seconds, "run");
    near(hall.ledger.account("nickel").unobserved_seconds, "account");
    near(hall.ledger.tanks().await.unwrap()[0].unobserved_seconds, "tank on disk");
    near(back.tank.as_ref().unwrap().unobserved_seconds, "tank shown");
    let verdict = hall.ledger.reader().verify(None, None).unwrap();
    assert_eq!((verdict.faults, verdict.runs), (vec![], 1));
    let entry = hall.ledger.reader().entries("a").unwrap().pop().unwrap();
    assert!(entry.kind == "unobserved" && entry.content.contains("found ON"), "{entry:?}");
    let events = hall.ledger.events(None, 100).await.unwrap();
    assert!(events.iter().any(|e| e.kind == "link" && e.text.contains("output found ON")), "{events:#?}");
    assert!(back.log.iter().any(|l| l.contains("found ON and is off now, confirmed")), "{:#?}", back.log);
    // Nobody is sent to a supply that is off again, and everybody is told what it was.
    let said = format!("{:?} {:?}", back.run.cause, back.alarms);
    assert!(said.contains("found ON") && !said.contains("go to the supply"), "{said}");
    assert!(!said.contains("by hand"), "{said}");
}

#[tokio::test]
async fn output_found_off_adds_no_time_that_nobody_knows_of() {
    let hall = hall(&["bench"]);
    let (lost, back) = out_of_sight(&hall, false).await;
    assert_eq!(back.run.unobserved_seconds, lost.run.unobserved_seconds);
    assert!(back.log.iter().any(|l| l.contains("the output was found off")), "{:#?}", back.log);
    let run = hall.ledger.run("a").await.unwrap().unwrap();
    assert!((run.unobserved_seconds - lost.run.unobserved_seconds).abs() < 0.01, "{run:?}");
}

#[tokio::test]
async fn a_supply_whose_setpoints_are_not_believed_is_known_to_be_off_all_the_same() {
    let hall = hall(&["bench"]);
    let (handle, rig) = (&hall.control.handles()[0], &hall.rigs[0]);
    begin(handle, "a", 1_000.0).await;
    until(handle, "flowing", |s| s.measured.as_ref().is_some_and(|m| m.amperes > 1.0)).await;
    rig.pull(|p| (p.unplugged, p.rubbish) = (true, true));
    let lost = until(handle, "lost", |s| s.run.state == RunState::Aborted).await;
    assert!(!lost.output_known, "nothing is heard of it");
    rig.pull(|p| p.unplugged = false);
    let not_in =
        |s: &Snapshot| s.link.trouble.as_ref().is_some_and(|t| t.contains("setpoint is not believed"));
    let s = until(handle, "not let in", not_in).await;
    assert!(!s.link.up && s.output_known && s.output_on == Some(false), "{s:#?}");
    let said = format!("{:?} {:?}", s.run.cause, s.alarms);
    assert!(said.contains("found ON") && !said.contains("go to the supply"), "{said}");
    // The next try finds it off by this one: the time is counted now or never.
    let more = s.run.unobserved_seconds - lost.run.unobserved_seconds;
    assert!(
        more > 0.0 && s.log.iter().any(|l| l.contains("was found ON and is off now")),
        "{more} {:?}",
        s.log
    );
    rig.pull(|p| p.unplugged = true);
    until(handle, "not known again", |s| !s.output_known).await;
    rig.pull(|p| (p.unplugged, p.rubbish) = (false, false));
    let back = until(handle, "back", |s| s.link.up && s.output_on == Some(false)).await;
    assert!(back.run.unobserved_seconds >= s.run.unobserved_seconds, "{back:?}");
}

#[tokio::test]
async fn a_lost_link_that_is_back_sends_nobody_to_the_supply_while_the_next_run_goes_on() {
    let hall = hall(&["bench"]);
    let (_, back) = out_of_sight(&hall, false).await;
    assert!(back.alarms.iter().any(|a| a.watch == "stale-link"), "{back:#?}");
    let handle = &hall.control.handles()[0];
    begin(handle, "b", 1_000.0).await;
    let on = |s: &Snapshot| {
        s.output_on == Some(true) && s.alarms.iter().any(|a| a.watch == "stale-link" && !a.state.active())
    };
    let s = until(handle, "the next", on).await;
    let said = format!("{:?}", s.alarms);
    assert!(
        said.contains("it answers again") && !said.contains("go to the supply") && !said.contains("by hand"),
        "{said}"
    );
}

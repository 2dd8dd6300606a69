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

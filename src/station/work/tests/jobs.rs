//! What stays of a job when it has ended, and the alarms that it raises.

use super::*;
use crate::quantity::Units;
use crate::run::guide::{Guide, GuideCommand, JobAnswer, JobPlan, JobStep, JobTodo, Reference, WarningKind};
use crate::station::AlarmView;

fn step(name: &str, tank: Option<&str>, todo: JobTodo) -> JobStep {
    JobStep {
        name: name.into(),
        tank: tank.map(Into::into),
        anodes: None,
        purpose: None,
        todo,
        rinse: Vec::new(),
        hazards: Vec::new(),
        within: None,
    }
}

/// A dip that is too long after the blink of an eye, and a last prompt.
fn job(id: &str) -> Guide {
    let most = Duration::from_millis(60);
    let dip = JobTodo::Dip { time: Duration::from_millis(1), most: Some(most) };
    let say = JobTodo::Prompt { say: "Hang it up.".into(), bake: None };
    let plan = JobPlan {
        title: "one cup".into(),
        sheet: "short".into(),
        base: "brass".into(),
        parts: 1,
        loads: 1,
        units: Units::Metric,
        steps: vec![step("activate", Some("acid"), dip), step("dry", None, say)],
    };
    Guide::new(id, "mila", plan, 0, None, Reference::default()).unwrap()
}

async fn done(handle: &Handle) {
    until(handle, "asks", |s| s.job.as_ref().is_some_and(|j| j.question.is_some())).await;
    handle.job("mila", GuideCommand::Answer { answer: JobAnswer::Done, seq: None }).await.unwrap();
}

async fn overdone(hall: &Hall, id: &str) -> Arc<Snapshot> {
    let handle = &hall.control.handles()[0];
    until(handle, "up", |s| s.link.up).await;
    handle.start_job("mila", job(id)).await.unwrap();
    done(handle).await;
    until(handle, "too long", |s| over_dwell(s).is_some()).await
}

fn over_dwell(s: &Snapshot) -> Option<&AlarmView> {
    s.alarms.iter().find(|a| a.watch == "over-dwell")
}

fn ack() -> Handling {
    Handling::Acknowledge { note: Some("it is out".into()) }
}

#[tokio::test]
async fn job_that_has_ended_is_shown_as_ended_and_no_later_run_is_taken_for_a_step_of_it() {
    let hall = hall(&["bench"]);
    let handle = hall.control.handles()[0].clone();
    overdone(&hall, "j").await;
    done(&handle).await;
    done(&handle).await;
    let s = until(&handle, "complete", |s| s.job.as_ref().is_some_and(|j| !j.is_open())).await;
    assert_eq!(s.job.as_ref().unwrap().state, RunState::Complete);
    begin(&handle, "a", 2.0).await;
    let s = until(&handle, "runs", |s| s.run.run.as_deref() == Some("a")).await;
    assert_eq!(s.job, None, "a run of its own is no step of the job before it");
    until(&handle, "complete", |s| s.run.state == RunState::Complete).await;
    assert_eq!(hall.ledger.run("a").await.unwrap().unwrap().job, None);
}

// The states are those of ISA-18.2 / IEC 62682.
#[tokio::test]
async fn over_dwell_is_acknowledged_like_any_alarm_and_stays_until_it_is_when_the_load_is_out() {
    let hall = hall(&["bench"]);
    let handle = hall.control.handles()[0].clone();
    let s = overdone(&hall, "j").await;
    assert_eq!(over_dwell(&s).unwrap().state, AlarmState::Unacknowledged);
    done(&handle).await;
    let s = until(&handle, "gone by itself", |s| {
        over_dwell(s).is_some_and(|a| a.state == AlarmState::ReturnedUnacknowledged)
    })
    .await;
    assert!(over_dwell(&s).unwrap().text.contains("acid"), "{s:?}");
    // It outlives its job.
    done(&handle).await;
    until(&handle, "ended", |s| s.job.as_ref().is_some_and(|j| !j.is_open()) && over_dwell(s).is_some())
        .await;
    let said = handle.job_alarm("ada", WarningKind::OverDwell, ack()).await.unwrap();
    assert_eq!(said, "alarm over-dwell is acknowledged");
    until(&handle, "normal", |s| over_dwell(s).is_none()).await;
    assert!(handle.job_alarm("ada", WarningKind::OverDwell, ack()).await.is_err(), "nothing is left");

    overdone(&hall, "k").await;
    handle.job_alarm("ada", WarningKind::OverDwell, ack()).await.unwrap();
    until(&handle, "known", |s| over_dwell(s).is_some_and(|a| a.state == AlarmState::Acknowledged)).await;
    done(&handle).await;
    until(&handle, "normal", |s| over_dwell(s).is_none()).await;
    hall.ledger.sync().await.unwrap();
    let rows = hall.ledger.alarms(10).await.unwrap();
    let told: Vec<_> = rows.iter().rev().map(|r| (r.to.as_str(), r.by.as_deref())).collect();
    let raised = ("unacknowledged", None);
    let first = [raised, ("returned-unacknowledged", None), ("normal", Some("ada"))];
    let second = [raised, ("acknowledged", Some("ada")), ("normal", None)];
    assert_eq!(told, [first, second].concat());
    assert_eq!(rows[1].note.as_deref(), Some("it is out"));
}

//! What must hold of a job in the chain of records, each as a sentence that names the bad thing.

use super::fixtures::{begun, said};
use super::tests::{end, fresh, start};
use super::*;
use rusqlite::Connection;
use serde_json::json;
use std::path::Path;

fn step(job: &str, number: u32, outcome: Option<&str>) -> Row {
    Row::JobStep(JobStepRow {
        job: job.into(),
        number,
        sheet_step: number,
        name: "water-break".into(),
        kind: "inspect".into(),
        began: format!("2026-01-01T00:0{number}:00.000Z"),
        ended: outcome.map(|_| format!("2026-01-01T00:0{number}:30.000Z")),
        outcome: outcome.map(Into::into),
        by: outcome.map(|_| "mila".into()),
        ..JobStepRow::default()
    })
}

fn ended(job: &str) -> JobEnd {
    JobEnd {
        id: job.into(),
        ended: "2026-01-01T00:09:00.000Z".into(),
        state: "complete",
        cause: "every step is done".into(),
    }
}

/// Two steps, the first of which failed.
async fn steps(ledger: &Ledger, job: &str) {
    for (number, outcome, word) in [(1, "failed", "no"), (2, "done", "yes")] {
        ledger.record(step(job, number, None));
        ledger.record(said(job, "answered", &format!("mila: {word} to question {number}")));
        ledger.record(step(job, number, Some(outcome)));
        ledger.sync().await.unwrap();
    }
}

async fn whole_job(path: &Path) {
    let (ledger, _) = Ledger::open(path).unwrap();
    ledger.begin_job(begun("j")).await.unwrap();
    steps(&ledger, "j").await;
    ledger.finish_job(ended("j")).await.unwrap();
    let entry = Entry { run: "j".into(), kind: "sign".into(), by: "mila".into(), content: json!({}) };
    ledger.enter(entry).await.unwrap();
    let verdict = ledger.reader().verify(None, None).unwrap();
    assert_eq!((verdict.entries, verdict.jobs, verdict.faults.as_slice()), (4, 1, &[][..]));
    ledger.close().await.unwrap();
}

fn tamper(path: &Path, sql: &str) {
    let db = Connection::open(path).unwrap();
    db.pragma_update(None, "foreign_keys", false).unwrap();
    assert_eq!(db.execute(sql, []).unwrap(), 1, "{sql}");
}

fn faults(path: &Path) -> Vec<String> {
    let verdict = Reader::new(path).verify(None, None).unwrap();
    let told = verdict.faults.into_iter();
    told.map(|f| format!("{} {}", f.job.or(f.run).unwrap_or_default(), f.what)).collect()
}

#[tokio::test]
async fn a_changed_answer_step_plan_or_end_of_a_job_shows_once_and_names_what() {
    for (sql, what) in [
        (
            "UPDATE event SET text = 'mila: yes to question 1' WHERE text = 'mila: no to question 1'",
            "j changed since step 1 ended: events and answers",
        ),
        ("UPDATE job_step SET outcome = 'done' WHERE number = 1", "j changed since step 1 ended: steps"),
        ("UPDATE job_step SET by = 'jonas' WHERE number = 2", "j changed since step 2 ended: steps"),
        ("DELETE FROM job_step WHERE number = 2", "j changed since step 2 ended: steps"),
        ("UPDATE job SET lot = '42'", "j changed since step 1 ended: what the job was begun with"),
        ("UPDATE job SET plan_json = '{}'", "j changed since step 1 ended: what the job was begun with"),
        ("UPDATE job SET state = 'stopped'", "j changed since it was sealed: the job's row"),
        ("DELETE FROM job", "j the job is gone"),
        (
            "INSERT INTO event (at_utc, monotonic_milliseconds, station, kind, text, job_id)
             VALUES ('2026-01-01T00:08:00.000Z', 0, 'bench', 'answered', 'mila: yes to question 9', 'j')",
            "j changed since it was sealed: events and answers",
        ),
    ] {
        let (_folder, path) = fresh();
        whole_job(&path).await;
        tamper(&path, sql);
        assert_eq!(faults(&path), [what], "{sql}");
    }
}

#[tokio::test]
async fn a_step_of_a_job_that_is_not_over_is_sealed_already_and_a_crash_leaves_that_seal() {
    let (_folder, path) = fresh();
    let (ledger, _) = Ledger::open(&path).unwrap();
    ledger.begin_job(begun("j")).await.unwrap();
    steps(&ledger, "j").await;
    ledger.record(step("j", 3, None));
    ledger.sync().await.unwrap();
    assert_eq!(faults(&path), [""; 0], "the step at work is not sealed yet");
    // As after kill -9: the file as it is now, opened anew.
    let (_folder, copy) = fresh();
    Connection::open(&path).unwrap().execute("VACUUM INTO ?1", [copy.to_str().unwrap()]).unwrap();
    ledger.close().await.unwrap();
    tamper(&copy, "UPDATE job_step SET outcome = 'done', reason = NULL WHERE number = 1");
    let (ledger, recovery) = Ledger::open(&copy).unwrap();
    assert!(recovery.sentence.contains("job j (6 key cups) was found open"));
    let verdict = ledger.reader().verify(None, None).unwrap();
    assert_eq!((verdict.jobs, verdict.entries), (1, 3), "two steps, and the end that the start gave it");
    ledger.close().await.unwrap();
    assert_eq!(faults(&copy), ["j changed since step 1 ended: steps"]);
}

#[tokio::test]
async fn what_comes_after_a_job_was_sealed_is_kept_and_breaks_no_seal() {
    let (_folder, path) = fresh();
    whole_job(&path).await;
    let (ledger, _) = Ledger::open(&path).unwrap();
    ledger.record(said("j", "note", "too late"));
    ledger.record(step("j", 2, Some("redone")));
    ledger.sync().await.unwrap();
    assert_eq!(ledger.reader().events(None, 10).unwrap()[0].text, "too late");
    assert_eq!(ledger.reader().job_steps("j").unwrap()[1].outcome.as_deref(), Some("done"));
    ledger.close().await.unwrap();
    assert_eq!(faults(&path), [""; 0]);
}

#[tokio::test]
async fn a_job_without_its_seal_shows_and_one_of_before_the_seals_is_sealed_later() {
    let (_folder, path) = fresh();
    whole_job(&path).await;
    for sql in ["DELETE FROM record WHERE kind = 'job'", "DELETE FROM record WHERE kind = 'sign'"] {
        tamper(&path, sql);
    }
    assert!(faults(&path)[0].contains("j ended and is not sealed"), "{:?}", faults(&path));
    let (_folder, path) = fresh();
    whole_job(&path).await;
    let db = Connection::open(&path).unwrap();
    db.execute_batch("DELETE FROM record; INSERT INTO meta (key, value) VALUES ('jobs_before_seals', 'j');")
        .unwrap();
    assert_eq!(Reader::new(&path).verify(None, None).unwrap().waiting, 1);
    let (ledger, _) = Ledger::open(&path).unwrap();
    // The thread seals while nothing else is asked of it, and takes this after.
    while ledger.reader().head().unwrap().is_none() {
        ledger.sync().await.unwrap();
    }
    let verdict = ledger.reader().verify(None, None).unwrap();
    assert_eq!((verdict.jobs, verdict.later, verdict.waiting, verdict.faults.len()), (1, 1, 0, 0));
    ledger.close().await.unwrap();
}

#[tokio::test]
async fn a_ledger_of_before_keeps_its_chain_when_jobs_come_into_it() {
    let (_folder, path) = fresh();
    let mut db = Connection::open(&path).unwrap();
    schema::migrate(&mut db, &schema::STEPS[..10]).unwrap();
    db.execute_batch(
        "INSERT INTO run (id, station, tank, title, started_by, started_utc, ended_utc, state, area_square_meters,
                          parts, order_json)
         VALUES ('a', 'bench', 'nickel', 'cups', 'mila', '2026-01-01', '2026-01-02', 'complete', 0.01, 6, '{}');",
    )
    .unwrap();
    seal::seal(&db, "a", false).unwrap();
    seal::append(&db, "a", "sign", Some("mila"), false, "{}".into()).unwrap();
    drop(db);
    let (ledger, recovery) = Ledger::open(&path).unwrap();
    assert_eq!(recovery.migrated_from, Some(10));
    ledger.begin(start("b", "nickel")).await.unwrap();
    ledger.finish(end("b", 1_000_000)).await.unwrap();
    let nobody = Entry { run: "z".into(), kind: "sign".into(), by: "mila".into(), content: json!({}) };
    assert!(ledger.enter(nobody).await.is_err(), "there is neither run nor job z");
    let verdict = ledger.reader().verify(None, None).unwrap();
    assert_eq!((verdict.entries, verdict.runs, verdict.faults.as_slice()), (3, 2, &[][..]));
    ledger.close().await.unwrap();
}

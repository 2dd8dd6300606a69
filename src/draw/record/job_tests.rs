//! What must hold of the record of a whole job.

use super::tests::{EVIL, entry, sources};
use super::*;
use crate::draw::plot::tests::well_formed;
use crate::ledger::{EventRow, JobRow, JobStepRow};
use crate::quantity::Units;
use serde_json::json;

const JOB: &str = "0190-job";

fn row(
    number: u32,
    sheet_step: u32,
    name: &str,
    kind: &str,
    times: (&str, &str),
    outcome: &str,
) -> JobStepRow {
    let at = |t: &str| format!("2026-01-01T{t}.000Z");
    JobStepRow {
        job: JOB.into(),
        number,
        sheet_step,
        name: name.into(),
        kind: kind.into(),
        tank: matches!(kind, "dip" | "powered")
            .then(|| if kind == "dip" { "acid".into() } else { "nickel".into() }),
        began: at(times.0),
        ended: Some(at(times.1)),
        outcome: Some(outcome.into()),
        ..JobStepRow::default()
    }
}

fn said(time: &str, kind: &str, text: &str) -> EventRow {
    EventRow {
        at: format!("2026-01-01T{time}.000Z"),
        monotonic_milliseconds: 0,
        station: "bench".into(),
        run: None,
        kind: kind.into(),
        text: text.into(),
    }
}

/// A water-break that failed and was passed, a dip of 40 s where 25 s were planned, nickel, a skipped prompt.
pub(super) fn job() -> JobSources {
    let plan = json!({"steps": [
        {"name": "water-break", "todo": {"inspect": {"question": "Does water stay?", "back-to": 0, "most": 3, "advice": ""}}},
        {"name": "activate", "todo": {"dip": {"time": {"secs": 25, "nanos": 0}, "most": {"secs": 60, "nanos": 0}}}},
        {"name": "nickel", "todo": {"powered": {"part": "cathode", "order": {"goal": {"charge": 118_000_000}}}}},
        {"name": "dry", "todo": {"prompt": {"say": "Dry.", "bake": null}}},
    ]});
    let mut nickel = row(4, 3, "nickel", "powered", ("00:00:00", "00:05:00"), "done");
    nickel.run = Some("0190".into());
    let mut dry = row(5, 4, "dry", "prompt", ("00:05:00", "00:05:05"), "skipped");
    (dry.reason, dry.by) = (Some("the towels are gone".into()), Some("ada".into()));
    let mut failed = row(1, 1, "water-break", "inspect", ("23:57:00", "23:57:20"), "failed");
    failed.by = Some("mila".into());
    for at in [&mut failed.began, failed.ended.as_mut().unwrap()] {
        *at = at.replace("2026-01-01", "2025-12-31");
    }
    JobSources {
        job: JobRow {
            id: JOB.into(),
            station: "bench".into(),
            sheet: "nickel-on-copper-alloys".into(),
            title: "6 key cups".into(),
            base: "brass".into(),
            parts: 6,
            lot: Some("K-1".into()),
            customer: Some("PO 7".into()),
            started_by: "mila".into(),
            started: "2025-12-31T23:57:00.000Z".into(),
            ended: Some("2026-01-01T00:05:05.000Z".into()),
            state: "complete".into(),
            cause: Some("the end of the sheet is reached".into()),
            continues: None,
            plan_json: plan.to_string(),
        },
        steps: vec![
            failed,
            row(2, 1, "water-break", "inspect", ("00:00:00", "00:00:00"), "done"),
            row(3, 2, "activate", "dip", ("00:00:00", "00:00:00"), "done"),
            nickel,
            dry,
        ],
        events: vec![
            said("00:00:00", "step", "step 1, water-break"),
            said("00:00:00", "asked", "question 1: Does water stay?"),
            said("00:00:00", "answered", "mila: no to question 1"),
            said("00:00:00", "step", "step 1, water-break: failed by mila"),
            said("00:00:00", "step", "step 1, water-break"),
            said("00:00:00", "asked", "question 2: Does water stay?"),
            said("00:00:00", "answered", "mila: yes to question 2"),
            said("00:00:00", "step", "step 2, activate"),
            said("00:00:01", "asked", "question 3: Hang the load in acid."),
            said("00:00:02", "answered", "mila: done to question 3"),
            said("00:00:27", "asked", "question 4: Take the load out of acid NOW."),
            said("00:00:42", "answered", "ada: done to question 4"),
            said("00:00:43", "step", "step 3, nickel"),
            said("00:00:44", "warning", "step-late: the metal passivates meanwhile"),
            said("00:00:45", "warning", "step-late is over"),
            said("00:00:46", "phase", "the job is held: jonas sent off"),
            said("00:00:47", "command", "jonas: resume"),
            said("00:04:00", "asked", "question 5: Rinse."),
            said("00:04:00", "answered", "ada: done to question 5"),
            said("00:05:00", "step", "step 4, dry"),
            said("00:05:01", "note", "the fan is loud"),
        ],
        runs: vec![sources()],
        entries: vec![
            entry(20, "step", None, json!({})),
            entry(21, "job", None, json!({})),
            entry(22, "amend", Some("mila"), json!({"what": "lot", "to": "K-2", "why": "a slip"})),
            entry(23, "sign", Some("mila"), json!({"remark": "bright"})),
        ],
        head: Some(entry(23, "sign", None, json!({}))),
        printed: "2026-01-02T00:00:00Z".into(),
    }
}

fn told(record: &Record) -> Vec<String> {
    record.deviations.iter().map(|d| d.text.clone()).collect()
}

#[test]
fn every_step_has_what_was_planned_beside_what_was_done_and_who_answered() {
    let record = from_job(job());
    let activate = &record.steps[2];
    assert_eq!(
        (activate.planned_seconds, activate.most_seconds, activate.dwell_seconds),
        (Some(25.0), Some(60.0), Some(40.0)),
        "from the answer that it is in to the one that it is out"
    );
    assert_eq!(activate.answers[1].by.as_deref(), Some("ada"));
    assert_eq!(activate.answers[1].text, "done: Take the load out of acid NOW.");
    let nickel = &record.steps[3];
    assert_eq!((nickel.target_coulombs, nickel.unloaded_seconds), (Some(118.0), Some(180.0)));
    assert_eq!(nickel.run.as_ref().unwrap().charge_coulombs, 118.0);
    let job = record.job.as_ref().unwrap();
    assert_eq!((job.worked_by.as_slice(), job.step_seals), (&["mila", "ada"].map(String::from)[..], 1));
    assert_eq!(job.seal.as_ref().unwrap().hash, "hash21");
    // A planned target without a run.
    let mut s = job_without_run();
    s.steps[3].outcome = Some("skipped".into());
    assert_eq!(from_job(s).steps[3].target_coulombs, Some(118.0));
}

fn job_without_run() -> JobSources {
    let mut s = job();
    s.runs.clear();
    s.steps[3].run = None;
    s
}

#[test]
fn whatever_went_otherwise_than_planned_stands_among_the_deviations() {
    let told = told(&from_job(job()));
    for wanted in [
        "step 1, water-break: not passed",
        "step 3, nickel: step-late: the metal passivates meanwhile",
        "step 3, nickel: the job is held: jonas sent off",
        "step 3, nickel: jonas: resume",
        "step 3, nickel: came out late: 180 s after its current had ended",
        "step 4, dry: SKIPPED: the towels are gone",
        "step 3, nickel: 1.5 s under current were not observed; no charge is counted for them",
    ] {
        assert!(told.iter().any(|t| t == wanted), "{wanted}: {told:#?}");
    }
    assert!(!told.iter().any(|t| t.contains("is over") || t.contains("second try")), "{told:#?}");

    let mut s = job();
    s.events.retain(|e| !e.text.starts_with("ada: done"));
    (s.job.state, s.job.cause) = ("aborted".into(), Some("interrupted".into()));
    s.runs[0].entries.retain(|e| e.kind != "plan");
    s.entries.retain(|e| e.kind != "job");
    let told = self::told(&from_job(s));
    for wanted in [
        "step 2, activate: nobody said that the load came out: how long it was in is not known",
        "step 3, nickel: nobody said that the load came out after its current had ended",
        "step 3, nickel: the worksheet of its run is not on record",
        "the job was aborted: interrupted",
        "the job is not sealed",
    ] {
        assert!(told.iter().any(|t| t == wanted), "{wanted}: {told:#?}");
    }
    let mut s = job();
    s.steps[3].run = None;
    assert!(self::told(&from_job(s)).iter().any(|t| t.contains("run 0190 in nickel belongs to this job")));
}

#[test]
fn step_done_again_keeps_its_number_in_the_sheet_and_so_does_every_step_after_it() {
    let mut s = job();
    s.steps[1].outcome = Some("failed".into());
    let record = from_job(s);
    let labels: Vec<_> = record.steps.iter().map(Step::label).collect();
    assert_eq!(labels, ["1", "1 (second try)", "2", "3", "4"]);
    let told = told(&record);
    assert!(told.contains(&"step 1, water-break (second try): not passed".to_owned()), "{told:#?}");
    let page = html(&record, Units::Metric);
    for wanted in ["data-l=\"no.\">1 (second try)</td>", "Step 3: nickel in nickel", "step 3: cup 3"] {
        assert!(page.contains(wanted), "{wanted}: {page}");
    }
    let csv = steps_csv(&record);
    assert!(
        csv.lines().nth(2).unwrap().starts_with("2,1,water-break,")
            && csv.contains(",0190,1,,0.0000019,0.0000019,\n"),
        "{csv}"
    );
}

#[test]
fn what_every_worksheet_of_a_job_warns_of_is_told_once_with_its_steps() {
    let mut s = job();
    let mut again = s.runs[0].clone();
    again.run.id = "0191".into();
    s.runs.push(again);
    let mut strike = row(5, 4, "strike", "powered", ("00:05:00", "00:05:00"), "done");
    strike.run = Some("0191".into());
    s.steps[4] = strike;
    let all = told(&from_job(s));
    let of_the_supply: Vec<_> = all.iter().filter(|t| t.contains("never commissioned")).collect();
    let once = "step 3, nickel; step 4, strike: The supply of station bench was never commissioned: x";
    assert_eq!(of_the_supply, [once]);
    assert!(
        all.iter().any(|t| t.starts_with("step 4, strike: jonas: hold")),
        "what happened is each step's own"
    );
}

#[test]
fn load_that_goes_under_current_into_the_next_tank_is_no_deviation_for_what_nobody_was_asked() {
    let unanswered = |rinse: serde_json::Value| {
        let mut s = job();
        s.events.retain(|e| !e.text.starts_with("ada: done"));
        let mut plan: serde_json::Value = serde_json::from_str(&s.job.plan_json).unwrap();
        plan["steps"][2]["rinse"] = rinse;
        s.job.plan_json = plan.to_string();
        told(&from_job(s)).iter().any(|t| t.starts_with("step 3, nickel: nobody said"))
    };
    assert!(!unanswered(json!([])), "the sheet asks nobody");
    assert!(unanswered(json!(["rinse-1 (tap)"])), "asked, and not answered");
}

#[test]
fn dip_past_its_most_is_told_even_where_no_warning_was_recorded() {
    let mut s = job();
    s.job.plan_json = s.job.plan_json.replace("\"secs\":60", "\"secs\":30");
    assert!(told(&from_job(s)).contains(&"step 2, activate: in for 40 s; the sheet allows 30 s".to_owned()));
}

#[test]
fn measurement_that_was_taken_back_is_tied_to_what_took_it_back_and_counts_no_more() {
    let mut s = job();
    s.runs[0].entries.extend([
        entry(
            10,
            "measurement",
            Some("jonas"),
            json!({"thickness_meters": 9e-6, "text": "edge", "finding": 7}),
        ),
        entry(
            11,
            "measurement",
            Some("ada"),
            json!({"method": "taken back", "text": "taken back", "undoes": 7}),
        ),
    ]);
    let record = from_job(s);
    let edge = record.measurements.iter().find(|m| m.finding == Some(7)).unwrap();
    assert_eq!(edge.taken_back.as_deref(), Some("2026-01-01T00:20:11.000Z by ada"));
    assert_eq!(edge.step, Some(4));
    let page = html(&record, Units::Metric);
    assert!(page.contains("TAKEN BACK 2026-01-01 00:20:11 by ada: step 3: edge"), "{page}");
    assert!(page.contains("(measurement 7)"));
    assert!(page.contains("data-l=\"measured\">1.9 µm</td>"), "of the two only the other counts as measured");
}

#[test]
fn deposit_that_was_weighed_is_not_told_as_not_measured() {
    let mut s = job();
    s.runs[0].entries.retain(|e| e.kind != "measurement");
    let worked_out = json!({"method": "worked out", "text": "efficiency 97.4 % by weight", "finding": 7,
                            "mean_meters": 2.02e-6, "efficiency": 0.974, "efficiency_by": "weight",
                            "efficiency_counts": true});
    s.runs[0].entries.push(entry(10, "measurement", Some("jonas"), worked_out));
    let record = from_job(s.clone());
    let said = "mean 2.02 µm by weight; efficiency 97.4 % by weight";
    assert_eq!(record.steps[3].measured.as_ref().unwrap().text(Units::Metric), said);
    assert!(record.steps.iter().filter(|step| step.measured.is_some()).count() == 1);
    assert!(html(&record, Units::Metric).contains(&format!("data-l=\"measured\">{said}</td>")));
    assert!(steps_csv(&record).contains(",0.00000202,,,0.974\n"), "{}", steps_csv(&record));
    // The run's own page says the same.
    let page = html(&from_run(s.runs.remove(0)), Units::Metric);
    assert!(page.contains(&format!("<dt>measured</dt><dd>{said}</dd>")), "{page}");

    let doubtful = Found { efficiency: Some(1.02), efficiency_counts: Some(false), ..Found::default() };
    assert!(doubtful.text(Units::Metric).ends_with("does not count for the tank"));
}

#[test]
fn page_of_a_job_has_its_deviations_before_its_steps_every_section_once_and_is_well_formed() {
    let page = html(&from_job(job()), Units::Metric);
    well_formed(&page);
    let at = |section: &str| {
        let head = format!("<h2>{section}</h2>");
        assert_eq!(page.matches(&head).count(), 1, "{section}");
        page.find(&head).unwrap()
    };
    let order = ["Deviations", "Steps, as they came", "Deposits", "Parts", "Charge by tank"].map(at);
    assert!(order.is_sorted(), "{order:?}");
    for section in ["Alarms", "Measured on the parts", "Notes", "Readings", "Sign-off"] {
        at(section);
    }
    assert_eq!(page.matches("<svg").count(), 1);
    for wanted in
        ["nickel-on-copper-alloys", "PO 7", "lot: from \u{201c}K-1\u{201d} to \u{201c}K-2\u{201d}", "hash21"]
    {
        assert!(page.contains(wanted), "{wanted}");
    }
    assert!(!page.contains(" id=\""), "two plots would share it");
}

#[test]
fn what_the_job_itself_raised_is_among_its_alarms() {
    let mut s = job();
    s.runs[0].alarms.clear();
    let page = html(&from_job(s), Units::Metric);
    let alarms = page.split("<h2>Alarms</h2>").nth(1).unwrap().split("</section>").next().unwrap();
    assert!(
        alarms.contains("step-late (of the job)") && alarms.contains("the metal passivates meanwhile"),
        "{alarms}"
    );
    assert!(!alarms.contains("None was raised") && !alarms.contains("is over"), "{alarms}");
}

#[test]
fn served_page_leads_back_and_says_what_the_clocks_at_the_bench_said() {
    let by = |ahead_minutes| Served { back: Some("/#/runs/job/0190".into()), ahead_minutes };
    let page = |ahead| served(&from_job(job()), Units::Metric, &by(ahead));
    well_formed(&page(Some(60)));
    assert!(page(Some(60)).contains("<a href=\"/#/runs/job/0190\">"));
    for (ahead, said) in [
        (Some(60), "All times here are UTC; the clocks at the bench were 1 h ahead of it."),
        (Some(-210), "the clocks at the bench were 3 h 30 min behind it."),
        (Some(0), "UTC, as the clocks at the bench are."),
        (None, "All times here are UTC.</p>"),
    ] {
        assert!(page(ahead).contains(said), "{said}");
    }
    assert!(!html(&from_job(job()), Units::Metric).contains("<a "), "a page in a drawer leads nowhere");
}

#[test]
fn cleaner_takes_no_room_among_the_plots_and_is_named_below_them() {
    let mut s = job();
    let mut clean = sources();
    (clean.run.id, clean.run.job) = ("0189".into(), Some(JOB.into()));
    (clean.run.metal, clean.run.thickness_meters) = (None, None);
    (s.steps[1].kind, s.steps[1].run) = ("powered".into(), Some("0189".into()));
    s.runs.push(clean);
    let page = html(&from_job(s), Units::Metric);
    well_formed(&page);
    assert_eq!(page.matches("<svg").count(), 1, "the cleaner's plot");
    assert!(page.contains("Steps that deposit nothing are not drawn here (1 (second try))"), "{page}");
    // Where nothing else ran, it is drawn.
    let mut s = job();
    (s.runs[0].run.metal, s.runs[0].run.thickness_meters) = (None, None);
    let page = html(&from_job(s), Units::Metric);
    assert_eq!(page.matches("<svg").count(), 1);
    assert!(!page.contains("not drawn here"));
}

#[test]
fn no_text_of_a_person_becomes_markup_on_the_page_of_a_job() {
    let mut s = job();
    (s.job.title, s.job.sheet, s.job.base) = (EVIL.into(), EVIL.into(), EVIL.into());
    (s.job.lot, s.job.customer, s.job.cause) = (Some(EVIL.into()), Some(EVIL.into()), Some(EVIL.into()));
    (s.job.started, s.job.started_by, s.job.state) = (EVIL.into(), EVIL.into(), EVIL.into());
    for step in &mut s.steps {
        (step.name, step.kind, step.began) = (EVIL.into(), EVIL.into(), EVIL.into());
        (step.reason, step.by, step.tank) = (Some(EVIL.into()), Some(EVIL.into()), Some(EVIL.into()));
        (step.outcome, step.ended) = (Some(EVIL.into()), Some(EVIL.into()));
    }
    for e in &mut s.events {
        e.text = format!("{EVIL}: done to question 1");
    }
    for e in &mut s.entries {
        (e.hash, e.at, e.by) = (EVIL.into(), EVIL.into(), Some(EVIL.into()));
    }
    let page = html(&from_job(s), Units::Metric);
    well_formed(&page);
    assert!(page.contains("&lt;script&gt;") && !page.contains("<script"));
}

#[test]
fn reason_that_a_spreadsheet_would_take_for_a_formula_is_text() {
    let mut s = job();
    s.steps[4].reason = Some("=HYPERLINK(\"http://tank.example\")".into());
    s.steps[4].by = Some("@ada".into());
    let csv = steps_csv(&from_job(s));
    assert!(csv.contains(",'@ada,\"'=HYPERLINK(\"\"http://tank.example\"\")\","), "{csv}");
}

#[test]
fn csv_of_a_job_is_a_line_for_each_step_and_quotes_what_has_a_comma() {
    let mut s = job();
    s.steps[4].reason = Some("no towels, \"again\"".into());
    let csv = steps_csv(&from_job(s));
    let lines: Vec<_> = csv.lines().collect();
    assert_eq!(lines.len(), 6);
    let columns = lines[0].split(',').count();
    assert_eq!(lines[3].split(',').count(), columns);
    assert!(lines[3].contains(",25,60,40,"), "{}", lines[3]);
    assert!(lines[5].contains("skipped,ada,\"no towels, \"\"again\"\"\","), "{}", lines[5]);
}

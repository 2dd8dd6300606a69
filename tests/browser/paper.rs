//! Records as they come out of the printer: Chromium prints them, its sheets are counted.
#![expect(clippy::disallowed_methods, reason = "Chromium takes a file and makes one")]

use crate::tools;
use serde_json::{Value, json};
use std::fs;
use tankside::draw::record::{JobSources, Sources, from_job, from_run, html};
use tankside::ledger::{AlarmRow, EventRow, JobRow, JobStepRow, ReadingRow, RecordRow, RunRow, StageRow};
use tankside::process::{Kind, Sheet, shipped};
use tankside::quantity::Units;

/// What a record may take.
const MOST_SHEETS: usize = 2;

fn at(seconds: u32) -> String {
    format!("2026-01-02T{:02}:{:02}:{:02}.000Z", 8 + seconds / 3600, seconds / 60 % 60, seconds % 60)
}

fn entry(run: &str, seq: i64, seconds: u32, kind: &str, content: Value) -> RecordRow {
    RecordRow {
        seq,
        run: run.into(),
        kind: kind.into(),
        at: at(seconds),
        by: Some("mila".into()),
        later: false,
        content: content.to_string(),
        previous: "0".repeat(64),
        hash: format!("{seq:064x}"),
    }
}

fn event(run: Option<&str>, seconds: u32, kind: &str, text: &str) -> EventRow {
    EventRow {
        at: at(seconds),
        monotonic_milliseconds: 0,
        station: "bench".into(),
        run: run.map(Into::into),
        kind: kind.into(),
        text: text.into(),
    }
}

/// What stands on a run of some minutes: three kinds of part, a turn, a supply that was never commissioned; of the `finish`
/// also a hold, an alarm, time that was not observed, a weighing and three readings of thickness.
fn run(
    id: &str,
    tank: &str,
    metal: Option<&str>,
    finish: bool,
    begins: u32,
    lasts: u32,
    seq: i64,
) -> Sources {
    let readings = (0..lasts * 5)
        .map(|k| ReadingRow {
            seconds: f64::from(k) * 0.2,
            volts: 3.1 + 0.05 * (f64::from(k) * 0.01).sin(),
            amperes: if k < 150 { f64::from(k) * 0.03 } else { 4.5 },
            setpoint_amperes: 4.5,
            ceiling_volts: Some(6.0),
            bath_celsius: Some(54.0),
        })
        .collect();
    let stages = ["ramp", "steady", "turn", "ramp", "steady", "off"].iter().enumerate();
    let stage = |(n, phase): (usize, &&str)| StageRow {
        seconds: n as f64 * f64::from(lasts) / 6.0,
        state: "running".into(),
        phase: (*phase).to_owned(),
    };
    let part = |name: &str| {
        json!({"name": name, "shape": "disc 34 mm x 1 mm", "counted": "both faces, edges and holes", "count": 6,
               "each": "19 cm2", "area": "114 cm2", "thinnest": "5 um"})
    };
    let sheet = json!({"worksheet": {
        "parts": [part("key cups"), part("octave levers"), part("valve caps")],
        "thickness": {"mean": "8 um"}, "efficiency": {"low": "93 %", "used": "95 %", "high": "97 %"},
        "warnings": ["The supply of station bench was never commissioned: what it says is not proved."],
    }});
    let alarm = |seconds: u32, watch: &str, text: &str, by: Option<&str>| AlarmRow {
        at: at(begins + seconds),
        monotonic_milliseconds: 0,
        station: "bench".into(),
        run: Some(id.into()),
        watch: watch.into(),
        from: if by.is_some() { "unacknowledged" } else { "normal" }.into(),
        to: if by.is_some() { "acknowledged" } else { "unacknowledged" }.into(),
        priority: "medium".into(),
        text: text.into(),
        by: by.map(Into::into),
        note: by.map(|_| "cleaned the clip, looked at the bags".into()),
    };
    let mut entries =
        vec![entry(id, seq, begins, "plan", sheet), entry(id, seq + 1, begins + lasts, "run", json!({}))];
    if finish {
        let reading = |n: u32, at: &str| {
            let text =
                json!({"method": "xrf", "thickness_meters": f64::from(n) * 1e-6, "text": at, "finding": seq});
            entry(id, seq + 2, begins + lasts + 60, "measurement", text)
        };
        entries.extend([reading(12, "edge"), reading(8, "face"), reading(5, "hollow")]);
        let worked_out = json!({"method": "worked out", "text": "efficiency 97.4 % by weight mean 8.2 µm thinnest 5 µm, \
            61 % of the mean - Readings of that kind: about 10 % either way (from memory).", "mean_meters": 8.2e-6,
            "efficiency": 0.974, "efficiency_by": "weight", "efficiency_counts": true, "finding": seq});
        entries.push(entry(id, seq + 3, begins + lasts + 60, "measurement", worked_out));
    }
    let mut made = Sources {
        run: RunRow {
            id: id.into(),
            station: "bench".into(),
            tank: tank.into(),
            title: "6 key cups, 6 octave levers, 6 valve caps".into(),
            started_by: "mila".into(),
            started: at(begins),
            ended: Some(at(begins + lasts)),
            state: "complete".into(),
            cause: Some("the target is reached".into()),
            charge_coulombs: 4.4 * f64::from(lasts),
            target_coulombs: Some(4.4 * f64::from(lasts)),
            unobserved_seconds: if finish { 1.5 } else { 0.0 },
            worked_seconds: f64::from(lasts),
            area_square_meters: 0.036,
            parts: 18,
            metal: metal.map(Into::into),
            thickness_meters: metal.map(|_| 8e-6),
            continues: None,
            load_slope_ohm_square_meters: None,
            job: None,
            lot: None,
            customer: None,
            order_json: json!({
                "bath": format!("{tank}-bath"), "entry": "dead", "turn": {"faces": 2},
                "control": {"current": {"setpoint": "4.5 A", "ceiling": "6 V", "slope": "0.15 A/s"}},
                "deposit": metal.map(|m| json!({"metal": m, "efficiency": 0.95})),
                "goal": {"charge": u64::from(lasts) * 4_400_000}, "time-limit": {"secs": lasts * 2, "nanos": 0},
            })
            .to_string(),
        },
        stages: stages.map(stage).collect(),
        events: vec![
            event(Some(id), begins, "supply", "TANKSIDE,MIMIC-10-12,0001,1.0"),
            event(Some(id), begins + 40, "command", "jonas: hold"),
            event(Some(id), begins + 60, "command", "jonas: resume"),
        ],
        alarms: vec![
            alarm(70, "drift-notice", "the voltage is 3.4 % above its baseline", None),
            alarm(90, "drift-notice", "the voltage is 3.4 % above its baseline", Some("jonas")),
        ],
        readings,
        entries,
        head: Some(entry(id, seq + 9, begins, "sign", json!({}))),
        printed: at(9000),
    };
    if !finish {
        made.events.truncate(1);
        made.alarms.clear();
    }
    made
}

/// A load through the whole of a shipped sheet, its first look not passed once, everything else done and answered;
/// `more` runs of the last deposit are redone.
fn job(sheet: &Sheet, more: usize) -> JobSources {
    let look = sheet.steps.iter().position(|s| matches!(s.kind, Kind::Inspect(_))).unwrap();
    let Kind::Inspect(inspect) = &sheet.steps[look].kind else { unreachable!() };
    let back = sheet.position(&inspect.back_to).unwrap();
    let last = sheet.finish_step().unwrap();
    // As they come: up to the look that is not passed, again from where it leads back, the finish again and again.
    let course: Vec<usize> =
        (0..=look).chain(back..=last).chain(vec![last; more]).chain(last + 1..sheet.steps.len()).collect();
    let (mut steps, mut events, mut runs) = (Vec::new(), Vec::new(), Vec::new());
    let mut now = 0;
    for (n, place) in course.iter().enumerate() {
        let step = &sheet.steps[*place];
        let (kind, lasts) = match &step.kind {
            Kind::Dip(dip) => ("dip", dip.time.get() as u32 + 20),
            Kind::Powered(_) => ("powered", 300),
            Kind::Inspect(_) => ("inspect", 15),
            Kind::Prompt(_) => ("prompt", 30),
        };
        events.push(event(None, now, "step", &format!("step {}, {}", place + 1, step.name)));
        for (k, word) in [(1, "done"), (2, "done")] {
            let seq = 2 * n + k;
            let (asked, said) = (now + k as u32, now + lasts - 3 + k as u32);
            events.push(event(
                None,
                asked,
                "asked",
                &format!("question {seq}: Do what the sheet says at {}.", step.name),
            ));
            events.push(event(None, said, "answered", &format!("mila: {word} to question {seq}")));
        }
        let id = format!("0190a5e0-0000-7000-8000-{n:012}");
        let metal = step.purpose().is_some_and(|p| matches!(p.name(), "plate" | "strike")).then_some("Ni");
        if kind == "powered" {
            runs.push(run(&id, step.tank().unwrap(), metal, *place == last, now, lasts, 20 * n as i64 + 10));
        }
        steps.push(JobStepRow {
            job: "j".into(),
            number: n as u32 + 1,
            sheet_step: *place as u32 + 1,
            name: step.name.clone(),
            kind: kind.into(),
            tank: step.tank().map(Into::into),
            began: at(now),
            ended: Some(at(now + lasts)),
            outcome: Some(if n == look { "failed" } else { "done" }.into()),
            reason: None,
            by: Some("mila".into()),
            run: (kind == "powered").then_some(id),
        });
        now += lasts + 10;
    }
    JobSources {
        job: JobRow {
            id: "0190a5df-0000-7000-8000-000000000000".into(),
            station: "bench".into(),
            sheet: sheet.name.clone(),
            title: format!("18 parts through {}", sheet.title),
            base: "brass".into(),
            parts: 18,
            lot: Some("K-104".into()),
            customer: Some("PO 7716".into()),
            started_by: "mila".into(),
            started: at(0),
            ended: Some(at(now)),
            state: "complete".into(),
            cause: Some("every step is done".into()),
            continues: None,
            plan_json: json!({"steps": sheet.steps.iter().map(|_| json!({})).collect::<Vec<_>>()})
                .to_string(),
        },
        steps,
        events,
        runs,
        entries: vec![
            entry("j", 500, now, "job", json!({})),
            entry(
                "j",
                501,
                now + 60,
                "amend",
                json!({"what": "lot", "to": "K-105", "why": "a slip of the pen"}),
            ),
            entry("j", 502, now + 90, "sign", json!({"remark": "bright, no bare spots"})),
        ],
        head: Some(entry("j", 502, now + 90, "sign", json!({}))),
        printed: at(now + 120),
    }
}

/// How many sheets Chromium prints of that page.
fn sheets(page: &str) -> usize {
    let folder = tempfile::tempdir().unwrap();
    let (from, to) = (folder.path().join("record.html"), folder.path().join("record.pdf"));
    fs::write(&from, page).unwrap();
    let mut chromium = tools::chromium();
    chromium.args([
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--no-pdf-header-footer",
    ]);
    chromium.arg(format!("--user-data-dir={}", folder.path().join("profile").display()));
    chromium.arg(format!("--print-to-pdf={}", to.display())).arg(format!("file://{}", from.display()));
    let (fine, said) = tools::run(chromium, "");
    let pdf = fs::read(&to).unwrap_or_default();
    assert!(fine && pdf.starts_with(b"%PDF"), "nothing was printed: {said}");
    // A page is an object of type Page (ISO 32000-1, 7.7.3.3); the tree above them is of type Pages.
    let head = b"/Type /Page";
    pdf.windows(head.len() + 1)
        .filter(|w| w.starts_with(head) && !w[head.len()].is_ascii_alphabetic())
        .count()
}

fn named(name: &str) -> Sheet {
    shipped().into_iter().find(|s| s.name == name).unwrap()
}

#[test]
fn record_of_a_run_or_a_job_does_not_fit_onto_two_sheets_of_paper() {
    let of_run = run("0190a5e0-0000-7000-8000-000000000001", "nickel", Some("Ni"), true, 0, 1200, 1);
    let printed = sheets(&html(&from_run(of_run), Units::Metric));
    assert!((1..=MOST_SHEETS).contains(&printed), "a run: {printed}");
    for name in ["nickel-on-copper-alloys", "silver-over-nickel-on-brass"] {
        let printed = sheets(&html(&from_job(job(&named(name), 0)), Units::Metric));
        assert!((1..=MOST_SHEETS).contains(&printed), "{name}: {printed}");
    }
    // That sheets are counted at all: a day that went wrong takes more.
    let long = sheets(&html(&from_job(job(&named("silver-over-nickel-on-brass"), 12)), Units::Metric));
    assert!(long > MOST_SHEETS, "{long}");
}

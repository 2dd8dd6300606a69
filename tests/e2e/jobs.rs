//! A load through a whole sheet, over the wire.

use super::hall::{Daemon, Hall, PART, Plan, near, number, tank, until};
use super::runs::sqlite;
use super::tools;
use nix::sys::signal::Signal;
use serde_json::{Value, json};
use std::path::Path;

/// The shipped sheet with seconds in it, so that nobody waits: the same steps, tanks and questions.
fn short_sheet() -> String {
    let mut text = include_str!("../../config/processes/nickel-on-copper-alloys.toml").to_owned();
    for (from, to) in [
        ("end = { time = \"30 s\" }", "end = { time = \"2 s\" }\nramp = { time = \"1 s\" }"),
        ("time = \"25 s\"", "time = \"1 s\""),
        ("end = { thickness = \"8 um\" }", "end = { thickness = \"0.04 um\" }\nramp = { time = \"1 s\" }"),
        ("sources = { end = \"common", "sources = { ramp = \"for a test\", end = \"common"),
        ("sources = { end = \"a usual", "sources = { ramp = \"for a test\", end = \"a usual"),
    ] {
        let changed = text.replace(from, to);
        assert_ne!(changed, text, "{from}");
        text = changed;
    }
    text
}

const TANKS: &str = "[[tank]]\nname = \"cleaner\"\nbath = \"electrocleaner\"\nvolume = \"20 L\"\n\
                     [[tank]]\nname = \"acid\"\nbath = \"acid-activator\"\nvolume = \"10 L\"\n";

pub fn hall() -> Hall {
    hall_of(Plan::default())
}

/// One station, its tank and those that a sheet for nickel needs, and a sheet that takes seconds.
pub fn hall_of(plan: Plan) -> Hall {
    let hall = Hall::of(plan);
    let text = std::fs::read_to_string(&hall.config).unwrap();
    std::fs::write(&hall.config, text + TANKS).unwrap();
    let folder = hall.folder.path().join("processes");
    std::fs::create_dir(&folder).unwrap();
    std::fs::write(folder.join("short-nickel.toml"), short_sheet()).unwrap();
    hall
}

/// A sheet order in a file, as `start` takes it.
pub fn order(hall: &Hall) -> String {
    let path = hall.folder.path().join("cups.toml");
    let area = PART.trim_start_matches("area ");
    let text =
        format!("sheet = \"short-nickel\"\nbase = \"brass\"\n[[part]]\nname = \"cup\"\narea = \"{area}\"\n");
    std::fs::write(&path, text).unwrap();
    path.display().to_string()
}

fn post(daemon: &Daemon, deed: &str, body: Value) -> Result<Value, String> {
    post_under(daemon, deed, None, body)
}

/// With that `Idempotency-Key`.
fn post_under(daemon: &Daemon, deed: &str, key: Option<&str>, body: Value) -> Result<Value, String> {
    let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
    let request = agent.post(format!("http://{}/api/v1/stations/bench/job{deed}", daemon.address));
    let mut response = match key {
        Some(key) => request.header("Idempotency-Key", key),
        None => request,
    }
    .send_json(body)
    .unwrap();
    let answer: Value = response.body_mut().read_json().unwrap();
    if response.status().is_success() { Ok(answer) } else { Err(answer["detail"].as_str().unwrap().into()) }
}

/// Waits until that is asked in that step, and returns the question.
fn asked(daemon: &Daemon, step: &str, about: &str) -> Value {
    let look = daemon.until(&format!("asks {about} in {step}"), |s| {
        let job = &s["job"];
        let at = job["step"].as_u64().unwrap_or(1) as usize - 1;
        job["steps"][at]["name"] == step && job["question"]["about"] == about
    });
    look["job"]["question"].clone()
}

/// Who answers: every second answer goes another way.
struct Hands<'d> {
    daemon: &'d Daemon,
    count: u32,
}

impl Hands<'_> {
    fn answer(&mut self, step: &str, about: &str, word: &str) {
        let question = asked(self.daemon, step, about);
        self.count += 1;
        if self.count.is_multiple_of(2) {
            self.daemon.verb(&["answer", word]).good();
        } else {
            let body = json!({ "by": "ada", "answer": word, "seq": question["seq"] });
            post(self.daemon, "/answer", body).unwrap();
        }
    }
}

#[test]
fn nickel_on_brass_with_one_failed_water_break_is_guided_to_the_end_and_each_tank_gets_its_own_charge() {
    let hall = hall();
    let daemon = hall.daemon();
    let file = order(&hall);
    let words = ["start", "--json", &file, "--lot", "41", "--customer", "PO 7"];
    let id = daemon.verb(&words).json()["job"].as_str().unwrap().to_owned();
    let mut hands = Hands { daemon: &daemon, count: 0 };
    hands.answer("hang", "prompt", "done");
    // Nothing starts beside a job.
    let beside = daemon.verb(&["start", "--tank", &tank("bench"), "--part", PART, "--charge", "1 A.min"]);
    assert!(beside.bad(1).contains("a job is under way"));
    for word in ["no", "yes"] {
        let feed = asked(&daemon, "clean", "feed");
        assert!(feed["text"].as_str().unwrap().contains("no other tank"), "{feed}");
        assert!(!hall.mimic().state().on(), "the output is off while the leads are moved");
        hands.answer("clean", "feed", "done");
        hands.answer("clean", "rinse", "done");
        assert!(!hall.mimic().state().on());
        hands.answer("water-break", "inspect", word);
    }
    // A second answer to the same question, from elsewhere.
    let go = asked(&daemon, "activate", "go-to");
    let body = json!({ "by": "ada", "answer": "done", "seq": go["seq"] });
    post(&daemon, "/answer", body.clone()).unwrap();
    let no = post(&daemon, "/answer", body).unwrap_err();
    assert!(no.contains("answered already: done by ada"), "{no}");
    hands.answer("activate", "take-out", "done");
    hands.answer("activate", "rinse", "done");
    hands.answer("water-break-again", "inspect", "yes");
    hands.answer("nickel", "feed", "done");
    let turn = asked(&daemon, "nickel", "turn-part");
    assert!(turn["text"].as_str().unwrap().contains("face 2 of 2"), "{turn}");
    let no = daemon.verb(&["skip", "--reason", "enough"]).bad(1);
    assert!(no.contains("stop the run first"), "{no}");
    hands.answer("nickel", "turn-part", "done");
    hands.answer("nickel", "rinse", "done");
    hands.answer("dry", "prompt", "done");
    let last = daemon.until("job complete", |s| s["job"]["state"] == "complete");
    assert_eq!(last["job"]["lot"], "41");
    assert!(!hall.mimic().state().on());

    // On record: what was done, how often, by whom.
    let job = daemon.get(&format!("/api/v1/jobs/{id}"));
    assert_eq!((&job["state"], &job["customer"]), (&json!("complete"), &json!("PO 7")));
    let steps: Vec<_> = job["steps"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| format!("{} {}", s["name"].as_str().unwrap(), s["outcome"].as_str().unwrap()))
        .collect();
    assert_eq!(
        steps,
        [
            "hang done",
            "clean done",
            "water-break failed",
            "clean done",
            "water-break done",
            "activate done",
            "water-break-again done",
            "nickel done",
            "dry done"
        ]
    );
    let told = job["events"].to_string();
    assert!(told.contains("mila: ") && told.contains("ada: "), "both have answered: {told}");

    // The charge is on the tank that worked, and nowhere else.
    let runs = daemon.get("/api/v1/runs");
    let passed = |name: &str| -> f64 {
        let all = runs.as_array().unwrap().iter();
        all.filter(|r| r["tank"] == name).map(|r| number(&r["charge_coulombs"])).sum()
    };
    assert_eq!(runs.as_array().unwrap().len(), 3);
    assert!(runs.as_array().unwrap().iter().all(|r| r["job"] == id.as_str() && r["lot"] == "41"), "{runs}");
    let tanks = daemon.verb(&["tanks", "--json"]).json();
    let account = |name: &str| {
        let found = tanks.as_array().unwrap().iter().find(|t| t["tank"] == name).unwrap();
        number(&found["charge_coulombs"])
    };
    for name in ["cleaner", &tank("bench")] {
        near(account(name), passed(name), 1e-6);
        assert!(account(name) > 0.0);
    }
    assert_eq!(account("acid"), 0.0);
    near(account("cleaner") + account(&tank("bench")), hall.mimic().state().charge(), 0.03);
    let view = sqlite(
        &hall.ledger(),
        "SELECT name, outcome FROM job_progress WHERE kind = 'powered' AND ampere_minutes > 0",
    );
    assert_eq!(view, "clean|done\nclean|done\nnickel|done");
    let shown = daemon.verb(&["jobs", "last"]).good();
    assert!(shown.contains("water-break: failed by") && shown.contains("lot       41"), "{shown}");
    on_record(&hall, &daemon, &id);
    why_it_peels(&daemon);
}

/// The job's own record: planned against done, sealed, signed, and a changed answer shows.
fn on_record(hall: &Hall, daemon: &Daemon, id: &str) {
    // Each run has the worksheet of its own step.
    let plans = sqlite(
        &hall.ledger(),
        "SELECT r.tank, json_extract(e.content, '$.worksheet.efficiency.used') = json_extract(r.order_json, \
         '$.deposit.efficiency') FROM record AS e JOIN run AS r ON r.id = e.run_id WHERE e.kind = 'plan' ORDER BY r.id",
    );
    assert_eq!(plans.lines().count(), 3, "{plans}");
    let record = daemon.get(&format!("/api/v1/jobs/{id}/record.json"));
    let steps = record["steps"].as_array().unwrap();
    assert_eq!(steps.len(), 9);
    let activate = &steps[5];
    assert_eq!((&activate["name"], &activate["planned_seconds"]), (&json!("activate"), &json!(1.0)));
    assert!(number(&activate["dwell_seconds"]) >= 1.0, "{activate}");
    for step in [1, 3, 7] {
        let run = &steps[step]["run"];
        assert_eq!(run["tank"], steps[step]["tank"], "{run}");
        assert_eq!(run["parts"][0]["name"], "cup", "its worksheet: {run}");
        assert!(run["seal"]["hash"].is_string(), "{run}");
    }
    assert!(
        steps[7]["run"]["thickness"]["low_meters"].is_number(),
        "the plan entry is that of the nickel step"
    );
    let told = record["deviations"].to_string();
    assert!(told.contains("step 3, water-break: not passed"), "{told}");
    let page = daemon.verb(&["report", "last-job", "--html", "-"]).good();
    assert!(page.contains("Steps, as they came") && page.contains("not passed"), "{page}");
    let lines = daemon.verb(&["report", id]).good();
    assert!(lines.contains("sealed     entry") && lines.contains("not passed"), "{lines}");
    let rows = daemon.verb(&["report", "--csv", id]).good();
    assert_eq!(rows.lines().count(), 10, "{rows}");

    daemon.verb(&["runs", "sign", "last-job", "--remark", "bright"]).good();
    daemon.verb(&["runs", "amend", id, "--lot", "42", "--why", "a slip"]).good();
    let record = daemon.get(&format!("/api/v1/jobs/{id}/record.json"));
    assert_eq!((&record["lot"], &record["amendments"][0]["from"]), (&json!("42"), &json!("41")));
    assert_eq!(record["signatures"][0]["remark"], "bright");
    let checked = daemon.verb(&["runs", "verify"]).good();
    assert!(checked.contains("3 runs and 1 job hashed again: nothing was changed"), "{checked}");

    let copy = hall.folder.path().join("changed.sqlite");
    sqlite_into(&hall.ledger(), &copy);
    let mut command = tools::sqlite3();
    command.arg("-bail").arg(&copy).arg(
        "UPDATE event SET text = replace(text, ': no to', ': yes to') WHERE kind = 'answered' AND text LIKE '%: no to%'",
    );
    let (good, said) = tools::run(command, "");
    assert!(good, "{said}");
    let changed = daemon.verb(&["runs", "verify", "--ledger", &copy.display().to_string()]);
    let told = changed.out.clone();
    changed.bad(65);
    assert!(told.contains(&format!("job {id} (entry")), "{told}");
    assert!(told.contains("ended: events and answers"), "{told}");
}

/// A copy of the ledger as it stands.
fn sqlite_into(ledger: &Path, copy: &Path) {
    let mut command = tools::sqlite3();
    command.arg("-bail").arg(ledger).arg(format!("VACUUM INTO '{}'", copy.display()));
    let (good, said) = tools::run(command, "");
    assert!(good, "{said}");
}

/// With what the ledger really has of the steps before: one water-break that was not passed.
fn why_it_peels(daemon: &Daemon) {
    let told = daemon.verb(&["advise", "last", "--saw", "peeling"]).good();
    assert!(told.contains("water-break"), "{told}");
    let advice = daemon.verb(&["advise", "last", "--saw", "peeling", "--json"]).json();
    assert_eq!(advice["first"], Value::Null, "{advice}");
    let causes = advice["causes"].as_array().unwrap();
    let soil = causes.iter().find(|c| c["seen"].as_str().unwrap().contains("water-break")).unwrap();
    assert!(["for", "strong"].contains(&soil["verdict"].as_str().unwrap()), "{soil}");
}

#[test]
fn job_that_the_daemons_death_interrupts_is_closed_and_its_rest_begins_where_it_was() {
    let hall = hall();
    let mut daemon = hall.daemon();
    let file = order(&hall);
    let id =
        daemon.verb(&["start", "--json", &file, "--lot", "41"]).json()["job"].as_str().unwrap().to_owned();
    let mut hands = Hands { daemon: &daemon, count: 0 };
    hands.answer("hang", "prompt", "done");
    hands.answer("clean", "feed", "done");
    hands.answer("clean", "rinse", "done");
    asked(&daemon, "water-break", "inspect");
    until("on disk", || {
        let steps = daemon.get(&format!("/api/v1/jobs/{id}"))["steps"].clone();
        if steps[2]["name"] == "water-break" { Ok(()) } else { Err(steps.to_string()) }
    });
    daemon.process.signal(Signal::SIGKILL);
    daemon.process.ended();
    drop(daemon);

    let daemon = hall.daemon();
    assert!(daemon.log.text().contains("closed as interrupted"));
    assert_eq!(daemon.status()["job"], Value::Null);
    let job = daemon.get(&format!("/api/v1/jobs/{id}"));
    assert_eq!((&job["state"], &job["cause"]), (&json!("aborted"), &json!("interrupted")));
    assert_eq!(job["rest"], json!(["hang", "clean", "water-break"]), "the rest may begin with any of these");
    let late = daemon.verb(&["start", "--job-from", "last", "--from", "nickel"]).bad(1);
    assert!(late.contains("step 3, water-break, was not done"), "{late}");
    daemon.verb(&["start", "--job-from", "last"]).good();
    let look = daemon.status();
    assert_eq!((&look["job"]["continues"], &look["job"]["lot"]), (&json!(id), &json!("41")));
    assert_eq!(look["job"]["steps"][1]["state"], "earlier");
    asked(&daemon, "water-break", "inspect");
    daemon.verb(&["stop"]).good();
    daemon.until("job stopped", |s| s["job"]["state"] == "stopped");
}

#[test]
fn job_that_is_asked_for_again_under_its_key_is_not_begun_twice() {
    let hall = hall();
    let daemon = hall.daemon();
    let text = std::fs::read_to_string(order(&hall)).unwrap();
    let body = |lot: &str| json!({ "by": "ada", "request": text, "lot": lot });
    daemon.until("up", |s| s["link"]["up"] == true);
    let first = post_under(&daemon, "", Some("press-1"), body("41")).unwrap();
    asked(&daemon, "hang", "prompt");
    // The job is over; the answer was lost, and the program asks again.
    post(&daemon, "/stop", json!({ "by": "ada" })).unwrap();
    daemon.until("job stopped", |s| s["job"]["state"] == "stopped");
    assert_eq!(post_under(&daemon, "", Some("press-1"), body("41")).unwrap(), first);
    assert_eq!(daemon.status()["job"]["state"], "stopped", "no second job was begun");
    let other = post_under(&daemon, "", Some("press-1"), body("42")).unwrap_err();
    assert!(other.contains("another body"), "{other}");
    let second = post_under(&daemon, "", Some("press-2"), body("41")).unwrap();
    assert_ne!(second["job"], first["job"]);
    // Ids are long: their beginning is enough, and one that is no job's is said to be none.
    let id = first["job"].as_str().unwrap();
    let shared = id.bytes().zip(second["job"].as_str().unwrap().bytes()).take_while(|(a, b)| a == b).count();
    assert!(daemon.verb(&["jobs", &id[..shared]]).bad(64).contains("2 jobs begin with"));
    assert!(daemon.verb(&["jobs", &id[..=shared]]).good().contains(id));
    assert!(daemon.verb(&["jobs", "fffffff"]).bad(1).contains("there is no job"));
    assert!(daemon.verb(&["redo", "clean"]).bad(1).contains("cannot be done again"), "it is still ahead");
    assert!(daemon.verb(&["redo", "x"]).bad(64).contains("there is no step"));
    daemon.verb(&["redo", "han"]).good();
}

#[test]
fn edges_that_would_burn_are_started_only_by_whoever_says_that_they_know() {
    let hall = hall();
    let daemon = hall.daemon();
    daemon.until("up", |s| s["link"]["up"] == true);
    let part = ["--part", "2 plate 2 cm x 1 cm x 1 mm", "--charge", "0.05 A.min", "--density", "20 A/dm2"];
    let bench = tank("bench");
    let start: Vec<_> = ["start", "--tank", &bench].into_iter().chain(part).collect();
    let sheet: Vec<_> = ["plan", "--tank", &bench].into_iter().chain(part).collect();
    let page = daemon.verb(&sheet).good();
    assert!(page.split_whitespace().collect::<Vec<_>>().join(" ").contains("A start is refused"), "{page}");
    let no = daemon.verb(&start).bad(1);
    assert!(no.contains("burn at about") && no.contains("--edges-may-burn"), "{no}");
    assert_eq!(daemon.status()["run"]["run"], Value::Null);
    let knowing: Vec<_> = start.into_iter().chain(["--edges-may-burn"]).collect();
    let run = daemon.verb(&knowing).good();
    assert!(run.contains("knowing that edges may burn"), "{run}");
    daemon.until("over", |s| matches!(s["run"]["state"].as_str(), Some("complete" | "aborted")));
    let id = daemon.status()["run"]["run"].as_str().unwrap().to_owned();
    until("on record", || {
        let record = daemon.get(&format!("/api/v1/runs/{id}/record.json")).to_string();
        if record.contains("knowing that edges may burn") { Ok(()) } else { Err(record) }
    });
}

#[test]
fn a_supply_that_failed_its_commissioning_is_started_only_by_whoever_says_that_they_know() {
    use tankside::ledger::{CommissioningRow, Ledger};
    let hall = hall();
    std::fs::create_dir_all(hall.ledger().parent().unwrap()).unwrap();
    tokio::runtime::Runtime::new().unwrap().block_on(async {
        let (ledger, _) = Ledger::open(&hall.ledger()).unwrap();
        let row = CommissioningRow {
            station: "bench".into(),
            at: String::new(),
            by: "mila".into(),
            identity: "TANKSIDE,MIMIC".into(),
            dialect: "scpi".into(),
            passed: false,
            off_milliseconds: 40,
            result_json: "{}".into(),
        };
        ledger.commissioned(row).await.unwrap();
        ledger.close().await.unwrap();
    });
    let daemon = hall.daemon();
    let bench = tank("bench");
    let start = ["start", "--tank", &bench, "--part", PART, "--charge", "0.05 A.min", "--current", "3 A"];
    let job = ["start", "--sheet", "short-nickel", "--base", "brass", "--part", PART];
    for asked in [&start[..], &job[..]] {
        let no = daemon.verb(asked).bad(1);
        assert!(no.contains("did not do as it should") && no.contains("--supply-may-fail"), "{no}");
    }
    let look = daemon.status();
    assert_eq!((&look["run"]["run"], &look["output_on"]), (&Value::Null, &json!(false)));
    let planned: Vec<_> = ["plan"].into_iter().chain(start[1..].iter().copied()).collect();
    let page = daemon.verb(&planned).good();
    assert!(page.contains("did not do as it should"), "{page}");
    // The page offers the tick by this.
    let asked = json!({"request": {"tank": bench, "part": [{"area": "1 dm2"}], "end": {"charge": "3 C"}}});
    let answer = ureq::post(format!("http://{}/api/v1/plan", daemon.address)).send_json(&asked);
    let planned: Value = answer.unwrap().body_mut().read_json().unwrap();
    assert!(planned["supply_failed"].as_str().unwrap().contains("did not do as it should"), "{planned}");
    let knowing: Vec<_> = start.into_iter().chain(["--supply-may-fail"]).collect();
    let run = daemon.verb(&knowing).good();
    assert!(run.contains("knowing that the supply failed"), "{run}");
    daemon.until("over", |s| matches!(s["run"]["state"].as_str(), Some("complete" | "aborted")));
}

#[test]
fn nothing_starts_on_numbers_whose_order_of_words_nothing_has_proved() {
    let hall = Hall::without_mimics(Plan::default());
    let dialects = hall.folder.path().join("dialects");
    std::fs::create_dir(&dialects).unwrap();
    let shipped = include_str!("../../config/dialects/modbus-example.toml");
    let (bare, _) = shipped.split_once("\n[modbus.known]\n").unwrap();
    let (old, new) = (
        "set-amps = { register = 22, scale = \"1 mA\" }",
        "set-amps = { register = 22, scale = \"1 A\", type = \"f32\" }",
    );
    assert!(bare.contains(old));
    std::fs::write(dialects.join("mine.toml"), bare.replace(old, new)).unwrap();
    let text = std::fs::read_to_string(&hall.config).unwrap();
    std::fs::write(&hall.config, text.replace("dialect = \"scpi\"", "dialect = \"mine\"")).unwrap();
    let daemon = Daemon::start(hall.serve(), &hall.config);
    let bench = tank("bench");
    let start = ["start", "--tank", &bench, "--part", PART, "--charge", "0.05 A.min", "--current", "3 A"];
    for more in [&[][..], &["--supply-may-fail"][..]] {
        let no = daemon.verb(&[&start[..], more].concat()).bad(1);
        assert!(
            no.contains("order of words") && no.contains("[modbus.known]") && no.contains("--commission"),
            "{no}"
        );
    }
    let check = daemon.verb(&["check"]).good();
    let check = check.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        check.contains("look: dialect mine: mine.toml:") && check.contains("float = \"ABCD\""),
        "{check}"
    );
}

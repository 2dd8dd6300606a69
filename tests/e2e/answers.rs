//! Every route of a running daemon, asked through a run, a job, alarms and refusals: each answer must be one that the
//! OpenAPI document promises there, to the last key. The judge is jsonschema-rs, which came with Schemathesis.

use super::hall::{Daemon, Plan, until};
use super::jobs::hall_of;
use super::tools;
use serde_json::{Value, json};
use std::collections::BTreeSet;

/// The sheet of `jobs`, whose steps take seconds.
const SHEET: &str = "short-nickel";

/// One answer, and where its schema stands in the document.
struct Heard {
    place: String,
    schema: String,
    answer: Value,
}

/// Asks, and keeps what was answered for the judge.
struct Asker<'d> {
    daemon: &'d Daemon,
    document: Value,
    heard: Vec<Heard>,
    /// Method, route and status of all that was answered.
    seen: BTreeSet<(String, String, String)>,
    /// The last cookie that was set.
    cookie: String,
    /// Cookie, and the word that each POST needs with it.
    session: Option<(String, String)>,
    /// Another status than was wanted, or one that the document does not have there; each was printed.
    faults: usize,
}

impl<'d> Asker<'d> {
    fn new(daemon: &'d Daemon) -> Asker<'d> {
        let document = daemon.get("/api/v1/openapi.json");
        Asker {
            daemon,
            document,
            heard: Vec::new(),
            seen: BTreeSet::new(),
            cookie: String::new(),
            session: None,
            faults: 0,
        }
    }

    /// The route of the document that a path is on; one without braces before one with them.
    fn route(&self, method: &str, path: &str) -> String {
        let path = path.split('?').next().unwrap();
        let fits = |route: &&String| {
            let (a, b): (Vec<_>, Vec<_>) = (route.split('/').collect(), path.split('/').collect());
            a.len() == b.len() && a.iter().zip(&b).all(|(a, b)| a == b || a.starts_with('{'))
        };
        let all = self.document["paths"].as_object().unwrap();
        let mut found: Vec<_> = all
            .iter()
            .filter(|(_, of)| of.get(method).is_some())
            .map(|(route, _)| route)
            .filter(fits)
            .collect();
        found.sort_by_key(|route| route.matches('{').count());
        found.first().unwrap_or_else(|| panic!("{method} {path} is in no document")).to_string()
    }

    /// Asks and wants that status.
    fn ask(&mut self, method: &str, path: &str, body: Option<Value>, wanted: u16) -> Value {
        let route = self.route(method, path);
        let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
        let mut request = ureq::http::Request::builder()
            .method(method.to_uppercase().as_str())
            .uri(format!("http://{}{path}", self.daemon.address));
        if let Some((cookie, word)) = &self.session {
            request = request.header("cookie", cookie).header("x-tankside", word);
        }
        let sent = match &body {
            Some(body) => {
                agent.run(request.header("content-type", "application/json").body(body.to_string()).unwrap())
            }
            None => agent.run(request.body(()).unwrap()),
        };
        let mut response = sent.unwrap_or_else(|e| panic!("{method} {path}: {e}"));
        let status = response.status().as_u16();
        if let Some(set) = response.headers().get("set-cookie") {
            self.cookie = set.to_str().unwrap().split(';').next().unwrap().to_owned();
        }
        let media =
            response.headers()["content-type"].to_str().unwrap().split(';').next().unwrap().to_owned();
        let text = response.body_mut().with_config().limit(1 << 24).read_to_string().unwrap();
        let place = format!("{method} {path}: {status}");
        if status != wanted {
            eprintln!("{place} and not {wanted}: {body:?}: {text}");
            self.faults += 1;
        }
        let promised = &self.document["paths"][&route][method]["responses"][status.to_string()]["content"];
        let schema = &promised[&media]["schema"];
        if !schema.is_object() {
            eprintln!("{place}: {media} is not in the document: {promised}");
            self.faults += 1;
            return Value::Null;
        }
        self.seen.insert((method.into(), route.clone(), status.to_string()));
        if !media.ends_with("json") {
            return Value::String(text);
        }
        let answer: Value = serde_json::from_str(&text).unwrap_or_else(|e| panic!("{place}: {e}: {text}"));
        let schema = schema["$ref"].as_str().unwrap().to_owned();
        self.heard.push(Heard { place, schema, answer: answer.clone() });
        answer
    }

    fn get(&mut self, path: &str) -> Value {
        self.ask("get", path, None, 200)
    }

    /// The same with a word too many beside it is refused, wherever that could be a slip of whoever wrote it.
    fn post(&mut self, path: &str, body: Value) -> Value {
        if !["/abort", "/off"].iter().any(|end| path.ends_with(end)) {
            let mut more = body.clone();
            more["nobody-said-so"] = 1.into();
            let told = self.ask("post", path, Some(more), 400);
            let said = told["detail"].as_str().unwrap_or_default();
            if told["code"] != "bad-json" || !said.contains("nobody-said-so") {
                eprintln!("{path}: an unknown field is not named: {told}");
                self.faults += 1;
            }
        }
        self.ask("post", path, Some(body), 200)
    }

    fn at(&mut self, deed: &str, body: Value) -> Value {
        self.post(&format!("/api/v1/stations/bench{deed}"), body)
    }

    /// Looks at the station until it is so, through the judge too.
    fn until(&mut self, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        self.daemon.until(what, wanted);
        self.get("/api/v1/stations/bench")
    }

    /// Every question of the job until that step.
    fn answer_until(&mut self, step: &str) {
        until(&format!("in step {step}"), || {
            let look = self.daemon.status();
            let job = &look["job"];
            let at = job["step"].as_u64().unwrap_or(1) as usize - 1;
            if job["steps"][at]["name"] == step {
                return Ok(());
            }
            let question = &job["question"];
            if question["seq"].is_number() {
                let answers = question["answers"].as_array().unwrap();
                let word = answers.iter().find(|a| **a != "no").unwrap();
                let body = json!({ "by": "ada", "answer": word, "seq": question["seq"] });
                self.at("/job/answer", body);
            }
            Err(job.to_string())
        });
    }
}

const BY: &str = "mila";

fn by() -> Value {
    json!({ "by": BY })
}

/// At 3 A.
fn request(charge: &str) -> Value {
    json!({ "tank": "nickel-bench", "part": [{ "name": "cup", "count": 2, "area": "40 cm2" }],
            "hold": { "current": "3 A" }, "end": { "charge": charge }, "ramp": { "time": "1 s" } })
}

fn sheet() -> Value {
    json!({ "sheet": SHEET, "base": "brass", "part": [{ "name": "cup", "area": "80 cm2" }] })
}

/// What stands still: the same whatever the station does.
fn house(asker: &mut Asker) {
    for path in [
        "/",
        "/page.js",
        "/page.css",
        "/favicon.svg",
        "/page/strings.js",
        "/metrics",
        "/healthz",
        "/readyz",
        "/api/v1/openapi.json",
        "/api/v1/session",
        "/api/v1/house",
        "/api/v1/baths",
        "/api/v1/stations",
        "/api/v1/stations/bench",
        "/api/v1/stations/bench/trend.svg?width=320",
        "/api/v1/alarms/help/open-circuit",
        "/api/v1/tanks",
        "/api/v1/tanks/acid/account",
    ] {
        asker.get(path);
    }
    // Nothing is on: commands to a run are refused with why, and off is not.
    for deed in ["hold", "resume", "stop", "answer", "job/hold", "job/resume", "job/redo", "job/stop"] {
        let mut body = by();
        if deed == "answer" {
            body["answer"] = "done".into();
        }
        let told = asker.ask("post", &format!("/api/v1/stations/bench/{deed}"), Some(body), 409);
        assert_eq!(told["code"], "refused", "{deed}: {told}");
    }
    asker.at("/abort", by());
    asker.at("/off", by());
    let mut turned = request("20 C");
    turned["turn"] = json!({ "faces": 2 });
    let disc =
        json!({ "name": "key cups", "count": 60, "disc": { "diameter": "34 mm", "thickness": "1 mm" } });
    let sought = json!({ "tank": "nickel-bench", "part": [disc], "end": { "standard": "ISO 1456 Fe/Ni10b" },
                         "places": 6, "metal-price": "20 EUR/kg", "day": { "hours": "8 h", "between-loads": "5 min" } });
    let mut plain = sought.clone();
    plain["end"] = json!({ "minimum": "8 um" });
    for request in [request("20 C"), turned, plain, sheet()] {
        asker.post("/api/v1/plan", json!({ "request": request }));
    }
    let mut once = sheet();
    once["turn"] = json!({ "faces": 1 });
    asker.post("/api/v1/plan", json!({ "request": once }));
    asker.post("/api/v1/rehearse", json!({ "request": request("20 C"), "station": "bench", "width": 320 }));
    let mut wrong =
        json!({ "request": request("20 C"), "station": "bench", "seed": 7, "faults": "at 6 s open-circuit" });
    let played = asker.post("/api/v1/rehearse", wrong.clone());
    assert_eq!(played["alarms"][0]["watch"], "open-circuit", "{played}");
    assert_eq!(asker.post("/api/v1/rehearse", wrong.clone()), played, "the same seed tells the same story");
    wrong["faults"] = "\nat noon open-circuit".into();
    let told = asker.ask("post", "/api/v1/rehearse", Some(wrong), 400);
    assert!(told["errors"][0].as_str().is_some_and(|e| e.starts_with("line 2: ")), "{told}");
    let sheet_with = json!({ "request": sheet(), "station": "bench", "faults": "at 6 s short" });
    asker.ask("post", "/api/v1/rehearse", Some(sheet_with), 400);
    let played = asker.post("/api/v1/rehearse", json!({ "request": sheet(), "station": "bench" }));
    assert!(
        played["complete"] == true && played["story"].as_array().is_some_and(|s| s.len() > 5),
        "{played}"
    );
    let charges = played["charges"].as_array().unwrap();
    assert!(charges.iter().any(|c| c["charge_coulombs"].as_f64().is_some_and(|c| c > 0.0)), "{played}");
}

/// A run with a turn, held in the middle, then its papers.
fn run(asker: &mut Asker, daemon: &Daemon) -> String {
    let mut turned = request("9 C");
    turned["turn"] = json!({ "faces": 2 });
    let start = json!({ "by": BY, "request": turned, "lot": "41", "customer": "PO 7" });
    let started = asker.at("/start", start.clone());
    let run = started["run"].as_str().unwrap().to_owned();
    asker.ask("post", "/api/v1/stations/bench/start", Some(start), 409);
    asker.until("runs", |s| s["run"]["state"] == "running" && s["measured"].is_object());
    asker.get("/api/v1/runs");
    asker.get(&format!("/api/v1/runs/{run}"));
    asker.at("/hold", by());
    asker.until("is held", |s| s["run"]["question"] == "held");
    asker.ask("post", "/api/v1/stations/bench/hold", Some(by()), 409);
    asker.at("/resume", by());
    asker.until("waits for the turn", |s| s["run"]["question"]["turn-part"].is_object());
    asker.at("/answer", json!({ "by": BY, "answer": "done" }));
    asker.until("is complete", |s| s["run"]["state"] == "complete");
    daemon.row(&run);
    let at = |more: &str| format!("/api/v1/runs/{run}{more}");
    assert_eq!(asker.get(&at("/replay"))["watches_of"], "bench");
    assert_eq!(asker.get(&at("/replay?station=bench"))["watches_of"], "bench");
    asker.ask("get", &at("/replay?station=attic"), None, 404);
    // At 60 s the part falls off.
    let falls = |s: u32| if s < 60 { "3.5,2.8" } else { "8,0" };
    let lines: Vec<_> = (0..90).map(|s| format!("{s},{},2.8,8", falls(s))).collect();
    let mut elsewhere = json!({ "csv": format!("t_s,V,I,I_set,V_lim\n{}", lines.join("\n")) });
    let told = asker.post("/api/v1/replay", elsewhere.clone());
    assert_eq!(
        (&told["watches_of"], &told["raised"][0]["watch"]),
        (&json!("bench"), &json!("open-circuit")),
        "{told}"
    );
    elsewhere["bath"] = "watts-nickel".into();
    asker.ask("post", "/api/v1/replay", Some(elsewhere.clone()), 422);
    elsewhere["shape"] = "6 disc 34 mm x 1 mm".into();
    asker.post("/api/v1/replay", elsewhere);
    let whole = asker.get("/api/v1/verify");
    assert!(whole["runs"].as_u64() > Some(0) && whole["faults"] == json!([]), "{whole}");
    let head = whole["head"].as_str().unwrap();
    assert_eq!(asker.get(&format!("/api/v1/verify?since=2020-01-01&head={head}"))["faults"], json!([]));
    let cut = asker.get(&format!("/api/v1/verify?head={}", "0".repeat(64)));
    assert_ne!(cut["faults"], json!([]), "a head that was kept and is in no chain");
    asker.ask("get", "/api/v1/verify?since=yesterday", None, 400);
    for more in
        ["", "/readings", "/readings?format=csv", "/record.html", "/record.csv", "/plot.svg", "/measured"]
    {
        asker.get(&at(more));
    }
    asker.post(
        &at("/amend"),
        json!({ "by": BY, "lot": "42", "why": "misread", "note": "one cup had a dent" }),
    );
    let read = json!([{ "thickness": "0.036 um", "at": "rim" }, { "thickness": "0.034 um", "at": "middle" }]);
    asker.post(&at("/measured"), json!({ "by": BY, "readings": read, "method": "xrf", "note": "two cups" }));
    let scale = json!({ "by": BY, "weight_before": "24.0000 g", "weight_after": "24.0025 g" });
    asker.post(&at("/measured"), scale);
    asker.get(&at("/measured"));
    asker.post(&at("/measured/undo"), by());
    asker.post(&at("/sign"), json!({ "by": BY, "remark": "good" }));
    asker.get(&at("/record.json"));
    let found = asker.get("/api/v1/runs?find=cup%2042&format=json");
    assert_eq!((&found[0]["id"], &found[0]["lot"]), (&json!(run), &json!("42")), "{found}");
    assert_eq!(asker.get("/api/v1/runs?find=41"), json!([]), "a lot that was amended is no longer its lot");
    asker.get(&at("/measured"));
    for fault in [
        "dark-edges",
        "rough",
        "pitted",
        "peeling",
        "dull",
        "bare-spots",
        "thin-inside",
        "thick-edges",
        "powdery",
        "stained",
    ] {
        asker.get(&at(&format!("/advice?saw={fault}")));
    }
    asker.ask("get", &at("/advice?saw=rust"), None, 400);
    asker.get(&at(&format!("/plot.svg?with={run}")));
    run
}

/// Alarms that come, are handled, and are counted.
fn alarms(asker: &mut Asker, hall: &super::hall::Hall, daemon: &Daemon) {
    let stands = |s: &Value| {
        s["alarms"]
            .as_array()
            .unwrap()
            .iter()
            .any(|a| a["watch"] == "open-circuit" && a["state"] == "unacknowledged")
    };
    for (deed, body) in [
        ("/ack", json!({ "by": BY, "watch": "open-circuit", "note": "clip" })),
        ("/alarms/open-circuit/ack", json!({ "by": BY, "note": "clip" })),
    ] {
        asker.at("/start", json!({ "by": BY, "request": request("900 C") }));
        daemon.until_steady();
        asker.until("judges its margin", |s| s["run"]["burn_margin"].is_object());
        hall.mimic().does("fault open-circuit");
        asker.until("alarmed", stands);
        asker.get("/api/v1/alarms");
        asker.at(deed, body);
        hall.mimic().does("clear");
        asker.at("/abort", by());
        // While it stands acknowledged, the same fault is no news.
        let gone = |s: &Value| s["alarms"].as_array().unwrap().iter().all(|a| a["watch"] != "open-circuit");
        asker.until("aborted, the alarm gone", |s| s["run"]["state"] == "aborted" && gone(s));
    }
    asker.ask("post", "/api/v1/stations/bench/alarms/open-circuit/shelve", Some(by()), 409);
    asker.at("/alarms/drift/shelve", json!({ "by": BY, "time": "5 min", "note": "known" }));
    asker.get("/api/v1/stations/bench");
    asker.at("/alarms/drift/unshelve", by());
    asker.at("/alarms/drift/out-of-service", json!({ "by": BY, "reason": "probe is out" }));
    asker.get("/api/v1/stations/bench");
    asker.at("/alarms/drift/in-service", by());
    asker.ask("post", "/api/v1/stations/bench/alarms/rust/ack", Some(by()), 400);
    asker.at("/off", by());
    asker.at("/start", json!({ "by": BY, "request": request("900 C") }));
    asker.at("/stop", by());
    asker.until("is stopped", |s| s["run"]["state"] == "stopped");
    asker.get("/api/v1/alarms?limit=5");
    asker.get("/api/v1/alarms/figures?days=1");
}

/// Tanks: what they worked, what was done to them, what was found in them.
fn tanks(asker: &mut Asker) {
    let nickel = |more: &str| format!("/api/v1/tanks/nickel-bench{more}");
    asker.post(&nickel("/log"), json!({ "by": BY, "rule": "brightener", "note": "5 mL" }));
    asker.get("/api/v1/tanks");
    for by in ["event", "day", "month", "part"] {
        asker.get(&nickel(&format!("/account?by={by}")));
        asker.get(&nickel(&format!("/account?by={by}&since=brightener")));
    }
    asker.get(&nickel("/account?since=2026-01-01"));
    asker.ask("get", &nickel("/account?by=rust"), None, 400);
    asker.get(&nickel("/charge.svg?each=day"));
    asker.post(&nickel("/log"), json!({ "by": BY, "rule": "make-up", "amount": "2 L" }));
    let lines = asker.get(&nickel("/log"));
    assert_eq!((&lines[0]["amount"], &lines[1]["note"]), (&json!("2 L"), &json!("5 mL")), "{lines}");
    // The older of the two, and the other stays.
    asker.post(&nickel("/undo"), json!({ "by": BY, "entry": lines[1]["entry"] }));
    asker.ask("post", &nickel("/undo"), Some(json!({ "by": BY, "entry": lines[1]["entry"] })), 409);
    let lines = asker.get(&nickel("/log"));
    assert!(lines[0]["taken_back"].is_null() && lines[1]["taken_back"].is_string(), "{lines}");
    asker.ask("get", "/api/v1/tanks/gold/log", None, 404);
    asker.post(&nickel("/undo"), by());
    asker.post(&nickel("/bath"), json!({ "by": BY, "temperature": "53 degC", "agitation": "rod" }));
    let found = "nickel: 19.8 mL EDTA 0.1 M, sample 2 mL; chloride = 13.4 g/L, pH = 4";
    for only_show in [true, false, false] {
        asker.post(&nickel("/analysis"), json!({ "by": BY, "entered": found, "only_show": only_show }));
    }
    asker.get(&nickel("/analysis"));
    asker.post(&nickel("/panel"), json!({ "by": BY, "entered": "267 mL 1 A 5 min, burnt to 12.7 mm" }));
    asker.ask("post", &nickel("/panel"), Some(json!({ "by": BY, "entered": "it looked fine" })), 422);
    // What was found is in the next worksheet.
    asker.post("/api/v1/plan", json!({ "request": request("20 C") }));
}

/// A job, held, resumed, sent back, ended; and the rest of it.
fn job(asker: &mut Asker) {
    let started = asker.at("/job", json!({ "by": BY, "request": sheet(), "lot": "41" }));
    let job = started["job"].as_str().unwrap().to_owned();
    asker.get("/api/v1/stations/bench");
    let told = asker.ask("post", "/api/v1/stations/bench/hold", Some(by()), 409);
    assert!(told["detail"].as_str().unwrap().ends_with("a job is at work: hold that"), "{told}");
    asker.answer_until("clean");
    asker.get("/api/v1/stations/bench");
    asker.at("/job/hold", by());
    asker.until("job is held", |s| s["job"]["held"].is_object());
    asker.at("/job/resume", by());
    asker.answer_until("water-break");
    asker.at("/job/redo", json!({ "by": BY, "step": 2 }));
    asker.get("/api/v1/stations/bench");
    asker.ask("post", "/api/v1/stations/bench/job/answer", Some(by()), 400);
    asker.at("/job/stop", by());
    asker.until("job is stopped", |s| s["job"]["state"] == "stopped");
    asker.get("/api/v1/jobs");
    asker.get("/api/v1/jobs?format=csv");
    let at = |more: &str| format!("/api/v1/jobs/{job}{more}");
    asker.get(&at(""));
    asker.post(&at("/amend"), json!({ "by": BY, "lot": "42", "why": "misread", "note": "hung anew" }));
    asker.post(&at("/sign"), json!({ "by": BY, "remark": "ended by hand" }));
    for kind in ["json", "csv", "html"] {
        asker.get(&at(&format!("/record.{kind}")));
    }
    let rest = json!({ "by": BY, "continues": job });
    asker.at("/job", rest);
    asker.answer_until("water-break");
    asker.get("/api/v1/stations/bench");
    asker.at("/job/stop", by());
    asker.until("the rest is stopped", |s| s["job"]["state"] == "stopped");
    asker.get("/api/v1/house");
}

/// What is not there, and what is not JSON of that shape.
fn refused(asker: &mut Asker) {
    let paths = asker.document["paths"].as_object().unwrap().clone();
    for (route, operations) in &paths {
        let path = route.replace("{station}", "bench").replace("{watch}", "drift").replace("{deed}", "stop");
        let nothing = path.split('/').map(|p| if p.starts_with('{') { "none" } else { p });
        let nothing = nothing.collect::<Vec<_>>().join("/");
        if operations.get("post").is_some() {
            // Off is never refused, whatever is written beside it.
            let is_off = ["/abort", "/off"].iter().any(|end| route.ends_with(end));
            asker.ask("post", &nothing, Some(json!({ "bogus": 1 })), if is_off { 200 } else { 400 });
        } else if nothing != path && !route.ends_with("/stream") {
            asker.ask("get", &nothing.replace("/advice", "/advice?saw=dull"), None, 404);
        }
    }
    let mut far = request("20 C");
    far["hold"] = json!({ "current": "900 A" });
    for path in ["/api/v1/plan", "/api/v1/rehearse", "/api/v1/stations/bench/start"] {
        let mut body = json!({ "request": far });
        if path.ends_with("start") {
            body["by"] = BY.into();
        }
        asker.ask("post", path, Some(body), 422);
    }
}

/// Log-in and log-out, and the audit.
fn access(asker: &mut Asker, daemon: &Daemon) {
    asker.get("/api/v1/audit");
    asker.get("/api/v1/audit?format=csv&limit=2");
    let made = daemon.verb(&["token", "add", "tablet", "--scope", "admin", "--json"]).json();
    let token = made["token"].as_str().unwrap().to_owned();
    asker.ask("get", "/api/v1/audit", None, 401);
    asker.ask("post", "/api/v1/session", Some(json!({ "token": "wrong" })), 401);
    let session = asker.post("/api/v1/session", json!({ "token": token }));
    asker.session = Some((asker.cookie.clone(), session["csrf"].as_str().unwrap().to_owned()));
    assert_eq!(asker.get("/api/v1/session")["name"], "tablet");
    asker.get("/api/v1/audit");
    asker.post("/api/v1/session/end", json!({}));
}

/// Reads the document, and each answer with the name of its schema; prints what does not fit, and a count.
const JUDGE: &str = r##"
import json, sys, jsonschema_rs
given = json.load(sys.stdin)
components = given["document"]["components"]
validators = {}
wrong = 0
for place, schema, answer in given["answers"]:
    if schema not in validators:
        whole = {"$schema": "https://json-schema.org/draft/2020-12/schema", "$ref": schema, "components": components}
        validators[schema] = jsonschema_rs.Draft202012Validator(whole)
    for error in validators[schema].iter_errors(answer):
        wrong += 1
        print(place, "/".join(map(str, error.instance_path)), error.message[:400])
print("judged", len(given["answers"]), "wrong", wrong)
"##;

/// How many do not fit, and what the judge said.
fn judged<'h>(document: &Value, answers: impl Iterator<Item = (&'h str, &'h str, Value)>) -> (usize, String) {
    let answers: Vec<_> = answers.map(|(place, schema, answer)| json!([place, schema, answer])).collect();
    let mut command = tools::python_with_schemathesis();
    command.args(["-c", JUDGE]);
    let (fine, said) = tools::run(command, &json!({ "document": document, "answers": answers }).to_string());
    assert!(fine, "{said}");
    let last = said.lines().last().unwrap();
    assert!(last.starts_with(&format!("judged {} wrong ", answers.len())), "{said}");
    (last.rsplit(' ').next().unwrap().parse().unwrap(), said)
}

/// The same, each time with one thing wrong: a key too many, a value of another kind, a key missing.
fn spoilt(answer: &Value) -> Vec<Value> {
    if let Some([first, ..]) = answer.as_array().map(Vec::as_slice) {
        return spoilt(first).into_iter().map(|one| json!([one])).collect();
    }
    let Some(map) = answer.as_object() else { return Vec::new() };
    let mut more = answer.clone();
    more["nobody-said-so"] = json!({});
    let mut all = vec![more];
    for (key, value) in map {
        let mut other = answer.clone();
        other[key] = json!({ "nobody-said-so": [] });
        all.push(other);
        // What need not be there may be missing.
        if !["run", "job", "worksheet", "order", "errors"].contains(&key.as_str()) && !value.is_number() {
            let mut less = answer.clone();
            less.as_object_mut().unwrap().remove(key);
            all.push(less);
        }
        all.extend(spoilt(value).into_iter().map(|inner| {
            let mut outer = answer.clone();
            outer[key] = inner;
            outer
        }));
    }
    all
}

#[test]
fn no_answer_of_any_route_is_other_than_the_document_says_to_the_last_key() {
    let upkeep = "[[tank.upkeep]]\nname = \"brightener\"\nevery = \"10 A.h\"\n";
    let hall = hall_of(Plan { more: upkeep.into(), ..Plan::default() });
    let daemon = hall.daemon();
    let mut asker = Asker::new(&daemon);
    house(&mut asker);
    let first = run(&mut asker, &daemon);
    alarms(&mut asker, &hall, &daemon);
    tanks(&mut asker);
    job(&mut asker);
    refused(&mut asker);
    asker.get(&format!("/api/v1/runs/{first}"));
    access(&mut asker, &daemon);

    assert_eq!(asker.faults, 0);
    let said = asker.heard.iter().map(|h| (h.place.as_str(), h.schema.as_str(), h.answer.clone()));
    let (wrong, complaint) = judged(&asker.document, said);
    assert_eq!(wrong, 0, "{complaint}");

    // Nothing of the document was left out: streams end never, and are read in `tests/serve/wire.rs`.
    let mut missed = Vec::new();
    for (route, operations) in asker.document["paths"].as_object().unwrap() {
        for (method, operation) in operations.as_object().unwrap() {
            let content = &operation["responses"]["200"]["content"];
            let seen = asker.seen.contains(&(method.clone(), route.clone(), "200".into()));
            if !seen && content.get("text/event-stream").is_none() {
                missed.push(format!("{method} {route}"));
            }
        }
    }
    assert_eq!(missed, Vec::<String>::new(), "never answered 200 here");

    // The judge sees each of these; an answer that is wrong in one place is wrong.
    let good = |heard: &&Heard| heard.place.ends_with(": 200");
    let mut kinds = BTreeSet::new();
    let mut bad = Vec::new();
    for heard in asker.heard.iter().rev().filter(good) {
        if heard.schema.ends_with("/OpenApi") || !kinds.insert(&heard.schema) {
            continue;
        }
        bad.extend(spoilt(&heard.answer).into_iter().map(|answer| (heard.schema.as_str(), answer)));
    }
    assert!(bad.len() > 300, "{}", bad.len());
    let places: Vec<String> = (0..bad.len()).map(|n| n.to_string()).collect();
    let given =
        bad.iter().zip(&places).map(|((schema, answer), place)| (place.as_str(), *schema, answer.clone()));
    let (_, complaint) = judged(&asker.document, given);
    let caught: BTreeSet<&str> = complaint.lines().filter_map(|line| line.split(' ').next()).collect();
    let passed: Vec<_> = bad
        .iter()
        .zip(&places)
        .filter(|(_, place)| !caught.contains(place.as_str()))
        .map(|((schema, answer), _)| format!("{schema} {answer}"))
        .collect();
    assert_eq!(passed, Vec::<String>::new(), "wrong, and taken for right");
}

//! Tankside inside another program: the example that embeds two stations, as a process of its own.

use super::ends::{MINDED, kill_daemon};
use super::hall::{Daemon, Hall, Plan, TANKSIDE, clean, number, tank, text, until};
use nix::sys::signal::Signal;
use std::io::Write;
use std::net::{SocketAddr, TcpListener};
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::LazyLock;
use tankside::Tankside;
use tankside::host::{MinderProgram, StartWith};
use tankside::plan::{Plan as Planned, Request, SheetRequest};
use tankside::process::{End, Hold};
use tankside::run::RunState;
use tankside::run::guide::{About, GuideCommand, JobAnswer, JobView};
use tankside::station::{Handle, Snapshot};
use tokio::runtime::Runtime;

const STATIONS: &[&str] = &["left", "right"];

/// The example; `cargo test --test e2e` alone does not build it.
fn program(hall: &Hall) -> Command {
    static BUILT: LazyLock<PathBuf> = LazyLock::new(|| {
        let built = Command::new(env!("CARGO"))
            .args(["build", "--quiet", "--locked", "--example", "two_stations"])
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .status();
        assert!(built.unwrap().success(), "the example does not build");
        let here = std::env::current_exe().unwrap();
        let folder = here.ancestors().find(|f| f.join("examples").is_dir()).unwrap();
        folder.join("examples/two_stations")
    });
    let mut command = clean(Command::new(&*BUILT));
    command.arg(&hall.config).arg("127.0.0.1:0");
    command
}

fn embedded() -> (Hall, Daemon) {
    let hall = Hall::of(Plan { stations: STATIONS, ..Plan::default() });
    let daemon = Daemon::embedded(program(&hall), &hall.config);
    for name in STATIONS {
        daemon.until_at(name, "up", |s| s["link"]["up"] == true && s["output_on"] == false);
    }
    (hall, daemon)
}

fn start(daemon: &Daemon, station: &str, charge: &str) -> String {
    daemon.run_at(station, &["--charge", charge, "--current", "3 A", "--ramp", "1 s"])
}

#[test]
fn two_stations_are_worked_beside_a_route_of_the_programs_own() {
    let (hall, mut daemon) = embedded();
    let run = start(&daemon, "left", "12 C");
    daemon.until_at("left", "complete", |s| s["run"]["state"] == "complete");
    assert_eq!(daemon.row(&run)["state"], "complete");
    let board = daemon.page("/bench-board");
    assert!(board.contains("left: complete, 0.2 A.min") && board.contains("right: idle"), "{board}");
    // The streams that the program listens to.
    daemon.log.until("left: link up, complete");
    daemon.log.until("left: complete");

    start(&daemon, "right", "1000 C");
    daemon.until_at("right", "with current", |s| number(&s["run"]["charge_coulombs"]) > 3.0);
    assert!(hall.mimics[1].state().on());
    daemon.process.signal(Signal::SIGINT);
    assert!(daemon.process.ended().success(), "{}", daemon.log.text());
    assert!(daemon.log.text().contains("every output is off"));
    assert!(!hall.mimics[1].state().on(), "{:?}", hall.mimics[1].state());
}

#[test]
fn embedding_program_that_is_killed_with_current_on_is_switched_off_by_its_own_minder() {
    let (hall, mut daemon) = embedded();
    let run = start(&daemon, "left", "1000 C");
    daemon.until_at("left", "with current", |s| number(&s["run"]["charge_coulombs"]) > 3.0);
    let (lasted, _) = kill_daemon(&mut daemon, &hall.mimics[0]);
    assert!(lasted <= MINDED, "the minder took {lasted} s\n{}", daemon.log.text());

    let again = Daemon::embedded(program(&hall), &hall.config);
    assert!(text(&again.row(&run)["cause"]).contains("interrupted"));
}

/// In this very process, with the program under test as its minder.
async fn inside(hall: &Hall) -> Result<Tankside, String> {
    let minder = MinderProgram::At(TANKSIDE.into());
    let builder = Tankside::builder().config_file(&hall.config).minder(minder);
    let tankside = builder.http("127.0.0.1:0".parse().unwrap()).start().await.map_err(|e| e.to_string())?;
    for handle in tankside.stations() {
        seen(handle, |s| s.link.up).await;
    }
    Ok(tankside)
}

async fn seen(handle: &Handle, wanted: impl FnMut(&std::sync::Arc<Snapshot>) -> bool) {
    tokio::time::timeout(super::hall::PATIENCE, handle.subscribe().wait_for(wanted)).await.unwrap().unwrap();
}

fn planned(tankside: &Tankside, part: &str, hold: Option<Hold>) -> Planned {
    let mut request =
        Request::new(&tank("bench"), vec![part.parse().unwrap()], End::Charge("10 A.min".parse().unwrap()));
    request.hold = hold;
    tankside.plan("bench", &request).unwrap()
}

#[test]
fn tankside_that_is_dropped_in_a_run_leaves_no_current_no_open_port_and_no_lock_behind() {
    let mut broker = super::notify::Broker::start("");
    broker.up();
    let (_client, log) = broker.listen(&[]);
    let more = format!("[notify.mqtt]\nbroker = \"mqtt://127.0.0.1:{}\"\ntopic = \"shop\"\n", broker.port);
    let hall = Hall::of(Plan { more, ..Plan::default() });
    let runtime = Runtime::new().unwrap();
    let address: SocketAddr = runtime.block_on(async {
        let tankside = inside(&hall).await.unwrap();
        let plan = planned(&tankside, super::hall::PART, None);
        tankside.run("bench", "ada", plan, StartWith::default()).await.unwrap();
        seen(&tankside.stations()[0], |s| s.run.charge_coulombs > 1.0).await;
        assert!(hall.mimic().state().on());
        tankside.address().unwrap()
        // Dropped here, and the runtime goes on.
    });
    hall.mimic().until("off", |s| !s.on());
    log.until("shop/status offline");
    until("its address free", || TcpListener::bind(address).map(drop).map_err(|e| e.to_string()));
    let again = until("started again", || runtime.block_on(inside(&hall)));
    runtime.block_on(again.stop()).unwrap();
}

#[test]
fn edges_burn_unknowingly_in_no_embedded_run_either_and_who_knows_it_is_on_the_record() {
    let hall = Hall::usual();
    let runtime = Runtime::new().unwrap();
    runtime.block_on(async {
        let tankside = inside(&hall).await.unwrap();
        let plan = planned(
            &tankside,
            "2 plate 2 cm x 1 cm x 1 mm",
            Some(Hold::Density("20 A/dm2".parse().unwrap())),
        );
        let no = tankside.run("bench", "ada", plan.clone(), StartWith::default()).await.unwrap_err();
        assert!(no.0.contains("edges would see"), "{no}");
        assert!(!hall.mimic().state().on());
        let whose = tankside::run::guide::Reference { lot: Some("K-104".into()), customer: None };
        let with = StartWith { whose, edges_may_burn: true, ..StartWith::default() };
        let run = tankside.run("bench", "ada", plan, with).await.unwrap();
        let entries = tankside.ledger().entries(&run).unwrap();
        let sheet = &entries.iter().find(|e| e.kind == "plan").unwrap().content;
        assert!(sheet.contains("ada started it knowing that edges may burn"), "{sheet}");
        assert!(entries.iter().any(|e| e.kind == "amend" && e.content.contains("K-104")), "{entries:?}");
        tankside.stop().await.unwrap();
    });
    assert!(!hall.mimic().state().on());
}

#[test]
fn job_is_begun_and_answered_to_its_end_by_an_embedding_program_and_each_refusal_says_why() {
    let hall = super::jobs::hall();
    let runtime = Runtime::new().unwrap();
    runtime.block_on(async {
        let tankside = inside(&hall).await.unwrap();
        let mut request = SheetRequest::new("short-nickel", vec![super::hall::PART.parse().unwrap()]);
        let no = tankside.plan_job("bench", &request).unwrap_err().join("\n");
        assert!(no.contains("brass"), "the sheet is for more than one metal: {no}");
        request.base = Some("brass".into());
        let planned = tankside.plan_job("bench", &request).unwrap();
        let no = tankside.begin("attic", "ada", planned.clone(), StartWith::default()).await.unwrap_err();
        assert!(no.0.contains("attic"), "{no}");
        let whose = tankside::run::guide::Reference { lot: Some("K-105".into()), customer: None };
        let with = StartWith { whose, ..StartWith::default() };
        let job = tankside.begin("bench", "ada", planned.clone(), with).await.unwrap();
        let no = tankside.begin("bench", "ada", planned, StartWith::default()).await.unwrap_err();
        assert!(no.0.contains("job"), "{no}");
        let bench = tankside.station("bench").unwrap();
        loop {
            let news = |j: &JobView| j.question.is_some() || j.state == RunState::Complete;
            seen(bench, |s| s.job.as_ref().is_some_and(news)).await;
            let snapshot = bench.snapshot();
            let view = snapshot.job.as_ref().unwrap();
            let Some(question) = view.question.as_ref() else { break };
            let answer = if question.about == About::Inspect { JobAnswer::Yes } else { JobAnswer::Done };
            let answer = GuideCommand::Answer { answer, seq: Some(question.seq) };
            // Asked and withdrawn in between, as when the load is in already: the next look shows what is asked now.
            let _taken = bench.job("ada", answer).await;
        }
        let row = until("the job's end on record", || {
            let row = tankside.ledger().job(&job).unwrap().unwrap();
            if row.ended.is_some() { Ok(row) } else { Err(format!("{row:?}")) }
        });
        assert_eq!((row.state.as_str(), row.lot.as_deref()), ("complete", Some("K-105")), "{row:?}");
        tankside.stop().await.unwrap();
    });
    assert!(!hall.mimic().state().on() && hall.mimic().state().charge() > 0.0);
}

/// The example in Python, with what the person at the tank types.
#[test]
fn program_in_another_language_plans_starts_answers_and_reads_the_record_over_http() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    daemon.until_at("bench", "up", |s| s["link"]["up"] == true && s["output_on"] == false);
    let base = format!("http://{}", daemon.address);
    let over_http = |thickness: &str, typed: &str| {
        let mut python = super::tools::python_with_schemathesis();
        python.arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/examples/over_http.py"));
        python.args([&base, "bench", "nickel-bench", thickness]);
        let piped = python.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = piped.spawn().unwrap();
        child.stdin.take().unwrap().write_all(typed.as_bytes()).unwrap();
        child.wait_with_output().unwrap()
    };
    let done = over_http("0.05 um", "\ndone\n");
    let text = String::from_utf8_lossy(&done.stdout);
    assert!(done.status.success(), "{text}{}", String::from_utf8_lossy(&done.stderr));
    for said in [
        "turn the part so that face 2 of 2",
        "the answer was taken",
        "complete: target reached",
        "mean_meters",
    ] {
        assert!(text.contains(said), "{said}: {text}");
    }
    assert!(hall.mimic().state().charge() > 0.0);
    let refused = over_http("0.05", "");
    let told = String::from_utf8_lossy(&refused.stderr);
    assert!(!refused.status.success() && told.contains("end.thickness: \"0.05\" has no unit"), "{told}");
}

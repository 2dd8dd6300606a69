//! A mimic, the daemon and a first run in a temporary folder.
//!
//! Whatever way it ends, the daemon switches off first, then the mimic goes,
//! then the folder. If the demo itself is killed, the minder switches off and
//! the mimic goes with its parent.

use super::args::Common;
use super::client::Client;
use super::daemon::{self, logging, runtime, signals};
use super::follow::question;
use super::say::{line, seconds};
use super::setup::{self, Setup};
use crate::deposit::{Efficiency, metal};
use crate::host::{Done, Failure, Tankside};
use crate::plan::Own;
use crate::plan::{Order, Request};
use crate::process::{Between, Confirm, End, Ramp, Turn};
use crate::quantity::{Charge, Length, Ratio, Units};
use crate::serve::plan_for;
use serde_json::{Value, json};
use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

const PARTS: &str = "6 key cups: disc 34 mm x 1 mm";
/// The usual 8 µm takes ten minutes; nobody waits that long for a demo.
const THICKNESS: &str = "0.35 um";
const RAMP: &str = "6 s";
/// How far the run, the cell and the closed form may differ.
const AGREE: f64 = 0.01;
/// The whole run takes well under a minute; after this something is wrong.
const PATIENCE: Duration = Duration::from_secs(180);
const OPERATOR: &str = "the demo";

pub(crate) fn demo(common: &Common, once: bool) -> Done {
    let _log = logging("warn")?;
    let folder = Folder::new()?;
    line("Tankside demo. Everything here is simulated: no supply, no tank, no current.");
    line(format!("1. folder     {}", folder.0.display()));

    let supply = folder.0.join("supply");
    let config = folder.0.join("tankside.toml");
    write(&config, &config_text(&folder.0, &supply))?;
    let own = Common { config: Some(config), units: common.units, ..Common::default() };
    let setup = setup::good(&own)?;
    let station = setup.station(None)?;
    let request = request()?;
    let order = plan_for(&setup.config, station, &request, &|_| Own::default(), Units::Metric)
        .map_err(|reasons| Failure::bug(reasons.join("; ")))?
        .order;

    let _mimic = Mimic::start(&folder.0, &supply, &order)?;
    line(format!("2. mimic      a simulated supply with a 20 L Watts nickel tank, on {}", supply.display()));

    let runtime = runtime()?;
    let result = runtime.block_on(async {
        let (mut term, mut int) = signals()?;
        let daemon = start(&setup).await?;
        let address = daemon.address().unwrap_or(setup.config.daemon.listen);
        line(format!("3. daemon     http://{address}/  (also /metrics and /api/v1/stations)"));
        line(format!("              from another terminal: tankside follow --address {address}"));
        let truth = folder.0.join("truth");
        let story = tokio::task::spawn_blocking(move || story(address, &request, &order, &truth));
        let told = tokio::select! {
            told = story => Some(told.unwrap_or_else(|e| Err(Failure::bug(e.to_string())))),
            _ = term.recv() => None,
            _ = int.recv() => None,
        };
        if matches!(told, Some(Ok(()))) && !once {
            line(format!("\nThe daemon stays up at http://{address}/ until Ctrl-C."));
            tokio::select! {
                _ = term.recv() => {}
                _ = int.recv() => {}
            }
        }
        let stopped = daemon.stop().await;
        told.unwrap_or(Ok(())).and(stopped)
    });
    // The story may still be waiting for an answer; it is not waited for.
    runtime.shutdown_timeout(Duration::from_millis(200));
    result
}

/// The usual address if it is free, else any.
async fn start(setup: &Setup) -> Result<Tankside, Failure> {
    let usual = setup.config.daemon.listen;
    match daemon::start(setup, usual).await {
        Err(failure) if failure.text.contains("is taken") => {
            daemon::start(setup, SocketAddr::new(usual.ip(), 0)).await
        }
        other => other,
    }
}

fn config_text(folder: &Path, supply: &Path) -> String {
    let quoted = |path: &Path| toml::Value::String(path.display().to_string()).to_string();
    format!(
        r#"# The demo's config: a workshop that restores band-instrument keywork.
[daemon]
listen = "127.0.0.1:8093"
state = {state}

[[station]]
name = "bench"
[station.supply]
dialect = "scpi"
port = {port}
baud = 9600
identity = "TANKSIDE,MIMIC"
max-current = "10 A"
max-voltage = "12 V"

[[tank]]
name = "nickel"
bath = "watts-nickel"
volume = "20 L"
anode-area = "6 dm2"
agitation = "air"
temperature = "54 degC"
"#,
        state = quoted(&folder.join("state")),
        port = quoted(supply),
    )
}

fn request() -> Result<Request, Failure> {
    let slip = |e: &dyn std::fmt::Display| Failure::bug(e.to_string());
    let parts = vec![PARTS.parse().map_err(|e| slip(&e))?];
    let end = End::Thickness(THICKNESS.parse().map_err(|e| slip(&e))?);
    let mut request = Request::new("nickel", parts, end);
    request.ramp = Some(Ramp::Time(RAMP.parse().map_err(|e| slip(&e))?));
    request.turn = Some(Turn { faces: 2, between: Between::Off, confirm: Confirm::Operator });
    Ok(request)
}

/// Starts the run, tells what happens, answers the turn, and compares.
fn story(address: SocketAddr, request: &Request, order: &Order, truth: &Path) -> Done {
    let client = Client::new(&address.to_string(), None, Duration::from_secs(5));
    let begun = clock();
    while !client.get("/readyz").is_ok_and(|ready| ready["ok"] == true) {
        if begun.elapsed() > PATIENCE {
            return Err(Failure::unreachable("the mimic was not reached"));
        }
        pause(Duration::from_millis(50));
    }
    line(format!(
        "4. load       {}; {} with the rack, {} at {}",
        order.title,
        order.area.show(Units::Metric),
        order.control.max_amps(),
        (order.control.max_amps() / order.area).show(Units::Metric),
    ));
    line(format!(
        "              {THICKNESS} instead of the usual 8 um, so that it takes half a minute, not ten"
    ));
    let body = json!({ "by": OPERATOR, "request": serde_json::to_value(request).map_err(|e| Failure::bug(e.to_string()))? });
    let started = client.post("/api/v1/stations/bench/start", &body)?;
    let run = started["run"].as_str().unwrap_or_default().to_owned();
    line(format!("5. run        {run}"));

    let begun = clock();
    let (mut told, mut answered, mut shown) = (0, false, begun);
    loop {
        let row = client.get(&format!("/api/v1/runs/{run}"))?;
        let at = seconds(begun.elapsed().as_secs_f64().floor());
        let events = row["events"].as_array().map_or(&[][..], Vec::as_slice);
        for event in events.iter().skip(told) {
            line(format!("{at:>12}  {}", event["text"].as_str().unwrap_or_default()));
        }
        told = told.max(events.len());
        if row["ended"].is_string() {
            return summary(&client, &row, order, truth);
        }
        if begun.elapsed() > PATIENCE {
            return Err(Failure::refused("the run did not end in time"));
        }
        let look = client.get("/api/v1/stations/bench")?;
        // The ledger's word comes up to a second after the question; it is told before it is answered.
        let said = events.iter().any(|e| e["kind"] == "asked");
        if said && question(&look["run"]).is_some() && !answered {
            line(format!("{at:>12}  (the demo turns the part itself and answers; at your bench you would)"));
            pause(Duration::from_secs(2));
            client.post("/api/v1/stations/bench/answer", &json!({ "by": OPERATOR, "answer": "done" }))?;
            answered = true;
        } else if shown.elapsed() >= Duration::from_secs(5) {
            shown = clock();
            progress(&at, &look);
        }
        pause(Duration::from_millis(250));
    }
}

fn progress(at: &str, look: &Value) {
    let run = &look["run"];
    let (Some(amps), Some(volts)) =
        (look["measured"]["amperes"].as_f64(), look["measured"]["volts"].as_f64())
    else {
        return;
    };
    let share = 100.0 * run["charge_coulombs"].as_f64().unwrap_or(0.0)
        / run["charge_target_coulombs"].as_f64().unwrap_or(f64::INFINITY);
    let deposit = Length::new(run["thickness_meters"].as_f64().unwrap_or(0.0));
    line(format!("{at:>12}  {amps:.3} A, {volts:.2} V, {share:.0} %, {deposit}"));
}

/// The run's record beside the closed form and what really happened in the cell.
fn summary(client: &Client, row: &Value, order: &Order, truth: &Path) -> Done {
    let slip = |what: &str| Failure::bug(format!("the demo's summary: {what}"));
    let number = |value: &Value| value.as_f64().unwrap_or(f64::NAN);
    let forecast = order.deposit.as_ref().ok_or_else(|| slip("no deposit"))?;
    let nickel = metal(&forecast.metal).ok_or_else(|| slip("no metal"))?;
    let at = Efficiency::new(Ratio::new(forecast.efficiency)).map_err(|e| slip(&e.to_string()))?;
    let wanted: Length = THICKNESS.parse().map_err(|_| slip("thickness"))?;
    let closed = nickel.charge_for_thickness(wanted, order.area, at);

    let tanks = client.get("/api/v1/tanks")?;
    let tank = tanks.as_array().into_iter().flatten().find(|t| t["tank"] == "nickel");
    let account = Charge::new(tank.map_or(f64::NAN, |t| number(&t["charge_coulombs"])));
    let cell = last_truth(truth)?;

    line("\nSummary           by the run      closed form     in the simulated cell");
    let mut differences = Vec::new();
    let mut show = |name: &str, run: f64, form: f64, cell: Option<f64>, text: &dyn Fn(f64) -> String| {
        let real = cell.map_or(String::new(), text);
        line(format!("  {name:<15} {:<15} {:<15} {real}", text(run), text(form)).trim_end());
        differences.extend([Some(run), cell].into_iter().flatten().map(|value| (value / form - 1.0).abs()));
    };
    let thickness = number(&row["thickness_meters"]);
    let micrometres = |m: f64| Length::new(m).show(Units::Metric);
    show("thickness", thickness, wanted.get(), cell["thickness_meters"].as_f64(), &micrometres);
    let minutes = |c: f64| Charge::new(c).show_in("A.min");
    show("charge", number(&row["charge_coulombs"]), closed.get(), cell["charge_coulombs"].as_f64(), &minutes);
    let hours = |c: f64| Charge::new(c).show_in("A.h");
    show("tank nickel", account.get(), closed.get(), None, &hours);
    line("  closed form: charge = thickness x area x density x valence x F / (molar mass x efficiency)");
    line(format!("  {}: {}", row["state"].as_str().unwrap_or("?"), row["cause"].as_str().unwrap_or("?")));
    let largest = differences.iter().copied().fold(0.0, f64::max);
    line(format!("  largest difference {:.2} %", largest * 100.0));
    if row["state"] != "complete" {
        return Err(Failure::refused("the demo's run was not completed"));
    }
    // Each by itself: a figure that is not a number agrees with nothing.
    if differences.iter().all(|differs| *differs <= AGREE) {
        Ok(())
    } else {
        Err(Failure::refused("run and closed form differ by more than 1 %"))
    }
}

/// What was really so in the cell, as the mimic wrote it last.
fn last_truth(path: &Path) -> Result<Value, Failure> {
    let text = setup::read(path).map_err(|e| Failure::bug(format!("{}: {e}", path.display())))?;
    let whole = text.lines().rev().find_map(|row| serde_json::from_str(row).ok());
    whole.ok_or_else(|| Failure::bug("the mimic wrote nothing"))
}

/// The mimic's process; ended when dropped.
struct Mimic(Child);

impl Mimic {
    fn start(folder: &Path, link: &Path, order: &Order) -> Result<Mimic, Failure> {
        let failed = |e: std::io::Error| Failure::bug(format!("the mimic does not start: {e}"));
        let child = Command::new(std::env::current_exe().map_err(failed)?)
            .args(["mimic", "--with-parent", "--agitation", "air", "--seed", "7", "--link"])
            .arg(link)
            .arg("--truth")
            .arg(folder.join("truth"))
            .args(["--area", &order.area.exact()])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            // Not in the terminal's group: Ctrl-C must reach the daemon, which still needs it.
            .process_group(0)
            .spawn()
            .map_err(failed)?;
        let mut mimic = Mimic(child);
        let out = mimic.0.stdout.take().ok_or_else(|| Failure::bug("the mimic has no output"))?;
        let ready = BufReader::new(out).lines().map_while(Result::ok).any(|said| said == "ready");
        if ready { Ok(mimic) } else { Err(Failure::bug("the mimic ended before it was ready")) }
    }
}

impl Drop for Mimic {
    fn drop(&mut self) {
        // It may be gone already.
        self.0.kill().ok();
        self.0.wait().ok();
    }
}

/// A folder that goes when dropped.
struct Folder(PathBuf);

impl Folder {
    fn new() -> Result<Folder, Failure> {
        let path = std::env::temp_dir().join(format!("tankside-demo-{}", uuid::Uuid::now_v7()));
        std::fs::create_dir(&path).map_err(|e| Failure::permission(format!("{}: {e}", path.display())))?;
        Ok(Folder(path))
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        if let Err(e) = std::fs::remove_dir_all(&self.0) {
            eprintln!("tankside: {} is left over: {e}", self.0.display());
        }
    }
}

#[expect(clippy::disallowed_methods, reason = "the demo writes its config into its own folder")]
fn write(path: &Path, text: &str) -> Done {
    std::fs::write(path, text).map_err(|e| Failure::permission(format!("{}: {e}", path.display())))
}

#[expect(clippy::disallowed_methods, reason = "the demo tells how long things take")]
fn clock() -> Instant {
    Instant::now()
}

#[expect(clippy::disallowed_methods, reason = "the demo looks four times a second; every wait has a limit")]
fn pause(time: Duration) {
    std::thread::sleep(time);
}

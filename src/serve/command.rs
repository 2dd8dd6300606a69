//! Commands: POST only, one at a time per station, answered by the station itself.

use super::body::Body;
use super::look::Watched;
use super::once;
use super::problem::Problem;
use super::sheets;
use super::state::AppState;
use crate::bath::Agitation;
use crate::plan::Order;
use crate::quantity::{Span, Temperature};
use crate::run::guide::{Reference, WarningKind};
use crate::run::{Answer, Command, Question, RunState};
use crate::watch::{Handling, Kind, LONGEST_SHELF};
use axum::Json;
use axum::extract::{FromRequest, Path, Request, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::convert::Infallible;
use std::time::Duration;

/// A station answers within one step; longer means that it does not step.
const ANSWER_TIME: Duration = Duration::from_secs(5);
/// How long off waits for the name of whoever asks for it. Who sends a whole request has sent it by then.
const OFF_PATIENCE: Duration = Duration::from_millis(200);
/// How long the output may take to be seen off.
const OFF_TIME: Duration = Duration::from_secs(3);

/// The body of the commands that need nothing else.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Plain {
    by: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Start {
    by: String,
    request: Value,
    /// For the record.
    #[serde(default)]
    lot: Option<String>,
    /// For the record.
    #[serde(default)]
    customer: Option<String>,
    /// Whoever starts it knows that edges will burn.
    #[serde(default)]
    edges_may_burn: bool,
    /// Whoever starts it knows that the supply did not pass its commissioning.
    #[serde(default)]
    supply_may_fail: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Answered {
    by: String,
    answer: Answer,
    /// Which run is meant, and which of its questions, as its snapshot has them.
    #[serde(default)]
    run: Option<String>,
    #[serde(default)]
    question: Option<Question>,
}

impl Answered {
    /// Whether the run that is meant still asks what is meant. Between two questions of a run lie seconds of current,
    /// so nothing new is asked between this look and the station's own.
    fn still_stands(&self, station: &Watched) -> Result<(), Problem> {
        let view = &station.handle.snapshot().run;
        if self.run.is_some() && self.run != view.run {
            return Err(Problem::refused(
                "that run is not at work at this station any more; nothing was answered",
            ));
        }
        let asks = matches!(view.question, Some(Question::HangPart | Question::TurnPart { .. }));
        if self.run.is_some() && !asks {
            // Else it would go to the job, which asks between its runs.
            return Err(Problem::refused("that run asks nothing now; nothing was answered"));
        }
        match (&self.question, &view.question) {
            (Some(meant), asked) if asked.as_ref().is_none_or(|asked| !same(meant, asked)) => {
                Err(Problem::refused("that question does not stand any more; nothing was answered"))
            }
            _ => Ok(()),
        }
    }
}

/// Whether both are the same question; that the parts are to be counted may come later.
fn same(one: &Question, other: &Question) -> bool {
    match (one, other) {
        (Question::TurnPart { next: a, faces: b, .. }, Question::TurnPart { next: c, faces: d, .. }) => {
            (a, b) == (c, d)
        }
        _ => one == other,
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Acknowledge {
    by: String,
    watch: String,
    #[serde(default)]
    note: Option<String>,
}

/// What a command that was taken answers.
#[derive(Serialize)]
pub(super) struct Taken {
    station: String,
    said: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    run: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) job: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) worksheet: Option<Value>,
}

impl Taken {
    pub(super) fn new(station: String, said: String) -> Taken {
        Taken { station, said, run: None, job: None, worksheet: None }
    }
}

type Reply = Result<Json<Taken>, Problem>;

pub(super) async fn start(
    State(app): State<AppState>,
    Path(station): Path<String>,
    headers: HeaderMap,
    Body(body): Body<Start>,
) -> Result<Response, Problem> {
    let key = once::key(&headers)?;
    let name = app.station(&station)?.handle.name().to_owned();
    text("by", &body.by, 80)?;
    let Some(key) = key else { return Ok(begin(&app, &name, &body).await.into_response()) };
    let mut asked = serde_json::json!([body.by, body.request, body.lot, body.customer]);
    if let (true, Some(asked)) = (body.edges_may_burn, asked.as_array_mut()) {
        asked.push("edges may burn".into());
    }
    if let (true, Some(asked)) = (body.supply_may_fail, asked.as_array_mut()) {
        asked.push("supply may fail".into());
    }
    let asked = asked.to_string();
    Ok(once::once(&app, &name, &key, &asked, async { begin(&app, &name, &body).await.into_response() }).await)
}

async fn begin(app: &AppState, station: &str, body: &Start) -> Reply {
    let whose = super::job::reference(body.lot.as_deref(), body.customer.as_deref())?;
    let (planner, name, request) = (app.planner.clone(), station.to_owned(), body.request.clone());
    let mut planned = tokio::task::spawn_blocking(move || planner.plan(Some(&name), &request))
        .await
        .map_err(|e| Problem::bug(e.to_string()))??;
    let (edges_may_burn, supply_may_fail) = (body.edges_may_burn, body.supply_may_fail);
    let with = StartWith { whose, edges_may_burn, supply_may_fail };
    let (id, said) = start_run(app, station, &body.by, planned.order, &mut planned.worksheet, with).await?;
    let mut taken = Taken::new(station.to_owned(), said);
    taken.run = Some(id);
    taken.worksheet = Some(planned.worksheet);
    Ok(Json(taken))
}

/// What whoever starts a run says with it; all of it goes on the run's record.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct StartWith {
    /// Lot and customer.
    pub whose: Reference,
    /// They know that edges may burn. Without it, an order whose edges would is refused.
    pub edges_may_burn: bool,
    /// They know that the supply failed its commissioning. Without it, a start with such a supply is refused.
    pub supply_may_fail: bool,
}

/// A start, whoever asks for it: the id and the station's answer. What is known about it is added to the worksheet, and
/// that goes on the run's record.
///
/// # Errors
/// Why not; then nothing was switched on.
pub(crate) async fn start_run(
    app: &AppState,
    station: &str,
    by: &str,
    order: Order,
    worksheet: &mut Value,
    with: StartWith,
) -> Result<(String, String), Problem> {
    super::job::burning(app, &order, worksheet, by, with.edges_may_burn, "")?;
    super::job::trusted(app, station, [&mut *worksheet], by, with.supply_may_fail).await?;
    nothing_on_without_a_minder(app, station, by)?;
    let id = uuid::Uuid::now_v7().to_string();
    let by = text("by", by, 80)?;
    let handle = &app.station(station)?.handle;
    let names = [("lot", with.whose.lot.clone()), ("customer", with.whose.customer.clone())];
    let said = answered(handle.start(&by, id.clone(), order, with.whose)).await?;
    super::record::planned(app, &id, &by, worksheet, names).await;
    Ok((id, said))
}

macro_rules! plain {
    ($($name:ident => $command:ident),+) => {$(
        pub(super) async fn $name(
            State(app): State<AppState>,
            Path(station): Path<String>,
            Body(body): Body<Plain>,
        ) -> Reply {
            send(&app, &station, &body.by, Command::$command).await
        }
    )+};
}
plain!(hold => Hold, stop => Stop);

/// Who switches off. Nothing in the body is a reason not to, nor that it cannot be read: a name that is not there,
/// empty, odd or long keeps no output on.
pub(super) struct Off {
    by: String,
}

impl<S: Send + Sync> FromRequest<S> for Off {
    type Rejection = Infallible;

    async fn from_request(request: Request, _: &S) -> Result<Off, Infallible> {
        let reading = axum::body::to_bytes(request.into_body(), super::body::LIMIT);
        let bytes = tokio::time::timeout(OFF_PATIENCE, reading).await;
        let value = bytes.ok().and_then(Result::ok).and_then(|b| serde_json::from_slice::<Value>(&b).ok());
        let name = value.as_ref().and_then(|v| v["by"].as_str()).unwrap_or_default();
        let line: String = name.chars().filter(|c| !c.is_control()).take(80).collect();
        Ok(Off { by: if line.trim().is_empty() { "nobody named".into() } else { line } })
    }
}

pub(super) async fn abort(State(app): State<AppState>, Path(station): Path<String>, off: Off) -> Reply {
    send(&app, &station, &off.by, Command::Abort).await
}

pub(super) async fn resume(
    State(app): State<AppState>,
    Path(station): Path<String>,
    Body(body): Body<Plain>,
) -> Reply {
    nothing_on_without_a_minder(&app, &station, &body.by)?;
    send(&app, &station, &body.by, Command::Resume).await
}

pub(super) async fn answer(
    State(app): State<AppState>,
    Path(station): Path<String>,
    Body(body): Body<Answered>,
) -> Reply {
    if body.answer == Answer::Done {
        nothing_on_without_a_minder(&app, &station, &body.by)?;
    }
    body.still_stands(app.station(&station)?)?;
    send(&app, &station, &body.by, Command::Answer(body.answer)).await
}

/// Whatever may switch an output on is refused while nobody would switch it off for a dead daemon.
pub(super) fn nothing_on_without_a_minder(app: &AppState, station: &str, by: &str) -> Result<(), Problem> {
    if app.is_minded() {
        return Ok(());
    }
    tracing::warn!(%station, by = %by.escape_debug(), "refused to switch on: no minder is at work");
    Err(Problem::refused(
        "nothing is switched on now: the minder, which switches off if the daemon dies, has ended itself and is being \
         started again; try again in a moment, and if it stays so, look into the daemon's log and start it anew",
    ))
}

pub(super) async fn acknowledge(
    State(app): State<AppState>,
    Path(station): Path<String>,
    Body(body): Body<Acknowledge>,
) -> Reply {
    let meant = meant(&body.watch)?;
    let note = body.note.map(|note| text("note", &note, 500)).transpose()?;
    handle(&app, &station, &body.by, meant, Handling::Acknowledge { note }).await
}

/// What has an alarm: a watch of the readings, or a guided job.
#[derive(Clone, Copy)]
pub(super) enum Meant {
    Watch(Kind),
    Job(WarningKind),
}

/// The watch, or the alarm of a job, of that name.
pub(super) fn meant(name: &str) -> Result<Meant, Problem> {
    let watch = Kind::named(name).map(Meant::Watch);
    watch.or_else(|| WarningKind::named(name).map(Meant::Job)).ok_or_else(|| {
        let watches = Kind::ALL.iter().map(|k| k.name());
        let names: Vec<_> = watches.chain(WarningKind::ALL.iter().map(|k| k.name())).collect();
        bad(format!("there is no watch {name:?}; there is: {}", names.join(", ")))
    })
}

/// What a person does to an alarm, whoever raised it.
async fn handle(app: &AppState, station: &str, by: &str, meant: Meant, handling: Handling) -> Reply {
    match meant {
        Meant::Watch(kind) => send(app, station, by, Command::Alarm { kind, handling }).await,
        Meant::Job(kind) => {
            let by = text("by", by, 80)?;
            let said = answered(app.station(station)?.handle.job_alarm(&by, kind, handling)).await?;
            Ok(Json(Taken::new(station.into(), said)))
        }
    }
}

fn bad(detail: impl Into<String>) -> Problem {
    Problem::new(StatusCode::BAD_REQUEST, "bad-json", detail)
}

/// What a person does to an alarm; not every deed takes every key.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Deed {
    by: String,
    #[serde(default)]
    note: Option<String>,
    /// How long it is shelved: "30 min". Without it: until its condition next goes.
    #[serde(default)]
    time: Option<Span>,
    #[serde(default)]
    reason: Option<String>,
}

macro_rules! deeds {
    ($($name:ident => $deed:literal),+) => {$(
        pub(super) async fn $name(
            State(app): State<AppState>,
            Path((station, watch)): Path<(String, String)>,
            Body(body): Body<Deed>,
        ) -> Reply {
            let meant = meant(&watch)?;
            let handling = handling($deed, &body)?;
            handle(&app, &station, &body.by, meant, handling).await
        }
    )+};
}
deeds!(
    alarm_ack => "ack", alarm_shelve => "shelve", alarm_unshelve => "unshelve",
    alarm_out => "out-of-service", alarm_in => "in-service"
);

fn handling(deed: &str, body: &Deed) -> Result<Handling, Problem> {
    let takes: &[&str] = match deed {
        "ack" => &["note"],
        "shelve" => &["note", "time"],
        "out-of-service" => &["reason"],
        _ => &[],
    };
    let given =
        [("note", body.note.is_some()), ("time", body.time.is_some()), ("reason", body.reason.is_some())];
    if let Some((key, _)) = given.iter().find(|(key, there)| *there && !takes.contains(key)) {
        return Err(bad(format!("{key}: {deed} takes none")));
    }
    let note = body.note.as_deref().map(|note| text("note", note, 500)).transpose()?;
    Ok(match deed {
        "ack" => Handling::Acknowledge { note },
        "shelve" => {
            let most = Span::from(LONGEST_SHELF);
            if body.time.is_some_and(|t| !t.is_positive() || t > most) {
                return Err(bad(
                    "time: more than nothing, at most 8 h; longer is out of service, with a reason",
                ));
            }
            Handling::Shelve { time: body.time.map(Span::duration), note }
        }
        "unshelve" => Handling::Unshelve,
        "in-service" => Handling::InService,
        _ => {
            let reason = body.reason.as_deref().unwrap_or_default();
            Handling::OutOfService { reason: text("reason", reason, 500)? }
        }
    })
}

/// What is newly known of a bath.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct BathWord {
    #[serde(default)]
    by: Option<String>,
    #[serde(default)]
    temperature: Option<Temperature>,
    #[serde(default)]
    agitation: Option<Agitation>,
    /// Whether a sensor says so; renewed every two minutes, or it proves nothing any more.
    #[serde(default)]
    proven: bool,
}

pub(super) async fn bath(
    State(app): State<AppState>,
    Path(tank): Path<String>,
    Body(body): Body<BathWord>,
) -> Result<Json<Value>, Problem> {
    let by = text("by", body.by.as_deref().unwrap_or("the API"), 80)?;
    if body.temperature.is_none() && body.agitation.is_none() {
        return Err(bad("say a temperature, an agitation, or both"));
    }
    if body.proven && body.agitation.is_none() {
        return Err(bad("proven: of which agitation?"));
    }
    let (low, high) = (Temperature::new(-20.0), Temperature::new(150.0));
    if let Some(t) = body.temperature.filter(|t| !(low..=high).contains(t)) {
        return Err(bad(format!("temperature: {t} is no bath's; -20 degC to 150 degC")));
    }
    if app.baths.view(&tank).is_none() {
        let names: Vec<_> = app.facts.tanks.iter().map(|t| t.tank.as_str()).collect();
        return Err(Problem::not_found(format!("there is no tank {tank:?}; there is: {}", names.join(", "))));
    }
    let agitation = body.agitation.map(|a| (a, body.proven));
    let said = app.baths.tell(&tank, &by, body.temperature, agitation).map_err(Problem::refused)?;
    tracing::info!(%tank, %by, "{said}");
    Ok(Json(serde_json::json!({ "tank": tank, "said": said, "known": app.baths.view(&tank) })))
}

/// Off is answered only when a snapshot published afterwards shows the output
/// off, whatever the station said.
pub(super) async fn off(State(app): State<AppState>, Path(station): Path<String>, asked: Off) -> Reply {
    let watched = app.station(&station)?;
    let before = watched.look().snapshot.seq;
    let said = match send(&app, &station, &asked.by, Command::Abort).await {
        Ok(Json(taken)) => taken.said,
        Err(problem) if problem.code == "refused" => problem.detail,
        Err(problem) => return Err(problem),
    };
    let mut publications = watched.handle.subscribe();
    let confirmed = tokio::time::timeout(OFF_TIME, async {
        loop {
            let look = watched.look();
            let newer = look.snapshot.seq > before && !look.stale;
            if newer && look.snapshot.output_known && look.snapshot.output_on == Some(false) {
                return true;
            }
            if publications.changed().await.is_err() {
                return false;
            }
        }
    });
    if confirmed.await.unwrap_or(false) {
        Ok(Json(Taken::new(station, format!("output off, confirmed ({said})"))))
    } else {
        // What to do is said once, at the end.
        let said = said.trim_end_matches("; go to the supply");
        Err(Problem::new(
            StatusCode::GATEWAY_TIMEOUT,
            "not-confirmed",
            format!("the output was not seen to go off ({said}): go to the supply and switch it off by hand"),
        ))
    }
}

/// Works a request out without starting it.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Plan {
    #[serde(default)]
    station: Option<String>,
    request: Value,
}

pub(super) async fn plan(
    State(app): State<AppState>,
    Body(body): Body<Plan>,
) -> Result<Json<Value>, Problem> {
    if let Some(name) = &body.station {
        app.station(name)?;
    }
    let planner = app.planner.clone();
    let only = match &app.stations[..] {
        [one] => Some(one.handle.name().to_owned()),
        _ => None,
    };
    tokio::task::spawn_blocking(move || {
        let station = body.station.as_deref();
        // Whoever starts it has to say that they know of this: better read on the worksheet than in a refusal.
        let failed = station.or(only.as_deref()).and_then(|name| planner.trust(name).unless);
        if sheets::is_for_a_sheet(&body.request) {
            let planned = planner.plan_job(station, &body.request)?;
            return Ok(json!({ "worksheet": planned.worksheet, "text": planned.text, "blocks": planned.blocks, "supply_failed": failed }));
        }
        let planned = planner.plan(station, &body.request)?;
        Ok(json!({
            "worksheet": planned.worksheet, "text": planned.text, "blocks": planned.blocks, "order": planned.order,
            "supply_failed": failed,
        }))
    })
    .await
    .map_err(|e| Problem::bug(e.to_string()))?
    .map(Json)
}

async fn send(app: &AppState, station: &str, by: &str, command: Command) -> Reply {
    let by = text("by", by, 80)?;
    let watched = app.station(station)?;
    let verb = match &command {
        Command::Hold => Some("hold"),
        Command::Resume => Some("resume"),
        Command::Stop => Some("stop"),
        _ => None,
    };
    let said = answered(watched.handle.command(&by, command)).await.map_err(|mut problem| {
        let snapshot = watched.handle.snapshot();
        let idle = !matches!(snapshot.run.state, RunState::Running | RunState::Held);
        let job =
            snapshot.job.as_ref().is_some_and(|j| matches!(j.state, RunState::Running | RunState::Held));
        if let (Some(verb), true, true, "refused") = (verb, idle, job, problem.code) {
            problem.detail += &format!("; a job is at work: {verb} that");
        }
        problem
    })?;
    Ok(Json(Taken::new(station.into(), said)))
}

/// What the station answers, if it does.
pub(super) async fn answered(
    asked: impl Future<Output = Result<String, crate::run::Refusal>>,
) -> Result<String, Problem> {
    match tokio::time::timeout(ANSWER_TIME, asked).await {
        Ok(Ok(said)) => Ok(said),
        Ok(Err(refusal)) => Err(Problem::refused(refusal.0)),
        Err(_) => Err(Problem::new(
            StatusCode::GATEWAY_TIMEOUT,
            "not-confirmed",
            "the station did not answer; the command may or may not have been taken: look before sending it again",
        )),
    }
}

/// A line of text from a person: not empty, not long, nothing that could forge a log line.
pub(super) fn text(key: &str, value: &str, longest: usize) -> Result<String, Problem> {
    let value = value.trim();
    if value.is_empty() || value.chars().count() > longest || value.chars().any(char::is_control) {
        return Err(Problem::new(
            StatusCode::BAD_REQUEST,
            "bad-json",
            format!("{key}: one line of 1 to {longest} characters"),
        ));
    }
    if key == "by" {
        super::guard::audit::by(value);
    }
    Ok(value.into())
}

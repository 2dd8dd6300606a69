//! HTTP: API, metrics, health.
//!
//! What the room is for: showing the published snapshots and the ledger, and
//! passing commands on. What it may not know: `supply`; it cannot touch a port.
//!
//! A route is one line in `router`, with what it does, its scope and its schemas:
//! see `routes`. What is not on that list is in no document and in nobody's scope.
//!
//! | route | |
//! |---|---|
//! | GET `/`, `/page/{file}` | the page; [`House`] and the streams feed it |
//! | GET `/api/v1/house` | what a screen needs once, and every station now |
//! | GET `/api/v1/baths` | every bath that a tank may hold |
//! | GET `/api/v1/runs/{run}/replay` | a run shown to today's watches |
//! | POST `/api/v1/replay` | readings from elsewhere shown to them |
//! | GET `/api/v1/verify` | the chain of records walked: `?since=2026-11-01`, `?head=HASH` |
//! | GET `/api/v1/stream` | every station as server-sent events, without trends |
//! | GET `/api/v1/stations/{station}/trend.svg` | the last minutes drawn |
//! | GET `/metrics` | Prometheus text; the names are in [`metrics`] |
//! | GET `/healthz`, `/readyz` | alive and stepping; links up and ledger writable |
//! | GET `/api/v1/stations`, `/api/v1/stations/{station}` | snapshots with their age |
//! | GET `/api/v1/stations/{station}/stream` | the same as server-sent events |
//! | POST `/api/v1/stations/{station}/{start,hold,resume,stop,abort,answer,off,ack}` | commands |
//! | POST `/api/v1/stations/{station}/job` | begins a job: a load through a process sheet |
//! | POST `/api/v1/stations/{station}/job/{answer,redo,skip,hold,resume,stop}` | commands to the job |
//! | GET `/api/v1/jobs`, `/api/v1/jobs/{job}` | jobs on record, with their steps and events |
//! | POST `/api/v1/stations/{station}/alarms/{watch}/{ack,shelve,unshelve,out-of-service,in-service}` | one alarm, in a person's name |
//! | POST `/api/v1/tanks/{tank}/bath` | what is so in a bath: temperature, agitation |
//! | POST `/api/v1/plan` | a request in, a worksheet and an order out |
//! | POST `/api/v1/rehearse` | the same against a simulated cell: what would happen, and its curve |
//! | GET `/api/v1/runs`, `/api/v1/runs/{run}`, `/api/v1/runs/{run}/readings` | the ledger |
//! | GET `/api/v1/runs/{run}/record.{html,json,csv}`, `/api/v1/runs/{run}/plot.svg` | its record; its plot, with `?with={run}` two over each other |
//! | POST `/api/v1/runs/{run}/{sign,amend}` | sign-off; lot, customer's reference, a note: appended, never in place |
//! | GET `/api/v1/tanks/{tank}/charge.svg` | what it worked, `?each=day` or `month` |
//! | GET `/api/v1/tanks`, `/api/v1/alarms` | accounts; alarms now and their journal |
//! | GET `/api/v1/tanks/{tank}/account?by=day\|month\|part\|event&since=` | one account in its parts |
//! | POST `/api/v1/tanks/{tank}/{log,undo}` | upkeep that was done; the last log taken back |
//! | GET, POST `/api/v1/session`, POST `/api/v1/session/end` | who one is; log-in; log-out: see `guard` |
//! | GET `/api/v1/audit` | who did what |
//! | GET `/api/v1/events` | events and alarm changes as server-sent events, from any point on |
//! | GET `/api/v1/openapi.json` | all of this, for programs |
//! | GET, POST `/api/v1/tanks/{tank}/analysis`, POST `…/panel` | a bath analysed; a Hull panel read |
//! | GET, POST `/api/v1/runs/{run}/measured`, POST `…/measured/undo` | parts measured or weighed |
//! | GET `/api/v1/runs/{run}/advice?saw=dark-edges` | why it came out like this, by its record |
//! | GET `/api/v1/alarms/figures`, `/api/v1/alarms/help/{watch}` | what a standard asks for; one watch explained |

mod account;
mod advice;
mod body;
mod command;
mod document;
mod events;
mod findings;
mod glance;
mod guard;
mod history;
mod house;
mod job;
mod job_record;
mod lists;
mod look;
pub mod metrics;
mod notify;
mod once;
mod own;
mod patience;
mod planner;
mod problem;
mod read;
mod record;
mod replay;
mod routes;
mod screen;
mod seats;
mod server;
mod sheets;
mod state;
mod stream;
mod tls;
mod upkeep;

pub use command::StartWith;
pub(crate) use command::start_run;
pub use guard::{Peer, Scope, TokenError, TokenLine, Tokens};
pub use history::{History, HistoryError};
pub use house::{House, RoleFacts, SheetFacts, StationFacts, VesselFacts};
pub(crate) use job::{plan_job, start_job};
pub(crate) use lists::escape;
pub use look::{Look, Watched};
pub use metrics::Metrics;
pub use notify::{check_notify, notify};
pub use own::own_of;
pub use planner::{Desk, OwnOf, Speech, commissioned, controller_for, facts, plan_for, today};
pub use problem::Problem;
pub use server::{Listening, listen};
pub use sheets::{Refused, Shop, Wrong, line_for};
pub use state::{AppState, Facts, Planned, PlannedJob, Planner, TankFacts, Trust};
pub use tls::{TlsError, check_tls};
pub use upkeep::TankRules;

use axum::Router;
use axum::extract::Path;
use axum::http::{Extensions, HeaderMap, StatusCode, Version, header};
use axum::response::IntoResponse;
use guard::Scope::{Admin, Operate};
use guard::session;
use routes::{Routes, Table, about};
use std::sync::Arc;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::compression::CompressionLayer;

/// Every route, behind the guard.
pub fn router(app: AppState) -> Router {
    let (router, table) = served();
    let table = Arc::new(table);
    router
        .fallback(|| async { Problem::not_found("there is nothing here; see /api/v1/openapi.json") })
        .method_not_allowed_fallback(|| async {
            Problem::new(
                StatusCode::METHOD_NOT_ALLOWED,
                "bad-method",
                "commands are POST, everything else is GET",
            )
        })
        .layer(CatchPanicLayer::custom(|_: Box<dyn std::any::Any + Send>| {
            Problem::bug("a slip of ours; the daemon's log has it").into_response()
        }))
        .layer(CompressionLayer::new().compress_when(page_text))
        .layer(axum::middleware::from_fn_with_state((app.clone(), table), guard::guard))
        .with_state(app)
}

/// Every route, and what is said of it.
fn served() -> (Router<AppState>, Table) {
    let mut r = Routes::new();
    page(&mut r);
    health(&mut r);
    access(&mut r);
    stations(&mut r);
    alarms(&mut r);
    records(&mut r);
    jobs(&mut r);
    papers(&mut r);
    findings(&mut r);
    r.done()
}

fn page(r: &mut Routes) {
    let asset = |says, media| about(says).tag("page").open().text(media);
    r.get("/", || screen::file(Path("index.html".into())), asset("The page", "text/html"));
    r.get("/page.js", || screen::file(Path("page.js".into())), asset("Its script", "text/javascript"));
    r.get("/page.css", || screen::file(Path("page.css".into())), asset("Its style", "text/css"));
    r.get("/favicon.svg", || screen::file(Path("favicon.svg".into())), asset("Its sign", "image/svg+xml"));
    r.get("/page/{file}", screen::file, asset("One of its parts", "text/javascript").may(404));
    let house = about("Units, limits, windows: what a screen needs once, and every station now")
        .tag("page")
        .gives("House");
    r.get("/api/v1/house", house::house, house);
    let baths = about("Every bath that a tank may hold, with what its values rest on").tag("page");
    r.get("/api/v1/baths", house::baths, baths.gives("BathList"));
}

fn health(r: &mut Routes) {
    let health = |says| about(says).tag("health").open().gives("Health").also(503, "Health");
    r.get("/healthz", read::healthz, health("Whether every control loop steps"));
    r.get("/readyz", read::readyz, health("Whether a run could start"));
    r.get("/metrics", read::metrics, about("For Prometheus").tag("health").text("text/plain").ledger());
    let this = about("This document").tag("health").open().gives("OpenApi");
    r.get("/api/v1/openapi.json", document::document, this);
}

fn access(r: &mut Routes) {
    let about = |says| about(says).tag("access");
    let who = about("Who one is, and whether a token is needed").open().gives("Session").may(503);
    r.get("/api/v1/session", session::about, who);
    let log_in = about("Log-in: a token in, a cookie out").open().takes("LogIn").gives("Session");
    r.post("/api/v1/session", session::begin, log_in.may(401).may(429).may(503));
    let log_out = about("Log-out").takes("Nothing").gives("Session");
    r.post("/api/v1/session/end", session::end, log_out);
    let audit = about("Who did what, newest first").scope(Admin).pages().gives("AuditList").or_csv().ledger();
    r.get("/api/v1/audit", lists::audit, audit);
}

fn stations(r: &mut Routes) {
    r.get(
        "/api/v1/stations",
        read::stations,
        about("Every station as it is now").tagged().gives("StationList"),
    );
    let one = about("One station as it is now").tagged().gives("Station").may(404);
    r.get("/api/v1/stations/{station}", read::station, one);
    let live = about(
        "Each snapshot as it comes, and at least one a second; the trend is whole in the first, then only what is new \
         since the event before, or since the Last-Event-ID",
    );
    let live = live.streams().tells("snapshot", "Station", "the station as it is; its id is for the trend");
    r.get("/api/v1/stations/{station}/stream", stream::stream, live.may(404));
    let all = about("Every station that is new, without trends, and all of them at least once a second");
    let all = all.text("text/event-stream").tells(
        "stations",
        "StationList",
        "those that are new, each whole but for its trend; without an id, since nothing has to be resumed",
    );
    r.get("/api/v1/stream", glance::all, all.may(503));
    let drawn = about("The last minutes, drawn").text("image/svg+xml");
    let drawn = drawn.query("width", "Width", "in pixels; 640 if not said").may(404);
    r.get("/api/v1/stations/{station}/trend.svg", screen::trend, drawn);
    let events = about("Events and alarm changes as they come; with a cursor, those after it first")
        .streams()
        .more(
            "Each event has an id. Whoever comes back with the last one that it saw, as Last-Event-ID or as after, gets \
             all that came since, once and in order, however long ago it was; e0.a0 gives everything on record. With \
             no id, or with one that this ledger has not come to (it is another one), the stream begins now. What \
             happened is seen here when it is on disk, up to a second later; a comment comes at least each 10 s.",
        )
        .tells("begin", "Nothing", "first, always: nothing happened; its id is where the stream begins")
        .tells("event", "Event", "something happened at a station")
        .tells("alarm", "AlarmChange", "an alarm changed its state")
        .query("after", "EventCursor", "as Last-Event-ID: an id of this stream")
        .ledger();
    r.get("/api/v1/events", events::events, events);

    let command = |says| about(says).scope(Operate).gives("Taken").may(404).may(409).may(504);
    let start = command("Begins a run: nothing else begins one").takes("Start").may(422).ledger().header(
        "Idempotency-Key",
        "IdempotencyKey",
        "the same key and body: the same answer, no second run",
    );
    let start = start.more(
        "Taken means that the run is on record and the supply is being prepared; the snapshot says when current flows. \
         A key is good for this station alone; it is kept for a day, across restarts too. edges_may_burn is asked for where \
         worksheet.edges-burn of the plan is true, supply_may_fail where its supply_failed is not null.",
    );
    r.post("/api/v1/stations/{station}/start", command::start, start);
    let by = |says| command(says).takes("By");
    let run = |says| by(says).more(OF_THE_RUN);
    let hold = run("Ramps down, switches off and waits").takes_current_away();
    r.post("/api/v1/stations/{station}/hold", command::hold, hold);
    r.post(
        "/api/v1/stations/{station}/resume",
        command::resume,
        run("Goes on after a hold, with a new ramp"),
    );
    let stop = run("Ends the run in good order").takes_current_away();
    r.post("/api/v1/stations/{station}/stop", command::stop, stop);
    let never = "It is never refused, whatever the state; a job that is under way is held by it.";
    let off = |says| command(says).takes("Off").more(never).takes_current_away();
    let abort = off("Output off at once; the run is aborted");
    r.post("/api/v1/stations/{station}/abort", command::abort, abort);
    r.post("/api/v1/stations/{station}/off", command::off, off("Output off; answered when it is seen off"));
    let answer = command("Answers the question that stands").takes("Answer").more(
        "The run's question (run.question of the station's snapshot), where it asks one; else that of the job that is \
         under way, as job/answer without seq does. Say run and question, and nothing else can be answered.",
    );
    r.post("/api/v1/stations/{station}/answer", command::answer, answer);
    let ack = command("Acknowledges an alarm").takes("Acknowledge");
    r.post("/api/v1/stations/{station}/ack", command::acknowledge, ack);

    let plan = about("A request in, a worksheet and an order out; nothing is started").takes("Plan");
    r.post("/api/v1/plan", command::plan, plan.changes_nothing().gives("Planned").may(404).may(422));
    let rehearse = about("The same in a simulated cell, in virtual time: what would happen, and its curve");
    let rehearse = rehearse.takes("Rehearse").changes_nothing().gives("Played").may(404).may(409).may(422);
    r.post("/api/v1/rehearse", screen::rehearse, rehearse);
}

/// Of a command to the run.
const OF_THE_RUN: &str = "To the run alone, also where it is the run of a job's step. The job is spoken to at \
    /api/v1/stations/{station}/job/{deed}: while one is under way and its step has no run, this is refused.";

fn alarms(r: &mut Routes) {
    let about = |says| about(says).tag("alarms");
    let now =
        about("Alarms that stand, and their journal, newest first").query("limit", "Limit", "of the journal");
    r.get("/api/v1/alarms", read::alarms, now.gives("Alarms").ledger());
    let figures = about("Rates, floods, chatter: the figures by which alarms are judged");
    let figures = figures.query("days", "Days", "over so many days; 7 if not said").gives("Figures").ledger();
    r.get("/api/v1/alarms/figures", read::figures, figures);
    let help = about("One watch explained, whatever its alarm does").gives("Help").may(400);
    r.get("/api/v1/alarms/help/{watch}", read::help, help);

    let deed = |says, takes| about(says).takes(takes).gives("Taken").may(404).may(409).may(504);
    let operate = |says, takes| deed(says, takes).scope(Operate);
    let admin = |says, takes| deed(says, takes).scope(Admin);
    let ack = operate("It was seen", "AlarmNote");
    r.post("/api/v1/stations/{station}/alarms/{watch}/ack", command::alarm_ack, ack);
    let shelve = operate("Put aside, for a time or until its condition next goes", "AlarmShelve");
    r.post("/api/v1/stations/{station}/alarms/{watch}/shelve", command::alarm_shelve, shelve);
    let unshelve = operate("Taken off the shelf", "By");
    r.post("/api/v1/stations/{station}/alarms/{watch}/unshelve", command::alarm_unshelve, unshelve);
    let out = admin("The watch is taken out of service, with a reason", "AlarmReason");
    r.post("/api/v1/stations/{station}/alarms/{watch}/out-of-service", command::alarm_out, out);
    let back = admin("The watch is put back into service", "By");
    r.post("/api/v1/stations/{station}/alarms/{watch}/in-service", command::alarm_in, back);
}

fn records(r: &mut Routes) {
    let about = |says| about(says).tag("records");
    let runs = about("Runs, newest first").pages().searched().gives("RunList").or_csv().ledger();
    r.get("/api/v1/runs", read::runs, runs);
    let run = about("One run, its events and stages").gives("RunWithEvents").may(404).ledger();
    r.get("/api/v1/runs/{run}", read::run, run);
    let again = about("A run shown to today's watches: what would have been raised when").gives("Replayed");
    let again = again.query("station", "Name", "whose watches; the run's station's if not said");
    r.get("/api/v1/runs/{run}/replay", replay::replayed, again.may(404).may(409).ledger());
    let rows =
        about("Readings from elsewhere shown to today's watches").takes("Elsewhere").gives("JudgedElsewhere");
    let rows = rows.more("The body may have 1 MiB. One at a time.").changes_nothing();
    r.post("/api/v1/replay", replay::elsewhere, rows.may(404).may(409).may(422));
    let verified = about("The chain of records walked: what was changed since it was sealed")
        .more("Everything is hashed again: minutes over ten years of runs, so it is for admin, and one at a time.")
        .scope(Admin)
        .query("since", "Date", "only what was sealed from that day on: 2026-11-01")
        .query("head", "Hash", "a head hash that was kept elsewhere, to be found in the chain");
    r.get("/api/v1/verify", replay::verified, verified.gives("Verified").may(409).ledger());
    let readings = about("A run's readings, oldest first").gives("ReadingList").or_csv().may(404).ledger();
    r.get("/api/v1/runs/{run}/readings", read::readings, readings);
    r.get(
        "/api/v1/tanks",
        read::tanks,
        about("Every tank's account, and what is due").gives("TankList").ledger(),
    );
    let account =
        about("One tank's account: by event, day, month or part; since a day or something that was logged")
            .query("by", "AccountBy", "event, day, month or part")
            .query("since", "Name", "a day, a moment, or the name of something that was logged");
    r.get(
        "/api/v1/tanks/{tank}/account",
        account::account,
        account.gives("Account").may(400).may(404).ledger(),
    );
    let log = about("It was done now: its rule begins anew").scope(Operate).takes("Log").gives("Said");
    r.post("/api/v1/tanks/{tank}/log", upkeep::log, log.may(404).ledger());
    let logged = about("What was logged for a tank, newest first, what was taken back too");
    r.get("/api/v1/tanks/{tank}/log", upkeep::logged, logged.gives("LoggedList").may(404).ledger());
    let undo = about("A line of that tank's log, the last if not said, is taken back").scope(Operate);
    let undo = undo.takes("UndoLog").gives("Said");
    r.post("/api/v1/tanks/{tank}/undo", upkeep::undo, undo.may(409).ledger());
    let bath = about("What is so in a bath: temperature, agitation").scope(Operate).takes("BathWord");
    r.post("/api/v1/tanks/{tank}/bath", command::bath, bath.gives("BathSaid").may(404).may(409));
}

fn findings(r: &mut Routes) {
    let analyses =
        about("A tank's analyses, newest first, and their trend").gives("Analyses").may(404).ledger();
    r.get("/api/v1/tanks/{tank}/analysis", findings::analyses, analyses);
    let entered = |says| about(says).scope(Operate).takes("Entered").may(404).may(422).ledger();
    let analysis = entered("A bath analysed: what to add").gives("Analysed");
    r.post("/api/v1/tanks/{tank}/analysis", findings::analysis, analysis);
    let panel = entered("A Hull panel read: at which density this tank burns").gives("Paneled");
    r.post("/api/v1/tanks/{tank}/panel", findings::panel, panel);
    let measured = about("What was measured on a run's parts").gives("MeasuredList").may(404).ledger();
    r.get("/api/v1/runs/{run}/measured", findings::measured, measured);
    let measure =
        about("Parts of a run measured or weighed").scope(Operate).takes("Measure").gives("PartsMeasured");
    r.post("/api/v1/runs/{run}/measured", findings::measure, measure.may(404).may(409).may(422).ledger());
    let undo = about("The last measurement of a run's parts taken back").scope(Operate).takes("By");
    r.post(
        "/api/v1/runs/{run}/measured/undo",
        findings::unmeasure,
        undo.gives("Said1").may(404).may(409).ledger(),
    );
    let advice = about("Why it came out like this: the trade's causes, ranked by the run's record").query(
        "saw",
        "Fault",
        "what is seen on the parts",
    );
    r.get(
        "/api/v1/runs/{run}/advice",
        advice::advice,
        advice.gives("Advice").may(400).may(404).may(422).ledger(),
    );
}

/// Of a drawing's width.
const FOR_PHONES: &str = "in pixels; below 560 it is drawn for a phone";

fn papers(r: &mut Routes) {
    let page = about("A run's record as a page to print").query("units", "UnitsWord", "metric or us");
    r.get("/api/v1/runs/{run}/record.html", record::html, page.text("text/html").may(400).may(404).ledger());
    let data =
        about("A run's record: who, what, when, settings, stages, charge, thickness, deviations, signature");
    r.get("/api/v1/runs/{run}/record.json", record::data, data.gives("Record").may(404).ledger());
    let rows = about("A run's readings as a table").text("text/csv").may(404).ledger();
    r.get("/api/v1/runs/{run}/record.csv", record::csv, rows);
    let plot = about("A run's curves; with a second run, both").query("with", "Name", "another run");
    let plot = plot.query("width", "Width", FOR_PHONES);
    r.get(
        "/api/v1/runs/{run}/plot.svg",
        record::picture,
        plot.text("image/svg+xml").may(400).may(404).ledger(),
    );
    let sign = about("A run signed off, in a person's name").scope(Operate).takes("Sign").gives("RunSaid");
    r.post("/api/v1/runs/{run}/sign", record::sign, sign.may(404).may(409).ledger());
    let amend = about("Lot, customer's reference or a note; what stood before stays on record");
    r.post(
        "/api/v1/runs/{run}/amend",
        record::amend,
        amend.scope(Operate).takes("Amend").gives("RunSaid").may(404).may(409).ledger(),
    );
    let worked = about("What a tank worked, as bars").query("each", "EachWord", "day or month");
    let worked = worked.query("width", "Width", FOR_PHONES);
    r.get(
        "/api/v1/tanks/{tank}/charge.svg",
        record::worked,
        worked.text("image/svg+xml").may(400).may(404).ledger(),
    );
}

fn jobs(r: &mut Routes) {
    let command = |says| about(says).scope(Operate).gives("Taken").may(404).may(409).may(504);
    let start =
        command("Begins a job: one load through a whole process sheet, or the rest of an earlier job");
    let start = start.takes("JobStart").may(422).ledger().header(
        "Idempotency-Key",
        "IdempotencyKey",
        "the same key and body: the same answer, no second job",
    );
    r.post("/api/v1/stations/{station}/job", job::start, start);
    let deed =
        command("The job's question answered, a step redone or skipped, the job held, resumed, stopped").more(
            "answer takes answer and seq, redo takes step, skip takes reason; hold, resume and stop take by alone. What \
             fits now is in job of the station's snapshot: question, may_redo, may_skip, held.may_resume.",
        );
    r.post("/api/v1/stations/{station}/job/{deed}", job::command, deed.takes("JobDeed"));
    let jobs = about("Jobs on record, newest first").pages().searched().gives("JobList").or_csv().ledger();
    r.get("/api/v1/jobs", job::jobs, jobs);
    let one = about("One job, its steps and events").gives("JobOnRecord").may(404).ledger();
    r.get("/api/v1/jobs/{job}", job::job, one);
    let page = about("A job's record as a page to print: every step, the runs inside, deviations first");
    let page = page.query("units", "UnitsWord", "metric or us").text("text/html").may(400).may(404).ledger();
    r.get("/api/v1/jobs/{job}/record.html", job_record::html, page);
    let data =
        about("A job's record: steps planned and done, answers, runs, thickness, deviations, signature");
    r.get("/api/v1/jobs/{job}/record.json", job_record::data, data.gives("Record").may(404).ledger());
    let rows = about("A job's steps as a table, as they came").text("text/csv").may(404).ledger();
    r.get("/api/v1/jobs/{job}/record.csv", job_record::csv, rows);
    let sign = about("A job signed off, in a person's name").scope(Operate).takes("Sign").gives("JobSaid");
    r.post("/api/v1/jobs/{job}/sign", job_record::sign, sign.may(404).may(409).ledger());
    let amend = about("Lot, customer's reference or a note of a job; what stood before stays on record");
    let amend = amend.scope(Operate).takes("Amend").gives("JobSaid").may(404).may(409).ledger();
    r.post("/api/v1/jobs/{job}/amend", job_record::amend, amend);
}

/// The text that a browser needs before it shows anything is a third as long compressed. Answers of the control loop
/// and streams go as they are: they are small, or must not be held back.
fn page_text(_: StatusCode, _: Version, headers: &HeaderMap, _: &Extensions) -> bool {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or("");
    ["text/html", "text/css", "text/javascript"].iter().any(|k| kind.starts_with(k))
}

//! A run on record, or readings from elsewhere, shown to today's watches; the whole chain of records hashed again.

use super::body;
use super::lists::{bad_query, unread};
use super::problem::Problem;
use super::state::AppState;
use crate::bath::{self, Agitation};
use crate::config::Config;
use crate::ledger::{ReadingRow, RunRow, StageRow, Verdict};
use crate::part::Part;
use crate::plan::Order;
use crate::quantity::Area;
use crate::station::{Replay, ReplayLoad, ReplayRow, as_text, not_at_work, parse_csv, replay};
use crate::watch::Settings;
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, Request, State};
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use tokio::sync::Semaphore;

#[derive(Serialize)]
struct Raised {
    /// Since the run's start.
    seconds: f64,
    watch: &'static str,
    text: String,
}

#[derive(Serialize)]
struct Unjudged {
    watch: &'static str,
    why: &'static str,
}

/// What today's watches would have raised.
#[derive(Serialize)]
pub(super) struct Replayed {
    run: String,
    /// Whose watches: a station of the config; `None`: as shipped, since the run's is not there any more.
    watches_of: Option<String>,
    raised: Vec<Raised>,
    cannot_judge: Vec<Unjudged>,
    text: String,
}

/// Whose watches.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Whose {
    #[serde(default)]
    station: Option<String>,
}

pub(super) async fn replayed(
    State(app): State<AppState>,
    Path(id): Path<String>,
    query: Result<Query<Whose>, QueryRejection>,
) -> Result<Json<Replayed>, Problem> {
    let Query(Whose { station }) = query.map_err(unread)?;
    if let Some(name) = &station {
        app.station(name)?;
    }
    let (wanted, planner) = (id.clone(), app.planner.clone());
    let found = app
        .paper(move |h| {
            let Some(run) = h.run(&wanted)? else { return Ok(None) };
            let whose = station.as_deref().unwrap_or(&run.station);
            Ok(Some(judged(&run, whose, &h.readings(&wanted)?, &h.stages(&wanted)?, planner.config())))
        })
        .await?;
    let (watches_of, told) = found.ok_or_else(|| Problem::not_found(format!("there is no run {id:?}")))??;
    let text = as_text(&told);
    let (raised, cannot_judge) = for_programs(&told);
    Ok(Json(Replayed { run: id, watches_of, raised, cannot_judge, text }))
}

fn for_programs(told: &Replay) -> (Vec<Raised>, Vec<Unjudged>) {
    let raised = told.raised.iter();
    let raised = raised.map(|a| Raised { seconds: a.seconds, watch: a.kind.name(), text: a.text.clone() });
    let dumb = told.cannot_judge.iter().map(|(kind, why)| Unjudged { watch: kind.name(), why });
    (raised.collect(), dumb.collect())
}

/// Whose watches, and what they would have raised.
fn judged(
    run: &RunRow,
    whose: &str,
    readings: &[ReadingRow],
    stages: &[StageRow],
    config: Option<&Config>,
) -> Result<(Option<String>, Replay), Problem> {
    let order: Order = serde_json::from_str(&run.order_json)
        .map_err(|e| Problem::refused(format!("the order of this run cannot be read any more: {e}")))?;
    let (watches_of, settings) = watches(config, Some(whose));
    // Records of before schema 3 have no ceiling: the order's own stands in.
    let ceiling = order.control.max_volts().get();
    let mut rows: Vec<_> = readings
        .iter()
        .map(|r| ReplayRow {
            seconds: r.seconds,
            volts: r.volts,
            amps: r.amperes,
            set_amps: r.setpoint_amperes,
            set_volts: r.ceiling_volts.unwrap_or(ceiling),
            celsius: r.bath_celsius,
        })
        .collect();
    not_at_work(&mut rows, stages.iter().map(|stage| (stage.seconds, stage.phase.as_str())));
    Ok((watches_of, replay(&rows, &settings, &ReplayLoad::of(&order))))
}

/// Those of that station, or of the only one; as shipped where there is none.
fn watches(config: Option<&Config>, name: Option<&str>) -> (Option<String>, Settings) {
    let stations = config.map_or(&[][..], |config| &config.stations[..]);
    let station = match (name, stations) {
        (None, [one]) => Some(one),
        (name, all) => all.iter().find(|s| Some(s.name.as_str()) == name),
    };
    (station.map(|s| s.name.clone()), station.map_or_else(Settings::default, |s| s.watches.clone()))
}

/// Some nine hours of a reading a second.
const MOST_BYTES: usize = 1024 * 1024;
/// One at a time, from its body on: what they hold together is bounded too.
static SHOWN: Semaphore = Semaphore::const_new(1);

/// Readings from elsewhere, and what is known of them.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Elsewhere {
    /// A table with a header: `t_s,V,I,I_set,V_lim,T_C`.
    csv: String,
    #[serde(default)]
    station: Option<String>,
    #[serde(default)]
    bath: Option<String>,
    #[serde(default)]
    area: Option<Area>,
    #[serde(default)]
    shape: Option<String>,
    #[serde(default)]
    agitation: Option<Agitation>,
}

/// What today's watches would have raised.
#[derive(Serialize)]
pub(super) struct Judged {
    watches_of: Option<String>,
    raised: Vec<Raised>,
    cannot_judge: Vec<Unjudged>,
    passed_over: usize,
    text: String,
}

pub(super) async fn elsewhere(
    State(app): State<AppState>,
    request: Request,
) -> Result<Json<Judged>, Problem> {
    let Ok(_turn) = SHOWN.try_acquire() else {
        return Err(Problem::refused("another replay is on; ask again in a second"));
    };
    let body: Elsewhere = body::read(request, MOST_BYTES).await?;
    if let Some(name) = &body.station {
        app.station(name)?;
    }
    let planner = app.planner.clone();
    let told = tokio::task::spawn_blocking(move || shown(&body, planner.config())).await;
    told.map_err(|e| Problem::bug(e.to_string()))?.map(Json).map_err(|errors| {
        let why = "these readings cannot be replayed";
        Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "not-possible", why).with_errors(errors)
    })
}

fn shown(body: &Elsewhere, config: Option<&Config>) -> Result<Judged, Vec<String>> {
    let shape = body.shape.as_deref().map(str::parse::<Part>).transpose();
    let shape = shape.map_err(|e| vec![format!("shape: {e}")])?;
    let shipped = bath::shipped();
    let baths = config.map_or(&shipped[..], |config| &config.baths[..]);
    let agitation = body.agitation.unwrap_or(Agitation::Still);
    let load = ReplayLoad::told(baths, body.bath.as_deref(), body.area, shape, agitation)
        .map_err(|(key, e)| vec![format!("{key}: {e}")])?;
    let rows = parse_csv(&body.csv)
        .map_err(|errors| errors.iter().map(|e| format!("csv: {e}")).collect::<Vec<_>>())?;
    let (watches_of, settings) = watches(config, body.station.as_deref());
    let told = replay(&rows, &settings, &load);
    let text = as_text(&told);
    let (raised, cannot_judge) = for_programs(&told);
    Ok(Judged { watches_of, raised, cannot_judge, passed_over: told.passed_over, text })
}

/// One walk at a time: over ten years of runs it takes minutes of a core.
static WALK: Semaphore = Semaphore::const_new(1);

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Since {
    #[serde(default)]
    since: Option<String>,
    #[serde(default)]
    head: Option<String>,
}

pub(super) async fn verified(
    State(app): State<AppState>,
    query: Result<Query<Since>, QueryRejection>,
) -> Result<Json<Verdict>, Problem> {
    let Query(Since { since, head }) = query.map_err(unread)?;
    if since.as_ref().is_some_and(|day| day.parse::<jiff::civil::Date>().is_err()) {
        return Err(bad_query("since: a day, such as 2026-11-01"));
    }
    let hash = |text: &str| text.len() == 64 && text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
    if head.as_deref().is_some_and(|head| !hash(head)) {
        return Err(bad_query(
            "head: a hash as verify and the records print it, 64 digits and letters a to f",
        ));
    }
    let Ok(walk) = WALK.try_acquire() else {
        return Err(Problem::refused("the records are being verified already; ask again when that is done"));
    };
    app.read(move |h| {
        // Held until the walk ends, whether or not somebody still waits for it.
        let _walk = walk;
        h.verify(since.as_deref(), head.as_deref())
    })
    .await
    .map(Json)
}

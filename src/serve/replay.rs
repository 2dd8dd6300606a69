//! A run on record shown to today's watches; the whole chain of records hashed again.

use super::lists::{bad_query, unread};
use super::problem::Problem;
use super::state::AppState;
use crate::config::Config;
use crate::ledger::{ReadingRow, RunRow, StageRow, Verdict};
use crate::plan::Order;
use crate::station::{Replay, ReplayLoad, ReplayRow, as_text, not_at_work, replay};
use crate::watch::Settings;
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
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

pub(super) async fn replayed(
    State(app): State<AppState>,
    Path(id): Path<String>,
) -> Result<Json<Replayed>, Problem> {
    let (wanted, planner) = (id.clone(), app.planner.clone());
    let found = app
        .paper(move |h| {
            let Some(run) = h.run(&wanted)? else { return Ok(None) };
            Ok(Some(judged(&run, &h.readings(&wanted)?, &h.stages(&wanted)?, planner.config())))
        })
        .await?;
    let (watches_of, told) = found.ok_or_else(|| Problem::not_found(format!("there is no run {id:?}")))??;
    let text = as_text(&told);
    let raised = told.raised.into_iter();
    let raised = raised.map(|a| Raised { seconds: a.seconds, watch: a.kind.name(), text: a.text });
    let dumb = told.cannot_judge.iter().map(|(kind, why)| Unjudged { watch: kind.name(), why });
    Ok(Json(Replayed { run: id, watches_of, raised: raised.collect(), cannot_judge: dumb.collect(), text }))
}

/// Whose watches, and what they would have raised.
fn judged(
    run: &RunRow,
    readings: &[ReadingRow],
    stages: &[StageRow],
    config: Option<&Config>,
) -> Result<(Option<String>, Replay), Problem> {
    let order: Order = serde_json::from_str(&run.order_json)
        .map_err(|e| Problem::refused(format!("the order of this run cannot be read any more: {e}")))?;
    let station = config.and_then(|config| config.stations.iter().find(|s| s.name == run.station));
    let settings = station.map_or_else(Settings::default, |s| s.watches.clone());
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
    Ok((station.map(|s| s.name.clone()), replay(&rows, &settings, &ReplayLoad::of(&order))))
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

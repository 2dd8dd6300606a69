//! What the page is made of, and the pictures on it.

use super::body::Body;
use super::lists::unread;
use super::problem::Problem;
use super::sheets;
use super::state::AppState;
use crate::draw::strip;
use crate::run::RunState;
use crate::station::{JobRehearsal, Staging};
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::IntoResponse;
use serde::Deserialize;
use serde_json::{Value, json};

macro_rules! files {
    ($($name:literal),+ $(,)?) => {
        /// Every file of the page by its name, with its kind.
        const FILES: &[(&str, &str, &str)] = &[$(($name, kind($name), include_str!(concat!("page/", $name)))),+];
    };
}
files!(
    "index.html",
    "job.js",
    "alarms.js",
    "after.js",
    "page.css",
    "page.js",
    "favicon.svg",
    "strings.js",
    "dom.js",
    "figures.js",
    "net.js",
    "bench.js",
    "station.js",
    "plan.js",
    "parts.js",
    "sheet.js",
    "tanks.js",
    "runs.js",
    "rest.js",
    "knowing.js",
    "login.js",
    "sound.js",
);

const fn kind(name: &str) -> &'static str {
    match name.as_bytes() {
        [.., b'h', b't', b'm', b'l'] => "text/html; charset=utf-8",
        [.., b'c', b's', b's'] => "text/css; charset=utf-8",
        [.., b's', b'v', b'g'] => "image/svg+xml",
        _ => "text/javascript; charset=utf-8",
    }
}

/// A file of the page.
pub(super) async fn file(Path(name): Path<String>) -> Result<impl IntoResponse, Problem> {
    let found = FILES.iter().find(|(n, _, _)| *n == name);
    let (_, kind, text) =
        found.ok_or_else(|| Problem::not_found(format!("the page has no file {name:?}")))?;
    Ok(([(header::CONTENT_TYPE, *kind)], *text))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Size {
    #[serde(default)]
    width: Option<u16>,
}

impl Size {
    /// Pixels wide and high.
    fn of(query: Result<Query<Size>, QueryRejection>) -> Result<(f64, f64), Problem> {
        let width = pixels(query.map_err(unread)?.0.width)?.unwrap_or(640);
        Ok((f64::from(width), HEIGHT))
    }
}

const HEIGHT: f64 = 240.0;

fn bad(text: String) -> Problem {
    Problem::new(StatusCode::BAD_REQUEST, "bad-query", text)
}

/// A width that a drawing may have.
pub(super) fn pixels(width: Option<u16>) -> Result<Option<u16>, Problem> {
    match width {
        Some(w) if !(200..=2400).contains(&w) => Err(bad("width: 200 to 2400 pixels".into())),
        width => Ok(width),
    }
}

/// The last minutes of a station as SVG.
pub(super) async fn trend(
    State(app): State<AppState>,
    Path(station): Path<String>,
    query: Result<Query<Size>, QueryRejection>,
) -> Result<impl IntoResponse, Problem> {
    let (width, height) = Size::of(query)?;
    let look = app.station(&station)?.look();
    let points: Vec<_> = look
        .snapshot
        .trend
        .iter()
        .map(|(ago, volts, amps)| (-f64::from(*ago), f64::from(*volts), f64::from(*amps)))
        .collect();
    let zero = points.last().map_or(0.0, |p| p.0);
    Ok(([(header::CONTENT_TYPE, "image/svg+xml")], strip(&points, zero, width, height)))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Rehearse {
    #[serde(default)]
    station: Option<String>,
    request: Value,
    /// Of the curve, in pixels.
    #[serde(default)]
    width: Option<u16>,
    /// Of noise and faults.
    #[serde(default)]
    seed: Option<u64>,
    /// A script of what goes wrong.
    #[serde(default)]
    faults: Option<String>,
}

/// A request against a simulated cell, in virtual time: what would happen, and its curve. One at a time.
pub(super) async fn rehearse(
    State(app): State<AppState>,
    Body(body): Body<Rehearse>,
) -> Result<Json<Value>, Problem> {
    if let Some(name) = &body.station {
        app.station(name)?;
    }
    let (width, height) = Size::of(Ok(Query(Size { width: body.width })))?;
    let is_job = sheets::is_for_a_sheet(&body.request);
    let faults = body.faults.as_deref().unwrap_or_default();
    let bad = |text| Problem::new(StatusCode::BAD_REQUEST, "bad-json", text);
    if is_job && !faults.is_empty() {
        return Err(bad("faults: they go with one powered step, not with a sheet"));
    }
    let staging = Staging::new(body.seed.unwrap_or(1), faults)
        .map_err(|errors| bad("faults: the script cannot be read").with_errors(errors))?;
    let Ok(stage) = app.stage.clone().try_lock_owned() else {
        return Err(Problem::refused("another rehearsal is on; ask again in a second"));
    };
    let planner = app.planner.clone();
    if is_job {
        let played = tokio::task::spawn_blocking(move || {
            let played = planner.rehearse_job(body.station.as_deref(), &body.request, staging.seed);
            drop(stage);
            played
        })
        .await
        .map_err(|e| Problem::bug(e.to_string()))??;
        return Ok(Json(job_played(&played)));
    }
    let played = tokio::task::spawn_blocking(move || {
        let played = planner.rehearse(body.station.as_deref(), &body.request, &staging);
        drop(stage);
        played
    })
    .await
    .map_err(|e| Problem::bug(e.to_string()))??;
    let points: Vec<_> =
        played.readings.iter().map(|(at, r)| (at.as_secs_f64(), r.volts.get(), r.amps.get())).collect();
    let most = |of: fn(&(f64, f64, f64)) -> f64| points.iter().map(of).fold(0.0, f64::max);
    let story: Vec<_> =
        played.story.iter().map(|(at, text)| json!({ "seconds": at.as_secs_f64(), "text": text })).collect();
    let alarms: Vec<_> = played
        .alarms
        .iter()
        .map(|(at, a)| {
            json!({ "seconds": at.as_secs_f64(), "watch": a.kind.name(), "text": a.text, "remedy": a.kind.remedy() })
        })
        .collect();
    let seconds = played.story.last().map_or(0.0, |(at, _)| at.as_secs_f64());
    Ok(Json(json!({
        "complete": played.outcome.as_ref().is_some_and(|o| o.state == RunState::Complete),
        "state": played.outcome.as_ref().map(|o| o.state.name()),
        "cause": played.outcome.as_ref().map(|o| o.cause.as_str()),
        "seconds": seconds,
        "charge_coulombs": played.view.charge_coulombs,
        "unobserved_seconds": played.view.unobserved_seconds,
        "thickness_meters": played.view.thickness_meters,
        "cell_thickness_meters": played.truth.thickness.get(),
        "edge_thickness_meters": played.truth.edge_thickness.get(),
        "burnt": played.truth.burnt,
        "most_amperes": most(|p| p.2),
        "most_volts": most(|p| p.1),
        "alarms": alarms,
        "story": story,
        "svg": strip(&points, 0.0, width, height),
    })))
}

/// What came of a rehearsed sheet.
fn job_played(played: &JobRehearsal) -> Value {
    let story: Vec<_> =
        played.story.iter().map(|(at, text)| json!({ "seconds": at.as_secs_f64(), "text": text })).collect();
    let charges: Vec<_> =
        played.charges.iter().map(|(tank, c)| json!({ "tank": tank, "charge_coulombs": c })).collect();
    json!({
        "complete": played.view.state == RunState::Complete,
        "state": played.view.state.name(),
        "cause": played.view.cause,
        "seconds": played.story.last().map_or(0.0, |(at, _)| at.as_secs_f64()),
        "charges": charges,
        "story": story,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn file_that_the_page_imports_is_not_left_out() {
        for (name, _, text) in FILES {
            let imports = text.split('"').filter(|s| s.starts_with("./") && s.ends_with(".js"));
            for wanted in imports.filter_map(|path| path.rsplit('/').next()) {
                assert!(FILES.iter().any(|(n, _, _)| *n == wanted), "{name} imports {wanted}");
            }
            for wanted in
                text.split('"').filter_map(|s| s.strip_prefix("/page/")).filter(|s| s.ends_with(".js"))
            {
                assert!(FILES.iter().any(|(n, _, _)| *n == wanted), "{name} names {wanted}");
            }
        }
    }

    #[test]
    fn script_or_style_inside_a_page_that_allows_none() {
        for (name, _, text) in FILES {
            for banned in ["style=\"", " onclick=", "innerHTML", "javascript:", "https://", "eval("] {
                assert!(!text.contains(banned), "{name}: {banned}");
            }
            // A script names the element only to refuse or remove it: none can write markup without the words above.
            assert!(name.ends_with(".js") || !text.contains("<style"), "{name}: <style");
        }
    }

    #[test]
    fn english_outside_the_one_file_of_strings() {
        // Words for people begin with a capital and have a space: what is in quotes elsewhere has not.
        for (name, _, text) in FILES.iter().filter(|(n, _, _)| n.ends_with(".js") && *n != "strings.js") {
            let code = text.lines().filter(|l| !l.trim_start().starts_with("//") && !l.contains("/**"));
            for line in code {
                for quoted in line.split('"').skip(1).step_by(2) {
                    let sentence =
                        quoted.chars().next().is_some_and(char::is_uppercase) && quoted.trim().contains(' ');
                    assert!(
                        !sentence || quoted.starts_with('M'),
                        "{name}: {quoted:?} belongs into strings.js"
                    );
                }
            }
        }
    }
}

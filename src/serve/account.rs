//! One tank's account in its parts.

use super::lists::unread;
use super::problem::Problem;
use super::read::accounts;
use super::state::AppState;
use crate::ledger::{SinceRow, TallyBy, TallyRow};
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

/// What may stand in `by`.
const BY: &str = "event, day, month or part";

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    #[serde(default)]
    by: Option<String>,
    #[serde(default)]
    since: Option<String>,
}

/// The account of a tank, and its lines.
#[derive(Debug, Serialize)]
pub(super) struct Account {
    tank: String,
    /// All charge ever, runs that are being worked included.
    charge_coulombs: f64,
    /// Time under current that was not observed; no charge is counted for it.
    unobserved_seconds: f64,
    runs: u64,
    /// As asked for.
    by: String,
    /// From when the lines count (RFC 3339 UTC); `null`: from the beginning.
    since: Option<String>,
    /// The sums since then; `null` without `since`.
    since_sum: Option<Sum>,
    /// Of `by=event`: since each thing was last done.
    events: Vec<SinceRow>,
    /// Of the other three.
    rows: Vec<TallyRow>,
}

#[derive(Debug, PartialEq, Serialize)]
struct Sum {
    charge_coulombs: f64,
    /// `null`: not known for what was logged by an earlier version.
    unobserved_seconds: Option<f64>,
}

/// By event, day, month or part; since a day, a moment or something that was logged.
pub(super) async fn account(
    State(app): State<AppState>,
    Path(tank): Path<String>,
    query: Result<Query<Asked>, QueryRejection>,
) -> Result<Json<Account>, Problem> {
    let bad = |text: String| Problem::new(StatusCode::BAD_REQUEST, "bad-query", text);
    let Query(asked) = query.map_err(unread)?;
    let by = asked.by.unwrap_or_else(|| "event".into());
    let tally = match by.as_str() {
        "event" => None,
        "day" => Some(TallyBy::Day),
        "month" => Some(TallyBy::Month),
        "part" => Some(TallyBy::Part),
        other => return Err(bad(format!("by: {other:?} is none; write {BY}"))),
    };
    let rows = accounts(&app).await?;
    let Some(whole) = rows.iter().find(|row| row.tank == tank).cloned() else {
        let names: Vec<_> = rows.iter().map(|row| row.tank.as_str()).collect();
        return Err(Problem::not_found(format!("there is no tank {tank:?}; there is: {}", names.join(", "))));
    };
    let account = whole.clone();
    let events = app.read(move |h| h.since_each(&account)).await?;
    let mut since_sum = None;
    let since = match asked.since.as_deref() {
        None => None,
        Some(text) => match events.iter().find(|e| e.event == text) {
            Some(event) => {
                since_sum = Some(Sum {
                    charge_coulombs: event.charge_coulombs,
                    unobserved_seconds: event.unobserved_seconds,
                });
                Some(event.at.clone())
            }
            None => Some(moment(text).ok_or_else(|| {
                let logged: Vec<_> = events.iter().map(|e| e.event.as_str()).collect();
                let logged = if logged.is_empty() { "nothing yet".into() } else { logged.join(", ") };
                bad(format!("since: {text:?} is no day (2026-01-31) and was not logged for this tank; logged: {logged}"))
            })?),
        },
    };
    let from = since.clone();
    let named = tank.clone();
    let rows = match tally {
        Some(by) => app.read(move |h| h.tally(&named, by, from.as_deref())).await?,
        None => Vec::new(),
    };
    if let (Some(from), None) = (since.clone(), &since_sum) {
        let named = tank.clone();
        let days = app.read(move |h| h.tally(&named, TallyBy::Month, Some(&from))).await?;
        since_sum = Some(Sum {
            charge_coulombs: days.iter().map(|row| row.charge_coulombs).sum(),
            unobserved_seconds: Some(days.iter().map(|row| row.unobserved_seconds).sum()),
        });
    }
    Ok(Json(Account {
        charge_coulombs: whole.charge_coulombs,
        unobserved_seconds: whole.unobserved_seconds,
        runs: whole.runs,
        events: if tally.is_none() { events } else { Vec::new() },
        tank,
        by,
        since,
        since_sum,
        rows,
    }))
}

/// A day begins at midnight of this machine's time zone; a moment is RFC 3339.
fn moment(text: &str) -> Option<String> {
    // A moment would also parse as its day.
    let at = match text.parse::<Timestamp>() {
        Ok(at) => at,
        Err(_) => TimeZone::system().to_timestamp(text.parse::<Date>().ok()?.at(0, 0, 0, 0)).ok()?,
    };
    Some(format!("{at:.3}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_is_a_day_here_and_a_moment_is_a_moment_everywhere() {
        assert_eq!(moment("2026-01-31T12:00:00+01:00").as_deref(), Some("2026-01-31T11:00:00.000Z"));
        let midnight: Timestamp = moment("2026-01-31").unwrap().parse().unwrap();
        let here = TimeZone::system().to_datetime(midnight);
        assert_eq!(here.to_string(), "2026-01-31T00:00:00");
        assert_eq!(moment("last week"), None);
    }
}

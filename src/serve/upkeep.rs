//! What falls due in the tanks; logging that it was done, and taking a log back.

use super::body::Body;
use super::own::since_addition as since;
use super::problem::Problem;
use super::state::AppState;
use crate::config::Config;
use crate::deposit::{Metal, metal};
use crate::ledger::{AdditionRow, TankRow};
use crate::plan::{Since, Upkeep, UpkeepRule};
use crate::quantity::{Amps, Charge, Span};
use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

/// The rate of a tank is taken over this long, or since it first worked if that is less.
const RATE_OVER: SignedDuration = SignedDuration::from_hours(28 * 24);
/// A tank that began to work an hour ago has no rate to speak of: over a day at least.
const RATE_LEAST: SignedDuration = SignedDuration::from_hours(24);

/// Less than this is not poured, L.
const POURED: f64 = 0.000_1;

/// What is logged of any tank, rule or no rule, so that its account can be told since then.
const EVENTS: [&str; 5] = ["make-up", "addition", "carbon-treatment", "filter", "anode-change"];

/// The rules of one tank.
#[derive(Clone, Debug)]
pub struct TankRules {
    /// Its name.
    pub tank: String,
    /// What its bath deposits, and its anodes lose.
    pub metal: Option<&'static Metal>,
    /// What falls due, in file order.
    pub rules: Vec<UpkeepRule>,
}

impl Config {
    /// What falls due in each tank that has rules.
    pub(super) fn tank_rules(&self) -> Vec<TankRules> {
        let with = self.tanks.iter().filter(|t| !t.upkeep.is_empty());
        with.map(|tank| {
            let bath = self.baths.iter().find(|b| b.name == tank.bath);
            TankRules {
                tank: tank.name.clone(),
                metal: bath.and_then(|b| b.metal.as_deref()).and_then(metal),
                rules: tank.upkeep.clone(),
            }
        })
        .collect()
    }
}

/// One rule of one tank as it stands.
#[derive(Clone, Debug, Serialize)]
pub(super) struct Due {
    #[serde(skip)]
    pub tank: String,
    pub additive: String,
    /// 1 and more: due.
    pub due_ratio: f64,
    /// When it was last done; `null`: never, as far as the ledger knows.
    last_done: Option<String>,
    last_by: Option<String>,
    /// Worked since.
    charge_coulombs: f64,
    every_coulombs: Option<f64>,
    or_every_seconds: Option<f64>,
    /// What the charge since asks for.
    dose_liters: Option<f64>,
    /// Anode metal gone into solution since, and left of what may go.
    dissolved_grams: Option<f64>,
    left_grams: Option<f64>,
    /// When it will be due at the rate of late.
    forecast: Option<String>,
}

/// Every rule of every tank that has an account. `accounts` are as they stand, running work included.
pub(super) async fn due(app: &AppState, accounts: &[TankRow]) -> Result<Vec<Due>, Problem> {
    let tanks = app.planner.upkeep();
    if tanks.is_empty() {
        return Ok(Vec::new());
    }
    let now = Timestamp::now();
    let from = format!("{:.3}", now - RATE_OVER);
    let (done, pace) = app.read(move |h| Ok((h.last_done()?, h.pace(&from)?))).await?;
    let mut all = Vec::new();
    for tank in &tanks {
        // Without an account nothing is known, and nothing is said: not that it is far from due.
        let Some(account) = accounts.iter().find(|a| a.tank == tank.tank) else { continue };
        let coulombs = account.charge_coulombs;
        let pace = pace.iter().find(|p| p.tank == tank.tank);
        let rate = pace.map_or(Amps::ZERO, |p| rate(p.microcoulombs, &p.first, now));
        for rule in &tank.rules {
            let last = done.iter().find(|d| d.tank == tank.tank && d.what == rule.name);
            let since = since(last, coulombs, now);
            let state = rule.state(tank.metal, since, rate);
            all.push(shown(&tank.tank, rule, last, since, &state, now));
        }
    }
    Ok(all)
}

fn rate(microcoulombs: i64, first: &str, now: Timestamp) -> Amps {
    let worked = first.parse::<Timestamp>().map_or(RATE_OVER, |first| now.duration_since(first));
    let over = worked.clamp(RATE_LEAST, RATE_OVER).as_secs_f64();
    Amps::new(microcoulombs as f64 / 1e6 / over)
}

fn shown(
    tank: &str,
    rule: &UpkeepRule,
    last: Option<&AdditionRow>,
    since: Since,
    state: &Upkeep,
    now: Timestamp,
) -> Due {
    let forecast = state
        .until
        .and_then(|left| SignedDuration::try_from_secs_f64(left.get()).ok())
        .and_then(|left| now.checked_add(left).ok())
        .map(|at| format!("{at:.0}"));
    Due {
        tank: tank.into(),
        additive: rule.name.clone(),
        due_ratio: state.due,
        last_done: last.map(|row| row.at.clone()),
        last_by: last.map(|row| row.by.clone()),
        charge_coulombs: since.charge.get(),
        every_coulombs: state.every.map(Charge::get),
        or_every_seconds: rule.or_every.map(Span::get),
        dose_liters: state.dose.map(|dose| dose.get()),
        dissolved_grams: state.dissolved.map(|mass| mass.get()),
        left_grams: state.left.map(|mass| mass.get()),
        forecast,
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Log {
    by: String,
    rule: String,
    /// How much went in; what the rule asks for if it is not said.
    #[serde(default)]
    amount: Option<String>,
    #[serde(default)]
    note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Undo {
    by: String,
    /// Which line of the log; the last that stands if it is not said.
    #[serde(default)]
    entry: Option<i64>,
}

/// So many lines of a tank's log are told, the newest.
const TOLD: u32 = 50;

/// A line of a tank's log.
#[derive(Serialize)]
pub(super) struct Logged {
    /// Its number, to take it back by.
    entry: i64,
    /// RFC 3339 UTC.
    at: String,
    what: String,
    /// `null`: it was not said.
    amount: Option<String>,
    by: String,
    note: Option<String>,
    /// When it was taken back, RFC 3339 UTC.
    taken_back: Option<String>,
}

/// What was logged for a tank, newest first, what was taken back too.
pub(super) async fn logged(
    State(app): State<AppState>,
    Path(tank): Path<String>,
) -> Result<Json<Vec<Logged>>, Problem> {
    let wanted = tank.clone();
    let rows = app.read(move |h| h.additions(&wanted, TOLD)).await?;
    if rows.is_empty() {
        in_config(&app, &tank)?;
    }
    let line = |row: AdditionRow| Logged {
        entry: row.id,
        at: row.at,
        what: row.what,
        amount: Some(row.amount).filter(|amount| !amount.is_empty()),
        by: row.by,
        note: row.note,
        taken_back: row.undone,
    };
    Ok(Json(rows.into_iter().map(line).collect()))
}

#[derive(Serialize)]
pub(super) struct Said {
    tank: String,
    rule: String,
    said: String,
}

fn in_config(app: &AppState, tank: &str) -> Result<(), Problem> {
    if app.facts.tanks.iter().any(|t| t.tank == tank) {
        return Ok(());
    }
    let names: Vec<_> = app.facts.tanks.iter().map(|t| t.tank.as_str()).collect();
    Err(Problem::not_found(format!("there is no tank {tank:?}; there is: {}", names.join(", "))))
}

/// It was done now: its rule begins anew.
pub(super) async fn log(
    State(app): State<AppState>,
    Path(tank): Path<String>,
    Body(body): Body<Log>,
) -> Result<Json<Said>, Problem> {
    let by = super::command::text("by", &body.by, 64)?;
    let note = body.note.map(|note| super::command::text("note", &note, 500)).transpose()?;
    let told = body.amount.map(|amount| super::command::text("amount", &amount, 40)).transpose()?;
    in_config(&app, &tank)?;
    let rules = app.planner.upkeep().into_iter().find(|t| t.tank == tank).map_or(Vec::new(), |t| t.rules);
    let known = || rules.iter().map(|r| r.name.as_str()).chain(EVENTS);
    if !known().any(|name| name == body.rule) {
        let names: Vec<_> = known().collect();
        return Err(Problem::not_found(format!(
            "tank {tank} has no rule {:?}; there is: {}",
            body.rule,
            names.join(", ")
        )));
    }
    let accounts = super::read::accounts(&app).await?;
    let dose = due(&app, &accounts)
        .await?
        .into_iter()
        .find(|d| d.tank == tank && d.additive == body.rule)
        .and_then(|d| d.dose_liters);
    // Less than can be poured is nothing to put on record.
    let dose = dose
        .filter(|litres| *litres >= POURED)
        .map(|litres| crate::quantity::Volume::new(litres).to_string());
    let amount = told.clone().or_else(|| dose.clone()).unwrap_or_default();
    let (at, rule) = (tank.clone(), body.rule.clone());
    app.write(move |h| h.log_addition(&at, &rule, &amount, &by, note.as_deref())).await?;
    let dose = match (told, dose) {
        (Some(told), _) => format!(", {told}"),
        (None, Some(dose)) => format!(", {dose} by its rule"),
        (None, None) => String::new(),
    };
    let said = format!("{}{dose}: logged; it counts from here", body.rule);
    Ok(Json(Said { tank, rule: body.rule, said }))
}

/// Takes the last log of that tank back; it stays on record as taken back.
pub(super) async fn undo(
    State(app): State<AppState>,
    Path(tank): Path<String>,
    Body(body): Body<Undo>,
) -> Result<Json<Said>, Problem> {
    let by = super::command::text("by", &body.by, 64)?;
    let wanted = tank.clone();
    let found = match body.entry {
        None => app.read(move |h| h.last_addition(&wanted)).await?,
        Some(entry) => {
            let rows = app.read(move |h| h.additions(&wanted, TOLD)).await?;
            rows.into_iter().find(|row| row.id == entry && row.undone.is_none())
        }
    };
    let Some(last) = found else {
        let why = match body.entry {
            None => format!("nothing is logged for tank {tank} that could be taken back"),
            Some(_) => format!("that line is not in the log of tank {tank}, or was taken back already"),
        };
        return Err(Problem::new(StatusCode::CONFLICT, "refused", why));
    };
    let id = last.id;
    app.write(move |h| h.undo_addition(id, &by)).await?;
    let said = format!("{} of {} by {}: taken back; it stays on record as such", last.what, last.at, last.by);
    Ok(Json(Said { tank, rule: last.what, said }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn rate_of_a_tank_is_over_four_weeks_and_not_over_its_first_hour() {
        let now = at("2026-03-29T00:00:00Z");
        // 28 days and 2.4192 MC are 1 A.
        assert_eq!(rate(2_419_200_000_000, "2020-01-01T00:00:00Z", now).get(), 1.0);
        // Two weeks of work: the same charge in half the time.
        assert_eq!(rate(2_419_200_000_000, "2026-03-15T00:00:00Z", now).get(), 2.0);
        // An hour of 10 A is 36 kC; it is taken for a day's work.
        let young = rate(36_000_000_000, "2026-03-28T23:00:00Z", now).get();
        assert!((young - 36_000.0 / 86_400.0).abs() < 1e-12);
    }

    #[test]
    fn what_was_worked_before_the_last_log_does_not_count() {
        let row = AdditionRow {
            id: 1,
            at: "2026-03-01T00:00:00.000Z".into(),
            tank: "nickel".into(),
            what: "brightener".into(),
            amount: String::new(),
            tank_microcoulombs: 3_600_000_000,
            by: "mila".into(),
            note: None,
            undone: None,
        };
        let since_ = since(Some(&row), 5400.0, at("2026-03-02T00:00:00Z"));
        assert_eq!((since_.charge.get(), since_.time), (1800.0, Some(Span::new(86_400.0))));
        let back = since(Some(&row), 0.0, at("2026-02-01T00:00:00Z"));
        assert_eq!((back.charge.get(), back.time), (0.0, Some(Span::ZERO)), "a clock set back");
        assert_eq!(since(None, 5400.0, at("2026-03-02T00:00:00Z")).charge.get(), 5400.0);
    }
}

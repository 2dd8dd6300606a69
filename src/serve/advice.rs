//! Why did it come out like this: what a run's record and its tank's show, gathered for the room that judges.

use super::findings::run_of;
use super::own::{PartFigures, since};
use super::problem::Problem;
use super::state::AppState;
use crate::advise::{
    self, AgitationSeen, AlarmsSeen, DensitySeen, Evidence, Fault, Figure, Interrupted, MarginSeen, Since,
    StepKind, StepOutcome, StepSeen, TemperatureSeen,
};
use crate::bath::{self, Agitation, Bath, Found, PanelRecord, Unit};
use crate::config::Tank;
use crate::deposit::metal;
use crate::ledger::{
    AdditionRow, AlarmRow, FindingKind, FindingRow, JobRow, JobStepRow, ReadingRow, RunRow, StageRow,
};
use crate::plan::Order;
use crate::quantity::{Amps, Area, Density, Length, Span, Temperature, Volts, Volume};
use crate::run::burn_basis;
use crate::run::guide::{JobPlan, JobTodo};
use crate::watch::{BathNow, burn_density};
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::time::Duration;

/// So many rows of a tank are looked through for those from before the run.
const LOOKED_AT: u32 = 500;
/// A current below this share of the run's most is no current: clips and noise.
const CURRENT: f64 = 0.03;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    saw: String,
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) struct Answer {
    run: String,
    #[serde(flatten)]
    advice: advise::Advice,
    text: String,
}

/// Everything of the ledger that bears on a run.
struct Record {
    run: RunRow,
    readings: Vec<ReadingRow>,
    alarms: Vec<AlarmRow>,
    stages: Vec<StageRow>,
    additions: Vec<AdditionRow>,
    analyses: Vec<FindingRow>,
    panels: Vec<FindingRow>,
    parts: Vec<FindingRow>,
    account: i64,
    /// The job that the run was a step of, and its steps as they came.
    job: Option<(JobRow, Vec<JobStepRow>)>,
}

pub(super) async fn advice(
    State(app): State<AppState>,
    Path(id): Path<String>,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Json<Answer>, Problem> {
    let names = || Fault::ALL.map(Fault::name).join(", ");
    let bad = |text: String| Problem::new(StatusCode::BAD_REQUEST, "bad-query", text);
    let Query(asked) = asked.map_err(|_| bad(format!("say what was seen, ?saw=…: {}", names())))?;
    let saw = Fault::named(&asked.saw)
        .ok_or_else(|| bad(format!("{:?} is no fault known here; there is: {}", asked.saw, names())))?;
    let run = run_of(&app, &id).await?;
    let found = run.clone();
    let record = app
        .read(move |h| {
            let (id, tank) = (found.id.as_str(), found.tank.as_str());
            Ok(Record {
                readings: h.readings(id)?,
                alarms: h.alarms_of_run(id)?,
                stages: h.stages(id)?,
                additions: h.additions(tank, LOOKED_AT)?,
                analyses: h.findings(tank, FindingKind::Analysis, LOOKED_AT)?,
                panels: h.findings(tank, FindingKind::Panel, LOOKED_AT)?,
                parts: h.findings_of_run(id)?,
                account: h.account_before(tank, id)?,
                job: match &found.job {
                    Some(job) => h.job(job, 0)?.map(|(job, steps, _)| (job, steps)),
                    None => None,
                },
                run: found,
            })
        })
        .await?;
    let tank = super::findings::known(app.planner.config(), &run.tank).ok();
    let evidence = record.evidence(tank);
    let advice = advise::advise(saw, &evidence);
    let text = format!("run {}: {}\n{}", run.id, run.title, advice.text());
    Ok(Json(Answer { run: run.id, advice, text }))
}

impl Record {
    fn evidence(&self, known: Option<(&Tank, &Bath)>) -> Evidence {
        let order: Option<Order> = serde_json::from_str(&self.run.order_json).ok();
        // A tank may hold another bath by now.
        let known = known.filter(|(_, bath)| order.as_ref().is_none_or(|o| o.bath == bath.name));
        let mut e = Evidence {
            metal: self.run.metal.as_deref().and_then(metal).map(|m| m.symbol.to_owned()),
            charged: Some(self.run.charge_coulombs > 0.0),
            minutes: (self.run.worked_seconds > 0.0).then_some(self.run.worked_seconds / 60.0),
            unobserved: Some(Span::new(self.run.unobserved_seconds)),
            thickness: self.run.thickness_meters.map(Length::new),
            contact: Some(self.raised(&["bad-contact", "open-circuit"])),
            part_off: Some(self.raised(&["part-off"])),
            touch: Some(self.raised(&["touch"])),
            distribution: self.distribution(),
            interrupted: self.interrupted(),
            ..Evidence::default()
        };
        if let Some(order) = &order {
            e.edge_factor = order.burn.map(|b| b.edge_factor);
            e.margin = self.margin(order);
            e.agitation =
                order.burn.map(|b| AgitationSeen { kind: b.agitation, proven: false, stopped_minute: None });
            e.turned = Some(self.turned(order));
        }
        if let Some((tank, bath)) = known {
            e.temperature = self.temperature(bath);
            e.density = self.density(bath, self.dull(bath));
            e.volts = self.volts(bath);
            e.anode_ratio = tank
                .anode_area
                .zip(bath.anode_ratio)
                .filter(|_| self.run.area_square_meters > 0.0)
                .map(|(anodes, least)| (anodes.get() / self.run.area_square_meters, least));
            e.analysis = self.analysis(bath);
            e.since = Some(self.since(tank, bath));
        }
        let Some((job, rows)) = &self.job else {
            if let Some(job) = &self.run.job {
                e.unread.push(format!("what came before this run: its job {job} is not on record"));
            }
            return e;
        };
        let steps = Self::steps(job, rows, &mut e.unread);
        match rows.iter().position(|row| row.run.as_deref() == Some(self.run.id.as_str())) {
            Some(at) => e.with_steps(&steps, at),
            None => {
                e.unread.push(format!("what came before this run: no step of its job {} names it", job.id));
                e
            }
        }
    }

    /// The steps of its job as they came. What cannot be read is said, and takes no more with it than itself.
    fn steps(job: &JobRow, rows: &[JobStepRow], unread: &mut Vec<String>) -> Vec<StepSeen> {
        let plan: Option<JobPlan> = serde_json::from_str(&job.plan_json).ok();
        if plan.is_none() {
            unread.push(
                "what the sheet asked of the steps before: the job's plan on record cannot be read".into(),
            );
        }
        let start: Option<Timestamp> = job.started.parse().ok();
        if start.is_none() {
            unread.push(format!(
                "how long any step before took: when the job began cannot be read ({:?})",
                job.started
            ));
        }
        let mut since = |at: &str, row: &JobStepRow| {
            let time = at.parse::<Timestamp>().ok();
            if time.is_none() {
                unread.push(format!(
                    "how long step {}, {}, took: a time of it cannot be read ({at:?})",
                    row.sheet_step, row.name
                ));
            }
            Some(time?.duration_since(start?).as_secs_f64())
        };
        let seen = |row: &JobStepRow| {
            let place = usize::try_from(row.sheet_step).unwrap_or(0).checked_sub(1);
            let planned = place.and_then(|place| plan.as_ref()?.steps.get(place));
            let most = planned.and_then(|step| match &step.todo {
                JobTodo::Dip { most, .. } => *most,
                _ => None,
            });
            StepSeen {
                name: row.name.clone(),
                kind: match row.kind.as_str() {
                    "dip" => StepKind::Dip,
                    "powered" => StepKind::Powered,
                    "inspect" => StepKind::Inspect,
                    _ => StepKind::Prompt,
                },
                outcome: match row.outcome.as_deref() {
                    Some("done") => Some(StepOutcome::Done),
                    Some("skipped") => Some(StepOutcome::Skipped),
                    Some("redone") => Some(StepOutcome::Redone),
                    Some("failed") => Some(StepOutcome::Failed),
                    _ => None,
                },
                began: since(&row.began, row),
                ended: row.ended.as_deref().and_then(|at| since(at, row)),
                most: most.map(|most| Span::new(most.as_secs_f64())),
                within: planned.and_then(|step| step.within).map(|w| Span::new(w.as_secs_f64())),
            }
        };
        rows.iter().map(seen).collect()
    }

    fn minute(seconds: f64) -> f64 {
        seconds / 60.0
    }

    /// Alarms that began to stand. The wall clock may have been set: the minute is then at the start or the end.
    fn raised(&self, watches: &[&str]) -> AlarmsSeen {
        let new =
            |a: &&AlarmRow| watches.contains(&a.watch.as_str()) && a.to == "unacknowledged" && a.from != a.to;
        let all: Vec<&AlarmRow> = self.alarms.iter().filter(new).collect();
        let seconds = all.first().and_then(|first| {
            let (at, start) =
                (first.at.parse::<Timestamp>().ok()?, self.run.started.parse::<Timestamp>().ok()?);
            Some(at.duration_since(start).as_secs_f64().max(0.0))
        });
        AlarmsSeen {
            count: u32::try_from(all.len()).unwrap_or(u32::MAX),
            minute: Self::minute(seconds.unwrap_or(0.0)),
        }
    }

    /// The least margin by the order's own figures and the temperature of each reading.
    fn margin(&self, order: &Order) -> Option<MarginSeen> {
        let basis = burn_basis(order)?;
        if !order.area.is_positive() {
            return None;
        }
        let each = self.readings.iter().filter(|r| r.amperes > 0.0).map(|r| {
            let temperature = r.bath_celsius.map(|c| (Temperature::new(c), Duration::ZERO));
            let edge = Amps::new(r.amperes) / order.area * basis.edge_factor;
            let with = |agitation| {
                1.0 - edge / burn_density(&basis, &BathNow { temperature, agitation, proven: false }).0
            };
            // The record does not keep what a sensor of agitation said from reading to reading.
            let assumed = basis.agitation != Agitation::Still;
            MarginSeen {
                least: with(basis.agitation),
                minute: Self::minute(r.seconds),
                if_still: assumed.then(|| with(Agitation::Still)),
            }
        });
        each.min_by(|a, b| a.least.total_cmp(&b.least))
    }

    fn temperature(&self, bath: &Bath) -> Option<TemperatureSeen> {
        let known = || self.readings.iter().filter_map(|r| Some((r.bath_celsius?, Self::minute(r.seconds))));
        let (least, least_minute) = known().min_by(|a, b| a.0.total_cmp(&b.0))?;
        let (most, most_minute) = known().max_by(|a, b| a.0.total_cmp(&b.0))?;
        Some(TemperatureSeen {
            least: Temperature::new(least),
            least_minute,
            most: Temperature::new(most),
            most_minute,
            window: (bath.temperature.low, bath.temperature.high),
        })
    }

    fn density(&self, bath: &Bath, dull: Option<Density>) -> Option<DensitySeen> {
        let (area, worked) = (self.run.area_square_meters, self.run.worked_seconds);
        let observed = worked - self.run.unobserved_seconds;
        if area <= 0.0 || observed <= 0.0 || bath.is_dip() {
            return None;
        }
        let mean = Amps::new(self.run.charge_coulombs / observed) / Area::new(area);
        Some(DensitySeen { mean, window: (bath.density.low, bath.density.high), dull })
    }

    /// By the panel that was the latest when the run began.
    fn dull(&self, bath: &Bath) -> Option<Density> {
        let before = self.before(&self.panels, bath)?;
        serde_json::from_str::<PanelRecord>(&before.figures_json).ok()?.dull
    }

    fn volts(&self, bath: &Bath) -> Option<(Volts, f64, Volts)> {
        let usual = bath.volts?.high;
        let top =
            self.readings.iter().filter(|r| r.amperes > 0.0).max_by(|a, b| a.volts.total_cmp(&b.volts))?;
        Some((Volts::new(top.volts), Self::minute(top.seconds), usual))
    }

    /// Whether parts were being turned then, or the current rose again after it.
    fn turning(&self, seconds: f64) -> bool {
        let mut before =
            self.stages.iter().rev().skip_while(|s| s.seconds > seconds).map(|s| s.phase.as_str());
        match before.next() {
            Some("turn") => true,
            Some("ramp") => before.next() == Some("turn"),
            _ => false,
        }
    }

    /// Times without current between its first and its last, by the readings; those of a planned turn by themselves.
    fn interrupted(&self) -> Option<Interrupted> {
        let most = self.readings.iter().map(|r| r.amperes).fold(0.0, f64::max);
        if most <= 0.0 {
            return None;
        }
        let flows = |r: &&ReadingRow| r.amperes > CURRENT * most;
        let mut seen = Interrupted { count: 0, longest: Span::ZERO, minute: 0.0, turning: Span::ZERO };
        let mut last: Option<bool> = None;
        let mut off_since = 0.0;
        let mut turn_since = None;
        for r in &self.readings {
            let on = flows(&r);
            if !on && last == Some(true) && self.turning(r.seconds) {
                turn_since.get_or_insert(r.seconds);
                continue;
            }
            if let Some(since) = turn_since.take() {
                seen.turning = seen.turning.max(Span::new(r.seconds - since));
            }
            match last {
                Some(true) if !on => off_since = r.seconds,
                Some(false) if on => {
                    let long = Span::new(r.seconds - off_since);
                    seen.count += 1;
                    if long > seen.longest {
                        seen.longest = long;
                        seen.minute = Self::minute(off_since);
                    }
                }
                _ => {}
            }
            // What comes before the first current is no interruption.
            if on || last.is_some() {
                last = Some(on);
            }
        }
        Some(seen)
    }

    fn turned(&self, order: &Order) -> (u8, u8) {
        let asked = order.turn.map_or(1, |t| t.faces);
        let turns = self.stages.iter().filter(|s| s.phase == "turn").count();
        (u8::try_from(turns + 1).unwrap_or(u8::MAX).min(asked), asked)
    }

    fn distribution(&self) -> Option<f64> {
        let kept = self.parts.iter().rev().filter(|p| p.undone.is_none());
        kept.filter_map(|p| serde_json::from_str::<PartFigures>(&p.figures_json).ok())
            .find_map(|f| f.truth.distribution)
    }

    /// The newest of those rows that was there when the run began, of the bath of the run.
    fn before<'r>(&self, rows: &'r [FindingRow], bath: &Bath) -> Option<&'r FindingRow> {
        rows.iter().find(|row| row.bath == bath.name && row.at.as_str() <= self.run.started.as_str())
    }

    fn analysis(&self, bath: &Bath) -> Option<Vec<Figure>> {
        let row = self.before(&self.analyses, bath)?;
        let found: Vec<Found> = serde_json::from_str(&row.figures_json).ok()?;
        let day = row.at.split('T').next().unwrap_or_default();
        let standing = bath::advise(bath, &found, Volume::new(1.0)).standing;
        let figures = standing.into_iter().filter_map(|s| {
            let (low, _, high) = s.window?;
            let what = if s.found.unit == Unit::Ph { "pH".into() } else { s.found.what };
            Some(Figure { what, value: s.found.value, window: (low, high), day: day.to_owned() })
        });
        Some(figures.collect())
    }

    /// Every rule of the tank as it stood when the run began.
    fn since(&self, tank: &Tank, bath: &Bath) -> Vec<Since> {
        let start = self.run.started.parse::<Timestamp>().unwrap_or_default();
        let account = self.account as f64 / 1e6;
        let metal = bath.metal.as_deref().and_then(metal);
        let each = tank.upkeep.iter().map(|rule| {
            let done = self.additions.iter().find(|a| {
                a.what == rule.name && a.undone.is_none() && a.at.as_str() <= self.run.started.as_str()
            });
            let since = match done {
                Some(row) => since(&row.at, row.tank_microcoulombs, account, start),
                None => super::own::since_addition(None, account, start),
            };
            Since {
                what: rule.name.clone(),
                ampere_hours: since.charge.get() / 3600.0,
                due: rule.state(metal, since, Amps::ZERO).due,
                ever: done.is_some(),
            }
        });
        each.collect()
    }
}

#[cfg(test)]
#[path = "advice_tests.rs"]
mod tests;

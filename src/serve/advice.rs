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
use crate::run::guide::{JobPlan, JobTodo};
use crate::watch::{BathNow, BurnBasis, burn_density};
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
                    row.number, row.name
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
        let burn = order.burn?;
        let basis = BurnBasis {
            density: burn.density,
            edge_factor: burn.edge_factor,
            agitation: burn.agitation,
            by_agitation: burn.by_agitation,
            temperature: burn.temperature,
            own_panel: burn.own_panel,
            area: order.area,
        };
        if !order.area.is_positive() {
            return None;
        }
        let each = self.readings.iter().filter(|r| r.amperes > 0.0).map(|r| {
            let temperature = r.bath_celsius.map(|c| (Temperature::new(c), Duration::ZERO));
            let edge = Amps::new(r.amperes) / order.area * burn.edge_factor;
            let with = |agitation| {
                1.0 - edge / burn_density(&basis, &BathNow { temperature, agitation, proven: false }).0
            };
            // The record does not keep what a sensor of agitation said from reading to reading.
            let assumed = burn.agitation != Agitation::Still;
            MarginSeen {
                least: with(burn.agitation),
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
mod tests {
    use super::*;

    fn record(readings: &[(f64, f64)]) -> Record {
        let reading = |(seconds, amperes): &(f64, f64)| ReadingRow {
            seconds: *seconds,
            volts: 4.0 + amperes,
            amperes: *amperes,
            setpoint_amperes: 4.0,
            ceiling_volts: None,
            bath_celsius: Some(55.0 - seconds / 10.0),
        };
        Record {
            job: None,
            run: RunRow {
                id: "b".into(),
                station: "bench".into(),
                tank: "nickel".into(),
                title: "6 key cups".into(),
                started_by: "mila".into(),
                started: "2026-03-01T10:00:00.000Z".into(),
                ended: Some("2026-03-01T10:05:00.000Z".into()),
                state: "complete".into(),
                cause: None,
                charge_coulombs: 600.0,
                target_coulombs: None,
                unobserved_seconds: 0.0,
                worked_seconds: 150.0,
                area_square_meters: 0.01,
                parts: 6,
                metal: Some("Ni".into()),
                thickness_meters: Some(2e-6),
                continues: None,
                load_slope_ohm_square_meters: None,
                job: None,
                lot: None,
                customer: None,
                order_json: "{}".into(),
            },
            readings: readings.iter().map(reading).collect(),
            alarms: Vec::new(),
            stages: Vec::new(),
            additions: Vec::new(),
            analyses: Vec::new(),
            panels: Vec::new(),
            parts: Vec::new(),
            account: 0,
        }
    }

    fn alarm(watch: &str, at: &str, from: &str, to: &str) -> AlarmRow {
        AlarmRow {
            at: at.into(),
            monotonic_milliseconds: 0,
            station: "bench".into(),
            run: Some("b".into()),
            watch: watch.into(),
            from: from.into(),
            to: to.into(),
            priority: "high".into(),
            text: String::new(),
            by: None,
            note: None,
        }
    }

    #[test]
    fn time_without_current_is_between_the_first_and_the_last_of_it() {
        let seen = |readings: &[(f64, f64)]| record(readings).interrupted();
        // Before the first current and after the last is no interruption; noise is no current.
        let quiet = [(0.0, 0.0), (5.0, 0.01), (10.0, 4.0), (60.0, 4.0), (61.0, 0.0), (90.0, 0.0)];
        assert_eq!(seen(&quiet).unwrap().count, 0);
        let broken =
            [(0.0, 4.0), (30.0, 0.0), (32.0, 0.0), (34.0, 4.0), (60.0, 0.02), (120.0, 3.9), (130.0, 0.0)];
        let found = seen(&broken).unwrap();
        assert_eq!((found.count, found.longest.get(), found.minute), (2, 60.0, 1.0));
        assert_eq!(seen(&[]), None, "no readings, no word");
        assert_eq!(seen(&[(0.0, 0.0)]), None);
    }

    #[test]
    fn planned_turn_with_the_output_off_is_not_told_as_current_that_went_off() {
        let stage = |seconds: f64, state: &str, phase: &str| StageRow {
            seconds,
            state: state.into(),
            phase: phase.into(),
        };
        let turn =
            [(0.0, 4.0), (60.0, 4.0), (62.0, 0.0), (95.0, 0.0), (101.0, 0.05), (103.0, 4.0), (160.0, 4.0)];
        let mut turned = record(&turn);
        turned.stages = vec![
            stage(0.0, "running", "steady"),
            stage(61.0, "running", "turn"),
            stage(100.0, "running", "ramp"),
            stage(130.0, "running", "steady"),
        ];
        let found = turned.interrupted().unwrap();
        assert_eq!((found.count, found.turning.get()), (0, 41.0), "the turn and the rise after it");
        // Held in the middle of the turn: that was not planned.
        turned.stages.insert(2, stage(80.0, "held", "off"));
        let found = turned.interrupted().unwrap();
        assert_eq!((found.count, found.longest.get(), found.turning.get()), (1, 8.0, 33.0));
        // A hold elsewhere is counted as ever.
        let mut held = record(&turn);
        held.stages = vec![
            stage(0.0, "running", "steady"),
            stage(61.0, "held", "off"),
            stage(100.0, "running", "ramp"),
        ];
        assert_eq!(held.interrupted().unwrap().count, 1);
    }

    #[test]
    fn alarm_counts_when_it_comes_and_not_when_it_is_acknowledged() {
        let mut record = record(&[(0.0, 4.0)]);
        record.alarms = vec![
            alarm("bad-contact", "2026-03-01T10:02:30.000Z", "normal", "unacknowledged"),
            alarm("bad-contact", "2026-03-01T10:02:40.000Z", "unacknowledged", "acknowledged"),
            alarm("drift", "2026-03-01T10:01:00.000Z", "normal", "unacknowledged"),
        ];
        let found = record.raised(&["bad-contact", "open-circuit"]);
        assert_eq!((found.count, found.minute), (1, 2.5));
        assert_eq!(record.raised(&["touch"]).count, 0);
    }

    #[test]
    fn temperature_and_density_are_those_of_the_readings_with_their_minute() {
        let record = record(&[(0.0, 4.0), (60.0, 4.0), (120.0, 4.0)]);
        let bath = bath::shipped().into_iter().find(|b| b.name == "watts-nickel").unwrap();
        let t = record.temperature(&bath).unwrap();
        assert_eq!((t.least.get(), t.least_minute, t.most.get()), (43.0, 2.0, 55.0));
        // 600 C in 150 s on 1 dm2: 4 A/dm2.
        let d = record.density(&bath, None).unwrap();
        assert!((d.mean.get() - 400.0).abs() < 1e-9, "{}", d.mean);
        let e = record.evidence(None);
        assert!(e.temperature.is_none() && e.density.is_none() && e.margin.is_none(), "no bath, no window");
    }

    /// Cleaned, failed the water-break, cleaned, passed, plated.
    fn job(record: &mut Record) {
        let step = |number: u32, name: &str, kind: &str, outcome: &str, run: Option<&str>| JobStepRow {
            job: "j".into(),
            number,
            sheet_step: number,
            name: name.into(),
            kind: kind.into(),
            began: format!("2026-03-01T09:5{number}:00.000Z"),
            ended: Some(format!("2026-03-01T09:5{number}:30.000Z")),
            outcome: Some(outcome.into()),
            run: run.map(Into::into),
            ..JobStepRow::default()
        };
        let job = JobRow {
            id: "j".into(),
            station: "bench".into(),
            sheet: "s".into(),
            title: "6 key cups".into(),
            base: "brass".into(),
            parts: 6,
            lot: None,
            customer: None,
            started_by: "mila".into(),
            started: "2026-03-01T09:50:00.000Z".into(),
            ended: None,
            state: "running".into(),
            cause: None,
            continues: None,
            plan_json: "{}".into(),
        };
        let steps = vec![
            step(1, "clean", "powered", "done", None),
            step(2, "water-break", "inspect", "failed", None),
            step(3, "water-break", "inspect", "done", None),
            step(4, "nickel", "powered", "done", Some("b")),
        ];
        record.run.job = Some("j".into());
        record.job = Some((job, steps));
    }

    #[test]
    fn step_whose_time_cannot_be_read_is_said_and_takes_no_other_evidence_with_it() {
        let mut record = record(&[(0.0, 4.0)]);
        job(&mut record);
        assert_eq!(record.evidence(None).water_break_failed, Some(1));
        record.job.as_mut().unwrap().1[0].began = "yesterday".into();
        let e = record.evidence(None);
        assert_eq!(e.water_break_failed, Some(1), "a clean step's time took the failed water-break with it");
        let told = advise::advise(Fault::Peeling, &e).text();
        assert!(told.contains("step 1, clean, took: a time of it cannot be read (\"yesterday\")"), "{told}");
        record.job.as_mut().unwrap().0.started = String::new();
        let e = record.evidence(None);
        assert_eq!(e.water_break_failed, Some(1));
        assert!(e.unread.iter().any(|u| u.contains("when the job began cannot be read")), "{:?}", e.unread);
        record.job.as_mut().unwrap().1[3].run = None;
        let e = record.evidence(None);
        assert!(e.unread.iter().any(|u| u.contains("no step of its job j names it")), "{:?}", e.unread);
        record.job = None;
        let e = record.evidence(None);
        assert!(e.unread.iter().any(|u| u.contains("job j is not on record")), "{:?}", e.unread);
    }

    #[test]
    fn run_without_charge_is_said_to_be_one_before_any_cause_is() {
        let mut record = record(&[]);
        assert_eq!(advise::advise(Fault::Peeling, &record.evidence(None)).first, None);
        record.run.charge_coulombs = 0.0;
        let text = advise::advise(Fault::Peeling, &record.evidence(None)).text();
        assert!(text.lines().nth(1).unwrap().starts_with("NO CHARGE is on record"), "{text}");
    }
}

//! A whole sheet planned: every step for one load, with the workshop's own tanks.

use super::check::{WRITABLE, unwritable};
use super::line_day;
use super::{Day, FacesAsked, Lift, LineDay, Obstacle, Plan, Request, SupplyLimits, TankFacts, plan, warn};
use crate::bath::{Bath, Caution};
use crate::part::{Allowance, Part};
use crate::process::{
    Bake, Base, Between, Confirm, End, Finding, Inspect, Kind, Polarity, Powered, Purpose, Rinse, Sheet,
    Step, Turn, spoken,
};
use crate::quantity::{Charge, Span, Units};
use serde::Serialize;
use std::fmt;

/// What is wanted of a sheet.
#[derive(Clone, Debug, PartialEq)]
pub struct LineRequest {
    /// What to call it; the sheet's title and the parts if absent.
    pub title: Option<String>,
    /// What is to be plated, all of it, whether or not it hangs at once.
    pub parts: Vec<Part>,
    /// What rack and tips take.
    pub rack: Allowance,
    /// The parts' own metal; one of the sheet's.
    pub base: Base,
    /// What ends the finish step, if the sheet's own is not to hold.
    pub finish: Option<End>,
    /// How often the load is turned in the steps that the sheet turns, or in the finish step where it turns none.
    pub turn: Option<FacesAsked>,
    /// How many parts the bar or rack holds.
    pub places: Option<u32>,
    /// The shop's day; 8 h and 10 min between loads if absent.
    pub day: Option<Day>,
}

/// Which tank of the workshop plays a role.
#[derive(Clone, Debug)]
pub struct LineTank<'a> {
    /// The role in the sheet.
    pub role: &'a str,
    /// The tank's name in the config.
    pub tank: &'a str,
    /// The bath in it.
    pub bath: &'a Bath,
    /// What is known of it.
    pub facts: TankFacts,
}

/// What is to be done in a step.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Todo {
    /// Hang it in for that long, without current.
    Dip {
        /// How long.
        time: Span,
        /// After how long at most it must be out.
        most: Option<Span>,
    },
    /// Run the order.
    Powered {
        /// On which side of the supply the part hangs: the leads are the operator's.
        part: Polarity,
        /// The order with its worksheet.
        plan: Box<Plan>,
    },
    /// Ask; "no" leads back.
    Inspect {
        /// The question and what to do.
        inspect: Inspect,
        /// The step that "no" leads back to, by its place in the list.
        back_to: usize,
    },
    /// Say, and wait for the operator.
    Prompt {
        /// What to do.
        say: String,
        /// That it is a bake.
        bake: Option<Bake>,
    },
}

/// One step, planned.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct LineStep {
    /// Its name in the sheet.
    pub name: String,
    /// The workshop's tank.
    pub tank: Option<String>,
    /// What hangs opposite the part in a powered step, in words: "nickel, bagged".
    pub anodes: Option<String>,
    /// What to do.
    pub todo: Todo,
    /// What limits the load at a powered step.
    pub limit: Option<StepLimit>,
    /// Rinses after it, in words.
    pub rinse: Vec<String>,
    /// What can hurt here.
    pub hazards: Vec<String>,
    /// The most time from the end of the step before.
    pub within: Option<Span>,
}

/// How much one powered step takes at once, whatever the others take.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct StepLimit {
    /// How many of the largest part hang at once; `None` where it cannot be judged.
    pub parts_at_once: Option<u32>,
    /// What limits that here, with its figures; `None` where everything asked for hangs at once.
    pub by: Option<String>,
    /// What would give more parts an hour in this step, the most first; `gain` is of this step alone.
    pub lifts: Vec<Lift>,
}

/// A sheet planned for the first load.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct LinePlan {
    /// What it is.
    pub title: String,
    /// The sheet's name.
    pub sheet: String,
    /// The units of the sentences.
    pub units: Units,
    /// How many of each kind hang in the first load, in the order asked for.
    pub counts: Vec<u32>,
    /// How many loads it takes in all.
    pub load_count: u32,
    /// Every step, in order.
    pub steps: Vec<LineStep>,
    /// What comes out in a day, and what the metal in it is worth.
    pub day: LineDay,
    /// Time in tanks for one load, when nothing is done twice; rinsing, carrying and baking come on top.
    pub time: Span,
    /// What each tank's account gets from one load: tank and charge.
    pub charges: Vec<(String, Charge)>,
    /// What would be better on the sheet.
    pub advice: Vec<Finding>,
    /// What can hurt; never left out.
    pub cautions: Vec<Caution>,
}

/// One reason why a sheet cannot be done as asked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct LineObstacle {
    /// The step that it is about; `None`: the sheet or the request.
    pub step: Option<String>,
    /// What cannot be, and what could.
    #[serde(flatten)]
    pub obstacle: Obstacle,
}

impl fmt::Display for LineObstacle {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.step {
            Some(step) => write!(f, "{step}: {}", self.obstacle),
            None => write!(f, "{}", self.obstacle),
        }
    }
}

impl std::error::Error for LineObstacle {}

/// Plans every step of a sheet for one load: as many parts as the narrowest
/// step takes. The orders are for the first load; later loads of another
/// size are planned anew.
///
/// # Errors
/// Everything that cannot be done as asked, at once, each with a way out.
pub fn plan_line(
    request: &LineRequest,
    sheet: &Sheet,
    tanks: &[LineTank<'_>],
    supply: &SupplyLimits,
    units: Units,
) -> Result<LinePlan, Vec<LineObstacle>> {
    let line = Line { request, sheet, tanks, supply, units };
    let no = line.check();
    if !no.is_empty() {
        return Err(no);
    }
    let wanted: Vec<u32> = request.parts.iter().map(Part::count).collect();
    let counts = line.at_once(&wanted)?;
    let load_count = line.loads(&wanted, &counts)?;
    line.made(counts, load_count)
}

pub(super) struct Line<'a> {
    pub(super) request: &'a LineRequest,
    sheet: &'a Sheet,
    tanks: &'a [LineTank<'a>],
    supply: &'a SupplyLimits,
    units: Units,
}

fn obstacle(step: Option<&str>, key: &'static str, wrong: String, remedy: impl Into<String>) -> LineObstacle {
    LineObstacle { step: step.map(Into::into), obstacle: Obstacle { key, wrong, remedy: remedy.into() } }
}

impl<'a> Line<'a> {
    fn tank(&self, role: &str) -> Option<&'a LineTank<'a>> {
        self.tanks.iter().find(|t| t.role == role)
    }

    /// Roles, baths and metal.
    fn check(&self) -> Vec<LineObstacle> {
        let mut no = Vec::new();
        if !self.sheet.base.contains(&self.request.base) {
            let all: Vec<_> = self.sheet.base.iter().map(|b| b.name()).collect();
            no.push(obstacle(
                None,
                "base",
                format!("{:?} is not for {}", self.sheet.title, self.request.base.name()),
                format!("take another sheet; this one is for {}", all.join(", ")),
            ));
        }
        for (key, wrong) in unwritable(self.request.title.as_deref(), &self.request.parts) {
            no.push(obstacle(None, key, wrong, WRITABLE));
        }
        if self.request.parts.is_empty() {
            no.push(obstacle(None, "part", "no parts".into(), "write at least one"));
        }
        for role in &self.sheet.tanks {
            match self.tank(&role.name) {
                None => no.push(obstacle(
                    None,
                    "tank",
                    format!("no tank plays {:?}", role.name),
                    format!("name one that holds {}", role.baths.join(" or ")),
                )),
                Some(tank) if !role.baths.contains(&tank.bath.name) => no.push(obstacle(
                    None,
                    "tank",
                    format!("{:?} holds {} and cannot play {:?}", tank.tank, tank.bath.name, role.name),
                    format!("name a tank that holds {}", role.baths.join(" or ")),
                )),
                Some(_) => {}
            }
        }
        no
    }

    /// The request of one powered step.
    fn request(
        &self,
        at: usize,
        powered: &Powered,
        tank: &LineTank<'_>,
        counts: &[u32],
        day: Option<Day>,
    ) -> Request {
        let hung = self.request.parts.iter().zip(counts).filter(|(_, n)| **n > 0);
        let tells_apart = !tank.bath.density_by_base.is_empty();
        let end = match self.request.finish {
            Some(end) if self.sheet.finish_step() == Some(at) => end,
            _ => powered.end,
        };
        Request {
            rack: self.request.rack,
            base: tells_apart.then(|| self.request.base.name().to_owned()),
            hold: powered.hold,
            entry: powered.entry,
            entry_volts: powered.entry_volts,
            ramp: powered.ramp,
            turn: self.turn(at, powered),
            places: self.request.places,
            day,
            ..Request::new(tank.tank, hung.map(|(part, n)| part.counted(*n)).collect(), end)
        }
    }

    fn water(&self, rinse: &str) -> String {
        self.sheet.rinse(rinse).map_or_else(|| spoken(rinse), Rinse::words)
    }

    /// The turn of a powered step: the sheet's, with as many faces as were asked for.
    fn turn(&self, at: usize, powered: &Powered) -> Option<Turn> {
        let Some(FacesAsked { faces }) = self.request.turn else { return powered.turn };
        let turned = |step: &Step| matches!(&step.kind, Kind::Powered(p) if p.turn.is_some());
        let last = self.sheet.finish_step() == Some(at) && !self.sheet.steps.iter().any(turned);
        let by_hand = Turn { faces, between: Between::default(), confirm: Confirm::default() };
        let turn = powered.turn.or(last.then_some(by_hand))?;
        (faces != 1).then_some(Turn { faces, ..turn })
    }

    /// Every powered step with its plan, or everything in the way.
    fn powered(&self, counts: &[u32], day: Option<Day>) -> Result<Vec<(usize, Plan)>, Vec<LineObstacle>> {
        let mut made = Vec::new();
        let mut no = Vec::new();
        for (at, step) in self.sheet.steps.iter().enumerate() {
            let Kind::Powered(powered) = &step.kind else { continue };
            let Some(tank) = self.tank(&powered.tank) else { continue };
            let request = self.request(at, powered, tank, counts, day);
            match plan(&request, tank.bath, &tank.facts, self.supply, self.units) {
                Ok(plan) => made.push((at, plan)),
                Err(all) => no.extend(
                    all.into_iter().map(|obstacle| LineObstacle { step: Some(step.name.clone()), obstacle }),
                ),
            }
        }
        if no.is_empty() { Ok(made) } else { Err(no) }
    }

    /// How many of each kind hang at once: the narrowest step decides.
    fn at_once(&self, wanted: &[u32]) -> Result<Vec<u32>, Vec<LineObstacle>> {
        let mut counts = wanted.to_vec();
        loop {
            let before: u32 = counts.iter().fold(0, |sum, n| sum.saturating_add(*n));
            let plans = self.powered(&counts, None)?;
            let Some((_, least)) = plans.iter().min_by_key(|(_, plan)| plan.order.parts) else {
                return Ok(counts);
            };
            if least.order.parts >= before {
                return Ok(counts);
            }
            // Fewer each time round, so this ends.
            let mut first = least.worksheet.loads[0].counts.iter();
            counts = counts.iter().map(|n| if *n > 0 { *first.next().unwrap_or(&0) } else { 0 }).collect();
        }
    }

    /// How many loads everything makes, the first being of these counts.
    fn loads(&self, wanted: &[u32], first: &[u32]) -> Result<u32, Vec<LineObstacle>> {
        let mut left = wanted.to_vec();
        let mut load = first.to_vec();
        let mut loads = 0u32;
        while left.iter().any(|n| *n > 0) {
            let times = left.iter().zip(&load).filter(|(_, each)| **each > 0).map(|(n, each)| n / each).min();
            let times = times.unwrap_or(1).max(1);
            loads = loads.saturating_add(times);
            left.iter_mut()
                .zip(&load)
                .for_each(|(n, each)| *n = n.saturating_sub(each.saturating_mul(times)));
            if left.iter().any(|n| *n > 0) {
                load = self.at_once(&left)?;
            }
        }
        Ok(loads)
    }

    fn made(&self, counts: Vec<u32>, load_count: u32) -> Result<LinePlan, Vec<LineObstacle>> {
        let plans = self.powered(&counts, None)?;
        let no = self.thin(&plans);
        if !no.is_empty() {
            return Err(no);
        }
        let mut charges: Vec<(String, Charge)> = Vec::new();
        for (_, plan) in &plans {
            match charges.iter_mut().find(|(tank, _)| *tank == plan.order.tank) {
                Some((_, sum)) => *sum += plan.worksheet.charge,
                None => charges.push((plan.order.tank.clone(), plan.worksheet.charge)),
            }
        }
        let mut plans = plans.into_iter();
        let mut steps: Vec<_> = self.sheet.steps.iter().map(|step| self.step(step, &mut plans)).collect();
        // What limits a step shows only when everything is asked of it.
        let wanted: Vec<u32> = self.request.parts.iter().map(Part::count).collect();
        // The time between loads is the line's, not a step's.
        let day = Day { between_loads: Span::ZERO, ..Day::default() };
        for (at, plan) in self.powered(&wanted, Some(day))? {
            let sheet = plan.worksheet;
            let row = sheet.at_once.iter().find(|row| row.limits);
            let by = row.map(|row| format!("{} ({})", sheet.throughput.limit, row.why));
            steps[at].limit = Some(StepLimit {
                parts_at_once: row.and_then(|row| row.parts),
                by: by.filter(|_| sheet.load_count > 1),
                lifts: sheet.throughput.lifts,
            });
        }
        let hung: u32 = counts.iter().sum();
        Ok(LinePlan {
            title: self
                .request
                .title
                .clone()
                .unwrap_or_else(|| format!("{hung} parts: {}", self.sheet.title)),
            sheet: self.sheet.name.clone(),
            units: self.units,
            load_count,
            time: line_day::in_tanks(&steps),
            charges,
            advice: self.sheet.advice.clone(),
            cautions: self.cautions(),
            day: self.day(&counts, &steps, load_count),
            counts,
            steps,
        })
    }

    /// The finish is asked for by the order, the strike by the sheet: they meet only here.
    fn thin(&self, plans: &[(usize, Plan)]) -> Vec<LineObstacle> {
        let mut no = Vec::new();
        let mut strike: Option<(usize, &Plan)> = None;
        for (at, plan) in plans {
            let step = &self.sheet.steps[*at];
            match step.purpose() {
                Some(Purpose::Strike) => strike = Some((*at, plan)),
                Some(Purpose::Plate) => {
                    if let Some((under, by)) = strike.take()
                        && by.worksheet.metal == plan.worksheet.metal
                        && let (Some(thin), Some(target)) = (by.worksheet.thickness, plan.worksheet.thickness)
                        && target.mean <= thin.mean
                    {
                        let u = self.units;
                        no.push(obstacle(
                            Some(&step.name),
                            "end",
                            format!(
                                "{} is asked for, and {:?} alone makes about {}",
                                target.mean.show(u),
                                self.sheet.steps[under].name,
                                thin.mean.show(u)
                            ),
                            format!("ask for clearly more than {}", thin.mean.show(u)),
                        ));
                    }
                }
                _ => {}
            }
        }
        no
    }

    fn step(&self, step: &Step, plans: &mut impl Iterator<Item = (usize, Plan)>) -> LineStep {
        let todo = match &step.kind {
            Kind::Dip(dip) => Todo::Dip { time: dip.time, most: dip.most },
            Kind::Powered(powered) => match plans.next() {
                Some((_, mut plan)) => {
                    plan.order.title = format!("{}: {}", step.name, plan.order.title);
                    Todo::Powered { part: powered.part, plan: Box::new(plan) }
                }
                // There is one plan for each powered step, made in the same order.
                None => Todo::Prompt { say: String::new(), bake: None },
            },
            Kind::Inspect(inspect) => Todo::Inspect {
                inspect: inspect.clone(),
                back_to: self.sheet.position(&inspect.back_to).unwrap_or(0),
            },
            Kind::Prompt(prompt) => Todo::Prompt { say: prompt.say.clone(), bake: prompt.bake },
        };
        let powered = matches!(todo, Todo::Powered { .. });
        LineStep {
            name: step.name.clone(),
            tank: step.tank().and_then(|role| self.tank(role)).map(|t| t.tank.to_owned()),
            anodes: step
                .tank()
                .and_then(|role| self.sheet.tank(role))
                .filter(|_| powered)
                .map(|role| format!("{}{}", role.anodes.name(), if role.bagged { ", bagged" } else { "" })),
            todo,
            limit: None,
            rinse: step.rinse.iter().map(|name| self.water(name)).collect(),
            hazards: step.hazards.clone(),
            within: step.within,
        }
    }

    /// Those of every tank and those of each bath, once.
    fn cautions(&self) -> Vec<Caution> {
        let mut all: Vec<Caution> = Vec::new();
        for tank in self.tanks.iter().filter(|t| self.sheet.tank(t.role).is_some()) {
            for caution in warn::cautions(tank.bath) {
                if !all.contains(&caution) {
                    all.push(caution);
                }
            }
        }
        all
    }
}

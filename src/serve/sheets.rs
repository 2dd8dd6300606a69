//! A sheet for a load, with the workshop's own tanks.

use super::body::shaped;
use super::house::RoleFacts;
use super::planner::{OwnOf, facts};
use super::problem::Problem;
use crate::config::{Config, Station, Tank};
use crate::plan::{
    Asked, LineObstacle, LinePlan, LineRequest, LineTank, Request, SheetRequest, SupplyLimits, plan_line,
};
use crate::process::{Base, Sheet, TankRole, spoken};
use crate::quantity::{Units, nearest};
use axum::http::StatusCode;
use serde_json::Value;
use std::fmt;

/// What there is to work with.
#[derive(Clone, Copy)]
pub struct Shop<'a> {
    /// The config.
    pub config: &'a Config,
    /// The sheets that may be asked for.
    pub sheets: &'a [Sheet],
    /// What was measured in its tanks.
    pub own: OwnOf<'a>,
}

/// What of a sheet is not asked for well. As text it is by the request's own keys; whoever asks by other words, as a
/// terminal does, has it in its parts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Wrong {
    /// The sheet itself.
    Sheet(String),
    /// The metal of the parts.
    Base(String),
    /// The tank that plays a role.
    Role {
        /// Which role.
        role: String,
        /// What is wrong.
        why: String,
    },
    /// That nobody said which of several tanks plays a role.
    Which {
        /// Which role.
        role: String,
        /// The tanks that could play it, two or more, in file order.
        tanks: Vec<String>,
    },
}

impl fmt::Display for Wrong {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Wrong::Sheet(why) => write!(f, "sheet: {why}"),
            Wrong::Base(why) => write!(f, "base: {why}"),
            Wrong::Role { role, why } => write!(f, "role.{role}: {why}"),
            Wrong::Which { role, tanks } => {
                write!(f, "role.{role}: choose the tank for {}: {}", spoken(role), tanks.join(" or "))
            }
        }
    }
}

/// Why a sheet is not planned.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Refused {
    /// It was not asked for well; all of it.
    Asked(Vec<Wrong>),
    /// It cannot be done; every reason.
    CannotBe(Vec<String>),
}

impl Refused {
    pub(super) fn into_problem(self) -> Problem {
        let (detail, errors) = match self {
            Refused::Asked(wrong) => {
                ("this is not asked for well", wrong.iter().map(Wrong::to_string).collect())
            }
            Refused::CannotBe(errors) => ("this cannot be done as asked", errors),
        };
        Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "not-possible", detail).with_errors(errors)
    }
}

fn bad(text: &str) -> Problem {
    Problem::new(StatusCode::BAD_REQUEST, "bad-json", text)
}

/// A request as it came over the wire, JSON or the text of an order file: for a whole sheet.
pub(super) fn asked(request: &Value) -> Result<SheetRequest, Problem> {
    let other =
        "the request names no sheet; one powered step is begun with POST /api/v1/stations/{station}/start";
    if request.is_object() && !is_for_a_sheet(request) {
        return Err(bad(other));
    }
    match read(request)? {
        Asked::Sheet(asked) => Ok(*asked),
        Asked::Order(_) => Err(bad(other)),
    }
}

/// The same, for one powered step.
pub(super) fn step_asked(request: &Value) -> Result<Request, Problem> {
    let other =
        "the request names a sheet; a load is taken through it with POST /api/v1/stations/{station}/job";
    if request.is_object() && is_for_a_sheet(request) {
        return Err(bad(other));
    }
    match read(request)? {
        Asked::Order(asked) => Ok(*asked),
        Asked::Sheet(_) => Err(bad(other)),
    }
}

/// Whether it is for a whole sheet. What cannot be read is not, and says so when it is worked out.
pub(super) fn is_for_a_sheet(request: &Value) -> bool {
    if request.is_string() {
        matches!(read(request), Ok(Asked::Sheet(_)))
    } else {
        request.get("sheet").is_some()
    }
}

fn read(request: &Value) -> Result<Asked, Problem> {
    let Some(text) = request.as_str() else {
        return if is_for_a_sheet(request) {
            shaped("the request", request).map(Box::new).map(Asked::Sheet)
        } else {
            shaped("the request", request).map(Box::new).map(Asked::Order)
        };
    };
    let no_files = |name: &str| Err(format!("{name:?} cannot be read here; give the area instead"));
    Asked::from_toml_with(text, "order", &no_files).map_err(|problems| {
        bad("the order file").with_errors(problems.iter().map(ToString::to_string).collect())
    })
}

/// Works out a sheet on that station with what the config knows of its tanks.
///
/// # Errors
/// Everything that was not asked for well, or every reason why it cannot be done.
pub fn line_for<'a>(
    shop: &Shop<'a>,
    station: &Station,
    request: &SheetRequest,
    units: Units,
) -> Result<(LinePlan, &'a Sheet, Base), Refused> {
    let Some(sheet) = shop.sheets.iter().find(|s| s.name == request.sheet) else {
        let names = || shop.sheets.iter().map(|s| s.name.as_str());
        let remedy = match nearest(&request.sheet, names()) {
            Some(near) => format!("did you mean {near:?}?"),
            None => format!("there is: {}", names().collect::<Vec<_>>().join(", ")),
        };
        return Err(Refused::Asked(vec![Wrong::Sheet(format!(
            "there is no sheet {:?}; {remedy}",
            request.sheet
        ))]));
    };
    let mut wrong = Vec::new();
    let base = base(sheet, request.base.as_deref(), &mut wrong);
    let tanks = tanks(shop, sheet, request, &mut wrong);
    let (Some(base), []) = (base, &wrong[..]) else { return Err(Refused::Asked(wrong)) };
    let asked = LineRequest {
        title: request.title.clone(),
        parts: request.parts.clone(),
        rack: request.rack,
        base,
        finish: request.end,
        turn: request.turn,
        places: request.places,
        day: request.day,
    };
    let supply = SupplyLimits { max_amps: station.limits.max_amps, max_volts: station.limits.max_volts };
    match plan_line(&asked, sheet, &tanks, &supply, units) {
        Ok(line) => Ok((line, sheet, base)),
        Err(all) => Err(Refused::CannotBe(all.iter().map(LineObstacle::to_string).collect())),
    }
}

fn base(sheet: &Sheet, said: Option<&str>, wrong: &mut Vec<Wrong>) -> Option<Base> {
    let names: Vec<_> = sheet.base.iter().map(|b| b.name()).collect();
    match (said, &sheet.base[..]) {
        (None, [one]) => Some(*one),
        (None, _) => {
            wrong.push(Wrong::Base(format!("of what are the parts? One of {}", names.join(", "))));
            None
        }
        (Some(word), _) => {
            let found = Base::WORDS.iter().find(|(w, _)| *w == word).map(|(_, base)| *base);
            if found.is_none() {
                wrong.push(Wrong::Base(format!("{word:?}: this sheet is for {}", names.join(", "))));
            }
            found
        }
    }
}

/// A tank for each role: the one that was said, else the only one that holds a fitting bath. A role that
/// no tank can play is left out, which the plan then tells.
fn tanks<'a>(
    shop: &Shop<'a>,
    sheet: &'a Sheet,
    request: &SheetRequest,
    wrong: &mut Vec<Wrong>,
) -> Vec<LineTank<'a>> {
    for role in request.role.keys().filter(|role| sheet.tank(role).is_none()) {
        let all: Vec<_> = sheet.tanks.iter().map(|t| t.name.as_str()).collect();
        let why = format!("the sheet's roles are {}", all.join(", "));
        wrong.push(Wrong::Role { role: role.clone(), why });
    }
    let finish_role = sheet.finish_step().and_then(|at| sheet.steps[at].tank());
    let all = &shop.config.tanks;
    let mut found = Vec::new();
    for role in &sheet.tanks {
        let finish = request.tank.as_ref().filter(|_| finish_role == Some(&role.name));
        let named = request.role.get(&role.name).or(finish);
        let fit: Vec<&Tank> = match named {
            Some(name) => all.iter().filter(|t| t.name == *name).collect(),
            None => fitting(role, all).collect(),
        };
        match (&fit[..], named) {
            ([], Some(name)) => {
                let names: Vec<_> = all.iter().map(|t| t.name.as_str()).collect();
                let why = format!("there is no tank {name:?}; there is: {}", names.join(", "));
                wrong.push(Wrong::Role { role: role.name.clone(), why });
            }
            ([], None) => {}
            ([tank], _) => found.extend(line_tank(shop, &role.name, tank)),
            (several, _) => {
                let tanks = several.iter().map(|t| t.name.clone()).collect();
                wrong.push(Wrong::Which { role: role.name.clone(), tanks });
            }
        }
    }
    found
}

/// The tanks that hold a bath which fits that role, in file order.
fn fitting<'a>(role: &TankRole, all: &'a [Tank]) -> impl Iterator<Item = &'a Tank> {
    all.iter().filter(|tank| role.baths.contains(&tank.bath))
}

/// The roles of a sheet that more than one tank could play, each with those tanks.
pub(super) fn choices(sheet: &Sheet, all: &[Tank]) -> Vec<RoleFacts> {
    let could = |role: &TankRole| RoleFacts {
        role: role.name.clone(),
        tanks: fitting(role, all).map(|tank| tank.name.clone()).collect(),
    };
    sheet.tanks.iter().map(could).filter(|choice| choice.tanks.len() > 1).collect()
}

fn line_tank<'a>(shop: &Shop<'a>, role: &'a str, tank: &'a Tank) -> Option<LineTank<'a>> {
    let bath = shop.config.baths.iter().find(|b| b.name == tank.bath)?;
    let facts = facts(shop.config, tank, bath, (shop.own)(tank));
    Some(LineTank { role, tank: &tank.name, bath, facts })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::process::shipped;
    use crate::serve::SheetFacts;

    fn config(bright: bool) -> Config {
        let tank = |name: &str, bath: &str| format!("[[tank]]\nname = \"{name}\"\nbath = \"{bath}\"\n");
        let tanks = [("nickel", "watts-nickel"), ("cleaner", "electrocleaner"), ("acid", "acid-activator")];
        let mut text = "[daemon]\nstate = \"/tmp\"\n[[station]]\nname = \"bench\"\n[station.supply]\ndialect = \"scpi\"\n\
                        port = \"/dev/ttyUSB0\"\nmax-current = \"10 A\"\nmax-voltage = \"12 V\"\n"
            .to_owned();
        text.extend(tanks.map(|(name, bath)| tank(name, bath)));
        if bright {
            text += &tank("bright", "bright-nickel");
        }
        crate::config::load(&text, "t.toml", &[], &["scpi"]).unwrap()
    }

    #[test]
    fn screen_does_not_ask_for_the_tank_of_a_role_that_only_one_could_play_and_asks_for_the_others() {
        let sheets = shipped();
        let sheet = sheets.iter().find(|s| s.name == "nickel-on-copper-alloys").unwrap();
        let facts = |bright| SheetFacts::of(sheet, &config(bright).tanks);
        assert_eq!((facts(false).choices, facts(false).missing), (vec![], vec![]));
        let choice = RoleFacts { role: "nickel".into(), tanks: vec!["nickel".into(), "bright".into()] };
        assert_eq!(facts(true).choices, [choice]);
    }

    #[test]
    fn role_that_nobody_chose_a_tank_for_is_asked_for_by_the_requests_own_key_and_not_by_a_flag() {
        let (config, sheets) = (config(true), shipped());
        let shop = Shop { config: &config, sheets: &sheets, own: &|_| crate::plan::Own::default() };
        let mut request: SheetRequest = serde_json::from_value(serde_json::json!({
            "sheet": "nickel-on-copper-alloys", "base": "brass",
            "part": [{"count": 6, "disc": {"diameter": "34 mm", "thickness": "1 mm"}}],
        }))
        .unwrap();
        let line = |request: &SheetRequest| line_for(&shop, &config.stations[0], request, Units::Metric);
        let problem = line(&request).unwrap_err().into_problem();
        assert_eq!(problem.errors, ["role.nickel: choose the tank for nickel: nickel or bright"]);
        request.role.insert("nickel".into(), "bright".into());
        let (plan, ..) = line(&request).unwrap();
        assert!(plan.steps.iter().any(|step| step.tank.as_deref() == Some("bright")));
        assert!(!plan.steps.iter().any(|step| step.tank.as_deref() == Some("nickel")));
    }
}

//! A sheet for a load, with the workshop's own tanks.

use super::body::shaped;
use super::planner::{OwnOf, facts};
use super::problem::Problem;
use crate::config::{Config, Station, Tank};
use crate::plan::{
    Asked, LineObstacle, LinePlan, LineRequest, LineTank, Request, SheetRequest, SupplyLimits, plan_line,
};
use crate::process::{Base, Sheet};
use crate::quantity::{Units, nearest};
use axum::http::StatusCode;
use serde_json::Value;

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

/// Why a sheet is not planned.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Refused {
    /// It was not asked for well; every line of it.
    Asked(Vec<String>),
    /// It cannot be done; every reason.
    CannotBe(Vec<String>),
}

impl Refused {
    pub(super) fn into_problem(self) -> Problem {
        let (detail, errors) = match self {
            Refused::Asked(errors) => ("this is not asked for well", errors),
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
        return Err(Refused::Asked(vec![format!("sheet: there is no sheet {:?}; {remedy}", request.sheet)]));
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

fn base(sheet: &Sheet, said: Option<&str>, wrong: &mut Vec<String>) -> Option<Base> {
    let names: Vec<_> = sheet.base.iter().map(|b| b.name()).collect();
    match (said, &sheet.base[..]) {
        (None, [one]) => Some(*one),
        (None, _) => {
            wrong.push(format!("base: of what are the parts? One of {}", names.join(", ")));
            None
        }
        (Some(word), _) => {
            let found = Base::WORDS.iter().find(|(w, _)| *w == word).map(|(_, base)| *base);
            if found.is_none() {
                wrong.push(format!("base {word:?}: this sheet is for {}", names.join(", ")));
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
    wrong: &mut Vec<String>,
) -> Vec<LineTank<'a>> {
    for role in request.role.keys().filter(|role| sheet.tank(role).is_none()) {
        let all: Vec<_> = sheet.tanks.iter().map(|t| t.name.as_str()).collect();
        wrong.push(format!("role {role:?}: the sheet's roles are {}", all.join(", ")));
    }
    let finish_role = sheet.finish_step().and_then(|at| sheet.steps[at].tank());
    let all = &shop.config.tanks;
    let mut found = Vec::new();
    for role in &sheet.tanks {
        let finish = request.tank.as_ref().filter(|_| finish_role == Some(&role.name));
        let named = request.role.get(&role.name).or(finish);
        let fit: Vec<&Tank> = match named {
            Some(name) => all.iter().filter(|t| t.name == *name).collect(),
            None => all.iter().filter(|t| role.baths.contains(&t.bath)).collect(),
        };
        match (&fit[..], named) {
            ([], Some(name)) => {
                let names: Vec<_> = all.iter().map(|t| t.name.as_str()).collect();
                wrong.push(format!(
                    "role {}: there is no tank {name:?}; there is: {}",
                    role.name,
                    names.join(", ")
                ));
            }
            ([], None) => {}
            ([tank], _) => found.extend(line_tank(shop, &role.name, tank)),
            (several, _) => {
                let names: Vec<_> = several.iter().map(|t| t.name.as_str()).collect();
                wrong.push(format!(
                    "role {}: {} could all play it; say which: {}={}",
                    role.name,
                    names.join(", "),
                    role.name,
                    names[0]
                ));
            }
        }
    }
    found
}

fn line_tank<'a>(shop: &Shop<'a>, role: &'a str, tank: &'a Tank) -> Option<LineTank<'a>> {
    let bath = shop.config.baths.iter().find(|b| b.name == tank.bath)?;
    let facts = facts(shop.config, tank, bath, (shop.own)(tank));
    Some(LineTank { role, tank: &tank.name, bath, facts })
}

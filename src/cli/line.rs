//! `plan --sheet`: a whole process sheet for a load, with the workshop's own tanks.

use super::args::{Common, OrderArgs, PlanArgs};
use super::say::{line, say};
use super::setup::{self, Setup};
use super::{order, show};
use crate::config::Tank;
use crate::host::{Done, Failure};
use crate::part::Allowance;
use crate::plan::{LineRequest, LineTank, SupplyLimits, TankFacts, plan_line};
use crate::process::{self, Base, End, Kind, Sheet};
use crate::quantity::{Units, nearest};
use std::path::Path;

/// Prints the sheet's worksheet, or every reason why it cannot be done.
pub(crate) fn plan(common: &Common, args: &PlanArgs, named: &str, units: Units) -> Done {
    let setup = setup::good(common)?;
    let station = setup.station(args.order.station.as_deref())?;
    let sheet = sheet(&setup, named)?;
    let asked = asked(&args.order)?;
    let mut wrong = Vec::new();
    let base = base(&sheet, args.base.as_deref().or(asked.base.as_deref()), &mut wrong);
    let tanks = tanks(&setup, &sheet, &args.role, asked.tank.as_deref(), &mut wrong);
    let (Some(base), []) = (base, &wrong[..]) else { return Err(Failure::usage(wrong.join("\n"))) };
    let request = LineRequest {
        title: asked.title,
        parts: asked.parts,
        rack: asked.rack,
        base,
        finish: asked.finish,
        places: asked.places,
    };
    let supply = SupplyLimits { max_amps: station.limits.max_amps, max_volts: station.limits.max_volts };
    let made = plan_line(&request, &sheet, &tanks, &supply, units).map_err(|reasons| {
        let all: Vec<_> = reasons.iter().map(ToString::to_string).collect();
        Failure::refused(format!("this cannot be done as asked:\n  {}", all.join("\n  ")))
    })?;
    if common.json {
        return show::json_out(&serde_json::to_value(&made).map_err(|e| Failure::bug(e.to_string()))?);
    }
    say(&made.text());
    Ok(())
}

/// What `check` says of the sheets: a line each, then what would be better on them.
pub(crate) fn judged(sheets: &[Sheet], unfit: &[String]) {
    for sheet in sheets {
        let base: Vec<_> = sheet.base.iter().map(|b| b.name()).collect();
        let powered = sheet.steps.iter().filter(|s| matches!(s.kind, Kind::Powered(_))).count();
        line(format!(
            "process {}: {}; on {}; {} steps, {powered} with current",
            sheet.name,
            sheet.title,
            base.join(", "),
            sheet.steps.len(),
        ));
        for finding in &sheet.advice {
            let at = finding.step.as_ref().or(finding.tank.as_ref());
            let at = at.map_or(String::new(), |at| format!("{at}: "));
            line(format!("  better: {at}{}; {}", finding.explained(), finding.remedy));
        }
    }
    for problem in unfit {
        line(format!("process left out, it does not fit the baths beside this config: {problem}"));
    }
}

/// What flags or an order file say that a sheet does not.
struct Asked {
    title: Option<String>,
    parts: Vec<crate::part::Part>,
    rack: Allowance,
    base: Option<String>,
    finish: Option<End>,
    places: Option<u32>,
    /// The tank of the finish.
    tank: Option<String>,
}

fn asked(args: &OrderArgs) -> Result<Asked, Failure> {
    if args.file.is_some() {
        let request = order::request(args)?;
        let own = [
            ("[hold]", request.hold.is_some()),
            ("[ramp]", request.ramp.is_some()),
            ("[turn]", request.turn.is_some()),
            ("entry-volts", request.entry_volts.is_some()),
        ];
        left_to_the_sheet(&own)?;
        return Ok(Asked {
            title: request.title,
            parts: request.parts,
            rack: request.rack,
            base: request.base,
            finish: Some(request.end),
            places: request.places,
            tank: Some(request.tank),
        });
    }
    let own = [
        ("--density", args.density.is_some()),
        ("--current", args.current.is_some()),
        ("--volts", args.volts.is_some()),
        ("--entry", args.entry.is_some()),
        ("--turn", args.turn.is_some()),
        ("--ramp", args.ramp.is_some()),
    ];
    left_to_the_sheet(&own)?;
    let mut wrong = Vec::new();
    if args.part.is_empty() {
        wrong.push("--part: what hangs? As in --part \"disc 34 mm x 1 mm\"".into());
    }
    let mut parts = order::parts(&args.part, &mut wrong);
    match (args.count, &mut parts[..]) {
        (None, _) => {}
        (Some(count), [one]) if count > 0 => *one = one.counted(count),
        (Some(0), _) => wrong.push("--count: at least 1".into()),
        (Some(_), _) => {
            wrong.push("--count: there are several parts; write each count into its own".into());
        }
    }
    let finish = match (&args.thickness, &args.charge, &args.time) {
        (Some(text), _, _) => order::read("thickness", text, &mut wrong).map(End::Thickness),
        (_, Some(text), _) => order::read("charge", text, &mut wrong).map(End::Charge),
        (_, _, Some(text)) => order::read("time", text, &mut wrong).map(End::Time),
        _ => None,
    };
    if !wrong.is_empty() {
        return Err(Failure::usage(wrong.join("\n")));
    }
    Ok(Asked {
        title: None,
        parts,
        rack: Allowance::default(),
        base: None,
        finish,
        places: None,
        tank: args.tank.clone(),
    })
}

/// The sheet says how each step is worked; an order that says otherwise would be passed over in silence.
fn left_to_the_sheet(said: &[(&str, bool)]) -> Done {
    let said: Vec<_> = said.iter().filter(|(_, is)| *is).map(|(key, _)| *key).collect();
    if said.is_empty() {
        return Ok(());
    }
    Err(Failure::usage(format!(
        "{}: the sheet says how each step is worked; leave it out, or change the sheet",
        said.join(", ")
    )))
}

/// The sheet of that name, or in that file.
fn sheet(setup: &Setup, named: &str) -> Result<Sheet, Failure> {
    if named.contains('/') || named.ends_with(".toml") {
        let text = setup::read(Path::new(named)).map_err(|e| Failure::config(format!("{named}: {e}")))?;
        return process::parse_with(&text, named, &setup.config.baths).map_err(|problems| {
            let all: Vec<_> = problems.iter().map(ToString::to_string).collect();
            Failure::config(all.join("\n"))
        });
    }
    if let Some(sheet) = setup.sheets.iter().find(|s| s.name == named) {
        return Ok(sheet.clone());
    }
    let names = || setup.sheets.iter().map(|s| s.name.as_str());
    let remedy = match nearest(named, names()) {
        Some(near) => format!("did you mean {near:?}?"),
        None => format!("there is: {}; or name a file", names().collect::<Vec<_>>().join(", ")),
    };
    let unfit: Vec<_> = setup.unfit.iter().filter(|p| p.contains(&format!("{named}.toml"))).collect();
    match &unfit[..] {
        [] => Err(Failure::usage(format!("--sheet: there is no sheet {named:?}; {remedy}"))),
        all => Err(Failure::config(format!(
            "--sheet: {named:?} does not fit the baths beside this config:\n{}",
            all.iter().map(|s| s.as_str()).collect::<Vec<_>>().join("\n")
        ))),
    }
}

fn base(sheet: &Sheet, said: Option<&str>, wrong: &mut Vec<String>) -> Option<Base> {
    let names: Vec<_> = sheet.base.iter().map(|b| b.name()).collect();
    match (said, &sheet.base[..]) {
        (None, [one]) => Some(*one),
        (None, _) => {
            wrong.push(format!("--base: of what are the parts? One of {}", names.join(", ")));
            None
        }
        (Some(word), _) => {
            let found = Base::WORDS.iter().find(|(w, _)| *w == word).map(|(_, base)| *base);
            if found.is_none() {
                wrong.push(format!("--base {word:?}: this sheet is for {}", names.join(", ")));
            }
            found
        }
    }
}

/// A tank for each role: the one that was said, else the only one that holds a fitting bath. A role that
/// no tank can play is left out, which the plan then tells.
fn tanks<'a>(
    setup: &'a Setup,
    sheet: &'a Sheet,
    roles: &[String],
    finish: Option<&str>,
    wrong: &mut Vec<String>,
) -> Vec<LineTank<'a>> {
    let mut said: Vec<(&str, &str)> = Vec::new();
    for text in roles {
        match text.split_once('=').map(|(role, tank)| (role.trim(), tank.trim())) {
            None => wrong.push(format!("--role {text:?}: write ROLE=TANK, as in plate=nickel")),
            Some((role, _)) if sheet.tank(role).is_none() => {
                let all: Vec<_> = sheet.tanks.iter().map(|t| t.name.as_str()).collect();
                wrong.push(format!("--role {text:?}: the sheet's roles are {}", all.join(", ")));
            }
            Some((role, _)) if said.iter().any(|(r, _)| *r == role) => {
                wrong.push(format!("--role {text:?}: {role:?} is given twice"));
            }
            Some(pair) => said.push(pair),
        }
    }
    let finish_role = sheet.finish_step().and_then(|at| sheet.steps[at].tank());
    if let (Some(role), Some(tank)) = (finish_role, finish)
        && !said.iter().any(|(r, _)| *r == role)
    {
        said.push((role, tank));
    }
    let all = &setup.config.tanks;
    let mut found = Vec::new();
    for role in &sheet.tanks {
        let named = said.iter().find(|(r, _)| *r == role.name).map(|(_, tank)| *tank);
        let fit: Vec<&Tank> = match named {
            Some(name) => all.iter().filter(|t| t.name == name).collect(),
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
            ([tank], _) => found.extend(line_tank(setup, &role.name, tank)),
            (several, _) => {
                let names: Vec<_> = several.iter().map(|t| t.name.as_str()).collect();
                wrong.push(format!(
                    "role {}: {} could all play it; say which: --role {}={}",
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

fn line_tank<'a>(setup: &'a Setup, role: &'a str, tank: &'a Tank) -> Option<LineTank<'a>> {
    let bath = setup.config.baths.iter().find(|b| b.name == tank.bath)?;
    let facts = TankFacts {
        volume: tank.volume,
        anode_area: tank.anode_area,
        agitation: tank.agitation,
        max_load: tank.max_load,
        panel: tank.panel,
    };
    Some(LineTank { role, tank: &tank.name, bath, facts })
}

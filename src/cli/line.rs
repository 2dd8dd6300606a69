//! A whole process sheet for a load: asked for by flags or a file, planned with the workshop's own tanks.

use super::args::{Common, OrderArgs, SheetArgs};
use super::say::{line, say};
use super::setup::{self, Setup};
use super::{mesh, order, show};
use crate::config::Tank;
use crate::host::{Done, Failure};
use crate::part::Allowance;
use crate::plan::{Asked, FacesAsked, LinePlan, SheetRequest};
use crate::process::{self, Base, End, Kind, Sheet};
use crate::quantity::Units;
use crate::serve::{Refused, Shop, Wrong, line_for};
use std::collections::BTreeMap;
use std::path::Path;

/// The sheet that flags or file ask for; `None` where they ask for one powered order.
pub(crate) fn asked(args: &OrderArgs, sheet: &SheetArgs) -> Result<Option<SheetRequest>, Failure> {
    let mut request = match (&args.file, &sheet.sheet) {
        (Some(path), named) => match (in_file(path)?, named) {
            (Some(request), _) => request,
            (None, Some(named)) => from_order(args, named)?,
            (None, None) => return no_sheet(sheet),
        },
        (None, Some(named)) => from_flags(args, named)?,
        (None, None) => return no_sheet(sheet),
    };
    let mut wrong = Vec::new();
    for text in &sheet.role {
        let Some((role, tank)) = text.split_once('=').map(|(role, tank)| (role.trim(), tank.trim())) else {
            wrong.push(format!("--role {text:?}: write ROLE=TANK, as in plate=nickel"));
            continue;
        };
        request.role.insert(role.into(), tank.into());
    }
    if !wrong.is_empty() {
        return Err(Failure::usage(wrong.join("\n")));
    }
    if let Some(named) = &sheet.sheet {
        request.sheet.clone_from(named);
    }
    request.base = sheet.base.clone().or(request.base);
    Ok(Some(request))
}

fn no_sheet(sheet: &SheetArgs) -> Result<Option<SheetRequest>, Failure> {
    if sheet.base.is_some() || !sheet.role.is_empty() {
        return Err(Failure::usage("--base and --role are for a sheet; say which with --sheet"));
    }
    Ok(None)
}

/// A sheet with one powered order's flags.
fn from_flags(args: &OrderArgs, named: &str) -> Result<SheetRequest, Failure> {
    let own = [
        ("--density", args.density.is_some()),
        ("--current", args.current.is_some()),
        ("--volts", args.volts.is_some()),
        ("--entry", args.entry.is_some()),
        ("--ramp", args.ramp.is_some()),
        ("--seek", args.seek.is_some()),
    ];
    left_to_the_sheet(&own)?;
    let mut wrong = Vec::new();
    let turn = args.turn.map(|faces| FacesAsked { faces });
    if args.turn.is_some_and(|faces| !(1..=12).contains(&faces)) {
        wrong.push("--turn: 1 (no turn) to 12 faces".into());
    }
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
    let end = match (&args.thickness, &args.charge, &args.time) {
        (Some(text), _, _) => order::read("thickness", text, &mut wrong).map(End::Thickness),
        (_, Some(text), _) => order::read("charge", text, &mut wrong).map(End::Charge),
        (_, _, Some(text)) => order::read("time", text, &mut wrong).map(End::Time),
        _ => None,
    };
    if !wrong.is_empty() {
        return Err(Failure::usage(wrong.join("\n")));
    }
    Ok(SheetRequest {
        sheet: named.into(),
        parts,
        base: None,
        title: None,
        rack: Allowance::default(),
        end,
        turn,
        tank: args.tank.clone(),
        role: BTreeMap::new(),
        places: None,
        day: None,
    })
}

/// A sheet with the load of an order file that names none.
fn from_order(args: &OrderArgs, named: &str) -> Result<SheetRequest, Failure> {
    let request = order::request(args)?;
    let own = [
        ("[hold]", request.hold.is_some()),
        ("[ramp]", request.ramp.is_some()),
        ("entry-volts", request.entry_volts.is_some()),
    ];
    left_to_the_sheet(&own)?;
    Ok(SheetRequest {
        sheet: named.into(),
        parts: request.parts,
        base: request.base,
        title: request.title,
        rack: request.rack,
        end: Some(request.end),
        turn: request.turn.map(|turn| FacesAsked { faces: turn.faces }),
        tank: Some(request.tank),
        role: BTreeMap::new(),
        places: request.places,
        day: request.day,
    })
}

/// The sheet order in that file; `None` where it names no sheet.
fn in_file(path: &Path) -> Result<Option<SheetRequest>, Failure> {
    let shown = path.display().to_string();
    let text = setup::read(path).map_err(|e| Failure::config(format!("{shown}: {e}")))?;
    // What is not TOML names no sheet; whoever reads it as an order says what is wrong.
    if !text.parse::<toml::Table>().is_ok_and(|all| all.contains_key("sheet")) {
        return Ok(None);
    }
    match Asked::from_toml_with(&text, &shown, &|name| mesh::beside(path, name)) {
        Ok(Asked::Sheet(request)) => Ok(Some(*request)),
        Ok(Asked::Order(_)) => Ok(None),
        Err(problems) => {
            let lines: Vec<_> = problems.iter().map(ToString::to_string).collect();
            Err(Failure::config(lines.join("\n")))
        }
    }
}

/// Works the sheet out with the config's tanks.
pub(crate) fn made(
    setup: &Setup,
    station: Option<&str>,
    mut request: SheetRequest,
    units: Units,
) -> Result<(LinePlan, Sheet, Base), Failure> {
    let station = setup.station(station)?;
    let mut sheets = setup.sheets.clone();
    if is_file(&request.sheet) {
        let sheet = from_file(setup, &request.sheet)?;
        request.sheet.clone_from(&sheet.name);
        sheets.retain(|s| s.name != sheet.name);
        sheets.push(sheet);
    }
    fits(setup, &request.sheet)?;
    let own = |tank: &Tank| setup.own(tank);
    let shop = Shop { config: &setup.config, sheets: &sheets, own: &own };
    let (plan, sheet, base) = line_for(&shop, station, &request, units).map_err(|no| match no {
        Refused::Asked(wrong) => Failure::usage(wrong.iter().map(flagged).collect::<Vec<_>>().join("\n")),
        Refused::CannotBe(lines) => {
            Failure::refused(format!("this cannot be done as asked:\n  {}", lines.join("\n  ")))
        }
    })?;
    Ok((plan, sheet.clone(), base))
}

/// What is asked for, with the flag that says it here.
fn flagged(wrong: &Wrong) -> String {
    match wrong {
        Wrong::Sheet(why) => format!("--sheet: {why}"),
        Wrong::Base(why) => format!("--base: {why}"),
        Wrong::Role { role, why } => format!("--role {role}: {why}"),
        Wrong::Which { role, tanks } => format!(
            "role {role}: each of {} could play it; say which: --role {role}={}",
            tanks.join(", "),
            tanks.first().map_or("TANK", String::as_str)
        ),
    }
}

/// Whether a sheet is named by its file, which only this program can read, not the daemon.
pub(crate) fn is_file(named: &str) -> bool {
    named.contains('/') || named.ends_with(".toml")
}

fn from_file(setup: &Setup, named: &str) -> Result<Sheet, Failure> {
    let text = setup::read(Path::new(named)).map_err(|e| Failure::config(format!("{named}: {e}")))?;
    process::parse_with(&text, named, &setup.config.baths).map_err(|problems| {
        let all: Vec<_> = problems.iter().map(ToString::to_string).collect();
        Failure::config(all.join("\n"))
    })
}

/// A sheet that was left out when the config was read is told with the reason.
fn fits(setup: &Setup, named: &str) -> Done {
    let unfit: Vec<_> = setup.unfit.iter().filter(|p| p.contains(&format!("{named}.toml"))).collect();
    if unfit.is_empty() || setup.sheets.iter().any(|s| s.name == named) {
        return Ok(());
    }
    Err(Failure::config(format!(
        "--sheet: {named:?} does not fit the baths beside this config:\n{}",
        unfit.iter().map(|s| s.as_str()).collect::<Vec<_>>().join("\n")
    )))
}

/// Prints the sheet's worksheet, or every reason why it cannot be done.
pub(crate) fn plan(common: &Common, station: Option<&str>, request: SheetRequest, units: Units) -> Done {
    let setup = setup::good(common)?;
    let (made, ..) = made(&setup, station, request, units)?;
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

//! Verbs that ask the daemon and show what it says.

use super::client::{Client, escape};
use super::follow::{status_text, text};
use super::say::{hint, line, named_by_hand, say, seconds, table, when, wrap};
use crate::host::{Done, Failure};
use crate::quantity::{Amps, Area, Charge, Length, Span, Temperature, Units, Volume};
use serde_json::{Value, json};

/// JSON for programs.
pub(crate) fn json_out(value: &Value) -> Done {
    line(serde_json::to_string_pretty(value).map_err(|e| Failure::bug(e.to_string()))?);
    Ok(())
}

pub(crate) fn status(client: &Client, named: Option<&str>, units: Units, json: bool) -> Done {
    let all = match named {
        Some(_) => json!([client.get(&format!("/api/v1/stations/{}", client.station(named)?))?]),
        None => client.get("/api/v1/stations")?,
    };
    if json {
        return json_out(&all);
    }
    let pictures: Vec<_> = all.as_array().into_iter().flatten().map(|s| status_text(s, units, 80)).collect();
    say(&pictures.join("\n"));
    Ok(())
}

/// A command that needs nothing but the operator's name.
pub(crate) fn command(client: &Client, verb: &str, named: Option<&str>, by: &str, json: bool) -> Done {
    told(client, verb, named, json!({ "by": by }), json)
}

/// Sends any command to the station that is meant.
pub(crate) fn told(client: &Client, verb: &str, named: Option<&str>, body: Value, json: bool) -> Done {
    let station = client.station(named)?;
    let answer = client.post(&format!("/api/v1/stations/{station}/{verb}"), &body)?;
    let by = body["by"].as_str().filter(|_| matches!(verb, "start" | "job") && !named_by_hand());
    if json {
        return json_out(&answer);
    }
    line(format!("{}: {}", text(&answer["station"]), text(&answer["said"])));
    let sheet = &answer["worksheet"];
    if let Some(loads) = sheet["load-count"].as_u64().filter(|loads| *loads > 1) {
        line(format!("this is load 1 of {loads}: start each of the others when the one before is done"));
    }
    for warning in sheet["warnings"].as_array().into_iter().flatten() {
        wrap(&format!("- {}", text(warning)), 2, 80).iter().for_each(line);
    }
    if let Some(run) = answer["run"].as_str() {
        line(format!("run {run}; watch it with: {}", hint("follow")));
    }
    if verb == "job" {
        line(format!("what to do now, step by step: {}", hint("follow")));
    }
    // Where a plater meets it first; who has said it is not told again.
    if let Some(by) = by {
        line(format!(
            "on record as started by {by}; in your own name: --as NAME, with this and every other command"
        ));
    }
    Ok(())
}

/// Tells the daemon what is so in a tank.
pub(crate) fn say_bath(client: &Client, tank: &str, body: Value, json: bool) -> Done {
    let answer = client.post(&format!("/api/v1/tanks/{}/bath", escape(tank)), &body)?;
    if json {
        return json_out(&answer);
    }
    line(text(&answer["said"]));
    Ok(())
}

pub(crate) fn tanks(client: &Client, units: Units, json: bool) -> Done {
    let all = client.get("/api/v1/tanks")?;
    if json {
        return json_out(&all);
    }
    let mut rows = vec![
        ["tank", "bath", "volume", "charge", "not observed", "runs", "temperature", "agitation"]
            .map(String::from)
            .to_vec(),
    ];
    for tank in all.as_array().into_iter().flatten() {
        let volume = tank["volume_liters"].as_f64();
        rows.push(vec![
            text(&tank["tank"]),
            text(&tank["bath"]),
            volume.map_or("-".into(), |l| Volume::new(l).show(units)),
            Charge::new(tank["charge_coulombs"].as_f64().unwrap_or(0.0)).show_in("A.h"),
            seconds(tank["unobserved_seconds"].as_f64().unwrap_or(0.0)),
            tank["runs"].to_string(),
            known_temperature(&tank["known"], units),
            known_agitation(&tank["known"]),
        ]);
    }
    say(&table(&rows));
    say(&super::upkeep::due(&all, units));
    Ok(())
}

/// A bath's temperature with its age and who says so, or why there is none.
pub(super) fn known_temperature(known: &Value, units: Units) -> String {
    let failed = known["temperature_trouble"].as_str();
    let Some(celsius) = known["temperature_celsius"].as_f64() else {
        return failed.map_or("-".into(), |why| format!("SENSOR FAILED: {why}"));
    };
    let mut said = Temperature::new(celsius).show(units);
    let age = known["temperature_age_seconds"].as_f64().unwrap_or(0.0);
    if age > 10.0 {
        said.push_str(&format!(", {} ago", seconds(age)));
    }
    said.push_str(&format!(" by {}", text(&known["temperature_by"])));
    if let Some(why) = failed {
        said.push_str(&format!(", SENSOR FAILED: {why}"));
    }
    said
}

/// How a bath is moved, and whether that is proven.
pub(super) fn known_agitation(known: &Value) -> String {
    let Some(word) = known["agitation"].as_str() else { return "-".into() };
    match (known["agitation_trouble"].as_str(), known["agitation_proven"].as_bool()) {
        (Some(why), _) => format!("{word} as assumed, SENSOR FAILED: {why}"),
        (None, Some(true)) => format!("{word} by its sensor"),
        _ => format!("{word} as assumed, by {}", text(&known["agitation_by"])),
    }
}

pub(crate) fn runs(client: &Client, limit: u32, units: Units, json: bool) -> Done {
    let all = client.get(&format!("/api/v1/runs?limit={limit}"))?;
    if json {
        return json_out(&all);
    }
    let mut rows =
        vec![["started", "state", "tank", "charge", "thickness", "title", "run"].map(String::from).to_vec()];
    for run in all.as_array().into_iter().flatten() {
        rows.push(vec![
            when(&run["started"]),
            text(&run["state"]),
            text(&run["tank"]),
            Charge::new(run["charge_coulombs"].as_f64().unwrap_or(0.0)).show_in("A.min"),
            run["thickness_meters"].as_f64().map_or("-".into(), |m| Length::new(m).show(units)),
            text(&run["title"]),
            text(&run["id"]),
        ]);
    }
    say(&table(&rows));
    Ok(())
}

/// Ids of a daemon's runs, newest first.
pub(super) fn known_ids(client: &Client) -> Result<Vec<String>, Failure> {
    let all = client.get("/api/v1/runs?limit=1000")?;
    Ok(all.as_array().into_iter().flatten().filter_map(|run| run["id"].as_str().map(Into::into)).collect())
}

/// The run that is meant: "last", a whole id, or the beginning of exactly one.
pub(super) fn run_id(
    text: &str,
    known: impl FnOnce() -> Result<Vec<String>, Failure>,
) -> Result<String, Failure> {
    id_meant("run", text, known)
}

/// The `run` or `job` that is meant: "last", a whole id, or the beginning of exactly one.
pub(super) fn id_meant(
    what: &str,
    text: &str,
    known: impl FnOnce() -> Result<Vec<String>, Failure>,
) -> Result<String, Failure> {
    /// A UUID in its usual form.
    const WHOLE: usize = 36;
    let (list, typed) = (hint(&format!("{what}s")), text.to_ascii_lowercase());
    if text != "last" && (text.is_empty() || !text.bytes().all(|b| b.is_ascii_hexdigit() || b == b'-')) {
        return Err(Failure::usage(format!("{text:?} is no {what}'s id; \"{list}\" lists them")));
    }
    if typed.len() >= WHOLE {
        return Ok(typed);
    }
    let known = known()?;
    if text == "last" {
        let none = || Failure::refused(format!("no {what} has been made yet"));
        return known.into_iter().next().ok_or_else(none);
    }
    let mut fits = known.iter().filter(|id| id.starts_with(&typed));
    match (fits.next(), fits.count()) {
        (Some(one), 0) => Ok(one.clone()),
        (None, _) => Err(Failure::refused(format!("there is no {what} {text:?}; \"{list}\" lists them"))),
        (Some(_), more) => Err(Failure::usage(format!(
            "{} {what}s begin with {text:?}; write more of the id, as \"{list}\" lists them",
            more + 1
        ))),
    }
}

/// A run's record in lines.
pub(crate) fn record(run: &Value, units: Units) -> String {
    let number = |key: &str| run[key].as_f64();
    let mut rows = vec![
        ("run", text(&run["id"])),
        ("load", text(&run["title"])),
        ("station", text(&run["station"])),
        ("tank", text(&run["tank"])),
        ("started", format!("{} by {}", when(&run["started"]), text(&run["started_by"]))),
        ("ended", if run["ended"].is_string() { when(&run["ended"]) } else { "not yet".into() }),
        ("state", text(&run["state"])),
    ];
    if let Some(cause) = run["cause"].as_str() {
        rows.push(("cause", cause.into()));
    }
    for key in ["continues", "job", "lot", "customer"] {
        rows.extend(run[key].as_str().map(|value| (key, value.into())));
    }
    let charge = Charge::new(number("charge_coulombs").unwrap_or(0.0));
    let mut passed = format!("{} = {}", charge.show_in("A.min"), charge.show_in("A.h"));
    if let Some(target) = number("target_coulombs") {
        passed.push_str(&format!(" of {}", Charge::new(target).show_in("A.min")));
    }
    rows.push(("charge", passed));
    if let Some(unseen) = number("unobserved_seconds").filter(|s| *s > 0.0) {
        rows.push(("unobserved", format!("{}: no charge is counted for it", seconds(unseen))));
    }
    let worked = number("worked_seconds").unwrap_or(0.0);
    rows.push(("worked", Span::new(worked).show(units)));
    if worked > 0.0 {
        rows.push(("mean", Amps::new(charge.get() / worked).show(units)));
    }
    rows.push(("area", Area::new(number("area_square_meters").unwrap_or(0.0)).show(units)));
    if let Some(metres) = number("thickness_meters") {
        let metal = text(&run["metal"]);
        rows.push((
            "deposit",
            format!("{} of {metal}, mean, by charge and efficiency", Length::new(metres).show(units)),
        ));
    }
    rows.iter().map(|(name, value)| format!("{name:<11}{value}\n")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn beginning_of_an_id_is_enough_where_it_is_the_only_one() {
        let (a, b) = ("0190a5e0-0000-7000-8000-000000000001", "0190a5e1-0000-7000-8000-000000000002");
        let known = || Ok(vec![b.to_owned(), a.to_owned()]);
        assert_eq!(run_id("last", known).unwrap(), b);
        assert_eq!(run_id("0190A5E0", known).unwrap(), a);
        // A whole one needs nobody's list.
        assert_eq!(run_id(a, || Err(Failure::bug("asked"))).unwrap(), a);
        let said = |id| run_id(id, known).unwrap_err();
        assert!(said("0190a5e").text.starts_with("2 runs begin with") && said("0190a5e").code == 64);
        assert!(said("0191").text.contains("no run \"0191\"") && said("0191").code == 1);
        assert_eq!((said("../x").code, said("").code), (64, 64));
        assert_eq!(run_id("last", || Ok(Vec::new())).unwrap_err().text, "no run has been made yet");
    }

    #[test]
    fn record_says_what_was_not_seen() {
        let run = json!({
            "id": "0190", "title": "6 key cups", "station": "bench", "tank": "nickel", "started": "2026-01-02T03:04:05Z",
            "started_by": "mila", "ended": null, "state": "aborted", "cause": "interrupted", "continues": null,
            "charge_coulombs": 720.0, "target_coulombs": 1200.0, "unobserved_seconds": 38.0, "worked_seconds": 300.0,
            "area_square_meters": 0.0125, "metal": "Ni", "thickness_meters": 4.1e-6
        });
        let text = record(&run, Units::Metric);
        assert!(text.contains("charge     12 A·min = 0.2 A·h of 20 A·min"), "{text}");
        assert!(text.contains("unobserved 38 s: no charge is counted for it"), "{text}");
        assert!(text.contains("cause      interrupted") && text.contains("mean       2.4 A"), "{text}");
    }
}

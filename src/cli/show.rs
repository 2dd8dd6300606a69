//! Verbs that ask the daemon and show what it says.

use super::client::{Client, escape};
use super::follow::{follow_text, text};
use super::say::{line, say, seconds, table, wrap};
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
    let pictures: Vec<_> = all.as_array().into_iter().flatten().map(|s| follow_text(s, units, 80)).collect();
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
        line(format!("run {run}; watch it with: tankside follow"));
    }
    if verb == "job" {
        line("what to do now, step by step: tankside follow");
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
            text(&run["started"]),
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

pub(crate) fn report(client: &Client, id: &str, csv: bool, units: Units, json: bool) -> Done {
    let id = if id == "last" {
        let last = client.get("/api/v1/runs?limit=1")?;
        last[0]["id"].as_str().ok_or_else(|| Failure::refused("no run has been made yet"))?.to_owned()
    } else {
        id.to_owned()
    };
    if !id.bytes().all(|b| b.is_ascii_hexdigit() || b == b'-') {
        return Err(Failure::usage(format!("{id:?} is no run's id; \"tankside runs\" lists them")));
    }
    if csv {
        let readings = client.get(&format!("/api/v1/runs/{id}/readings"))?;
        let mut out = String::from("seconds,volts,amperes,setpoint_amperes,ceiling_volts,bath_celsius\n");
        let maybe = |v: &Value| if v.is_null() { String::new() } else { v.to_string() };
        for r in readings.as_array().into_iter().flatten() {
            out.push_str(&format!(
                "{},{},{},{},{},{}\n",
                r["seconds"],
                r["volts"],
                r["amperes"],
                r["setpoint_amperes"],
                maybe(&r["ceiling_volts"]),
                maybe(&r["bath_celsius"])
            ));
        }
        say(&out);
        return Ok(());
    }
    let run = client.get(&format!("/api/v1/runs/{id}"))?;
    if json {
        return json_out(&run);
    }
    say(&record(&run, units));
    for event in run["events"].as_array().into_iter().flatten() {
        line(format!("  {}  {}: {}", text(&event["at"]), text(&event["kind"]), text(&event["text"])));
    }
    Ok(())
}

/// A run's record in lines.
pub(crate) fn record(run: &Value, units: Units) -> String {
    let number = |key: &str| run[key].as_f64();
    let mut rows = vec![
        ("run", text(&run["id"])),
        ("load", text(&run["title"])),
        ("station", text(&run["station"])),
        ("tank", text(&run["tank"])),
        ("started", format!("{} by {}", text(&run["started"]), text(&run["started_by"]))),
        ("ended", run["ended"].as_str().unwrap_or("not yet").into()),
        ("state", text(&run["state"])),
    ];
    if let Some(cause) = run["cause"].as_str() {
        rows.push(("cause", cause.into()));
    }
    if let Some(before) = run["continues"].as_str() {
        rows.push(("continues", before.into()));
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

//! `tanks`: what is due, logging that it was done, taking a log back.

use super::args::UpkeepArgs;
use super::client::{Client, escape};
use super::follow::text;
use super::say::{line, table};
use super::show::json_out;
use crate::host::{Done, Failure};
use crate::quantity::{Charge, Mass, Span, Units, Volume};
use serde_json::{Value, json};

/// `--log` and `--undo`.
pub(crate) fn told(client: &Client, args: &UpkeepArgs, by: &str, json: bool) -> Done {
    let answer = match (args.log.as_deref(), args.undo.as_deref()) {
        (Some([tank, rule]), _) => {
            let body = json!({ "by": by, "rule": rule, "note": args.note });
            client.post(&format!("/api/v1/tanks/{}/log", escape(tank)), &body)?
        }
        (_, Some(tank)) => {
            client.post(&format!("/api/v1/tanks/{}/undo", escape(tank)), &json!({ "by": by }))?
        }
        _ => return Err(Failure::usage("--log takes a tank and a rule")),
    };
    if json {
        return json_out(&answer);
    }
    line(format!("{}: {}", text(&answer["tank"]), text(&answer["said"])));
    Ok(())
}

/// A line for each rule of each tank, what is due first; nothing if there are none.
pub(crate) fn due(tanks: &Value, units: Units) -> String {
    let mut all: Vec<(&Value, &Value)> = tanks
        .as_array()
        .into_iter()
        .flatten()
        .flat_map(|tank| tank["upkeep"].as_array().into_iter().flatten().map(move |due| (tank, due)))
        .collect();
    if all.is_empty() {
        return String::new();
    }
    let ratio = |due: &Value| due["due_ratio"].as_f64().unwrap_or(0.0);
    all.sort_by(|a, b| ratio(b.1).total_cmp(&ratio(a.1)));
    let mut rows = vec![
        ["", "upkeep", "tank", "so far", "since it was done", "due (UTC)", "dose now"]
            .map(String::from)
            .to_vec(),
    ];
    for (tank, due) in all {
        let so_far = ratio(due);
        let unsaid = unsaid(due);
        rows.push(vec![
            if so_far >= 1.0 && !unsaid { "DUE".into() } else { String::new() },
            text(&due["additive"]),
            text(&tank["tank"]),
            if unsaid { "never logged".into() } else { format!("{:.0} %", (so_far * 100.0).floor()) },
            since(due, units),
            // Which day is enough: it is a forecast.
            due["forecast"]
                .as_str()
                .filter(|_| !unsaid)
                .map_or("-".into(), |at| at.split('T').next().unwrap_or(at).to_owned()),
            dose(due, units),
        ]);
    }
    format!("\n{}", table(&rows))
}

/// Due by time alone, and never logged: nothing says when it was done, so it is neither early nor late.
fn unsaid(due: &Value) -> bool {
    let by_charge = due["every_coulombs"]
        .as_f64()
        .is_some_and(|every| due["charge_coulombs"].as_f64().unwrap_or(0.0) >= every);
    due["last_done"].is_null() && !by_charge && due["due_ratio"].as_f64().unwrap_or(0.0) >= 1.0
}

fn since(due: &Value, units: Units) -> String {
    let charge = Charge::new(due["charge_coulombs"].as_f64().unwrap_or(0.0)).show_in("A.h");
    let of = due["every_coulombs"]
        .as_f64()
        .map_or(String::new(), |c| format!(" of {}", Charge::new(c).show_in("A.h")));
    let time =
        due["or_every_seconds"].as_f64().map_or(String::new(), |s| format!(", {} at most", days(s, units)));
    let done = match due["last_done"].as_str() {
        Some(at) => format!("{} by {}", at.split('T').next().unwrap_or(at), text(&due["last_by"])),
        None => "never logged".into(),
    };
    if unsaid(due) { format!("{charge}{of}{time}") } else { format!("{charge}{of}{time} ({done})") }
}

fn days(seconds: f64, units: Units) -> String {
    if seconds >= 86_400.0 {
        format!("{} d", (seconds / 8_640.0).round() / 10.0)
    } else {
        Span::new(seconds).show(units)
    }
}

fn dose(due: &Value, units: Units) -> String {
    let number = |key: &str| due[key].as_f64();
    if let Some(litres) = number("dose_liters") {
        return Volume::new(litres).show(units);
    }
    match (number("dissolved_grams"), number("left_grams")) {
        (Some(gone), Some(left)) => {
            format!("{} dissolved, {} left", Mass::new(gone).show(units), Mass::new(left).show(units))
        }
        _ => "-".into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_due_comes_first_and_what_was_never_logged_says_so() {
        let tanks = json!([{"tank": "nickel", "upkeep": [
            {"additive": "brightener", "due_ratio": 0.5, "charge_coulombs": 540_000.0, "every_coulombs": 1_080_000.0,
             "or_every_seconds": 2_592_000.0, "dose_liters": 0.015, "last_done": "2026-03-01T08:00:00.000Z",
             "last_by": "mila", "forecast": "2026-03-20T08:00:00Z"},
            {"additive": "anodes", "due_ratio": 1.2, "charge_coulombs": 3_600_000.0, "every_coulombs": 3_000_000.0,
             "last_done": null, "dissolved_grams": 1095.0, "left_grams": 0.0},
            {"additive": "filter", "due_ratio": 1.0, "charge_coulombs": 0.0, "every_coulombs": null,
             "or_every_seconds": 2_592_000.0, "last_done": null, "forecast": "2026-03-20T08:00:00Z"},
        ]}]);
        let said = due(&tanks, Units::Metric);
        let lines: Vec<_> = said.trim().lines().collect();
        assert!(lines[1].starts_with("DUE  anodes") && lines[1].contains("never logged"), "{said}");
        assert!(lines[1].contains("1.095 kg dissolved"), "{said}");
        for wanted in
            ["50 %", "150 A·h of 300 A·h, 30 d at most", "2026-03-01 by mila", "2026-03-20", "15 mL"]
        {
            assert!(lines[3].contains(wanted), "{wanted} in {said}");
        }
        let filter = lines[2].trim_start();
        assert!(filter.starts_with("filter") && filter.contains("never logged"), "{said}");
        assert!(
            !filter.contains("100 %") && !filter.contains("2026-03-20"),
            "late before it was ever done: {said}"
        );
        assert_eq!(due(&json!([{"tank": "nickel", "upkeep": []}]), Units::Metric), "");
    }
}

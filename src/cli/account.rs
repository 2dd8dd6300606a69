//! `tanks NAME`: one account in its parts.

use super::args::ByArg;
use super::client::{Client, escape};
use super::follow::text;
use super::say::{say, seconds, table};
use super::show::json_out;
use crate::host::Done;
use crate::quantity::{Charge, Span, Units};
use serde_json::Value;

/// Asks for it and prints it.
pub(crate) fn account(
    client: &Client,
    tank: &str,
    by: ByArg,
    since: Option<&str>,
    units: Units,
    json: bool,
) -> Done {
    let word = match by {
        ByArg::Event => "event",
        ByArg::Day => "day",
        ByArg::Month => "month",
        ByArg::Part => "part",
    };
    let since = since.map_or(String::new(), |since| format!("&since={}", escape(since)));
    let account = client.get(&format!("/api/v1/tanks/{}/account?by={word}{since}", escape(tank)))?;
    if json {
        return json_out(&account);
    }
    say(&shown(&account, units));
    Ok(())
}

fn hours(value: &Value) -> String {
    Charge::new(value.as_f64().unwrap_or(0.0)).show_in("A.h")
}

fn unseen(value: &Value) -> String {
    match value.as_f64() {
        Some(0.0) => "-".into(),
        Some(s) => seconds(s),
        None => "not known".into(),
    }
}

/// The day of a moment.
fn day(value: &Value) -> String {
    text(value).split('T').next().unwrap_or_default().to_owned()
}

fn shown(account: &Value, units: Units) -> String {
    let mut out = format!(
        "{}: {} in {} runs; not observed: {}\n",
        text(&account["tank"]),
        hours(&account["charge_coulombs"]),
        account["runs"],
        unseen(&account["unobserved_seconds"]),
    );
    if !account["since_sum"].is_null() {
        out.push_str(&format!(
            "since {}: {}; not observed: {}\n",
            text(&account["since"]),
            hours(&account["since_sum"]["charge_coulombs"]),
            unseen(&account["since_sum"]["unobserved_seconds"]),
        ));
    }
    let by = text(&account["by"]);
    let list = |key: &str| account[key].as_array().cloned().unwrap_or_default();
    let head = |names: &[&str]| names.iter().map(|n| (*n).to_owned()).collect::<Vec<_>>();
    let mut rows = Vec::new();
    if by == "event" {
        rows.push(head(&["since", "on (UTC)", "by", "charge", "not observed", "runs", "put in"]));
        for event in list("events") {
            rows.push(vec![
                text(&event["event"]),
                day(&event["at"]),
                text(&event["by"]),
                hours(&event["charge_coulombs"]),
                unseen(&event["unobserved_seconds"]),
                event["runs"].to_string(),
                text(&event["amount"]),
            ]);
        }
    } else {
        let parts = by == "part";
        let first: &[&str] =
            if parts { &["part", "what", "pieces"] } else { &[if by == "day" { "day" } else { "month" }] };
        rows.push(head(&[first, &["charge", "not observed", "worked", "runs"]].concat()));
        for line in list("rows") {
            let mut cells = match (parts, line["kind"].as_str()) {
                (false, _) => vec![text(&line["key"])],
                (true, Some(kind)) => {
                    vec![line["key"].as_str().unwrap_or("-").into(), kind.into(), line["pieces"].to_string()]
                }
                (true, None) => vec!["-".into(), "rack, tips, parts not recorded".into(), String::new()],
            };
            cells.extend([
                hours(&line["charge_coulombs"]),
                unseen(&line["unobserved_seconds"]),
                Span::new(line["worked_seconds"].as_f64().unwrap_or(0.0)).show(units),
                line["runs"].to_string(),
            ]);
            rows.push(cells);
        }
    }
    if rows.len() == 1 {
        out.push_str(match by.as_str() {
            "event" => "nothing was logged yet: tankside tanks --log TANK make-up\n",
            _ => "nothing was worked\n",
        });
        return out;
    }
    out.push('\n');
    out.push_str(&table(&rows));
    if by == "part" {
        out.push_str("Charge goes to parts by their share of the area; time is that of the runs they hung in, whole.\n");
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn what_was_not_observed_stands_apart_and_what_is_not_known_says_so() {
        let said = shown(
            &json!({"tank": "nickel", "charge_coulombs": 7200.0, "unobserved_seconds": 38.0, "runs": 3, "by": "event",
                "since": null, "since_sum": null, "rows": [], "events": [
                    {"event": "make-up", "at": "2026-01-02T03:04:05.000Z", "by": "mila", "amount": "",
                     "charge_coulombs": 3600.0, "unobserved_seconds": null, "runs": 2}]}),
            Units::Metric,
        );
        assert!(said.starts_with("nickel: 2 A·h in 3 runs; not observed: 38 s\n"), "{said}");
        assert!(said.contains("make-up  2026-01-02  mila  1 A·h   not known     2"), "{said}");
    }

    #[test]
    fn charge_that_no_part_is_known_for_has_its_own_line() {
        let said = shown(
            &json!({"tank": "nickel", "charge_coulombs": 7200.0, "unobserved_seconds": 0.0, "runs": 1, "by": "part",
                "since": "2026-01-01T00:00:00.000Z", "since_sum": {"charge_coulombs": 7200.0, "unobserved_seconds": 0.0},
                "events": [], "rows": [
                    {"key": "KC-34", "kind": "key cups", "pieces": 6, "charge_coulombs": 5400.0, "unobserved_seconds": 0.0,
                     "worked_seconds": 600.0, "runs": 1},
                    {"key": null, "kind": null, "pieces": null, "charge_coulombs": 1800.0, "unobserved_seconds": 0.0,
                     "worked_seconds": 600.0, "runs": 1}]}),
            Units::Metric,
        );
        assert!(
            said.contains("KC-34  key cups") && said.contains("rack, tips, parts not recorded"),
            "{said}"
        );
        assert!(said.contains("since 2026-01-01T00:00:00.000Z: 2 A·h"), "{said}");
    }
}

//! `alarms`: what stands, what a person does to it, the journal, the figures.

use super::args::AlarmArgs;
use super::client::{Client, escape};
use super::follow::text;
use super::say::{hint, line, say, table, when, wrap};
use super::show::json_out;
use crate::host::{Done, Failure};
use serde_json::{Map, Value, json};

const WIDTH: usize = 80;

pub(crate) fn alarms(client: &Client, args: &AlarmArgs, by: &str, json: bool) -> Done {
    if let Some((watch, deed, body)) = deed(args, by) {
        let station = client.station(args.at.station.as_deref())?;
        let path = format!("/api/v1/stations/{station}/alarms/{}/{deed}", escape(watch));
        let answer = client.post(&path, &body)?;
        if json {
            return json_out(&answer);
        }
        line(format!("{}: {}", text(&answer["station"]), text(&answer["said"])));
        return Ok(());
    }
    if let Some(watch) = &args.help_on {
        let help = client.get(&format!("/api/v1/alarms/help/{}", escape(watch)))?;
        if json {
            return json_out(&help);
        }
        say(&help_text(&help));
        return Ok(());
    }
    if args.figures {
        let figures = client.get(&format!("/api/v1/alarms/figures?days={}", args.days))?;
        if json {
            return json_out(&figures);
        }
        line(format!("Alarms of the last {} days, since {}:", figures["days"], when(&figures["from"])));
        say(&text(&figures["text"]));
        return Ok(());
    }
    let mut all = client.get("/api/v1/alarms?limit=1000")?;
    let stations = client.get("/api/v1/stations")?;
    let wanted = args.at.station.as_deref();
    let here = |entry: &Value| wanted.is_none_or(|name| entry["station"] == name);
    for key in ["now", "journal"] {
        if let Some(list) = all[key].as_array_mut() {
            list.retain(|entry| here(entry));
        }
    }
    let stations: Vec<_> = stations.as_array().into_iter().flatten().filter(|s| here(s)).cloned().collect();
    if wanted.is_some() && stations.is_empty() {
        return Err(Failure::refused(format!("there is no station {:?}", wanted.unwrap_or_default())));
    }
    if json {
        all["stations"] = stations
            .iter()
            .map(|s| {
                json!({
                    "station": s["station"], "suppressed": s["suppressed"], "in_flood": s["alarms_in_flood"],
                    "cannot_judge": s["run"]["cannot_judge"],
                })
            })
            .collect();
        return json_out(&all);
    }
    if args.journal {
        say(&journal(&all));
    } else {
        say(&standing(&all, &stations));
    }
    Ok(())
}

/// Which watch, what is done to it, and with what words.
fn deed<'a>(args: &'a AlarmArgs, by: &str) -> Option<(&'a str, &'static str, Value)> {
    let all = [
        (&args.ack, "ack"),
        (&args.shelve, "shelve"),
        (&args.unshelve, "unshelve"),
        (&args.out_of_service, "out-of-service"),
        (&args.in_service, "in-service"),
    ];
    let (watch, deed) = all.into_iter().find_map(|(watch, deed)| Some((watch.as_deref()?, deed)))?;
    let mut body = Map::new();
    body.insert("by".into(), by.into());
    for (key, value) in [("note", &args.note), ("time", &args.time), ("reason", &args.reason)] {
        if let Some(value) = value {
            body.insert(key.into(), value.as_str().into());
        }
    }
    Some((watch, deed, Value::Object(body)))
}

/// What stands, the first out first, then what cannot be judged and what is no alarm by design.
fn standing(all: &Value, stations: &[Value]) -> String {
    let mut out = String::new();
    let mut put = |text: &str, indent: usize| {
        for line in wrap(text, indent, WIDTH) {
            out.push_str(&line);
            out.push('\n');
        }
    };
    let mut now: Vec<&Value> = all["now"].as_array().into_iter().flatten().collect();
    // In the order in which they came; what is put aside comes last.
    now.sort_by_key(|entry| entry["alarm"]["first_out"].as_u64().unwrap_or(u64::MAX));
    let (gone, now): (Vec<&Value>, Vec<&Value>) =
        now.into_iter().partition(|entry| entry["alarm"]["state"] == "returned-unacknowledged");
    if now.is_empty() {
        put("No alarm stands.", 0);
    }
    for entry in now {
        let alarm = &entry["alarm"];
        let mut marks = vec![text(&alarm["priority"]), text(&alarm["state"]).replace('-', " ")];
        match alarm["first_out"].as_u64() {
            Some(1) => marks.push("first out".into()),
            Some(n) => marks.push(format!("no. {n} to come")),
            None => {}
        }
        if alarm["chattering"] == true {
            marks.push("CHATTERING".into());
        }
        if let Some(until) = alarm["shelved_until"].as_str() {
            marks.push(format!("until {} at most", when(&until.into())));
        }
        if let response @ ("hold" | "cut") = text(&alarm["response"]).as_str() {
            marks.push(if response == "cut" { "cuts the output".into() } else { "holds the run".to_owned() });
        }
        put(
            &format!(
                "{}: {} ({}) since {}",
                text(&entry["station"]),
                text(&alarm["watch"]),
                marks.join(", "),
                when(&alarm["since"])
            ),
            4,
        );
        let seen = text(&alarm["text"]);
        if !seen.is_empty() {
            put(&format!("    seen      {seen}"), 14);
        }
        put(&format!("    cause     {}", text(&alarm["cause"])), 14);
        put(&format!("    if not    {}", text(&alarm["consequence"])), 14);
        put(
            &format!(
                "    do        {} (within about {} min)",
                text(&alarm["remedy"]),
                alarm["respond_within_minutes"]
            ),
            14,
        );
        if alarm["latched"] == true {
            let ack = hint(&format!("alarms --ack {}", text(&alarm["watch"])));
            put(
                &format!(
                    "    then      it has gone and stands until you say once more that you have looked: {ack}"
                ),
                14,
            );
        }
    }
    // What has gone asks for nothing at the tank: it is told as what was, and waits only to be known.
    for entry in gone {
        let alarm = &entry["alarm"];
        let watch = text(&alarm["watch"]);
        let (came, went) = (when(&alarm["since"]), when(&alarm["gone"]));
        let ack = hint(&format!("alarms --ack {watch}"));
        let how =
            if alarm["gone_unseen"] == true { "not seen since the output is off" } else { "gone by itself" };
        put(
            &format!(
                "{}: {watch} ({}, {how}, not acknowledged) came {came}, went {went}",
                text(&entry["station"]),
                text(&alarm["priority"])
            ),
            4,
        );
        put(&format!("    it was    {}", text(&alarm["text"])), 14);
        put(&format!("    to clear  you have seen it: {ack}"), 14);
    }
    for station in stations {
        let name = text(&station["station"]);
        let run = &station["run"];
        if let Some(remedy) = run["held_remedy"].as_str() {
            put(&format!("{name}: the run is still held for {}: {remedy}", text(&run["held_for"])), 4);
        }
        if station["alarms_in_flood"] == true {
            put(&format!("{name}: FLOOD: more than ten alarms in ten minutes; begin with the first out"), 4);
        }
        for one in station["run"]["cannot_judge"].as_array().into_iter().flatten() {
            put(&format!("{name}: {}: cannot judge: {}", text(&one["watch"]), text(&one["why"])), 4);
        }
        let quiet: Vec<_> =
            station["suppressed"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
        if !quiet.is_empty() {
            put(&format!("{name}: no alarm in this phase, by design: {}", quiet.join(", ")), 4);
        }
    }
    out
}

fn journal(all: &Value) -> String {
    let rows: Vec<_> = all["journal"]
        .as_array()
        .into_iter()
        .flatten()
        .map(|row| {
            let mut what = text(&row["text"]);
            if let Some(by) = row["by"].as_str() {
                let note = row["note"].as_str().map(|note| format!(": {note}")).unwrap_or_default();
                what = format!("by {by}{note}");
            }
            vec![
                when(&row["at"]),
                text(&row["station"]),
                text(&row["watch"]),
                format!("{} -> {}", text(&row["from"]), text(&row["to"])),
                what,
            ]
        })
        .collect();
    if rows.is_empty() { "The journal is empty.\n".into() } else { table(&rows) }
}

fn help_text(help: &Value) -> String {
    let mut out = format!("{}\n", text(&help["watch"]));
    let minutes = format!("within about {} min", help["minutes"]);
    for (label, words) in [
        ("cause", text(&help["cause"])),
        ("if not", text(&help["consequence"])),
        ("do", text(&help["remedy"])),
        ("when", minutes),
        ("not seen", text(&help["unseen"])),
    ] {
        for line in wrap(&format!("  {label:<10}{words}"), 12, WIDTH) {
            out.push_str(&line);
            out.push('\n');
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(watch: &str, first_out: Option<u32>) -> Value {
        json!({"station": "bench", "alarm": {
            "watch": watch, "state": "unacknowledged", "priority": "high", "response": "tell", "text": "seen it",
            "cause": "the cause", "consequence": "burns", "remedy": "look", "respond_within_minutes": 3,
            "since": "2026-01-02T03:04:05Z", "gone": null, "first_out": first_out, "chattering": watch == "drift",
            "shelved_until": null
        }})
    }

    #[test]
    fn first_out_is_first_and_each_alarm_says_all_that_leads_to_the_remedy() {
        let all = json!({"now": [entry("drift", Some(2)), entry("part-off", Some(1))]});
        let station = json!({"station": "bench", "alarms_in_flood": true, "suppressed": ["open-circuit"],
            "run": {"cannot_judge": [{"watch": "touch", "why": "the volts are still settling"}]}});
        let said = standing(&all, &[station]);
        assert!(said.find("part-off").unwrap() < said.find("drift").unwrap(), "{said}");
        for word in [
            "first out",
            "CHATTERING",
            "FLOOD",
            "the cause",
            "burns",
            "look (within about 3 min)",
            "still settling",
            "by design: open-circuit",
        ] {
            assert!(said.contains(word), "{word} in {said}");
        }
        assert!(said.lines().all(|l| l.chars().count() <= WIDTH), "{said}");
        assert_eq!(standing(&json!({"now": []}), &[]), "No alarm stands.\n");
        let held = json!({"station": "bench", "run": {"held_for": "open-circuit", "held_remedy": "Check the clip."}});
        let said = standing(&json!({"now": []}), &[held]);
        assert!(said.contains("still held for open-circuit: Check the clip."), "{said}");
    }

    #[test]
    fn alarm_that_has_gone_by_itself_is_told_as_what_was_and_gives_nothing_to_do_at_the_tank() {
        let mut gone = entry("over-dwell", None);
        gone["alarm"]["state"] = json!("returned-unacknowledged");
        gone["alarm"]["gone"] = json!("2026-01-02T03:09:05Z");
        let said = standing(&json!({"now": [gone]}), &[]);
        assert!(said.starts_with("No alarm stands.\n"), "{said}");
        for word in [
            "gone by itself, not acknowledged",
            "came 2026-01-02 03:04:05 UTC, went 2026-01-02 03:09:05 UTC",
            "it was    seen it",
            "tankside alarms --ack over-dwell",
        ] {
            assert!(
                said.split_whitespace()
                    .collect::<Vec<_>>()
                    .join(" ")
                    .contains(&word.split_whitespace().collect::<Vec<_>>().join(" ")),
                "{word} in {said}"
            );
        }
        assert!(!said.contains("  do ") && !said.contains("within about"), "{said}");
    }

    #[test]
    fn journal_says_who_and_why() {
        let all = json!({"journal": [{"at": "t", "station": "bench", "watch": "drift", "from": "unacknowledged",
            "to": "shelved", "text": "x", "by": "mila", "note": "heater swings"}]});
        assert!(
            journal(&all).contains("unacknowledged -> shelved  by mila: heater swings"),
            "{}",
            journal(&all)
        );
    }
}

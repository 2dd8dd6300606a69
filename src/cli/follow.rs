//! One station, live in a terminal: is it well, what do I do now, how long.

use super::client::Client;
use super::follow_job;
use super::say::{hint, say, seconds, wrap};
use crate::draw::trend;
use crate::host::{Done, Failure};
use crate::quantity::{Charge, Density, Length, Units};
use serde_json::Value;
use std::io::IsTerminal;
use std::time::Duration;

/// The view fits a small terminal.
const WIDTH: usize = 80;
const HEIGHT: usize = 23;
/// How often the daemon is asked.
const PERIOD: Duration = Duration::from_millis(500);

/// The picture of one station (JSON of `/api/v1/stations/{station}`), in lines
/// of at most `width` characters and fewer than 24 of them. Lines that ask for
/// somebody's hands begin with `!`.
pub(crate) fn follow_text(look: &Value, units: Units, width: usize) -> String {
    text_of(look, units, width, HEIGHT)
}

/// The same with all steps of a job and all else, however long.
pub(crate) fn status_text(look: &Value, units: Units, width: usize) -> String {
    text_of(look, units, width, usize::MAX)
}

fn text_of(look: &Value, units: Units, width: usize, height: usize) -> String {
    let run = &look["run"];
    let mut lines = vec![heading(look)];
    lines.push("─".repeat(width));
    let well = well(look);
    let mark = if well.is_ok() { " " } else { "!" };
    lines.extend(wrap(&format!("{mark} well?     {}", well.unwrap_or_else(|no| no)), 12, width));
    let guided = super::job::open(&look["job"]);
    let runs = matches!(run["state"].as_str(), Some("running" | "held"));
    // Its last step's run is not what is to be looked at once a job has ended.
    let ended = look["job"].is_object() && !guided && !runs;
    // A job says what to do; what alarms say comes first, whoever guides.
    let mut do_now = if guided { alarms(look) } else { now(look) };
    if let (true, Some(remedy)) = (guided, held_remedy(look)) {
        do_now.push(format!("! do        {remedy}"));
    }
    do_now.extend(gone(look));
    lines.extend(do_now.iter().flat_map(|line| wrap(line, 12, width)));
    if !(guided || ended) || runs {
        lines.push(format!("  how long? {}", how_long(run)));
    }
    lines.extend(follow_job::lines(look, width));
    lines.push(String::new());
    if (guided || ended) && !runs {
        lines.extend(follow_job::hazards(look, width));
        lines.extend(follow_job::steps(look, height.saturating_sub(lines.len() + 1)));
        lines.push(link_line(look));
        return lines.iter().take(height).map(|line| cut(line, width) + "\n").collect();
    }

    lines.push(charge_line(run, width));
    if let Some(metres) = run["thickness_meters"].as_f64() {
        lines.push(format!("  deposit   {} mean, by charge", Length::new(metres).show(units)));
    }
    let set = run["setpoint_amperes"].as_f64().unwrap_or(0.0);
    let ceiling = run["ceiling_volts"].as_f64().unwrap_or(0.0);
    let density = run["density_amperes_per_square_meter"].as_f64().filter(|_| has_reading(look));
    lines.push(format!(
        "  current   {:<12}set {set:.3} A    density {}",
        figure(look, "amperes", 3, "A"),
        density.filter(|d| *d > 0.0).map_or("-".into(), |d| Density::new(d).show(units)),
    ));
    // No burn level in volts here: where it rests on an uncertain density it looks surer than it is.
    lines.push(format!("  volts     {:<12}ceiling {ceiling:.2} V", figure(look, "volts", 2, "V")));
    if let Some(margin) = margin_text(look) {
        lines.extend(wrap(&format!("  margin    {margin}"), 12, width));
    }
    lines.extend(doubts(look).iter().flat_map(|doubt| wrap(&format!("  unsure    {doubt}"), 12, width)));
    lines.push(String::new());
    if guided {
        // The trends are on the page; where the job is, is not to be looked up elsewhere.
        lines.extend(follow_job::steps(look, height.saturating_sub(lines.len() + 2)));
    } else {
        lines.extend(trends(look, width));
    }
    if let Some(name) = look["tank"]["name"].as_str() {
        let charge = Charge::new(look["tank"]["charge_coulombs"].as_f64().unwrap_or(0.0));
        lines.push(format!("  tank      {name}, {} so far", charge.show_in("A.h")));
    }
    lines.push(link_line(look));
    lines.truncate(height);
    lines.iter().map(|line| cut(line, width) + "\n").collect()
}

/// The burn margin with its band, its strand, and what it rests on; none while there is none.
pub(super) fn margin_text(look: &Value) -> Option<String> {
    let run = &look["run"];
    let ratio = run["burn_margin_ratio"].as_f64()?;
    let margin = &run["burn_margin"];
    let percent = |x: f64| format!("{:.0}", x.clamp(-9.99, 1.0) * 100.0);
    let mut said = format!("{} %", percent(ratio));
    if let (Some(low), Some(high)) = (margin["low"].as_f64(), margin["high"].as_f64()) {
        said.push_str(&format!(" ({} to {} %)", percent(low), percent(high)));
    }
    said.push_str(match margin["strand"].as_str() {
        Some("density") => " by density",
        Some("voltage") => " by the volts",
        Some("late") => " by signs of gas",
        _ => "",
    });
    if let Some(minutes) = margin["minutes"].as_f64() {
        said.push_str(&format!(", {} to the burn level", seconds(minutes * 60.0)));
    }
    let bath = &look["bath"];
    let proven = margin["agitation_proven"].as_bool();
    match (bath["agitation"].as_str(), proven) {
        (Some(word), Some(true)) => said.push_str(&format!("; agitation {word} by its sensor")),
        (Some(word), _) => said.push_str(&format!("; agitation {word} as assumed")),
        (None, Some(true)) => said.push_str("; agitation by its sensor"),
        (None, Some(false)) => said.push_str("; agitation as assumed"),
        (None, None) => {}
    }
    if bath.is_object() {
        said.push_str(
            match (bath["temperature_celsius"].is_null(), bath["temperature_age_seconds"].as_f64()) {
                (true, _) => ", temperature not known",
                (false, Some(age)) if age > 60.0 => ", temperature old",
                _ => ", temperature measured",
            },
        );
    }
    Some(said)
}

/// What is not known as well as it might be: sensors that failed, watches that cannot judge, an
/// area that does not look right. At most three.
fn doubts(look: &Value) -> Vec<String> {
    let run = &look["run"];
    let mut all = Vec::new();
    for (what, key) in [("thermometer", "temperature_trouble"), ("agitation sensor", "agitation_trouble")] {
        if let Some(why) = look["bath"][key].as_str() {
            all.push(format!("{what} FAILED: {why}"));
        }
    }
    all.extend(run["area_question"].as_str().map(|q| format!("area: {q}")));
    if run["phase"] == "steady" {
        // Watches that give the same reason are told together.
        let mut reasons: Vec<(String, Vec<String>)> = Vec::new();
        for one in run["cannot_judge"].as_array().into_iter().flatten() {
            let (watch, why) = (text(&one["watch"]), text(&one["why"]));
            match reasons.iter_mut().find(|(w, _)| *w == why) {
                Some((_, watches)) => watches.push(watch),
                None => reasons.push((why, vec![watch])),
            }
        }
        all.extend(
            reasons.iter().map(|(why, watches)| format!("{} cannot judge: {why}", watches.join(", "))),
        );
    }
    all.truncate(3);
    all
}

fn heading(look: &Value) -> String {
    let run = &look["run"];
    let state = text(&run["state"]);
    // Between the runs of a job, and after it, the last run's state says nothing of now.
    let between = look["job"].is_object() && !matches!(state.as_str(), "running" | "held");
    let mut line = if between {
        format!("{}: job {}", text(&look["station"]), text(&look["job"]["state"]))
    } else {
        format!("{}: {state}", text(&look["station"]))
    };
    if state == "running" {
        line.push_str(&format!(", {}", text(&run["phase"])));
    }
    if let (false, Some(face), Some(faces)) = (between, run["face"][0].as_u64(), run["face"][1].as_u64()) {
        line.push_str(&format!(", face {face} of {faces}"));
    }
    line.push_str(match look["output_on"].as_bool() {
        Some(true) => ", output ON",
        Some(false) => ", output off",
        None => ", output NOT KNOWN",
    });
    let title = if between { &look["job"]["title"] } else { &run["title"] };
    if let Some(title) = title.as_str() {
        line.push_str(&format!(" | {title}"));
    }
    line
}

/// Whether it is well; `Err` is no.
fn well(look: &Value) -> Result<String, String> {
    let age = look["age_seconds"].as_f64().unwrap_or(f64::INFINITY);
    let trouble = look["link"]["trouble"].as_str().map(|t| format!(": {t}")).unwrap_or_default();
    let active = active_alarms(look).count();
    if !look["output_known"].as_bool().unwrap_or(false) {
        Err(format!("NOT KNOWN; the output may be on, go to the supply{trouble}"))
    } else if off_but_not_in(look) {
        Err(format!("the output is off, but no run can start{trouble}"))
    } else if look["stale"].as_bool().unwrap_or(true) {
        Err(format!("NOT KNOWN; the last good reading is {} old{trouble}", seconds(age)))
    } else if active > 0 {
        Err(format!("NO, {active} alarm{}", if active == 1 { "" } else { "s" }))
    } else if let ("held" | "aborted", Some(cause)) =
        (text(&look["run"]["state"]).as_str(), look["run"]["cause"].as_str())
    {
        Err(cause.to_owned())
    } else {
        Ok(format!("yes, reading {} old", seconds(age)))
    }
}

/// Whether what the station does is not known now: then nobody is told to do nothing.
fn not_known(look: &Value) -> bool {
    !look["output_known"].as_bool().unwrap_or(false)
        || look["stale"].as_bool().unwrap_or(true) && !off_but_not_in(look)
}

/// Whether the link is down and the output known to be off all the same: the supply answered, and was not let in.
fn off_but_not_in(look: &Value) -> bool {
    look["link"]["up"] == false && look["output_on"] == false && look["output_known"] == true
}

fn active_alarms(look: &Value) -> impl Iterator<Item = &Value> {
    look["alarms"]
        .as_array()
        .into_iter()
        .flatten()
        .filter(|a| matches!(a["state"].as_str(), Some("unacknowledged" | "acknowledged")))
}

/// The alarms that stand, each with its remedy.
fn alarms(look: &Value) -> Vec<String> {
    let mut lines = Vec::new();
    let alarms: Vec<_> = active_alarms(look).collect();
    for alarm in alarms.iter().take(2) {
        lines.push(format!(
            "! alarm     {} ({}): {}",
            text(&alarm["watch"]),
            text(&alarm["state"]).replace('-', " "),
            text(&alarm["text"])
        ));
        lines.push(format!("! do        {}", text(&alarm["remedy"])));
    }
    if alarms.len() > 2 {
        lines.push(format!("! alarm     and {} more: {}", alarms.len() - 2, hint("alarms")));
    }
    lines
}

/// What was an alarm and has gone by itself: nothing is to be done about it but to know.
fn gone(look: &Value) -> Option<String> {
    let all = look["alarms"].as_array().into_iter().flatten();
    let mut gone = all.filter(|a| a["state"] == "returned-unacknowledged");
    let alarm = gone.next()?;
    let watch = text(&alarm["watch"]);
    let more = match gone.count() {
        0 => String::new(),
        more => format!(" (and {more} more: {})", hint("alarms")),
    };
    let how = if alarm["gone_unseen"] == true { "not seen since the output is off" } else { "by itself" };
    Some(format!(
        "  gone      {watch}, {how}: it was {}; seen? {}{more}",
        text(&alarm["text"]),
        hint(&format!("alarms --ack {watch}"))
    ))
}

/// What to do: alarms first, then the question that stands.
fn now(look: &Value) -> Vec<String> {
    let mut lines = alarms(look);
    let run = &look["run"];
    if let Some(remedy) = held_remedy(look) {
        lines.push(format!("! do        {remedy}"));
    }
    if let Some(ask) = question(run) {
        lines.push(format!("! do        {ask}"));
    } else if lines.is_empty() && not_known(look) {
        lines.push(
            "! do        go to the supply and look whether its output is on; by hand, or: tankside off"
                .into(),
        );
    } else if lines.is_empty() {
        let idle = match text(&run["state"]).as_str() {
            "running" if faces_left(run) => "nothing now; you will be asked to turn the part",
            "running" => "nothing; the run ends by itself",
            "complete" | "stopped" | "aborted" => "output is off: take the work out; then start the next run",
            _ => "nothing; no run is on",
        };
        lines.push(format!("  do        {idle}"));
    }
    lines
}

/// What to do about what the run is held for, unless its alarm says so already.
fn held_remedy(look: &Value) -> Option<&str> {
    let run = &look["run"];
    let told = active_alarms(look).take(2).any(|alarm| alarm["watch"] == run["held_for"]);
    run["held_remedy"].as_str().filter(|_| !told)
}

/// Whether another face is still to come.
fn faces_left(run: &Value) -> bool {
    run["face"][0].as_u64().zip(run["face"][1].as_u64()).is_some_and(|(face, of)| face < of)
}

/// The question that stands, as a thing to do.
pub(super) fn question(run: &Value) -> Option<String> {
    let question = &run["question"];
    if let Some(turn) = question.get("turn-part") {
        let count =
            if turn["count"] == true { "count the parts (one may have fallen off), then " } else { "" };
        return Some(format!(
            "{count}turn the part: face {} of {} to the anode, then \"{}\" (answer no: it is held)",
            turn["next"],
            turn["faces"],
            hint("answer")
        ));
    }
    match question.as_str()? {
        "hang-part" => Some(format!("hang the part, then \"{}\" (answer no: it is held)", hint("answer"))),
        "held" => Some(format!("it is held: \"{}\" or \"{}\"", hint("resume"), hint("stop"))),
        other => Some(format!("answer: {other}")),
    }
}

fn how_long(run: &Value) -> String {
    match (run["state"].as_str(), run["left_seconds"].as_f64()) {
        (Some("running"), Some(left)) if run["question"] == "hang-part" => {
            format!("{} of current, from when the load hangs", seconds(left))
        }
        (Some("running" | "held"), Some(left)) => format!("{} left", seconds(left)),
        (Some("running" | "held"), None) => "not to be told while no current flows".into(),
        _ => match run["worked_seconds"].as_f64() {
            Some(worked) if worked > 0.0 => format!("it took {}", seconds(worked)),
            _ => "-".into(),
        },
    }
}

fn charge_line(run: &Value, width: usize) -> String {
    let charge = run["charge_coulombs"].as_f64().unwrap_or(0.0);
    let Some(target) = run["charge_target_coulombs"].as_f64().filter(|t| *t > 0.0) else {
        return format!("  charge    {}", minutes(charge));
    };
    let share = (charge / target).clamp(0.0, 1.0);
    // Rounded down: 100 % is said when it is there.
    let tail = format!(" {:>3.0} %  {} of {}", (share * 100.0).floor(), minutes(charge), minutes(target));
    let room = width.saturating_sub(12 + tail.chars().count()).min(36);
    let full = (share * room as f64) as usize;
    format!("  charge    {}{}{tail}", "█".repeat(full), "░".repeat(room - full))
}

fn minutes(coulombs: f64) -> String {
    Charge::new(coulombs).show_in("A.min")
}

fn trends(look: &Value, width: usize) -> Vec<String> {
    let points = look["trend"].as_array().map_or(&[][..], Vec::as_slice);
    let Some(oldest) = points.first().and_then(|p| p[0].as_f64()).filter(|_| points.len() > 1) else {
        return Vec::new();
    };
    let line = |name: &str, index: usize, unit: &str| {
        let values: Vec<_> = points.iter().map(|p| p[index].as_f64().unwrap_or(f64::NAN)).collect();
        let top = values.iter().copied().fold(0.0, f64::max);
        let tail = format!(" 0 to {top:.2} {unit}");
        let room = width.saturating_sub(12 + tail.chars().count()).min(48);
        format!("  {name:<10}{}{tail}", trend(&values, top, room))
    };
    vec![line("amperes", 2, "A"), line("volts", 1, "V"), format!("  {:<10}the last {}", "", seconds(oldest))]
}

fn link_line(look: &Value) -> String {
    let link = &look["link"];
    let port = text(&link["port"]);
    if link["up"].as_bool().unwrap_or(false) {
        let rate = link["polls_per_second"].as_f64().unwrap_or(0.0);
        format!("  link      up, {port}, {rate:.1} readings a second")
    } else {
        format!("! link      DOWN, {port}")
    }
}

fn has_reading(look: &Value) -> bool {
    look["measured"].is_object()
}

/// A measured figure, or that there is none.
fn figure(look: &Value, key: &str, digits: usize, unit: &str) -> String {
    look["measured"][key].as_f64().map_or("?".into(), |v| format!("{v:.digits$} {unit}"))
}

pub(super) fn text(value: &Value) -> String {
    value.as_str().unwrap_or("?").to_owned()
}

fn cut(line: &str, width: usize) -> String {
    if line.chars().count() <= width {
        return line.to_owned();
    }
    line.chars().take(width.saturating_sub(1)).chain(['…']).collect()
}

/// One line for logs and pipes.
fn plain_line(look: &Value, units: Units) -> String {
    let run = &look["run"];
    let mut line = format!(
        "{} {} {} | {} {}",
        text(&look["station"]),
        text(&run["state"]),
        text(&run["phase"]),
        figure(look, "amperes", 3, "A"),
        figure(look, "volts", 2, "V"),
    );
    if let Some(target) = run["charge_target_coulombs"].as_f64().filter(|t| *t > 0.0) {
        let charge = run["charge_coulombs"].as_f64().unwrap_or(0.0);
        line.push_str(&format!(" | {:.0} %", (100.0 * charge / target).floor()));
    }
    if let Some(metres) = run["thickness_meters"].as_f64() {
        line.push_str(&format!(" | {}", Length::new(metres).show(units)));
    }
    if let Some(left) = run["left_seconds"].as_f64() {
        line.push_str(&format!(" | {} left", seconds(left)));
    }
    if let Some(ratio) = run["burn_margin_ratio"].as_f64() {
        line.push_str(&format!(" | margin {:.0} %", ratio.clamp(-9.99, 1.0) * 100.0));
    }
    if let Err(no) = well(look) {
        line.push_str(&format!(" | {no}"));
    }
    line.extend(follow_job::plain(look).map(|job| format!(" | {job}")));
    let guided = super::job::open(&look["job"]);
    for ask in if guided { alarms(look) } else { now(look) }.iter().filter(|l| l.starts_with('!')) {
        line.push_str(&format!(" | {}", ask.trim_start_matches('!').trim_start()));
    }
    line
}

/// Follows until Ctrl-C.
pub(crate) fn follow(client: &Client, station: &str, units: Units) -> Done {
    let live = std::io::stdout().is_terminal()
        && std::env::var_os("NO_COLOR").is_none()
        && std::env::var("TERM").is_ok_and(|term| term != "dumb");
    let path = format!("/api/v1/stations/{station}");
    // The first answer decides whether there is anything to follow.
    let mut last = client.get(&path)?;
    let mut heard = clock();
    let mut lost: Option<Failure> = None;
    let mut said = String::new();
    if live {
        say("\x1b[2J");
    }
    loop {
        let now = clock();
        if live {
            say(&frame(&last, lost.as_ref(), now - heard, units));
        } else {
            let line = match &lost {
                None => plain_line(&last, units),
                Some(failure) => {
                    format!("LOST for {}: {}", seconds((now - heard).as_secs_f64()), failure.text)
                }
            };
            if line != said {
                say(&format!("{line}\n"));
                said = line;
            }
        }
        pause(PERIOD);
        match client.get(&path) {
            Ok(look) => {
                last = look;
                heard = clock();
                lost = None;
            }
            Err(failure) => lost = Some(failure),
        }
    }
}

/// A frame drawn over the one before.
fn frame(look: &Value, lost: Option<&Failure>, since: Duration, units: Units) -> String {
    let mut picture = String::new();
    if let Some(failure) = lost {
        let age = seconds(since.as_secs_f64());
        let words = format!("! LOST: this picture is {age} old, the output may be on. {}", failure.text);
        for line in wrap(&words, 2, WIDTH) {
            picture.push_str(&format!("! {}\n", line.trim_start_matches(['!', ' '])));
        }
    }
    for line in follow_text(look, units, WIDTH).lines() {
        // What was well when last heard is not known now, and there is one thing to do.
        let line = match (lost.is_some(), line.get(2..6)) {
            (true, Some("well")) => "! well?     NOT KNOWN",
            (true, Some("do  ")) => {
                "! do        go to the supply; switch its output off by hand, or: tankside off"
            }
            _ => line,
        };
        picture.push_str(line);
        picture.push('\n');
    }
    let mut out = String::from("\x1b[H");
    for line in picture.lines().take(HEIGHT) {
        let (on, off) = match (line.starts_with('!'), lost.is_some()) {
            (true, _) => ("\x1b[1;31m", "\x1b[0m"),
            (false, true) => ("\x1b[2m", "\x1b[0m"),
            _ => ("", ""),
        };
        out.push_str(&format!("{on}{line}{off}\x1b[K\n"));
    }
    out.push_str("\x1b[J");
    out
}

#[expect(clippy::disallowed_methods, reason = "how old the picture on the terminal is")]
fn clock() -> std::time::Instant {
    std::time::Instant::now()
}

#[expect(clippy::disallowed_methods, reason = "the terminal is redrawn twice a second, whatever happens")]
fn pause(period: Duration) {
    std::thread::sleep(period);
}

#[cfg(test)]
#[path = "follow_tests.rs"]
mod tests;

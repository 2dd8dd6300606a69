//! What `follow` and `status` show of a guided job.

use super::follow::text;
use super::say::{seconds, wrap};
use serde_json::Value;

/// However little room there is: the step before, the one at work, the next.
const FEWEST: usize = 3;

/// The job's own lines: where it is, what to do, for how long, what hurts, what comes next. Empty where no job is
/// open and none has just ended.
pub(super) fn lines(look: &Value, width: usize) -> Vec<String> {
    let job = &look["job"];
    if !job.is_object() {
        return Vec::new();
    }
    let place = format!("step {} of {}: {}", job["step"], job["step_count"], text(&at(job)["name"]));
    if !super::job::open(job) {
        let reached = if job["state"] == "complete" { String::new() } else { format!(" at {place}") };
        let cause = job["cause"].as_str().map(|cause| format!("; {cause}")).unwrap_or_default();
        let all = vec![
            format!("  job       ended: {}{reached}{cause}", text(&job["state"])),
            format!("            {} It is shown until the next start.", text(&job["say"])),
        ];
        return fold(all, width);
    }
    let mut all = vec![format!("  job       {}, {place}", text(&job["state"]))];
    let mark = if job["question"].is_object() || job["held"].is_object() { "!" } else { " " };
    all.push(format!("{mark} do        {}", text(&job["say"])));
    all.extend(how(job).map(|how| format!("            {how}")));
    for lead in job["question"]["leads_to"].as_array().into_iter().flatten() {
        all.push(format!("            {}: {}", text(&lead["answer"]), text(&lead["then"])));
    }
    all.extend(clock(look).map(|clock| format!("  how long? {clock}")));
    fold(all, width)
}

/// What can hurt in the step at work.
pub(super) fn hazards(look: &Value, width: usize) -> Vec<String> {
    let all = look["job"]["hazards"].as_array().into_iter().flatten();
    let hazards: Vec<_> = all.filter_map(Value::as_str).collect();
    if hazards.is_empty() {
        return Vec::new();
    }
    fold(vec![format!("  hazards   {}", hazards.join(" "))], width)
}

/// The steps, at most so many lines of them, around the one at work.
pub(super) fn steps(look: &Value, most: usize) -> Vec<String> {
    let job = &look["job"];
    let steps = job["steps"].as_array().map_or(&[][..], Vec::as_slice);
    let at = job["step"].as_u64().and_then(|n| usize::try_from(n).ok()).unwrap_or(1).saturating_sub(1);
    let most = most.max(FEWEST).min(steps.len());
    // What comes next is worth more room than what is done.
    let from = at.saturating_sub((most - 1) / 3).min(steps.len() - most);
    let mut all = Vec::new();
    for step in steps.iter().skip(from).take(most) {
        let state = text(&step["state"]);
        let pointer = if state == "now" { ">" } else { " " };
        let tank = step["tank"].as_str().map(|t| format!(" in {t}")).unwrap_or_default();
        let times =
            step["times"].as_u64().filter(|n| *n > 1).map(|n| format!(", time {n}")).unwrap_or_default();
        all.push(format!(
            "  {pointer} {:>2}  {}{tank}: {state}{times}",
            step["number"].as_u64().unwrap_or_default(),
            text(&step["name"])
        ));
    }
    all
}

/// For pipes: the job in one line.
pub(super) fn plain(look: &Value) -> Option<String> {
    let job = &look["job"];
    if !super::job::open(job) {
        return None;
    }
    let clock = clock(look).map(|c| format!(" | {c}")).unwrap_or_default();
    Some(format!(
        "job {} step {}/{} {}{clock} | {}",
        text(&job["state"]),
        job["step"],
        job["step_count"],
        text(&at(job)["name"]),
        text(&job["say"])
    ))
}

fn at(job: &Value) -> &Value {
    let at = job["step"].as_u64().and_then(|n| usize::try_from(n).ok()).unwrap_or(1).saturating_sub(1);
    &job["steps"][at]
}

/// What may be typed.
fn how(job: &Value) -> Option<String> {
    if let Some(answers) = job["question"]["answers"].as_array() {
        let words: Vec<_> = answers.iter().filter_map(Value::as_str).collect();
        return Some(format!("tankside answer {}", words.join("|")));
    }
    let resume = if job["held"].as_object()?["may_resume"] == true { "resume, " } else { "" };
    let rest = if job["may_redo"] == true { "redo [STEP], skip --reason …, " } else { "" };
    Some(format!("tankside {resume}{rest}stop"))
}

fn clock(look: &Value) -> Option<String> {
    let job = &look["job"];
    let time = |key: &str| job[key].as_f64().map(seconds);
    if let Some(over) = time("over_dwell_seconds") {
        return Some(format!("TOO LONG by {over}"));
    }
    if let Some(over) = time("over_seconds") {
        return Some(format!("time is up since {over}"));
    }
    if let Some(late) = time("late_seconds") {
        return Some(format!("LATE by {late}"));
    }
    if let Some(left) = time("countdown_seconds") {
        return Some(format!("{left} to go"));
    }
    let left = job["begin_within_seconds"].as_f64()?;
    let by = clock_in(&look["taken"], left).map(|at| format!("before {at}, ")).unwrap_or_default();
    Some(format!("this step must begin {by}in {}", seconds(left)))
}

/// The time of day so much after a moment of the daemon's.
fn clock_in(taken: &Value, left: f64) -> Option<String> {
    let taken: jiff::Timestamp = taken.as_str()?.parse().ok()?;
    let at = taken.checked_add(std::time::Duration::try_from_secs_f64(left).ok()?).ok()?;
    Some(format!("{} UTC", at.strftime("%H:%M:%S")))
}

fn fold(lines: Vec<String>, width: usize) -> Vec<String> {
    lines.iter().flat_map(|line| wrap(line, 12, width)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn look() -> Value {
        let step = |n: u32, name: &str, state: &str| json!({"number": n, "name": name, "state": state, "times": 1, "tank": "acid"});
        json!({"job": {
            "state": "running", "step": 2, "step_count": 3, "say": "Wait: the load is in acid.",
            "steps": [step(1, "clean", "done"), step(2, "activate", "now"), step(3, "nickel", "ahead")],
            "countdown_seconds": 12.0, "hazards": ["Acid: goggles and gloves."]
        }})
    }

    #[test]
    fn plater_reads_what_to_do_how_long_and_where_the_job_is() {
        let mut look = look();
        let said = lines(&look, 80).join("\n");
        assert!(said.contains("step 2 of 3: activate") && said.contains("12 s to go"), "{said}");
        assert!(!said.contains('!'), "{said}");
        let said = [hazards(&look, 80), steps(&look, 9)].concat().join("\n");
        assert!(said.contains("goggles") && said.contains(">  2  activate in acid: now"), "{said}");
        look["job"]["question"] = json!({"seq": 4, "answers": ["yes", "no"],
            "leads_to": [{"answer": "no", "then": "back to step 1, clean (2 of 3 tries left)"}]});
        look["job"]["countdown_seconds"] = Value::Null;
        look["job"]["over_dwell_seconds"] = json!(3.0);
        let said = lines(&look, 80).join("\n");
        assert!(
            said.contains("! do") && said.contains("tankside answer yes|no") && said.contains("TOO LONG"),
            "{said}"
        );
        assert!(said.contains("no: back to step 1, clean (2 of 3 tries left)"), "{said}");
    }

    #[test]
    fn step_that_must_begin_soon_says_by_what_time() {
        let mut look = look();
        look["job"]["countdown_seconds"] = Value::Null;
        look["job"]["begin_within_seconds"] = json!(40.0);
        look["taken"] = json!("2026-01-02T14:31:20.000Z");
        let said = lines(&look, 80).join("\n");
        assert!(said.contains("how long? this step must begin before 14:32:00 UTC, in 40 s"), "{said}");
        look["taken"] = json!("yesterday");
        let said = lines(&look, 80).join("\n");
        assert!(said.contains("this step must begin in 40 s"), "{said}");
    }

    #[test]
    fn job_that_has_ended_asks_for_nothing() {
        let mut look = look();
        look["job"]["state"] = json!("stopped");
        look["job"]["cause"] = json!("stopped by mila");
        let said = lines(&look, 80).join("\n");
        assert!(said.contains("ended: stopped at step 2 of 3: activate; stopped by mila"), "{said}");
        assert!(said.contains("until the next start") && !said.contains('!'), "{said}");
        assert_eq!(plain(&look), None);
        assert!(lines(&json!({}), 80).is_empty());
    }
}

//! What a plater reads.

use super::*;
use serde_json::json;

fn look() -> Value {
    json!({
        "station": "bench", "stale": false, "age_seconds": 0.2, "output_known": true, "output_on": true,
        "link": {"up": true, "port": "/dev/ttyUSB0", "trouble": null, "polls_per_second": 5.0},
        "measured": {"volts": 3.25, "amperes": 4.5, "regulation": "current"},
        "alarms": [],
        "tank": {"name": "nickel", "charge_coulombs": 44650.8},
        "trend": (0..300).map(|i| json!([300 - i, 3.0, f64::from(i) / 66.0])).collect::<Vec<_>>(),
        "run": {
            "state": "running", "phase": "steady", "title": "6 key cups, nickel 8 µm", "face": [1, 2],
            "setpoint_amperes": 4.5, "ceiling_volts": 6.0, "density_amperes_per_square_meter": 400.0,
            "charge_coulombs": 307.0, "charge_target_coulombs": 744.0, "thickness_meters": 3.31e-6,
            "left_seconds": 200.0, "worked_seconds": 130.0, "question": null, "cause": null,
            "burn_margin_ratio": 0.62, "burn_level_volts": 4.75,
            "burn_margin": {"ratio": 0.62, "low": 0.4, "high": 0.75, "strand": "density", "minutes": null,
                "agitation_proven": true}
        },
        "bath": {"temperature_celsius": 54.0, "temperature_age_seconds": 1.0, "agitation": "air"}
    })
}

fn check(text: &str) {
    assert!(text.lines().count() < 24, "{text}");
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
}

#[test]
fn a_plater_reads_well_now_and_how_long_at_the_top() {
    let text = follow_text(&look(), Units::Metric, 80);
    check(&text);
    let lines: Vec<_> = text.lines().collect();
    assert_eq!(lines[0], "bench: running, steady, face 1 of 2, output ON | 6 key cups, nickel 8 µm");
    assert_eq!(lines[2], "  well?     yes, reading 0.2 s old");
    assert_eq!(lines[3], "  do        nothing now; you will be asked to turn the part");
    assert_eq!(lines[4], "  how long? 3 min 20 s left");
    assert!(text.contains(" 41 %  5.117 A·min of 12.4 A·min"), "{text}");
    assert!(text.contains("density 4 A/dm²"), "{text}");
    assert!(text.contains("deposit   3.31 µm"), "{text}");
    assert!(text.contains("nickel, 12.4 A·h"), "{text}");
    let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        words.contains(
            "margin 62 % (40 to 75 %) by density; agitation air by its sensor, temperature measured"
        ),
        "{text}"
    );
    assert!(!text.contains('!'), "{text}");
}

#[test]
fn margin_that_rests_on_assumptions_and_watches_that_cannot_judge_are_said() {
    let mut look = look();
    look["run"]["burn_margin"]["agitation_proven"] = json!(false);
    look["run"]["burn_margin"]["minutes"] = json!(12.0);
    look["run"]["cannot_judge"] = json!([
        {"watch": "drift", "why": "no line"},
        {"watch": "touch", "why": "no line"},
        {"watch": "burn-margin", "why": "x"}
    ]);
    look["bath"]["temperature_trouble"] = json!("it says -127.0 °C, which no bath has");
    let text = follow_text(&look, Units::Metric, 80);
    check(&text);
    let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for said in [
        "12 min 0 s to the burn level",
        "agitation air as assumed",
        "thermometer FAILED: it says -127.0 °C",
        "drift, touch cannot judge: no line",
    ] {
        assert!(words.contains(said), "{said} in {text}");
    }
}

#[test]
fn job_under_current_keeps_its_steps_in_sight() {
    let mut look = look();
    let step = |n: u32| json!({"number": n, "name": format!("step-{n}"), "state": if n == 6 { "now" } else { "ahead" }});
    look["job"] = json!({"state": "running", "step": 6, "step_count": 9, "say": "Wait: silver is under current.",
        "steps": (1..=9).map(step).collect::<Vec<_>>()});
    let text = follow_text(&look, Units::Metric, 80);
    check(&text);
    for seen in ["charge    ", "step-5: ahead", ">  6  step-6: now", "step-7: ahead", "link      up"] {
        assert!(text.contains(seen), "{seen}\n{text}");
    }
    let text = status_text(&look, Units::Metric, 80);
    for n in 1..=9 {
        assert!(text.contains(&format!("{n}  step-{n}: ")), "{text}");
    }
    // The load is still to be hung: the time does not run yet.
    look["run"]["question"] = json!("hang-part");
    assert!(
        follow_text(&look, Units::Metric, 80).contains("3 min 20 s of current, from when the load hangs")
    );
}

#[test]
fn us_units_are_shown_when_asked_for() {
    let text = follow_text(&look(), Units::Us, 80);
    assert!(text.contains("37.16 A/ft²") && text.contains("130.3 µin"), "{text}");
}

#[test]
fn remedy_stands_beside_its_alarm_and_the_question_is_not_lost() {
    let mut look = look();
    look["alarms"] = json!([{
        "watch": "over-voltage", "state": "unacknowledged", "priority": "high",
        "text": "6.2 V stood over 6 V for 2 s",
        "remedy": "Look for a loose or dirty clip, a part that fell off, a passive or bagged-up anode, a cold bath."
    }]);
    look["run"]["question"] = json!({"turn-part": {"next": 2, "faces": 2}});
    let text = follow_text(&look, Units::Metric, 80);
    check(&text);
    let alarm = text.find("6.2 V stood").unwrap();
    let remedy = text.find("loose or dirty clip").unwrap();
    let turn = text.find("face 2 of 2 to the anode").unwrap();
    assert!(alarm < remedy && remedy < turn, "{text}");
    assert!(text.contains("! well?     NO, 1 alarm"), "{text}");
}

#[test]
fn alarm_that_has_gone_by_itself_gives_nothing_to_do_and_hides_no_remedy() {
    let mut look = look();
    look["alarms"] = json!([
        {"watch": "over-dwell", "state": "returned-unacknowledged", "text": "still in acid", "remedy": "Answer the job."},
        {"watch": "drift", "state": "shelved", "text": "creeps", "remedy": "Look at the anodes."},
    ]);
    let text = follow_text(&look, Units::Metric, 80);
    check(&text);
    let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("gone over-dwell, by itself: it was still in acid"), "{text}");
    assert!(words.contains("tankside alarms --ack over-dwell"), "{text}");
    let mut dark = look.clone();
    dark["alarms"][0]["gone_unseen"] = json!(true);
    let dark = follow_text(&dark, Units::Metric, 80).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(dark.contains("not seen since the output is off: it was still in acid"), "{dark}");
    assert!(!dark.contains("by itself:"), "{dark}");
    assert!(words.contains("do nothing now; you will be asked"), "{text}");
    assert!(
        !words.contains("Answer the job") && !words.contains("Look at the anodes") && !text.contains('!'),
        "{text}"
    );
    // The run is held for it still: then its remedy is what is to be done.
    look["run"]["state"] = json!("held");
    look["run"]["held_for"] = json!("over-dwell");
    look["run"]["held_remedy"] = json!("Check the clip.");
    assert!(follow_text(&look, Units::Metric, 80).contains("! do        Check the clip."));
}

#[test]
fn stale_picture_shows_no_figures_and_says_how_old_it_is() {
    let mut look = look();
    look["stale"] = json!(true);
    look["age_seconds"] = json!(95.0);
    look["measured"] = Value::Null;
    look["output_known"] = json!(false);
    look["output_on"] = Value::Null;
    look["link"] = json!({"up": false, "port": "/dev/ttyUSB0", "trouble": "unplugged"});
    let text = follow_text(&look, Units::Metric, 80);
    check(&text);
    assert!(text.contains("output NOT KNOWN") && text.contains("go to the supply: unplugged"), "{text}");
    assert!(!text.contains("4.500 A\n") && text.contains("current   ?"), "{text}");
    assert!(!text.contains("density 4"), "{text}");
    look["output_known"] = json!(true);
    assert!(follow_text(&look, Units::Metric, 80).contains("the last good reading is 1 min 35 s old"));
}

#[test]
fn a_supply_that_was_confirmed_off_and_not_let_in_is_not_said_to_be_perhaps_on() {
    let mut look = look();
    look["stale"] = json!(true);
    look["measured"] = Value::Null;
    look["output_known"] = json!(true);
    look["output_on"] = json!(false);
    let why = "the output is confirmed off, but a setpoint cannot be believed: set it at the front panel";
    look["link"] = json!({"up": false, "port": "/dev/ttyUSB0", "trouble": why});
    let text = follow_text(&look, Units::Metric, 80);
    check(&text);
    assert!(!text.contains("NOT KNOWN") && !text.contains("go to the supply"), "{text}");
    let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("the output is off, but no run can start: the output is confirmed off"), "{text}");
}

#[test]
fn nobody_is_told_to_do_nothing_while_it_is_not_known_what_the_output_does() {
    let mut look = look();
    look["output_known"] = json!(false);
    look["output_on"] = Value::Null;
    let text = follow_text(&look, Units::Metric, 80);
    check(&text);
    assert!(text.contains("! do        go to the supply"), "{text}");
    assert!(!text.contains("nothing"), "{text}");
}

#[test]
fn hundred_percent_is_not_said_before_it_is_reached() {
    let mut look = look();
    look["run"]["charge_coulombs"] = json!(743.9);
    assert!(follow_text(&look, Units::Metric, 80).contains(" 99 %"));
    look["run"]["charge_coulombs"] = json!(744.0);
    assert!(follow_text(&look, Units::Metric, 80).contains("100 %"));
}

#[test]
fn worst_case_and_an_empty_answer_still_fit_the_terminal() {
    let mut look = look();
    let long = "word ".repeat(60);
    let alarm =
        json!({"watch": "read-back", "state": "returned-unacknowledged", "text": long, "remedy": long});
    look["alarms"] = json!([alarm, alarm, alarm, alarm]);
    look["run"]["title"] = json!("x".repeat(300));
    check(&follow_text(&look, Units::Metric, 80));
    check(&follow_text(&json!({}), Units::Metric, 80));
    check(&follow_text(&Value::Null, Units::Metric, 80));
}

#[test]
fn lost_daemon_is_the_first_thing_on_the_screen() {
    let failure = Failure::unreachable("no daemon answers at 127.0.0.1:8093");
    let frame = frame(&look(), Some(&failure), Duration::from_secs(3), Units::Metric);
    let first = frame.lines().next().unwrap();
    assert!(first.contains("LOST: this picture is 3 s old"), "{first}");
    assert!(frame.contains("well?     NOT KNOWN") && frame.contains("go to the supply"), "{frame}");
    assert!(!frame.contains("ends by itself"), "{frame}");
}

#[test]
fn plain_line_says_the_same_for_pipes() {
    let line = plain_line(&look(), Units::Metric);
    assert_eq!(
        line,
        "bench running steady | 4.500 A 3.25 V | 41 % | 3.31 µm | 3 min 20 s left | margin 62 %"
    );
}

//! Verbs that need no daemon.

use super::rig::*;
use serde_json::Value;
use std::process::{Command, Stdio};

#[test]
fn wrong_command_line_is_64_and_help_is_0() {
    let here = tempfile::tempdir().unwrap();
    for words in
        [&[][..], &["platte"], &["hold", "--nope"], &["plan", "--turn", "many"], &["runs", "--limit", "0"]]
    {
        assert_eq!(code(&tankside(words, here.path())), 64, "{words:?}");
    }
    let help = tankside(&["--help"], here.path());
    assert_eq!(code(&help), 0);
    for said in ["64  the command line", "69  no daemon", "78  the config", "not the safety interlock"] {
        assert!(out(&help).contains(said), "{said}");
    }
    assert!(!out(&help).contains("minder"), "the minder is the daemon's own");
    let verbs = "serve check plan rehearse start hold resume stop abort answer status follow alarms tanks replay runs report off probe mimic demo";
    for verb in verbs.split(' ') {
        let help = tankside(&[verb, "--help"], here.path());
        assert_eq!(code(&help), 0, "{verb}");
        assert!(out(&help).contains(&format!("Example: tankside {verb}")), "{verb}: {}", out(&help));
        let acts = ["start", "answer", "alarms", "hold", "resume", "stop", "abort", "skip"].contains(&verb);
        assert_eq!(
            acts,
            out(&help).contains("Who did it goes on record: --as NAME"),
            "{verb}: {}",
            out(&help)
        );
    }
}

#[test]
fn seeking_is_planned_within_supply_and_bath_and_the_rehearsal_shows_its_staircase() {
    let here = tempfile::tempdir().unwrap();
    let sensors = "agitation-sensor = { file = \"/dev/null\", running = \"1\" }\n";
    std::fs::write(
        here.path().join("c.toml"),
        config("/dev/null", "/tmp")
            .replace("temperature = \"54 degC\"", "temperature = { file = \"/dev/null\" }")
            + sensors,
    )
    .unwrap();
    let with = |verb: &str, more: &[&str]| {
        let mut words = vec![verb, "--config", "c.toml"];
        words.extend(CUPS);
        words.extend(more);
        tankside(&words, here.path())
    };
    let seek = ["--seek", "10 %", "--seek-top", "6 A/dm2"];
    let plan = with("plan", &seek);
    assert_eq!(code(&plan), 0, "{}", err(&plan));
    let words = out(&plan).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        words.contains("then seeking up to 7.268 A while the margin is 10 % or more at worst"),
        "{words}"
    );
    for (top, said) in [
        ("90 A/dm2", "more than the supply's 10 A"),
        ("1 A/dm2", "below the 4 A/dm² that it begins with"),
        ("6 V", "neither a current density nor a current"),
    ] {
        let refused = with("plan", &["--seek", "30 %", "--seek-top", top]);
        assert_ne!(code(&refused), 0, "{top}");
        assert!(err(&refused).contains(said), "{said} in {}", err(&refused));
    }
    let margin = with("plan", &["--seek", "3 %", "--seek-top", "6 A/dm2"]);
    assert!(err(&margin).contains("no margin to keep"), "{}", err(&margin));
    assert_eq!(code(&with("plan", &["--seek", "30 %"])), 64);

    let played = with("rehearse", &seek);
    assert_eq!(code(&played), 0, "{}", err(&played));
    let text = out(&played);
    let stairs: Vec<_> = text.lines().skip_while(|l| !l.starts_with("staircase")).skip(1).collect();
    let steps = stairs.iter().filter(|l| l.contains(" to ") && l.contains("at worst")).count();
    assert!(steps >= 3, "{text}");
    let plain = out(&with("rehearse", &[]));
    assert!(!plain.contains("staircase") && !plain.contains("seeking"), "{plain}");

    std::fs::write(
        here.path().join("order.toml"),
        "tank = 'nickel'\nseek = { margin = '30 %', top = '8 V' }\n[end]\nthickness = '8 um'\n[[part]]\ncount = 6\ndisc = { diameter = '34 mm', thickness = '1 mm' }\n",
    )
    .unwrap();
    let wrong = tankside(&["plan", "order.toml", "--config", "c.toml"], here.path());
    assert_eq!(code(&wrong), 78);
    assert!(err(&wrong).starts_with("tankside: order.toml:2:"), "{}", err(&wrong));
}

#[test]
fn readings_from_elsewhere_are_replayed_and_bad_lines_are_named() {
    let here = tempfile::tempdir().unwrap();
    let mut rows = String::from("t_s,V,I,I_set,V_lim\n");
    for k in 0..1500 {
        let seconds = f64::from(k) * 0.2;
        let amps = (seconds / 20.0 * 2.8).clamp(0.05, 2.8);
        // At 200 s the part falls off.
        let (volts, flows) = if seconds < 200.0 { (1.2 + 0.9 * amps, amps) } else { (8.0, 0.0) };
        rows.push_str(&format!("{seconds:.1},{volts:.3},{flows:.3},{amps:.3},8\n"));
    }
    std::fs::write(here.path().join("a.csv"), &rows).unwrap();
    let replay = tankside(&["replay", "--csv", "a.csv", "--format", "csv"], here.path());
    assert_eq!(code(&replay), 0, "{}", err(&replay));
    let lines: Vec<_> = out(&replay).lines().map(String::from).collect();
    assert_eq!(lines[0], "file,t_s,class");
    let open: Vec<_> = lines.iter().filter(|l| l.ends_with(",open-circuit")).collect();
    assert_eq!(open.len(), 1, "{lines:?}");
    let at: f64 = open[0].split(',').nth(1).unwrap().parse().unwrap();
    assert!(open[0].starts_with("a.csv,") && (200.0..204.0).contains(&at), "{open:?}");
    let load = ["--bath", "watts-nickel", "--shape", "6 disc 34 mm x 1 mm", "--agitation", "air"];
    let judged = tankside(&[&["replay", "--json", "--csv", "a.csv"][..], &load].concat(), here.path());
    let json: Value = serde_json::from_slice(&judged.stdout).unwrap();
    assert_eq!(json[0]["raised"].as_array().unwrap().len() + 1, lines.len(), "{json}");
    std::fs::write(here.path().join("b.csv"), rows.replace("\n1.0,", "\nlater,")).unwrap();
    let bad = tankside(&["replay", "--csv", "a.csv", "b.csv"], here.path());
    assert_eq!(code(&bad), 78);
    assert!(err(&bad).contains("b.csv: line 7: t_s is \"later\""), "{}", err(&bad));
    for words in
        [&["replay"][..], &["replay", "last", "--csv", "a.csv"], &["replay", "last", "--area", "1 dm2"]]
    {
        assert_eq!(code(&tankside(words, here.path())), 64, "{words:?}");
    }
    let nobody = nobody();
    assert_eq!(code(&tankside(&["replay", "last", "--address", &nobody], here.path())), 69);
}

#[test]
fn config_that_was_not_named_is_never_used_silently() {
    let here = tempfile::tempdir().unwrap();
    std::fs::create_dir(here.path().join("config")).unwrap();
    std::fs::write(here.path().join("config/tankside.toml"), config("/dev/null", "/tmp")).unwrap();
    let check = tankside(&["check"], here.path());
    assert_eq!(code(&check), 78);
    assert!(err(&check).contains("/etc/tankside/tankside.toml"), "{}", err(&check));
    assert!(err(&check).contains("--config config/tankside.toml"), "{}", err(&check));
    assert_eq!(code(&tankside(&["check", "--config", "config/tankside.toml"], here.path())), 0);
}

#[test]
fn check_and_serve_refuse_the_same_config_for_the_same_reasons() {
    let here = tempfile::tempdir().unwrap();
    let bad = config("/dev/null", "/tmp").replace("\"10 A\"", "10").replace("watts-nickel", "wats-nickel");
    std::fs::write(here.path().join("bad.toml"), bad).unwrap();
    let check = tankside(&["check", "--config", "bad.toml"], here.path());
    let serve = tankside(&["serve", "--config", "bad.toml"], here.path());
    assert_eq!((code(&check), code(&serve)), (78, 78));
    let problems: Vec<_> =
        out(&check).lines().filter(|l| l.starts_with("bad.toml:")).map(String::from).collect();
    assert_eq!(problems.len(), 2, "{}", out(&check));
    for problem in &problems {
        assert!(err(&serve).contains(problem), "{problem} in {}", err(&serve));
    }
}

#[test]
fn nobody_there_is_69_and_unreadable_orders_are_78() {
    let here = tempfile::tempdir().unwrap();
    for verb in ["status", "hold", "follow", "tanks", "runs", "report", "alarms", "answer"] {
        let answer = tankside(&[verb, "--address", &nobody()], here.path());
        assert_eq!(code(&answer), 69, "{verb}");
        assert_eq!(err(&answer).lines().count(), 1, "one clear line: {}", err(&answer));
    }
    assert_eq!(code(&tankside(&["plan", "order.toml"], here.path())), 78);
    std::fs::write(here.path().join("order.toml"), "tank = 'nickel'\nthicknes = '8 um'\n").unwrap();
    let plan = tankside(&["plan", "order.toml"], here.path());
    assert_eq!(code(&plan), 78);
    assert!(err(&plan).contains("order.toml:2:"), "{}", err(&plan));
}

#[test]
fn plan_and_rehearsal_need_no_daemon() {
    let here = tempfile::tempdir().unwrap();
    std::fs::write(here.path().join("c.toml"), config("/dev/null", "/tmp")).unwrap();
    let with = |verb: &str, more: &[&str]| {
        let mut words = vec![verb, "--config", "c.toml"];
        words.extend(CUPS);
        words.extend(more);
        tankside(&words, here.path())
    };
    let plan = with("plan", &[]);
    assert_eq!(code(&plan), 0, "{}", err(&plan));
    assert!(out(&plan).contains("4.845 A"), "{}", out(&plan));
    let json: Value = serde_json::from_slice(&with("plan", &["--json"]).stdout).unwrap();
    assert_eq!(json["order"]["tank"], "nickel");
    let rehearsal = with("rehearse", &["--turn", "2"]);
    assert_eq!(code(&rehearsal), 0, "{}", err(&rehearsal));
    assert!(out(&rehearsal).contains("complete: target reached"), "{}", out(&rehearsal));
    std::fs::write(here.path().join("faults"), "at 60 s open-circuit\n").unwrap();
    let broken = with("rehearse", &["--faults", "faults"]);
    assert_eq!(code(&broken), 1);
    assert!(out(&broken).contains("ALARM open-circuit"), "{}", out(&broken));
    let sheet =
        with("rehearse", &["--sheet", "nickel-on-copper-alloys", "--base", "brass", "--faults", "faults"]);
    assert_eq!(code(&sheet), 64, "faults of a sheet are not left out in silence: {}", out(&sheet));
    let much = with("plan", &["--density", "60 A/dm2"]);
    assert_eq!(code(&much), 1);
    assert!(err(&much).contains("cannot be done"), "{}", err(&much));
    let wrong = with("plan", &["--density", "4 V"]);
    assert_eq!(code(&wrong), 64);
    assert!(err(&wrong).contains("--density") && err(&wrong).contains("A/dm2"), "{}", err(&wrong));
}

#[test]
fn demo_agrees_with_the_closed_form_and_leaves_nothing_behind() {
    let temp = tempfile::tempdir().unwrap();
    let demo = Command::new(BINARY)
        .args(["demo", "--once"])
        .env("TMPDIR", temp.path())
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let said = out(&demo);
    assert_eq!(code(&demo), 0, "{said}\n{}", err(&demo));
    for wanted in ["everything here is simulated", "http://127.0.0.1:", "turn the part", "closed form", "A·h"]
    {
        assert!(said.to_lowercase().contains(&wanted.to_lowercase()), "{wanted} in {said}");
    }
    assert_eq!(std::fs::read_dir(temp.path()).unwrap().count(), 0, "the folder is gone");
}

//! What lies in `deploy/` is accepted by the programs it is for.
#![expect(clippy::disallowed_methods, reason = "a test that reads shipped files has to open them")]

mod tools;

use serde_json::Value;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::process::Command;
use tools::{check_metrics_page, promtool, run, systemd_analyze};

/// Every metric there is: the table of `serve/metrics.rs` without its types.
/// Histograms are listed by their base name.
const METRICS: &[&str] = &[
    "tankside_supply_volts",
    "tankside_supply_amperes",
    "tankside_setpoint_amperes",
    "tankside_ceiling_volts",
    "tankside_output_on",
    "tankside_output_known",
    "tankside_link_up",
    "tankside_reading_age_seconds",
    "tankside_current_density_amperes_per_square_meter",
    "tankside_run_state",
    "tankside_run_charge_coulombs",
    "tankside_run_charge_target_coulombs",
    "tankside_run_thickness_meters",
    "tankside_burn_margin_ratio",
    "tankside_burn_level_volts",
    "tankside_alarm_active",
    "tankside_alarms_raised_total",
    "tankside_alarms_in_flood",
    "tankside_alarm_chattering",
    "tankside_tank_charge_coulombs_total",
    "tankside_tank_unobserved_seconds_total",
    "tankside_upkeep_due_ratio",
    "tankside_tank_temperature_celsius",
    "tankside_link_errors_total",
    "tankside_setpoint_writes_total",
    "tankside_poll_seconds",
    "tankside_job_step",
    "tankside_ledger_commit_seconds",
    "tankside_build_info",
];

fn deploy(file: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("deploy").join(file)
}

fn read(file: &str) -> String {
    std::fs::read_to_string(deploy(file)).unwrap_or_else(|e| panic!("deploy/{file}: {e}"))
}

fn promtool_on(words: &[&str], file: &str) -> (bool, String) {
    let mut command = promtool();
    command.args(words).arg(deploy(file));
    run(command, "")
}

#[test]
fn promtool_takes_the_scrape_file_and_the_rules() {
    for (words, file) in [(["check", "config"], "prometheus.yml"), (["check", "rules"], "alerts.yml")] {
        let (fine, said) = promtool_on(&words, file);
        assert!(fine, "{file}: {said}");
    }
}

#[test]
fn every_alert_stands_when_it_must_and_not_when_it_must_not() {
    let (fine, said) = promtool_on(&["test", "rules"], "alerts_test.yml");
    assert!(fine, "{said}");
    let tests = read("alerts_test.yml");
    for line in read("alerts.yml").lines() {
        if let Some(alert) = line.trim().strip_prefix("- alert: ") {
            let quiet = format!("alertname: {alert}, exp_alerts: []");
            let stands = format!("alertname: {alert}\n");
            assert!(tests.contains(&quiet), "{alert}: no case in which it must not stand");
            assert!(tests.contains(&stands), "{alert}: no case in which it must stand");
        }
    }
}

#[test]
fn rule_tests_can_fail() {
    let folder = tempfile::tempdir().unwrap();
    let broken = read("alerts.yml").replace("_coulombs_total / 3600", "_coulombs_total / 60");
    assert_ne!(broken, read("alerts.yml"));
    std::fs::write(folder.path().join("alerts.yml"), broken).unwrap();
    std::fs::write(folder.path().join("alerts_test.yml"), read("alerts_test.yml")).unwrap();
    let mut command = promtool();
    command.args(["test", "rules"]).arg(folder.path().join("alerts_test.yml"));
    let (fine, said) = run(command, "");
    assert!(!fine, "a tank's ampere-hours were wrong by 60 and nobody said so: {said}");
}

#[test]
fn first_panel_is_ampere_hours_per_tank() {
    let board: Value = serde_json::from_str(&read("grafana-dashboard.json")).unwrap();
    let panels = board["panels"].as_array().unwrap();
    let place = |p: &Value| (p["gridPos"]["y"].as_u64().unwrap(), p["gridPos"]["x"].as_u64().unwrap());
    let first = panels.iter().min_by_key(|p| place(p)).unwrap();
    assert_eq!(first, &panels[0], "the first in the file is not the first on the screen");
    assert_eq!(first["title"], "Ampere-hours per tank");
    let expr = first["targets"][0]["expr"].as_str().unwrap();
    assert!(expr.contains("tankside_tank_charge_coulombs_total") && expr.ends_with("/ 3600"), "{expr}");
    let ids: BTreeSet<u64> = panels.iter().map(|p| p["id"].as_u64().unwrap()).collect();
    assert_eq!(ids.len(), panels.len(), "two panels share an id");
}

#[test]
fn panels_do_not_lie_on_each_other() {
    let board: Value = serde_json::from_str(&read("grafana-dashboard.json")).unwrap();
    let mut taken = BTreeSet::new();
    for panel in board["panels"].as_array().unwrap() {
        let at = |key: &str| panel["gridPos"][key].as_u64().unwrap();
        for y in at("y")..at("y") + at("h") {
            for x in at("x")..at("x") + at("w") {
                assert!(x < 24, "{}: beyond the 24 columns", panel["title"]);
                assert!(taken.insert((x, y)), "{}: lies on another", panel["title"]);
            }
        }
    }
}

#[test]
fn dashboard_queries_are_taken_by_promtool() {
    // A dashboard's variables are Grafana's; with a pattern in their place the rest must be PromQL.
    let board: Value = serde_json::from_str(&read("grafana-dashboard.json")).unwrap();
    let mut rules = String::from("groups:\n  - name: panels\n    rules:\n");
    let mut count = 0;
    for panel in board["panels"].as_array().unwrap() {
        for target in panel["targets"].as_array().unwrap() {
            let expr = target["expr"].as_str().unwrap().replace("$station", ".*").replace("$tank", ".*");
            rules += &format!("      - record: panel:{count}\n        expr: {}\n", Value::from(expr));
            count += 1;
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("panels.yml");
    std::fs::write(&file, rules).unwrap();
    let mut command = promtool();
    command.args(["check", "rules"]).arg(&file);
    let (fine, said) = run(command, "");
    assert!(fine && said.contains(&format!("{count} rules found")), "{said}");
}

#[test]
fn nothing_asks_for_a_metric_that_is_not() {
    let asked: BTreeSet<String> = ["alerts.yml", "alerts_test.yml", "grafana-dashboard.json"]
        .into_iter()
        .flat_map(|file| metric_names(&read(file)))
        .collect();
    assert!(asked.len() > 15, "the names were not found: {asked:?}");
    for name in &asked {
        assert!(known(name), "{name} is asked for and does not exist");
    }
    assert!(!known("tankside_tank_charge_ampere_hours_total"), "the check can fail");
}

#[test]
fn list_of_metrics_is_that_of_the_golden_page() {
    let page = golden();
    let on_page: BTreeSet<&str> = page
        .lines()
        .filter_map(|l| l.strip_prefix("# TYPE ")?.split(' ').next())
        .filter(|name| name.starts_with("tankside_"))
        .collect();
    let listed: BTreeSet<&str> = METRICS.iter().copied().collect();
    assert_eq!(on_page, listed, "left: tests/golden/metrics.txt; right: METRICS of this file");
}

#[test]
fn promtool_takes_the_golden_page() {
    check_metrics_page(&golden());
}

fn golden() -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/golden/metrics.txt");
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

fn known(name: &str) -> bool {
    let base = ["_bucket", "_count", "_sum"].iter().find_map(|end| name.strip_suffix(end)).unwrap_or(name);
    METRICS.contains(&name) || METRICS.contains(&base)
}

/// Words that begin with `tankside_`, but not the names of recorded series (`tank:tankside_…`).
fn metric_names(text: &str) -> BTreeSet<String> {
    let word = |c: char| c.is_ascii_alphanumeric() || c == '_' || c == ':';
    text.split(|c: char| !word(c)).filter(|w| w.starts_with("tankside_")).map(String::from).collect()
}

#[test]
fn promtool_refuses_a_page_in_ampere_hours() {
    // Why the page is in coulombs: promtool holds names to base units.
    let mut command = promtool();
    command.args(["check", "metrics"]);
    let page = "# HELP tankside_tank_charge_ampere_hours_total Charge.\n\
                # TYPE tankside_tank_charge_ampere_hours_total counter\n\
                tankside_tank_charge_ampere_hours_total 1\n";
    let (fine, said) = run(command, page);
    assert!(!fine, "{said}");
    check_metrics_page(
        "# HELP tankside_tank_charge_coulombs_total Charge.\n\
         # TYPE tankside_tank_charge_coulombs_total counter\n\
         tankside_tank_charge_coulombs_total 1\n",
    );
}

#[test]
fn systemd_takes_the_unit_and_finds_it_tight() {
    // Under another root, so that the program it names need not be installed.
    let folder = tempfile::tempdir().unwrap();
    let unit = folder.path().join("tankside.service");
    std::fs::write(&unit, read("tankside.service").replace("/usr/bin/tankside", "/bin/true")).unwrap();
    let mut verify = systemd_analyze();
    verify.args(["verify", "--man=no"]).arg(&unit);
    let (fine, said) = run(verify, "");
    assert!(fine && said.trim().is_empty(), "{said}");

    let mut security = systemd_analyze();
    security.args(["security", "--offline=yes", "--threshold=20", "--no-pager"]).arg(&unit);
    let (fine, said) = run(security, "");
    assert!(fine, "{said}");
}

#[test]
fn unit_keeps_every_way_out_safe() {
    let unit = read("tankside.service");
    for line in [
        "Type=notify",
        "WatchdogSec=20",
        // Mode mixed kills the minder when the daemon has crashed.
        "KillMode=process",
        "Restart=on-failure",
        "RestartPreventExitStatus=78",
        "ExecStartPre=/usr/bin/tankside check --config /etc/tankside/tankside.toml",
        "ExecStopPost=/usr/bin/tankside off --config /etc/tankside/tankside.toml",
    ] {
        assert!(unit.lines().any(|l| l == line), "the unit lost `{line}`");
    }
}

#[test]
fn unit_gives_real_time_and_lets_a_thread_leave_it() {
    let unit = read("tankside.service");
    let has = |line: &str| unit.lines().any(|l| l == line);
    // The lowest priority there is: sched(7). What comes of it is shown by `tests/e2e/rank.rs`.
    assert!(
        has("CPUSchedulingPolicy=rr") && has("CPUSchedulingPriority=1"),
        "an off waits for other programs"
    );
    // Reset on fork would take it from control and the minder.
    assert!(!unit.contains("CPUSchedulingResetOnFork"), "control is born without it");
    // Given before the filter is; afterwards nobody may ask for it, but everybody leave it.
    assert!(has("RestrictRealtime=yes"));
    // Both are among @resources, which is refused above them.
    let (_, after) = unit.split_once("SystemCallFilter=~@privileged @resources\n").expect("the filter");
    let let_through: Vec<_> = after.lines().filter_map(|l| l.strip_prefix("SystemCallFilter=")).collect();
    assert_eq!(let_through, ["setpriority sched_setscheduler"]);
    let mut analyze = systemd_analyze();
    analyze.args(["syscall-filter", "@resources"]);
    let (fine, said) = run(analyze, "");
    for call in let_through[0].split(' ') {
        assert!(fine && said.lines().any(|l| l.trim() == call), "{call} needs no line of its own: {said}");
    }
}

#[test]
fn every_shipped_file_is_in_the_table_of_the_readme() {
    let readme = read("README.md");
    for entry in std::fs::read_dir(deploy("")).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(
            name == "README.md" || readme.contains(&format!("| `{name}` |")),
            "{name} is not in the table"
        );
    }
}

#[test]
fn shell_scripts_parse() {
    for script in ["tests/run", "tests/semver", ".ci/run"] {
        let mut bash = Command::new("bash");
        bash.arg("-n").arg(PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(script));
        let (fine, said) = run(bash, "");
        assert!(fine, "{script}: {said}");
    }
}

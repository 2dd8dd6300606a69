//! Meshes in orders, whole process sheets in `plan`, and sheets beside the config in `check`, as people
//! type them. Nothing here needs a supply or a daemon.
#![cfg(feature = "daemon")]
#![expect(
    clippy::disallowed_methods,
    reason = "a test at the edge: it starts the program and writes its files"
)]

use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use tempfile::TempDir;

const CONFIG: &str = r#"
[[station]]
name = "bench"
[station.supply]
dialect = "scpi"
port = "/dev/null"
max-current = "10 A"
max-voltage = "12 V"
"#;

/// Tanks by name and bath.
const TANKS: [(&str, &str); 3] =
    [("hot-cleaner", "electrocleaner"), ("acid", "acid-activator"), ("nickel", "watts-nickel")];

fn shop(tanks: &[(&str, &str)]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let mut text = CONFIG.to_owned();
    for (name, bath) in tanks {
        text += &format!(
            "[[tank]]\nname = \"{name}\"\nbath = \"{bath}\"\nvolume = \"20 L\"\nanode-area = \"6 dm2\"\nagitation = \"air\"\n"
        );
    }
    std::fs::write(folder.path().join("tankside.toml"), text).unwrap();
    folder
}

fn tankside(words: &[&str], inside: &Path) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tankside"));
    command.args(words).args(["--config", "tankside.toml"]).current_dir(inside).stdin(Stdio::null());
    command.env("USER", "mila").env_remove("TANKSIDE_TOKEN").env_remove("RUST_LOG").output().unwrap()
}

fn fine(output: &Output) -> String {
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn refused(output: &Output, code: i32) -> String {
    let said = String::from_utf8(output.stderr.clone()).unwrap();
    assert_eq!(output.status.code(), Some(code), "{said}");
    said
}

/// A cube of 20 of whatever the unit is, as text: 24 of it squared on the outside, in hundreds.
fn cube() -> String {
    let mut text = String::from("solid cube\n");
    // Two triangles a face, seen from outside against the clock.
    let quads = [
        [[0, 0, 0], [0, 1, 0], [1, 1, 0], [1, 0, 0]],
        [[0, 0, 1], [1, 0, 1], [1, 1, 1], [0, 1, 1]],
        [[0, 0, 0], [1, 0, 0], [1, 0, 1], [0, 0, 1]],
        [[1, 0, 0], [1, 1, 0], [1, 1, 1], [1, 0, 1]],
        [[1, 1, 0], [0, 1, 0], [0, 1, 1], [1, 1, 1]],
        [[0, 1, 0], [0, 0, 0], [0, 0, 1], [0, 1, 1]],
    ];
    for [a, b, c, d] in quads {
        for triangle in [[a, b, c], [a, c, d]] {
            text += "facet normal 0 0 0\nouter loop\n";
            for [x, y, z] in triangle {
                text += &format!("vertex {} {} {}\n", x * 20, y * 20, z * 20);
            }
            text += "endloop\nendfacet\n";
        }
    }
    text + "endsolid\n"
}

#[test]
fn mesh_is_found_beside_its_order_and_not_where_the_verb_is_typed() {
    let shop = shop(&TANKS);
    let orders = shop.path().join("orders");
    std::fs::create_dir(&orders).unwrap();
    std::fs::write(orders.join("cube.stl"), cube()).unwrap();
    let order = "tank = \"nickel\"\n[end]\nthickness = \"8 um\"\n[[part]]\ncount = 4\nmesh = { file = \"cube.stl\", unit = \"mm\" }\n";
    std::fs::write(orders.join("cubes.toml"), order).unwrap();
    for verb in ["plan", "rehearse"] {
        fine(&tankside(&[verb, "orders/cubes.toml"], shop.path()));
    }
    let sheet: Value =
        serde_json::from_str(&fine(&tankside(&["plan", "orders/cubes.toml", "--json"], shop.path())))
            .unwrap();
    // Four cubes of six faces of 4 cm2 are 96 cm2; rack and tips take 5 % of that.
    let area = sheet["order"]["area"].as_str().unwrap();
    let area: tankside::quantity::Area = area.parse().unwrap();
    assert!((area.get() - 100.8e-4).abs() < 1e-8, "{area}");

    std::fs::rename(orders.join("cube.stl"), shop.path().join("cube.stl")).unwrap();
    let said = refused(&tankside(&["plan", "orders/cubes.toml"], shop.path()), 78);
    assert!(said.contains("orders/cubes.toml:6:") && said.contains("orders/cube.stl"), "{said}");
    let flag = fine(&tankside(
        &["plan", "--tank", "nickel", "--part", "4 cubes: mesh cube.stl mm", "--thickness", "8 um"],
        shop.path(),
    ));
    assert!(flag.contains("1.008 dm²"), "{flag}");
}

#[test]
fn mesh_that_is_a_pipe_a_folder_or_too_large_is_refused_at_once() {
    let shop = shop(&TANKS);
    let at = |name: &str| shop.path().join(name);
    nix::unistd::mkfifo(&at("pipe.stl"), nix::sys::stat::Mode::S_IRWXU).unwrap();
    std::fs::create_dir(at("folder.stl")).unwrap();
    // Sparse: it takes no room, but it would take memory.
    std::fs::File::create(at("large.stl")).unwrap().set_len(301 << 20).unwrap();
    for (name, why) in [
        ("pipe", "not a file"),
        ("folder", "not a file"),
        ("large", "300 MiB is the most"),
        ("none", "No such file"),
    ] {
        let part = format!("mesh {name}.stl mm");
        let words = ["plan", "--tank", "nickel", "--part", &part, "--thickness", "8 um"];
        let said = refused(&tankside(&words, shop.path()), 64);
        assert!(said.contains(why) && said.contains(name), "{said}");
    }
}

const CUPS: [&str; 4] = ["--base", "brass", "--part", "6 key cups: disc 34 mm x 1 mm"];

fn plan<'a>(sheet: &'a str, more: &[&'a str]) -> Vec<&'a str> {
    let mut words = vec!["plan", "--sheet", sheet];
    words.extend(CUPS);
    words.extend(more);
    words
}

#[test]
fn sheet_is_planned_step_by_step_with_the_workshops_tanks() {
    let shop = shop(&TANKS);
    let said = fine(&tankside(&plan("nickel-on-copper-alloys", &["--thickness", "10 um"]), shop.path()));
    for wanted in
        ["hot-cleaner", "acid", "nickel", "10 µm mean", "4.845 A", "rinse: running water", "times at most"]
    {
        assert!(said.contains(wanted), "{wanted} in {said}");
    }
    assert!(said.lines().all(|l| l.chars().count() <= 80), "{said}");
    assert!(!said.contains("againwithin"), "a long name runs into what is to be done: {said}");
    let json: Value =
        serde_json::from_str(&fine(&tankside(&plan("nickel-on-copper-alloys", &["--json"]), shop.path())))
            .unwrap();
    let charged: Vec<_> =
        json["charges"].as_array().unwrap().iter().map(|c| c[0].as_str().unwrap()).collect();
    assert_eq!(charged, ["hot-cleaner", "nickel"], "each step's charge goes to its own tank");
}

#[test]
fn role_that_two_tanks_could_play_is_asked_for_and_one_that_none_can_is_told() {
    let two = [TANKS[0], TANKS[1], TANKS[2], ("bright", "bright-nickel")];
    let shop_ = shop(&two);
    let said = refused(&tankside(&plan("nickel-on-copper-alloys", &[]), shop_.path()), 64);
    assert!(said.contains("--role nickel=nickel") && said.contains("bright"), "{said}");
    for more in [&["--role", "nickel=bright"][..], &["--tank", "bright"]] {
        let said = fine(&tankside(&plan("nickel-on-copper-alloys", more), shop_.path()));
        assert!(said.contains("bright: "), "{said}");
    }
    for (role, why) in [
        ("nickle=bright", "roles are cleaner, acid, nickel"),
        ("nickel=gold", "no tank \"gold\""),
        ("nickel", "write ROLE=TANK"),
    ] {
        let said = refused(&tankside(&plan("nickel-on-copper-alloys", &["--role", role]), shop_.path()), 64);
        assert!(said.contains(why), "{said}");
    }
    let said =
        refused(&tankside(&plan("nickel-on-copper-alloys", &["--role", "nickel=acid"]), shop_.path()), 1);
    assert!(said.contains("cannot play"), "{said}");
    let bare = shop(&TANKS[..1]);
    let said = refused(&tankside(&plan("nickel-on-copper-alloys", &[]), bare.path()), 1);
    assert!(said.contains("no tank plays \"acid\"") && said.contains("no tank plays \"nickel\""), "{said}");
}

#[test]
fn sheet_that_is_not_known_and_an_order_that_contradicts_it_are_refused() {
    let shop = shop(&TANKS);
    let said = refused(&tankside(&plan("nickel-on-coper-alloys", &[]), shop.path()), 64);
    assert!(said.contains("did you mean \"nickel-on-copper-alloys\""), "{said}");
    let said =
        refused(&tankside(&plan("nickel-on-copper-alloys", &["--density", "4 A/dm2"]), shop.path()), 64);
    assert!(said.contains("--density: the sheet says"), "{said}");
    let words = ["plan", "--sheet", "nickel-on-copper-alloys", "--part", "disc 34 mm x 1 mm"];
    let said = refused(&tankside(&words, shop.path()), 64);
    assert!(said.contains("--base") && said.contains("copper, brass"), "{said}");
}

#[test]
fn own_sheets_lie_beside_the_config_and_are_judged_by_check() {
    let shop = shop(&TANKS);
    let shipped = include_str!("../config/processes/nickel-on-copper-alloys.toml");
    let own = shop.path().join("processes");
    std::fs::create_dir(&own).unwrap();
    let longer = shipped.replacen("end = { time = \"30 s\" }", "end = { time = \"45 s\" }", 1);
    assert_ne!(longer, shipped);
    // And an acid dip with no longest time: it may be done so, but it would be better otherwise.
    let dip =
        longer.replace("most = \"60 s\"\n", "").replace("(20-30 s)\", most = \"from memory\"", "(20-30 s)\"");
    assert!(longer.len() - dip.len() > 30);
    let longer = dip;
    std::fs::write(own.join("house-nickel.toml"), &longer).unwrap();
    let said = fine(&tankside(&["check"], shop.path()));
    assert!(said.contains("process house-nickel: ") && said.contains("process nickel-on-steel: "), "{said}");
    assert!(said.contains("  better: activate: an acid dip with no longest time"), "{said}");
    let said = fine(&tankside(&plan("house-nickel", &[]), shop.path()));
    assert!(said.contains("45 s"), "{said}");
    let told = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(told.contains("Better - an acid dip with no longest time: outside the window"), "{told}");
    assert!(told.contains("(the bath file and its sources)"), "the reason has its source: {told}");
    assert_eq!(
        said,
        fine(&tankside(&plan("processes/house-nickel.toml", &[]), shop.path())),
        "by name or by file"
    );

    // The acid's own rinse taken away: the nickel tank is then entered from a shared one.
    let spoilt = longer.replace("own = \"nickel\"\n", "");
    assert_ne!(spoilt, longer);
    std::fs::write(own.join("house-nickel.toml"), spoilt).unwrap();
    let said = refused(&tankside(&["check"], shop.path()), 78);
    assert!(said.contains("1 problem"), "{said}");
    let told = tankside(&["check"], shop.path());
    let told = String::from_utf8_lossy(&told.stdout).into_owned();
    assert!(
        told.contains("processes/house-nickel.toml:") && told.contains("dragged into the plating bath"),
        "{told}"
    );
}

#[test]
fn shipped_sheet_that_does_not_fit_an_own_bath_stops_nobody() {
    let shop = shop(&TANKS);
    let baths = shop.path().join("baths");
    std::fs::create_dir(&baths).unwrap();
    // Their silver strike is no plating bath any more.
    let dip = include_str!("../config/baths/mild-acid-dip.toml");
    std::fs::write(baths.join("silver-strike.toml"), dip).unwrap();
    let said = fine(&tankside(&["check"], shop.path()));
    assert!(said.contains("process left out"), "{said}");
    let said = refused(&tankside(&plan("silver-over-nickel-on-brass", &[]), shop.path()), 78);
    assert!(said.contains("does not fit the baths"), "{said}");
    fine(&tankside(&plan("nickel-on-copper-alloys", &[]), shop.path()));
}

#[test]
fn anodes_cannot_dissolve_in_a_bath_without_metal() {
    let shop = shop(&TANKS[..1]);
    let path = shop.path().join("tankside.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let rule = "[[tank.upkeep]]\nname = \"anodes\"\nanode-metal = \"2 kg\"\n";
    std::fs::write(&path, text + rule).unwrap();
    let check = tankside(&["check"], shop.path());
    refused(&check, 78);
    let told = String::from_utf8_lossy(&check.stdout).into_owned();
    assert!(told.contains("upkeep anodes: anode-metal: nothing dissolves in electrocleaner"), "{told}");
}

#[test]
fn order_with_a_mesh_reaches_the_daemon_measured_and_needs_no_file_there() {
    use tankside::plan::Request;
    let text = "tank = \"nickel\"\n[end]\nthickness = \"8 um\"\n[[part]]\nmesh = { file = \"cube.stl\", unit = \"in\" }\n";
    let read = Request::from_toml_with(text, "cubes.toml", &|name| {
        assert_eq!(name, "cube.stl");
        Ok(cube().into_bytes())
    });
    let request = read.unwrap();
    // What `start` sends, and what the daemon makes of it.
    let sent = serde_json::to_value(&request).unwrap();
    assert!(!sent.to_string().contains("cube.stl"), "{sent}");
    let got: Request = serde_json::from_value(sent).unwrap();
    assert_eq!(got, request);
    // Six faces of 20 in by 20 in; an inch is 0.0254 m.
    assert!((got.parts[0].area_each().get() - 6.0 * (20.0 * 0.0254_f64).powi(2)).abs() < 1e-9);
}

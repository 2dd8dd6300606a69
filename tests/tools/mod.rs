//! Programs of others that tests hold our output against: Prometheus and promtool, the stock
//! SQLite shell, a Python with PyVISA, pymodbus and sinstruments, one with trimesh, one with
//! Schemathesis, Node with a browser. `tests/run` installs them under
//! `target/tools`. A test that needs one and does not find it fails; it never skips.
#![expect(dead_code, reason = "each test file uses its own share of this one")]

use std::io::Write;
use std::path::PathBuf;
use std::process::{Command, Stdio};

/// Where `tests/run` puts what is not in the system's own folders.
fn tools() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/tools")
}

/// promtool, of Prometheus.
pub fn promtool() -> Command {
    ours_or_path("usr/bin/promtool", "promtool")
}

/// Prometheus itself.
pub fn prometheus() -> Command {
    ours_or_path("usr/bin/prometheus", "prometheus")
}

/// The stock SQLite shell.
pub fn sqlite3() -> Command {
    Command::new("sqlite3")
}

/// A Python that can `import pyvisa, pyvisa_py, serial, pymodbus, sinstruments`.
pub fn python_with_peers() -> Command {
    ours_or_path("peers/bin/python", "python3")
}

/// A Python that can `import trimesh` and `numpy`.
pub fn python_with_trimesh() -> Command {
    ours_or_path("meshes/bin/python", "python3")
}

/// Node, which finds playwright-core and axe-core under `target/tools/browser`.
pub fn node_with_browser() -> Command {
    let mut command = Command::new("node");
    command.env("TANKSIDE_BROWSER_TOOLS", tools().join("browser/package.json"));
    command
}

/// Debian's Chromium, by itself.
pub fn chromium() -> Command {
    Command::new("/usr/bin/chromium")
}

/// A Python that can `import schemathesis`.
pub fn python_with_schemathesis() -> Command {
    ours_or_path("contract/bin/python", "python3")
}

/// systemd's checker of units; works without a running systemd.
pub fn systemd_analyze() -> Command {
    Command::new("systemd-analyze")
}

fn ours_or_path(ours: &str, otherwise: &str) -> Command {
    let path = tools().join(ours);
    if path.exists() { Command::new(path) } else { Command::new(otherwise) }
}

/// Runs it with `input` on its standard input; returns what it printed to both
/// outputs, and whether it was content.
///
/// # Panics
/// If the program is not there: run `tests/run`, which installs it.
pub fn run(mut command: Command, input: &str) -> (bool, String) {
    let program = command.get_program().to_string_lossy().into_owned();
    let mut child =
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap_or_else(
            |e| panic!("cannot run {program} ({e}); `tests/run` installs it and runs the tests"),
        );
    // A program that does not read its input closes the pipe: no failure of ours.
    let _ = child.stdin.take().expect("piped above").write_all(input.as_bytes());
    let output = child.wait_with_output().expect("the child was spawned");
    let text =
        format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    (output.status.success(), text)
}

/// Holds a metrics page against promtool's rules for names, help and types.
///
/// # Panics
/// With promtool's complaint.
pub fn check_metrics_page(page: &str) {
    let mut command = promtool();
    command.args(["check", "metrics"]);
    let (fine, said) = run(command, page);
    assert!(fine && said.trim().is_empty(), "promtool check metrics: {said}");
}

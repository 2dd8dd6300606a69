//! The page as a plater meets it: a real browser on a real daemon and a simulated
//! supply. What is done and looked for stands in `tests/browser/page.test.mjs`;
//! `node tests/browser/shots.mjs` takes a picture of every view for a person to judge.
#![cfg(feature = "daemon")]

#[path = "browser/paper.rs"]
mod paper;
mod tools;

#[test]
fn page_fails_a_plater_in_a_real_browser() {
    let mut node = tools::node_with_browser();
    node.arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/browser/page.test.mjs"));
    node.env("TANKSIDE", env!("CARGO_BIN_EXE_tankside"));
    for name in ["RUST_LOG", "TANKSIDE_TOKEN", "NOTIFY_SOCKET", "WATCHDOG_USEC", "http_proxy", "HTTP_PROXY"] {
        node.env_remove(name);
    }
    let (fine, said) = tools::run(node, "");
    assert!(fine, "{said}");
    // As many as the file has: one that is left out by a slip is missed here.
    let source = include_str!("browser/page.test.mjs");
    let checks = source.matches("await check(\"").count();
    assert!(checks >= 10 && said.contains(&format!("{checks} checks")), "{said}");
    print!("{said}");
}

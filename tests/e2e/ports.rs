//! Ports and addresses that are taken, missing or forbidden.

use super::hall::{
    Daemon, Hall, Mimic, Plan, TANKSIDE, begin, clean, errors, near, number, say, tankside, text,
};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::process::Command;

#[test]
fn second_daemon_on_the_port_gets_a_page_and_the_first_does_not_notice() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    let run = daemon.run("24 C", &[]);
    daemon.until_steady();
    let other = hall.folder.path().join("other.toml");
    hall.write_config(&other, "127.0.0.1:0", &hall.folder.path().join("other-state"));
    let (mut second, log) = begin(hall.serve_with(&other));
    assert_eq!(second.ended().code(), Some(69), "{}", log.text());
    log.until("cannot open");
    let page = log.text();
    for line in [
        format!("cannot open {}", hall.mimic().link.display()),
        format!("held by: process {}", daemon.process.pid()),
        "try: end process".into(),
    ] {
        assert!(page.contains(&line), "{line}: {page}");
    }
    daemon.until_state("complete");
    let truth = hall.mimic().until("off", |s| !s.on());
    let row = daemon.row(&run);
    near(number(&row["charge_coulombs"]), truth.charge(), 0.01);
    near(truth.charge(), 24.0, 0.02);
    let counted = &daemon.status()["link"]["errors"];
    assert_eq!(*counted, serde_json::json!({}), "not one bad answer");
}

#[test]
fn second_daemon_on_the_address_or_the_ledger_is_told_so_before_it_touches_a_port() {
    let hall = Hall::usual();
    let daemon = hall.daemon();
    let other = hall.folder.path().join("other.toml");
    let before = hall.mimic().state().count("messages");
    hall.write_config(&other, &daemon.address.to_string(), &hall.folder.path().join("other-state"));
    let said = say(hall.serve_with(&other)).bad(1);
    assert!(
        said.contains(&format!("{} is taken", daemon.address)) && said.contains("daemon.listen"),
        "{said}"
    );

    hall.write_config(&other, "127.0.0.1:0", &hall.folder.path().join("state"));
    let said = say(hall.serve_with(&other)).bad(73);
    assert!(said.contains("ledger.sqlite"), "{said}");
    assert_eq!(daemon.status()["link"]["errors"], serde_json::json!({}));
    assert!(hall.mimic().state().count("messages") >= before, "the first still asks");
    daemon.run("6 C", &[]);
    daemon.until_state("complete");
}

#[test]
fn missing_port_is_explained_and_taken_up_when_it_appears() {
    let mut hall = Hall::without_mimics(Plan::default());
    let daemon = Daemon::start(hall.serve(), &hall.config);
    let missing = daemon.until("missing", |s| errors(s, "missing") > 0);
    let page = text(&missing["link"]["trouble"]).to_owned();
    let port = hall.port("bench");
    assert!(page.contains(&format!("cannot open {}", port.display())) && page.contains("try: "), "{page}");
    let said = daemon.verb(&["status"]).good();
    assert!(said.contains("cannot open"), "{said}");
    let mut probe = tankside();
    probe.arg("probe").arg(&port);
    let probed = say(probe);
    assert!(probed.out.contains("cannot open") && probed.code == Some(69), "{probed:?}");

    hall.mimics.push(Mimic::start(&port, 115_200));
    daemon.until("up", |s| s["link"]["up"] == true && s["output_on"] == false);
    daemon.run("6 C", &[]);
    daemon.until_state("complete");
}

#[test]
fn forbidden_port_is_explained_with_owner_and_user() {
    let hall = Hall::usual();
    let real = hall.mimic().link.canonicalize().unwrap();
    std::fs::set_permissions(&real, PermissionsExt::from_mode(0o000)).unwrap();
    let mut command = hall.serve();
    if nix::unistd::geteuid().is_root() {
        // Nothing is forbidden to root: the daemon is a user that may do nothing.
        let binary = hall.folder.path().join("tankside");
        std::fs::copy(TANKSIDE, &binary).unwrap();
        let state = hall.folder.path().join("state");
        std::fs::create_dir(&state).unwrap();
        for (path, mode) in [(hall.folder.path(), 0o755), (&state, 0o777)] {
            std::fs::set_permissions(path, PermissionsExt::from_mode(mode)).unwrap();
        }
        command = clean(Command::new(binary));
        command.arg("serve").arg("--config").arg(&hall.config).uid(65_534).gid(65_534);
    }
    let daemon = Daemon::start(command, &hall.config);
    let forbidden = daemon.until("forbidden", |s| errors(s, "forbidden") > 0);
    let page = text(&forbidden["link"]["trouble"]);
    for line in
        ["cannot open", "leads to: /dev/pts/", "belongs to: user", "mode 000", "we are: user", "try: "]
    {
        assert!(page.contains(line), "{line}: {page}");
    }
    let truth = hall.mimic().state();
    assert!(truth.0["last_on"].is_null(), "{truth:?}");
}

//! The disk has no room: no run starts, a running one is held, nothing on disk is lost.

use super::hall::{Daemon, Hall, PART, clean, near, number, tank, text, until};
use super::runs::sqlite;
use super::tools;
use std::fs::File;
use std::io::Write;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// A place for the ledger that can be filled and emptied again.
trait Room {
    fn serve(&self, hall: &Hall) -> Command;
    /// Asks the ledger with the stock shell, from where the daemon sees it.
    fn ask(&self, hall: &Hall, daemon: &Daemon, question: &str) -> String;
    fn fill(&self, hall: &Hall, daemon: &Daemon);
    fn empty(&self, hall: &Hall, daemon: &Daemon);
}

fn story(room: &impl Room) {
    let hall = Hall::usual();
    let daemon = Daemon::start(room.serve(&hall), &hall.config);
    let coulombs = |run: &str| -> f64 {
        let question = format!("SELECT coulombs FROM run_charge WHERE id = '{run}'");
        room.ask(&hall, &daemon, &question).parse().unwrap()
    };
    let integrity = || room.ask(&hall, &daemon, "PRAGMA integrity_check");
    daemon.until("up", |s| s["link"]["up"] == true && s["output_on"] == false);
    let first = daemon.run("6 C", &[]);
    daemon.until_state("complete");
    let first_row = daemon.row(&first);

    // A running run is held, within what one commit and one ramp take; its charge is kept.
    let second = daemon.run("1000 C", &[]);
    daemon.until_steady();
    daemon.until("on disk", |s| number(&s["run"]["charge_coulombs"]) > 6.0);
    let on_disk = coulombs(&second);
    room.fill(&hall, &daemon);
    let held = daemon.until_state("held");
    let cause = text(&held["run"]["cause"]);
    assert!(cause.contains("the ledger cannot be written"), "{cause}");
    let off = hall.mimic().until("off", |s| !s.on());
    let ready = until("not ready", || match ureq::get(format!("http://{}/readyz", daemon.address)).call() {
        Err(ureq::Error::StatusCode(code)) => Ok(code),
        other => Err(format!("{other:?}")),
    });
    assert_eq!(ready, 503);
    let refused = daemon.verb(&["resume"]).bad(1);
    assert!(refused.contains("ledger cannot be written"), "{refused}");

    // No run starts. Stop is not refused; its row is written when there is room.
    daemon.verb(&["stop"]).good();
    daemon.until_state("stopped");
    let words = ["start", "--tank", &tank("bench"), "--part", PART, "--charge", "6 C", "--current", "3 A"];
    let refused = daemon.verb(&words).bad(1);
    assert!(refused.contains("ledger"), "{refused}");
    let later = hall.mimic().asked_again(20);
    assert_eq!(later.number("last_on"), off.number("last_on"), "no current: {later:?}");
    // What was on disk is there, for the stock shell too.
    assert_eq!(integrity(), "ok");
    let kept = coulombs(&first);
    near(kept, number(&first_row["charge_coulombs"]), 1e-9);
    let kept = coulombs(&second);
    assert!(kept >= on_disk, "{kept} C on a full disk, {on_disk} C before");

    room.empty(&hall, &daemon);
    let row = daemon.row(&second);
    assert_eq!((text(&row["state"]), text(&row["cause"])), ("stopped", cause));
    near(number(&row["charge_coulombs"]), off.charge() - number(&first_row["charge_coulombs"]), 0.03);
    until("ready again", || {
        let answer = ureq::get(format!("http://{}/readyz", daemon.address)).call();
        answer.map(|_| ()).map_err(|e| e.to_string())
    });
    let third = daemon.run("6 C", &[]);
    daemon.until_state("complete");
    daemon.row(&third);
    assert_eq!(integrity(), "ok");
}

/// No file of the daemon's may grow beyond what the log has: its writes fail as on a full disk.
struct Limit;

impl Room for Limit {
    fn serve(&self, hall: &Hall) -> Command {
        // Without the trap the kernel would kill it at the limit, which a disk does not.
        let mut command = clean(Command::new("sh"));
        command.args(["-c", "trap '' XFSZ; exec \"$@\"", "sh", super::hall::TANKSIDE, "serve", "--config"]);
        command.arg(&hall.config);
        command
    }
    fn ask(&self, hall: &Hall, _: &Daemon, question: &str) -> String {
        sqlite(&hall.ledger(), question)
    }
    fn fill(&self, hall: &Hall, daemon: &Daemon) {
        let log = std::fs::metadata(hall.folder.path().join("state/ledger.sqlite-wal")).unwrap().size();
        limit(daemon, &log.to_string());
    }
    fn empty(&self, _: &Hall, daemon: &Daemon) {
        limit(daemon, "unlimited");
    }
}

fn limit(daemon: &Daemon, bytes: &str) {
    let mut command = Command::new("prlimit");
    command.args(["--pid", &daemon.process.pid().to_string(), &format!("--fsize={bytes}:")]);
    let status = command.status().expect("prlimit, of util-linux");
    assert!(status.success(), "prlimit {bytes}");
}

/// A small disk at the ledger's folder, in a mount namespace that only the daemon sees.
struct SmallDisk {
    /// What `unshare` needs here: as root, or as a user that becomes root inside.
    flags: &'static str,
}

impl SmallDisk {
    fn possible() -> Option<SmallDisk> {
        ["-m", "-rm"].into_iter().map(|flags| SmallDisk { flags }).find(|disk| {
            let mut command = Command::new("unshare");
            command.args([disk.flags, "mount", "-t", "tmpfs", "tmpfs", "/mnt"]).stderr(Stdio::null());
            command.status().is_ok_and(|status| status.success())
        })
    }
    /// The same folder as the daemon sees it.
    fn seen(&self, hall: &Hall, daemon: &Daemon) -> PathBuf {
        let state = hall.folder.path().join("state");
        Path::new("/proc")
            .join(daemon.process.pid().to_string())
            .join("root")
            .join(state.strip_prefix("/").unwrap())
    }
}

impl Room for SmallDisk {
    fn serve(&self, hall: &Hall) -> Command {
        let state = hall.folder.path().join("state");
        std::fs::create_dir(&state).unwrap();
        let mut command = clean(Command::new("unshare"));
        command.args([
            self.flags,
            "sh",
            "-c",
            "mount -t tmpfs -o size=8m tmpfs \"$1\" && shift && exec \"$@\"",
            "sh",
        ]);
        command.arg(state).args([super::hall::TANKSIDE, "serve", "--config"]).arg(&hall.config);
        command
    }
    fn ask(&self, hall: &Hall, daemon: &Daemon, question: &str) -> String {
        let mut command = Command::new("nsenter");
        if self.flags.contains('r') {
            command.args(["-U", "--preserve-credentials"]);
        }
        command.args(["-m", "-t", &daemon.process.pid().to_string(), "sqlite3", "-readonly", "-bail"]);
        let (good, said) = tools::run(
            {
                command.arg(hall.ledger()).arg(question);
                command
            },
            "",
        );
        assert!(good, "{said}");
        said.trim().into()
    }
    fn fill(&self, hall: &Hall, daemon: &Daemon) {
        let mut filler = File::create(self.seen(hall, daemon).join("filler")).unwrap();
        // To the last byte: page by page, then byte by byte.
        for size in [4096, 1] {
            while filler.write_all(&vec![0; size]).is_ok() {}
        }
    }
    fn empty(&self, hall: &Hall, daemon: &Daemon) {
        std::fs::remove_file(self.seen(hall, daemon).join("filler")).unwrap();
    }
}

#[test]
fn full_disk_holds_the_run_starts_none_and_loses_nothing() {
    match SmallDisk::possible() {
        Some(disk) => story(&disk),
        None => {
            println!("no mount namespace to be had here: a file limit stands in for the full disk");
            story(&Limit);
        }
    }
}

#[test]
fn file_that_cannot_grow_holds_the_run_starts_none_and_loses_nothing() {
    story(&Limit);
}

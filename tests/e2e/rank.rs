//! Who goes first for the processor, where the service manager gives real time and where there is none.

use super::hall::{Daemon, Hall, Plan, real_time, until};
use nix::unistd::Pid;
use std::collections::BTreeMap;
use std::fs;

/// sched(7): the numbers of two policies.
const OTHER: u32 = 0;
const RR: u32 = 2;
/// What a thread has: policy, real-time priority, niceness.
type Rank = (u32, u32, i32);

/// proc_pid_stat(5): fields 41, 40 and 19; the second one, the name, may have spaces.
fn rank(stat: &str) -> Rank {
    let fields: Vec<&str> = stat.rsplit_once(')').unwrap().1.split_whitespace().collect();
    // The first of these is the third of all.
    let field = |n: usize| fields[n - 3];
    (field(41).parse().unwrap(), field(40).parse().unwrap(), field(19).parse().unwrap())
}

/// Every thread's, by its name.
fn ranks(process: Pid) -> BTreeMap<String, Vec<Rank>> {
    let mut found: BTreeMap<String, Vec<Rank>> = BTreeMap::new();
    for task in fs::read_dir(format!("/proc/{process}/task")).unwrap().flatten() {
        let read = |file: &str| fs::read_to_string(task.path().join(file));
        // One that has ended meanwhile is not there.
        if let (Ok(name), Ok(stat)) = (read("comm"), read("stat")) {
            found.entry(name.trim().into()).or_default().push(rank(&stat));
        }
    }
    found
}

fn own() -> Rank {
    rank(&fs::read_to_string("/proc/self/stat").unwrap())
}

/// A daemon that has started a run and rung an alarm; what its command on that alarm had, and the hall.
fn worked(real_time: bool) -> (Hall, Daemon, Rank) {
    let folder = tempfile::tempdir().unwrap();
    let (seen, whole) = (folder.path().join("seen"), folder.path().join("whole"));
    let words = format!("cat /proc/$$/stat > {} && mv {0} {}", seen.display(), whole.display());
    let more = format!("[[notify.command]]\nrun = [\"/bin/sh\", \"-c\", \"{words}\"]\n");
    let hall = Hall::of(Plan { real_time, more, ..Plan::default() });
    let mut serve = hall.serve();
    // Its thread is there only where a service manager wants to hear of it.
    serve.env("WATCHDOG_USEC", "20000000");
    let daemon = Daemon::start(serve, &hall.config);
    daemon.until("up", |s| s["link"]["up"] == true);
    daemon.run("1000 C", &[]);
    daemon.until_steady();
    hall.mimic().does("fault open-circuit");
    daemon.until_state("held");
    let stat = until("told of the alarm", || fs::read_to_string(&whole).map_err(|e| e.to_string()));
    (hall, daemon, rank(&stat))
}

#[test]
fn only_who_looks_at_the_current_keeps_the_real_time_that_the_service_gives() {
    if let Err(why) = real_time() {
        eprintln!(
            "NOT CHECKED: this machine gives no real time, so that nothing can be said of who keeps it: {why}\n\
             it takes root, or `ulimit -r 2` and a kernel without real-time groups"
        );
        return;
    }
    let nice = own().2;
    let (_hall, daemon, command) = worked(true);
    let process = daemon.process.pid();
    let all = until("has stepped aside after the start", || {
        let all = ranks(process);
        if all["tankside"] == [(OTHER, 0, nice)] { Ok(all) } else { Err(format!("{all:?}")) }
    });
    for (name, ranks) in &all {
        let expected = match name.as_str() {
            "control" | "minder" | "watchdog" => (RR, 1, nice),
            "serve" => (OTHER, 0, nice + 5),
            _ => (OTHER, 0, nice),
        };
        assert!(ranks.iter().all(|rank| *rank == expected), "{name} is not {expected:?}: {all:#?}");
    }
    for name in ["control", "minder", "watchdog", "serve", "ledger", "log"] {
        assert!(all.contains_key(name), "no thread {name}: {all:#?}");
    }
    let minder = ranks(daemon.minder());
    assert!(minder.values().flatten().all(|rank| *rank == (RR, 1, nice)), "the minder: {minder:#?}");
    assert_eq!(command, (OTHER, 0, nice + 5), "a command on an alarm");
}

#[test]
fn in_a_plain_shell_nothing_asks_for_real_time_and_pages_stand_behind() {
    let nice = own().2;
    let (_hall, daemon, command) = worked(false);
    let all = ranks(daemon.process.pid());
    for (name, ranks) in &all {
        let expected = (OTHER, 0, if name == "serve" { nice + 5 } else { nice });
        assert!(ranks.iter().all(|rank| *rank == expected), "{name} is not {expected:?}: {all:#?}");
    }
    assert_eq!(command, (OTHER, 0, nice + 5), "a command on an alarm");
}

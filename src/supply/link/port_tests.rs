//! Real ptys, real processes, real time: what only the kernel can show.

use super::fake::{Shared, bench, dialect, serve_on, spec};
use super::*;
use std::io::{BufRead, BufReader};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::task::block_in_place;
use tokio::time::Instant;
use tokio_serial::{SerialPort, SerialStream};

const NOBODY: u32 = 65534;

/// A pty's master is open in every process that is started meanwhile (the crate does not close it on exec), so a
/// test that pulls the cable and tests that start processes take turns.
static TURN: tokio::sync::Mutex<()> = tokio::sync::Mutex::const_new(());

/// Keeps the slave open, as a cable that stays plugged in when a program ends.
struct Cable {
    _slave: SerialStream,
    bench: tokio::task::JoinHandle<()>,
}

impl Cable {
    async fn pull(self) {
        self.bench.abort();
        let _ = self.bench.await;
    }
}

/// A bench behind a pty.
fn pty(bench: &Shared) -> (PathBuf, Cable) {
    let (master, slave) = SerialStream::pair().unwrap();
    let path = PathBuf::from(slave.name().unwrap());
    std::fs::set_permissions(&path, PermissionsExt::from_mode(0o666)).unwrap();
    (path, Cable { _slave: slave, bench: serve_on(bench, master, Duration::ZERO) })
}

fn at(path: &Path, identity: Option<&str>) -> Spec {
    Spec { port: Port::Serial(path.into()), ..spec(identity) }
}

/// This very test binary again, in another role, and as nobody where we are root and nobody can run it.
fn again(role: &str, path: &Path) -> Command {
    let build = |role: &str, as_nobody: bool| {
        let mut command = Command::new(std::env::current_exe().unwrap());
        command.args(["--exact", "supply::link::port_tests::role", "--nocapture"]);
        command.env("TANKSIDE_TEST_ROLE", role).env("TANKSIDE_TEST_PORT", path);
        command.stdin(Stdio::null()).stdout(Stdio::piped());
        if as_nobody {
            command.uid(NOBODY).gid(NOBODY);
        }
        command
    };
    let may = nix::unistd::geteuid().is_root()
        && build("none", true).stdout(Stdio::null()).status().is_ok_and(|status| status.success());
    build(role, may)
}

/// Not a test of its own: what the processes above do. In a plain test run it does nothing.
#[test]
fn role() {
    let Ok(role) = std::env::var("TANKSIDE_TEST_ROLE") else { return };
    let path = PathBuf::from(std::env::var_os("TANKSIDE_TEST_PORT").unwrap());
    // libtest may have begun a line.
    println!();
    let runtime = || match role.as_str() {
        "busy daemon" => tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap(),
        _ => tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap(),
    };
    match role.as_str() {
        "minder" => {
            minder::child_main();
            std::process::exit(0);
        }
        role if role.ends_with("daemon") => runtime().block_on(async {
            let mut device = Device::new(at(&path, None), dialect(), Clock::new());
            device.connect().await.unwrap();
            let command = || {
                let mut command = tokio::process::Command::new("/proc/self/exe");
                command.args(["--exact", "supply::link::port_tests::role", "--nocapture"]);
                command.env("TANKSIDE_TEST_ROLE", "minder");
                command
            };
            let wards = [(at(&path, None), dialect())];
            let minder = Minder::spawn_within(command, &wards, Duration::from_secs(2)).await.unwrap();
            let (told, mut heard) = tokio::sync::mpsc::unbounded_channel();
            let (beat, beats) = std::sync::mpsc::channel();
            let on = matches!(role, "beating daemon" | "busy daemon");
            if on {
                minder.listen_to(Box::new(move || {
                    let _ = (told.send(()), beat.send(()));
                    Some(true)
                }));
            }
            device.output_on().await.unwrap();
            if on {
                // It has been asked for its heart, twice: the first word is on its way.
                heard.recv().await;
                heard.recv().await;
            }
            println!("\nup");
            if role == "busy daemon" {
                // Its only thread is held for longer than the minder's patience; what stands for control goes on.
                (0..12).for_each(|_| beats.recv().unwrap());
                println!("\nstill here");
            }
            if role == "polite daemon" {
                minder.goodbye().await;
                return;
            }
            std::future::pending::<()>().await;
        }),
        "open" => runtime().block_on(async {
            let mut device = Device::new(at(&path, None), dialect(), Clock::new());
            println!("\n{}\nend", device.connect().await.unwrap_err());
        }),
        _ => {}
    }
}

/// Reads the child's output until that line; what came before it.
fn until(child: &mut Child, line: &str) -> String {
    let mut before = String::new();
    for said in BufReader::new(child.stdout.take().unwrap()).lines() {
        let said = said.unwrap();
        if said == line {
            return before;
        }
        before.push_str(&said);
        before.push('\n');
    }
    panic!("never said {line:?}: {before}");
}

fn kill(pid: u32, signal: nix::sys::signal::Signal) {
    nix::sys::signal::kill(nix::unistd::Pid::from_raw(pid.try_into().unwrap()), signal).unwrap();
}

fn children(pid: u32) -> Vec<u32> {
    let tasks = std::fs::read_dir(format!("/proc/{pid}/task")).unwrap().flatten();
    let lists = tasks.filter_map(|task| std::fs::read_to_string(task.path().join("children")).ok());
    lists.flat_map(|l| l.split_whitespace().map(|p| p.parse().unwrap()).collect::<Vec<u32>>()).collect()
}

async fn within(limit: Duration, what: &str, mut done: impl FnMut() -> bool) -> Duration {
    let begun = Instant::now();
    while !done() {
        assert!(begun.elapsed() < limit, "not within {limit:?}: {what}");
        tokio::time::sleep(Duration::from_millis(2)).await;
    }
    begun.elapsed()
}

/// The supply was asked after its last off.
async fn confirmed(bench: &Shared) {
    within(Duration::from_secs(5), "confirmed", || {
        let heard = &bench.lock().unwrap().heard;
        let off = heard.iter().rposition(|line| line == "OUTP OFF");
        off.is_some_and(|off| heard[off..].iter().any(|line| line == "OUTP?"))
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_supply_behind_a_pty_is_found_set_read_and_switched_off() {
    let bench = bench();
    let (path, _cable) = pty(&bench);
    let mut device = Device::new(at(&path, Some("0042")), dialect(), Clock::new());
    device.connect().await.unwrap();
    device.output_on().await.unwrap();
    assert_eq!(device.read().await.unwrap().output, Some(true));
    device.off().await.unwrap();
    assert!(!bench.lock().unwrap().on);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_programs_on_one_port_do_not_share_its_bytes() {
    let bench = bench();
    let (path, _cable) = pty(&bench);
    let mut first = Device::new(at(&path, None), dialect(), Clock::new());
    first.connect().await.unwrap();
    let mut second = Device::new(at(&path, None), dialect(), Clock::new());
    let trouble = second.connect().await.unwrap_err();
    assert_eq!(trouble.kind(), "busy", "{trouble}");
    assert!(first.read().await.is_ok());
    first.close();
    second.connect().await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn off_is_written_even_past_the_lock_of_a_living_program() {
    let _turn = TURN.lock().await;
    let bench = bench();
    let (path, _cable) = pty(&bench);
    let mut child = again("daemon", &path).spawn().unwrap();
    block_in_place(|| until(&mut child, "up"));
    assert!(bench.lock().unwrap().on);
    let report = off_at_port(&at(&path, Some("whoever")), &dialect()).await.unwrap();
    within(Duration::from_secs(1), "off", || !bench.lock().unwrap().on).await;
    let OffReport::SentPastLock { holder: Some(holder) } = &report else { panic!("{report:?}") };
    assert_eq!(holder.pid, child.id());
    assert!(report.to_string().contains("NOT confirmed"), "{report}");
    child.kill().unwrap();
    child.wait().unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn off_at_a_free_port_is_confirmed() {
    let bench = bench();
    let (path, _cable) = pty(&bench);
    bench.lock().unwrap().on = true;
    assert_eq!(off_at_port(&at(&path, None), &dialect()).await.unwrap(), OffReport::Confirmed);
    assert!(!bench.lock().unwrap().on);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_killed_daemon_leaves_no_output_on() {
    let _turn = TURN.lock().await;
    use nix::sys::signal::Signal::{SIGHUP, SIGINT, SIGKILL, SIGTERM};
    let bench = bench();
    let (path, _cable) = pty(&bench);
    let mut daemon = again("daemon", &path).spawn().unwrap();
    block_in_place(|| until(&mut daemon, "up"));
    assert!(bench.lock().unwrap().on);
    let [minder] = children(daemon.id())[..] else { panic!("one child") };
    for signal in [SIGINT, SIGTERM, SIGHUP] {
        kill(minder, signal);
    }
    // A minder that dies is replaced.
    kill(minder, SIGKILL);
    within(
        Duration::from_secs(5),
        "another minder",
        || matches!(children(daemon.id())[..], [other] if other != minder),
    )
    .await;
    // It is ready when it has read its line; its session is its own by then.
    let [minder] = children(daemon.id())[..] else { panic!("one child") };
    let own_session = || nix::unistd::getsid(Some(nix::unistd::Pid::from_raw(minder as i32)));
    within(Duration::from_secs(5), "a session of its own", || {
        own_session().is_ok_and(|sid| sid.as_raw() == minder as i32)
    })
    .await;
    assert!(bench.lock().unwrap().on, "as long as the daemon lives nothing is switched");
    kill(daemon.id(), SIGKILL);
    within(Duration::from_secs(1), "off", || !bench.lock().unwrap().on).await;
    confirmed(&bench).await;
    daemon.wait().unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn signals_meant_for_the_daemon_do_not_end_the_minder() {
    let _turn = TURN.lock().await;
    use nix::sys::signal::Signal::{SIGHUP, SIGINT, SIGKILL, SIGTERM};
    let bench = bench();
    let (path, _cable) = pty(&bench);
    let mut daemon = again("daemon", &path).spawn().unwrap();
    block_in_place(|| until(&mut daemon, "up"));
    let [minder] = children(daemon.id())[..] else { panic!("one child") };
    for signal in [SIGINT, SIGTERM, SIGHUP] {
        kill(minder, signal);
    }
    kill(daemon.id(), SIGKILL);
    within(Duration::from_secs(1), "off", || !bench.lock().unwrap().on).await;
    confirmed(&bench).await;
    daemon.wait().unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_frozen_daemon_leaves_no_output_on() {
    let _turn = TURN.lock().await;
    use nix::sys::signal::Signal::SIGSTOP;
    let bench = bench();
    let (path, _cable) = pty(&bench);
    let mut daemon = again("beating daemon", &path).spawn().unwrap();
    block_in_place(|| until(&mut daemon, "up"));
    assert!(bench.lock().unwrap().on);
    kill(daemon.id(), SIGSTOP);
    within(Duration::from_secs(20), "off", || !bench.lock().unwrap().on).await;
    confirmed(&bench).await;
    use std::os::unix::process::ExitStatusExt;
    assert_eq!(daemon.wait().unwrap().signal(), Some(9), "ended by the minder");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_program_that_keeps_its_runtime_busy_is_not_taken_for_frozen() {
    let _turn = TURN.lock().await;
    let bench = bench();
    let (path, _cable) = pty(&bench);
    let mut daemon = again("busy daemon", &path).spawn().unwrap();
    block_in_place(|| until(&mut daemon, "still here"));
    assert!(bench.lock().unwrap().on);
    kill(daemon.id(), nix::sys::signal::Signal::SIGKILL);
    daemon.wait().unwrap();
    within(Duration::from_secs(20), "off", || !bench.lock().unwrap().on).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn after_a_goodbye_the_minder_touches_nothing() {
    let _turn = TURN.lock().await;
    let bench = bench();
    let (path, _cable) = pty(&bench);
    let mut daemon = again("polite daemon", &path).spawn().unwrap();
    block_in_place(|| until(&mut daemon, "up"));
    block_in_place(|| daemon.wait()).unwrap();
    let heard = bench.lock().unwrap().heard.clone();
    assert!(!heard.iter().any(|line| line == "OUTP OFF"), "{heard:?}");
}

#[tokio::test]
async fn a_port_that_is_not_there_gives_a_page_of_help() {
    let mut device =
        Device::new(at(Path::new("/dev/serial/by-id/usb-nothing"), None), dialect(), Clock::new());
    let trouble = device.connect().await.unwrap_err();
    assert_eq!(trouble.kind(), "missing");
    let page = trouble.to_string();
    assert!(page.starts_with("cannot open /dev/serial/by-id/usb-nothing: "), "{page}");
    assert!(page.contains("we are: user ") && page.contains("try: "), "{page}");
    assert_eq!(device.errors().get("missing"), Some(&1));
}

#[tokio::test]
async fn a_file_that_is_no_port_is_not_written_to() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let mut device = Device::new(at(file.path(), None), dialect(), Clock::new());
    let trouble = device.connect().await.unwrap_err();
    assert_eq!(trouble.kind(), "missing", "{trouble}");
    assert_eq!(std::fs::read(file.path()).unwrap(), b"");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_port_that_is_forbidden_names_owner_group_mode_and_us() {
    let _turn = TURN.lock().await;
    let bench = bench();
    let (path, _cable) = pty(&bench);
    std::fs::set_permissions(&path, PermissionsExt::from_mode(0o600)).unwrap();
    let mut child = again("open", &path).spawn().unwrap();
    let page = block_in_place(|| until(&mut child, "end"));
    child.wait().unwrap();
    if page.contains("we are: user root") {
        // Root is forbidden nothing, and nobody may not run this binary here.
        return;
    }
    if !nix::unistd::geteuid().is_root() {
        // Our own pty: the owner may open it.
        return;
    }
    assert!(page.contains("Permission denied") && page.contains("mode 600"), "{page}");
    assert!(page.contains("belongs to: user root") && page.contains("we are: user nobody"), "{page}");
    assert!(page.contains("only root may use it"), "{page}");
}

#[tokio::test]
async fn a_socket_that_refuses_is_missing_and_says_where_to_look() {
    let address = {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        listener.local_addr().unwrap()
    };
    let spec = Spec { port: Port::Tcp(address.to_string()), ..spec(None) };
    let trouble = Device::new(spec, dialect(), Clock::new()).connect().await.unwrap_err();
    assert_eq!(trouble.kind(), "missing");
    assert!(trouble.to_string().contains(&format!("tcp:{address}")), "{trouble}");
}

#[tokio::test]
async fn a_supply_behind_a_socket_answers() {
    let bench = bench();
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let spec = Spec { port: Port::Tcp(listener.local_addr().unwrap().to_string()), ..spec(None) };
    let serving = bench.clone();
    tokio::spawn(async move {
        let (stream, _) = listener.accept().await.unwrap();
        serve_on(&serving, stream, Duration::ZERO);
    });
    let mut device = Device::new(spec, dialect(), Clock::new());
    device.connect().await.unwrap();
    assert_eq!(device.read().await.unwrap().volts.get(), 7.02);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_cable_pulled_and_put_back_is_the_same_way_in_as_the_first_time() {
    let _turn = TURN.lock().await;
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("supply");
    let first = bench();
    let (path, cable) = pty(&first);
    std::os::unix::fs::symlink(&path, &name).unwrap();
    let mut device = Device::new(at(&name, None), dialect(), Clock::new());
    device.connect().await.unwrap();
    cable.pull().await;
    let mut gone = false;
    for _ in 0..3 {
        gone |= device.read().await.is_err_and(|trouble| trouble.is_gone());
    }
    assert!(gone && !device.is_connected());
    let second = bench();
    let (path, _cable) = pty(&second);
    std::fs::remove_file(&name).unwrap();
    std::os::unix::fs::symlink(&path, &name).unwrap();
    device.connect().await.unwrap();
    assert!(device.read().await.is_ok());
}

#[tokio::test]
async fn a_probe_only_asks() {
    let bench = bench();
    let (path, _cable) = pty(&bench);
    bench.lock().unwrap().on = true;
    let missing = at(Path::new("/dev/serial/by-id/usb-nothing"), None);
    let report = probe(&[missing, at(&path, None)], &[dialect()]).await;
    assert_eq!((report.found.len(), report.silent.len()), (1, 1));
    let heard = bench.lock().unwrap().heard.clone();
    assert!(heard.iter().all(|line| line.is_empty() || line.ends_with('?')), "{heard:?}");
    let text = report.to_string();
    assert!(
        text.contains("output ON") && text.contains("identity = \"WORKSHOP,BENCH 12-10,0042,1.0\""),
        "{text}"
    );
    let block: toml::Table = report.found[0].block().parse().unwrap();
    assert_eq!(block["station"]["supply"]["dialect"].as_str(), Some("scpi"));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_minder_that_cannot_be_started_again_is_known_to_be_missing() {
    let _turn = TURN.lock().await;
    let started = std::sync::atomic::AtomicUsize::new(0);
    let command = move || {
        // The first dies when it is ready, the second never gets ready, the third stays.
        let script = match started.fetch_add(1, Ordering::Relaxed) {
            0 => "read line; echo ready",
            1 => "exit 1",
            _ => "read line; echo ready; read bye",
        };
        let mut command = tokio::process::Command::new("sh");
        command.args(["-c", script]);
        command
    };
    let minder = Minder::spawn_with(command, &[]).await.unwrap();
    let stands = minder.stands();
    within(Duration::from_secs(5), "missed", || !stands.load(Ordering::Relaxed)).await;
    within(Duration::from_secs(10), "there again", || stands.load(Ordering::Relaxed)).await;
    minder.goodbye().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_minder_whose_stderr_takes_nothing_switches_off_all_the_same() {
    let _turn = TURN.lock().await;
    let bench = bench();
    let (path, _cable) = pty(&bench);
    // A pipe that is full and that nobody reads, as a terminal after Ctrl-S.
    let (_unread, mut full) = std::io::pipe().unwrap();
    nix::fcntl::fcntl(&full, nix::fcntl::FcntlArg::F_SETFL(nix::fcntl::OFlag::O_NONBLOCK)).unwrap();
    while std::io::Write::write(&mut full, &[b'.'; 4096]).is_ok() {}
    while std::io::Write::write(&mut full, b".").is_ok() {}
    nix::fcntl::fcntl(&full, nix::fcntl::FcntlArg::F_SETFL(nix::fcntl::OFlag::empty())).unwrap();
    let mut daemon = again("daemon", &path).stderr(full).spawn().unwrap();
    block_in_place(|| until(&mut daemon, "up"));
    let [minder] = children(daemon.id())[..] else { panic!("one child") };
    kill(daemon.id(), nix::sys::signal::Signal::SIGKILL);
    within(Duration::from_secs(1), "off", || !bench.lock().unwrap().on).await;
    daemon.wait().unwrap();
    // And it does not hang about afterwards; a zombie is nobody's child here.
    within(Duration::from_secs(10), "its end", || {
        let stat = std::fs::read_to_string(format!("/proc/{minder}/stat")).unwrap_or_default();
        stat.is_empty() || stat.contains(") Z ")
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn off_that_meets_another_off_at_the_port_waits_for_it_and_both_confirm() {
    let bench = bench();
    let (path, _cable) = pty(&bench);
    bench.lock().unwrap().on = true;
    let mut first = Device::new(at(&path, None), dialect(), Clock::new());
    first.off().await.unwrap();
    let spec = at(&path, None);
    let dialect = dialect();
    let second = off_when_free(&spec, &dialect, Duration::from_secs(5));
    let lets_go = async {
        tokio::time::sleep(Duration::from_millis(100)).await;
        first.off().await.unwrap();
        first.close();
    };
    let (second, ()) = tokio::join!(second, lets_go);
    assert_eq!(second.unwrap(), OffReport::Confirmed);
}

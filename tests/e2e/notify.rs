//! Who is told: a webhook of the test's own, Debian's broker with its own clients, a command.

use super::hall::{Daemon, Hall, Log, PATIENCE, Plan, Process, clean, number, text, until};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, KeyInit as _, Mac as _};
use nix::sys::signal::Signal;
use serde_json::Value;
use sha2::Sha256;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

/// A request as it came: headers in small letters, and the body.
type Request = (Vec<(String, String)>, String);

/// Answers one request after the other with those statuses, then with 204.
fn hook(statuses: &'static [u16]) -> (SocketAddr, Receiver<Request>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    let (tell, told) = channel();
    std::thread::spawn(move || {
        let mut statuses = statuses.iter().copied();
        for stream in listener.incoming().flatten() {
            let mut lines = BufReader::new(stream.try_clone().unwrap());
            let mut headers = Vec::new();
            let mut line = String::new();
            while lines.read_line(&mut line).unwrap() > 2 {
                if let Some((key, value)) = line.split_once(": ") {
                    headers.push((key.to_lowercase(), value.trim().to_owned()));
                }
                line.clear();
            }
            let length = headers.iter().find(|(k, _)| k == "content-length").unwrap().1.parse().unwrap();
            let mut body = vec![0; length];
            lines.read_exact(&mut body).unwrap();
            let status = statuses.next().unwrap_or(204);
            write!(&stream, "HTTP/1.1 {status} x\r\ncontent-length: 0\r\nconnection: close\r\n\r\n").unwrap();
            if tell.send((headers, String::from_utf8(body).unwrap())).is_err() {
                return;
            }
        }
    });
    (address, told)
}

fn next(told: &Receiver<Request>, wanted: impl Fn(&Value) -> bool) -> (Request, Value) {
    loop {
        let request = told.recv_timeout(PATIENCE).expect("nothing more was told");
        let body: Value = serde_json::from_str(&request.1).unwrap();
        if wanted(&body) {
            return (request, body);
        }
    }
}

#[test]
fn webhook_that_fails_at_first_gets_the_alarm_again_signed_and_the_run_is_not_delayed() {
    let (address, told) = hook(&[500, 500]);
    let folder = tempfile::tempdir().unwrap();
    let secret = folder.path().join("secret");
    std::fs::write(&secret, "a long secret of the shop\n").unwrap();
    let more = format!(
        "[[notify.webhook]]\nurl = \"http://{address}/hook\"\nsecret-file = \"{}\"\n\
         # Nobody listens here: it keeps nobody from anything.\n\
         [[notify.webhook]]\nurl = \"http://127.0.0.1:1/\"\n",
        secret.display()
    );
    let hall = Hall::of(Plan { more, ..Plan::default() });
    let daemon = hall.daemon();
    let run = daemon.run("1000 C", &[]);
    // Twice refused with 500, then taken: the same message under the same id.
    let (first, started) = next(&told, |b| b["event"] == "started");
    let (second, again) = next(&told, |_| true);
    assert_eq!((&started, id(&first)), (&again, id(&second)));
    assert_eq!(text(&started["run"]), run);
    daemon.until_steady();
    hall.mimic().does("fault open-circuit");
    daemon.until_state("held");
    let ((headers, body), alarm) = next(&told, |b| b["kind"] == "alarm" && b["watch"] == "open-circuit");
    assert_eq!((&alarm["to"], &alarm["station"]), (&"unacknowledged".into(), &"bench".into()));
    let header = |name: &str| headers.iter().find(|(k, _)| k == name).unwrap().1.clone();
    let signed = format!("{}.{}.{body}", header("webhook-id"), header("webhook-timestamp"));
    let mut mac = Hmac::<Sha256>::new_from_slice(b"a long secret of the shop").unwrap();
    mac.update(signed.as_bytes());
    assert_eq!(header("webhook-signature"), format!("v1,{}", STANDARD.encode(mac.finalize().into_bytes())));
    assert!(!daemon.log.text().contains("a long secret"), "{}", daemon.log.text());
}

fn id(request: &Request) -> String {
    request.0.iter().find(|(k, _)| k == "webhook-id").unwrap().1.clone()
}

#[test]
fn message_that_a_webhook_refuses_is_counted_in_the_next() {
    let (address, told) = hook(&[404]);
    let more = format!("[[notify.webhook]]\nurl = \"http://{address}/hook\"\n");
    let hall = Hall::of(Plan { more, ..Plan::default() });
    let daemon = hall.daemon();
    daemon.run("1000 C", &[]);
    let (_, refused) = next(&told, |_| true);
    assert_eq!((&refused["event"], &refused["missed"]), (&"started".into(), &0.into()));
    daemon.verb(&["stop"]).good();
    let (_, ended) = next(&told, |_| true);
    assert_eq!((&ended["event"], &ended["missed"]), (&"ended".into(), &1.into()));
    daemon.log.until("refused a message with status 404");
}

/// Takes a connection and never answers it.
fn mute() -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    std::thread::spawn(move || listener.incoming().flatten().collect::<Vec<_>>());
    address
}

#[test]
fn receiver_and_broker_that_never_answer_hold_up_neither_the_run_nor_the_daemons_end() {
    let (receiver, broker) = (mute(), mute());
    let more = format!(
        "[[notify.webhook]]\nurl = \"http://{receiver}/\"\n[notify.mqtt]\nbroker = \"mqtt://{broker}\"\n"
    );
    let hall = Hall::of(Plan { more, ..Plan::default() });
    let mut daemon = hall.daemon();
    let run = daemon.run("20 C", &[]);
    assert_eq!(daemon.row(&run)["state"], "complete");
    daemon.run("1000 C", &[]);
    daemon.until_steady();
    let begun = Instant::now();
    daemon.process.signal(Signal::SIGTERM);
    assert!(daemon.process.ended().success(), "{}", daemon.log.text());
    // A try at the webhook takes 10 s.
    assert!(begun.elapsed() < Duration::from_secs(6), "{:?}\n{}", begun.elapsed(), daemon.log.text());
}

#[test]
fn webhook_that_was_told_of_a_start_hears_the_end_of_a_run_whose_daemon_was_killed() {
    let (address, told) = hook(&[]);
    let more = format!("[[notify.webhook]]\nurl = \"http://{address}/\"\n");
    let hall = Hall::of(Plan { more, ..Plan::default() });
    let mut daemon = hall.daemon();
    let run = daemon.run("1000 C", &[]);
    next(&told, |b| b["event"] == "started");
    daemon.process.signal(Signal::SIGKILL);
    daemon.process.ended();
    hall.mimic().until("off", |s| !s.on());
    let _again = hall.daemon();
    let (_, ended) = next(&told, |b| b["event"] == "ended");
    assert_eq!(ended["run"], run.as_str(), "{ended}");
    assert!(text(&ended["text"]).contains("interrupted"), "{ended}");
}

#[test]
fn webhook_hears_what_a_guided_job_asks_and_the_broker_shows_it() {
    let (address, told) = hook(&[]);
    let mut broker = Broker::start("");
    broker.up();
    let (_client, log) = broker.listen(&[]);
    let more = format!(
        "[[notify.webhook]]\nurl = \"http://{address}/\"\n[notify.mqtt]\n\
         broker = \"mqtt://127.0.0.1:{}\"\ntopic = \"shop\"\n",
        broker.port
    );
    let hall = super::jobs::hall_of(Plan { more, ..Plan::default() });
    let daemon = hall.daemon();
    let words = ["start", "--json", &super::jobs::order(&hall)];
    let job = daemon.verb(&words).json()["job"].as_str().unwrap().to_owned();
    let (_, started) = next(&told, |b| b["event"] == "started");
    assert_eq!((&started["job"], &started["run"]), (&job.as_str().into(), &Value::Null));
    let (_, asked) = next(&told, |b| b["event"] == "asked");
    assert!(text(&asked["text"]).starts_with("question 1: "), "{asked}");
    let state = heard(&log, "shop/bench/state", |s| s["job"]["question"]["seq"] == 1);
    assert_eq!((text(&state["job"]["id"]), text(&state["job"]["state"])), (job.as_str(), "running"));
    assert!(text(&asked["text"]).contains(text(&state["job"]["question"]["text"])), "{asked} {state}");
    daemon.verb(&["stop"]).good();
    let (_, ended) = next(&told, |b| b["event"] == "ended");
    assert_eq!(ended["job"], job.as_str(), "{ended}");
    heard(&log, "shop/bench/state", |s| s["job"]["state"] == "stopped");
}

#[test]
fn secret_that_is_not_there_keeps_the_daemon_from_starting_and_names_the_file() {
    let more = "[[notify.webhook]]\nurl = \"http://127.0.0.1:1/\"\nsecret-file = \"/nowhere/secret\"\n";
    let hall = Hall::of(Plan { more: more.into(), ..Plan::default() });
    let (mut process, log) = super::hall::begin(hall.serve());
    assert_eq!(process.ended().code(), Some(78), "{}", log.text());
    log.until("/nowhere/secret: there is no such file");
    assert!(!hall.mimic().state().on());
    // And is told by whoever looks before.
    let mut check = super::hall::tankside();
    check.arg("check").arg("--config").arg(&hall.config);
    assert!(super::hall::say(check).bad(78).contains("/nowhere/secret: there is no such file"));
}

#[test]
fn program_that_is_not_there_is_said_before_the_first_alarm() {
    let more = "[[notify.command]]\nrun = [\"/nowhere/lamp\"]\n[[notify.command]]\nrun = [\"/etc/passwd\"]\n";
    let hall = Hall::of(Plan { more: more.into(), ..Plan::default() });
    let mut check = super::hall::tankside();
    check.arg("check").arg("--config").arg(&hall.config);
    let said = super::hall::say(check).good();
    for words in
        ["\"/nowhere/lamp\" on an alarm: there is no such program", "\"/etc/passwd\" on an alarm: may not be"]
    {
        assert!(said.contains(words), "{words} in {said}");
    }
    hall.daemon().log.until("there is no such program");
}

#[test]
fn command_is_run_with_what_a_stack_light_needs_and_one_that_hangs_is_killed() {
    let folder = tempfile::tempdir().unwrap();
    let script = folder.path().join("lamp");
    let (seen, child) = (folder.path().join("seen"), folder.path().join("child"));
    let text = format!(
        "#!/bin/sh\necho \"$1 $TANKSIDE_STATION $TANKSIDE_ALARM $TANKSIDE_STATE $TANKSIDE_PRIORITY\" >> {0}\n\
         cat >> {0}\n",
        seen.display()
    );
    std::fs::write(&script, text).unwrap();
    let mode = std::os::unix::fs::PermissionsExt::from_mode(0o755);
    std::fs::set_permissions(&script, mode).unwrap();
    let more = format!(
        "[[notify.command]]\nrun = [\"{}\", \"red\"]\nfrom = \"high\"\n\
         [[notify.command]]\nrun = [\"/bin/sh\", \"-c\", \"sleep 1000 & echo $! > {}; wait\"]\n",
        script.display(),
        child.display()
    );
    let hall = Hall::of(Plan { more, ..Plan::default() });
    let daemon = hall.daemon();
    daemon.run("1000 C", &[]);
    daemon.until_steady();
    hall.mimic().does("fault open-circuit");
    daemon.until_state("held");
    until("lit", || {
        let text = std::fs::read_to_string(&seen).unwrap_or_default();
        let lit = text.contains("red bench open-circuit unacknowledged high\n{") && text.ends_with('}');
        if lit { Ok(()) } else { Err(text) }
    });
    daemon.log.until("took longer than 10 s and was killed");
    // With what it had started.
    let id: i32 = std::fs::read_to_string(&child).unwrap().trim().parse().unwrap();
    until("its child gone", || match std::fs::read_to_string(format!("/proc/{id}/cmdline")) {
        Ok(words) if words.starts_with("sleep") => Err(words),
        _ => Ok(()),
    });
}

/// Debian's broker, and a client of its own that prints all topics.
pub struct Broker {
    process: Option<Process>,
    config: std::path::PathBuf,
    pub port: u16,
    folder: tempfile::TempDir,
}

impl Broker {
    pub fn start(more: &str) -> Broker {
        let folder = tempfile::tempdir().unwrap();
        // Free a moment ago; nobody else on this machine is likely to take it.
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let config = folder.path().join("broker.conf");
        let more = more.replace("FOLDER", &folder.path().display().to_string());
        std::fs::write(
            &config,
            format!("user root\nlistener {port} 127.0.0.1\nallow_anonymous true\n{more}"),
        )
        .unwrap();
        Broker { process: None, config, port, folder }
    }

    pub fn up(&mut self) {
        let program =
            ["/usr/sbin/mosquitto", "/usr/bin/mosquitto"].into_iter().find(|p| Path::new(p).exists());
        let mut command = Command::new(program.expect("the broker is missing; `tests/run` installs it"));
        command.arg("-c").arg(&self.config);
        let child = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        self.process = Some(Process { child });
        until("the broker listens", || {
            std::net::TcpStream::connect(("127.0.0.1", self.port)).map(drop).map_err(|e| e.to_string())
        });
    }

    fn down(&mut self) {
        let mut process = self.process.take().unwrap();
        process.signal(Signal::SIGKILL);
        process.ended();
    }

    /// Prints `TOPIC PAYLOAD` for each message, retained ones first.
    pub fn listen(&self, more: &[&str]) -> (Process, Log) {
        let mut command = clean(Command::new("mosquitto_sub"));
        command.args(["-h", "127.0.0.1", "-p", &self.port.to_string(), "-v", "-t", "shop/#"]).args(more);
        let mut child = command.stdin(Stdio::null()).stdout(Stdio::piped()).spawn().unwrap();
        let log = Log::of(child.stdout.take().unwrap());
        (Process { child }, log)
    }
}

/// The last payload of that topic that satisfies.
fn heard(log: &Log, topic: &str, wanted: impl Fn(&Value) -> bool) -> Value {
    until(&format!("heard {topic}"), || {
        let text = log.text();
        let payloads = text.lines().filter_map(|line| line.strip_prefix(topic)?.strip_prefix(' '));
        let found = payloads.filter_map(|p| serde_json::from_str(p).ok()).filter(&wanted).last();
        found.ok_or_else(|| text.clone())
    })
}

fn with_broker(broker: &Broker, scheme: &str, version: &str, more: &str) -> (Hall, Daemon) {
    let more = format!(
        "[notify.mqtt]\nbroker = \"{scheme}://127.0.0.1:{}\"\nversion = \"{version}\"\ntopic = \"shop\"\n\
         readings-every = \"200 ms\"\n{more}",
        broker.port
    );
    let hall = Hall::of(Plan { more, ..Plan::default() });
    let daemon = hall.daemon();
    (hall, daemon)
}

fn told_by_a_broker(version: &str) {
    let mut broker = Broker::start("");
    broker.up();
    let (_client, log) = broker.listen(&[]);
    let (hall, daemon) = with_broker(&broker, "mqtt", version, "");
    log.until("shop/status online");
    daemon.run("1000 C", &[]);
    heard(&log, "shop/bench/state", |s| s["state"] == "running" && s["phase"] == "steady");
    let reading = heard(&log, "shop/bench/readings", |r| number(&r["amperes"]) > 2.9);
    assert!((number(&reading["setpoint_amperes"]) - 3.0).abs() < 1e-6, "{reading}");
    assert!(number(&reading["volts"]) > 1.0 && text(&reading["at"]).ends_with('Z'), "{reading}");

    // Away in the middle of a run: control does not notice, and what matters is told anew when it is back.
    broker.down();
    hall.mimic().does("fault open-circuit");
    daemon.until_state("held");
    broker.up();
    let (_client, log) = broker.listen(&[]);
    log.until("shop/status online");
    heard(&log, "shop/bench/state", |s| s["state"] == "held");
    heard(&log, "shop/bench/alarm/open-circuit", |a| a["priority"] == "high" && a["station"] == "bench");

    // A kill leaves the last will.
    daemon.process.signal(Signal::SIGKILL);
    log.until("shop/status offline");
}

#[test]
fn broker_of_edition_3_1_1_is_told_and_told_anew_after_a_restart() {
    told_by_a_broker("3.1.1");
}

#[test]
fn broker_of_edition_5_is_told_and_told_anew_after_a_restart() {
    told_by_a_broker("5");
}

#[test]
fn broker_that_falls_silent_under_readings_is_given_up_and_told_anew_when_it_speaks() {
    let mut broker = Broker::start("");
    broker.up();
    let (_hall, daemon) = with_broker(&broker, "mqtt", "5", "");
    daemon.log.until("connected");
    let process = broker.process.as_ref().unwrap();
    process.signal(Signal::SIGSTOP);
    daemon.log.until("has said nothing for 25 s; it is tried again");
    process.signal(Signal::SIGCONT);
    until("connected again", || {
        let text = daemon.log.text();
        if text.matches(": connected").count() == 2 { Ok(()) } else { Err(text) }
    });
}

#[test]
fn daemon_that_ends_says_goodbye_to_the_broker() {
    let mut broker = Broker::start("");
    broker.up();
    let (_client, log) = broker.listen(&[]);
    let (_hall, mut daemon) = with_broker(&broker, "mqtt", "3.1.1", "");
    log.until("shop/status online");
    daemon.process.signal(Signal::SIGTERM);
    assert!(daemon.process.ended().success(), "{}", daemon.log.text());
    log.until("shop/status offline");
}

#[test]
fn daemon_that_ends_in_a_run_leaves_no_word_of_an_output_that_is_on_and_tells_the_end() {
    let mut broker = Broker::start("");
    broker.up();
    let (address, told) = hook(&[]);
    let more = format!("[[notify.webhook]]\nurl = \"http://{address}/\"\n");
    let (_hall, mut daemon) = with_broker(&broker, "mqtt", "3.1.1", &more);
    daemon.run("1000 C", &[]);
    daemon.until_steady();
    daemon.process.signal(Signal::SIGTERM);
    assert!(daemon.process.ended().success(), "{}", daemon.log.text());
    assert!(!daemon.log.text().contains("it is tried again"), "{}", daemon.log.text());
    // Who comes now hears what was left with the broker.
    let (_client, log) = broker.listen(&[]);
    let state = heard(&log, "shop/bench/state", |_| true);
    assert_eq!((&state["state"], &state["output_on"]), (&"aborted".into(), &false.into()), "{state}");
    log.until("shop/status offline");
    next(&told, |b| b["event"] == "ended" && text(&b["text"]).contains("the daemon was stopped"));
}

#[test]
fn readings_come_as_often_as_was_asked() {
    let mut broker = Broker::start("");
    broker.up();
    // U: when it came, in seconds with nine digits.
    let (_client, log) = broker.listen(&["-F", "%t %U"]);
    let (_hall, _daemon) = with_broker(&broker, "mqtt", "3.1.1", "");
    // Somewhere in a minute, on a machine that does other things too, thirty in a row at 200 ms.
    until("thirty readings in 6.5 s", || {
        let text = log.text();
        let times: Vec<f64> =
            text.lines().filter_map(|line| line.strip_prefix("shop/bench/readings ")?.parse().ok()).collect();
        let best = times.windows(31).map(|w| w[30] - w[0]).min_by(f64::total_cmp);
        if best.is_some_and(|took| took < 6.5) { Ok(()) } else { Err(format!("{best:?}")) }
    });
}

#[test]
fn broker_behind_tls_is_told_and_one_of_another_authority_is_not() {
    let mut broker = Broker::start("certfile FOLDER/own.crt\nkeyfile FOLDER/own.key\n");
    let folder = broker.folder.path().to_owned();
    for name in ["own", "other"] {
        let mut command = Command::new("openssl");
        command.args(["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]);
        command.args([
            "-days",
            "2",
            "-subj",
            "/CN=127.0.0.1",
            "-addext",
            "subjectAltName=IP:127.0.0.1",
            "-addext",
            "basicConstraints=critical,CA:FALSE",
        ]);
        command.arg("-keyout").arg(folder.join(format!("{name}.key")));
        command.arg("-out").arg(folder.join(format!("{name}.crt")));
        let made = command.output().expect("openssl is missing; `tests/run` installs it");
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    }
    broker.up();
    let ca = folder.join("own.crt").display().to_string();
    let (_client, log) = broker.listen(&["--cafile", &ca]);
    let (_hall, daemon) = with_broker(&broker, "mqtts", "5", &format!("ca-file = \"{ca}\"\n"));
    log.until("shop/status online");
    drop(daemon);
    log.until("shop/status offline");
    let other = folder.join("other.crt").display().to_string();
    let (_hall, daemon) = with_broker(&broker, "mqtts", "5", &format!("ca-file = \"{other}\"\n"));
    let said = daemon.log.until("it is tried again");
    assert!(said.contains("ertificate"), "{said}");
    assert_eq!(log.text().matches("status online").count(), 1, "{}", log.text());
}

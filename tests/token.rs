//! `tankside token` and a daemon that asks for tokens, as processes of their own.
#![cfg(feature = "daemon")]

use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};

fn config(folder: &Path, listen: &str) -> std::path::PathBuf {
    let path = folder.join("tankside.toml");
    let text = format!(
        r#"[daemon]
listen = "{listen}"
state = "{}"
[[station]]
name = "bench"
[station.supply]
dialect = "scpi"
port = "{}"
max-current = "10 A"
max-voltage = "12 V"
[[tank]]
name = "nickel"
bath = "watts-nickel"
"#,
        folder.join("state").display(),
        folder.join("no-such-port").display()
    );
    #[expect(clippy::disallowed_methods, reason = "a config is a file")]
    std::fs::write(&path, text).unwrap();
    path
}

fn command(config: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tankside"));
    command.env_remove("RUST_LOG").env_remove("TANKSIDE_TOKEN").arg("--config").arg(config);
    command
}

fn say(config: &Path, words: &[&str]) -> Output {
    command(config).args(words).stdin(Stdio::null()).output().unwrap()
}

fn good(output: Output) -> String {
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

fn bad(output: Output, code: i32) -> String {
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(code), "{said}");
    said
}

#[test]
fn token_is_printed_once_listed_without_itself_and_revoked_by_name() {
    let folder = tempfile::tempdir().unwrap();
    let config = config(folder.path(), "127.0.0.1:8093");
    assert!(good(say(&config, &["token", "list"])).contains("no tokens"));
    let token = good(say(&config, &["token", "add", "tablet", "--scope", "operate"]));
    assert!(token.trim().starts_with("tankside-") && token.lines().count() == 1, "{token}");
    let list = good(say(&config, &["token", "list"]));
    assert!(list.contains("tablet") && list.contains("operate") && !list.contains(token.trim()), "{list}");
    let state = folder.path().join("state");
    let kept = std::fs::metadata(state.join("tokens.json")).unwrap().permissions().mode() & 0o777;
    assert_eq!(kept, 0o600);
    assert!(bad(say(&config, &["token", "add", "tablet", "--scope", "watch"]), 1).contains("already"));
    assert!(
        bad(say(&config, &["token", "add", "two", "--scope", "root"]), 64).contains("watch, operate, admin")
    );
    assert!(bad(say(&config, &["token", "revoke", "phone"]), 1).contains("there is: tablet"));
    good(say(&config, &["token", "revoke", "tablet"]));
    assert!(good(say(&config, &["token", "list"])).contains("no tokens"));
}

#[test]
fn address_that_others_can_reach_is_refused_until_there_is_a_token() {
    let folder = tempfile::tempdir().unwrap();
    let config = config(folder.path(), "0.0.0.0:0");
    for verb in ["serve", "check"] {
        let said = bad(say(&config, &[verb]), 78);
        assert!(said.contains("0.0.0.0:0 can be reached") && said.contains("tankside token add"), "{said}");
    }
    good(say(&config, &["token", "add", "tablet", "--scope", "watch"]));
    good(say(&config, &["check"]));
}

struct Daemon {
    child: Child,
    address: SocketAddr,
}

impl Daemon {
    /// Starts it, and waits until it says where it listens.
    fn start(config: &Path) -> Daemon {
        let mut child = command(config).arg("serve").stderr(Stdio::piped()).spawn().unwrap();
        let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
        let line = lines.by_ref().map(Result::unwrap).find(|l| l.contains("listening")).expect("it listens");
        // The rest must be read, or it would stand still.
        std::thread::spawn(move || lines.for_each(drop));
        let at = line.split("address=").nth(1).unwrap().split_whitespace().next().unwrap();
        Daemon { child, address: at.parse().unwrap() }
    }

    fn ask(&self, method: &str, path: &str, token: &str, body: &Value) -> (u16, String) {
        #[expect(clippy::disallowed_methods, reason = "a test that plays the client")]
        let mut socket = TcpStream::connect(self.address).unwrap();
        let body = body.to_string();
        write!(
            socket,
            "{method} {path} HTTP/1.1\r\nhost: {}\r\nauthorization: Bearer {token}\r\ncontent-type: application/json\r\ncontent-length: {}\r\nconnection: close\r\n\r\n{body}",
            self.address,
            body.len()
        )
        .unwrap();
        let mut answer = String::new();
        socket.read_to_string(&mut answer).unwrap();
        (answer[9..12].parse().unwrap(), answer)
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let pid = nix::unistd::Pid::from_raw(i32::try_from(self.child.id()).unwrap());
        nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM).ok();
        self.child.wait().ok();
    }
}

/// A port that was free a moment ago.
fn free() -> SocketAddr {
    #[expect(clippy::disallowed_methods, reason = "the system knows which ports are free")]
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap()
}

#[test]
fn running_daemon_takes_tokens_as_they_are_made_and_its_own_user_is_never_locked_out() {
    let folder = tempfile::tempdir().unwrap();
    let config = config(folder.path(), &free().to_string());
    let daemon = Daemon::start(&config);
    let stations = "/api/v1/stations";
    assert_eq!(daemon.ask("GET", stations, "", &json!({})).0, 200, "no token was made, none is needed");
    let watch = good(say(&config, &["token", "add", "screen", "--scope", "watch"])).trim().to_owned();
    assert_eq!(daemon.ask("GET", stations, "", &json!({})).0, 401);
    assert_eq!(daemon.ask("GET", stations, &watch, &json!({})).0, 200);
    let off = "/api/v1/stations/bench/off";
    let by = json!({"by": "mila"});
    assert_eq!(daemon.ask("POST", off, &watch, &by).0, 403);

    // The daemon's own user needs nothing in the environment.
    let state = folder.path().join("state");
    let local = std::fs::metadata(state.join("local.token")).unwrap().permissions().mode() & 0o777;
    assert_eq!(local, 0o600);
    assert!(good(say(&config, &["status"])).contains("bench"));
    // The audit is on disk within half a second, not before the answer.
    let mut audit = String::new();
    for _ in 0..200 {
        audit = good(say(&config, &["token", "audit"]));
        if audit.contains("no-scope") {
            break;
        }
    }
    let refused = audit.lines().find(|l| l.contains("no-scope")).unwrap_or_else(|| panic!("{audit}"));
    assert!(refused.contains("screen") && refused.contains("127.0.0.1") && refused.contains(off), "{audit}");
    // Another address is told no secret of this one's.
    let address = daemon.address.to_string();
    assert!(bad(say(&config, &["status", "--address", &address]), 77).contains("a token is needed"));
    let output = command(&config)
        .args(["status", "--address", &address])
        .env("TANKSIDE_TOKEN", &watch)
        .output()
        .unwrap();
    good(output);

    good(say(&config, &["token", "revoke", "screen"]));
    assert_eq!(daemon.ask("GET", stations, "", &json!({})).0, 200, "the last token is gone: none is needed");
}

/// An authority's certificate, and a chain and key of its making for `localhost`.
fn authority() -> (String, String, String) {
    use rcgen::{BasicConstraints, CertificateParams, IsCa, Issuer, KeyPair};
    let key = KeyPair::generate().unwrap();
    let mut params = CertificateParams::new(Vec::new()).unwrap();
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    params.distinguished_name.push(rcgen::DnType::CommonName, "the workshop's own");
    let own = params.self_signed(&key).unwrap();
    let issuer = Issuer::new(params, key);
    let key = KeyPair::generate().unwrap();
    let leaf = CertificateParams::new(vec!["localhost".into()]).unwrap().signed_by(&key, &issuer).unwrap();
    (own.pem(), leaf.pem(), key.serialize_pem())
}

#[test]
#[expect(clippy::disallowed_methods, reason = "certificates and configs are files")]
fn verbs_from_another_machine_reach_a_daemon_over_tls_and_trust_no_other_authority() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).display().to_string();
    let (own, chain, key) = authority();
    for (name, text) in
        [("own.pem", own), ("chain.pem", chain), ("key.pem", key), ("other.pem", authority().0)]
    {
        std::fs::write(at(name), text).unwrap();
    }
    std::fs::write(at("none.pem"), "no certificate\n").unwrap();
    let config = config(folder.path(), &free().to_string());
    let tls = format!("[daemon.tls]\ncertificate = \"{}\"\nkey = \"{}\"\n", at("chain.pem"), at("key.pem"));
    let text = std::fs::read_to_string(&config).unwrap();
    std::fs::write(&config, text.replacen("[[station]]", &format!("{tls}[[station]]"), 1)).unwrap();
    let token = good(say(&config, &["token", "add", "desk", "--scope", "operate"])).trim().to_owned();
    let daemon = Daemon::start(&config);
    let port = daemon.address.port();
    // No config, no state: what another machine has.
    let away = |token: &str, words: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tankside"));
        command.env_clear().env("TANKSIDE_TOKEN", token).current_dir(folder.path());
        command.args(words).stdin(Stdio::null());
        command
    };
    let address = format!("https://localhost:{port}");
    let with = |token: &str, ca: &str| {
        away(token, &["status", "--address", &address, "--ca", &at(ca)]).output().unwrap()
    };
    assert!(good(with(&token, "own.pem")).contains("bench"));
    let mut by_environment = away(&token, &["status", "--address", &format!("{address}/")]);
    assert!(good(by_environment.env("TANKSIDE_CA", at("own.pem")).output().unwrap()).contains("bench"));

    let stranger = bad(with(&token, "other.pem"), 77);
    assert!(stranger.contains("not trusted here") && stranger.contains("--ca"), "{stranger}");
    let public = bad(away(&token, &["status", "--address", &address]).output().unwrap(), 77);
    assert!(public.contains("not trusted here"), "{public}");
    // The right authority, and a name that the certificate does not have.
    let elsewhere = format!("https://127.0.0.1:{port}");
    let words = ["status", "--address", &elsewhere, "--ca", &at("own.pem")];
    assert!(bad(away(&token, &words).output().unwrap(), 77).contains("as the certificate has it"));
    assert!(bad(with("", "own.pem"), 77).contains("a token is needed"));
    let unread = bad(with(&token, "none.pem"), 78);
    assert!(unread.contains("there is no certificate in it"), "{unread}");
    assert!(bad(with(&token, "missing.pem"), 78).contains("missing.pem"));

    // An address of documentation (RFC 5737): nobody is there, and nobody is asked.
    let clear = bad(away(&token, &["status", "--address", "192.0.2.7:8093"]).output().unwrap(), 77);
    assert!(clear.contains("nothing was sent") && clear.contains("--in-the-clear"), "{clear}");
    assert!(!clear.contains(&token), "{clear}");

    // Off goes the same way. What came of it here is another matter: there is no supply.
    let off = ["off", "--address", &address, "--ca", &at("own.pem"), "--as", "mila"];
    away(&token, &off).output().unwrap();
    let mut audit = String::new();
    for _ in 0..200 {
        audit = good(say(&config, &["token", "audit"]));
        if audit.contains("/off") {
            break;
        }
    }
    assert!(audit.lines().any(|l| l.contains("/off") && l.contains("desk")), "{audit}");
}

//! Off: through the daemon, else directly at the ports. Never refused.

use super::args::Common;
use super::client::{Client, escape};
use super::probe::{BAUDS, is_shut};
use super::say::line;
use super::setup;
use crate::host::{Done, Failure};
use crate::serve::Tokens;
use crate::supply::{
    Clock, Device, Dialect, Flow, OffReport, Parity, Port, Spec, Trouble, Wiring, keep_last_word,
    off_at_port, off_when_free, plain,
};
use serde_json::json;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// A port that is held is tried again for this long: a minder, or another `off`, lets go when it is done.
const HELD: Duration = Duration::from_secs(1);
/// Beyond the reply time, what one guess at a port may take.
const GUESS: Duration = Duration::from_millis(300);
/// To reach a socket may take as long as it takes to give up.
const SOCKET: Duration = Duration::from_secs(4);

/// What is left to do, said once.
const BY_HAND: &str = "go to the supply and switch it off by hand";

/// By station: what was confirmed, or why nothing was.
type Answers = Vec<(String, Result<String, Failure>)>;
/// Ways to say off at one port.
type Ways = Vec<(Spec, Arc<Dialect>)>;

/// Switches off and says what was confirmed; fails when anything was not.
pub(crate) fn off(
    client: &Client,
    common: &Common,
    station: Option<&str>,
    ports: &[String],
    by: &str,
) -> Done {
    off_with(client, common, station, ports, by, &[], None)
}

/// As [`off`] with a config that has mistakes: what can still be made out of its text must do. A daemon at an address that
/// is only guessed may be another one's, so that stations it does not know are switched off at their ports.
pub(crate) fn off_blindly(
    common: &Common,
    station: Option<&str>,
    ports: &[String],
    by: &str,
    patience: Duration,
) -> Done {
    let text = setup::text(common);
    let (path, text) = match &text {
        Ok((path, text)) => (path.display().to_string(), text.as_str()),
        Err(failure) => {
            eprintln!("tankside: {}", plain(&failure.text));
            (String::new(), "")
        }
    };
    let (address, whose) = match (&common.address, listen_in(text)) {
        (Some(address), _) => (address.clone(), "as --address says"),
        (None, Some(listen)) => (super::reach(listen).to_string(), "where its listen line says"),
        (None, None) => (super::ADDRESS.to_owned(), "the usual address, for its own cannot be read"),
    };
    if !text.is_empty() && ports.is_empty() {
        eprintln!(
            "tankside: {path} has mistakes (\"{}\" names them); asking the daemon at {address}, {whose}",
            super::say::hint("check")
        );
    }
    let known: Vec<_> = match station {
        None => ports_in(text).into_iter().filter_map(|(name, _)| name).collect(),
        Some(_) => Vec::new(),
    };
    // The daemon asks for a token from this machine too; its own secret is for its own address alone.
    let own = if common.address.is_none() { Tokens::local(&state_in(text)) } else { None };
    let client = super::reaching(&address, common, patience).or_with(own).for_switching_off();
    let whom = format!("by the daemon at {address}; if that is not this bench's, go to the supply");
    off_with(&client, common, station, ports, by, &known, Some(&whom))
}

/// `known`: stations that must be among those of the daemon, or are switched off at their ports. `whom`: who is asked,
/// where its address is a guess: another's may have a station of the same name.
fn off_with(
    client: &Client,
    common: &Common,
    station: Option<&str>,
    ports: &[String],
    by: &str,
    known: &[String],
    whom: Option<&str>,
) -> Done {
    let mut stations = station.map(|name| vec![name.to_owned()]);
    // Why the daemon could not, kept until the ports have been tried: the same cause is not told twice.
    let mut before = Vec::new();
    if ports.is_empty() {
        match by_daemon(client, stations.clone(), by) {
            Ok(answers) => {
                let strange = known.iter().filter(|name| !answers.iter().any(|(n, _)| n == *name));
                let mut left: Vec<_> = strange.cloned().collect();
                for name in &left {
                    eprintln!("tankside: {name} is no station of that daemon; going to its port");
                }
                for (name, answer) in answers {
                    match answer {
                        Ok(said) => {
                            let whom = whom.map(|whom| format!(" ({whom})")).unwrap_or_default();
                            line(format!("{name}: {said}{whom}"));
                        }
                        Err(failure) => {
                            eprintln!("tankside: {name}: not confirmed by the daemon; going to its port");
                            before.push(format!("{name}: {}", plain(&failure.text)));
                            left.push(name);
                        }
                    }
                }
                if left.is_empty() {
                    return Ok(());
                }
                stations = Some(left);
            }
            Err(failure) => eprintln!("tankside: {}; going to the ports", plain(&failure.text)),
        }
    }
    let targets = match ports {
        [] => stationed(common, stations.as_deref())?,
        ports => named(common, ports),
    };
    at_ports(targets, &before)
}

/// Where the daemon listens, in a text that need not be good TOML.
fn listen_in(text: &str) -> Option<SocketAddr> {
    value_in(text, "listen")?.parse().ok()
}

/// Where its state is, by such a text or as usual.
fn state_in(text: &str) -> PathBuf {
    value_in(text, "state").filter(|folder| !folder.is_empty()).unwrap_or(crate::config::STATE).into()
}

/// The first value of that key.
fn value_in<'t>(text: &'t str, wanted: &str) -> Option<&'t str> {
    let value = text.lines().find_map(|row| {
        let (key, value) = row.trim().split_once('=')?;
        (key.trim() == wanted).then_some(value)
    })?;
    Some(value.split('#').next()?.trim().trim_matches(['"', '\'']))
}

/// To all stations at once: one that is silent must not keep the others on.
///
/// # Errors
/// If the daemon does not even say which stations it has.
fn by_daemon(client: &Client, named: Option<Vec<String>>, by: &str) -> Result<Answers, Failure> {
    let names = named.map_or_else(|| client.station_names(), Ok)?;
    if names.is_empty() {
        return Err(Failure::refused("the daemon has no station"));
    }
    let ask = |name: &str| {
        let path = format!("/api/v1/stations/{}/off", escape(name));
        client.post(&path, &json!({ "by": by })).map(|a| a["said"].as_str().unwrap_or("off").to_owned())
    };
    Ok(std::thread::scope(|scope| {
        let asked: Vec<_> = names.iter().map(|name| scope.spawn(|| ask(name))).collect();
        let answers =
            asked.into_iter().map(|a| a.join().unwrap_or_else(|_| Err(Failure::bug("a slip of ours"))));
        names.iter().cloned().zip(answers).collect()
    }))
}

/// One port, with every way in which its supply may understand off, the likeliest first; with none, why not.
#[derive(Debug)]
struct Target {
    name: String,
    ways: Ways,
}

/// `before`: what the daemon said of those that it could not switch off, told where the ports tell something else.
fn at_ports(targets: Vec<Target>, before: &[String]) -> Done {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::bug(e.to_string()))?;
    // All at once: a dead port must not keep the others waiting.
    let sure = runtime.block_on(async {
        let tasks: Vec<_> = targets
            .into_iter()
            .map(|Target { name, ways }| tokio::spawn(async move { (name, switch_off(&ways).await) }))
            .collect();
        let mut sure = true;
        let mut told = String::new();
        for task in tasks {
            let (name, (confirmed, text)) =
                task.await.unwrap_or_else(|e| ("a port".into(), (false, format!("NOT switched off: {e}"))));
            sure &= confirmed;
            line(format!("{name}: {text}"));
            told.push_str(&text);
        }
        if !sure {
            for said in before.iter().filter(|said| is_news(said, &told)) {
                eprintln!("tankside: by the daemon, {said}");
            }
        }
        sure
    });
    if sure { Ok(()) } else { Err(Failure::refused(format!("not every output is confirmed off: {BY_HAND}"))) }
}

/// Whether the daemon said anything that the ports have not: its first line says what is wrong.
fn is_news(said: &str, told: &str) -> bool {
    let told = plain(told);
    let mut reasons =
        told.lines().filter_map(|line| line.split_once("NOT switched off: ").map(|(_, why)| why));
    !reasons.any(|why| said.contains(why))
}

/// Whether off was confirmed, and what there is to say.
async fn switch_off(ways: &[(Spec, Arc<Dialect>)]) -> (bool, String) {
    match ways {
        [] => (false, "NOT switched off: no such station is in the config".into()),
        [(spec, dialect)] => {
            keep_last_word();
            match off_when_free(spec, dialect, HELD).await {
                Ok(report) => (report == OffReport::Confirmed, report.to_string()),
                Err(trouble) => (false, format!("NOT switched off: {trouble}")),
            }
        }
        ways => guess(ways).await,
    }
}

/// Off, and nothing else, in one way after the other until the supply confirms it. At a wrong
/// speed or in strange words it is noise to the supply, as in a probe.
async fn guess(ways: &[(Spec, Arc<Dialect>)]) -> (bool, String) {
    for (spec, dialect) in ways {
        let reach = if matches!(spec.port, Port::Serial(_)) { Duration::ZERO } else { SOCKET };
        let mut device = Device::new(spec.clone(), dialect.clone(), Clock::new());
        let limit = dialect.timing.reply_timeout + GUESS + reach;
        match tokio::time::timeout(limit, device.off()).await {
            Ok(Ok(())) => {
                let (baud, words) = (spec.baud, &dialect.name);
                let at =
                    if matches!(spec.port, Port::Tcp(_)) { String::new() } else { format!("{baud} baud, ") };
                return (true, format!("{} ({at}dialect {words})", OffReport::Confirmed));
            }
            Ok(Err(Trouble::Busy(_))) => return past_holder(ways).await,
            Ok(Err(trouble)) if is_shut(&trouble) => return (false, format!("NOT switched off: {trouble}")),
            Ok(Err(_)) | Err(_) => {}
        }
    }
    (false, format!("off was sent {}, and nothing confirmed it", tried(ways)))
}

/// Another program holds the port, at a speed of its own: only the words are still open.
async fn past_holder(ways: &[(Spec, Arc<Dialect>)]) -> (bool, String) {
    let mut patience = HELD;
    let mut said = (false, "NOT switched off".to_owned());
    let first = ways.first().map_or(0, |(spec, _)| spec.baud);
    for (spec, dialect) in ways.iter().filter(|(spec, _)| spec.baud == first) {
        let report = match patience {
            Duration::ZERO => off_at_port(spec, dialect).await,
            patience => off_when_free(spec, dialect, patience).await,
        };
        patience = Duration::ZERO;
        match report {
            Ok(OffReport::Confirmed) => return (true, OffReport::Confirmed.to_string()),
            Ok(report) => said.1 = format!("{report} (in the words of {})", words(ways)),
            Err(trouble) => said.1 = format!("NOT switched off: {trouble}"),
        }
    }
    said
}

/// What was tried, for people.
fn tried(ways: &[(Spec, Arc<Dialect>)]) -> String {
    let mut rates: Vec<String> = Vec::new();
    for (spec, _) in ways {
        let rate = spec.baud.to_string();
        if matches!(spec.port, Port::Serial(_)) && !rates.contains(&rate) {
            rates.push(rate);
        }
    }
    let at = if rates.is_empty() { String::new() } else { format!("at {} baud ", rates.join(", ")) };
    format!("{at}in the words of {}", words(ways))
}

fn words(ways: &[(Spec, Arc<Dialect>)]) -> String {
    let mut names: Vec<&str> = Vec::new();
    for (_, dialect) in ways {
        if !names.contains(&dialect.name.as_str()) {
            names.push(&dialect.name);
        }
    }
    names.join(", ")
}

/// The ports that were named, as the config has them if they stand in it, else by guess.
fn named(common: &Common, ports: &[String]) -> Vec<Target> {
    let dialects = setup::readable_dialects(common);
    let known: Vec<(Spec, Ways)> = match setup::load(common) {
        Ok(Ok(setup)) => {
            let supplies = setup.config.stations.iter().flat_map(crate::config::Station::supplies);
            supplies.map(|spec| (spec.clone(), ways(spec, &setup.dialects))).collect()
        }
        _ => {
            let text = setup::text(common).map(|(_, text)| text).unwrap_or_default();
            ports_in(&text).into_iter().map(|(_, spec)| (spec.clone(), ways(&spec, &dialects))).collect()
        }
    };
    let target = |text: &String| {
        let port = port(text);
        let here: Vec<_> = known.iter().filter(|(spec, _)| same(&spec.port, &port)).collect();
        let ways = match here[..] {
            [] => guesses(&port, &dialects),
            // Several supplies on one line: each of them.
            _ => {
                return here
                    .into_iter()
                    .map(|(_, ways)| Target { name: text.clone(), ways: ways.clone() })
                    .collect();
            }
        };
        vec![Target { name: text.clone(), ways }]
    };
    ports.iter().flat_map(target).collect()
}

/// The ports of these stations (`None`: all) by the config, or those that a config with mistakes still shows.
fn stationed(common: &Common, stations: Option<&[String]>) -> Result<Vec<Target>, Failure> {
    let wanted = |name: &str| stations.is_none_or(|all| all.iter().any(|s| s == name));
    if let Ok(Ok(setup)) = setup::load(common) {
        let here = setup.config.stations.iter().filter(|s| wanted(&s.name));
        let mut targets: Vec<_> = here
            .flat_map(crate::config::Station::supplies)
            .map(|spec| Target { name: spec.name(), ways: ways(spec, &setup.dialects) })
            .collect();
        let unknown = |name: &&String| !setup.config.stations.iter().any(|s| s.name == **name);
        let missing = stations.unwrap_or_default().iter().filter(unknown);
        targets.extend(missing.map(|name| Target { name: name.clone(), ways: Vec::new() }));
        return Ok(targets);
    }
    let (path, text) = setup::text(common)?;
    eprintln!("tankside: {} has mistakes; using the ports that stand in it", path.display());
    let dialects = setup::readable_dialects(common);
    let found: Vec<_> = ports_in(&text)
        .into_iter()
        .filter(|(name, _)| name.as_deref().is_none_or(wanted))
        .map(|(_, spec)| Target { name: spec.port.to_string(), ways: ways(&spec, &dialects) })
        .collect();
    if found.is_empty() {
        return Err(Failure::config(format!(
            "{}: no port stands in it; name it: tankside off /dev/…",
            path.display()
        )));
    }
    Ok(found)
}

/// By the dialect that is named, or by all if there is none of that name.
fn ways(spec: &Spec, dialects: &[Arc<Dialect>]) -> Ways {
    match dialects.iter().find(|d| d.name == spec.dialect) {
        Some(dialect) => vec![(spec.clone(), dialect.clone())],
        None => real(dialects).map(|d| (spec.clone(), d.clone())).collect(),
    }
}

/// A port of which nothing is known: the usual rates, the commonest first, each in the words of every dialect.
fn guesses(port: &Port, dialects: &[Arc<Dialect>]) -> Ways {
    let rates: Vec<u32> = match port {
        Port::Serial(_) => [9600].into_iter().chain(BAUDS.into_iter().filter(|b| *b != 9600)).collect(),
        // The far end has set it.
        Port::Tcp(_) | Port::Bridge(_) => vec![9600],
    };
    let at = |baud| real(dialects).map(move |d| (spec(port.clone(), baud, &d.name), d.clone()));
    rates.into_iter().flat_map(at).collect()
}

/// The examples are invented: at a strange supply their registers may be anything.
fn real(dialects: &[Arc<Dialect>]) -> impl Iterator<Item = &Arc<Dialect>> {
    dialects.iter().filter(|d| !d.name.ends_with("-example"))
}

fn port(text: &str) -> Port {
    Port::parse(text).unwrap_or_else(|| Port::Serial(Path::new(text).into()))
}

/// The same port, also by another of its names.
fn same(one: &Port, other: &Port) -> bool {
    match (one, other) {
        (Port::Serial(one), Port::Serial(other)) => {
            one == other || one.canonicalize().is_ok_and(|real| other.canonicalize().is_ok_and(|o| o == real))
        }
        _ => one == other,
    }
}

fn spec(port: Port, baud: u32, dialect: &str) -> Spec {
    // No identity: whatever hangs on the port is switched off.
    Spec {
        dialect: dialect.into(),
        port,
        baud,
        parity: Parity::None,
        two_stop_bits: false,
        identity: None,
        wiring: Wiring::default(),
    }
}

/// Ports, with the station above them and the baud rate and dialect beside them, in a text that need
/// not be good TOML: a slip elsewhere in the file must not keep an output on.
fn ports_in(text: &str) -> Vec<(Option<String>, Spec)> {
    let mut found: Vec<(Option<String>, Spec)> = Vec::new();
    let mut name = None;
    // What was said of the supply of this table so far, and whether its port was.
    let mut about = spec(Port::Tcp(String::new()), 9600, "scpi");
    let mut ported = false;
    for row in text.lines() {
        let row = row.trim();
        if row.starts_with('[') {
            // `[station.supply]` may stand twice by a slip; each begins anew.
            (about, ported) = (spec(Port::Tcp(String::new()), 9600, "scpi"), false);
            if row.starts_with("[[") && !row.starts_with("[[station.") {
                name = None;
            }
            continue;
        }
        let Some((key, value)) = row.split_once('=') else { continue };
        let value = value.split('#').next().unwrap_or_default().trim().trim_matches(['"', '\'']);
        match key.trim() {
            "name" => name = Some(value.to_owned()),
            "port" if !value.is_empty() => {
                about.port = port(value);
                found.push((name.clone(), about.clone()));
                ported = true;
                continue;
            }
            "baud" => about.baud = value.replace('_', "").parse().unwrap_or(about.baud),
            "dialect" => about.dialect = value.into(),
            "parity" if value == "even" => about.parity = Parity::Even,
            "parity" if value == "odd" => about.parity = Parity::Odd,
            "stop-bits" => about.two_stop_bits = value == "2",
            "data-bits" => about.wiring.seven_bits = value == "7",
            "unit" => about.wiring.unit = value.parse().ok(),
            "echo" => about.wiring.echo = value == "true",
            "flow" if value == "hardware" => about.wiring.flow = Flow::Hardware,
            "flow" if value == "software" => about.wiring.flow = Flow::Software,
            _ => continue,
        }
        if let Some((_, last)) = found.last_mut().filter(|_| ported) {
            *last = about.clone();
        }
    }
    found
}

#[cfg(test)]
#[expect(clippy::disallowed_methods, reason = "a test that plays the daemon has to listen")]
mod tests {
    use super::*;
    use crate::supply::dialect;
    use std::io::{BufRead, BufReader, Read, Write};
    use std::sync::Mutex;

    #[test]
    fn ports_are_found_in_a_config_that_is_not_even_toml() {
        let text = "[daemon\nlisten = 7\n[[station]]\nname = \"bench\"\n[station.supply]\ndialect = \"scpi\"\n\
                    port = \"/dev/ttyUSB0\" # left\nbaud = 115_200\nmax-current = 10\n\
                    [[station]]\n[station.supply]\nport = 'tcp:127.0.0.1:5025'\n";
        let found = ports_in(text);
        assert_eq!(found.len(), 2);
        assert_eq!((found[0].1.port.to_string(), found[0].1.baud), ("/dev/ttyUSB0".into(), 115_200));
        assert_eq!(found[1].1.port, Port::Tcp("127.0.0.1:5025".into()));
        assert_eq!((found[0].0.as_deref(), found[1].0.as_deref()), (Some("bench"), None));
        assert!(found.iter().all(|(_, s)| s.identity.is_none()), "off asks nobody who it is");
    }

    #[test]
    fn address_of_the_daemon_is_found_in_a_config_that_is_not_even_toml() {
        let found = listen_in("[daemon\n listen = \"127.0.0.1:8193\" # ours\n");
        assert_eq!(found, Some("127.0.0.1:8193".parse().unwrap()));
        assert_eq!(listen_in("#listen = \"127.0.0.1:8193\"\nlisten = 7"), None);
        assert_eq!(state_in("[daemon\nstate = '/srv/plating' # ours\n"), Path::new("/srv/plating"));
        assert_eq!(state_in("#state = '/srv/plating'\n"), Path::new("/var/lib/tankside"));
    }

    #[test]
    fn off_with_a_broken_config_is_not_turned_away_for_want_of_this_machines_own_token() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("local.token"), "secret").unwrap();
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let config = folder.path().join("tankside.toml");
        let text = format!(
            "[daemon\nlisten = \"{}\"\nstate = \"{}\"\n[[station]]\nname = \"b c\"\n",
            listener.local_addr().unwrap(),
            folder.path().display()
        );
        std::fs::write(&config, text).unwrap();
        let heard = Arc::new(Mutex::new(Vec::new()));
        let hears = heard.clone();
        std::thread::spawn(move || daemon(listener, hears));
        let common = Common { config: Some(config), ..Common::default() };
        off_blindly(&common, Some("b c"), &[], "mila", Duration::from_secs(5)).unwrap();
        let heard = heard.lock().unwrap();
        assert!(heard.len() == 1 && heard[0].to_lowercase().contains("bearer secret"), "{heard:?}");
    }

    #[test]
    fn address_and_line_settings_are_taken_from_a_broken_config_wherever_they_stand_in_the_table() {
        let text = "[[station]\n[station.supply]\nunit = 7\nport = \"/dev/ttyUSB0\"\nparity = \"even\"\n\
                    dialect = \"rectifier\"\nbaud = 19200\nstop-bits = 2\necho = true\n\
                    [[station.parallel]]\nport = \"/dev/ttyUSB1\"\n";
        let found = ports_in(text);
        let first = &found[0].1;
        assert_eq!((first.dialect.as_str(), first.baud, first.wiring.unit), ("rectifier", 19_200, Some(7)));
        assert!(first.parity == Parity::Even && first.two_stop_bits && first.wiring.echo);
        let other = &found[1].1;
        assert_eq!((other.dialect.as_str(), other.wiring.unit, other.parity), ("scpi", None, Parity::None));
    }

    #[test]
    fn strange_port_is_told_off_at_every_usual_rate_and_in_no_invented_words() {
        let shipped: Vec<_> = dialect::shipped().into_iter().map(Arc::new).collect();
        let ways = guesses(&port("/dev/ttyUSB7"), &shipped);
        assert_eq!((ways[0].0.baud, ways[0].1.name.as_str()), (9600, "scpi"));
        for baud in BAUDS {
            for name in ["scpi", "scpi-channel"] {
                assert!(ways.iter().any(|(s, d)| s.baud == baud && d.name == name), "{baud} {name}");
            }
        }
        assert!(ways.iter().all(|(_, d)| !d.name.ends_with("-example")), "{}", words(&ways));
        assert_eq!(guesses(&port("tcp:127.0.0.1:5025"), &shipped).len(), 2);
        // Bounded: less than half a minute for a serial port, even if nothing ever answers.
        let longest: Duration = ways.iter().map(|(_, d)| d.timing.reply_timeout + GUESS).sum();
        assert!(longest < Duration::from_secs(30), "{longest:?}");
        assert!(tried(&ways).starts_with("at 9600, 115200, 57600"), "{}", tried(&ways));
    }

    /// Answers as a daemon would; at "a" it takes the order and says nothing.
    fn daemon(listener: std::net::TcpListener, heard: Arc<Mutex<Vec<String>>>) {
        for stream in listener.incoming().map_while(Result::ok) {
            let heard = heard.clone();
            std::thread::spawn(move || {
                let mut lines = BufReader::new(stream.try_clone().unwrap());
                let mut first = String::new();
                lines.read_line(&mut first).unwrap();
                let mut rest = String::new();
                while lines.read_line(&mut rest).is_ok_and(|n| n > 2) {}
                heard.lock().unwrap().push(format!("{first}{rest}"));
                let body = match first.split(' ').nth(1).unwrap() {
                    "/api/v1/stations" => r#"[{"station":"a"},{"station":"b c"}]"#,
                    "/api/v1/stations/b%20c/off" => r#"{"said":"output off, confirmed"}"#,
                    // Until the asker has lost patience.
                    _ => return drop(lines.read_to_string(&mut rest)),
                };
                let head = "HTTP/1.1 200 OK\r\ncontent-type: application/json\r\nconnection: close";
                write!(&stream, "{head}\r\ncontent-length: {}\r\n\r\n{body}", body.len()).unwrap();
            });
        }
    }

    #[test]
    fn what_the_port_says_too_is_not_told_again_in_the_words_of_the_daemon() {
        let port = "NOT switched off: cannot open /dev/x: No such file or directory\n  we are: user ada";
        let daemon = "bench: the output was not seen to go off (off could not be confirmed: cannot open /dev/x: No \
                      such file or directory\n  we are: user plating): go to the supply";
        assert!(!is_news(daemon, port));
        assert!(is_news("bench: the supply did not answer OUTP? within 1 s", port));
        assert!(is_news(daemon, "off was sent, but NOT confirmed: process 7 (tankside) holds the port"));
    }

    #[test]
    fn station_that_is_silent_keeps_no_other_on_and_is_the_only_one_that_is_left() {
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap().to_string();
        let heard = Arc::new(Mutex::new(Vec::new()));
        let hears = heard.clone();
        std::thread::spawn(move || daemon(listener, hears));
        let client = Client::new(&address, None, Duration::from_secs(1));
        let answers = by_daemon(&client, None, "mila").unwrap();
        let names: Vec<_> = answers.iter().map(|(name, answer)| (name.as_str(), answer.is_ok())).collect();
        assert_eq!(names, [("a", false), ("b c", true)], "{:?}", heard.lock().unwrap());
    }
}

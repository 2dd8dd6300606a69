//! Who is told of what happens: webhooks, a broker, commands.

use crate::quantity::{Document, Field, Span, Table};
use crate::watch::Priority;
use std::path::PathBuf;
use std::time::Duration;

/// Webhooks, and commands, of one daemon at the most.
const MOST: usize = 4;
/// Between two readings to a broker when nothing is said.
const READINGS: Duration = Duration::from_secs(1);

/// Who is told; nobody if nothing is said.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Notify {
    /// Web addresses, told of alarms and of what runs do.
    pub webhooks: Vec<Webhook>,
    /// A broker, told of states, readings and alarms.
    pub mqtt: Option<Mqtt>,
    /// Programs that are run when an alarm changes.
    pub commands: Vec<OnAlarm>,
}

/// One web address.
#[derive(Clone, Debug, PartialEq)]
pub struct Webhook {
    /// `http://` or `https://`.
    pub url: String,
    /// A file whose text signs each message.
    pub secret_file: Option<PathBuf>,
    /// Alarms of a lower priority are not sent.
    pub from: Priority,
    /// Whether the beginning, the questions and the end of runs are sent too.
    pub runs: bool,
}

/// Which edition of the protocol a broker is spoken to in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum MqttVersion {
    /// 3.1.1.
    #[default]
    V3,
    /// 5.
    V5,
}

/// The broker.
#[derive(Clone, Debug, PartialEq)]
pub struct Mqtt {
    /// Its name or address.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// Whether the link is by TLS.
    pub tls: bool,
    /// The authority that its certificate is checked against, instead of the system's.
    pub ca_file: Option<PathBuf>,
    /// Edition of the protocol.
    pub version: MqttVersion,
    /// Name to log in with.
    pub user: Option<String>,
    /// A file that holds the password.
    pub password_file: Option<PathBuf>,
    /// What every topic begins with.
    pub topic: String,
    /// Between two readings of a station.
    pub readings_every: Duration,
}

/// A program that is run when an alarm changes.
#[derive(Clone, Debug, PartialEq)]
pub struct OnAlarm {
    /// The program and its arguments; no shell looks at them.
    pub run: Vec<String>,
    /// Alarms of a lower priority do not run it.
    pub from: Priority,
}

/// Reads `[notify]`.
pub(super) fn read(doc: &Document<'_>, root: &Table<'_>) -> Option<Notify> {
    let Some(table) = root.may("notify").table() else {
        return (!root.has("notify")).then(Notify::default);
    };
    let webhooks: Vec<_> = table.may("webhook").tables().iter().map(webhook).collect();
    let commands: Vec<_> = table.may("command").tables().iter().map(command).collect();
    for (key, count) in [("webhook", webhooks.len()), ("command", commands.len())] {
        if count > MOST {
            doc.report(&table.place(key), format!("{count} are too many"), format!("write at most {MOST}"));
        }
    }
    let mqtt = match table.may("mqtt").table() {
        Some(table) => Some(mqtt(&table)?),
        None => None,
    };
    Some(Notify {
        webhooks: webhooks.into_iter().collect::<Option<_>>()?,
        mqtt,
        commands: commands.into_iter().collect::<Option<_>>()?,
    })
}

fn webhook(table: &Table<'_>) -> Option<Webhook> {
    let field = table.need("url");
    let url = field.text().and_then(|url| {
        let rest = url.strip_prefix("https://").or_else(|| url.strip_prefix("http://"));
        match rest {
            Some(rest) if !rest.is_empty() && url.chars().all(|c| c.is_ascii_graphic()) => Some(url),
            _ => field.bad(format!("{url:?} is not a web address"), "write \"https://…\" or \"http://…\""),
        }
    });
    let secret_file = optional(table, "secret-file", file);
    let from = priority(table);
    let runs = if table.has("runs") { table.may("runs").flag() } else { Some(true) };
    Some(Webhook { url: url?, secret_file: secret_file?, from: from?, runs: runs? })
}

fn command(table: &Table<'_>) -> Option<OnAlarm> {
    let field = table.need("run");
    let run = field.texts().and_then(|run| match run.first() {
        Some(program) if program.starts_with('/') => Some(run),
        _ => field.bad("the program's place is not said from the root", "write [\"/usr/local/bin/…\", …]"),
    });
    let from = priority(table);
    Some(OnAlarm { run: run?, from: from? })
}

fn mqtt(table: &Table<'_>) -> Option<Mqtt> {
    let field = table.need("broker");
    let broker = field.text().and_then(|text| match place(&text) {
        Some(place) => Some(place),
        None => field.bad(
            format!("{text:?} is not a broker's address"),
            "write \"mqtt://host:1883\", or \"mqtts://host:8883\" for TLS",
        ),
    });
    let version = if table.has("version") {
        table.may("version").choice(&[("3.1.1", MqttVersion::V3), ("5", MqttVersion::V5)])
    } else {
        Some(MqttVersion::default())
    };
    let user = optional(table, "user", |field| field.text());
    let password_file = optional(table, "password-file", file);
    let ca_file = optional(table, "ca-file", file);
    if let Some((tls, _, _)) = &broker
        && !tls
    {
        if table.has("ca-file") {
            table.problem(
                "ca-file",
                "is for TLS, and the broker is not asked for it",
                "write mqtts:// in broker",
            );
        }
        if table.has("password-file") && !broker.as_ref().is_some_and(|(_, host, _)| is_near(host)) {
            table.problem(
                "password-file",
                "the password would go over the network for everybody to read",
                "write mqtts:// in broker, or speak to a broker on this machine",
            );
        }
    }
    if table.has("password-file") && !table.has("user") {
        table.problem("password-file", "a password needs a name", "add user = \"…\"");
    }
    let topic = if table.has("topic") {
        let field = table.may("topic");
        field.text().and_then(|text| {
            let bad = text.is_empty() || text.starts_with(['/', '$']) || text.ends_with('/');
            if bad || text.contains(['+', '#', '\0', ' ']) {
                return field.bad(
                    format!("{text:?} cannot begin topics"),
                    "write words with / between them, without + # $ or spaces",
                );
            }
            Some(text)
        })
    } else {
        Some("tankside".into())
    };
    let readings_every = if table.has("readings-every") {
        let (low, high) = (Span::new(0.2), Span::new(3600.0));
        table.may("readings-every").within::<Span>(low, high).map(|s| Duration::from_secs_f64(s.get()))
    } else {
        Some(READINGS)
    };
    let (tls, host, port) = broker?;
    Some(Mqtt {
        host,
        port,
        tls,
        ca_file: ca_file?,
        version: version?,
        user: user?,
        password_file: password_file?,
        topic: topic?,
        readings_every: readings_every?,
    })
}

/// `mqtt[s]://host[:port]`.
fn place(text: &str) -> Option<(bool, String, u16)> {
    let (tls, rest) = match text.split_once("://")? {
        ("mqtt", rest) => (false, rest),
        ("mqtts", rest) => (true, rest),
        _ => return None,
    };
    let usual = if tls { 8883 } else { 1883 };
    let (host, port) = match rest.strip_prefix('[').and_then(|rest| rest.split_once(']')) {
        Some((host, "")) => (host, usual),
        Some((host, port)) => (host, port.strip_prefix(':')?.parse().ok()?),
        None => match rest.split_once(':') {
            Some((host, port)) => (host, port.parse().ok()?),
            None => (rest, usual),
        },
    };
    let good = !host.is_empty() && host.chars().all(|c| c.is_ascii_alphanumeric() || "-.:_".contains(c));
    good.then(|| (tls, host.to_owned(), port))
}

fn is_near(host: &str) -> bool {
    host == "localhost" || host.parse::<std::net::IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

fn priority(table: &Table<'_>) -> Option<Priority> {
    if !table.has("from") {
        return Some(Priority::Low);
    }
    let words = [("low", Priority::Low), ("medium", Priority::Medium), ("high", Priority::High)];
    table.may("from").choice(&words)
}

fn file(field: &Field<'_>) -> Option<PathBuf> {
    let path = PathBuf::from(field.text()?);
    if path.is_absolute() {
        return Some(path);
    }
    field.bad("the file's place is not said from the root", "write a full path, such as \"/etc/tankside/…\"")
}

/// Outer `None`: it is there and bad.
fn optional<T>(
    table: &Table<'_>,
    key: &'static str,
    read: impl FnOnce(&Field<'_>) -> Option<T>,
) -> Option<Option<T>> {
    if table.has(key) { read(&table.may(key)).map(Some) } else { Some(None) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(text: &str) -> Result<Notify, Vec<String>> {
        let doc = Document::parse(text, "t.toml").unwrap();
        let made = read(&doc, &doc.root());
        doc.finish(made).map_err(|all| all.iter().map(ToString::to_string).collect())
    }

    #[test]
    fn nothing_said_tells_nobody() {
        assert_eq!(of("").unwrap(), Notify::default());
    }

    #[test]
    fn everything_said_is_read() {
        let all = of(
            "[[notify.webhook]]\nurl = 'https://shop.example/hook'\nsecret-file = '/etc/s'\nfrom = 'high'\n\
             runs = false\n[notify.mqtt]\nbroker = 'mqtts://broker.example'\nversion = '5'\nuser = 'u'\n\
             password-file = '/etc/p'\ntopic = 'shop/bench'\nreadings-every = '5 s'\n\
             [[notify.command]]\nrun = ['/usr/bin/lamp', 'red']\n",
        )
        .unwrap();
        assert_eq!(all.webhooks[0].from, Priority::High);
        assert!(!all.webhooks[0].runs);
        let mqtt = all.mqtt.unwrap();
        assert_eq!((mqtt.host.as_str(), mqtt.port, mqtt.tls), ("broker.example", 8883, true));
        assert_eq!(mqtt.readings_every, Duration::from_secs(5));
        assert_eq!(all.commands[0].run[1], "red");
    }

    #[test]
    fn every_problem_is_told_at_once_with_its_place() {
        let problems = of("[[notify.webhook]]\nurl = 'shop.example'\n[notify.mqtt]\nbroker = 'tcp://x'\n\
             topic = 'a/#'\n[[notify.command]]\nrun = ['lamp']\n")
        .unwrap_err();
        let text = problems.join("\n");
        for place in
            ["t.toml:2:7 notify.webhook", "t.toml:4:10 notify.mqtt.broker", "t.toml:5:9", "t.toml:7:7"]
        {
            assert!(text.contains(place), "{place} in\n{text}");
        }
    }

    #[test]
    fn password_in_the_clear_over_a_network_is_refused_but_not_on_this_machine() {
        let text =
            |host: &str| format!("[notify.mqtt]\nbroker = '{host}'\nuser = 'u'\npassword-file = '/etc/p'\n");
        assert!(of(&text("mqtt://broker.example")).unwrap_err()[0].contains("everybody to read"));
        assert!(of(&text("mqtt://127.0.0.1:1883")).is_ok());
        assert!(of(&text("mqtt://[::1]:1883")).is_ok());
    }
}

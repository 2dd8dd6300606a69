//! The daemon as seen from a verb.

use crate::host::Failure;
pub(crate) use crate::serve::escape;
use serde_json::Value;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, UdpSocket};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use ureq::tls::{PemItem, RootCerts, TlsConfig, parse_pem};

/// The readings of a week at 5 Hz as CSV are some 150 MB.
const MOST_TEXT: u64 = 1 << 30;

/// What a client trusts.
#[derive(Clone, Debug, Default)]
pub(crate) struct Trust {
    /// The authority of the daemon's certificate, PEM; without it the usual public ones.
    pub ca: Option<PathBuf>,
    /// A token may cross a network in plain HTTP.
    pub in_the_clear: bool,
}

/// Where the daemon is and how to prove who we are.
#[derive(Clone, Debug)]
pub(crate) struct Client {
    agent: ureq::Agent,
    /// As it was given: `host:port`, or with `http://` or `https://` before it.
    pub address: String,
    token: Option<String>,
    in_the_clear: bool,
}

impl Client {
    /// Nothing is sent yet. `patience` is for a whole exchange.
    pub(crate) fn new(address: &str, token: Option<String>, patience: Duration) -> Client {
        Client::with(address, token, patience, RootCerts::WebPki)
    }

    /// The same with what the operator trusts.
    ///
    /// # Errors
    /// An authority that cannot be read.
    pub(crate) fn trusting(
        address: &str,
        token: Option<String>,
        patience: Duration,
        trust: &Trust,
    ) -> Result<Client, Failure> {
        let roots = trust.ca.as_deref().map_or(Ok(RootCerts::WebPki), authority)?;
        let client = Client::with(address, token, patience, roots);
        Ok(Client { in_the_clear: trust.in_the_clear, ..client })
    }

    fn with(address: &str, token: Option<String>, patience: Duration, roots: RootCerts) -> Client {
        let config = ureq::Agent::config_builder()
            .timeout_global(Some(patience))
            .timeout_connect(Some(patience.min(Duration::from_secs(2))))
            .http_status_as_error(false)
            // The daemon sends nobody elsewhere.
            .max_redirects(0)
            .max_redirects_will_error(false)
            .tls_config(TlsConfig::builder().root_certs(roots).build())
            .proxy(None)
            .build();
        Client { agent: config.into(), address: address.into(), token, in_the_clear: false }
    }

    /// The same for switching off, which nothing may keep back: it asks all the same, and says what that cost.
    pub(crate) fn for_switching_off(mut self) -> Client {
        if self.token.is_some() && !self.is_safe() {
            eprintln!(
                "tankside: the token goes to {} in plain HTTP, for anybody on that network to read: revoke it afterwards",
                self.address
            );
            self.in_the_clear = true;
        }
        self
    }

    /// The same with that secret, where it has no token yet and nobody could read it on the way.
    pub(crate) fn or_with(mut self, secret: Option<String>) -> Client {
        if self.token.is_none() && self.is_safe() {
            self.token = secret;
        }
        self
    }

    /// Whether nobody between here and there can read what is said.
    fn is_safe(&self) -> bool {
        if self.address.starts_with("https://") {
            return true;
        }
        let host = self.address.trim_start_matches("http://").trim_end_matches('/');
        let host =
            host.rsplit_once(':').filter(|(_, port)| !port.ends_with(']')).map_or(host, |(host, _)| host);
        // Of names this one alone is sure to mean this machine.
        host == "localhost"
            || host.trim_matches(['[', ']']).parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback() || is_here(ip))
    }

    /// A request's address, if the token may go there.
    fn url(&self, path: &str) -> Result<String, Failure> {
        if self.token.is_some() && !self.in_the_clear && !self.is_safe() {
            return Err(Failure::permission(format!(
                "nothing was sent: {} speaks plain HTTP, and anybody on that network could read the token; write \
                 --address https://…, or --in-the-clear where nobody else is on that network",
                self.address
            )));
        }
        let scheme = if self.address.contains("://") { "" } else { "http://" };
        Ok(format!("{scheme}{}{path}", self.address.trim_end_matches('/')))
    }

    pub(crate) fn get(&self, path: &str) -> Result<Value, Failure> {
        self.read(self.asked(path)?)
    }

    /// What is no JSON: a page, a table.
    pub(crate) fn get_text(&self, path: &str) -> Result<String, Failure> {
        let answer = self.asked(path)?;
        let Ok(mut response) = answer else { return self.read(answer).map(|_| String::new()) };
        if !response.status().is_success() {
            return self.read(Ok(response)).map(|_| String::new());
        }
        let text = response.body_mut().with_config().limit(MOST_TEXT).read_to_string();
        text.map_err(|e| Failure::unreachable(format!("the daemon at {} broke off ({e})", self.address)))
    }

    fn asked(&self, path: &str) -> Result<Answered, Failure> {
        let mut request = self.agent.get(self.url(path)?);
        if let Some(token) = &self.token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        Ok(request.call())
    }

    pub(crate) fn post(&self, path: &str, body: &Value) -> Result<Value, Failure> {
        let mut request = self.agent.post(self.url(path)?);
        if let Some(token) = &self.token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        self.read(request.send_json(body))
    }

    /// The station to work, ready to stand in a path: the one that was named, else the only one there is.
    pub(crate) fn station(&self, named: Option<&str>) -> Result<String, Failure> {
        if let Some(name) = named {
            return Ok(escape(name));
        }
        let mut names = self.station_names()?;
        match names.len() {
            1 => Ok(escape(&names.remove(0))),
            0 => Err(Failure::refused("the daemon has no station")),
            _ => Err(Failure::usage(format!("say which with --station: {}", names.join(", ")))),
        }
    }

    /// Every station, by name.
    pub(crate) fn station_names(&self) -> Result<Vec<String>, Failure> {
        let all = self.get("/api/v1/stations")?;
        Ok(all
            .as_array()
            .into_iter()
            .flatten()
            .filter_map(|s| s["station"].as_str())
            .map(String::from)
            .collect())
    }

    fn read(&self, answer: Answered) -> Result<Value, Failure> {
        let mut response = answer.map_err(|e| {
            if self.address.starts_with("https://") && e.to_string().contains("certificate") {
                return Failure::permission(format!(
                    "nothing was sent: the certificate of {} is not trusted here ({}); name its authority with \
                     --ca FILE, and write the host as the certificate has it",
                    self.address,
                    crate::supply::plain(&e.to_string()),
                ));
            }
            Failure::unreachable(format!(
                "no daemon answers at {} ({}); start it with \"{}\", or say where it is with --address",
                self.address,
                crate::supply::plain(&e.to_string()),
                super::say::hint("serve")
            ))
        })?;
        let status = response.status();
        let value: Result<Value, _> = response.body_mut().read_json();
        if status.is_success() {
            return value.map_err(|e| {
                Failure::unreachable(format!("what answers at {} is no tankside daemon ({e})", self.address))
            });
        }
        let problem = value.unwrap_or_default();
        let Some(detail) = problem["detail"].as_str() else {
            return Err(Failure::unreachable(format!(
                "what answers at {} is no tankside daemon (HTTP {status})",
                self.address
            )));
        };
        let mut text = match (problem["needs"]["field"].as_str(), problem["needs"]["why"].as_str()) {
            // The daemon names the field of its request; here there is a flag for it.
            (Some(field), Some(why)) => {
                format!("not started: {why}; or say that you know it: --{}", field.replace('_', "-"))
            }
            _ => detail.to_owned(),
        };
        for error in problem["errors"].as_array().into_iter().flatten().filter_map(Value::as_str) {
            text.push_str("\n  ");
            text.push_str(error);
        }
        Err(match problem["code"].as_str().unwrap_or_default() {
            "no-token" | "no-scope" | "too-many-tries" => Failure::permission(text),
            "ledger" => Failure::ledger(text),
            "bug" => Failure::bug(text),
            _ => Failure::refused(text),
        })
    }
}

type Answered = Result<ureq::http::Response<ureq::Body>, ureq::Error>;

/// The certificates of a file.
#[expect(
    clippy::disallowed_methods,
    reason = "the authority's certificate is a file that the operator names"
)]
fn authority(file: &Path) -> Result<RootCerts, Failure> {
    let bad = |why: String| {
        Failure::config(format!("--ca {}: {why}; one certificate or more in PEM is wanted", file.display()))
    };
    let text = std::fs::read(file).map_err(|e| bad(e.to_string()))?;
    let mut all = Vec::new();
    for item in parse_pem(&text) {
        if let PemItem::Certificate(one) = item.map_err(|e| bad(e.to_string()))? {
            all.push(one);
        }
    }
    if all.is_empty() {
        return Err(bad("there is no certificate in it".into()));
    }
    Ok(RootCerts::Specific(Arc::new(all)))
}

/// Whether that is an address of this machine: what is sent to it passes no wire. The system then answers from that very
/// address; from another it would come from one of its own. (That it can be bound says nothing where
/// `net.ipv4.ip_nonlocal_bind` is set.) Nothing is sent for it.
fn is_here(ip: IpAddr) -> bool {
    let any: IpAddr = if ip.is_ipv4() { Ipv4Addr::UNSPECIFIED.into() } else { Ipv6Addr::UNSPECIFIED.into() };
    let from = UdpSocket::bind((any, 0)).and_then(|socket| {
        socket.connect((ip, 9))?;
        socket.local_addr()
    });
    !ip.is_unspecified() && from.is_ok_and(|from| from.ip() == ip)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn station_name_cannot_leave_its_place_in_the_path() {
        assert_eq!(escape("bench-2"), "bench-2");
        assert_eq!(escape("../runs?x=1"), "..%2Fruns%3Fx%3D1");
    }

    #[test]
    fn an_address_is_ours_only_if_the_system_would_answer_from_it() {
        // Of documentation (RFC 5737, RFC 3849). Where `ip_nonlocal_bind` is set they can be bound, and are not ours.
        for ip in ["192.0.2.7", "2001:db8::7", "0.0.0.0", "::"] {
            assert!(!is_here(ip.parse().unwrap()), "{ip}");
        }
        assert!(is_here("127.0.0.1".parse().unwrap()));
        // Whatever address this machine would ask from, it is its own.
        let socket = UdpSocket::bind("0.0.0.0:0").unwrap();
        if socket.connect("192.0.2.7:9").is_ok() {
            assert!(is_here(socket.local_addr().unwrap().ip()));
        }
    }

    #[test]
    fn token_is_not_sent_in_plain_http_to_another_machine_unless_that_was_said() {
        // Addresses of documentation (RFC 5737, RFC 3849) and names of nobody: if anything were sent, it would fail as
        // unreachable, which is another code.
        let client = |address: &str, token: Option<&str>, in_the_clear| {
            let trust = Trust { ca: None, in_the_clear };
            Client::trusting(address, token.map(String::from), Duration::from_millis(50), &trust).unwrap()
        };
        for address in [
            "192.0.2.7:8093",
            "http://192.0.2.7:8093",
            "http://192.0.2.7",
            "[2001:db8::7]:8093",
            "bench.invalid:8093",
            "localhost.invalid:8093",
            "127.0.0.1.invalid:8093",
        ] {
            let refused = client(address, Some("secret"), false).get("/").unwrap_err();
            assert_eq!(refused.code, 77, "{address}: {}", refused.text);
            assert!(refused.text.contains("nothing was sent") && !refused.text.contains("secret"));
            let refused = client(address, Some("secret"), false).post("/", &Value::Null).unwrap_err();
            assert_eq!(refused.code, 77, "{address}: {}", refused.text);
            assert_eq!(
                client(address, Some("secret"), true).get("/").unwrap_err().code,
                69,
                "{address}: it was said"
            );
            assert_eq!(
                client(address, None, false).get("/").unwrap_err().code,
                69,
                "{address}: nothing to hide"
            );
        }
        // Port 9 (discard): nothing of ours listens there.
        for address in ["127.0.0.1:9", "localhost:9", "[::1]:9", "http://127.0.0.1:9/", "https://127.0.0.1:9"]
        {
            assert_eq!(client(address, Some("secret"), false).get("/").unwrap_err().code, 69, "{address}");
        }
        // Off is held back by nothing.
        let off = client("192.0.2.7:8093", Some("secret"), false).for_switching_off();
        assert_eq!(off.post("/", &Value::Null).unwrap_err().code, 69);
    }

    #[test]
    fn no_daemon_is_69_and_says_how_to_start_one() {
        // Port 9 (discard) of loopback: nothing of ours listens there.
        let failure = Client::new("127.0.0.1:9", None, Duration::from_secs(2)).get("/").unwrap_err();
        assert_eq!(failure.code, 69);
        assert!(failure.text.contains("tankside serve") && failure.text.contains("127.0.0.1:9"));
    }
}

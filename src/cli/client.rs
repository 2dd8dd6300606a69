//! The daemon as seen from a verb.

use crate::host::Failure;
use serde_json::Value;
use std::time::Duration;

/// The readings of a week at 5 Hz as CSV are some 150 MB.
const MOST_TEXT: u64 = 1 << 30;

/// Where the daemon is and how to prove who we are.
#[derive(Clone, Debug)]
pub(crate) struct Client {
    agent: ureq::Agent,
    /// `host:port`.
    pub address: String,
    token: Option<String>,
}

impl Client {
    /// Nothing is sent yet. `patience` is for a whole exchange.
    pub(crate) fn new(address: &str, token: Option<String>, patience: Duration) -> Client {
        let config = ureq::Agent::config_builder()
            .timeout_global(Some(patience))
            .timeout_connect(Some(patience.min(Duration::from_secs(2))))
            .http_status_as_error(false)
            .proxy(None)
            .build();
        Client { agent: config.into(), address: address.into(), token }
    }

    pub(crate) fn get(&self, path: &str) -> Result<Value, Failure> {
        self.read(self.asked(path))
    }

    /// What is no JSON: a page, a table.
    pub(crate) fn get_text(&self, path: &str) -> Result<String, Failure> {
        let answer = self.asked(path);
        let Ok(mut response) = answer else { return self.read(answer).map(|_| String::new()) };
        if !response.status().is_success() {
            return self.read(Ok(response)).map(|_| String::new());
        }
        let text = response.body_mut().with_config().limit(MOST_TEXT).read_to_string();
        text.map_err(|e| Failure::unreachable(format!("the daemon at {} broke off ({e})", self.address)))
    }

    fn asked(&self, path: &str) -> Result<ureq::http::Response<ureq::Body>, ureq::Error> {
        let mut request = self.agent.get(format!("http://{}{path}", self.address));
        if let Some(token) = &self.token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        request.call()
    }

    pub(crate) fn post(&self, path: &str, body: &Value) -> Result<Value, Failure> {
        let mut request = self.agent.post(format!("http://{}{path}", self.address));
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

    fn read(&self, answer: Result<ureq::http::Response<ureq::Body>, ureq::Error>) -> Result<Value, Failure> {
        let mut response = answer.map_err(|e| {
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
        let mut text = detail.to_owned();
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

/// A name as one segment of a path.
pub(crate) fn escape(name: &str) -> String {
    let mut out = String::with_capacity(name.len());
    for byte in name.bytes() {
        if byte.is_ascii_alphanumeric() || b"-_.~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
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
    fn no_daemon_is_69_and_says_how_to_start_one() {
        // Port 9 (discard) of loopback: nothing of ours listens there.
        let failure = Client::new("127.0.0.1:9", None, Duration::from_secs(2)).get("/").unwrap_err();
        assert_eq!(failure.code, 69);
        assert!(failure.text.contains("tankside serve") && failure.text.contains("127.0.0.1:9"));
    }
}

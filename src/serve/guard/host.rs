//! By which names we may be asked (Host), and whose pages may ask (Origin).

use super::super::problem::Problem;
use super::super::state::Facts;
use super::Peer;
use axum::http::{HeaderMap, StatusCode, Uri, header};
use std::net::IpAddr;

/// # Errors
/// `bad-host` or `bad-origin`.
pub(super) fn check(facts: &Facts, peer: Peer, uri: &Uri, headers: &HeaderMap) -> Result<(), Problem> {
    // A request line may have the host too, and then that one is meant (RFC 9112, section 3.2.2): they must be one.
    let named = |host: &&str| uri.authority().is_none_or(|a| a.as_str().eq_ignore_ascii_case(host));
    let host = only(headers, header::HOST).filter(named).filter(|host| own_host(facts, host)).ok_or_else(|| {
        Problem::new(
            StatusCode::MISDIRECTED_REQUEST,
            "bad-host",
            format!(
                "ask by localhost, 127.0.0.1, {} or a name in daemon.names; the Host header names something else",
                facts.listen.ip()
            ),
        )
    })?;
    if headers.contains_key(header::ORIGIN)
        && !only(headers, header::ORIGIN)
            // Where the proxy speaks TLS with the browser, a page that came without it is another's.
            .filter(|origin| !(origin.starts_with("http:") && super::by_tls_proxy(peer, headers)))
            .is_some_and(|origin| own_origin(facts, peer, host, origin))
    {
        return Err(Problem::new(
            StatusCode::FORBIDDEN,
            "bad-origin",
            "this daemon answers its own page and programs, not pages of other sites",
        ));
    }
    Ok(())
}

/// The header's value if there is exactly one and it is text.
pub(super) fn only(headers: &HeaderMap, name: header::HeaderName) -> Option<&str> {
    let mut all = headers.get_all(name).iter();
    match (all.next(), all.next()) {
        (Some(one), None) => one.to_str().ok(),
        _ => None,
    }
}

/// The page that was loaded by the same scheme, name and port.
fn own_origin(facts: &Facts, peer: Peer, host: &str, origin: &str) -> bool {
    let Some((scheme, rest)) = origin.split_once("://") else { return false };
    if !rest.eq_ignore_ascii_case(host) {
        return false;
    }
    match scheme {
        "https" if peer.tls => true,
        // A proxy in front of us speaks TLS; we only know the name it is asked by.
        "https" => name_of(host).is_some_and(|name| configured(facts, name)),
        "http" => !peer.tls,
        _ => false,
    }
}

fn configured(facts: &Facts, name: &str) -> bool {
    facts.names.iter().any(|n| n.eq_ignore_ascii_case(name))
}

/// The host without its port.
fn name_of(host: &str) -> Option<&str> {
    match host.rsplit_once(':') {
        // An IPv6 address without a port ends in its bracket.
        Some((name, port)) if !host.ends_with(']') => port.parse::<u16>().ok().map(|_| name),
        _ => Some(host),
    }
}

fn own_host(facts: &Facts, host: &str) -> bool {
    let Some(name) = name_of(host) else { return false };
    if name.eq_ignore_ascii_case("localhost") || configured(facts, name) {
        return true;
    }
    let bare = name.strip_prefix('[').and_then(|n| n.strip_suffix(']')).unwrap_or(name);
    let Ok(ip) = bare.parse::<IpAddr>() else { return false };
    ip.is_loopback() || ip == facts.listen.ip() || facts.listen.ip().is_unspecified()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(listen: &str) -> Facts {
        Facts {
            listen: listen.parse().unwrap(),
            names: vec!["tank.example".into()],
            units: crate::quantity::Units::Metric,
            config_hash: String::new(),
            tanks: Vec::new(),
        }
    }

    #[test]
    fn only_loopback_names_and_configured_ones_reach_a_loopback_daemon() {
        let facts = facts("127.0.0.1:8093");
        let good = [
            "localhost",
            "localhost:8093",
            "127.0.0.1:1",
            "[::1]:8093",
            "[::1]",
            "LOCALHOST:80",
            "Tank.example",
        ];
        for good in good {
            assert!(own_host(&facts, good), "{good}");
        }
        for bad in [
            "evil.example",
            "localhost.evil.example",
            "tank.example.evil.example",
            "10.0.0.1:8093",
            "127.0.0.1:x",
            "",
            ":8093",
            "127.0.0.1.evil",
        ] {
            assert!(!own_host(&facts, bad), "{bad}");
        }
    }

    #[test]
    fn daemon_on_every_address_takes_addresses_but_no_names() {
        let facts = facts("0.0.0.0:8093");
        assert!(own_host(&facts, "10.0.0.1:8093"));
        assert!(!own_host(&facts, "evil.example:8093"));
    }

    #[test]
    fn page_loaded_by_another_scheme_or_port_is_another_page() {
        let facts = facts("127.0.0.1:8093");
        let plain = Peer::here();
        let tls = Peer { tls: true, ..plain };
        let own = |peer, host, origin| own_origin(&facts, peer, host, origin);
        assert!(own(plain, "localhost:8093", "http://localhost:8093"));
        assert!(own(tls, "localhost:8093", "https://localhost:8093"));
        assert!(own(plain, "tank.example", "https://tank.example"), "behind a proxy with TLS");
        for (peer, host, origin) in [
            (plain, "localhost:8093", "https://localhost:8093"),
            (tls, "localhost:8093", "http://localhost:8093"),
            (plain, "localhost:8093", "http://localhost:9999"),
            (plain, "tank.example", "https://evil.example"),
            (plain, "localhost:8093", "null"),
        ] {
            assert!(!own(peer, host, origin), "{host} {origin}");
        }
    }
}

//! Who may ask: Host, Origin and token, before any route sees the request.
//!
//! Host: a name that an attacker's DNS points at this machine (rebinding) must
//! not reach us, so only `localhost`, loopback addresses and the address we were
//! told to listen on are taken. An IP address cannot be rebound; where we listen
//! on every address any IP address is taken. Origin: browsers send it with every
//! POST; one that is not our own page is refused.

use super::problem::Problem;
use super::state::{AppState, Facts};
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::net::IpAddr;

/// The layer.
pub(super) async fn guard(State(app): State<AppState>, request: Request, next: Next) -> Response {
    let verdict = admit(&app.facts, request.method(), request.uri().path(), request.headers());
    let mut response = match verdict {
        Ok(()) => next.run(request).await,
        Err(problem) => problem.into_response(),
    };
    harden(response.headers_mut());
    response
}

fn admit(facts: &Facts, method: &Method, path: &str, headers: &HeaderMap) -> Result<(), Problem> {
    let host = only(headers, header::HOST).filter(|host| own_host(facts, host)).ok_or_else(|| {
        Problem::new(
            StatusCode::MISDIRECTED_REQUEST,
            "bad-host",
            format!(
                "ask by localhost, 127.0.0.1 or {}; the Host header names something else",
                facts.listen.ip()
            ),
        )
    })?;
    if headers.contains_key(header::ORIGIN) {
        let ours = only(headers, header::ORIGIN).is_some_and(|origin| {
            origin.strip_prefix("http://").is_some_and(|o| o.eq_ignore_ascii_case(host))
        });
        if !ours {
            return Err(Problem::new(
                StatusCode::FORBIDDEN,
                "bad-origin",
                "this daemon answers its own page and programs, not pages of other sites",
            ));
        }
    }
    let open = (matches!(path, "/" | "/page.js" | "/page.css" | "/favicon.svg" | "/healthz" | "/readyz")
        || path.starts_with("/page/"))
        && (method == Method::GET || method == Method::HEAD);
    match &facts.token {
        Some(token) if !open && !bearer(headers, token) => Err(Problem::new(
            StatusCode::UNAUTHORIZED,
            "no-token",
            "send the token of the config as \"Authorization: Bearer …\"",
        )),
        _ => Ok(()),
    }
}

/// The header's value if there is exactly one and it is text.
fn only(headers: &HeaderMap, name: header::HeaderName) -> Option<&str> {
    let mut all = headers.get_all(name).iter();
    match (all.next(), all.next()) {
        (Some(one), None) => one.to_str().ok(),
        _ => None,
    }
}

fn own_host(facts: &Facts, host: &str) -> bool {
    let name = match host.rsplit_once(':') {
        // An IPv6 address without a port ends in its bracket.
        Some((name, port)) if !host.ends_with(']') => {
            if port.parse::<u16>().is_err() {
                return false;
            }
            name
        }
        _ => host,
    };
    if name.eq_ignore_ascii_case("localhost") {
        return true;
    }
    let bare = name.strip_prefix('[').and_then(|n| n.strip_suffix(']')).unwrap_or(name);
    let Ok(ip) = bare.parse::<IpAddr>() else { return false };
    ip.is_loopback() || ip == facts.listen.ip() || facts.listen.ip().is_unspecified()
}

fn bearer(headers: &HeaderMap, token: &str) -> bool {
    let given = only(headers, header::AUTHORIZATION).and_then(|value| {
        let (scheme, rest) = value.split_once(' ')?;
        scheme.eq_ignore_ascii_case("bearer").then(|| rest.trim())
    });
    given.is_some_and(|given| same(given.as_bytes(), token.as_bytes()))
}

/// Takes as long for a near miss as for a far one; only the length shows.
fn same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len()
        && std::hint::black_box(a.iter().zip(b).fold(0u8, |differs, (x, y)| differs | (x ^ y))) == 0
}

/// Nothing from elsewhere, in no frame, never cached, never guessed at.
fn harden(headers: &mut HeaderMap) {
    for (name, value) in [
        (
            header::CONTENT_SECURITY_POLICY,
            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
        ),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::CACHE_CONTROL, "no-store"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(listen: &str) -> Facts {
        Facts {
            listen: listen.parse().unwrap(),
            token: None,
            units: crate::quantity::Units::Metric,
            config_hash: String::new(),
            tanks: Vec::new(),
        }
    }

    #[test]
    fn only_loopback_names_reach_a_loopback_daemon() {
        let facts = facts("127.0.0.1:8093");
        for good in ["localhost", "localhost:8093", "127.0.0.1:1", "[::1]:8093", "[::1]", "LOCALHOST:80"] {
            assert!(own_host(&facts, good), "{good}");
        }
        for bad in [
            "evil.example",
            "localhost.evil.example",
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
    fn token_that_is_only_begun_or_too_long_is_wrong() {
        assert!(same(b"secret", b"secret"));
        for wrong in [&b"secre"[..], b"secrets", b"Secret", b""] {
            assert!(!same(wrong, b"secret"));
        }
    }
}

//! Who did what: every request that may change something, with who sent it, from where and what came of it.
//!
//! Written after the answer is known and without waiting for the disk: no
//! command, and off least of all, is held up by its own record. What was refused at
//! the door is written too, but no more of it than the disk is worth: see `tries`.

use super::super::problem::Code;
use super::{Peer, Who};
use crate::ledger::AuditRow;
use axum::http::HeaderMap;
use axum::response::Response;
use std::cell::RefCell;
use std::net::IpAddr;

/// Longer paths are not ours.
const LONGEST: usize = 200;

#[derive(Default)]
struct Heard {
    by: Option<String>,
    token: Option<String>,
}

tokio::task_local! {
    static HEARD: RefCell<Heard>;
}

/// Runs one request, so that what its route hears can be asked for afterwards.
pub(super) async fn listen<T>(request: impl Future<Output = T>) -> (T, Option<String>, Option<String>) {
    HEARD
        .scope(RefCell::default(), async {
            let answer = request.await;
            let heard = HEARD.with(RefCell::take);
            (answer, heard.by, heard.token)
        })
        .await
}

/// The person that a body names.
pub(in super::super) fn by(name: &str) {
    // Outside a request, as in a test of one route, there is nobody to tell.
    let _ = HEARD.try_with(|heard| heard.borrow_mut().by = Some(name.into()));
}

/// The token that a log-in showed.
pub(super) fn shown(token: &str) {
    let _ = HEARD.try_with(|heard| heard.borrow_mut().token = Some(token.into()));
}

/// What a request asked for, in letters that can do nothing to a terminal: a path may have any letters of UTF-8 in it.
pub(super) fn asked(method: &str, path: &str) -> String {
    let mut what = format!("{method} ");
    for byte in path.bytes() {
        match byte {
            b'!'..=b'~' => what.push(char::from(byte)),
            _ => what += &format!("%{byte:02X}"),
        }
    }
    what.truncate(LONGEST);
    what
}

/// From where. A proxy on this machine says for whom it asks (its own word is the last); it is believed no further than
/// to be written down beside its own address.
pub(super) fn address(peer: Peer, headers: &HeaderMap) -> String {
    let last = headers
        .get_all("x-forwarded-for")
        .iter()
        .next_back()
        .and_then(|all| all.to_str().ok()?.rsplit(',').next());
    match last.and_then(|last| last.trim().parse::<IpAddr>().ok()) {
        Some(client) if peer.here => format!("{client} by the proxy {}", peer.address),
        _ => peer.address.to_string(),
    }
}

pub(super) fn row(
    what: String,
    who: Option<&Who>,
    address: String,
    heard: (Option<String>, Option<String>),
    response: &Response,
) -> AuditRow {
    let (by, token) = heard;
    AuditRow {
        id: 0,
        at: format!("{:.3}", jiff::Timestamp::now()),
        token: token.or_else(|| who.and_then(|w| w.name().map(String::from))),
        by,
        address,
        what,
        status: response.status().as_u16(),
        code: response.extensions().get::<Code>().map(|c| c.0.to_owned()),
    }
}

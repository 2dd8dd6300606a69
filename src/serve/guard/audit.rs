//! Who did what: every POST, with who sent it, from where and what came of it.
//!
//! Written after the answer is known and without waiting for the disk: no
//! command, and off least of all, is held up by its own record.

use super::super::problem::Code;
use super::{Peer, Who};
use crate::ledger::AuditRow;
use axum::response::Response;
use std::cell::RefCell;

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

pub(super) fn row(
    method: &str,
    path: &str,
    who: Option<&Who>,
    peer: Peer,
    heard: (Option<String>, Option<String>),
    response: &Response,
) -> AuditRow {
    let (by, token) = heard;
    let mut what = format!("{method} {path}");
    what.truncate(what.char_indices().nth(LONGEST).map_or(what.len(), |(at, _)| at));
    AuditRow {
        id: 0,
        at: format!("{:.3}", jiff::Timestamp::now()),
        token: token.or_else(|| who.and_then(|w| w.name.clone())),
        by,
        address: peer.address.to_string(),
        what,
        status: response.status().as_u16(),
        code: response.extensions().get::<Code>().map(|c| c.0.to_owned()),
    }
}

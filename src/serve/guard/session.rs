//! A browser's log-in: a token in, a cookie out.
//!
//! The cookie is HttpOnly and SameSite=Strict, Secure under TLS; a session lives
//! in memory, so it ends with the daemon, and with its token, and half a day after
//! it was last used: not in the middle of a long run, when somebody wants to press
//! STOP. Whoever asks by cookie must send the session's own word with each POST (`X-Tankside`): a page
//! of another site can make a browser send the cookie, but cannot read that word.

use super::super::body::Body;
use super::super::problem::Problem;
use super::super::state::AppState;
use super::tokens::{Known, Scope, hash, secret};
use super::{Identity, Peer, Who, denied};
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse, Response};
use axum::{Extension, Json};
use serde::{Deserialize, Serialize};
use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

/// So long a session that nobody uses lives: a night. An open page uses it.
pub(super) const LIFE: Duration = Duration::from_secs(12 * 3600);
/// How long a browser keeps the cookie; whether it is still good is for us to say.
const KEPT: Duration = Duration::from_secs(30 * 24 * 3600);
/// Sessions of one token; the one that was used the longest time ago makes room. Nobody who logs in again and again
/// can log others out, who may want to switch off.
const EACH: usize = 32;
/// Sessions in all, should tokens be made and revoked without end.
const MOST: usize = 4096;

#[derive(Clone, Debug)]
pub(in super::super) struct Session {
    pub known: Known,
    pub csrf: String,
    /// Hash of its cookie.
    id: String,
    until: Instant,
}

/// By the hash of the cookie, so that looking one up tells nothing by its time.
#[derive(Debug, Default)]
pub(super) struct Sessions(Mutex<HashMap<String, Session>>);

impl Sessions {
    fn begin(&self, known: Known) -> Result<(String, Session), String> {
        let (cookie, csrf) = (secret()?, secret()?);
        let now = Instant::now();
        let session = Session { known, csrf, id: hash(&cookie), until: now + LIFE };
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.retain(|_, s| s.until > now);
        let same = |s: &Session| s.known.print == session.known.print;
        if all.values().filter(|s| same(s)).count() >= EACH {
            make_room(&mut all, same);
        }
        if all.len() >= MOST {
            make_room(&mut all, |_| true);
        }
        all.insert(session.id.clone(), session.clone());
        Ok((cookie, session))
    }

    pub fn find(&self, cookie: &str) -> Option<Session> {
        self.used(&hash(cookie))
    }

    /// The session as it goes on from now.
    fn used(&self, id: &str) -> Option<Session> {
        let now = Instant::now();
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let session = all.get_mut(id).filter(|s| s.until > now)?;
        session.until = now + LIFE;
        Some(session.clone())
    }

    /// Whether it has not ended; who reads a stream uses it.
    pub fn goes_on(&self, session: &Session) -> bool {
        self.used(&session.id).is_some()
    }

    fn end(&self, cookie: &str) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).remove(&hash(cookie));
    }
}

/// Ends the one of these that was used the longest time ago.
fn make_room(all: &mut HashMap<String, Session>, of: impl Fn(&Session) -> bool) {
    let oldest = all.iter().filter(|(_, s)| of(s)).min_by_key(|(_, s)| s.until).map(|(id, _)| id.clone());
    if let Some(oldest) = oldest {
        all.remove(&oldest);
    }
}

/// The cookie's name has the port in it: cookies do not tell the ports of a host apart.
fn cookie_name(app: &AppState) -> String {
    format!("tankside-{}", app.facts.listen.port())
}

pub(super) fn cookie<'h>(app: &AppState, headers: &'h HeaderMap) -> Option<&'h str> {
    let name = cookie_name(app);
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|v| v.to_str().ok())
        .flat_map(|v| v.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find(|(n, _)| *n == name)
        .map(|(_, value)| value)
}

/// What `GET /api/v1/session` tells.
#[derive(Serialize)]
pub(in super::super) struct About {
    /// Whether this client needs a token at all.
    needed: bool,
    /// The token's name, once one was shown.
    name: Option<String>,
    scope: Option<Scope>,
    /// To be sent as `X-Tankside` with each POST.
    csrf: Option<String>,
    /// RFC 3339 UTC.
    expires: Option<String>,
}

fn expires(session: &Session) -> String {
    let left = session.until.saturating_duration_since(Instant::now());
    format!("{:.0}", jiff::Timestamp::now() + left)
}

pub(in super::super) async fn about(
    State(app): State<AppState>,
    Extension(peer): Extension<Peer>,
    Extension(Identity(who)): Extension<Identity>,
    headers: HeaderMap,
) -> Result<Json<About>, Problem> {
    let needed = app.gate.needs(peer, &headers).map_err(|e| super::broken(&e))?;
    if needed {
        // Who one is cannot be told: a page keeps what it knew, and with it its word for off.
        app.gate.tokens.any().map_err(|e| super::broken(&e))?;
    }
    let session = who.as_ref().and_then(|w| w.session.as_ref());
    Ok(Json(About {
        needed,
        name: who.as_ref().and_then(|w| w.name().map(String::from)),
        scope: who.as_ref().map(|w| w.scope),
        csrf: session.map(|s| s.csrf.clone()),
        expires: session.map(expires),
    }))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(in super::super) struct LogIn {
    token: String,
}

pub(in super::super) async fn begin(
    State(app): State<AppState>,
    Extension(peer): Extension<Peer>,
    headers: HeaderMap,
    Body(body): Body<LogIn>,
) -> Result<Response, Problem> {
    let needed = app.gate.needs(peer, &headers).unwrap_or(true);
    let Some(known) = app.gate.tokens.who(body.token.trim()).map_err(|e| super::broken(&e))? else {
        return Err(app.gate.wrong(peer, "this is no token of this daemon, or it was revoked"));
    };
    super::audit::shown(&known.name);
    let (cookie, session) = app.gate.sessions.begin(known).map_err(Problem::bug)?;
    let about = About {
        needed,
        name: Some(session.known.name.clone()),
        scope: Some(session.known.scope),
        csrf: Some(session.csrf.clone()),
        expires: Some(expires(&session)),
    };
    let secure = if peer.tls || super::by_tls_proxy(peer, &headers) { "; Secure" } else { "" };
    let cookie = format!(
        "{}={cookie}; Path=/; HttpOnly; SameSite=Strict; Max-Age={}{secure}",
        cookie_name(&app),
        KEPT.as_secs()
    );
    Ok(with_cookie(Json(about).into_response(), &cookie))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(in super::super) struct Nothing {}

pub(in super::super) async fn end(
    State(app): State<AppState>,
    Extension(Identity(who)): Extension<Identity>,
    headers: HeaderMap,
    Body(Nothing {}): Body<Nothing>,
) -> Result<Response, Problem> {
    match (who, cookie(&app, &headers)) {
        (Some(Who { session: Some(_), .. }), Some(cookie)) => app.gate.sessions.end(cookie),
        _ => return Err(denied("nobody is logged in by this cookie")),
    }
    let about = About { needed: true, name: None, scope: None, csrf: None, expires: None };
    let gone = format!("{}=; Path=/; HttpOnly; SameSite=Strict; Max-Age=0", cookie_name(&app));
    Ok(with_cookie(Json(about).into_response(), &gone))
}

fn with_cookie(mut response: Response, cookie: &str) -> Response {
    // Our own letters and digits: this cannot fail, and without a cookie nobody is let in.
    if let Ok(value) = HeaderValue::from_str(cookie) {
        response.headers_mut().insert(header::SET_COOKIE, value);
    }
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    fn known() -> Known {
        Known { name: "tablet".into(), scope: Scope::Operate, print: "0".into() }
    }

    #[tokio::test(start_paused = true)]
    async fn session_ends_when_it_was_not_used_for_half_a_day_and_not_in_the_middle_of_a_run() {
        let sessions = Sessions::default();
        let (first, _) = sessions.begin(known()).unwrap();
        assert!(sessions.find(&first).is_some() && sessions.find("other").is_none());
        for _ in 0..5 {
            tokio::time::advance(LIFE * 9 / 10).await;
            assert!(sessions.find(&first).is_some(), "an open page uses it");
        }
        tokio::time::advance(LIFE).await;
        assert!(sessions.find(&first).is_none());
    }

    #[tokio::test(start_paused = true)]
    async fn whoever_logs_in_without_end_logs_nobody_else_out_and_fills_no_memory() {
        let sessions = Sessions::default();
        let (operator, _) = sessions.begin(known()).unwrap();
        for n in 0..2 * MOST {
            let name = format!("screen-{}", n % 100);
            sessions.begin(Known { print: name.clone(), name, scope: Scope::Watch }).unwrap();
        }
        assert!(sessions.find(&operator).is_some());
        assert_eq!(sessions.0.lock().unwrap().len(), 1 + 100 * EACH);
        for n in 0..2 * MOST {
            sessions.begin(Known { print: n.to_string(), ..known() }).unwrap();
        }
        assert_eq!(sessions.0.lock().unwrap().len(), MOST);
    }
}

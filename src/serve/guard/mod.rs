//! Who may ask for what: Host, Origin, token, session and scope, before any route sees the request.
//!
//! What the room is for: letting in, refusing and writing down. What it may not
//! know: what a route does. It knows each route's scope from the list beside the
//! router ([`super::routes`]); a route that is not on that list takes `watch` for
//! a GET and `admin` for anything else.
//!
//! **Host.** A name that an attacker's DNS points at this machine (rebinding) must
//! not reach us, so only `localhost`, loopback addresses, the address we were told
//! to listen on and the names in `daemon.names` are taken. An IP address cannot be
//! rebound; where we listen on every address any IP address is taken.
//! **Origin.** Browsers send it with every POST; one that is not our own page is
//! refused. There is no CORS.
//!
//! **Tokens.** None is needed as long as none was made, by programs and people on
//! this machine. From elsewhere one is always needed. Once there is one, it is
//! needed on this machine too, because a proxy in front of us makes everybody look
//! local; `daemon.loopback = "open"` says that no proxy does. What a proxy passed
//! on (it has a `Forwarded`, `X-Forwarded-For` or `Via` header) always counts as
//! from elsewhere.
//!
//! **Browsers.** `GET /api/v1/session` tells whether a token is needed and who one
//! is: `{needed, name, scope, csrf, expires}`. `POST /api/v1/session` with
//! `{"token": "…"}` answers the same and sets a cookie (HttpOnly, SameSite=Strict,
//! Secure under TLS; it ends 12 h after it was last used). From then on each POST carries the answer's `csrf` as
//! the header `X-Tankside`. `POST /api/v1/session/end` with `{}` logs out. Without
//! a session, a POST must be declared JSON, or carry `X-Tankside`: neither can be
//! sent by a form of another site, nor by a script there without our leave. Off needs
//! neither from what is no browser: a bare POST is off.
//!
//! **Off.** What can only take current away is kept from nobody who may operate: not by
//! wrong tokens of others at the same address, not by a list of tokens that cannot be
//! read any more, not by log-ins of others, and not by a full house: whoever finds every
//! seat taken is heard all the same ([`Visitor`]), and served if they may operate.
//!
//! **Streams** end when their token is revoked. **Commands** are carried out and written
//! down to the end, whether or not whoever gave them waits for the answer.
//!
//! **Answers.** 401 `no-token`, 403 `no-scope`, 403 `bad-csrf`, 403 `bad-origin`,
//! 421 `bad-host`, 429 `too-many-tries` with `Retry-After`, 503 `tokens`, 503 `too-many`.

pub(super) mod audit;
mod host;
pub(super) mod session;
mod tokens;
mod tries;

pub(super) use tokens::hash;
pub use tokens::{Scope, TokenError, TokenLine, Tokens};
pub(super) use tries::neighbourhood;

use super::problem::Problem;
use super::routes::Table;
use super::state::AppState;
use axum::body::Body;
use axum::extract::{MatchedPath, Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use futures_util::{StreamExt, future};
use percent_encoding::percent_decode_str;
use session::{Session, Sessions};
use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use subtle::ConstantTimeEq;
use tokens::Known;
use tries::{Refusals, Tries};

/// The header that carries a session's word.
pub(super) const CSRF: HeaderName = HeaderName::from_static("x-tankside");
/// No address of ours comes near this.
const LONGEST_URI: usize = 2048;
/// The media type of a stream.
pub(super) const EVENTS: &str = "text/event-stream";

/// Where a request comes from; the listener puts it into each request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Peer {
    /// The other end.
    pub address: IpAddr,
    /// Whether that is this machine.
    pub here: bool,
    /// Whether it came through TLS of ours.
    pub tls: bool,
}

impl Peer {
    /// This machine, in plain.
    pub fn here() -> Peer {
        Peer { address: Ipv4Addr::LOCALHOST.into(), here: true, tls: false }
    }
}

/// In the extensions of a request for which there was no seat: it is answered if it comes from somebody who may operate,
/// or asks for what is open to everybody, as a log-in. Says whether it did.
#[derive(Clone, Debug, Default)]
pub(super) struct Visitor(Arc<AtomicBool>);

impl Visitor {
    /// Whether somebody who may operate was recognised.
    pub fn may_operate(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

/// Who asks.
#[derive(Clone, Debug)]
pub(super) struct Who {
    /// By which token; none where none is needed.
    pub known: Option<Known>,
    pub scope: Scope,
    pub session: Option<Session>,
}

impl Who {
    fn by(known: Known, session: Option<Session>) -> Who {
        Who { scope: known.scope, known: Some(known), session }
    }

    /// The token's name.
    pub fn name(&self) -> Option<&str> {
        self.known.as_ref().map(|known| known.name.as_str())
    }
}

/// Who asks, if anybody was recognised; in the extensions of every request.
#[derive(Clone, Debug)]
pub(super) struct Identity(pub Option<Who>);

/// What the guard remembers.
#[derive(Debug)]
pub(super) struct Gate {
    pub tokens: Tokens,
    /// Whether this machine needs no token even when there are some.
    loopback_open: bool,
    sessions: Sessions,
    tries: Tries,
    refusals: Refusals,
}

impl Gate {
    pub fn new(tokens: Tokens, loopback_open: bool) -> Gate {
        let (sessions, tries, refusals) = Default::default();
        Gate { tokens, loopback_open, sessions, tries, refusals }
    }

    /// Whether whoever asks from there needs a token.
    fn needs(&self, peer: Peer, headers: &HeaderMap) -> Result<bool, TokenError> {
        self.asks(peer.here && !forwarded(headers))
    }

    /// The same of whoever sits at this machine, or does not.
    fn asks(&self, here: bool) -> Result<bool, TokenError> {
        Ok(!here || (!self.loopback_open && self.tokens.any()?))
    }

    /// Whether somebody who was let in still would be. A list that cannot be read any more sends nobody away who looks on.
    fn lets(&self, who: &Who, here: bool) -> bool {
        let token = match &who.known {
            Some(known) => self.tokens.stands_or_stood(known),
            None => self.asks(here).is_ok_and(|needed| !needed),
        };
        token && who.session.as_ref().is_none_or(|session| self.sessions.goes_on(session))
    }

    /// The answer to a wrong token.
    fn wrong(&self, peer: Peer, detail: &str) -> Problem {
        match self.tries.failed(peer.address) {
            None => {
                tracing::warn!(address = %peer.address, "a wrong token was shown");
                denied(detail)
            }
            Some(wait) => Problem::new(
                StatusCode::TOO_MANY_REQUESTS,
                "too-many-tries",
                format!("too many wrong tokens from {}; wait {} s", peer.address, seconds(wait)),
            )
            .retry_after(seconds(wait)),
        }
    }

    fn identify(
        &self,
        app: &AppState,
        peer: Peer,
        method: &Method,
        headers: &HeaderMap,
        is_off: bool,
    ) -> Result<Who, Problem> {
        let needed = self.needs(peer, headers);
        let free = Who { known: None, scope: Scope::Admin, session: None };
        if headers.contains_key(header::AUTHORIZATION) {
            let shown = host::only(headers, header::AUTHORIZATION).and_then(bearer);
            let known = match shown.map(|token| self.tokens.who(token)).transpose() {
                Err(e) if is_off => {
                    shown.and_then(|t| self.tokens.who_lately(t)).map(|k| Some(Some(k))).ok_or(e)
                }
                known => known,
            };
            return match (known, needed) {
                (Ok(Some(Some(known))), _) => Ok(Who::by(known, None)),
                // A token that is left over in somebody's environment does no harm where none is needed.
                (_, Ok(false)) => Ok(free),
                (Err(e), _) | (_, Err(e)) => Err(broken(&e)),
                (Ok(Some(None)), _) => {
                    Err(self.wrong(peer, "this is no token of this daemon, or it was revoked"))
                }
                (Ok(None), _) => Err(denied("write it as \"Authorization: Bearer TOKEN\"")),
            };
        }
        let session = session::cookie(app, headers).and_then(|c| self.sessions.find(c));
        let stands = |session: &Session| {
            if is_off {
                return Ok(self.tokens.stands_or_stood(&session.known));
            }
            // Not "log in": the page would put the stop button away for a log-in that cannot be.
            self.tokens.stands(&session.known).map_err(|e| broken(&e))
        };
        if let Some(session) = session
            && stands(&session)?
        {
            if !reads(method) && !own_word(headers, &session.csrf) {
                return Err(Problem::new(
                    StatusCode::FORBIDDEN,
                    "bad-csrf",
                    "send the csrf of GET /api/v1/session as the header X-Tankside",
                ));
            }
            return Ok(Who::by(session.known.clone(), Some(session)));
        }
        match needed {
            Ok(false) => Ok(free),
            Ok(true) => Err(denied(
                "a token is needed: make one with \"tankside token add\", and log in on the page or send \"Authorization: Bearer TOKEN\"",
            )),
            Err(e) => Err(broken(&e)),
        }
    }
}

/// The layer.
pub(super) async fn guard(
    State((app, table)): State<(AppState, Arc<Table>)>,
    mut request: Request,
    next: Next,
) -> Response {
    // Without a listener of ours the address we listen on is all we know.
    let peer = request
        .extensions()
        .get::<Peer>()
        .copied()
        .unwrap_or(Peer { here: app.facts.listen.ip().is_loopback(), ..Peer::here() });
    let method = request.method().clone();
    let matched = request.extensions().get::<MatchedPath>().cloned();
    let matched = matched.as_ref().map(MatchedPath::as_str);
    let (verdict, who) = admit(&app, &table, peer, &request);
    let visits = request.extensions().get::<Visitor>().is_some();
    let asked = audit::asked(method.as_str(), request.uri().path());
    let address = audit::address(peer, request.headers());
    let here = peer.here && !forwarded(request.headers());
    let audited = table.changes(&method, matched);
    let is_deed = table.needs(&method, matched) >= Some(Scope::Operate);
    request.extensions_mut().insert(peer);
    request.extensions_mut().insert(Identity(who.clone()));
    let is_refused = verdict.is_err();
    let (gate, history, reader) = (app.gate.clone(), app.history.clone(), who.clone());
    let deed = async move {
        let (response, by, token) = audit::listen(async {
            match verdict {
                Ok(()) => next.run(request).await,
                Err(problem) => problem.into_response(),
            }
        })
        .await;
        // A deed of somebody who may do it is always written down; refusals, log-ins and log-outs, which strangers and
        // those who may only watch can make without end, no more than the disk is worth.
        let line = match (audited, is_deed && !is_refused) {
            (false, _) => None,
            (true, true) => Some(0),
            (true, false) => gate.refusals.line(peer.address),
        };
        if let Some(left_out) = line {
            let what = match left_out {
                0 => asked,
                n => format!("{asked} ({n} refusals or log-ins before it have no line)"),
            };
            history.audit(audit::row(what, who.as_ref(), address, (by, token), &response));
        }
        response
    };
    let mut response = if reads(&method) || is_refused {
        deed.await
    } else {
        // On its own: who hangs up in the middle has given the command all the same, and it is written down.
        let done = tokio::spawn(deed).await;
        done.unwrap_or_else(|e| Problem::bug(e.to_string()).into_response())
    };
    if let Some(reader) = reader
        && is_stream(response.headers())
    {
        response = while_let_in(response, move || app.gate.lets(&reader, here));
    }
    harden(response.headers_mut(), peer);
    if visits {
        response.headers_mut().insert(header::CONNECTION, HeaderValue::from_static("close"));
    }
    response
}

fn is_stream(headers: &HeaderMap) -> bool {
    headers.get(header::CONTENT_TYPE).is_some_and(|kind| kind.as_bytes().starts_with(EVENTS.as_bytes()))
}

/// The same stream, that ends when whoever reads it is not let in any more. It is asked before each event, and there is
/// one every few seconds at least.
fn while_let_in(response: Response, lets: impl Fn() -> bool + Send + 'static) -> Response {
    let (parts, body) = response.into_parts();
    let events = body.into_data_stream().take_while(move |_| future::ready(lets()));
    Response::from_parts(parts, Body::from_stream(events))
}

fn admit(app: &AppState, table: &Table, peer: Peer, request: &Request) -> (Result<(), Problem>, Option<Who>) {
    let (method, headers) = (request.method(), request.headers());
    if request.uri().to_string().len() > LONGEST_URI {
        let why = format!("the address may have {LONGEST_URI} bytes at most");
        return (Err(Problem::new(StatusCode::URI_TOO_LONG, "too-long", why)), None);
    }
    if let Err(problem) = host::check(&app.facts, peer, request.uri(), headers) {
        return (Err(problem), None);
    }
    let matched = request.extensions().get::<MatchedPath>().map(MatchedPath::as_str);
    let needs = table.needs(method, matched);
    let who = app.gate.identify(app, peer, method, headers, table.is_off(method, matched));
    if let Some(visitor) = request.extensions().get::<Visitor>() {
        let operates = who.as_ref().is_ok_and(|who| who.scope >= Scope::Operate);
        visitor.0.fetch_or(operates, Ordering::Relaxed);
        // Whose page has an old word for its log-in is told so, and presses STOP again with the new one.
        let stale = who.as_ref().is_err_and(|problem| problem.code == "bad-csrf");
        // A stream would keep its place, and there are few.
        if table.streams(method, matched) || (needs.is_some() && !operates && !stale) {
            return (Err(Problem::full()), who.ok());
        }
    }
    let verdict = match (&who, needs) {
        // A stale cookie must not stand in the way of a new log-in.
        (_, None) => Ok(()),
        (Err(problem), _) => Err(problem.clone()),
        (Ok(who), Some(scope)) if who.scope < scope => Err(Problem::new(
            StatusCode::FORBIDDEN,
            "no-scope",
            format!(
                "the token {} is for {}; this needs {}",
                who.name().unwrap_or_default(),
                who.scope.name(),
                scope.name()
            ),
        )),
        (Ok(_), _) => Ok(()),
    };
    let verdict = verdict.and_then(|()| {
        if percent_decode_str(request.uri().path()).decode_utf8().is_err() {
            return Err(Problem::not_found(
                "there is nothing of that name: what its %-escapes stand for is no text",
            ));
        }
        // What is not listed answers for itself that it is not there.
        if !table.lists(method, matched)
            || *method != Method::POST
            || declared_json(headers)
            || headers.contains_key(CSRF)
            || (table.is_off(method, matched) && !from_a_browser(headers))
        {
            return Ok(());
        }
        Err(Problem::not_json())
    });
    (verdict, who.ok())
}

/// Whether a browser sends it: those name where a POST comes from (Fetch, "HTTP-network-or-cache fetch"; Fetch Metadata
/// Request Headers). Off needs no form guard from anything else: a bare POST is off.
fn from_a_browser(headers: &HeaderMap) -> bool {
    headers.contains_key(header::ORIGIN) || headers.contains_key("sec-fetch-site")
}

fn reads(method: &Method) -> bool {
    matches!(*method, Method::GET | Method::HEAD | Method::OPTIONS)
}

fn declared_json(headers: &HeaderMap) -> bool {
    let declared = host::only(headers, header::CONTENT_TYPE).unwrap_or_default();
    declared.split(';').next().unwrap_or_default().trim().eq_ignore_ascii_case("application/json")
}

fn own_word(headers: &HeaderMap, csrf: &str) -> bool {
    host::only(headers, CSRF).is_some_and(|given| bool::from(given.as_bytes().ct_eq(csrf.as_bytes())))
}

fn bearer(value: &str) -> Option<&str> {
    let (scheme, rest) = value.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then(|| rest.trim())
}

/// Whether a proxy says that it passes this on (RFC 7239; RFC 9110, section 7.6.3).
fn forwarded(headers: &HeaderMap) -> bool {
    ["forwarded", "x-forwarded-for", "x-real-ip", "via"].iter().any(|name| headers.contains_key(*name))
}

/// Whether a proxy on this machine speaks TLS with the browser.
fn by_tls_proxy(peer: Peer, headers: &HeaderMap) -> bool {
    let proto = HeaderName::from_static("x-forwarded-proto");
    peer.here && host::only(headers, proto).is_some_and(|p| p.eq_ignore_ascii_case("https"))
}

fn denied(detail: impl Into<String>) -> Problem {
    Problem::new(StatusCode::UNAUTHORIZED, "no-token", detail)
}

fn broken(e: &TokenError) -> Problem {
    tracing::error!("{e}");
    Problem::new(
        StatusCode::SERVICE_UNAVAILABLE,
        "tokens",
        "the list of tokens cannot be read, so nobody is let in; the daemon's log says why",
    )
}

fn seconds(wait: Duration) -> u64 {
    wait.as_secs_f64().ceil() as u64
}

/// Nothing from elsewhere, in no frame, never kept unless the route says how, never guessed at.
fn harden(headers: &mut HeaderMap, peer: Peer) {
    for (name, value) in [
        (
            header::CONTENT_SECURITY_POLICY,
            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; manifest-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
        ),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::REFERRER_POLICY, "no-referrer"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    ] {
        // A document that brings a style of its own has a policy of its own (`record`): narrower, with that style's hash.
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    if peer.tls {
        // Only for this name and a month: a bench may go back to plain HTTP.
        headers.insert(header::STRICT_TRANSPORT_SECURITY, HeaderValue::from_static("max-age=2592000"));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
}

//! What goes wrong, as RFC 9457 problem details.

use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

/// One error answer. `code` is stable: programs look at it, people read `detail`.
///
/// | code | status | when |
/// |---|---|---|
/// | `bad-json` | 400 | the body is not JSON, or not of the shape asked for |
/// | `bad-query` | 400 | a query parameter is wrong |
/// | `bad-header` | 400 | an `Idempotency-Key` that is none |
/// | `bad-host` | 421 | the Host header names somebody else |
/// | `bad-origin` | 403 | a page of another site asks |
/// | `no-token` | 401 | a token is needed and was not shown, or is wrong |
/// | `no-scope` | 403 | the token is for less than this |
/// | `bad-csrf` | 403 | a session's POST without its word |
/// | `too-many-tries` | 429 | too many wrong tokens from one address; `Retry-After` says how long to wait |
/// | `too-long` | 414 | the address of the request is longer than any of ours |
/// | `tokens` | 503 | the list of tokens cannot be read |
/// | `too-many` | 503 | too many connections or streams; `Retry-After` |
/// | `key-reused` | 422 | an `Idempotency-Key` with another body than the first time |
/// | `in-progress` | 409 | a start with that key is under way |
/// | `in-doubt` | 409 | a start with that key was cut short; whether it began is to be looked at |
/// | `needs-tls` | 400 | plain HTTP from elsewhere to a port that speaks TLS |
/// | `not-found` | 404 | no such station, run or page |
/// | `bad-method` | 405 | a command by anything but POST |
/// | `slow-body` | 408 | the body did not arrive in time |
/// | `refused` | 409 | the station does not take the command now; `detail` says why |
/// | `too-large` | 413 | the body is larger than any order |
/// | `not-json` | 415 | the body is not declared `application/json` |
/// | `not-possible` | 422 | the plan cannot be made; `errors` has every reason |
/// | `not-confirmed` | 504 | the station did not answer, or the output was not seen to go off |
/// | `ledger` | 503 | the ledger cannot be read |
/// | `bug` | 500 | our mistake |
#[derive(Clone, Debug, Serialize)]
pub struct Problem {
    #[serde(rename = "type")]
    kind: &'static str,
    title: &'static str,
    status: u16,
    /// The stable word of the table above.
    pub code: &'static str,
    /// For the operator.
    pub detail: String,
    /// Every reason, where there are several.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub errors: Vec<String>,
    /// What would have it taken all the same, where there is such a thing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub needs: Option<Box<Needs>>,
    #[serde(skip)]
    retry_after: Option<u32>,
}

/// What whoever asks has to say that they know, for a start that is refused without it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Needs {
    /// The field of the request, to be `true`.
    pub field: &'static str,
    /// What it is that they know, for people; without the field, which a page or a terminal calls otherwise.
    pub why: String,
}

/// The code of an answer that is a problem, in its extensions: for the audit.
#[derive(Clone, Copy, Debug)]
pub(super) struct Code(pub &'static str);

impl Problem {
    /// A problem of that status and code.
    pub fn new(status: StatusCode, code: &'static str, detail: impl Into<String>) -> Problem {
        Problem {
            kind: "about:blank",
            title: status.canonical_reason().unwrap_or("Error"),
            status: status.as_u16(),
            code,
            detail: detail.into(),
            errors: Vec::new(),
            needs: None,
            retry_after: None,
        }
    }

    /// The same with every reason.
    pub fn with_errors(mut self, errors: Vec<String>) -> Problem {
        self.errors = errors;
        self
    }

    /// The same, and when it is worth asking again.
    pub(super) fn retry_after(mut self, seconds: u64) -> Problem {
        self.retry_after = Some(u32::try_from(seconds).unwrap_or(u32::MAX));
        self
    }

    /// The whole answer as it goes over the wire, for a connection that gets no further.
    pub(super) fn raw(&self) -> String {
        let body = serde_json::to_string(self).unwrap_or_default();
        let retry = self.retry_after.map_or(String::new(), |s| format!("retry-after: {s}\r\n"));
        format!(
            "HTTP/1.1 {} {}\r\ncontent-type: application/problem+json\r\ncontent-length: {}\r\n{retry}connection: close\r\n\r\n{body}",
            self.status,
            self.title,
            body.len()
        )
    }

    pub(super) fn not_json() -> Problem {
        Problem::new(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "not-json",
            "send JSON, with \"Content-Type: application/json\"",
        )
    }

    /// Every seat is taken.
    pub(super) fn full() -> Problem {
        let why = "every connection is taken; try again";
        Problem::new(StatusCode::SERVICE_UNAVAILABLE, "too-many", why).retry_after(5)
    }

    pub(super) fn not_found(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::NOT_FOUND, "not-found", detail)
    }

    pub(super) fn refused(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::CONFLICT, "refused", detail)
    }

    /// Not started for that reason, unless whoever starts it says in `field` that they know it.
    pub(super) fn unknowing(field: &'static str, why: &str) -> Problem {
        let why = why.trim_end_matches('.').to_owned();
        let detail = format!("not started: {why}; or say that you know it: \"{field}\": true");
        Problem { needs: Some(Box::new(Needs { field, why })), ..Problem::refused(detail) }
    }

    pub(super) fn bug(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "bug", detail)
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let body = serde_json::to_string(&self).unwrap_or_default();
        let mut response =
            (status, [(header::CONTENT_TYPE, "application/problem+json")], body).into_response();
        response.extensions_mut().insert(Code(self.code));
        if let Some(seconds) = self.retry_after {
            response.headers_mut().insert(header::RETRY_AFTER, seconds.into());
        }
        if status == StatusCode::UNAUTHORIZED {
            response.headers_mut().insert(
                header::WWW_AUTHENTICATE,
                axum::http::HeaderValue::from_static("Bearer realm=\"tankside\""),
            );
        }
        response
    }
}

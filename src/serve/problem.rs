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
/// | `bad-host` | 421 | the Host header names somebody else |
/// | `bad-origin` | 403 | a page of another site asks |
/// | `no-token` | 401 | a token is configured and was not given, or is wrong |
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
#[derive(Debug, Serialize)]
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
}

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
        }
    }

    /// The same with every reason.
    pub fn with_errors(mut self, errors: Vec<String>) -> Problem {
        self.errors = errors;
        self
    }

    pub(super) fn not_found(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::NOT_FOUND, "not-found", detail)
    }

    pub(super) fn refused(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::CONFLICT, "refused", detail)
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
        if status == StatusCode::UNAUTHORIZED {
            response.headers_mut().insert(
                header::WWW_AUTHENTICATE,
                axum::http::HeaderValue::from_static("Bearer realm=\"tankside\""),
            );
        }
        response
    }
}

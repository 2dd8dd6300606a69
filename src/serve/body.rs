//! Bodies: bounded in size and time, JSON, nothing unknown in them.

use super::problem::Problem;
use axum::extract::{FromRequest, Request};
use axum::http::{StatusCode, header};
use serde::de::DeserializeOwned;
use std::time::Duration;

/// No order comes near this.
pub(super) const LIMIT: usize = 64 * 1024;
/// A body takes milliseconds; a client slower than this holds a connection for nothing.
const PATIENCE: Duration = Duration::from_secs(5);

/// A JSON body of that shape.
pub(super) struct Body<T>(pub T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for Body<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, _: &S) -> Result<Self, Problem> {
        let declared =
            request.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or("");
        let kind = declared.split(';').next().unwrap_or("").trim();
        if !kind.eq_ignore_ascii_case("application/json") {
            return Err(Problem::not_json());
        }
        let too_large = || {
            Problem::new(
                StatusCode::PAYLOAD_TOO_LARGE,
                "too-large",
                format!("the body may be {LIMIT} bytes at most"),
            )
        };
        let length =
            request.headers().get(header::CONTENT_LENGTH).and_then(|v| v.to_str().ok()?.parse().ok());
        if length.is_some_and(|length: usize| length > LIMIT) {
            return Err(too_large());
        }
        let reading = axum::body::to_bytes(request.into_body(), LIMIT);
        let bytes = match tokio::time::timeout(PATIENCE, reading).await {
            Ok(Ok(bytes)) => bytes,
            // What `to_bytes` says when it is cut short has no type we can ask; a
            // connection that broke gets no answer anyway.
            Ok(Err(_)) => return Err(too_large()),
            Err(_) => {
                return Err(Problem::new(
                    StatusCode::REQUEST_TIMEOUT,
                    "slow-body",
                    format!("the body did not arrive within {} s", PATIENCE.as_secs()),
                ));
            }
        };
        match serde_json::from_slice(&bytes) {
            Ok(value) => Ok(Body(value)),
            Err(e) => Err(Problem::new(StatusCode::BAD_REQUEST, "bad-json", format!("the body: {e}"))),
        }
    }
}

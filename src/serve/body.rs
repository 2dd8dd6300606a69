//! Bodies: bounded in size and time, JSON, nothing unknown in them.

use super::problem::Problem;
use axum::extract::{FromRequest, Request};
use axum::http::{StatusCode, header};
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::fmt::Display;
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
        read(request, LIMIT).await.map(Body)
    }
}

/// A JSON body of that shape, of so many bytes at most.
///
/// # Errors
/// As it is, with the key that it is about.
pub(super) async fn read<T: DeserializeOwned>(request: Request, limit: usize) -> Result<T, Problem> {
    let declared = request.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or("");
    let kind = declared.split(';').next().unwrap_or("").trim();
    if !kind.eq_ignore_ascii_case("application/json") {
        return Err(Problem::not_json());
    }
    let too_large = || {
        Problem::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            "too-large",
            format!("the body may be {limit} bytes at most"),
        )
    };
    let length = request.headers().get(header::CONTENT_LENGTH).and_then(|v| v.to_str().ok()?.parse().ok());
    if length.is_some_and(|length: usize| length > limit) {
        return Err(too_large());
    }
    let reading = axum::body::to_bytes(request.into_body(), limit);
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
    if bytes.trim_ascii().is_empty() {
        return Err(bad("the body: it is empty; send a JSON object"));
    }
    // A list would be taken for the fields in their order.
    if !bytes.trim_ascii_start().starts_with(b"{") {
        return Err(bad("the body: send a JSON object, {…}"));
    }
    let mut text = serde_json::Deserializer::from_slice(&bytes);
    let value =
        serde_path_to_error::deserialize(&mut text).map_err(|e| unfit("the body", e.path(), e.inner()))?;
    text.end().map_err(|e| bad(format!("the body: {e}")))?;
    Ok(value)
}

/// A part of a body, such as the request in it, in the shape it is to have.
///
/// # Errors
/// `bad-json`, with the key that it is about and what would be right there.
pub(super) fn shaped<T: DeserializeOwned>(what: &str, value: &Value) -> Result<T, Problem> {
    serde_path_to_error::deserialize(value).map_err(|e| unfit(what, e.path(), e.inner()))
}

fn bad(detail: impl Into<String>) -> Problem {
    Problem::new(StatusCode::BAD_REQUEST, "bad-json", detail)
}

fn unfit(what: &str, at: &serde_path_to_error::Path, why: &impl Display) -> Problem {
    let why = plain(&why.to_string());
    // The root is called "."; a part that has no name "?".
    match at.to_string().trim_end_matches(".?") {
        "." | "?" => bad(format!("{what}: {why}")),
        at => bad(format!("{what}: {at}: {why}")),
    }
}

/// What a reader of JSON says, without its own words for shapes.
pub(super) fn plain(why: &str) -> String {
    const NUMBERS: [(&str, &str); 5] = [
        ("u8", "0 to 255"),
        ("u16", "0 to 65535"),
        ("u32", "0 to 4294967295"),
        ("u64", "0 or more"),
        ("usize", "0 or more"),
    ];
    if why.contains("expected map with a single key") {
        return why
            .replace("invalid value: map, expected map with a single key", "write exactly one key here");
    }
    let why = why.replace("unknown variant ", "there is no ").replace("invalid type: ", "this is ");
    let Some((before, wanted)) = why.rsplit_once("expected ") else { return why };
    let (word, rest) = wanted.split_once(' ').unwrap_or((wanted, ""));
    let wanted = match word {
        "struct" => format!("an object{}", rest.find(' ').map_or("", |end| &rest[end..])),
        "f32" | "f64" => format!("a number {rest}"),
        word => match NUMBERS.iter().find(|(number, _)| *number == word) {
            Some((_, span)) => format!("a whole number, {span} {rest}"),
            None => return why,
        },
    };
    format!("{before}expected {}", wanted.trim_end())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Request;
    use serde_json::json;

    fn said(change: impl FnOnce(&mut Value)) -> String {
        let mut request = json!({
            "tank": "nickel",
            "part": [{ "disc": { "diameter": "34 mm", "thickness": "1 mm" } }, { "sphere": { "diameter": "9 mm" } }],
            "end": { "thickness": "8 um" },
        });
        assert!(shaped::<Request>("the request", &request).is_ok());
        change(&mut request);
        shaped::<Request>("the request", &request).err().map(|problem| problem.detail).unwrap_or_default()
    }

    #[test]
    fn value_that_does_not_fit_is_never_refused_without_its_key() {
        let no_unit = "has no unit; write a number and one of mm";
        assert!(
            said(|r| r["end"]["thickness"] = json!("8"))
                .starts_with(&format!("the request: end.thickness: \"8\" {no_unit}"))
        );
        let second = said(|r| r["part"][1]["sphere"]["diameter"] = json!("9"));
        assert!(
            second.starts_with(&format!("the request: part[1].sphere.diameter: \"9\" {no_unit}")),
            "{second}"
        );
        assert!(said(|r| r["turn"] = json!({ "faces": "two" })).starts_with("the request: turn.faces: "));
    }

    #[test]
    fn nobody_is_told_the_names_that_shapes_have_in_our_code() {
        let two = said(|r| r["end"]["time"] = json!("3 min"));
        assert_eq!(two, "the request: end: write exactly one key here");
        let word = said(|r| r["end"] = json!({ "thick": "8 um" }));
        assert!(word.contains("there is no `thick`, expected one of `thickness`"), "{word}");
        let part = said(|r| r["part"][0] = json!("disc 34 mm x 1 mm"));
        assert_eq!(part, "the request: part[0]: this is string \"disc 34 mm x 1 mm\", expected an object");
        let count = said(|r| r["part"][0]["count"] = json!(-1));
        assert!(count.ends_with("integer `-1`, expected a whole number, 0 to 4294967295"), "{count}");
        let whole = said(|r| *r = json!(7));
        assert!(whole.ends_with("expected an object"), "{whole}");
    }
}

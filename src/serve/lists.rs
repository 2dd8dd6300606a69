//! Lists: in pages, as JSON or as CSV.

use super::body::plain;
use super::problem::Problem;
use super::state::AppState;
use crate::draw::record;
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};
use serde::{Deserialize, Serialize};
use serde_json::Value;

pub(super) const MOST_ROWS: u32 = 1000;

/// What a list is asked for.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Page {
    #[serde(default)]
    limit: Option<u32>,
    /// What comes after that one in the list. (`before` by its old name: before it in time.)
    #[serde(default, alias = "before")]
    pub after: Option<String>,
    #[serde(default)]
    pub format: Format,
    /// Only those lines that have each of these words somewhere.
    #[serde(default)]
    pub find: Option<String>,
}

/// What is looked for may be that long.
const MOST_WORDS: usize = 200;

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Format {
    #[default]
    Json,
    Csv,
}

pub(super) type Asked = Result<Query<Page>, QueryRejection>;

pub(super) fn bad_query(text: impl Into<String>) -> Problem {
    Problem::new(StatusCode::BAD_REQUEST, "bad-query", text)
}

/// What the reader of a number says (`core::num::IntErrorKind`), and what is to be done.
const NUMBERS: [(&str, &str); 3] = [
    ("invalid digit found in string", "write a whole number"),
    ("cannot parse integer from empty string", "write a whole number"),
    ("number too large to fit in target type", "write a smaller number"),
];

/// A query that is not of the shape asked for.
pub(super) fn unread(rejected: QueryRejection) -> Problem {
    let text = rejected.body_text();
    let mut why = plain(text.trim_start_matches("Failed to deserialize query string: "));
    for (code, words) in NUMBERS {
        why = why.replace(code, words);
    }
    bad_query(why)
}

/// The page that is asked for, and how many rows it may have.
pub(super) fn page(asked: Asked) -> Result<(Page, u32), Problem> {
    let Query(page) = asked.map_err(unread)?;
    let limit = page.limit.unwrap_or(50);
    if !(1..=MOST_ROWS).contains(&limit) {
        return Err(bad_query(format!("limit: 1 to {MOST_ROWS}")));
    }
    if page.after.as_ref().is_some_and(|after| after.is_empty() || after.len() > 100) {
        return Err(bad_query("after: the id of a line of this list"));
    }
    if page
        .find
        .as_ref()
        .is_some_and(|find| find.chars().count() > MOST_WORDS || find.contains(char::is_control))
    {
        return Err(bad_query(format!("find: at most {MOST_WORDS} letters, of one line")));
    }
    Ok((page, limit))
}

/// What needs no escape (RFC 3986, section 2.3).
const PLAIN: AsciiSet = NON_ALPHANUMERIC.remove(b'-').remove(b'.').remove(b'_').remove(b'~');

/// A text as one segment of a path, or one value of a query.
pub(crate) fn escape(text: &str) -> String {
    utf8_percent_encode(text, &PLAIN).to_string()
}

/// The list's path with what is looked for, for the link to its next page.
pub(super) fn searched(path: &str, find: Option<&str>) -> String {
    find.map_or_else(|| path.to_owned(), |find| format!("{path}?find={}", escape(find)))
}

/// The rows in the form that is asked for. `next`: where the following page begins, if this one is full.
pub(super) fn listed<T: Serialize>(
    path: &str,
    rows: &[T],
    columns: &[&str],
    format: Format,
    next: Option<(String, u32)>,
) -> Result<Response, Problem> {
    let mut response = match format {
        Format::Json => Json(rows).into_response(),
        Format::Csv => csv(rows, columns)?,
    };
    if let Some((after, limit)) = next {
        let form = if format == Format::Csv { "&format=csv" } else { "" };
        let more = if path.contains('?') { '&' } else { '?' };
        let link = format!("<{path}{more}limit={limit}&after={after}{form}>; rel=\"next\"");
        // Ids are letters, digits and dashes; one that were not would have no next page.
        if let Ok(link) = HeaderValue::from_str(&link) {
            response.headers_mut().insert(header::LINK, link);
        }
    }
    Ok(response)
}

/// RFC 4180, with a row of names.
fn csv<T: Serialize>(rows: &[T], columns: &[&str]) -> Result<Response, Problem> {
    let mut text = columns.join(",") + "\r\n";
    for row in rows {
        let row = serde_json::to_value(row).map_err(|e| Problem::bug(e.to_string()))?;
        let cells: Vec<_> = columns.iter().map(|name| cell(&row[*name])).collect();
        text += &cells.join(",");
        text += "\r\n";
    }
    Ok(([(header::CONTENT_TYPE, "text/csv; charset=utf-8; header=present")], text).into_response())
}

fn cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => record::cell(text),
        other => other.to_string(),
    }
}

/// Who did what, newest first.
pub(super) async fn audit(State(app): State<AppState>, asked: Asked) -> Result<Response, Problem> {
    let (page, limit) = page(asked)?;
    if page.find.is_some() {
        return Err(bad_query("find: the audit is not searched here"));
    }
    let before = page.after.map(|after| after.parse::<i64>()).transpose();
    let before = before.map_err(|_| bad_query("after: the id of a line of this list, a whole number"))?;
    let rows = app.read(move |h| h.audits(limit, before)).await?;
    let next = rows.last().filter(|_| rows.len() == limit as usize).map(|row| (row.id.to_string(), limit));
    let columns = ["id", "at", "token", "by", "address", "what", "status", "code"];
    listed("/api/v1/audit", &rows, &columns, page.format, next)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn next_page_of_a_search_goes_on_with_the_search() {
        let path = searched("/api/v1/runs", Some("K-104 ü&x"));
        assert_eq!(path, "/api/v1/runs?find=K-104%20%C3%BC%26x");
        let next = listed(&path, &[json!({})], &[], Format::Json, Some(("a".into(), 1))).unwrap();
        assert_eq!(next.headers()[header::LINK], format!("<{path}&limit=1&after=a>; rel=\"next\""));
        assert_eq!(searched("/api/v1/runs", None), "/api/v1/runs");
    }

    #[test]
    fn title_that_looks_like_a_formula_or_has_a_comma_stays_one_text() {
        assert_eq!(cell(&json!("6 cups, \"old\"")), "\"6 cups, \"\"old\"\"\"");
        assert_eq!(cell(&json!("=cmd()")), "'=cmd()");
        assert_eq!((cell(&json!(-1.5)), cell(&Value::Null)), ("-1.5".into(), String::new()));
    }
}

//! The OpenAPI document: made from the list of routes, so that it cannot leave one out.
//!
//! Schemas are data in `schemas.json`. A test holds that every schema that is
//! named is there and every one that is there is named; `tests/e2e/answers.rs`
//! holds the answers of every route against them, Schemathesis
//! (`tests/contract.rs`) asks for what nobody thought of.

use super::guard::Scope;
use super::routes::{About, Listed};
use crate::quantity::{
    Amps, Area, Charge, CurrentSlope, Density, Energy, Length, Mass, Ratio, Span, Temperature, Unit,
    VoltageSlope, Volts, Volume,
};
use axum::Json;
use axum::http::Method;
use serde_json::{Map, Value, json};
use std::sync::OnceLock;

pub(super) async fn document() -> Json<&'static Value> {
    static DOCUMENT: OnceLock<Value> = OnceLock::new();
    Json(DOCUMENT.get_or_init(|| made(&super::served().1.list)))
}

fn schemas() -> Value {
    // A test reads it: a file that is no JSON does not ship.
    let mut all: Value = serde_json::from_str(include_str!("schemas.json")).unwrap_or_default();
    for (name, units) in QUANTITIES {
        let symbols: Vec<_> = units.iter().map(|unit| unit.symbol).collect();
        if let Some(Value::String(says)) = all[name].get_mut("description") {
            *says += &format!(
                ". A number, a space and one of: {}. An answer may have any of them too, so that nothing is rounded",
                symbols.join(", ")
            );
        }
    }
    all
}

/// The schemas that are quantities, and what each can be written in.
const QUANTITIES: [(&str, &[Unit]); 14] = [
    ("Volts", Volts::UNITS),
    ("Amperes", Amps::UNITS),
    ("Area", Area::UNITS),
    ("Density", Density::UNITS),
    ("Charge", Charge::UNITS),
    ("Length", Length::UNITS),
    ("Temperature", Temperature::UNITS),
    ("Volume", Volume::UNITS),
    ("Mass", Mass::UNITS),
    ("TimeSpan", Span::UNITS),
    ("Energy", Energy::UNITS),
    ("CurrentSlope", CurrentSlope::UNITS),
    ("VoltageSlope", VoltageSlope::UNITS),
    ("Share", Ratio::UNITS),
];

fn made(list: &[Listed]) -> Value {
    let mut paths = Map::new();
    for listed in list {
        let method = listed.method.as_str().to_ascii_lowercase();
        let path = paths.entry(listed.path).or_insert_with(|| json!({}));
        path[method] = operation(listed);
    }
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Tankside",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "Runs a small-parts plating station. This software is not the safety interlock. \
                Errors are RFC 9457 problems; their `code` is stable. \
                A field whose name ends in a unit (`charge_coulombs`, `thickness_meters`) is a number in it; every \
                other measure is a text with its unit. `by` is the person's name, for the record; commands are POST \
                with a JSON object, `{\"by\": \"Mila\"}` where nothing else is asked for.",
        },
        "paths": paths,
        "components": {
            "schemas": schemas(),
            "securitySchemes": {
                "token": { "type": "http", "scheme": "bearer" },
                "session": { "type": "apiKey", "in": "cookie", "name": "tankside-8093",
                    "description": "The number is the port of daemon.listen. With it each POST needs X-Tankside." },
            },
        },
    })
}

fn operation(listed: &Listed) -> Value {
    let about = &listed.about;
    let mut parameters: Vec<_> = parts(listed.path)
        .map(|name| {
            let (of, says) = part(name);
            json!({ "name": name, "in": "path", "required": true, "schema": schema(of), "description": says })
        })
        .collect();
    parameters.extend(about.asks.iter().map(|(place, name, of, says)| {
        json!({ "name": name, "in": place, "schema": schema(of), "description": says })
    }));
    let mut all = json!({
        "summary": about.says,
        "tags": [about.tag],
        "parameters": parameters,
        "responses": answers(listed),
    });
    if let Some(more) = about.more {
        all["description"] = json!(more);
    }
    if !about.tells.is_empty() {
        // OpenAPI 3.1 has no word for the events of a stream.
        let events = about
            .tells
            .iter()
            .map(|(name, of, says)| ((*name).to_owned(), json!({ "description": says, "data": schema(of) })));
        all["x-events"] = Value::Object(events.collect());
    }
    if let Some(takes) = about.takes {
        all["requestBody"] =
            // Off without a word is off.
            json!({ "required": takes != "Off", "content": { "application/json": { "schema": schema(takes) } } });
    }
    // Nothing at all is a way in too: on this machine, as long as there is no token.
    all["security"] = match about.scope {
        None => json!([{}]),
        Some(_) => json!([{}, { "token": [] }, { "session": [] }]),
    };
    all["x-scope"] = json!(about.scope.map_or("none", Scope::name));
    all
}

/// The names in braces.
fn parts(path: &str) -> impl Iterator<Item = &str> {
    path.split('/').filter_map(|part| part.strip_prefix('{')?.strip_suffix('}'))
}

/// What the name in braces stands for: its schema, and where it is found.
fn part(name: &str) -> (&'static str, &'static str) {
    match name {
        "station" => ("Name", "its name, as GET /api/v1/stations lists it"),
        "tank" => ("Name", "its name, as GET /api/v1/tanks lists it"),
        "run" => ("Name", "its whole id, as GET /api/v1/runs lists it"),
        "job" => ("Name", "its whole id, as GET /api/v1/jobs lists it"),
        "watch" => {
            ("Name", "its name, as the alarms have it; a wrong one is answered with all that there are")
        }
        "deed" => ("JobDeedWord", "what is done to the job"),
        _ => ("Name", "its name"),
    }
}

fn schema(name: &str) -> Value {
    json!({ "$ref": format!("#/components/schemas/{name}") })
}

fn answers(listed: &Listed) -> Value {
    let about = &listed.about;
    let mut answers = Map::new();
    answers.insert("200".into(), good(about));
    if about.tagged {
        answers.insert(
            "304".into(),
            json!({ "description": "It is as the ETag has it", "headers": { "ETag": header(THE_TAG) } }),
        );
    }
    for status in problems(listed) {
        let mut answer = json!({
            "description": meaning(status),
            "content": { "application/problem+json": { "schema": schema("Problem") } },
        });
        match status {
            401 => answer["headers"] = json!({ "WWW-Authenticate": header("Bearer") }),
            429 => answer["headers"] = json!({ "Retry-After": header("seconds to wait") }),
            503 => answer["headers"] = json!({ "Retry-After": header("seconds to wait; with too-many") }),
            _ => {}
        }
        answers.insert(status.to_string(), answer);
    }
    for (status, of) in &about.also {
        answers.insert(
            status.to_string(),
            json!({ "description": meaning(*status), "content": { "application/json": { "schema": schema(of) } } }),
        );
    }
    Value::Object(answers)
}

fn good(about: &About) -> Value {
    let (media, of) = about.gives;
    let mut content = Map::new();
    content.insert(
        media.into(),
        of.map_or(json!({ "schema": { "type": "string" } }), |of| json!({ "schema": schema(of) })),
    );
    if about.csv {
        content.insert("text/csv".into(), json!({ "schema": { "type": "string" } }));
    }
    let mut good = json!({ "description": "Done", "content": content });
    if about.tagged {
        good["headers"] = json!({ "ETag": header(THE_TAG) });
    }
    if about.asks.iter().any(|(_, name, of, _)| (*name, *of) == ("after", "Cursor")) {
        good["headers"]["Link"] = header("rel=\"next\", where there may be more: a path with its query");
    }
    good
}

const THE_TAG: &str = "send it as If-None-Match the next time";

fn header(says: &str) -> Value {
    json!({ "schema": { "type": "string" }, "description": says })
}

/// Those that the guard, the body and the router give, and the route's own.
fn problems(listed: &Listed) -> Vec<u16> {
    let about = &listed.about;
    let mut all = vec![403, 414, 421, 500];
    if about.scope.is_some() {
        // Without a good list of tokens nobody is let in.
        all.extend([401, 429, 503]);
    }
    if about.asks.iter().any(|(place, ..)| *place == "query") || listed.path.contains('{') {
        all.push(400);
    }
    if listed.path.contains('{') {
        // A part of the path that is empty, or has a slash in it, is another path.
        all.push(404);
    }
    if listed.method == Method::POST {
        all.extend([400, 408, 413, 415]);
    }
    all.extend(&about.may);
    all.sort_unstable();
    all.dedup();
    all.retain(|status| !about.also.iter().any(|(other, _)| other == status));
    all
}

fn meaning(status: u16) -> &'static str {
    match status {
        400 => "bad-json, bad-query, bad-header, needs-tls: what was sent is not of the shape asked for",
        401 => "no-token: a token is needed",
        403 => "bad-origin, bad-csrf, no-scope: not from there, or not with this token",
        404 => "not-found: there is no such thing",
        408 => "slow-body: the body did not arrive in time",
        409 => "refused, in-progress, in-doubt: not now, and why",
        413 => "too-large: the body is larger than any order",
        414 => "too-long: the address is longer than any of ours",
        415 => "not-json: the body is not declared as JSON",
        421 => "bad-host: the Host header names somebody else",
        422 => "not-possible, key-reused: understood, and it cannot be done",
        429 => "too-many-tries: too many wrong tokens",
        503 => "ledger, tokens, too-many: not at the moment",
        504 => "not-confirmed: the station did not answer, or the output was not seen to go off",
        _ => "bug: our mistake",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    fn named(value: &Value, into: &mut BTreeSet<String>) {
        match value {
            Value::Object(map) => {
                if let Some(name) = map.get("$ref").and_then(Value::as_str) {
                    into.insert(name.trim_start_matches("#/components/schemas/").into());
                }
                map.values().for_each(|v| named(v, into));
            }
            Value::Array(all) => all.iter().for_each(|v| named(v, into)),
            _ => {}
        }
    }

    #[test]
    fn no_schema_is_named_that_is_not_there_or_there_and_never_named() {
        let document = made(&super::super::served().1.list);
        let mut refs = BTreeSet::new();
        named(&document, &mut refs);
        let there: BTreeSet<String> =
            document["components"]["schemas"].as_object().expect("schemas.json").keys().cloned().collect();
        assert_eq!(refs, there);
    }

    #[test]
    fn no_code_of_a_problem_is_in_the_manual_and_not_in_the_document_or_means_something_else_there() {
        let manual: BTreeSet<_> = include_str!("problem.rs")
            .lines()
            .filter_map(|line| {
                let mut cells = line.strip_prefix("/// | `")?.strip_suffix(" |")?.splitn(3, " | ");
                let code = cells.next()?.strip_suffix('`')?;
                Some((code.to_owned(), format!("{}: {}", cells.next()?, cells.next()?)))
            })
            .collect();
        let schemas = schemas();
        let codes = schemas["Problem"]["properties"]["code"]["oneOf"].as_array().expect("codes");
        let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
        assert_eq!(manual, codes.iter().map(|c| (text(&c["const"]), text(&c["description"]))).collect());
        assert!(manual.len() > 20, "{manual:?}");
    }

    /// Every object that is described, with where it stands.
    fn objects<'v>(value: &'v Value, place: &str, into: &mut Vec<(String, &'v Value)>) {
        if value["properties"].is_object() {
            into.push((place.to_owned(), value));
        }
        match value {
            Value::Object(map) => map.iter().for_each(|(k, v)| objects(v, &format!("{place}.{k}"), into)),
            Value::Array(all) => all.iter().for_each(|v| objects(v, place, into)),
            _ => {}
        }
    }

    #[test]
    fn no_object_is_open_and_no_measure_in_it_without_its_unit() {
        const UNITS: [(&str, &str); 12] = [
            ("ohm_square_meters", "Ω·m²"),
            ("amperes_per_square_meter", "A/m²"),
            ("ampere_hours", "A·h"),
            ("square_meters", "m²"),
            ("coulombs", "C"),
            ("amperes", "A"),
            ("volts", "V"),
            ("milliseconds", "ms"),
            ("seconds", "s"),
            ("meters", "m"),
            ("celsius", "°C"),
            ("liters", "L"),
        ];
        let schemas = schemas();
        let mut all = Vec::new();
        objects(&schemas, "", &mut all);
        assert!(all.len() > 100, "{}", all.len());
        let mut measures = 0;
        for (place, object) in all {
            // What somebody writes beside off is no reason to refuse it.
            let is_open = place == ".Off";
            assert_eq!(object["additionalProperties"], is_open, "{place} takes anything beside its keys");
            assert!(object["required"].is_array(), "{place} does not say what is always there");
            for (name, property) in object["properties"].as_object().expect("asked above") {
                let kind =
                    ["type", "$ref", "anyOf", "oneOf", "const"].iter().any(|key| property.get(key).is_some());
                assert!(kind, "{place}: {name} may be anything");
                let unit = UNITS.iter().find(|(end, _)| {
                    name.strip_suffix(end).is_some_and(|head| head.is_empty() || head.ends_with('_'))
                });
                let number = property["type"] == "number" || property["type"] == json!(["number", "null"]);
                let Some((_, unit)) = unit.filter(|_| number) else { continue };
                let says = property["description"].as_str().unwrap_or_default();
                assert!(
                    says.split([' ', ',', ';', '.']).any(|word| word == *unit),
                    "{place}: {name}: {says:?}"
                );
                measures += 1;
            }
        }
        assert!(measures > 80, "{measures}");
    }

    #[test]
    fn no_stream_is_silent_about_its_events_and_no_deed_of_a_job_about_its_words() {
        let list = super::super::served().1.list;
        let document = made(&list);
        for listed in &list {
            let method = listed.method.as_str().to_ascii_lowercase();
            let operation = &document["paths"][listed.path][&method];
            let streams = operation["responses"]["200"]["content"]["text/event-stream"].is_object();
            assert_eq!(streams, operation["x-events"].is_object(), "{}", listed.path);
            for parameter in operation["parameters"].as_array().expect("parameters") {
                assert!(parameter["description"].is_string(), "{}: {parameter}", listed.path);
            }
        }
        let deeds = &document["components"]["schemas"]["JobDeedWord"]["enum"];
        assert_eq!(*deeds, json!(crate::serve::job::DEEDS));
        let events = &document["paths"]["/api/v1/events"]["get"];
        assert!(events["responses"]["200"]["headers"].is_null(), "a stream has no next page");
    }

    #[test]
    fn no_quantity_is_silent_about_its_units() {
        let schemas = schemas();
        for (name, units) in QUANTITIES {
            let says = schemas[name]["description"].as_str().unwrap_or_default();
            for unit in units {
                assert!(says.contains(unit.symbol), "{name}: {says}");
            }
            let (_, example) = says.split_once('"').unwrap_or_else(|| panic!("{name}: {says}"));
            assert!(
                units.iter().any(|unit| example.contains(&format!(" {}\"", unit.symbol))),
                "{name}: {says}"
            );
        }
    }

    #[test]
    fn no_route_is_listed_twice_and_every_code_of_a_problem_is_explained() {
        let list = super::super::served().1.list;
        let unique: BTreeSet<_> = list.iter().map(|l| (l.method.as_str().to_owned(), l.path)).collect();
        assert_eq!(unique.len(), list.len());
        for listed in &list {
            for status in problems(listed) {
                assert!(status == 500 || meaning(status) != meaning(500), "{status} of {}", listed.path);
            }
        }
    }
}

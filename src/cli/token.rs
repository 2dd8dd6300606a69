//! `token`: who may ask the daemon, and who asked for what.

use super::args::{Common, TokenVerb};
use super::client::Client;
use super::say::{line, say, table, when};
use super::setup;
use super::show::json_out;
use crate::host::{Done, Failure};
use crate::serve::{TokenError, Tokens};
use serde_json::{Value, json};

/// The list of the config's state folder; the daemon need not run.
fn tokens(common: &Common) -> Result<Tokens, Failure> {
    Ok(Tokens::at(&setup::good(common)?.config.daemon.state))
}

fn failed(error: TokenError) -> Failure {
    match error {
        TokenError::Permission(_) => Failure::permission(error.to_string()),
        TokenError::Asked(_) => Failure::refused(error.to_string()),
        TokenError::File(..) => Failure::ledger(error.to_string()),
    }
}

/// All but `audit`, which asks the daemon.
pub(crate) fn token(common: &Common, verb: &TokenVerb) -> Done {
    match verb {
        TokenVerb::Add { name, scope } => {
            let tokens = tokens(common)?;
            let first = !tokens.any().map_err(failed)?;
            let made = tokens.add(name, *scope).map_err(failed)?;
            if common.json {
                return json_out(&json!({ "name": name, "scope": scope, "token": made, "first": first }));
            }
            line(&made);
            eprintln!("{name} may {}. It is shown this once; only its hash is kept.", scope.name());
            if first {
                eprintln!(
                    "It is the first: from now on this machine needs one too (daemon.loopback); verbs of the daemon's\n\
                     user and of root find their own, others take it from TANKSIDE_TOKEN."
                );
            }
        }
        TokenVerb::List => {
            let all = tokens(common)?.list().map_err(failed)?;
            if common.json {
                let all: Vec<_> =
                    all.iter().map(|t| json!({ "name": t.name, "scope": t.scope, "made": t.made })).collect();
                return json_out(&Value::Array(all));
            }
            if all.is_empty() {
                line("no tokens: this machine needs none, and nobody else is let in");
                return Ok(());
            }
            let mut rows = vec![["name", "scope", "made"].map(String::from).to_vec()];
            rows.extend(all.into_iter().map(|t| vec![t.name, t.scope.name().into(), t.made]));
            say(&table(&rows));
        }
        TokenVerb::Revoke { name } => {
            tokens(common)?.revoke(name).map_err(failed)?;
            line(format!("{name} is revoked, from this moment on, and its log-ins with it"));
        }
        TokenVerb::Audit { .. } => return Err(Failure::bug("the audit is the daemon's to tell")),
    }
    Ok(())
}

/// Who did what, newest first.
pub(crate) fn audit(client: &Client, limit: u32, json: bool) -> Done {
    let all = client.get(&format!("/api/v1/audit?limit={limit}"))?;
    if json {
        return json_out(&all);
    }
    let mut rows = vec![["when", "token", "by", "from", "what", "answer"].map(String::from).to_vec()];
    for row in all.as_array().into_iter().flatten() {
        let answer = match row["code"].as_str() {
            Some(code) => format!("{} {code}", row["status"]),
            None => row["status"].to_string(),
        };
        let or_dash = |key: &str| row[key].as_str().unwrap_or("-").to_owned();
        rows.push(vec![
            when(&row["at"]),
            or_dash("token"),
            or_dash("by"),
            or_dash("address"),
            or_dash("what"),
            answer,
        ]);
    }
    say(&table(&rows));
    Ok(())
}

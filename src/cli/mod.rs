//! Arguments in, text and exit code out.
//!
//! What the room is for: the verbs people type. What it may not do: decide
//! anything about a run; a verb calls the room that knows.

mod args;
mod client;
mod failure;
mod follow;
mod say;
mod show;

use crate::quantity::Units;
use args::{AnswerArg, Cli, Common, UnitsArg, Verb};
use clap::Parser;
use client::Client;
use failure::{Done, Failure};
use serde_json::json;
use std::process::ExitCode;
use std::time::Duration;

/// How long a verb waits for the daemon.
const PATIENCE: Duration = Duration::from_secs(10);
/// `follow` asks again twice a second, so it does not wait long for one answer.
const GLANCE: Duration = Duration::from_millis(1500);
const ADDRESS: &str = "127.0.0.1:8093";

/// Runs the program.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => {
            // Help and version are no errors. Nothing is left to do if even this cannot be printed.
            e.print().ok();
            return if e.use_stderr() { ExitCode::from(64) } else { ExitCode::SUCCESS };
        }
    };
    match std::panic::catch_unwind(|| run(cli)) {
        Ok(Ok(())) => ExitCode::SUCCESS,
        Ok(Err(failure)) => {
            eprintln!("tankside: {}", failure.text);
            ExitCode::from(failure.code)
        }
        Err(_) => {
            eprintln!("tankside: a slip of ours; please report the lines above");
            ExitCode::from(70)
        }
    }
}

fn run(cli: Cli) -> Done {
    let common = &cli.common;
    let json = common.json;
    let client = |patience| Client::new(&address(common), token(), patience);
    let units = units(common);
    match &cli.verb {
        Verb::Hold(at) => command(&client(PATIENCE), "hold", at, common),
        Verb::Resume(at) => command(&client(PATIENCE), "resume", at, common),
        Verb::Stop(at) => command(&client(PATIENCE), "stop", at, common),
        Verb::Abort(at) => command(&client(PATIENCE), "abort", at, common),
        Verb::Answer { answer, at } => {
            let word = match answer {
                AnswerArg::Done => "done",
                AnswerArg::No => "no",
            };
            let body = json!({ "by": operator(common), "answer": word });
            show::told(&client(PATIENCE), "answer", at.station.as_deref(), body, json)
        }
        Verb::Status(at) => show::status(&client(PATIENCE), at.station.as_deref(), units, json),
        Verb::Follow(at) => {
            let client = client(GLANCE);
            let station = client.station(at.station.as_deref())?;
            follow::follow(&client, &station, units)
        }
        Verb::Alarms { ack: Some(watch), note, at } => {
            let body = json!({ "by": operator(common), "watch": watch, "note": note });
            show::told(&client(PATIENCE), "ack", at.station.as_deref(), body, json)
        }
        Verb::Alarms { .. } => show::alarms(&client(PATIENCE), json),
        Verb::Tanks => show::tanks(&client(PATIENCE), units, json),
        Verb::Runs { limit } => show::runs(&client(PATIENCE), *limit, units, json),
        Verb::Report { run, csv } => show::report(&client(PATIENCE), run, *csv, units, json),
        _ => Err(Failure::bug("this verb is not wired yet")),
    }
}

fn command(client: &Client, verb: &str, at: &args::StationArg, common: &Common) -> Done {
    show::command(client, verb, at.station.as_deref(), &operator(common), common.json)
}

/// Who gives the command.
fn operator(common: &Common) -> String {
    let named = |name: &str| std::env::var(name).ok().filter(|v| !v.trim().is_empty());
    common
        .operator
        .clone()
        .or_else(|| named("USER"))
        .or_else(|| named("LOGNAME"))
        .unwrap_or_else(|| "unnamed".into())
}

fn address(common: &Common) -> String {
    common.address.clone().unwrap_or_else(|| ADDRESS.into())
}

fn token() -> Option<String> {
    std::env::var("TANKSIDE_TOKEN").ok().filter(|t| !t.is_empty())
}

fn units(common: &Common) -> Units {
    match common.units {
        Some(UnitsArg::Us) => Units::Us,
        _ => Units::Metric,
    }
}

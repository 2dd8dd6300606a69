//! Arguments in, text and exit code out.
//!
//! What the room is for: the verbs people type. What it may not do: decide
//! anything about a run; a verb calls the room that knows.

mod account;
mod alarms;
mod args;
mod client;
mod daemon;
mod demo;
mod findings;
mod follow;
mod follow_job;
mod job;
mod line;
mod log;
mod mesh;
mod mimic;
mod off;
mod order;
mod order_args;
mod plan;
mod probe;
mod replay;
mod runs;
mod say;
mod setup;
mod show;
mod token;
mod upkeep;

use crate::host::{Done, Failure};
use crate::quantity::Units;
use crate::serve::Tokens;
use args::{Cli, Common, TokenVerb, UnitsArg, Verb};
use clap::Parser;
use client::{Client, Trust};
use serde_json::json;
use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr};
use std::process::ExitCode;
use std::time::Duration;

/// How long a verb waits for the daemon.
const PATIENCE: Duration = Duration::from_secs(10);
/// `follow` asks again twice a second, so it does not wait long for one answer.
const GLANCE: Duration = Duration::from_millis(1500);
/// `off` goes to the ports itself if the daemon has not confirmed by then.
const OFF_PATIENCE: Duration = Duration::from_secs(5);
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
    if matches!(cli.verb, Verb::Minder) {
        // Its exit code is its own: nobody but the service manager reads it.
        return crate::supply::minder::child_main();
    }
    match std::panic::catch_unwind(|| run(cli)) {
        Ok(Ok(())) => ExitCode::SUCCESS,
        Ok(Err(failure)) => {
            eprintln!("tankside: {}", crate::supply::plain(&failure.text));
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
    say::remember(common);
    let json = common.json;
    match &cli.verb {
        Verb::Check => return check(common),
        Verb::Off { ports, at } => {
            // Off never waits for a good config.
            let by = operator(common);
            let station = at.station.as_deref();
            // The usual config with mistakes, which `context` passes over, still says where its daemon is.
            let clear = !setup::is_there(common) || setup::good(common).is_ok();
            return match context(common, OFF_PATIENCE) {
                Ok(context) if clear => {
                    off::off(&context.client.for_switching_off(), common, station, ports, &by)
                }
                _ => off::off_blindly(common, station, ports, &by, OFF_PATIENCE),
            };
        }
        Verb::Token(verb) if !matches!(verb, TokenVerb::Audit { .. }) => return token::token(common, verb),
        Verb::Serve => return daemon::serve(&setup::good(common)?),
        Verb::Demo { once } => return demo::demo(common, *once),
        Verb::Mimic(args) => return mimic::mimic(args),
        Verb::Runs { deed: Some(args::RunsDeed::Verify { since, head, ledger }), .. } => {
            return runs::verify(common, since.as_deref(), head.as_deref(), ledger.as_ref());
        }
        Verb::Probe(args) => return probe::probe_ports(common, args, &operator(common)),
        _ => {}
    }
    let patience = if matches!(cli.verb, Verb::Follow(_)) { GLANCE } else { PATIENCE };
    let Context { client, units } = context(common, patience)?;
    match &cli.verb {
        Verb::Plan { order, sheet } => match line::asked(order, sheet)? {
            Some(request) => line::plan(common, order.station.as_deref(), request, units),
            None => plan::plan(&client, common, order, units),
        },
        Verb::Rehearse { order, sheet, seed, faults } => match line::asked(order, sheet)? {
            Some(_) if faults.is_some() => {
                Err(Failure::usage("--faults goes with one powered step, not with a sheet"))
            }
            Some(request) => job::rehearsal(common, order.station.as_deref(), request, *seed, units),
            None => plan::rehearsal(common, order, *seed, faults.as_deref(), units),
        },
        Verb::Start(args) => job::start(&client, args, &operator(common), json),
        Verb::Hold(at) => job::command(&client, "hold", at, json!({ "by": operator(common) }), json),
        Verb::Resume(at) => job::command(&client, "resume", at, json!({ "by": operator(common) }), json),
        Verb::Stop { run: true, at } => command(&client, "stop", at, common),
        Verb::Stop { at, .. } => job::command(&client, "stop", at, json!({ "by": operator(common) }), json),
        Verb::Abort(at) => command(&client, "abort", at, common),
        Verb::Answer { answer, question, at } => {
            job::answer(&client, *answer, *question, at, &operator(common), json)
        }
        Verb::Redo { step, at } => job::redo(&client, step.as_deref(), at, &operator(common), json),
        Verb::Skip { reason, at } => {
            job::told(&client, "skip", at, json!({ "by": operator(common), "reason": reason }), json)
        }
        Verb::Jobs { job: None } => job::list(&client, json),
        Verb::Jobs { job: Some(id) } => job::one(&client, id, json),
        Verb::Status(at) => show::status(&client, at.station.as_deref(), units, json),
        Verb::Follow(at) => {
            let station = client.station(at.station.as_deref())?;
            follow::follow(&client, &station, units)
        }
        Verb::Alarms(args) => alarms::alarms(&client, args, &operator(common), json),
        Verb::Tanks { say: Some(tank), temperature, agitation, .. } => {
            let body = json!({ "by": operator(common), "temperature": temperature, "agitation": agitation });
            show::say_bath(&client, tank, body, json)
        }
        Verb::Tanks { upkeep, .. } if upkeep.log.is_some() || upkeep.undo.is_some() => {
            upkeep::told(&client, upkeep, &operator(common), json)
        }
        Verb::Tanks { tank: Some(tank), tests, .. } if tests.meant() => {
            findings::tank(&client, tank, tests, &operator(common), json)
        }
        Verb::Tanks { tank: Some(tank), by, since, .. } => {
            account::account(&client, tank, *by, since.as_deref(), units, json)
        }
        Verb::Tanks { .. } => show::tanks(&client, units, json),
        Verb::Replay(args) => replay::replay_verb(&client, common, args),
        Verb::Token(TokenVerb::Audit { limit }) => token::audit(&client, *limit, json),
        Verb::Runs { deed: Some(deed), .. } => runs::deed(&client, deed, &operator(common), json),
        Verb::Runs { limit, deed: None } => show::runs(&client, *limit, units, json),
        Verb::Advise { run, saw } => findings::advise(&client, run, saw, json),
        Verb::Report { run, html, csv } => {
            let form = match html {
                Some(file) => runs::Form::Html(file),
                None if *csv => runs::Form::Csv,
                None if json => runs::Form::Json,
                None => runs::Form::Lines,
            };
            runs::report(&client, run, &form, units)
        }
        Verb::Token(_)
        | Verb::Serve
        | Verb::Check
        | Verb::Off { .. }
        | Verb::Probe { .. }
        | Verb::Mimic(_)
        | Verb::Demo { .. }
        | Verb::Minder => Err(Failure::bug("a verb that needs no daemon was not taken first")),
    }
}

/// Every problem, or what was understood.
fn check(common: &Common) -> Done {
    let setup = match setup::load(common)? {
        Ok(setup) => setup,
        Err(problems) => {
            problems.iter().for_each(say::line);
            let count = match problems.len() {
                1 => "1 problem".into(),
                n => format!("{n} problems"),
            };
            return Err(Failure::config(format!("{count}; nothing of this config is used until mended")));
        }
    };
    let listen = setup.config.daemon.listen;
    crate::host::access::tokens(&setup, listen)?;
    let amiss = crate::host::access::told(&setup)?;
    say::say(&crate::config::check_report(&setup.path.display().to_string(), &Ok(setup.config)));
    line::judged(&setup.sheets, &setup.unfit);
    let doubts = setup.dialects.iter().flat_map(|d| d.doubts().into_iter().map(move |text| (d, text)));
    amiss.iter().for_each(|text| say::line(format!("look: {text}")));
    for (dialect, text) in doubts {
        say::wrap(&format!("look: dialect {}: {text}", dialect.name), 2, 100).iter().for_each(say::line);
    }
    for dialect in &setup.dialects {
        say::line(format!("dialect {}: {} ({})", dialect.name, dialect.about, dialect.maturity.name()));
    }
    Ok(())
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

/// What verbs that ask the daemon need.
struct Context {
    client: Client,
    units: Units,
}

impl Context {
    /// By flags and environment alone.
    fn plain(common: &Common, patience: Duration) -> Context {
        let address = common.address.as_deref().unwrap_or(ADDRESS);
        let units = if matches!(common.units, Some(UnitsArg::Us)) { Units::Us } else { Units::Metric };
        Context { client: reaching(address, common, patience), units }
    }
}

/// An authority that cannot be read keeps nobody from switching off; `context` refuses it.
fn reaching(address: &str, common: &Common, patience: Duration) -> Client {
    let client = Client::trusting(address, token(), patience, &trust(common));
    client.unwrap_or_else(|_| Client::new(address, token(), patience))
}

/// Flags first, then the config where there is one. A config that was named
/// must be good; the default one may be out of this user's reach.
fn context(common: &Common, patience: Duration) -> Result<Context, Failure> {
    let mut context = Context::plain(common, patience);
    let trust = trust(common);
    context.client = Client::trusting(&context.client.address, token(), patience, &trust)?;
    if !setup::is_there(common) {
        return Ok(context);
    }
    let config = match setup::good(common) {
        Ok(setup) => setup.config,
        Err(_) if common.config.is_none() => return Ok(context),
        Err(failure) => return Err(failure),
    };
    let address = common.address.clone().unwrap_or_else(|| reach(config.daemon.listen).to_string());
    // Its own secret is for its own address alone.
    let own = if common.address.is_none() { Tokens::local(&config.daemon.state) } else { None };
    context.client = Client::trusting(&address, token().or(own), patience, &trust)?;
    if common.units.is_none() {
        context.units = config.daemon.units;
    }
    Ok(context)
}

/// Where a daemon that listens there is reached from this machine.
fn reach(listen: SocketAddr) -> SocketAddr {
    let mut address = listen;
    if listen.ip().is_unspecified() {
        address.set_ip(match listen {
            SocketAddr::V4(_) => Ipv4Addr::LOCALHOST.into(),
            SocketAddr::V6(_) => Ipv6Addr::LOCALHOST.into(),
        });
    }
    address
}

fn token() -> Option<String> {
    std::env::var("TANKSIDE_TOKEN").ok().filter(|t| !t.is_empty())
}

fn trust(common: &Common) -> Trust {
    let named = || std::env::var_os("TANKSIDE_CA").filter(|file| !file.is_empty()).map(Into::into);
    Trust { ca: common.ca.clone().or_else(named), in_the_clear: common.in_the_clear }
}

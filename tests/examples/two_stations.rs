//! Tankside inside another program: the stations of a config, worked by it, beside a route of the program's own.
//!
//! `cargo run --example two_stations -- CONFIG ADDRESS`: CONFIG has any number of stations; `GET /bench-board` answers
//! with a line for each, everything of the daemon's own API is under `/api/v1`, and what happens is printed. It ends
//! at Ctrl-C, with every output off and confirmed.

use axum::Router;
use axum::routing::get;
use futures_util::StreamExt as _;
use std::error::Error;
use std::net::SocketAddr;
use std::process::ExitCode;
use tankside::Tankside;
use tankside::ledger::News;
use tankside::station::Handle;

fn main() -> ExitCode {
    // Before anything else: the same program is also the child that switches off if this one is killed.
    if let Some(done) = tankside::host::minder_if_asked() {
        return done;
    }
    let runtime = tokio::runtime::Runtime::new().expect("a runtime: without one nothing runs at all");
    match runtime.block_on(program()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("{why}");
            ExitCode::FAILURE
        }
    }
}

async fn program() -> Result<(), Box<dyn Error>> {
    let mut words = std::env::args().skip(1);
    let usage = "usage: two_stations CONFIG ADDRESS";
    let config = words.next().ok_or(usage)?;
    let address: SocketAddr = words.next().ok_or(usage)?.parse()?;
    // The guard of the routes goes by this address, so it is ours before the stations are.
    let listener = tokio::net::TcpListener::bind(address).await?;

    let tankside = Tankside::builder().config_file(config).behind(listener.local_addr()?).start().await?;

    let handles: Vec<Handle> = tankside.stations().to_vec();
    let board = Router::new().route("/bench-board", get(move || async move { lines(&handles) }));
    let ours = board.merge(tankside.router());
    println!("listening {}", listener.local_addr()?);
    let serving = tokio::spawn(async move { axum::serve(listener, ours).await });

    for handle in tankside.stations() {
        let (name, mut snapshots) = (handle.name().to_owned(), handle.snapshots());
        tokio::spawn(async move {
            let mut last = None;
            while let Some(snapshot) = snapshots.next().await {
                let now = (snapshot.link.up, snapshot.run.state);
                if last.replace(now) != Some(now) {
                    println!("{name}: link {}, {}", if now.0 { "up" } else { "down" }, now.1.name());
                }
            }
        });
    }
    let mut news = tankside.news();
    tokio::spawn(async move {
        while let Some(told) = news.next().await {
            match told {
                News::Alarm(alarm) => println!("{}: alarm {} is {}", alarm.station, alarm.watch, alarm.to),
                News::Event(event) | News::Job { event, .. } => println!("{}: {}", event.station, event.text),
            }
        }
    });

    tokio::signal::ctrl_c().await?;
    serving.abort();
    tankside.stop().await?;
    println!("every output is off");
    Ok(())
}

fn lines(handles: &[Handle]) -> String {
    let line = |handle: &Handle| {
        let snapshot = handle.snapshot();
        let run = &snapshot.run;
        format!("{}: {}, {:.1} A.min\n", snapshot.station, run.state.name(), run.charge_coulombs / 60.0)
    };
    handles.iter().map(line).collect()
}

//! The control port: what a test or a person at the bench may do and ask, by hand.
//!
//! One line in, one line out. `state?` answers one line of JSON; everything else
//! `ok` or `error: …`.

use super::{Shared, state_json};
use crate::bath::Agitation;
use crate::mimic::script::parse_fault;
use std::sync::Arc;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};

const VERBS: &str = "state?, fault NAME [VALUE] [for 5 s], clear, hang, lift, \
                     stir still|rod|air|vigorous, bytes 41 42 0A, help";

pub(super) async fn listen(shared: Arc<Shared>, listener: TcpListener) {
    while let Ok((stream, _)) = listener.accept().await {
        tokio::spawn(serve(shared.clone(), stream));
    }
}

async fn serve(shared: Arc<Shared>, mut stream: TcpStream) {
    let (read, mut write) = stream.split();
    let mut read = BufReader::new(read);
    let mut line = Vec::new();
    loop {
        line.clear();
        // A line longer than this is nobody's command.
        let got = (&mut read).take(1024).read_until(b'\n', &mut line).await;
        if !matches!(got, Ok(1..)) || line.last() != Some(&b'\n') {
            return;
        }
        let mut answer = obey(&shared, String::from_utf8_lossy(&line).trim());
        answer.push('\n');
        if write.write_all(answer.as_bytes()).await.is_err() {
            return;
        }
    }
}

fn obey(shared: &Shared, line: &str) -> String {
    let (verb, rest) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
    let done = match (verb, rest.trim()) {
        ("state?", "") => return shared.with(|rig, now| state_json(rig, now)),
        ("fault", what) => parse_fault(what).map(|(fault, lasts)| {
            shared.with(|rig, now| rig.bench.fault(now, fault, lasts));
        }),
        ("clear", "") => {
            shared.with(|rig, now| rig.bench.clear_faults(now));
            Ok(())
        }
        ("hang", "") => {
            shared.with(|rig, now| rig.bench.hang(now, true));
            Ok(())
        }
        ("lift", "") => {
            shared.with(|rig, now| rig.bench.hang(now, false));
            Ok(())
        }
        ("stir", how) => agitation(how).map(|a| shared.with(|rig, now| rig.bench.stir(now, a))),
        ("bytes", hex) => hex_bytes(hex).map(|bytes| {
            // Nobody listening is no error: bytes on a wire with no one at its end.
            let _ = shared.noise.send(bytes);
        }),
        ("help", "") => return VERBS.into(),
        _ => {
            Err(format!("{:?} is not known; write one of {VERBS}", line.chars().take(40).collect::<String>()))
        }
    };
    match done {
        Ok(()) => "ok".into(),
        Err(why) => format!("error: {why}"),
    }
}

fn agitation(how: &str) -> Result<Agitation, String> {
    Ok(match how {
        "still" => Agitation::Still,
        "rod" => Agitation::Rod,
        "air" => Agitation::Air,
        "vigorous" => Agitation::Vigorous,
        _ => return Err("stir how? write still, rod, air or vigorous".into()),
    })
}

fn hex_bytes(text: &str) -> Result<Vec<u8>, String> {
    let bytes: Option<Vec<u8>> = text
        .split_whitespace()
        .map(|pair| (pair.len() == 2).then(|| u8::from_str_radix(pair, 16).ok()).flatten())
        .collect();
    bytes.filter(|b| !b.is_empty()).ok_or_else(|| "write bytes as pairs of hex digits: bytes 41 42 0A".into())
}

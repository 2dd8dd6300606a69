//! A program that is run when an alarm changes: a buzzer, a stack light.

use super::message::Message;
use crate::ledger::News;
use std::process::Stdio;
use std::time::Duration;
use tokio::io::AsyncWriteExt as _;
use tokio::process::Command;
use tokio::sync::mpsc;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;

/// A program that takes longer is killed: the next alarm waits for it.
const PATIENCE: Duration = Duration::from_secs(10);

/// Runs it once for each change, one after the other. It finds the message on its standard input, and the
/// words that a shell script needs in its environment.
pub(super) async fn run(words: Vec<String>, mut queue: mpsc::Receiver<Message>, shutdown: CancellationToken) {
    let work = async {
        while let Some(message) = queue.recv().await {
            if let Err(why) = once(&words, &message).await {
                tracing::warn!("the command {:?} on an alarm: {why}", words[0]);
            }
        }
    };
    tokio::select! {
        () = work => {}
        () = shutdown.cancelled() => {}
    }
}

async fn once(words: &[String], message: &Message) -> Result<(), String> {
    let News::Alarm(alarm) = &message.news else { return Ok(()) };
    let mut child = Command::new(&words[0])
        .args(&words[1..])
        .env("TANKSIDE_STATION", &alarm.station)
        .env("TANKSIDE_ALARM", &alarm.watch)
        .env("TANKSIDE_STATE", &alarm.to)
        .env("TANKSIDE_PRIORITY", &alarm.priority)
        .env("TANKSIDE_TEXT", &alarm.text)
        .env_remove("TANKSIDE_TOKEN")
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .kill_on_drop(true)
        .spawn()
        .map_err(|e| format!("cannot be started: {}", e.kind()))?;
    let body = message.body();
    let all = async {
        if let Some(mut stdin) = child.stdin.take() {
            // A program that does not want it has closed its end.
            let _ = stdin.write_all(body.as_bytes()).await;
        }
        child.wait().await
    };
    match timeout(PATIENCE, all).await {
        Ok(Ok(status)) if status.success() => Ok(()),
        Ok(Ok(status)) => Err(format!("ended with {status}")),
        Ok(Err(e)) => Err(format!("cannot be waited for: {}", e.kind())),
        Err(_) => Err(format!("took longer than {} s and was killed", PATIENCE.as_secs())),
    }
}

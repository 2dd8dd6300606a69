//! A program that is run when an alarm changes: a buzzer, a stack light.

use super::message::Message;
use crate::ledger::News;
use nix::sys::signal::{Signal, killpg};
use nix::unistd::Pid;
use std::io::ErrorKind;
use std::os::unix::fs::PermissionsExt as _;
use std::process::Stdio;
use std::time::Duration;
use tokio::io::AsyncWriteExt as _;
use tokio::process::{Child, Command};
use tokio::sync::mpsc;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;

/// A program that takes longer is killed, with what it has started: the next alarm waits for it.
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
        () = super::over(&shutdown) => {}
    }
}

/// Why that program could not be run, as far as can be seen without doing so.
pub(super) fn amiss(program: &str) -> Option<String> {
    let why = match std::fs::metadata(program) {
        Ok(file) if !file.is_file() => "is no file".into(),
        Ok(file) if file.permissions().mode() & 0o111 == 0 => "may not be executed (chmod +x)".into(),
        Ok(_) => return None,
        Err(e) => reason(&e),
    };
    Some(format!("the command {program:?} on an alarm: {why}"))
}

fn reason(e: &std::io::Error) -> String {
    match e.kind() {
        ErrorKind::NotFound => "there is no such program".into(),
        ErrorKind::PermissionDenied => "this user may not run it".into(),
        kind => kind.to_string(),
    }
}

async fn once(words: &[String], message: &Message) -> Result<(), String> {
    let News::Alarm(alarm) = &message.news else { return Ok(()) };
    let child = Command::new(&words[0])
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
        .process_group(0)
        .spawn()
        .map_err(|e| format!("cannot be started: {}", reason(&e)))?;
    let mut child = Group(child);
    let body = message.body();
    let all = async {
        if let Some(mut stdin) = child.0.stdin.take() {
            // A program that does not want it has closed its end.
            let _ = stdin.write_all(body.as_bytes()).await;
        }
        child.0.wait().await
    };
    match timeout(PATIENCE, all).await {
        Ok(Ok(status)) if status.success() => Ok(()),
        Ok(Ok(status)) => Err(format!("ended with {status}")),
        Ok(Err(e)) => Err(format!("cannot be waited for: {}", e.kind())),
        Err(_) => Err(format!("took longer than {} s and was killed", PATIENCE.as_secs())),
    }
}

/// A program with all that it starts, as one group of processes. What has not ended when it is dropped is killed whole: a
/// shell that is killed alone leaves what it waits for.
struct Group(Child);

impl Drop for Group {
    fn drop(&mut self) {
        // No id once it has been waited for: the number may be another's by then.
        if let Some(id) = self.0.id().and_then(|id| i32::try_from(id).ok()) {
            let _ = killpg(Pid::from_raw(id), Signal::SIGKILL);
        }
    }
}

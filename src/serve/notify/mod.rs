//! Who is told of what happens, beside those who ask.
//!
//! What the room is for: webhooks, a broker, commands. Each has a task and a
//! bounded queue of its own, fed from the published snapshots and the ledger's
//! news; when it is slow or gone, what does not fit is dropped and counted, and
//! nobody waits. What it may not know: stations' commands; it can only tell.

mod command;
mod message;
mod mqtt;
mod webhook;

use crate::config::Notify;
use crate::ledger::News;
use crate::station::Handle;
use message::Message;
use std::path::Path;
use tokio::sync::broadcast::{Receiver, error::RecvError};
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// Messages that may wait for one listener.
const QUEUE: usize = 256;

/// Begins to tell. Must be called within a tokio runtime; the tasks end when the token is cancelled, and say goodbye
/// to the broker first.
///
/// # Errors
/// A secret, password or certificate file that cannot be read, in the operator's words. Then nobody is told.
pub fn notify(
    config: &Notify,
    stations: &[Handle],
    news: &dyn Fn() -> Receiver<News>,
    shutdown: &CancellationToken,
) -> Result<Vec<JoinHandle<()>>, String> {
    let mut tasks = Vec::new();
    for hook in &config.webhooks {
        let key = hook.secret_file.as_deref().map(secret).transpose()?;
        let (into, queue) = mpsc::channel(QUEUE);
        let (from, runs) = (hook.from, hook.runs);
        let wanted = move |m: &Message| if m.is_alarm() { m.reaches(from) } else { runs && m.is_of_a_run() };
        tasks.push(tokio::spawn(sort(news(), into, wanted, shutdown.clone())));
        tasks.push(tokio::spawn(webhook::send(hook.url.clone(), key, queue, shutdown.clone())));
    }
    for command in &config.commands {
        let (into, queue) = mpsc::channel(QUEUE);
        let from = command.from;
        tasks.push(tokio::spawn(sort(news(), into, move |m| m.reaches(from), shutdown.clone())));
        tasks.push(tokio::spawn(command::run(command.run.clone(), queue, shutdown.clone())));
    }
    if let Some(mqtt) = &config.mqtt {
        let password = mqtt.password_file.as_deref().map(secret).transpose()?;
        let ca = mqtt.ca_file.as_deref().map(bytes).transpose()?;
        tasks.extend(mqtt::publish(mqtt, password, ca, stations, news(), shutdown)?);
    }
    Ok(tasks)
}

/// Picks out what one listener wants. What finds its queue full is dropped, and the next that fits says how many.
async fn sort(
    mut news: Receiver<News>,
    into: mpsc::Sender<Message>,
    wanted: impl Fn(&Message) -> bool,
    shutdown: CancellationToken,
) {
    let mut missed = 0;
    loop {
        let told = tokio::select! {
            () = shutdown.cancelled() => return,
            told = news.recv() => told,
        };
        let mut message = match told {
            Ok(news) => Message::new(news),
            Err(RecvError::Lagged(n)) => {
                missed += n;
                continue;
            }
            Err(RecvError::Closed) => return,
        };
        if !wanted(&message) {
            continue;
        }
        message.missed = missed;
        match into.try_send(message) {
            Ok(()) => missed = 0,
            Err(mpsc::error::TrySendError::Full(_)) => missed += 1,
            Err(mpsc::error::TrySendError::Closed(_)) => return,
        }
    }
}

/// The text of a secret's file, white space at its ends left out.
fn secret(path: &Path) -> Result<String, String> {
    let text = String::from_utf8(bytes(path)?).map_err(|_| format!("{}: is not text", path.display()))?;
    match text.trim() {
        "" => Err(format!("{}: is empty; write the secret into it", path.display())),
        secret => Ok(secret.to_owned()),
    }
}

#[expect(
    clippy::disallowed_methods,
    reason = "at the edge: secrets lie in files of their own, out of the config"
)]
fn bytes(path: &Path) -> Result<Vec<u8>, String> {
    std::fs::read(path).map_err(|e| match e.kind() {
        std::io::ErrorKind::NotFound => format!("{}: there is no such file", path.display()),
        std::io::ErrorKind::PermissionDenied => format!("{}: this user may not read it", path.display()),
        kind => format!("{}: {kind}", path.display()),
    })
}

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
use std::time::Duration;
use tokio::sync::broadcast::{Receiver, error::RecvError};
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio::time::sleep;
use tokio_rustls::rustls::pki_types::CertificateDer;
use tokio_rustls::rustls::pki_types::pem::PemObject as _;
use tokio_util::sync::CancellationToken;

/// Messages that may wait for one listener.
const QUEUE: usize = 256;
/// What is still to be told at the end may take so long. Every output is off by then.
const FAREWELL: Duration = Duration::from_secs(2);

/// Whether what they need is there, without telling anybody: what is worth a look, such as a program that is not there.
///
/// # Errors
/// As [`notify`].
pub fn check_notify(config: &Notify) -> Result<Vec<String>, String> {
    for file in config.webhooks.iter().filter_map(|hook| hook.secret_file.as_deref()) {
        secret(file)?;
    }
    if let Some(mqtt) = &config.mqtt {
        mqtt.password_file.as_deref().map(secret).transpose()?;
        mqtt.ca_file.as_deref().map(authority).transpose()?;
    }
    Ok(config.commands.iter().filter_map(|command| command::amiss(&command.run[0])).collect())
}

/// Begins to tell. Must be called within a tokio runtime; the tasks end when the token is cancelled, after what has
/// happened until then was told, if that is quick, and a goodbye to the broker.
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
        let name = format!("webhook {}", webhook::shown(&hook.url));
        tasks.push(tokio::spawn(sort(name, news(), into, wanted, shutdown.clone())));
        tasks.push(tokio::spawn(webhook::send(hook.url.clone(), key, queue, shutdown.clone())));
    }
    for command in &config.commands {
        let (into, queue) = mpsc::channel(QUEUE);
        let from = command.from;
        let name = format!("the command {:?} on an alarm", command.run[0]);
        tasks.push(tokio::spawn(sort(name, news(), into, move |m| m.reaches(from), shutdown.clone())));
        tasks.push(tokio::spawn(command::run(command.run.clone(), queue, shutdown.clone())));
    }
    if let Some(mqtt) = &config.mqtt {
        let password = mqtt.password_file.as_deref().map(secret).transpose()?;
        let ca = mqtt.ca_file.as_deref().map(authority).transpose()?;
        tasks.extend(mqtt::publish(mqtt, password, ca, stations, news(), shutdown)?);
    }
    Ok(tasks)
}

/// Picks out what one listener wants, to the last that was told before the end. What finds its queue full is dropped:
/// the log says so, and the next that fits says how many.
async fn sort(
    name: String,
    mut news: Receiver<News>,
    into: mpsc::Sender<Message>,
    wanted: impl Fn(&Message) -> bool,
    shutdown: CancellationToken,
) {
    let mut missed = 0;
    loop {
        let told = tokio::select! {
            biased;
            told = news.recv() => told,
            () = shutdown.cancelled() => return,
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
            Ok(()) => {
                if missed > 0 {
                    tracing::warn!("{name}: has missed {missed}");
                }
                missed = 0;
            }
            Err(mpsc::error::TrySendError::Full(_)) => {
                if missed == 0 {
                    tracing::warn!(
                        "{name}: {QUEUE} messages wait; what comes now is dropped until one is taken"
                    );
                }
                missed += 1;
            }
            Err(mpsc::error::TrySendError::Closed(_)) => return,
        }
    }
}

/// Ends when the time for a farewell is over.
async fn over(shutdown: &CancellationToken) {
    shutdown.cancelled().await;
    sleep(FAREWELL).await;
}

/// The text of a secret's file, white space at its ends left out.
fn secret(path: &Path) -> Result<String, String> {
    let text = String::from_utf8(bytes(path)?).map_err(|_| format!("{}: is not text", path.display()))?;
    match text.trim() {
        "" => Err(format!("{}: is empty; write the secret into it", path.display())),
        secret => Ok(secret.to_owned()),
    }
}

/// The certificates of a file, PEM.
fn authority(path: &Path) -> Result<Vec<u8>, String> {
    let pem = bytes(path)?;
    match CertificateDer::pem_slice_iter(&pem).next() {
        Some(Ok(_)) => Ok(pem),
        _ => Err(format!("{}: has no certificate in PEM", path.display())),
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::AlarmRow;
    use tokio::sync::broadcast;

    fn told(text: String) -> News {
        News::Alarm(std::sync::Arc::new(AlarmRow {
            at: "2026-01-02T03:04:05.000Z".into(),
            monotonic_milliseconds: 0,
            station: "bench".into(),
            run: None,
            watch: "drift".into(),
            from: "normal".into(),
            to: "unacknowledged".into(),
            priority: "high".into(),
            text,
            by: None,
            note: None,
        }))
    }

    fn text(message: &Message) -> &str {
        let News::Alarm(alarm) = &message.news else { unreachable!("alarms alone are told here") };
        &alarm.text
    }

    #[tokio::test]
    async fn listener_that_takes_nothing_fills_no_memory_and_is_told_how_many_it_missed() {
        let (tell, news) = broadcast::channel(1024);
        let (into, mut queue) = mpsc::channel(QUEUE);
        let shutdown = CancellationToken::new();
        let sorting = tokio::spawn(sort("slow".into(), news, into, |_| true, shutdown.clone()));
        for n in 0..QUEUE + 44 {
            tell.send(told(n.to_string())).unwrap();
        }
        // One thread: the other task has had all the turns that it needs.
        for _ in 0..1000 {
            tokio::task::yield_now().await;
        }
        assert_eq!((tell.len(), queue.len()), (0, QUEUE), "somebody waits for a listener");
        for n in 0..QUEUE {
            let message = queue.recv().await.unwrap();
            assert_eq!((text(&message), message.missed), (n.to_string().as_str(), 0));
        }
        tell.send(told("after".into())).unwrap();
        let message = queue.recv().await.unwrap();
        assert_eq!((text(&message), message.missed), ("after", 44));
        shutdown.cancel();
        sorting.await.unwrap();
    }
}

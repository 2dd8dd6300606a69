//! Listening while something is waited for: off is heard at once, and the
//! watchdog knows that the thread lives.

use crate::run::Command;
use crate::run::guide::GuideCommand;
use crate::station::{Ask, Envelope};
use std::collections::VecDeque;
use std::future::Future;
use std::pin::pin;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::sleep;
use tokio_util::sync::CancellationToken;

/// A wait that is longer than this gives a sign of life in between.
pub(super) const SIGN_OF_LIFE: Duration = Duration::from_secs(1);

/// Where commands come from, and the word to end.
pub(super) struct Ear<'a> {
    pub commands: &'a mut mpsc::Receiver<Envelope>,
    pub quit: &'a CancellationToken,
}

/// What cut a wait short.
pub(super) enum Woken {
    /// Off, or a stop: not to be kept waiting.
    Urgent(Envelope),
    /// The daemon ends.
    Quit,
}

/// Waits for an exchange that may be dropped half-way, unless somebody asks for
/// off meanwhile. Other commands are kept for later, in order.
pub(super) async fn unless_urgent<T>(
    exchange: impl Future<Output = T>,
    ear: Option<&mut Ear<'_>>,
    later: &mut VecDeque<Envelope>,
    beat: &AtomicU64,
) -> Result<T, Woken> {
    let Some(ear) = ear else { return Ok(ticking(exchange, beat).await) };
    let mut exchange = pin!(exchange);
    loop {
        tokio::select! {
            biased;
            () = ear.quit.cancelled() => return Err(Woken::Quit),
            Some(envelope) = ear.commands.recv() => match envelope.command {
                Ask::Run(Command::Abort | Command::Stop, _) | Ask::Job(GuideCommand::Stop) => return Err(Woken::Urgent(envelope)),
                _ => later.push_back(envelope),
            },
            done = &mut exchange => return Ok(done),
            () = sleep(SIGN_OF_LIFE) => { beat.fetch_add(1, Ordering::Relaxed); }
        }
    }
}

/// Waits, with a sign of life each second: what is waited for is slow, the thread is not stuck.
pub(super) async fn ticking<T>(wait: impl Future<Output = T>, beat: &AtomicU64) -> T {
    let mut wait = pin!(wait);
    loop {
        tokio::select! {
            biased;
            done = &mut wait => return done,
            () = sleep(SIGN_OF_LIFE) => { beat.fetch_add(1, Ordering::Relaxed); }
        }
    }
}

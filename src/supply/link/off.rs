//! Off, directly at the port, daemon or no daemon.

use super::help::Holder;
use super::session::Session;
use super::talk::Order;
use super::{Clock, Device, Dialect, Port, Spec, Trouble, open};
use std::fmt;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::{Instant, sleep};

/// Between two tries at a port that is held.
const AGAIN: Duration = Duration::from_millis(20);

/// What came of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum OffReport {
    /// The supply says that its output is off.
    Confirmed,
    /// Another program holds the port. The order was written all the same, but
    /// the answers go to that program, so nothing is confirmed.
    SentPastLock {
        /// Who holds it, if /proc tells.
        holder: Option<Holder>,
    },
}

impl fmt::Display for OffReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            OffReport::Confirmed => f.write_str("output off, confirmed by the supply"),
            OffReport::SentPastLock { holder } => {
                f.write_str("off was sent, but NOT confirmed: ")?;
                match holder {
                    Some(holder) => write!(f, "process {} ({}) holds the port", holder.pid, holder.command)?,
                    None => f.write_str("another program holds the port")?,
                }
                f.write_str("; look at the supply")
            }
        }
    }
}

/// Switches the output off at the port itself. Off is never refused: if a
/// living process has locked the port, the order is written past the lock as a
/// last resort (root may; another user only where the lock is advisory, as on a pty).
///
/// # Errors
/// Any [`Trouble`]; the output is then to be taken for on.
pub async fn off_at_port(spec: &Spec, dialect: &Arc<Dialect>) -> Result<OffReport, Trouble> {
    let mut device = Device::new(spec.clone(), dialect.clone(), Clock::new());
    match (device.off().await, &spec.port) {
        (Ok(()), _) => Ok(OffReport::Confirmed),
        (Err(Trouble::Busy(help)), Port::Serial(path)) => match past_lock(path, spec, dialect).await {
            Ok(()) => Ok(OffReport::SentPastLock { holder: help.holder }),
            Err(_) => Err(Trouble::Busy(help)),
        },
        (Err(trouble), _) => Err(trouble),
    }
}

/// As [`off_at_port`], but a port that is held is tried again for `patience` before the lock is passed: the
/// holder may be a dying daemon, its minder or another `off`, which let go when they have switched off.
///
/// # Errors
/// As [`off_at_port`].
pub async fn off_when_free(
    spec: &Spec,
    dialect: &Arc<Dialect>,
    patience: Duration,
) -> Result<OffReport, Trouble> {
    let begun = Instant::now();
    while begun.elapsed() < patience {
        let mut device = Device::new(spec.clone(), dialect.clone(), Clock::new());
        match device.off().await {
            Err(Trouble::Busy(_)) => sleep(AGAIN).await,
            other => return other.map(|()| OffReport::Confirmed),
        }
    }
    off_at_port(spec, dialect).await
}

async fn past_lock(path: &Path, spec: &Spec, dialect: &Dialect) -> Result<(), Trouble> {
    let io = open::open_unlocked(path)?;
    // A new text line begins with a line end, in case the holder is in the middle of one.
    let mut session = Session::over(io, spec, dialect);
    match session.tell(dialect, Order::Off).await {
        // An acknowledgement goes to whoever holds the port.
        Err(trouble) if !trouble.is_doubtful() => Err(trouble),
        _ => Ok(()),
    }
}

//! The time in which an output may have been on after its run had ended, until it was seen to be off.

use super::*;
use crate::supply::dialect::PowerUp;

/// A run that ended while nobody knew whether its output was on.
pub(super) struct Unseen {
    pub run: String,
    pub tank: String,
    /// Up to here its own count goes.
    pub since: Mono,
}

impl<R: Remote> Shell<R> {
    /// A supply is not let in for what it holds as setpoints, but its output was confirmed off: that is known, and
    /// whether it was found on is told and counted now, for the next try finds it off by this one. Not for long of a
    /// supply that comes back with its output on.
    pub(super) async fn not_let_in(&mut self, trouble: &Trouble) {
        if trouble.is_off() {
            let found = self.remote.found_on();
            self.picture.found_on = found == Some(true);
            self.settle_unseen(found).await;
        }
        let wakes_on = self.settings.supplies().any(|(_, dialect)| dialect.power_up == PowerUp::On);
        self.picture.off_all_the_same = trouble.is_off() && !wakes_on;
    }

    /// The output is confirmed off. What it was `found` to be before that, where it was heard, decides what is put on
    /// the accounts: all the time, unless it was found off.
    pub(super) async fn settle_unseen(&mut self, found: Option<bool>) {
        let held = self.open.as_ref().zip(self.controller.unseen_since()).map(|(run, since)| Unseen {
            run: run.id.clone(),
            tank: self.picture.tank().unwrap_or_default().into(),
            since,
        });
        let Some(Unseen { run, tank, since }) = self.unseen.take().or(held) else { return };
        let time = self.now().since(since);
        let seconds = time.as_secs_f64();
        let counted =
            format!("{seconds:.1} s more not observed on the account of run {run} and of tank {tank}");
        let (more, text) = match found {
            Some(true) => (time, format!("the output was found ON and is off now, confirmed: {counted}")),
            None => {
                (time, format!("the output is off now, confirmed; it may have been on until now: {counted}"))
            }
            Some(false) => (
                Duration::ZERO,
                format!(
                    "the output was found off; it may have been on for up to {seconds:.1} s after the last \
                     that was counted of run {run}, and none of that is on its account"
                ),
            ),
        };
        self.event("unobserved", &text);
        if let Some((level, _)) = self.untold.last_mut() {
            *level = Level::WARN;
        }
        self.controller.seen_off(more, text.clone());
        // The charge of a run that is open goes to its row with the next reading.
        if !self.controller.busy()
            && let Err(e) = within(LAST_WORD, self.ledger.unobserved(&run, &tank, more, &text)).await
        {
            self.event("unobserved", &format!("this is not on the record of run {run}: {e}"));
        }
    }
}

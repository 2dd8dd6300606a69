//! An alarm whose condition is not judged from readings: somebody else tells that it holds, as a guided job does of a
//! load that hangs in too long. It lives by the same states as the others.

use super::alarm::AlarmState;
use super::kind::{Priority, Response};
use super::life::Life;
use super::panel::Handling;
use super::rules::{Tuning, Verdict};
use crate::quantity::Mono;
use std::time::Duration;

/// One such alarm. It only tells; it can hold and cut nothing, so it may be shelved and taken out of service.
#[derive(Clone, Debug)]
pub struct ToldAlarm {
    life: Life<&'static str>,
    tuning: Tuning,
    holds: bool,
}

/// It changed state: a row for the journal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ToldChange {
    /// From which state.
    pub from: AlarmState,
    /// To which.
    pub to: AlarmState,
    /// What a person noted.
    pub note: Option<String>,
}

impl ToldAlarm {
    /// Normal, under that name.
    pub fn new(name: &'static str, priority: Priority) -> ToldAlarm {
        let tuning = Tuning {
            // Whoever tells of it has waited for as long as is right.
            on_delay: Duration::ZERO,
            off_delay: Duration::ZERO,
            deadband: 0.0,
            priority,
            response: Response::Tell,
            latch: false,
            re_alarm: None,
        };
        ToldAlarm { life: Life::new(name), tuning, holds: false }
    }

    /// Its condition holds from now on; `text` is what was seen.
    pub fn begins(&mut self, now: Mono, text: &str) -> Option<ToldChange> {
        self.holds = true;
        self.turn(now, Verdict::Bad(text.into()))
    }

    /// Its condition has gone.
    pub fn goes(&mut self, now: Mono) -> Option<ToldChange> {
        self.holds = false;
        self.turn(now, Verdict::Good)
    }

    /// Time passes: a shelf may be over.
    pub fn tick(&mut self, now: Mono) -> Option<ToldChange> {
        // Nobody has told anything yet, so nothing can have changed.
        self.life.since()?;
        let verdict = if self.holds { Verdict::Bad(self.life.text.clone()) } else { Verdict::Good };
        self.turn(now, verdict)
    }

    fn turn(&mut self, now: Mono, verdict: Verdict) -> Option<ToldChange> {
        let from = self.life.turn(now, verdict, &self.tuning)?;
        Some(ToldChange { from, to: self.life.state(), note: None })
    }

    /// What a person does to it.
    ///
    /// # Errors
    /// A sentence, if that cannot be done to it as it stands.
    pub fn handle(&mut self, now: Mono, what: Handling) -> Result<ToldChange, String> {
        let from = self.life.state();
        let note = self.life.handle(now, what, &self.tuning)?;
        Ok(ToldChange { from, to: self.life.state(), note })
    }

    /// Its state.
    pub fn state(&self) -> AlarmState {
        self.life.state()
    }

    /// How urgent it is.
    pub fn priority(&self) -> Priority {
        self.tuning.priority
    }

    /// What was seen, or why it is out of service.
    pub fn text(&self) -> String {
        self.life.shown_text()
    }

    /// When it came (or was put aside without having come); what is done to it afterwards does not move that.
    pub fn since(&self) -> Option<Mono> {
        self.life.since()
    }

    /// When it went by itself, until somebody has acknowledged it.
    pub fn gone(&self) -> Option<Mono> {
        self.life.gone()
    }

    /// Raised three times or more within the last minute.
    pub fn chatters(&self) -> bool {
        self.life.chatters()
    }

    /// Until when it is shelved at the latest.
    pub fn shelved_until(&self) -> Option<Mono> {
        self.life.shelved_until()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use AlarmState::{Acknowledged, Normal, OutOfService, ReturnedUnacknowledged, Shelved, Unacknowledged};

    fn at(seconds: u64) -> Mono {
        Mono::from_millis(1000 * seconds)
    }

    fn ack() -> Handling {
        Handling::Acknowledge { note: Some("seen".into()) }
    }

    // The states and their order are those of ISA-18.2 / IEC 62682.
    #[test]
    fn told_alarm_that_goes_before_anybody_knows_of_it_waits_to_be_acknowledged() {
        let mut alarm = ToldAlarm::new("over-dwell", Priority::High);
        assert!(alarm.handle(at(1), ack()).unwrap_err().contains("over-dwell has no alarm"));
        assert_eq!(alarm.begins(at(1), "still in acid").unwrap().to, Unacknowledged);
        assert_eq!(alarm.begins(at(2), "still in acid"), None);
        assert_eq!(alarm.goes(at(3)).unwrap().to, ReturnedUnacknowledged);
        assert_eq!((alarm.since(), alarm.gone()), (Some(at(1)), Some(at(3))));
        let change = alarm.handle(at(4), ack()).unwrap();
        assert_eq!((change.from, change.to), (ReturnedUnacknowledged, Normal));
        assert_eq!(change.note.as_deref(), Some("seen"));
        assert_eq!(alarm.begins(at(5), "again").unwrap().to, Unacknowledged);
        assert_eq!(alarm.handle(at(6), ack()).unwrap().to, Acknowledged);
        assert_eq!(alarm.since(), Some(at(5)), "since it came, not since somebody knows");
        assert_eq!(alarm.goes(at(7)).unwrap(), ToldChange { from: Acknowledged, to: Normal, note: None });
    }

    #[test]
    fn shelf_of_a_told_alarm_ends_by_itself_and_what_is_out_of_service_stays_there() {
        let mut alarm = ToldAlarm::new("step-late", Priority::Medium);
        alarm.begins(at(1), "late");
        let shelve = Handling::Shelve { time: Some(Duration::from_secs(60)), note: None };
        assert_eq!(alarm.handle(at(2), shelve).unwrap().to, Shelved);
        assert_eq!(alarm.tick(at(61)), None);
        assert_eq!(alarm.tick(at(62)).unwrap().to, Unacknowledged);
        let out = Handling::OutOfService { reason: "old timer".into() };
        assert_eq!(alarm.handle(at(63), out).unwrap().to, OutOfService);
        assert_eq!(alarm.goes(at(64)), None);
        assert!(alarm.text().contains("old timer"));
    }
}

//! One alarm's life, after ISA-18.2 / IEC 62682: delays, acknowledgement, latching,
//! re-alarm, shelving, out of service, chatter.
//!
//! An alarm that may cut the output can be neither shelved nor taken out of
//! service: those are for what only tells.

use super::alarm::{Alarm, AlarmState};
use super::kind::{Kind, Response};
use super::panel::Handling;
use super::rules::{Tuning, Verdict};
use crate::quantity::Mono;
use std::collections::VecDeque;
use std::time::Duration;

/// The longest an alarm may be shelved, whatever is asked for (OPC 10000-9 calls the cap MaxTimeShelved).
pub const LONGEST_SHELF: Duration = Duration::from_secs(8 * 3600);
/// Readings come a little early or late: a delay of so many polls must not take one more.
const JITTER: Duration = Duration::from_millis(20);
/// With the output on again and nothing seen of it for so long at least, it has gone.
const SEEN: Duration = Duration::from_secs(10);
/// Raised so often within a minute, an alarm chatters (common practice in alarm management).
const CHATTER: usize = 3;

/// Put aside by a person.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Shelf {
    /// Until then.
    Until(Mono),
    /// Until the condition next goes.
    OneShot(Mono),
}

/// What has an alarm: its name stands in what is said of it.
pub(super) trait Named: Copy {
    fn name(self) -> &'static str;
}

impl Named for Kind {
    fn name(self) -> &'static str {
        Kind::name(self)
    }
}

impl Named for &'static str {
    fn name(self) -> &'static str {
        self
    }
}

#[derive(Clone, Debug)]
pub(super) struct Life<K = Kind> {
    pub kind: K,
    /// What the state would be with nobody having put it aside.
    state: AlarmState,
    pub text: String,
    bad_since: Option<Mono>,
    good_since: Option<Mono>,
    /// When it came, or was put aside without having come.
    since: Option<Mono>,
    gone: Option<Mono>,
    /// It went while the output was off by our will, and has not been seen to be gone since.
    dark: bool,
    /// Since when it has been seen to be gone.
    lit_since: Option<Mono>,
    acknowledged_at: Option<Mono>,
    /// Its condition has gone after it was acknowledged, and it latches.
    latched: bool,
    shelf: Option<Shelf>,
    out_of_service: Option<String>,
    suppressed: bool,
    raised: VecDeque<Mono>,
    /// Its place in the order in which the present group of alarms came.
    pub first_out: Option<u32>,
}

impl Life {
    pub fn alarm(&self, tuning: &Tuning) -> Alarm {
        Alarm {
            kind: self.kind,
            state: self.state(),
            priority: tuning.priority,
            response: tuning.response,
            text: self.shown_text(),
            since: self.since,
            gone: self.gone(),
            gone_unseen: self.gone_unseen(),
            first_out: self.first_out,
            latched: self.latched && self.state() == AlarmState::Acknowledged,
            chattering: self.chatters(),
            shelved_until: self.shelved_until(),
        }
    }
}

impl<K: Named> Life<K> {
    pub fn new(kind: K) -> Self {
        Life {
            kind,
            state: AlarmState::Normal,
            text: String::new(),
            bad_since: None,
            good_since: None,
            since: None,
            gone: None,
            dark: false,
            lit_since: None,
            acknowledged_at: None,
            latched: false,
            shelf: None,
            out_of_service: None,
            suppressed: false,
            raised: VecDeque::new(),
            first_out: None,
        }
    }

    /// The state to show.
    pub fn state(&self) -> AlarmState {
        if self.out_of_service.is_some() {
            AlarmState::OutOfService
        } else if self.shelf.is_some() {
            AlarmState::Shelved
        } else if self.suppressed && !self.state.active() {
            AlarmState::Suppressed
        } else {
            self.state
        }
    }

    /// Whether the condition stands as an alarm, shown or put aside.
    pub fn active(&self) -> bool {
        self.state.active()
    }

    /// Whether its condition holds now, for longer than its on-delay: an alarm that
    /// still stands from before asks for its response as much as a new one.
    pub fn demands(&self, now: Mono, tuning: &Tuning) -> bool {
        self.active() && self.bad_since.is_some_and(|t| now.since(t) + JITTER >= tuning.on_delay)
    }

    /// From when on a bad reading would raise it, or make it ask for its response; `None` while its condition does not
    /// hold, or once that has come about.
    pub fn due(&self, now: Mono, tuning: &Tuning) -> Option<Mono> {
        let since = self.bad_since.filter(|_| !self.demands(now, tuning))?;
        Some(since + tuning.on_delay.saturating_sub(JITTER))
    }

    /// Whether it chatters just now.
    pub fn chatters(&self) -> bool {
        self.raised.len() >= CHATTER
    }

    /// What was seen, or why it is out of service.
    pub fn shown_text(&self) -> String {
        match &self.out_of_service {
            Some(reason) => format!("out of service: {reason}"),
            None => self.text.clone(),
        }
    }

    /// When it came; nothing that is done to it afterwards moves that.
    pub fn since(&self) -> Option<Mono> {
        self.since
    }

    /// When it went by itself, until somebody has acknowledged it.
    pub fn gone(&self) -> Option<Mono> {
        self.gone.filter(|_| self.state == AlarmState::ReturnedUnacknowledged)
    }

    /// It went with the output, and nobody saw its condition go: it may be there when the output is on again.
    pub fn gone_unseen(&self) -> bool {
        self.gone().is_some() && self.dark
    }

    /// Its condition has come again while it stands: known of or not, it is new. The state before.
    pub fn again(&mut self, now: Mono, verdict: Verdict) -> Option<AlarmState> {
        let Verdict::Bad(text) = verdict else { return None };
        let shown = self.state();
        let told = shown.active();
        self.text = text;
        self.bad_since = Some(now);
        self.good_since = None;
        if self.state == AlarmState::Acknowledged {
            self.state = AlarmState::Unacknowledged;
        }
        told.then_some(shown)
    }

    /// Until when it is shelved at the latest.
    pub fn shelved_until(&self) -> Option<Mono> {
        self.shelf.map(|(Shelf::Until(at) | Shelf::OneShot(at))| at)
    }

    /// What a person does to it; what they noted.
    ///
    /// # Errors
    /// A sentence, if that cannot be done to it as it stands.
    pub fn handle(&mut self, now: Mono, what: Handling, tuning: &Tuning) -> Result<Option<String>, String> {
        match what {
            Handling::Acknowledge { note } => self.acknowledge(now).map(|()| note),
            Handling::Shelve { time, note } => self.shelve(now, time, tuning).map(|()| note),
            Handling::Unshelve => self.unshelve().map(|()| None),
            Handling::OutOfService { reason } => {
                self.service(now, Some(reason.clone()), tuning).map(|()| Some(reason))
            }
            Handling::InService => self.service(now, None, tuning).map(|()| None),
        }
    }

    /// Moves on with one verdict; the state shown before, if that changed.
    pub fn turn(&mut self, now: Mono, verdict: Verdict, tuning: &Tuning) -> Option<AlarmState> {
        let shown = self.state();
        while self.raised.front().is_some_and(|at| now.since(*at) > Duration::from_secs(60)) {
            self.raised.pop_front();
        }
        self.suppressed = verdict == Verdict::Suppressed;
        self.judge(now, verdict, tuning);
        match self.shelf {
            Some(Shelf::Until(at) | Shelf::OneShot(at)) if now >= at => self.shelf = None,
            Some(Shelf::OneShot(_)) if !self.active() => self.shelf = None,
            _ => {}
        }
        // Suppression by design comes and goes with every turn of a part: shown, not journalled.
        let journalled = |s: AlarmState| if s == AlarmState::Suppressed { AlarmState::Normal } else { s };
        (journalled(shown) != journalled(self.state())).then_some(shown)
    }

    fn judge(&mut self, now: Mono, verdict: Verdict, tuning: &Tuning) {
        match verdict {
            Verdict::Bad(text) => {
                (self.good_since, self.lit_since) = (None, None);
                if !self.active() || self.bad_since.is_none() {
                    self.text = text;
                }
                self.bad_since.get_or_insert(now);
            }
            Verdict::Good | Verdict::Dark => {
                self.bad_since = None;
                self.good_since.get_or_insert(now);
                let lit = verdict == Verdict::Good;
                self.lit_since = lit.then(|| self.lit_since.unwrap_or(now));
            }
            Verdict::Suppressed => {
                // A delay that was running starts anew; an alarm that stands goes on standing.
                self.bad_since = None;
                if !self.active() {
                    self.good_since = None;
                }
                return;
            }
            // Neither raised nor cleared on an old reading; silence is `stale-link`'s business.
            Verdict::NoData => return,
        }
        let held =
            |since: Option<Mono>, delay: Duration| since.is_some_and(|t| now.since(t) + JITTER >= delay);
        self.latched = tuning.latch && held(self.good_since, tuning.off_delay);
        match self.state {
            AlarmState::Unacknowledged if held(self.good_since, tuning.off_delay) => {
                self.state = AlarmState::ReturnedUnacknowledged;
                self.gone = Some(now);
                self.dark = self.lit_since.is_none();
            }
            AlarmState::ReturnedUnacknowledged if held(self.lit_since, tuning.off_delay.max(SEEN)) => {
                self.dark = false;
            }
            AlarmState::Acknowledged if held(self.good_since, tuning.off_delay) && !tuning.latch => {
                self.state = AlarmState::Normal;
            }
            AlarmState::Acknowledged
                if self.bad_since.is_some()
                    && tuning.re_alarm.is_some_and(|t| held(self.acknowledged_at, t)) =>
            {
                self.state = AlarmState::Unacknowledged;
            }
            s if !s.active() && held(self.bad_since, tuning.on_delay) => {
                self.state = AlarmState::Unacknowledged;
                self.since = Some(now);
                self.raised.push_back(now);
                if self.raised.len() > 2 * CHATTER {
                    self.raised.pop_front();
                }
            }
            _ => {}
        }
    }

    /// Somebody knows.
    ///
    /// # Errors
    /// A sentence, if there is nothing to acknowledge.
    pub fn acknowledge(&mut self, now: Mono) -> Result<(), String> {
        let gone = self.good_since.is_some();
        self.state = match self.state {
            AlarmState::Unacknowledged => AlarmState::Acknowledged,
            AlarmState::ReturnedUnacknowledged => AlarmState::Normal,
            // Latched: the second word releases it, once the condition has gone.
            AlarmState::Acknowledged if gone => AlarmState::Normal,
            _ => return Err(format!("{} has no alarm waiting to be acknowledged", self.kind.name())),
        };
        self.acknowledged_at = Some(now);
        Ok(())
    }

    /// Puts the alarm aside: for a time, or (`None`) until its condition next goes.
    ///
    /// # Errors
    /// A sentence: the alarm may cut the output or hold the run, or it is out of service.
    pub fn shelve(&mut self, now: Mono, time: Option<Duration>, tuning: &Tuning) -> Result<(), String> {
        self.may_be_put_aside(tuning)?;
        let until = now + time.unwrap_or(LONGEST_SHELF).min(LONGEST_SHELF);
        self.shelf = Some(if time.is_some() { Shelf::Until(until) } else { Shelf::OneShot(until) });
        self.put_aside(now);
        Ok(())
    }

    /// Takes it back off the shelf.
    ///
    /// # Errors
    /// A sentence, if it is not shelved.
    pub fn unshelve(&mut self) -> Result<(), String> {
        self.shelf.take().map(|_| ()).ok_or_else(|| format!("{} is not shelved", self.kind.name()))
    }

    /// Takes it out of service with a reason, or (`None`) puts it back.
    ///
    /// # Errors
    /// A sentence: the alarm may cut the output or hold the run, or nothing would change.
    pub fn service(&mut self, now: Mono, reason: Option<String>, tuning: &Tuning) -> Result<(), String> {
        match reason {
            Some(reason) if reason.trim().is_empty() => {
                return Err("a reason is needed to take an alarm out of service".into());
            }
            Some(reason) => {
                self.may_be_put_aside(tuning)?;
                self.out_of_service = Some(reason);
                self.put_aside(now);
            }
            None if self.out_of_service.is_none() => {
                return Err(format!("{} is in service", self.kind.name()));
            }
            None => self.out_of_service = None,
        }
        Ok(())
    }

    /// What has not come is told with the time at which it was put aside.
    fn put_aside(&mut self, now: Mono) {
        if self.state == AlarmState::Normal {
            self.since = Some(now);
        }
    }

    fn may_be_put_aside(&self, tuning: &Tuning) -> Result<(), String> {
        let name = self.kind.name();
        match tuning.response {
            Response::Tell if self.out_of_service.is_some() => Err(format!("{name} is out of service")),
            Response::Tell => Ok(()),
            Response::Hold | Response::Cut => {
                Err(format!("{name} stops the current, so it cannot be put aside; mend the cause instead"))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::{Priority, Settings};
    use AlarmState::{
        Acknowledged, Normal, OutOfService, ReturnedUnacknowledged, Shelved, Suppressed, Unacknowledged,
    };

    fn tuning() -> Tuning {
        Tuning {
            on_delay: Duration::from_secs(2),
            off_delay: Duration::from_secs(3),
            deadband: 0.0,
            priority: Priority::Medium,
            response: Response::Tell,
            latch: false,
            re_alarm: None,
        }
    }

    struct Clock {
        life: Life,
        tuning: Tuning,
        now: Mono,
    }

    impl Clock {
        fn new(tuning: Tuning) -> Self {
            Clock { life: Life::new(Kind::Drift), tuning, now: Mono::from_millis(1000) }
        }
        /// `seconds` of this verdict, one a second; the state shown after.
        fn shows(&mut self, verdict: Verdict, seconds: u32) -> AlarmState {
            for _ in 0..seconds {
                self.now = self.now + Duration::from_secs(1);
                self.life.turn(self.now, verdict.clone(), &self.tuning);
            }
            self.life.state()
        }
        fn bad(&mut self, seconds: u32) -> AlarmState {
            self.shows(Verdict::Bad("bad".into()), seconds)
        }
        fn good(&mut self, seconds: u32) -> AlarmState {
            self.shows(Verdict::Good, seconds)
        }
    }

    // State names and their order: ISA-18.2 / IEC 62682 as listed in public alarm documentation
    // (normal, unacknowledged, acknowledged, returned unacknowledged, shelved, suppressed by
    // design, out of service); delays, shelving kinds and the cap: OPC 10000-9.
    #[test]
    fn the_standard_round() {
        let mut c = Clock::new(tuning());
        assert_eq!(c.bad(2), Normal, "shorter than the on-delay is no alarm");
        assert_eq!(c.bad(1), Unacknowledged);
        assert_eq!(c.good(3), Unacknowledged, "the off-delay keeps it");
        assert_eq!(c.good(1), ReturnedUnacknowledged);
        c.life.acknowledge(c.now).unwrap();
        assert_eq!(c.life.state(), Normal);
        assert_eq!(c.bad(3), Unacknowledged);
        c.life.acknowledge(c.now).unwrap();
        assert_eq!(c.life.state(), Acknowledged);
        assert_eq!(c.good(4), Normal);
        assert!(c.life.acknowledge(c.now).is_err());
    }

    #[test]
    fn acknowledging_and_shelving_do_not_move_the_moment_at_which_it_came() {
        let mut c = Clock::new(tuning());
        c.bad(3);
        let came = Some(c.now);
        let stands = |c: &Clock| (c.life.since(), c.life.gone());
        assert_eq!(stands(&c), (came, None));
        c.bad(5);
        c.life.acknowledge(c.now).unwrap();
        assert_eq!(stands(&c), (came, None));
        c.life.shelve(c.now, Some(Duration::from_secs(5)), &c.tuning).unwrap();
        assert_eq!(stands(&c), (came, None));
        assert_eq!((c.bad(10), stands(&c)), (Acknowledged, (came, None)));
        c.life.service(c.now, Some("away".into()), &c.tuning).unwrap();
        c.life.service(c.now, None, &c.tuning).unwrap();
        assert_eq!(stands(&c), (came, None));
        // What comes anew came then, and its going is told until it is acknowledged.
        c.good(4);
        c.bad(3);
        let again = Some(c.now);
        assert_eq!(stands(&c), (again, None));
        c.good(4);
        assert_eq!((c.life.state(), stands(&c)), (ReturnedUnacknowledged, (again, Some(c.now))));
        c.life.acknowledge(c.now).unwrap();
        assert_eq!(c.life.gone(), None);
        // One that is put aside before it came stands aside since then.
        c.good(10);
        c.life.shelve(c.now, None, &c.tuning).unwrap();
        assert_eq!(c.life.since(), Some(c.now));
    }

    #[test]
    fn a_condition_that_flickers_within_its_delay_never_alarms() {
        let mut c = Clock::new(tuning());
        for _ in 0..50 {
            assert_eq!(c.bad(2), Normal);
            assert_eq!(c.good(1), Normal);
        }
    }

    #[test]
    fn latched_stands_until_acknowledged_after_the_condition_has_gone() {
        let mut c = Clock::new(Tuning { latch: true, ..tuning() });
        c.bad(3);
        c.life.acknowledge(c.now).unwrap();
        assert_eq!(c.good(100), Acknowledged);
        c.life.acknowledge(c.now).unwrap();
        assert_eq!(c.life.state(), Normal);
    }

    #[test]
    fn acknowledged_and_forgotten_is_raised_again() {
        let mut c = Clock::new(Tuning { re_alarm: Some(Duration::from_secs(60)), ..tuning() });
        c.bad(3);
        c.life.acknowledge(c.now).unwrap();
        assert_eq!(c.bad(59), Acknowledged);
        assert_eq!(c.bad(1), Unacknowledged);
    }

    #[test]
    fn timed_shelving_ends_by_itself_and_one_shot_with_its_condition() {
        let mut c = Clock::new(tuning());
        c.bad(3);
        c.life.shelve(c.now, Some(Duration::from_secs(10)), &c.tuning).unwrap();
        assert_eq!(c.bad(9), Shelved);
        assert_eq!(c.bad(1), Unacknowledged);
        c.life.shelve(c.now, None, &c.tuning).unwrap();
        assert_eq!(c.bad(500), Shelved);
        assert_eq!(c.good(4), ReturnedUnacknowledged);
    }

    #[test]
    fn no_shelf_is_longer_than_the_cap() {
        let mut c = Clock::new(tuning());
        c.bad(3);
        c.life.shelve(c.now, Some(Duration::from_secs(1_000_000)), &c.tuning).unwrap();
        assert_eq!(c.life.alarm(&c.tuning).shelved_until, Some(c.now + LONGEST_SHELF));
    }

    #[test]
    fn what_stops_the_current_cannot_be_put_aside() {
        let settings = Settings::default();
        for kind in Kind::ALL {
            let tuning = settings.tuning(kind);
            let mut life = Life::new(kind);
            let shelved = life.shelve(Mono::ZERO, None, tuning).is_ok();
            assert_eq!(shelved, tuning.response == Response::Tell, "{kind:?}");
            let mut life = Life::new(kind);
            let out = life.service(Mono::ZERO, Some("repair".into()), tuning).is_ok();
            assert_eq!(out, tuning.response == Response::Tell, "{kind:?}");
        }
    }

    #[test]
    fn out_of_service_needs_a_reason_and_says_it() {
        let mut c = Clock::new(tuning());
        assert!(c.life.service(c.now, Some("  ".into()), &c.tuning).is_err());
        c.life.service(c.now, Some("thermometer away for repair".into()), &c.tuning).unwrap();
        assert_eq!(c.bad(50), OutOfService);
        assert!(c.life.alarm(&c.tuning).text.contains("thermometer away"));
        c.life.service(c.now, None, &c.tuning).unwrap();
        assert_eq!(c.life.state(), Unacknowledged);
    }

    #[test]
    fn suppressed_by_design_raises_nothing_and_starts_its_delay_anew() {
        let mut c = Clock::new(tuning());
        c.bad(2);
        assert_eq!(c.shows(Verdict::Suppressed, 60), Suppressed);
        assert_eq!(c.bad(2), Normal);
        assert_eq!(c.bad(1), Unacknowledged);
    }

    #[test]
    fn three_times_in_a_minute_is_chatter_and_a_quiet_minute_ends_it() {
        let mut c = Clock::new(Tuning { on_delay: Duration::ZERO, off_delay: Duration::ZERO, ..tuning() });
        for _ in 0..3 {
            c.bad(2);
            c.good(8);
        }
        assert!(c.life.chatters());
        c.good(61);
        assert!(!c.life.chatters());
    }
}

//! All watches of one station, and their alarms.

use super::alarm::{Alarm, AlarmChange, AlarmState};
use super::evidence::Evidence;
use super::kind::{Kind, Response};
use super::line::FittedLine;
use super::margin::Margin;
use super::rules::{Context, Settings, Verdict, judge};
use crate::quantity::Mono;

/// The watches of one station. Show it every step with [`Panel::update`].
#[derive(Clone, Debug)]
pub struct Panel {
    settings: Settings,
    watches: Vec<Watch>,
    evidence: Evidence,
}

#[derive(Clone, Debug)]
struct Watch {
    kind: Kind,
    state: AlarmState,
    text: String,
    bad_since: Option<Mono>,
    good_since: Option<Mono>,
}

impl Panel {
    /// All watches, all normal.
    pub fn new(settings: Settings) -> Self {
        let watches = Kind::ALL
            .into_iter()
            .map(|kind| Watch {
                kind,
                state: AlarmState::Normal,
                text: String::new(),
                bad_since: None,
                good_since: None,
            })
            .collect();
        Panel { settings, watches, evidence: Evidence::default() }
    }

    /// Its settings.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// A new load hangs: what was learned of the old one is forgotten.
    pub fn new_load(&mut self) {
        self.evidence = Evidence::default();
    }

    /// Judges every watch and moves its alarm on. Changes come in the order in
    /// which the first cause is to be chosen. Called twice with the same time and
    /// no new reading it changes nothing.
    pub fn update(&mut self, now: Mono, cx: &Context) -> Vec<AlarmChange> {
        self.evidence.take(now, cx, &self.settings);
        let mut changes = Vec::new();
        for watch in &mut self.watches {
            let verdict = judge(watch.kind, cx, &self.settings, &self.evidence, watch.state.active());
            if let Some(from) = watch.turn(now, verdict, &self.settings) {
                changes.push(AlarmChange {
                    at: now,
                    from,
                    alarm: watch.alarm(&self.settings),
                    by: None,
                    note: None,
                });
            }
        }
        changes
    }

    /// The burn margin at the last reading, where it can be told.
    pub fn margin(&self) -> Option<Margin> {
        self.evidence.margin
    }

    /// The line this load drew in its ramp.
    pub fn line(&self) -> Option<FittedLine> {
        self.evidence.fitted()
    }

    /// Watches that cannot judge just now, and why.
    pub fn cannot_judge(&self, cx: &Context) -> Vec<(Kind, &'static str)> {
        let mut all = Vec::new();
        if !cx.output_on {
            return all;
        }
        if let Some(why) = self.evidence.cannot_judge_volts(cx) {
            all.extend([Kind::Drift, Kind::PartOff, Kind::Touch, Kind::BadContact].map(|k| (k, why)));
        }
        if self.evidence.coarse(&self.settings) {
            let why = "the voltmeter shows steps of more than 50 mV: small changes are not seen";
            all.extend([Kind::Drift, Kind::DriftNotice].map(|k| (k, why)));
        }
        if self.evidence.distrusts_thermometer() {
            let why = "the thermometer's value jumped as no bath does; the margin goes without it";
            all.push((Kind::BurnMargin, why));
        }
        if cx.basis.is_none() || cx.bath.is_none() {
            all.push((Kind::BurnMargin, "neither the bath file nor a Hull panel says where this bath burns"));
        }
        all
    }

    /// Acknowledges an alarm.
    ///
    /// # Errors
    /// A sentence, if nothing is there to acknowledge.
    pub fn acknowledge(
        &mut self,
        now: Mono,
        kind: Kind,
        by: &str,
        note: Option<String>,
    ) -> Result<AlarmChange, String> {
        let settings = &self.settings;
        let watch = self.watches.iter_mut().find(|w| w.kind == kind);
        let Some(watch) = watch else { return Err(format!("no watch is called {:?}", kind.name())) };
        let from = watch.state;
        watch.state = match from {
            AlarmState::Unacknowledged => AlarmState::Acknowledged,
            AlarmState::ReturnedUnacknowledged => AlarmState::Normal,
            _ => return Err(format!("{} has no alarm waiting to be acknowledged", kind.name())),
        };
        Ok(AlarmChange { at: now, from, alarm: watch.alarm(settings), by: Some(by.into()), note })
    }

    /// Every alarm that is not normal, most urgent first.
    pub fn alarms(&self) -> Vec<Alarm> {
        let mut all: Vec<_> = self
            .watches
            .iter()
            .filter(|w| w.state != AlarmState::Normal)
            .map(|w| w.alarm(&self.settings))
            .collect();
        all.sort_by(|a, b| b.state.active().cmp(&a.state.active()).then(b.priority.cmp(&a.priority)));
        all
    }

    /// The strongest response among the alarms just raised, with the kind and text
    /// that ask for it. Of equals the first in [`Kind::ALL`] is the cause.
    pub fn strongest(changes: &[AlarmChange]) -> Option<(Response, Kind, &str)> {
        let raised = changes
            .iter()
            .filter(|c| c.alarm.state == AlarmState::Unacknowledged)
            .map(|c| (c.alarm.response, c.alarm.kind, c.alarm.text.as_str()));
        raised.reduce(|best, next| if next.0 > best.0 { next } else { best })
    }
}

impl Watch {
    fn alarm(&self, settings: &Settings) -> Alarm {
        let tuning = settings.tuning(self.kind);
        Alarm {
            kind: self.kind,
            state: self.state,
            priority: tuning.priority,
            response: tuning.response,
            text: self.text.clone(),
        }
    }

    /// Moves on with one verdict; the old state, if it changed.
    fn turn(&mut self, now: Mono, verdict: Verdict, settings: &Settings) -> Option<AlarmState> {
        let tuning = settings.tuning(self.kind);
        match verdict {
            Verdict::Bad(text) => {
                self.good_since = None;
                self.bad_since.get_or_insert(now);
                if !self.state.active() {
                    self.text = text;
                }
            }
            Verdict::Good => {
                self.bad_since = None;
                self.good_since.get_or_insert(now);
            }
            Verdict::Suppressed => {
                // By design no alarm in this phase: a delay that was running starts anew,
                // an alarm that stands goes on standing.
                self.bad_since = None;
                if !self.state.active() {
                    self.good_since = None;
                }
                return None;
            }
            // Neither raised nor cleared on an old reading; silence is `stale-link`'s business.
            Verdict::NoData => return None,
        }
        let from = self.state;
        if !from.active() && self.bad_since.is_some_and(|t| now.since(t) >= tuning.on_delay) {
            self.state = AlarmState::Unacknowledged;
            return Some(from);
        }
        if from.active() && self.good_since.is_some_and(|t| now.since(t) >= tuning.off_delay) {
            self.state = match from {
                AlarmState::Unacknowledged => AlarmState::ReturnedUnacknowledged,
                _ => AlarmState::Normal,
            };
            return Some(from);
        }
        None
    }
}

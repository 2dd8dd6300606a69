//! All watches of one station, and their alarms.

use super::alarm::{Alarm, AlarmChange, AlarmState};
use super::evidence::Evidence;
use super::kind::{Kind, Response};
use super::life::Life;
use super::line::FittedLine;
use super::margin::Margin;
use super::rules::{Context, Settings, doubt, judge};
use crate::quantity::Mono;

/// The watches of one station. Show it every step with [`Panel::update`].
#[derive(Clone, Debug)]
pub struct Panel {
    settings: Settings,
    watches: Vec<Life>,
    /// How many alarms of the group that stands have come.
    came: u32,
    evidence: Evidence,
}

impl Panel {
    /// All watches, all normal.
    pub fn new(settings: Settings) -> Self {
        let watches = Kind::ALL.into_iter().map(Life::new).collect();
        Panel { settings, watches, came: 0, evidence: Evidence::default() }
    }

    /// Its settings.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// A new load hangs: what was learned of the old one is forgotten.
    pub fn new_load(&mut self) {
        self.evidence = Evidence::default();
    }

    /// The load goes on after a hold for the watch `held_for`, if for one: a step that held it has been looked at.
    pub fn goes_on(&mut self, held_for: Option<Kind>) {
        let steps = [Kind::PartOff, Kind::Touch];
        let stops = steps.iter().any(|kind| self.settings.tuning(*kind).response != Response::Tell);
        self.evidence.goes_on(stops || held_for.is_some_and(|kind| steps.contains(&kind)));
    }

    /// Whether the run must wait for somebody to look if part and anode touch, and the words to ask it with: volts and
    /// amperes cannot tell. `None` where the short-circuit watch is set to only tell.
    pub fn asks_for_a_look(&mut self, cx: &Context) -> Option<String> {
        if self.settings.tuning(Kind::ShortCircuit).response == Response::Tell {
            return None;
        }
        let text = doubt(cx, &self.settings, &self.evidence)?;
        self.evidence.ask_for_a_look();
        Some(text)
    }

    /// Whether it stands that a part may have fallen off.
    pub fn part_may_be_off(&self) -> bool {
        self.standing(Kind::PartOff).is_some()
    }

    /// The alarm of one watch, while it stands.
    pub fn standing(&self, kind: Kind) -> Option<Alarm> {
        let watch = self.watches.iter().find(|w| w.kind == kind && w.active())?;
        Some(watch.alarm(self.settings.tuning(kind)))
    }

    /// Judges every watch and moves its alarm on. Changes come in the order in
    /// which the first cause is to be chosen. Called twice with the same time and
    /// no new reading it changes nothing.
    pub fn update(&mut self, now: Mono, cx: &Context) -> Vec<AlarmChange> {
        self.evidence.take(now, cx, &self.settings);
        let step = |up| if up { Kind::PartOff } else { Kind::Touch };
        let stepped = self.evidence.take_new_step().map(step);
        let mut changes = Vec::new();
        if !self.watches.iter().any(Life::active) {
            self.came = 0;
        }
        for watch in &mut self.watches {
            let verdict = judge(watch.kind, cx, &self.settings, &self.evidence, watch.active());
            let tuning = self.settings.tuning(watch.kind);
            let stood = watch.active();
            // One that stands already, and now another step of the same kind.
            let more = stood && stepped == Some(watch.kind);
            let changed = if more { watch.again(now, verdict) } else { watch.turn(now, verdict, tuning) };
            let Some(from) = changed else { continue };
            if watch.active() && !stood {
                self.came += 1;
                watch.first_out = Some(self.came);
                if watch.kind == Kind::ShortCircuit {
                    self.evidence.ask_for_a_look();
                }
            } else if !watch.active() {
                watch.first_out = None;
            }
            changes.push(AlarmChange { at: now, from, alarm: watch.alarm(tuning), by: None, note: None });
        }
        changes
    }

    /// The burn margin at the last reading, where it can be told.
    pub fn margin(&self) -> Option<Margin> {
        self.evidence.margin
    }

    /// What the volts have to say against more current, if anything: a drift or a step.
    pub fn against_more(&self) -> Option<String> {
        if let Some(step) = self.evidence.fresh_rise() {
            return Some(format!("the volts stepped up by {:.0} %", step.percent()));
        }
        let drift = self.evidence.finding.drift.filter(|d| *d > self.settings.drift.0);
        drift.map(|d| format!("the volts have crept up by {:.1} %", d * 100.0))
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
        if self.evidence.echoes_setpoint() {
            let why = "the supply reports its setpoint in place of measured volts";
            all.push((Kind::ShortCircuit, why));
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

    /// Does to one alarm what a person asks.
    ///
    /// # Errors
    /// A sentence, if that cannot be done to it as it stands.
    pub fn handle(&mut self, now: Mono, kind: Kind, by: &str, what: Handling) -> Result<AlarmChange, String> {
        let tuning = *self.settings.tuning(kind);
        let watch = self.watches.iter_mut().find(|w| w.kind == kind);
        let Some(watch) = watch else { return Err(format!("no watch is called {:?}", kind.name())) };
        let from = watch.state();
        let seen = matches!(what, Handling::Acknowledge { .. });
        let note = watch.handle(now, what, &tuning)?;
        if seen && matches!(kind, Kind::PartOff | Kind::Touch) {
            self.evidence.look_at_step(kind == Kind::PartOff);
        }
        Ok(AlarmChange { at: now, from, alarm: watch.alarm(&tuning), by: Some(by.into()), note })
    }

    /// Every alarm that is not normal, most urgent first.
    pub fn alarms(&self) -> Vec<Alarm> {
        let mut all: Vec<_> = self
            .watches
            .iter()
            .map(|w| w.alarm(self.settings.tuning(w.kind)))
            .filter(|a| a.state != AlarmState::Normal && a.state != AlarmState::Suppressed)
            .collect();
        all.sort_by(|a, b| b.state.active().cmp(&a.state.active()).then(b.priority.cmp(&a.priority)));
        all
    }

    /// Watches that are no alarm in the present phase, by design.
    pub fn suppressed(&self) -> Vec<Kind> {
        self.watches.iter().filter(|w| w.state() == AlarmState::Suppressed).map(|w| w.kind).collect()
    }

    /// The strongest response among the alarms whose condition holds now, raised just now or
    /// standing from before, with the kind and text that ask for it. Of equals the first in
    /// [`Kind::ALL`] is the cause.
    pub fn demand(&self, now: Mono) -> Option<(Response, Kind, &str)> {
        self.watches
            .iter()
            .map(|w| (w, self.settings.tuning(w.kind)))
            .filter(|(w, tuning)| w.demands(now, tuning))
            .map(|(w, tuning)| (tuning.response, w.kind, w.text.as_str()))
            .reduce(|best, next| if next.0 > best.0 { next } else { best })
    }

    /// When the next on-delay is over of a watch that stops the current: a reading at that time settles it.
    pub fn next_due(&self, now: Mono) -> Option<Mono> {
        self.watches
            .iter()
            .map(|w| (w, self.settings.tuning(w.kind)))
            .filter(|(_, tuning)| tuning.response != Response::Tell)
            .filter_map(|(w, tuning)| w.due(now, tuning))
            .min()
    }
}

/// What a person does to an alarm.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Handling {
    /// Knows of it.
    Acknowledge {
        /// What they note.
        note: Option<String>,
    },
    /// Puts it aside.
    Shelve {
        /// For so long; `None`: until its condition next goes. At most eight hours either way.
        time: Option<std::time::Duration>,
        /// Why.
        note: Option<String>,
    },
    /// Takes it off the shelf.
    Unshelve,
    /// Takes the watch out of service.
    OutOfService {
        /// Why; may not be empty.
        reason: String,
    },
    /// Puts it back.
    InService,
}

//! What a station's task writes down: events, readings, charge, alarms.

use super::*;

impl<R: Remote> Shell<R> {
    /// Alarms that the daemon before this one left standing, shelved or out of service: nothing is
    /// known of them now. They begin anew, normal and unshelved, and the journal says so.
    pub(super) async fn close_left_alarms(&mut self) {
        let station = self.settings.name.clone();
        match timeout(LAST_WORD, self.ledger.alarms_left(&station)).await {
            Ok(Ok(left)) => {
                for row in left {
                    self.ledger.record(Row::Alarm(AlarmRow {
                        at: utc(),
                        monotonic_milliseconds: journal::millis(self.now()),
                        run: None,
                        from: row.to,
                        to: "normal".into(),
                        text: "the daemon was started anew: every alarm begins normal and unshelved".into(),
                        by: None,
                        note: None,
                        ..row
                    }));
                }
            }
            Ok(Err(e)) => tracing::warn!(%station, "the alarms of last time cannot be read: {e}"),
            Err(_) => tracing::warn!(%station, "the alarms of last time were not read in time"),
        }
    }

    pub(super) async fn record(&mut self, event: Event) -> Option<Input> {
        let (kind, text) = (event.kind(), event.sentence());
        if self.guide.as_ref().is_some_and(Guide::open) {
            self.heard.push_back(event.clone());
        }
        match event {
            Event::Started { id, order, by } => {
                self.picture.uses(&order.tank, &order.bath);
                // The controller begins a run knowing nothing of the bath.
                self.bath_told = Default::default();
                let job = self.guide.as_ref().filter(|g| g.runs()).map(Guide::id);
                let whose = (job, &self.reference);
                let start = journal::start(&id, &self.settings.name, &by, utc(), &order, whose);
                // Open from here on: a start that comes too late on a slow disk gets its end all the same.
                self.open = Some(OpenRun { id, began: self.now() });
                if let Err(e) = ticking(within(INTENT, self.ledger.begin(start)), &self.beat).await {
                    return Some(Input::LedgerFailed(e.to_string()));
                }
                self.event(kind, &text);
                let identity = self.picture.link.identity.clone();
                self.event("supply", identity.as_deref().unwrap_or("does not say what it is"));
                for correction in self.settings.corrections() {
                    self.event("ammeter", &correction);
                }
            }
            Event::Ended(outcome) => {
                self.event(kind, &text);
                self.ended(outcome).await;
            }
            Event::Phase { state, phase, why } => {
                self.event(kind, &text);
                if let Some(run) = &self.open {
                    self.ledger.record(Row::Phase(PhaseRow {
                        run: run.id.clone(),
                        at: utc(),
                        since_start: self.now().since(run.began),
                        state: state.name(),
                        phase: phase.name(),
                        why,
                    }));
                }
            }
            Event::Asked(_) | Event::Answered { .. } | Event::Commanded { .. } | Event::Note(_) => {
                self.event(kind, &text);
            }
        }
        None
    }

    pub(super) async fn ended(&mut self, outcome: Outcome) {
        let Some(run) = self.open.take() else { return };
        self.unseen = self.controller.unseen_since().map(|since| Unseen {
            run: run.id.clone(),
            tank: self.picture.tank().unwrap_or_default().into(),
            since,
        });
        let Outcome { state, cause, charge, unobserved, worked } = outcome;
        let load_slope = self.controller.view().load_slope_ohm_square_meters;
        let end = RunEnd {
            id: run.id,
            ended: utc(),
            state: state.name(),
            cause,
            charge,
            unobserved,
            worked,
            load_slope,
        };
        if let Err(e) = within(LAST_WORD, self.ledger.finish(end)).await {
            // Kept by the ledger and written later; its health says so too.
            self.event("note", &format!("the end of the run is not on disk yet: {e}"));
        }
    }

    pub(super) fn record_reading(&mut self, reading: &Reading) {
        let Some(run) = &self.open else { return };
        let view = self.controller.view();
        let bath = self.controller.bath().and_then(|b| b.temperature);
        self.ledger.record(Row::Reading {
            run: run.id.clone(),
            since_start: reading.at.since(run.began),
            volts: reading.volts,
            amps: reading.amps,
            setpoint: Amps::new(view.setpoint_amperes),
            ceiling: if view.output_commanded { Volts::new(view.ceiling_volts) } else { Volts::ZERO },
            bath: bath.filter(|(_, age)| *age <= FRESH).map(|(t, _)| t),
        });
    }

    pub(super) fn record_charge(&mut self) {
        let Some(run) = &self.open else { return };
        let view = self.controller.view();
        let seconds = |s: f64| Duration::try_from_secs_f64(s).unwrap_or_default();
        self.ledger.record(Row::Charge {
            run: run.id.clone(),
            // The view's coulombs come from whole microcoulombs; rounding gives them back.
            charge: Microcoulombs((view.charge_coulombs * 1e6).round() as i64),
            unobserved: seconds(view.unobserved_seconds),
            worked: seconds(view.worked_seconds),
        });
    }

    pub(super) fn event(&mut self, kind: &str, text: &str) {
        let at = utc();
        self.untold.push((Level::INFO, text.into()));
        self.picture.say(&at, text);
        self.ledger.record(Row::Event(EventRow {
            at,
            monotonic_milliseconds: journal::millis(self.now()),
            station: self.settings.name.clone(),
            run: self.open.as_ref().map(|r| r.id.clone()),
            kind: kind.into(),
            text: text.into(),
        }));
    }

    pub(super) fn alarm(&mut self, change: &AlarmChange) {
        let at = utc();
        let run = self.open.as_ref().map(|r| r.id.clone());
        let row = journal::alarm(&self.settings.name, run, at.clone(), self.now(), change);
        let text = change.sentence();
        self.picture.say(&at, &text);
        self.untold.push((Level::WARN, text));
        self.picture.alarm_changed(change, &at);
        self.ledger.record(Row::Alarm(row));
    }
}

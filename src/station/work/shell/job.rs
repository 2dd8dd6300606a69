//! The guided job at this station: its events to the guide, the guide's wishes to the controller.

use super::*;
use crate::ledger::{Entry, JobEnd, JobStart, JobStepRow};
use crate::run::Answer;
use crate::run::guide::{GuideAction, GuideCommand, JobAnswer, JobEvent, JobTodo, WarningKind};
use crate::watch::{Handling, ToldChange};
use serde_json::json;

/// An answer that comes at the wrong place, in the operator's words.
fn refuse<T>(text: impl Into<String>) -> Result<T, Refusal> {
    Err(Refusal(text.into()))
}

impl<R: Remote> Shell<R> {
    fn job_open(&self) -> bool {
        self.guide.as_ref().is_some_and(Guide::open)
    }

    /// A command to the run, with a job around it or not.
    pub(super) async fn obey_run(
        &mut self,
        by: &str,
        command: Command,
        whose: Reference,
    ) -> Result<String, Refusal> {
        if self.job_open() {
            match command {
                Command::Start { .. } => {
                    return refuse(
                        "a job is under way at this station; its steps start their runs: end it first",
                    );
                }
                // Whoever answers means the question that stands, whoever puts it.
                Command::Answer(answer) if !self.run_asks() => {
                    let answer = if answer == Answer::No { JobAnswer::No } else { JobAnswer::Done };
                    return self.obey_job(by, GuideCommand::Answer { answer, seq: None }).await;
                }
                _ => {}
            }
        }
        let off = matches!(command, Command::Abort);
        let starts = matches!(command, Command::Start { .. });
        let answer = self.command(by, command, whose).await;
        if starts && answer.is_ok() {
            // A job that has ended is shown until the next start at this station: what runs now is no step of it.
            self.guide = None;
        }
        if off {
            self.tell_guide(GuideInput::Off { by: by.into() }).await;
        }
        answer
    }

    fn run_asks(&self) -> bool {
        use crate::run::Question;
        matches!(self.controller.view().question, Some(Question::HangPart | Question::TurnPart { .. }))
    }

    /// A job begins once its intent is on disk.
    pub(super) async fn start_job(&mut self, guide: Guide) -> Result<String, Refusal> {
        if self.job_open() {
            return refuse("a job is under way at this station; end it first");
        }
        if self.controller.busy() {
            return refuse("a run is under way at this station; stop it first");
        }
        let view = guide.view(self.now());
        let start = JobStart {
            id: view.id.clone(),
            station: self.settings.name.clone(),
            sheet: view.sheet,
            title: view.title.clone(),
            base: guide.plan().base.clone(),
            parts: view.parts,
            lot: view.lot,
            customer: view.customer,
            started_by: view.started_by.clone(),
            started: utc(),
            continues: view.continues.clone(),
            // Plain numbers and names; if it could not be written as text, the rest of the row still tells.
            plan_json: serde_json::to_string(guide.plan()).unwrap_or_default(),
        };
        if let Err(e) = ticking(within(INTENT, self.ledger.begin_job(start)), &self.beat).await {
            return refuse(format!("no job starts while the ledger cannot be written: {e}"));
        }
        self.guide = Some(guide);
        self.heard.clear();
        let from = view.continues.map(|c| format!(", going on with job {c} at step {}", view.step));
        let text = format!("{} started by {}{}", view.title, view.started_by, from.unwrap_or_default());
        self.job_event("started", &text);
        self.tell_guide(GuideInput::Tick).await;
        Ok(format!("job {} is started", view.id))
    }

    pub(super) async fn obey_job(&mut self, by: &str, command: GuideCommand) -> Result<String, Refusal> {
        // What the run has said in the meantime comes first.
        self.tell_guide(GuideInput::Tick).await;
        let now = self.now();
        let Some(guide) = &mut self.guide else { return refuse("no job is under way at this station") };
        let (said, actions) = guide.command(now, by, command)?;
        self.do_for_guide(actions).await?;
        Ok(said)
    }

    /// Tells the guide everything that the controller has recorded, then `last`; does what it asks for.
    pub(super) async fn tell_guide(&mut self, last: GuideInput) {
        let mut last = Some(last);
        while self.job_open() {
            let Some(input) = self.heard.pop_front().map(GuideInput::Run).or_else(|| last.take()) else {
                break;
            };
            let now = self.now();
            let Some(guide) = &mut self.guide else { break };
            let actions = guide.step(now, input);
            if let Err(refusal) = self.do_for_guide(actions).await {
                self.job_event("note", &refusal.0);
            }
        }
        if !self.job_open() {
            self.heard.clear();
        }
    }

    /// In order. What the controller refuses is told to whoever asked; the guide is told of a run that was not
    /// started.
    async fn do_for_guide(&mut self, actions: Vec<GuideAction>) -> Result<(), Refusal> {
        let mut refused = Ok(());
        for action in actions {
            let (by, command) = match action {
                GuideAction::Record(event) => {
                    self.record_job(event).await;
                    continue;
                }
                GuideAction::StartRun { order, by, .. } => {
                    let id = uuid::Uuid::now_v7().to_string();
                    (by, Command::Start { id, order })
                }
                GuideAction::AnswerRun { by, answer } => (by, Command::Answer(answer)),
                GuideAction::HoldRun { by } => (by, Command::Hold),
                GuideAction::ResumeRun { by } => (by, Command::Resume),
                GuideAction::StopRun { by } => (by, Command::Stop),
            };
            let started = match &command {
                Command::Start { id, .. } => Some(id.clone()),
                _ => None,
            };
            let starts = started.is_some();
            let whose = self.guide.as_ref().map(|g| g.reference().clone()).unwrap_or_default();
            let done = self.command(&by, command, whose).await;
            if let (Ok(_), Some(run)) = (&done, started) {
                self.put_on_record(run, &by);
            }
            if let Err(refusal) = done {
                // A run that is on record ends by itself, and says so in its own events.
                if starts
                    && self.open.is_none()
                    && !self.heard.iter().any(|e| matches!(e, Event::Started { .. }))
                {
                    let now = self.now();
                    let guide = self.guide.as_mut();
                    let more = guide.map(|g| g.step(now, GuideInput::RunRefused(refusal.0.clone())));
                    for action in more.into_iter().flatten() {
                        if let GuideAction::Record(event) = action {
                            self.record_job(event).await;
                        }
                    }
                }
                refused = Err(refusal);
            }
        }
        refused
    }

    /// The worksheet of the step, lot and customer go on the record of its run. Nobody waits: the run is on its way, and
    /// what cannot be written is missing from the record, which says so.
    fn put_on_record(&self, run: String, by: &str) {
        let Some(guide) = &self.guide else { return };
        let JobTodo::Powered { worksheet, .. } = &guide.here().todo else { return };
        let reference = guide.reference();
        let amended = |what, to: &Option<String>| {
            to.as_ref().map(|to| ("amend", json!({ "what": what, "to": to, "why": null })))
        };
        let mut entries = vec![("plan", json!({ "worksheet": worksheet }))];
        entries.extend(amended("lot", &reference.lot));
        entries.extend(amended("customer", &reference.customer));
        let (ledger, by) = (self.ledger.clone(), by.to_owned());
        tokio::task::spawn_local(async move {
            for (kind, content) in entries {
                let entry = Entry { run: run.clone(), kind: kind.into(), by: by.clone(), content };
                if let Err(error) = ledger.enter(entry).await {
                    tracing::warn!("run {run}: its {kind} could not be put on record: {error}");
                }
            }
        });
    }

    async fn record_job(&mut self, event: JobEvent) {
        let Some(guide) = &self.guide else { return };
        let (id, plan) = (guide.id().to_owned(), guide.plan());
        let (kind, text) = (event.kind(), event.sentence(|step| guide.name(step)));
        let row = |number: u32, step: usize| {
            let planned = plan.steps.get(step)?;
            Some(JobStepRow {
                job: id.clone(),
                number,
                sheet_step: u32::try_from(step + 1).unwrap_or(u32::MAX),
                name: planned.name.clone(),
                kind: planned.kind().into(),
                tank: planned.tank.clone(),
                ..JobStepRow::default()
            })
        };
        match event {
            JobEvent::StepBegan { row: number, step } => {
                let row = row(number, step);
                self.step_began = utc();
                if let Some(row) = row {
                    self.ledger.record(Row::JobStep(JobStepRow { began: self.step_began.clone(), ..row }));
                }
            }
            JobEvent::StepEnded { row: number, step, outcome, reason, by, run } => {
                if let Some(row) = row(number, step) {
                    self.ledger.record(Row::JobStep(JobStepRow {
                        began: self.step_began.clone(),
                        ended: Some(utc()),
                        outcome: Some(outcome.name().into()),
                        reason,
                        by,
                        run,
                        ..row
                    }));
                }
            }
            JobEvent::Warned(warning) => self.tell_alarm(warning.kind, Some(&warning.text)),
            JobEvent::WarningOver(warning) => self.tell_alarm(warning.kind, None),
            JobEvent::Ended { state, cause } => {
                self.job_event(kind, &text);
                let end = JobEnd { id, ended: utc(), state: state.name(), cause };
                if let Err(e) = within(LAST_WORD, self.ledger.finish_job(end)).await {
                    // Kept by the ledger and written later; its health says so too.
                    self.job_event("note", &format!("the end of the job is not on disk yet: {e}"));
                }
                return;
            }
            _ => {}
        }
        self.job_event(kind, &text);
    }

    /// What a person does to one of the job's alarms.
    pub(super) fn handle_told(
        &mut self,
        by: &str,
        kind: WarningKind,
        handling: Handling,
    ) -> Result<String, Refusal> {
        let now = self.now();
        let sentence = journal::handled(kind.name(), &handling);
        let Some(alarm) = self.picture.told.get_mut(&kind) else {
            return refuse(format!("{} has no alarm", kind.name()));
        };
        let change = alarm.handle(now, handling).map_err(Refusal)?;
        self.told_changed(kind, change, Some(by));
        Ok(sentence)
    }

    /// A shelf may be over.
    pub(super) fn tick_told(&mut self) {
        let now = self.now();
        let changes: Vec<_> = self
            .picture
            .told
            .iter_mut()
            .filter_map(|(kind, alarm)| Some((*kind, alarm.tick(now)?)))
            .collect();
        for (kind, change) in changes {
            self.told_changed(kind, change, None);
        }
    }

    /// The job says that one of its conditions holds (with what was seen), or has gone.
    fn tell_alarm(&mut self, kind: WarningKind, seen: Option<&str>) {
        let now = self.now();
        let Some(alarm) = self.picture.told.get_mut(&kind) else { return };
        let change = match seen {
            Some(text) => alarm.begins(now, text),
            None => alarm.goes(now),
        };
        if let Some(change) = change {
            self.told_changed(kind, change, None);
        }
    }

    /// Into the journal of alarms: whoever asks it what stood and for how long is to find it there.
    fn told_changed(&mut self, kind: WarningKind, change: ToldChange, by: Option<&str>) {
        let Some(alarm) = self.picture.told.get(&kind) else { return };
        let text = alarm.text();
        if change.to.raises(change.from, by.is_some()) {
            self.picture.warned(kind, self.now());
            self.untold.push((Level::WARN, format!("{}: {text}", kind.name())));
        }
        self.ledger.record(Row::Alarm(AlarmRow {
            at: utc(),
            monotonic_milliseconds: journal::millis(self.now()),
            station: self.settings.name.clone(),
            run: None,
            watch: kind.name().into(),
            from: change.from.name().into(),
            to: change.to.name().into(),
            priority: kind.priority().name().into(),
            text,
            by: by.map(Into::into),
            note: change.note,
        }));
    }

    fn job_event(&mut self, kind: &str, text: &str) {
        let Some(job) = self.guide.as_ref().map(|g| g.id().to_owned()) else { return };
        let at = utc();
        self.untold.push((Level::INFO, text.into()));
        self.picture.say(&at, text);
        self.ledger.record(Row::JobEvent {
            job,
            event: EventRow {
                at,
                monotonic_milliseconds: journal::millis(self.now()),
                station: self.settings.name.clone(),
                run: None,
                kind: kind.into(),
                text: text.into(),
            },
        });
    }
}

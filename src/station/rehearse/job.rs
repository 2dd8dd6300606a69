//! A whole job in virtual time: the same guide, the same controller, a simulated cell for each powered step.

use super::{Sensors, Staging, Vessel, Visit, cell, rehearse_with};
use crate::mimic::Bench;
use crate::plan::Order;
use crate::quantity::Mono;
use crate::run::guide::{
    About, Guide, GuideAction, GuideCommand, GuideInput, JobAnswer, JobPlan, JobView, Reference,
};
use crate::run::{Event, Setup};
use std::time::Duration;

/// How long the rehearsal's operator takes to carry, rinse, look or put the leads on.
const HANDS: Duration = Duration::from_secs(8);
/// … and to lift a load out, standing beside it.
const LIFT: Duration = Duration::from_secs(1);
/// A job that has not ended after so much virtual time is given up.
const GIVE_UP: Duration = Duration::from_secs(14 * 24 * 3600);

/// What came of a rehearsed job.
#[derive(Clone, Debug)]
pub struct JobRehearsal {
    /// What happened, with the time since the start.
    pub story: Vec<(Duration, String)>,
    /// Coulombs that each tank's account would get, in the order of first use.
    pub charges: Vec<(String, f64)>,
    /// The job as last seen.
    pub view: JobView,
}

/// Works `plan` with an operator who does everything asked at once and well, each order in a cell like the vessel that
/// `vessel` gives for it, without faults: a script's times would begin anew in each cell.
///
/// # Errors
/// An order whose tank is not there, or a job that does not end.
pub fn rehearse_job_in<'a>(
    plan: JobPlan,
    setup: &Setup,
    poll: Duration,
    seed: u64,
    vessel: impl Fn(&Order) -> Option<Vessel<'a>>,
) -> Result<JobRehearsal, String> {
    let staging = Staging { seed, ..Staging::default() };
    let guide = Guide::new("rehearsal", "rehearsal", plan, 0, None, Reference::default())
        .map_err(|e| e.to_string())?;
    let mut play = Play { guide, now: Mono::ZERO, story: Vec::new(), charges: Vec::new() };
    let mut asked = play.feed(GuideInput::Tick);
    while play.guide.open() {
        if play.now.since(Mono::ZERO) > GIVE_UP {
            return Err("the job did not end within two weeks of virtual time".into());
        }
        asked = match asked {
            Some(order) => {
                let gone = || format!("the tank {:?} is gone", order.tank);
                let vessel = vessel(&order).ok_or_else(gone)?;
                play.run(order, setup, poll, vessel, &staging)?
            }
            None => play.hands(),
        };
    }
    Ok(JobRehearsal { view: play.guide.view(play.now), story: play.story, charges: play.charges })
}

struct Play {
    guide: Guide,
    now: Mono,
    story: Vec<(Duration, String)>,
    charges: Vec<(String, f64)>,
}

impl Play {
    fn feed(&mut self, input: GuideInput) -> Option<Box<Order>> {
        let actions = self.guide.step(self.now, input);
        self.take(actions)
    }

    /// Tells what is recorded; gives the order that is to be run.
    fn take(&mut self, actions: Vec<GuideAction>) -> Option<Box<Order>> {
        let mut asked = None;
        for action in actions {
            match action {
                GuideAction::Record(event) => {
                    let text = event.sentence(|step| self.guide.name(step));
                    self.story.push((self.now.since(Mono::ZERO), text));
                }
                GuideAction::StartRun { order, .. } => asked = Some(order),
                // Questions of the run are answered where it is rehearsed; nobody holds or stops it.
                GuideAction::AnswerRun { .. }
                | GuideAction::HoldRun { .. }
                | GuideAction::ResumeRun { .. }
                | GuideAction::StopRun { .. } => {}
            }
        }
        asked
    }

    /// The operator does what is asked, or waits for what comes.
    fn hands(&mut self) -> Option<Box<Order>> {
        let view = self.guide.view(self.now);
        let Some(question) = view.question else {
            if view.held.is_some() {
                // Nobody is there to mend it.
                return self.say(GuideCommand::Stop);
            }
            let next = self.guide.next_deadline().unwrap_or(self.now + HANDS);
            self.now = next.max(self.now + Duration::from_millis(1));
            return self.feed(GuideInput::Tick);
        };
        self.now = self.now + if question.about == About::TakeOut { LIFT } else { HANDS };
        let answer = if question.about == About::Inspect { JobAnswer::Yes } else { JobAnswer::Done };
        self.say(GuideCommand::Answer { answer, seq: Some(question.seq) })
    }

    fn say(&mut self, command: GuideCommand) -> Option<Box<Order>> {
        match self.guide.command(self.now, "operator", command) {
            Ok((_, actions)) => self.take(actions),
            Err(refusal) => {
                self.story.push((self.now.since(Mono::ZERO), format!("refused: {refusal}")));
                None
            }
        }
    }

    fn run(
        &mut self,
        order: Box<Order>,
        setup: &Setup,
        poll: Duration,
        vessel: Vessel<'_>,
        staging: &Staging,
    ) -> Result<Option<Box<Order>>, String> {
        let cell = cell(&order, setup, vessel, staging);
        let began = self.now;
        let tank = order.tank.clone();
        let mut sensors = Sensors::of(vessel);
        let seen = |bench: &Bench, since: Duration, reading| Visit {
            reading,
            bath: sensors.tell(bench, since),
            stop: false,
        };
        let played = rehearse_with((*order).clone(), setup.clone(), cell, poll, seen);
        self.feed(GuideInput::Run(Event::Started {
            id: format!("run in {tank}"),
            order,
            by: "operator".into(),
        }));
        for (at, sentence) in played.story {
            self.now = began + at;
            self.story.push((self.now.since(Mono::ZERO), sentence));
        }
        let Some(outcome) = played.outcome else {
            return Err(format!("the run in {tank} did not end within two days of virtual time"));
        };
        let coulombs = outcome.charge.charge().get();
        match self.charges.iter_mut().find(|(name, _)| *name == tank) {
            Some((_, sum)) => *sum += coulombs,
            None => self.charges.push((tank, coulombs)),
        }
        Ok(self.feed(GuideInput::Run(Event::Ended(outcome))))
    }
}

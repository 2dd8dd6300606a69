//! A guide, an hour, and a stand-in for the controller.

use crate::plan::{Control, Goal, Order};
use crate::process::{Entry, Polarity, Purpose};
use crate::quantity::{Amps, Area, CurrentSlope, Microcoulombs, Mono, Units, Volts};
use crate::run::guide::{
    About, Guide, GuideAction, GuideCommand, GuideInput, JobAnswer, JobEvent, JobPlan, JobStep, JobTodo,
    JobView, Reference, StepOutcome,
};
use crate::run::{Event, Outcome, RunPhase, RunState};
use std::time::Duration;

pub fn seconds(s: u64) -> Duration {
    Duration::from_secs(s)
}

pub fn order(tank: &str) -> Order {
    Order {
        title: format!("{tank}: 6 key cups"),
        tank: tank.into(),
        bath: "watts-nickel".into(),
        parts: 6,
        hung: Vec::new(),
        area: Area::new(0.01),
        deposit: Some(crate::plan::DepositForecast { metal: "Ni".into(), efficiency: 0.95 }),
        burn: None,
        entry: Entry::Dead,
        entry_volts: Volts::new(1.0),
        entry_amps: Amps::new(1.0),
        control: Control::Current {
            setpoint: Amps::new(4.0),
            ceiling: Volts::new(6.0),
            slope: CurrentSlope::new(0.2),
        },
        goal: Goal::Charge(Microcoulombs(1_000_000)),
        time_limit: seconds(600),
        turn: None,
        seek: None,
        like_slopes: Vec::new(),
    }
}

fn step(name: &str, tank: Option<&str>, purpose: Option<Purpose>, todo: JobTodo) -> JobStep {
    JobStep {
        name: name.into(),
        tank: tank.map(Into::into),
        anodes: None,
        purpose,
        todo,
        rinse: Vec::new(),
        hazards: Vec::new(),
        within: None,
    }
}

pub fn powered(name: &str, tank: &str, purpose: Purpose, part: Polarity) -> JobStep {
    step(
        name,
        Some(tank),
        Some(purpose),
        JobTodo::Powered { part, order: Box::new(order(tank)), worksheet: serde_json::Value::Null },
    )
}

pub fn inspect(name: &str, back_to: usize, most: u8) -> JobStep {
    let todo = JobTodo::Inspect {
        question: "Does the water hold?".into(),
        back_to,
        most,
        advice: "Wipe with pumice.".into(),
    };
    step(name, None, None, todo)
}

/// Clean, look, activate in acid, nickel, dry: as the shipped sheet has them, in small.
pub fn nickel() -> JobPlan {
    let prompt = |say: &str| JobTodo::Prompt { say: say.into(), bake: None };
    let mut clean = powered("clean", "cleaner", Purpose::Clean, Polarity::Cathode);
    clean.rinse = vec!["running water".into()];
    clean.hazards = vec!["Hot caustic.".into()];
    let dip = JobTodo::Dip { time: seconds(25), most: Some(seconds(60)) };
    let mut activate = step("activate", Some("acid"), Some(Purpose::Activate), dip);
    activate.rinse = vec!["running water".into(), "deionised water kept for nickel".into()];
    let mut plate = powered("nickel", "nickel", Purpose::Plate, Polarity::Cathode);
    plate.within = Some(seconds(30));
    plan(vec![
        step("hang", None, None, prompt("Hang the parts.")),
        clean,
        inspect("water-break", 1, 2),
        activate,
        plate,
        step("dry", None, None, prompt("Dry.")),
    ])
}

pub fn plan(steps: Vec<JobStep>) -> JobPlan {
    JobPlan {
        title: "6 key cups".into(),
        sheet: "nickel-on-copper-alloys".into(),
        base: "brass".into(),
        parts: 6,
        loads: 1,
        units: Units::Metric,
        steps,
    }
}

pub struct Rig {
    pub guide: Guide,
    pub now: Mono,
    pub events: Vec<JobEvent>,
    /// Runs that were asked for and have not ended: their tanks, in order.
    pub started: Vec<String>,
    /// Whether a run is on.
    pub on: bool,
}

impl Rig {
    pub fn new(plan: JobPlan) -> Rig {
        let guide = Guide::new("job-1", "mila", plan, 0, None, Reference::default()).unwrap();
        Rig::of(guide)
    }

    pub fn of(guide: Guide) -> Rig {
        let mut rig =
            Rig { guide, now: Mono::from_millis(1000), events: Vec::new(), started: Vec::new(), on: false };
        rig.feed(GuideInput::Tick);
        rig
    }

    pub fn feed(&mut self, input: GuideInput) {
        let actions = self.guide.step(self.now, input);
        self.take(actions);
    }

    fn take(&mut self, actions: Vec<GuideAction>) {
        for action in actions {
            match action {
                GuideAction::Record(event) => self.events.push(event),
                GuideAction::StartRun { step, order, by } => {
                    assert!(!self.on, "two runs at once");
                    let planned = &self.guide.plan().steps[step];
                    assert!(matches!(&planned.todo, JobTodo::Powered { order: o, .. } if **o == *order));
                    self.on = true;
                    self.started.push(order.tank.clone());
                    let id = format!("run-{}", self.started.len());
                    self.feed(GuideInput::Run(Event::Started { id, order, by }));
                    self.phase(RunState::Running, RunPhase::Ramp, None);
                }
                GuideAction::StopRun { by } => self.run_ends(RunState::Stopped, &format!("stopped by {by}")),
                GuideAction::HoldRun { by } => {
                    self.phase(RunState::Held, RunPhase::Off, Some(&format!("held by {by}")));
                }
                GuideAction::ResumeRun { .. } => self.phase(RunState::Running, RunPhase::Entry, None),
                GuideAction::AnswerRun { by, answer } => {
                    self.feed(GuideInput::Run(Event::Answered { by, answer }));
                }
            }
        }
    }

    pub fn phase(&mut self, state: RunState, phase: RunPhase, why: Option<&str>) {
        self.feed(GuideInput::Run(Event::Phase { state, phase, why: why.map(Into::into) }));
    }

    pub fn run_ends(&mut self, state: RunState, cause: &str) {
        self.on = false;
        self.feed(GuideInput::Run(Event::Ended(Outcome {
            state,
            cause: cause.into(),
            charge: Microcoulombs(900_000),
            unobserved: Duration::ZERO,
            worked: seconds(10),
        })));
    }

    pub fn pass(&mut self, time: Duration) {
        // In steps, as a shell does.
        let end = self.now + time;
        while self.now < end {
            self.now = (self.now + Duration::from_millis(200)).min(end);
            self.feed(GuideInput::Tick);
        }
    }

    pub fn say(&mut self, command: GuideCommand) -> Result<String, String> {
        let (said, actions) = self.guide.command(self.now, "mila", command).map_err(|e| e.0)?;
        self.take(actions);
        Ok(said)
    }

    pub fn answer(&mut self, answer: JobAnswer) -> Result<String, String> {
        self.say(GuideCommand::Answer { answer, seq: None })
    }

    /// Answers what must stand now.
    #[track_caller]
    pub fn yes_to(&mut self, about: About) {
        self.asks(about);
        let answer = if about == About::Inspect { JobAnswer::Yes } else { JobAnswer::Done };
        self.answer(answer).unwrap();
    }

    #[track_caller]
    pub fn asks(&self, about: About) {
        let view = self.view();
        assert_eq!(view.question.as_ref().map(|q| q.about), Some(about), "{}", view.say);
    }

    pub fn view(&self) -> JobView {
        self.guide.view(self.now)
    }

    /// To the step of that number, everything before it well.
    pub fn go_to(&mut self, step: usize) {
        for _ in 0..200 {
            let view = self.view();
            if view.step >= step || view.state != RunState::Running {
                return;
            }
            match view.question.map(|q| q.about) {
                Some(about) => self.yes_to(about),
                None if self.on => self.run_ends(RunState::Complete, "target reached"),
                None => self.pass(seconds(1)),
            }
        }
        panic!("never at step {step}: {:?}", self.view());
    }

    /// Each step that was left, with what became of it.
    pub fn left(&self) -> Vec<(usize, StepOutcome)> {
        let ended = |e: &JobEvent| match e {
            JobEvent::StepEnded { step, outcome, .. } => Some((step + 1, *outcome)),
            _ => None,
        };
        self.events.iter().filter_map(ended).collect()
    }
}

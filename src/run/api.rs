//! What goes into the controller and what comes out.

use crate::bath::Agitation;
use crate::plan::Order;
use crate::quantity::{Amps, Microcoulombs, Mono, Reading, Temperature, Volts};
use crate::watch::{AlarmChange, Handling, Kind};
use serde::{Deserialize, Serialize};
use std::time::Duration;

/// Run states, as ISA-88 names them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RunState {
    /// No run.
    #[default]
    Idle,
    /// A run is being worked; the only state in which the output may be on.
    Running,
    /// Output off, waiting for the operator.
    Held,
    /// Ended at its target.
    Complete,
    /// Ended early by the operator.
    Stopped,
    /// Ended by a fault.
    Aborted,
}

impl RunState {
    /// As in metrics and the API.
    pub fn name(self) -> &'static str {
        match self {
            RunState::Idle => "idle",
            RunState::Running => "running",
            RunState::Held => "held",
            RunState::Complete => "complete",
            RunState::Stopped => "stopped",
            RunState::Aborted => "aborted",
        }
    }
    /// Every state, for metrics.
    pub const ALL: [RunState; 6] = [
        RunState::Idle,
        RunState::Running,
        RunState::Held,
        RunState::Complete,
        RunState::Stopped,
        RunState::Aborted,
    ];
}

/// Where in a powered step a run is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RunPhase {
    /// The supply is being prepared, or the entry voltage is on and the part is being hung.
    Entry,
    /// The setpoint is rising.
    Ramp,
    /// The setpoint is held.
    Steady,
    /// The part is being turned.
    Turn,
    /// Output off.
    #[default]
    Off,
}

impl RunPhase {
    /// As in the API.
    pub fn name(self) -> &'static str {
        match self {
            RunPhase::Entry => "entry",
            RunPhase::Ramp => "ramp",
            RunPhase::Steady => "steady",
            RunPhase::Turn => "turn",
            RunPhase::Off => "off",
        }
    }
}

/// What the station allows, whatever an order says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// The most current.
    pub max_amps: Amps,
    /// The most voltage.
    pub max_volts: Volts,
}

/// The supply's own limits, programmed before output on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Protection {
    /// Its over-voltage level.
    pub over_voltage: Volts,
    /// Its over-current level.
    pub over_current: Amps,
}

/// What a person (or a program in their name) asks for.
#[derive(Clone, Debug, PartialEq)]
pub enum Command {
    /// Begin this order.
    Start {
        /// The run's id, chosen by the shell (the core has no randomness).
        id: String,
        /// What to do.
        order: Box<Order>,
    },
    /// Ramp down, output off, wait.
    Hold,
    /// Go on after a hold; ramps again.
    Resume,
    /// End the run now, in good order.
    Stop,
    /// Output off at once.
    Abort,
    /// Output off at once, because the daemon ends.
    Quit,
    /// Answer the question that stands.
    Answer(Answer),
    /// Acknowledge an alarm, shelve it, take it out of service or back.
    Alarm {
        /// Which.
        kind: Kind,
        /// What is done to it.
        handling: Handling,
    },
}

/// An answer to a question.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    /// Done as asked.
    Done,
    /// Not possible: hold the run.
    No,
}

/// What the run waits for a person to do.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Question {
    /// Hang the part (the entry voltage is on).
    HangPart,
    /// Turn the part so that face `next` of `faces` looks at the anode.
    TurnPart {
        /// The face that comes next, counted from 1.
        next: u8,
        /// How many there are.
        faces: u8,
        /// An alarm stands that a part may have fallen off: the parts are to be counted.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        count: bool,
    },
    /// The run is held; resume or stop.
    Held,
}

/// Why a command was not taken, in the operator's words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refusal(pub String);

impl std::fmt::Display for Refusal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}
impl std::error::Error for Refusal {}

/// What the shell tells the controller.
#[derive(Clone, Debug, PartialEq)]
pub enum Input {
    /// Nothing but time. Calling it again at the same time changes nothing.
    Tick,
    /// A good reading.
    Reading(Reading),
    /// The shell has carried out the latest `Set` or `Output` action, acknowledged on the wire.
    Applied,
    /// The shell could not carry out an action; the reason in the operator's words.
    Failed(String),
    /// The answer to [`Action::Prepare`].
    Prepared,
    /// The link is lost; output state unknown. The reason in the operator's words.
    LinkLost(String),
    /// No good reading came this time; the reason in the operator's words.
    Unread(String),
    /// A reading came whole that no supply gives, so no number of this supply is believed; the reason in the operator's
    /// words.
    Wild(String),
    /// The trouble (`Failed`, `LinkLost`, `Unread` or `Wild`) is that of one of several supplies; the others answered, and
    /// with `LinkLost` they have been switched off.
    Part(Box<Input>),
    /// The link is back: identified, and output confirmed off.
    LinkBack,
    /// The ledger cannot be written; the reason in the operator's words.
    LedgerFailed(String),
    /// The ledger can be written again.
    LedgerBack,
    /// What is newly known of the bath: from a sensor, a file, the API or a person.
    Bath(BathNews),
}

/// What is newly known of a bath. What is `None` is not newly known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BathNews {
    /// Its temperature, and when it was taken.
    pub temperature: Option<(Temperature, Mono)>,
    /// Its agitation, and whether a sensor proves it.
    pub agitation: Option<(Agitation, bool)>,
}

/// What the shell must do, in order.
#[derive(Clone, Debug, PartialEq)]
pub enum Action {
    /// Bring the supply into a safe known state: identity checked, output off,
    /// its protections programmed and read back, ceiling set, current at zero.
    /// Answer with [`Input::Prepared`] or [`Input::Failed`].
    Prepare {
        /// Its own limits.
        protection: Protection,
        /// The ceiling to set.
        volts: Volts,
    },
    /// Set both setpoints (the shell writes only what changed).
    Set {
        /// Current.
        amps: Amps,
        /// Voltage.
        volts: Volts,
    },
    /// Switch the output. `true` only after every [`Event`] before it is on disk.
    Output(bool),
    /// Write to the ledger.
    Record(Event),
    /// Journal, show and send out an alarm's change.
    Alarm(AlarmChange),
}

/// A thing worth a row in the ledger.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// A run begins; written and synced before the output goes on.
    Started {
        /// Run id.
        id: String,
        /// Its order.
        order: Box<Order>,
        /// Who started it.
        by: String,
    },
    /// The state or phase changed.
    Phase {
        /// New state.
        state: RunState,
        /// New phase.
        phase: RunPhase,
        /// Why, where there is a why.
        why: Option<String>,
    },
    /// A question was put.
    Asked(Question),
    /// A question was answered.
    Answered {
        /// Who.
        by: String,
        /// What.
        answer: Answer,
    },
    /// A command was taken.
    Commanded {
        /// Who.
        by: String,
        /// What, in a word.
        what: &'static str,
    },
    /// The run ended.
    Ended(Outcome),
    /// Anything else worth keeping, in a sentence.
    Note(String),
}

/// How a run ended.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// `Complete`, `Stopped` or `Aborted`.
    pub state: RunState,
    /// The first cause, in the operator's words.
    pub cause: String,
    /// Charge that passed.
    pub charge: Microcoulombs,
    /// Time with the output on that was not observed.
    pub unobserved: Duration,
    /// Time with the output on, turns and holds not counted.
    pub worked: Duration,
}

//! The watches by name, and what each means to the operator.

use serde::{Deserialize, Serialize};

/// How urgent an alarm is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Priority {
    /// Within the hour.
    Low,
    /// Within minutes.
    Medium,
    /// At once.
    High,
}

impl Priority {
    /// As in metrics and the API.
    pub fn name(self) -> &'static str {
        match self {
            Priority::Low => "low",
            Priority::Medium => "medium",
            Priority::High => "high",
        }
    }
}

/// What is done beside raising the alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Response {
    /// The alarm alone.
    Tell,
    /// Ramp down, output off, wait for the operator.
    Hold,
    /// Output off at once, run aborted.
    Cut,
}

/// Every watch there is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Terminal voltage above what is allowed.
    OverVoltage,
    /// Current above what was commanded.
    OverCurrent,
    /// A commanded current does not flow while the voltage stands at its ceiling.
    OpenCircuit,
    /// Next to no voltage at the commanded current.
    ShortCircuit,
    /// The current does not follow its setpoint.
    NotArriving,
    /// What the supply reports of itself is not what it was told.
    ReadBack,
    /// No good reading for too long, or the link is lost.
    StaleLink,
}

impl Kind {
    /// All of them, in the order in which the first cause is chosen when several
    /// come true at the same reading.
    pub const ALL: [Kind; 7] = [
        Kind::OverVoltage,
        Kind::OverCurrent,
        Kind::ShortCircuit,
        Kind::OpenCircuit,
        Kind::NotArriving,
        Kind::ReadBack,
        Kind::StaleLink,
    ];

    /// As in config, metrics and the API.
    pub fn name(self) -> &'static str {
        match self {
            Kind::OverVoltage => "over-voltage",
            Kind::OverCurrent => "over-current",
            Kind::OpenCircuit => "open-circuit",
            Kind::ShortCircuit => "short-circuit",
            Kind::NotArriving => "not-arriving",
            Kind::ReadBack => "read-back",
            Kind::StaleLink => "stale-link",
        }
    }

    /// The watch of that name.
    pub fn named(name: &str) -> Option<Kind> {
        Kind::ALL.into_iter().find(|k| k.name() == name)
    }

    /// What the operator should do, in one or two sentences.
    pub fn remedy(self) -> &'static str {
        match self {
            Kind::OverVoltage => {
                "Look for a loose or dirty clip, a part that fell off, a passive or bagged-up anode, a cold bath. Mend it before starting again."
            }
            Kind::OverCurrent => {
                "The supply gives more than it was told. Check its front panel and limits; do not start again until it agrees."
            }
            Kind::OpenCircuit => {
                "No current flows. Check the clip on the part, both leads, and that part and anode are under the surface."
            }
            Kind::ShortCircuit => {
                "Part and anode touch, or the leads do. Separate them; look at the part for an arc mark."
            }
            Kind::NotArriving => {
                "The current does not come up as asked. Check contacts, anode area, bath level and temperature, or ask for less."
            }
            Kind::ReadBack => {
                "The supply's own panel shows something other than what was set. Somebody may have turned a knob, or a command was lost. Set it right before going on."
            }
            Kind::StaleLink => {
                "The supply does not answer, so its output may still be on. Go to the supply, switch its output off by hand, then check the cable."
            }
        }
    }
}

//! One alarm's life, after ISA-18.2 / IEC 62682.

use super::kind::{Kind, Priority, Response};
use crate::quantity::Mono;
use serde::{Deserialize, Serialize};

/// The states of an alarm, as the standard names them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmState {
    /// The condition does not hold.
    #[default]
    Normal,
    /// The condition holds and nobody has said so.
    Unacknowledged,
    /// The condition holds and somebody knows.
    Acknowledged,
    /// The condition has gone and nobody has said so.
    ReturnedUnacknowledged,
    /// Put aside by an operator for a time.
    Shelved,
    /// Not an alarm in the present phase, by design.
    Suppressed,
    /// Switched off with a reason.
    OutOfService,
}

impl AlarmState {
    /// Whether the condition holds, as far as this state says.
    pub fn active(self) -> bool {
        matches!(self, AlarmState::Unacknowledged | AlarmState::Acknowledged)
    }

    /// Every state.
    pub const ALL: [AlarmState; 7] = [
        AlarmState::Normal,
        AlarmState::Unacknowledged,
        AlarmState::Acknowledged,
        AlarmState::ReturnedUnacknowledged,
        AlarmState::Shelved,
        AlarmState::Suppressed,
        AlarmState::OutOfService,
    ];

    /// As in the journal and the API.
    pub fn name(self) -> &'static str {
        match self {
            AlarmState::Normal => "normal",
            AlarmState::Unacknowledged => "unacknowledged",
            AlarmState::Acknowledged => "acknowledged",
            AlarmState::ReturnedUnacknowledged => "returned-unacknowledged",
            AlarmState::Shelved => "shelved",
            AlarmState::Suppressed => "suppressed",
            AlarmState::OutOfService => "out-of-service",
        }
    }

    /// The state of that name.
    pub fn named(name: &str) -> Option<AlarmState> {
        AlarmState::ALL.into_iter().find(|s| s.name() == name)
    }

    /// Whether a change to this state raises the alarm before the operator: anew, again
    /// after an acknowledgement, or back from a shelf whose time is over. What a person does
    /// (`by_person`) raises nothing.
    pub fn raises(self, from: AlarmState, by_person: bool) -> bool {
        self == AlarmState::Unacknowledged && from != AlarmState::Unacknowledged && !by_person
    }
}

/// One alarm as it stands.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Alarm {
    /// Which watch.
    pub kind: Kind,
    /// Its state.
    pub state: AlarmState,
    /// Its priority.
    pub priority: Priority,
    /// What it does to the run.
    pub response: Response,
    /// What was seen, with numbers, in the operator's words. Empty in `Normal`.
    pub text: String,
    /// When it came (or was put aside without having come); what is done to it afterwards does not move that. `None` if
    /// it never came.
    #[serde(skip)]
    pub since: Option<Mono>,
    /// When it went by itself; `None` while it holds, and once somebody has acknowledged it.
    #[serde(skip)]
    pub gone: Option<Mono>,
    /// It went with the output, so nobody saw its condition go.
    pub gone_unseen: bool,
    /// Its place in the order in which the alarms that stand together came: 1 is the first out.
    pub first_out: Option<u32>,
    /// Its condition has gone after it was acknowledged, and it latches: it stands until it is acknowledged once more.
    #[serde(default)]
    pub latched: bool,
    /// Raised three times or more within the last minute.
    pub chattering: bool,
    /// Shelved until then at the latest.
    #[serde(skip)]
    pub shelved_until: Option<Mono>,
}

/// An alarm changed state: a row for the journal.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmChange {
    /// When.
    pub at: Mono,
    /// From which state.
    pub from: AlarmState,
    /// The alarm as it now stands.
    pub alarm: Alarm,
    /// Who caused the change, where a person did.
    pub by: Option<String>,
    /// What they noted.
    pub note: Option<String>,
}

impl AlarmChange {
    /// What changed, for the log and the page.
    pub fn sentence(&self) -> String {
        use AlarmState as S;
        let Alarm { kind, state, text, .. } = &self.alarm;
        let name = kind.name();
        let by = self.by.as_deref().map_or(String::new(), |by| format!(" by {by}"));
        let note = self.note.as_deref().filter(|n| !n.is_empty()).map_or(String::new(), |n| format!(": {n}"));
        match (self.from, state) {
            (from @ (S::Unacknowledged | S::Acknowledged), to) if from == *to => {
                format!("alarm {name} still stands: {text}")
            }
            (S::Shelved | S::OutOfService, S::Unacknowledged) => {
                format!("alarm {name} counts again{by} and stands: {text}")
            }
            (S::Normal | S::Suppressed, S::Unacknowledged) => format!("alarm {name}: {text}"),
            (_, S::Unacknowledged) => format!("alarm {name} again: {text}"),
            (_, S::Acknowledged) => format!("alarm {name} was seen{by}{note}"),
            (_, S::ReturnedUnacknowledged) if self.alarm.gone_unseen => {
                format!("alarm {name}: not seen since the output is off; nobody has said so yet")
            }
            (_, S::ReturnedUnacknowledged) => {
                format!("alarm {name} is gone by itself; nobody has said so yet")
            }
            (S::Shelved | S::OutOfService, S::Normal) => format!("alarm {name} counts again{by}"),
            (S::Suppressed, S::Normal) => format!("alarm {name} counts again in this phase"),
            (_, S::Normal) if self.by.is_some() => format!("alarm {name} is over; seen{by}{note}"),
            (_, S::Normal) => format!("alarm {name} is over"),
            (_, S::Shelved) => format!("alarm {name} is put aside{by}{note}"),
            (_, S::Suppressed) => format!("alarm {name} does not count in this phase"),
            (_, S::OutOfService) => format!("alarm {name} is out of service{by}{note}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::Kind;

    fn change(from: AlarmState, to: AlarmState, by: Option<&str>) -> String {
        let alarm = Alarm {
            kind: Kind::Drift,
            state: to,
            priority: Priority::Low,
            response: Response::Tell,
            text: if to == AlarmState::Normal { String::new() } else { "5.4 % above".into() },
            since: None,
            gone: None,
            gone_unseen: false,
            first_out: None,
            latched: false,
            chattering: false,
            shelved_until: None,
        };
        let (by, note) = (by.map(Into::into), by.map(|_| "bag".into()));
        AlarmChange { at: Mono::default(), from, alarm, by, note }.sentence()
    }

    #[test]
    fn no_change_is_told_in_the_standards_words_or_without_the_person() {
        use AlarmState::*;
        assert_eq!(change(Normal, Unacknowledged, None), "alarm drift: 5.4 % above");
        assert_eq!(change(Unacknowledged, Acknowledged, Some("mila")), "alarm drift was seen by mila: bag");
        assert_eq!(
            change(ReturnedUnacknowledged, Normal, Some("mila")),
            "alarm drift is over; seen by mila: bag"
        );
        assert_eq!(change(Acknowledged, Normal, None), "alarm drift is over");
        for from in AlarmState::ALL {
            for to in AlarmState::ALL {
                for by in [None, Some("mila")] {
                    let told = change(from, to, by);
                    assert!(!told.contains("unacknowledged") && !told.contains("suppressed"), "{told}");
                    assert!(!told.ends_with([':', ' ']), "{from:?} {to:?}: {told:?}");
                }
            }
        }
    }
}

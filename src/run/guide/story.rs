//! Events of a job as sentences, for logs, the ledger and people.

use super::api::JobEvent;

impl JobEvent {
    /// Its kind in a word, as the ledger files it.
    pub fn kind(&self) -> &'static str {
        match self {
            JobEvent::StepBegan { .. } | JobEvent::StepEnded { .. } => "step",
            JobEvent::Asked(_) => "asked",
            JobEvent::Answered { .. } => "answered",
            JobEvent::Commanded { .. } => "command",
            JobEvent::Warned(_) | JobEvent::WarningOver(_) => "warning",
            JobEvent::Held { .. } | JobEvent::GoesOn => "phase",
            JobEvent::Ended { .. } => "ended",
            JobEvent::Note(_) => "note",
        }
    }

    /// One sentence for a person; `names` gives the name of a step by its place.
    pub fn sentence(&self, name: impl Fn(usize) -> String) -> String {
        match self {
            JobEvent::StepBegan { step, .. } => format!("step {}, {}", step + 1, name(*step)),
            JobEvent::StepEnded { step, outcome, reason, by, .. } => {
                let by = by.as_ref().map(|by| format!(" by {by}")).unwrap_or_default();
                let why = reason.as_ref().map(|why| format!(": {why}")).unwrap_or_default();
                format!("step {}, {}: {}{by}{why}", step + 1, name(*step), outcome.name())
            }
            JobEvent::Asked(question) => format!("question {}: {}", question.seq, question.text),
            JobEvent::Answered { seq, by, answer } => {
                format!("{by}: {} to question {seq}", answer.name())
            }
            JobEvent::Commanded { by, what, reason } => {
                let why = reason.as_ref().map(|why| format!(": {why}")).unwrap_or_default();
                format!("{by}: {what}{why}")
            }
            JobEvent::Warned(warning) => format!("{}: {}", warning.kind.name(), warning.text),
            JobEvent::WarningOver(warning) => format!("{} is over", warning.kind.name()),
            JobEvent::Held { why, advice } => {
                let advice = advice.as_ref().map(|a| format!(". {a}")).unwrap_or_default();
                format!("the job is held: {why}{advice}")
            }
            JobEvent::GoesOn => "the job goes on".into(),
            JobEvent::Ended { state, cause } => format!("the job is {}: {cause}", state.name()),
            JobEvent::Note(text) => text.clone(),
        }
    }
}

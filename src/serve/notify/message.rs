//! One thing that happened, as it is told.

use crate::ledger::News;
use crate::watch::Priority;
use serde_json::{Value, json};

/// Events that say how a run or a job goes.
const OF_RUNS: [&str; 3] = ["started", "asked", "ended"];

/// What is told, with how many before it did not get through.
#[derive(Clone, Debug)]
pub(super) struct Message {
    pub news: News,
    /// So many before this one were dropped, because the listener was too slow, or given up.
    pub missed: u64,
}

impl Message {
    pub(super) fn new(news: News) -> Message {
        Message { news, missed: 0 }
    }

    pub(super) fn is_alarm(&self) -> bool {
        matches!(self.news, News::Alarm(_))
    }

    pub(super) fn is_of_a_run(&self) -> bool {
        match &self.news {
            News::Event(event) | News::Job { event, .. } => OF_RUNS.contains(&event.kind.as_str()),
            News::Alarm(_) => false,
        }
    }

    /// An alarm of at least that priority.
    pub(super) fn reaches(&self, from: Priority) -> bool {
        let News::Alarm(alarm) = &self.news else { return false };
        let all = [Priority::Low, Priority::Medium, Priority::High];
        all.iter().any(|p| *p >= from && p.name() == alarm.priority)
    }

    /// `{"kind": "alarm" | "event", "missed": n, …}` with the fields of the ledger's row; `job` with an event of a job.
    pub(super) fn body(&self) -> String {
        let (kind, row) = match &self.news {
            News::Alarm(row) => ("alarm", serde_json::to_value(&**row)),
            News::Event(row) | News::Job { event: row, .. } => ("event", serde_json::to_value(&**row)),
        };
        let mut body = json!({ "kind": kind, "missed": self.missed });
        if let (Value::Object(body), Ok(Value::Object(row))) = (&mut body, row) {
            for (key, value) in row {
                // The event's own kind is what it is about.
                let key = if key == "kind" { "event".into() } else { key };
                body.insert(key, value);
            }
            if let News::Job { job, .. } = &self.news {
                body.insert("job".into(), json!(**job));
            }
        }
        body.to_string()
    }
}

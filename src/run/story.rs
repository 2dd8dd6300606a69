//! Events as sentences, for logs, the ledger and people.

use super::api::{Answer, Event, Question, RunPhase, RunState};

/// Said before a turn while an alarm stands that a part may have fallen off.
pub(super) const COUNT: &str =
    "an alarm stands that a part may have fallen off: count the parts on the bar; then ";

/// Why somebody is sent to the supply. Whoever is sent is told by [`Doubt::said`] and by nothing else, so that
/// [`settled`] finds every such sentence.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Doubt {
    /// Nothing is heard of an output that may be on.
    NotHeard,
    /// The run ended so.
    AtTheEnd,
    /// The output did not go off in time.
    NotSeenOff,
}

impl Doubt {
    const ALL: [Doubt; 3] = [Doubt::NotHeard, Doubt::AtTheEnd, Doubt::NotSeenOff];

    /// The words for it.
    pub fn said(self) -> &'static str {
        match self {
            Doubt::NotHeard => "whether the output is on is not known: go to the supply",
            Doubt::AtTheEnd => "output state unknown, go to the supply",
            Doubt::NotSeenOff => {
                "the output was not seen to go off: go to the supply and switch it off by hand"
            }
        }
    }
}

/// A sentence that sends somebody to the supply, once its output is confirmed off: `now` stands instead. `None` where
/// it sends nobody.
pub fn settled(text: &str, now: &str) -> Option<String> {
    let said = Doubt::ALL.map(Doubt::said).into_iter().find(|said| text.contains(said))?;
    Some(text.replace(said, now))
}

impl Event {
    /// Its kind in a word, as the ledger files it.
    pub fn kind(&self) -> &'static str {
        match self {
            Event::Started { .. } => "started",
            Event::Phase { .. } => "phase",
            Event::Asked(_) => "asked",
            Event::Answered { .. } => "answered",
            Event::Commanded { .. } => "command",
            Event::Ended(_) => "ended",
            Event::Note(_) => "note",
        }
    }

    /// One sentence for a person.
    pub fn sentence(&self) -> String {
        match self {
            Event::Started { order, by, .. } => {
                format!("{} started by {by} in tank {}", order.title, order.tank)
            }
            Event::Phase { state, phase, why } => {
                let what = match (state, phase) {
                    (RunState::Held, _) => "held, output off",
                    (_, RunPhase::Entry) => "preparing the supply; entry",
                    (_, RunPhase::Ramp) => "ramp",
                    (_, RunPhase::Steady) => "steady at the setpoint",
                    (_, RunPhase::Turn) => "turning the part",
                    (_, RunPhase::Off) => "switching off",
                };
                match why {
                    Some(why) => format!("{what}: {why}"),
                    None => what.to_owned(),
                }
            }
            Event::Asked(question) => question.sentence(),
            Event::Answered { by, answer: Answer::Done } => format!("{by}: done"),
            Event::Answered { by, answer: Answer::No } => format!("{by}: not possible"),
            Event::Commanded { by, what } => format!("{by}: {what}"),
            Event::Ended(outcome) => format!(
                "{}: {}; {} passed in {:.0} s{}",
                outcome.state.name(),
                outcome.cause,
                outcome.charge.charge(),
                outcome.worked.as_secs_f64(),
                match outcome.unobserved.as_secs_f64() {
                    0.0 => String::new(),
                    s => format!(", plus {s:.1} s not observed"),
                }
            ),
            Event::Note(text) => text.clone(),
        }
    }
}

impl Question {
    /// What the operator is asked to do.
    pub fn sentence(&self) -> String {
        match self {
            Question::HangPart => "hang the part in the tank, then answer done".into(),
            Question::TurnPart { next, faces, count } => {
                let count = if *count { COUNT } else { "" };
                format!(
                    "{count}turn the part so that face {next} of {faces} looks at the anode, then answer done"
                )
            }
            Question::Held => {
                "the run is held with the output off: mend the cause, then resume or stop".into()
            }
        }
    }
}

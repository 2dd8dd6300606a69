//! Advice for people.

use super::{Advice, Verdict};

impl Advice {
    /// A block for what the record speaks for, a line each for the rest.
    pub fn text(&self) -> String {
        let mut out = format!("{}:\n", self.saw.name());
        let mut line = |text: String| {
            out.push_str(&text);
            out.push('\n');
        };
        if let Some(first) = self.first {
            line(first.into());
        }
        if !self.any_evidence {
            line(
                "Nothing in this run's record speaks for any cause. What follows is the order in which the trade meets \
                 them, not a finding."
                    .into(),
            );
        }
        for (number, j) in (1..).zip(self.causes.iter().filter(|j| j.verdict > Verdict::Unknown)) {
            let how_much = match j.verdict {
                Verdict::Strong => "the record speaks strongly for it",
                Verdict::For => "the record speaks for it",
                _ => "a hint only",
            };
            line(format!("{number}. {}: {how_much}", j.cause));
            line(format!("   seen   {}", j.seen));
            line(format!("   how    {} ({})", j.how, j.source));
            line(format!("   check  {}", j.check));
        }
        let mut list = |head: &str, verdict: Verdict, check: bool| {
            let some: Vec<_> = self.causes.iter().filter(|j| j.verdict == verdict).collect();
            if some.is_empty() {
                return;
            }
            line(head.into());
            for j in some {
                let next = if check { format!("; check: {}", j.check) } else { String::new() };
                line(format!("   {}: {}{next}", j.cause, j.seen));
            }
        };
        list("Cannot be told from this record", Verdict::Unknown, true);
        list("The record speaks against", Verdict::Against, false);
        line("What it does not know".into());
        self.not_known.iter().for_each(|n| line(format!("   - {n}")));
        out
    }
}

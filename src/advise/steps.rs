//! What the steps before a run show, where it was one of a whole sheet.

use super::Evidence;
use crate::quantity::Span;

/// What kind of step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StepKind {
    /// Timed, without current.
    Dip,
    /// With current.
    Powered,
    /// A question with a way back.
    Inspect,
    /// Something to do.
    Prompt,
}

/// What became of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StepOutcome {
    /// Done; of an inspection: passed.
    Done,
    /// Skipped, with a reason.
    Skipped,
    /// Done once more.
    Redone,
    /// Of an inspection: did not pass.
    Failed,
}

/// One step as it came.
#[derive(Clone, Debug, PartialEq)]
pub struct StepSeen {
    /// Its name in the sheet.
    pub name: String,
    /// Its kind.
    pub kind: StepKind,
    /// What became of it; `None` while it is worked.
    pub outcome: Option<StepOutcome>,
    /// Seconds from the job's start; `None` where that cannot be read.
    pub began: Option<f64>,
    /// Likewise; `None` while it is worked too.
    pub ended: Option<f64>,
    /// The most that a dip may last.
    pub most: Option<Span>,
    /// The most time from the end of the step before.
    pub within: Option<Span>,
}

impl Evidence {
    /// With what the steps that came before show; `steps` as they came, `at` the plating step that the
    /// run was. What the sheet does not ask for stays unknown.
    #[must_use]
    pub fn with_steps(mut self, steps: &[StepSeen], at: usize) -> Evidence {
        let before = &steps[..at.min(steps.len())];
        let inspections = || before.iter().filter(|s| s.kind == StepKind::Inspect);
        if inspections().next().is_some() {
            let failed = inspections().filter(|s| s.outcome == Some(StepOutcome::Failed)).count();
            self.water_break_failed = Some(u32::try_from(failed).unwrap_or(u32::MAX));
        }
        let skipped = before
            .iter()
            .filter(|s| s.outcome == Some(StepOutcome::Skipped) && s.kind != StepKind::Prompt)
            .map(|s| s.name.clone());
        self.skipped = Some(skipped.collect());
        let over = before
            .iter()
            .filter(|s| s.kind == StepKind::Dip)
            .filter_map(|s| Some((s.ended? - s.began? - s.most?.get()).max(0.0)));
        self.over_dwell = over.reduce(f64::max).map(Span::new);
        if let (Some(step), Some(last)) = (steps.get(at), before.last())
            && let (Some(most), Some(began), Some(ended)) = (step.within, step.began, last.ended)
        {
            self.late = Some((Span::new((began - ended).max(0.0)), most));
        }
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advise::{Fault, advise};

    fn step(name: &str, kind: StepKind, outcome: StepOutcome, began: f64, ended: f64) -> StepSeen {
        let (outcome, began) = (Some(outcome), Some(began));
        StepSeen { name: name.into(), kind, outcome, began, ended: Some(ended), most: None, within: None }
    }

    /// Cleaned, failed once, cleaned again, passed, dipped 50 s of at most 30, plated 20 s later of at most 60.
    fn line() -> Vec<StepSeen> {
        use StepKind::{Dip, Inspect, Powered};
        use StepOutcome::{Done, Failed, Redone};
        let mut dip = step("activate", Dip, Done, 200.0, 250.0);
        dip.most = Some(Span::new(30.0));
        let mut plate = step("nickel", Powered, Done, 270.0, 900.0);
        plate.within = Some(Span::new(60.0));
        vec![
            step("electroclean", Powered, Redone, 0.0, 60.0),
            step("water break", Inspect, Failed, 70.0, 80.0),
            step("electroclean", Powered, Done, 90.0, 150.0),
            step("water break", Inspect, Done, 160.0, 170.0),
            dip,
            plate,
        ]
    }

    #[test]
    fn failed_water_break_long_dip_and_haste_are_read_off_the_steps() {
        let e = Evidence::default().with_steps(&line(), 5);
        assert_eq!(e.water_break_failed, Some(1));
        assert_eq!(e.over_dwell, Some(Span::new(20.0)));
        assert_eq!(e.late, Some((Span::new(20.0), Span::new(60.0))));
        assert_eq!(e.skipped, Some(Vec::new()));
        let causes = advise(Fault::Peeling, &e).causes;
        assert_eq!(causes[0].cause, "too long in acid");
        assert_eq!(causes[1].cause, "not clean before plating");
    }

    #[test]
    fn skipped_cleaner_is_named_and_what_no_sheet_asks_for_stays_unknown() {
        let mut steps = line();
        steps[2].outcome = Some(StepOutcome::Skipped);
        assert_eq!(
            advise(Fault::Peeling, &Evidence::default().with_steps(&steps, 5)).causes[0].seen,
            "\"electroclean\" was skipped"
        );
        let bare = [step("nickel", StepKind::Powered, StepOutcome::Done, 0.0, 60.0)];
        let e = Evidence::default().with_steps(&bare, 0);
        assert_eq!((e.water_break_failed, e.over_dwell, e.late), (None, None, None));
        let beyond = Evidence::default().with_steps(&bare, 9);
        assert_eq!(beyond.late, None, "a step that is not there");
    }
}

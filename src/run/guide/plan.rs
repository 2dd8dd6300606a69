//! What a job is made from: a sheet's plan, stripped to what guiding needs.

use crate::plan::{LinePlan, Order, Todo};
use crate::process::{Polarity, Purpose, Sheet};
use crate::quantity::{Temperature, Units};
use crate::run::Refusal;
use serde::{Deserialize, Serialize};
use std::time::Duration;

/// A sheet worked out for one load. Kept with the job, so that the rest of it can be done later.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct JobPlan {
    /// What it is.
    pub title: String,
    /// The sheet's name.
    pub sheet: String,
    /// The parts' own metal.
    pub base: String,
    /// How many hang.
    pub parts: u32,
    /// How many loads it takes in all; this is for one.
    pub loads: u32,
    /// The units of the sentences.
    pub units: Units,
    /// In order; never empty.
    pub steps: Vec<JobStep>,
}

/// One step.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct JobStep {
    /// Its name in the sheet.
    pub name: String,
    /// The workshop's tank.
    pub tank: Option<String>,
    /// What hangs opposite the part, in words: "nickel, bagged".
    pub anodes: Option<String>,
    /// What it is for.
    pub purpose: Option<Purpose>,
    /// What to do.
    pub todo: JobTodo,
    /// Rinses after it, in words.
    pub rinse: Vec<String>,
    /// What can hurt here.
    pub hazards: Vec<String>,
    /// The most time from the end of the step before.
    pub within: Option<Duration>,
}

/// What is to be done in a step.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum JobTodo {
    /// Hang it in for a time, without current.
    Dip {
        /// How long.
        time: Duration,
        /// After how long at most it must be out.
        most: Option<Duration>,
    },
    /// Run the order.
    Powered {
        /// On which side of the supply the part hangs.
        part: Polarity,
        /// The order.
        order: Box<Order>,
        /// What the run's record keeps of the worksheet.
        #[serde(default)]
        worksheet: serde_json::Value,
    },
    /// Ask.
    Inspect {
        /// Asked so that "yes" goes on.
        question: String,
        /// Where "no" leads, from 0.
        back_to: usize,
        /// How many times.
        most: u8,
        /// What to try after that.
        advice: String,
    },
    /// Say, and wait.
    Prompt {
        /// What to do.
        say: String,
        /// That it is a bake.
        bake: Option<JobBake>,
    },
}

/// A bake that drives hydrogen out of steel.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct JobBake {
    /// Of the part.
    pub temperature: Temperature,
    /// How long at that temperature.
    pub time: Duration,
    /// How soon after the last plating.
    pub within: Duration,
}

/// What may come of leaving a step out.
pub type Risk = &'static str;

impl JobPlan {
    /// The plan of that sheet, ready to be guided.
    pub fn new(line: &LinePlan, sheet: &Sheet, base: &str) -> JobPlan {
        let steps = line.steps.iter().zip(&sheet.steps).map(|(planned, step)| {
            let role = step.tank().and_then(|role| sheet.tank(role));
            JobStep {
                name: planned.name.clone(),
                tank: planned.tank.clone(),
                anodes: role.map(|role| {
                    format!("{}{}", role.anodes.name(), if role.bagged { ", bagged" } else { "" })
                }),
                purpose: step.purpose(),
                todo: todo(&planned.todo),
                rinse: planned.rinse.clone(),
                hazards: planned.hazards.clone(),
                within: planned.within.map(|w| w.duration()),
            }
        });
        JobPlan {
            title: line.title.clone(),
            sheet: line.sheet.clone(),
            base: base.into(),
            parts: line.counts.iter().sum(),
            loads: line.load_count,
            units: line.units,
            steps: steps.collect(),
        }
    }
}

/// Which step is meant, from 0: by its name, its number from 1, or the beginning of exactly one name.
///
/// # Errors
/// A sentence: no step fits, or more than one does.
pub fn step_meant(names: &[&str], text: &str) -> Result<usize, String> {
    let number = text.parse().ok().filter(|n| (1..=names.len()).contains(n)).map(|n: usize| n - 1);
    if let Some(at) = names.iter().position(|name| *name == text).or(number) {
        return Ok(at);
    }
    let fits: Vec<_> =
        (0..names.len()).filter(|at| !text.is_empty() && names[*at].starts_with(text)).collect();
    match fits[..] {
        [one] => Ok(one),
        [] => Err(format!("there is no step {text:?}; there is: {}", names.join(", "))),
        _ => {
            let fits: Vec<_> = fits.iter().map(|at| names[*at]).collect();
            Err(format!("{text:?} may be any of {}; write more of the name, or its number", fits.join(", ")))
        }
    }
}

impl JobPlan {
    /// With which step (from 0) the rest of an earlier job begins: `from`, as [`step_meant`] reads it, else the first that was
    /// not left done. `rows` are that job's steps as they came: place from 0, and whether done or skipped.
    ///
    /// # Errors
    /// A step that there is not, or one past a step that was not done: nothing is skipped without a reason.
    pub fn rest(
        &self,
        rows: impl IntoIterator<Item = (usize, bool)>,
        from: Option<&str>,
    ) -> Result<usize, Refusal> {
        let mut done = vec![false; self.steps.len()];
        for (n, (at, left)) in rows.into_iter().enumerate() {
            if at >= done.len() {
                continue;
            }
            if n == 0 {
                // What lies before its first step was done in the job that it went on with.
                done[..at].fill(true);
            }
            // Whoever goes back does everything from there on again.
            done[at..].fill(false);
            done[at] = left;
        }
        let Some(undone) = done.iter().position(|done| !done) else {
            return Err(Refusal("every step of that job was done or skipped; there is no rest".into()));
        };
        let Some(from) = from else { return Ok(undone) };
        let names: Vec<_> = self.steps.iter().map(|s| s.name.as_str()).collect();
        let at = step_meant(&names, from).map_err(Refusal)?;
        if at > undone {
            return Err(Refusal(format!(
                "step {}, {}, was not done in that job: begin with it or an earlier one, and skip it there with a reason",
                undone + 1,
                self.steps[undone].name
            )));
        }
        Ok(at)
    }
}

fn todo(planned: &Todo) -> JobTodo {
    match planned {
        Todo::Dip { time, most } => JobTodo::Dip { time: time.duration(), most: most.map(|m| m.duration()) },
        Todo::Powered { part, plan } => JobTodo::Powered {
            part: *part,
            order: Box::new(plan.order.clone()),
            worksheet: plan.worksheet.for_the_record(),
        },
        Todo::Inspect { inspect, back_to } => JobTodo::Inspect {
            question: inspect.question.clone(),
            back_to: *back_to,
            most: inspect.most,
            advice: inspect.advice.clone(),
        },
        Todo::Prompt { say, bake } => JobTodo::Prompt {
            say: say.clone(),
            bake: bake.map(|b| JobBake {
                temperature: b.temperature,
                time: b.time.duration(),
                within: b.within.duration(),
            }),
        },
    }
}

impl JobStep {
    /// In a word: `dip`, `powered`, `inspect`, `prompt`.
    pub fn kind(&self) -> &'static str {
        match self.todo {
            JobTodo::Dip { .. } => "dip",
            JobTodo::Powered { .. } => "powered",
            JobTodo::Inspect { .. } => "inspect",
            JobTodo::Prompt { .. } => "prompt",
        }
    }

    /// What may come of leaving it out; common practice, no source.
    pub fn risk(&self) -> Option<Risk> {
        match (&self.todo, self.purpose) {
            (JobTodo::Prompt { bake: Some(_), .. }, _) => {
                Some("strong steel that was not baked may break under load later, without warning")
            }
            (JobTodo::Inspect { .. }, _) => {
                Some("what it would have shown stays unseen until the deposit shows it")
            }
            (_, Some(Purpose::Activate)) => {
                Some("oxide may still cover the metal, and what is plated over it peels")
            }
            (_, Some(Purpose::Strike)) => Some(
                "without the strike the next bath may attack the metal or deposit loosely on it, and the plate may peel",
            ),
            (_, Some(Purpose::Clean)) => {
                Some("soil that stays on makes the deposit blister, peel or miss spots")
            }
            (_, Some(Purpose::Plate)) => Some("this deposit will be missing"),
            (_, None) => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::step_meant;

    #[test]
    fn step_is_meant_by_the_beginning_of_its_name_only_where_no_other_begins_so() {
        let names = ["hang", "clean", "nickel", "nickel-2", "2"];
        assert_eq!(step_meant(&names, "cl"), Ok(1));
        assert_eq!(step_meant(&names, "nickel"), Ok(2), "a whole name is that name");
        assert_eq!(step_meant(&names, "2"), Ok(4), "a name goes before a number");
        assert_eq!(step_meant(&names, "3"), Ok(2));
        let many = step_meant(&names, "nick").unwrap_err();
        assert!(many.contains("any of nickel, nickel-2"), "{many}");
        for text in ["silver", "", "9"] {
            let none = step_meant(&names, text).unwrap_err();
            assert!(none.contains("there is: hang, clean"), "{none}");
        }
    }
}

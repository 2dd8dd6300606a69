//! The record: what each part got, as data, HTML and CSV.
//!
//! What the room is for: from the ledger's rows to a [`Record`], and from that to a page that prints on one or two A4
//! sheets, to JSON (the record itself, by serde; its field names carry their units and stay) and to CSV. What it may
//! not know: where the rows come from, what time it is.
//!
//! A record is a list of steps. A single run is one step; a load that went through a whole process sheet is many, some
//! of which have a run. See [`Step`].

mod build;
mod html;
mod job;
mod job_html;
#[cfg(test)]
mod job_tests;
#[cfg(test)]
mod tests;

pub use build::{Sources, from_run, run_of};
pub use html::{Served, html, served};
pub use job::{JobSources, from_job, steps_csv};

use super::plot::{self, Mark, Paper};
use crate::ledger::{ReadingRow, StageRow};
use crate::quantity::{Length, Ratio, Units};
use serde::{Deserialize, Serialize};

/// What a whole load got.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Record {
    /// `tankside-record-1`: changes when a field changes its meaning or goes.
    pub format: &'static str,
    /// What it was.
    pub title: String,
    /// The run's id, or the job's.
    pub id: String,
    /// When this record was put together, RFC 3339 UTC.
    pub printed: String,
    /// Of a job; nothing on the record of a single run.
    pub job: Option<JobPart>,
    /// Lot, as last entered.
    pub lot: Option<String>,
    /// The customer's reference, as last entered.
    pub customer: Option<String>,
    /// In order.
    pub steps: Vec<Step>,
    /// What differs from what was planned, in time order.
    pub deviations: Vec<Remark>,
    /// What was said on the way, and written down later.
    pub notes: Vec<Remark>,
    /// Thickness and weight that were measured on the parts.
    pub measurements: Vec<Measurement>,
    /// Every later entry that changed what stands above, oldest first.
    pub amendments: Vec<Amendment>,
    /// Who signed it off.
    pub signatures: Vec<Signature>,
    /// The chain's newest hash when this was put together.
    pub chain: Option<Seal>,
}

/// What stands above the steps of a job.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct JobPart {
    /// Station.
    pub station: String,
    /// The process sheet's name.
    pub sheet: String,
    /// The parts' own metal.
    pub base: String,
    /// How many parts.
    pub part_count: u32,
    /// RFC 3339 UTC.
    pub started: String,
    /// Who.
    pub started_by: String,
    /// RFC 3339 UTC.
    pub ended: Option<String>,
    /// `complete`, `stopped`, `aborted`, `running`.
    pub state: String,
    /// First cause of the end.
    pub cause: Option<String>,
    /// The job whose rest this is.
    pub continues: Option<String>,
    /// Everybody who answered or sent a step back, whoever started it first.
    pub worked_by: Vec<String>,
    /// What the job itself raised: over-dwell, a step begun late.
    pub alarms: Vec<Remark>,
    /// How many of its steps were sealed as they ended.
    pub step_seals: usize,
    /// Its seal; nothing while it is open.
    pub seal: Option<Seal>,
}

/// One step of the treatment; those with current have a run.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Step {
    /// As they came, from 1; people are shown [`Step::label`].
    pub number: usize,
    /// What it is: "nickel plate", "acid dip".
    pub name: String,
    /// Its tank, where it has one.
    pub tank: Option<String>,
    /// RFC 3339 UTC.
    pub began: Option<String>,
    /// RFC 3339 UTC.
    pub ended: Option<String>,
    /// `complete`, `skipped`, `redone` …
    pub outcome: String,
    /// Its place in the sheet, from 1; of a job.
    pub sheet_step: Option<u32>,
    /// How often that step of the sheet had been come to by then, this time with it; of a job.
    pub attempt: Option<u32>,
    /// `dip`, `powered`, `inspect`, `prompt`; of a job.
    pub kind: Option<String>,
    /// How long a dip, a bake or a timed run was to last.
    pub planned_seconds: Option<f64>,
    /// After how long at most the load was to be out of a dip.
    pub most_seconds: Option<f64>,
    /// From the answer that the load is in to the one that it is out.
    pub dwell_seconds: Option<f64>,
    /// The charge that was to pass.
    pub target_coulombs: Option<f64>,
    /// From the end of the current to the first answer after it.
    pub unloaded_seconds: Option<f64>,
    /// Why it was skipped, done again or not done.
    pub reason: Option<String>,
    /// By whom it was ended.
    pub by: Option<String>,
    /// What was answered, with what was asked.
    pub answers: Vec<Remark>,
    /// Its run.
    pub run: Option<RunPart>,
    /// What the measurements on its parts come to.
    pub measured: Option<Found>,
}

/// What the measurements on a step's parts come to; those taken back are not among them.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Found {
    /// Readings of thickness.
    pub places: usize,
    /// The thinnest of them.
    pub least_meters: Option<f64>,
    /// The thickest.
    pub most_meters: Option<f64>,
    /// The mean as last worked out, by weight or of readings.
    pub mean_meters: Option<f64>,
    /// Metal over what the charge could have deposited, 0 to 1, as last worked out.
    pub efficiency: Option<f64>,
    /// What both rest on: `weight` or `readings`.
    pub efficiency_by: Option<String>,
    /// Whether that is good enough to speak for the tank.
    pub efficiency_counts: Option<bool>,
}

impl Found {
    /// For people, on one line; the same words on the page and in the terminal.
    pub fn text(&self, units: Units) -> String {
        let length = |m: f64| Length::new(m).show(units);
        let by = self.efficiency_by.as_deref().map_or(String::new(), |by| format!(" by {by}"));
        let mut all = Vec::new();
        match (self.least_meters, self.most_meters) {
            (Some(least), _) if self.places == 1 => all.push(length(least)),
            (Some(least), Some(most)) => {
                all.push(format!("{} to {} ({} places)", length(least), length(most), self.places));
            }
            _ => {}
        }
        all.extend(self.mean_meters.map(|m| format!("mean {}{by}", length(m))));
        all.extend(self.efficiency.map(|e| {
            let doubt = if self.efficiency_counts == Some(false) {
                ", which does not count for the tank"
            } else {
                ""
            };
            format!("efficiency {}{by}{doubt}", Ratio::new(e).show(units))
        }));
        all.join("; ")
    }
}

impl Step {
    /// Its number as the sheet has it, and which try it was: `4`, `4 (second try)`.
    pub fn label(&self) -> String {
        let number = self.sheet_step.map_or_else(|| self.number.to_string(), |n| n.to_string());
        format!("{number}{}", tried(self.attempt.unwrap_or(1)))
    }

    /// The same with its name: `step 4, nickel`, `step 4, nickel (second try)`.
    pub fn place(&self) -> String {
        let number = self.sheet_step.map_or_else(|| self.number.to_string(), |n| n.to_string());
        format!("step {number}, {}{}", self.name, tried(self.attempt.unwrap_or(1)))
    }
}

/// ` (second try)`; nothing of the first.
pub fn tried(attempt: u32) -> String {
    match attempt {
        0 | 1 => String::new(),
        2 => " (second try)".into(),
        3 => " (third try)".into(),
        n => format!(" (try {n})"),
    }
}

/// A run within a record.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RunPart {
    /// UUIDv7.
    pub id: String,
    /// Station.
    pub station: String,
    /// What the supply said it is.
    pub supply: Option<String>,
    /// Tank.
    pub tank: String,
    /// Bath, by its file's name.
    pub bath: Option<String>,
    /// RFC 3339 UTC.
    pub started: String,
    /// RFC 3339 UTC.
    pub ended: Option<String>,
    /// Who.
    pub started_by: String,
    /// `complete`, `stopped`, `aborted`, `running`.
    pub state: String,
    /// First cause of the end.
    pub cause: Option<String>,
    /// The run whose remainder this is.
    pub continues: Option<String>,
    /// As ordered.
    pub settings: Settings,
    /// What hung, where the worksheet is on record.
    pub parts: Vec<PartLine>,
    /// How many parts.
    pub part_count: u32,
    /// Everything that took current.
    pub area_square_meters: f64,
    /// By trapezoid.
    pub charge_coulombs: f64,
    /// Time under current that was not observed; no charge is counted for it.
    pub unobserved_seconds: f64,
    /// Time worked.
    pub worked_seconds: f64,
    /// Charge over time worked.
    pub mean_amperes: Option<f64>,
    /// The deposit by charge and efficiency.
    pub thickness: Option<Thickness>,
    /// As they came.
    pub phases: Vec<Phase>,
    /// Those that were raised.
    pub alarms: Vec<Alarm>,
    /// How many readings there are.
    pub reading_count: usize,
    /// Its seal; nothing while it is open.
    pub seal: Option<Seal>,
    /// For the plot; not in the JSON.
    #[serde(skip)]
    pub readings: Vec<ReadingRow>,
    /// For the plot; not in the JSON.
    #[serde(skip)]
    pub stages: Vec<StageRow>,
}

impl RunPart {
    /// Its alarms as marks of a plot, numbered as in [`RunPart::alarms`].
    pub fn marks(&self) -> Vec<Mark> {
        self.alarms.iter().map(|a| Mark { seconds: a.seconds, number: a.number }).collect()
    }

    /// Its plot: see [`plot::run`].
    pub fn plot(&self, title: &str, paper: Paper) -> String {
        let run = plot::RunPlot {
            title,
            readings: &self.readings,
            stages: &self.stages,
            marks: &self.marks(),
            end: self.readings.last().map_or(0.0, |r| r.seconds),
        };
        plot::run(&run, paper)
    }
}

/// What was ordered.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Settings {
    /// `current` or `voltage`.
    pub control: String,
    /// In current control.
    pub setpoint_amperes: Option<f64>,
    /// In voltage control.
    pub setpoint_volts: Option<f64>,
    /// In current control.
    pub ceiling_volts: Option<f64>,
    /// In voltage control.
    pub ceiling_amperes: Option<f64>,
    /// Setpoint over area, in current control.
    pub density_amperes_per_square_meter: Option<f64>,
    /// From nothing to the setpoint.
    pub ramp_seconds: Option<f64>,
    /// Where the run ends by charge.
    pub target_coulombs: Option<f64>,
    /// Where it ends by time.
    pub target_seconds: Option<f64>,
    /// The backstop.
    pub time_limit_seconds: Option<f64>,
    /// `dead`, `live`, `on-contact`.
    pub entry: Option<String>,
    /// Faces that took their share in turn.
    pub faces: Option<u64>,
}

/// One kind of part.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PartLine {
    /// Its name, or its shape.
    pub name: String,
    /// Its shape in short form.
    pub shape: String,
    /// Which surface was counted.
    pub counted: String,
    /// How many.
    pub count: u64,
    /// Of one.
    pub each_square_meters: Option<f64>,
    /// Of all.
    pub area_square_meters: Option<f64>,
    /// The thinnest deposit to be expected on its significant surfaces, by its shape.
    pub least_meters: Option<f64>,
}

/// The deposit that the charge gives.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Thickness {
    /// Metal id.
    pub metal: String,
    /// Mean over all that takes current, at the efficiency used.
    pub mean_meters: f64,
    /// The mean at the least efficiency of the bath's window.
    pub low_meters: Option<f64>,
    /// The mean at the most.
    pub high_meters: Option<f64>,
    /// The thinnest of all parts on significant surfaces, by their shapes, at the efficiency used.
    pub least_meters: Option<f64>,
    /// 0 to 1.
    pub efficiency: Option<f64>,
}

/// One phase.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Phase {
    /// Since the run's start.
    pub seconds: f64,
    /// How long.
    pub lasted_seconds: f64,
    /// `running`, `held` …
    pub state: String,
    /// `entry`, `ramp`, `steady`, `turn`, `off`.
    pub phase: String,
    /// By trapezoid over the readings on record; their sum may differ from the run's charge in the last digits.
    pub charge_coulombs: f64,
    /// Of the readings in it.
    pub mean_volts: Option<f64>,
    /// Of the readings in it.
    pub mean_amperes: Option<f64>,
}

/// An alarm that was raised.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Alarm {
    /// As on the plot.
    pub number: usize,
    /// RFC 3339 UTC.
    pub at: String,
    /// Since the run's start.
    pub seconds: f64,
    /// Which watch.
    pub watch: String,
    /// Priority.
    pub priority: String,
    /// What was seen.
    pub text: String,
    /// Who acknowledged it, with their note.
    pub acknowledged: Option<String>,
}

/// Something said, with its time.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Remark {
    /// RFC 3339 UTC.
    pub at: String,
    /// A sentence.
    pub text: String,
    /// Who, where a person did.
    pub by: Option<String>,
}

/// A thickness or weight that was measured; an entry of kind `measurement` whose content has these fields.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Measurement {
    /// RFC 3339 UTC.
    pub at: String,
    /// Who.
    pub by: Option<String>,
    /// `xrf`, `coulometric`, `section`, `micrometer`, `weight` …
    pub method: Option<String>,
    /// What was found.
    pub thickness_meters: Option<f64>,
    /// What was on the scale before plating.
    pub weight_before_grams: Option<f64>,
    /// The same after it.
    pub weight_after_grams: Option<f64>,
    /// Worked out: the mean thickness.
    pub mean_meters: Option<f64>,
    /// Worked out: metal over what the charge could have deposited, 0 to 1.
    pub efficiency: Option<f64>,
    /// What that rests on: `weight` or `readings`.
    pub efficiency_by: Option<String>,
    /// Whether that is good enough to speak for the tank.
    pub efficiency_counts: Option<bool>,
    /// Where, on which part, and anything else.
    pub text: Option<String>,
    /// Which step of a job, by [`Step::number`].
    pub step: Option<usize>,
    /// Which measurement it belongs to; nothing on records of before they were numbered.
    pub finding: Option<i64>,
    /// The measurement that this entry takes back.
    pub undoes: Option<i64>,
    /// When and by whom it was taken back.
    pub taken_back: Option<String>,
}

/// A later change of what was entered.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Amendment {
    /// RFC 3339 UTC.
    pub at: String,
    /// Who.
    pub by: Option<String>,
    /// `lot` or `customer`.
    pub what: String,
    /// Before; nothing where it was not set.
    pub from: Option<String>,
    /// After.
    pub to: String,
    /// Why.
    pub why: Option<String>,
}

/// A sign-off.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Signature {
    /// RFC 3339 UTC.
    pub at: String,
    /// Who.
    pub by: String,
    /// What they add.
    pub remark: Option<String>,
}

/// An entry of the chain.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Seal {
    /// Its place.
    pub seq: i64,
    /// Lower-case hex.
    pub hash: String,
    /// RFC 3339 UTC.
    pub at: String,
    /// Sealed later than at the run's end.
    pub later: bool,
}

/// A text as one cell of a table (RFC 4180). One that a spreadsheet would take for a formula begins with an apostrophe.
pub(crate) fn cell(text: &str) -> String {
    let guard = if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { "'" } else { "" };
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{guard}{}\"", text.replace('"', "\"\""))
    } else {
        format!("{guard}{text}")
    }
}

/// Readings as CSV: seconds since the start, volts, amperes, setpoint, ceiling, bath; empty where not known.
pub fn csv(readings: &[ReadingRow]) -> String {
    use std::fmt::Write;
    let mut out = String::from("seconds,volts,amperes,setpoint_amperes,ceiling_volts,bath_celsius\n");
    let maybe = |v: Option<f64>| v.map_or(String::new(), |v| v.to_string());
    for r in readings {
        // Writing to a string cannot fail.
        let _ = writeln!(
            out,
            "{},{},{},{},{},{}",
            r.seconds,
            r.volts,
            r.amperes,
            r.setpoint_amperes,
            maybe(r.ceiling_volts),
            maybe(r.bath_celsius)
        );
    }
    out
}

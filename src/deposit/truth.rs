//! Truth from the part: what was measured or weighed, against what the charge should have made.

use super::{Efficiency, Metal};
use crate::quantity::{Area, Charge, Length, Mass, Ratio, Units};
use serde::{Deserialize, Serialize};

/// Above this an efficiency is no efficiency: some error of weighing or ammeter is forgiven, no more.
const MOST: f64 = 1.05;
/// A place that got more than so many times the most that the charge can deposit on average was not measured right:
/// edges of parts as large as a hand get two to three times the mean in nickel (our inference from its Wagner number; no
/// source).
const MOST_AT_A_PLACE: f64 = 3.0;
/// Readings that speak for the mean of a part.
const READINGS: usize = 3;
/// Parts after which a tank's own figure goes before the bath file's.
pub const PARTS_NEEDED: usize = 3;
/// Parts that a tank's own figure is made of: the newest.
pub const PARTS_KEPT: usize = 10;
/// Figures further from the median than this many robust sigmas are left out (Hampel's rule).
const OUTLYING: f64 = 3.0;
/// A spread below this is luck, not knowledge (from memory: a careful weighing).
const SPREAD_LEAST: f64 = 0.01;
/// Decimals of a gram: a bench scale shows hundredths, an analytical balance hundredths of a milligram (common practice,
/// no source).
const LEAST_DECIMALS: usize = 2;
const MOST_DECIMALS: usize = 5;
const DECIMALS_OF_OUNCES: usize = 3;

/// How it was measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// X-ray fluorescence (ASTM B568).
    Xrf,
    /// Coulometric (ASTM B504).
    Coulometric,
    /// A polished section under the microscope (ASTM B487).
    Section,
    /// A micrometer, over both sides.
    Micrometer,
}

impl Method {
    /// What it is good for: from memory, but for what ASTM B488-01 says of lighter deposits.
    pub fn note(self) -> &'static str {
        match self {
            Method::Xrf | Method::Coulometric => {
                "about 10 % either way (from memory); reads a deposit that is lighter than the bulk metal, such as \
                 hard gold, as thinner than a section does (ASTM B488-01)"
            }
            Method::Section => "about 0.8 µm either way (from memory)",
            Method::Micrometer => {
                "a few µm either way (from memory): for thick deposits; halve what two faces gained"
            }
        }
    }
}

/// A reading of thickness, and where.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct ThicknessAt {
    /// How thick.
    pub thickness: Length,
    /// Where: `edge`, `face`, `hollow`, or the part's own name for it.
    pub at: String,
}

/// What a person measured on the parts of a run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Measured {
    /// Readings of thickness.
    #[serde(default)]
    pub readings: Vec<ThicknessAt>,
    /// How those were taken.
    #[serde(default)]
    pub method: Option<Method>,
    /// Before and after plating, all that was on the scale.
    #[serde(default)]
    pub weights: Option<(Mass, Mass)>,
    /// How many of the run's parts were on the scale; all of them if absent.
    #[serde(default)]
    pub weighed: Option<u32>,
    /// What took current on what was weighed, rack and tips not; the run's area shared out among its parts if absent.
    #[serde(default)]
    pub area: Option<Area>,
}

/// The run that they came out of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Worked {
    /// The metal.
    pub metal: &'static Metal,
    /// Charge of the run.
    pub charge: Charge,
    /// Everything that took it.
    pub area: Area,
    /// Parts that hung.
    pub parts: u32,
}

/// What follows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Truth {
    /// Metal over what the charge could have deposited.
    pub efficiency: Option<Ratio>,
    /// What mean and efficiency rest on: `weight`, or `readings`.
    pub efficiency_by: Option<String>,
    /// Whether that is good enough to speak for the tank.
    pub efficiency_counts: bool,
    /// Mean thickness: by weight, else of the readings.
    pub mean: Option<Length>,
    /// The thinnest reading.
    pub least: Option<Length>,
    /// The thinnest over the mean.
    pub distribution: Option<f64>,
    /// What is odd about it, or was taken for granted.
    pub questions: Vec<String>,
}

impl Measured {
    /// Works it out.
    ///
    /// # Errors
    /// What cannot be: no figures, a loss, more metal than the charge makes; each with what may be wrong.
    pub fn truth(&self, run: &Worked) -> Result<Truth, Vec<String>> {
        let wrong = self.impossible(run);
        if !wrong.is_empty() {
            return Err(wrong);
        }
        let mut questions = Vec::new();
        let by_weight = self.by_weight(run, &mut questions);
        let count = self.readings.len();
        let sum: f64 = self.readings.iter().map(|r| r.thickness.get()).sum();
        let of_readings = (count > 0).then(|| Length::new(sum / count as f64));
        let least = self.readings.iter().map(|r| r.thickness).reduce(Length::min);
        let spots = {
            let mut names: Vec<_> = self.readings.iter().map(|r| r.at.as_str()).collect();
            names.sort_unstable();
            names.dedup();
            names.len()
        };
        let mean = by_weight.map(|(_, mean)| mean).or(of_readings);
        let share_of = |thickness: Length| {
            run.metal.mass_of(thickness, run.area) / run.metal.mass(run.charge, Efficiency::WHOLE)
        };
        let by_readings = of_readings.map(share_of);
        let (share, by, counts) = match (by_weight, by_readings) {
            (Some((share, _)), _) => (Some(share), Some("weight"), true),
            (None, Some(share)) => (Some(share), Some("readings"), count >= READINGS && spots >= 2),
            (None, None) => (None, None, false),
        };
        if let Some(share) = share.filter(|_| by == Some("weight"))
            && share > MOST
        {
            return Err(vec![wet(share)]);
        }
        let thickest = self.readings.iter().map(|r| r.thickness).reduce(Length::max);
        if let Some(most) = thickest.map(share_of)
            && most > MOST_AT_A_PLACE
        {
            return Err(vec![too_thick(most)]);
        }
        // Honest readings of edges: true of those places, and of nothing else.
        let (share, by, counts) = match share {
            Some(share) if share > MOST => {
                questions.push(format!(
                    "These readings come to {:.0} % of what the charge can deposit on average, as edges do, or an area \
                     that is too large, or an ammeter that reads low: they are kept, and say nothing of the efficiency.",
                    share * 100.0
                ));
                (None, by, false)
            }
            share => (share, by, counts),
        };
        if share.is_some_and(|s| s > 1.0) {
            questions
                .push("A little more metal than the charge can deposit: look at scale and ammeter.".into());
        }
        if share.is_some() && by == Some("readings") {
            let enough =
                if counts { "" } else { "; too few, or all at one place: it does not count for the tank" };
            questions.push(format!(
                "The efficiency rests on the mean of {count} reading{}, as if they stood for all of the area{enough}.",
                if count == 1 { "" } else { "s" }
            ));
        }
        // One place says nothing of the distribution, nor do edges alone; a weight gives the mean that the thinnest is held
        // against.
        let spread = (spots >= 2 && share.is_some()) || (by_weight.is_some() && count > 0);
        let distribution = match (least, mean) {
            (Some(least), Some(mean)) if spread => Some(least / mean),
            _ => None,
        };
        if let Some(ratio) = distribution.filter(|r| *r > 1.0) {
            questions.push(format!(
                "The thinnest reading is {ratio:.2} times the mean by weight: the thin places were not measured."
            ));
        }
        if let Some(method) = self.method.filter(|_| count > 0) {
            questions.push(format!("Readings of that kind: {}.", method.note()));
        }
        Ok(Truth {
            efficiency: share.map(Ratio::new),
            efficiency_by: by.map(Into::into),
            efficiency_counts: counts,
            mean,
            least,
            distribution: distribution.filter(|r| *r <= 1.0),
            questions,
        })
    }

    fn impossible(&self, run: &Worked) -> Vec<String> {
        let mut wrong = Vec::new();
        if self.readings.is_empty() && self.weights.is_none() {
            wrong.push("nothing was measured; give a thickness, or the weight before and after".into());
        }
        if !run.charge.is_positive() || !run.area.is_positive() {
            wrong.push("this run passed no charge: there is nothing to hold a measurement against".into());
        }
        for r in &self.readings {
            // A millimetre of deposit is no plate any more.
            if !(r.thickness.get() > 0.0 && r.thickness.get() <= 1e-3) {
                wrong.push(format!(
                    "{} at {:?} is no thickness of a plate; look at the unit",
                    r.thickness, r.at
                ));
            }
        }
        if !self.readings.is_empty() && self.method.is_none() {
            wrong.push("how was the thickness measured? xrf, coulometric, section or micrometer".into());
        }
        if let Some((before, after)) = self.weights {
            if !before.is_positive() || !after.is_positive() {
                wrong.push("a weight must be above zero".into());
            } else if after <= before {
                wrong.push(format!(
                    "{} before and {} after is no gain: were the two exchanged? is the scale's zero right? did acid \
                     take metal off after the first weighing?",
                    before.exact(),
                    after.exact()
                ));
            }
        }
        if let Some(n) = self.weighed
            && !(1..=run.parts.max(1)).contains(&n)
        {
            wrong.push(format!("{n} parts were weighed, and {} hung", run.parts));
        }
        if let Some(area) = self.area
            && !(area.is_positive() && area <= run.area * 1.001)
        {
            wrong.push(format!("{area} of what was weighed, and the whole load had {}", run.area));
        }
        wrong
    }

    /// Share of Faraday's mass and mean thickness by weight.
    fn by_weight(&self, run: &Worked, questions: &mut Vec<String>) -> Option<(f64, Length)> {
        let (before, after) = self.weights?;
        let parts = f64::from(run.parts.max(1));
        let weighed = f64::from(self.weighed.unwrap_or(run.parts.max(1)));
        let area = self.area.unwrap_or(run.area * (weighed / parts));
        if self.area.is_none() {
            questions.push(
                "Rack and tips took their share of the charge, which is not told apart here: give the area of what \
                 was weighed, or the efficiency comes out low by that share."
                    .into(),
            );
        }
        let gain = after - before;
        let share = gain / run.metal.mass(run.charge * (area / run.area), Efficiency::WHOLE);
        Some((share, run.metal.thickness_of(gain, area)))
    }
}

/// What the scale showed, both in grams and with as many decimals as the finer of the two was read with, two at least:
/// `500.33 g before, 503.10 g after`. A gain is a small difference of large weights: rounded to four figures it is gone.
pub fn weights_text(before: Mass, after: Mass) -> String {
    let (before, after) = (before.get(), after.get());
    // A weight that is round at no such place was no metric one: then a milligram.
    let decimals = (LEAST_DECIMALS..=MOST_DECIMALS)
        .find(|d| [before, after].iter().all(|g| is_round(*g, *d)))
        .unwrap_or(DECIMALS_OF_OUNCES);
    format!("{before:.decimals$} g before, {after:.decimals$} g after")
}

/// Whether so many decimals give that number again, but for what a conversion of units leaves.
fn is_round(grams: f64, decimals: usize) -> bool {
    format!("{grams:.decimals$}").parse().is_ok_and(|shown: f64| (shown - grams).abs() <= 1e-12 * grams.abs())
}

fn wet(share: f64) -> String {
    format!(
        "that is {:.0} % of what the charge can deposit, and above {:.0} % nothing is believed: was a part weighed wet, or \
         with its wire? were fewer parts weighed than said? is the area of what was weighed too small? does the supply's \
         ammeter read low?",
        share * 100.0,
        MOST * 100.0
    )
}

fn too_thick(share: f64) -> String {
    format!(
        "the thickest is {share:.1} times the most that the charge can deposit on average, and above {MOST_AT_A_PLACE:.0} \
         not even an edge is believed: is the unit right? is the area too large? is the method set for another metal? \
         does the supply's ammeter read low?"
    )
}

/// A tank's own figure: the mean of the newest, outliers left out, and how they scatter.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct OwnFigure {
    /// The mean of those that were kept.
    pub mean: f64,
    /// Their standard deviation, a hundredth of the mean at least.
    pub spread: f64,
    /// How many that is.
    pub parts: usize,
    /// How many were left out as outlying.
    pub left_out: usize,
}

impl OwnFigure {
    /// Of figures newest first: the first [`PARTS_KEPT`] of them, those left out that lie more than three robust
    /// sigmas (1.4826 times the median deviation: Hampel's rule) from the median. `None` of nothing.
    pub fn of(figures: &[f64]) -> Option<OwnFigure> {
        let newest = &figures[..figures.len().min(PARTS_KEPT)];
        let middle = median(newest)?;
        let off: Vec<f64> = newest.iter().map(|f| (f - middle).abs()).collect();
        let sigma = (1.4826 * median(&off)?).max(SPREAD_LEAST * middle.abs());
        let kept: Vec<f64> =
            newest.iter().copied().filter(|f| (f - middle).abs() <= OUTLYING * sigma).collect();
        let n = kept.len() as f64;
        let mean = kept.iter().sum::<f64>() / n;
        let spread = (kept.iter().map(|f| (f - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0)).sqrt();
        Some(OwnFigure {
            mean,
            spread: spread.max(SPREAD_LEAST * mean.abs()),
            parts: kept.len(),
            left_out: newest.len() - kept.len(),
        })
    }

    /// Whether it goes before the bath file's.
    pub fn holds(&self) -> bool {
        self.parts >= PARTS_NEEDED
    }
}

fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    match n {
        0 => None,
        n if n % 2 == 1 => Some(sorted[n / 2]),
        n => Some((sorted[n / 2 - 1] + sorted[n / 2]) / 2.0),
    }
}

impl Truth {
    /// For people, a line each.
    pub fn text(&self, units: Units) -> String {
        let mut rows = Vec::new();
        if let (Some(share), Some(by)) = (self.efficiency, &self.efficiency_by) {
            rows.push(format!("efficiency   {share} by {by}"));
        }
        if let Some(mean) = self.mean {
            rows.push(format!("mean         {}", mean.show(units)));
        }
        if let Some(least) = self.least {
            let ratio =
                self.distribution.map_or(String::new(), |r| format!(", {:.0} % of the mean", r * 100.0));
            rows.push(format!("thinnest     {}{ratio}", least.show(units)));
        }
        rows.extend(self.questions.iter().map(|q| format!("- {q}")));
        rows.join("\n")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::deposit::metal;

    fn run() -> Worked {
        // 1 A for an hour on 1 dm2, two parts: 1.095 g of nickel at 100 % ("Surface Finishing Tutorial #166").
        Worked {
            metal: metal("Ni").unwrap(),
            charge: "1 A.h".parse().unwrap(),
            area: "1 dm2".parse().unwrap(),
            parts: 2,
        }
    }
    fn weighed(before: &str, after: &str) -> Measured {
        Measured { weights: Some((before.parse().unwrap(), after.parse().unwrap())), ..Measured::default() }
    }
    fn read(readings: &[(&str, f64)]) -> Measured {
        let readings = readings.iter();
        let readings = readings
            .map(|(at, um)| ThicknessAt { thickness: Length::new(um * 1e-6), at: (*at).into() })
            .collect();
        Measured { readings, method: Some(Method::Xrf), ..Measured::default() }
    }

    #[test]
    fn weight_over_faraday_is_the_efficiency() {
        let truth = weighed("24.000 g", "25.0457 g").truth(&run()).unwrap();
        // 1.0457 g of 1.0950 g.
        assert!((truth.efficiency.unwrap().get() - 0.955).abs() < 3e-4, "{truth:?}");
        assert!((truth.mean.unwrap().get() * 1e6 - 11.74).abs() < 0.01, "11.74 um: worked example");
        assert!(truth.efficiency_counts && truth.distribution.is_none());
        // One of the two, its own area given: the rack took the rest.
        let one = Measured {
            weighed: Some(1),
            area: Some("0.45 dm2".parse().unwrap()),
            ..weighed("12.000 g", "12.47057 g")
        };
        let truth = one.truth(&run()).unwrap();
        assert!((truth.efficiency.unwrap().get() - 0.955).abs() < 3e-4, "{truth:?}");
        assert!(truth.questions.is_empty());
    }

    #[test]
    fn weights_are_told_with_what_the_scale_showed_and_both_alike() {
        let told = |before: &str, after: &str| weights_text(before.parse().unwrap(), after.parse().unwrap());
        assert_eq!(told("500.33 g", "503.1 g"), "500.33 g before, 503.10 g after");
        assert_eq!(told("24 g", "25.0457 g"), "24.0000 g before, 25.0457 g after");
        assert_eq!(told("1.20345 kg", "1.20512 kg"), "1203.45 g before, 1205.12 g after");
        assert_eq!(told("850.15 mg", "870 mg"), "0.85015 g before, 0.87000 g after");
        assert_eq!(told("17.65 oz", "17.75 oz"), "500.369 g before, 503.204 g after");
    }

    #[test]
    fn thinnest_over_mean_is_the_distribution() {
        let truth = read(&[("edge", 16.0), ("face", 10.0), ("hollow", 7.0)]).truth(&run()).unwrap();
        assert!((truth.mean.unwrap().get() * 1e6 - 11.0).abs() < 1e-9);
        assert!((truth.distribution.unwrap() - 7.0 / 11.0).abs() < 1e-12);
        assert!(truth.efficiency_counts && truth.efficiency_by.as_deref() == Some("readings"));
        let one = read(&[("face", 10.0)]).truth(&run()).unwrap();
        assert!(!one.efficiency_counts && one.distribution.is_none(), "one place speaks for itself only");
    }

    #[test]
    fn honest_readings_of_edges_are_not_thrown_away_nor_taken_for_the_whole() {
        let truth = read(&[("edge", 24.0), ("corner", 26.0), ("face", 10.5)]).truth(&run()).unwrap();
        assert!((truth.mean.unwrap().get() * 1e6 - 60.5 / 3.0).abs() < 1e-9, "{truth:?}");
        assert_eq!((truth.efficiency, truth.efficiency_counts, truth.distribution), (None, false, None));
        assert!(truth.questions[0].contains("are kept"), "{truth:?}");
        // Beside a weight they are held against it alone.
        let both = Measured { weights: weighed("24 g", "25.0457 g").weights, ..read(&[("edge", 26.0)]) };
        assert!((both.truth(&run()).unwrap().efficiency.unwrap().get() - 0.955).abs() < 1e-3);
    }

    #[test]
    fn what_cannot_be_is_refused_with_what_may_be_wrong() {
        let why = |m: &Measured| m.truth(&run()).unwrap_err().join(" | ");
        assert!(why(&weighed("25 g", "24 g")).contains("exchanged"));
        assert!(why(&weighed("25 g", "25 g")).contains("no gain"));
        // 1.2 g of 1.095 g.
        assert!(why(&weighed("24 g", "25.2 g")).contains("weighed wet"));
        assert!(why(&read(&[("edge", 40.0), ("face", 9.0)])).contains("not even an edge"));
        assert!(why(&read(&[("edge", 8200.0)])).contains("look at the unit"));
        assert!(why(&Measured::default()).contains("nothing was measured"));
        assert!(why(&Measured { method: None, ..read(&[("face", 8.0)]) }).contains("xrf"));
        assert!(why(&Measured { weighed: Some(3), ..weighed("24 g", "25 g") }).contains("2 hung"));
        let idle = Worked { charge: Charge::ZERO, ..run() };
        assert!(weighed("24 g", "25 g").truth(&idle).is_err());
    }

    #[test]
    fn own_figure_is_the_mean_of_the_newest_without_the_one_that_lies_far_off() {
        let own = OwnFigure::of(&[0.95, 0.94, 0.96, 0.60]).unwrap();
        assert!((own.mean - 0.95).abs() < 1e-12 && (own.parts, own.left_out) == (3, 1), "{own:?}");
        assert!((own.spread - 0.01).abs() < 1e-9 && own.holds());
        assert!(!OwnFigure::of(&[0.95, 0.94]).unwrap().holds());
        assert_eq!(OwnFigure::of(&[]), None);
        let many: Vec<f64> = std::iter::repeat_n(0.9, 10).chain(std::iter::repeat_n(0.5, 10)).collect();
        assert!((OwnFigure::of(&many).unwrap().mean - 0.9).abs() < 1e-12, "old ones no longer speak");
    }
}

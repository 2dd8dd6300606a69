//! Commissioning: set against read, flags, trips and off, once, at low current,
//! on a load that the operator has named. It switches the output on: only the
//! verb that asks for consent calls it.

use super::session::missing;
use super::talk::{Item, Order};
use super::{Device, Trouble};
use crate::quantity::{Amps, Reading, Regulation, Volts};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::time::Duration;
use tokio::time::{Instant, sleep};

/// How near to a power of ten a ratio must be to be taken for one, as a logarithm: 12 %, for coarse meters.
const TENS: f64 = 0.05;

/// What hangs on the leads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TrialLoad {
    /// A resistor that carries the current for minutes.
    Resistor,
    /// The leads clamped together: no voltage to speak of, so voltage is not tried.
    Short,
}

/// What is tried.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trial {
    /// On what.
    pub load: TrialLoad,
    /// The most current.
    pub amps: Amps,
    /// The most voltage.
    pub volts: Volts,
}

/// Set against read, once.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// Current that was set.
    pub set_amps: f64,
    /// Current that was measured.
    pub amps: f64,
    /// Voltage that was measured.
    pub volts: f64,
}

/// What came of one part of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// As it should be.
    Right,
    /// Not as it should be.
    Wrong(String),
    /// Not tried, and why not.
    NotTried(String),
}

/// The whole result.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Commissioning {
    /// Who was tried.
    pub identity: String,
    /// What was tried.
    pub trial: Trial,
    /// Set against read.
    pub points: Vec<Point>,
    /// Whether what hung there behaved as the load that was named.
    #[serde(default = "not_looked_at")]
    pub load: Verdict,
    /// Whether every point was within the tolerance.
    pub current: Verdict,
    /// The flag for constant current.
    pub constant_current: Verdict,
    /// The flag for constant voltage.
    pub constant_voltage: Verdict,
    /// The supply's own over-voltage protection.
    pub over_voltage: Verdict,
    /// The supply's own over-current protection.
    pub over_current: Verdict,
    /// From the order until the current was gone, ms.
    pub off_milliseconds: u64,
    /// Whether that is short enough.
    pub off: Verdict,
}

/// Each set current may be read as this much off, plus a step. Common practice, no source.
const TOLERANCE: f64 = 0.03;
/// A bench supply has settled by then. Common practice, no source.
const SETTLES: Duration = Duration::from_millis(600);
/// A trip or off that takes longer is none. Common practice, no source.
const OFF_WITHIN: Duration = Duration::from_secs(2);
/// Volts over amperes of a resistor may differ so much between points, by its warmth and the meters. Common practice,
/// no source.
const SPREAD: f64 = 0.2;
/// Fewer steps than this on a meter say nothing of volts over amperes.
const COUNTS: f64 = 20.0;
/// Leads and clips that are clamped together have no more than this, V and ohms. Common practice, no source.
const SHORTED: (f64, f64) = (0.3, 0.1);
/// Parts of the full current at which set and read are compared.
const PARTS: [f64; 4] = [0.25, 0.5, 0.75, 1.0];

impl Commissioning {
    /// Whether nothing was wrong.
    pub fn passed(&self) -> bool {
        self.verdicts().iter().all(|(_, verdict)| !matches!(verdict, Verdict::Wrong(_)))
    }

    fn verdicts(&self) -> [(&'static str, &Verdict); 7] {
        [
            (
                match self.trial.load {
                    TrialLoad::Resistor => "the load is a resistor",
                    TrialLoad::Short => "the leads are shorted",
                },
                &self.load,
            ),
            ("current, set against read", &self.current),
            ("constant-current flag", &self.constant_current),
            ("constant-voltage flag", &self.constant_voltage),
            ("over-voltage protection", &self.over_voltage),
            ("over-current protection", &self.over_current),
            ("off", &self.off),
        ]
    }
}

/// Where every reading is the same power of ten away from what was set, that is a scale: what to mend, and where.
fn by_tens(points: &[Point]) -> String {
    let tens = |p: &Point| (p.set_amps / p.amps).abs().log10();
    let Some(first) = points.last().map(|p| tens(p).round()) else { return String::new() };
    let alike = |p: &Point| tens(p).is_finite() && (tens(p) - first).abs() < TENS;
    if first == 0.0 || !points.iter().all(alike) {
        return String::new();
    }
    let (times, way) = (10_f64.powf(first.abs()), if first > 0.0 { "less" } else { "more" });
    format!(
        ", {times} times {way} each time: a scale of the dialect is wrong by that, of set-amps or of amps; compare both \
         with the manual, and what flows with a meter of your own"
    )
}

impl fmt::Display for Commissioning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "\"{}\"", self.identity)?;
        for point in &self.points {
            let Point { set_amps, amps, volts } = point;
            writeln!(f, "  set {set_amps:.3} A, read {amps:.3} A at {volts:.3} V")?;
        }
        for (name, verdict) in self.verdicts() {
            match verdict {
                Verdict::Right => writeln!(f, "  {name}: right")?,
                Verdict::Wrong(why) => writeln!(f, "  {name}: WRONG: {why}")?,
                Verdict::NotTried(why) => writeln!(f, "  {name}: not tried: {why}")?,
            }
        }
        match self.off {
            Verdict::NotTried(_) => Ok(()),
            _ => writeln!(f, "  off took {} ms", self.off_milliseconds),
        }
    }
}

impl Device {
    /// Tries the supply, which must be connected. The output is off at the end, whatever happens.
    ///
    /// # Errors
    /// Any [`Trouble`]; off was then tried, and the output is to be taken for on if that failed as well.
    pub async fn commission(&mut self, trial: Trial) -> Result<Commissioning, Trouble> {
        let result = self.try_all(trial).await;
        // Off first; why it went wrong can wait.
        let off = self.off().await;
        let result = result?;
        off.map(|()| result)
    }

    async fn try_all(&mut self, trial: Trial) -> Result<Commissioning, Trouble> {
        let identity = self.identify().await?;
        let (points, constant_current) = self.points(trial).await?;
        let step = self.dialect().range.amps_step.get();
        let off_by = |p: &&Point| (p.amps - p.set_amps).abs() > p.set_amps * TOLERANCE + step;
        let current = match points.iter().find(off_by) {
            None => Verdict::Right,
            Some(p) => Verdict::Wrong(format!(
                "{:.3} A was set and {:.3} A is read{}",
                p.set_amps,
                p.amps,
                by_tens(&points)
            )),
        };
        let at_full = points.last().map_or(0.0, |p| p.volts);
        let range = self.dialect().range;
        let load = is_load(trial.load, &points, range.volts_step.get(), range.amps_step.get());
        if matches!(load, Verdict::Wrong(_)) {
            // Nothing more is tried on it: it may be a tank.
            let none = || Verdict::NotTried("what hangs there is not the load that was named".into());
            let (constant_voltage, over_voltage, over_current) = (none(), none(), none());
            let (off_milliseconds, off) = (0, none());
            return Ok(Commissioning {
                identity,
                trial,
                points,
                load,
                current,
                constant_current,
                constant_voltage,
                over_voltage,
                over_current,
                off_milliseconds,
                off,
            });
        }
        let constant_voltage = self.in_voltage(trial, at_full).await?;
        let over_voltage = self.trip(trial, Item::OverVoltageTripped, at_full).await?;
        let over_current = self.trip(trial, Item::OverCurrentTripped, at_full).await?;
        let (off, took) = self.switch_off(trial).await?;
        Ok(Commissioning {
            identity,
            trial,
            points,
            load,
            current,
            constant_current,
            constant_voltage,
            over_voltage,
            over_current,
            off_milliseconds: u64::try_from(took.as_millis()).unwrap_or(u64::MAX),
            off,
        })
    }

    /// Output on, at no current, with protections a little above what is tried.
    async fn begin(&mut self, trial: Trial) -> Result<(), Trouble> {
        self.prepare(trial.volts * 1.25, trial.amps * 1.5, trial.volts).await?;
        self.output_on().await
    }

    async fn settled(&mut self, amps: Amps, volts: Volts) -> Result<Reading, Trouble> {
        self.set(amps, volts).await?;
        sleep(SETTLES).await;
        // Regulation is not part of every reading; a few bring it in for certain.
        for _ in 0..4 {
            self.read().await?;
        }
        self.read().await
    }

    async fn points(&mut self, trial: Trial) -> Result<(Vec<Point>, Verdict), Trouble> {
        self.begin(trial).await?;
        let mut points = Vec::new();
        let mut flag = Verdict::NotTried("the dialect does not say which limit holds".into());
        for part in PARTS {
            let amps = trial.amps * part;
            let reading = self.settled(amps, trial.volts).await?;
            points.push(Point { set_amps: amps.get(), amps: reading.amps.get(), volts: reading.volts.get() });
            flag = judged(flag, reading.regulation, Regulation::ConstantCurrent);
        }
        self.off().await?;
        Ok((points, flag))
    }

    async fn in_voltage(&mut self, trial: Trial, at_full: f64) -> Result<Verdict, Trouble> {
        if trial.load == TrialLoad::Short || at_full < self.dialect().range.volts_step.get() * 20.0 {
            return Ok(Verdict::NotTried("there is too little voltage on this load".into()));
        }
        self.begin(trial).await?;
        let half = Volts::new(at_full / 2.0);
        let reading = self.settled(trial.amps, half).await?;
        self.off().await?;
        if (reading.volts.get() - half.get()).abs()
            > half.get() * TOLERANCE + self.dialect().range.volts_step.get()
        {
            return Ok(Verdict::Wrong(format!("{half} was set and {} is read", reading.volts)));
        }
        let unsaid = Verdict::NotTried("the dialect does not say which limit holds".into());
        Ok(judged(unsaid, reading.regulation, Regulation::ConstantVoltage))
    }

    /// Brings the protection's level below what flows and waits for the trip.
    async fn trip(&mut self, trial: Trial, tripped: Item, at_full: f64) -> Result<Verdict, Trouble> {
        let volts = tripped == Item::OverVoltageTripped;
        if let Some(key) = missing(self.dialect(), volts) {
            return Ok(Verdict::NotTried(format!("the dialect file has no {key}")));
        }
        if volts && (trial.load == TrialLoad::Short || at_full < self.dialect().range.volts_step.get() * 20.0)
        {
            return Ok(Verdict::NotTried("there is too little voltage on this load".into()));
        }
        self.begin(trial).await?;
        self.settled(trial.amps, trial.volts).await?;
        let order = if volts {
            Order::OverVoltageLevel(Volts::new(at_full / 2.0))
        } else {
            Order::OverCurrentLevel(trial.amps * 0.5)
        };
        match self.command(order).await {
            Ok(()) => {}
            // A supply may refuse a level below its own setpoint; then there is no way to try it.
            Err(Trouble::Refused { .. }) => {
                self.off().await?;
                return Ok(Verdict::NotTried("the supply takes no level below its setpoint".into()));
            }
            Err(trouble) => return Err(trouble),
        }
        let begun = Instant::now();
        let name = if volts { "over-voltage" } else { "over-current" };
        let mut verdict = Verdict::Wrong(format!(
            "no trip within {} s: look at the supply whether its {name} protection is switched on (some have a key or a \
             menu for it); if it is, compare its level there with {name} in the dialect, register or command and scale, \
             and the place where the trip is told. If it has no such protection, take {name} out of the dialect: it is \
             then safe only behind a fuse",
            OFF_WITHIN.as_secs()
        ));
        while begun.elapsed() < OFF_WITHIN {
            let reading = self.read().await?;
            let said = if volts { reading.faults.over_voltage } else { reading.faults.over_current };
            match (reading.output, said) {
                (Some(false), true) => {
                    verdict = Verdict::Right;
                    break;
                }
                (Some(false), false) => {
                    verdict = Verdict::Wrong("the output went off and the supply does not say why".into());
                }
                _ => {}
            }
        }
        self.off().await?;
        Ok(verdict)
    }

    async fn switch_off(&mut self, trial: Trial) -> Result<(Verdict, Duration), Trouble> {
        self.begin(trial).await?;
        self.settled(trial.amps, trial.volts).await?;
        let begun = Instant::now();
        self.off().await?;
        let step = self.dialect().range.amps_step.get();
        loop {
            let reading = self.read().await?;
            let took = begun.elapsed();
            if reading.amps.get().abs() <= trial.amps.get() * TOLERANCE + step {
                return Ok((Verdict::Right, took));
            }
            if took > OFF_WITHIN {
                return Ok((Verdict::Wrong(format!("{} still flows", reading.amps)), took));
            }
        }
    }
}

/// What is read back of a commissioning that was stored before the load was judged.
fn not_looked_at() -> Verdict {
    Verdict::NotTried("this was not looked at then".into())
}

/// Whether volts over amperes are those of the load that was named.
fn is_load(load: TrialLoad, points: &[Point], volts_step: f64, amps_step: f64) -> Verdict {
    let Some(full) = points.last() else { return Verdict::NotTried("nothing was read".into()) };
    if load == TrialLoad::Short {
        let (volts, ohms) = SHORTED;
        if full.volts <= volts + ohms * full.amps {
            return Verdict::Right;
        }
        return Verdict::Wrong(format!(
            "{:.2} V stand at {:.3} A, and leads that are clamped together have next to none; is something between them?",
            full.volts, full.amps
        ));
    }
    if points.iter().all(|p| p.amps < amps_step * COUNTS) {
        return Verdict::Wrong("next to no current flows: is the resistor connected?".into());
    }
    let ohms = |p: &Point| (p.amps, p.volts / p.amps);
    let told: Vec<_> = points
        .iter()
        .filter(|p| p.amps >= amps_step * COUNTS && p.volts >= volts_step * COUNTS)
        .map(ohms)
        .collect();
    let [(first_amps, first), .., (last_amps, last)] = told[..] else {
        return Verdict::NotTried("there is too little voltage on this load to tell".into());
    };
    let least = told.iter().map(|(_, ohms)| *ohms).fold(f64::INFINITY, f64::min);
    let most = told.iter().map(|(_, ohms)| *ohms).fold(0.0, f64::max);
    if most <= least * (1.0 + SPREAD) {
        return Verdict::Right;
    }
    Verdict::Wrong(format!(
        "volts over amperes go from {first:.2} ohm at {first_amps:.3} A to {last:.2} ohm at {last_amps:.3} A; a resistor \
         would show the same at each, within {:.0} %. A plating cell looks like this: take everything out of the \
         tank's circuit",
        SPREAD * 100.0
    ))
}

fn judged(before: Verdict, said: Option<Regulation>, wanted: Regulation) -> Verdict {
    match (before, said) {
        (wrong @ Verdict::Wrong(_), _) => wrong,
        (before, None) => before,
        (_, Some(found)) if found == wanted => Verdict::Right,
        (_, Some(found)) => Verdict::Wrong(format!("it says {found:?} where {wanted:?} is right")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scale_that_is_off_by_ten_is_named_and_a_poor_meter_is_not() {
        let points =
            |by: f64| [0.125, 0.25, 0.5].map(|set| Point { set_amps: set, amps: set * by, volts: 1.0 });
        let said = by_tens(&points(0.1));
        assert!(said.contains("10 times less") && said.contains("set-amps"), "{said}");
        assert!(by_tens(&points(104.0)).contains("100 times more"));
        for by in [1.0, 1.05, 0.5, 0.0] {
            assert_eq!(by_tens(&points(by)), "", "{by}");
        }
        let [one, two, _] = points(0.1);
        assert_eq!(by_tens(&[one, two, Point { set_amps: 0.5, amps: 0.5, volts: 1.0 }]), "", "not each time");
    }
}

//! Trying ports with the known dialects. It only asks: nothing is set, cleared or switched.

use super::record::{Log, Recorder};
use super::session::{self, Session};
use super::{Clock, Device, Dialect, Parity, Port, Spec, Trouble, open};
use crate::quantity::Regulation;
use std::fmt;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::Instant;

/// Polls that are timed.
const POLLS: u32 = 10;

/// What answered at one port.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// Where and how.
    pub spec: Spec,
    /// What it says it is.
    pub identity: String,
    /// Time of the identity question and its answer.
    pub round_trip: Duration,
    /// Readings a second, or why there are none.
    pub polls: Result<f64, String>,
    /// The first reading: volts, amperes, output on.
    pub reading: Option<crate::quantity::Reading>,
    /// Where the dialect looks for regulation, and what it takes it for.
    pub regulation: String,
    /// Every byte that passed, as a transcript.
    pub transcript: String,
}

impl Found {
    /// A block ready for the config. The limits are left for the owner to fill in.
    pub fn block(&self) -> String {
        let quoted = |text: &str| toml::Value::String(text.into()).to_string();
        let mut block = format!(
            "[station.supply]\ndialect = {}\nport = {}\n",
            quoted(&self.spec.dialect),
            quoted(&self.spec.port.to_string())
        );
        if !matches!(self.spec.port, Port::Tcp(_)) {
            block.push_str(&format!("baud = {}\n", self.spec.baud));
            match self.spec.parity {
                Parity::None => {}
                Parity::Even => block.push_str("parity = \"even\"\n"),
                Parity::Odd => block.push_str("parity = \"odd\"\n"),
            }
            if self.spec.two_stop_bits {
                block.push_str("stop-bits = 2\n");
            }
            if self.spec.wiring.echo {
                block.push_str("echo = true\n");
            }
        }
        if let Some(unit) = self.spec.wiring.unit {
            block.push_str(&format!("unit = {unit}\n"));
        }
        block.push_str(&format!("identity = {}\n", quoted(&self.identity)));
        block.push_str("max-current = \"… A\"    # the least of: supply, leads, tank\n");
        block.push_str("max-voltage = \"… V\"\n");
        block
    }

    /// The last reading in one line.
    pub fn said(&self) -> String {
        let Some(reading) = &self.reading else { return "none".into() };
        let output = match reading.output {
            Some(true) => "ON",
            Some(false) => "off",
            None => "not told",
        };
        format!("{}, {}, output {output}", reading.volts, reading.amps)
    }
}

/// What was tried and what came of it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ProbeReport {
    /// What answered.
    pub found: Vec<Found>,
    /// What did not, and why.
    pub silent: Vec<(Spec, Trouble)>,
}

impl fmt::Display for ProbeReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (spec, trouble) in &self.silent {
            writeln!(f, "{} {} baud, {}: {trouble}", spec.port, spec.baud, spec.dialect)?;
        }
        for found in &self.found {
            writeln!(f, "{}: \"{}\" answers to {}", found.spec.port, found.identity, found.spec.dialect)?;
            writeln!(f, "  round trip {:.1} ms", found.round_trip.as_secs_f64() * 1e3)?;
            match &found.polls {
                Ok(rate) => {
                    let poll = 1000.0 / rate;
                    writeln!(f, "  at most {rate:.1} readings a second: `poll` not below {poll:.0} ms")?;
                }
                Err(why) => writeln!(f, "  no readings: {why}")?,
            }
            writeln!(f, "  now {}", found.said())?;
            writeln!(f, "  regulation: {}", found.regulation)?;
            writeln!(f, "\n{}", found.block())?;
        }
        if self.found.is_empty() {
            writeln!(f, "nothing answered")?;
        }
        Ok(())
    }
}

/// Tries each candidate with each dialect (the candidate's own `dialect` and
/// `identity` do not count); the first dialect that answers ends it for that port.
pub async fn probe(candidates: &[Spec], dialects: &[Arc<Dialect>]) -> ProbeReport {
    let mut report = ProbeReport::default();
    for candidate in candidates {
        if report.found.iter().any(|found| found.spec.port == candidate.port) {
            continue;
        }
        for dialect in dialects {
            let spec = Spec { dialect: dialect.name.clone(), identity: None, ..candidate.clone() };
            match try_one(&spec, dialect).await {
                Ok(found) => {
                    report.found.push(found);
                    break;
                }
                Err(trouble) => {
                    let hopeless = trouble.is_gone();
                    report.silent.push((spec, trouble));
                    if hopeless {
                        break;
                    }
                }
            }
        }
    }
    report
}

async fn try_one(spec: &Spec, dialect: &Arc<Dialect>) -> Result<Found, Trouble> {
    let mut device = Device::new(spec.clone(), dialect.clone(), Clock::new());
    let log = Log::default();
    let io = Recorder::new(open::open(spec, dialect).await?, log.clone());
    device.attach(Session::over(Box::new(io), spec, dialect));
    let mut found = survey(&mut device).await?;
    found.transcript = log.text(&found);
    Ok(found)
}

/// Everything that is asked of whoever answers.
pub(super) async fn survey(device: &mut Device) -> Result<Found, Trouble> {
    device.identify().await?;
    let begun = Instant::now();
    let identity = device.identify().await?;
    let round_trip = begun.elapsed();
    let (mut reading, mut polls) = (None, Ok(0.0));
    let begun = Instant::now();
    for _ in 0..POLLS {
        match device.read().await {
            Ok(taken) => reading = Some(taken),
            Err(trouble) => {
                polls = Err(trouble.to_string());
                break;
            }
        }
    }
    let polls = polls.map(|_: f64| f64::from(POLLS) / begun.elapsed().as_secs_f64().max(1e-9));
    let now = match reading.as_ref().and_then(|r: &crate::quantity::Reading| r.regulation) {
        None => "",
        Some(Regulation::ConstantCurrent) => "; now it holds the current",
        Some(Regulation::ConstantVoltage) => "; now it holds the voltage",
        Some(Regulation::Neither) => "; now it holds neither",
    };
    let regulation = format!("{}{now}", session::regulation_in_words(device.dialect()));
    let spec = device.spec().clone();
    Ok(Found { spec, identity, round_trip, polls, reading, regulation, transcript: String::new() })
}

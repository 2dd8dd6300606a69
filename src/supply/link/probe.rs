//! Trying ports with the known dialects. It only asks: nothing is set, cleared or switched.

use super::session::Session;
use super::{Clock, Device, Dialect, Port, Spec, Trouble};
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
        }
        block.push_str(&format!("identity = {}\n", quoted(&self.identity)));
        block.push_str("max-current = \"… A\"    # the least of: supply, leads, tank\n");
        block.push_str("max-voltage = \"… V\"\n");
        block
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
                Ok(rate) => writeln!(f, "  {rate:.1} readings a second")?,
                Err(why) => writeln!(f, "  no readings: {why}")?,
            }
            if let Some(reading) = &found.reading {
                let output = match reading.output {
                    Some(true) => "ON",
                    Some(false) => "off",
                    None => "not told",
                };
                writeln!(f, "  now {}, {}, output {output}", reading.volts, reading.amps)?;
            }
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
    device.attach(Session::open(spec, dialect).await?);
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
    Ok(Found { spec: spec.clone(), identity, round_trip, polls, reading })
}

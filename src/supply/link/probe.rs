//! Trying ports with the known dialects. It only asks: nothing is set, cleared or switched.

use super::line::Wire;
use super::record::{Log, Recorder};
use super::session::{self, Session};
use super::talk::Item;
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
    /// What was found of the order of words, right or wrong; `None` where there is nothing to prove.
    pub words: Option<Result<String, String>>,
    /// Levels of its own protections, in words.
    pub protections: [String; 2],
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

    /// Both setpoints in one line, as the last reading has them.
    fn set(&self) -> String {
        let told = |value: Option<String>| value.unwrap_or_else(|| "not told".into());
        let reading = self.reading.as_ref();
        let volts = reading.and_then(|r| r.set_volts).map(|v| v.to_string());
        let amps = reading.and_then(|r| r.set_amps).map(|a| a.to_string());
        format!("{}, {}", told(volts), told(amps))
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
        let alike = |(a, one): &(Spec, Trouble), (b, other): &(Spec, Trouble)| {
            let unheard = |t: &Trouble| matches!(t, Trouble::NoReply { .. });
            unheard(one) && unheard(other) && place(a) == place(b)
        };
        for tried in self.silent.chunk_by(alike) {
            match tried {
                [(spec, trouble)] => writeln!(f, "{}, {}: {trouble}", place(spec), spec.dialect)?,
                [(spec, _), ..] => {
                    let dialects: Vec<_> = tried.iter().map(|(spec, _)| spec.dialect.as_str()).collect();
                    writeln!(f, "{}: no reply to {}", place(spec), dialects.join(", "))?;
                }
                [] => {}
            }
        }
        for found in &self.found {
            writeln!(f, "{}: \"{}\" answers to {}", place(&found.spec), found.identity, found.spec.dialect)?;
            writeln!(f, "  round trip {:.1} ms", found.round_trip.as_secs_f64() * 1e3)?;
            match &found.polls {
                Ok(rate) => {
                    let poll = 1000.0 / rate;
                    writeln!(f, "  at most {rate:.1} readings a second: `poll` not below {poll:.0} ms")?;
                }
                Err(why) => writeln!(f, "  no readings: {why}")?,
            }
            writeln!(f, "  now {}", found.said())?;
            writeln!(f, "  set to {}", found.set())?;
            let [over_voltage, over_current] = &found.protections;
            writeln!(f, "  over-voltage protection: {over_voltage}")?;
            writeln!(f, "  over-current protection: {over_current}")?;
            writeln!(f, "  regulation: {}", found.regulation)?;
            match &found.words {
                None => {}
                Some(Ok(right)) => writeln!(f, "  order of words: {right}")?,
                Some(Err(wrong)) => writeln!(f, "  order of words: WRONG: {wrong}")?,
            }
            if matches!(found.words, Some(Err(_))) {
                writeln!(f, "\nno block for the config: correct the dialect's order of words first\n")?;
            } else {
                writeln!(f, "\n{}", found.block())?;
            }
        }
        if self.found.is_empty() {
            writeln!(f, "{}", if self.answered() { "nothing was identified" } else { "nothing answered" })?;
        }
        Ok(())
    }
}

impl ProbeReport {
    /// Whether somebody answered in a framing that was tried, identified or not.
    pub fn answered(&self) -> bool {
        !self.found.is_empty() || self.silent.iter().any(|(_, trouble)| speaks(trouble))
    }

    /// The trouble of one who answered, in the right framing, and could not be identified.
    pub fn refusal(&self) -> Option<&(Spec, Trouble)> {
        self.silent.iter().find(|(_, trouble)| speaks(trouble))
    }
}

/// Whether the trouble is an answer: the speed and the framing are then right.
fn speaks(trouble: &Trouble) -> bool {
    matches!(trouble, Trouble::Refused { .. } | Trouble::DeviceBusy { .. } | Trouble::LocalMode { .. })
}

/// The port, with its speed where it has one.
fn place(spec: &Spec) -> String {
    match spec.port {
        Port::Tcp(_) => spec.name(),
        Port::Serial(_) | Port::Bridge(_) => format!("{} at {} baud", spec.name(), spec.baud),
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
            let io = match open::open(&spec, dialect).await {
                Ok(io) => io,
                Err(trouble) => {
                    report.silent.push((spec, trouble));
                    break;
                }
            };
            // One that hangs up has only been asked in the wrong words: the next opens anew.
            match try_one(&spec, dialect, io).await {
                Ok(found) => {
                    report.found.push(found);
                    break;
                }
                Err(trouble) => report.silent.push((spec, trouble)),
            }
        }
    }
    report
}

async fn try_one(spec: &Spec, dialect: &Arc<Dialect>, io: Box<dyn Wire>) -> Result<Found, Trouble> {
    let mut device = Device::new(spec.clone(), dialect.clone(), Clock::new());
    let log = Log::default();
    let io = Recorder::new(io, log.clone());
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
    let words = match (device.prove().await, session::order_in_words(device.dialect())) {
        (Err(trouble), _) => Some(Err(trouble.to_string())),
        (Ok(()), said) => said.map(Ok),
    };
    let protections = [
        protection(device, Item::OverVoltageLevel, Item::OverVoltageArmed, "V").await,
        protection(device, Item::OverCurrentLevel, Item::OverCurrentArmed, "A").await,
    ];
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
    Ok(Found {
        spec,
        identity,
        round_trip,
        polls,
        reading,
        regulation,
        words,
        protections,
        transcript: String::new(),
    })
}

/// Level of one protection, and whether it is armed, by questions alone.
async fn protection(device: &mut Device, level: Item, armed: Item, unit: &str) -> String {
    let level = match device.ask(level).await {
        Ok(Some(level)) => level.number().unwrap_or(f64::NAN),
        Ok(None) => return "the dialect has none".into(),
        Err(trouble) => return format!("not told: {trouble}"),
    };
    let armed = match device.ask(armed).await {
        Ok(None) => "",
        Ok(Some(armed)) if armed.flag() == Some(true) => ", armed",
        Ok(Some(_)) => ", NOT armed",
        Err(_) => ", whether armed is not told",
    };
    format!("at {} {unit}{armed}", (level * 1e6).round() / 1e6)
}

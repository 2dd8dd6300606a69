//! The fault script: what goes wrong, when, for how long.
//!
//! One fault a line; `#` begins a comment:
//!
//! ```text
//! at 12 s open-circuit for 5 s            # 12 s after the output first goes on
//! at 3 s after start link-drops for 2 s   # 3 s after the mimic starts
//! at 1 min part-off 30 %
//! ```

use crate::quantity::{Amps, Mono, Ratio, Span, Volts};
use std::fmt;
use std::str::FromStr;
use std::time::Duration;

/// Longest script that is read, in lines.
const MOST_LINES: usize = 1000;

/// One thing that goes wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fault {
    /// No path for current.
    OpenCircuit,
    /// A contact that comes and goes.
    BadContact,
    /// The work touches the anode.
    Short,
    /// So much of the work falls off.
    PartOff(Ratio),
    /// Something touches: so much more area takes current.
    Touch(Ratio),
    /// A contact heats up: in the end so much more than the cell's own ohms.
    HotContact(Ratio),
    /// An anode bag clogs: in the end so much more than the cell's own ohms.
    BagClogs(Ratio),
    /// Metal runs low, with this time constant.
    MetalLow(Span),
    /// Nothing moves the solution.
    AgitationStops,
    /// The heater dies; the solution cools with this time constant.
    HeaterFails(Span),
    /// The anode goes passive.
    AnodePassivates,
    /// Half of the anode loses its lead.
    AnodeLeadOff,
    /// The supply hears and says nothing.
    LinkDrops,
    /// Each answer comes so much later.
    LateReply(Span),
    /// Bytes of the answers are changed.
    Garbled,
    /// Answers stop half way, without an end of line.
    Truncated,
    /// An answer never ends.
    Endless,
    /// A word where a number should be.
    WrongType,
    /// The supply's own temperature protection trips.
    SupplyTrips,
    /// Someone turns the current knob.
    FrontPanelCurrent(Amps),
    /// Someone turns the voltage knob.
    FrontPanelVoltage(Volts),
    /// Someone presses the output key.
    FrontPanelOutputOff,
    /// The port vanishes.
    Unplug,
    /// The supply loses its mains (2 s unless `for` says more) and comes back as at power-up.
    PowerCycle,
}

impl Fault {
    /// Every name, with what must follow it.
    pub const NAMES: &'static [(&'static str, &'static str)] = &[
        ("open-circuit", ""),
        ("bad-contact", ""),
        ("short", ""),
        ("part-off", "a share such as 30 %"),
        ("touch", "a share of more area such as 40 %"),
        ("hot-contact", "a share of more ohms such as 20 %"),
        ("bag-clogs", "a share of more ohms such as 20 %"),
        ("metal-low", "optionally a time constant such as 30 min"),
        ("agitation-stops", ""),
        ("heater-fails", "optionally a time constant such as 40 min"),
        ("anode-passivates", ""),
        ("anode-lead-off", ""),
        ("link-drops", ""),
        ("late-reply", "optionally a delay such as 3 s"),
        ("garbled", ""),
        ("truncated", ""),
        ("endless", ""),
        ("wrong-type", ""),
        ("supply-trips", ""),
        ("front-panel-current", "a current such as 1 A"),
        ("front-panel-voltage", "a voltage such as 2 V"),
        ("front-panel-output-off", ""),
        ("unplug", ""),
        ("power-cycle", ""),
    ];

    /// Whether it happens once and leaves its effect, so that `for` means nothing.
    pub fn is_instant(self) -> bool {
        matches!(
            self,
            Fault::SupplyTrips
                | Fault::FrontPanelCurrent(_)
                | Fault::FrontPanelVoltage(_)
                | Fault::FrontPanelOutputOff
        )
    }

    /// As in a script.
    pub fn name(self) -> &'static str {
        match self {
            Fault::OpenCircuit => "open-circuit",
            Fault::BadContact => "bad-contact",
            Fault::Short => "short",
            Fault::PartOff(_) => "part-off",
            Fault::Touch(_) => "touch",
            Fault::HotContact(_) => "hot-contact",
            Fault::BagClogs(_) => "bag-clogs",
            Fault::MetalLow(_) => "metal-low",
            Fault::AgitationStops => "agitation-stops",
            Fault::HeaterFails(_) => "heater-fails",
            Fault::AnodePassivates => "anode-passivates",
            Fault::AnodeLeadOff => "anode-lead-off",
            Fault::LinkDrops => "link-drops",
            Fault::LateReply(_) => "late-reply",
            Fault::Garbled => "garbled",
            Fault::Truncated => "truncated",
            Fault::Endless => "endless",
            Fault::WrongType => "wrong-type",
            Fault::SupplyTrips => "supply-trips",
            Fault::FrontPanelCurrent(_) => "front-panel-current",
            Fault::FrontPanelVoltage(_) => "front-panel-voltage",
            Fault::FrontPanelOutputOff => "front-panel-output-off",
            Fault::Unplug => "unplug",
            Fault::PowerCycle => "power-cycle",
        }
    }
}

/// From when a fault's time counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// The first time that the output goes on.
    FirstOutputOn,
    /// The mimic's start.
    Start,
}

/// One line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Entry {
    /// Counted from.
    pub from: Origin,
    /// When.
    pub after: Duration,
    /// What.
    pub fault: Fault,
    /// For how long; `None`: from then on.
    pub lasts: Option<Duration>,
}

/// A whole script.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Script {
    /// Its lines, in file order.
    pub entries: Vec<Entry>,
}

/// One line that cannot be read: where, what, how to mend it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ScriptError {
    /// Line, counted from 1.
    pub line: usize,
    /// What is wrong and what would be right.
    pub problem: String,
}

impl fmt::Display for ScriptError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}", self.line, self.problem)
    }
}
impl std::error::Error for ScriptError {}

impl Script {
    /// Reads a script; every bad line is reported.
    ///
    /// # Errors
    /// All problems, in line order.
    pub fn parse(text: &str) -> Result<Script, Vec<ScriptError>> {
        let mut entries = Vec::new();
        let mut errors = Vec::new();
        for (i, raw) in text.lines().enumerate() {
            let line = raw.split('#').next().unwrap_or_default().trim();
            if i >= MOST_LINES {
                let problem = format!("a script has at most {MOST_LINES} lines");
                errors.push(ScriptError { line: i + 1, problem });
                break;
            }
            if line.is_empty() {
                continue;
            }
            match parse_line(line) {
                Ok(entry) => entries.push(entry),
                Err(problem) => errors.push(ScriptError { line: i + 1, problem }),
            }
        }
        if errors.is_empty() { Ok(Script { entries }) } else { Err(errors) }
    }
}

/// `open-circuit for 5 s`: a fault without its time, as given by hand.
///
/// # Errors
/// What is wrong and what would be right.
pub fn parse_fault(text: &str) -> Result<(Fault, Option<Duration>), String> {
    let words: Vec<&str> = text.split_whitespace().collect();
    fault_and_span(&words)
}

fn parse_line(line: &str) -> Result<Entry, String> {
    const SHAPE: &str = "write: at 12 s [after start] FAULT [VALUE] [for 5 s]";
    let words: Vec<&str> = line.split_whitespace().collect();
    if words.first() != Some(&"at") {
        return Err(format!(
            "begins with {:?}, not with a time; {SHAPE}",
            clip(words.first().unwrap_or(&""))
        ));
    }
    // A span is one word ("12s") or two ("12 s").
    let (after, used) = leading::<Span>(&words[1..]).map_err(|why| format!("{why}; {SHAPE}"))?;
    not_negative(after)?;
    let mut rest = &words[1 + used..];
    let mut from = Origin::FirstOutputOn;
    if let ["after", which, tail @ ..] = rest {
        from = match *which {
            "start" => Origin::Start,
            "output-on" => Origin::FirstOutputOn,
            other => return Err(format!("after {:?}? write: after start, or: after output-on", clip(other))),
        };
        rest = tail;
    }
    let (fault, lasts) = fault_and_span(rest)?;
    Ok(Entry { from, after: after.duration(), fault, lasts })
}

fn fault_and_span(words: &[&str]) -> Result<(Fault, Option<Duration>), String> {
    let [name, rest @ ..] = words else {
        return Err(format!("no fault named; write one of {}", names()));
    };
    let split = rest.iter().position(|w| *w == "for").unwrap_or(rest.len());
    let (value, tail) = rest.split_at(split);
    let value = value.join(" ");
    let fault = parse_named(name, &value)?;
    let lasts = match tail {
        [] => None,
        [_, span @ ..] => {
            let (span, used) = leading::<Span>(span).map_err(|why| format!("after \"for\": {why}"))?;
            not_negative(span)?;
            if tail.len() > 1 + used {
                return Err(format!(
                    "{:?} after the duration; end the line there",
                    clip(&tail[1 + used..].join(" "))
                ));
            }
            Some(span.duration())
        }
    };
    if lasts.is_some() && fault.is_instant() {
        return Err(format!("{name} happens once; leave \"for …\" out"));
    }
    Ok((fault, lasts))
}

fn parse_named(name: &str, value: &str) -> Result<Fault, String> {
    let needs = |q: &str| format!("{name} needs {q}");
    let plain = |fault: Fault| {
        if value.is_empty() {
            Ok(fault)
        } else {
            Err(format!("{name} takes no value; leave {:?} out", clip(value)))
        }
    };
    fn quantity<Q: FromStr>(name: &str, value: &str) -> Result<Q, String>
    where
        Q::Err: fmt::Display,
    {
        value.parse().map_err(|why: Q::Err| format!("{name}: {why}"))
    }
    let span = |usual: f64| -> Result<Span, String> {
        if value.is_empty() {
            return Ok(Span::new(usual));
        }
        let span: Span = quantity(name, value)?;
        if span.is_positive() {
            Ok(span)
        } else {
            Err(format!("{name}: {value} is not more than nothing; write a time such as 3 s"))
        }
    };
    let share = |usual: &str| -> Result<Ratio, String> {
        let share: Ratio = quantity(name, if value.is_empty() { usual } else { value })?;
        if share.get() > 0.0 && share.get() <= 2.0 {
            Ok(share)
        } else {
            Err(format!("{name}: {value} is not between 0 % and 200 %; write a share such as {usual}"))
        }
    };
    match name {
        "open-circuit" => plain(Fault::OpenCircuit),
        "bad-contact" => plain(Fault::BadContact),
        "short" => plain(Fault::Short),
        "part-off" if value.is_empty() => Err(needs("a share such as 30 %")),
        "part-off" => {
            let share: Ratio = quantity(name, value)?;
            if share.get() > 0.0 && share.get() < 1.0 {
                Ok(Fault::PartOff(share))
            } else {
                Err(format!(
                    "part-off: {value} is not between 0 % and 100 %; use open-circuit when all of it falls"
                ))
            }
        }
        "touch" => share("40 %").map(Fault::Touch),
        "hot-contact" => share("20 %").map(Fault::HotContact),
        "bag-clogs" => share("20 %").map(Fault::BagClogs),
        "metal-low" => Ok(Fault::MetalLow(span(1800.0)?)),
        "agitation-stops" => plain(Fault::AgitationStops),
        "heater-fails" => Ok(Fault::HeaterFails(span(2400.0)?)),
        "anode-passivates" => plain(Fault::AnodePassivates),
        "anode-lead-off" => plain(Fault::AnodeLeadOff),
        "link-drops" => plain(Fault::LinkDrops),
        "late-reply" => Ok(Fault::LateReply(span(3.0)?)),
        "garbled" => plain(Fault::Garbled),
        "truncated" => plain(Fault::Truncated),
        "endless" => plain(Fault::Endless),
        "wrong-type" => plain(Fault::WrongType),
        "supply-trips" => plain(Fault::SupplyTrips),
        "front-panel-current" if value.is_empty() => Err(needs("a current such as 1 A")),
        "front-panel-current" => Ok(Fault::FrontPanelCurrent(quantity(name, value)?)),
        "front-panel-voltage" if value.is_empty() => Err(needs("a voltage such as 2 V")),
        "front-panel-voltage" => Ok(Fault::FrontPanelVoltage(quantity(name, value)?)),
        "front-panel-output-off" => plain(Fault::FrontPanelOutputOff),
        "unplug" => plain(Fault::Unplug),
        "power-cycle" => plain(Fault::PowerCycle),
        other => Err(format!("no fault is called {:?}; write one of {}", clip(other), names())),
    }
}

fn leading<Q: FromStr>(words: &[&str]) -> Result<(Q, usize), String>
where
    Q::Err: fmt::Display,
{
    let one = words.first().ok_or("a time is missing")?;
    if let Some(two) = words.get(1)
        && let Ok(q) = format!("{one} {two}").parse()
    {
        return Ok((q, 2));
    }
    one.parse().map(|q| (q, 1)).map_err(|why: Q::Err| why.to_string())
}

fn not_negative(span: Span) -> Result<(), String> {
    if span.get() < 0.0 { Err(format!("{span} lies in the past; write a time from 0 s on")) } else { Ok(()) }
}

fn names() -> String {
    Fault::NAMES.iter().map(|(n, _)| *n).collect::<Vec<_>>().join(", ")
}

/// Keeps a message to one line of sane length.
fn clip(text: &str) -> String {
    text.chars().take(40).collect()
}

/// When an entry begins, once its origin is known.
pub(super) fn begins(entry: &Entry, start: Mono, first_on: Option<Mono>) -> Option<Mono> {
    match entry.from {
        Origin::Start => Some(start + entry.after),
        Origin::FirstOutputOn => first_on.map(|t| t + entry.after),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_has_a_name_that_parses_back() {
        for (name, _) in Fault::NAMES {
            let value = match *name {
                "part-off" => " 30 %",
                "front-panel-current" => " 1 A",
                "front-panel-voltage" => " 2 V",
                _ => "",
            };
            let (fault, _) = parse_fault(&format!("{name}{value}")).unwrap();
            assert_eq!(fault.name(), *name);
        }
    }

    #[test]
    fn a_script_reads_times_origins_values_and_durations() {
        let script = Script::parse(
            "# comment\n\nat 12 s open-circuit for 5 s\nat 3s after start late-reply 2.5 s for 1 min # x\nat 1 min part-off 30%",
        )
        .unwrap();
        assert_eq!(script.entries.len(), 3);
        assert_eq!(script.entries[0].lasts, Some(Duration::from_secs(5)));
        assert_eq!(script.entries[1].from, Origin::Start);
        assert_eq!(script.entries[1].fault, Fault::LateReply(Span::new(2.5)));
        assert_eq!(script.entries[2].fault, Fault::PartOff(Ratio::new(0.3)));
    }

    #[test]
    fn every_bad_line_is_reported_with_its_number_and_a_remedy() {
        let errors = Script::parse(
            "open-circuit\nat 5 open-circuit\nat 5 s meltdown\nat 5 s part-off\nat 5 s part-off 120 %\nat 5 s supply-trips for 3 s\nat 1 s short for 2 s now",
        )
        .unwrap_err();
        let text: Vec<String> = errors.iter().map(ToString::to_string).collect();
        assert_eq!(errors.iter().map(|e| e.line).collect::<Vec<_>>(), [1, 2, 3, 4, 5, 6, 7]);
        assert!(text[0].contains("write: at 12 s"), "{}", text[0]);
        assert!(text[1].contains("has no unit"), "{}", text[1]);
        assert!(text[2].contains("write one of open-circuit"), "{}", text[2]);
        assert!(text[3].contains("30 %"), "{}", text[3]);
        assert!(text[4].contains("between 0 % and 100 %"), "{}", text[4]);
        assert!(text[5].contains("leave \"for"), "{}", text[5]);
        assert!(text[6].contains("end the line there"), "{}", text[6]);
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text in "\\PC{0,200}") {
            let _ = Script::parse(&text);
            let _ = Script::parse(&format!("at 1 s {text}"));
        }
    }
}

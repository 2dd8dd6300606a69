//! Dialects: what a kind of supply is told and how its answers are read, as data.
//!
//! Framing is code, devices are data: the table in the file (`[scpi]`,
//! `[modbus]`, `[line]`) names the framing, everything else is a value in it. Pure: text in, dialect or
//! every problem out.

mod doubts;
#[cfg(test)]
mod kinds_tests;
mod line;
mod map;
mod modbus;
mod number;
mod pattern;
mod proof;
mod scpi;
mod shared;

pub use line::{Commands, Plain, Query, Words};
pub use modbus::{
    Block, Known, Modbus, RegisterSwitch, RegulationRegister, Scaled, Space, TripBits, Watchdog,
};
pub use number::{Form, WordOrder};
pub use pattern::{Pattern, Slot};
pub use scpi::{Protection, RegulationBits, Scpi, Select};

use crate::quantity::{Amps, Document, Problem, Volts};
use std::time::Duration;

/// How far a dialect has been tried.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Maturity {
    /// Nobody has reported it.
    Untried,
    /// Every command runs against the mimic.
    Simulated,
    /// A person ran it on a real supply.
    Proven,
}

impl Maturity {
    /// As in the file.
    pub fn name(self) -> &'static str {
        match self {
            Maturity::Untried => "untried",
            Maturity::Simulated => "simulated",
            Maturity::Proven => "proven",
        }
    }
}

/// Whether setpoints survive a power cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Persistence {
    /// They do not.
    Volatile,
    /// They do: each write wears a memory cell.
    Persistent,
    /// Not known.
    Unknown,
}

/// What the output does when the mains comes back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PowerUp {
    /// It stays off.
    Off,
    /// It comes on by itself.
    On,
    /// Not known.
    Unknown,
}

/// The framing, with what belongs to it.
#[derive(Clone, Debug, PartialEq)]
pub enum Kind {
    /// Text lines after SCPI-1999 and IEEE 488.2.
    Scpi(Box<Scpi>),
    /// Registers after the Modbus application protocol.
    Modbus(Box<Modbus>),
    /// Plain request and reply lines.
    Line(Box<Plain>),
}

/// Times of a link, whatever its framing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Timing {
    /// To the first byte of a reply, from the end of the question.
    pub reply_timeout: Duration,
    /// A begun reply is given up after this silence.
    pub gap_timeout: Duration,
    /// Rest between exchanges.
    pub min_gap: Duration,
}

/// What numbers may look like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    /// Step of voltage setpoints.
    pub volts_step: Volts,
    /// Step of current setpoints.
    pub amps_step: Amps,
    /// No voltage beyond this is believed.
    pub volts_most: Volts,
    /// No current beyond this is believed.
    pub amps_most: Amps,
}

/// One dialect, checked.
#[derive(Clone, Debug, PartialEq)]
pub struct Dialect {
    /// The file's name without `.toml`.
    pub name: String,
    /// One line for people.
    pub about: String,
    /// How far it has been tried.
    pub maturity: Maturity,
    /// Times.
    pub timing: Timing,
    /// Steps and largest values.
    pub range: Range,
    /// Whether setpoints survive a power cut.
    pub setpoints: Persistence,
    /// What the output does when the mains comes back.
    pub power_up: PowerUp,
    /// State of DTR while the port is open; `None` leaves it as it is.
    pub dtr: Option<bool>,
    /// State of RTS while the port is open; `None` leaves it as it is.
    pub rts: Option<bool>,
    /// The framing and its commands.
    pub kind: Kind,
    /// The text it was read from, so that another process can be given the same.
    pub source: String,
}

impl Dialect {
    /// After so long without a question the supply switches off by itself, once its communication watchdog is armed;
    /// `None` where it has none.
    pub fn watchdog(&self) -> Option<Duration> {
        match &self.kind {
            Kind::Scpi(scpi) => scpi.watchdog_time,
            Kind::Modbus(modbus) => modbus.watchdog.and_then(|w| Duration::try_from_secs_f64(w.seconds).ok()),
            Kind::Line(plain) => plain.commands.watchdog_time,
        }
    }
}

impl Timing {
    /// How long one exchange keeps the line at worst: an answer that begins late and breaks off, and the rest after it.
    pub fn worst(&self) -> Duration {
        self.reply_timeout + self.gap_timeout + self.min_gap
    }
}

/// Reads a dialect file. Its name is that of `file` without folder and `.toml`.
///
/// # Errors
/// Every problem, in file order.
pub fn parse(text: &str, file: &str) -> Result<Dialect, Vec<Problem>> {
    let doc = Document::parse(text, file)?;
    let made = read(&doc, text, file);
    doc.finish(made)
}

fn read(doc: &Document<'_>, text: &str, file: &str) -> Option<Dialect> {
    let root = doc.root();
    let about = root.need("about").text();
    let maturity = root.need("maturity").choice(&[
        ("untried", Maturity::Untried),
        ("simulated", Maturity::Simulated),
        ("proven", Maturity::Proven),
    ]);
    let (kind, table) = root.one_of(&["scpi", "modbus", "line"])?;
    let common = shared::read(&table);
    let kind = match kind {
        "scpi" => scpi::read(&table).map(|(range, scpi)| (range, Kind::Scpi(Box::new(scpi)))),
        "line" => line::read(&table).map(|(range, plain)| (range, Kind::Line(Box::new(plain)))),
        _ => modbus::read(&table).map(|(range, modbus)| (range, Kind::Modbus(Box::new(modbus)))),
    };
    let (common, (range, kind)) = (common?, kind?);
    let name = file.rsplit('/').next().unwrap_or(file);
    Some(Dialect {
        name: name.strip_suffix(".toml").unwrap_or(name).into(),
        about: about?,
        maturity: maturity?,
        timing: common.timing,
        range,
        setpoints: common.setpoints,
        power_up: common.power_up,
        dtr: common.dtr,
        rts: common.rts,
        kind,
        source: text.into(),
    })
}

/// The dialects that ship inside the binary: name and text.
pub const SHIPPED: &[(&str, &str)] = &[
    ("scpi", include_str!("../../../config/dialects/scpi.toml")),
    ("scpi-channel", include_str!("../../../config/dialects/scpi-channel.toml")),
    ("line-example", include_str!("../../../config/dialects/line-example.toml")),
    ("modbus-example", include_str!("../../../config/dialects/modbus-example.toml")),
];

/// The dialects that ship inside the binary.
///
/// # Panics
/// Never: a test reads them all.
pub fn shipped() -> Vec<Dialect> {
    SHIPPED
        .iter()
        .map(|(name, text)| {
            #[expect(clippy::expect_used, reason = "the texts are constants; a test reads them all")]
            parse(text, &format!("config/dialects/{name}.toml")).expect("a shipped dialect is readable")
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const SCPI: &str = SHIPPED[0].1;

    fn problems(text: &str) -> Vec<String> {
        parse(text, "x").unwrap_err().iter().map(ToString::to_string).collect()
    }

    fn changed(from: &str, to: &str) -> String {
        assert!(SCPI.contains(from), "{from:?} is not in the file");
        SCPI.replacen(from, to, 1)
    }

    #[test]
    fn every_shipped_dialect_is_readable_and_keeps_its_text() {
        for (dialect, (name, text)) in shipped().iter().zip(SHIPPED) {
            assert_eq!(&dialect.name, name);
            assert_eq!(&parse(&dialect.source, name).unwrap(), dialect);
            assert_eq!(&dialect.source, text);
        }
    }

    #[test]
    fn a_setting_with_a_stray_question_mark_is_refused_with_its_place() {
        let text = changed("switch-on = \"CURR:PROT:STAT ON\"", "switch-on = \"CURR:PROT:STAT?\"");
        let line = text.lines().position(|l| l.contains("CURR:PROT:STAT?\"")).unwrap() + 1;
        let found = problems(&text);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].starts_with(&format!("x:{line}:13 scpi.over-current.switch-on: ")), "{found:?}");
        assert!(found[0].contains("asks instead of setting"), "{found:?}");
    }

    #[test]
    fn a_query_without_its_question_mark_is_refused() {
        let found = problems(&changed("volts = \"MEAS:VOLT?\"", "volts = \"MEAS:VOLT\""));
        assert!(found.len() == 1 && found[0].contains("scpi.queries.volts"), "{found:?}");
    }

    #[test]
    fn two_commands_in_one_line_are_refused() {
        let found = problems(&changed("\"OUTP OFF\"", "\"OUTP OFF;:OUTP ON\""));
        assert!(found.len() == 1 && found[0].contains("one command"), "{found:?}");
        let found = problems(&changed("\"OUTP OFF\"", "\"OUTP OFF\\nOUTP ON\""));
        assert!(found.len() == 1 && found[0].contains("printable"), "{found:?}");
    }

    #[test]
    fn every_problem_is_told_at_once_and_in_file_order() {
        let text = changed("output-off = \"OUTP OFF\"\n", "")
            .replace("joined = true", "joinde = true")
            .replace("min-gap = \"5 ms\"", "min-gap = 5")
            .replace("maturity = \"simulated\"", "maturity = \"fine\"")
            .replace("volts-step = \"1 mV\"", "volts-step = \"1 A\"");
        let found = problems(&text);
        assert_eq!(found.len(), 6, "{found:#?}");
        assert!(
            found[0].contains("maturity") && found[0].contains("\"untried\", \"simulated\""),
            "{found:#?}"
        );
        assert!(found.iter().any(|p| p.contains("scpi.joinde") && p.contains("\"joined\"")), "{found:#?}");
        assert!(found.iter().any(|p| p.contains("scpi.joined: is missing")), "{found:#?}");
        assert!(found.iter().any(|p| p.contains("scpi.timing.min-gap") && p.contains("ms")), "{found:#?}");
        assert!(found.iter().any(|p| p.contains("scpi.range.volts-step")), "{found:#?}");
        assert!(found.iter().any(|p| p.contains("scpi.commands.output-off: is missing")), "{found:#?}");
    }

    #[test]
    fn a_dialect_without_off_does_not_exist() {
        for (key, line) in [("output-off", "output-off = \"OUTP OFF\"\n"), ("output", "output = \"OUTP?\"\n")]
        {
            let found = problems(&changed(line, ""));
            assert!(found.len() == 1 && found[0].contains(&format!("{key}: is missing")), "{found:?}");
        }
    }

    #[test]
    fn times_that_cannot_work_together_are_refused() {
        let found = problems(&changed("gap-timeout = \"150 ms\"", "gap-timeout = \"2 s\""));
        assert!(found.len() == 1 && found[0].contains("gap-timeout"), "{found:?}");
        let found = problems(&changed("reply-timeout = \"500 ms\"", "reply-timeout = \"0 s\""));
        assert!(!found.is_empty());
    }

    #[test]
    fn an_unknown_framing_and_broken_toml_name_their_place() {
        let found = problems("about = \"x\"\nmaturity = \"proven\"\n[skpi]\n");
        assert!(found.iter().any(|p| p.starts_with("x:3:2 skpi: ") && p.contains("\"scpi\"")), "{found:?}");
        let found = problems("about = \"x\nmaturity = 3\n");
        assert!(found[0].starts_with("x:1:"), "{found:?}");
    }

    #[test]
    fn bits_of_one_register_may_not_coincide() {
        let found = problems(&changed("constant-voltage-bit = 1", "constant-voltage-bit = 0"));
        assert!(found.len() == 1 && found[0].contains("constant-voltage-bit"), "{found:?}");
        let found = problems(&changed("constant-voltage-bit = 1", "constant-voltage-bit = 16"));
        assert!(found.len() == 1 && found[0].contains("15"), "{found:?}");
    }

    #[test]
    fn watchdog_that_does_not_say_how_long_it_waits_is_refused() {
        let found = problems(&format!("{SCPI}[scpi.watchdog]\narm = \"SYST:WDOG 5\"\n"));
        assert!(found.len() == 1 && found[0].contains("scpi.watchdog.time: is missing"), "{found:?}");
        let line = SHIPPED[2].1.replace("#watchdog = ", "watchdog = ");
        let found = problems(&line);
        assert!(found.len() == 1 && found[0].contains("watchdog-time: is missing"), "{found:?}");
        let alone = SHIPPED[2].1.replace("#watchdog-time = ", "watchdog-time = ");
        assert_eq!(problems(&alone).len(), 1, "a time without a watchdog");
        let modbus =
            SHIPPED[3].1.replace("#[modbus.watchdog]", "[modbus.watchdog]").replace("#time = ", "time = ");
        let modbus = parse(&modbus.replace("#set = ", "set = "), "x").unwrap();
        assert_eq!(modbus.watchdog(), Some(Duration::from_secs(5)));
    }
}

//! What can go wrong between us and a supply, in the operator's words.

use std::fmt;
use std::time::Duration;

/// Bytes as they came, shown escaped and in hex; never raw into a log.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Bytes(pub Vec<u8>);

impl fmt::Display for Bytes {
    /// `"1.2\r" [31 2e 32 0d]`, cut after 48 bytes.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const SHOWN: usize = 48;
        let shown = &self.0[..self.0.len().min(SHOWN)];
        write!(f, "\"{}\" [", shown.escape_ascii())?;
        for (i, byte) in shown.iter().enumerate() {
            write!(f, "{}{byte:02x}", if i == 0 { "" } else { " " })?;
        }
        match self.0.len() - shown.len() {
            0 => f.write_str("]"),
            more => write!(f, " and {more} more]"),
        }
    }
}

/// What the system says, without its own number: `Connection refused (os error 111)` is nothing for an operator.
pub fn plain(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some((before, after)) = rest.split_once(" (os error ") {
        out.push_str(before);
        match after.split_once(')') {
            Some((number, more)) if number.bytes().all(|b| b.is_ascii_digit()) => rest = more,
            _ => {
                out.push_str(" (os error ");
                rest = after;
            }
        }
    }
    out.push_str(rest);
    out
}

/// Why the supply could not be asked, told or believed.
#[derive(Clone, Debug, PartialEq)]
pub enum Trouble {
    /// The port is gone: unplugged, hung up, or never opened. The link is closed.
    Gone(String),
    /// No byte came in time, or the request could not be written in time.
    NoReply {
        /// What was asked.
        asked: String,
        /// How long we waited.
        waited: Duration,
    },
    /// A reply began and did not end.
    Truncated {
        /// What was asked.
        asked: String,
        /// What came.
        came: Bytes,
    },
    /// A line that is empty, not ASCII, or has the wrong number of fields, or more than one line.
    Garbled {
        /// What was asked.
        asked: String,
        /// What is wrong with it.
        why: String,
        /// What came.
        came: Bytes,
    },
    /// A whole line of the wrong kind: text where a number belongs.
    WrongType {
        /// What was asked.
        asked: String,
        /// What belongs there.
        wanted: &'static str,
        /// What came.
        came: Bytes,
    },
    /// A number that cannot be: not-a-number, infinite, or beyond what the dialect believes.
    /// With no bytes: it was not sent.
    OutOfRange {
        /// What was asked.
        asked: String,
        /// Why it cannot be.
        why: String,
        /// What came.
        came: Bytes,
    },
    /// Bytes without end.
    Endless {
        /// What was asked.
        asked: String,
        /// What came, cut.
        came: Bytes,
    },
    /// The supply put an error into its queue.
    Refused {
        /// What it was told.
        told: String,
        /// Its error number (negative ones are SCPI-1999's, positive ones its own).
        code: i32,
        /// Its words, escaped.
        said: String,
    },
    /// Another instrument answers.
    WrongIdentity {
        /// What the config pins.
        wanted: String,
        /// What answered, escaped.
        found: String,
    },
    /// Somebody else holds the port; a page of help.
    Busy(Box<super::OpenHelp>),
    /// We may not open it; a page of help.
    Forbidden(Box<super::OpenHelp>),
    /// It is not there; a page of help.
    Missing(Box<super::OpenHelp>),
    /// It has no time now, and says so; the line is in order.
    DeviceBusy {
        /// What was asked.
        asked: String,
    },
    /// Its front panel has the say; it takes no orders from the line.
    LocalMode {
        /// What it was told.
        told: String,
    },
    /// Our own words came back as if they were an answer.
    Echo {
        /// What was asked.
        asked: String,
    },
    /// Not asked: an exchange with another supply on the same line went wrong, and the line must be proved first.
    Unsettled {
        /// What was to be asked.
        asked: String,
    },
    /// The order of words of the supply's numbers is not what the dialect says: a register that must hold a known value
    /// holds another, or a number is wild and nothing has proved the order.
    WordOrder {
        /// The whole finding.
        why: String,
    },
    /// It has been without mains since: what was programmed is gone.
    PowerCycled {
        /// What tells.
        why: String,
    },
    /// What it reports back is not what it was told.
    ReadBack {
        /// Which value.
        what: &'static str,
        /// What it was told.
        wanted: String,
        /// What it reports.
        found: String,
    },
    /// A setpoint that the supply reports cannot be believed, nor could it be overwritten with 0.
    Setpoint {
        /// What it reports, and the remedy.
        why: String,
    },
    /// Of several supplies that feed one bar: which (its port), and its trouble; at least one.
    Among(Vec<(String, Trouble)>),
}

impl Trouble {
    /// Every kind, for metrics.
    pub const KINDS: [&'static str; 20] = [
        "gone",
        "no-reply",
        "truncated",
        "garbled",
        "wrong-type",
        "out-of-range",
        "endless",
        "refused",
        "wrong-identity",
        "busy",
        "forbidden",
        "missing",
        "read-back",
        "device-busy",
        "local-mode",
        "echo",
        "unsettled",
        "word-order",
        "power-cycled",
        "setpoint",
    ];

    /// Its kind in one word, as in metrics.
    pub fn kind(&self) -> &'static str {
        match self {
            Trouble::Gone(_) => "gone",
            Trouble::NoReply { .. } => "no-reply",
            Trouble::Truncated { .. } => "truncated",
            Trouble::Garbled { .. } => "garbled",
            Trouble::WrongType { .. } => "wrong-type",
            Trouble::OutOfRange { .. } => "out-of-range",
            Trouble::Endless { .. } => "endless",
            Trouble::Refused { .. } => "refused",
            Trouble::WrongIdentity { .. } => "wrong-identity",
            Trouble::Busy(_) => "busy",
            Trouble::Forbidden(_) => "forbidden",
            Trouble::Missing(_) => "missing",
            Trouble::ReadBack { .. } => "read-back",
            Trouble::DeviceBusy { .. } => "device-busy",
            Trouble::LocalMode { .. } => "local-mode",
            Trouble::Echo { .. } => "echo",
            Trouble::Unsettled { .. } => "unsettled",
            Trouble::WordOrder { .. } => "word-order",
            Trouble::PowerCycled { .. } => "power-cycled",
            Trouble::Setpoint { .. } => "setpoint",
            // Each supply has counted its own; this only needs a word.
            Trouble::Among(all) => all.first().map_or("gone", |(_, trouble)| trouble.kind()),
        }
    }

    /// Whether the link itself is lost: it must be opened again.
    pub fn is_gone(&self) -> bool {
        match self {
            Trouble::Among(all) => all.iter().any(|(_, trouble)| trouble.is_gone()),
            _ => matches!(
                self,
                Trouble::Gone(_) | Trouble::Busy(_) | Trouble::Forbidden(_) | Trouble::Missing(_)
            ),
        }
    }

    /// Whether the output was confirmed off before it came up, so that nobody needs to go and look.
    pub fn is_off(&self) -> bool {
        matches!(self, Trouble::Setpoint { .. })
    }

    /// Whether no number that was read or written can be trusted.
    pub fn is_wild(&self) -> bool {
        match self {
            Trouble::Among(all) => all.iter().any(|(_, trouble)| trouble.is_wild()),
            _ => matches!(self, Trouble::WordOrder { .. }),
        }
    }

    /// Whether the answer, not the supply's state, is in doubt: asking again may help.
    pub fn is_doubtful(&self) -> bool {
        if let Trouble::Among(all) = self {
            return all.iter().all(|(_, trouble)| trouble.is_doubtful());
        }
        matches!(
            self,
            Trouble::NoReply { .. }
                | Trouble::Truncated { .. }
                | Trouble::Garbled { .. }
                | Trouble::WrongType { .. }
                | Trouble::OutOfRange { .. }
                | Trouble::Endless { .. }
                | Trouble::DeviceBusy { .. }
                | Trouble::Unsettled { .. }
        )
    }
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Trouble::Gone(why) => write!(f, "the link to the supply is gone: {}", plain(why)),
            Trouble::NoReply { asked, waited } => {
                write!(f, "no reply to \"{asked}\" within {} ms", waited.as_millis())
            }
            Trouble::Truncated { asked, came } => {
                write!(f, "the reply to \"{asked}\" broke off: {came}")
            }
            Trouble::Garbled { asked, why, came } => {
                write!(f, "the reply to \"{asked}\" cannot be read ({why}): {came}")
            }
            Trouble::WrongType { asked, wanted, came } => {
                write!(f, "the reply to \"{asked}\" is not {wanted}: {came}")
            }
            Trouble::OutOfRange { asked, why, came } if came.0.is_empty() => {
                write!(f, "\"{asked}\" was not sent: {why}")
            }
            Trouble::OutOfRange { asked, why, came } => {
                write!(f, "the reply to \"{asked}\" is not believed ({why}): {came}")
            }
            Trouble::Endless { asked, came } => {
                write!(f, "the reply to \"{asked}\" does not end: {came}")
            }
            Trouble::Refused { told, code, said } => {
                write!(f, "the supply refused \"{told}\": error {code}, {said}")
            }
            Trouble::WrongIdentity { wanted, found } => write!(
                f,
                "another instrument answers: config pins identity \"{wanted}\", this one says \"{found}\"; \
                 connect the right supply or change `identity`"
            ),
            Trouble::Busy(help) | Trouble::Forbidden(help) | Trouble::Missing(help) => help.fmt(f),
            Trouble::DeviceBusy { asked } => write!(f, "the supply is busy and did not do \"{asked}\""),
            Trouble::LocalMode { told } => write!(
                f,
                "the supply is in local mode and did not do \"{told}\": press its local/remote key, or leave its menus"
            ),
            Trouble::Echo { asked } => write!(
                f,
                "our own \"{asked}\" came back instead of an answer: write `echo = true` if the RS-485 adapter hears \
                 itself, or switch the supply's echo off"
            ),
            Trouble::Unsettled { asked } => write!(
                f,
                "\"{asked}\" was not sent: an exchange with another supply on this line went wrong just before"
            ),
            Trouble::WordOrder { why } | Trouble::PowerCycled { why } | Trouble::Setpoint { why } => {
                f.write_str(why)
            }
            Trouble::ReadBack { what, wanted, found } => {
                write!(f, "the supply was told {what} {wanted} and reports {found}")
            }
            Trouble::Among(all) => {
                for (i, (which, trouble)) in all.iter().enumerate() {
                    write!(f, "{}supply on {which}: {trouble}", if i == 0 { "" } else { "; " })?;
                }
                Ok(())
            }
        }
    }
}

impl std::error::Error for Trouble {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn device_text_never_reaches_a_log_unescaped() {
        let came = Bytes(b"\x1b[2J\xff\"1.0\r\n".to_vec());
        let shown = Trouble::Truncated { asked: "MEAS:VOLT?".into(), came }.to_string();
        assert!(shown.is_ascii() && !shown.bytes().any(|b| b.is_ascii_control()), "{shown}");
        assert!(shown.contains("[1b 5b 32 4a ff 22 31 2e 30 0d 0a]"), "{shown}");
    }

    #[test]
    fn numbers_of_the_system_are_no_words_for_an_operator() {
        let gone = Trouble::Gone("Connection refused (os error 111)".into()).to_string();
        assert_eq!(gone, "the link to the supply is gone: Connection refused");
        assert_eq!(plain("a (os error 2); b (os error 13)"), "a; b");
        for same in ["", "a (os error", "a (os error x)", "a (os error 2", "os error 2"] {
            assert_eq!(plain(same), same);
        }
    }

    #[test]
    fn a_thousand_bytes_of_noise_make_one_short_line() {
        let shown = Bytes(vec![0xff; 1000]).to_string();
        assert!(shown.len() < 400 && shown.contains("952 more"), "{shown}");
    }
}

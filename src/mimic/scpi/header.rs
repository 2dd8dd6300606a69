//! Headers: the tree of what is understood, short and long forms, optional nodes.
//!
//! A pattern is written as the standard writes it: capitals are the short form,
//! brackets are optional. A mnemonic is exactly the short or exactly the long
//! form, in any case (SCPI-1999 volume 1, 6.2.1): `VOL` is neither.

use super::error::Error;

/// What a header means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meaning {
    /// Voltage setpoint.
    Volts,
    /// Current setpoint.
    Amps,
    /// Level of over-voltage protection.
    Ovp,
    /// Whether it is armed.
    OvpState,
    /// Whether it has tripped.
    OvpTripped,
    /// Takes the trip back.
    OvpClear,
    /// Level of over-current protection.
    Ocp,
    /// Whether it is armed.
    OcpState,
    /// Whether it has tripped.
    OcpTripped,
    /// Takes the trip back.
    OcpClear,
    /// Output on or off.
    Output,
    /// Whether any protection has tripped.
    OutputTripped,
    /// Takes every trip back.
    OutputClear,
    /// Measured volts.
    MeasureVolts,
    /// Measured amperes.
    MeasureAmps,
    /// Oldest error.
    ErrorNext,
    /// Number of errors.
    ErrorCount,
    /// Version of SCPI.
    Version,
    /// Instrument class.
    Capability,
    /// Questionable, as it is now.
    QuestionableCondition,
    /// Questionable, since last asked.
    QuestionableEvent,
    /// Questionable, which bits count.
    QuestionableEnable,
    /// Operation, as it is now.
    OperationCondition,
    /// Operation, since last asked.
    OperationEvent,
    /// Operation, which bits count.
    OperationEnable,
    /// Enables back to none.
    StatusPreset,
    /// Which output is meant; the second is not fitted.
    Channel,
}

impl Meaning {
    /// Whether it goes to the output that is selected.
    pub fn is_of_output(self) -> bool {
        use Meaning::{
            Amps, MeasureAmps, MeasureVolts, Ocp, OcpClear, OcpState, OcpTripped, Output, OutputClear,
            OutputTripped, Ovp, OvpClear, OvpState, OvpTripped, Volts,
        };
        matches!(
            self,
            Volts
                | Amps
                | Ovp
                | OvpState
                | OvpTripped
                | OvpClear
                | Ocp
                | OcpState
                | OcpTripped
                | OcpClear
                | Output
                | OutputTripped
                | OutputClear
                | MeasureVolts
                | MeasureAmps
        )
    }
}

/// Whether a header may be a command, a query, or both.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// Only a command.
    Command,
    /// Only a query.
    Query,
    /// Either.
    Both,
}

use Form::{Both, Command, Query};

/// Everything that is understood beside the common commands.
pub const TREE: &[(&str, Form, Meaning)] = &[
    ("[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", Both, Meaning::Volts),
    ("[SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]", Both, Meaning::Amps),
    ("[SOURce]:VOLTage:PROTection[:LEVel]", Both, Meaning::Ovp),
    ("[SOURce]:VOLTage:PROTection:STATe", Both, Meaning::OvpState),
    ("[SOURce]:VOLTage:PROTection:TRIPped", Query, Meaning::OvpTripped),
    ("[SOURce]:VOLTage:PROTection:CLEar", Command, Meaning::OvpClear),
    ("[SOURce]:CURRent:PROTection[:LEVel]", Both, Meaning::Ocp),
    ("[SOURce]:CURRent:PROTection:STATe", Both, Meaning::OcpState),
    ("[SOURce]:CURRent:PROTection:TRIPped", Query, Meaning::OcpTripped),
    ("[SOURce]:CURRent:PROTection:CLEar", Command, Meaning::OcpClear),
    ("OUTPut[:STATe]", Both, Meaning::Output),
    ("OUTPut:PROTection:TRIPped", Query, Meaning::OutputTripped),
    ("OUTPut:PROTection:CLEar", Command, Meaning::OutputClear),
    ("MEASure[:SCALar]:VOLTage[:DC]", Query, Meaning::MeasureVolts),
    ("MEASure[:SCALar]:CURRent[:DC]", Query, Meaning::MeasureAmps),
    ("INSTrument:NSELect", Both, Meaning::Channel),
    ("SYSTem:ERRor[:NEXT]", Query, Meaning::ErrorNext),
    ("SYSTem:ERRor:COUNt", Query, Meaning::ErrorCount),
    ("SYSTem:VERSion", Query, Meaning::Version),
    ("SYSTem:CAPability", Query, Meaning::Capability),
    ("STATus:QUEStionable:CONDition", Query, Meaning::QuestionableCondition),
    ("STATus:QUEStionable[:EVENt]", Query, Meaning::QuestionableEvent),
    ("STATus:QUEStionable:ENABle", Both, Meaning::QuestionableEnable),
    ("STATus:OPERation:CONDition", Query, Meaning::OperationCondition),
    ("STATus:OPERation[:EVENt]", Query, Meaning::OperationEvent),
    ("STATus:OPERation:ENABle", Both, Meaning::OperationEnable),
    ("STATus:PRESet", Command, Meaning::StatusPreset),
];

struct Node<'p> {
    short: &'p str,
    long: &'p str,
    optional: bool,
}

/// The nodes of a pattern.
fn nodes(pattern: &str) -> impl Iterator<Item = Node<'_>> {
    pattern.split([':', '[']).filter_map(|piece| {
        let long = piece.trim_end_matches(']');
        let short_len = long.bytes().take_while(u8::is_ascii_uppercase).count();
        (!long.is_empty()).then(|| Node { short: &long[..short_len], long, optional: piece.ends_with(']') })
    })
}

/// The meaning of written mnemonics (without a leading colon, without `?`).
///
/// # Errors
/// -112, -113 or -114.
pub fn find(mnemonics: &[&str], query: bool) -> Result<Meaning, Error> {
    let mut plain: Vec<&str> = Vec::with_capacity(mnemonics.len());
    let mut beyond = false;
    for m in mnemonics {
        let word = m.trim_end_matches(|c: char| c.is_ascii_digit());
        if word.len() > 12 {
            return Err(Error::MNEMONIC_TOO_LONG);
        }
        beyond |= !matches!(&m[word.len()..], "" | "1");
        plain.push(word);
    }
    let found = TREE.iter().find(|(pattern, form, _)| {
        let allowed = if query { *form != Command } else { *form != Query };
        allowed && matches(&nodes(pattern).collect::<Vec<_>>(), &plain)
    });
    match found {
        None => Err(Error::UNDEFINED_HEADER),
        Some(_) if beyond => Err(Error::SUFFIX_OUT_OF_RANGE),
        Some((_, _, meaning)) => Ok(*meaning),
    }
}

fn matches(nodes: &[Node], written: &[&str]) -> bool {
    match (nodes, written) {
        ([], []) => true,
        ([], _) => false,
        ([node, rest @ ..], _) => {
            let here = written
                .first()
                .is_some_and(|w| w.eq_ignore_ascii_case(node.short) || w.eq_ignore_ascii_case(node.long));
            (here && matches(rest, &written[1..])) || (node.optional && matches(rest, written))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn is(header: &str, query: bool) -> Result<Meaning, Error> {
        find(&header.split(':').collect::<Vec<_>>(), query)
    }

    #[test]
    fn short_and_long_forms_are_exact_and_case_does_not_matter() {
        for good in [
            "VOLT",
            "volt",
            "VoLtAgE",
            "SOUR:VOLT",
            "SOURCE:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE",
            "VOLT:AMPL",
            "volt:lev",
            "VOLT1",
        ] {
            assert_eq!(is(good, false), Ok(Meaning::Volts), "{good}");
        }
        for bad in [
            "VOL",
            "VOLTA",
            "VOLTAG",
            "VOLTAGES",
            "SOURC:VOLT",
            "SOUR",
            "VOLT:AMPL:LEV",
            "VOLT:PROTECT",
            "",
            "CURR:SOUR",
        ] {
            assert_eq!(is(bad, false), Err(Error::UNDEFINED_HEADER), "{bad}");
        }
        assert_eq!(is("VOLT2", false), Err(Error::SUFFIX_OUT_OF_RANGE));
        assert_eq!(is("VOLTAGEVOLTAGE", false), Err(Error::MNEMONIC_TOO_LONG));
    }

    #[test]
    fn a_query_only_header_is_no_command() {
        assert_eq!(is("MEAS:VOLT", true), Ok(Meaning::MeasureVolts));
        assert_eq!(is("MEAS:VOLT", false), Err(Error::UNDEFINED_HEADER));
        assert_eq!(is("VOLT:PROT:CLE", true), Err(Error::UNDEFINED_HEADER));
    }

    #[test]
    fn every_header_of_the_tree_is_found_in_its_shortest_and_longest_form() {
        for (pattern, form, meaning) in TREE {
            let query = *form != Command;
            let all: Vec<Node> = nodes(pattern).collect();
            let long: Vec<&str> = all.iter().map(|n| n.long).collect();
            let short: Vec<&str> = all.iter().filter(|n| !n.optional).map(|n| n.short).collect();
            assert_eq!(find(&long, query), Ok(*meaning), "{pattern}");
            assert_eq!(find(&short, query), Ok(*meaning), "{pattern}");
        }
    }
}

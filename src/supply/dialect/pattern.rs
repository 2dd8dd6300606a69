//! Reply patterns of plain lines: text with named holes, `U={volts} I={amps}`.

use std::fmt::Write as _;

/// What a hole is filled with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Slot {
    /// Who it is.
    Identity,
    /// Measured volts.
    Volts,
    /// Measured amperes.
    Amps,
    /// Output state.
    Output,
    /// The voltage setpoint.
    SetVolts,
    /// The current setpoint.
    SetAmps,
    /// Which limit holds.
    Regulation,
    /// Level of its own over-voltage protection.
    OverVoltage,
    /// Level of its own over-current protection.
    OverCurrent,
    /// Whether that has tripped.
    OverVoltageTripped,
    /// Whether that has tripped.
    OverCurrentTripped,
    /// Whether it is too hot.
    OverTemperature,
    /// What it says when it refuses.
    Text,
    /// Not looked at.
    Skip,
}

impl Slot {
    /// Every slot, as in files.
    pub const NAMES: [(&'static str, Slot); 14] = [
        ("identity", Slot::Identity),
        ("volts", Slot::Volts),
        ("amps", Slot::Amps),
        ("output", Slot::Output),
        ("set-volts", Slot::SetVolts),
        ("set-amps", Slot::SetAmps),
        ("regulation", Slot::Regulation),
        ("over-voltage", Slot::OverVoltage),
        ("over-current", Slot::OverCurrent),
        ("over-voltage-tripped", Slot::OverVoltageTripped),
        ("over-current-tripped", Slot::OverCurrentTripped),
        ("over-temperature", Slot::OverTemperature),
        ("text", Slot::Text),
        ("skip", Slot::Skip),
    ];

    /// As in the file.
    pub fn name(self) -> &'static str {
        Slot::NAMES.iter().find(|(_, slot)| *slot == self).map_or("skip", |(name, _)| name)
    }

    /// Whether a number stands there.
    pub fn is_number(self) -> bool {
        matches!(
            self,
            Slot::Volts | Slot::Amps | Slot::SetVolts | Slot::SetAmps | Slot::OverVoltage | Slot::OverCurrent
        )
    }
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Part {
    Text(String),
    Hole(Slot),
}

/// A reply with holes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pattern(Vec<Part>);

impl Pattern {
    /// Reads one.
    ///
    /// # Errors
    /// What is wrong with it and what would be right: an unknown hole, a hole twice, or a reply that could never fit
    /// because nobody can tell where one hole ends.
    pub fn parse(text: &str) -> Result<Pattern, (String, String)> {
        let mut parts = Vec::new();
        let mut rest = text;
        while !rest.is_empty() {
            let (before, hole) = match rest.split_once('{') {
                None => (rest, None),
                Some((before, after)) => {
                    let Some((name, after)) = after.split_once('}') else {
                        return Err((format!("{text:?} has a {{ without a }}"), "close it".into()));
                    };
                    let known = Slot::NAMES.iter().find(|(known, _)| *known == name);
                    let Some((_, slot)) = known else {
                        let names = Slot::NAMES.map(|(name, _)| name);
                        let remedy = match crate::quantity::nearest(name, names.iter().copied()) {
                            Some(near) => format!("did you mean {{{near}}}?"),
                            None => format!("write one of {}", names.join(", ")),
                        };
                        return Err((format!("there is no {{{name}}}"), remedy));
                    };
                    (before, Some((*slot, after)))
                }
            };
            if !before.is_empty() {
                parts.push(Part::Text(before.into()));
            }
            let Some((slot, after)) = hole else { break };
            parts.push(Part::Hole(slot));
            rest = after;
        }
        Pattern(parts).reachable(text)
    }

    fn reachable(self, text: &str) -> Result<Pattern, (String, String)> {
        if text.trim() != text || !text.bytes().all(|b| matches!(b, b' '..=b'~')) || text.is_empty() {
            let wrong = format!("no reply can fit {text:?}: line ends and blanks around a reply are dropped");
            return Err((wrong, "write printable ASCII without blanks around it".into()));
        }
        for (at, part) in self.0.iter().enumerate() {
            let Part::Hole(slot) = part else { continue };
            let name = slot.name();
            if *slot != Slot::Skip && self.0[..at].contains(part) {
                return Err((format!("{{{name}}} stands there twice"), "use {skip} for one of them".into()));
            }
            match self.0.get(at + 1) {
                Some(Part::Hole(next)) => {
                    let wrong = format!("{{{name}}}{{{}}}: where the one ends cannot be told", next.name());
                    return Err((wrong, "write what stands between them in the reply".into()));
                }
                Some(Part::Text(after))
                    if slot.is_number()
                        && after
                            .starts_with(|c: char| c.is_ascii_digit() || matches!(c, '.' | '+' | '-')) =>
                {
                    let wrong =
                        format!("{{{name}}}{after}: no reply fits, the number swallows what follows it");
                    return Err((wrong, "write what really stands after the number".into()));
                }
                _ => {}
            }
        }
        Ok(self)
    }

    /// What stands in each hole; `None` if the line does not fit. The whole line must be used up.
    pub fn fit<'l>(&self, line: &'l str) -> Option<Vec<(Slot, &'l str)>> {
        let mut rest = line;
        let mut found = Vec::new();
        for (at, part) in self.0.iter().enumerate() {
            match part {
                Part::Text(text) => rest = rest.strip_prefix(text.as_str())?,
                Part::Hole(slot) => {
                    let end = match self.0.get(at + 1) {
                        Some(Part::Text(next)) => rest.find(next.as_str())?,
                        _ => rest.len(),
                    };
                    let (value, after) = rest.split_at(end);
                    if value.trim().is_empty() {
                        return None;
                    }
                    found.push((*slot, value.trim()));
                    rest = after;
                }
            }
        }
        rest.is_empty().then_some(found)
    }

    /// Its holes.
    pub fn slots(&self) -> impl Iterator<Item = Slot> {
        self.0.iter().filter_map(|part| if let Part::Hole(slot) = part { Some(*slot) } else { None })
    }

    /// The pattern with its holes filled.
    pub fn fill(&self, value: impl Fn(Slot) -> String) -> String {
        self.0.iter().fold(String::new(), |mut text, part| {
            let _ = match part {
                Part::Text(plain) => write!(text, "{plain}"),
                Part::Hole(slot) => write!(text, "{}", value(*slot)),
            };
            text
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_reply_fits_whole_or_not_at_all() {
        let pattern = Pattern::parse("U={volts} I={amps}, {output}").unwrap();
        let fits = pattern.fit("U=7.02 I= 2.500, ON").unwrap();
        assert_eq!(fits, [(Slot::Volts, "7.02"), (Slot::Amps, "2.500"), (Slot::Output, "ON")]);
        for bad in ["U=7.02 I=2.5", "7.02 I=2.5, ON", "U= I=2.5, ON", "U=7.02 I=2.5, ", "", "u=7 I=2, ON"] {
            assert_eq!(pattern.fit(bad), None, "{bad}");
        }
        assert_eq!(Pattern::parse("V{volts}V").unwrap().fit("V7VV"), None);
    }

    #[test]
    fn a_pattern_that_no_reply_fits_is_refused() {
        for (text, why) in [
            ("{volts}{amps}", "where the one ends"),
            ("{volts}0V", "swallows"),
            ("{volts} {volts}", "twice"),
            ("{volt}", "did you mean {volts}"),
            ("{volts", "without a }"),
            ("{volts}\r", "line ends"),
            ("", "no reply"),
        ] {
            let (wrong, remedy) = Pattern::parse(text).unwrap_err();
            assert!(format!("{wrong}; {remedy}").contains(why), "{text:?}: {wrong}; {remedy}");
        }
    }

    proptest! {
        #[test]
        fn no_text_makes_a_pattern_panic(text in ".{0,40}", line in ".{0,40}") {
            if let Ok(pattern) = Pattern::parse(&text) {
                let _ = pattern.fit(&line);
            }
        }

        #[test]
        fn what_is_filled_in_comes_out_again(volts in -1e3f64..1e3, amps in 0f64..1e3) {
            let pattern = Pattern::parse("{volts}V {amps}A").unwrap();
            let text = pattern.fill(|slot| if slot == Slot::Volts { volts.to_string() } else { amps.to_string() });
            let (volts, amps) = (volts.to_string(), amps.to_string());
            prop_assert_eq!(pattern.fit(&text), Some(vec![(Slot::Volts, volts.as_str()), (Slot::Amps, amps.as_str())]));
        }
    }
}

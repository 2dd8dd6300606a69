//! The supply as one that speaks plain lines after no standard, on the mimic's side.
//!
//! The lines are those of `config/dialects/line-example.toml`, written down here
//! anew: it shares no code with the station's side, so that one slip is not made
//! twice. Pure: a line in, a line out.
//!
//! | line after `@1 ` | answer |
//! |---|---|
//! | `ID` | `ID` and who it is |
//! | `MEAS` | `V` in 10 mV, `I` in mA, `OUT` 1 or 0, then `CC`, `CV` or `NONE` |
//! | `SET` | `VS` in 10 mV, `IS` in mA |
//! | `PROT` | `OVP` level in 10 mV, `,` 1 if it tripped; `OCP` level in mA, `,` 1 if it tripped |
//! | `VSET`, `ISET`, `OVP`, `OCP` and a count; `OUT` 1 or 0; `CLR` | `OK`, or `ERR` and why |

use super::bench::Bench;
use super::supply::OutOfRange;
use crate::quantity::{Amps, Mono, Regulation, Volts};

/// Volts of one count.
const VOLTS: f64 = 0.01;
/// Amperes of one count.
const AMPS: f64 = 0.001;

/// The answer to one line; `None` if it is for another address.
pub fn answer(bench: &mut Bench, now: Mono, identity: &str, line: &str) -> Option<String> {
    let words: Vec<&str> = line.strip_prefix("@1 ")?.split(' ').collect();
    let counts = |value: f64, step: f64| (value / step).round() + 0.0;
    let bit = u8::from;
    let number = |text: &str| text.parse::<u32>().ok().map(f64::from);
    let done = |told: Result<(), OutOfRange>| Some(told.map_or_else(|_| "ERR range", |()| "OK").into());
    let malformed = || Some("ERR number".into());
    match words[..] {
        ["ID"] => Some(format!("ID {identity}")),
        ["MEAS"] => {
            let r = bench.read(now);
            let (volts, amps) = (counts(r.volts.get(), VOLTS), counts(r.amps.get(), AMPS));
            let holds = match r.regulation {
                Some(Regulation::ConstantCurrent) => "CC",
                Some(Regulation::ConstantVoltage) => "CV",
                _ => "NONE",
            };
            Some(format!("V{volts} I{amps} OUT{} {holds}", bit(r.output == Some(true))))
        }
        ["SET"] => {
            let s = bench.supply();
            Some(format!("VS{} IS{}", counts(s.volts_setpoint(), VOLTS), counts(s.amps_setpoint(), AMPS)))
        }
        ["PROT"] => {
            let s = bench.supply();
            let (volts, amps) = (counts(s.ovp.level, VOLTS), counts(s.ocp.level, AMPS));
            Some(format!("OVP{volts},{} OCP{amps},{}", bit(s.ovp.tripped), bit(s.ocp.tripped)))
        }
        ["VSET", n] => {
            number(n).map_or_else(malformed, |n| done(bench.set_volts(now, Volts::new(n * VOLTS))))
        }
        ["ISET", n] => number(n).map_or_else(malformed, |n| done(bench.set_amps(now, Amps::new(n * AMPS)))),
        ["OVP", n] => number(n).map_or_else(malformed, |n| done(bench.set_ovp(now, Volts::new(n * VOLTS)))),
        ["OCP", n] => number(n).map_or_else(malformed, |n| done(bench.set_ocp(now, Amps::new(n * AMPS)))),
        ["OUT", state @ ("0" | "1")] => {
            Some(if bench.output(now, state == "1") { "OK" } else { "ERR tripped" }.into())
        }
        ["CLR"] => {
            bench.clear_trips(now);
            Some("OK".into())
        }
        _ => Some("ERR what".into()),
    }
}

#[cfg(test)]
mod tests {
    use super::super::Setup;
    use super::*;

    #[test]
    fn another_address_and_nonsense_set_nothing() {
        let mut bench = Bench::new(Setup::default(), Mono::ZERO);
        let mut ask = |line: &str| answer(&mut bench, Mono::from_millis(20), "X", line);
        assert_eq!(ask("@2 OUT 1"), None);
        assert_eq!(ask("*IDN?"), None);
        for (line, why) in [
            ("@1 VSET", "ERR what"),
            ("@1 VSET -5", "ERR number"),
            ("@1 VSET 99999", "ERR range"),
            ("@1 OUT 2", "ERR what"),
        ] {
            assert_eq!(ask(line).as_deref(), Some(why), "{line}");
        }
        assert_eq!(ask("@1 SET").as_deref(), Some("VS0 IS0"));
        assert_eq!(ask("@1 VSET 650").as_deref(), Some("OK"));
        assert_eq!(ask("@1 SET").as_deref(), Some("VS650 IS0"));
    }
}

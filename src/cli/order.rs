//! What is to be plated: from a file or from flags, into a request.

use super::args::OrderArgs;
use super::{mesh, setup};
use crate::host::Failure;
use crate::part::Part;
use crate::plan::{Request, SeekAsked};
use crate::process::{Between, Confirm, End, Entry, Hold, Ramp, Turn};
use std::fmt::Display;
use std::str::FromStr;

/// The request that file or flags describe; every problem at once.
pub(crate) fn request(args: &OrderArgs) -> Result<Request, Failure> {
    match &args.file {
        Some(path) => {
            let shown = path.display().to_string();
            let text = setup::read(path).map_err(|e| Failure::config(format!("{shown}: {e}")))?;
            let beside = |name: &str| mesh::beside(path, name);
            let mut request = Request::from_toml_with(&text, &shown, &beside).map_err(|problems| {
                let lines: Vec<_> = problems.iter().map(ToString::to_string).collect();
                Failure::config(lines.join("\n"))
            })?;
            let mut wrong = Vec::new();
            amend(&mut request, args, &mut wrong);
            finish(request, wrong)
        }
        None => from_flags(args),
    }
}

fn from_flags(args: &OrderArgs) -> Result<Request, Failure> {
    let mut wrong = Vec::new();
    let tank = args.tank.clone().unwrap_or_else(|| {
        wrong.push("--tank: which tank is it for?".into());
        String::new()
    });
    if args.part.is_empty() {
        wrong.push("--part: what hangs? As in --part \"disc 34 mm x 1 mm\"".into());
    }
    let parts: Vec<Part> = parts(&args.part, &mut wrong);
    let end = match (&args.thickness, &args.charge, &args.time) {
        (Some(text), _, _) => read("thickness", text, &mut wrong).map(End::Thickness),
        (_, Some(text), _) => read("charge", text, &mut wrong).map(End::Charge),
        (_, _, Some(text)) => read("time", text, &mut wrong).map(End::Time),
        _ => {
            wrong.push("--thickness, --charge or --time: when is it done?".into());
            None
        }
    };
    let Some(end) = end else { return Err(usage(&wrong)) };
    let mut request = Request::new(&tank, parts, end);
    request.hold = match (&args.density, &args.current, &args.volts) {
        (Some(text), _, _) => read("density", text, &mut wrong).map(Hold::Density),
        (_, Some(text), _) => read("current", text, &mut wrong).map(Hold::Current),
        (_, _, Some(text)) => read("volts", text, &mut wrong).map(Hold::Voltage),
        _ => None,
    };
    amend(&mut request, args, &mut wrong);
    finish(request, wrong)
}

/// Every part that the flags describe.
pub(crate) fn parts(texts: &[String], wrong: &mut Vec<String>) -> Vec<Part> {
    let mut all = Vec::new();
    for text in texts {
        match mesh::from_flag(text) {
            Some(Ok(part)) => all.push(part),
            Some(Err(why)) => wrong.push(format!("--part: {why}")),
            None => all.extend(read::<Part>("part", text, wrong)),
        }
    }
    all
}

/// The flags that also change a request from a file.
fn amend(request: &mut Request, args: &OrderArgs, wrong: &mut Vec<String>) {
    if let Some(count) = args.count {
        match &mut request.parts[..] {
            [one] if count > 0 => *one = one.counted(count),
            [_] => wrong.push("--count: at least 1".into()),
            _ => wrong.push(
                "--count: there are several parts; write each count into its own: \"6 disc 34 mm x 1 mm\""
                    .into(),
            ),
        }
    }
    if let Some(word) = &args.entry {
        match word.as_str() {
            "dead" => request.entry = Entry::Dead,
            "live" => request.entry = Entry::Live,
            "on-contact" => request.entry = Entry::OnContact,
            _ => wrong.push(format!("--entry {word:?}: dead, live or on-contact")),
        }
    }
    if let Some(faces) = args.turn {
        if (2..=12).contains(&faces) {
            request.turn = Some(Turn { faces, between: Between::Off, confirm: Confirm::Operator });
        } else {
            wrong.push(format!("--turn {faces}: 2 to 12 faces"));
        }
    }
    if let (Some(margin), Some(top)) = (&args.seek, &args.seek_top)
        && let (Some(margin), Some(top)) = (read("seek", margin, wrong), read("seek-top", top, wrong))
    {
        request.seek = Some(SeekAsked { margin, top });
    }
    if let Some(text) = &args.ramp {
        request.ramp = read("ramp", text, wrong).map(Ramp::Time);
    }
}

pub(crate) fn read<T: FromStr<Err: Display>>(flag: &str, text: &str, wrong: &mut Vec<String>) -> Option<T> {
    text.parse().map_err(|e| wrong.push(format!("--{flag}: {e}"))).ok()
}

fn finish(request: Request, wrong: Vec<String>) -> Result<Request, Failure> {
    if wrong.is_empty() { Ok(request) } else { Err(usage(&wrong)) }
}

fn usage(wrong: &[String]) -> Failure {
    Failure::usage(wrong.join("\n"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::args::{Cli, Verb};
    use clap::Parser;

    fn made(flags: &str) -> Result<Request, Failure> {
        let words = std::iter::once("tankside").chain(std::iter::once("plan")).chain(flags.split('|'));
        match Cli::try_parse_from(words).unwrap().verb {
            Verb::Plan { order, .. } => request(&order),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn flags_say_what_a_file_says() {
        let flags = "--tank|nickel|--part|disc 34 mm x 1 mm|--count|6|--thickness|8 um|--density|4 A/dm2|--entry|live|--turn|2|--ramp|20 s";
        let request = made(flags).unwrap();
        assert_eq!((request.tank.as_str(), request.parts[0].count()), ("nickel", 6));
        assert_eq!(request.end, End::Thickness("8 um".parse().unwrap()));
        assert_eq!(request.hold, Some(Hold::Density("4 A/dm2".parse().unwrap())));
        assert_eq!(request.ramp, Some(Ramp::Time("20 s".parse().unwrap())));
        assert_eq!((request.entry, request.turn.unwrap().faces), (Entry::Live, 2));
    }

    #[test]
    fn every_wrong_flag_is_named_at_once() {
        let failure = made("--part|disc 34|--thickness|8 V|--density|4|--entry|sideways|--turn|1|--ramp|20")
            .unwrap_err();
        assert_eq!(failure.code, 64);
        let lines: Vec<_> = failure.text.lines().collect();
        for flag in ["--tank", "--part", "--thickness"] {
            assert!(lines.iter().any(|l| l.starts_with(flag)), "{flag} in {}", failure.text);
        }
        let failure =
            made("--tank|x|--part|disc 34 mm x 1 mm|--thickness|8 um|--density|4|--entry|sideways|--turn|1|--ramp|20")
                .unwrap_err();
        for flag in ["--density", "--entry", "--turn", "--ramp"] {
            assert!(failure.text.lines().any(|l| l.starts_with(flag)), "{flag} in {}", failure.text);
        }
    }
}

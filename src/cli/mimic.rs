//! The simulated supply as a verb.

use super::args::MimicArgs;
use super::setup;
use crate::bath::{self, Agitation};
use crate::host::{Done, Failure};
use crate::mimic::modbus::WordOrder;
use crate::mimic::{self, Chemistry, Options, Protocol, Script, Setup};
use std::path::Path;

pub(crate) fn mimic(args: &MimicArgs) -> Done {
    let options = options(args)?;
    if args.with_parent {
        use nix::sys::{prctl::set_pdeathsig, signal::Signal};
        set_pdeathsig(Signal::SIGTERM).map_err(|e| Failure::bug(e.to_string()))?;
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::bug(e.to_string()))?;
    runtime.block_on(mimic::run(options)).map_err(|e| Failure::refused(e.to_string()))
}

fn options(args: &MimicArgs) -> Result<Options, Failure> {
    let baths = bath::shipped();
    let bath = baths.iter().find(|b| b.name == args.bath).ok_or_else(|| {
        let names: Vec<_> = baths.iter().map(|b| b.name.as_str()).collect();
        Failure::usage(format!("--bath: there is no bath {:?}; there is: {}", args.bath, names.join(", ")))
    })?;
    let mut setup = Setup::new(Chemistry::of(bath));
    setup.seed = args.seed;
    setup.area = args.area.parse().map_err(|e| Failure::usage(format!("--area: {e}")))?;
    if !setup.area.is_positive() {
        return Err(Failure::usage("--area: more than nothing"));
    }
    setup.agitation = match args.agitation.as_str() {
        "still" => Agitation::Still,
        "rod" => Agitation::Rod,
        "air" => Agitation::Air,
        "vigorous" => Agitation::Vigorous,
        other => return Err(Failure::usage(format!("--agitation {other:?}: still, rod, air or vigorous"))),
    };
    setup.resistor = args.resistor;
    if let Some(path) = &args.faults {
        setup.script = script(path)?;
    }
    Ok(Options {
        setup,
        protocol: if args.line { Protocol::Line } else { protocol(args.modbus.as_deref())? },
        serial: args.serial.clone(),
        pty: args.tcp.is_none(),
        link: args.link.clone(),
        tcp: args.tcp,
        control: args.control,
        baud: Some(args.baud),
        truth: args.truth.clone(),
        ..Options::default()
    })
}

/// A fault script, or everything wrong with it.
pub(crate) fn script(path: &Path) -> Result<Script, Failure> {
    let text = setup::read(path).map_err(|e| Failure::config(format!("{}: {e}", path.display())))?;
    Script::parse(&text).map_err(|problems| {
        let lines: Vec<_> = problems.iter().map(|p| format!("{}: {p}", path.display())).collect();
        Failure::config(lines.join("\n"))
    })
}

fn protocol(order: Option<&str>) -> Result<Protocol, Failure> {
    Ok(match order.map(str::to_ascii_uppercase).as_deref() {
        None => Protocol::Scpi,
        Some("ABCD") => Protocol::Modbus(WordOrder::Abcd),
        Some("CDAB") => Protocol::Modbus(WordOrder::Cdab),
        Some("BADC") => Protocol::Modbus(WordOrder::Badc),
        Some("DCBA") => Protocol::Modbus(WordOrder::Dcba),
        Some(_) => {
            let written = order.unwrap_or_default();
            return Err(Failure::usage(format!("--modbus={written}: ABCD, CDAB, BADC or DCBA")));
        }
    })
}

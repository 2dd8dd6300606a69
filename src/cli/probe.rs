//! Tries a port; only asks.

use super::args::{Common, ProbeArgs};
use super::failure::{Done, Failure};
use super::say::{line, say};
use super::setup;
use crate::supply::{Parity, Port, ProbeReport, Spec, Trouble, Wiring, probe, stable_names};

/// The rates bench supplies are set to, fastest first; common practice, no source.
const BAUDS: [u32; 7] = [115_200, 57_600, 38_400, 19_200, 9600, 4800, 2400];

pub(crate) fn probe_ports(common: &Common, args: &ProbeArgs) -> Done {
    let dialects = setup::known_dialects(common)?;
    let dialects: Vec<_> = match &args.dialect {
        None => dialects,
        Some(name) => dialects.into_iter().filter(|d| d.name == *name).collect(),
    };
    if dialects.is_empty() {
        let name = args.dialect.clone().unwrap_or_default();
        return Err(Failure::usage(format!("there is no dialect {name:?}")));
    }
    let ports = match &args.port {
        Some(port) => vec![port.clone()],
        None => stable_names(),
    };
    if ports.is_empty() {
        return Err(Failure::unreachable(
            "no serial port has a name under /dev/serial/by-id: is the cable in? A network supply: tankside probe \
             tcp:HOST:PORT",
        ));
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::bug(e.to_string()))?;
    let mut report = ProbeReport::default();
    for port in &ports {
        for candidate in candidates(port, args) {
            let before = report.found.len();
            let one = runtime.block_on(probe(&[candidate], &dialects));
            // A port that cannot be opened will not be at another speed.
            let shut = one.silent.iter().any(|(_, trouble)| is_shut(trouble));
            report.found.extend(one.found);
            report.silent.extend(one.silent);
            if shut || report.found.len() > before {
                break;
            }
        }
    }
    say(&report.to_string());
    if let (Some(file), Some(found)) = (&args.record, report.found.first()) {
        // For tests/transcripts; the empty lines of its header are for a person to fill in.
        std::fs::write(file, &found.transcript)
            .map_err(|e| Failure::ledger(format!("{}: {e}", file.display())))?;
        line(format!("written to {}; fill in model, firmware, who and when", file.display()));
    }
    if report.found.is_empty() { Err(nobody(&ports.join(", "), &report)) } else { Ok(()) }
}

fn candidates(port: &str, args: &ProbeArgs) -> Vec<Spec> {
    let wiring = Wiring { unit: args.unit, echo: args.echo, ..Wiring::default() };
    let one = |port: Port, baud| Spec {
        dialect: String::new(),
        port,
        baud,
        parity: Parity::None,
        two_stop_bits: false,
        identity: None,
        wiring,
    };
    match Port::parse(port) {
        Some(port @ Port::Tcp(_)) => vec![one(port, 0)],
        Some(port @ Port::Bridge(_)) => vec![one(port, args.baud.unwrap_or(9600))],
        Some(Port::Serial(_)) | None => {
            let rates = args.baud.map_or(BAUDS.to_vec(), |baud| vec![baud]);
            rates.into_iter().map(|baud| one(Port::Serial(port.into()), baud)).collect()
        }
    }
}

/// Whether the port itself could not be had.
fn is_shut(trouble: &Trouble) -> bool {
    use Trouble::{Busy, Forbidden, Gone, Missing};
    matches!(trouble, Busy(_) | Forbidden(_) | Missing(_) | Gone(_))
}

fn nobody(port: &str, report: &ProbeReport) -> Failure {
    for (_, trouble) in &report.silent {
        match trouble {
            Trouble::Forbidden(_) => {
                return Failure::permission(format!("{port}: this user may not open it"));
            }
            Trouble::Busy(_) => return Failure::unreachable(format!("{port}: another program holds it")),
            trouble if is_shut(trouble) => {
                return Failure::unreachable(format!("{port}: it cannot be opened"));
            }
            _ => {}
        }
    }
    Failure::unreachable(format!(
        "{port}: nothing answers; check that the supply is on, its cable, and its baud rate and protocol on its own panel"
    ))
}

//! Tries a port; only asks.

use super::failure::{Done, Failure};
use super::say::say;
use crate::supply::{Parity, Port, ProbeReport, Spec, Trouble, Wiring, dialect, probe};
use std::sync::Arc;

/// The rates bench supplies are set to, fastest first; common practice, no source.
const BAUDS: [u32; 7] = [115_200, 57_600, 38_400, 19_200, 9600, 4800, 2400];

pub(crate) fn probe_port(port: &str, baud: Option<u32>) -> Done {
    let one = |port: Port, baud| Spec {
        dialect: String::new(),
        port,
        baud,
        parity: Parity::None,
        two_stop_bits: false,
        identity: None,
        wiring: Wiring::default(),
    };
    let candidates: Vec<_> = match Port::parse(port) {
        Some(Port::Tcp(address)) => vec![one(Port::Tcp(address), 0)],
        Some(Port::Bridge(address)) => vec![one(Port::Bridge(address), baud.unwrap_or(9600))],
        Some(Port::Serial(_)) | None => {
            let rates = baud.map_or(BAUDS.to_vec(), |baud| vec![baud]);
            rates.into_iter().map(|baud| one(Port::Serial(port.into()), baud)).collect()
        }
    };
    let dialects: Vec<_> = dialect::shipped().into_iter().map(Arc::new).collect();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::bug(e.to_string()))?;
    let mut report = ProbeReport::default();
    for candidate in candidates {
        let one = runtime.block_on(probe(&[candidate], &dialects));
        report.found.extend(one.found);
        report.silent.extend(one.silent);
        // A port that cannot be opened will not be at another speed.
        let shut = report.silent.iter().any(|(_, trouble)| is_shut(trouble));
        if shut || !report.found.is_empty() {
            break;
        }
    }
    say(&report.to_string());
    if report.found.is_empty() { Err(nobody(port, &report)) } else { Ok(()) }
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

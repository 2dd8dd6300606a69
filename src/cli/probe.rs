//! Tries a port; only asks.

use super::failure::{Done, Failure};
use super::say::say;
use crate::supply::{Parity, Port, ProbeReport, Spec, Trouble, dialect, probe};
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
    };
    let candidates: Vec<_> = match port.strip_prefix("tcp:") {
        Some(address) => vec![one(Port::Tcp(address.into()), 0)],
        None => {
            let rates = baud.map_or(BAUDS.to_vec(), |baud| vec![baud]);
            rates.into_iter().map(|baud| one(Port::Serial(port.into()), baud)).collect()
        }
    };
    let dialects: Vec<_> = dialect::shipped().into_iter().map(Arc::new).collect();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::bug(e.to_string()))?;
    let report = runtime.block_on(probe(&candidates, &dialects));
    say(&report.to_string());
    if report.found.is_empty() { Err(nobody(port, &report)) } else { Ok(()) }
}

fn nobody(port: &str, report: &ProbeReport) -> Failure {
    let denied = |t: &Trouble| t.to_string().to_lowercase().contains("permission denied");
    if report.silent.iter().any(|(_, trouble)| denied(trouble)) {
        return Failure::permission(format!("{port}: this user may not open it"));
    }
    Failure::unreachable(format!(
        "{port}: nothing answers; check that the supply is on, its cable, and its baud rate and protocol on its own panel"
    ))
}

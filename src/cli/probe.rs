//! Tries a port and only asks; or, with consent, commissions a supply.

use super::args::{Common, LoadArg, ProbeArgs};
use super::say::{line, say};
use super::setup;
use crate::host::{Done, Failure};
use crate::ledger::CommissioningRow;
use crate::quantity::{Amps, Volts};
use crate::supply::{
    Clock, Device, Minder, Parity, Port, ProbeReport, Spec, Trial, TrialLoad, Trouble, Wiring, probe,
    stable_names,
};

/// The rates bench supplies are set to, fastest first; common practice, no source.
pub(super) const BAUDS: [u32; 7] = [115_200, 57_600, 38_400, 19_200, 9600, 4800, 2400];

pub(crate) fn probe_ports(common: &Common, args: &ProbeArgs, by: &str) -> Done {
    if args.commission {
        return commission(common, args, by);
    }
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
        keep(file, &found.transcript).map_err(|e| Failure::ledger(format!("{}: {e}", file.display())))?;
        line(format!("written to {}; fill in model, firmware, who and when", file.display()));
    }
    if report.found.is_empty() { Err(nobody(&ports.join(", "), &report)) } else { Ok(()) }
}

#[expect(clippy::disallowed_methods, reason = "the operator named the file to write")]
fn keep(file: &std::path::Path, text: &str) -> std::io::Result<()> {
    std::fs::write(file, text)
}

/// Tries a station's supply on the load that the operator named, and writes what came of it into the ledger.
fn commission(common: &Common, args: &ProbeArgs, by: &str) -> Done {
    let setup = setup::good(common)?;
    let station = setup.station(args.station.as_deref())?;
    let load = match args.load {
        Some(LoadArg::Short) => TrialLoad::Short,
        _ => TrialLoad::Resistor,
    };
    let wrong = |e: crate::quantity::QuantityError| Failure::usage(e.to_string());
    let amps: Amps = args.amps.parse().map_err(wrong)?;
    let volts: Volts = args.volts.parse().map_err(wrong)?;
    let limits = station.limits;
    if !amps.is_positive() || !volts.is_positive() || amps > limits.max_amps || volts > limits.max_volts {
        return Err(Failure::usage(format!(
            "{amps} and {volts} must be above zero and not above the station's {} and {}",
            limits.max_amps, limits.max_volts
        )));
    }
    let on = if load == TrialLoad::Short { "shorted leads" } else { "a resistor" };
    if !args.i_am_at_the_supply {
        return Err(Failure::usage(format!(
            "this switches the supply of station {} on, up to {amps} and {volts}, into {on}. Take everything out of the \
             tank's circuit, stand at the supply with a hand at its switch, and give --i-am-at-the-supply. The \
             software is not a safety interlock",
            station.name
        )));
    }
    if !station.parallel.is_empty() {
        return Err(Failure::usage(format!(
            "station {} has supplies in parallel; commission each by itself, as the only supply of a station in a \
             config of its own",
            station.name
        )));
    }
    let (spec, dialect) = (station.supply.clone(), setup.dialect(&station.supply.dialect)?);
    let runtime = super::daemon::runtime()?;
    runtime.block_on(async {
        // The ledger first: while a daemon runs, it has the ledger and the supply.
        let ledger = crate::host::open_ledger(&setup.config.daemon.state)?;
        // Off also if this very process dies.
        let minder = Minder::spawn(&[(spec.clone(), dialect.clone())]).await.map_err(|e| {
            Failure::refused(format!("the minder does not start, so nothing is switched on: {e}"))
        })?;
        let mut device = Device::new(spec, dialect.clone(), Clock::new());
        let said = |trouble: Trouble| Failure::unreachable(format!("commissioning ended early: {trouble}"));
        let tried = async {
            device.connect().await?;
            tokio::select! {
                tried = device.commission(Trial { load, amps, volts }) => tried,
                _ = tokio::signal::ctrl_c() => Err(Trouble::Gone("stopped by the operator".into())),
            }
        }
        .await;
        let off = device.off().await;
        minder.goodbye().await;
        off.map_err(|trouble| {
            Failure::refused(format!("the output is NOT confirmed off ({trouble}): go to the supply"))
        })?;
        let tried = tried.map_err(said)?;
        say(&tried.to_string());
        let row = CommissioningRow {
            station: station.name.clone(),
            at: String::new(),
            by: by.into(),
            identity: tried.identity.clone(),
            dialect: dialect.name.clone(),
            passed: tried.passed(),
            off_milliseconds: i64::try_from(tried.off_milliseconds).unwrap_or(i64::MAX),
            result_json: serde_json::to_string(&tried).map_err(|e| Failure::bug(e.to_string()))?,
        };
        ledger.commissioned(row).await.map_err(|e| Failure::ledger(e.to_string()))?;
        ledger.close().await.map_err(|e| Failure::ledger(e.to_string()))?;
        if tried.passed() { Ok(()) } else { Err(Failure::refused("the supply did not do as it should")) }
    })
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
pub(super) fn is_shut(trouble: &Trouble) -> bool {
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

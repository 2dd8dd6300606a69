//! Tries a port and only asks; or, with consent, commissions a supply.

use super::args::{Common, LoadArg, ProbeArgs};
use super::say::{line, say};
use super::setup;
use crate::host::{Done, Failure};
use crate::ledger::CommissioningRow;
use crate::quantity::{Amps, Volts};
use crate::supply::{
    Clock, Commissioning, Device, Dialect, Minder, Parity, Port, ProbeReport, STABLE, Spec, Trial, TrialLoad,
    Trouble, Wiring, probe, stable_names,
};

use std::path::Path;
use std::sync::Arc;

/// The rates bench supplies are set to, fastest first; common practice, no source.
pub(super) const BAUDS: [u32; 7] = [115_200, 57_600, 38_400, 19_200, 9600, 4800, 2400];

/// After a commissioning that found something wrong.
const NOT_RIGHT: &str = "the supply did not do as it should: mend what is WRONG above, then commission again; until then \
                         nothing may hang in a tank";

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
        None => stable_names(Path::new(STABLE)),
    };
    if ports.is_empty() {
        return Err(Failure::unreachable(
            "no serial port has a name under /dev/serial/by-id: is the cable in? A network supply: tankside probe \
             tcp:HOST:PORT",
        ));
    }
    let report = ask(&ports, &dialects, &configured(common), args)?;
    say(&report.to_string());
    if let (Some(file), Some(found)) = (&args.record, report.found.first()) {
        // For tests/transcripts; the empty lines of its header are for a person to fill in.
        keep(file, &found.transcript).map_err(|e| Failure::ledger(format!("{}: {e}", file.display())))?;
        line(format!("written to {}; fill in model, firmware, who and when", file.display()));
    }
    if report.found.is_empty() {
        return Err(nobody(&ports.join(", "), &report));
    }
    if report.found.iter().any(|found| matches!(found.words, Some(Err(_)))) {
        return Err(Failure::refused("the order of words is WRONG: correct the dialect, then probe again"));
    }
    Ok(())
}

/// The supplies of the config, if there is one that can be read.
fn configured(common: &Common) -> Vec<Spec> {
    if !setup::is_there(common) {
        return Vec::new();
    }
    let Ok(Ok(setup)) = setup::load(common) else { return Vec::new() };
    setup.config.stations.iter().flat_map(|station| station.supplies().cloned()).collect()
}

/// Every one of these ports in turn: first as the config has it, then at every speed it may have.
fn ask(
    ports: &[String],
    dialects: &[Arc<Dialect>],
    configured: &[Spec],
    args: &ProbeArgs,
) -> Result<ProbeReport, Failure> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::bug(e.to_string()))?;
    let mut report = ProbeReport::default();
    for port in ports {
        let mut known = false;
        for (spec, dialect) in as_configured(port, dialects, configured, args) {
            let one = runtime.block_on(probe(&[spec], &[dialect]));
            known |= !one.found.is_empty() || one.silent.iter().any(|(_, trouble)| is_shut(trouble));
            report.found.extend(one.found);
            report.silent.extend(one.silent);
        }
        if known {
            continue;
        }
        for candidate in candidates(port, args) {
            let one = runtime.block_on(probe(&[candidate], dialects));
            // A port that cannot be opened will not be at another speed.
            // One that answers, if only with a refusal, has this speed.
            let answers = one.answered();
            let shut = one.silent.iter().any(|(_, trouble)| is_shut(trouble));
            report.found.extend(one.found);
            report.silent.extend(one.silent);
            if shut || answers {
                break;
            }
        }
    }
    Ok(report)
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
    // Each by itself: of several the first may give what the others leave of the station's limit.
    let others: Amps = station.parallel.iter().map(|p| p.max_amps).sum();
    let most =
        std::iter::once(station.limits.max_amps - others).chain(station.parallel.iter().map(|p| p.max_amps));
    let least = most.fold(station.limits.max_amps, Amps::min);
    if !amps.is_positive() || !volts.is_positive() || amps > least || volts > station.limits.max_volts {
        return Err(Failure::usage(format!(
            "{amps} and {volts} must be above zero and not above {least} and {}, the least that a supply of this station \
             may give",
            station.limits.max_volts
        )));
    }
    let on = if load == TrialLoad::Short { "shorted leads" } else { "a resistor" };
    let supplies: Vec<_> = station
        .supplies()
        .map(|spec| Ok((spec.clone(), setup.dialect(&spec.dialect)?)))
        .collect::<Result<_, _>>()?;
    if !args.i_am_at_the_supply {
        let which = match supplies.len() {
            1 => "the supply".to_owned(),
            n => format!("the {n} supplies, one after the other,"),
        };
        return Err(Failure::usage(format!(
            "this switches {which} of station {} on, up to {amps} and {volts}, into {on}. Take everything out of the \
             tank's circuit, stand at the supply with a hand at its switch, and give --i-am-at-the-supply. The \
             software is not a safety interlock",
            station.name
        )));
    }
    let runtime = super::daemon::runtime()?;
    runtime.block_on(async {
        // The ledger first: while a daemon runs, it has the ledger and the supply.
        let (ledger, _) =
            crate::host::open_ledger(&setup.config.daemon.state).map_err(|failure| Failure {
                text: format!("commissioning needs supply and ledger for itself: {}", failure.text),
                ..failure
            })?;
        // Off also if this very process dies.
        let minder = Minder::spawn(&supplies).await.map_err(|e| {
            Failure::refused(format!("the minder does not start, so nothing is switched on: {e}"))
        })?;
        let mut devices: Vec<_> =
            supplies.iter().map(|(spec, d)| Device::new(spec.clone(), d.clone(), Clock::new())).collect();
        let tried = tokio::select! {
            tried = in_turn(&mut devices, Trial { load, amps, volts }) => tried,
            _ = tokio::signal::ctrl_c() => Err(Trouble::Gone("stopped by the operator".into())),
        };
        let mut unsure = Vec::new();
        for device in &mut devices {
            if let Err(trouble) = device.off().await {
                unsure.push(format!("{}: {trouble}", device.spec().name()));
            }
        }
        minder.goodbye().await;
        if !unsure.is_empty() {
            let unsure = unsure.join("; ");
            return Err(Failure::refused(format!(
                "the output is NOT confirmed off ({unsure}): go to the supply"
            )));
        }
        let tried =
            tried.map_err(|trouble| Failure::unreachable(format!("commissioning ended early: {trouble}")))?;
        let passed = tried.iter().all(Commissioning::passed);
        // One is kept as it is; of several, all in a list.
        let kept = match &tried[..] {
            [one] => serde_json::to_string(one),
            all => serde_json::to_string(all),
        };
        let joined =
            |text: fn(&Commissioning) -> &str| tried.iter().map(text).collect::<Vec<_>>().join(" + ");
        let slowest = tried.iter().map(|t| t.off_milliseconds).max().unwrap_or_default();
        let row = CommissioningRow {
            station: station.name.clone(),
            at: String::new(),
            by: by.into(),
            identity: joined(|t| &t.identity),
            dialect: supplies.iter().map(|(_, d)| d.title()).collect::<Vec<_>>().join(" + "),
            passed,
            off_milliseconds: i64::try_from(slowest).unwrap_or(i64::MAX),
            result_json: kept.map_err(|e| Failure::bug(e.to_string()))?,
        };
        ledger.commissioned(row).await.map_err(|e| Failure::ledger(e.to_string()))?;
        ledger.close().await.map_err(|e| Failure::ledger(e.to_string()))?;
        if passed { Ok(()) } else { Err(Failure::refused(NOT_RIGHT)) }
    })
}

/// Every supply by itself, with all the others off, so that what is read is its own.
async fn in_turn(devices: &mut [Device], trial: Trial) -> Result<Vec<Commissioning>, Trouble> {
    for device in devices.iter_mut() {
        device.connect().await?;
        device.off().await?;
        device.mend_setpoints().await?;
    }
    let several = devices.len() > 1;
    let mut all = Vec::new();
    for device in devices {
        let tried = device.commission(trial).await?;
        if several {
            line(format!("supply on {}:", device.spec().name()));
        }
        say(&tried.to_string());
        all.push(tried);
    }
    Ok(all)
}

/// The supplies that the config has on that port, as far as the command line does not say otherwise.
fn as_configured(
    port: &str,
    dialects: &[Arc<Dialect>],
    configured: &[Spec],
    args: &ProbeArgs,
) -> Vec<(Spec, Arc<Dialect>)> {
    let here = Port::parse(port).unwrap_or_else(|| Port::Serial(port.into()));
    let fits = |spec: &&Spec| {
        spec.port == here
            && args.baud.is_none_or(|baud| baud == spec.baud)
            && args.unit.is_none_or(|unit| spec.wiring.unit == Some(unit))
            && (!args.echo || spec.wiring.echo)
    };
    let with_dialect = |spec: &Spec| {
        let dialect = dialects.iter().find(|d| d.name == spec.dialect)?;
        Some((spec.clone(), dialect.clone()))
    };
    configured.iter().filter(fits).filter_map(with_dialect).collect()
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
            Trouble::Missing(_) => return Failure::unreachable(format!("{port}: it cannot be opened")),
            _ => {}
        }
    }
    if let Some((spec, trouble)) = report.refusal() {
        return Failure::unreachable(format!(
            "{}: a supply answers, but not as dialect {:?} asks: {trouble}",
            spec.name(),
            spec.dialect
        ));
    }
    if let Some((spec, trouble)) =
        report.silent.iter().find(|(_, t)| !matches!(t, Trouble::NoReply { .. } | Trouble::Gone(_)))
    {
        return Failure::unreachable(format!(
            "{}: something answers, and no dialect that is known makes sense of it; check baud rate and protocol on \
             the supply's own panel. With dialect {:?}: {trouble}",
            spec.name(),
            spec.dialect
        ));
    }
    if let Some((spec, trouble)) = report.silent.iter().find(|(_, trouble)| is_shut(trouble)) {
        return Failure::unreachable(format!("{}: {trouble}", spec.name()));
    }
    Failure::unreachable(format!(
        "{port}: nothing answers; check that the supply is on, its cable, and on its own panel its protocol, baud rate, \
         parity and, where it has one, its address (parity as in the config, or none; --unit for an address)"
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::args::{Cli, Verb};
    use crate::mimic::{self, Options};
    use crate::supply::dialect;
    use clap::Parser;
    use std::os::unix::fs::symlink;

    #[test]
    fn of_several_ports_by_name_every_one_is_tried_and_a_dead_one_keeps_no_other_away() {
        let folder = tempfile::tempdir().unwrap();
        assert!(stable_names(&folder.path().join("nothing")).is_empty());
        let runtime =
            tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
        let start = |serial: &str| {
            let options = Options { pty: true, serial: serial.into(), ..Options::default() };
            runtime.block_on(mimic::start(options)).unwrap()
        };
        let mimics = [start("0042"), start("0043")];
        symlink(mimics[1].pty().unwrap(), folder.path().join("usb-c-if00")).unwrap();
        symlink(mimics[0].pty().unwrap(), folder.path().join("usb-a-if00")).unwrap();
        symlink(folder.path().join("gone"), folder.path().join("usb-b-if00")).unwrap();
        let ports = stable_names(folder.path());
        let last = |port: &String| port.rsplit('/').next().unwrap().to_owned();
        assert_eq!(ports.iter().map(last).collect::<Vec<_>>(), ["usb-a-if00", "usb-b-if00", "usb-c-if00"]);

        let cli = Cli::parse_from(["tankside", "probe", "--baud", "9600"]);
        let Verb::Probe(args) = cli.verb else { panic!("another verb") };
        let scpi = vec![Arc::new(dialect::shipped().remove(0))];
        let report = ask(&ports, &scpi, &[], &args).unwrap();
        assert_eq!(report.found.len(), 2, "{report}");
        let text = report.to_string();
        for serial in ["0042", "0043"] {
            assert!(text.contains(serial), "{text}");
        }
        for mimic in &mimics {
            assert!(!mimic.with_bench(|bench, _| bench.truth()).output);
        }
        let shut: Vec<_> =
            report.silent.iter().filter(|(_, t)| is_shut(t)).map(|(s, _)| s.port.to_string()).collect();
        assert_eq!(shut, [ports[1].clone()], "{text}");
    }

    #[test]
    fn a_port_of_the_config_is_asked_as_the_config_has_it_before_any_other_dialect_or_speed() {
        let runtime =
            tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
        let mimic = runtime.block_on(mimic::start(Options { pty: true, ..Options::default() })).unwrap();
        let port = mimic.pty().unwrap().display().to_string();
        let args = |words: &[&str]| {
            let Verb::Probe(args) = Cli::parse_from([&["tankside", "probe"][..], words].concat()).verb else {
                panic!("another verb")
            };
            args
        };
        let shipped: Vec<_> = dialect::shipped().into_iter().map(Arc::new).collect();
        let mut stated = candidates(&port, &args(&["--baud", "9600"])).remove(0);
        stated.dialect = "scpi".into();
        stated.two_stop_bits = true;
        let report =
            ask(std::slice::from_ref(&port), &shipped, std::slice::from_ref(&stated), &args(&[])).unwrap();
        assert!(report.silent.is_empty(), "nothing else was asked: {report}");
        let text = report.to_string();
        assert!(text.contains("baud = 9600\nstop-bits = 2\n"), "{text}");
        // What the command line says goes first.
        assert!(
            as_configured(&port, &shipped, std::slice::from_ref(&stated), &args(&["--baud", "4800"]))
                .is_empty()
        );
        assert!(as_configured("/dev/other", &shipped, &[stated], &args(&[])).is_empty());
    }
}

//! Off: through the daemon, else directly at the ports. Never refused.

use super::args::Common;
use super::client::Client;
use super::failure::{Done, Failure};
use super::say::line;
use super::setup;
use crate::supply::{Dialect, OffReport, Parity, Port, Spec, Wiring, dialect, off_at_port};
use serde_json::json;
use std::path::Path;
use std::sync::Arc;

/// Switches off and says what was confirmed; fails when anything was not.
pub(crate) fn off(
    client: &Client,
    common: &Common,
    station: Option<&str>,
    ports: &[String],
    by: &str,
) -> Done {
    if ports.is_empty() {
        match by_daemon(client, station, by) {
            Ok(said) => {
                said.iter().for_each(line);
                return Ok(());
            }
            Err(failure) => eprintln!("tankside: {}; going to the ports", failure.text),
        }
    }
    let targets = targets(common, station, ports)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::bug(e.to_string()))?;
    // All at once: a dead port must not keep the others waiting.
    let sure = runtime.block_on(async {
        let tasks: Vec<_> = targets
            .into_iter()
            .map(|(spec, dialect)| {
                tokio::spawn(async move {
                    let result = off_at_port(&spec, &dialect).await;
                    (spec.name(), result)
                })
            })
            .collect();
        let mut sure = true;
        for task in tasks {
            match task.await {
                Ok((port, Ok(report))) => {
                    sure &= report == OffReport::Confirmed;
                    line(format!("{port}: {report}"));
                }
                Ok((port, Err(trouble))) => {
                    sure = false;
                    line(format!("{port}: NOT switched off: {trouble}"));
                }
                Err(e) => {
                    sure = false;
                    line(format!("NOT switched off: {e}"));
                }
            }
        }
        sure
    });
    if sure {
        Ok(())
    } else {
        Err(Failure::refused("not every output is confirmed off: go to the supply and switch it off by hand"))
    }
}

fn by_daemon(client: &Client, station: Option<&str>, by: &str) -> Result<Vec<String>, Failure> {
    let names = match station {
        Some(_) => vec![client.station(station)?],
        None => client.station_names()?,
    };
    let mut said = Vec::new();
    for name in names {
        let answer = client.post(&format!("/api/v1/stations/{name}/off"), &json!({ "by": by }))?;
        said.push(format!("{name}: {}", answer["said"].as_str().unwrap_or("off")));
    }
    Ok(said)
}

/// The ports to switch off: those named, else those of the config, else those
/// that a config with mistakes still shows.
fn targets(
    common: &Common,
    station: Option<&str>,
    ports: &[String],
) -> Result<Vec<(Spec, Arc<Dialect>)>, Failure> {
    let shipped: Vec<_> = dialect::shipped().into_iter().map(Arc::new).collect();
    let usual = |name: &str| shipped.iter().find(|d| d.name == name).or(shipped.first()).cloned();
    let rough = |found: Vec<Spec>| -> Vec<_> {
        found.into_iter().filter_map(|spec| usual(&spec.dialect).map(|d| (spec, d))).collect()
    };
    if !ports.is_empty() {
        let mut specs = Vec::new();
        for text in ports {
            // The baud rate is not known: the usual ones, one after the other, cost little.
            specs.push(spec(text, 9600, "scpi"));
        }
        return Ok(rough(specs));
    }
    if let Ok(Ok(setup)) = setup::load(common) {
        return setup
            .config
            .stations
            .iter()
            .filter(|s| station.is_none_or(|name| s.name == name))
            .flat_map(crate::config::Station::supplies)
            .map(|spec| Ok((spec.clone(), setup.dialect(&spec.dialect)?)))
            .collect();
    }
    let (path, text) = setup::text(common)?;
    eprintln!("tankside: {} has mistakes; using the ports that stand in it", path.display());
    let found = rough(ports_in(&text));
    if found.is_empty() {
        return Err(Failure::config(format!(
            "{}: no port stands in it; name it: tankside off /dev/…",
            path.display()
        )));
    }
    Ok(found)
}

fn spec(port: &str, baud: u32, dialect: &str) -> Spec {
    let port = Port::parse(port).unwrap_or_else(|| Port::Serial(Path::new(port).into()));
    // No identity: whatever hangs on the port is switched off.
    Spec {
        dialect: dialect.into(),
        port,
        baud,
        parity: Parity::None,
        two_stop_bits: false,
        identity: None,
        wiring: Wiring::default(),
    }
}

/// Ports, with the baud rate and dialect beside them, in a text that need not
/// be good TOML: a slip elsewhere in the file must not keep an output on.
fn ports_in(text: &str) -> Vec<Spec> {
    let mut found: Vec<Spec> = Vec::new();
    let mut dialect = String::from("scpi");
    let mut baud = None;
    for row in text.lines() {
        let row = row.trim();
        if row.starts_with('[') {
            (dialect, baud) = ("scpi".into(), None);
            continue;
        }
        let Some((key, value)) = row.split_once('=') else { continue };
        let value = value.split('#').next().unwrap_or_default().trim().trim_matches(['"', '\'']);
        match key.trim() {
            "port" if !value.is_empty() => found.push(spec(value, baud.unwrap_or(9600), &dialect)),
            "baud" => {
                baud = value.replace('_', "").parse().ok();
                if let (Some(last), Some(baud)) = (found.last_mut(), baud) {
                    last.baud = baud;
                }
            }
            "dialect" => {
                dialect = value.into();
                if let Some(last) = found.last_mut().filter(|l| l.dialect == "scpi") {
                    last.dialect = value.into();
                }
            }
            _ => {}
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ports_are_found_in_a_config_that_is_not_even_toml() {
        let text = "[daemon\nlisten = 7\n[[station]]\nname = \"bench\"\n[station.supply]\ndialect = \"scpi\"\n\
                    port = \"/dev/ttyUSB0\" # left\nbaud = 115_200\nmax-current = 10\n\
                    [[station]]\n[station.supply]\nport = 'tcp:127.0.0.1:5025'\n";
        let found = ports_in(text);
        assert_eq!(found.len(), 2);
        assert_eq!((found[0].port.to_string(), found[0].baud), ("/dev/ttyUSB0".into(), 115_200));
        assert_eq!(found[1].port, Port::Tcp("127.0.0.1:5025".into()));
        assert!(found.iter().all(|s| s.identity.is_none()), "off asks nobody who it is");
    }
}

//! What `check` prints.

use super::model::{Config, Daemon, Station, Tank, TemperatureSource};
use crate::bath::{Agitation, Bath};
use crate::quantity::{Problem, Span, Units};
use crate::supply::{Ammeter, Parity, Port, Spec};

/// The text of the `check` verb: every problem, or a line for the daemon and
/// for each station, tank and bath that says what was understood.
///
/// Ends with a newline. Units are those of the config.
pub fn check_report(file: &str, loaded: &Result<Config, Vec<Problem>>) -> String {
    let mut lines = Vec::new();
    match loaded {
        Ok(config) => {
            let units = config.daemon.units;
            lines.push(format!("{file}: good"));
            lines.push(daemon(&config.daemon));
            lines.extend(config.stations.iter().map(|s| station(s, units)));
            lines.extend(config.tanks.iter().map(|t| tank(t, config, units)));
            lines.extend(config.tanks.iter().filter_map(|t| upkeep(t, units)));
            lines.extend(config.baths.iter().map(|b| bath(b, units)));
        }
        Err(problems) => {
            lines.extend(problems.iter().map(Problem::to_string));
            lines.push(match problems.len() {
                1 => "1 problem; nothing of this config is used until it is mended".into(),
                n => format!("{n} problems; nothing of this config is used until they are mended"),
            });
        }
    }
    lines.join("\n") + "\n"
}

fn daemon(d: &Daemon) -> String {
    let how = if d.tls.is_some() { "TLS" } else { "plain HTTP" };
    format!("daemon: listens on {}, {how}; ledger in {}", d.listen, d.state.display())
}

fn station(s: &Station, units: Units) -> String {
    let others: String = s
        .parallel
        .iter()
        .map(|p| {
            format!(
                "; in parallel {}, at most {} of it",
                supply(&p.supply, p.ammeter.as_ref()),
                p.max_amps.show(units)
            )
        })
        .collect();
    let span = |d| Span::from(d).show(units);
    format!(
        "station {}: {}{others}; at most {} and {}; polled every {}, stale after {}, no charge counted over a gap of {}",
        s.name,
        supply(&s.supply, s.ammeter.as_ref()),
        s.limits.max_amps.show(units),
        s.limits.max_volts.show(units),
        span(s.poll),
        span(s.stale_after),
        span(s.max_gap),
    )
}

fn supply(spec: &Spec, ammeter: Option<&Ammeter>) -> String {
    let line = match spec.port {
        Port::Tcp(_) => String::new(),
        Port::Serial(_) | Port::Bridge(_) => {
            let parity = match spec.parity {
                Parity::None => 'N',
                Parity::Even => 'E',
                Parity::Odd => 'O',
            };
            let stop = if spec.two_stop_bits { 2 } else { 1 };
            let bits = if spec.wiring.seven_bits { 7 } else { 8 };
            format!(" at {} baud {bits}{parity}{stop}", spec.baud)
        }
    };
    let unit = spec.wiring.unit.map_or(String::new(), |unit| format!(" as unit {unit}"));
    let identity = match &spec.identity {
        Some(wanted) => format!("must say {wanted:?}"),
        None => "ANY supply is accepted (pin it with identity)".into(),
    };
    let ammeter = ammeter.map_or_else(|| "ammeter not checked".into(), ToString::to_string);
    format!("{} on {}{line}{unit}; {identity}; {ammeter}", spec.dialect, spec.port)
}

fn tank(t: &Tank, config: &Config, units: Units) -> String {
    let mut facts = vec![format!("tank {}: {}", t.name, t.bath)];
    if let Some(volume) = t.volume {
        facts.push(volume.show(units));
    }
    if let Some(area) = t.anode_area {
        facts.push(format!("{} of anode", area.show(units)));
    }
    facts.push(match t.agitation {
        Agitation::Still => "still".into(),
        Agitation::Rod => "moving bar".into(),
        Agitation::Air => "air".into(),
        Agitation::Vigorous => "vigorous agitation".into(),
    });
    if t.agitation != Agitation::Still {
        facts.push(match &t.agitation_sensor {
            Some(sensor) => format!("which {} proves", sensor.file.display()),
            None => "which NOTHING proves".into(),
        });
    }
    facts.push(match &t.temperature {
        Some(TemperatureSource::Fixed(at)) => format!("taken to be at {}", at.show(units)),
        Some(TemperatureSource::File { path, .. }) => format!("temperature from {}", path.display()),
        None => "temperature not known".into(),
    });
    let bath = config.baths.iter().find(|b| b.name == t.bath);
    if let Some(burn) = bath.and_then(|b| b.burn_density(t.agitation)) {
        facts.push(format!("burns above {} here", burn.show(units)));
    }
    if let Some((load, volume)) = t.max_load.or(bath.and_then(|b| b.max_load)).zip(t.volume) {
        facts.push(format!("at most {} for its volume", (load * volume).show(units)));
    }
    facts.join(", ")
}

fn upkeep(t: &Tank, units: Units) -> Option<String> {
    let days = |span: Span| match span.get() / 86_400.0 {
        days if days >= 1.0 => format!("{} d", (days * 10.0).round() / 10.0),
        _ => span.show(units),
    };
    let rules = t.upkeep.iter().map(|rule| {
        let every = [
            rule.every.map(|q| q.show(units)),
            rule.anode_metal.map(|q| format!("{} of metal", q.show(units))),
            rule.or_every.map(days),
        ];
        format!("{} every {}", rule.name, every.into_iter().flatten().collect::<Vec<_>>().join(" or "))
    });
    let rules: Vec<_> = rules.collect();
    (!rules.is_empty()).then(|| format!("upkeep of {}: {}", t.name, rules.join(", ")))
}

fn bath(b: &Bath, units: Units) -> String {
    let density = if b.is_dip() {
        "a dip without current".into()
    } else {
        format!(
            "{} to {}, usually {}",
            b.density.low.show(units),
            b.density.high.show(units),
            b.density.typical.show(units)
        )
    };
    let efficiency = b
        .efficiency
        .map_or(String::new(), |e| format!(", efficiency {} to {}", e.low.show(units), e.high.show(units)));
    let cyanide = if b.cyanide { ", holds CYANIDE: never near acid" } else { "" };
    format!(
        "bath {}: {}; {density}; {} to {}{efficiency}{cyanide}",
        b.name,
        b.title,
        b.temperature.low.show(units),
        b.temperature.high.show(units),
    )
}

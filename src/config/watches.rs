//! `[station.watch]`: how a station's watches turn readings into alarms.

use crate::quantity::{Amps, Quantity, Ratio, Span, Table, Volts};
use crate::watch::{Kind, Priority, Response, Settings};
use std::time::Duration;

/// What the file says of one watch; `None` leaves the watch's own setting.
#[derive(Clone, Debug, Default, PartialEq)]
struct Tuning {
    on_delay: Option<Duration>,
    off_delay: Option<Duration>,
    deadband: Option<f64>,
    priority: Option<Priority>,
    response: Option<Response>,
    latch: Option<bool>,
    re_alarm: Option<Duration>,
}

/// What the file says of all of them.
#[derive(Clone, Debug, Default, PartialEq)]
struct Said {
    tunings: Vec<(Kind, Tuning)>,
    over_voltage: Option<Volts>,
    over_current: Option<Amps>,
    drift: Option<f64>,
    drift_notice: Option<f64>,
    burn_margin: Option<f64>,
    amps_count: Option<Amps>,
    volts_count: Option<Volts>,
}

/// Reads `[station.watch]` of that station; problems are noted in its document.
pub(super) fn read(station: &Table<'_>) -> Option<Settings> {
    let mut said = Said::default();
    let Some(table) = station.may("watch").table() else {
        // Present but no table: the problem is noted, and what is made is thrown away.
        return Some(settings(&said));
    };
    said.amps_count = table.may("amps-count").positive();
    said.volts_count = table.may("volts-count").positive();
    for kind in Kind::ALL {
        let Some(watch) = table.may(kind.name()).table() else { continue };
        let tuning = Tuning {
            on_delay: watch.may("on-delay").within(Span::ZERO, Span::new(60.0)).map(Span::duration),
            off_delay: watch.may("off-delay").within(Span::ZERO, Span::new(600.0)).map(Span::duration),
            deadband: watch.may("deadband").within(Ratio::ZERO, Ratio::new(0.5)).map(Ratio::get),
            priority: watch.may("priority").choice(&[
                ("low", Priority::Low),
                ("medium", Priority::Medium),
                ("high", Priority::High),
            ]),
            response: watch.may("response").choice(&[
                ("tell", Response::Tell),
                ("hold", Response::Hold),
                ("cut", Response::Cut),
            ]),
            latch: watch.may("latch").flag(),
            re_alarm: watch.may("re-alarm").within(Span::new(60.0), Span::new(86_400.0)).map(Span::duration),
        };
        match kind {
            Kind::OverVoltage => said.over_voltage = limit(station, &watch, "max-voltage"),
            Kind::OverCurrent => said.over_current = limit(station, &watch, "max-current"),
            Kind::Drift => said.drift = share(&watch, 0.5),
            Kind::DriftNotice => said.drift_notice = share(&watch, 0.5),
            Kind::BurnMargin => said.burn_margin = share(&watch, 0.9),
            _ => {}
        }
        said.tunings.push((kind, tuning));
    }
    Some(settings(&said))
}

/// A fixed limit, which only tells something if it is not above the station's own.
fn limit<Q: Quantity>(station: &Table<'_>, watch: &Table<'_>, own: &str) -> Option<Q> {
    let limit: Q = watch.may("limit").positive()?;
    let most: Q = station.peek_in("supply", own)?.parse().ok()?;
    if limit > most {
        watch.problem(
            "limit",
            format!("{limit} is above the station's {own} of {most}, so it could never be reached"),
            format!("write {most} or less, or leave it out"),
        );
    }
    Some(limit)
}

/// A limit that is a share, above none and up to `most`.
fn share(watch: &Table<'_>, most: f64) -> Option<f64> {
    watch.may("limit").within(Ratio::new(0.005), Ratio::new(most)).map(Ratio::get)
}

/// What the file says over what each watch does by itself.
fn settings(said: &Said) -> Settings {
    let mut made = Settings::default();
    for (kind, tuning) in &said.tunings {
        let own = made.tuning_mut(*kind);
        own.on_delay = tuning.on_delay.unwrap_or(own.on_delay);
        own.off_delay = tuning.off_delay.unwrap_or(own.off_delay);
        own.deadband = tuning.deadband.unwrap_or(own.deadband);
        own.priority = tuning.priority.unwrap_or(own.priority);
        own.response = tuning.response.unwrap_or(own.response);
        own.latch = tuning.latch.unwrap_or(own.latch);
        own.re_alarm = tuning.re_alarm.or(own.re_alarm);
    }
    made.drift = (said.drift_notice.unwrap_or(made.drift.0), said.drift.unwrap_or(made.drift.1));
    made.burn_margin = said.burn_margin.unwrap_or(made.burn_margin);
    made.over_voltage = said.over_voltage;
    made.over_current = said.over_current;
    made.amps_count = said.amps_count.unwrap_or(made.amps_count);
    made.volts_count = said.volts_count.unwrap_or(made.volts_count);
    made
}

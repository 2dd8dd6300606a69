//! `[daemon]`: where it listens, by which names, with what certificate.

use super::model::{Daemon, Tls};
use super::read::{full_path, or};
use crate::quantity::{Field, Table, Units};
use std::net::SocketAddr;

/// Where HTTP listens when nothing is said.
const LISTEN: &str = "127.0.0.1:8093";
/// Where the ledger lives when nothing is said.
pub(crate) const STATE: &str = "/var/lib/tankside";
/// Names it may be asked by.
const MOST_NAMES: usize = 16;

pub(super) fn default_daemon() -> Option<Daemon> {
    Some(Daemon {
        listen: LISTEN.parse().ok()?,
        names: Vec::new(),
        loopback_open: false,
        tls: None,
        state: STATE.into(),
        units: Units::Metric,
    })
}

pub(super) fn daemon(table: &Table<'_>) -> Option<Daemon> {
    let default = default_daemon()?;
    let listen = or(table, "listen", default.listen, |field| {
        let text = field.text()?;
        match text.parse::<SocketAddr>() {
            Ok(address) => Some(address),
            Err(_) => field.bad(
                format!("{text:?} is not an address and port"),
                format!("write an IP address and a port, such as {LISTEN:?} or \"[::1]:8093\""),
            ),
        }
    });
    let names = or(table, "names", default.names, names);
    let loopback_open =
        or(table, "loopback", false, |field| field.choice(&[("token", false), ("open", true)]));
    let tls = or(table, "tls", None, |field| {
        let table = field.table()?;
        let (certificate, key) = (full_path(table.need("certificate")), full_path(table.need("key")));
        Some(Some(Tls { certificate: certificate?, key: key? }))
    });
    let state = or(table, "state", default.state, full_path);
    let units = or(table, "units", default.units, |field| {
        field.choice(&[("metric", Units::Metric), ("us", Units::Us)])
    });
    if table.has("token") {
        // Looked at, so that it is not merely called unknown.
        table.may("token").text();
        table.problem(
            "token",
            "a token does not stand in this file: whoever reads it could use it",
            "take it out, and make one with \"tankside token add NAME --scope operate\"",
        );
    }
    Some(Daemon {
        listen: listen?,
        names: names?,
        loopback_open: loopback_open?,
        tls: tls?,
        state: state?,
        units: units?,
    })
}

fn names(field: Field<'_>) -> Option<Vec<String>> {
    let names = field.texts()?;
    let good = |n: &String| {
        (1..=253).contains(&n.len()) && n.bytes().all(|b| b.is_ascii_alphanumeric() || b"-.".contains(&b))
    };
    if let Some(bad) = names.iter().find(|n| !good(n)) {
        return field.bad(
            format!("{bad:?} is no host name"),
            "write the name alone, as it stands in the browser: \"tank.example\"",
        );
    }
    if names.len() > MOST_NAMES {
        return field.bad(format!("{} names", names.len()), format!("write {MOST_NAMES} at most"));
    }
    Some(names)
}

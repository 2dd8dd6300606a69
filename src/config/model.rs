//! The config, checked.

use super::Notify;
use crate::bath::{Agitation, Bath};
use crate::deposit::{self, Price};
use crate::plan::UpkeepRule;
use crate::quantity::{Amps, Area, BathLoad, Density, Temperature, Units, Volume};
use crate::run::Limits;
use crate::supply::Ammeter;
use crate::watch;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

/// Everything, checked and joined: every name that is referred to exists.
#[derive(Clone, Debug)]
pub struct Config {
    /// The daemon itself.
    pub daemon: Daemon,
    /// Stations, in file order.
    pub stations: Vec<Station>,
    /// Tanks, in file order.
    pub tanks: Vec<Tank>,
    /// Every bath known: shipped ones and those of the folder.
    pub baths: Vec<Bath>,
    /// Who is told of what happens.
    pub notify: Notify,
    /// What metals cost, by their symbol.
    pub prices: Vec<(String, Price)>,
}

impl Config {
    /// What the metal of that bath costs, if the config says.
    pub fn price(&self, bath: &Bath) -> Option<Price> {
        let symbol = deposit::metal(bath.metal.as_deref()?)?.symbol;
        self.prices.iter().find(|(metal, _)| metal == symbol).map(|(_, price)| price.clone())
    }
}

/// The daemon itself.
#[derive(Clone, Debug)]
pub struct Daemon {
    /// Where HTTP listens.
    pub listen: SocketAddr,
    /// Names it may be asked by, beside `localhost` and addresses.
    pub names: Vec<String>,
    /// Whether this machine needs no token even when there are some.
    pub loopback_open: bool,
    /// With what it speaks TLS; without it, plain HTTP.
    pub tls: Option<Tls>,
    /// Where the ledger lives.
    pub state: PathBuf,
    /// Units for people.
    pub units: Units,
}

/// With what the daemon speaks TLS.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tls {
    /// The chain, in PEM, its own certificate first.
    pub certificate: PathBuf,
    /// The private key, in PEM.
    pub key: PathBuf,
}

/// What a run does when the ledger can no longer be written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum OnLedgerFailure {
    /// Hold: output off, wait.
    #[default]
    Hold,
    /// Finish the run; the charge since the failure is in memory only.
    Finish,
}

/// One supply and the work bar it feeds.
#[derive(Clone, Debug)]
pub struct Station {
    /// Its name.
    pub name: String,
    /// How to reach and speak to the supply.
    pub supply: crate::supply::Spec,
    /// What a check found of its ammeter.
    pub ammeter: Option<Ammeter>,
    /// Supplies beside it that feed the same bar.
    pub parallel: Vec<Parallel>,
    /// The most this station may be asked for.
    pub limits: Limits,
    /// Time between polls.
    pub poll: Duration,
    /// Over a longer gap between readings no charge is counted.
    pub max_gap: Duration,
    /// A reading older than this is stale.
    pub stale_after: Duration,
    /// Watches.
    pub watches: watch::Settings,
    /// What a run does when the ledger fails.
    pub on_ledger_failure: OnLedgerFailure,
}

impl Station {
    /// Every supply, the first one first.
    pub fn supplies(&self) -> impl Iterator<Item = &crate::supply::Spec> {
        std::iter::once(&self.supply).chain(self.parallel.iter().map(|p| &p.supply))
    }

    /// What is to be said of ammeters whose check no longer counts on that day (`YYYY-MM-DD`).
    pub fn overdue(&self, today: &str) -> Vec<String> {
        let ammeters = std::iter::once(&self.ammeter).chain(self.parallel.iter().map(|p| &p.ammeter));
        self.supplies()
            .zip(ammeters)
            .filter_map(|(spec, ammeter)| ammeter.as_ref()?.overdue(&spec.name(), today))
            .collect()
    }
}

/// A supply beside a station's first one. The station's limits hold for all together: the sum of the currents, and the
/// least of the voltages.
#[derive(Clone, Debug)]
pub struct Parallel {
    /// How to reach and speak to it.
    pub supply: crate::supply::Spec,
    /// What a check found of its ammeter.
    pub ammeter: Option<Ammeter>,
    /// The most it may be asked for.
    pub max_amps: Amps,
}

/// One vessel and the bath in it.
#[derive(Clone, Debug)]
pub struct Tank {
    /// Its name.
    pub name: String,
    /// The bath's name; exists in [`Config::baths`].
    pub bath: String,
    /// How much solution.
    pub volume: Option<Volume>,
    /// Wetted anode area that faces the work.
    pub anode_area: Option<Area>,
    /// Agitation.
    pub agitation: Agitation,
    /// What proves that it is moved as `agitation` says.
    pub agitation_sensor: Option<AgitationSensor>,
    /// Where its temperature comes from.
    pub temperature: Option<TemperatureSource>,
    /// The most current per volume, if the bath file's is not to hold.
    pub max_load: Option<BathLoad>,
    /// Local density at which the tank's own Hull panel burnt.
    pub panel: Option<Density>,
    /// What falls due in it, in file order.
    pub upkeep: Vec<UpkeepRule>,
}

/// A pump's relay or sensor, as a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AgitationSensor {
    /// The file.
    pub file: PathBuf,
    /// What it says, white space aside, while the solution is moved; anything else is still.
    pub running: String,
}

/// Where a tank's temperature comes from.
#[derive(Clone, Debug, PartialEq)]
pub enum TemperatureSource {
    /// A file with a number in it, as 1-wire and hwmon give; multiplied by `scale` to degC.
    File {
        /// The file.
        path: PathBuf,
        /// Multiplied by this.
        scale: f64,
    },
    /// What the operator measured when the config was written.
    Fixed(Temperature),
}

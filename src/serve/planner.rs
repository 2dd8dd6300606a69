//! Requests into orders, by the config: the seam's real side.

use super::house::{House, SheetFacts, StationFacts, VesselFacts};
use super::own::own_of;
use super::problem::Problem;
use super::sheets::{self, Refused, Shop, line_for};
use super::state::{Planned, PlannedJob, Planner, Trust};
use super::upkeep::TankRules;
use crate::bath::Bath;
use crate::config::{Config, OnLedgerFailure, Station, Tank, TemperatureSource};
use crate::ledger::{CommissioningRow, Reader};
use crate::plan::{self, Obstacle, Own, Plan, Request, SupplyLimits, TankFacts};
use crate::process::Sheet;
use crate::quantity::{Amps, Units};
use crate::run;
use crate::run::guide::{JobPlan, JobTodo};
use crate::station::{JobRehearsal, Rehearsal, Staging, Vessel, rehearse_in, rehearse_job_in};
use axum::http::StatusCode;
use serde_json::Value;
use std::collections::BTreeMap;
use std::time::Duration;

/// What is known of a tank's own measurements: the ledger's, where there is one.
pub type OwnOf<'a> = &'a dyn Fn(&Tank) -> Own;

/// What `plan` is to know of a tank.
pub fn facts(config: &Config, tank: &Tank, bath: &Bath, own: Own) -> TankFacts {
    TankFacts {
        volume: tank.volume,
        anode_area: tank.anode_area,
        agitation: tank.agitation,
        max_load: tank.max_load,
        panel: tank.panel,
        own,
        price: config.price(bath),
    }
}

/// Works out a request on that station with what the config knows of its tank, and what was measured in it.
///
/// # Errors
/// Every reason why it cannot be done, in the operator's words.
pub fn plan_for(
    config: &Config,
    station: &Station,
    request: &Request,
    own: OwnOf<'_>,
    units: Units,
) -> Result<Plan, Vec<String>> {
    let Some(tank) = config.tanks.iter().find(|t| t.name == request.tank) else {
        let names: Vec<_> = config.tanks.iter().map(|t| t.name.as_str()).collect();
        return Err(vec![format!(
            "tank: there is no tank {:?}; there is: {}",
            request.tank,
            names.join(", ")
        )]);
    };
    let Some(bath) = config.baths.iter().find(|b| b.name == tank.bath) else {
        return Err(vec![format!("tank: bath {:?} of tank {:?} is not known", tank.bath, tank.name)]);
    };
    let facts = facts(config, tank, bath, own(tank));
    let limits = SupplyLimits { max_amps: station.limits.max_amps, max_volts: station.limits.max_volts };
    plan::plan(request, bath, &facts, &limits, units)
        .map_err(|obstacles| obstacles.iter().map(Obstacle::to_string).collect())
}

/// A rehearsal looks about so often at most, whatever the order's time limit.
const POLLS: u32 = 20_000;
/// And at least this often.
const SELDOM: Duration = Duration::from_secs(1);

/// What the controller of that station is made from.
pub fn controller_for(station: &Station) -> run::Setup {
    let mut watches = station.watches.clone();
    // The sum of several meters is unsure by the sum of their steps.
    let meters = station.supplies().count() as f64;
    watches.amps_count = watches.amps_count * meters;
    run::Setup {
        limits: station.limits,
        watches,
        max_gap: station.max_gap,
        stale_after: station.stale_after,
        hold_on_ledger_failure: station.on_ledger_failure == OnLedgerFailure::Hold,
    }
}

/// The day by UTC, `YYYY-MM-DD`.
pub fn today() -> String {
    jiff::Timestamp::now().strftime("%Y-%m-%d").to_string()
}

/// Plans by the config, with what the ledger knows of the supplies.
#[derive(Debug)]
pub struct Desk {
    /// The config.
    pub config: Config,
    /// The process sheets that fit its baths.
    pub sheets: Vec<Sheet>,
    /// The ledger.
    pub ledger: Reader,
    /// How the supplies of each station speak, by its name.
    pub speech: BTreeMap<String, Speech>,
}

/// How a station's supplies speak.
#[derive(Clone, Debug, Default)]
pub struct Speech {
    /// Their dialects, as a commissioning names them.
    pub dialects: String,
    /// The orders of words that no `[modbus.known]` proves.
    pub unproved: Option<String>,
    /// Those of its dialects that nobody has called proven, each with the word for how far it has been tried.
    pub untried: Option<String>,
}

/// What a worksheet says of a supply that was not commissioned, or failed it.
pub fn commissioned(ledger: &Reader, station: &str) -> Option<String> {
    match ledger.commissioning(station) {
        Ok(row) => plan::supply_warning(station, row.as_ref().map(|row| (row.at.as_str(), row.passed))),
        Err(error) => Some(format!("Whether the supply was commissioned cannot be read: {error}")),
    }
}

/// The most current that a commissioning set, of each of the station's supplies.
fn shown(row: &CommissioningRow) -> Option<Amps> {
    let result: Value = serde_json::from_str(&row.result_json).ok()?;
    let points = result["points"].as_array()?;
    let most = points.iter().filter_map(|point| point["set_amps"].as_f64()).fold(0.0, f64::max);
    (most > 0.0).then(|| Amps::new(most))
}

/// What has not been shown of a supply whose dialect nobody has called proven.
fn short_of_proven(untried: &str, tried: Option<Amps>, most: Option<Amps>) -> String {
    let range = match (tried, most) {
        (Some(tried), Some(most)) if tried < most => {
            format!("; it was tried up to {tried}, and may be asked for {most}")
        }
        _ => String::new(),
    };
    format!("The supply is not proven: {untried}{range}. Watch its own display during this run.")
}

impl Planner for Desk {
    fn config(&self) -> Option<&Config> {
        Some(&self.config)
    }

    fn trust(&self, station: &str) -> Trust {
        let speech = self.speech.get(station);
        let tried = match self.ledger.commissioning(station) {
            Ok(tried) => tried,
            Err(error) => {
                let why = format!("Whether the supply was commissioned cannot be read: {error}.");
                let never = speech.is_some_and(|speech| speech.unproved.is_some());
                return Trust {
                    never: never.then(|| why.clone()),
                    unless: (!never).then_some(why),
                    note: None,
                };
            }
        };
        let passed = |dialects: &str| tried.as_ref().is_some_and(|row| row.passed && row.dialect == dialects);
        let unproved = speech.filter(|speech| !passed(&speech.dialects));
        let never = unproved.and_then(|speech| {
            Some(format!(
                "nothing has proved the order of words of the supply's numbers of two registers ({}, dialect {}): with a \
                 wrong one it is sent wild setpoints. Write a register that never changes into [modbus.known] of the \
                 dialect; or take everything out of the tank's circuit and try the supply on a resistor, with the daemon \
                 stopped: tankside probe --commission --station {station}.",
                speech.unproved.as_ref()?,
                speech.dialects
            ))
        });
        let failed = tried.as_ref().filter(|row| !row.passed);
        let unless = failed.and_then(|row| plan::supply_warning(station, Some((&row.at, false))));
        let note = speech.and_then(|speech| speech.untried.as_deref()).map(|untried| {
            let tried = tried.as_ref().filter(|row| row.passed).and_then(shown);
            let most = self.config.stations.iter().find(|s| s.name == station).map(|s| s.limits.max_amps);
            short_of_proven(untried, tried, most)
        });
        Trust { never, unless, note }
    }

    fn upkeep(&self) -> Vec<TankRules> {
        self.config.tank_rules()
    }

    fn house(&self) -> House {
        let sheets = self.sheets.iter().map(|sheet| SheetFacts::of(sheet, &self.config.tanks)).collect();
        House { sheets, ..Planner::house(&self.config) }
    }

    fn plan_job(&self, station: Option<&str>, request: &Value) -> Result<PlannedJob, Problem> {
        let (config, units) = (&self.config, self.config.daemon.units);
        let request = sheets::asked(request)?;
        let station = config.meant(station)?;
        let own = |tank: &Tank| own_of(&self.ledger, tank);
        let shop = Shop { config, sheets: &self.sheets, own: &own };
        let (plan, sheet, base) = line_for(&shop, station, &request, units).map_err(Refused::into_problem)?;
        let (text, blocks) = plan.written();
        Ok(PlannedJob {
            worksheet: serde_json::to_value(&plan).map_err(|e| Problem::bug(e.to_string()))?,
            text,
            blocks,
            plan: JobPlan::new(&plan, sheet, base.name()),
        })
    }

    fn rehearse_job(
        &self,
        station: Option<&str>,
        request: &Value,
        seed: u64,
    ) -> Result<JobRehearsal, Problem> {
        let plan = self.plan_job(station, request)?.plan;
        let station = self.config.meant(station)?;
        let setup = controller_for(station);
        let longest = plan.steps.iter().filter_map(|step| match &step.todo {
            JobTodo::Powered { order, .. } => Some(order.time_limit),
            _ => None,
        });
        let poll = seldom_enough(station, &setup, longest.max().unwrap_or_default());
        rehearse_job_in(plan, &setup, poll, seed, |order| self.config.vessel(order)).map_err(Problem::refused)
    }

    fn plan(&self, station: Option<&str>, request: &Value) -> Result<Planned, Problem> {
        let own = |tank: &Tank| own_of(&self.ledger, tank);
        self.config.planned(station, request, &own, |station| commissioned(&self.ledger, station))
    }
}

impl Planner for Config {
    fn config(&self) -> Option<&Config> {
        Some(self)
    }

    fn upkeep(&self) -> Vec<TankRules> {
        self.tank_rules()
    }

    fn house(&self) -> House {
        let station = |s: &Station| StationFacts {
            station: s.name.clone(),
            max_amperes: s.limits.max_amps.get(),
            max_volts: s.limits.max_volts.get(),
        };
        let tank = |t: &crate::config::Tank| {
            let bath = self.baths.iter().find(|b| b.name == t.bath)?;
            Some(VesselFacts::of(&t.name, bath, t.volume))
        };
        House {
            version: env!("CARGO_PKG_VERSION"),
            units: self.daemon.units,
            stations: self.stations.iter().map(station).collect(),
            tanks: self.tanks.iter().filter_map(tank).collect(),
            sheets: Vec::new(),
        }
    }

    fn plan(&self, station: Option<&str>, request: &Value) -> Result<Planned, Problem> {
        self.planned(station, request, &|_| Own::default(), |_| None)
    }
}

/// How often a rehearsal looks: a run of a day less often than one of a minute, but never so seldom that it looks like
/// a gap.
fn seldom_enough(station: &Station, setup: &run::Setup, longest: Duration) -> Duration {
    let seldom = (setup.max_gap.min(setup.stale_after) / 2).min(SELDOM);
    (longest / POLLS).clamp(station.poll.min(seldom), seldom)
}

impl Config {
    /// One powered step in a cell like its tank, in virtual time.
    ///
    /// # Errors
    /// As [`Planner::plan`].
    pub(super) fn rehearsed(
        &self,
        station: Option<&str>,
        request: &Value,
        staging: &Staging,
    ) -> Result<Rehearsal, Problem> {
        let order = self.planned(station, request, &|_| Own::default(), |_| None)?.order;
        let station = self.meant(station)?;
        let vessel = self.vessel(&order).ok_or_else(|| Problem::bug("the tank of the order is gone"))?;
        let setup = controller_for(station);
        let poll = seldom_enough(station, &setup, order.time_limit);
        Ok(rehearse_in(order, setup, vessel, poll, staging))
    }

    /// The vessel in which that order is rehearsed.
    pub(crate) fn vessel(&self, order: &plan::Order) -> Option<Vessel<'_>> {
        let tank = self.tanks.iter().find(|t| t.name == order.tank)?;
        let bath = self.baths.iter().find(|b| b.name == tank.bath)?;
        let temperature = match tank.temperature {
            Some(TemperatureSource::Fixed(at)) => Some(at),
            _ => None,
        };
        Some(Vessel {
            bath,
            agitation: tank.agitation,
            temperature,
            thermometer: matches!(tank.temperature, Some(TemperatureSource::File { .. })),
            pump: tank.agitation_sensor.is_some(),
        })
    }

    /// The station of that name, else the only one.
    fn meant(&self, station: Option<&str>) -> Result<&Station, Problem> {
        match (station, &self.stations[..]) {
            (Some(name), all) => all.iter().find(|s| s.name == name),
            (None, [one]) => Some(one),
            (None, _) => None,
        }
        .ok_or_else(|| {
            let names: Vec<_> = self.stations.iter().map(|s| s.name.as_str()).collect();
            Problem::new(
                StatusCode::UNPROCESSABLE_ENTITY,
                "not-possible",
                format!("say for which station: {}", names.join(", ")),
            )
        })
    }

    fn planned(
        &self,
        station: Option<&str>,
        request: &Value,
        own: OwnOf<'_>,
        warning: impl FnOnce(&str) -> Option<String>,
    ) -> Result<Planned, Problem> {
        let request = sheets::step_asked(request)?;
        let station = self.meant(station)?;
        let mut plan = plan_for(self, station, &request, own, self.daemon.units).map_err(|errors| {
            Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "not-possible", "this cannot be done as asked")
                .with_errors(errors)
        })?;
        plan.worksheet.warnings.extend(warning(&station.name));
        plan.worksheet.warnings.extend(station.overdue(&today()));
        let worksheet = serde_json::to_value(&plan.worksheet).map_err(|e| Problem::bug(e.to_string()))?;
        let (text, blocks) = plan.worksheet.written();
        Ok(Planned { worksheet, text, blocks, order: plan.order })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn config() -> Config {
        let text = r#"
            [daemon]
            state = "/tmp"
            [[station]]
            name = "bench"
            [station.supply]
            dialect = "scpi"
            port = "/dev/ttyUSB0"
            max-current = "10 A"
            max-voltage = "12 V"
            [[tank]]
            name = "nickel"
            bath = "watts-nickel"
            volume = "20 L"
            agitation = "air"
        "#;
        crate::config::load(text, "t.toml", &[], &["scpi"]).unwrap()
    }

    fn cups() -> Value {
        let request = Request::new(
            "nickel",
            vec!["6 key cups: disc 34 mm x 1 mm".parse().unwrap()],
            crate::process::End::Thickness("8 um".parse().unwrap()),
        );
        serde_json::to_value(request).unwrap()
    }

    #[test]
    fn request_that_came_as_json_gives_the_order_of_the_worksheet() {
        let planned = config().plan(None, &cups()).unwrap();
        assert_eq!((planned.order.tank.as_str(), planned.order.parts), ("nickel", 6));
        assert_eq!(planned.order.control.max_amps().to_string(), "4.845 A");
        assert!(planned.text.contains("4.845 A"), "{}", planned.text);
    }

    #[test]
    fn rehearsal_comes_to_the_charge_of_the_worksheet_and_a_bad_request_to_none() {
        let mut request = cups();
        request["end"] = json!({"thickness": "1 um"});
        let planned = config().plan(None, &request).unwrap();
        let crate::plan::Goal::Charge(target) = planned.order.goal else {
            panic!("{:?}", planned.order.goal)
        };
        let played = config().rehearsed(None, &request, &Staging::default()).unwrap();
        let end = played.outcome.unwrap();
        assert_eq!(end.state, crate::run::RunState::Complete, "{:#?}", played.story);
        assert!((end.charge.charge().get() / target.charge().get() - 1.0).abs() < 0.002, "{end:?}");
        assert!((100..=1300).contains(&played.readings.len()), "{} readings", played.readings.len());
        request["hold"] = json!({"current": "30 A"});
        assert_eq!(config().rehearsed(None, &request, &Staging::default()).unwrap_err().code, "not-possible");
    }

    #[test]
    fn worksheet_says_that_the_check_of_the_ammeter_is_overdue() {
        let planned = |due: &str| {
            let mut config = config();
            config.stations[0].ammeter = Some(crate::supply::Ammeter {
                gain: 1.003,
                offset: "2 mA".parse().unwrap(),
                checked: "2001-01-01".into(),
                due: due.into(),
                by: "Ada".into(),
                against: "a shunt".into(),
            });
            config.plan(None, &cups()).unwrap().worksheet["warnings"].to_string()
        };
        assert!(
            planned("2002-01-01").contains("ammeter of the supply on /dev/ttyUSB0 was due on 2002-01-01")
        );
        assert!(!planned("9999-01-01").contains("ammeter"));
    }

    #[test]
    fn key_that_is_not_known_or_has_no_unit_makes_no_order() {
        for (key, value) in [("speed", json!("fast")), ("ceiling", json!(8)), ("ceiling", json!("8 A"))] {
            let mut request = cups();
            request[key] = value;
            let problem = config().plan(None, &request).unwrap_err();
            assert_eq!(problem.code, "bad-json", "{request}");
        }
    }

    #[test]
    fn tank_that_is_not_there_and_current_that_is_not_to_be_had_are_told() {
        let mut request = cups();
        request["tank"] = json!("gold");
        let problem = config().plan(None, &request).unwrap_err();
        assert_eq!(problem.code, "not-possible");
        assert!(problem.errors[0].contains("there is: nickel"), "{:?}", problem.errors);
        let mut request = cups();
        request["hold"] = json!({"current": "30 A"});
        assert_eq!(config().plan(Some("bench"), &request).unwrap_err().code, "not-possible");
        assert_eq!(config().plan(Some("attic"), &cups()).unwrap_err().code, "not-possible");
    }
}

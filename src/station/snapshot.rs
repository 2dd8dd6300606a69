//! What everybody outside the control loop sees.

use crate::bath::Agitation;
use crate::run::View;
use crate::run::guide::{JobView, WarningKind};
use crate::watch::{Response, ToldAlarm};
use serde::Serialize;
use std::collections::BTreeMap;

/// One station at one instant. Published whole after each step; readers never
/// see anything else. `station` fills it, `serve` and `cli` show it.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Snapshot {
    /// The station's name.
    pub station: String,
    /// Counts publications.
    pub seq: u64,
    /// Wall time of this snapshot, RFC 3339 UTC.
    pub taken: String,
    /// The link to the supply.
    pub link: LinkView,
    /// The last good reading; `None` when there is none or it is stale.
    pub measured: Option<Measured>,
    /// Age of the last good reading when this was taken; `None` before the first.
    pub reading_age_seconds: Option<f64>,
    /// Whether we know if the output is on.
    pub output_known: bool,
    /// Whether it is on, where known.
    pub output_on: Option<bool>,
    /// The run.
    pub run: View,
    /// The job that is guided; one that has ended is shown as ended until the next start at this station, of a job or
    /// of a run. While it is open its powered step's run is `run`.
    pub job: Option<JobView>,
    /// For how long the load has been without current, where it waits: at a turn, in a hold, and before a step that the
    /// sheet wants begun in time; from the last reading that showed current, or from the end of the dip that came after it.
    /// `None` while current flows, before any has, and where nobody knows whether it does.
    pub no_current_seconds: Option<f64>,
    /// Alarms that are not normal, most urgent first.
    pub alarms: Vec<AlarmView>,
    /// Watches that are no alarm in the present phase, by design; never journalled.
    pub suppressed: Vec<&'static str>,
    /// Alarms raised since start, by watch and priority.
    pub raised: Vec<RaisedCount>,
    /// Whether alarms come faster than a person can take them: over ten in ten minutes.
    pub alarms_in_flood: bool,
    /// What is known of the bath of the tank in use.
    pub bath: Option<BathView>,
    /// The last few sentences worth reading, newest last (at most 20).
    pub log: Vec<String>,
    /// Trend of the last minutes, oldest first: seconds ago, volts, amperes (at most 300 points).
    pub trend: Vec<(f32, f32, f32)>,
    /// The tank in use (or last used), with its account.
    pub tank: Option<TankView>,
    /// Setpoint writes since start.
    pub setpoint_writes: u64,
    /// Seconds that exchanges took since the last snapshot (for the histogram).
    #[serde(skip)]
    pub poll_seconds: Vec<f64>,
}

/// The link to the supply.
#[derive(Clone, Debug, Default, Serialize)]
pub struct LinkView {
    /// Whether the supply is connected, identified and answering.
    pub up: bool,
    /// What it said it is.
    pub identity: Option<String>,
    /// The port as configured.
    pub port: String,
    /// Why it is not up, in the operator's words.
    pub trouble: Option<String>,
    /// Errors since start, by kind.
    pub errors: BTreeMap<&'static str, u64>,
    /// Measured polls a second, over the last few seconds.
    pub polls_per_second: f64,
}

/// The last good reading in plain numbers.
#[derive(Clone, Debug, Serialize)]
pub struct Measured {
    /// Terminal volts.
    pub volts: f64,
    /// Amperes.
    pub amperes: f64,
    /// `current`, `voltage`, `neither`, or `None` where the supply does not say.
    pub regulation: Option<&'static str>,
}

/// An alarm for people.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AlarmView {
    /// Which watch.
    pub watch: String,
    /// ISA-18.2 state.
    pub state: crate::watch::AlarmState,
    /// Priority.
    pub priority: crate::watch::Priority,
    /// What was seen.
    pub text: String,
    /// What it does beside telling: `tell`, `hold` or `cut`.
    pub response: crate::watch::Response,
    /// What is so, in general; `text` has the figures.
    pub cause: &'static str,
    /// What comes of it if nobody acts.
    pub consequence: &'static str,
    /// What to do.
    pub remedy: String,
    /// Minutes there are to respond, about.
    pub respond_within_minutes: u32,
    /// What volts and amperes cannot tell here, and what would.
    pub unseen: &'static str,
    /// Wall time at which it came (or was put aside without having come), RFC 3339 UTC; acknowledging does not move it.
    pub since: String,
    /// Wall time at which it went by itself, RFC 3339 UTC; `None` while it holds.
    pub gone: Option<String>,
    /// It went with the output, so nobody saw its condition go.
    pub gone_unseen: bool,
    /// Its place in the order in which the alarms that stand together came: 1 is the first out.
    pub first_out: Option<u32>,
    /// Its condition has gone after it was acknowledged, and it latches: it stands until it is acknowledged once more.
    pub latched: bool,
    /// It is over and came before the load that is at work now.
    pub earlier: bool,
    /// Raised three times or more within the last minute.
    pub chattering: bool,
    /// Shelved until then at the latest, RFC 3339 UTC.
    pub shelved_until: Option<String>,
}

impl AlarmView {
    /// That alarm as it stands; the three times are RFC 3339 UTC.
    pub fn new(
        alarm: &crate::watch::Alarm,
        since: String,
        gone: Option<String>,
        shelved_until: Option<String>,
    ) -> AlarmView {
        let help = alarm.kind.help();
        AlarmView {
            watch: alarm.kind.name().into(),
            state: alarm.state,
            priority: alarm.priority,
            text: alarm.text.clone(),
            response: alarm.response,
            cause: help.cause,
            consequence: help.consequence,
            remedy: help.remedy.into(),
            respond_within_minutes: help.minutes,
            unseen: help.unseen,
            since,
            gone,
            gone_unseen: alarm.gone_unseen,
            first_out: alarm.first_out,
            latched: alarm.latched,
            earlier: false,
            chattering: alarm.chattering,
            shelved_until,
        }
    }
}

impl AlarmView {
    /// A guided job's alarm as it stands; the three times are RFC 3339 UTC.
    pub fn of_job(
        kind: WarningKind,
        alarm: &ToldAlarm,
        since: String,
        gone: Option<String>,
        shelved_until: Option<String>,
    ) -> AlarmView {
        let help = kind.help();
        AlarmView {
            watch: kind.name().into(),
            state: alarm.state(),
            priority: alarm.priority(),
            text: alarm.text(),
            response: Response::Tell,
            cause: help.cause,
            consequence: help.consequence,
            remedy: help.remedy.into(),
            respond_within_minutes: help.minutes,
            unseen: help.unseen,
            since,
            gone,
            gone_unseen: false,
            first_out: None,
            latched: false,
            earlier: false,
            chattering: alarm.chatters(),
            shelved_until,
        }
    }
}

/// How often one watch has raised its alarm.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RaisedCount {
    /// Which.
    pub watch: &'static str,
    /// At which priority.
    pub priority: &'static str,
    /// How often since start.
    pub count: u64,
}

/// Older than this, in seconds, a temperature is not called the present one.
const FRESH: f64 = 120.0;
/// Who speaks when a sensor does.
pub(super) const SENSOR: &str = "its sensor";

/// What is known of one bath just now, for people and programs.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct BathView {
    /// Last known temperature.
    pub temperature_celsius: Option<f64>,
    /// How old it is.
    pub temperature_age_seconds: Option<f64>,
    /// Who gave it: `its sensor`, or a name.
    pub temperature_by: Option<String>,
    /// Why its thermometer says nothing, if it has one.
    pub temperature_trouble: Option<String>,
    /// How it is moved.
    pub agitation: Option<Agitation>,
    /// Whether a sensor proves that.
    pub agitation_proven: bool,
    /// Who says so: `its sensor`, `the config`, or a name.
    pub agitation_by: Option<String>,
    /// Why its agitation sensor says nothing, if it has one.
    pub agitation_trouble: Option<String>,
}

impl BathView {
    /// The temperature, if it is young enough to be called the present one and its sensor has not failed since.
    pub fn fresh_celsius(&self) -> Option<f64> {
        let young = self.temperature_age_seconds.is_some_and(|age| age <= FRESH);
        let failed = self.temperature_trouble.is_some() && self.temperature_by.as_deref() == Some(SENSOR);
        self.temperature_celsius.filter(|_| young && !failed)
    }

    /// In a sentence, without the age: what is worth a row in the ledger when it changes.
    pub fn sentence(&self) -> String {
        let temperature = match (&self.temperature_trouble, self.temperature_celsius) {
            (Some(why), Some(_)) => format!("THERMOMETER FAILED ({why}), the last value grows old"),
            (Some(why), None) => format!("THERMOMETER FAILED ({why}), temperature not known"),
            (None, Some(_)) => {
                format!("temperature by {}", self.temperature_by.as_deref().unwrap_or("somebody"))
            }
            (None, None) => "temperature not known".into(),
        };
        let word = self.agitation.map_or("not known", Agitation::name);
        let agitation = match (&self.agitation_trouble, self.agitation_proven) {
            (Some(why), _) => format!("AGITATION SENSOR FAILED ({why}), {word} as assumed"),
            (None, true) => format!("agitation {word} by its sensor"),
            (None, false) => format!(
                "agitation {word} as assumed, by {}",
                self.agitation_by.as_deref().unwrap_or("the config")
            ),
        };
        format!("{temperature}; {agitation}")
    }
}

/// A tank's account.
#[derive(Clone, Debug, Default, Serialize)]
pub struct TankView {
    /// Its name.
    pub name: String,
    /// Its bath's name.
    pub bath: String,
    /// All the charge it has worked.
    pub charge_coulombs: f64,
    /// Time under current that was not observed.
    pub unobserved_seconds: f64,
}

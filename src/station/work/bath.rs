//! What is known of each tank's bath: by its sensors, by the API, by somebody's word.
//!
//! Every figure keeps when it was taken and by whom. A sensor that fails is said to
//! have failed; its last figure only grows older. Agitation that a sensor no longer
//! proves falls back to what the config assumes.

use crate::bath::Agitation;
use crate::quantity::{Mono, Temperature};
use crate::run::BathNews;
use crate::station::BathView;
use crate::station::snapshot::SENSOR;
use crate::supply::Clock;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::task::{JoinHandle, spawn_blocking};
use tokio::time::timeout;

/// How often a sensor is read.
const PERIOD: Duration = Duration::from_secs(2);
/// A 1-wire sensor takes 0.75 s to measure (from memory); twice that and it is not there.
const ANSWER: Duration = Duration::from_millis(1500);
/// A proof that came through the API and is not renewed within this time proves nothing any more.
const PROOF: Duration = Duration::from_secs(120);

/// A tank and what watches it.
#[derive(Clone, Debug, PartialEq)]
pub struct BathSource {
    /// Its name.
    pub tank: String,
    /// How the config says that it is moved.
    pub agitation: Agitation,
    /// A file with its temperature and what that is multiplied by to give degC.
    pub thermometer: Option<(PathBuf, f64)>,
    /// A file that tells whether the pump or the air runs, and what it says when it does.
    pub stirring: Option<(PathBuf, String)>,
}

#[derive(Clone, Debug)]
struct Told<T> {
    value: T,
    at: Mono,
    by: String,
}

#[derive(Clone, Debug)]
struct Known {
    source: BathSource,
    temperature: Option<Told<Temperature>>,
    temperature_trouble: Option<String>,
    agitation: Option<Told<(Agitation, bool)>>,
    agitation_trouble: Option<String>,
}

/// All baths. Cheap to clone; the stations, the API and the sensors share it.
#[derive(Clone, Debug)]
pub struct Baths {
    clock: Clock,
    tanks: Arc<Mutex<BTreeMap<String, Known>>>,
}

impl Default for Baths {
    /// None.
    fn default() -> Self {
        Baths::new(Vec::new(), Clock::new())
    }
}

impl Baths {
    /// Those tanks. `clock` must be the stations' own.
    pub fn new(sources: Vec<BathSource>, clock: Clock) -> Baths {
        let known = |source: BathSource| Known {
            source,
            temperature: None,
            temperature_trouble: None,
            agitation: None,
            agitation_trouble: None,
        };
        let tanks = sources.into_iter().map(|s| (s.tank.clone(), known(s))).collect();
        Baths { clock, tanks: Arc::new(Mutex::new(tanks)) }
    }

    /// Reads every sensor from now on, each in a task of its own, so that one that hangs
    /// keeps no other waiting. The tasks end when they are aborted. Needs a tokio runtime.
    pub fn watch_sensors(&self) -> Vec<JoinHandle<()>> {
        let sources: Vec<_> = self.tanks().values().map(|k| k.source.clone()).collect();
        let mut tasks = Vec::new();
        for source in sources {
            if source.thermometer.is_some() {
                tasks.push(tokio::spawn(self.clone().follow(source.clone(), Sense::Temperature)));
            }
            if source.stirring.is_some() {
                tasks.push(tokio::spawn(self.clone().follow(source, Sense::Agitation)));
            }
        }
        tasks
    }

    async fn follow(self, source: BathSource, sense: Sense) {
        let mut beat = tokio::time::interval(PERIOD);
        beat.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
        loop {
            beat.tick().await;
            let asked = source.clone();
            let mut reading = spawn_blocking(move || sense.read(&asked));
            let answer = match timeout(ANSWER, &mut reading).await {
                Ok(answer) => answer,
                Err(_) => {
                    self.failed(&source.tank, sense, "it does not answer");
                    // No second question to a sensor that still owes the first answer.
                    reading.await
                }
            };
            match answer {
                Ok(Ok(sensed)) => self.sensed(&source, sensed),
                Ok(Err(why)) => self.failed(&source.tank, sense, &why),
                Err(e) => self.failed(&source.tank, sense, &e.to_string()),
            }
        }
    }

    fn sensed(&self, source: &BathSource, sensed: Sensed) {
        let at = self.clock.now();
        let mut tanks = self.tanks();
        let Some(known) = tanks.get_mut(&source.tank) else { return };
        match sensed {
            Sensed::Temperature(value) => {
                known.temperature = Some(Told { value, at, by: SENSOR.into() });
                known.temperature_trouble = None;
            }
            Sensed::Running(running) => {
                let value = if running { source.agitation } else { Agitation::Still };
                known.agitation = Some(Told { value: (value, true), at, by: SENSOR.into() });
                known.agitation_trouble = None;
            }
        }
    }

    fn failed(&self, tank: &str, sense: Sense, why: &str) {
        let mut tanks = self.tanks();
        let Some(known) = tanks.get_mut(tank) else { return };
        match sense {
            Sense::Temperature => known.temperature_trouble = Some(why.into()),
            Sense::Agitation => {
                known.agitation_trouble = Some(why.into());
                // What it said last proves nothing now.
                known.agitation = None;
            }
        }
    }

    /// Takes somebody's word, or that of a sensor which speaks through the API (`proven`).
    ///
    /// # Errors
    /// A sentence: no such tank, or a sensor that answers says otherwise.
    pub fn tell(
        &self,
        tank: &str,
        by: &str,
        temperature: Option<Temperature>,
        agitation: Option<(Agitation, bool)>,
    ) -> Result<String, String> {
        let at = self.clock.now();
        let mut tanks = self.tanks();
        let names: Vec<_> = tanks.keys().cloned().collect();
        let Some(known) = tanks.get_mut(tank) else {
            return Err(format!("there is no tank {tank:?}; there is: {}", names.join(", ")));
        };
        let sensor = |has: bool, trouble: &Option<String>, what: &str| match (has, trouble) {
            (true, None) => Err(format!(
                "tank {tank} has {what} that answers; it is believed, not what is told (take it out of the config if it is wrong)"
            )),
            _ => Ok(()),
        };
        if temperature.is_some() {
            sensor(known.source.thermometer.is_some(), &known.temperature_trouble, "a thermometer")?;
        }
        if agitation.is_some() {
            sensor(known.source.stirring.is_some(), &known.agitation_trouble, "an agitation sensor")?;
        }
        let mut said = Vec::new();
        if let Some(value) = temperature {
            known.temperature = Some(Told { value, at, by: by.into() });
            said.push(format!("{value}"));
        }
        if let Some(value) = agitation {
            known.agitation = Some(Told { value, at, by: by.into() });
            let how = if value.1 { "proven by a sensor" } else { "as told, not proven" };
            said.push(format!("agitation {} ({how})", value.0.name()));
        }
        if said.is_empty() {
            return Err("say a temperature, an agitation, or both".into());
        }
        Ok(format!("{tank}: {}", said.join(", ")))
    }

    /// What the controller is told of that tank.
    pub fn news(&self, tank: &str) -> BathNews {
        let now = self.clock.now();
        let tanks = self.tanks();
        let Some(known) = tanks.get(tank) else { return BathNews::default() };
        BathNews {
            temperature: known.temperature.as_ref().map(|t| (t.value, t.at)),
            agitation: known.agitation_at(now).map(|(agitation, proven, _)| (agitation, proven)),
        }
    }

    /// What people are told of it; `None` for a tank that is not in the config.
    pub fn view(&self, tank: &str) -> Option<BathView> {
        let now = self.clock.now();
        let tanks = self.tanks();
        let known = tanks.get(tank)?;
        let (agitation, proven, by) =
            known.agitation_at(now).unwrap_or((known.source.agitation, false, "the config"));
        Some(BathView {
            temperature_celsius: known.temperature.as_ref().map(|t| t.value.get()),
            temperature_age_seconds: known.temperature.as_ref().map(|t| now.since(t.at).as_secs_f64()),
            temperature_by: known.temperature.as_ref().map(|t| t.by.clone()),
            temperature_trouble: known.temperature_trouble.clone(),
            agitation: Some(agitation),
            agitation_proven: proven,
            agitation_by: Some(by.into()),
            agitation_trouble: known.agitation_trouble.clone(),
        })
    }

    fn tanks(&self) -> MutexGuard<'_, BTreeMap<String, Known>> {
        self.tanks.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Known {
    /// How it is moved, whether that is proven, and who says so. `None`: nobody but the config.
    fn agitation_at(&self, now: Mono) -> Option<(Agitation, bool, &str)> {
        match &self.agitation {
            Some(Told { value: (agitation, proven), at, by }) => {
                Some((*agitation, *proven && now.since(*at) <= PROOF, by))
            }
            // A sensor that failed: what is assumed must be told, or its last word would stand.
            None if self.agitation_trouble.is_some() => Some((self.source.agitation, false, "the config")),
            None => None,
        }
    }
}

#[derive(Clone, Copy, Debug)]
enum Sense {
    Temperature,
    Agitation,
}

enum Sensed {
    Temperature(Temperature),
    Running(bool),
}

impl Sense {
    fn read(self, source: &BathSource) -> Result<Sensed, String> {
        match (self, &source.thermometer, &source.stirring) {
            (Sense::Temperature, Some((path, scale)), _) => {
                celsius(path, *scale).map(|c| Sensed::Temperature(Temperature::new(c)))
            }
            (Sense::Agitation, _, Some((path, running))) => runs(path, running).map(Sensed::Running),
            _ => Err("there is no such sensor".into()),
        }
    }
}

#[expect(clippy::disallowed_methods, reason = "a sensor is a file; this is the edge")]
fn content(path: &Path) -> Result<String, String> {
    let text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
    let text = text.trim();
    if text.is_empty() { Err(format!("{} is empty", path.display())) } else { Ok(text.into()) }
}

/// The number in that file, as 1-wire and hwmon give it, in degC.
fn celsius(path: &Path, scale: f64) -> Result<f64, String> {
    let text = content(path)?;
    let shown: String = text.chars().take(20).collect();
    let celsius = text.parse::<f64>().map_err(|_| format!("it says {shown:?}, which is no number"))? * scale;
    // No aqueous bath is outside; -127 and 85 degC are how 1-wire sensors fail (from memory).
    if !(-20.0..=150.0).contains(&celsius) {
        return Err(format!("it says {celsius:.1} °C, which no bath has"));
    }
    Ok(celsius)
}

/// Whether that file says that the solution is moved.
fn runs(path: &Path, running: &str) -> Result<bool, String> {
    content(path).map(|text| text == running)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn source(folder: &Path) -> BathSource {
        BathSource {
            tank: "nickel".into(),
            agitation: Agitation::Air,
            thermometer: Some((folder.join("temperature"), 0.001)),
            stirring: Some((folder.join("pump"), "1".into())),
        }
    }

    #[expect(clippy::disallowed_methods, reason = "a sensor is a file")]
    fn write(path: &Path, text: &str) {
        std::fs::write(path, text).unwrap();
    }

    async fn seen(baths: &Baths, what: &str, wanted: impl Fn(&BathView) -> bool) -> BathView {
        for _ in 0..500 {
            let view = baths.view("nickel").unwrap();
            if wanted(&view) {
                return view;
            }
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        panic!("never {what}: {:?}", baths.view("nickel"));
    }

    #[tokio::test]
    async fn pump_that_stops_is_still_and_proven_and_a_sensor_that_goes_proves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let source = source(folder.path());
        write(&folder.path().join("temperature"), "54250\n");
        write(&folder.path().join("pump"), "1\n");
        let baths = Baths::new(vec![source.clone()], Clock::new());
        let tasks = baths.watch_sensors();
        let view = seen(&baths, "read", |v| v.agitation_proven && v.temperature_celsius.is_some()).await;
        assert_eq!((view.temperature_celsius, view.agitation), (Some(54.25), Some(Agitation::Air)));
        write(&folder.path().join("pump"), "0\n");
        seen(&baths, "stopped", |v| v.agitation == Some(Agitation::Still)).await;
        assert_eq!(baths.news("nickel").agitation, Some((Agitation::Still, true)));
        // Both sensors go: the temperature only ages, the agitation is assumed again.
        write(&folder.path().join("pump"), "");
        write(&folder.path().join("temperature"), "-127000");
        let view =
            seen(&baths, "failed", |v| v.agitation_trouble.is_some() && v.temperature_trouble.is_some())
                .await;
        assert_eq!(view.temperature_celsius, Some(54.25));
        assert!(view.temperature_trouble.unwrap().contains("no bath has"));
        assert_eq!(baths.news("nickel").agitation, Some((Agitation::Air, false)));
        assert!(baths.view("nickel").unwrap().sentence().contains("SENSOR FAILED"));
        tasks.iter().for_each(JoinHandle::abort);
    }

    #[test]
    fn word_of_a_person_is_not_proven_and_does_not_overrule_a_sensor() {
        let folder = tempfile::tempdir().unwrap();
        let bare = BathSource { thermometer: None, stirring: None, ..source(folder.path()) };
        let baths = Baths::new(vec![bare], Clock::new());
        let warm = Some(Temperature::new(52.0));
        baths.tell("nickel", "mila", warm, Some((Agitation::Rod, false))).unwrap();
        assert_eq!(baths.news("nickel").agitation, Some((Agitation::Rod, false)));
        assert_eq!(baths.view("nickel").unwrap().temperature_by.as_deref(), Some("mila"));
        assert!(baths.tell("nickel", "mila", None, None).is_err());
        assert!(baths.tell("gold", "mila", warm, None).unwrap_err().contains("there is: nickel"));
        let baths = Baths::new(vec![source(folder.path())], Clock::new());
        assert!(baths.tell("nickel", "mila", warm, None).unwrap_err().contains("has a thermometer"));
        // Once it has failed, a hand-held one counts again.
        baths.failed("nickel", Sense::Temperature, "gone");
        assert!(baths.tell("nickel", "mila", warm, None).is_ok());
    }

    #[test]
    fn what_no_bath_has_is_no_temperature() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("t");
        for (text, scale, good) in [
            ("54250", 0.001, true),
            ("85", 1.0, true),
            ("-127", 1.0, false),
            ("x", 1.0, false),
            ("NaN", 1.0, false),
        ] {
            write(&file, text);
            assert_eq!(celsius(&file, scale).is_ok(), good, "{text}");
        }
        assert!(celsius(&folder.path().join("none"), 1.0).is_err());
    }
}

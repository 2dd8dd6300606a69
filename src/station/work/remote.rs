//! The seam between a station's task and its supply, so that tests can put another behind it.

use crate::quantity::{Amps, Reading, Volts};
use crate::run::Protection;
use crate::supply::{Ammeter, Clock, Device, Dialect, Spec, Trouble};
use std::collections::BTreeMap;
use std::sync::Arc;

/// A supply as the task uses it. After a [`Trouble`] that is gone, only
/// [`Remote::open`] and [`Remote::off`] help.
pub(super) trait Remote {
    /// Connects, identifies, switches off, confirms; what it says it is.
    async fn open(&mut self) -> Result<String, Trouble>;
    /// What its output was when it was last opened, before it was switched off; `None` where it was not heard.
    fn found_on(&self) -> Option<bool> {
        None
    }
    /// Lets go of the port.
    fn close(&mut self);
    /// Output off, confirmed; opens the port if need be, asks for no identity.
    async fn off(&mut self) -> Result<(), Trouble>;
    /// Safe and known: off, protections, ceiling, no current.
    async fn prepare(&mut self, protection: Protection, ceiling: Volts) -> Result<(), Trouble>;
    /// Both setpoints.
    async fn set(&mut self, amps: Amps, volts: Volts) -> Result<(), Trouble>;
    /// Output on.
    async fn on(&mut self) -> Result<(), Trouble>;
    /// One reading.
    async fn read(&mut self) -> Result<Reading, Trouble>;
    /// Whether it is the trouble of some of several supplies, and the others did as they were told.
    fn partly(&self, _trouble: &Trouble) -> bool {
        false
    }
    /// Setpoints written so far.
    fn writes(&self) -> u64;
    /// Troubles so far, by kind.
    fn errors(&self) -> BTreeMap<&'static str, u64>;
}

/// The real one, and what corrects its amperes: nothing above sees any but true ones.
#[derive(Debug)]
pub(super) struct Line(Device, Option<Ammeter>, Option<bool>);

impl Line {
    pub fn new(spec: Spec, dialect: Arc<Dialect>, ammeter: Option<Ammeter>, clock: Clock) -> Self {
        Line(Device::new(spec, dialect, clock), ammeter, None)
    }

    /// What the supply must be told, by its own ammeter, for that many true amperes.
    fn told(&self, amps: Amps) -> Amps {
        self.1.as_ref().map_or(amps, |ammeter| ammeter.told(amps))
    }
}

impl Remote for Line {
    fn found_on(&self) -> Option<bool> {
        self.2
    }
    async fn open(&mut self) -> Result<String, Trouble> {
        self.2 = None;
        let identity = match self.0.connect().await {
            Ok(identity) => identity,
            Err(trouble) => {
                // It is there but cannot say who it is: off all the same. Another instrument's
                // name is a different thing; that one is left alone.
                if trouble.is_doubtful() {
                    let _unseen = self.0.off().await;
                }
                return Err(trouble);
            }
        };
        // One question, once: off waits for nothing more.
        self.2 = self.0.output_once().await;
        self.0.off().await?;
        self.0.mend_setpoints().await?;
        for left in &identity.left_in_queue {
            tracing::warn!(port = %self.0.spec().port, "the supply had an error waiting: {left}");
        }
        if !identity.pinned {
            tracing::warn!(
                port = %self.0.spec().port,
                "identity is not pinned, so any supply would be taken; put identity = \"…\" of {:?} into the config",
                identity.text
            );
        }
        Ok(identity.text)
    }
    fn close(&mut self) {
        self.0.close();
    }
    async fn off(&mut self) -> Result<(), Trouble> {
        self.0.off().await
    }
    async fn prepare(&mut self, protection: Protection, ceiling: Volts) -> Result<(), Trouble> {
        self.0.prepare(protection.over_voltage, self.told(protection.over_current), ceiling).await
    }
    async fn set(&mut self, amps: Amps, volts: Volts) -> Result<(), Trouble> {
        self.0.set(self.told(amps), volts).await.map(|_| ())
    }
    async fn on(&mut self) -> Result<(), Trouble> {
        self.0.output_on().await
    }
    async fn read(&mut self) -> Result<Reading, Trouble> {
        let reading = self.0.read().await?;
        Ok(self.1.as_ref().map_or(reading, |ammeter| ammeter.corrected(reading)))
    }
    fn writes(&self) -> u64 {
        self.0.writes()
    }
    fn errors(&self) -> BTreeMap<&'static str, u64> {
        self.0.errors().clone()
    }
}

//! One supply: identified, prepared, set, read, switched off.

mod told;

use super::dialect::{Dialect, Persistence, PowerUp};
use super::session::{self, Session, words};
use super::talk::{self, Item, Order, QUEUE, Value};
use super::trouble::Trouble;
use super::{Clock, Spec};
use crate::quantity::{Amps, Faults, Mono, Reading, Regulation, Volts};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::Instant;

/// What every poll asks for; the rest goes round, one at a time.
const EACH: [Item; 3] = [Item::Volts, Item::Amps, Item::Output];
/// The rest. After a change, what it concerns is asked for in the next poll.
const ROUND: [Item; 5] =
    [Item::SetAmps, Item::SetVolts, Item::Regulation, Item::OverVoltageTripped, Item::OverCurrentTripped];
/// How often a thing is tried before it is given up.
const TRIES: usize = 3;
/// A relay has switched by then. Common practice, no source.
const SWITCHES: Duration = Duration::from_millis(50);
/// A supply that says it is busy is asked again after this. Common practice, no source.
const BUSY: Duration = Duration::from_millis(50);
/// After the first trouble of a kind, one line in the log per this time.
const LOG_EVERY: Duration = Duration::from_secs(60);

/// Who answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Identity {
    /// What it says it is; printable ASCII.
    pub text: String,
    /// Whether config pins it; else any supply would have been taken.
    pub pinned: bool,
    /// Bytes that lay on the line before anything was asked.
    pub unsolicited: u64,
    /// What its error queue held, as `-113 Undefined header`; emptied.
    pub left_in_queue: Vec<String>,
}

/// A supply as the station holds it. The type is concrete; framings differ inside.
///
/// Every future may be dropped half-way: the line is then suspect and the next
/// call mends it first.
pub struct Device {
    spec: Spec,
    dialect: Arc<Dialect>,
    clock: Clock,
    session: Option<Session>,
    identity: Option<String>,
    known: BTreeMap<Item, Value>,
    next: usize,
    volts: Option<String>,
    amps: Option<String>,
    asked_before: (Volts, Amps),
    /// Its communication watchdog is armed.
    watched: bool,
    /// It lost its mains since it was prepared, as far as can be told.
    cycled: bool,
    writes: u64,
    errors: BTreeMap<&'static str, u64>,
    logged: BTreeMap<&'static str, (Mono, u64)>,
}

impl std::fmt::Debug for Device {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Device")
            .field("port", &self.spec.port)
            .field("identity", &self.identity)
            .finish_non_exhaustive()
    }
}

impl Device {
    /// Does nothing yet.
    pub fn new(spec: Spec, dialect: Arc<Dialect>, clock: Clock) -> Self {
        Device {
            spec,
            dialect,
            clock,
            session: None,
            identity: None,
            known: BTreeMap::new(),
            next: 0,
            volts: None,
            amps: None,
            asked_before: (Volts::ZERO, Amps::ZERO),
            watched: false,
            cycled: false,
            writes: 0,
            errors: BTreeMap::new(),
            logged: BTreeMap::new(),
        }
    }

    /// How config describes it.
    pub fn spec(&self) -> &Spec {
        &self.spec
    }

    /// Its dialect.
    pub fn dialect(&self) -> &Arc<Dialect> {
        &self.dialect
    }

    /// Whether the port is open; says nothing of whether the supply answers.
    pub fn is_connected(&self) -> bool {
        self.session.is_some()
    }

    /// Troubles so far, by kind.
    pub fn errors(&self) -> &BTreeMap<&'static str, u64> {
        &self.errors
    }

    /// Setpoints written so far.
    pub fn writes(&self) -> u64 {
        self.writes
    }

    /// Closes the port.
    pub fn close(&mut self) {
        self.session = None;
        self.forget();
    }

    /// Opens the port, asks who is there and refuses anybody else, empties the error queue.
    ///
    /// # Errors
    /// Any [`Trouble`]; the port is then closed again.
    pub async fn connect(&mut self) -> Result<Identity, Trouble> {
        self.close();
        self.identity = None;
        let opened = Session::open(&self.spec, &self.dialect).await;
        let session = opened.map_err(|trouble| self.count(trouble))?;
        self.connect_in(session).await
    }

    /// As [`Device::connect`], over a stream that is already open.
    ///
    /// # Errors
    /// Any [`Trouble`]; the stream is then dropped.
    pub async fn connect_over(
        &mut self,
        io: impl tokio::io::AsyncRead + tokio::io::AsyncWrite + Unpin + Send + 'static,
    ) -> Result<Identity, Trouble> {
        self.close();
        self.identity = None;
        let session = Session::over(Box::new(io), &self.spec, &self.dialect);
        self.connect_in(session).await
    }

    /// As [`Device::connect`], in a session that is open.
    pub(super) async fn connect_in(&mut self, session: Session) -> Result<Identity, Trouble> {
        self.attach(session);
        let connected = self.introduce().await;
        if connected.is_err() {
            self.close();
        }
        connected
    }

    /// Output off, confirmed. Needs no identity and waits for nothing: the
    /// order goes out before anything is asked, whatever state the line is in.
    ///
    /// # Errors
    /// The last [`Trouble`] if it could not be confirmed in three tries; the
    /// output is then to be taken for on.
    pub async fn off(&mut self) -> Result<(), Trouble> {
        self.known.remove(&Item::Output);
        let mut last = gone();
        for _ in 0..TRIES {
            if self.session.is_none() {
                let opened = Session::open(&self.spec, &self.dialect).await;
                let session = opened.map_err(|t| self.count(t))?;
                self.attach(session);
            }
            match self.off_once().await {
                Ok(()) => {
                    self.unwatch().await;
                    return Ok(());
                }
                Err(trouble) => last = trouble,
            }
            if matches!(last, Trouble::ReadBack { .. }) {
                // It answers, but has not switched yet; a relay needs a moment.
                tokio::time::sleep(SWITCHES).await;
            }
        }
        Err(last)
    }

    /// Brings it into a safe known state: identity again, output off and
    /// confirmed, setpoints at zero, its own protections cleared, programmed
    /// and read back where the dialect has them, then the ceiling, read back.
    ///
    /// # Errors
    /// Any [`Trouble`]; nothing may then be switched on.
    pub async fn prepare(
        &mut self,
        over_voltage: Volts,
        over_current: Amps,
        ceiling: Volts,
    ) -> Result<(), Trouble> {
        let range = self.dialect.range;
        for (order, value, most) in [
            (Order::OverVoltageLevel(over_voltage), over_voltage.get(), range.volts_most.get()),
            (Order::OverCurrentLevel(over_current), over_current.get(), range.amps_most.get()),
            (Order::SetVolts(ceiling), ceiling.get(), range.volts_most.get()),
        ] {
            self.check(order, value, most)?;
        }
        self.identify().await?;
        self.prove().await?;
        self.off().await?;
        self.forget();
        self.cycled = false;
        // Zero first: a supply refuses a protection level below its own setpoint.
        self.write_amps(Amps::ZERO).await?;
        self.write_volts(Volts::ZERO).await?;
        let sets = [
            (
                [Order::OverVoltageClear, Order::OverVoltageLevel(over_voltage), Order::OverVoltageArm],
                Item::OverVoltageTripped,
            ),
            (
                [Order::OverCurrentClear, Order::OverCurrentLevel(over_current), Order::OverCurrentArm],
                Item::OverCurrentTripped,
            ),
        ];
        for (orders, tripped) in sets {
            for order in orders {
                self.command(order).await?;
            }
            self.expect_flag(tripped, false, "protection tripped").await?;
        }
        let (volts, amps) = (range.volts_step.get(), range.amps_step.get());
        self.expect_number(Item::OverVoltageLevel, over_voltage.get(), volts, "over-voltage level").await?;
        self.expect_number(Item::OverCurrentLevel, over_current.get(), amps, "over-current level").await?;
        self.expect_flag(Item::OverVoltageArmed, true, "over-voltage protection").await?;
        self.expect_flag(Item::OverCurrentArmed, true, "over-current protection").await?;
        self.watch().await?;
        self.write_volts(ceiling).await?;
        self.expect_number(Item::SetVolts, ceiling.get(), volts, "ceiling").await?;
        self.expect_number(Item::SetAmps, 0.0, amps, "current").await
    }

    /// Sets both setpoints: writes only what differs from the last confirmed
    /// write, and lowers first what is lowered. Each is rounded down to the
    /// dialect's step. Returns whether anything was written.
    ///
    /// # Errors
    /// Any [`Trouble`]; which of the two the supply then holds is not known,
    /// and the next call writes both.
    pub async fn set(&mut self, amps: Amps, volts: Volts) -> Result<bool, Trouble> {
        self.check(Order::SetAmps(amps), amps.get(), self.dialect.range.amps_most.get())?;
        self.check(Order::SetVolts(volts), volts.get(), self.dialect.range.volts_most.get())?;
        self.not_cycled()?;
        let before = self.writes;
        let volts_fall = volts < self.asked_before.0;
        let amps_rise = amps > self.asked_before.1;
        if volts_fall && amps_rise {
            self.write_volts(volts).await?;
            self.write_amps(amps).await?;
        } else {
            self.write_amps(amps).await?;
            self.write_volts(volts).await?;
        }
        Ok(self.writes != before)
    }

    /// Output on, confirmed. The caller has called [`Device::prepare`].
    ///
    /// # Errors
    /// Any [`Trouble`]; the output may then be on.
    pub async fn output_on(&mut self) -> Result<(), Trouble> {
        self.not_cycled()?;
        self.known.remove(&Item::Output);
        self.command(Order::On).await?;
        self.expect_flag(Item::Output, true, "output").await
    }

    /// One reading. Measured volts, amperes and the output state are asked for
    /// each time; setpoints, regulation and trips in turn, one each time, and
    /// at once after they were changed or after trouble.
    ///
    /// # Errors
    /// Any [`Trouble`]. A doubtful answer never becomes a reading.
    pub async fn read(&mut self) -> Result<Reading, Trouble> {
        let mut items = EACH.to_vec();
        items.extend(ROUND.iter().filter(|item| !self.known.contains_key(item)));
        if items.len() == EACH.len() || self.rotation().all(|item| self.known.contains_key(&item)) {
            items.truncate(EACH.len());
            let round: Vec<Item> = self.rotation().collect();
            items.extend(round.get(self.next % round.len().max(1)));
            self.next = self.next.wrapping_add(1);
        }
        let was_on = self.known.get(&Item::Output).and_then(|v| v.flag()) == Some(true);
        let at = self.get(&items).await?;
        if was_on && self.known.get(&Item::Output) == Some(&Value::Flag(false)) {
            // It switched itself off: say why in the same reading.
            let why = [Item::OverVoltageTripped, Item::OverCurrentTripped, Item::Regulation];
            self.get(&[&why[..], &[Item::SetVolts, Item::SetAmps]].concat()).await?;
            self.look_for_power_cut();
        }
        let number = |item| self.known.get(&item).and_then(|v| v.number());
        let flag = |item| self.known.get(&item).and_then(|v| v.flag());
        let output = flag(Item::Output);
        let holding = self.known.get(&Item::Regulation).and_then(|v| v.holding());
        let regulation = holding
            .filter(|_| session::tells_regulation(&self.dialect))
            .map(|(held, _)| if output == Some(false) { Regulation::Neither } else { held });
        let hot = holding.is_some_and(|(_, hot)| hot);
        Ok(Reading {
            at: self.clock.at(at),
            // Both were asked for and `get` answers all or nothing.
            volts: Volts::new(number(Item::Volts).unwrap_or(f64::NAN)),
            amps: Amps::new(number(Item::Amps).unwrap_or(f64::NAN)),
            regulation,
            output,
            set_amps: number(Item::SetAmps).map(Amps::new),
            set_volts: number(Item::SetVolts).map(Volts::new),
            faults: Faults {
                over_voltage: flag(Item::OverVoltageTripped).unwrap_or(false),
                over_current: flag(Item::OverCurrentTripped).unwrap_or(false),
                over_temperature: hot,
                ..Faults::default()
            },
        })
    }

    /// Asks who is there, without changing anything.
    pub(super) async fn identify(&mut self) -> Result<String, Trouble> {
        let mut last = None;
        for _ in 0..TRIES {
            let found = if self.session.as_ref().is_some_and(Session::is_suspect) {
                self.mend().await.map(|()| self.identity.clone().unwrap_or_default())
            } else {
                self.ask_identity().await
            };
            match found {
                Ok(text) => return Ok(text),
                Err(trouble) if trouble.is_doubtful() => last = Some(trouble),
                Err(trouble) => return Err(trouble),
            }
        }
        Err(last.unwrap_or_else(gone))
    }

    /// Puts an open session in place without a word, as off and probe need it.
    pub(super) fn attach(&mut self, session: Session) {
        self.session = Some(session);
        self.forget();
    }

    async fn introduce(&mut self) -> Result<Identity, Trouble> {
        let text = self.identify().await?;
        let unsolicited = self.session.as_ref().map_or(0, Session::unsolicited);
        self.prove().await?;
        let port = &self.spec.port;
        if self.dialect.power_up == PowerUp::On {
            tracing::warn!(%port, "this supply switches its output on by itself when the mains comes back: fit a contactor");
        }
        if self.dialect.setpoints == Persistence::Persistent {
            tracing::warn!(%port, "each setpoint wears a memory cell of this supply: keep ramps coarse");
        }
        let mut left_in_queue = Vec::new();
        while let Some((code, text)) = self.queue().await? {
            left_in_queue.push(format!("{code} {}", text.escape_debug()));
            if left_in_queue.len() >= QUEUE {
                self.command(Order::Forget).await?;
                break;
            }
        }
        Ok(Identity { text, pinned: self.spec.identity.is_some(), unsolicited, left_in_queue })
    }

    async fn off_once(&mut self) -> Result<(), Trouble> {
        let sent = match &mut self.session {
            Some(session) => session.tell(&self.dialect, Order::Off).await,
            None => Err(gone()),
        };
        match self.settle(sent) {
            // The order may have arrived although its acknowledgement did not: the output state tells.
            Err(trouble) if trouble.is_doubtful() => {}
            sent => sent?,
        }
        // Confirm. Any identity will do here: off is for whoever is there.
        if let Some(session) = self.session.as_mut().filter(|s| s.is_suspect()) {
            let quiet = match session.quiet().await {
                Ok(()) => session.identity(&self.dialect, |_| true).await.map(|_| ()),
                Err(trouble) => Err(trouble),
            };
            self.settle(quiet)?;
        }
        self.expect_flag(Item::Output, false, "output").await
    }

    /// A suspect line is believed again when it has been quiet and then answers a known question right.
    async fn mend(&mut self) -> Result<(), Trouble> {
        let Some(session) = &mut self.session else { return Err(gone()) };
        if !session.is_suspect() {
            return Ok(());
        }
        self.known.clear();
        let quiet = session.quiet().await;
        self.settle(quiet)?;
        self.ask_identity().await.map(|_| ())
    }

    async fn ask_identity(&mut self) -> Result<String, Trouble> {
        let Some(session) = &mut self.session else { return Err(gone()) };
        let (known, pinned) = (self.identity.clone(), self.spec.identity.clone());
        let fits = |text: &str| {
            known.as_ref().is_none_or(|known| known == text)
                && pinned.as_ref().is_none_or(|pinned| text.contains(pinned.as_str()))
        };
        let text = session.identity(&self.dialect, fits).await;
        let text = self.settle(text)?;
        if fits(&text) {
            self.identity = Some(text.clone());
            return Ok(text);
        }
        let wanted = pinned.or(known).unwrap_or_default();
        Err(self.count(Trouble::WrongIdentity { wanted, found: text.escape_debug().to_string() }))
    }

    /// What a known register proves about the order of words.
    pub(super) async fn prove(&mut self) -> Result<(), Trouble> {
        self.mend().await?;
        let Some(session) = &mut self.session else { return Err(gone()) };
        let proved = session.prove(&self.dialect).await;
        self.settle(proved)
    }

    /// Asks, remembers, returns when the amperes were taken.
    async fn get(&mut self, items: &[Item]) -> Result<Instant, Trouble> {
        for tried in 1.. {
            self.mend().await?;
            let Some(session) = &mut self.session else { return Err(gone()) };
            let got = session.get(&self.dialect, items).await;
            match self.settle(got) {
                Ok((values, at)) => {
                    self.known.extend(values);
                    return Ok(at);
                }
                Err(trouble) if tried < TRIES => {
                    wait_for(trouble).await.map_err(|t| told::by_order(&self.dialect, t))?;
                }
                Err(trouble) => return Err(trouble),
            }
        }
        Err(gone())
    }

    async fn queue(&mut self) -> Result<Option<(i32, String)>, Trouble> {
        self.mend().await?;
        let Some(session) = &mut self.session else { return Err(gone()) };
        let entry = session.error(&self.dialect).await;
        self.settle(entry)
    }

    /// Tells, then reads the error queue until it is empty. Orders the dialect has no words for are skipped.
    pub(super) async fn command(&mut self, order: Order) -> Result<(), Trouble> {
        let Some(told) = words(&self.dialect, order) else { return Ok(()) };
        for tried in 1.. {
            self.mend().await?;
            let Some(session) = &mut self.session else { return Err(gone()) };
            let sent = session.tell(&self.dialect, order).await;
            match self.settle(sent) {
                Ok(()) => break,
                Err(trouble) if tried < TRIES => wait_for(trouble).await?,
                Err(trouble) => return Err(trouble),
            }
        }
        let mut first = None;
        for _ in 0..QUEUE {
            match self.queue().await? {
                None => break,
                Some(entry) => first = first.or(Some(entry)),
            }
        }
        match first {
            None => Ok(()),
            // SCPI-1999 vol. 2, chapter 21 (error/event queue): -201, invalid while in local.
            Some((-201, _)) => Err(self.count(Trouble::LocalMode { told })),
            Some((code, said)) => {
                let said = said.escape_debug().to_string();
                Err(self.count(Trouble::Refused { told, code, said }))
            }
        }
    }

    async fn write_volts(&mut self, volts: Volts) -> Result<(), Trouble> {
        let told = words(&self.dialect, Order::SetVolts(volts));
        if self.volts.is_some() && self.volts == told {
            return Ok(());
        }
        self.volts = None;
        self.known.remove(&Item::SetVolts);
        self.writes += 1;
        self.command(Order::SetVolts(volts)).await?;
        self.volts = told;
        self.asked_before.0 = volts;
        Ok(())
    }

    async fn write_amps(&mut self, amps: Amps) -> Result<(), Trouble> {
        let told = words(&self.dialect, Order::SetAmps(amps));
        if self.amps.is_some() && self.amps == told {
            return Ok(());
        }
        self.amps = None;
        self.known.remove(&Item::SetAmps);
        self.writes += 1;
        self.command(Order::SetAmps(amps)).await?;
        self.amps = told;
        self.asked_before.1 = amps;
        Ok(())
    }

    fn rotation(&self) -> impl Iterator<Item = Item> {
        ROUND.into_iter().filter(|item| session::has(&self.dialect, *item))
    }

    /// Nothing that was read or written before is still known.
    fn forget(&mut self) {
        self.known.clear();
        self.volts = None;
        self.amps = None;
    }

    /// Counts and logs a trouble of the wire, and closes first when the port is gone.
    fn settle<T>(&mut self, result: Result<T, Trouble>) -> Result<T, Trouble> {
        result.map_err(|trouble| {
            self.known.clear();
            if trouble.is_gone() {
                self.close();
            }
            self.count(trouble)
        })
    }

    fn count(&mut self, trouble: Trouble) -> Trouble {
        let kind = trouble.kind();
        *self.errors.entry(kind).or_default() += 1;
        let now = self.clock.now();
        let (last, unsaid) = self.logged.get(kind).copied().unwrap_or((Mono::ZERO, 0));
        let first = !self.logged.contains_key(kind);
        if first || now.since(last) >= LOG_EVERY {
            let more = if unsaid == 0 { String::new() } else { format!(" (and {unsaid} more of this kind)") };
            tracing::warn!(port = %self.spec.port, "{trouble}{more}");
            self.logged.insert(kind, (now, 0));
        } else {
            self.logged.insert(kind, (last, unsaid + 1));
        }
        trouble
    }
}

fn gone() -> Trouble {
    Trouble::Gone("not connected".into())
}

/// What passes by itself is waited for; anything else is handed on.
async fn wait_for(trouble: Trouble) -> Result<(), Trouble> {
    match trouble {
        Trouble::Unsettled { .. } => Ok(()),
        Trouble::DeviceBusy { .. } => {
            tokio::time::sleep(BUSY).await;
            Ok(())
        }
        other => Err(other),
    }
}

//! What a supply was told, held against what it reports.

use super::{Amps, Device, Dialect, Item, Order, QUEUE, Trouble, Value, Volts, session, talk, words};

impl Device {
    /// Asks for one thing; `None` if the dialect cannot.
    pub(in super::super) async fn ask(&mut self, item: Item) -> Result<Option<Value>, Trouble> {
        if !session::has(&self.dialect, item) {
            return Ok(None);
        }
        self.get(&[item]).await?;
        Ok(self.known.get(&item).copied())
    }

    /// Overwrites with 0 what the supply holds as setpoints, if that cannot be believed, and reads them again: rubbish
    /// in its registers must not keep us out. To be called when the output is confirmed off, and only then.
    ///
    /// # Errors
    /// [`Trouble::Setpoint`] with the remedy if it is not believed even then; any other [`Trouble`] on the way.
    pub async fn mend_setpoints(&mut self) -> Result<(), Trouble> {
        let both = [Item::SetVolts, Item::SetAmps];
        let Err(trouble) = self.get(&both).await else { return Ok(()) };
        let why = match trouble {
            Trouble::OutOfRange { why, .. } => why,
            // Nothing proves the order, so it is a number that made it wild. 0 is 0 in every order.
            Trouble::WordOrder { why } if self.dialect.unproved().is_some() => why,
            other => return Err(other),
        };
        tracing::warn!(
            port = %self.spec.port,
            "a setpoint in the supply cannot be believed ({why}); the output is off, so both are overwritten with 0"
        );
        self.write_amps(Amps::ZERO).await?;
        self.write_volts(Volts::ZERO).await?;
        match self.get(&both).await {
            Ok(_) => Ok(()),
            Err(Trouble::OutOfRange { why, .. } | Trouble::WordOrder { why }) => {
                let why = format!(
                    "the output is confirmed off, but a setpoint that the supply reports cannot be believed ({why}), \
                     also after 0 was written: set volts and amperes at its front panel to small values, or switch its \
                     mains off and on; if it stays so, the dialect reads the wrong register, scale, type or order of \
                     words: compare what `tankside probe` prints with the supply's display"
                );
                Err(self.count(Trouble::Setpoint { why }))
            }
            Err(other) => Err(other),
        }
    }

    /// Arms its communication watchdog, if it has one.
    pub(super) async fn watch(&mut self) -> Result<(), Trouble> {
        // Armed from here on, even if its answer is lost.
        self.watched = words(&self.dialect, Order::Watch).is_some();
        self.command(Order::Watch).await
    }

    /// Disarms it, once the output is confirmed off: what trips while nobody talks would be a fault that is none. Once
    /// only, and without an error: nothing depends on it.
    pub(super) async fn unwatch(&mut self) {
        if !std::mem::take(&mut self.watched) {
            return;
        }
        if let Some(session) = &mut self.session {
            let told = session.tell(&self.dialect, Order::Unwatch).await;
            let _counted = self.settle(told);
        }
        // What it says to that must not be taken for the answer to what is told next.
        for _ in 0..QUEUE {
            if !matches!(self.queue().await, Ok(Some(_))) {
                break;
            }
        }
    }

    /// Setpoints that were there and are zero, and an output that is off and was on: it has been without mains.
    pub(super) fn look_for_power_cut(&mut self) {
        let zero =
            |item, step: f64| self.known.get(&item).and_then(|v| v.number()).is_some_and(|n| n.abs() <= step);
        let range = self.dialect.range;
        let (volts, amps) = (range.volts_step.get(), range.amps_step.get());
        let asked = self.asked_before.0.get() > volts && self.asked_before.1.get() > amps;
        if asked && zero(Item::SetVolts, volts) && zero(Item::SetAmps, amps) {
            self.cycled = true;
            self.volts = None;
            self.amps = None;
            let _ = self.not_cycled();
        }
    }

    /// After a power cut nothing is programmed again unless an operator starts something.
    pub(super) fn not_cycled(&mut self) -> Result<(), Trouble> {
        if !self.cycled {
            return Ok(());
        }
        let why = "the supply has been without mains: its output is off and its setpoints are back at zero; its \
                   protections are programmed again when a run is started";
        Err(self.count(Trouble::PowerCycled { why: why.into() }))
    }

    /// The last net: what is no sensible setpoint never reaches the wire.
    pub(super) fn check(&mut self, order: Order, value: f64, most: f64) -> Result<(), Trouble> {
        if value >= 0.0 && value <= most {
            return Ok(());
        }
        let asked = words(&self.dialect, order).unwrap_or_default();
        let why = format!("{value} is outside 0 to {most}");
        Err(self.count(Trouble::OutOfRange { asked, why, came: crate::supply::Bytes::default() }))
    }

    /// Whether its output is on, asked once; `None` where it cannot be asked or no good answer came.
    pub async fn output_once(&mut self) -> Option<bool> {
        if !session::has(&self.dialect, Item::Output) {
            return None;
        }
        let session = self.session.as_mut()?;
        let got = session.get(&self.dialect, &[Item::Output]).await;
        let (values, _) = self.settle(got).ok()?;
        values.into_iter().find(|(item, _)| *item == Item::Output)?.1.flag()
    }

    pub(super) async fn expect_flag(
        &mut self,
        item: Item,
        wanted: bool,
        what: &'static str,
    ) -> Result<(), Trouble> {
        if !session::has(&self.dialect, item) {
            return Ok(());
        }
        self.get(&[item]).await?;
        if self.known.get(&item).and_then(|v| v.flag()) == Some(wanted) {
            return Ok(());
        }
        let word = |on: bool| if on { "on" } else { "off" }.to_owned();
        Err(self.count(Trouble::ReadBack { what, wanted: word(wanted), found: word(!wanted) }))
    }

    pub(super) async fn expect_number(
        &mut self,
        item: Item,
        wanted: f64,
        step: f64,
        what: &'static str,
    ) -> Result<(), Trouble> {
        if !session::has(&self.dialect, item) {
            return Ok(());
        }
        self.get(&[item]).await?;
        let found = self.known.get(&item).and_then(|v| v.number()).unwrap_or(f64::NAN);
        // It was rounded down by up to a step, and the supply may round by another half.
        if (found - wanted).abs() <= step * 1.5 {
            return Ok(());
        }
        let (wanted, found) = (talk::decimal(wanted, step), talk::decimal(found, step));
        Err(self.count(Trouble::ReadBack { what, wanted, found }))
    }
}

/// A wild number, where nothing has proved the order of words: then that is the likely cause.
pub(super) fn by_order(dialect: &Dialect, trouble: Trouble) -> Trouble {
    match (&trouble, dialect.unproved()) {
        (Trouble::OutOfRange { came, .. }, Some(orders)) if !came.0.is_empty() => Trouble::WordOrder {
            why: format!(
                "{trouble}; nothing has proved the order of words ({orders}) of dialect {}: it is probably wrong, or a scale \
                 or a register is; compare them with the supply's manual, and write [modbus.known]",
                dialect.name
            ),
        },
        _ => trouble,
    }
}

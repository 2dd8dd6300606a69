//! What is in force at the supply, as far as it has acknowledged.

use crate::quantity::{Amps, Mono, Volts};
use std::collections::VecDeque;

/// What we last commanded and when; changed only on acknowledgement.
#[derive(Clone, Debug, Default)]
pub(super) struct Wire {
    /// Output commanded on. True from the moment the command is issued: a lost
    /// acknowledgement must not read as off.
    pub on: bool,
    /// Setpoints in force.
    pub amps: Amps,
    pub volts: Volts,
    /// Setpoints sent, not yet acknowledged.
    pub pending: Option<(Amps, Volts)>,
    /// When anything was last changed by us.
    pub changed: Option<Mono>,
    /// When the output was last switched by us.
    pub switched: Option<Mono>,
    /// When the supply was last seen (a good reading, or output switched on).
    pub observed: Option<Mono>,
    /// Setpoints in force lately: since when, amps, volts.
    pub recent: VecDeque<(Mono, Amps, Volts)>,
}

/// The span of the setpoints in force during the last second.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lately {
    pub least_amps: Amps,
    pub most_amps: Amps,
    pub least_volts: Volts,
    pub most_volts: Volts,
}

impl Wire {
    /// The setpoints sent are in force from `now`.
    pub fn acknowledge(&mut self, now: Mono) {
        if let Some((amps, volts)) = self.pending.take() {
            self.put(now, amps, volts);
        }
    }

    /// Those setpoints are in force from `now`.
    pub fn put(&mut self, now: Mono, amps: Amps, volts: Volts) {
        (self.amps, self.volts) = (amps, volts);
        self.changed = Some(now);
        self.recent.push_back((now, amps, volts));
    }

    /// What was in force since the last call of [`Wire::forget_before`].
    pub fn lately(&self) -> Lately {
        let first = Lately {
            least_amps: self.amps,
            most_amps: self.amps,
            least_volts: self.volts,
            most_volts: self.volts,
        };
        self.recent.iter().fold(first, |l, (_, amps, volts)| Lately {
            least_amps: l.least_amps.min(*amps),
            most_amps: l.most_amps.max(*amps),
            least_volts: l.least_volts.min(*volts),
            most_volts: l.most_volts.max(*volts),
        })
    }

    /// Forgets setpoints that were replaced before `limit`.
    pub fn forget_before(&mut self, limit: Mono) {
        while self.recent.len() > 1 && self.recent[1].0 <= limit {
            self.recent.pop_front();
        }
    }
}

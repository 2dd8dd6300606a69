//! Tank accounts in memory, so that readers of the live sum need no disk.

use super::TankRow;
use crate::quantity::Microcoulombs;
use std::collections::BTreeMap;
use std::time::Duration;

/// A sum that belongs to one tank, or to one run in it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Sum {
    pub microcoulombs: i64,
    pub unobserved_milliseconds: i64,
}

/// What every tank has worked. The same rule as on disk: a run's charge never falls.
#[derive(Debug, Default)]
pub(super) struct Accounts {
    tanks: BTreeMap<String, (Sum, u64)>,
    open: BTreeMap<String, (String, Sum)>,
}

impl Accounts {
    /// What the ledger said when it was opened.
    pub fn opened(rows: &[TankRow], unobserved_milliseconds: impl Fn(&TankRow) -> i64) -> Self {
        let tanks = rows
            .iter()
            .map(|row| {
                let sum = Sum {
                    microcoulombs: row.charge_microcoulombs,
                    unobserved_milliseconds: unobserved_milliseconds(row),
                };
                (row.tank.clone(), (sum, row.runs))
            })
            .collect();
        Accounts { tanks, open: BTreeMap::new() }
    }

    /// A run begins on a tank.
    pub fn begin(&mut self, run: &str, tank: &str) {
        self.tanks.entry(tank.into()).or_default().1 += 1;
        self.open.insert(run.into(), (tank.into(), Sum::default()));
    }

    /// A run's totals so far.
    pub fn charge(&mut self, run: &str, charge: Microcoulombs, unobserved: Duration) {
        let Some((tank, so_far)) = self.open.get_mut(run) else { return };
        let now = Sum {
            microcoulombs: charge.0.max(so_far.microcoulombs),
            unobserved_milliseconds: millis(unobserved).max(so_far.unobserved_milliseconds),
        };
        let account = &mut self.tanks.entry(tank.clone()).or_default().0;
        account.microcoulombs += now.microcoulombs - so_far.microcoulombs;
        account.unobserved_milliseconds += now.unobserved_milliseconds - so_far.unobserved_milliseconds;
        *so_far = now;
    }

    /// More time that was not observed, of a run that has ended.
    pub fn unobserved(&mut self, tank: &str, more: Duration) {
        self.tanks.entry(tank.into()).or_default().0.unobserved_milliseconds += millis(more);
    }

    /// A run has ended; its charge stays on the tank's account.
    pub fn end(&mut self, run: &str) {
        self.open.remove(run);
    }

    /// One tank's account; a tank that never worked has an empty one.
    pub fn tank(&self, tank: &str) -> TankRow {
        let (sum, runs) = self.tanks.get(tank).copied().unwrap_or_default();
        TankRow {
            tank: tank.into(),
            charge_coulombs: sum.microcoulombs as f64 / 1e6,
            charge_microcoulombs: sum.microcoulombs,
            unobserved_seconds: sum.unobserved_milliseconds as f64 / 1e3,
            runs,
        }
    }

    /// Every tank that has ever worked, by name.
    pub fn all(&self) -> Vec<TankRow> {
        self.tanks.keys().map(|tank| self.tank(tank)).collect()
    }
}

/// Whole milliseconds for a column.
pub(super) fn millis(time: Duration) -> i64 {
    i64::try_from(time.as_millis()).unwrap_or(i64::MAX)
}

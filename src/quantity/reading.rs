//! What a supply reports at one instant.

use super::{Amps, Mono, Volts};

/// Which of its two limits the supply says it is holding.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Regulation {
    /// The current stands at its setpoint.
    ConstantCurrent,
    /// The voltage stands at its setpoint (for a current run: at its ceiling).
    ConstantVoltage,
    /// The output is off, or the supply holds neither.
    Neither,
}

/// Protections that the supply says have tripped.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Faults {
    /// Its own over-voltage protection.
    pub over_voltage: bool,
    /// Its own over-current protection.
    pub over_current: bool,
    /// Its own temperature protection.
    pub over_temperature: bool,
    /// Any other protection, or one it does not name.
    pub other: bool,
    /// Of several supplies that feed one bar, one gives nothing while another goes on.
    pub parted: bool,
}

impl Faults {
    /// Whether anything has tripped.
    pub fn any(self) -> bool {
        self.over_voltage || self.over_current || self.over_temperature || self.other || self.parted
    }
}

/// One answer of the supply: what is measured and what it says of itself.
///
/// `None` means the dialect has no way to ask, never "the answer was lost":
/// a lost or doubtful answer yields no reading at all.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// When the measurement was taken, as near as the link can tell.
    pub at: Mono,
    /// Measured terminal volts.
    pub volts: Volts,
    /// Measured amperes.
    pub amps: Amps,
    /// Which limit the supply is holding.
    pub regulation: Option<Regulation>,
    /// Whether its output is on.
    pub output: Option<bool>,
    /// The current setpoint it reports back.
    pub set_amps: Option<Amps>,
    /// The voltage setpoint it reports back.
    pub set_volts: Option<Volts>,
    /// Protections that have tripped.
    pub faults: Faults,
}

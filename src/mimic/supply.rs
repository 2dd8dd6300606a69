//! The supply: two setpoints, the lower wins, protections, meters.

use super::cell::Cell;
use super::prng::Prng;

/// What a supply can do. Volts, amperes, seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rating {
    /// Highest voltage setpoint.
    pub max_volts: f64,
    /// Highest current setpoint.
    pub max_amps: f64,
    /// Resolution of voltage setpoint and meter.
    pub volts_step: f64,
    /// Resolution of current setpoint and meter.
    pub amps_step: f64,
    /// V/s at which the output follows its setpoint.
    pub volts_slew: f64,
    /// A/s at which the output follows its setpoint.
    pub amps_slew: f64,
    /// Noise of both meters, in counts (standard deviation).
    pub noise_counts: f64,
}

impl Default for Rating {
    /// A bench supply of 12 V and 10 A with a resolution of 1 mV and 1 mA.
    fn default() -> Self {
        Rating {
            max_volts: 12.0,
            max_amps: 10.0,
            volts_step: 1e-3,
            amps_step: 1e-3,
            volts_slew: 60.0,
            amps_slew: 50.0,
            noise_counts: 0.5,
        }
    }
}

/// Which limit it holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Holding {
    /// Off.
    Nothing,
    /// Its current setpoint.
    Current,
    /// Its voltage setpoint.
    Voltage,
}

/// A setpoint beyond what the supply can do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OutOfRange {
    /// What was asked.
    pub asked: f64,
    /// The most it takes.
    pub most: f64,
}

impl std::fmt::Display for OutOfRange {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} is out of range; use 0 to {}", self.asked, self.most)
    }
}
impl std::error::Error for OutOfRange {}

/// One protection.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Guard {
    /// It trips above this.
    pub level: f64,
    /// Whether it watches at all.
    pub armed: bool,
    /// Whether it has tripped.
    pub tripped: bool,
}

/// A supply in constant voltage or constant current, whichever is reached first.
#[derive(Clone, Debug)]
pub struct SupplyModel {
    rating: Rating,
    set_volts: f64,
    set_amps: f64,
    /// Where the slewing setpoints are now.
    now_volts: f64,
    now_amps: f64,
    output: bool,
    /// Over-voltage.
    pub ovp: Guard,
    /// Over-current.
    pub ocp: Guard,
    /// Over-temperature: trips by fault only.
    pub otp: bool,
    over_seconds: f64,
    volts: f64,
    amps: f64,
    holding: Holding,
    power_ups: u32,
}

impl SupplyModel {
    /// As it is when the mains comes on: output off, both setpoints at zero,
    /// over-voltage protection armed at 110 % of the rating, over-current protection not armed.
    pub fn new(rating: Rating) -> Self {
        SupplyModel {
            rating,
            set_volts: 0.0,
            set_amps: 0.0,
            now_volts: 0.0,
            now_amps: 0.0,
            output: false,
            ovp: Guard { level: rating.max_volts * 1.1, armed: true, tripped: false },
            ocp: Guard { level: rating.max_amps * 1.1, armed: false, tripped: false },
            otp: false,
            over_seconds: 0.0,
            volts: 0.0,
            amps: 0.0,
            holding: Holding::Nothing,
            power_ups: 1,
        }
    }

    /// As [`SupplyModel::new`], and counts one more power-up.
    pub fn power_up(&mut self) {
        *self = SupplyModel { power_ups: self.power_ups.saturating_add(1), ..SupplyModel::new(self.rating) };
    }

    /// Settings back to how they were at power-up; does not count as one.
    pub fn reset(&mut self) {
        *self = SupplyModel { power_ups: self.power_ups, ..SupplyModel::new(self.rating) };
    }

    /// Sets the voltage, rounded to its resolution.
    ///
    /// # Errors
    /// Below zero, above the rating, or not a number: nothing changes.
    pub fn set_volts(&mut self, volts: f64) -> Result<(), OutOfRange> {
        self.set_volts = in_range(volts, self.rating.max_volts, self.rating.volts_step)?;
        Ok(())
    }

    /// Sets the current, rounded to its resolution.
    ///
    /// # Errors
    /// Below zero, above the rating, or not a number: nothing changes.
    pub fn set_amps(&mut self, amps: f64) -> Result<(), OutOfRange> {
        self.set_amps = in_range(amps, self.rating.max_amps, self.rating.amps_step)?;
        Ok(())
    }

    /// Sets where the over-voltage protection trips.
    ///
    /// # Errors
    /// Below zero, above 110 % of the rating, or not a number: nothing changes.
    pub fn set_ovp(&mut self, volts: f64) -> Result<(), OutOfRange> {
        self.ovp.level = in_range(volts, self.rating.max_volts * 1.1, self.rating.volts_step)?;
        Ok(())
    }

    /// Sets where the over-current protection trips.
    ///
    /// # Errors
    /// Below zero, above 110 % of the rating, or not a number: nothing changes.
    pub fn set_ocp(&mut self, amps: f64) -> Result<(), OutOfRange> {
        self.ocp.level = in_range(amps, self.rating.max_amps * 1.1, self.rating.amps_step)?;
        Ok(())
    }

    /// Switches the output. On is refused (`false`) while a protection stands tripped.
    pub fn switch(&mut self, on: bool) -> bool {
        if on && self.tripped() {
            return false;
        }
        if on && !self.output {
            self.now_volts = 0.0;
            self.now_amps = 0.0;
        }
        self.output = on;
        if !on {
            self.amps = 0.0;
            self.holding = Holding::Nothing;
        }
        true
    }

    /// Whether any protection stands tripped.
    pub fn tripped(&self) -> bool {
        self.ovp.tripped || self.ocp.tripped || self.otp
    }

    /// Takes back every trip; the output stays off.
    pub fn clear_trips(&mut self) {
        self.ovp.tripped = false;
        self.ocp.tripped = false;
        self.otp = false;
        self.over_seconds = 0.0;
    }

    /// Whether the output is still on its way to a setpoint.
    pub fn slewing(&self) -> bool {
        self.output && (self.now_volts != self.set_volts || self.now_amps != self.set_amps)
    }

    /// Lets `seconds` pass and settles against the cell. Returns the amperes and volts at the terminals.
    pub fn advance(&mut self, seconds: f64, cell: &Cell) -> (f64, f64) {
        if !self.output {
            self.amps = 0.0;
            self.volts = cell.rest_volts();
            self.holding = Holding::Nothing;
            return (0.0, self.volts);
        }
        self.now_volts = toward(self.now_volts, self.set_volts, self.rating.volts_slew * seconds);
        self.now_amps = toward(self.now_amps, self.set_amps, self.rating.amps_slew * seconds);
        let wanted = cell.volts_at(self.now_amps);
        if wanted <= self.now_volts {
            self.amps = self.now_amps;
            self.volts = wanted;
            self.holding = Holding::Current;
        } else {
            self.amps = cell.current_at(self.now_volts).min(self.now_amps);
            self.volts = self.now_volts.max(cell.rest_volts());
            self.holding = Holding::Voltage;
        }
        self.protect(seconds, cell);
        (self.amps, self.volts)
    }

    fn protect(&mut self, seconds: f64, cell: &Cell) {
        if self.ovp.armed && self.volts > self.ovp.level + 0.5 * self.rating.volts_step {
            self.ovp.tripped = true;
        }
        // Over-current acts after 20 ms, so that a charging lead does not trip it.
        let over = self.amps > self.ocp.level + 0.5 * self.rating.amps_step;
        self.over_seconds = if over { self.over_seconds + seconds } else { 0.0 };
        if self.ocp.armed && self.over_seconds > 0.020 {
            self.ocp.tripped = true;
        }
        if self.tripped() {
            self.switch(false);
            self.volts = cell.rest_volts();
        }
    }

    /// What its meters say: true values with noise, in whole counts, never below zero.
    pub fn meters(&self, noise: &mut Prng) -> (f64, f64) {
        let r = &self.rating;
        let mut meter = |value: f64, step: f64| {
            let counts = value / step + r.noise_counts * noise.normal();
            (counts.round() * step).max(0.0)
        };
        (meter(self.volts, r.volts_step), meter(self.amps, r.amps_step))
    }

    /// True volts at the terminals.
    pub fn volts(&self) -> f64 {
        self.volts
    }
    /// True amperes.
    pub fn amps(&self) -> f64 {
        self.amps
    }
    /// Voltage setpoint.
    pub fn volts_setpoint(&self) -> f64 {
        self.set_volts
    }
    /// Current setpoint.
    pub fn amps_setpoint(&self) -> f64 {
        self.set_amps
    }
    /// Whether the output is on.
    pub fn output(&self) -> bool {
        self.output
    }
    /// Which limit it holds.
    pub fn holding(&self) -> Holding {
        self.holding
    }
    /// What it can do.
    pub fn rating(&self) -> Rating {
        self.rating
    }
    /// How often the mains came on.
    pub fn power_ups(&self) -> u32 {
        self.power_ups
    }
}

fn in_range(asked: f64, most: f64, step: f64) -> Result<f64, OutOfRange> {
    // A NaN fails the comparison too.
    if asked >= 0.0 && asked <= most + 0.5 * step {
        Ok((asked / step).round() * step)
    } else {
        Err(OutOfRange { asked, most })
    }
}

fn toward(from: f64, to: f64, by: f64) -> f64 {
    if (to - from).abs() <= by { to } else { from + by.copysign(to - from) }
}

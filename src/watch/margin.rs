//! How far the edge is from burning, in three strands that are joined openly.
//!
//! Volts and amperes alone give no early warning: between half of the limit and
//! nine tenths of it the volts of a cell rise by tens of millivolts, as much as
//! one degree of bath temperature makes. So the early strand is a model: density
//! at the edge against what the bath allows here and now. It is only as good as
//! the area, the bath file and what is known of agitation and temperature, and
//! says so with its band.

use super::line::FittedLine;
use crate::bath::{Agitation, Burn};
use crate::quantity::{Amps, Area, Density, Temperature, Volts};
use serde::Serialize;
use std::time::Duration;

/// The limit rises with temperature by about this per degC (diffusion; the CRC
/// Handbook's 2-3 %/degC for ions in water).
const LIMIT_PER_DEGREE: f64 = 0.025;
/// One-sigma relative uncertainties that are joined in quadrature.
const AREA: f64 = 0.10;
const EDGE: f64 = 0.25;
const BURN_BY_PANEL: f64 = 0.15;
const BURN_BY_FILE: f64 = 0.30;
/// Temperature not measured: 6 degC either way.
const TEMPERATURE_UNKNOWN: f64 = 0.15;
/// Agitation that nobody proves may stop, and stopping halves the limit or worse.
const AGITATION_ASSUMED: f64 = 0.48;
/// The band shown is so many sigma either way: with it, good inputs give a factor
/// of 1.46 and poor ones 2.2, which is what simulated cells needed.
const BAND: f64 = 1.22;

/// The density at which this load is expected to burn, and what that rests on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BurnBasis {
    /// Local density at which the deposit darkens, at `agitation` and `temperature`.
    pub density: Density,
    /// Density at the edge over the mean.
    pub edge_factor: f64,
    /// For which agitation `density` holds.
    pub agitation: Agitation,
    /// The bath's own densities by agitation, of which the ratios count; `None`: the usual ratios.
    pub by_agitation: Option<Burn>,
    /// For which temperature it holds; `None`: the bath's usual one.
    pub temperature: Option<Temperature>,
    /// Whether it comes from this tank's own Hull panel or an earlier burn.
    pub own_panel: bool,
    /// The load's area.
    pub area: Area,
}

/// What is known of the bath just now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BathNow {
    /// Last measured temperature, and how old it is.
    pub temperature: Option<(Temperature, Duration)>,
    /// Agitation as last told or sensed.
    pub agitation: Agitation,
    /// Whether a sensor says so, rather than the config or a person.
    pub proven: bool,
}

/// Which strand speaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Strand {
    /// Density at the edge against what the bath allows.
    Density,
    /// Volts toward the level where this load's line meets the burn current.
    Voltage,
    /// Signs of hydrogen: late.
    Late,
}

/// The burn margin: 1 is far off, 0 is there.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Margin {
    /// The smallest of the strands.
    pub ratio: f64,
    /// Worst that the uncertainty allows.
    pub low: f64,
    /// Best that it allows.
    pub high: f64,
    /// Which strand.
    pub strand: Strand,
    /// Volts at which this load is expected to burn.
    pub burn_volts: Option<f64>,
    /// Minutes to the burn level at the present drift; `None` when it does not rise.
    pub minutes: Option<f64>,
    /// Whether agitation is proven by a sensor.
    pub agitation_proven: bool,
}

/// How much more (or less) the film lets through than at rod agitation. From memory;
/// film thicknesses of about 200, 100, 50 and 25 um.
pub fn agitation_factor(agitation: Agitation) -> f64 {
    match agitation {
        Agitation::Still => 0.5,
        Agitation::Rod => 1.0,
        Agitation::Air => 2.0,
        Agitation::Vigorous => 4.0,
    }
}

/// Local burn density here and now, and its relative one-sigma uncertainty.
pub fn burn_density(basis: &BurnBasis, bath: &BathNow) -> (Density, f64) {
    let stirred = match basis.by_agitation {
        Some(table) => table.at(bath.agitation) / table.at(basis.agitation),
        None => agitation_factor(bath.agitation) / agitation_factor(basis.agitation),
    };
    let (warmth, warmth_sigma) = match (bath.temperature, basis.temperature) {
        (Some((t, age)), Some(reference)) => {
            let factor = (1.0 + LIMIT_PER_DEGREE * (t - reference).get()).max(0.1);
            // A thermometer is good to a degree; a silent one by a degree a minute less.
            let degrees = 1.0 + age.as_secs_f64() / 60.0;
            (factor, (LIMIT_PER_DEGREE * degrees).min(2.0 * TEMPERATURE_UNKNOWN))
        }
        _ => (1.0, TEMPERATURE_UNKNOWN),
    };
    let agitation = if bath.proven || bath.agitation == Agitation::Still { 0.0 } else { AGITATION_ASSUMED };
    let burn = if basis.own_panel { BURN_BY_PANEL } else { BURN_BY_FILE };
    let sigma = [burn, warmth_sigma, agitation].iter().map(|s| s * s).sum::<f64>().sqrt();
    (basis.density * stirred * warmth, sigma)
}

/// Joins the strands. `volts` and `line` serve the voltage strand, where the ramp
/// has given a line; `rise` is the drift in volts per second.
pub fn join(
    basis: &BurnBasis,
    bath: &BathNow,
    amps: Amps,
    volts: Volts,
    line: Option<FittedLine>,
    rise: Option<f64>,
    late: bool,
) -> Margin {
    let (burn, sigma) = burn_density(basis, bath);
    let sigma = [sigma, AREA, EDGE].iter().map(|s| s * s).sum::<f64>().sqrt();
    let edge = amps / basis.area * basis.edge_factor;
    let used = edge / burn;
    let band = (BAND * sigma).exp();
    let mut margin = Margin {
        ratio: 1.0 - used,
        low: 1.0 - used * band,
        high: 1.0 - used / band,
        strand: Strand::Density,
        burn_volts: None,
        minutes: None,
        agitation_proven: bath.proven,
    };
    let burn_amps = burn * basis.area / basis.edge_factor;
    if let Some(line) = line.filter(|_| burn_amps.is_positive() && amps.is_positive()) {
        let level = line.volts_at(burn_amps);
        margin.burn_volts = Some(level.get());
        let span = level.get() - line.zero_volts;
        if span > 0.1 {
            let ratio = (level - volts).get() / span;
            if ratio < margin.ratio {
                let error = (line.zero_error + line.slope_error * burn_amps.get()) / span;
                let spread = (1.0 - ratio) * (band - 1.0) + error;
                margin.ratio = ratio;
                margin.low = ratio - spread;
                margin.high = (ratio + spread).min(1.0);
                margin.strand = Strand::Voltage;
            }
        }
        margin.minutes = rise
            .filter(|r| *r > 0.0)
            .map(|r| (level - volts).get() / r / 60.0)
            .filter(|m| *m >= 0.0 && m.is_finite());
    }
    if late && margin.ratio > 0.0 {
        margin.ratio = 0.0;
        margin.low = margin.low.min(0.0);
        margin.strand = Strand::Late;
    }
    margin
}

#[cfg(test)]
mod tests {
    use super::*;

    fn basis() -> BurnBasis {
        BurnBasis {
            density: Density::new(2000.0),
            edge_factor: 2.0,
            agitation: Agitation::Air,
            by_agitation: None,
            temperature: Some(Temperature::new(55.0)),
            own_panel: true,
            area: Area::new(0.01),
        }
    }

    fn bath() -> BathNow {
        BathNow {
            temperature: Some((Temperature::new(55.0), Duration::ZERO)),
            agitation: Agitation::Air,
            proven: true,
        }
    }

    fn ratio(bath: &BathNow, amps: f64) -> Margin {
        join(&basis(), bath, Amps::new(amps), Volts::new(4.0), None, None, false)
    }

    #[test]
    fn half_the_limit_is_half_the_margin_and_good_inputs_give_the_narrow_band() {
        let m = ratio(&bath(), 5.0);
        assert!((m.ratio - 0.5).abs() < 1e-12, "{m:?}");
        let factor = (1.0 - m.low) / (1.0 - m.ratio);
        assert!((factor - 1.46).abs() < 0.02, "{factor}");
    }

    #[test]
    fn poor_inputs_give_the_wide_band() {
        let poor = BathNow { temperature: None, agitation: Agitation::Air, proven: false };
        let m = join(
            &BurnBasis { own_panel: false, ..basis() },
            &poor,
            Amps::new(5.0),
            Volts::new(4.0),
            None,
            None,
            false,
        );
        let factor = (1.0 - m.low) / (1.0 - m.ratio);
        assert!((factor - 2.2).abs() < 0.05, "{factor}");
    }

    #[test]
    fn a_stopped_pump_takes_the_margin_away_at_once() {
        let stopped = BathNow { agitation: Agitation::Still, ..bath() };
        assert!(ratio(&bath(), 6.0).ratio > 0.3);
        assert!(ratio(&stopped, 6.0).ratio < 0.0);
    }

    #[test]
    fn a_cooling_bath_allows_less_and_a_stale_thermometer_says_less() {
        let cold = BathNow { temperature: Some((Temperature::new(45.0), Duration::ZERO)), ..bath() };
        assert!(ratio(&cold, 5.0).ratio < ratio(&bath(), 5.0).ratio);
        let stale =
            BathNow { temperature: Some((Temperature::new(55.0), Duration::from_secs(600))), ..bath() };
        let (fresh, stale) = (ratio(&bath(), 5.0), ratio(&stale, 5.0));
        assert!(stale.low < fresh.low && stale.ratio == fresh.ratio);
    }
}

//! Tanks and supplies drawn from a seed, so that a watch is measured on many
//! that differ, not on the one it was made with.
//!
//! The ranges are common practice of small benches (no source), wide on purpose.

use super::bench::Setup;
use super::chemistry::{Chemistry, Kind};
use super::life::{Hand, Life, Sway};
use super::prng::Prng;
use super::script::Script;
use super::supply::Rating;
use crate::bath::Agitation;
use crate::quantity::{Amps, Area, Temperature, Volts};
use std::time::Duration;

/// Two kinds of cell that a watch on volts meets quite differently.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Family {
    /// Warm; a good part of the volts, mostly more than half, is ohmic.
    Nickel,
    /// Near room temperature, with little ohmic drop.
    Copper,
}

/// What goes on while nothing is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Habit {
    /// Nothing.
    Quiet,
    /// The thermostat swings widely.
    Heater,
    /// The bath is still warming up.
    WarmUp,
    /// Hands turn the work in place.
    Turns,
    /// The work is taken out and turned, as the run asks.
    Lifts,
    /// The deposit grows rough: more area.
    Growth,
    /// A moving cathode rod.
    Rod,
    /// Thermostat, hands and rod.
    Mixed,
}

impl Habit {
    /// All of them.
    pub const ALL: [Habit; 8] = [
        Habit::Quiet,
        Habit::Heater,
        Habit::WarmUp,
        Habit::Turns,
        Habit::Lifts,
        Habit::Growth,
        Habit::Rod,
        Habit::Mixed,
    ];
}

/// One bench and the work on it.
#[derive(Clone, Debug)]
pub struct Drawn {
    /// Supply, bath, load.
    pub setup: Setup,
    /// Circumstances.
    pub life: Life,
    /// The setpoint.
    pub amps: Amps,
    /// The voltage ceiling.
    pub ceiling: Volts,
    /// Seconds to the setpoint.
    pub ramp: f64,
    /// Time between readings.
    pub poll: Duration,
    /// Edge density over its limit at the start.
    pub used: f64,
    /// Whether a thermometer hangs in the bath.
    pub thermometer: bool,
    /// For draws that a caller makes beyond these: independent of them.
    pub dice: Prng,
}

/// One of that family with that habit.
pub fn draw(family: Family, habit: Habit, seed: u64) -> Drawn {
    let mut dice = Prng::new(seed.wrapping_mul(0x2545_F491_4F6C_DD1D) ^ 0x7A6B_5C4D);
    let d = &mut dice;
    let mut c = Chemistry::new(match family {
        Family::Nickel => Kind::Nickel,
        Family::Copper => Kind::Copper,
    });
    let room = between(d, 14.0, 24.0);
    let density = match family {
        Family::Nickel => {
            c.resistance = between(d, 4.0e-3, 9.0e-3);
            c.temperature = between(d, 48.0, 62.0);
            between(d, 200.0, 550.0)
        }
        Family::Copper => {
            c.resistance = between(d, 0.5e-3, 2.2e-3);
            c.temperature = between(d, 26.0, 36.0);
            between(d, 150.0, 400.0)
        }
    };
    c.cathode.0 *= between(d, 0.8, 1.2);
    c.anode.0 *= between(d, 0.8, 1.2);
    c.cathode.1 *= log_between(d, 0.4, 2.5);
    c.anode.1 *= log_between(d, 0.4, 2.5);
    let edge_factor = between(d, 1.0, 4.0);
    let used = between(d, 0.35, 0.75);
    let agitation = pick(d, &[Agitation::Rod, Agitation::Air, Agitation::Vigorous]);
    // The film that makes the edge use that share of its limit.
    c.film *= c.limit(agitation, c.temperature) / (density * edge_factor / used);

    // No film of a bath that is moved is thicker than this; then it is the metal that is little.
    let thickest = 250e-6 / c.film_thickness(agitation);
    if thickest < 1.0 {
        c.film *= thickest;
        c.bulk *= thickest;
    }

    let most = if d.unit() < 0.5 { 5.0 } else { 10.0 };
    let area = (log_between(d, 0.8, most * 0.9) / density).max(15e-4);
    let amps = (density * area).min(most * 0.95);
    let volts_step = pick(d, &[1e-3, 1e-3, 2e-3, 5e-3, 10e-3]);
    let amps_step = if volts_step >= 5e-3 { 10e-3 } else { 1e-3 };
    let bubbles = log_between(d, 0.5e-3, 4e-3);
    let rating = Rating {
        max_volts: 15.0,
        max_amps: most,
        volts_step,
        amps_step,
        noise_counts: (bubbles / volts_step).max(0.4),
        ..Rating::default()
    };
    let mut life = Life {
        leads: between(d, 0.01, 0.04),
        room,
        loss: between(d, 2400.0, 6000.0),
        band: between(d, 0.05, 0.15),
        below: 0.0,
        salt: match family {
            Family::Nickel => between(d, 0.15, 0.6),
            // In acid copper the acid carries the current; the copper hardly matters.
            Family::Copper => between(d, 0.0, 0.2),
        },
        settling: (between(d, -0.015, 0.010), between(d, 20.0, 150.0)),
        wander: (between(d, 0.0, 0.012), between(d, 600.0, 2400.0), between(d, 0.0, std::f64::consts::TAU)),
        ..Life::default()
    };
    life.heat = (c.temperature - room) / life.loss * between(d, 1.6, 3.5);
    let heater = |life: &mut Life, d: &mut Prng| life.band = between(d, 0.2, 1.0);
    let rod = |d: &mut Prng| Some(Sway { period: between(d, 2.0, 6.0), share: between(d, 0.002, 0.012) });
    match habit {
        Habit::Quiet | Habit::Lifts => {}
        Habit::Heater => heater(&mut life, d),
        Habit::WarmUp => life.below = between(d, 2.0, 8.0),
        Habit::Turns => life.hands = hands(d),
        Habit::Growth => life.growth = between(d, 0.05, 0.4),
        Habit::Rod => life.sway = rod(d),
        Habit::Mixed => {
            heater(&mut life, d);
            life.sway = rod(d);
            life.hands = hands(d);
        }
    }
    let setup = Setup {
        seed: d.bits(),
        rating,
        chemistry: c,
        area: Area::new(area),
        edge_factor,
        agitation,
        temperature: Temperature::new(c.temperature),
        resistor: None,
        script: Script::default(),
    };
    let kinetic = |(b, i0): (f64, f64)| b * (density / (2.0 * i0)).asinh();
    let usual =
        c.open_volts + kinetic(c.cathode) + kinetic(c.anode) + amps * (c.resistance / area + life.leads);
    let ceiling = (usual * between(d, 1.8, 2.4) + 0.5).min(14.0);
    let ramp = between(d, 10.0, 40.0);
    let poll = Duration::from_millis(pick(d, &[100, 200, 250, 500]));
    let thermometer = d.unit() < 0.5;
    Drawn {
        setup,
        life,
        amps: Amps::new((amps / amps_step).round() * amps_step),
        ceiling: Volts::new((ceiling * 100.0).round() / 100.0),
        ramp,
        poll,
        used,
        thermometer,
        dice,
    }
}

/// Hands at the work every few minutes for an hour and a half: 3 to 30 % for 1 to 6 s, leaving up to 1.2 %.
fn hands(d: &mut Prng) -> Vec<Hand> {
    let mut all = Vec::new();
    let mut at = between(d, 60.0, 240.0);
    while at < 5400.0 {
        let sign = if d.unit() < 0.7 { 1.0 } else { -1.0 };
        all.push(Hand {
            at,
            lasts: between(d, 1.0, 6.0),
            share: sign * between(d, 0.03, 0.30),
            leaves: between(d, -0.012, 0.012),
        });
        at += between(d, 120.0, 480.0);
    }
    all
}

/// Even between two numbers.
pub fn between(d: &mut Prng, low: f64, high: f64) -> f64 {
    low + (high - low) * d.unit()
}

/// Even between two numbers by their logarithm.
pub fn log_between(d: &mut Prng, low: f64, high: f64) -> f64 {
    low * (high / low).powf(d.unit())
}

fn pick<T: Copy>(d: &mut Prng, of: &[T]) -> T {
    // `bits` over the length is below the length, and no list here is empty.
    of[(d.bits() % of.len() as u64) as usize]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_bench_and_another_seed_another() {
        let a = draw(Family::Nickel, Habit::Mixed, 1);
        assert_eq!(a.setup, draw(Family::Nickel, Habit::Mixed, 1).setup);
        assert_ne!(a.setup, draw(Family::Nickel, Habit::Mixed, 2).setup);
    }

    #[test]
    fn nickel_has_ohmic_volts_and_copper_few_volts_and_none_begins_burning() {
        for seed in 0..50 {
            for family in [Family::Nickel, Family::Copper] {
                let b = draw(family, Habit::Quiet, seed);
                let cell = super::super::Cell::new(
                    b.setup.chemistry,
                    super::super::CellSetup {
                        area: b.setup.area.get(),
                        edge_factor: b.setup.edge_factor,
                        agitation: b.setup.agitation,
                        temperature: b.setup.temperature.get(),
                    },
                );
                let volts = cell.volts_at(b.amps.get());
                let ohmic = b.amps.get() * cell.sound_ohms() / volts;
                let used = cell.edge_density(b.amps.get()) / cell.edge_limit();
                assert!(used < 0.80 && used > 0.2, "{family:?} {seed}: {used}");
                assert!(volts < b.ceiling.get() && volts > 0.1, "{family:?} {seed}: {volts} V");
                match family {
                    Family::Nickel => assert!(ohmic > 0.3, "{seed}: {ohmic}"),
                    Family::Copper => assert!(volts < 2.0, "{seed}: {volts} V"),
                }
            }
        }
    }
}

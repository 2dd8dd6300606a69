//! A run whose charge is known in closed form, read as a supply would be read.
//!
//! Shared by `tests/charge.rs`, which holds the bounds, and the `integrate`
//! benchmark, which prints the figures. Pure: a seed in, a result out.

use std::time::Duration;
use tankside::quantity::{Amps, Coulometer, Mono};

/// How the current comes up.
#[derive(Clone, Copy, Debug)]
pub enum Ramp {
    /// The supply slews in a straight line.
    Slope,
    /// The setpoint is written anew 20 ms after each reading, so the current is a staircase.
    Staircase,
}

/// How the readings are taken.
#[derive(Clone, Copy, Debug)]
pub struct Meter {
    /// Time between readings, s.
    pub period: f64,
    /// The instant of a reading strays by at most this, either way, s; the stamp follows.
    pub jitter: f64,
    /// The stamp itself is off by at most this, either way, s.
    pub stamp: f64,
    /// One count of the ammeter, A.
    pub count: f64,
    /// Share of readings that are lost.
    pub missing: f64,
    /// Over a longer gap nothing is counted.
    pub max_gap: Duration,
}

/// 5 Hz, 1 mA, 1 % lost, 40 ms of jitter and stamps good to 5 ms.
pub const BENCH: Meter = Meter {
    period: 0.2,
    jitter: 0.04,
    stamp: 0.005,
    count: 1e-3,
    missing: 0.01,
    max_gap: Duration::from_secs(2),
};

/// What one run came to.
#[derive(Clone, Copy, Debug)]
pub struct Outcome {
    /// Charge by the closed form, C.
    pub truth: f64,
    /// Charge by the coulometer, C.
    pub counted: f64,
    /// Time that the coulometer did not observe.
    pub unobserved: Duration,
}

impl Outcome {
    /// Relative error; negative when too little was counted.
    pub fn error(&self) -> f64 {
        self.counted / self.truth - 1.0
    }
}

/// Worst error and standard deviation (about the true value) over `seeds` runs, as shares.
pub fn spread(ramp: Ramp, meter: Meter, seeds: u64) -> (f64, f64) {
    let errors: Vec<f64> = (0..seeds).map(|seed| run(ramp, meter, None, seed).error()).collect();
    let worst = errors.iter().fold(0.0_f64, |w, e| w.max(e.abs()));
    let square = errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64;
    (worst, square.sqrt())
}

/// One run of about four minutes: off, a ramp of 10 to 40 s, steady between 2
/// and 5 A, one change of the setpoint by a fifth, off. Levels fall between the
/// ammeter's counts. `blind` is a span `(from, length)` in which no reading comes.
pub fn run(ramp: Ramp, meter: Meter, blind: Option<(f64, f64)>, seed: u64) -> Outcome {
    let mut dice = Dice(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x0074_616e_6b73_6964);
    let level = dice.between(2.0, 5.0);
    let rise = dice.between(10.0, 40.0);
    let change = dice.between(80.0, 160.0);
    let changed_level = level * if dice.below(2) == 0 { 1.2 } else { 0.8 };
    let end = dice.between(230.0, 250.0);
    let begin = 1.0 + dice.between(0.0, meter.period);

    let polls: Vec<f64> = (1..((end + 1.0) / meter.period) as usize)
        .map(|k| k as f64 * meter.period + dice.between(-meter.jitter, meter.jitter))
        .collect();

    // Every own write of the setpoint: (time, level from then on).
    let mut writes: Vec<(f64, f64)> = Vec::new();
    if let Ramp::Staircase = ramp {
        let after: Vec<f64> =
            polls.iter().map(|at| at + 0.02).filter(|t| (begin..begin + rise).contains(t)).collect();
        let steps = after.len() as f64;
        writes.extend(after.iter().zip(1..).map(|(t, k)| (*t, level * f64::from(k) / steps)));
    }
    writes.push((change, changed_level));
    writes.push((end, 0.0));

    let current = |t: f64| match writes.iter().rev().find(|(at, _)| *at <= t) {
        Some((_, amps)) => *amps,
        None => match ramp {
            Ramp::Slope => level * ((t - begin) / rise).clamp(0.0, 1.0),
            Ramp::Staircase => 0.0,
        },
    };
    let truth = match ramp {
        Ramp::Slope => level * rise / 2.0 + level * (change - begin - rise) + changed_level * (end - change),
        Ramp::Staircase => writes.windows(2).map(|w| w[0].1 * (w[1].0 - w[0].0)).sum(),
    };

    let mut coulometer = Coulometer::new(meter.max_gap);
    let mut pending = writes.iter().peekable();
    // One clock stamps all that goes over one wire, so stamps are never out of order.
    let mut last_stamp = 0.0_f64;
    let mut stamp = |at: f64, dice: &mut Dice| {
        last_stamp = (at + dice.between(-meter.stamp, meter.stamp)).max(last_stamp + 1e-6);
        mono(last_stamp)
    };
    for at in polls {
        let lost = dice.between(0.0, 1.0) < meter.missing;
        while let Some((written, _)) = pending.next_if(|(written, _)| *written <= at) {
            coulometer.changed(stamp(*written, &mut dice));
        }
        if lost || blind.is_some_and(|(from, length)| at > from && at < from + length) {
            continue;
        }
        let counts = (current(at) / meter.count).round();
        coulometer.measure(stamp(at, &mut dice), Amps::new(counts * meter.count));
    }
    Outcome { truth, counted: coulometer.charge().charge().get(), unobserved: coulometer.unobserved() }
}

fn mono(seconds: f64) -> Mono {
    Mono::from_nanos((seconds * 1e9).round() as u64)
}

/// A small generator (SplitMix64: Steele, Lea and Flood, "Fast splittable
/// pseudorandom number generators", 2014), so that a seed means the same everywhere.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
}

//! The figures that the watches must reach, on a small number of drawn benches. The
//! `figures` benchmark prints the whole table for as many hours as asked for.
//!
//! Seeds are the reporting ones; nothing was tuned on them. The bounds leave room for the
//! size of the sample: with n trials a share of 98 % may show three misses in fifty.

#[expect(dead_code, reason = "the benchmark uses the rest")]
#[path = "bench/trials.rs"]
mod trials;

use tankside::mimic::family::{Family, Habit};
use tankside::watch::Kind;
use trials::{Class, Creep, REPORTING, SEEN, Trial, benign, creep, electrical, many, share};

const N: u64 = 8;

/// The figure is at least `figure` in the long run: fewer than this share of a small sample is a miss.
#[track_caller]
fn at_least(figure: f64, trials: &[Trial], holds: impl Fn(&Trial) -> bool) {
    let n = trials.len() as f64;
    // Three standard deviations of a binomial share below the figure, and one trial for its coarseness.
    let bound = figure - 3.0 * (figure * (1.0 - figure) / n).sqrt() - 1.0 / n;
    let s = share(trials, &holds);
    let missed: Vec<_> = trials.iter().filter(|t| !holds(t)).map(|t| (t.seed, t.onset, &t.alarms)).collect();
    assert!(s >= bound, "{:.0} % of {n}, at least {:.0} % were wanted: {missed:?}", s * 100.0, bound * 100.0);
}

fn ahead(t: &Trial, seconds: f64) -> bool {
    t.first(&SEEN).zip(t.onset).is_some_and(|(at, on)| at + seconds <= on)
}

#[test]
fn no_habit_of_a_sound_tank_cries_wolf() {
    // 12 and 15 alarms per 1,000 h are allowed: in this many hours, one at most.
    for (family, base) in [(Family::Nickel, REPORTING + 40_000), (Family::Copper, REPORTING + 540_000)] {
        let raised: Vec<_> = Habit::ALL
            .into_iter()
            .flat_map(|habit| many(1, |n| benign(family, habit, base + habit as u64 * 1000 + n)))
            .filter(|t| !t.alarms.is_empty())
            .map(|t| (t.seed, t.alarms))
            .collect();
        assert!(raised.len() <= 1, "{family:?}: {raised:?}");
    }
}

#[test]
fn what_creeps_toward_a_burn_is_seen_before_it() {
    let mut cooling = Vec::new();
    for (family, base) in [(Family::Nickel, REPORTING + 140_000), (Family::Copper, REPORTING + 640_000)] {
        let play = |fault, k: u64| many(N, |n| creep(family, fault, base + k * 1000 + n));
        let burns = |all: Vec<Trial>| all.into_iter().filter(|t| t.onset.is_some()).collect::<Vec<_>>();
        cooling.extend(burns(play(Creep::Cooling, 0)));
        at_least(0.80, &burns(play(Creep::Depletion, 1)), |t| ahead(t, 0.0));
        // An alarm that stood already says nothing of the stop.
        let early = |t: &Trial| t.alarms.iter().any(|(at, k)| *k == Kind::BurnMargin && *at < t.fault_at);
        let told: Vec<_> = burns(play(Creep::StirrerTold, 2)).into_iter().filter(|t| !early(t)).collect();
        assert!(told.len() >= 4, "too few that say anything of the stop");
        at_least(0.98, &told, |t| {
            t.alarms.iter().any(|(at, k)| *k == Kind::BurnMargin && t.onset.is_some_and(|on| *at <= on))
        });
    }
    // A bath that is little warmer than the room seldom cools as far as burning.
    assert!(cooling.len() >= 5, "too few came to an onset to say anything");
    at_least(0.98, &cooling, |t| ahead(t, 60.0));
}

#[test]
fn what_makes_the_volts_rise_is_seen() {
    let base = REPORTING + 150_000;
    let play = |fault, k: u64| many(N, |n| creep(Family::Nickel, fault, base + k * 1000 + n));
    at_least(0.98, &play(Creep::PartOff, 0), |t| {
        t.first(&[Kind::PartOff, Kind::VoltageLimit]).is_some_and(|at| at - t.fault_at <= 20.0)
    });
    at_least(0.98, &play(Creep::Anode, 1), |t| t.first(&SEEN).is_some());
    at_least(0.80, &play(Creep::HotContact, 2), |t| t.first(&SEEN).is_some());
    at_least(0.88, &play(Creep::Bag, 3), |t| t.first(&SEEN).is_some());
}

#[test]
fn a_stopped_stirrer_is_not_seen_in_volts_and_nothing_claims_it_is() {
    let trials = many(N, |n| creep(Family::Nickel, Creep::Stirrer, REPORTING + 160_000 + n));
    let seen = share(&trials, |t| t.onset.is_some() && ahead(t, 0.0));
    assert!(seen < 0.5, "{seen}: then README and the alarm's help must say so");
    assert!(Kind::BurnMargin.help().cause.contains("stirrer that stops is not seen in volts"));
}

#[test]
fn a_short_at_a_live_entry_is_seen_before_the_ramp_and_a_sound_entry_is_none() {
    for (family, base) in [(Family::Nickel, REPORTING + 260_000), (Family::Copper, REPORTING + 760_000)] {
        let shorts = many(N, |n| trials::entry(family, true, base + n));
        at_least(0.95, &shorts, |t| t.first(&[Kind::ShortCircuit]).is_some_and(|at| at <= 5.0));
        let sound = many(N, |n| trials::entry(family, false, base + n));
        assert!(sound.iter().all(|t| t.alarms.is_empty()), "{family:?}: {sound:?}");
    }
}

#[test]
fn electrical_faults_are_told_apart() {
    for (family, base) in [(Family::Nickel, REPORTING + 240_000), (Family::Copper, REPORTING + 740_000)] {
        for (k, (class, taken_for, figure)) in (0u64..).zip([
            (Class::Open, Class::Open, 0.95),
            (Class::Gone, Class::Gone, 0.95),
            (Class::Short, Class::Short, 0.95),
            (Class::Limit, Class::Limit, 0.95),
            (Class::Contact, Class::Contact, 0.90),
            (Class::PartOff, Class::PartOff, 0.95),
            (Class::AnodeLead, Class::PartOff, 0.95),
            (Class::Touch, Class::Touch, 0.90),
        ]) {
            let trials = many(N, |n| electrical(family, class, base + k * 1000 + n));
            at_least(figure, &trials, |t| t.class().0 == taken_for);
        }
    }
}

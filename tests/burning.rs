//! Where deposits burn, how long that takes and how little of it shows in volts:
//! the textbook laws that the watches' delays and the margin's strands rest on,
//! with the constants that the code uses.

use tankside::bath::Agitation;
use tankside::deposit::FARADAY;
use tankside::mimic::{Chemistry, Kind};
use tankside::watch::{self, Kind as Watch, Settings};

/// mol/m3 of a 300/45 g/L bath, and m2/s at about 55 degC: from memory, as in the mimic.
const BULK: f64 = 1330.0;
const DIFFUSIVITY: f64 = 1.2e-9;

/// `i_lim = n F D c / delta` without migration, A/dm2; the figures are worked out by hand
/// from those inputs (film thicknesses by regime from memory).
#[test]
fn the_film_limit_is_the_textbooks() {
    for (film_um, a_per_dm2) in [(300.0, 10.3), (200.0, 15.4), (100.0, 30.8), (50.0, 62.0), (25.0, 123.0)] {
        let c = Chemistry {
            film: film_um * 1e-6,
            efficiency: 1.0,
            bulk: BULK,
            diffusivity: DIFFUSIVITY,
            ..Chemistry::new(Kind::Nickel)
        };
        let limit = c.limit(Agitation::Rod, c.temperature) / 100.0;
        assert!((limit / a_per_dm2 - 1.0).abs() < 0.01, "{film_um} um: {limit} A/dm2");
        // Twice the film lets half through.
        let still = c.limit(Agitation::Still, c.temperature) / 100.0;
        assert!((still / limit - 0.5).abs() < 1e-9);
        let ratio = watch::agitation_factor(Agitation::Still) / watch::agitation_factor(Agitation::Rod);
        assert_eq!(ratio, 0.5, "the margin and the mimic agree on what a stirrer is worth");
    }
}

/// Sand's time, `pi D (n F c / 2 i)^2`: 62 s at 10 A/dm2 and 15.5 s at 20 A/dm2, worked out by hand.
#[test]
fn the_watch_for_a_stopped_stirrer_is_quicker_than_the_film() {
    let sand = |a_per_dm2: f64| {
        let x = 2.0 * FARADAY * BULK / (2.0 * a_per_dm2 * 100.0);
        std::f64::consts::PI * DIFFUSIVITY * x * x
    };
    assert!((sand(10.0) - 62.0).abs() < 0.5, "{}", sand(10.0));
    assert!((sand(20.0) - 15.5).abs() < 0.2, "{}", sand(20.0));
    let settings = Settings::default();
    let delay = settings.tuning(Watch::BurnMargin).on_delay.as_secs_f64();
    assert!(delay < 0.2 * sand(20.0), "{delay} s of {} s", sand(20.0));
}

/// Nernst: `(RT/nF) ln(1 - i/i_lim)` at 55 degC, in millivolts, worked out by hand. The whole
/// way from a half to nine tenths of the limit is smaller than what the drift watch must
/// overlook, so volts cannot be the early strand.
#[test]
fn the_approach_to_the_limit_hides_in_millivolts() {
    let rt_over_nf = 8.314_462_618 * 328.15 / (2.0 * FARADAY);
    assert!((rt_over_nf * 1e3 - 14.14).abs() < 0.01, "{rt_over_nf}");
    let volts = |share: f64| -rt_over_nf * (1.0 - share).ln() * 1e3;
    for (share, millivolts) in [(0.5, 10.0), (0.8, 23.0), (0.9, 33.0), (0.95, 42.0), (0.99, 65.0)] {
        assert!((volts(share) - millivolts).abs() < 0.6, "{share}: {} mV", volts(share));
    }
    // 3 % of 3.8 V, a nickel cell at the bench.
    let overlooked = Settings::default().drift.0 * 3.8e3;
    assert!(volts(0.9) - volts(0.5) < overlooked, "{overlooked} mV");
}

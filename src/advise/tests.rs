use super::*;
use crate::bath::Agitation;

fn first(saw: Fault, e: &Evidence) -> Judged {
    advise(saw, e).causes.remove(0)
}
fn nickel() -> Evidence {
    Evidence { metal: Some("Ni".into()), ..Evidence::default() }
}
fn q<Q: std::str::FromStr<Err: std::fmt::Debug>>(text: &str) -> Q {
    text.parse().unwrap()
}

/// A run of which everything is known and nothing is wrong.
fn good() -> Evidence {
    let none = Some(AlarmsSeen { count: 0, minute: 0.0 });
    let figure = |what: &str, value: f64, window: (f64, f64)| Figure {
        what: what.into(),
        value,
        window,
        day: "2026-03-01".into(),
    };
    let since = |what: &str| Since { what: what.into(), ampere_hours: 20.0, due: 0.1, ever: true };
    Evidence {
        metal: Some("Ni".into()),
        charged: Some(true),
        unread: Vec::new(),
        minutes: Some(12.0),
        margin: Some(MarginSeen { least: 0.6, minute: 3.0, if_still: None }),
        temperature: Some(TemperatureSeen {
            least: q("54 degC"),
            least_minute: 1.0,
            most: q("56 degC"),
            most_minute: 9.0,
            window: (q("49 degC"), q("60 degC")),
        }),
        density: Some(DensitySeen {
            mean: q("4 A/dm2"),
            window: (q("2.15 A/dm2"), q("7 A/dm2")),
            dull: None,
        }),
        volts: Some((q("4.6 V"), 2.0, q("8 V"))),
        agitation: Some(AgitationSeen { kind: Agitation::Air, proven: true, stopped_minute: None }),
        anode_ratio: Some((2.0, 1.0)),
        contact: none,
        part_off: none,
        touch: none,
        interrupted: Some(Interrupted { count: 0, longest: q("0 s"), minute: 0.0, turning: q("0 s") }),
        unobserved: Some(q("0 s")),
        analysis: Some(vec![
            figure("nickel", 70.0, (61.0, 82.0)),
            figure("chloride", 13.0, (9.0, 18.0)),
            figure("boric acid", 38.0, (30.0, 45.0)),
            figure("pH", 4.0, (3.5, 4.5)),
        ]),
        since: Some(["filter", "anode-bags", "carbon", "brightener", "wetter"].map(since).to_vec()),
        water_break_failed: Some(0),
        skipped: Some(Vec::new()),
        over_dwell: Some(q("0 s")),
        late: Some((q("20 s"), q("60 s"))),
        turned: Some((2, 2)),
        edge_factor: Some(1.2),
        inside: Some(false),
        tilted: Some(true),
        thickness: Some(q("8 um")),
        distribution: Some(0.8),
    }
}

#[test]
fn without_evidence_it_says_so_and_guesses_nothing() {
    for saw in Fault::ALL {
        let advice = advise(saw, &Evidence::default());
        assert!(!advice.any_evidence, "{saw:?}");
        assert!(advice.causes.iter().all(|j| j.verdict == Verdict::Unknown), "{saw:?}: {advice:#?}");
        let trade: Vec<_> = saw.causes().iter().map(|c| c.name).collect();
        let ranked: Vec<_> = advice.causes.iter().map(|j| j.cause).collect();
        assert_eq!(ranked, trade, "the trade's own order stands");
        assert!(
            advice.text().contains("Nothing in this run's record speaks for any cause"),
            "{}",
            advice.text()
        );
        assert!(advice.not_known.len() > 2);
    }
}

#[test]
fn good_run_accuses_nobody() {
    for saw in Fault::ALL {
        let advice = advise(saw, &good());
        assert!(!advice.any_evidence, "{saw:?}: {:#?}", advice.causes);
    }
}

#[test]
fn cause_that_was_planted_ranks_first() {
    let since = |what: &str| {
        let mut e = good();
        for s in e.since.as_mut().unwrap().iter_mut().filter(|s| s.what == what) {
            (s.due, s.ampere_hours) = (1.6, 480.0);
        }
        e
    };
    let analysis = |what: &str, value: f64| {
        let mut e = good();
        e.analysis.as_mut().unwrap().iter_mut().find(|f| f.what == what).unwrap().value = value;
        e
    };
    let cold = TemperatureSeen { least: q("38 degC"), least_minute: 7.0, ..good().temperature.unwrap() };
    let hot = TemperatureSeen { most: q("71 degC"), ..good().temperature.unwrap() };
    let dense = |mean: &str| Some(DensitySeen { mean: q(mean), ..good().density.unwrap() });
    let alarm = Some(AlarmsSeen { count: 3, minute: 2.4 });
    let planted: Vec<(Fault, &str, Evidence)> = vec![
        (
            Fault::DarkEdges,
            "edges beyond",
            Evidence { margin: Some(MarginSeen { least: -0.1, minute: 3.0, if_still: None }), ..good() },
        ),
        (
            Fault::DarkEdges,
            "too little movement",
            Evidence {
                agitation: Some(AgitationSeen {
                    kind: Agitation::Air,
                    proven: true,
                    stopped_minute: Some(4.0),
                }),
                ..good()
            },
        ),
        (Fault::DarkEdges, "bath too cold", Evidence { temperature: Some(cold), ..good() }),
        (Fault::DarkEdges, "metal too low", analysis("nickel", 40.0)),
        (Fault::DarkEdges, "chloride too low", analysis("chloride", 4.0)),
        (Fault::DarkEdges, "boric acid too low", analysis("boric acid", 20.0)),
        (Fault::DarkEdges, "sharp edges", Evidence { edge_factor: Some(3.6), ..good() }),
        (Fault::Rough, "solids", since("filter")),
        (Fault::Rough, "anode fines", since("anode-bags")),
        (Fault::Rough, "pH too high", analysis("pH", 5.4)),
        (Fault::Rough, "density above", Evidence { density: dense("9 A/dm2"), ..good() }),
        (Fault::Pitted, "wetting agent low", since("wetter")),
        (Fault::Pitted, "organic dirt", since("carbon")),
        (Fault::Pitted, "gas trapped", Evidence { tilted: Some(false), ..good() }),
        (Fault::Pitted, "pH too low", analysis("pH", 2.0)),
        (Fault::Peeling, "not clean", Evidence { water_break_failed: Some(2), ..good() }),
        (Fault::Peeling, "not clean", Evidence { skipped: Some(vec!["electroclean".into()]), ..good() }),
        (
            Fault::Peeling,
            "current went off",
            Evidence {
                interrupted: Some(Interrupted {
                    count: 1,
                    longest: q("90 s"),
                    minute: 6.0,
                    turning: q("40 s"),
                }),
                ..good()
            },
        ),
        (
            Fault::Peeling,
            "too long from activation",
            Evidence { late: Some((q("4 min"), q("60 s"))), ..good() },
        ),
        (Fault::Peeling, "too long in acid", Evidence { over_dwell: Some(q("40 s")), ..good() }),
        (Fault::Dull, "brightener low", since("brightener")),
        (Fault::Dull, "bath too hot", Evidence { temperature: Some(hot), ..good() }),
        (Fault::Dull, "density too low", Evidence { density: dense("1 A/dm2"), ..good() }),
        (Fault::BareSpots, "bad contact", Evidence { contact: alarm, ..good() }),
        (Fault::BareSpots, "parts touched", Evidence { touch: alarm, ..good() }),
        (Fault::BareSpots, "a part came off", Evidence { part_off: alarm, ..good() }),
        (Fault::ThinInside, "the inside", Evidence { inside: Some(true), ..good() }),
        (Fault::ThinInside, "not turned", Evidence { turned: Some((1, 2)), ..good() }),
        (Fault::ThinInside, "too little anode", Evidence { anode_ratio: Some((0.4, 1.0)), ..good() }),
        (Fault::ThinInside, "less charge", Evidence { unobserved: Some(q("90 s")), ..good() }),
        (Fault::ThickEdges, "voltage above", Evidence { volts: Some((q("9 V"), 2.0, q("8 V"))), ..good() }),
        (Fault::Powdery, "metal too low", analysis("nickel", 40.0)),
        (Fault::Stained, "thin, and so porous", Evidence { thickness: Some(q("2 um")), ..good() }),
    ];
    for (saw, cause, e) in planted {
        let advice = advise(saw, &e);
        let found = &advice.causes[0];
        assert!(found.cause.starts_with(cause), "{saw:?} {cause}: {:#?}", &advice.causes[..2]);
        assert!(found.verdict > Verdict::Unknown && advice.any_evidence);
        let for_it = advice.causes.iter().filter(|j| j.verdict > Verdict::Unknown).count();
        assert_eq!(for_it, 1, "{saw:?} {cause}: others are accused too: {:#?}", &advice.causes[..2]);
    }
}

#[test]
fn what_was_seen_has_its_minute_and_figure() {
    let e = Evidence { margin: Some(MarginSeen { least: 0.04, minute: 3.12, if_still: None }), ..nickel() };
    let found = first(Fault::DarkEdges, &e);
    assert_eq!(found.seen, "burn margin down to 4 % at minute 3.1");
    assert!(advise(Fault::DarkEdges, &e).text().contains("seen   burn margin down to 4 % at minute 3.1"));
}

#[test]
fn margin_that_rests_on_assumed_agitation_speaks_against_nothing() {
    let e = |still| Evidence {
        margin: Some(MarginSeen { least: 0.57, minute: 0.1, if_still: Some(still) }),
        ..nickel()
    };
    let edge = |e: &Evidence| {
        let all = advise(Fault::DarkEdges, e).causes;
        all.into_iter().find(|j| j.cause.starts_with("edges beyond")).unwrap()
    };
    let found = edge(&e(0.02));
    assert_eq!(found.verdict, Verdict::Unknown);
    assert!(found.seen.contains("2 % if it did not"), "{}", found.seen);
    assert_eq!(edge(&e(0.4)).verdict, Verdict::Against);
}

#[test]
fn planned_turn_accuses_nobody_and_clears_nobody() {
    let interrupted = Some(Interrupted { turning: q("40 s"), ..good().interrupted.unwrap() });
    let advice = advise(Fault::Peeling, &Evidence { interrupted, ..good() });
    let found = advice.causes.iter().find(|j| j.cause.starts_with("current went off")).unwrap();
    assert_eq!(found.verdict, Verdict::Unknown);
    assert_eq!(found.seen, "off only while parts were turned, up to 40 s");
}

#[test]
fn chloride_is_no_cause_in_silver_nor_carbonate_in_nickel() {
    let names = |metal: &str| {
        let e = Evidence { metal: Some(metal.into()), ..Evidence::default() };
        advise(Fault::DarkEdges, &e).causes.iter().map(|j| j.cause).collect::<Vec<_>>()
    };
    assert!(!names("Ag").contains(&"chloride too low") && names("Ag").contains(&"carbonate too high"));
    assert!(names("Ni").contains(&"chloride too low") && !names("Ni").contains(&"carbonate too high"));
}

#[test]
fn agitation_that_nobody_proves_is_neither_for_nor_against() {
    let assumed = AgitationSeen { kind: Agitation::Air, proven: false, stopped_minute: None };
    let advice = advise(Fault::DarkEdges, &Evidence { agitation: Some(assumed), ..good() });
    let found = advice.causes.iter().find(|j| j.cause.starts_with("too little movement")).unwrap();
    assert_eq!(found.verdict, Verdict::Unknown);
    assert!(advice.not_known.iter().any(|n| n.contains("no sensor proves it")));
}

#[test]
fn every_fault_has_its_name_and_every_cause_its_source() {
    for saw in Fault::ALL {
        assert_eq!(Fault::named(saw.name()), Some(saw));
        for c in saw.causes() {
            assert!(!c.source.is_empty() && !c.check.is_empty() && !c.how.is_empty(), "{}", c.name);
        }
    }
    assert_eq!(Fault::named("Dark edges"), Some(Fault::DarkEdges));
    assert_eq!(Fault::named("sparkly"), None);
}

//! Faults, which causes the trade knows for each, and the ranking.

use super::cause::*;
use super::{Advice, Evidence, Judged, Verdict};
use serde::{Deserialize, Serialize};

/// What a person sees on the part.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fault {
    /// Dark, hard edges: burnt.
    DarkEdges,
    /// Grains, nodules.
    Rough,
    /// Small holes.
    Pitted,
    /// It does not hold.
    Peeling,
    /// Without its shine.
    Dull,
    /// Places without metal.
    BareSpots,
    /// Too little inside or in hollows.
    ThinInside,
    /// Too much at the edges.
    ThickEdges,
    /// Loose, like powder.
    Powdery,
    /// Spots and films after rinsing or later.
    Stained,
}

impl Fault {
    /// All of them.
    pub const ALL: [Fault; 10] = [
        Fault::DarkEdges,
        Fault::Rough,
        Fault::Pitted,
        Fault::Peeling,
        Fault::Dull,
        Fault::BareSpots,
        Fault::ThinInside,
        Fault::ThickEdges,
        Fault::Powdery,
        Fault::Stained,
    ];

    /// As people type it.
    pub fn name(self) -> &'static str {
        match self {
            Fault::DarkEdges => "dark-edges",
            Fault::Rough => "rough",
            Fault::Pitted => "pitted",
            Fault::Peeling => "peeling",
            Fault::Dull => "dull",
            Fault::BareSpots => "bare-spots",
            Fault::ThinInside => "thin-inside",
            Fault::ThickEdges => "thick-edges",
            Fault::Powdery => "powdery",
            Fault::Stained => "stained",
        }
    }

    /// The one of that name; blanks and underscores do as well as hyphens.
    pub fn named(name: &str) -> Option<Fault> {
        let plain = name.trim().to_lowercase().replace([' ', '_'], "-");
        Fault::ALL.into_iter().find(|f| f.name() == plain)
    }

    /// Its causes, in the order in which the trade meets them (common practice, no source for the order).
    pub fn causes(self) -> &'static [Cause] {
        match self {
            Fault::DarkEdges => &[
                EDGE,
                STIRRING,
                COLD,
                DENSITY_HIGH,
                METAL_LOW,
                CHLORIDE_LOW,
                BORIC_LOW,
                CARBONATE,
                SHAPE,
                PH_HIGH,
                RIPPLE,
            ],
            Fault::Rough => &[FILTER, BAGS, EDGE, CLEANING, DENSITY_HIGH, PH_HIGH, ORGANICS],
            Fault::Pitted => {
                &[WETTER, ORGANICS, STIRRING, CLEANING, BORIC_LOW, GAS, COLD, PH_LOW, DENSITY_HIGH, METALS]
            }
            Fault::Peeling => &[CLEANING, INTERRUPTED, LATE, OVER_DWELL, CONTACT, ORGANICS, PH_HIGH, METALS],
            Fault::Dull => {
                &[BRIGHTENER, COLD, DENSITY_LOW, ORGANICS, PH_HIGH, PH_LOW, HOT, CLEANING, METALS, RIPPLE]
            }
            Fault::BareSpots => &[CLEANING, GAS, CONTACT, TOUCHED, DENSITY_LOW, OFF, ORGANICS, METALS],
            Fault::ThinInside => &[INSIDE, NOT_TURNED, DENSITY_LOW, SHAPE, ANODES, LESS_CHARGE, OFF],
            Fault::ThickEdges => &[SHAPE, VOLTS_HIGH, DENSITY_HIGH, EDGE, NOT_TURNED],
            Fault::Powdery => &[EDGE, METAL_LOW, COLD, STIRRING, DENSITY_HIGH, PH_HIGH],
            Fault::Stained => &[RINSING, THIN, OVER_DWELL, INTERRUPTED, ORGANICS, METALS],
        }
    }
}

/// Of a run without charge.
const NO_CHARGE: &str = "NO CHARGE is on record for this run: nothing was plated in it. What is seen on the part was made \
                         elsewhere, or in another run; what follows rests on the rest of the record alone.";

/// Judges every cause of that fault by the evidence: those it speaks for first, the strongest first, then
/// what is not known, then what it speaks against; within each in the trade's order.
pub fn advise(saw: Fault, evidence: &Evidence) -> Advice {
    let holds = |cause: &&Cause| {
        let metal = evidence.metal.as_deref();
        cause.metals.is_empty() || metal.is_none_or(|m| cause.metals.contains(&m))
    };
    let mut causes: Vec<Judged> = saw
        .causes()
        .iter()
        .filter(holds)
        .map(|cause| {
            let (verdict, seen) = (cause.test)(evidence);
            Judged {
                cause: cause.name,
                how: cause.how,
                source: cause.source,
                verdict,
                seen,
                rests_on: cause.rests_on,
                check: cause.check,
            }
        })
        .collect();
    causes.sort_by_key(|judged| std::cmp::Reverse(judged.verdict));
    // What is on record and could not be taken in comes before what was never recorded.
    let mut not_known: Vec<String> = evidence.unread.clone();
    for judged in causes.iter().filter(|j| j.verdict == Verdict::Unknown) {
        if !not_known.contains(&judged.seen) {
            not_known.push(judged.seen.clone());
        }
    }
    not_known.push("what the part looked like before, and what was done to it outside this record".into());
    let any_evidence = causes.iter().any(|j| j.verdict > Verdict::Unknown);
    let first = (evidence.charged == Some(false)).then_some(NO_CHARGE);
    Advice { saw, first, causes, any_evidence, not_known }
}

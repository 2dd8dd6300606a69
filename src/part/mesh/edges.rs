//! Which edges do not pair up.

use super::source::{Source, Triangle};
use super::{Defect, DefectKind};
use std::collections::HashMap;

/// Buckets, as a power of two: 2¹⁸ of 8 bytes stay in a processor's cache.
const BITS: u32 = 18;
/// Edges looked at one by one in one pass, so that the worst mesh does not fill the memory.
const AT_ONCE: u64 = if cfg!(test) { 20_000 } else { 2_000_000 };
/// Open edges that are followed into holes.
const FOLLOWED: usize = if cfg!(test) { 10_000 } else { 200_000 };

/// One run through an edge, from the lesser corner to the greater or back.
#[derive(Clone, Copy)]
struct Run {
    hash: u64,
    forward: bool,
}

/// Multiplies into 128 bits and folds; spreads every bit over all.
fn fold(a: u64, b: u64) -> u64 {
    let product = u128::from(a) * u128::from(b);
    (product as u64) ^ ((product >> 64) as u64)
}

/// The same for the same numbers; 0 and -0 are the same.
fn corner_hash(corner: &[f32; 3]) -> u64 {
    let [x, y, z] = corner.map(|v| u64::from((v + 0.0).to_bits()));
    fold((x | y << 32) ^ 0x9e37_79b9_7f4a_7c15, z ^ 0xd1b5_4a32_d192_ed03)
}

fn run(from: u64, to: u64) -> Run {
    let hash = fold(from.min(to) ^ 0xa076_1d64_78bd_642f, from.max(to) ^ 0xe703_7ed1_a0b4_28db);
    Run { hash, forward: from < to }
}

/// The three runs of a triangle; none for an edge without length.
fn runs(triangle: &Triangle) -> [Option<Run>; 3] {
    let [a, b, c] = [0, 1, 2].map(|i| corner_hash(&triangle.corners()[i]));
    [(a, b), (b, c), (c, a)].map(|(from, to)| (from != to).then(|| run(from, to)))
}

fn bucket(hash: u64) -> usize {
    (hash >> (64 - BITS)) as usize
}

/// The sums of all edges so far.
pub(super) struct Edges {
    sums: Vec<u64>,
    runs: u64,
}

impl Edges {
    pub fn new() -> Edges {
        Edges { sums: vec![0; 1 << BITS], runs: 0 }
    }

    pub fn add(&mut self, triangle: &Triangle) {
        for run in runs(triangle).into_iter().flatten() {
            let sum = &mut self.sums[bucket(run.hash)];
            // An odd number, so that one edge left over can never look like none.
            let weight = run.hash | 1;
            *sum = if run.forward { sum.wrapping_add(weight) } else { sum.wrapping_sub(weight) };
            self.runs += 1;
        }
    }

    /// Every kind of defect among the edges.
    pub fn left_over(&self, source: &Source<'_>) -> Vec<Defect> {
        let dirty = self.sums.iter().filter(|sum| **sum != 0).count() as u64;
        if dirty == 0 {
            return Vec::new();
        }
        let suspects = self.runs * dirty / (1 << BITS) + 1;
        let passes = suspects.div_ceil(AT_ONCE) as usize;
        let step = (1usize << BITS).div_ceil(passes);
        let mut found = Found::default();
        for low in (0..1usize << BITS).step_by(step) {
            let within = low..low + step;
            // Hash, then triangle, edge and direction in one number.
            let mut seen: Vec<(u64, u64)> = Vec::new();
            source.each(|index, triangle| {
                for (edge, run) in (0u64..).zip(runs(triangle)) {
                    let Some(run) = run else { continue };
                    let at = bucket(run.hash);
                    if within.contains(&at) && self.sums[at] != 0 {
                        seen.push((run.hash, u64::from(index) << 3 | edge << 1 | u64::from(run.forward)));
                    }
                }
            });
            seen.sort_unstable();
            for same in seen.chunk_by(|a, b| a.0 == b.0) {
                found.edge(same, source);
            }
        }
        found.finish()
    }
}

#[derive(Default)]
struct Found {
    open: Option<Defect>,
    flipped: Option<Defect>,
    crowded: Option<Defect>,
    /// The corners of open edges, by hash.
    ends: Vec<(u64, u64)>,
}

impl Found {
    fn edge(&mut self, same: &[(u64, u64)], source: &Source<'_>) {
        let forward = same.iter().filter(|(_, run)| run & 1 == 1).count();
        if forward * 2 == same.len() {
            return;
        }
        // The triangle first in the file, so that the place does not depend on hashes.
        let first = same.iter().map(|(_, run)| *run).min().unwrap_or(0);
        let (index, edge) = ((first >> 3) as u32, (first >> 1 & 3) as usize);
        let triangle = source.get(index);
        let corners = triangle.corners();
        let (slot, kind) = match same.len() {
            1 => {
                if self.ends.len() <= FOLLOWED {
                    self.ends.push((corner_hash(&corners[edge]), corner_hash(&corners[(edge + 1) % 3])));
                }
                (&mut self.open, DefectKind::Open)
            }
            2 => (&mut self.flipped, DefectKind::Flipped),
            _ => (&mut self.crowded, DefectKind::Crowded),
        };
        let at = corners[edge];
        let defect = slot.get_or_insert(Defect { kind, count: 0, triangle: index + 1, at, holes: None });
        defect.count += 1;
        if index + 1 < defect.triangle {
            (defect.triangle, defect.at) = (index + 1, at);
        }
    }

    fn finish(mut self) -> Vec<Defect> {
        if let Some(open) = &mut self.open
            && self.ends.len() <= FOLLOWED
        {
            open.holes = Some(holes(&self.ends));
        }
        [self.open, self.flipped, self.crowded].into_iter().flatten().collect()
    }
}

/// How many separate rings the edges make.
fn holes(ends: &[(u64, u64)]) -> u64 {
    let mut number: HashMap<u64, usize> = HashMap::new();
    let mut parent: Vec<usize> = Vec::new();
    fn root(parent: &mut [usize], mut i: usize) -> usize {
        while parent[i] != i {
            parent[i] = parent[parent[i]];
            i = parent[i];
        }
        i
    }
    let mut rings = 0;
    for (from, to) in ends {
        let [a, b] = [from, to].map(|end| {
            *number.entry(*end).or_insert_with(|| {
                parent.push(parent.len());
                rings += 1;
                parent.len() - 1
            })
        });
        let (a, b) = (root(&mut parent, a), root(&mut parent, b));
        if a != b {
            parent[a] = b;
            rings -= 1;
        }
    }
    rings
}

//! Good bytes made bad, by a seed.

use tankside::mimic::Prng;

/// A number from 0 up to but not including `end`; 0 for an empty range.
pub fn below(prng: &mut Prng, end: usize) -> usize {
    if end == 0 { 0 } else { (prng.bits() % end as u64) as usize }
}

/// One to three changes: a bit turned, a byte replaced, inserted or lost, the
/// end lost, a stretch said twice or swapped, another message put in.
pub fn mutate(prng: &mut Prng, bytes: &mut Vec<u8>, others: &[&[u8]]) {
    // Bytes that mean something in any of the protocols come more often than others.
    const TELLING: &[u8] = b"0123456789+-.eE;,:\"\n\r ?VAnif\x00\x01\x03\x06\x10\x83\x90\xff";
    for _ in 0..1 + below(prng, 3) {
        let at = below(prng, bytes.len());
        let byte = if prng.bits() & 1 == 0 { TELLING[below(prng, TELLING.len())] } else { prng.bits() as u8 };
        match (below(prng, 8), bytes.is_empty()) {
            (0, false) => bytes[at] ^= 1 << below(prng, 8),
            (1, false) => bytes[at] = byte,
            (2, _) => bytes.insert(at, byte),
            (3, false) => {
                bytes.remove(at);
            }
            (4, _) => bytes.truncate(at),
            (5, false) => {
                let end = at + 1 + below(prng, bytes.len() - at);
                let twice = bytes[at..end].to_vec();
                bytes.splice(at..at, twice);
            }
            (6, false) => {
                let with = below(prng, bytes.len());
                bytes.swap(at, with);
            }
            _ => {
                let other = others[below(prng, others.len())];
                let from = below(prng, other.len());
                bytes.splice(at..at, other[from..].iter().copied());
            }
        }
    }
}

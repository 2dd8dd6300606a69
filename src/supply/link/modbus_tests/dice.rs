//! Rolls that are the same in every run.

/// A linear congruential generator (Knuth's MMIX constants, from memory): the same rolls in every run.
pub struct Dice(pub u64);

impl Dice {
    pub fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        self.0 >> 33
    }
}

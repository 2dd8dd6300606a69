//! Seeded noise, so that the same seed gives the same run.

/// SplitMix64 (Steele, Lea, Flood, "Fast splittable pseudorandom number
/// generators", 2014): 64 bits of state, good enough for meter noise.
#[derive(Clone, Debug)]
pub struct Prng(u64);

impl Prng {
    /// From a seed.
    pub fn new(seed: u64) -> Self {
        Prng(seed)
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Even in `0..1`.
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Bell-shaped, mean 0, standard deviation 1, never beyond 6: twelve even numbers, summed.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_is_centred_and_of_the_stated_width() {
        let mut p = Prng::new(7);
        let n = 20_000;
        let all: Vec<f64> = (0..n).map(|_| p.normal()).collect();
        let mean = all.iter().sum::<f64>() / f64::from(n);
        let var = all.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / f64::from(n);
        assert!(mean.abs() < 0.03, "{mean}");
        assert!((var - 1.0).abs() < 0.05, "{var}");
    }
}

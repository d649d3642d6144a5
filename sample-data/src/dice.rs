//! Seeded randomness: one stream a purpose, so that drawing more in one place changes nothing
//! in another.

use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;

/// A source of chance that gives the same draws for the same seed and stream.
#[derive(Clone, Debug)]
pub struct Dice(Pcg64);

impl Dice {
    /// The stream with this number under this seed.
    pub fn new(seed: u64, stream: u64) -> Dice {
        // SplitMix64's finaliser spreads neighbouring numbers over the whole state (public
        // domain; Steele, Lea & Flood 2014, constants from memory).
        let mix = |mut z: u64| {
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            z ^ (z >> 31)
        };
        Dice(Pcg64::seed_from_u64(
            mix(seed.wrapping_add(0x9e37_79b9_7f4a_7c15)) ^ mix(stream.wrapping_add(1)),
        ))
    }

    /// Evenly between `low` and `high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }

    /// A whole number from `low` to `high`, both possible.
    pub fn whole(&mut self, low: u32, high: u32) -> u32 {
        low + (self.0.random::<f64>() * f64::from(high - low + 1)) as u32
    }

    /// Normal with this mean and standard deviation.
    pub fn normal(&mut self, mean: f64, sd: f64) -> f64 {
        let z: f64 = StandardNormal.sample(&mut self.0);
        mean + sd * z
    }

    /// Normal, but never further than `limit` from the mean.
    pub fn near(&mut self, mean: f64, sd: f64, limit: f64) -> f64 {
        self.normal(mean, sd).clamp(mean - limit, mean + limit)
    }

    /// True with probability `p`.
    pub fn chance(&mut self, p: f64) -> bool {
        self.0.random::<f64>() < p
    }

    /// One of these.
    pub fn pick<'a, T>(&mut self, of: &'a [T]) -> &'a T {
        let last = of.len().saturating_sub(1) as u32;
        &of[self.whole(0, last) as usize]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_draws_and_another_stream_other_ones() {
        let draws = |seed, stream| {
            let mut dice = Dice::new(seed, stream);
            (0..8).map(|_| dice.normal(0.0, 1.0)).collect::<Vec<f64>>()
        };
        assert_eq!(draws(7, 1), draws(7, 1));
        assert_ne!(draws(7, 1), draws(7, 2));
        assert_ne!(draws(7, 1), draws(8, 1));
    }

    #[test]
    fn draws_have_the_mean_and_spread_they_were_asked_for() {
        let mut dice = Dice::new(1, 1);
        let n = 20_000;
        let draws: Vec<f64> = (0..n).map(|_| dice.normal(5.0, 2.0)).collect();
        let mean = draws.iter().sum::<f64>() / f64::from(n);
        let variance = draws.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / f64::from(n);
        assert!((mean - 5.0).abs() < 0.06, "{mean}");
        assert!((variance.sqrt() - 2.0).abs() < 0.05, "{variance}");
    }
}

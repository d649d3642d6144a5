//! Seeded randomness: one stream a purpose, so that drawing more in one place changes nothing
//! in another.

use rand::{RngExt, SeedableRng};
use rand_distr::{Beta, Binomial, Distribution, StandardNormal};
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

    /// A share with this mean, spread as in a beta-binomial whose draws correlate by
    /// `correlation` (0 ≤ ρ < 1): Beta(m(1−ρ)/ρ, (1−m)(1−ρ)/ρ). The mean itself where either
    /// leaves nothing to draw.
    pub fn share(&mut self, mean: f64, correlation: f64) -> f64 {
        let weight = (1.0 - correlation) / correlation;
        match Beta::new(mean * weight, (1.0 - mean) * weight) {
            // Shapes near 0 can underflow to 0/0.
            Ok(beta) => Some(beta.sample(&mut self.0))
                .filter(|p: &f64| p.is_finite())
                .unwrap_or(mean),
            Err(_) => mean,
        }
    }

    /// How many of `n` happen, each with probability `p`.
    pub fn of(&mut self, n: u32, p: f64) -> u32 {
        match Binomial::new(u64::from(n), p.clamp(0.0, 1.0)) {
            Ok(binomial) => binomial.sample(&mut self.0) as u32,
            Err(_) => 0,
        }
    }

    /// The place of one of these weights, each as likely as it is heavy.
    pub fn weighted(&mut self, weights: &[f64]) -> usize {
        let mut left = self.between(0.0, weights.iter().sum());
        for (i, weight) in weights.iter().enumerate() {
            left -= weight;
            if left < 0.0 {
                return i;
            }
        }
        weights.len().saturating_sub(1)
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

    /// Variance of a beta-binomial count: n·p(1−p)·(1+(n−1)ρ) (Skellam 1948).
    #[test]
    fn pieces_of_one_flask_fail_together_as_much_as_asked() {
        let mut dice = Dice::new(3, 1);
        let (n, p, rho, draws) = (20_u32, 0.1, 0.05, 40_000);
        let counts: Vec<f64> = (0..draws)
            .map(|_| {
                let share = dice.share(p, rho);
                f64::from(dice.of(n, share))
            })
            .collect();
        let mean = counts.iter().sum::<f64>() / f64::from(draws);
        let variance =
            counts.iter().map(|c| (c - mean).powi(2)).sum::<f64>() / f64::from(draws - 1);
        let expected = 20.0 * p * (1.0 - p) * (1.0 + 19.0 * rho);
        assert!((mean - 2.0).abs() < 0.05, "{mean}");
        assert!(
            (variance / expected - 1.0).abs() < 0.05,
            "{variance} {expected}"
        );
        // Nothing to spread.
        assert_eq!(dice.share(0.0, 0.05), 0.0);
        assert_eq!(dice.share(0.3, 0.0), 0.3);
        assert_eq!(dice.of(7, 1.0), 7);
        assert_eq!(dice.of(0, 0.5), 0);
    }

    #[test]
    fn heavier_is_likelier() {
        let mut dice = Dice::new(4, 1);
        let mut seen = [0_u32; 3];
        for _ in 0..9000 {
            seen[dice.weighted(&[1.0, 0.0, 2.0])] += 1;
        }
        assert_eq!(seen[1], 0);
        assert!((2700..3300).contains(&seen[0]), "{seen:?}");
    }
}

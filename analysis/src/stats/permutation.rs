//! Tests that rest on nothing but how the lots were drawn: the figure that was seen is set among
//! those that the same flasks would have given under every other drawing that was as likely.
//! Exact where these can all be listed, else by a stated number of draws from a seed. Which flasks
//! belong together (a block, a flip) is the caller's to say, as they were drawn.

use std::collections::BTreeMap;

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;

use super::error::StatsError;

/// Up to this many arrangements are listed one by one.
const LISTED: u64 = 1 << 16;

/// Figures that differ by less than this share of what they could be at most are the same figure:
/// sums in another order differ in their last digits.
const SAME: f64 = 1e-9;

/// Draws that serve where arrangements cannot be listed: p-values near 0.005 have a standard
/// error of 0.0002.
pub const DRAWS: u32 = 100_000;

/// What the test found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Permuted {
    /// The figure that was seen, less what it is on average over all arrangements.
    pub seen: f64,
    /// The share of arrangements whose figure is at least as far from that average (two-sided),
    /// the one that was drawn included. Never 0.
    pub p: f64,
    /// How it was found.
    pub from: Arrangements,
}

/// Which arrangements were looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arrangements {
    /// All, this many.
    Every(u64),
    /// So many drawn at random; p = (1 + those as far out) ÷ (1 + draws), which is valid however
    /// few are drawn (Phipson & Smyth 2010, Statistical Applications in Genetics and Molecular
    /// Biology 9:39).
    Drawn(u32),
}

fn finite(what: &str, values: &[f64]) -> Result<(), StatsError> {
    match values.iter().position(|v| !v.is_finite()) {
        Some(row) => Err(StatsError::NotFinite {
            what: what.to_owned(),
            row: row + 1,
        }),
        None => Ok(()),
    }
}

fn enough(draws: u32) -> Result<(), StatsError> {
    if draws == 0 {
        return Err(StatsError::Argument(
            "a test by draws needs at least one draw".to_owned(),
        ));
    }
    Ok(())
}

fn chance(seed: u64) -> Pcg64 {
    Pcg64::seed_from_u64(seed)
}

fn by_draws(seen: f64, reach: f64, draws: u32, mut draw: impl FnMut() -> f64) -> Permuted {
    let far = seen.abs() - SAME * reach;
    let hits = (0..draws).filter(|_| draw().abs() >= far).count();
    Permuted {
        seen,
        p: (1.0 + hits as f64) / (1.0 + f64::from(draws)),
        from: Arrangements::Drawn(draws),
    }
}

/// Whether scores that are as likely to come out with the other sign add up to more than chance
/// makes them: |Σs| among all |Σ±s| (Fisher 1935, The Design of Experiments, section 21). One
/// score for each lot that was drawn: what its flasks say for one arm against the other, which
/// the lot decides. Scores of 0 say nothing and change nothing. Without scores p is 1.
///
/// ```
/// # use analysis::stats::permutation::sign_flips;
/// // Five of five the same way: 2 of the 32 ways are as far out.
/// let test = sign_flips(&[1.0, 2.0, 3.0, 1.5, 2.5], 1000, 1).unwrap();
/// assert_eq!(test.p, 2.0 / 32.0);
/// ```
///
/// # Errors
/// [`StatsError::NotFinite`] for a score that is no number, [`StatsError::Argument`] without draws.
pub fn sign_flips(scores: &[f64], draws: u32, seed: u64) -> Result<Permuted, StatsError> {
    finite("the score", scores)?;
    enough(draws)?;
    let seen: f64 = scores.iter().sum();
    let mut sizes: Vec<f64> = scores
        .iter()
        .map(|s| s.abs())
        .filter(|s| *s > 0.0)
        .collect();
    // The same drawing whatever order the scores came in.
    sizes.sort_by(f64::total_cmp);
    let reach: f64 = sizes.iter().sum();
    if sizes.len() <= LISTED.ilog2() as usize {
        let every = 1_u64 << sizes.len();
        let far = seen.abs() - SAME * reach;
        let hits = (0..every)
            .filter(|signs| {
                let sum: f64 = sizes
                    .iter()
                    .enumerate()
                    .map(|(i, s)| if (signs >> i) & 1 == 1 { *s } else { -*s })
                    .sum();
                sum.abs() >= far
            })
            .count();
        return Ok(Permuted {
            seen,
            p: hits as f64 / every as f64,
            from: Arrangements::Every(every),
        });
    }
    let mut chance = chance(seed);
    Ok(by_draws(seen, reach, draws, || {
        // A draw's signs, 64 to a number.
        sizes
            .chunks(64)
            .map(|some| {
                let signs: u64 = chance.random();
                some.iter()
                    .enumerate()
                    .map(|(i, s)| if (signs >> i) & 1 == 1 { *s } else { -*s })
                    .sum::<f64>()
            })
            .sum()
    }))
}

/// Whether one arm's values add up to more than chance makes them, where lots were drawn within
/// blocks (a session's flasks): the sum over the chosen rows among those of all choices of as many
/// rows from each block (Pitman 1937, Supplement to the Journal of the Royal Statistical Society
/// 4:119–130). A block that was chosen whole or not at all says nothing.
///
/// `values`, `chosen` and `block` have a row each per flask; blocks are numbered in any way.
///
/// # Errors
/// [`StatsError::Rows`] when the lists differ in length, and as [`sign_flips`].
pub fn within_blocks(
    values: &[f64],
    chosen: &[bool],
    block: &[usize],
    draws: u32,
    seed: u64,
) -> Result<Permuted, StatsError> {
    for (what, given) in [("arms", chosen.len()), ("blocks", block.len())] {
        if given != values.len() {
            return Err(StatsError::Rows {
                what: what.to_owned(),
                given,
                expected: values.len(),
            });
        }
    }
    finite("the value", values)?;
    enough(draws)?;
    let mut by_block: BTreeMap<usize, Vec<(f64, bool)>> = BTreeMap::new();
    for ((value, chosen), block) in values.iter().zip(chosen).zip(block) {
        by_block.entry(*block).or_default().push((*value, *chosen));
    }
    let mut seen = 0.0;
    let mut blocks: Vec<(Vec<f64>, usize)> = Vec::new();
    for rows in by_block.values() {
        let number = rows.iter().filter(|(_, chosen)| *chosen).count();
        if number == 0 || number == rows.len() {
            continue;
        }
        // Less the mean of their block, so that every arrangement's figure is 0 on average.
        let mean = rows.iter().map(|(v, _)| v).sum::<f64>() / rows.len() as f64;
        seen += rows
            .iter()
            .filter(|(_, chosen)| *chosen)
            .map(|(v, _)| v - mean)
            .sum::<f64>();
        let mut of: Vec<f64> = rows.iter().map(|(v, _)| v - mean).collect();
        of.sort_by(f64::total_cmp);
        blocks.push((of, number));
    }
    let reach: f64 = blocks.iter().flat_map(|(of, _)| of).map(|v| v.abs()).sum();
    let ways = blocks.iter().try_fold(1_u64, |ways, (of, number)| {
        ways.checked_mul(choices(of.len() as u64, *number as u64)?)
            .filter(|ways| *ways <= LISTED)
    });
    if let Some(ways) = ways {
        let mut sums = vec![0.0];
        for (of, number) in &blocks {
            let own = sums_of(of, *number);
            sums = sums
                .iter()
                .flat_map(|sum| own.iter().map(move |own| sum + own))
                .collect();
        }
        let far = seen.abs() - SAME * reach;
        let hits = sums.iter().filter(|s| s.abs() >= far).count();
        return Ok(Permuted {
            seen,
            p: hits as f64 / ways as f64,
            from: Arrangements::Every(ways),
        });
    }
    let mut chance = chance(seed);
    Ok(by_draws(seen, reach, draws, || {
        let mut sum = 0.0;
        for (of, number) in &mut blocks {
            // As many from the front as were chosen, drawn without putting back.
            for i in 0..*number {
                let j = chance.random_range(i..of.len());
                of.swap(i, j);
                sum += of[i];
            }
        }
        sum
    }))
}

/// Ways to choose `k` of `n`; `None` beyond what is listed anyway.
fn choices(n: u64, k: u64) -> Option<u64> {
    let k = k.min(n - k);
    (0..k).try_fold(1_u64, |ways, i| {
        // Exact: the product of i + 1 neighbours is divisible by (i + 1)!.
        Some(ways.checked_mul(n - i)? / (i + 1)).filter(|w| *w <= LISTED)
    })
}

/// The sum of every choice of `number` of these.
fn sums_of(of: &[f64], number: usize) -> Vec<f64> {
    match (number, of) {
        (0, _) => vec![0.0],
        (_, []) => vec![],
        (_, [first, rest @ ..]) => {
            let mut sums: Vec<f64> = sums_of(rest, number - 1)
                .iter()
                .map(|s| s + first)
                .collect();
            sums.extend(sums_of(rest, number));
            sums
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Darwin's cross- and self-fertilised maize in fifteen pairs, differences in eighths of an
    /// inch, as Fisher 1935, The Design of Experiments, section 21, works them: of 32,768 ways
    /// 1,726 have a sum as far out as 314 (863 on each side; from memory of the page).
    #[test]
    fn darwins_maize_as_fisher_counted_it() {
        let eighths = [
            49.0, -67.0, 8.0, 16.0, 6.0, 23.0, 28.0, 41.0, 14.0, 29.0, 56.0, 24.0, 75.0, 60.0,
            -48.0,
        ];
        let test = sign_flips(&eighths, 1, 0).unwrap();
        assert_eq!(test.seen, 314.0);
        assert_eq!(test.from, Arrangements::Every(32_768));
        assert_eq!(test.p, 1726.0 / 32_768.0);
    }

    /// Two blocks by hand: {1, 2, 9} with 9 chosen, {0, 4} with 4 chosen. Of the six figures the
    /// one seen, 5 + 2, is the furthest out and stands alone.
    #[test]
    fn two_sessions_by_hand() {
        let values = [1.0, 2.0, 9.0, 0.0, 4.0];
        let chosen = [false, false, true, false, true];
        let test = within_blocks(&values, &chosen, &[7, 7, 7, 9, 9], 10, 0).unwrap();
        assert!((test.seen - 7.0).abs() < 1e-12);
        assert_eq!(test.from, Arrangements::Every(6));
        assert!((test.p - 1.0 / 6.0).abs() < 1e-12);
    }

    /// Fisher's tea tasting, four cups of eight rightly named: 2 of the 70 choices are as far
    /// out (The Design of Experiments, section 5: 1 in 70 on one side).
    #[test]
    fn the_tea_tasting() {
        let milk_first = [1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0, 0.0];
        let named = [true, true, true, true, false, false, false, false];
        let test = within_blocks(&milk_first, &named, &[0; 8], 10, 0).unwrap();
        assert_eq!(test.from, Arrangements::Every(70));
        assert!((test.p - 2.0 / 70.0).abs() < 1e-12);
    }

    #[test]
    fn many_lots_are_drawn_and_near_the_exact_share() {
        // Twenty equal scores, fifteen one way: 2·P(X ≥ 15), X ~ Bin(20, ½) = 0.041389 (SciPy).
        let mut scores = vec![1.0; 15];
        scores.extend([-1.0; 5]);
        let test = sign_flips(&scores, 40_000, 11).unwrap();
        assert_eq!(test.from, Arrangements::Drawn(40_000));
        assert!((test.p - 0.041_389).abs() < 0.004, "{}", test.p);
        assert_eq!(test, sign_flips(&scores, 40_000, 11).unwrap());
        // One block of 24 with 12 chosen, every chosen one higher.
        let values: Vec<f64> = (0..24).map(f64::from).collect();
        let chosen: Vec<bool> = (0..24).map(|i| i >= 12).collect();
        let test = within_blocks(&values, &chosen, &[0; 24], 999, 5).unwrap();
        assert_eq!(test.p, 0.001, "never 0, however far out");
    }

    #[test]
    fn nothing_to_compare_is_no_evidence() {
        assert_eq!(sign_flips(&[], 10, 0).unwrap().p, 1.0);
        assert_eq!(sign_flips(&[0.0, 0.0], 10, 0).unwrap().p, 1.0);
        // One flask a session: every block was chosen whole or not at all.
        let alone = within_blocks(&[0.2, 0.1], &[true, false], &[0, 1], 10, 0).unwrap();
        assert_eq!((alone.p, alone.seen), (1.0, 0.0));
        // All the same.
        let same = within_blocks(&[0.1; 4], &[true, false, true, false], &[0; 4], 10, 0).unwrap();
        assert_eq!(same.p, 1.0);
        assert!(within_blocks(&[f64::NAN], &[true], &[0], 10, 0).is_err());
        assert!(within_blocks(&[1.0], &[], &[0], 10, 0).is_err());
        assert!(sign_flips(&[1.0], 0, 0).is_err());
    }

    /// Under no effect a valid p is at most α no more often than α.
    #[test]
    fn under_no_effect_it_claims_no_more_often_than_it_says() {
        let mut chance = chance(42);
        let (mut claims, shops) = (0, 2000);
        for shop in 0..shops {
            let values: Vec<f64> = (0..40).map(|_| chance.random::<f64>()).collect();
            let chosen: Vec<bool> = (0..40).map(|i| i % 2 == 0).collect();
            let block: Vec<usize> = (0..40).map(|i| i / 4).collect();
            let test = within_blocks(&values, &chosen, &block, 199, shop).unwrap();
            claims += usize::from(test.p <= 0.05);
        }
        // 100 expected; four standard errors are 39.
        assert!((61..=139).contains(&claims), "{claims} of {shops}");
    }

    proptest! {
        #[test]
        fn the_share_is_a_share_and_order_changes_nothing(mut rows in proptest::collection::vec((-5.0..5.0f64, any::<bool>(), 0usize..4), 0..14)) {
            let split = |rows: &[(f64, bool, usize)]| {
                let values: Vec<f64> = rows.iter().map(|r| r.0).collect();
                let chosen: Vec<bool> = rows.iter().map(|r| r.1).collect();
                let block: Vec<usize> = rows.iter().map(|r| r.2).collect();
                within_blocks(&values, &chosen, &block, 99, 3).unwrap()
            };
            let test = split(&rows);
            prop_assert!(test.p > 0.0 && test.p <= 1.0 && test.seen.is_finite());
            rows.reverse();
            let back = split(&rows);
            prop_assert!((back.p - test.p).abs() < 1e-12);
        }
    }
}

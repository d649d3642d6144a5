//! How many flasks a trial takes at one bench: the textbook's number of independent pieces, then
//! what they are worth here. Pieces of a flask are alike; sessions of one or three flasks do not
//! split evenly; and few tosses of a coin need a wider margin than many.

use std::collections::BTreeMap;

use super::plan::POWER;
use crate::flask::Flask;
use crate::stats::distribution::{normal_quantile, t_quantile};
use crate::stats::error::StatsError;
use crate::stats::rate::{Tally, Totals};
use crate::stats::sample_size::{flasks_per_arm, pieces_per_arm};
use crate::stats::within_session::flask_design_effect_or_assumed;

/// A trial's size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Size {
    /// Both arms together.
    pub flasks: u32,
    /// Clustered pieces that are worth one independent piece, within sessions.
    pub design_effect: f64,
}

/// What the bench's sessions do to a trial.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sessions {
    /// Share of what as many flasks would tell if every session split evenly.
    pub worth: f64,
    /// Tosses of a coin for each flask.
    pub tosses: f64,
}

impl Sessions {
    /// Of sessions of so many flasks, of which a share `counted` came to be counted without fault;
    /// `alone` is what a flask tells that has none of the other temperature in its session, of ¼.
    ///
    /// Of a session of n flasks ⌊n/2⌋ are meant for one and ⌈n/2⌉ for the other temperature. If a
    /// and b of these are counted they tell ab/(a+b), where an even split tells a quarter of a
    /// flask each; the mean over a and b is taken. Flasks that differ in pieces, by `uneven` (variance
    /// ÷ mean²), split no more evenly for it: to second order that takes the share uneven/(a+b) off.
    /// Two sessions share a toss for each pair of places.
    pub(super) fn of(
        sizes: impl Iterator<Item = u32>,
        counted: f64,
        alone: f64,
        uneven: f64,
    ) -> Sessions {
        let (mut told, mut tosses, mut flasks) = (0.0, 0.0, 0.0);
        for n in sizes {
            let halves = [n / 2, n.div_ceil(2)].map(|half| shares(half, counted));
            for (a, first) in halves[0].iter().enumerate() {
                for (b, second) in halves[1].iter().enumerate() {
                    let chance = first * second;
                    let (a, b) = (a as f64, b as f64);
                    told += chance
                        * match a + b {
                            0.0 => 0.0,
                            1.0 => 0.25 * alone,
                            both => a * b / both * (1.0 - uneven / both).max(0.0),
                        };
                    flasks += chance * (a + b);
                }
            }
            tosses += f64::from(n.div_ceil(2)) / 2.0;
        }
        if flasks > 0.0 {
            Sessions {
                worth: told / (0.25 * flasks),
                tosses: tosses / flasks,
            }
        } else {
            Sessions {
                worth: 1.0,
                tosses: 0.25,
            }
        }
    }
}

/// The chance of each number from 0 to `n`, if each of n comes with this chance.
fn shares(n: u32, chance: f64) -> Vec<f64> {
    let mut all = vec![1.0];
    for _ in 0..n {
        let mut next = vec![0.0; all.len() + 1];
        for (k, p) in all.iter().enumerate() {
            next[k] += p * (1.0 - chance);
            next[k + 1] += p * chance;
        }
        all = next;
    }
    all
}

/// What a bench was like until now, as a trial is sized by it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bench<'a> {
    /// Its flasks, all that were poured.
    pub flasks: &'a [Flask],
    /// Counts of those that may steer.
    pub counts: &'a [Tally<'a>],
}

impl Bench<'_> {
    fn sessions(&self, within: f64) -> Sessions {
        let mut sizes: BTreeMap<&str, u32> = BTreeMap::new();
        for flask in self.flasks {
            *sizes.entry(&flask.session).or_default() += 1;
        }
        let counted = self.counts.len() as f64 / self.flasks.len().max(1) as f64;
        let alone = within / over_all(self.counts).max(within);
        let pieces = || self.counts.iter().map(|t| f64::from(t.pieces));
        let mean = pieces().sum::<f64>() / self.counts.len().max(1) as f64;
        let squares: f64 = pieces().map(|n| (n - mean).powi(2)).sum();
        let uneven = squares / (self.counts.len().max(1) as f64 * mean * mean);
        let uneven = if uneven.is_finite() {
            uneven.min(1.0)
        } else {
            0.0
        };
        Sessions::of(sizes.into_values(), counted.min(1.0), alone, uneven)
    }

    /// How far off the size may be because rate and likeness are themselves estimates: the variance
    /// of its logarithm. Of the design effect 2 ÷ flasks beyond the first of each session (of a mean
    /// square), of the rate its own relative variance, since at a fixed difference the size goes by
    /// about p.
    fn doubt(&self) -> f64 {
        let totals = Totals::of(self.counts);
        let beyond = totals.flasks.saturating_sub(totals.sessions).max(1) as f64;
        let rate = totals
            .robust_variance()
            .zip(totals.estimate().filter(|p| *p > 0.0))
            .map_or(0.0, |(v, p)| v / (p * p));
        (2.0 / beyond + rate).min(1.0)
    }
}

/// The design effect of flasks that are compared over all sessions.
fn over_all(counts: &[Tally]) -> f64 {
    let Some(p) = Totals::of(counts).estimate() else {
        return 1.0;
    };
    let (spread, pieces) = counts.iter().fold((0.0, 0.0), |(spread, pieces), t| {
        let (y, n) = (f64::from(t.events.min(t.pieces)), f64::from(t.pieces));
        (spread + (y - p * n).powi(2), pieces + n)
    });
    let independent = pieces * p * (1.0 - p);
    if independent > 0.0 {
        (spread / independent).max(1.0)
    } else {
        1.0
    }
}

/// The size that tells `rate` from `rate − difference` with [`POWER`] at `alpha`, at a bench like this.
///
/// Flasks by the textbook ([`pieces_per_arm`], [`flasks_per_arm`]) ÷ the sessions' worth, times
/// ((t₁₋α⁄₂ + t_power·√(1 + s²)) ÷ (z₁₋α⁄₂ + z_power))². t has as many degrees of freedom as there
/// are tosses less one: what is tossed again are the tosses and not the flasks, and few of them
/// reach as far by chance as t does (Student's correction of a paired comparison; Julious 2004,
/// Statistics in Medicine 23:1921–1986; from memory). And s = ½(z₁₋α⁄₂ + z_power)·√(doubt) is how far
/// the test's mean may be off because rate and likeness were estimated: over that doubt the
/// power is Φ(z ÷ √(1 + s²)), which is what is to be [`POWER`] (assurance: O'Hagan, Stevens &
/// Campbell 2005, Pharmaceutical Statistics 4:187–201; from memory).
pub(super) fn size(
    bench: Bench,
    rate: f64,
    difference: f64,
    alpha: f64,
) -> Result<Size, StatsError> {
    let counts = bench.counts;
    let design_effect = flask_design_effect_or_assumed(counts);
    let totals = Totals::of(counts);
    let pieces_per_flask = totals.pieces as f64 / totals.flasks.max(1) as f64;
    let pieces = pieces_per_arm(rate, rate - difference, alpha, POWER)?;
    let sessions = bench.sessions(design_effect);
    let at = |wider: f64| {
        flasks_per_arm(
            pieces * wider / sessions.worth,
            design_effect,
            pieces_per_flask,
        )
    };
    let mut flasks = 2 * at(1.0)?;
    // The correction shrinks as the number grows; a few rounds settle it.
    for _ in 0..SETTLED {
        let df = (f64::from(flasks) * sessions.tosses - 1.0).max(1.0);
        let reach = |p: f64| t_quantile(p, df).zip(normal_quantile(p));
        let Some(((t_alpha, z_alpha), (t_power, z_power))) =
            reach(1.0 - alpha / 2.0).zip(reach(POWER))
        else {
            break;
        };
        let doubt = 0.25 * (z_alpha + z_power).powi(2) * bench.doubt();
        let wanted = t_alpha + t_power * (1.0 + doubt).sqrt();
        flasks = 2 * at((wanted / (z_alpha + z_power)).powi(2))?;
    }
    Ok(Size {
        flasks,
        design_effect,
    })
}

/// Rounds of the correction for few tosses.
const SETTLED: usize = 4;

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn sessions_that_do_not_split_evenly_tell_less() {
        let near = |a: Sessions, worth: f64, tosses: f64| {
            assert!((a.worth - worth).abs() < 1e-12, "{a:?}");
            assert!((a.tosses - tosses).abs() < 1e-12, "{a:?}");
        };
        let of = |n| Sessions::of([n].into_iter(), 1.0, 0.2, 0.0);
        near(of(2), 1.0, 0.25);
        near(of(4), 1.0, 0.25);
        // One against two: 2/3 of what an even split of three would tell, 3/4.
        near(of(3), 8.0 / 9.0, 1.0 / 3.0);
        near(of(1), 0.2, 0.5);
        // Of two of which one in ten is lost: 0.81·½ + 0.18·0.05 over 1.8·¼.
        let lost = Sessions::of([2].into_iter(), 0.9, 0.2, 0.0);
        near(lost, (0.81 * 0.5 + 0.18 * 0.05) / 0.45, 0.5 / 1.8);
        near(Sessions::of([].into_iter(), 1.0, 1.0, 0.0), 1.0, 0.25);
        // Flasks of 15 or 25 pieces (variance 25, mean 20: 1/16), two by two: on average they tell
        // (7.5 + 9.375 + 9.375 + 12.5)/4 = 9.6875 where two of 20 tell 10.
        near(
            Sessions::of([2].into_iter(), 1.0, 0.2, 0.0625),
            0.968_75,
            0.25,
        );
    }

    /// Sessions of 0 and 10 of 25 bad lie 5 off the mean: 20·5² ÷ (500·0.2·0.8).
    #[test]
    fn flasks_over_all_differ_by_their_sessions_too() {
        let names: Vec<String> = (0..20).map(|n| format!("s{n}")).collect();
        let counts: Vec<Tally> = names
            .iter()
            .enumerate()
            .map(|(i, session)| Tally {
                session,
                events: if i % 2 == 0 { 0 } else { 10 },
                pieces: 25,
            })
            .collect();
        assert!((over_all(&counts) - 6.25).abs() < 1e-12);
        assert_eq!(over_all(&[]), 1.0);
    }

    /// 8 % against 4 % at α = 0.02 are 706.2 independent pieces an arm ([`super::super::plan`]'s
    /// tests), 29 flasks of 25; every flask had 2 of 25 bad, in sessions of four. 20 sessions leave
    /// a doubt of 2/60 of the likeness, s² = ¼·3.168²/30 = 0.0836. With 68 flasks there are 17
    /// tosses; tables of t give 2.583 and 0.865 at 16 degrees of freedom: 2.583 + 0.865·1.041 =
    /// 3.483, (3.483 ÷ 3.168)² = 1.209, and 28.25·1.209 = 34.2. With 70: 2.571 and 0.864 at 16.5,
    /// 33.9, so that 68 or 70 it is.
    #[test]
    fn few_tosses_need_more_flasks() {
        let flasks: Vec<Flask> = (0..80)
            .map(|i| crate::watch::testing::flask(i / 4, i, 25, 2))
            .collect();
        let counts: Vec<Tally> = flasks
            .iter()
            .map(|f| Tally {
                session: &f.session,
                events: 2,
                pieces: 25,
            })
            .collect();
        let bench = Bench {
            flasks: &flasks,
            counts: &counts,
        };
        let few = size(bench, 0.08, 0.04, 0.02).unwrap();
        assert!([68, 70].contains(&few.flasks), "{few:?}");
        assert_eq!(few.design_effect, 1.0);
        // Of many the doubt stays, (1 + 0.842·0.041 ÷ 3.168)² = 1.022, and some 280 tosses add a
        // hundredth: t is 2.340 and 0.843, (3.217 ÷ 3.168)² = 1.031.
        let many = size(bench, 0.08, 0.01, 0.02).unwrap();
        let pieces = pieces_per_arm(0.08, 0.07, 0.02, POWER).unwrap();
        let more = f64::from(many.flasks) / (2.0 * pieces / 25.0);
        assert!((1.028..1.036).contains(&more), "{more}");
        assert!(size(bench, 0.08, 0.0, 0.02).is_err());
    }
}

//! Intervals for one proportion. Counts are real numbers, because the effective count of
//! clustered pieces is seldom whole. Every function answers `None` rather than a wrong or
//! non-finite limit when its arguments are outside what is stated.

use super::distribution::{beta_quantile, normal_quantile, t_quantile};

/// Confidence that pourbook states its intervals at, unless it says otherwise.
pub const CONFIDENCE: f64 = 0.95;

/// Largest number of trials for exact limits. The beta quantile beneath was measured against
/// SciPy to 7e-8 up to 2·10⁴ trials and to 1.6e-3 (of limits below 1e-6) up to this.
const MOST_TRIALS: f64 = 1e6;

/// From and to, both between 0 and 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

impl Interval {
    fn within_unit(low: f64, high: f64) -> Option<Interval> {
        (low.is_finite() && high.is_finite()).then(|| Interval {
            low: low.clamp(0.0, 1.0),
            high: high.clamp(0.0, 1.0),
        })
    }
}

/// Whether `events` of `trials` at `confidence` is a question with an answer. Confidence
/// between 0.5 and 0.9999 keeps quantiles where the crate beneath is accurate.
fn sound(events: f64, trials: f64, confidence: f64) -> bool {
    trials > 0.0
        && trials.is_finite()
        && (0.0..=trials).contains(&events)
        && (0.5..=0.9999).contains(&confidence)
}

/// Wilson's score interval: the p for which |p̂ − p| ≤ z·√(p(1−p)/n)
/// (Wilson 1927, JASA 22:209–212). Trials may be any positive number.
///
/// ```
/// # use analysis::stats::proportion::wilson;
/// // Newcombe 1998, case 81/263: 0.2553 to 0.3662.
/// let i = wilson(81.0, 263.0, 0.95).unwrap();
/// assert!((i.low - 0.2553).abs() < 5e-5 && (i.high - 0.3662).abs() < 5e-5);
/// ```
pub fn wilson(events: f64, trials: f64, confidence: f64) -> Option<Interval> {
    if !sound(events, trials, confidence) {
        return None;
    }
    let z = normal_quantile(0.5 + confidence / 2.0)?;
    let (p, q) = (events / trials, (trials - events) / trials);
    let z2n = z * z / trials;
    let middle = (p + z2n / 2.0) / (1.0 + z2n);
    let half = (z2n * (p * q + z2n / 4.0)).sqrt() / (1.0 + z2n);
    Interval::within_unit(
        // At the ends one limit is exact; the subtraction would leave a speck.
        if events == 0.0 { 0.0 } else { middle - half },
        if events == trials { 1.0 } else { middle + half },
    )
}

/// Exact lower limit, the `tail` quantile of Beta(events, good + 1). That quantile is below
/// tail^(1/events); where this vanishes it is 0, and the crate beneath, which does not return
/// for such roots, is not asked.
fn exact_lower(events: f64, good: f64, tail: f64) -> Option<f64> {
    if events <= 0.0 || tail.powf(1.0 / events) < 1e-15 {
        return Some(0.0);
    }
    beta_quantile(tail, events, good + 1.0)
}

/// Clopper and Pearson's exact interval by beta quantiles (Clopper & Pearson 1934,
/// Biometrika 26:404–413): low = B(α/2; x, n−x+1), high = B(1−α/2; x+1, n−x), with 0 and 1 at
/// the ends. For at most a million trials.
pub fn clopper_pearson(events: f64, trials: f64, confidence: f64) -> Option<Interval> {
    if !sound(events, trials, confidence) || trials > MOST_TRIALS {
        return None;
    }
    let tail = (1.0 - confidence) / 2.0;
    let good = trials - events;
    let low = exact_lower(events, good, tail)?;
    let high = if good <= events {
        // Near 1 the mirrored limit keeps its digits.
        1.0 - exact_lower(good, events, tail)?
    } else {
        beta_quantile(1.0 - tail, events + 1.0, good)?
    };
    let estimate = events / trials;
    Interval::within_unit(low.min(estimate), high.max(estimate))
}

/// Korn and Graubard's interval for clustered counts (1998, Survey Methodology 24:193–201):
/// Clopper and Pearson's on the effective number of trials n* = n/deff, and, where the
/// design effect was itself estimated from `clusters` clusters, n* reduced by
/// (t₍n−1₎/t₍clusters−1₎)², never more than n. For at least two clusters if any are given, and
/// a design effect of at least 1.
pub fn korn_graubard(
    estimate: f64,
    trials: f64,
    design_effect: f64,
    clusters: Option<usize>,
    confidence: f64,
) -> Option<Interval> {
    let lawful = design_effect >= 1.0 && design_effect.is_finite();
    if !(lawful && sound(estimate, 1.0, confidence) && sound(0.0, trials, confidence)) {
        return None;
    }
    let mut effective = trials / design_effect;
    if let Some(clusters) = clusters {
        if clusters < 2 || trials <= 1.0 {
            return None;
        }
        let upper = 0.5 + confidence / 2.0;
        let ratio = t_quantile(upper, trials - 1.0)? / t_quantile(upper, clusters as f64 - 1.0)?;
        effective *= ratio * ratio;
    }
    let effective = effective.min(trials);
    clopper_pearson(estimate * effective, effective, confidence)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Newcombe 1998, Statistics in Medicine 17:857–872, Table I: four decimals of methods 3
    /// (score) and 5 (exact), from memory of the printed table; the further digits from R 4.2.2
    /// (Hmisc 4.8.0) and SciPy 1.17.1, which agree to 4.9e-13
    /// (sample-data/published/proportions.csv).
    #[test]
    fn wilson_and_exact_limits_are_those_of_newcombe() {
        for (events, trials, wilson_limits, exact_limits) in [
            (
                81.0,
                263.0,
                (0.255_288_519_878_274, 0.366_209_576_982_8),
                (0.252_736_745_585_271, 0.367_621_922_601_351),
            ),
            (
                15.0,
                148.0,
                (0.062_386_399_530_736_3, 0.160_487_241_723_308),
                (0.057_844_010_083_448_6, 0.161_650_490_349_479),
            ),
            (
                0.0,
                20.0,
                (0.0, 0.161_125_158_052_819),
                (0.0, 0.168_433_470_983_085),
            ),
            (
                1.0,
                29.0,
                (0.006_113_214_29, 0.171_755_219),
                (0.000_872_646_884, 0.177_644_295),
            ),
        ] {
            let near = |ours: f64, theirs: f64| {
                assert!(
                    (ours - theirs).abs() < 6e-10,
                    "{events}/{trials}: {ours} {theirs}"
                );
            };
            let w = wilson(events, trials, 0.95).unwrap();
            near(w.low, wilson_limits.0);
            near(w.high, wilson_limits.1);
            let e = clopper_pearson(events, trials, 0.95).unwrap();
            near(e.low, exact_limits.0);
            near(e.high, exact_limits.1);
        }
    }

    /// Eleven published and edge cases at 90, 95 and 99 %, from R 4.2.2 with Hmisc 4.8.0 (see
    /// sample-data/published/README.md).
    #[test]
    fn every_case_of_the_published_table_comes_out() {
        let csv = include_str!("../../../sample-data/published/proportions.csv");
        let mut checked = 0;
        for line in csv.lines().skip(1) {
            let cell: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
            let w = wilson(cell[0], cell[1], cell[2]).unwrap();
            let e = clopper_pearson(cell[0], cell[1], cell[2]).unwrap();
            for (ours, theirs) in [
                (w.low, cell[3]),
                (w.high, cell[4]),
                (e.low, cell[5]),
                (e.high, cell[6]),
            ] {
                assert!((ours - theirs).abs() < 1e-9, "{line}: {ours} {theirs}");
            }
            checked += 1;
        }
        assert!(checked >= 30, "{checked}");
    }

    /// The same four cases as the paper prints them, to four decimals.
    #[test]
    fn the_printed_four_decimals_come_out() {
        let print = |i: Interval| format!("{:.4} to {:.4}", i.low, i.high);
        for (events, trials, score, exact) in [
            (81.0, 263.0, "0.2553 to 0.3662", "0.2527 to 0.3676"),
            (15.0, 148.0, "0.0624 to 0.1605", "0.0578 to 0.1617"),
            (0.0, 20.0, "0.0000 to 0.1611", "0.0000 to 0.1684"),
            (1.0, 29.0, "0.0061 to 0.1718", "0.0009 to 0.1776"),
        ] {
            assert_eq!(print(wilson(events, trials, 0.95).unwrap()), score);
            assert_eq!(print(clopper_pearson(events, trials, 0.95).unwrap()), exact);
        }
    }

    /// NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20 at 90 % exactly, 0.071354 to 0.401029
    /// (from memory of the page; its last digit is rounding: 0.401028117 is the exact root).
    #[test]
    fn the_handbook_example_of_four_in_twenty() {
        let i = clopper_pearson(4.0, 20.0, 0.90).unwrap();
        assert!((i.low - 0.071_353_884_3).abs() < 1e-9, "{}", i.low);
        assert!((i.high - 0.401_028_117).abs() < 1e-9, "{}", i.high);
    }

    /// With nothing found the exact upper limit has a closed form, 1 − (α/2)^(1/n).
    #[test]
    fn nothing_found_has_a_closed_form() {
        for trials in [1.0, 10.0, 300.0, 20_000.0] {
            let i = clopper_pearson(0.0, trials, 0.95).unwrap();
            let closed = -f64::exp_m1(f64::ln(0.025) / trials);
            assert!((i.high / closed - 1.0).abs() < 1e-7, "{trials}");
            assert_eq!(i.low, 0.0);
        }
    }

    #[test]
    fn clustering_widens_and_few_clusters_widen_more() {
        let plain = clopper_pearson(10.0, 200.0, 0.95).unwrap();
        let same = korn_graubard(0.05, 200.0, 1.0, None, 0.95).unwrap();
        assert!((plain.low - same.low).abs() < 1e-12 && (plain.high - same.high).abs() < 1e-12);
        let clustered = korn_graubard(0.05, 200.0, 2.0, None, 0.95).unwrap();
        let half = clopper_pearson(5.0, 100.0, 0.95).unwrap();
        assert!((clustered.high - half.high).abs() < 1e-12);
        let few = korn_graubard(0.05, 200.0, 2.0, Some(6), 0.95).unwrap();
        assert!(few.high > clustered.high && few.low < clustered.low);
    }

    #[test]
    fn senseless_counts_have_no_interval() {
        for (events, trials, confidence) in [
            (1.0, 0.0, 0.95),
            (-1.0, 10.0, 0.95),
            (11.0, 10.0, 0.95),
            (f64::NAN, 10.0, 0.95),
            (1.0, f64::INFINITY, 0.95),
            (1.0, f64::NAN, 0.95),
            (1.0, 10.0, 1.0),
            (1.0, 10.0, f64::NAN),
        ] {
            assert_eq!(wilson(events, trials, confidence), None);
            assert_eq!(clopper_pearson(events, trials, confidence), None);
        }
        assert_eq!(clopper_pearson(1.0, 2e6, 0.95), None);
        assert_eq!(korn_graubard(0.5, 10.0, 0.5, None, 0.95), None);
        assert_eq!(korn_graubard(0.5, 10.0, f64::NAN, None, 0.95), None);
        assert_eq!(korn_graubard(0.5, 10.0, 1.0, Some(1), 0.95), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(300))]
        #[test]
        fn limits_enclose_the_estimate_and_stay_within_nought_and_one(share in 0.0..=1.0f64, trials in 0.2..20_000.0f64) {
            let events = share * trials;
            for i in [wilson(events, trials, 0.95).unwrap(), clopper_pearson(events, trials, 0.95).unwrap()] {
                prop_assert!(0.0 <= i.low && i.high <= 1.0);
                prop_assert!(i.low <= share + 1e-12 && share <= i.high + 1e-12, "{i:?} {share}");
            }
        }

        #[test]
        fn good_pieces_mirror_bad_ones(events in 0u32..=60, more in 0u32..=60) {
            let trials = f64::from(events + more).max(1.0);
            let (x, y) = (f64::from(events).min(trials), trials - f64::from(events).min(trials));
            for f in [wilson, clopper_pearson] {
                let (a, b) = (f(x, trials, 0.95).unwrap(), f(y, trials, 0.95).unwrap());
                prop_assert!((a.low - (1.0 - b.high)).abs() < 1e-9);
                prop_assert!((a.high - (1.0 - b.low)).abs() < 1e-9);
            }
        }

        #[test]
        fn more_confidence_is_never_narrower(events in 0u32..=40, more in 1u32..=40) {
            let trials = f64::from(events + more);
            for f in [wilson, clopper_pearson] {
                let (a, b) = (f(f64::from(events), trials, 0.90).unwrap(), f(f64::from(events), trials, 0.99).unwrap());
                prop_assert!(b.low <= a.low + 1e-12 && a.high <= b.high + 1e-12);
            }
        }
    }
}

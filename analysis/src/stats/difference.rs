//! The difference of two proportions with Newcombe's interval, on plain counts or on the
//! effective counts of clustered pieces. It says how far two rates lie apart and how sure that
//! is; it says nothing of why.

use super::distribution::normal_two_sided;
use super::proportion::{CONFIDENCE, wilson};
use super::rate::Totals;

/// A difference of two proportions, the second less the first, with its interval.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Difference {
    /// p₂ − p₁, between −1 and 1.
    pub estimate: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

/// Newcombe's hybrid score interval for p₂ − p₁ (Newcombe 1998, Statistics in Medicine
/// 17:873–890, method 10): with Wilson's limits l, u of each proportion and d = p₂ − p₁,
///
/// low = d − √((p₂ − l₂)² + (u₁ − p₁)²), high = d + √((u₂ − p₂)² + (p₁ − l₁)²).
///
/// `first` and `second` are events and trials, any real numbers, because effective counts are
/// seldom whole. `None` where Wilson's interval has no answer.
///
/// ```
/// # use analysis::stats::difference::newcombe;
/// // 56/70 − 48/80: 0.0524 to 0.3339 (Newcombe 1998, case a).
/// let d = newcombe((48.0, 80.0), (56.0, 70.0), 0.95).unwrap();
/// assert!((d.low - 0.0524).abs() < 5e-5 && (d.high - 0.3339).abs() < 5e-5);
/// ```
pub fn newcombe(first: (f64, f64), second: (f64, f64), confidence: f64) -> Option<Difference> {
    let (one, two) = (
        wilson(first.0, first.1, confidence)?,
        wilson(second.0, second.1, confidence)?,
    );
    let (p1, p2) = (first.0 / first.1, second.0 / second.1);
    let estimate = p2 - p1;
    Some(Difference {
        estimate,
        low: (estimate - (p2 - two.low).hypot(one.high - p1)).max(-1.0),
        high: (estimate + (two.high - p2).hypot(p1 - one.low)).min(1.0),
    })
}

/// The difference of two rates over flasks (second less first) at 95 %: Newcombe's interval on
/// each side's effective counts, pieces ÷ design effect. A side's design effect is its own where
/// its sessions can tell, else the larger of the assumed one and `pooled`, that of a wider set of
/// flasks. `None` without pieces on either side.
pub fn rate_difference(first: &Totals, second: &Totals, pooled: Option<f64>) -> Option<Difference> {
    let effective = |t: &Totals| {
        let deff = t
            .design_effect()
            .unwrap_or_else(|| t.assumed_design_effect(pooled));
        (t.events as f64 / deff, t.pieces as f64 / deff)
    };
    newcombe(effective(first), effective(second), CONFIDENCE)
}

/// A two-sided test of p₁ = p₂ by the pooled score, z = (p₂ − p₁) ÷ √(p̄(1−p̄)(1/n₁ + 1/n₂)): its
/// p-value (Fleiss 1981, Statistical Methods for Rates and Proportions, 2.1; from memory). It is
/// what [`super::sample_size`] plans for. 1 where every piece or none has the outcome.
pub fn pooled_score_p(first: (f64, f64), second: (f64, f64)) -> Option<f64> {
    let sound = |(events, trials): (f64, f64)| {
        trials > 0.0 && trials.is_finite() && (0.0..=trials).contains(&events)
    };
    if !(sound(first) && sound(second)) {
        return None;
    }
    let pooled = (first.0 + second.0) / (first.1 + second.1);
    let variance = pooled * (1.0 - pooled) * (1.0 / first.1 + 1.0 / second.1);
    if variance <= 0.0 {
        return Some(1.0);
    }
    let z = (second.0 / second.1 - first.0 / first.1) / variance.sqrt();
    normal_two_sided(z)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::stats::rate::Tally;
    use proptest::prelude::*;

    /// The eight cases of Newcombe 1998, Table II, method 10: printed to four decimals from
    /// memory for the first four, the further digits from R 4.2.2 and statsmodels 0.15.0, which
    /// agree (`tests/reference` computes them again).
    #[test]
    fn the_eight_cases_of_newcombe_come_out() {
        for ((x2, n2), (x1, n1), low, high) in [
            ((56.0, 70.0), (48.0, 80.0), 0.052_431_472_4, 0.333_872_654),
            ((9.0, 10.0), (3.0, 10.0), 0.170_522_724, 0.809_017_974),
            ((6.0, 7.0), (2.0, 7.0), 0.058_227_927_5, 0.806_249_638),
            ((5.0, 56.0), (0.0, 29.0), -0.038_137_147_9, 0.192_560_014),
            ((0.0, 10.0), (0.0, 20.0), -0.161_125_158, 0.277_532_8),
            ((0.0, 10.0), (0.0, 10.0), -0.277_532_8, 0.277_532_8),
            ((10.0, 10.0), (0.0, 20.0), 0.679_086_037, 1.0),
            ((10.0, 10.0), (0.0, 10.0), 0.607_509_35, 1.0),
        ] {
            let d = newcombe((x1, n1), (x2, n2), 0.95).unwrap();
            assert!((d.low - low).abs() < 1e-9, "{x2}/{n2} low {}", d.low);
            assert!((d.high - high).abs() < 1e-9, "{x2}/{n2} high {}", d.high);
        }
    }

    #[test]
    fn the_printed_decimals_come_out() {
        let print = |first, second| {
            let d = newcombe(first, second, 0.95).unwrap();
            format!("{:.4} to {:.4}", d.low, d.high)
        };
        assert_eq!(print((3.0, 10.0), (9.0, 10.0)), "0.1705 to 0.8090");
        assert_eq!(print((0.0, 29.0), (5.0, 56.0)), "-0.0381 to 0.1926");
    }

    #[test]
    fn pieces_that_hang_together_widen_the_interval() {
        let names: Vec<String> = (0..8).map(|i| i.to_string()).collect();
        let of = |events: &[u32]| {
            let tallies: Vec<Tally> = events
                .iter()
                .zip(&names)
                .map(|(e, s)| Tally {
                    session: s,
                    events: *e,
                    pieces: 20,
                })
                .collect();
            Totals::of(&tallies)
        };
        // The same rates, spread evenly and heaped into two sessions.
        let (even, heaped) = (of(&[2; 8]), of(&[8, 8, 0, 0, 0, 0, 0, 0]));
        let after = of(&[1; 8]);
        let wide = rate_difference(&heaped, &after, None).unwrap();
        let narrow = rate_difference(&even, &after, None).unwrap();
        assert!((wide.estimate - narrow.estimate).abs() < 1e-12);
        assert!(wide.low < narrow.low && wide.high > narrow.high);
        assert_eq!(rate_difference(&even, &Totals::default(), None), None);
    }

    /// Fleiss 1981 has no example at hand; by hand: 10/100 against 20/100, p̄ = 0.15,
    /// z = 0.1/√(0.15·0.85·0.02) = 1.98030, p = 0.04767 (SciPy 1.17.1: 0.0476705).
    #[test]
    fn the_pooled_score_by_hand() {
        let p = pooled_score_p((10.0, 100.0), (20.0, 100.0)).unwrap();
        assert!((p - 0.047_670_46).abs() < 1e-6, "{p}");
        assert_eq!(pooled_score_p((0.0, 10.0), (0.0, 10.0)), Some(1.0));
        assert_eq!(pooled_score_p((1.0, 0.0), (0.0, 10.0)), None);
    }

    proptest! {
        #[test]
        fn turned_round_it_is_its_own_mirror(x1 in 0u32..=30, m1 in 1u32..=30, x2 in 0u32..=30, m2 in 1u32..=30) {
            let (one, two) = ((f64::from(x1), f64::from(x1 + m1)), (f64::from(x2), f64::from(x2 + m2)));
            let (d, back) = (newcombe(one, two, 0.95).unwrap(), newcombe(two, one, 0.95).unwrap());
            prop_assert!((d.low + back.high).abs() < 1e-12 && (d.high + back.low).abs() < 1e-12);
            prop_assert!(-1.0 <= d.low && d.low <= d.estimate + 1e-12 && d.estimate <= d.high + 1e-12 && d.high <= 1.0);
        }
    }
}

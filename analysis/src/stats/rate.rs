//! The rate of defective pieces over flasks, with an interval that knows that pieces of one
//! session are alike. The design effect says how many clustered pieces are worth one
//! independent piece; the interval is taken on the effective counts.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::proportion::{CONFIDENCE, korn_graubard, wilson};

/// With fewer sessions than this the spread between sessions cannot be estimated from them.
pub const FEWEST_SESSIONS: usize = 6;

/// Likeness of pieces of one flask (intra-class correlation) assumed where the data cannot
/// tell: at 20 pieces a flask it makes three pieces worth one (common practice for clustered
/// counts; to be confirmed by calibration).
const ASSUMED_LIKENESS: f64 = 0.1;

/// Below this many effective events, on the rarer side, the exact interval is given.
const TINY: f64 = 5.0;

/// One flask's count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tally<'a> {
    /// The session it was poured in.
    pub session: &'a str,
    /// Pieces with the outcome, at most `pieces`.
    pub events: u32,
    /// Pieces looked at. A flask with none tells nothing.
    pub pieces: u32,
}

/// How an interval was made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// Wilson's on effective counts.
    Wilson,
    /// Korn and Graubard's, for tiny counts.
    KornGraubard,
    /// The outcome was not counted itself: the limits are the lower one at the fewest pieces
    /// that can have had it and the upper one at the most.
    Bounds,
}

/// A rate with its interval (95 %), as every JSON output of pourbook writes it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rate {
    /// Pieces with the outcome ÷ pieces.
    pub estimate: f64,
    /// The share at the fewest pieces that can have had it; the estimate where it was counted
    /// itself.
    pub least: f64,
    /// The share at the most, likewise.
    pub most: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
    /// Clustered pieces that are worth one independent piece.
    pub design_effect: f64,
    /// How the interval was made.
    pub method: Method,
}

/// Sums over flasks.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Totals {
    /// Flasks with pieces.
    pub flasks: usize,
    /// Their sessions.
    pub sessions: usize,
    /// Their pieces.
    pub pieces: u64,
    /// Pieces with the outcome.
    pub events: u64,
    /// Σ(pieces²): flasks weigh by their pieces, and so does their likeness.
    pieces_squared: f64,
    by_session: Vec<(f64, f64)>,
}

impl Totals {
    /// Adds up; flasks without pieces are passed over and events never exceed pieces.
    pub fn of(tallies: &[Tally]) -> Totals {
        let mut totals = Totals::default();
        let mut sessions: BTreeMap<&str, (f64, f64)> = BTreeMap::new();
        for t in tallies.iter().filter(|t| t.pieces > 0) {
            let events = t.events.min(t.pieces);
            totals.flasks += 1;
            totals.pieces += u64::from(t.pieces);
            totals.events += u64::from(events);
            totals.pieces_squared += f64::from(t.pieces) * f64::from(t.pieces);
            let session = sessions.entry(t.session).or_default();
            session.0 += f64::from(events);
            session.1 += f64::from(t.pieces);
        }
        totals.sessions = sessions.len();
        totals.by_session = sessions.into_values().collect();
        totals
    }

    /// Pieces with the outcome ÷ pieces; `None` without pieces.
    pub fn estimate(&self) -> Option<f64> {
        (self.pieces > 0).then(|| self.events as f64 / self.pieces as f64)
    }

    /// Session-cluster-robust variance of the estimate, by linearisation of the ratio:
    /// Var(p̂) = k/(k−1) · Σₛ(yₛ − p̂·nₛ)² ÷ n², over k sessions (Cochran 1977, Sampling
    /// Techniques, 3rd ed., eq. 11.30 in the limit of many sessions; from memory). It is the
    /// sandwich variance of an intercept-only logistic fit with the usual k/(k−1), carried to
    /// the scale of rates. `None` with fewer than two sessions.
    pub fn robust_variance(&self) -> Option<f64> {
        let p = self.estimate()?;
        let k = self.sessions as f64;
        let n = self.pieces as f64;
        (self.sessions >= 2).then(|| {
            let spread: f64 = self
                .by_session
                .iter()
                .map(|(events, pieces)| (events - p * pieces).powi(2))
                .sum();
            k / (k - 1.0) * spread / (n * n)
        })
    }

    /// Robust variance ÷ p̂(1−p̂)/pieces, at least 1. `None` where the data cannot tell: none
    /// or all defective, or fewer than six sessions.
    pub fn design_effect(&self) -> Option<f64> {
        let p = self.estimate()?;
        if self.events == 0 || self.events == self.pieces || self.sessions < FEWEST_SESSIONS {
            return None;
        }
        let deff = self.robust_variance()? * self.pieces as f64 / (p * (1.0 - p));
        deff.is_finite().then(|| deff.max(1.0))
    }

    /// The design effect to use where the data cannot tell: the larger of `pooled` (that of a
    /// wider set of flasks, where known) and 1 + (m − 1)·0.1, with m = Σpieces² ÷ Σpieces the
    /// number of flask-mates a piece has, itself included (Kish 1965, Survey Sampling, 5.4 and
    /// 11.7; from memory).
    pub fn assumed_design_effect(&self, pooled: Option<f64>) -> f64 {
        let mates = if self.pieces > 0 {
            self.pieces_squared / self.pieces as f64
        } else {
            1.0
        };
        let assumed = 1.0 + (mates - 1.0) * ASSUMED_LIKENESS;
        pooled.filter(|d| d.is_finite()).unwrap_or(1.0).max(assumed)
    }

    /// Effective events: the rarer of bad and good pieces ÷ design effect.
    pub fn effective_events(&self, pooled: Option<f64>) -> f64 {
        let rarer = self.events.min(self.pieces - self.events) as f64;
        let deff = self
            .design_effect()
            .unwrap_or_else(|| self.assumed_design_effect(pooled));
        rarer / deff
    }

    /// The rate with its 95 % interval: Wilson's on effective counts, or Korn and Graubard's
    /// where the rarer side has fewer than five effective events. `pooled` is the design
    /// effect of a wider set of flasks, used only where these cannot tell. `None` without
    /// pieces.
    pub fn rate(&self, pooled: Option<f64>) -> Option<Rate> {
        let estimate = self.estimate()?;
        let own = self.design_effect();
        let design_effect = own.unwrap_or_else(|| self.assumed_design_effect(pooled));
        let pieces = self.pieces as f64;
        let effective = pieces / design_effect;
        let exact = || {
            // Only a design effect estimated from the sessions is as uncertain as they are few.
            let clusters = own.map(|_| self.sessions);
            korn_graubard(estimate, pieces, design_effect, clusters, CONFIDENCE)
        };
        let (interval, method) = if self.effective_events(pooled) < TINY
            && let Some(interval) = exact()
        {
            (interval, Method::KornGraubard)
        } else {
            let interval = wilson(estimate * effective, effective, CONFIDENCE)?;
            (interval, Method::Wilson)
        };
        Some(Rate {
            estimate,
            least: estimate,
            most: estimate,
            low: interval.low,
            high: interval.high,
            design_effect,
            method,
        })
    }
}

/// The rate where an outcome was not always counted itself: `fewest` and `most` are the same
/// flasks at the fewest and the most pieces that can have had it. Where they agree it is the
/// plain rate; else the estimate is the middle of the two and the limits are the outer ones.
pub fn bounded_rate(fewest: &Totals, most: &Totals, pooled: Option<f64>) -> Option<Rate> {
    let (low, high) = (fewest.rate(pooled)?, most.rate(pooled)?);
    if fewest.events == most.events {
        return Some(high);
    }
    Some(Rate {
        estimate: f64::midpoint(low.estimate, high.estimate),
        least: low.estimate,
        most: high.estimate,
        low: low.low.min(high.low),
        high: low.high.max(high.high),
        design_effect: low.design_effect.max(high.design_effect),
        method: Method::Bounds,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn totals(list: &[(&str, u32, u32)]) -> Totals {
        let tallies: Vec<Tally> = list
            .iter()
            .map(|&(session, events, pieces)| Tally {
                session,
                events,
                pieces,
            })
            .collect();
        Totals::of(&tallies)
    }

    /// Contagious bovine pleuropneumonia, Lesnoff et al. 2004, Preventive Veterinary Medicine
    /// 64:27–40 (lme4's `cbpp`): 15 herds as sessions, 56 herd-periods as flasks. The variance is
    /// that of statsmodels 0.15.0, `GLM(Binomial).fit(cov_type="cluster")`, intercept only,
    /// times (p(1−p))²; tests/reference/check_proportions.py recomputes it.
    #[test]
    fn the_robust_variance_is_that_of_another_package() {
        let csv = include_str!("../../../sample-data/published/cbpp.csv");
        let rows: Vec<(String, u32, u32)> = csv
            .lines()
            .filter(|l| !l.starts_with('#'))
            .skip(1)
            .map(|line| {
                let cells: Vec<&str> = line.split(',').collect();
                (
                    cells[0].to_owned(),
                    cells[1].parse().unwrap(),
                    cells[2].parse().unwrap(),
                )
            })
            .collect();
        let list: Vec<(&str, u32, u32)> =
            rows.iter().map(|(s, e, p)| (s.as_str(), *e, *p)).collect();
        let t = totals(&list);
        assert_eq!(
            (t.flasks, t.sessions, t.events, t.pieces),
            (56, 15, 99, 842)
        );
        let variance = t.robust_variance().unwrap();
        assert!(
            (variance / CBPP_VARIANCE - 1.0).abs() < 1e-9,
            "{variance:e}"
        );
    }
    const CBPP_VARIANCE: f64 = 5.358_412_834_722_258e-4;

    /// Four sessions of ten pieces with 0, 0, 4 and 4 events, by hand: p̂ = 0.2, residuals
    /// ∓2, variance 4/3·16/1600 = 1/75.
    #[test]
    fn the_robust_variance_by_hand() {
        let t = totals(&[("a", 0, 10), ("b", 0, 10), ("c", 4, 10), ("d", 4, 10)]);
        assert!((t.robust_variance().unwrap() - 1.0 / 75.0).abs() < 1e-15);
        // Too few sessions to use it.
        assert_eq!(t.design_effect(), None);
        assert!((t.assumed_design_effect(None) - 1.9).abs() < 1e-12);
        assert_eq!(t.assumed_design_effect(Some(3.0)), 3.0);
        assert_eq!(t.assumed_design_effect(Some(f64::NAN)), 1.9);
    }

    #[test]
    fn two_flasks_of_one_session_are_not_two_sessions() {
        let apart: Vec<(String, u32, u32)> = (0..12)
            .map(|i| (format!("s{i}"), if i < 6 { 4 } else { 0 }, 10))
            .collect();
        let together: Vec<(String, u32, u32)> = apart
            .iter()
            .enumerate()
            .map(|(i, (_, e, n))| (format!("s{}", i / 2), *e, *n))
            .collect();
        let of = |rows: &[(String, u32, u32)]| {
            let list: Vec<(&str, u32, u32)> =
                rows.iter().map(|(s, e, n)| (s.as_str(), *e, *n)).collect();
            totals(&list).rate(None).unwrap()
        };
        let (apart, together) = (of(&apart), of(&together));
        assert_eq!(apart.estimate, together.estimate);
        assert!(together.design_effect > 1.5 * apart.design_effect);
        assert!(together.high - together.low > apart.high - apart.low);
    }

    #[test]
    fn a_clean_record_is_not_a_certainty() {
        let clean: Vec<(String, u32, u32)> = (0..10).map(|i| (format!("s{i}"), 0, 20)).collect();
        let list: Vec<(&str, u32, u32)> =
            clean.iter().map(|(s, e, n)| (s.as_str(), *e, *n)).collect();
        let rate = totals(&list).rate(None).unwrap();
        assert_eq!((rate.estimate, rate.low), (0.0, 0.0));
        assert!((rate.design_effect - 2.9).abs() < 1e-12);
        assert_eq!(rate.method, Method::KornGraubard);
        // 200 pieces at 2.9 to one are 69: 1 − 0.025^(2.9/200).
        assert!((rate.high - (1.0 - 0.025f64.powf(2.9 / 200.0))).abs() < 1e-9);
    }

    #[test]
    fn no_pieces_no_rate() {
        assert_eq!(totals(&[]).rate(None), None);
        assert_eq!(totals(&[("a", 0, 0)]).rate(None), None);
        // More defective than there are pieces is a slip of the pen, never a rate above one.
        let rate = totals(&[("a", 9, 5)]).rate(None).unwrap();
        assert_eq!(rate.estimate, 1.0);
    }

    #[test]
    fn bounds_take_the_outer_limits() {
        let (few, many) = (totals(&[("a", 2, 40)]), totals(&[("a", 6, 40)]));
        let rate = bounded_rate(&few, &many, None).unwrap();
        assert_eq!(rate.method, Method::Bounds);
        assert!((rate.estimate - 0.1).abs() < 1e-12);
        assert_eq!((rate.least, rate.most), (2.0 / 40.0, 6.0 / 40.0));
        assert_eq!(rate.low, few.rate(None).unwrap().low);
        assert_eq!(rate.high, many.rate(None).unwrap().high);
        assert_eq!(bounded_rate(&few, &few, None), few.rate(None));
    }

    proptest! {
        #[test]
        fn a_rate_is_always_finite_and_in_order(rows in proptest::collection::vec((0u8..9, 0u32..40, 0u32..40), 0..40), pooled in proptest::option::of(1.0..20.0f64)) {
            let named: Vec<(String, u32, u32)> = rows.iter().map(|&(s, e, n)| (format!("s{s}"), e, n)).collect();
            let list: Vec<(&str, u32, u32)> = named.iter().map(|(s, e, n)| (s.as_str(), *e, *n)).collect();
            let t = totals(&list);
            match t.rate(pooled) {
                None => prop_assert_eq!(t.pieces, 0),
                Some(r) => {
                    prop_assert!(0.0 <= r.low && r.low <= r.estimate && r.estimate <= r.high && r.high <= 1.0, "{r:?}");
                    prop_assert!(r.design_effect >= 1.0 && r.design_effect.is_finite());
                }
            }
        }

        #[test]
        fn the_order_of_flasks_changes_nothing(rows in proptest::collection::vec((0u8..9, 0u32..10, 10u32..40), 1..30)) {
            let named: Vec<(String, u32, u32)> = rows.iter().map(|&(s, e, n)| (format!("s{s}"), e, n)).collect();
            let mut list: Vec<(&str, u32, u32)> = named.iter().map(|(s, e, n)| (s.as_str(), *e, *n)).collect();
            let forward = totals(&list).rate(None);
            list.reverse();
            prop_assert_eq!(forward, totals(&list).rate(None));
        }
    }
}

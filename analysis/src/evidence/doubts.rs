//! What could undo the advice without any model noticing: one session that decides it, or only the
//! flasks of old, flasks that nobody looked at, pores that were called one thing and may be another.

use std::collections::{BTreeMap, BTreeSet};

use super::curve::{Curve, NEAR_K};
use super::fitted::{How, fitted};
use super::rows::{Bound, Row};
use crate::stats::Vector;
use crate::stats::counts::Counts;
use crate::time::Micros;

/// Sessions that are left out and the model fitted anew; the others by one step.
const REFITTED: usize = 3;

/// The session whose absence turns the advice round, if there is one: R(T) − R(reference) is 0 or
/// more without it. All sessions are ranked by one step of Newton's method; those that matter
/// most are fitted without.
pub(super) fn one_session_decides<'a>(
    curve: &Curve,
    point: usize,
    rows: &[&Row<'a>],
    mix: &[&Row],
    how: &How,
) -> Option<&'a str> {
    let pour_c = curve.at[point].pour_c;
    let bounds = [Bound::Most, Bound::Fewest];
    // Sessions are left out one by one, though weeks of them may count as one.
    let single = How { block: 1, ..*how };
    for (fit, bound) in curve.fits().zip(bounds) {
        let by_session = (how.block > 1)
            .then(|| fitted(&fit.plan, rows, bound, &single).ok())
            .flatten();
        let fit = by_session.as_ref().unwrap_or(fit);
        let sandwich = fit.covariance.sandwich()?;
        let with = fit.risk(mix, pour_c)?;
        let against = fit.risk(mix, curve.reference_c)?;
        let contrast: Vector = &with.gradient - &against.gradient;
        let change = with.risk - against.risk;
        let counts: Counts = super::rows::counts(rows, bound).ok()?;
        let groups = counts.rows_by_session();
        let mut without: Vec<(f64, usize)> = sandwich
            .without_each()
            .iter()
            .enumerate()
            .map(|(s, moved)| (change + contrast.dot(moved), s))
            .collect();
        without.sort_by(|a, b| b.0.total_cmp(&a.0));
        for (estimate, session) in without.into_iter().take(REFITTED) {
            let left: Vec<&Row> = rows
                .iter()
                .enumerate()
                .filter(|(i, _)| !groups[session].contains(i))
                .map(|(_, r)| *r)
                .collect();
            let refitted = fitted(&fit.plan, &left, bound, how).ok().and_then(|f| {
                Some(f.risk(mix, pour_c)?.risk - f.risk(mix, curve.reference_c)?.risk)
            });
            if refitted.unwrap_or(estimate) >= 0.0 {
                return Some(rows[groups[session][0]].flask.session.as_str());
            }
        }
    }
    None
}

/// Whether the later half of the sessions by itself turns the advice round: R(T) − R(reference) is 0
/// or more in it. Then what was true of old is not true of late, as when a probe wears and reads
/// lower month by month: nothing else in a table of flasks tells that. Only the sign is asked, since
/// half of the flasks show little by themselves; `false` where they carry no fit.
pub(super) fn older_flasks_decide(
    curve: &Curve,
    point: usize,
    rows: &[&Row],
    mix: &[&Row],
    how: &How,
) -> bool {
    let mut began: BTreeMap<&str, Micros> = BTreeMap::new();
    for row in rows {
        let first = began.entry(&row.flask.session).or_insert(row.flask.cast_at);
        *first = (*first).min(row.flask.cast_at);
    }
    let mut sessions: Vec<(Micros, &str)> = began.iter().map(|(s, at)| (*at, *s)).collect();
    sessions.sort_unstable();
    let later: BTreeSet<&str> = sessions[sessions.len() / 2..]
        .iter()
        .map(|(_, s)| *s)
        .collect();
    let left: Vec<&Row> = rows
        .iter()
        .copied()
        .filter(|r| later.contains(r.flask.session.as_str()))
        .collect();
    let pour_c = curve.at[point].pour_c;
    let bounds = [Bound::Most, Bound::Fewest];
    curve.fits().zip(bounds).any(|(fit, bound)| {
        fitted(&fit.plan, &left, bound, how)
            .ok()
            .and_then(|f| Some(f.risk(mix, pour_c)?.risk - f.risk(mix, curve.reference_c)?.risk))
            .is_some_and(|change| change >= 0.0)
    })
}

/// Poured and not inspected flasks near the advised temperature, and the defect rate among them that
/// would undo the advice.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct TippingPoint {
    pub uninspected: usize,
    /// Above 1: not even if every piece were bad.
    pub rate: f64,
}

/// With nᵢ inspected and nᵤ uninspected flasks within 10 °C of the advised temperature, all alike in
/// pieces, the rate there is (nᵢR + nᵤq)/(nᵢ + nᵤ) if uninspected ones have the rate q; it reaches
/// the usual rate R₀ at q = R₀ + (R₀ − R)·nᵢ/nᵤ. Elsewhere uninspected flasks are taken to be like
/// inspected ones. `None` when none are uninspected there.
pub(super) fn tipping_point(
    rate: f64,
    usual_rate: f64,
    inspected: usize,
    uninspected: usize,
) -> Option<TippingPoint> {
    (uninspected > 0).then(|| TippingPoint {
        uninspected,
        rate: usual_rate + (usual_rate - rate) * inspected as f64 / uninspected as f64,
    })
}

/// How many of these temperatures are near `pour_c`.
pub(super) fn near(pours: impl Iterator<Item = f64>, pour_c: f64) -> usize {
    pours.filter(|t| (t - pour_c).abs() <= NEAR_K).count()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// By hand: 10 % at the advised temperature against 20 % usually, 30 flasks inspected and 10
    /// not: (30·0.1 + 10·q)/40 = 0.2 at q = 0.5.
    #[test]
    fn uninspected_flasks_undo_the_advice_at_a_stated_rate() {
        let point = tipping_point(0.1, 0.2, 30, 10).unwrap();
        assert!((point.rate - 0.5).abs() < 1e-12);
        assert_eq!(tipping_point(0.1, 0.2, 30, 0), None);
        assert!(tipping_point(0.01, 0.2, 90, 10).unwrap().rate > 1.0);
    }
}

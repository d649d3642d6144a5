//! What a grade asks for, and what holds it down, each with a fixed code and in words.

use serde::{Deserialize, Serialize};

use super::budget::Budget;
use super::rows::Row;
use crate::stats::spline::quantile;

/// How far advice is backed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Grade {
    /// Not enough to say anything.
    None,
    /// Enough to look, but no change is shown, or something stands against it: worth a trial.
    Weak,
    /// A change was shown at a formal look and still holds: worth following.
    Fair,
    /// Shown by a completed trial as well.
    Strong,
}

/// What holds a grade down.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cap {
    /// A fixed code.
    pub code: String,
    /// The same in words, as a sentence without its stop.
    pub reason: String,
}

impl Cap {
    pub(super) fn new(code: &str, reason: impl Into<String>) -> Cap {
        Cap {
            code: code.to_owned(),
            reason: reason.into(),
        }
    }
}

/// Least for any grade.
pub(super) const FEWEST_FLASKS: usize = 20;
/// Least sessions for any grade.
pub(super) const FEWEST_SESSIONS: usize = 10;
/// Least effective events for any grade.
pub(super) const FEWEST_EVENTS: f64 = 10.0;
/// Pour temperatures closer together than this cannot be told apart by the usual probe, K.
const LEAST_SPAN_K: f64 = 15.0;
/// … nor closer than so many standard deviations of the probe's repeatability.
const LEAST_SPAN_SDS: f64 = 4.0;
/// A probe's repeatability from pour to pour, K, where the shop's own is not known (common
/// practice: 1 to 3 K for a base-metal thermocouple in one place).
const REPEATABILITY_K: f64 = 2.0;
/// Least sessions for a claim.
pub(super) const FAIR_SESSIONS: usize = 20;
/// Least effective events for a claim.
pub(super) const FAIR_EVENTS: f64 = 20.0;
/// Least share of the poured flasks that must be inspected for a claim.
pub(super) const INSPECTED: f64 = 0.8;

/// The span of pour temperatures between the 5 % and the 95 % quantile, so that one odd flask does
/// not make a range, K.
pub(super) fn span_k(rows: &[&Row]) -> f64 {
    let mut pours: Vec<f64> = rows.iter().filter_map(|r| r.pour_c()).collect();
    pours.sort_by(f64::total_cmp);
    if pours.is_empty() {
        return 0.0;
    }
    quantile(&pours, 0.95) - quantile(&pours, 0.05)
}

/// The least span that can be compared, K.
pub(super) fn least_span_k(repeatability_k: Option<f64>) -> f64 {
    let sd = repeatability_k
        .filter(|sd| sd.is_finite() && *sd > 0.0)
        .unwrap_or(REPEATABILITY_K);
    LEAST_SPAN_K.max(LEAST_SPAN_SDS * sd)
}

/// Why there can be no grade at all, in the order that a caster can mend it.
pub(super) fn ineligible(
    rows: &[&Row],
    budget: &Budget,
    repeatability_k: Option<f64>,
) -> Option<Cap> {
    let several = |n: usize, what: &str| match n {
        1 => format!("1 {what}"),
        n => format!("{n} {what}s"),
    };
    if budget.flasks < FEWEST_FLASKS || budget.sessions < FEWEST_SESSIONS {
        return Some(Cap::new(
            if budget.flasks < FEWEST_FLASKS {
                "few-flasks"
            } else {
                "few-sessions"
            },
            format!(
                "too few to compare temperatures: {} with a temperature over {} so far, and \
                 {FEWEST_FLASKS} over {FEWEST_SESSIONS} are the least",
                several(budget.flasks, "flask"),
                several(budget.sessions, "session"),
            ),
        ));
    }
    if span_k(rows) < least_span_k(repeatability_k) {
        return Some(Cap::new(
            "narrow-span",
            "nearly all were poured too close together to compare",
        ));
    }
    if budget.effective_events < FEWEST_EVENTS {
        return Some(Cap::new(
            "few-events",
            format!(
                "too few such pieces to compare temperatures: clustered as they are they count as \
                 {:.1} independent ones, and {FEWEST_EVENTS:.0} are the least",
                budget.effective_events
            ),
        ));
    }
    None
}

/// Whether there is enough for a claim.
pub(super) fn enough_for_a_claim(budget: &Budget) -> Option<Cap> {
    if budget.sessions < FAIR_SESSIONS {
        return Some(Cap::new(
            "few-sessions",
            format!(
                "{} sessions so far, and a claim needs {FAIR_SESSIONS}",
                budget.sessions
            ),
        ));
    }
    (budget.effective_events < FAIR_EVENTS).then(|| {
        Cap::new(
            "few-events",
            format!(
                "the rarer of good and bad pieces count as {:.0} independent ones, and a claim \
                 needs {FAIR_EVENTS:.0}",
                budget.effective_events
            ),
        )
    })
}

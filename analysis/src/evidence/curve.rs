//! The curve of risk over pour temperature for one alloy and section, and its differences from what
//! is usual, with intervals that hold over the whole supported range at once. Where the outcome
//! was not counted by itself everything is worked out at both bounds and the worse one stands.

use std::cell::OnceCell;

use super::fitted::{Fitted, Risk};
use super::rows::Row;
use crate::stats::Matrix;
use crate::stats::covariance::LEAST_DF;
use crate::stats::distribution::t_quantile;
use crate::stats::error::StatsError;
use crate::stats::logistic::{expit, logit};
use crate::stats::sup_t::{SupT, critical, critical_far_out, sup_t};

/// A temperature is supported by flasks poured within so many kelvin of it …
pub(super) const NEAR_K: f64 = 10.0;
/// … if there are at least so many …
pub(super) const NEAR_FLASKS: usize = 5;
/// … from at least so many sessions.
pub(super) const NEAR_SESSIONS: usize = 3;
/// Confidence of what is shown.
const CONFIDENCE: f64 = 0.95;
/// Most points of a curve.
const MOST_POINTS: f64 = 41.0;
/// The seed of every draw: the same flasks give the same answer.
const SEED: u64 = 20_260_601;

/// A temperature that enough flasks were poured near.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Supported {
    pub pour_c: f64,
    pub flasks: usize,
}

/// Whole degrees between the coolest and the hottest flask (every one, or every second, fifth, …
/// where there are many) with at least five flasks from three sessions within 10 °C.
pub(super) fn supported(rows: &[&Row]) -> Vec<Supported> {
    let poured: Vec<(f64, &str)> = rows
        .iter()
        .filter_map(|r| Some((r.pour_c()?, r.flask.session.as_str())))
        .collect();
    let coolest = poured.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
    let hottest = poured.iter().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max);
    let span = hottest - coolest;
    if span.is_nan() || !(0.0..1e4).contains(&span) {
        return Vec::new();
    }
    let step = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 500.0]
        .into_iter()
        .find(|s| span / s < MOST_POINTS)
        .unwrap_or(500.0);
    let mut found = Vec::new();
    let mut t = (coolest / step).ceil() * step;
    while t <= hottest {
        let near: Vec<&str> = poured
            .iter()
            .filter(|p| (p.0 - t).abs() <= NEAR_K)
            .map(|p| p.1)
            .collect();
        let mut sessions = near.clone();
        sessions.sort_unstable();
        sessions.dedup();
        if near.len() >= NEAR_FLASKS && sessions.len() >= NEAR_SESSIONS {
            found.push(Supported {
                pour_c: t,
                flasks: near.len(),
            });
        }
        t += step;
    }
    found
}

/// An estimate with limits that hold over the whole curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Within {
    pub estimate: f64,
    /// `None` where fewer than four degrees of freedom tell nothing.
    pub limits: Option<(f64, f64)>,
}

/// The curve at one bound of the outcome.
#[derive(Clone, Debug)]
struct Reading {
    risks: Vec<Risk>,
    reference: Risk,
    fitted: Fitted,
    /// Made when first asked for: most looks can do without.
    drawn: OnceCell<Option<SupT>>,
    how_many: usize,
    /// Degrees of freedom of each point, and of its difference from the reference.
    point_df: Vec<f64>,
    change_df: Vec<f64>,
}

/// The curve of one stratum.
#[derive(Clone, Debug)]
pub(super) struct Curve {
    pub at: Vec<Supported>,
    /// What changes are told against, °C.
    pub reference_c: f64,
    most: Reading,
    fewest: Option<Reading>,
}

impl Reading {
    fn of(
        fitted: &Fitted,
        mix: &[&Row],
        at: &[Supported],
        reference_c: f64,
        draws: usize,
    ) -> Result<Reading, StatsError> {
        let no_mix = StatsError::Empty;
        let reference = fitted.risk(mix, reference_c).ok_or(no_mix.clone())?;
        let risks: Vec<Risk> = at
            .iter()
            .map(|s| fitted.risk(mix, s.pour_c).ok_or(no_mix.clone()))
            .collect::<Result<_, _>>()?;
        if risks.is_empty() {
            return Err(no_mix);
        }
        let cov = &fitted.covariance;
        Ok(Reading {
            drawn: OnceCell::new(),
            how_many: draws,
            point_df: risks
                .iter()
                .map(|r| cov.df(&r.gradient).unwrap_or(0.0))
                .collect(),
            change_df: risks
                .iter()
                .map(|r| cov.df(&(&r.gradient - &reference.gradient)).unwrap_or(0.0))
                .collect(),
            risks,
            reference,
            fitted: fitted.clone(),
        })
    }

    fn draws(&self) -> Option<&SupT> {
        self.drawn
            .get_or_init(|| {
                let columns: Vec<_> = self.risks.iter().map(|r| r.gradient.clone()).collect();
                let points = Matrix::from_columns(&columns);
                let against = &self.reference.gradient;
                sup_t(
                    &self.fitted.covariance,
                    &points,
                    against,
                    self.how_many,
                    SEED,
                )
                .ok()
            })
            .as_ref()
    }

    /// A critical value of the draws, never below that of the point by itself.
    fn two_sided(&self, family: impl Fn(&SupT) -> &Vec<f64>, df: f64) -> Option<f64> {
        if df < LEAST_DF {
            return None;
        }
        let own = t_quantile(0.5 + CONFIDENCE / 2.0, df)?;
        critical(family(self.draws()?), CONFIDENCE).map(|c| c.max(own))
    }

    /// The rate at a point, on the logit scale: logit R ± c·se(R) ÷ (R(1−R)).
    fn rate(&self, i: usize) -> Within {
        let risk = self.risks[i].risk;
        let gradient = &self.risks[i].gradient;
        let se = self.fitted.covariance.variance(gradient).sqrt();
        let inside = risk.clamp(1e-12, 1.0 - 1e-12);
        let limits = self.two_sided(|d| &d.points, self.point_df[i]).map(|c| {
            let half = c * se / (inside * (1.0 - inside));
            (
                expit(logit(inside) - half).min(risk),
                expit(logit(inside) + half).max(risk),
            )
        });
        Within {
            estimate: risk,
            limits,
        }
    }

    fn change_se(&self, i: usize) -> f64 {
        let contrast = &self.risks[i].gradient - &self.reference.gradient;
        self.fitted.covariance.variance(&contrast).sqrt()
    }

    fn difference(&self, i: usize) -> f64 {
        self.risks[i].risk - self.reference.risk
    }

    /// The change from the reference: R(T) − R(reference) ± c·se.
    fn change(&self, i: usize) -> Within {
        let estimate = self.difference(i);
        let se = self.change_se(i);
        let limits = if se == 0.0 {
            Some((estimate, estimate))
        } else {
            self.two_sided(|d| &d.changes, self.change_df[i])
                .map(|c| (estimate - c * se, estimate + c * se))
        };
        // A risk difference lies between −1 and 1, whatever the normal says.
        Within {
            estimate,
            limits: limits.map(|(low, high)| (low.max(-1.0), high.min(1.0))),
        }
    }

    /// The upper limit of that change, one-sided at `alpha` over the whole curve.
    fn change_upper(&self, i: usize, alpha: f64) -> Option<f64> {
        let df = self.change_df[i];
        if df < LEAST_DF {
            return None;
        }
        let least = self
            .change_df
            .iter()
            .copied()
            .filter(|df| *df >= LEAST_DF)
            .fold(df, f64::min);
        let c = critical_far_out(&self.draws()?.falls, alpha, least)?;
        Some(self.difference(i) + c * self.change_se(i))
    }

    /// Whether a point's change is below 0 at `alpha` if it were the only one: without that no draw
    /// can show it.
    fn may_be_shown(&self, i: usize, alpha: f64) -> bool {
        let df = self.change_df[i];
        df >= LEAST_DF
            && t_quantile(1.0 - alpha, df)
                .is_some_and(|c| self.difference(i) + c * self.change_se(i) < 0.0)
    }

    /// Whether point `i` is not shown to be worse than `best`, all pairs of points considered.
    fn not_ruled_out(&self, i: usize, best: usize) -> bool {
        let contrast = &self.risks[i].gradient - &self.risks[best].gradient;
        let se = self.fitted.covariance.variance(&contrast).sqrt();
        let Some(df) = self.fitted.covariance.df(&contrast).filter(|_| se > 0.0) else {
            return true;
        };
        self.two_sided(|d| &d.pairs, df)
            .is_none_or(|c| self.risks[i].risk - self.risks[best].risk <= c * se)
    }
}

impl Curve {
    /// The curve over the temperatures that `own` (the stratum's flasks) support, standardised over
    /// `mix`.
    pub(super) fn of(
        most: &Fitted,
        fewest: Option<&Fitted>,
        own: &[&Row],
        mix: &[&Row],
        reference_c: f64,
        draws: usize,
    ) -> Result<Curve, StatsError> {
        let at = supported(own);
        let reading = |fitted| Reading::of(fitted, mix, &at, reference_c, draws);
        Ok(Curve {
            most: reading(most)?,
            fewest: fewest.map(reading).transpose()?,
            reference_c,
            at,
        })
    }

    fn readings(&self) -> impl Iterator<Item = &Reading> {
        std::iter::once(&self.most).chain(self.fewest.as_ref())
    }

    /// The rates at a point at the fewest and at the most, with the outer limits.
    pub(super) fn rate(&self, i: usize) -> (f64, f64, Option<(f64, f64)>) {
        let most = self.most.rate(i);
        let fewest = self.fewest.as_ref().map_or(most, |r| r.rate(i));
        let limits = most
            .limits
            .zip(fewest.limits)
            .map(|(a, b)| (a.0.min(b.0), a.1.max(b.1)));
        (fewest.estimate, most.estimate, limits)
    }

    /// The rate at what changes are told against, at the most.
    pub(super) fn reference_rate(&self) -> f64 {
        self.most.reference.risk
    }

    /// The change at a point from the reference: the less hopeful of the bounds' estimates, with the
    /// outer limits.
    pub(super) fn change(&self, i: usize) -> Within {
        self.readings()
            .map(|r| r.change(i))
            .reduce(|a, b| Within {
                estimate: a.estimate.max(b.estimate),
                limits: a
                    .limits
                    .zip(b.limits)
                    .map(|(a, b)| (a.0.min(b.0), a.1.max(b.1))),
            })
            .unwrap_or(Within {
                estimate: 0.0,
                limits: None,
            })
    }

    /// Whether the change at a point is below 0 at `alpha`, at both bounds.
    pub(super) fn shown(&self, i: usize, alpha: f64) -> bool {
        self.readings()
            .all(|r| r.change_upper(i, alpha).is_some_and(|upper| upper < 0.0))
    }

    /// Whether any point may be shown at `alpha`: the quick look before the draws.
    pub(super) fn may_show(&self, alpha: f64) -> bool {
        (0..self.at.len()).any(|i| self.readings().all(|r| r.may_be_shown(i, alpha)))
    }

    /// Whether the estimated change is below 0 at both bounds.
    pub(super) fn falls(&self, i: usize) -> bool {
        self.readings().all(|r| r.difference(i) < 0.0)
    }

    /// The point nearest to a temperature, if it is within a step of one.
    pub(super) fn nearest(&self, pour_c: f64) -> Option<usize> {
        (0..self.at.len())
            .min_by(|a, b| {
                let far = |i: usize| (self.at[i].pour_c - pour_c).abs();
                far(*a).total_cmp(&far(*b))
            })
            .filter(|i| (self.at[*i].pour_c - pour_c).abs() <= NEAR_K / 2.0)
    }

    /// The advised point: where the upper limit of the change is lowest, if that is below 0; else
    /// where the upper limit of the rate is lowest, as something to try.
    pub(super) fn best(&self) -> Option<usize> {
        let lowest = |value: &dyn Fn(usize) -> Option<f64>| {
            (0..self.at.len())
                .filter_map(|i| Some((i, value(i)?)))
                .min_by(|a, b| a.1.total_cmp(&b.1))
        };
        lowest(&|i| Some(self.change(i).limits?.1))
            .filter(|(_, upper)| *upper < 0.0)
            .or_else(|| lowest(&|i| Some(self.rate(i).2?.1)))
            .map(|(i, _)| i)
    }

    /// The temperatures around point `best` that are not ruled out, at either bound.
    pub(super) fn flat(&self, best: usize) -> (f64, f64) {
        let open = |i: &usize| self.readings().any(|r| r.not_ruled_out(*i, best));
        let from = (0..best).rev().take_while(open).last().unwrap_or(best);
        let to = (best + 1..self.at.len())
            .take_while(open)
            .last()
            .unwrap_or(best);
        (self.at[from].pour_c, self.at[to].pour_c)
    }

    /// Which end of the supported range a point is at, if it is at one and the curve still falls
    /// towards it.
    pub(super) fn edge(&self, i: usize) -> Option<&'static str> {
        let last = self.at.len().checked_sub(1).filter(|last| *last > 0)?;
        let rate = |i: usize| self.most.risks[i].risk;
        if i == last && rate(last) < rate(last - 1) {
            Some("hotter")
        } else if i == 0 && rate(0) < rate(1) {
            Some("cooler")
        } else {
            None
        }
    }

    /// The fit at the most, for what is asked of it beside the curve.
    pub(super) fn fitted(&self) -> &Fitted {
        &self.most.fitted
    }

    /// The fits at each bound.
    pub(super) fn fits(&self) -> impl Iterator<Item = &Fitted> {
        self.readings().map(|r| &r.fitted)
    }
}

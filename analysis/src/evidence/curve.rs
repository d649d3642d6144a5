//! The curve of risk over pour temperature for one alloy and section, and its differences from what
//! is usual, with intervals that hold over the whole supported range at once. Where the outcome
//! was not counted by itself everything is worked out at both bounds and the worse one stands.

use std::cell::OnceCell;

use super::fitted::{Fitted, Risk};
use super::rows::Row;
use crate::stats::Matrix;
use crate::stats::Vector;
use crate::stats::covariance::LEAST_DF;
use crate::stats::distribution::t_quantile;
use crate::stats::error::StatsError;
use crate::stats::logistic::{expit, logit};
use crate::stats::sup_t::{Comparisons, SupT, critical, sup_t, t_of, tail_far_out};

/// A temperature is supported by flasks poured within so many kelvin of it …
pub(super) const NEAR_K: f64 = 10.0;
/// … if there are at least so many …
pub(super) const NEAR_FLASKS: usize = 5;
/// … from at least so many sessions.
pub(super) const NEAR_SESSIONS: usize = 3;
/// Confidence of what is shown.
const CONFIDENCE: f64 = 0.95;
/// Standard errors that a temperature has to make up for to be advised. Any choice keeps the limits'
/// promise, which is over the whole curve at once; this one loses least on drawn shops
/// (`calibration-table`). With none, shops that pour right already are sent away from there; with
/// the limits' own two and a half to three and more, shops that pour wrong are hardly moved.
const CAUTION: f64 = 1.0;
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
    /// Gradients of logit R at each point and at the reference.
    gradients: Vec<Vector>,
    reference_gradient: Vector,
    fitted: Fitted,
    /// Made when first asked for: most looks can do without.
    drawn: OnceCell<Option<SupT>>,
    /// The same with all pairs of points.
    pairs: OnceCell<Option<SupT>>,
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
        // Everything is compared on the logit scale: there an estimate that is low by chance has
        // no smaller standard error for it, as it has on the scale of risks, where upper limits
        // would then be too low just where they look best.
        let gradients: Vec<Vector> = risks.iter().map(logit_gradient).collect();
        let reference_gradient = logit_gradient(&reference);
        if gradients.is_empty() {
            return Err(no_mix);
        }
        let cov = &fitted.covariance;
        let dfs = |contrasts: &[Vector]| -> Vec<f64> {
            let found = cov.dfs(contrasts).into_iter();
            found.map(|df| df.unwrap_or(0.0)).collect()
        };
        let changes: Vec<Vector> = gradients.iter().map(|g| g - &reference_gradient).collect();
        let (point_df, change_df) = (dfs(&gradients), dfs(&changes));
        Ok(Reading {
            drawn: OnceCell::new(),
            pairs: OnceCell::new(),
            how_many: draws,
            point_df,
            change_df,
            risks,
            reference,
            gradients,
            reference_gradient,
            fitted: fitted.clone(),
        })
    }

    fn draw(&self, pairs: bool) -> Option<SupT> {
        let compared = Comparisons {
            points: &Matrix::from_columns(&self.gradients),
            point_df: &self.point_df,
            reference: &self.reference_gradient,
            change_df: &self.change_df,
            pairs,
        };
        sup_t(&self.fitted.covariance, &compared, self.how_many, SEED).ok()
    }

    fn draws(&self) -> Option<&SupT> {
        self.drawn.get_or_init(|| self.draw(false)).as_ref()
    }

    fn pair_draws(&self) -> Option<&SupT> {
        self.pairs.get_or_init(|| self.draw(true)).as_ref()
    }

    /// A critical value of the draws, never below that of the comparison by itself.
    fn two_sided(critical: Option<f64>, df: f64) -> Option<f64> {
        if df < LEAST_DF {
            return None;
        }
        let own = t_quantile(0.5 + CONFIDENCE / 2.0, df)?;
        critical.map(|c| c.max(own))
    }

    fn has_limits(&self, i: usize) -> bool {
        self.change_df[i] >= LEAST_DF
    }

    fn se(&self, contrast: &Vector) -> f64 {
        self.fitted.covariance.variance(contrast).sqrt()
    }

    /// The rate at a point: logit R ± c·se.
    fn rate(&self, i: usize) -> Within {
        let risk = self.risks[i].risk;
        let df = self.point_df[i];
        let score = self.draws().and_then(|d| critical(&d.points, CONFIDENCE));
        let limits = Reading::two_sided(score.map(|z| t_of(z, df)), df).map(|c| {
            let half = c * self.se(&self.gradients[i]);
            (
                expit(inside(risk) - half).min(risk),
                expit(inside(risk) + half).max(risk),
            )
        });
        Within {
            estimate: risk,
            limits,
        }
    }

    /// logit R(T) − logit R(reference) and its standard error.
    fn logit_change(&self, i: usize) -> (f64, f64) {
        let contrast = &self.gradients[i] - &self.reference_gradient;
        (
            inside(self.risks[i].risk) - inside(self.reference.risk),
            self.se(&contrast),
        )
    }

    fn difference(&self, i: usize) -> f64 {
        self.risks[i].risk - self.reference.risk
    }

    /// The change of the rate that a change of the logit is, from the reference's rate.
    fn as_rates(&self, logit_change: f64) -> f64 {
        expit(inside(self.reference.risk) + logit_change) - self.reference.risk
    }

    /// The change from the reference, R(T) − R(reference), with limits at the logit's
    /// d ± c·se.
    fn change(&self, i: usize) -> Within {
        let (d, se) = self.logit_change(i);
        let estimate = self.difference(i);
        let df = self.change_df[i];
        let limits = if se == 0.0 {
            Some((estimate, estimate))
        } else {
            let score = self.draws().and_then(|d| critical(&d.changes, CONFIDENCE));
            Reading::two_sided(score.map(|z| t_of(z, df)), df).map(|c| {
                (
                    self.as_rates(d - c * se).min(estimate),
                    self.as_rates(d + c * se).max(estimate),
                )
            })
        };
        Within { estimate, limits }
    }

    /// Whether the change is below 0, one-sided at `alpha` over the whole curve.
    fn shown(&self, i: usize, alpha: f64) -> bool {
        let df = self.change_df[i];
        let (d, se) = self.logit_change(i);
        df >= LEAST_DF
            && self
                .draws()
                .and_then(|drawn| tail_far_out(&drawn.falls, alpha))
                .and_then(|tail| t_quantile(1.0 - tail, df))
                .is_some_and(|c| d + c * se < 0.0)
    }

    /// Whether a point's change is below 0 at `alpha` if it were the only one: without that no draw
    /// can show it.
    fn may_be_shown(&self, i: usize, alpha: f64) -> bool {
        let df = self.change_df[i];
        let (d, se) = self.logit_change(i);
        df >= LEAST_DF && t_quantile(1.0 - alpha, df).is_some_and(|c| d + c * se < 0.0)
    }

    /// Whether point `i` is not shown to be worse than `best`, all pairs of points considered.
    fn not_ruled_out(&self, i: usize, best: usize) -> bool {
        let contrast = &self.gradients[i] - &self.gradients[best];
        let se = self.se(&contrast);
        let Some(df) = self.fitted.covariance.df(&contrast).filter(|_| se > 0.0) else {
            return true;
        };
        let worse = inside(self.risks[i].risk) - inside(self.risks[best].risk);
        Reading::two_sided(
            self.pair_draws()
                .and_then(|d| critical(&d.pairs, CONFIDENCE)),
            df,
        )
        .is_none_or(|c| worse <= c * se)
    }
}

/// logit R, of a risk kept from 0 and 1.
fn inside(risk: f64) -> f64 {
    logit(risk.clamp(1e-12, 1.0 - 1e-12))
}

/// The gradient of logit R: that of R over R(1−R).
fn logit_gradient(risk: &Risk) -> Vector {
    let r = risk.risk.clamp(1e-12, 1.0 - 1e-12);
    &risk.gradient / (r * (1.0 - r))
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
        self.readings().all(|r| r.shown(i, alpha))
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

    /// The advised point: where the change and [`CAUTION`] standard errors of it together are
    /// lowest, on the logit scale and at the worse bound, among the points with limits.
    pub(super) fn best(&self) -> Option<usize> {
        self.lowest_where(|_| true)
    }

    /// The same among the points that `among` lets through.
    pub(super) fn lowest_where(&self, among: impl Fn(usize) -> bool) -> Option<usize> {
        let at_worst = |i: usize| {
            self.readings()
                .map(|r| {
                    let (d, se) = r.logit_change(i);
                    d + CAUTION * se
                })
                .fold(f64::NEG_INFINITY, f64::max)
        };
        (0..self.at.len())
            .filter(|i| self.readings().all(|r| r.has_limits(*i)) && among(*i))
            .map(|i| (i, at_worst(i)))
            .min_by(|a, b| a.1.total_cmp(&b.1))
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

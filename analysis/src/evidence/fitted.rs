//! A model fitted to the flasks of one table: coefficients, how far they can be off, and the risk
//! of a flask at a given pour temperature with its gradient.

use super::Method;
use super::rows::{Bound, Row, counts};
use super::terms::Plan;
use super::wander;
use crate::stats::Vector;
use crate::stats::counts::Counts;
use crate::stats::covariance::{Covariance, Uncertainty};
use crate::stats::error::StatsError;
use crate::stats::firth::{self, Firth};
use crate::stats::logistic::{Extras, expit, fit};

/// A fitted model.
#[derive(Clone, Debug)]
pub(super) struct Fitted {
    pub plan: Plan,
    pub coef: Vector,
    pub covariance: Covariance,
    pub method: Method,
    /// Pearson's dispersion.
    pub dispersion: Option<f64>,
    pub log_likelihood: Option<f64>,
    /// The penalised fit, whose intervals are its profile's.
    pub firth: Option<Firth>,
}

/// How a model is fitted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct How {
    pub method: Method,
    pub uncertainty: Uncertainty,
    pub design_effect: f64,
    /// Neighbouring sessions that count as one ([`super::wander`]).
    pub block: usize,
}

/// Fits the plan's columns to the rows at one bound of the outcome: by maximum likelihood, with the
/// ridges of sections' own slopes and of the cup where the plan has them; or with Firth's penalty, on counts
/// divided by the design effect, where that is asked for or where plain maximum likelihood has no
/// finite answer.
pub(super) fn fitted(
    plan: &Plan,
    rows: &[&Row],
    bound: Bound,
    how: &How,
) -> Result<Fitted, StatsError> {
    if how.method == Method::Firth {
        return penalised(plan, rows, bound, how);
    }
    match plain(plan, rows, bound, how) {
        Err(StatsError::Separated { .. }) => penalised(plan, rows, bound, how),
        done => done,
    }
}

fn plain(plan: &Plan, rows: &[&Row], bound: Bound, how: &How) -> Result<Fitted, StatsError> {
    let counts = counts(rows, bound)?;
    let design = plan.design(rows)?;
    let ridge = plan.ridges();
    let extras = Extras {
        offset: None,
        ridge: ridge.as_deref(),
    };
    let logistic = fit(&design, &counts, &extras)?;
    let clusters = if how.block > 1 {
        let blocks = wander::blocks(rows, how.block);
        Counts::new(counts.events(), counts.trials(), &blocks)?
    } else {
        counts
    };
    let mut covariance = Covariance::of(&logistic, &design, &clusters, how.uncertainty)?;
    if plan.cup.is_some() {
        covariance = covariance.with_prior(&plan.open(), how.design_effect);
    }
    Ok(Fitted {
        plan: plan.clone(),
        coef: logistic.coef.clone(),
        dispersion: logistic.dispersion(),
        log_likelihood: Some(logistic.log_likelihood),
        covariance,
        method: Method::Glm,
        firth: None,
    })
}

fn penalised(plan: &Plan, rows: &[&Row], bound: Bound, how: &How) -> Result<Fitted, StatsError> {
    let plan = plan.without_ridges();
    let counts = counts(rows, bound)?.divided(how.design_effect);
    let design = plan.design(rows)?;
    let fit = firth::fit(&design, &counts)?;
    Ok(Fitted {
        plan,
        coef: fit.risk_coef.clone(),
        covariance: Covariance::given(fit.inverse.clone(), f64::INFINITY),
        method: Method::Firth,
        dispersion: None,
        log_likelihood: Some(fit.log_likelihood),
        firth: Some(fit),
    })
}

/// A risk and its gradient in the coefficients.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Risk {
    pub risk: f64,
    pub gradient: Vector,
}

impl Fitted {
    /// The risk standardised over the mix `rows`: R(T) = Σnᵢ·expit(xᵢ(T)ᵀβ) ÷ Σnᵢ, every flask of
    /// the mix poured at `pour_c` and otherwise as it was, weighed by its pieces; with
    /// ∂R/∂β = Σnᵢ·pᵢ(1−pᵢ)·xᵢ(T) ÷ Σnᵢ (g-computation, Robins 1986; the mix is held fixed).
    pub(super) fn risk(&self, mix: &[&Row], pour_c: f64) -> Option<Risk> {
        self.risk_by(&self.coef, mix, pour_c)
    }

    /// The same with other coefficients.
    pub(super) fn risk_by(&self, coef: &Vector, mix: &[&Row], pour_c: f64) -> Option<Risk> {
        let mut gradient = Vector::zeros(coef.len());
        let (mut sum, mut pieces) = (0.0, 0.0);
        for row in mix {
            let n = f64::from(row.most.pieces);
            let x = self.plan.x(row, Some(pour_c));
            let p = expit(x.dot(coef));
            sum += n * p;
            pieces += n;
            gradient.axpy(n * p * (1.0 - p), &x, 1.0);
        }
        (pieces > 0.0 && sum.is_finite()).then(|| Risk {
            risk: sum / pieces,
            gradient: gradient / pieces,
        })
    }
}

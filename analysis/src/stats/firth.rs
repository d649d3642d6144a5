//! Logistic regression with Firth's penalty, for flasks that a setting separates and for few
//! defects: every estimate is finite, and less biased than without. Intervals and tests follow
//! the penalised likelihood itself, which is far from symmetric where data are few.

use super::counts::Counts;
use super::covariance::Estimate;
use super::design::Design;
use super::distribution::{normal_quantile, normal_two_sided};
use super::error::StatsError;
use super::firth_likelihood::{PenalisedLikelihood, Place, lost};
use super::linear::turned;
use super::logistic::{expit, ln_choose};
use super::{Matrix, Vector};

/// Steps of the search for a limit.
const MOST_LIMIT_STEPS: usize = 60;

/// A fitted penalised model, with the flasks it was fitted to, so that it can be profiled.
#[derive(Clone, Debug, PartialEq)]
pub struct Firth {
    /// Coefficients on the logit scale, one a column, per unit of the column.
    pub coef: Vector,
    /// `coef` with the intercept that makes the fitted defects add up to those counted (FLIC);
    /// forecasts of risk are made from these.
    pub risk_coef: Vector,
    /// (XᵀWX)⁻¹ at `coef`, W = nᵢpᵢ(1−pᵢ). Its square roots are what is shown as standard errors;
    /// intervals and tests do not use it.
    pub inverse: Matrix,
    /// Log-likelihood with the binomial coefficients plus ½·ln det(XᵀWX).
    pub penalised: f64,
    /// Log-likelihood with the binomial coefficients, without the penalty.
    pub log_likelihood: f64,
    /// Steps taken.
    pub steps: usize,
    likelihood: PenalisedLikelihood,
    top: Vector,
}

/// Where a search stands, in turned columns.
#[derive(Clone)]
struct Stand {
    at: Vector,
    place: Place,
}

/// Fits log(p/(1−p)) = Xβ by maximising ℓ(β) + ½·ln det(XᵀWX), the likelihood penalised by
/// Jeffreys' prior (Firth 1993, Biometrika 80:27–38; Heinze & Schemper 2002, Statistics in
/// Medicine 21:2409–2419).
///
/// The score is Σᵢ(yᵢ − nᵢpᵢ + hᵢ(½ − pᵢ))xᵢ. A row of nᵢ pieces stands for nᵢ rows of one: its hᵢ
/// is the sum of their leverages, nᵢpᵢ(1−pᵢ)·xᵢᵀ(XᵀWX)⁻¹xᵢ. Counts may be fractional, so that they
/// can be divided by a design effect ([`Counts::divided`]): the likelihood is divided by it and
/// the penalty, but for a constant, is not. Steps use the weights (nᵢ+hᵢ)pᵢ(1−pᵢ), exact in a
/// saturated model, then the exact second derivatives where those are slow, and are halved while
/// the penalised likelihood falls.
///
/// `risk_coef` is FLIC (Puhr, Heinze, Nold, Lusa & Geroldinger 2017, Statistics in Medicine
/// 36:2302–2317): Firth draws fitted risks towards ½; the intercept is fitted anew by maximum
/// likelihood with the other coefficients held.
///
/// # Errors
/// [`StatsError::NoContrast`] when no piece, or every piece, has the outcome: the estimates would
/// be finite but made of the penalty alone. [`StatsError::Aliased`]; [`StatsError::TooFewRows`];
/// [`StatsError::Rows`]; [`StatsError::NotSettled`].
///
/// ```
/// # use analysis::stats::{counts::Counts, design::Design, firth::fit};
/// // Every flask below 962 °C lost pieces, none above did: plain maximum likelihood runs away.
/// let counts = Counts::new(&[3.0, 2.0, 0.0, 0.0], &[20.0; 4], &[1, 2, 3, 4]).unwrap();
/// let design = Design::intercept(4).column("pour", &[950.0, 960.0, 965.0, 980.0]).unwrap();
/// let fitted = fit(&design, &counts).unwrap();
/// assert!(fitted.coef[1] < 0.0 && fitted.coef[1].is_finite());
/// ```
pub fn fit(design: &Design, counts: &Counts) -> Result<Firth, StatsError> {
    if design.rows() != counts.rows() {
        return Err(StatsError::Rows {
            what: "the design".to_owned(),
            given: design.rows(),
            expected: counts.rows(),
        });
    }
    counts.both_ways()?;
    let aliased = design.aliased();
    if !aliased.is_empty() {
        return Err(StatsError::Aliased {
            terms: aliased.iter().map(|j| design.names()[*j].clone()).collect(),
        });
    }
    let columns = design.columns();
    let mut model = Firth {
        coef: Vector::zeros(columns),
        risk_coef: Vector::zeros(columns),
        inverse: Matrix::zeros(columns, columns),
        penalised: 0.0,
        log_likelihood: 0.0,
        steps: 0,
        likelihood: PenalisedLikelihood {
            turned: turned(design.matrix())?,
            events: counts.events().to_vec(),
            trials: counts.trials().to_vec(),
        },
        top: Vector::zeros(columns),
    };
    let (top, place, steps) = model.likelihood.climb(Vector::zeros(columns), None)?;
    let back = &model.likelihood.turned.back;
    model.coef = back * &top;
    let inverse = place
        .information
        .cholesky()
        .map(|c| back * c.inverse() * back.transpose())
        .filter(|m| m.iter().all(|v| v.is_finite()))
        .ok_or(lost(steps))?;
    model.inverse = inverse;
    let constant: f64 = counts
        .events()
        .iter()
        .zip(counts.trials())
        .map(|(y, n)| ln_choose(*y, *n))
        .sum();
    // det(XᵀWX) from that of the turned columns.
    let turn: f64 = back.diagonal().iter().map(|d| d.abs().ln()).sum();
    model.penalised = place.value + constant - turn;
    model.log_likelihood = model.likelihood.plain(&top) + constant;
    model.steps = steps;
    model.risk_coef = model.coef.clone();
    model.risk_coef[0] += model.intercept_shift(&top)?;
    model.top = top;
    Ok(model)
}

impl Firth {
    /// What brings the fitted defects to those counted, added to the intercept. The mean is
    /// monotone in it, so bisection guards Newton's method.
    fn intercept_shift(&self, top: &Vector) -> Result<f64, StatsError> {
        let linear = self.likelihood.turned.rows.tr_mul(top);
        let counted: f64 = self.likelihood.events.iter().sum();
        let (mut low, mut high, mut shift) = (-60.0, 60.0, 0.0);
        for step in 1..=200 {
            let (mut over, mut slope) = (-counted, 0.0);
            for (n, eta) in self.likelihood.trials.iter().zip(linear.iter()) {
                let p = expit(eta + shift);
                over += n * p;
                slope += n * p * (1.0 - p);
            }
            if over > 0.0 {
                high = shift;
            } else {
                low = shift;
            }
            let newton = shift - over / slope;
            let next = if newton > low && newton < high {
                newton
            } else {
                0.5 * (low + high)
            };
            if (next - shift).abs() < 1e-12 * (1.0 + shift.abs()) {
                return Ok(next);
            }
            if step == 200 {
                break;
            }
            shift = next;
        }
        Err(lost(200))
    }

    /// Twice how far the penalised likelihood falls when contrast·β is held at `value`, its slope
    /// there and where the rest went.
    fn fall(
        &self,
        turned: &Vector,
        value: f64,
        start: &Stand,
        top: f64,
    ) -> Result<(f64, f64, Stand), StatsError> {
        // At once where that works, else in ever smaller strides.
        let mut found = Err(lost(0));
        for strides in [1, 4, 16] {
            found = self.walk(turned, value, start, strides);
            if found.is_ok() {
                break;
            }
        }
        let found = found?;
        let slope = found.place.score.dot(turned) / turned.norm_squared();
        let fall = (2.0 * (top - found.place.value)).max(0.0);
        Ok((fall, -2.0 * slope, found))
    }

    /// The top with turned · coefficients held at `value`, reached from `start` in so many strides.
    fn walk(
        &self,
        turned: &Vector,
        value: f64,
        start: &Stand,
        strides: u8,
    ) -> Result<Stand, StatsError> {
        let mut here = start.clone();
        for stride in 0..strides {
            let off = (value - turned.dot(&here.at)) / f64::from(strides - stride);
            // Onto the plane by the way the likelihood bends least.
            let bend = here.place.curvature.cholesky().ok_or(lost(0))?;
            let across = bend.solve(turned);
            let onto = here.at + &across * (off / turned.dot(&across));
            let (at, place, _) = self.likelihood.climb(onto, Some(turned))?;
            here = Stand { at, place };
        }
        Ok(here)
    }

    /// contrast·β with its penalised-likelihood-ratio test against 0 and its profile interval.
    ///
    /// The test compares 2(ℓ*(β̂) − max ℓ* with contrast·β = 0) to chi-squared with one degree of
    /// freedom; the limits are where that fall, with contrast·β held at the limit, reaches the
    /// quantile. The penalty is that of all columns throughout (so the test agrees with the
    /// interval). `statistic` is the signed root of the fall; `std_error` is from (XᵀWX)⁻¹.
    /// `contrast` has a number a column.
    ///
    /// # Errors
    /// [`StatsError::NotSettled`]; [`StatsError::Argument`] for a confidence outside 0 to 1 or a
    /// contrast that is not one finite number a column with one at least not 0.
    pub fn estimate(&self, contrast: &Vector, confidence: f64) -> Result<Estimate, StatsError> {
        let sound = contrast.len() == self.coef.len()
            && contrast.iter().all(|c| c.is_finite())
            && contrast.iter().any(|c| *c != 0.0);
        if !sound {
            return Err(StatsError::Argument(
                "a contrast needs one finite number for each column, not all 0".to_owned(),
            ));
        }
        let quantile = normal_quantile(0.5 + confidence / 2.0)
            .filter(|z| *z > 0.0)
            .ok_or_else(|| {
                StatsError::Argument(format!(
                    "a confidence lies between 0 and 1, not {confidence}"
                ))
            })?;
        let estimate = contrast.dot(&self.coef);
        let std_error = contrast.dot(&(&self.inverse * contrast)).max(0.0).sqrt();
        let turned = self.likelihood.turned.back.tr_mul(contrast);
        let top = Stand {
            at: self.top.clone(),
            place: self.likelihood.place(&self.top).ok_or(lost(0))?,
        };
        let (fall, _, _) = self.fall(&turned, 0.0, &top, top.place.value)?;
        let statistic = fall.sqrt() * estimate.signum();
        let limit = |side: f64| self.limit(&turned, &top, estimate, side * std_error, quantile);
        Ok(Estimate {
            estimate,
            std_error,
            statistic: Some(statistic),
            df: None,
            p: normal_two_sided(statistic),
            low: Some(limit(-1.0)?),
            high: Some(limit(1.0)?),
        })
    }

    /// Where the root of the fall reaches `quantile`, on the side of `step` (one standard error,
    /// signed). The root is nearly straight in the contrast, so Newton's method takes few steps.
    fn limit(
        &self,
        turned: &Vector,
        top: &Stand,
        estimate: f64,
        step: f64,
        quantile: f64,
    ) -> Result<f64, StatsError> {
        let (mut inside, mut outside) = (0.0, f64::INFINITY);
        let mut at = top.clone();
        let mut reach = quantile;
        for _ in 0..MOST_LIMIT_STEPS {
            let (fall, slope, there) =
                self.fall(turned, estimate + step * reach, &at, top.place.value)?;
            at = there;
            let root = fall.sqrt();
            if (root - quantile).abs() < 1e-9 {
                return Ok(estimate + step * reach);
            }
            if root < quantile {
                inside = reach;
            } else {
                outside = reach;
            }
            let newton = reach + (quantile - root) * 2.0 * root / (slope * step);
            // No further than three times as far at once, and never past what is known.
            let farthest = outside.min(3.0 * reach);
            let next = if newton > inside && newton < farthest {
                newton
            } else if outside.is_finite() {
                0.5 * (inside + outside)
            } else {
                farthest
            };
            if (next - reach).abs() < 1e-12 * reach {
                return Ok(estimate + step * next);
            }
            reach = next;
        }
        Err(lost(MOST_LIMIT_STEPS))
    }

    /// Every coefficient with its test and interval.
    ///
    /// # Errors
    /// As [`Firth::estimate`].
    pub fn estimates(&self, confidence: f64) -> Result<Vec<Estimate>, StatsError> {
        (0..self.coef.len())
            .map(|j| {
                let mut contrast = Vector::zeros(self.coef.len());
                contrast[j] = 1.0;
                self.estimate(&contrast, confidence)
            })
            .collect()
    }

    /// The risk at these values of the columns (the intercept's 1 first), with its interval as
    /// low and high: FLIC's estimate, and the profile interval of the linear predictor moved on
    /// the logit scale by as much as FLIC moved the intercept.
    ///
    /// # Errors
    /// As [`Firth::estimate`].
    pub fn risk(&self, row: &Vector, confidence: f64) -> Result<(f64, f64, f64), StatsError> {
        let e = self.estimate(row, confidence)?;
        let moved = row[0] * (self.risk_coef[0] - self.coef[0]);
        let at = |linear: Option<f64>| expit(linear.unwrap_or(e.estimate) + moved);
        Ok((at(None), at(e.low), at(e.high)))
    }
}

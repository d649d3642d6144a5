//! Risks that a caster can picture: the share of pieces lost had every flask of a mix been poured
//! alike in one setting, all else as it was; and the difference between two such shares. Models
//! of different kinds are compared by these and never by their odds ratios, which mean different
//! things in different models.

use super::covariance::{Covariance, Estimate};
use super::design::Design;
use super::error::StatsError;
use super::logistic::{expit, logit};
use super::{Matrix, Vector};

/// How far out a session's level is followed, in standard deviations; what lies beyond is 2e-17.
const FARTHEST: f64 = 8.5;

/// Flasks to average over, with the weight of each.
///
/// ```
/// # use analysis::stats::{counts::Counts, covariance::*, design::Design, logistic, standardise::*};
/// let counts = Counts::new(&[6.0, 4.0, 2.0, 1.0], &[20.0; 4], &[1, 2, 3, 4]).unwrap();
/// let design = Design::intercept(4).column("pour", &[950.0, 960.0, 970.0, 980.0]).unwrap();
/// let fitted = logistic::fit(&design, &counts, &Default::default()).unwrap();
/// let forecast = Forecast { coef: &fitted.coef, session_sd: 0.0 };
/// // Had all been poured at 975 °C instead of 955 °C:
/// let mix = Mix::of(&design, counts.trials()).unwrap();
/// let hot = mix.set(1, 975.0).unwrap().risk(&forecast).unwrap();
/// let cold = mix.set(1, 955.0).unwrap().risk(&forecast).unwrap();
/// let covariance = Covariance::of(&fitted, &design, &counts, Uncertainty::Plain).unwrap();
/// let change = hot.less(&cold).estimate(&covariance, 0.95).unwrap();
/// assert!(change.estimate < 0.0);
/// ```
#[derive(Clone, Debug, PartialEq)]
pub struct Mix {
    x: Matrix,
    weights: Vec<f64>,
}

/// A model that gives risks: p = E expit(xᵀβ + σv) over a standard normal v.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Forecast<'a> {
    /// Coefficients, one a column.
    pub coef: &'a Vector,
    /// Standard deviation of sessions' levels; 0 for models without.
    pub session_sd: f64,
}

/// A figure made from a model's coefficients, with what its uncertainty needs.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// The figure.
    pub value: f64,
    /// ∂/∂β.
    pub gradient: Vector,
    /// ∂/∂ln σ; 0 for a model without session levels.
    pub by_ln_sd: f64,
}

impl Mix {
    /// All rows of a design, each with its weight (its pieces, say, or 1).
    ///
    /// # Errors
    /// [`StatsError::Empty`]; [`StatsError::Rows`]; [`StatsError::Argument`] unless weights are
    /// finite, none below 0 and some above.
    pub fn of(design: &Design, weights: &[f64]) -> Result<Mix, StatsError> {
        if weights.is_empty() {
            return Err(StatsError::Empty);
        }
        if weights.len() != design.rows() {
            return Err(StatsError::Rows {
                what: "the weights".to_owned(),
                given: weights.len(),
                expected: design.rows(),
            });
        }
        let total: f64 = weights.iter().sum();
        if weights.iter().any(|w| w.is_nan() || *w < 0.0) || !(total > 0.0 && total.is_finite()) {
            return Err(StatsError::Argument(
                "weights of flasks are finite, none below 0 and some above".to_owned(),
            ));
        }
        Ok(Mix {
            x: design.matrix().clone(),
            weights: weights.iter().map(|w| w / total).collect(),
        })
    }

    /// The same flasks with one column set to a number: had all been poured at this temperature.
    ///
    /// # Errors
    /// [`StatsError::Argument`] for a column that is not there or a number that is not finite.
    pub fn set(&self, column: usize, value: f64) -> Result<Mix, StatsError> {
        self.set_each(column, &vec![value; self.weights.len()])
    }

    /// The same with a number a flask, for columns that are products of others.
    ///
    /// # Errors
    /// As [`Mix::set`]; [`StatsError::Rows`].
    pub fn set_each(&self, column: usize, values: &[f64]) -> Result<Mix, StatsError> {
        if values.len() != self.weights.len() {
            return Err(StatsError::Rows {
                what: format!("column {}", column + 1),
                given: values.len(),
                expected: self.weights.len(),
            });
        }
        if column >= self.x.ncols() || values.iter().any(|v| !v.is_finite()) {
            return Err(StatsError::Argument(format!(
                "column {} is to be set, of {}, to finite numbers",
                column + 1,
                self.x.ncols()
            )));
        }
        let mut mix = self.clone();
        mix.x.set_column(column, &Vector::from_column_slice(values));
        Ok(mix)
    }

    /// The weighted mean of the columns: the average flask.
    pub fn mean_row(&self) -> Vector {
        self.x.tr_mul(&Vector::from_column_slice(&self.weights))
    }

    /// The standardised linear predictor Σwᵢxᵢᵀβ, whose gradient is the average flask.
    ///
    /// # Errors
    /// As [`Mix::risk`].
    pub fn linear(&self, forecast: &Forecast) -> Result<Figure, StatsError> {
        self.fits(forecast)?;
        let gradient = self.mean_row();
        Ok(Figure {
            value: gradient.dot(forecast.coef),
            gradient,
            by_ln_sd: 0.0,
        })
    }

    /// The standardised risk Σwᵢ·E expit(xᵢᵀβ + σv), by g-computation (Robins 1986, Mathematical
    /// Modelling 7:1393–1512; Lane & Nelder 1982, Biometrics 38:613–621), marginal over sessions'
    /// levels.
    ///
    /// The mean over v is by the trapezium rule, whose error on an analytic integrand falls as
    /// e^(−2πd/h) with the step h, d being how far the nearest pole lies off the real line
    /// (Trefethen & Weideman 2014, SIAM Review 56:385–458): here π/σ, so that h = ½, or 1/σ if
    /// less, leaves about 1e-8.
    ///
    /// # Errors
    /// [`StatsError::Rows`] when coefficients and columns differ in number;
    /// [`StatsError::Argument`] for coefficients that are not finite or σ below 0.
    pub fn risk(&self, forecast: &Forecast) -> Result<Figure, StatsError> {
        self.fits(forecast)?;
        let levels = levels(forecast.session_sd);
        let linear = &self.x * forecast.coef;
        let mut value = 0.0;
        let mut by_ln_sd = 0.0;
        let mut slopes = Vector::zeros(self.weights.len());
        for (i, weight) in self.weights.iter().enumerate() {
            for (level, share) in &levels {
                let eta = linear[i] + level;
                let (p, q) = (expit(eta), expit(-eta));
                value += weight * share * p;
                slopes[i] += weight * share * p * q;
                by_ln_sd += weight * share * p * q * level;
            }
        }
        Ok(Figure {
            value,
            gradient: self.x.tr_mul(&slopes),
            by_ln_sd,
        })
    }

    fn fits(&self, forecast: &Forecast) -> Result<(), StatsError> {
        if forecast.coef.len() != self.x.ncols() {
            return Err(StatsError::Rows {
                what: "the coefficients".to_owned(),
                given: forecast.coef.len(),
                expected: self.x.ncols(),
            });
        }
        let sd = forecast.session_sd;
        if !(sd >= 0.0 && sd.is_finite()) || forecast.coef.iter().any(|c| !c.is_finite()) {
            return Err(StatsError::Argument(
                "a forecast needs finite coefficients and a spread of sessions not below 0"
                    .to_owned(),
            ));
        }
        Ok(())
    }
}

/// Levels σv with their shares of the normal distribution.
fn levels(sd: f64) -> Vec<(f64, f64)> {
    if sd == 0.0 {
        return vec![(0.0, 1.0)];
    }
    let step = (1.0 / sd).min(0.5);
    let side = (FARTHEST / step).ceil() as i32;
    let mut list: Vec<(f64, f64)> = (-side..=side)
        .map(|k| {
            let v = f64::from(k) * step;
            (sd * v, (-0.5 * v * v).exp())
        })
        .collect();
    let total: f64 = list.iter().map(|(_, w)| w).sum();
    for (_, weight) in &mut list {
        *weight /= total;
    }
    list
}

impl Figure {
    /// This figure less another of the same model: a risk difference.
    pub fn less(&self, other: &Figure) -> Figure {
        Figure {
            value: self.value - other.value,
            gradient: &self.gradient - &other.gradient,
            by_ln_sd: self.by_ln_sd - other.by_ln_sd,
        }
    }

    /// The logit of this risk, on whose scale limits stay between 0 and 1.
    pub fn on_logit(&self) -> Figure {
        let bend = 1.0 / (self.value * (1.0 - self.value)).max(1e-300);
        Figure {
            value: logit(self.value.clamp(1e-300, 1.0 - f64::EPSILON)),
            gradient: &self.gradient * bend,
            by_ln_sd: self.by_ln_sd * bend,
        }
    }

    /// The gradient in the parameters of a covariance: the coefficients, then ln σ where there is
    /// one, then whatever else was estimated, which the figure does not depend on.
    fn contrast(&self, parameters: usize) -> Vector {
        let mut contrast = Vector::zeros(parameters.max(self.gradient.len()));
        contrast
            .rows_mut(0, self.gradient.len())
            .copy_from(&self.gradient);
        // At σ = 0 the next parameter is another's, and this is 0.
        if parameters > self.gradient.len() {
            contrast[self.gradient.len()] = self.by_ln_sd;
        }
        contrast
    }

    /// The figure with its standard error, test against 0 and interval, by the delta method.
    /// `covariance` is that of the model's coefficients, or of the `parameters` of a
    /// [`super::session_intercept::SessionIntercept`] or [`super::beta_binomial::BetaBinomial`].
    ///
    /// # Errors
    /// [`StatsError::Rows`] when it has fewer parameters than the figure has coefficients.
    pub fn estimate(
        &self,
        covariance: &Covariance,
        confidence: f64,
    ) -> Result<Estimate, StatsError> {
        let parameters = covariance.matrix.ncols();
        if parameters < self.gradient.len() {
            return Err(StatsError::Rows {
                what: "the covariance".to_owned(),
                given: parameters,
                expected: self.gradient.len(),
            });
        }
        Ok(covariance.estimate(self.value, &self.contrast(parameters), confidence))
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn mix(pour: &[f64], weights: &[f64]) -> Mix {
        let design = Design::intercept(pour.len()).column("pour", pour).unwrap();
        Mix::of(&design, weights).unwrap()
    }

    /// With v symmetric, E expit(σv) = ½ whatever σ; far out the mean over v of e^η·e^σv is
    /// e^(η+σ²/2).
    #[test]
    fn means_over_sessions_have_their_closed_forms() {
        for sd in [0.0, 0.1, 0.7, 1.0, 2.5, 5.0] {
            let levels = levels(sd);
            let half: f64 = levels.iter().map(|(l, w)| w * expit(*l)).sum();
            assert!((half - 0.5).abs() < 1e-12, "{sd}: {half}");
        }
        let far: f64 = levels(0.5).iter().map(|(l, w)| w * expit(l - 30.0)).sum();
        assert!((far / (-30.0f64 + 0.125).exp() - 1.0).abs() < 1e-9, "{far}");
    }

    /// Against a step forty times as fine.
    #[test]
    fn the_step_over_sessions_is_fine_enough() {
        for sd in [0.3, 1.0, 2.0, 4.0, 8.0] {
            for eta in [-6.0, -2.0, 0.3, 3.0] {
                let coarse: f64 = levels(sd).iter().map(|(l, w)| w * expit(eta + l)).sum();
                let (mut fine, mut total) = (0.0, 0.0);
                for k in -17_000..=17_000 {
                    let v = f64::from(k) * 5e-4;
                    let w = (-0.5 * v * v).exp();
                    fine += w * expit(eta + sd * v);
                    total += w;
                }
                assert!((coarse - fine / total).abs() < 1e-7, "{sd} {eta}");
            }
        }
    }

    #[test]
    fn flasks_weigh_as_told_and_columns_can_be_set() {
        let mix = mix(&[0.0, 1.0], &[3.0, 1.0]);
        let coef = Vector::from_vec(vec![0.0, 2.0]);
        let forecast = Forecast {
            coef: &coef,
            session_sd: 0.0,
        };
        let risk = mix.risk(&forecast).unwrap();
        assert!((risk.value - (0.75 * 0.5 + 0.25 * expit(2.0))).abs() < 1e-15);
        let hot = mix.set(1, 1.0).unwrap().risk(&forecast).unwrap();
        assert!((hot.value - expit(2.0)).abs() < 1e-15);
        assert!((hot.less(&risk).value - 0.75 * (expit(2.0) - 0.5)).abs() < 1e-15);
        assert!((hot.on_logit().value - 2.0).abs() < 1e-12);
        assert_eq!(mix.mean_row().as_slice(), [1.0, 0.25]);
        assert!(mix.set(2, 1.0).is_err() && mix.set(1, f64::NAN).is_err());
        assert!(mix.set_each(1, &[1.0]).is_err());
        let design = Design::intercept(2);
        assert!(Mix::of(&design, &[1.0]).is_err() && Mix::of(&design, &[0.0, 0.0]).is_err());
        let short = Vector::zeros(1);
        let wrong = Forecast {
            coef: &short,
            session_sd: 0.0,
        };
        assert!(mix.risk(&wrong).is_err());
    }

    proptest! {
        #[test]
        fn gradients_are_those_of_the_risk(
            pour in proptest::collection::vec(-2.0..2.0f64, 1..6),
            b0 in -3.0..3.0f64,
            b1 in -3.0..3.0f64,
            sd in 0.05..3.0f64,
        ) {
            let mix = mix(&pour, &vec![1.0; pour.len()]);
            let at = |b0: f64, b1: f64, ln_sd: f64| {
                let coef = Vector::from_vec(vec![b0, b1]);
                mix.risk(&Forecast { coef: &coef, session_sd: ln_sd.exp() }).unwrap()
            };
            let h = 1e-5;
            let here = at(b0, b1, sd.ln());
            prop_assert!(here.value > 0.0 && here.value < 1.0);
            for (ours, up, down) in [
                (here.gradient[0], at(b0 + h, b1, sd.ln()), at(b0 - h, b1, sd.ln())),
                (here.gradient[1], at(b0, b1 + h, sd.ln()), at(b0, b1 - h, sd.ln())),
                (here.by_ln_sd, at(b0, b1, sd.ln() + h), at(b0, b1, sd.ln() - h)),
            ] {
                let theirs = (up.value - down.value) / (2.0 * h);
                prop_assert!((ours - theirs).abs() < 2e-6, "{ours} {theirs}");
            }
        }
    }
}

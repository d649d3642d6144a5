//! Flasks that differ more than chance: the share of defects of a flask is itself drawn, from a
//! beta distribution about what the settings say. One figure θ says how much flasks differ; at
//! θ = 0 it is plain binomial logistic regression.

use super::counts::Counts;
use super::covariance::Covariance;
use super::design::Design;
use super::error::StatsError;
use super::linear::{Turned, turned};
use super::logistic::{Extras, Logistic, expit, fit as logistic_fit, ln_choose, softplus};
use super::newton::{Climb, Surface, climb};
use super::{Matrix, Vector};

/// Below this θ flasks differ by chance alone: between two pieces of a flask the correlation is
/// then under a millionth.
pub(super) const LEAST_THETA: f64 = 1e-6;
/// Beyond this θ every flask comes out all good or all bad.
pub(super) const MOST_THETA: f64 = 1e5;
/// Pieces of one flask that the sums below are made for; more is no flask.
const MOST_PIECES: f64 = 100_000.0;

/// A fitted beta-binomial model.
#[derive(Clone, Debug, PartialEq)]
pub struct BetaBinomial {
    /// Coefficients of the mean on the logit scale, one a column, per unit of the column.
    pub coef: Vector,
    /// Overdispersion θ ≥ 0; 0 says that flasks differ no more than chance lets them.
    pub theta: f64,
    /// Standard error of ln θ; `None` at θ = 0.
    pub ln_theta_std_error: Option<f64>,
    /// The coefficients, then ln θ where θ is above 0.
    pub parameters: Vector,
    /// Covariance of `parameters` by observed information; contrasts are normal. At θ = 0 it is
    /// that of the binomial fit, as if θ had been known.
    pub covariance: Covariance,
    /// Log-likelihood with the binomial coefficients.
    pub log_likelihood: f64,
    /// Steps taken.
    pub steps: usize,
    /// What a reader has to know, as sentences.
    pub notes: Vec<String>,
}

impl BetaBinomial {
    /// Correlation between two pieces of a flask, ρ = θ/(1+θ).
    pub fn correlation(&self) -> f64 {
        self.theta / (1.0 + self.theta)
    }
}

/// Fits y ~ beta-binomial(n, μ, θ) with log(μ/(1−μ)) = Xβ by maximum likelihood.
///
/// P(y) = C(n,y)·Π_{k<y}(μ+kθ)·Π_{k<n−y}(1−μ+kθ) ÷ Π_{k<n}(1+kθ) (Skellam 1948, JRSS B 10:257–261;
/// in this form Prentice 1986, JASA 81:321–327), which is exact at θ = 0, where the usual gamma
/// functions cancel. Beta parameters are μ/θ and (1−μ)/θ, and ρ = θ/(1+θ). θ below 0, flasks
/// more alike than chance, is not looked for. Newton's method on (β, ln θ) with analytic second
/// derivatives; standard errors by observed information.
///
/// θ = 0 is answered when the likelihood falls from there on or is highest there, and said in
/// `notes`.
///
/// # Errors
/// Those of [`super::logistic::fit`]; [`StatsError::Argument`] for counts that are not whole or
/// flasks of more than 100,000 pieces; [`StatsError::AllAlike`] when every flask is all good or
/// all bad; [`StatsError::NotSettled`].
///
/// ```
/// # use analysis::stats::{beta_binomial::fit, counts::Counts, design::Design};
/// // Six flasks of twenty, some all but lost, some spotless.
/// let counts = Counts::new(&[0.0, 12.0, 1.0, 0.0, 9.0, 2.0], &[20.0; 6], &[1, 1, 2, 2, 3, 3]).unwrap();
/// let fitted = fit(&Design::intercept(6), &counts).unwrap();
/// assert!(fitted.correlation() > 0.1);
/// ```
pub fn fit(design: &Design, counts: &Counts) -> Result<BetaBinomial, StatsError> {
    let binomial = logistic_fit(design, counts, &Extras::default())?;
    fit_from(design, counts, &binomial)
}

/// The same from a binomial fit at hand.
pub(super) fn fit_from(
    design: &Design,
    counts: &Counts,
    binomial: &Logistic,
) -> Result<BetaBinomial, StatsError> {
    whole(counts)?;
    let plain = |note: &str| BetaBinomial {
        coef: binomial.coef.clone(),
        theta: 0.0,
        ln_theta_std_error: None,
        parameters: binomial.coef.clone(),
        covariance: Covariance::given(binomial.inverse.clone(), f64::INFINITY),
        log_likelihood: binomial.log_likelihood,
        steps: binomial.steps,
        notes: vec![note.to_owned()],
    };
    if !counts.trials().iter().any(|n| *n >= 2.0) {
        return Ok(plain(
            "no flask has two pieces, so how alike pieces of a flask are cannot be told",
        ));
    }
    let turned = turned(design.matrix())?;
    let columns = design.columns();
    let start = turned
        .back
        .solve_upper_triangular(&binomial.coef)
        .filter(|s| s.iter().all(|v| v.is_finite()))
        .ok_or(StatsError::NotSettled {
            what: "beta-binomial fit",
            steps: 0,
        })?;
    let start = start.push(moment_theta(counts, binomial).ln());
    let ended = climb(
        "beta-binomial fit",
        start,
        |at| Some(surface(&turned, counts, at)),
        |at| at[columns] < LEAST_THETA.ln() || at[columns] > MOST_THETA.ln(),
    )?;
    let constant = constants(counts);
    match ended {
        Climb::Out(at) if at[columns] > 0.0 => Err(StatsError::AllAlike { what: "flask" }),
        Climb::Top {
            at, surface, steps, ..
        } if surface.value + constant > binomial.log_likelihood => {
            let back = extended(&turned.back, 1);
            let inverse = surface.covariance().ok_or(StatsError::NotSettled {
                what: "beta-binomial fit",
                steps,
            })?;
            let matrix = &back * inverse * back.transpose();
            let parameters = &back * &at;
            Ok(BetaBinomial {
                coef: parameters.rows(0, columns).into_owned(),
                theta: at[columns].exp(),
                ln_theta_std_error: Some(matrix[(columns, columns)].sqrt()),
                parameters,
                covariance: Covariance::given(matrix, f64::INFINITY),
                log_likelihood: surface.value + constant,
                steps,
                notes: Vec::new(),
            })
        }
        _ => Ok(plain("flasks differ no more than chance lets them")),
    }
}

/// Refuses counts that a sum over pieces cannot be made of.
pub(super) fn whole(counts: &Counts) -> Result<(), StatsError> {
    let rows = counts.events().iter().zip(counts.trials());
    for (row, (y, n)) in rows.enumerate() {
        if y.fract() != 0.0 || n.fract() != 0.0 || *n > MOST_PIECES {
            return Err(StatsError::Argument(format!(
                "row {}: {y} of {n} pieces; this fit takes whole pieces, at most {MOST_PIECES} a flask",
                row + 1
            )));
        }
    }
    Ok(())
}

/// Σ ln C(n,y).
pub(super) fn constants(counts: &Counts) -> f64 {
    counts
        .events()
        .iter()
        .zip(counts.trials())
        .map(|(y, n)| ln_choose(*y, *n))
        .sum()
}

/// `matrix` with `more` ones on the diagonal after it.
pub(super) fn extended(matrix: &Matrix, more: usize) -> Matrix {
    let columns = matrix.ncols();
    let mut wide = Matrix::identity(columns + more, columns + more);
    wide.view_mut((0, 0), (columns, columns)).copy_from(matrix);
    wide
}

/// A first θ: Pearson's dispersion φ is about 1 + (n̄−1)ρ (Williams 1982, Applied Statistics
/// 31:144–148).
fn moment_theta(counts: &Counts, binomial: &Logistic) -> f64 {
    let mean = counts.trials().iter().sum::<f64>() / counts.rows() as f64;
    let excess = binomial.dispersion().unwrap_or(1.5) - 1.0;
    let rho = (excess / (mean - 1.0).max(0.1)).clamp(0.01, 0.7);
    rho / (1.0 - rho)
}

/// The log-likelihood of (turned coefficients, ln θ) without binomial coefficients.
fn surface(turned: &Turned, counts: &Counts, at: &Vector) -> Surface {
    let columns = turned.rows.nrows();
    let flasks = Flasks::new(at[columns].exp(), counts);
    let linear = turned.rows.tr_mul(&at.rows(0, columns));
    let mut value = 0.0;
    let mut gradient = Vector::zeros(columns + 1);
    let mut slope = Vector::zeros(columns);
    let mut cross = Vector::zeros(columns);
    let mut corner = 0.0;
    let mut bent = turned.rows.clone();
    for (i, eta) in linear.iter().enumerate() {
        let row = flasks.row(counts.events()[i], counts.trials()[i], *eta);
        let x = turned.rows.column(i);
        value += row.value;
        gradient[columns] += row.t;
        corner += row.tt;
        slope.axpy(row.e, &x, 1.0);
        cross.axpy(row.et, &x, 1.0);
        bent.column_mut(i).scale_mut(row.ee);
    }
    gradient.rows_mut(0, columns).copy_from(&slope);
    let mut hessian = Matrix::zeros(columns + 1, columns + 1);
    hessian
        .view_mut((0, 0), (columns, columns))
        .copy_from(&(&bent * turned.rows.transpose()));
    hessian
        .view_mut((0, columns), (columns, 1))
        .copy_from(&cross);
    hessian
        .view_mut((columns, 0), (1, columns))
        .copy_from(&cross.transpose());
    hessian[(columns, columns)] = corner;
    Surface {
        value,
        gradient,
        hessian,
    }
}

/// The log-likelihood of one flask with its derivatives in the linear predictor η and in ln θ.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Row {
    /// Without the binomial coefficient.
    pub value: f64,
    /// ∂/∂η.
    pub e: f64,
    /// ∂²/∂η².
    pub ee: f64,
    /// ∂/∂ln θ.
    pub t: f64,
    /// ∂²/∂η∂ln θ.
    pub et: f64,
    /// ∂²/(∂ln θ)².
    pub tt: f64,
}

/// Flasks that differ by θ, with what depends on θ and the pieces alone summed once.
pub(super) struct Flasks {
    theta: f64,
    /// Σ over k below the index of ln(1+kθ), s and s(1−s), with s = kθ/(1+kθ).
    whole: Vec<[f64; 3]>,
}

impl Flasks {
    /// For these counts; θ = 0 is the binomial.
    pub(super) fn new(theta: f64, counts: &Counts) -> Flasks {
        let most = counts.trials().iter().fold(0.0, |m: f64, n| m.max(*n)) as usize;
        let mut whole = vec![[0.0; 3]];
        if theta > 0.0 {
            whole.reserve(most);
            let mut sum = [0.0; 3];
            for k in 0..most {
                let more = k as f64 * theta;
                let s = more / (1.0 + more);
                sum = [sum[0] + more.ln_1p(), sum[1] + s, sum[2] + s * (1.0 - s)];
                whole.push(sum);
            }
        }
        Flasks { theta, whole }
    }

    /// `events` of `trials` at linear predictor `eta`. With a = μ+kθ, u = μ(1−μ)/a and s = kθ/a:
    /// d ln a/dη = u, d ln a/d ln θ = s, du/dη = u(1−2μ) − u², ds/dη = −su, ds/d ln θ = s(1−s).
    pub(super) fn row(&self, events: f64, trials: f64, eta: f64) -> Row {
        let mu = expit(eta).max(1e-300);
        let rest = expit(-eta).max(1e-300);
        if self.theta == 0.0 {
            return Row {
                value: events * eta - trials * softplus(eta),
                e: events * rest - (trials - events) * mu,
                ee: -trials * mu * rest,
                ..Row::default()
            };
        }
        let (bad, good) = (events as usize, (trials - events) as usize);
        let up = rising(bad, mu, rest, -softplus(-eta), self.theta);
        let down = rising(good, rest, mu, -softplus(eta), self.theta);
        let whole = self.whole[bad + good];
        Row {
            value: up.ln + down.ln - whole[0],
            e: up.u - down.u,
            ee: (1.0 - 2.0 * mu) * (up.u - down.u) - up.uu - down.uu,
            t: up.s + down.s - whole[1],
            et: down.su - up.su,
            tt: up.s - up.ss + down.s - down.ss - whole[2],
        }
    }
}

/// Sums over the factors μ+kθ.
#[derive(Default)]
struct Rising {
    ln: f64,
    u: f64,
    uu: f64,
    s: f64,
    ss: f64,
    su: f64,
}

/// The sums over k < `factors`; `ln` is ln μ.
fn rising(factors: usize, mu: f64, rest: f64, ln: f64, theta: f64) -> Rising {
    let mut sum = Rising::default();
    if factors == 0 {
        return sum;
    }
    (sum.ln, sum.u, sum.uu) = (ln, rest, rest * rest);
    // One logarithm for many factors: their product, taken before it leaves the range.
    let mut product = 1.0;
    for k in 1..factors {
        let more = k as f64 * theta;
        let a = mu + more;
        let inverse = 1.0 / a;
        let (u, s) = (mu * rest * inverse, more * inverse);
        sum.u += u;
        sum.uu += u * u;
        sum.s += s;
        sum.ss += s * s;
        sum.su += s * u;
        product *= a;
        if !(1e-200..1e200).contains(&product) {
            sum.ln += product.ln();
            product = 1.0;
        }
    }
    sum.ln += product.ln();
    sum
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn one(events: f64, trials: f64) -> Counts {
        Counts::new(&[events], &[trials], &[1]).unwrap()
    }

    /// Three pieces, beta(1, 1): every count is equally likely.
    #[test]
    fn a_flat_beta_makes_every_count_equally_likely() {
        // μ = ½ and θ = ½ are the beta parameters 1 and 1.
        for events in 0..=3u8 {
            let counts = one(f64::from(events), 3.0);
            let row = Flasks::new(0.5, &counts).row(f64::from(events), 3.0, 0.0);
            let p = (row.value + constants(&counts)).exp();
            assert!((p - 0.25).abs() < 1e-14, "{events}: {p}");
        }
    }

    proptest! {
        #[test]
        fn probabilities_add_up_to_one(trials in 1u8..40, eta in -8.0..8.0f64, ln_theta in -16.0..6.0f64) {
            let n = f64::from(trials);
            let total: f64 = (0..=trials)
                .map(|y| {
                    let counts = one(f64::from(y), n);
                    let row = Flasks::new(ln_theta.exp(), &counts).row(f64::from(y), n, eta);
                    (row.value + constants(&counts)).exp()
                })
                .sum();
            prop_assert!((total - 1.0).abs() < 1e-10, "{total}");
        }

        #[test]
        fn derivatives_are_those_of_the_value(y in 0u8..20, more in 0u8..20, eta in -5.0..5.0f64, ln_theta in -8.0..3.0f64) {
            let (y, n) = (f64::from(y), f64::from(y) + f64::from(more) + 1.0);
            let counts = one(y, n);
            let at = |e: f64, t: f64| Flasks::new(t.exp(), &counts).row(y, n, e);
            let h = 1e-5;
            let here = at(eta, ln_theta);
            let (up, down) = (at(eta + h, ln_theta), at(eta - h, ln_theta));
            let (wide, narrow) = (at(eta, ln_theta + h), at(eta, ln_theta - h));
            for (ours, theirs) in [
                (here.e, (up.value - down.value) / (2.0 * h)),
                (here.ee, (up.e - down.e) / (2.0 * h)),
                (here.t, (wide.value - narrow.value) / (2.0 * h)),
                (here.et, (wide.e - narrow.e) / (2.0 * h)),
                (here.tt, (wide.t - narrow.t) / (2.0 * h)),
            ] {
                prop_assert!((ours - theirs).abs() < 1e-6 * (1.0 + n), "{ours} {theirs}");
            }
        }
    }
}

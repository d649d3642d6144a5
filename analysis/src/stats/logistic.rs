//! Binomial logistic regression by maximum likelihood: log(p/(1−p)) = Xβ, events of row i
//! binomial with nᵢ trials. Fitted by iteratively reweighted least squares, each step by QR.
//! Separated flasks, whose effect has no finite estimate, are found out and named.

use statrs::function::gamma::ln_gamma;

use super::counts::Counts;
use super::design::Design;
use super::error::StatsError;
use super::linear::factor;
use super::{Matrix, Vector};

/// Steps before a fit is given up. Newton's method needs 5 to 10 where there is an answer.
const MOST_STEPS: usize = 60;
/// Separation is looked for from this step on; by then every finite estimate has settled.
const LOOK_FROM: usize = 12;
/// A fit has settled when no row's linear predictor moves by more than this; the step after it
/// is smaller than its square.
const SETTLED: f64 = 1e-8;
/// A row counts as still when it moves by less than this share of the row that moves most.
const STILL: f64 = 1e-3;

/// What may be asked of a fit beside the counts and the columns.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Extras<'a> {
    /// Added to each row's linear predictor, not estimated.
    pub offset: Option<&'a [f64]>,
    /// λⱼ ≥ 0 for each column: ½·Σλⱼβⱼ² is taken off the log-likelihood, which shrinks those
    /// coefficients towards 0. The covariance then is (XᵀWX + Λ)⁻¹.
    pub ridge: Option<&'a [f64]>,
}

/// A fitted logistic model.
#[derive(Clone, Debug, PartialEq)]
pub struct Logistic {
    /// Coefficients on the logit scale, one a column, per unit of the column.
    pub coef: Vector,
    /// (XᵀWX)⁻¹ with W = nᵢpᵢ(1−pᵢ), the covariance if pieces were independent.
    pub inverse: Matrix,
    /// Fitted share of each row.
    pub fitted: Vec<f64>,
    /// Linear predictor of each row, the offset included.
    pub linear: Vec<f64>,
    /// Log-likelihood with the binomial coefficients; without a ridge's penalty.
    pub log_likelihood: f64,
    /// Twice the log-likelihood short of a model with a parameter a row.
    pub deviance: f64,
    /// Σ(y−np)²/(np(1−p)).
    pub pearson: f64,
    /// Rows less columns.
    pub df: usize,
    /// Steps taken.
    pub steps: usize,
}

impl Logistic {
    /// Pearson's dispersion, Σ(y−np)²/(np(1−p)) ÷ (rows − columns): how much more flasks differ
    /// than pieces drawn independently would (McCullagh & Nelder 1989, 4.5). `None` with as many
    /// columns as rows.
    pub fn dispersion(&self) -> Option<f64> {
        (self.df > 0).then(|| self.pearson / self.df as f64)
    }

    /// Working weight of each row, nᵢpᵢ(1−pᵢ).
    pub fn weights(&self, counts: &Counts) -> Vec<f64> {
        self.fitted
            .iter()
            .zip(counts.trials())
            .map(|(p, n)| n * p * (1.0 - p))
            .collect()
    }
}

/// 1/(1+e^−η).
pub fn expit(linear: f64) -> f64 {
    if linear >= 0.0 {
        1.0 / (1.0 + (-linear).exp())
    } else {
        let e = linear.exp();
        e / (1.0 + e)
    }
}

/// log(p/(1−p)).
pub fn logit(p: f64) -> f64 {
    p.ln() - (-p).ln_1p()
}

/// log(1+e^η) without overflow.
pub(super) fn softplus(linear: f64) -> f64 {
    linear.max(0.0) + (-linear.abs()).exp().ln_1p()
}

/// log of the binomial coefficient, of real counts.
pub(super) fn ln_choose(events: f64, trials: f64) -> f64 {
    if events <= 0.0 || events >= trials {
        return 0.0;
    }
    ln_gamma(trials + 1.0) - ln_gamma(events + 1.0) - ln_gamma(trials - events + 1.0)
}

/// y·log(y/μ), 0 for y = 0.
fn y_log(y: f64, mu: f64) -> f64 {
    if y > 0.0 { y * (y / mu).ln() } else { 0.0 }
}

/// Log-likelihood without binomial coefficients and less half the ridge's penalty.
fn objective(counts: &Counts, linear: &Vector, coef: &Vector, ridge: Option<&[f64]>) -> f64 {
    let likelihood: f64 = counts
        .events()
        .iter()
        .zip(counts.trials())
        .zip(linear.iter())
        .map(|((y, n), eta)| y * eta - n * softplus(*eta))
        .sum();
    let penalty: f64 = ridge.map_or(0.0, |r| {
        r.iter().zip(coef.iter()).map(|(l, b)| l * b * b).sum()
    });
    likelihood - 0.5 * penalty
}

/// Fits log(p/(1−p)) = Xβ + offset by maximum likelihood.
///
/// Iteratively reweighted least squares (McCullagh & Nelder 1989, Generalized Linear Models,
/// 2.5), each step solved by Householder QR of √W·X, halved while the likelihood falls.
/// `design` and `counts` have a row a flask.
///
/// # Errors
/// [`StatsError::NoContrast`] when no piece, or every piece, has the outcome;
/// [`StatsError::Aliased`] naming columns that the earlier ones tell; [`StatsError::Separated`]
/// naming the terms whose estimate runs away (Albert & Anderson 1984, Biometrika 71:1–10);
/// [`StatsError::TooFewRows`]; [`StatsError::Rows`]; [`StatsError::NotSettled`].
///
/// ```
/// # use analysis::stats::{counts::Counts, design::Design, logistic::{fit, Extras}};
/// // Flasks poured hotter lost fewer pieces.
/// let counts = Counts::new(&[6.0, 4.0, 1.0, 1.0], &[20.0; 4], &[1, 2, 3, 4]).unwrap();
/// let design = Design::intercept(4).column("pour", &[950.0, 960.0, 970.0, 980.0]).unwrap();
/// let fitted = fit(&design, &counts, &Extras::default()).unwrap();
/// assert!(fitted.coef[1] < 0.0);
/// ```
pub fn fit(design: &Design, counts: &Counts, extras: &Extras) -> Result<Logistic, StatsError> {
    check(design, counts, extras)?;
    counts.both_ways()?;
    let x = design.matrix();
    let (rows, columns) = x.shape();
    let ridge = extras.ridge;
    let offset = match extras.offset {
        Some(given) => Vector::from_column_slice(given),
        None => Vector::zeros(rows),
    };
    let mut coef = Vector::zeros(columns);
    let mut linear = Vector::zeros(rows);
    // The first step regresses the empirical logits, which no coefficients give.
    let mut started = false;
    let mut value = f64::NEG_INFINITY;
    for step in 1..=MOST_STEPS {
        let (weights, ratio) = working(counts, &linear, started, &offset);
        let (weighted, response) = augmented(x, &weights, &ratio, ridge, &coef, started);
        let solved = factor(weighted, response)?;
        let Some(mut change) = solved.coef() else {
            return Err(run_away(design, counts, &Vector::zeros(columns), step));
        };
        let from = if started {
            coef.clone()
        } else {
            Vector::zeros(columns)
        };
        let mut next = &from + &change;
        let mut next_linear = x * &next + &offset;
        let mut next_value = objective(counts, &next_linear, &next, ridge);
        let mut halvings = 0;
        while started && next_value < value - 1e-12 * value.abs() && halvings < 30 {
            change *= 0.5;
            next = &from + &change;
            next_linear = x * &next + &offset;
            next_value = objective(counts, &next_linear, &next, ridge);
            halvings += 1;
        }
        let moved = (&next_linear - &linear).amax();
        (coef, linear, value) = (next, next_linear, next_value);
        if started && moved < SETTLED {
            return finish(x, counts, ridge, coef, linear, step);
        }
        if started && step >= LOOK_FROM {
            // Columns with a ridge cannot run away.
            let free = ridge.map_or(change.clone(), |r| {
                Vector::from_fn(columns, |j, _| if r[j] > 0.0 { 0.0 } else { change[j] })
            });
            if separates(x, counts, &free) {
                return Err(run_away(design, counts, &free, step));
            }
        }
        started = true;
    }
    Err(StatsError::NotSettled {
        what: "logistic fit",
        steps: MOST_STEPS,
    })
}

fn check(design: &Design, counts: &Counts, extras: &Extras) -> Result<(), StatsError> {
    let rows = counts.rows();
    let offset_len = extras.offset.map_or(rows, <[f64]>::len);
    for (what, given) in [("the design", design.rows()), ("the offset", offset_len)] {
        if given != rows {
            return Err(StatsError::Rows {
                what: what.to_owned(),
                given,
                expected: rows,
            });
        }
    }
    if let Some(row) = extras
        .offset
        .and_then(|o| o.iter().position(|v| !v.is_finite()))
    {
        return Err(StatsError::NotFinite {
            what: "the offset".to_owned(),
            row: row + 1,
        });
    }
    if let Some(ridge) = extras.ridge {
        let sound =
            ridge.len() == design.columns() && ridge.iter().all(|l| *l >= 0.0 && l.is_finite());
        if !sound {
            return Err(StatsError::Argument(
                "a ridge needs one number, not below 0, for each column".to_owned(),
            ));
        }
    } else {
        let aliased = design.aliased();
        if !aliased.is_empty() {
            return Err(StatsError::Aliased {
                terms: aliased.iter().map(|j| design.names()[*j].clone()).collect(),
            });
        }
        if rows < design.columns() {
            return Err(StatsError::TooFewRows {
                rows,
                columns: design.columns(),
            });
        }
    }
    Ok(())
}

/// √W and √W·z of each row: z is what is left to explain, (y−np)/W once started, and the
/// empirical logit log((y+½)/(n−y+½)) less the offset before.
fn working(counts: &Counts, linear: &Vector, started: bool, offset: &Vector) -> (Vector, Vector) {
    let rows = counts.rows();
    let mut root = Vector::zeros(rows);
    let mut ratio = Vector::zeros(rows);
    for i in 0..rows {
        let (y, n) = (counts.events()[i], counts.trials()[i]);
        if started {
            let (p, q) = (expit(linear[i]), expit(-linear[i]));
            root[i] = (n * p * q).sqrt().max(1e-150);
            ratio[i] = (y * q - (n - y) * p) / root[i];
        } else {
            let p = (y + 0.5) / (n + 1.0);
            root[i] = (n * p * (1.0 - p)).sqrt();
            ratio[i] = root[i] * (logit(p) - offset[i]);
        }
    }
    (root, ratio)
}

/// √W·X over √Λ, and what it should give.
fn augmented(
    x: &Matrix,
    root: &Vector,
    ratio: &Vector,
    ridge: Option<&[f64]>,
    coef: &Vector,
    started: bool,
) -> (Matrix, Vector) {
    let (rows, columns) = x.shape();
    let more = if ridge.is_some() { columns } else { 0 };
    let mut weighted = Matrix::zeros(rows + more, columns);
    for j in 0..columns {
        let source = x.column(j);
        for i in 0..rows {
            weighted[(i, j)] = root[i] * source[i];
        }
    }
    let mut response = Vector::zeros(rows + more);
    response.rows_mut(0, rows).copy_from(ratio);
    for (j, lambda) in ridge.unwrap_or_default().iter().enumerate() {
        weighted[(rows + j, j)] = lambda.sqrt();
        response[rows + j] = if started {
            -lambda.sqrt() * coef[j]
        } else {
            0.0
        };
    }
    (weighted, response)
}

/// Whether moving on along `direction` for ever makes no row worse and some better: pieces that
/// are all defective only rise, all good only fall, flasks with both stay.
fn separates(x: &Matrix, counts: &Counts, direction: &Vector) -> bool {
    let moves = x * direction;
    let most = moves.amax();
    if !(most > 0.1 && most.is_finite()) {
        return false;
    }
    moves.iter().enumerate().all(|(i, z)| {
        let (y, n) = (counts.events()[i], counts.trials()[i]);
        (y == 0.0 || *z >= -STILL * most) && (y == n || *z <= STILL * most)
    })
}

/// The error that names what runs away: columns whose part of the direction moves some row by a
/// tenth of the whole or more.
fn run_away(design: &Design, counts: &Counts, direction: &Vector, step: usize) -> StatsError {
    let x = design.matrix();
    if !separates(x, counts, direction) {
        return StatsError::NotSettled {
            what: "logistic fit",
            steps: step,
        };
    }
    let most = (x * direction).amax();
    let spread = |j: usize| {
        let column = x.column(j);
        (column.max() - column.min()) * direction[j].abs()
    };
    let terms: Vec<String> = (0..design.columns())
        .filter(|j| spread(*j) > 0.1 * most)
        .map(|j| design.names()[j].clone())
        .collect();
    StatsError::Separated { terms }
}

fn finish(
    x: &Matrix,
    counts: &Counts,
    ridge: Option<&[f64]>,
    coef: Vector,
    linear: Vector,
    steps: usize,
) -> Result<Logistic, StatsError> {
    let (rows, columns) = x.shape();
    let (root, ratio) = working(counts, &linear, true, &Vector::zeros(0));
    let (weighted, response) = augmented(x, &root, &ratio, ridge, &coef, true);
    let inverse = factor(weighted, response)?
        .inverse()
        .ok_or(StatsError::NotSettled {
            what: "logistic fit",
            steps,
        })?;
    let mut result = Logistic {
        fitted: linear.iter().map(|eta| expit(*eta)).collect(),
        linear: linear.iter().copied().collect(),
        log_likelihood: 0.0,
        deviance: 0.0,
        pearson: 0.0,
        df: rows.saturating_sub(columns),
        steps,
        coef,
        inverse,
    };
    for i in 0..rows {
        let (y, n, eta) = (counts.events()[i], counts.trials()[i], linear[i]);
        let (p, q) = (expit(eta), expit(-eta));
        result.log_likelihood += y * eta - n * softplus(eta) + ln_choose(y, n);
        result.deviance += 2.0 * (y_log(y, n * p) + y_log(n - y, n * q));
        result.pearson += ratio[i] * ratio[i];
    }
    Ok(result)
}

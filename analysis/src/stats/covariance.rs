//! How far coefficients can be off: by the model alone, by how much flasks differ, or by how much
//! sessions differ. Pieces of one flask and flasks of one session are alike, so the session's is
//! the one to advise from; the others are there on request and for comparison.

use nalgebra::SymmetricEigen;
use serde::{Deserialize, Serialize};

use super::counts::Counts;
use super::design::Design;
use super::distribution::{t_quantile, t_two_sided};
use super::error::StatsError;
use super::logistic::Logistic;
use super::{Matrix, Vector};

/// With fewer degrees of freedom than this an interval would be a guess (Bell & McCaffrey 2002
/// warn of it; the number is common practice among users of small-sample sandwich errors).
pub const LEAST_DF: f64 = 4.0;

/// An eigenvalue of a session's share of the information this near to 1 means that a coefficient
/// rests on that session alone; its residuals say nothing there (pseudo-inverse).
const ALONE: f64 = 1e-9;

/// What the covariance allows for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Uncertainty {
    /// Independent pieces: (XᵀWX)⁻¹.
    Plain,
    /// Flasks that differ more than chance: (XᵀWX)⁻¹ times Pearson's dispersion, t with rows −
    /// columns degrees of freedom (Wedderburn 1974, Biometrika 61:439–447). The dispersion is not
    /// kept from falling below 1.
    Flask,
    /// Session-robust without correction, CR0 (Liang & Zeger 1986, Biometrika 73:13–22).
    SessionCr0,
    /// CR0 × k/(k−1) over k sessions, t with k−1 degrees of freedom.
    SessionCr1,
    /// Session-robust, bias-reduced, CR2 (Bell & McCaffrey 2002, Survey Methodology 28:169–181;
    /// Pustejovsky & Tipton 2018, JBES 36:672–683), t with Satterthwaite's degrees of freedom
    /// for each contrast.
    #[default]
    Session,
}

/// A covariance of coefficients, with degrees of freedom for any contrast of them.
#[derive(Clone, Debug, PartialEq)]
pub struct Covariance {
    /// Columns by columns.
    pub matrix: Matrix,
    df: Df,
}

#[derive(Clone, Debug, PartialEq)]
enum Df {
    Fixed(f64),
    Satterthwaite(Sandwich),
}

/// One line of a table of effects.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The estimate.
    pub estimate: f64,
    /// Its standard error.
    pub std_error: f64,
    /// Estimate ÷ standard error; null for a standard error of nought.
    pub statistic: Option<f64>,
    /// Degrees of freedom of its t distribution; null for the normal.
    pub df: Option<f64>,
    /// Two-sided p-value against 0; null under four degrees of freedom.
    pub p: Option<f64>,
    /// Lower limit; null under four degrees of freedom.
    pub low: Option<f64>,
    /// Upper limit, likewise.
    pub high: Option<f64>,
}

/// What the session-robust covariance is made of, kept for contrasts and for the bootstrap.
/// Everything is in the coordinates of B^½, B = (XᵀWX)⁻¹, where a contrast c is w = B^½·c and
/// session s holds the share Sₛ = B^½·XₛᵀWₛXₛ·B^½ of the information (they add up to I). The
/// adjustment of CR2 is Tₛ = (I − Sₛ)^−½. Only columns × columns things occur, so no count of
/// flasks or pieces makes it large, and one flask of 20 pieces or 20 rows of one piece are the
/// same.
#[derive(Clone, Debug, PartialEq)]
pub struct Sandwich {
    /// B^½.
    pub(super) root: Matrix,
    pub(super) sessions: Vec<Session>,
    /// What a ridge leaves open: a column for each penalised coefficient, B^½·eⱼ·√(φλⱼ), whose
    /// outer products add up to that part of the covariance. No columns without.
    pub(super) prior: Matrix,
}

/// One session's part.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Session {
    /// Orthonormal directions this session has information on, columns × rank.
    pub(super) axes: Matrix,
    /// The share of the information on each, 0 to 1.
    pub(super) share: Vector,
    /// (1 − share)^−½, 0 where the session stands alone.
    pub(super) factor: Vector,
    /// Tₛ·B^½·(score of the session).
    pub(super) score: Vector,
}

impl Session {
    /// Tₛ·v.
    pub(super) fn adjusted(&self, v: &Vector) -> Vector {
        let mut part = self.axes.tr_mul(v);
        for (p, f) in part.iter_mut().zip(self.factor.iter()) {
            *p *= f - 1.0;
        }
        v + &self.axes * part
    }
}

impl Sandwich {
    fn new(fit: &Logistic, design: &Design, counts: &Counts) -> Result<Sandwich, StatsError> {
        let columns = design.columns();
        let x = design.matrix();
        let weights = fit.weights(counts);
        let root = power(&fit.inverse, 0.5);
        let mut sessions = Vec::with_capacity(counts.sessions());
        for rows in counts.rows_by_session() {
            // √W·X·B^½ of the session's rows, and their score.
            let mut half = x.select_rows(&rows) * &root;
            let mut score = Vector::zeros(columns);
            for (k, row) in rows.iter().enumerate() {
                let (y, n) = (counts.events()[*row], counts.trials()[*row]);
                let residual = y - n * fit.fitted[*row];
                score += half.row(k).transpose() * residual;
                let w = weights[*row].sqrt();
                half.row_mut(k).scale_mut(w);
            }
            let (share, axes) = own_directions(&half);
            let mut session = Session {
                axes,
                factor: share.map(|l| {
                    if 1.0 - l < ALONE {
                        0.0
                    } else {
                        1.0 / (1.0 - l).sqrt()
                    }
                }),
                share,
                score: Vector::zeros(columns),
            };
            session.score = session.adjusted(&score);
            sessions.push(session);
        }
        Ok(Sandwich {
            prior: Matrix::zeros(columns, 0),
            root,
            sessions,
        })
    }

    /// The variance of a contrast, w = B^½·c, that a ridge leaves open.
    fn prior_variance(&self, w: &Vector) -> f64 {
        self.prior.tr_mul(w).norm_squared()
    }

    /// How far the coefficients would move if each session in turn had not been there, in the
    /// order of its first flask: one step of Newton's method from the whole, −(H − Hₛ)⁻¹·(score of
    /// s) with H the information (Pregibon 1981, Annals of Statistics 9:705–724, by session). Good
    /// for ranking sessions; one that moves the answer much should be fitted without.
    pub fn without_each(&self) -> Vec<Vector> {
        self.sessions
            .iter()
            .map(|s| -(&self.root * s.adjusted(&s.score)))
            .collect()
    }

    fn covariance(&self) -> Matrix {
        let columns = self.root.ncols();
        let mut meat = Matrix::zeros(columns, columns);
        for s in &self.sessions {
            meat.ger(1.0, &s.score, &s.score, 1.0);
        }
        meat += &self.prior * self.prior.transpose();
        &self.root * meat * &self.root
    }

    /// cᵀVc without what a ridge leaves open, and that.
    fn parts(&self, w: &Vector) -> (f64, f64) {
        let shown: f64 = self.sessions.iter().map(|s| s.score.dot(w).powi(2)).sum();
        (shown, self.prior_variance(w))
    }

    /// Satterthwaite's degrees of freedom of cᵀβ, (Σpₛₛ)² ÷ ΣΣpₛₜ², where pₛₜ are the
    /// covariances that the adjusted residual sums of sessions s and t would have if the working
    /// model held. In the coordinates above pₛₜ = δₛₜaₛ − vₛᵀvₜ with aₛ = (Tₛw)ᵀSₛ(Tₛw) and
    /// vₛ = SₛTₛw, so that no matrix of sessions by sessions is ever made.
    ///
    /// Several contrasts at once, N, because this is asked for at every point of every curve: one
    /// pass over the sessions serves them all. Each has what it would have alone.
    fn df<const N: usize>(&self, contrasts: [&Vector; N]) -> [Option<f64>; N] {
        let roots = contrasts.map(|contrast| &self.root * contrast);
        let columns = self.root.ncols();
        let none = [0.0; N];
        let w: Vec<[f64; N]> = (0..columns)
            .map(|i| std::array::from_fn(|n| roots[n][i]))
            .collect();
        let (mut trace, mut squares) = (none, none);
        let mut cross = vec![none; columns * columns];
        let mut v = vec![none; columns];
        for s in &self.sessions {
            v.fill(none);
            let mut a = none;
            for (k, axis) in s.axes.as_slice().chunks_exact(columns).enumerate() {
                let mut q = none;
                for (x, w) in axis.iter().zip(&w) {
                    for (q, w) in q.iter_mut().zip(w) {
                        *q += x * w;
                    }
                }
                let (share, factor) = (s.share[k], s.factor[k]);
                let mut along = none;
                for ((a, along), q) in a.iter_mut().zip(&mut along).zip(&q) {
                    *a += share * factor * factor * q * q;
                    *along = share * factor * q;
                }
                for (v, x) in v.iter_mut().zip(axis) {
                    for (v, along) in v.iter_mut().zip(&along) {
                        *v += along * x;
                    }
                }
            }
            let mut vv = none;
            for v in &v {
                for (vv, v) in vv.iter_mut().zip(v) {
                    *vv += v * v;
                }
            }
            for n in 0..N {
                trace[n] += a[n] - vv[n];
                squares[n] += a[n] * a[n] - 2.0 * a[n] * vv[n];
            }
            for (i, left) in v.iter().enumerate() {
                for (sum, right) in cross[i * columns..].iter_mut().zip(&v[..=i]) {
                    for ((sum, left), right) in sum.iter_mut().zip(left).zip(right) {
                        *sum += left * right;
                    }
                }
            }
        }
        for i in 0..columns {
            for j in 0..=i {
                let twice = if i == j { 1.0 } else { 2.0 };
                for (squares, cross) in squares.iter_mut().zip(&cross[i * columns + j]) {
                    *squares += twice * cross.powi(2);
                }
            }
        }
        std::array::from_fn(|n| self.with_open(&roots[n], trace[n], squares[n]))
    }

    /// The degrees of freedom with what a ridge leaves open.
    fn with_open(&self, w: &Vector, trace: f64, squares: f64) -> Option<f64> {
        let df = trace * trace / squares;
        let df = (trace > 0.0 && squares > 0.0 && df.is_finite()).then_some(df)?;
        if self.prior.is_empty() {
            return Some(df);
        }
        // The ridge's part is known and not estimated: Satterthwaite's rule with one part of
        // infinitely many degrees of freedom.
        let (shown, open) = self.parts(w);
        let more = (1.0 + open / shown).powi(2);
        more.is_finite().then_some(df * more)
    }
}

/// The directions that a session's rows (rows × columns) have information on, with how much:
/// the eigenvalues of HᵀH above rounding, none above 1, and their vectors. Most sessions are of
/// two or three flasks in a model of more columns; then from the smaller HHᵀ, whose eigenvalues
/// are the same and whose vectors u give Hᵀu.
fn own_directions(half: &Matrix) -> (Vector, Matrix) {
    let (rows, columns) = half.shape();
    let few = rows < columns;
    let eigen = SymmetricEigen::new(if few {
        half * half.transpose()
    } else {
        half.tr_mul(half)
    });
    let mut kept: Vec<usize> = (0..eigen.eigenvalues.len())
        .filter(|j| eigen.eigenvalues[*j] > 1e-14)
        .collect();
    // The greatest first: the lesser ones are kept at right angles to them.
    kept.sort_by(|a, b| eigen.eigenvalues[*b].total_cmp(&eigen.eigenvalues[*a]));
    let share = Vector::from_iterator(
        kept.len(),
        kept.iter().map(|j| eigen.eigenvalues[*j].min(1.0)),
    );
    let mut axes = eigen.eigenvectors.select_columns(&kept);
    if few {
        axes = half.tr_mul(&axes);
        for k in 0..kept.len() {
            let (known, mut rest) = axes.columns_range_pair_mut(..k, k..=k);
            for axis in known.column_iter() {
                let along = axis.dot(&rest.column(0));
                rest.column_mut(0).axpy(-along, &axis, 1.0);
            }
            let length = rest.norm();
            rest /= length;
        }
    }
    (share, axes)
}

/// A power of a symmetric positive matrix.
pub(super) fn power(matrix: &Matrix, exponent: f64) -> Matrix {
    let eigen = SymmetricEigen::new(matrix.clone());
    let most = eigen.eigenvalues.amax();
    let scaled = eigen.eigenvalues.map(|v| {
        if v > most * 1e-300 {
            v.powf(exponent)
        } else {
            0.0
        }
    });
    let mut columns = eigen.eigenvectors.clone();
    for (mut column, value) in columns.column_iter_mut().zip(scaled.iter()) {
        column *= *value;
    }
    columns * eigen.eigenvectors.transpose()
}

impl Covariance {
    /// The covariance of a fit's coefficients.
    ///
    /// # Errors
    /// [`StatsError::TooFewSessions`] for a session-robust one with fewer than two sessions;
    /// [`StatsError::TooFewRows`] for [`Uncertainty::Flask`] with as many columns as rows.
    pub fn of(
        fit: &Logistic,
        design: &Design,
        counts: &Counts,
        uncertainty: Uncertainty,
    ) -> Result<Covariance, StatsError> {
        let fixed = |matrix: Matrix, df: f64| Covariance {
            matrix,
            df: Df::Fixed(df),
        };
        let sessions = counts.sessions();
        let k = sessions as f64;
        match uncertainty {
            Uncertainty::Plain => Ok(fixed(fit.inverse.clone(), f64::INFINITY)),
            Uncertainty::Flask => {
                let dispersion = fit.dispersion().ok_or(StatsError::TooFewRows {
                    rows: counts.rows(),
                    columns: design.columns(),
                })?;
                Ok(fixed(&fit.inverse * dispersion, fit.df as f64))
            }
            _ if sessions < 2 => Err(StatsError::TooFewSessions {
                sessions,
                needed: 2,
            }),
            Uncertainty::SessionCr0 => Ok(fixed(cr0(fit, design, counts), f64::INFINITY)),
            Uncertainty::SessionCr1 => {
                Ok(fixed(cr0(fit, design, counts) * (k / (k - 1.0)), k - 1.0))
            }
            Uncertainty::Session => {
                let sandwich = Sandwich::new(fit, design, counts)?;
                Ok(Covariance {
                    matrix: sandwich.covariance(),
                    df: Df::Satterthwaite(sandwich),
                })
            }
        }
    }

    /// The same with what a ridge leaves open. A ridge λⱼ that stands for a normal prior of
    /// variance σⱼ² on pieces that count φ-fold, λⱼ = φ/σⱼ², gives an estimate that is off by
    /// −B·Λβ on average; over the prior that adds B·(φΛ)·B, B = (XᵀWX + Λ)⁻¹, so that with a meat
    /// of φ·XᵀWX the whole is φB, the posterior covariance (Wahba 1983, J. Royal Statistical
    /// Society B 45:133–150; Nychka 1988, J. American Statistical Association 83:1134–1143;
    /// Marra & Wood 2012, Scandinavian J. Statistics 39:53–74; from memory). Such limits hold on
    /// average over what the prior thinks possible. `ridge` has a number a column, 0 for none.
    /// Session-robust covariances only; the others stay as they are.
    pub fn with_prior(mut self, ridge: &[f64], dispersion: f64) -> Covariance {
        if let Df::Satterthwaite(sandwich) = &mut self.df {
            let columns: Vec<Vector> = ridge
                .iter()
                .enumerate()
                .filter(|(_, lambda)| **lambda > 0.0)
                .map(|(j, lambda)| sandwich.root.column(j) * (dispersion * lambda).sqrt())
                .collect();
            if !columns.is_empty() {
                sandwich.prior = Matrix::from_columns(&columns);
                self.matrix = sandwich.covariance();
            }
        }
        self
    }

    /// A covariance from elsewhere, with degrees of freedom for every contrast (infinite: normal).
    pub fn given(matrix: Matrix, df: f64) -> Covariance {
        Covariance {
            matrix,
            df: Df::Fixed(df),
        }
    }

    /// The parts of the session-robust covariance; `None` for the others.
    pub fn sandwich(&self) -> Option<&Sandwich> {
        match &self.df {
            Df::Satterthwaite(sandwich) => Some(sandwich),
            Df::Fixed(_) => None,
        }
    }

    /// Degrees of freedom of a contrast, infinite for the normal; `None` where the sessions
    /// cannot tell.
    pub fn df(&self, contrast: &Vector) -> Option<f64> {
        match &self.df {
            Df::Fixed(df) => Some(*df),
            Df::Satterthwaite(sandwich) => sandwich.df([contrast])[0],
        }
    }

    /// The same of many contrasts, in their order: what [`Covariance::df`] gives, sooner.
    pub fn dfs(&self, contrasts: &[Vector]) -> Vec<Option<f64>> {
        let Df::Satterthwaite(sandwich) = &self.df else {
            return contrasts.iter().map(|c| self.df(c)).collect();
        };
        let (fours, rest) = contrasts.as_chunks::<4>();
        let mut found: Vec<Option<f64>> = fours
            .iter()
            .flat_map(|four| sandwich.df(four.each_ref()))
            .collect();
        found.extend(rest.iter().map(|one| self.df(one)));
        found
    }

    /// cᵀVc.
    pub fn variance(&self, contrast: &Vector) -> f64 {
        contrast.dot(&(&self.matrix * contrast)).max(0.0)
    }

    /// `estimate`, whose gradient in the coefficients is `contrast`, with its standard error,
    /// test against 0 and interval.
    pub fn estimate(&self, estimate: f64, contrast: &Vector, confidence: f64) -> Estimate {
        let std_error = self.variance(contrast).sqrt();
        let df = self.df(contrast);
        let statistic = Some(estimate / std_error).filter(|t| t.is_finite());
        let enough = df.filter(|df| *df >= LEAST_DF);
        let half = enough
            .and_then(|df| t_quantile(0.5 + confidence / 2.0, df))
            .map(|t| t * std_error)
            .filter(|h| h.is_finite());
        Estimate {
            estimate,
            std_error,
            statistic,
            df: df.filter(|df| df.is_finite()),
            p: enough.zip(statistic).and_then(|(df, t)| t_two_sided(t, df)),
            low: half.map(|h| estimate - h),
            high: half.map(|h| estimate + h),
        }
    }

    /// Every coefficient with its standard error, test and interval.
    pub fn estimates(&self, coef: &Vector, confidence: f64) -> Vec<Estimate> {
        (0..coef.len())
            .map(|j| {
                let mut contrast = Vector::zeros(coef.len());
                contrast[j] = 1.0;
                self.estimate(coef[j], &contrast, confidence)
            })
            .collect()
    }
}

fn cr0(fit: &Logistic, design: &Design, counts: &Counts) -> Matrix {
    let columns = design.columns();
    let mut scores = Matrix::zeros(columns, counts.sessions());
    for (row, session) in counts.session().iter().enumerate() {
        let residual = counts.events()[row] - counts.trials()[row] * fit.fitted[row];
        let x = design.matrix().row(row).transpose();
        scores.column_mut(*session).axpy(residual, &x, 1.0);
    }
    let half = &fit.inverse * scores;
    &half * half.transpose()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows of nought say nothing, but enough of them make HᵀH the smaller product.
    #[test]
    fn a_session_of_few_flasks_has_the_directions_of_the_whole_product() {
        let few = Matrix::from_row_slice(
            3,
            5,
            &[
                0.3, -0.2, 0.1, 0.0, 0.4, 0.3, -0.2, 0.1, 0.0, 0.4, 0.1, 0.5, -0.3, 1e-4, 0.2,
            ],
        );
        let (share, axes) = own_directions(&few);
        let (all_share, all_axes) = own_directions(&few.clone().resize_vertically(9, 0.0));
        // Two flasks of the three were alike.
        assert_eq!((share.len(), all_share.len()), (2, 2));
        assert!((&share - all_share).amax() < 1e-15);
        let plane = &axes * axes.transpose();
        assert!((plane - &all_axes * all_axes.transpose()).amax() < 1e-13);
        assert!((axes.tr_mul(&axes) - Matrix::identity(2, 2)).amax() < 1e-15);
        let back = &axes * Matrix::from_diagonal(&share) * axes.transpose();
        assert!((back - few.tr_mul(&few)).amax() < 1e-15);
    }
}

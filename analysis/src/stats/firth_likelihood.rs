//! The likelihood with Firth's penalty, ℓ(β) + ½·ln det(XᵀWX), with its derivatives, and the way to
//! its top, free or with a sum of coefficients held, as profiles need it.

use nalgebra::SymmetricEigen;

use super::error::StatsError;
use super::linear::Turned;
use super::logistic::{expit, softplus};
use super::{Matrix, Vector};

/// Steps before a fit is given up. Separated flasks take some tens.
const MOST_STEPS: usize = 400;
/// From this step on with the exact second derivatives, which cost columns³ a flask.
const EXACT_FROM: usize = 12;
/// Settled when no turned coefficient moves by more than this.
const SETTLED: f64 = 1e-9;
/// The longest step of a turned coefficient.
const LONGEST: f64 = 2.0;
/// The flasks in turned columns.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct PenalisedLikelihood {
    pub(super) turned: Turned,
    pub(super) events: Vec<f64>,
    pub(super) trials: Vec<f64>,
}

/// The penalised likelihood at one place, in turned columns.
#[derive(Clone)]
pub(super) struct Place {
    /// Without constants.
    pub(super) value: f64,
    /// Modified score.
    pub(super) score: Vector,
    /// XᵀWX.
    pub(super) information: Matrix,
    /// XᵀW₊X with weights (n+h)p(1−p), the curvature that steps are made with.
    pub(super) curvature: Matrix,
}

/// That no top was found.
pub(super) fn lost(steps: usize) -> StatsError {
    StatsError::NotSettled {
        what: "penalised fit",
        steps,
    }
}

/// An orthonormal basis of what is at right angles to `direction`: the reflection that turns it
/// onto the first axis, without that axis.
fn across(direction: &Vector) -> Matrix {
    let columns = direction.len();
    let mut axis = direction / direction.norm();
    axis[0] += if axis[0] < 0.0 { -1.0 } else { 1.0 };
    let length = axis.norm_squared();
    let mirror = Matrix::identity(columns, columns) - &axis * axis.transpose() * (2.0 / length);
    mirror.columns(1, columns - 1).into_owned()
}

/// a·b.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// The lower half of a sum of weighted xxᵀ, row after row.
struct Square {
    columns: usize,
    lower: Vec<f64>,
}

impl Square {
    fn zeros(columns: usize) -> Square {
        Square {
            columns,
            lower: vec![0.0; columns * columns],
        }
    }

    fn add(&mut self, x: &[f64], weight: f64) {
        for (i, row) in self.lower.chunks_exact_mut(self.columns).enumerate() {
            let own = weight * x[i];
            for (sum, x) in row[..=i].iter_mut().zip(x) {
                *sum += own * x;
            }
        }
    }

    fn whole(&self) -> Matrix {
        Matrix::from_fn(self.columns, self.columns, |i, j| {
            self.lower[i.max(j) * self.columns + i.min(j)]
        })
    }
}

impl PenalisedLikelihood {
    /// Log-likelihood without binomial coefficients and without the penalty.
    pub(super) fn plain(&self, at: &Vector) -> f64 {
        let linear = self.turned.rows.tr_mul(at);
        (0..self.events.len())
            .map(|i| self.events[i] * linear[i] - self.trials[i] * softplus(linear[i]))
            .sum()
    }

    /// Everything at these turned coefficients; `None` where numbers give out.
    pub(super) fn place(&self, at: &Vector) -> Option<Place> {
        // Flask by flask over plain slices: profiles come here thousands of times, and a model has
        // few columns.
        let columns = self.turned.rows.nrows();
        let rows = || self.turned.rows.as_slice().chunks_exact(columns);
        let mut value = 0.0;
        let mut chances = Vec::with_capacity(self.events.len());
        let mut information = Square::zeros(columns);
        for ((x, y), n) in rows().zip(&self.events).zip(&self.trials) {
            let eta = dot(x, at.as_slice());
            // e^−|η| gives both chances, each to full precision, and the softplus.
            let e = (-eta.abs()).exp();
            let (likely, unlikely) = (1.0 / (1.0 + e), e / (1.0 + e));
            let (p, q) = if eta < 0.0 {
                (unlikely, likely)
            } else {
                (likely, unlikely)
            };
            value += y * eta - n * (eta.max(0.0) + e.ln_1p());
            information.add(x, n * p * q);
            chances.push((p, q));
        }
        let information = information.whole();
        let lower = information.clone().cholesky()?.unpack();
        value += lower.diagonal().iter().map(|d| d.ln()).sum::<f64>();
        // A leverage is w·|L⁻¹x|², LLᵀ = XᵀWX; L⁻¹ row after row here.
        let inverse = lower
            .solve_lower_triangular(&Matrix::identity(columns, columns))?
            .transpose();
        let mut score = Vector::zeros(columns);
        let mut curvature = Square::zeros(columns);
        let counted = self.events.iter().zip(&self.trials);
        for ((x, (y, n)), (p, q)) in rows().zip(counted).zip(&chances) {
            let mut square = 0.0;
            for (j, row) in inverse.as_slice().chunks_exact(columns).enumerate() {
                let part = dot(&row[..=j], &x[..=j]);
                square += part * part;
            }
            let leverage = n * p * q * square;
            let left = y * q - (n - y) * p + leverage * 0.5 * (q - p);
            for (sum, x) in score.iter_mut().zip(x) {
                *sum += left * x;
            }
            curvature.add(x, (n + leverage) * p * q);
        }
        let curvature = curvature.whole();
        (value.is_finite() && score.iter().chain(curvature.iter()).all(|v| v.is_finite()))
            .then_some(Place {
                value,
                score,
                information,
                curvature,
            })
    }

    /// The top from `start`; along directions in which `held` · coefficients stays, if given.
    pub(super) fn climb(
        &self,
        start: Vector,
        held: Option<&Vector>,
    ) -> Result<(Vector, Place, usize), StatsError> {
        let columns = start.len();
        let free = held.map_or_else(|| Matrix::identity(columns, columns), across);
        let mut at = start;
        let mut here = self.place(&at).ok_or(lost(0))?;
        if free.ncols() == 0 {
            return Ok((at, here, 0));
        }
        for step in 1..=MOST_STEPS {
            let bend = if step < EXACT_FROM {
                here.curvature.clone()
            } else {
                self.exact_curvature(&at).ok_or(lost(step))?
            };
            // In a direction in which it is no hill, by the size of its curvature.
            let eigen = SymmetricEigen::new(free.tr_mul(&bend) * &free);
            let least = eigen.eigenvalues.amax() * 1e-12;
            let mut part = eigen.eigenvectors.tr_mul(&free.tr_mul(&here.score));
            for (p, value) in part.iter_mut().zip(eigen.eigenvalues.iter()) {
                *p /= value.abs().max(least);
            }
            let mut change = &free * (&eigen.eigenvectors * part);
            let longest = change.amax();
            if longest > LONGEST {
                change *= LONGEST / longest;
            }
            let least = here.value - 1e-12 * (1.0 + here.value.abs());
            let mut taken = false;
            for _ in 0..40 {
                let next = &at + &change;
                if let Some(there) = self.place(&next).filter(|p| p.value >= least) {
                    (at, here) = (next, there);
                    taken = true;
                    break;
                }
                change *= 0.5;
            }
            if !taken && longest > 1e-5 {
                return Err(lost(step));
            }
            if !taken || change.amax() < SETTLED {
                return Ok((at, here, step));
            }
        }
        Err(lost(MOST_STEPS))
    }

    /// Minus the second derivatives of the penalised likelihood. The leverages' part of the score
    /// has the derivatives ∂hᵢ/∂βₖ = hᵢ(1−2pᵢ)xᵢₖ − wᵢ·xᵢᵀI⁻¹(Σₗwₗ(1−2pₗ)xₗₖxₗxₗᵀ)I⁻¹xᵢ, with
    /// w = np(1−p) and I = XᵀWX.
    fn exact_curvature(&self, at: &Vector) -> Option<Matrix> {
        let x = &self.turned.rows;
        let (columns, rows) = x.shape();
        let linear = x.tr_mul(at);
        let p = linear.map(expit);
        let w = Vector::from_fn(rows, |i, _| self.trials[i] * p[i] * expit(-linear[i]));
        let weighted = |weights: &Vector| {
            let mut product = x.clone();
            for (i, weight) in weights.iter().enumerate() {
                product.column_mut(i).scale_mut(*weight);
            }
            product
        };
        let inverse = (weighted(&w) * x.transpose()).cholesky()?.inverse();
        let solved = &inverse * x;
        let h = Vector::from_fn(rows, |i, _| w[i] * solved.column(i).dot(&x.column(i)));
        let bend = Vector::from_fn(rows, |i, _| {
            let q = 1.0 - p[i];
            w[i] + h[i] * p[i] * q - h[i] * (q - p[i]) * (0.5 - p[i])
        });
        let mut curvature = weighted(&bend) * x.transpose();
        for k in 0..columns {
            let third = Vector::from_fn(rows, |i, _| w[i] * (1.0 - 2.0 * p[i]) * x[(k, i)]);
            let inner = weighted(&third) * x.transpose();
            let product = &inner * &solved;
            for i in 0..rows {
                let part = w[i] * product.column(i).dot(&solved.column(i)) * (0.5 - p[i]);
                curvature.column_mut(k).axpy(part, &x.column(i), 1.0);
            }
        }
        let even = (&curvature + curvature.transpose()) * 0.5;
        even.iter().all(|v| v.is_finite()).then_some(even)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::counts::Counts;
    use super::super::design::Design;
    use super::super::linear::turned;
    use super::*;

    #[test]
    fn the_exact_curvature_is_the_slope_of_the_score() {
        let design = Design::intercept(5)
            .column("pour", &[1.0, 3.0, 2.0, 5.0, 4.0])
            .unwrap();
        let counts = Counts::new(
            &[3.0, 2.0, 0.5, 0.0, 1.0],
            &[9.0, 8.0, 3.5, 7.0, 2.0],
            &[1; 5],
        )
        .unwrap();
        let f = PenalisedLikelihood {
            turned: turned(design.matrix()).unwrap(),
            events: counts.events().to_vec(),
            trials: counts.trials().to_vec(),
        };
        let at = Vector::from_vec(vec![-0.7, 0.4]);
        let exact = f.exact_curvature(&at).unwrap();
        let h = 1e-6;
        for k in 0..2 {
            let mut step = Vector::zeros(2);
            step[k] = h;
            let score = |at: &Vector| f.place(at).unwrap().score;
            let slope = (score(&(&at - &step)) - score(&(&at + &step))) / (2.0 * h);
            assert!((slope - exact.column(k)).amax() < 1e-7, "{exact}");
        }
        // The score is the slope of the penalised likelihood.
        let value = |x: f64| f.place(&Vector::from_vec(vec![-0.7, x])).unwrap().value;
        let slope = (value(0.4 + h) - value(0.4 - h)) / (2.0 * h);
        assert!((slope - f.place(&at).unwrap().score[1]).abs() < 1e-7);
    }
}

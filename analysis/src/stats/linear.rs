//! Least squares by Householder reflections, the core beneath every fit. Columns are brought to
//! length 1 first, which costs nothing and keeps the answer from depending on units. Checked
//! against the certified values of NIST's linear reference sets, the ill-conditioned ones
//! included.

use super::error::StatsError;
use super::{Matrix, Vector};

/// Below this share of a scaled column's length, what the earlier columns leave of it is rounding.
const SINGULAR: f64 = 1e-13;

/// A least-squares solution.
#[derive(Clone, Debug, PartialEq)]
pub struct LeastSquares {
    /// Coefficients, one a column.
    pub coef: Vector,
    /// (XᵀX)⁻¹, columns by columns.
    pub inverse: Matrix,
    /// Sum of squared residuals.
    pub residual_squares: f64,
    /// Rows less columns.
    pub df: usize,
}

impl LeastSquares {
    /// Residual standard deviation, √(residual squares ÷ degrees of freedom); `None` with as many
    /// columns as rows.
    pub fn residual_sd(&self) -> Option<f64> {
        (self.df > 0).then(|| (self.residual_squares / self.df as f64).sqrt())
    }

    /// Standard errors of the coefficients under equal variance.
    pub fn std_errors(&self) -> Option<Vector> {
        let sd = self.residual_sd()?;
        Some(self.inverse.diagonal().map(|v| sd * v.sqrt()))
    }
}

/// A triangular factor of a matrix with scaled columns: X = Q·R·diag(scale).
pub(super) struct Factored {
    scale: Vector,
    r: Matrix,
    qt_y: Vector,
    rest: f64,
}

/// Factors `x` and turns `y` with it. Needs at least as many rows as columns.
pub(super) fn factor(mut x: Matrix, mut y: Vector) -> Result<Factored, StatsError> {
    let (rows, columns) = x.shape();
    if rows < columns || columns == 0 {
        return Err(StatsError::TooFewRows { rows, columns });
    }
    let scale = Vector::from_iterator(columns, x.column_iter().map(|c| c.norm()));
    for (mut column, length) in x.column_iter_mut().zip(scale.iter()) {
        if *length > 0.0 {
            column /= *length;
        }
    }
    let qr = x.qr();
    qr.q_tr_mul(&mut y);
    let r = qr.unpack_r();
    Ok(Factored {
        scale,
        r,
        rest: y.rows(columns, rows - columns).norm_squared(),
        qt_y: y.rows(0, columns).into_owned(),
    })
}

impl Factored {
    /// Columns that the earlier ones tell to the last digit.
    pub(super) fn singular(&self) -> Vec<usize> {
        (0..self.r.ncols())
            .filter(|j| {
                let d = self.r[(*j, *j)].abs();
                d.is_nan() || d < SINGULAR
            })
            .collect()
    }

    /// The coefficients; `None` when singular.
    pub(super) fn coef(&self) -> Option<Vector> {
        let scaled = self.r.solve_upper_triangular(&self.qt_y)?;
        let coef = scaled.component_div(&self.scale);
        coef.iter().all(|c| c.is_finite()).then_some(coef)
    }

    /// (XᵀX)⁻¹; `None` when singular.
    pub(super) fn inverse(&self) -> Option<Matrix> {
        let columns = self.r.ncols();
        let mut half = self
            .r
            .solve_upper_triangular(&Matrix::identity(columns, columns))?;
        for (mut row, scale) in half.row_iter_mut().zip(self.scale.iter()) {
            row /= *scale;
        }
        let inverse = &half * half.transpose();
        inverse.iter().all(|v| v.is_finite()).then_some(inverse)
    }
}

/// Minimises ‖y − Xβ‖² over β.
///
/// X is rows by columns with at least as many rows as columns; the model has an intercept only if
/// X has a column of ones. Method: Householder QR (Golub 1965, Numerische Mathematik 7:206–216).
///
/// # Errors
/// [`StatsError::TooFewRows`]; [`StatsError::Rows`]; [`StatsError::NotFinite`]; and
/// [`StatsError::Aliased`], the columns named by number from 1, when X is singular to working
/// precision.
pub fn least_squares(x: &Matrix, y: &Vector) -> Result<LeastSquares, StatsError> {
    if x.nrows() != y.len() {
        return Err(StatsError::Rows {
            what: "the response".to_owned(),
            given: y.len(),
            expected: x.nrows(),
        });
    }
    for (what, bad) in [
        ("the response", y.iter().position(|v| !v.is_finite())),
        (
            "a column",
            x.iter()
                .position(|v| !v.is_finite())
                .map(|at| at % x.nrows().max(1)),
        ),
    ] {
        if let Some(row) = bad {
            return Err(StatsError::NotFinite {
                what: what.to_owned(),
                row: row + 1,
            });
        }
    }
    let (rows, columns) = x.shape();
    let factored = factor(x.clone(), y.clone())?;
    let singular = factored.singular();
    let name = |j: &usize| format!("column {}", j + 1);
    match (factored.coef(), factored.inverse()) {
        (Some(coef), Some(inverse)) if singular.is_empty() => Ok(LeastSquares {
            coef,
            inverse,
            residual_squares: factored.rest,
            df: rows - columns,
        }),
        _ => Err(StatsError::Aliased {
            terms: singular.iter().map(name).collect(),
        }),
    }
}

/// The columns of a model turned so that they are orthogonal with a mean square of 1, which
/// leaves the fitted values as they are and makes every fit indifferent to units and origins.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Turned {
    /// The turned rows, each a column of this matrix: columns × rows.
    pub(super) rows: Matrix,
    /// Coefficients of X are this times coefficients of the turned columns.
    pub(super) back: Matrix,
}

/// Turns X, columns by columns.
///
/// # Errors
/// [`StatsError::TooFewRows`]; [`StatsError::Aliased`], the columns named by number from 1.
pub(super) fn turned(x: &Matrix) -> Result<Turned, StatsError> {
    let (rows, columns) = x.shape();
    let factored = factor(x.clone(), Vector::zeros(rows))?;
    let singular = factored.singular();
    let half = factored
        .r
        .solve_upper_triangular(&Matrix::identity(columns, columns))
        .filter(|_| singular.is_empty());
    let Some(mut back) = half else {
        return Err(StatsError::Aliased {
            terms: singular
                .iter()
                .map(|j| format!("column {}", j + 1))
                .collect(),
        });
    };
    for (mut row, scale) in back.row_iter_mut().zip(factored.scale.iter()) {
        row *= (rows as f64).sqrt() / *scale;
    }
    // X·back instead of Q: the same numbers, without forming Q.
    let rows = (x * &back).transpose();
    Ok(Turned { rows, back })
}

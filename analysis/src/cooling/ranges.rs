//! What flasks and readings may be, and how a joint uncertainty is carried through: the columns
//! of a Cholesky factor are independent steps of one standard deviation each.

use std::ops::RangeInclusive;

/// Diameters that a jewellery flask may have, mm: 40 to 250 and room for odd ones.
pub(super) const DIAMETER_MM: RangeInclusive<f64> = 30.0..=400.0;
/// Standard deviation of a diameter that no card gives, mm: 75 to 150 as a rectangular
/// distribution, ÷ √12.
pub(super) const DIAMETER_SD_MM: f64 = 21.7;

/// Independent steps that together have this covariance: the columns of its Cholesky factor.
/// A variance of 0 (or less, by rounding) gives a step of 0.
pub(super) fn spread(covariance: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    let mut columns = [[0.0; 3]; 3];
    for j in 0..3 {
        let taken: f64 = (0..j).map(|k| columns[k][j] * columns[k][j]).sum();
        let pivot = (covariance[j][j] - taken).max(0.0).sqrt();
        columns[j][j] = pivot;
        for i in j + 1..3 {
            let taken: f64 = (0..j).map(|k| columns[k][i] * columns[k][j]).sum();
            if pivot > 0.0 {
                columns[j][i] = (covariance[i][j] - taken) / pivot;
            }
        }
    }
    columns
}

/// Inverse of a symmetric positive definite matrix by Gauss–Jordan elimination on the diagonal;
/// `None` where a pivot is not positive.
pub(super) fn invert(mut matrix: Vec<Vec<f64>>) -> Option<Vec<Vec<f64>>> {
    let n = matrix.len();
    for p in 0..n {
        let pivot = matrix[p][p];
        if !(pivot > 0.0 && pivot.is_finite()) {
            return None;
        }
        matrix[p][p] = 1.0;
        for value in &mut matrix[p] {
            *value /= pivot;
        }
        let row = matrix[p].clone();
        for (i, other) in matrix.iter_mut().enumerate() {
            if i == p {
                continue;
            }
            let factor = std::mem::replace(&mut other[p], 0.0);
            for (value, above) in other.iter_mut().zip(&row) {
                *value -= factor * above;
            }
        }
    }
    Some(matrix)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const COVARIANCE: [[f64; 3]; 3] = [
        [0.08, 0.01, -0.02],
        [0.01, 0.03, 0.004],
        [-0.02, 0.004, 0.05],
    ];

    #[test]
    fn steps_have_the_covariance_they_were_made_of() {
        let steps = spread(&COVARIANCE);
        for (i, row) in COVARIANCE.iter().enumerate() {
            for (j, value) in row.iter().enumerate() {
                let sum: f64 = steps.iter().map(|s| s[i] * s[j]).sum();
                assert!((sum - value).abs() < 1e-15, "{i} {j}");
            }
        }
        assert_eq!(spread(&[[0.0; 3]; 3]), [[0.0; 3]; 3]);
    }

    #[test]
    fn a_matrix_times_its_inverse_is_one() {
        let rows: Vec<Vec<f64>> = COVARIANCE.iter().map(|r| r.to_vec()).collect();
        let inverse = invert(rows.clone()).unwrap();
        for (i, row) in rows.iter().enumerate() {
            for j in 0..3 {
                let sum: f64 = row.iter().zip(&inverse).map(|(a, b)| a * b[j]).sum();
                let one = f64::from(u8::from(i == j));
                assert!((sum - one).abs() < 1e-12, "{i} {j} {sum}");
            }
        }
        assert_eq!(invert(vec![vec![0.0]]), None);
        assert_eq!(invert(vec![vec![1.0, 2.0], vec![2.0, 1.0]]), None);
    }
}

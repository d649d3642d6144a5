//! Curves with straight ends: restricted cubic splines in the basis that Harrell gives. With three
//! knots a curve costs one figure more than a line, with four knots two more.

use super::error::StatsError;

/// Where knots go: shares of the values that lie below each (Harrell 2015, Regression Modeling
/// Strategies, 2nd ed., table 2.3; from memory).
const THREE: [f64; 3] = [0.10, 0.50, 0.90];
/// The same for four knots.
const FOUR: [f64; 4] = [0.05, 0.35, 0.65, 0.95];

/// A restricted cubic spline: cubic between its knots, straight beyond the outer ones.
#[derive(Clone, Debug, PartialEq)]
pub struct Spline {
    knots: Vec<f64>,
}

impl Spline {
    /// A spline with these knots.
    ///
    /// # Errors
    /// [`StatsError::Argument`] unless there are at least three, finite and rising.
    pub fn new(knots: &[f64]) -> Result<Spline, StatsError> {
        let rising = knots.windows(2).all(|w| w[0] < w[1]);
        if knots.len() < 3 || !rising || knots.iter().any(|k| !k.is_finite()) {
            return Err(StatsError::Argument(format!(
                "a curve needs at least three rising knots, not {knots:?}"
            )));
        }
        Ok(Spline {
            knots: knots.to_vec(),
        })
    }

    /// A spline with three or four knots at the usual quantiles of `values`: 10, 50 and 90 %, or
    /// 5, 35, 65 and 95 %, interpolated linearly between ranks (Hyndman & Fan 1996, type 7).
    ///
    /// # Errors
    /// [`StatsError::Argument`] when the values are too alike for so many knots, or when another
    /// number is asked for.
    pub fn at_quantiles(values: &[f64], knots: usize) -> Result<Spline, StatsError> {
        let shares: &[f64] = match knots {
            3 => &THREE,
            4 => &FOUR,
            _ => {
                return Err(StatsError::Argument(format!(
                    "curves here have three or four knots, not {knots}"
                )));
            }
        };
        let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
        sorted.sort_by(f64::total_cmp);
        if sorted.is_empty() {
            return Err(StatsError::Empty);
        }
        let knots: Vec<f64> = shares.iter().map(|s| quantile(&sorted, *s)).collect();
        Spline::new(&knots)
    }

    /// The knots.
    pub fn knots(&self) -> &[f64] {
        &self.knots
    }

    /// Numbers that the basis gives for each value: knots − 1, the first being the value itself.
    pub fn width(&self) -> usize {
        self.knots.len() - 1
    }

    /// The basis at `x`: x, then for each knot tⱼ but the last two
    /// [(x−tⱼ)₊³ − (x−t₍k−1₎)₊³·(tₖ−tⱼ)/(tₖ−t₍k−1₎) + (x−tₖ)₊³·(t₍k−1₎−tⱼ)/(tₖ−t₍k−1₎)] ÷ (tₖ−t₁)²
    /// (Devlin & Weeks 1986, SUGI 11:646–651; Harrell 2015, 2.4.5). The divisor brings the terms
    /// to the unit of x. Beyond the outer knots it is straight.
    ///
    /// ```
    /// # use analysis::stats::spline::Spline;
    /// let curve = Spline::new(&[950.0, 965.0, 980.0]).unwrap();
    /// assert_eq!(curve.basis(940.0), [940.0, 0.0]);
    /// ```
    pub fn basis(&self, x: f64) -> Vec<f64> {
        let k = self.knots.len();
        let (first, before, last) = (self.knots[0], self.knots[k - 2], self.knots[k - 1]);
        let cube = |from: f64| (x - from).max(0.0).powi(3);
        let mut terms = vec![x];
        for knot in &self.knots[..k - 2] {
            let bend = cube(*knot) - cube(before) * (last - knot) / (last - before)
                + cube(last) * (before - knot) / (last - before);
            terms.push(bend / (last - first).powi(2));
        }
        terms
    }
}

/// The quantile of sorted values, linear between ranks.
pub(crate) fn quantile(sorted: &[f64], share: f64) -> f64 {
    let at = share.clamp(0.0, 1.0) * (sorted.len() - 1) as f64;
    let below = at.floor() as usize;
    let above = (below + 1).min(sorted.len() - 1);
    sorted[below] + (at - below as f64) * (sorted[above] - sorted[below])
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// R 4.2.2, Hmisc 4.8.0, `rcspline.eval(x, knots, inclx = TRUE)`, norm 2.
    #[test]
    fn the_basis_is_that_of_another_package() {
        let spline = Spline::new(&[55.0, 65.0, 72.0, 79.0]).unwrap();
        for (x, first, second) in [
            (53.0, 0.0, 0.0),
            (57.0, 0.013_888_888_888_9, 0.0),
            (61.0, 0.375, 0.0),
            (65.0, 1.736_111_111_11, 0.0),
            (69.0, 4.763_888_888_89, 0.111_111_111_111),
            (73.0, 10.119_047_619_05, 0.885_416_666_667),
            (77.0, 17.742_063_492_06, 2.565_972_222_22),
            (81.0, 26.208_333_333_33, 4.593_75),
        ] {
            let basis = spline.basis(x);
            assert_eq!(basis[0], x);
            assert!((basis[1] - first).abs() < 1e-10, "{x}: {basis:?}");
            assert!((basis[2] - second).abs() < 1e-10, "{x}: {basis:?}");
        }
    }

    /// The default quantiles of 1 to 101: knots where the percentages say.
    #[test]
    fn knots_stand_at_the_stated_shares() {
        let values: Vec<f64> = (1..=101).rev().map(f64::from).collect();
        assert_eq!(
            Spline::at_quantiles(&values, 3).unwrap().knots(),
            [11.0, 51.0, 91.0]
        );
        assert_eq!(
            Spline::at_quantiles(&values, 4).unwrap().knots(),
            [6.0, 36.0, 66.0, 96.0]
        );
    }

    #[test]
    fn flasks_poured_alike_make_no_curve() {
        let error = Spline::at_quantiles(&[968.0; 40], 3).unwrap_err();
        assert!(error.to_string().contains("rising knots"), "{error}");
        assert!(Spline::at_quantiles(&[], 3).is_err());
        assert!(Spline::at_quantiles(&[1.0, 2.0, 3.0], 5).is_err());
    }

    proptest! {
        #[test]
        fn ends_are_straight_and_the_middle_has_no_corner(start in 900.0..950.0f64, a in 3.0..30.0f64, b in 3.0..30.0f64, c in 3.0..30.0f64) {
            let knots = [start, start + a, start + a + b, start + a + b + c];
            let spline = Spline::new(&knots).unwrap();
            let bend = |x: f64, j: usize, h: f64| {
                (spline.basis(x + h)[j] - 2.0 * spline.basis(x)[j] + spline.basis(x - h)[j]) / (h * h)
            };
            for j in 1..spline.width() {
                prop_assert!(bend(knots[0] - 20.0, j, 1.0).abs() < 1e-6);
                prop_assert!(bend(knots[3] + 20.0, j, 1.0).abs() < 1e-6);
                for knot in knots {
                    let (left, right) = (bend(knot - 0.02, j, 0.01), bend(knot + 0.02, j, 0.01));
                    prop_assert!((left - right).abs() < 0.1, "{left} {right}");
                }
            }
        }
    }
}

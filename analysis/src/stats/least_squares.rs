//! A curve with a few unknowns fitted to readings by nonlinear least squares: the damped
//! Gauss–Newton method of Levenberg (1944) and Marquardt (1963), with the covariance that every
//! regression text gives, σ²·(JᵀJ)⁻¹. For up to a handful of unknowns; it knows no curve of its
//! own. Checked against certified values of NIST's reference datasets in its tests.

/// What is known of one unknown before any reading: its value and how sure that is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Known {
    /// Which unknown, from 0.
    pub unknown: usize,
    /// Its value.
    pub value: f64,
    /// The weight of that beside one reading: (noise of a reading ÷ standard deviation of the
    /// value)².
    pub weight: f64,
}

/// A fitted curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fitted<const N: usize> {
    /// The unknowns.
    pub unknowns: [f64; N],
    /// (JᵀJ)⁻¹ at the solution: times the variance of a reading, their covariance.
    pub inverse: [[f64; N]; N],
    /// Sum of the squared residuals of the readings.
    pub squares: f64,
    /// How many readings.
    pub readings: usize,
}

impl<const N: usize> Fitted<N> {
    /// Residual standard deviation; 0 without a reading to spare.
    pub fn spread(&self) -> f64 {
        let spare = self.readings.saturating_sub(N);
        if spare == 0 {
            return 0.0;
        }
        (self.squares / spare as f64).sqrt()
    }

    /// Standard errors of the unknowns when a reading scatters by `sd`.
    pub fn standard_errors(&self, sd: f64) -> [f64; N] {
        std::array::from_fn(|i| sd * self.inverse[i][i].max(0.0).sqrt())
    }
}

/// Most rounds; the curves here need a dozen.
const ROUNDS: u32 = 200;
/// Solved when no unknown moves by more than this share of itself …
const STEP: f64 = 1e-11;
/// … or when a step moves the curve by no more than this share of the readings, as where an
/// unknown is zero …
const CURVE_STEP: f64 = 1e-13;
/// … or when even a step damped so heavily makes nothing better.
const MOST_DAMPING: f64 = 1e14;

/// Fits `curve` to (x, y) readings from a first guess. The curve gives its value at x and its
/// slope along each unknown.
///
/// None with fewer readings and known values than unknowns, when something is not finite, when
/// the readings do not determine an unknown, or when no end is found in 200 rounds.
///
/// ```
/// use analysis::stats::least_squares::fit;
///
/// // y = a·x through (1, 2), (2, 4), (3, 7)
/// let line = |u: &[f64; 1], x: f64| (u[0] * x, [x]);
/// let fitted = fit([1.0], line, &[(1.0, 2.0), (2.0, 4.0), (3.0, 7.0)], &[]).unwrap();
/// assert!((fitted.unknowns[0] - 31.0 / 14.0).abs() < 1e-12);
/// ```
pub fn fit<const N: usize>(
    guess: [f64; N],
    curve: impl Fn(&[f64; N], f64) -> (f64, [f64; N]),
    readings: &[(f64, f64)],
    known: &[Known],
) -> Option<Fitted<N>> {
    if readings.len() + known.len() < N {
        return None;
    }
    let mut at = guess;
    let mut here = sums(&at, &curve, readings, known)?;
    let size = readings.iter().map(|r| r.1 * r.1).sum::<f64>().sqrt();
    let mut damping = 1e-3;
    for _ in 0..ROUNDS {
        let Some(step) = solve(&here, damping) else {
            damping *= 10.0;
            if damping > MOST_DAMPING {
                return None;
            }
            continue;
        };
        let next: [f64; N] = std::array::from_fn(|i| at[i] + step[i]);
        let still = (0..N).all(|i| {
            step[i].abs() <= STEP * at[i].abs()
                || step[i].abs() * here.square[i][i].sqrt() <= CURVE_STEP * size
        });
        match sums(&next, &curve, readings, known) {
            Some(there) if there.goal <= here.goal => {
                (at, here) = (next, there);
                damping = (damping * 0.1).max(1e-15);
            }
            _ => damping *= 10.0,
        }
        if still || damping > MOST_DAMPING {
            return Some(Fitted {
                unknowns: at,
                inverse: inverse(&here)?,
                squares: here.squares,
                readings: readings.len(),
            });
        }
    }
    None
}

/// The sums that a step needs, all taken at the same place.
struct Sums<const N: usize> {
    /// JᵀJ.
    square: [[f64; N]; N],
    /// Jᵀ·residuals.
    side: [f64; N],
    squares: f64,
    /// The squares and what is known beforehand.
    goal: f64,
}

fn sums<const N: usize>(
    at: &[f64; N],
    curve: &impl Fn(&[f64; N], f64) -> (f64, [f64; N]),
    readings: &[(f64, f64)],
    known: &[Known],
) -> Option<Sums<N>> {
    let mut s = Sums {
        square: [[0.0; N]; N],
        side: [0.0; N],
        squares: 0.0,
        goal: 0.0,
    };
    for (x, y) in readings {
        let (value, slopes) = curve(at, *x);
        let away = y - value;
        s.squares += away * away;
        for i in 0..N {
            s.side[i] += slopes[i] * away;
            for j in 0..N {
                s.square[i][j] += slopes[i] * slopes[j];
            }
        }
    }
    s.goal = s.squares;
    for k in known.iter().filter(|k| k.unknown < N) {
        let away = k.value - at[k.unknown];
        s.goal += k.weight * away * away;
        s.side[k.unknown] += k.weight * away;
        s.square[k.unknown][k.unknown] += k.weight;
    }
    let finite = s.goal.is_finite()
        && s.side.iter().all(|v| v.is_finite())
        && s.square.iter().flatten().all(|v| v.is_finite());
    finite.then_some(s)
}

/// The damped step. Unknowns may differ by many powers of ten, so each is scaled by its own
/// length first.
fn solve<const N: usize>(s: &Sums<N>, damping: f64) -> Option<[f64; N]> {
    let scale = scales(s)?;
    let mut factor = scaled(s, &scale);
    for (i, row) in factor.iter_mut().enumerate() {
        row[i] += damping;
    }
    cholesky(&mut factor)?;
    let side: [f64; N] = std::array::from_fn(|i| s.side[i] / scale[i]);
    let step = back(&factor, &side);
    let step: [f64; N] = std::array::from_fn(|i| step[i] / scale[i]);
    step.iter().all(|v| v.is_finite()).then_some(step)
}

fn inverse<const N: usize>(s: &Sums<N>) -> Option<[[f64; N]; N]> {
    let scale = scales(s)?;
    let mut factor = scaled(s, &scale);
    cholesky(&mut factor)?;
    let mut whole = [[0.0; N]; N];
    for j in 0..N {
        let unit: [f64; N] = std::array::from_fn(|i| if i == j { 1.0 } else { 0.0 });
        let column = back(&factor, &unit);
        for i in 0..N {
            whole[i][j] = column[i] / scale[i] / scale[j];
        }
    }
    whole
        .iter()
        .flatten()
        .all(|v| v.is_finite())
        .then_some(whole)
}

fn scales<const N: usize>(s: &Sums<N>) -> Option<[f64; N]> {
    let scale: [f64; N] = std::array::from_fn(|i| s.square[i][i].sqrt());
    scale
        .iter()
        .all(|v| v.is_finite() && *v > 0.0)
        .then_some(scale)
}

fn scaled<const N: usize>(s: &Sums<N>, scale: &[f64; N]) -> [[f64; N]; N] {
    std::array::from_fn(|i| std::array::from_fn(|j| s.square[i][j] / scale[i] / scale[j]))
}

/// The lower triangle L of A = L·Lᵀ, in place; none if A is not clearly positive.
fn cholesky<const N: usize>(a: &mut [[f64; N]; N]) -> Option<()> {
    for j in 0..N {
        for i in j..N {
            let done: f64 = (0..j).map(|k| a[i][k] * a[j][k]).sum();
            let left = a[i][j] - done;
            if i == j {
                if left.is_nan() || left <= 1e-14 {
                    return None;
                }
                a[j][j] = left.sqrt();
            } else {
                a[i][j] = left / a[j][j];
            }
        }
    }
    Some(())
}

fn back<const N: usize>(l: &[[f64; N]; N], side: &[f64; N]) -> [f64; N] {
    let mut x = *side;
    for i in 0..N {
        for k in 0..i {
            x[i] -= l[i][k] * x[k];
        }
        x[i] /= l[i][i];
    }
    for i in (0..N).rev() {
        for k in i + 1..N {
            x[i] -= l[k][i] * x[k];
        }
        x[i] /= l[i][i];
    }
    x
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn readings(csv: &str) -> Vec<(f64, f64)> {
        csv.lines()
            .skip(1)
            .map(|line| {
                let (x, y) = line.split_once(',').unwrap();
                (x.trim().parse().unwrap(), y.trim().parse().unwrap())
            })
            .collect()
    }

    /// Every certified figure to at least eight digits, which leaves no doubt of the six asked
    /// of a fit.
    fn certified<const N: usize>(
        fitted: &Fitted<N>,
        unknowns: [f64; N],
        sds: [f64; N],
        spread: f64,
    ) {
        let near = |got: f64, want: f64| {
            assert!(((got - want) / want).abs() < 1e-8, "{got} is not {want}");
        };
        let errors = fitted.standard_errors(fitted.spread());
        for i in 0..N {
            near(fitted.unknowns[i], unknowns[i]);
            near(errors[i], sds[i]);
        }
        near(fitted.spread(), spread);
    }

    /// NIST StRD Misra1a (Misra 1978): y = b1·(1 − e^(−b2·x)), from both of NIST's starts.
    #[test]
    fn nist_misra1a_comes_out_as_certified() {
        let data = readings(include_str!(
            "../../../sample-data/published/nist_misra1a.csv"
        ));
        assert_eq!(data.len(), 14);
        let curve = |b: &[f64; 2], x: f64| {
            let e = (-b[1] * x).exp();
            (b[0] * (1.0 - e), [1.0 - e, b[0] * x * e])
        };
        for start in [[500.0, 0.0001], [250.0, 0.0005]] {
            certified(
                &fit(start, curve, &data, &[]).unwrap(),
                [2.389_421_291_8E+02, 5.501_564_318_1E-04],
                [2.707_007_524_1, 7.266_868_843_6E-06],
                1.018_787_633_0E-01,
            );
        }
    }

    /// NIST StRD Chwirut1 and Chwirut2 (Chwirut 1979): y = e^(−b1·x) ÷ (b2 + b3·x).
    #[test]
    fn nist_chwirut_comes_out_as_certified() {
        let curve = |b: &[f64; 3], x: f64| {
            let (e, d) = ((-b[0] * x).exp(), b[1] + b[2] * x);
            (e / d, [-x * e / d, -e / (d * d), -x * e / (d * d)])
        };
        let cases = [
            (
                include_str!("../../../sample-data/published/nist_chwirut1.csv"),
                214,
                [
                    1.902_781_837_0E-01,
                    6.131_400_447_7E-03,
                    1.053_090_839_9E-02,
                ],
                [
                    2.193_855_703_5E-02,
                    3.450_002_505_1E-04,
                    7.928_184_774_8E-04,
                ],
                3.361_672_132_0,
            ),
            (
                include_str!("../../../sample-data/published/nist_chwirut2.csv"),
                54,
                [
                    1.665_766_653_7E-01,
                    5.165_329_128_6E-03,
                    1.215_000_709_6E-02,
                ],
                [
                    3.830_328_681_0E-02,
                    6.662_160_512_6E-04,
                    1.530_423_476_7E-03,
                ],
                3.171_713_304_0,
            ),
        ];
        for (csv, n, unknowns, sds, spread) in cases {
            let data = readings(csv);
            assert_eq!(data.len(), n);
            for start in [[0.1, 0.01, 0.02], [0.15, 0.008, 0.01]] {
                let fitted = fit(start, curve, &data, &[]).unwrap();
                certified(&fitted, unknowns, sds, spread);
            }
        }
    }

    #[test]
    fn what_is_known_beforehand_weighs_as_so_many_readings() {
        // A level of 3 known as well as four readings, and four readings of 5: their mean is 4.
        let level = |u: &[f64; 1], _: f64| (u[0], [1.0]);
        let known = Known {
            unknown: 0,
            value: 3.0,
            weight: 4.0,
        };
        let fitted = fit([0.0], level, &[(0.0, 5.0); 4], &[known]).unwrap();
        assert!((fitted.unknowns[0] - 4.0).abs() < 1e-9);
        assert!((fitted.standard_errors(1.0)[0] - 1.0 / 8.0_f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn what_is_not_determined_is_not_told() {
        let line = |u: &[f64; 2], x: f64| (u[0] + u[1] * x, [1.0, x]);
        assert_eq!(fit([0.0; 2], line, &[(1.0, 5.0)], &[]), None);
        assert_eq!(fit([0.0; 2], line, &[(1.0, 5.0), (1.0, 6.0)], &[]), None);
        let wild = [(1.0, f64::NAN), (2.0, 3.0)];
        assert_eq!(fit([0.0; 2], line, &wild, &[]), None);
    }

    proptest! {
        #[test]
        fn no_readings_panic(data in prop::collection::vec((any::<f64>(), any::<f64>()), 0..12)) {
            let curve = |b: &[f64; 2], x: f64| {
                let e = (-b[1] * x).exp();
                (b[0] * (1.0 - e), [1.0 - e, b[0] * x * e])
            };
            let _ = fit([1.0, 1.0], curve, &data, &[]);
        }
    }
}

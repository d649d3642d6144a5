//! Intervals that hold over a whole curve at once. The critical value is a quantile of the largest
//! studentised deviation over the curve's points (sup-t), found by turning the scores of whole
//! sessions over at random, so that it knows how few and how unlike the sessions are. Only columns
//! × columns things are made in a draw.

use nalgebra::SymmetricEigen;
use rand::{Rng, SeedableRng};
use rand_distr::{ChiSquared, Distribution, StandardNormal};
use rand_pcg::Pcg64;

use super::covariance::{Covariance, LEAST_DF, Sandwich, power};
use super::distribution::normal_two_sided;
use super::error::StatsError;
use super::{Matrix, Vector};

/// Draws behind an interval, unless another number is asked for.
pub const DRAWS: usize = 999;
/// Most threads: a bench's machine has few cores, and each takes memory.
const MOST_THREADS: usize = 4;
/// Draws made side by side, so that one pass over the sessions serves them all and the processor
/// works on several numbers in a step. Each is what it would be alone, to the last digit.
const AT_ONCE: usize = 8;

/// A number of each of the draws made side by side.
type Lanes = [f64; AT_ONCE];

/// The largest deviations of every draw, by family of comparisons. Each list is sorted.
///
/// Deviations of points and of changes are normal scores ([`normal_score`]) of studentised ones:
/// some points of a curve rest on few sessions, and on the scale of t these would set the critical
/// value for all the others. [`t_of`] turns a critical value back for a point's own degrees of
/// freedom (minimum-p adjustment: Westfall & Young 1993, Resampling-Based Multiple Testing, 2.3;
/// from memory).
#[derive(Clone, Debug, PartialEq)]
pub struct SupT {
    /// Over the points themselves, either side.
    pub points: Vec<f64>,
    /// Over the differences of each point from the reference, either side.
    pub changes: Vec<f64>,
    /// Over those differences, downwards only: what an upper limit needs.
    pub falls: Vec<f64>,
    /// Over the differences of all pairs of points, either side, on the scale of t; empty unless
    /// asked for.
    pub pairs: Vec<f64>,
}

/// What is compared.
#[derive(Clone, Copy, Debug)]
pub struct Comparisons<'a> {
    /// Columns × points: the gradient of each point in the coefficients.
    pub points: &'a Matrix,
    /// Degrees of freedom of each point. Where there are fewer than [`LEAST_DF`] there is no
    /// interval, and the point is not considered.
    pub point_df: &'a [f64],
    /// The gradient of the reference.
    pub reference: &'a Vector,
    /// Degrees of freedom of each point's difference from it; as above.
    pub change_df: &'a [f64],
    /// Whether all pairs are compared as well.
    pub pairs: bool,
}

/// All sessions in plain slices, one after another.
struct Parts {
    /// Coefficients.
    columns: usize,
    /// Dimensions of what is compared.
    dimensions: usize,
    /// Axes of each session.
    ranks: Vec<usize>,
    /// How each session's adjusted score moves the coefficients.
    moves: Vec<f64>,
    /// Each axis, and its share and factor and the adjusted score along it.
    axes: Vec<f64>,
    share: Vec<f64>,
    factor: Vec<f64>,
    score: Vec<f64>,
    /// Each axis as what is compared sees it.
    seen: Vec<f64>,
    /// What a ridge leaves open, by penalised coefficient.
    prior: Vec<Vector>,
    /// Its covariance as what is compared sees it.
    prior_seen: Matrix,
}

/// The directions that contrasts span, columns × dimensions, orthonormal. A curve's points lie
/// within few, however many other settings a model holds, and draws need to know no more. Left
/// out is what is a millionth of the longest.
fn span(contrasts: &Matrix) -> Matrix {
    let eigen = SymmetricEigen::new(contrasts * contrasts.transpose());
    let most = eigen.eigenvalues.amax();
    let kept: Vec<usize> = (0..eigen.eigenvalues.len())
        .filter(|i| eigen.eigenvalues[*i] > 1e-12 * most)
        .collect();
    eigen.eigenvectors.select_columns(&kept)
}

impl Parts {
    fn of(sandwich: &Sandwich, basis: &Matrix) -> Parts {
        let mut parts = Parts {
            columns: basis.nrows(),
            dimensions: basis.ncols(),
            ranks: Vec::new(),
            moves: Vec::new(),
            axes: Vec::new(),
            share: Vec::new(),
            factor: Vec::new(),
            score: Vec::new(),
            seen: Vec::new(),
            prior: sandwich
                .prior
                .column_iter()
                .map(|c| c.into_owned())
                .collect(),
            prior_seen: {
                let seen = basis.tr_mul(&sandwich.prior);
                &seen * seen.transpose()
            },
        };
        for s in &sandwich.sessions {
            let score = s.axes.tr_mul(&s.score);
            parts.ranks.push(s.share.len());
            parts.moves.extend_from_slice((&s.axes * &score).as_slice());
            parts.axes.extend_from_slice(s.axes.as_slice());
            parts.share.extend_from_slice(s.share.as_slice());
            parts.factor.extend_from_slice(s.factor.as_slice());
            parts.score.extend_from_slice(score.as_slice());
            parts
                .seen
                .extend_from_slice(basis.tr_mul(&s.axes).as_slice());
        }
        parts
    }

    /// A sign for every session in each draw.
    fn signs(&self, rngs: &mut [Pcg64; AT_ONCE]) -> Vec<Lanes> {
        let mut signs = vec![[0.0; AT_ONCE]; self.ranks.len()];
        for (lane, rng) in rngs.iter_mut().enumerate() {
            let mut bits = 0u64;
            for (k, signs) in signs.iter_mut().enumerate() {
                if k % 64 == 0 {
                    bits = rng.next_u64();
                }
                signs[lane] = if bits & 1 == 1 { 1.0 } else { -1.0 };
                bits >>= 1;
            }
        }
        signs
    }

    /// The movement of the coefficients in each draw of signs, and the covariance of what is
    /// compared.
    fn draw(&self, rngs: &mut [Pcg64; AT_ONCE]) -> [(Vector, Matrix); AT_ONCE] {
        let (columns, dimensions) = (self.columns, self.dimensions);
        let signs = self.signs(rngs);
        let none = [0.0; AT_ONCE];
        let mut delta: Vec<Lanes> = vec![none; columns];
        for (moved, sign) in self.moves.chunks_exact(columns).zip(&signs) {
            for (d, m) in delta.iter_mut().zip(moved) {
                for (d, s) in d.iter_mut().zip(sign) {
                    *d += s * m;
                }
            }
        }
        for column in &self.prior {
            for (lane, rng) in rngs.iter_mut().enumerate() {
                let z: f64 = StandardNormal.sample(rng);
                for (d, p) in delta.iter_mut().zip(column.iter()) {
                    d[lane] += z * p;
                }
            }
        }
        let mut meat: Vec<Lanes> = vec![none; dimensions * dimensions];
        let mut left: Vec<Lanes> = vec![none; dimensions];
        let mut first = 0;
        for (rank, sign) in self.ranks.iter().zip(&signs) {
            left.fill(none);
            for k in first..first + rank {
                let axis = &self.axes[k * columns..(k + 1) * columns];
                let mut along = none;
                for (a, d) in axis.iter().zip(&delta) {
                    for (sum, d) in along.iter_mut().zip(d) {
                        *sum += a * d;
                    }
                }
                // Adjusted once more: (1 − share)^−½ of what is left on this axis.
                let mut rest = none;
                for ((r, s), along) in rest.iter_mut().zip(sign).zip(&along) {
                    *r = (s * self.score[k] - self.share[k] * along) * self.factor[k];
                }
                let seen = &self.seen[k * dimensions..(k + 1) * dimensions];
                for (l, a) in left.iter_mut().zip(seen) {
                    for (l, r) in l.iter_mut().zip(&rest) {
                        *l += r * a;
                    }
                }
            }
            first += rank;
            for (i, row) in meat.chunks_exact_mut(dimensions).enumerate() {
                let own = left[i];
                for (m, l) in row[..=i].iter_mut().zip(&left) {
                    for ((m, l), own) in m.iter_mut().zip(l).zip(&own) {
                        *m += own * l;
                    }
                }
            }
        }
        std::array::from_fn(|lane| {
            let meat = Matrix::from_fn(dimensions, dimensions, |i, j| {
                meat[i.max(j) * dimensions + i.min(j)][lane] + self.prior_seen[(i, j)]
            });
            (Vector::from_fn(columns, |i, _| delta[i][lane]), meat)
        })
    }
}

/// What is drawn from.
enum Source {
    /// Scores of sessions.
    Scores { parts: Box<Parts> },
    /// The normal with this covariance (its root), or t with finite degrees of freedom.
    Normal { df: f64 },
}

struct Work<'a> {
    source: &'a Source,
    compared: &'a Comparisons<'a>,
    /// The directions of the contrasts, in the coordinates of the root.
    basis: Matrix,
    /// Contrasts along these, dimensions × points.
    points: Matrix,
    reference: Vector,
}

/// Draws the largest deviations over the points compared and over their differences from the
/// reference.
///
/// With a session-robust covariance: score bootstrap (Kline & Santos 2012, Journal of Econometric
/// Methods 1:23–41). In the coordinates of B^½ (see
/// [`Sandwich`]) each draw gives every session a sign ω = ±1
/// (Rademacher), moves the coefficients by δ = Σωₛuₛ with uₛ the CR2-adjusted scores, takes the
/// scores that are left, ωₛuₛ − Sₛδ, adjusts them once more, and studentises by the covariance that
/// these give, as the data themselves are. What a ridge leaves open
/// ([`Covariance::with_prior`]) moves the coefficients by normal draws beside these, and is in the
/// covariance as it is, since it is known. With any other covariance: draws from the normal, or
/// from t with the covariance's degrees of freedom. The supremum over a grid of points stands for
/// that over the curve (Montiel Olea & Plagborg-Møller 2019, J. Applied Econometrics 34:1–17).
///
/// The same data, draws and seed give the same figures, however many threads work on them.
///
/// # Errors
/// [`StatsError::Rows`] when points and covariance differ in columns, or points and degrees of
/// freedom in number; [`StatsError::Empty`]
/// without points or draws.
pub fn sup_t(
    covariance: &Covariance,
    compared: &Comparisons,
    draws: usize,
    seed: u64,
) -> Result<SupT, StatsError> {
    let Comparisons {
        points, reference, ..
    } = *compared;
    let columns = covariance.matrix.ncols();
    for (what, given, expected) in [
        ("the curve's points", points.nrows(), columns),
        ("the reference", reference.len(), columns),
        (
            "degrees of freedom of points",
            compared.point_df.len(),
            points.ncols(),
        ),
        (
            "degrees of freedom of changes",
            compared.change_df.len(),
            points.ncols(),
        ),
    ] {
        if given != expected {
            return Err(StatsError::Rows {
                what: what.to_owned(),
                given,
                expected,
            });
        }
    }
    if points.ncols() == 0 || draws == 0 {
        return Err(StatsError::Empty);
    }
    let root = match covariance.sandwich() {
        Some(sandwich) => sandwich.root.clone(),
        None => power(&covariance.matrix, 0.5),
    };
    let (points, reference) = (&root * points, &root * reference);
    let mut contrasts = points.clone().insert_column(points.ncols(), 0.0);
    contrasts.set_column(points.ncols(), &reference);
    let basis = span(&contrasts);
    let source = match covariance.sandwich() {
        Some(sandwich) => Source::Scores {
            parts: Box::new(Parts::of(sandwich, &basis)),
        },
        None => Source::Normal {
            df: covariance.df(compared.reference).unwrap_or(f64::INFINITY),
        },
    };
    let work = Work {
        source: &source,
        compared,
        points: basis.tr_mul(&points),
        reference: basis.tr_mul(&reference),
        basis,
    };
    let threads = std::thread::available_parallelism().map_or(1, |n| n.get().min(MOST_THREADS));
    let chunk = draws.div_ceil(threads);
    let part = |k: usize| -> Vec<[f64; 4]> {
        let own = k * chunk..((k + 1) * chunk).min(draws);
        let mut done = Vec::with_capacity(own.len() + AT_ONCE);
        for draw in own.clone().step_by(AT_ONCE) {
            done.extend(work.draw(seed.wrapping_add(draw as u64)));
        }
        // The last pass may have made more than were asked for.
        done.truncate(own.len());
        done
    };
    let mut all: Vec<[f64; 4]> = Vec::with_capacity(draws);
    std::thread::scope(|scope| {
        let part = &part;
        let spawned: Vec<_> = (1..threads)
            .map(|k| {
                let thread = std::thread::Builder::new();
                (k, thread.spawn_scoped(scope, move || part(k)))
            })
            .collect();
        all.extend(part(0));
        for (k, thread) in spawned {
            match thread.map(std::thread::ScopedJoinHandle::join) {
                Ok(Ok(done)) => all.extend(done),
                // A panic in a draw is a bug; it goes on where the caller can see it.
                Ok(Err(panic)) => std::panic::resume_unwind(panic),
                // No thread to be had, as under a memory limit: the work is done here.
                Err(_) => all.extend(part(k)),
            }
        }
    });
    let family = |j: usize| {
        let mut list: Vec<f64> = all.iter().map(|d| d[j]).collect();
        list.sort_by(f64::total_cmp);
        list
    };
    Ok(SupT {
        points: family(0),
        changes: family(1),
        falls: family(2),
        pairs: family(3),
    })
}

impl Work<'_> {
    /// The draws of this seed and the ones after it: the largest deviations of each family.
    fn draw(&self, seed: u64) -> [[f64; 4]; AT_ONCE] {
        let mut rngs: [Pcg64; AT_ONCE] =
            std::array::from_fn(|lane| Pcg64::seed_from_u64(seed.wrapping_add(lane as u64)));
        let dimensions = self.points.nrows();
        match self.source {
            Source::Scores { parts } => parts
                .draw(&mut rngs)
                .map(|(delta, meat)| self.largest(&self.basis.tr_mul(&delta), &meat)),
            Source::Normal { df } => rngs.map(|mut rng| {
                let mut delta = Vector::from_fn(dimensions, |_, _| StandardNormal.sample(&mut rng));
                if df.is_finite()
                    && let Ok(spread) = ChiSquared::new(*df)
                {
                    delta /= (spread.sample(&mut rng) / df).sqrt();
                }
                self.largest(&delta, &Matrix::identity(dimensions, dimensions))
            }),
        }
    }

    /// The largest deviation of each family when the coefficients move by `delta` and their
    /// covariance is `meat`, both along the directions of the contrasts.
    fn largest(&self, delta: &Vector, meat: &Matrix) -> [f64; 4] {
        let count = self.points.ncols();
        let turned = meat * &self.points;
        let squares: Vec<f64> = (0..count)
            .map(|i| self.points.column(i).dot(&turned.column(i)))
            .collect();
        let moved = self.points.tr_mul(delta);
        let to_reference = turned.tr_mul(&self.reference);
        let reference_square = self.reference.dot(&(meat * &self.reference));
        let reference_moved = self.reference.dot(delta);
        // A difference of a point from itself has no deviation, only rounding.
        let ratio = |moved: f64, square: f64, scale: f64| {
            if square > 1e-10 * scale {
                moved / square.sqrt()
            } else {
                0.0
            }
        };
        let mut most = [0.0f64; 4];
        let compared = self.compared;
        for i in 0..count {
            let own = squares[i];
            if compared.point_df[i] >= LEAST_DF {
                let t = ratio(moved[i], own, own);
                most[0] = most[0].max(normal_score(t.abs(), compared.point_df[i]));
            }
            if compared.change_df[i] >= LEAST_DF {
                let square = own + reference_square - 2.0 * to_reference[i];
                let t = ratio(moved[i] - reference_moved, square, own + reference_square);
                let z = normal_score(t, compared.change_df[i]);
                most[1] = most[1].max(z.abs());
                most[2] = most[2].max(-z);
            }
        }
        if !compared.pairs {
            return most;
        }
        let products = self.points.tr_mul(&turned);
        for i in 0..count {
            for j in 0..i {
                let both = squares[i] + squares[j];
                let t = ratio(moved[i] - moved[j], both - 2.0 * products[(i, j)], both);
                most[3] = most[3].max(t.abs());
            }
        }
        most
    }
}

/// The quantile of sorted draws that a share `level` lies at or below: the ⌈level·(draws+1)⌉-th
/// smallest, so that an interval by it never covers less than it says for want of draws. `None`
/// when there are too few draws for that.
pub fn critical(sorted: &[f64], level: f64) -> Option<f64> {
    let rank = (level * (sorted.len() + 1) as f64).ceil() as usize;
    (1..=sorted.len())
        .contains(&rank)
        .then(|| sorted[rank - 1])
        .filter(|c| c.is_finite())
}

/// Where P(Z > z) lies for a normal Z, as P(T > t) does for a T with `df` degrees of freedom, very
/// nearly (within 2 % from 4 degrees of freedom on): z = (8d+1)/(8d+3)·√(d·ln(1+t²/d)) (Wallace 1959, Annals of Mathematical Statistics
/// 30:1121–1130; from memory). Only the order of points among each other rests on it. `t` itself
/// with infinite degrees of freedom.
pub fn normal_score(t: f64, df: f64) -> f64 {
    if !df.is_finite() {
        return t;
    }
    let z = (8.0 * df + 1.0) / (8.0 * df + 3.0) * (df * (t * t / df).ln_1p()).sqrt();
    z.copysign(t)
}

/// The t that has this normal score.
pub fn t_of(score: f64, df: f64) -> f64 {
    if !df.is_finite() {
        return score;
    }
    let w = score * (8.0 * df + 3.0) / (8.0 * df + 1.0);
    (df * (w * w / df).exp_m1()).sqrt().copysign(score)
}

/// How far out the critical values lie at a level so small that draws cannot show it, as the tail
/// of one comparison: α/K. The draws give the normal score z that is passed one time in twenty;
/// K = 0.05 ÷ P(Z > z) then says how many separate comparisons the curve is worth (at least
/// one), and K·tail = α (Bonferroni's bound, sharp far out: Aldous 1989, Probability
/// Approximations via the Poisson Clumping Heuristic, C; from memory). A point's own critical
/// value is the quantile of t at 1 − α/K with its own degrees of freedom.
pub fn tail_far_out(falls: &[f64], alpha: f64) -> Option<f64> {
    let twentieth = critical(falls, 0.95)?;
    let tail = normal_two_sided(twentieth)? / 2.0;
    let comparisons = (0.05 / tail).max(1.0);
    Some((alpha.min(0.05) / comparisons).min(0.5))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::stats::counts::Counts;
    use crate::stats::covariance::Uncertainty;
    use crate::stats::design::Design;
    use crate::stats::distribution::{normal_quantile, t_quantile};
    use crate::stats::logistic::{Extras, fit};

    /// Sixty sessions of two flasks, the pour temperature running through them.
    fn covariance(uncertainty: Uncertainty) -> (Covariance, Matrix) {
        let mut rng = Pcg64::seed_from_u64(9);
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let pour: Vec<f64> = (0..120).map(|_| 8.0 * normal()).collect();
        let events: Vec<f64> = pour
            .iter()
            .map(|t| (4.0 - 0.05 * t + 1.5 * normal()).round().clamp(0.0, 20.0))
            .collect();
        let sessions: Vec<usize> = (0..120).map(|i| i / 2).collect();
        let bend: Vec<f64> = pour.iter().map(|t| t * t / 10.0).collect();
        let counts = Counts::new(&events, &[20.0; 120], &sessions).unwrap();
        let design = Design::intercept(120)
            .column("pour", &pour)
            .unwrap()
            .column("bend", &bend)
            .unwrap();
        let fitted = fit(&design, &counts, &Extras::default()).unwrap();
        let cov = Covariance::of(&fitted, &design, &counts, uncertainty).unwrap();
        let points = Matrix::from_fn(3, 21, |i, j| {
            let t = j as f64 - 10.0;
            [1.0, t, t * t / 10.0][i]
        });
        (cov, points)
    }

    fn at(points: &Matrix, j: usize) -> Vector {
        points.column(j).into_owned()
    }

    /// On the scale of t itself, as with infinite degrees of freedom everywhere.
    fn drawn(
        cov: &Covariance,
        points: &Matrix,
        reference: &Vector,
        draws: usize,
        seed: u64,
    ) -> Result<SupT, StatsError> {
        let df = vec![f64::INFINITY; points.ncols()];
        let compared = Comparisons {
            points,
            point_df: &df,
            reference,
            change_df: &df,
            pairs: true,
        };
        sup_t(cov, &compared, draws, seed)
    }

    #[test]
    fn one_point_alone_is_students_t() {
        for (uncertainty, df) in [
            (Uncertainty::Session, None),
            (Uncertainty::Flask, Some(117.0)),
            (Uncertainty::Plain, Some(f64::INFINITY)),
        ] {
            let (cov, points) = covariance(uncertainty);
            let one = points.columns(10, 1).into_owned();
            let found = drawn(&cov, &one, &at(&points, 0), 9999, 1).unwrap();
            let df = df.unwrap_or_else(|| cov.df(&at(&points, 10)).unwrap());
            let theirs = t_quantile(0.975, df).unwrap();
            let ours = critical(&found.points, 0.95).unwrap();
            // 9,999 draws leave about 0.025 of Monte Carlo error on a quantile of two.
            assert!(
                (ours - theirs).abs() < 0.1,
                "{uncertainty:?}: {ours} {theirs}"
            );
        }
    }

    #[test]
    fn a_curve_asks_for_more_than_a_point_and_less_than_every_point_apart() {
        let (cov, points) = covariance(Uncertainty::Session);
        let found = drawn(&cov, &points, &at(&points, 3), 1999, 1).unwrap();
        let df = cov.df(&at(&points, 10)).unwrap();
        let point = t_quantile(0.975, df).unwrap();
        let apart = t_quantile(1.0 - 0.025 / 21.0, 10.0).unwrap();
        let family = |draws: &[f64]| critical(draws, 0.95).unwrap();
        for draws in [&found.points, &found.changes, &found.pairs] {
            let c = family(draws);
            assert!(c > point && c < apart, "{c} {point} {apart}");
        }
        assert!(family(&found.pairs) >= family(&found.changes));
        assert!(family(&found.falls) < family(&found.changes));
    }

    #[test]
    fn the_same_seed_draws_the_same() {
        let (cov, points) = covariance(Uncertainty::Session);
        let draw = |seed| drawn(&cov, &points, &at(&points, 0), 199, seed).unwrap();
        assert_eq!(draw(5), draw(5));
        assert_ne!(draw(5), draw(6));
    }

    #[test]
    fn draws_made_side_by_side_are_what_each_is_alone() {
        for uncertainty in [Uncertainty::Session, Uncertainty::Flask] {
            let (cov, points) = covariance(uncertainty);
            let draw = |draws, seed| drawn(&cov, &points, &at(&points, 0), draws, seed).unwrap();
            let together = draw(AT_ONCE * 2 + 3, 5);
            let mut alone: Vec<f64> = (0..AT_ONCE * 2 + 3)
                .map(|k| draw(1, 5 + k as u64).falls[0])
                .collect();
            alone.sort_by(f64::total_cmp);
            assert_eq!(together.falls, alone);
        }
    }

    #[test]
    fn many_points_have_the_degrees_of_freedom_of_each() {
        let (cov, points) = covariance(Uncertainty::Session);
        let all: Vec<Vector> = (0..points.ncols()).map(|j| at(&points, j)).collect();
        let each: Vec<Option<f64>> = all.iter().map(|p| cov.df(p)).collect();
        assert_eq!(cov.dfs(&all), each);
    }

    #[test]
    fn draws_too_few_for_a_level_have_no_critical_value() {
        let sorted: Vec<f64> = (1..=19).map(f64::from).collect();
        assert_eq!(critical(&sorted, 0.95), Some(19.0));
        assert_eq!(critical(&sorted[..18], 0.95), None);
        assert_eq!(critical(&[], 0.95), None);
    }

    /// A model holds more than a curve compares; what it does not compare changes nothing.
    #[test]
    fn directions_that_nobody_compares_are_left_out() {
        let (cov, points) = covariance(Uncertainty::Session);
        let mut straight = points.clone();
        straight.row_mut(2).fill(0.0);
        assert_eq!(span(&straight).ncols(), 2);
        let mut nearly = straight.clone();
        nearly[(2, 20)] = 1e-4;
        assert_eq!(span(&nearly).ncols(), 3);
        let ours = drawn(&cov, &straight, &at(&straight, 3), 199, 4).unwrap();
        let whole = drawn(&cov, &nearly, &at(&nearly, 3), 199, 4).unwrap();
        for (a, b) in ours.changes.iter().zip(&whole.changes) {
            assert!((a - b).abs() < 1e-3, "{a} {b}");
        }
    }

    /// A point with too few degrees of freedom has no interval and asks nothing of the others.
    #[test]
    fn points_that_cannot_tell_are_not_considered() {
        let (cov, points) = covariance(Uncertainty::Session);
        let reference = at(&points, 3);
        let mut df = vec![20.0; points.ncols()];
        df[0] = 2.0;
        let compared = Comparisons {
            points: &points,
            point_df: &df,
            reference: &reference,
            change_df: &df,
            pairs: false,
        };
        let all = sup_t(&cov, &compared, 99, 1).unwrap();
        let without = points.columns(1, points.ncols() - 1).into_owned();
        let compared = Comparisons {
            points: &without,
            point_df: &df[1..],
            change_df: &df[1..],
            ..compared
        };
        let rest = sup_t(&cov, &compared, 99, 1).unwrap();
        for (a, b) in all.points.iter().zip(&rest.points) {
            assert!((a - b).abs() < 1e-9, "{a} {b}");
        }
        assert!(all.pairs.iter().all(|t| *t == 0.0));
    }

    #[test]
    fn misfits_are_refused() {
        let (cov, points) = covariance(Uncertainty::Session);
        let short = Vector::zeros(2);
        assert!(drawn(&cov, &points, &short, 9, 1).is_err());
        assert!(drawn(&cov, &points, &at(&points, 0), 0, 1).is_err());
        let none = Matrix::zeros(3, 0);
        assert!(drawn(&cov, &none, &at(&points, 0), 9, 1).is_err());
    }

    /// Against quantiles of t and the normal: P(T > t) = P(Z > z) = 0.025 and 0.0005.
    #[test]
    fn normal_scores_put_tails_side_by_side() {
        for df in [4.0, 7.5, 20.0, 200.0] {
            for p in [0.975, 0.9995] {
                let (t, z) = (t_quantile(p, df).unwrap(), normal_quantile(p).unwrap());
                let score = normal_score(t, df);
                assert!((score / z - 1.0).abs() < 0.02, "{df} {p}: {score} {z}");
                assert!((t_of(score, df) / t - 1.0).abs() < 1e-9);
                assert_eq!(normal_score(-t, df), -score);
            }
        }
        assert_eq!(normal_score(2.0, f64::INFINITY), 2.0);
        assert_eq!(t_of(2.0, f64::INFINITY), 2.0);
    }

    /// By hand: draws whose 95 % point is 1.6449 are worth one comparison, and 2.5 % then asks for
    /// 2.5 %; at 2.5758 the curve is worth ten.
    #[test]
    fn far_out_a_curve_is_worth_so_many_comparisons() {
        let one = tail_far_out(&[1.644_853_6; 19], 0.025).unwrap();
        assert!((one - 0.025).abs() < 1e-6, "{one}");
        let ten = tail_far_out(&[2.575_829_3; 19], 0.0025).unwrap();
        assert!((ten - 0.000_25).abs() < 1e-8, "{ten}");
    }
}

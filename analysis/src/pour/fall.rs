//! How a probe answers when heat is suddenly gone (or suddenly too much), and the running sums
//! with which one fit of that answer to a stretch of readings costs a few dozen multiplications,
//! however many readings there are.
//!
//! T(t) = a + b·min(t−c, 0) + s·max(t−c, 0) − D·h(t−c), with
//! h(x) = 1 − (τ·e^(−x/τ) − θ·e^(−x/θ))/(τ−θ), the step response of two lags in series (any text
//! on process control): one is the probe's, the other the melt's own, and from the trace of one
//! pour nobody can say which is which. For given c, τ and θ the other four follow by penalised
//! least squares; c, τ and θ are searched by [`super::turn`].

use std::ops::Range;

/// The lags that are tried in pairs, s: bare and sheathed probes answer within 0.5 to 8 s, the
/// melt itself falls with 3 to 25 s (common practice: drops take 10 to 30 s).
pub(super) const LAGS_S: [f64; 8] = [0.5, 1.2, 2.2, 3.6, 5.5, 8.0, 13.0, 22.0];
const LAGS: usize = LAGS_S.len();
/// How many pairs of different lags there are.
pub(super) const PAIRS: usize = LAGS * (LAGS - 1) / 2;

/// What is known beforehand of the slopes before and after, K/s, and of the drop, K, as standard
/// deviations about zero: melts are brought to the pour at 0.05 to 0.3 K/s, furnaces answer a
/// pour as fast, and drops are 5 to 40 K (common practice).
const SLOPE_BEFORE_SD: f64 = 0.3;
const SLOPE_AFTER_SD: f64 = 0.4;
const DROP_SD: f64 = 25.0;

/// Fewer readings than this on either side fix nothing.
const LEAST_READINGS: usize = 3;

/// The pairs of lags, shorter first, as indices into [`LAGS_S`].
pub(super) const fn pairs() -> [(usize, usize); PAIRS] {
    let mut out = [(0, 0); PAIRS];
    let (mut n, mut short) = (0, 0);
    while short < LAGS {
        let mut long = short + 1;
        while long < LAGS {
            out[n] = (short, long);
            n += 1;
            long += 1;
        }
        short += 1;
    }
    out
}

/// One fitted answer.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fall {
    /// The moment c, s.
    pub at: f64,
    /// Which pair of lags.
    pub pair: usize,
    /// The reading at that moment, a.
    pub level: f64,
    /// Slope before, b, K/s.
    pub before: f64,
    /// Slope after, s, K/s.
    pub after: f64,
    /// How much is lost in the end, D, K; below zero the reading rises.
    pub drop: f64,
    /// Residual sum of squares and the penalty of the slopes and the drop, K².
    pub misfit: f64,
    /// Logarithm of the determinant of the normal equations: how much room the four have.
    pub log_room: f64,
}

impl Fall {
    /// The fitted reading at `t`.
    pub fn value(&self, t: f64) -> f64 {
        let x = t - self.at;
        self.level + self.before * x.min(0.0) + self.after * x.max(0.0)
            - self.drop * response(x, self.pair)
    }

    /// Logarithm of the likelihood with the slopes and the drop integrated out, up to what all
    /// fits of the same readings share.
    pub fn log_likelihood(&self, variance: f64) -> f64 {
        -0.5 * (self.misfit / variance + self.log_room)
    }
}

fn response(x: f64, pair: usize) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    let (short, long) = pairs()[pair];
    let (theta, tau) = (LAGS_S[short], LAGS_S[long]);
    1.0 - (tau * (-x / tau).exp() - theta * (-x / theta).exp()) / (tau - theta)
}

/// Sums over the readings from one on to the last.
#[derive(Clone, Copy)]
struct Tail {
    n: f64,
    t: f64,
    tt: f64,
    y: f64,
    ty: f64,
    yy: f64,
    /// Of e^(−t/lag), the same times t, times y, and of the products of two.
    e: [f64; LAGS],
    te: [f64; LAGS],
    ye: [f64; LAGS],
    ee: [[f64; LAGS]; LAGS],
}

const NOTHING: Tail = Tail {
    n: 0.0,
    t: 0.0,
    tt: 0.0,
    y: 0.0,
    ty: 0.0,
    yy: 0.0,
    e: [0.0; LAGS],
    te: [0.0; LAGS],
    ye: [0.0; LAGS],
    ee: [[0.0; LAGS]; LAGS],
};

/// The running sums of some readings.
pub(super) struct Sums {
    times: Vec<f64>,
    tails: Vec<Tail>,
    reference: f64,
}

/// A stretch of the readings and the noise they have.
#[derive(Clone, Debug)]
pub(super) struct Stretch {
    /// Which readings.
    pub readings: Range<usize>,
    /// Their noise variance, K².
    pub variance: f64,
}

impl Sums {
    /// The sums of (seconds, °C) readings in order of time. The seconds should lie within some
    /// 150 of zero; further out the exponentials overflow, and fits there are none.
    pub fn of(readings: &[(f64, f64)]) -> Sums {
        let reference = readings.get(readings.len() / 2).map_or(0.0, |r| r.1);
        let mut tails = vec![NOTHING; readings.len() + 1];
        for (i, (t, y)) in readings.iter().enumerate().rev() {
            let (t, y) = (*t, y - reference);
            let mut tail = tails[i + 1];
            tail.n += 1.0;
            tail.t += t;
            tail.tt += t * t;
            tail.y += y;
            tail.ty += t * y;
            tail.yy += y * y;
            let mut e = [0.0; LAGS];
            for (e, lag) in e.iter_mut().zip(LAGS_S) {
                *e = (-t / lag).exp();
            }
            for k in 0..LAGS {
                tail.e[k] += e[k];
                tail.te[k] += t * e[k];
                tail.ye[k] += y * e[k];
                for l in k..LAGS {
                    tail.ee[k][l] += e[k] * e[l];
                }
            }
            tails[i] = tail;
        }
        Sums {
            times: readings.iter().map(|r| r.0).collect(),
            tails,
            reference,
        }
    }

    /// The readings from time to time, both included.
    pub fn between(&self, from: f64, to: f64) -> Range<usize> {
        let start = self.times.partition_point(|t| *t < from);
        let end = self.times.partition_point(|t| *t <= to);
        start..end.max(start)
    }

    /// The fit with a turn at `at` by each pair of lags, given to `each`. Nothing if there are
    /// too few readings on a side.
    pub fn falls(&self, stretch: &Stretch, at: f64, mut each: impl FnMut(Fall)) {
        let Some((split, mut normal, mut right, yy)) = self.without_drop(stretch, at) else {
            return;
        };
        let (after, end) = (&self.tails[split], &self.tails[stretch.readings.end]);
        let of = |f: fn(&Tail) -> f64| f(after) - f(end);
        let (n, t, y) = (of(|s| s.n), of(|s| s.t), of(|s| s.y));
        // Every e^(−t/lag) is scaled so that it is 1 at the turn.
        let (mut e, mut xe, mut ye) = ([0.0; LAGS], [0.0; LAGS], [0.0; LAGS]);
        let mut scale = [0.0; LAGS];
        for k in 0..LAGS {
            scale[k] = (at / LAGS_S[k]).exp();
            e[k] = scale[k] * (after.e[k] - end.e[k]);
            xe[k] = scale[k] * (after.te[k] - end.te[k]) - at * e[k];
            ye[k] = scale[k] * (after.ye[k] - end.ye[k]);
        }
        let ee = |k: usize, l: usize| scale[k] * (scale[l] * (after.ee[k][l] - end.ee[k][l]));
        for (pair, (k, l)) in pairs().into_iter().enumerate() {
            let (theta, tau) = (LAGS_S[k], LAGS_S[l]);
            let (p, q) = (tau / (tau - theta), theta / (tau - theta));
            let h = n - p * e[l] + q * e[k];
            let hh = n + p * p * ee(l, l) + q * q * ee(k, k) - 2.0 * p * e[l] + 2.0 * q * e[k]
                - 2.0 * p * q * ee(k, l);
            let hx = (t - at * n) - p * xe[l] + q * xe[k];
            let hy = y - p * ye[l] + q * ye[k];
            normal[3] = [-h, 0.0, -hx, hh + stretch.variance / (DROP_SD * DROP_SD)];
            right[3] = -hy;
            let Some((solution, explained, log_room)) = solve(&normal, &right) else {
                continue;
            };
            let misfit = (yy - explained).max(0.0);
            if misfit.is_finite() && log_room.is_finite() {
                each(Fall {
                    at,
                    pair,
                    level: self.reference + solution[0],
                    before: solution[1],
                    after: solution[2],
                    drop: solution[3],
                    misfit,
                    log_room: log_room - (stretch.variance / (DROP_SD * DROP_SD)).ln(),
                });
            }
        }
    }

    /// Residual sum of squares of a plain straight line, K².
    pub fn straight(&self, readings: &Range<usize>) -> f64 {
        let (from, end) = (&self.tails[readings.start], &self.tails[readings.end]);
        let of = |f: fn(&Tail) -> f64| f(from) - f(end);
        let (n, t, y) = (of(|s| s.n), of(|s| s.t), of(|s| s.y));
        let tt = of(|s| s.tt) - t * t / n;
        let ty = of(|s| s.ty) - t * y / n;
        let yy = of(|s| s.yy) - y * y / n;
        if tt > 0.0 {
            (yy - ty * ty / tt).max(0.0)
        } else {
            yy.max(0.0)
        }
    }

    /// Where the readings split, and the normal equations of level and slopes with room for the
    /// drop: rows (level, before, after, drop), the lower triangle.
    #[allow(clippy::type_complexity)] // Only used by the one function above.
    fn without_drop(
        &self,
        stretch: &Stretch,
        at: f64,
    ) -> Option<(usize, [[f64; 4]; 4], [f64; 4], f64)> {
        let Range { start, end } = stretch.readings;
        let split = self.times.partition_point(|t| *t <= at).clamp(start, end);
        if split - start < LEAST_READINGS || end - split < LEAST_READINGS {
            return None;
        }
        let (first, mid, last) = (&self.tails[start], &self.tails[split], &self.tails[end]);
        let early = |f: fn(&Tail) -> f64| f(first) - f(mid);
        let late = |f: fn(&Tail) -> f64| f(mid) - f(last);
        let (n_early, n_late) = (early(|s| s.n), late(|s| s.n));
        let (t_early, t_late) = (early(|s| s.t), late(|s| s.t));
        let (y_early, y_late) = (early(|s| s.y), late(|s| s.y));
        let square = |tt: f64, t: f64, n: f64| tt - 2.0 * at * t + at * at * n;
        let (u, v) = (t_early - at * n_early, t_late - at * n_late);
        let uu = square(early(|s| s.tt), t_early, n_early);
        let vv = square(late(|s| s.tt), t_late, n_late);
        let known = |sd: f64| stretch.variance / (sd * sd);
        let normal = [
            [n_early + n_late, 0.0, 0.0, 0.0],
            [u, uu + known(SLOPE_BEFORE_SD), 0.0, 0.0],
            [v, 0.0, vv + known(SLOPE_AFTER_SD), 0.0],
            [0.0; 4],
        ];
        let right = [
            y_early + y_late,
            early(|s| s.ty) - at * y_early,
            late(|s| s.ty) - at * y_late,
            0.0,
        ];
        Some((split, normal, right, first.yy - last.yy))
    }
}

/// Solves the normal equations by Cholesky's factor of their lower triangle:
/// the solution, what it explains of the sum of squares, and the logarithm of the determinant.
pub(super) fn solve(normal: &[[f64; 4]; 4], right: &[f64; 4]) -> Option<([f64; 4], f64, f64)> {
    let mut factor = [[0.0_f64; 4]; 4];
    let mut forward = [0.0_f64; 4];
    let (mut explained, mut determinant) = (0.0, 1.0);
    for i in 0..4 {
        for j in 0..=i {
            let mut sum = normal[i][j];
            let (done_i, done_j) = (&factor[i][..j], &factor[j][..j]);
            sum -= done_i.iter().zip(done_j).map(|(a, b)| a * b).sum::<f64>();
            if i == j {
                if sum.is_nan() || sum <= 1e-12 {
                    return None;
                }
                determinant *= sum;
                factor[i][i] = sum.sqrt();
            } else {
                factor[i][j] = sum / factor[j][j];
            }
        }
        let mut sum = right[i];
        for k in 0..i {
            sum -= factor[i][k] * forward[k];
        }
        forward[i] = sum / factor[i][i];
        explained += forward[i] * forward[i];
    }
    let mut solution = [0.0_f64; 4];
    for i in (0..4).rev() {
        let mut sum = forward[i];
        for k in i + 1..4 {
            sum -= factor[k][i] * solution[k];
        }
        solution[i] = sum / factor[i][i];
    }
    Some((solution, explained, determinant.ln()))
}

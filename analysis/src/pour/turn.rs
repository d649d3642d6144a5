//! The melt's turn: the moment the reading stops rising (or holding) and falls because metal
//! has left. Found by fitting, over the seconds around it, a straight line that at the turn
//! goes over into the answer of a lagging probe to a sudden loss of heat.
//!
//! T(t) = a + b·min(t−c, 0) − D·h(t−c), with h(x) = 1 − (τ·e^(−x/τ) − θ·e^(−x/θ))/(τ−θ), the
//! step response of two lags in series (any text on process control). The turn c, the fall's
//! time constant τ and the probe's lag θ are searched, a, b and D follow by least squares.

use crate::stats::median::{median, median_of_3};

/// What the readings say about a turn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Turn {
    /// When, in the time of the readings, s.
    pub at_s: f64,
    /// The melt's reading at that moment, °C.
    pub temperature_c: f64,
    /// Slope before it, K/s.
    pub slope_before_k_s: f64,
    /// How far the reading was down [`LOOK_S`] after, K.
    pub drop_k: f64,
    /// Mean rate of the first 8 s of the fall, K/s.
    pub fall_k_s: f64,
    /// The deepest drop seen, K.
    pub deepest_k: f64,
    /// What part of it came later than 25 s after the turn, 0–1: cold metal takes its time.
    pub late_share: f64,
    /// What is left of the deepest drop at the end of the readings, 0–1: a stir comes back.
    pub still_down: f64,
    /// Residual standard deviation, K.
    pub spread_k: f64,
    /// How much better the turn explains the readings than no turn at all (F ratio).
    pub evidence: f64,
    /// The silence that the turn fell into, s.
    pub gap_s: f64,
    /// Readings before and after the turn.
    pub readings: (usize, usize),
}

/// A drop is measured this long after the turn, s.
pub(crate) const LOOK_S: f64 = 15.0;
/// Time constants of the fall that are tried, s: drops take 10 to 30 s (common practice).
const TAUS_S: [f64; 5] = [3.2, 6.2, 11.0, 20.0, 40.0];
/// Probe lags that are tried, s.
const LAGS_S: [f64; 4] = [0.05, 1.5, 3.0, 5.0];
/// Readings further from the fit than this many spreads are left out of the second fit: bursts
/// from induction and mains.
const WILD: f64 = 5.0;

/// Finds the turn between `earliest` and `latest` in (seconds, °C) readings in order of time.
/// None if there are too few readings on either side.
pub(crate) fn find(readings: &[(f64, f64)], earliest: f64, latest: f64) -> Option<Turn> {
    let step = median_step(readings)?;
    // A rough search first, on half seconds: it need only find the neighbourhood.
    let rough = thinned(readings, 0.5);
    let first = neighbourhood(&rough, earliest, latest, step)?;
    // The rough shape is off by a few per cent of a deep drop; that does not make readings wild.
    let spread = first
        .robust_spread(window(&rough, first.at, step))
        .max(0.15)
        .max(0.03 * first.drop);
    let near: Vec<(f64, f64)> = window(readings, first.at, step)
        .iter()
        .copied()
        .filter(|r| (r.1 - first.value(r.0)).abs() <= WILD * spread)
        .collect();
    let (silent_from, silent_to) = silence_around(readings, first.at, step);
    let reach = 4.0 * step.clamp(1.0, 5.0);
    let from = (silent_from - reach).max(earliest);
    let to = (silent_to + reach).min(latest);
    let grid = (0.25 * step).clamp(0.2, 1.0).max((to - from) / 60.0);
    let Some((best, tried)) = search(&near, from, to, grid) else {
        return Some(first.described(window(&rough, first.at, step), readings));
    };
    Some(settled(best, &tried, near.len()).described(&near, readings))
}

/// The readings close to a turn at `at`: as far back as a straight line holds, and as far on
/// as the fall is one exponential, before the furnace answers. A silence does not count.
fn window(readings: &[(f64, f64)], at: f64, step: f64) -> &[(f64, f64)] {
    let (before, after) = silence_around(readings, at, step);
    let from = before - (20.0_f64).max(5.0 * step);
    let to = after + (10.0_f64).max(4.0 * step);
    let start = readings.partition_point(|r| r.0 < from);
    let end = readings.partition_point(|r| r.0 <= to);
    &readings[start..end.max(start)]
}

/// The silence that `at` falls into, from and to; `at` itself if it is no longer than the
/// sensor's usual.
fn silence_around(readings: &[(f64, f64)], at: f64, step: f64) -> (f64, f64) {
    let after = readings.partition_point(|r| r.0 <= at);
    match (after.checked_sub(1), readings.get(after)) {
        (Some(before), Some(next)) if next.0 - readings[before].0 > 2.0 * step => {
            (readings[before].0, next.0)
        }
        _ => (at, at),
    }
}

/// The turn that improves most on a straight line through the readings around it (likelihood
/// ratio), on a coarse grid.
fn neighbourhood(readings: &[(f64, f64)], earliest: f64, latest: f64, step: f64) -> Option<Shape> {
    if latest.is_nan() || earliest > latest {
        return None;
    }
    let grid = (0.5 * step).clamp(1.0, 2.0);
    let steps = ((latest - earliest) / grid).ceil().min(200.0) as u32;
    let mut best: Option<(f64, Shape)> = None;
    for i in 0..=steps {
        let at = (earliest + grid * f64::from(i)).min(latest);
        let near = window(readings, at, step);
        let floor = 0.05 * 0.05 * near.len() as f64;
        for tau in TAUS_S.iter().step_by(2) {
            for lag in LAGS_S.iter().step_by(2) {
                let Some(shape) = solve(near, at, *tau, *lag).filter(|s| s.drop > 0.0) else {
                    continue;
                };
                let ratio = (shape.straight_rss + floor) / (shape.rss + floor);
                let gain = near.len() as f64 * ratio.ln();
                if best.is_none_or(|b| gain > b.0) {
                    best = Some((gain, shape));
                }
            }
        }
    }
    best.map(|b| b.1)
}

/// The mean over all shapes tried, each weighted by its likelihood: with noise, many turns
/// explain the readings nearly as well as the best, and their mean is nearer the truth.
fn settled(best: Shape, tried: &[Shape], readings: usize) -> Shape {
    let freedom = readings.saturating_sub(6).max(1) as f64;
    let variance = (best.rss / freedom).max(0.1 * 0.1);
    let (mut sum, mut at, mut level) = (0.0, 0.0, 0.0);
    for shape in tried {
        let weight = (-(shape.rss - best.rss) / (2.0 * variance)).exp();
        sum += weight;
        at += weight * shape.at;
        level += weight * shape.level;
    }
    Shape {
        at: at / sum,
        level: level / sum,
        ..best
    }
}

/// Readings closer than `apart` are averaged.
pub(crate) fn thinned(readings: &[(f64, f64)], apart: f64) -> Vec<(f64, f64)> {
    let mut out: Vec<(f64, f64)> = Vec::new();
    let (mut start, mut t_sum, mut y_sum, mut n) = (f64::NEG_INFINITY, 0.0, 0.0, 0.0);
    for (t, y) in readings {
        // A hair's breadth, so that readings exactly `apart` stay apart.
        if t - start >= apart - 1e-6 {
            if n > 0.0 {
                out.push((t_sum / n, y_sum / n));
            }
            (start, t_sum, y_sum, n) = (*t, 0.0, 0.0, 0.0);
        }
        t_sum += t;
        y_sum += y;
        n += 1.0;
    }
    if n > 0.0 {
        out.push((t_sum / n, y_sum / n));
    }
    out
}

fn median_step(readings: &[(f64, f64)]) -> Option<f64> {
    let mut steps: Vec<f64> = readings
        .windows(2)
        .map(|w| w[1].0 - w[0].0)
        .filter(|s| *s > 0.0)
        .collect();
    median(&mut steps)
}

/// One fitted shape.
#[derive(Clone, Copy, Debug)]
struct Shape {
    at: f64,
    tau: f64,
    lag: f64,
    level: f64,
    slope: f64,
    drop: f64,
    rss: f64,
    /// What a plain straight line through the same readings leaves.
    straight_rss: f64,
}

impl Shape {
    fn value(&self, t: f64) -> f64 {
        let x = t - self.at;
        self.level + self.slope * x.min(0.0) - self.drop * response(x, self.tau, self.lag)
    }

    fn robust_spread(&self, readings: &[(f64, f64)]) -> f64 {
        let mut away: Vec<f64> = readings
            .iter()
            .map(|r| (r.1 - self.value(r.0)).abs())
            .collect();
        1.4826 * median(&mut away).unwrap_or(0.0)
    }

    fn described(&self, near: &[(f64, f64)], all: &[(f64, f64)]) -> Turn {
        let n = near.len();
        let before = near.iter().filter(|r| r.0 < self.at).count();
        let freedom = n.saturating_sub(6).max(1) as f64;
        // A perfect fit of a noiseless trace must not divide by nothing.
        let rss = self.rss.max(freedom * 0.05 * 0.05);
        let fallen = |r: &(f64, f64)| self.level - r.1;
        let after: Vec<(f64, f64)> = all.iter().copied().filter(|r| r.0 > self.at).collect();
        let deepest = smoothed_max(&after, fallen);
        let tail = after.len().min(3);
        let mut end: Vec<f64> = after[after.len() - tail..].iter().map(fallen).collect();
        let end = median(&mut end).unwrap_or(0.0);
        let around = |from: f64, to: f64| {
            let mut near: Vec<f64> = after
                .iter()
                .filter(|r| (self.at + from..=self.at + to).contains(&r.0))
                .map(fallen)
                .collect();
            median(&mut near)
        };
        let drop_k = around(LOOK_S - 3.0, LOOK_S + 3.0)
            .unwrap_or_else(|| self.level - self.value(self.at + LOOK_S));
        let late_share = around(22.0, 28.0).map_or(0.0, |then| 1.0 - then / deepest.max(0.1));
        let gap_s = all
            .windows(2)
            .filter(|w| w[0].0 <= self.at + 0.5 && w[1].0 >= self.at - 0.5)
            .map(|w| w[1].0 - w[0].0)
            .fold(0.0, f64::max);
        Turn {
            at_s: self.at,
            temperature_c: self.level,
            slope_before_k_s: self.slope,
            drop_k,
            fall_k_s: (self.level - self.value(self.at + 8.0)) / 8.0,
            deepest_k: deepest,
            late_share,
            still_down: if deepest > 0.0 {
                (end / deepest).clamp(0.0, 1.0)
            } else {
                0.0
            },
            spread_k: (rss / freedom).sqrt(),
            evidence: ((self.straight_rss - rss) / 4.0) / (rss / freedom),
            gap_s,
            readings: (before, n - before),
        }
    }
}

/// The greatest median of three neighbours.
fn smoothed_max(readings: &[(f64, f64)], f: impl Fn(&(f64, f64)) -> f64) -> f64 {
    readings
        .windows(3)
        .map(|w| median_of_3(f(&w[0]), f(&w[1]), f(&w[2])))
        .fold(f64::MIN, f64::max)
}

fn response(x: f64, tau: f64, lag: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    1.0 - (tau * (-x / tau).exp() - lag * (-x / lag).exp()) / (tau - lag)
}

/// The best shape over the grid of turns, falls and lags, and all that were tried.
fn search(
    readings: &[(f64, f64)],
    earliest: f64,
    latest: f64,
    step: f64,
) -> Option<(Shape, Vec<Shape>)> {
    if readings.len() < 7 || latest.is_nan() || earliest > latest {
        return None;
    }
    let steps = ((latest - earliest) / step).ceil().min(400.0) as u32;
    let mut tried = Vec::new();
    for i in 0..=steps {
        let at = (earliest + step * f64::from(i)).min(latest);
        for tau in TAUS_S {
            for lag in LAGS_S {
                let shape = solve(readings, at, tau, lag);
                tried.extend(shape.filter(|shape| shape.drop > 0.0));
            }
        }
    }
    let best = tried
        .iter()
        .copied()
        .min_by(|a, b| a.rss.total_cmp(&b.rss))?;
    Some((best, tried))
}

/// Level, slope and drop by least squares for a given turn, fall and lag.
fn solve(readings: &[(f64, f64)], at: f64, tau: f64, lag: f64) -> Option<Shape> {
    let n = readings.len() as f64;
    let mut before = 0;
    let (mut su, mut sh, mut sy) = (0.0, 0.0, 0.0);
    let (mut st, mut stt, mut sty) = (0.0, 0.0, 0.0);
    let (mut suu, mut shh, mut suy, mut shy, mut syy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let reference = readings.first()?.1;
    for (t, y) in readings {
        let x = t - at;
        let y = y - reference;
        st += x;
        stt += x * x;
        sty += x * y;
        if x <= 0.0 {
            before += 1;
            su += x;
            suu += x * x;
            suy += x * y;
        } else {
            let h = response(x, tau, lag);
            sh += h;
            shh += h * h;
            shy += h * y;
        }
        sy += y;
        syy += y * y;
    }
    if before < 3 || readings.len() - before < 3 {
        return None;
    }
    // Before the turn h is 0 and after it u is 0, so their product sum is 0.
    let (uu, hh, uh) = (suu - su * su / n, shh - sh * sh / n, -su * sh / n);
    let (uy, hy, yy) = (suy - su * sy / n, shy - sh * sy / n, syy - sy * sy / n);
    let determinant = uu * hh - uh * uh;
    if determinant.is_nan() || determinant <= 1e-12 {
        return None;
    }
    let slope = (uy * hh - hy * uh) / determinant;
    let fall = (hy * uu - uy * uh) / determinant;
    let level = (sy - slope * su - fall * sh) / n + reference;
    let rss = (yy - slope * uy - fall * hy).max(0.0);
    let (tt, ty) = (stt - st * st / n, sty - st * sy / n);
    let straight_rss = (yy - ty * ty / tt).max(0.0);
    rss.is_finite().then_some(Shape {
        at,
        tau,
        lag,
        level,
        slope,
        drop: -fall,
        rss,
        straight_rss,
    })
}

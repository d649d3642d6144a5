//! The melt's turn: the moment the reading stops rising (or holding) and falls because metal
//! has left; on a probe in the crucible's wall it may rise instead. Found by weighing, over the
//! seconds around it, every moment and every pair of lags by how well a probe's answer
//! ([`super::fall`]) explains the readings, and taking the mean: with noise, many turns explain
//! them nearly as well as the best.

use super::fall::{Fall, PAIRS, Stretch, Sums};
use crate::stats::median::{median, median_of_3};

/// What the readings say about a turn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Turn {
    /// When, in the time of the readings, s.
    pub at_s: f64,
    /// The probe's reading at that moment, noise aside, °C. It is not put right for the probe's
    /// lag on a slope, since one pour cannot tell that lag from the melt's own.
    pub temperature_c: f64,
    /// Slope before it, K/s.
    pub slope_before_k_s: f64,
    /// Whether the reading rises instead of falling; what follows then counts upwards, from the
    /// line that the melt was on.
    pub rises: bool,
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
}

/// What is known before the readings are looked at.
pub(crate) struct Known<'a> {
    /// Standard deviation of one reading, K.
    pub noise_k: f64,
    /// Whether a rise is looked for, not a fall.
    pub rises: bool,
    /// Logarithm of how likely each moment is, by other channels.
    pub favours: &'a dyn Fn(f64) -> f64,
}

/// A drop is measured this long after the turn, s.
pub(crate) const LOOK_S: f64 = 15.0;
/// How far back of a turn a straight line is fitted, readings, and the least and the most of it,
/// s: noise asks for many, and a controller that has just bent the line for few. …
const BEFORE_READINGS: f64 = 60.0;
const BEFORE_S: (f64, f64) = (15.0, 25.0);
/// … and how far on a fall, s: later the furnace answers.
const AFTER_S: f64 = 12.0;
/// Readings further from the fit than this many spreads are left out of the second fit: bursts
/// from induction and mains.
const WILD: f64 = 5.0;
/// The noise is never taken for less than this, K: no fit is better than the model.
const LEAST_NOISE_K: f64 = 0.12;
/// How many readings' worth the noise known beforehand counts.
const NOISE_KNOWN: f64 = 8.0;

/// Finds the turn between `earliest` and `latest` in (seconds, °C) readings in order of time;
/// the seconds lie within some 150 of zero. None if there are too few readings on either side.
pub(crate) fn find(
    readings: &[(f64, f64)],
    earliest: f64,
    latest: f64,
    known: &Known,
) -> Option<Turn> {
    let step = median_step(readings)?;
    // A rough search first, on half seconds: it need only find the neighbourhood.
    let rough = thinned(readings, 0.5);
    let first = neighbourhood(&rough, earliest, latest, step, known)?;
    // The rough shape is off by a few per cent of a deep drop; that does not make readings wild.
    let spread = robust_spread(&first, window(&rough, first.at, step))
        .max(0.15)
        .max(0.03 * first.drop.abs());
    let near: Vec<(f64, f64)> = window(readings, first.at, step)
        .iter()
        .copied()
        .filter(|r| (r.1 - first.value(r.0)).abs() <= WILD * spread)
        .collect();
    let (silent_from, silent_to) = silence_around(readings, first.at, step);
    let reach = 4.0 * step.clamp(1.5, 5.0);
    let from = (silent_from - reach).max(earliest);
    let to = (silent_to + reach).min(latest);
    let settled = weigh(&near, from, to, step, known)?;
    Some(settled.described(&near, readings))
}

/// How far a window reaches before and after a turn, s.
fn reach(step: f64) -> (f64, f64) {
    let before = (BEFORE_READINGS * step).clamp(BEFORE_S.0, BEFORE_S.1);
    (before.max(5.0 * step), AFTER_S.max(5.0 * step))
}

/// The readings close to a turn at `at`. A silence does not count.
fn window(readings: &[(f64, f64)], at: f64, step: f64) -> &[(f64, f64)] {
    let (silent_from, silent_to) = silence_around(readings, at, step);
    let (before, after) = reach(step);
    let start = readings.partition_point(|r| r.0 < silent_from - before);
    let end = readings.partition_point(|r| r.0 <= silent_to + after);
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
fn neighbourhood(
    readings: &[(f64, f64)],
    earliest: f64,
    latest: f64,
    step: f64,
    known: &Known,
) -> Option<Fall> {
    if latest.is_nan() || earliest > latest {
        return None;
    }
    let sums = Sums::of(readings);
    let grid = (0.5 * step).clamp(1.0, 2.0);
    let steps = ((latest - earliest) / grid).ceil().min(300.0) as u32;
    let (before, after) = reach(step);
    let variance = known.noise_k.max(LEAST_NOISE_K).powi(2);
    let mut best: Option<(f64, Fall)> = None;
    for i in 0..=steps {
        let at = (earliest + grid * f64::from(i)).min(latest);
        let (silent_from, silent_to) = silence_around(readings, at, step);
        let stretch = Stretch {
            readings: sums.between(silent_from - before, silent_to + after),
            variance,
        };
        let n = stretch.readings.len() as f64;
        let floor = variance * 4.0;
        let straight = sums.straight(&stretch.readings) + floor;
        let favour = (known.favours)(at);
        sums.falls(&stretch, at, |fall| {
            if (fall.drop < 0.0) == known.rises {
                let gain = 0.5 * n * (straight / (fall.misfit + floor)).ln() + favour;
                if best.is_none_or(|b| gain > b.0) {
                    best = Some((gain, fall));
                }
            }
        });
    }
    best.map(|b| b.1)
}

/// What weighing all turns comes to.
struct Settled {
    best: Fall,
    at: f64,
    level: f64,
    slope: f64,
    straight: f64,
}

/// The mean over all moments and lags, each weighted by its likelihood.
fn weigh(
    readings: &[(f64, f64)],
    earliest: f64,
    latest: f64,
    step: f64,
    known: &Known,
) -> Option<Settled> {
    if latest.is_nan() || earliest > latest {
        return None;
    }
    let sums = Sums::of(readings);
    let mut stretch = Stretch {
        readings: 0..readings.len(),
        variance: known.noise_k.max(LEAST_NOISE_K).powi(2),
    };
    let grid = (0.1 * step)
        .clamp(0.1, 0.5)
        .max((latest - earliest) / 150.0);
    let steps = ((latest - earliest) / grid).ceil().max(0.0) as u32;
    let moments = move || (0..=steps).map(move |i| (earliest + grid * f64::from(i)).min(latest));
    let mut tried: Vec<Fall> = Vec::with_capacity(64 * PAIRS);
    for at in moments() {
        sums.falls(&stretch, at, |fall| {
            if (fall.drop < 0.0) == known.rises {
                tried.push(fall);
            }
        });
    }
    let best = tried
        .iter()
        .copied()
        .min_by(|a, b| a.misfit.total_cmp(&b.misfit))?;
    let freedom = (readings.len() as f64 - 6.0).max(0.0);
    stretch.variance = ((best.misfit + NOISE_KNOWN * stretch.variance) / (freedom + NOISE_KNOWN))
        .max(LEAST_NOISE_K.powi(2));
    let variance = stretch.variance;
    let log_weight = |f: &Fall| f.log_likelihood(variance) + (known.favours)(f.at);
    let top = tried.iter().map(log_weight).fold(f64::MIN, f64::max);
    let (mut sum, mut at, mut level, mut slope) = (0.0, 0.0, 0.0, 0.0);
    for fall in &tried {
        let weight = (log_weight(fall) - top).exp();
        if weight < 1e-9 {
            continue;
        }
        sum += weight;
        let x = fall.at - best.at;
        at += weight * x;
        level += weight * (fall.level - best.level);
        slope += weight * fall.before;
    }
    let mean_at = at / sum;
    Some(Settled {
        best,
        at: best.at + mean_at,
        level: best.level + level / sum,
        slope: slope / sum,
        straight: sums.straight(&stretch.readings),
    })
}

impl Settled {
    fn described(&self, near: &[(f64, f64)], all: &[(f64, f64)]) -> Turn {
        let rises = self.best.drop < 0.0;
        // A rise counts from the line that the melt was on, a fall from the moment's level.
        let ramp = if rises { self.slope.max(0.0) } else { 0.0 };
        let sign = if rises { -1.0 } else { 1.0 };
        let fallen = |r: &(f64, f64)| sign * (self.level + ramp * (r.0 - self.at) - r.1);
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
        let modelled = |x: f64| fallen(&(self.at + x, self.best.value(self.at + x)));
        let drop_k = around(LOOK_S - 3.0, LOOK_S + 3.0).unwrap_or_else(|| modelled(LOOK_S));
        let late_share = around(22.0, 28.0).map_or(0.0, |then| 1.0 - then / deepest.max(0.1));
        let gap_s = all
            .windows(2)
            .filter(|w| w[0].0 <= self.at + 0.5 && w[1].0 >= self.at - 0.5)
            .map(|w| w[1].0 - w[0].0)
            .fold(0.0, f64::max);
        let freedom = near.len().saturating_sub(6).max(1) as f64;
        let rss = self.best.misfit.max(freedom * LEAST_NOISE_K.powi(2));
        Turn {
            at_s: self.at,
            temperature_c: self.level,
            slope_before_k_s: self.slope,
            rises,
            drop_k,
            fall_k_s: modelled(8.0) / 8.0,
            deepest_k: deepest,
            late_share,
            still_down: if deepest > 0.0 {
                (end / deepest).clamp(0.0, 1.0)
            } else {
                0.0
            },
            spread_k: (rss / freedom).sqrt(),
            evidence: ((self.straight - rss) / 4.0) / (rss / freedom),
            gap_s,
        }
    }
}

fn robust_spread(fall: &Fall, readings: &[(f64, f64)]) -> f64 {
    let mut away: Vec<f64> = readings
        .iter()
        .map(|r| (r.1 - fall.value(r.0)).abs())
        .collect();
    1.4826 * median(&mut away).unwrap_or(0.0)
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

/// The greatest median of three neighbours.
fn smoothed_max(readings: &[(f64, f64)], f: impl Fn(&(f64, f64)) -> f64) -> f64 {
    readings
        .windows(3)
        .map(|w| median_of_3(f(&w[0]), f(&w[1]), f(&w[2])))
        .fold(f64::MIN, f64::max)
}

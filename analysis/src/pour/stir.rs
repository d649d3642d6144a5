//! A fall of the melt's reading held against the other things that look like one. When metal has
//! left, the reading falls as the probe's lag lets it and comes back, if it does, over the minute
//! in which the empty crucible warms through; a stir takes a few kelvin off for 10 to 20 s and
//! gives them back as fast; a heater turned down only bends the line. Each is fitted to the same
//! minute and a half and the likelihoods are compared.

use super::fall::solve;
use super::turn::thinned;

/// How far before and after the turn the shapes are compared, s.
const BEFORE_S: f64 = 30.0;
const AFTER_S: f64 = 60.0;
/// Readings are averaged over so many seconds: none of these shapes is finer.
const APART_S: f64 = 1.0;
/// Lags of probes, s (as in [`super::fall`]).
const LAGS_S: [f64; 5] = [1.0, 2.0, 3.5, 6.0, 9.0];
/// How long a stir lasts, s (common practice: 10 to 20).
const STIRS_S: [f64; 8] = [8.0, 10.0, 12.0, 14.0, 16.0, 18.0, 20.0, 23.0];
/// How fast the empty crucible makes the loss good, s; never, for the last.
const FADES_S: [f64; 5] = [20.0, 35.0, 60.0, 120.0, 1e5];
/// The turn is known to within so much, s.
const SHIFTS_S: [f64; 3] = [-1.5, 0.0, 1.5];
/// A change of slope is of this size, K/s: a heater's answer.
const BEND_SD: f64 = 0.3;
/// A fall is of this size, K.
const DROP_SD: f64 = 25.0;
/// No shape fits better than this, K.
const LEAST_NOISE_K: f64 = 0.25;
/// A comparison beyond this adds nothing, as a logarithm.
const MOST: f64 = 12.0;

/// How much better metal leaving explains the readings than something else, as logarithms of
/// likelihood ratios.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Shapes {
    /// Than a stir.
    pub over_stir: f64,
    /// Than a bend of the line alone.
    pub over_bend: f64,
}

/// Compares the shapes of a turn at `at` in (seconds, °C) readings in order of time, downwards or
/// upwards. Nothing is known with fewer than four readings on a side.
pub(crate) fn compare(readings: &[(f64, f64)], at: f64, rises: bool) -> Shapes {
    let near: Vec<(f64, f64)> = readings
        .iter()
        .map(|r| (r.0 - at, r.1))
        .filter(|r| (-BEFORE_S..=AFTER_S).contains(&r.0))
        .collect();
    let near = thinned(&near, APART_S);
    let later = near.iter().filter(|r| r.0 > 0.0).count();
    if later < 4 || near.len() - later < 4 {
        return Shapes::default();
    }
    let sign = if rises { -1.0 } else { 1.0 };
    let bend = misfit(&near, 0.0, sign, |_| 0.0);
    let (mut pour, mut stir) = (bend, bend);
    for shift in SHIFTS_S {
        for lag in LAGS_S {
            for fade in FADES_S {
                pour = pour.min(misfit(&near, shift, sign, |x| fading(x, lag, fade)));
            }
            for long in STIRS_S {
                stir = stir.min(misfit(&near, shift, sign, |x| {
                    lagging(x, lag) - lagging(x - long, lag)
                }));
            }
        }
    }
    let n = near.len() as f64;
    let variance = (pour.min(stir) / (n - 6.0).max(1.0)).max(LEAST_NOISE_K.powi(2));
    let ratio = |other: f64| (0.5 * (other - pour) / variance).clamp(-MOST, MOST);
    Shapes {
        over_stir: ratio(stir),
        over_bend: ratio(bend),
    }
}

/// How much better metal leaving explains the readings if it moved them up at `up` than if it
/// moved them down at `down`, as a logarithm of the likelihood ratio; 0 if too little was heard.
pub(crate) fn up_over_down(readings: &[(f64, f64)], up: f64, down: f64) -> f64 {
    let (first, last) = (up.min(down), up.max(down));
    let near: Vec<(f64, f64)> = readings
        .iter()
        .copied()
        .filter(|r| (first - BEFORE_S..=last + AFTER_S).contains(&r.0))
        .collect();
    let near = thinned(&near, APART_S);
    let later = near.iter().filter(|r| r.0 > last).count();
    let earlier = near.iter().filter(|r| r.0 <= first).count();
    if later < 4 || earlier < 3 {
        return 0.0;
    }
    let best = |at: f64, sign: f64| {
        let mut best = misfit(&near, at, sign, |_| 0.0);
        for shift in SHIFTS_S {
            for lag in LAGS_S {
                for fade in FADES_S {
                    best = best.min(misfit(&near, at + shift, sign, |x| fading(x, lag, fade)));
                }
            }
        }
        best
    };
    let (up, down) = (best(up, -1.0), best(down, 1.0));
    let freedom = (near.len() as f64 - 6.0).max(1.0);
    let variance = (up.min(down) / freedom).max(LEAST_NOISE_K.powi(2));
    let ratio = 0.5 * (down - up) / variance;
    if ratio.is_finite() {
        ratio.clamp(-MOST, MOST)
    } else {
        0.0
    }
}

/// The answer of a first-order lag to a step (any text on thermometry).
fn lagging(x: f64, lag: f64) -> f64 {
    if x > 0.0 { -(-x / lag).exp_m1() } else { 0.0 }
}

/// The answer of a first-order lag to a step that fades.
fn fading(x: f64, lag: f64, fade: f64) -> f64 {
    if x > 0.0 {
        fade / (fade - lag) * ((-x / fade).exp() - (-x / lag).exp())
    } else {
        0.0
    }
}

/// Sum of squares that a level, a slope, a bend at `shift` and `shape` downwards leave, K².
fn misfit(readings: &[(f64, f64)], shift: f64, sign: f64, shape: impl Fn(f64) -> f64) -> f64 {
    let reference = readings[readings.len() / 2].1;
    let mut normal = [[0.0; 4]; 4];
    let mut right = [0.0; 4];
    let mut yy = 0.0;
    for (t, y) in readings {
        let x = t - shift;
        let row = [1.0, x, x.max(0.0), -sign * shape(x)];
        let y = y - reference;
        for i in 0..4 {
            for j in 0..=i {
                normal[i][j] += row[i] * row[j];
            }
            right[i] += row[i] * y;
        }
        yy += y * y;
    }
    let noise = LEAST_NOISE_K * LEAST_NOISE_K;
    normal[2][2] += noise / (BEND_SD * BEND_SD);
    normal[3][3] += noise / (DROP_SD * DROP_SD);
    match solve(&normal, &right) {
        Some((solution, explained, _)) if solution[3] >= 0.0 => (yy - explained).max(0.0),
        _ => f64::INFINITY,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pour::synthetic::Noise;

    fn readings(shape: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
        let mut noise = Noise::new(3);
        (-40..70)
            .map(|s| {
                let t = f64::from(s);
                (t, 960.0 + 0.1 * t - shape(t) + 0.5 * noise.normal())
            })
            .collect()
    }

    #[test]
    fn metal_that_left_is_not_taken_for_a_stir_nor_a_stir_for_a_pour() {
        let pour = readings(|t| 9.0 * fading(t, 4.0, 50.0));
        let stir = readings(|t| 9.0 * (lagging(t, 4.0) - lagging(t - 14.0, 4.0)));
        let bend = readings(|t| 0.4 * t.max(0.0));
        let of = |r: &[(f64, f64)]| compare(r, 0.0, false);
        assert!(of(&pour).over_stir > 5.0, "{:?}", of(&pour));
        assert!(of(&pour).over_bend > 5.0, "{:?}", of(&pour));
        assert!(of(&stir).over_stir < -5.0, "{:?}", of(&stir));
        assert!(of(&bend).over_bend < 5.0, "{:?}", of(&bend));
    }

    #[test]
    fn a_rise_that_fades_is_told_from_the_fall_that_follows_it() {
        let up = readings(|t| -9.0 * fading(t, 6.0, 40.0));
        let down = readings(|t| 9.0 * fading(t, 4.0, 50.0));
        assert!(up_over_down(&up, 0.0, 12.0) > 6.0);
        assert!(up_over_down(&down, -12.0, 0.0) < -6.0);
        assert!(up_over_down(&down, 0.0, 0.0) < -6.0);
    }
}

//! How well anybody could tell the moment of a lift from the melt's readings alone: a least
//! squares fit that is given the true shape of the fall and has to find only when it began, at
//! which level and on which trend. No detector knows the shape; what this misses, noise and rate
//! hide. (Vacuum and switches can tell more than the melt does.)

use analysis::sample::Sample;
use sample_data::drawn::{CLEAN_S, CLEAN_STEP_S, DrawnPour};

/// Readings this far from the lift are fitted, s …
const FITTED_S: f64 = 20.0;
/// … and moments this far from it are tried, s.
const TRIED_S: f64 = 10.0;

/// Fitted minus true moment, s; none without enough readings, or where the lift is so close to
/// an end of the log that its shape is not whole.
pub fn late_s(melt: &[Sample], pour: &DrawnPour) -> Option<f64> {
    let whole = (2.0 * CLEAN_S / CLEAN_STEP_S).round() as usize + 1;
    let from = melt.partition_point(|s| s.time.seconds_since(pour.at) < -FITTED_S);
    let readings: Vec<(f64, f64)> = melt[from..]
        .iter()
        .map(|s| (s.time.seconds_since(pour.at), s.value))
        .take_while(|r| r.0 <= FITTED_S)
        .collect();
    if pour.clean_c.len() < whole || readings.len() < 4 {
        return None;
    }
    let tries = (TRIED_S / CLEAN_STEP_S).round() as i32;
    (-tries..=tries)
        .map(|i| f64::from(i) * CLEAN_STEP_S)
        .map(|late| (misfit(&readings, pour, late), late))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|best| best.1)
}

/// Sum of squares that is left by the shape moved by `late` s, a level and a trend, K².
fn misfit(readings: &[(f64, f64)], pour: &DrawnPour, late: f64) -> f64 {
    let n = readings.len() as f64;
    let left = || {
        readings
            .iter()
            .map(|(t, value)| (*t, value - clean_c(pour, t - late)))
    };
    let (t_mean, y_mean) = left().fold((0.0, 0.0), |(t, y), r| (t + r.0 / n, y + r.1 / n));
    let (mut tt, mut ty, mut yy) = (0.0, 0.0, 0.0);
    for (t, y) in left() {
        let (t, y) = (t - t_mean, y - y_mean);
        tt += t * t;
        ty += t * y;
        yy += y * y;
    }
    yy - ty * ty / tt
}

/// The noiseless reading `t` s after the lift, °C.
fn clean_c(pour: &DrawnPour, t: f64) -> f64 {
    let place = ((t + CLEAN_S) / CLEAN_STEP_S).clamp(0.0, (pour.clean_c.len() - 1) as f64);
    let before = place.floor() as usize;
    let after = (before + 1).min(pour.clean_c.len() - 1);
    let part = place - before as f64;
    pour.clean_c[before] * (1.0 - part) + pour.clean_c[after] * part
}

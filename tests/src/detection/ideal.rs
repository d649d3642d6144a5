//! How well anybody could tell the moment of a lift from the melt's readings alone: a least
//! squares fit that is given the true shape of the fall and has to find only when it began, at
//! which level and on which trend. No detector knows the shape; what this misses, noise and rate
//! hide. (Vacuum and switches can tell more than the melt does.)

use analysis::channel::Channel;
use analysis::sample::Sample;
use sample_data::drawn::{CLEAN_S, CLEAN_STEP_S, DrawnPour, DrawnSession, Trouble};

/// Readings this far from the lift are fitted, s …
const FITTED_S: f64 = 20.0;
/// … and moments this far from it are tried, s.
const TRIED_S: f64 = 10.0;

/// Noise of drawn probes, K, and the part of a whole °F that rounding adds: step/√12 (any text on
/// quantisation).
const NOISE_K: f64 = 0.5;
const ROUNDED_K: f64 = 0.16;
/// A fall is seen that lies this many standard deviations off any straight line, in all: of the
/// hundred or so moments of a pull none comes to it by chance.
const SEEN_SDS: f64 = 5.0;
/// A step of the depth is seen with so many readings on either side within so many seconds. It is
/// 1.5 kPa at least, ten times what the sensor is off by.
const STEP_READINGS: usize = 3;
const STEP_WITHIN_S: f64 = 15.0;
/// A flask that does not sit, or no vacuum at all, shows no step; kPa.
const STEP_FROM_KPA: f64 = 30.0;

/// Whether the trace holds anything that tells of this pour: a switch on the stopper, a fall or
/// rise of the melt that stands out of the noise, or a vacuum whose step was heard. By the truth
/// and what arrived; nothing of what any detector did.
pub fn can_be_told(session: &DrawnSession, trace: &[Sample], pour: &DrawnPour) -> bool {
    let switch = !pour.troubles.contains(&Trouble::NoStopperSwitch);
    let near = |channel: Channel, from: f64, to: f64| {
        let of = trace.iter().filter(move |s| s.channel == channel);
        of.map(|s| (s.time.seconds_since(pour.at), s.value))
            .filter(move |r| (from..to).contains(&r.0))
            .collect::<Vec<(f64, f64)>>()
    };
    let pull = session
        .truth
        .pulls
        .iter()
        .find(|pull| pull.poured_at == Some(pour.at));
    let step = pull.is_some_and(|p| p.end_kpa > STEP_FROM_KPA)
        && near(Channel::Vacuum, -STEP_WITHIN_S, 0.0).len() >= STEP_READINGS
        && near(Channel::Vacuum, 0.0, STEP_WITHIN_S).len() >= STEP_READINGS;
    switch || step || seen_sds(&near(Channel::MeltTemperature, -CLEAN_S, CLEAN_S), pour) >= SEEN_SDS
}

/// How many standard deviations of the noise, in all, the true course lies off the best straight
/// line at these readings' times.
fn seen_sds(readings: &[(f64, f64)], pour: &DrawnPour) -> f64 {
    let whole = (2.0 * CLEAN_S / CLEAN_STEP_S).round() as usize + 1;
    if readings.len() < 4 || pour.clean_c.len() < whole {
        return 0.0;
    }
    let clean: Vec<(f64, f64)> = readings
        .iter()
        .map(|r| (r.0, clean_c(pour, r.0) - pour.probe_c))
        .collect();
    let n = clean.len() as f64;
    let mean = |f: fn(&(f64, f64)) -> f64| clean.iter().map(f).sum::<f64>() / n;
    let (t, y) = (mean(|r| r.0), mean(|r| r.1));
    let sum = |f: &dyn Fn(&(f64, f64)) -> f64| clean.iter().map(f).sum::<f64>();
    let tt = sum(&|r| (r.0 - t).powi(2));
    let ty = sum(&|r| (r.0 - t) * (r.1 - y));
    let yy = sum(&|r| (r.1 - y).powi(2));
    let rounded = pour.troubles.contains(&Trouble::WholeFahrenheit);
    let noise = NOISE_K.hypot(if rounded { ROUNDED_K } else { 0.0 });
    ((yy - ty * ty / tt).max(0.0)).sqrt() / noise
}

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

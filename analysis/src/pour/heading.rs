//! Where a pull is heading: the depth it would settle at, told from its first seconds by the
//! pump-down's curve and what is known of the pump, and from the depth itself once the curve
//! has flattened.

use super::forecast::{Beforehand, Forecast};
use super::pumpdown::{self, PumpDown, Start};
use super::setup::UsualPull;
use crate::stats::median::median;

/// Readings of the first seconds are kept no closer than this, s …
const STEP_S: f64 = 0.1;
/// … and after this long, s, …
const DENSE_S: f64 = 10.0;
/// … no closer than this, s …
const SPARSE_STEP_S: f64 = 0.5;
/// … until here, s; vacuum that came on long before the melt was ready is kept …
const SPARSE_S: f64 = 180.0;
/// … no closer than this, s …
const LONG_STEP_S: f64 = 2.0;
/// … until here, s.
const KEEP_S: f64 = 3600.0;
/// The pump-down is fitted to this much of a pull, s.
const FIT_S: f64 = 60.0;
/// After so many time constants the depth itself tells more than the curve: 98 % is done.
const FLATTENED: f64 = 4.0;
/// The depth of a moment is the median of the last so many seconds.
const MOMENT_S: f64 = 1.0;
/// A pump whose curve is a little off an exponential misleads by this share of the depth.
const CURVE_OFF: f64 = 0.004;
/// The least noise of a vacuum sensor, kPa: a tenth of a mechanical gauge's division.
const LEAST_NOISE_KPA: f64 = 0.1;
/// With a valve's switch the sensor answers within the hose's delay: a standard deviation of
/// so many seconds of pull.
const DELAY_S: f64 = 0.1;
/// Without one, the opening is inferred to this share of the time between readings, and worse
/// where the pump-down bends between them: by their third of its time constant.
const INFERRED: f64 = 0.3;
/// A run without change is a dead sensor when its like comes by chance once in so many.
const DEAD_CHANCE: f64 = 1e-4;
/// Only runs that began this early say so, s: while a pump pulls, the depth must change.
const DEAD_BEFORE_S: f64 = 8.0;

/// Where a pull is heading.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Heading {
    /// The depth over rest it would settle at, kPa.
    pub rise_kpa: f64,
    /// Its standard error, kPa.
    pub se_kpa: f64,
    /// All that it may be.
    pub forecast: Forecast,
}

impl Heading {
    fn of(forecast: Forecast) -> Heading {
        Heading {
            rise_kpa: forecast.end_kpa(),
            se_kpa: forecast.se_kpa(),
            forecast,
        }
    }
}

/// What is known of the sensor when a pull opens.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Sensor {
    /// What it reads at rest, kPa.
    pub rest_kpa: f64,
    /// Its noise, kPa.
    pub noise_kpa: f64,
    /// Time between its readings, s; 0 while unknown.
    pub period_s: f64,
    /// The share of its readings at rest that differed from the one before.
    pub changes: f64,
}

/// The readings of a pull, as (seconds after the opening, kPa).
#[derive(Clone, Debug, Default)]
pub(crate) struct Curve {
    readings: Vec<(f64, f64)>,
}

impl Curve {
    /// Takes in a reading, unless it is closer to the last than is needed.
    pub fn hear(&mut self, t_s: f64, value: f64) {
        let step = match t_s {
            t if t < DENSE_S => STEP_S,
            t if t < SPARSE_S => SPARSE_STEP_S,
            _ => LONG_STEP_S,
        };
        let apart = self.readings.last().is_none_or(|r| t_s - r.0 >= step);
        if (0.0..=KEEP_S).contains(&t_s) && apart {
            self.readings.push((t_s, value));
        }
    }

    /// The readings up to this second of the pull.
    pub fn until(&self, t_s: f64) -> &[(f64, f64)] {
        let n = self.readings.partition_point(|r| r.0 <= t_s);
        &self.readings[..n]
    }

    /// The depth at this second and when it was read: the median of the second before.
    pub fn depth_at(&self, t_s: f64) -> Option<(f64, f64)> {
        let readings = self.until(t_s);
        let last = readings.last()?;
        // Of three readings where they are kept so far apart, so that one wild one is outvoted.
        let moment_s = if last.0 < SPARSE_S {
            MOMENT_S
        } else {
            2.5 * LONG_STEP_S
        };
        let mut recent: Vec<f64> = readings
            .iter()
            .rev()
            .take_while(|r| last.0 - r.0 <= moment_s)
            .map(|r| r.1)
            .collect();
        let n = recent.len();
        // The median of a second lies half a second back.
        let middle = f64::midpoint(last.0, readings[readings.len() - n].0);
        median(&mut recent).map(|depth| (middle, depth))
    }

    /// Whether the sensor had stopped by this second, while it should have moved.
    pub fn dead(&self, t_s: f64, sensor: &Sensor) -> bool {
        let readings = self.until(t_s);
        let Some(last) = readings.last() else {
            return false;
        };
        #[allow(clippy::float_cmp)] // A stuck sensor repeats its value to the last bit.
        let same = readings.iter().rev().take_while(|r| r.1 == last.1).count();
        let since = readings[readings.len() - same].0;
        let by_chance = (1.0 - sensor.changes).powf((same - 1) as f64);
        same >= 4 && since < DEAD_BEFORE_S && by_chance < DEAD_CHANCE
    }

    /// The pump-down up to this second, if its readings tell one by themselves.
    pub fn pump_down(&self, until_s: f64, start: Start) -> Option<PumpDown> {
        let fit = pumpdown::fit(self.until(until_s.min(FIT_S)), start)?;
        (fit.tau_se < 0.5 * fit.tau).then_some(fit)
    }

    /// Where the pull was heading at this second.
    pub fn heading(
        &self,
        t_s: f64,
        sensor: &Sensor,
        by_valve: bool,
        pump: &UsualPull,
    ) -> Option<Heading> {
        let (at, depth) = self.depth_at(t_s)?;
        let rise = depth - sensor.rest_kpa;
        let noise = sensor
            .noise_kpa
            .max(LEAST_NOISE_KPA)
            .max(CURVE_OFF * rise.abs());
        let steepest_kpa_s = pump.share * 100.0 / pump.tau_s;
        let known = Beforehand {
            tau_s: pump.tau_s,
            tau_spread: pump.tau_spread,
            start_spread_kpa: steepest_kpa_s
                * if by_valve {
                    DELAY_S
                } else {
                    let bends = 1.0 + sensor.period_s / (3.0 * pump.tau_s);
                    (INFERRED * sensor.period_s * bends).max(DELAY_S)
                },
            noise_kpa: noise,
        };
        let over_rest: Vec<(f64, f64)> = self
            .until(t_s.min(FIT_S))
            .iter()
            .map(|r| (r.0, r.1 - sensor.rest_kpa))
            .collect();
        let forecast = Forecast::of(&over_rest, &known)?;
        let (ln_tau, ln_tau_se) = forecast.ln_tau();
        let taus = at / ln_tau.exp();
        if taus < FLATTENED {
            return Some(Heading::of(forecast));
        }
        // What is left of the curve, and how unsure that is by its time constant.
        let left = (-taus).exp();
        let unsure = left * taus * ln_tau_se / (1.0 - left);
        let se_kpa = (rise * unsure).hypot(noise);
        Some(Heading::of(Forecast::sure(rise / (1.0 - left), se_kpa)))
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::pour::synthetic::Noise;

    const SENSOR: Sensor = Sensor {
        rest_kpa: 1.0,
        noise_kpa: 0.15,
        period_s: 0.2,
        changes: 0.9,
    };

    fn curve(end: f64, tau: f64, rate_hz: f64, length_s: f64, noise: &mut Noise) -> Curve {
        let mut curve = Curve::default();
        let mut t = noise.uniform() / rate_hz;
        while t < length_s {
            curve.hear(t, 1.0 + end * -(-t / tau).exp_m1() + 0.15 * noise.normal());
            t += 1.0 / rate_hz;
        }
        curve
    }

    /// From four and a half seconds of a pull the end is told as surely as is claimed.
    #[test]
    fn the_end_is_told_early_and_its_error_is_true() {
        let mut noise = Noise::new(11);
        for (rate_hz, most) in [(1.0, 0.08), (5.0, 0.03), (20.0, 0.02)] {
            let (mut z2, mut claimed) = (0.0, 0.0);
            let n = 400;
            for _ in 0..n {
                let tau = 5.0 * (0.12 * noise.normal()).exp();
                let end = noise.between(60.0, 90.0);
                let got = curve(end, tau, rate_hz, 4.5, &mut noise)
                    .heading(
                        4.5,
                        &SENSOR,
                        true,
                        &UsualPull {
                            tau_s: 5.0,
                            tau_spread: 0.12,
                            ..UsualPull::COMMON
                        },
                    )
                    .unwrap();
                z2 += ((got.rise_kpa - end) / got.se_kpa).powi(2) / f64::from(n);
                claimed += got.se_kpa / end / f64::from(n);
            }
            assert!(claimed < most, "{rate_hz} Hz: {claimed}");
            // The noise allowed for is more than there is, so the claim may be too modest.
            assert!((0.2..1.5).contains(&z2), "{rate_hz} Hz: {z2}, {claimed}");
        }
    }

    #[test]
    fn once_flat_the_depth_itself_is_the_end() {
        let mut noise = Noise::new(12);
        let got = curve(82.0, 5.0, 1.0, 20.0, &mut noise)
            .heading(20.0, &SENSOR, true, &UsualPull::COMMON)
            .unwrap();
        assert!((got.rise_kpa - 82.0).abs() < 1.5, "{got:?}");
    }

    #[test]
    fn a_sensor_that_freezes_while_the_pump_pulls_is_dead() {
        let mut noise = Noise::new(13);
        let mut held = curve(85.0, 5.0, 5.0, 2.0, &mut noise);
        assert!(!held.dead(2.0, &SENSOR));
        for i in 0..12 {
            held.hear(2.0 + 0.2 * f64::from(i), 28.0);
        }
        assert!(held.dead(4.5, &SENSOR));
        // One that always reads in coarse steps may stand still.
        let coarse = Sensor {
            changes: 0.05,
            ..SENSOR
        };
        assert!(!held.dead(4.5, &coarse));
    }
}

//! Where a pull that has only begun is heading: its first seconds weighed with what is known of
//! the pump, over every time constant that is possible, each with the share of belief that the
//! readings leave it.
//!
//! For a given time constant the pump-down p(t) = p_end·(1 − e^(−t/τ)) + p₀·e^(−t/τ) is linear in
//! its end and its start, so both are normal given the readings, and how well that τ explains
//! them is a closed formula (Bayesian linear regression, as any text has it; nothing known of the
//! end beforehand). Time constants are taken on a grid of their logarithm. What is left is a
//! mixture of normals: the end, with all that is not known about it counted.

use crate::stats::distribution::normal_below;

/// What is known beforehand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Beforehand {
    /// The pump's usual time constant, s.
    pub tau_s: f64,
    /// Standard deviation of its logarithm: 0.1 is a tenth of it.
    pub tau_spread: f64,
    /// Standard deviation of the depth at second zero over rest, kPa: a hose delays the sensor,
    /// and an opening that is only inferred is off by part of a reading.
    pub start_spread_kpa: f64,
    /// Standard deviation of a reading, kPa.
    pub noise_kpa: f64,
}

/// An end with its share of belief.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Possible {
    belief: f64,
    end_kpa: f64,
    se_kpa: f64,
    ln_tau: f64,
}

/// Everywhere that a pull may be heading.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Forecast {
    possible: Vec<Possible>,
}

/// A flask that does not sit hisses: its depth is unsteady by about this much, kPa.
const HISS_KPA: f64 = 1.0;
/// How likely such unsteadiness is with a usual time constant …
const UNSTEADY: f64 = 0.01;
/// … and how likely an opening so wide that it drains the air as the pump does, which is over
/// sooner as it is shallower (trade texts: a plateau of 5 to 18 inHg, noisy, soon reached).
const WIDE_OPEN: f64 = 0.1;
/// The time constant of such a one is anywhere between this share of the usual and the whole.
const WIDE_OPEN_FROM: f64 = 0.1;
/// The grid reaches so many standard deviations to either side of the usual time constant.
const REACH_SDS: f64 = 3.5;
/// Steps of the grid to one side of it, and over the range of wide openings.
const STEPS: i32 = 12;
const WIDE_STEPS: i32 = 16;
/// What explains the readings worse than the best by a factor of e to this power counts for
/// nothing.
const NEGLIGIBLE: f64 = 12.0;
/// A single reading that stands out of its neighbours by more than this, kPa, or by so many
/// times the noise, is a dropped or broken one.
const WILD_KPA: f64 = 6.0;
const WILD_NOISE: f64 = 8.0;

impl Forecast {
    /// The forecast from (seconds since the opening, kPa over rest), in order of time. None
    /// without a reading, or when something is not finite.
    pub fn of(readings: &[(f64, f64)], known: &Beforehand) -> Option<Forecast> {
        let readings = without_wild(readings, known.noise_kpa);
        let mut weighed: Vec<(f64, Possible)> = Vec::new();
        let hiss = known.noise_kpa.hypot(HISS_KPA);
        let step = REACH_SDS * known.tau_spread / f64::from(STEPS);
        let usual_ln = known.tau_s.ln();
        // Shares of the normal, step by step; their sum is near 1 / step.
        let share = step / (2.506_628 * known.tau_spread);
        for i in -STEPS..=STEPS {
            let away = f64::from(i) * step / known.tau_spread;
            let sums = Sums::of(&readings, usual_ln + f64::from(i) * step);
            let prior = share.ln() - 0.5 * away * away;
            weighed.extend(sums.weigh(known, known.noise_kpa, step, prior));
            weighed.extend(sums.weigh(known, hiss, step, prior + UNSTEADY.ln()));
        }
        let wide_step = -WIDE_OPEN_FROM.ln() / f64::from(WIDE_STEPS);
        let wide = (WIDE_OPEN / f64::from(WIDE_STEPS)).ln();
        for i in 1..=WIDE_STEPS {
            let sums = Sums::of(&readings, usual_ln - f64::from(i) * wide_step);
            weighed.extend(sums.weigh(known, hiss, wide_step, wide));
        }
        let best = weighed.iter().map(|w| w.0).fold(f64::MIN, f64::max);
        let mut possible: Vec<Possible> = weighed
            .into_iter()
            .filter(|w| best - w.0 < NEGLIGIBLE)
            .map(|(log, p)| Possible {
                belief: (log - best).exp(),
                ..p
            })
            .collect();
        let all: f64 = possible.iter().map(|p| p.belief).sum();
        for p in &mut possible {
            p.belief /= all;
        }
        (!possible.is_empty() && all.is_finite()).then_some(Forecast { possible })
    }

    /// A forecast that is as sure as a normal.
    pub fn sure(end_kpa: f64, se_kpa: f64) -> Forecast {
        Forecast {
            possible: vec![Possible {
                belief: 1.0,
                end_kpa,
                se_kpa,
                ln_tau: f64::NAN,
            }],
        }
    }

    fn mean(&self, of: impl Fn(&Possible) -> f64) -> f64 {
        self.possible.iter().map(|p| p.belief * of(p)).sum()
    }

    /// The end over rest that is expected, kPa.
    pub fn end_kpa(&self) -> f64 {
        self.mean(|p| p.end_kpa)
    }

    /// Its standard deviation, kPa.
    pub fn se_kpa(&self) -> f64 {
        let end = self.end_kpa();
        self.mean(|p| p.se_kpa.powi(2) + (p.end_kpa - end).powi(2))
            .sqrt()
    }

    /// The expected logarithm of the time constant in s, and its standard deviation.
    pub fn ln_tau(&self) -> (f64, f64) {
        let ln_tau = self.mean(|p| p.ln_tau);
        (ln_tau, self.mean(|p| (p.ln_tau - ln_tau).powi(2)).sqrt())
    }

    /// The chance that the end lies below a line that is itself only known to within `spread_kpa`
    /// (a standard deviation).
    pub fn chance_below(&self, line_kpa: f64, spread_kpa: f64) -> f64 {
        let below = |p: &Possible| {
            let z = (line_kpa - p.end_kpa) / p.se_kpa.hypot(spread_kpa);
            normal_below(z).unwrap_or(0.5)
        };
        self.mean(below).clamp(0.0, 1.0)
    }
}

/// The sums that end and start follow from, for one time constant.
struct Sums {
    ln_tau: f64,
    n: f64,
    gg: f64,
    ge: f64,
    ee: f64,
    gy: f64,
    ey: f64,
    yy: f64,
    /// By how much the end would change with ln τ, as a share of itself, by the last reading.
    lean: f64,
}

impl Sums {
    fn of(readings: &[(f64, f64)], ln_tau: f64) -> Sums {
        let tau = ln_tau.exp();
        let mut sums = Sums {
            ln_tau,
            n: readings.len() as f64,
            gg: 0.0,
            ge: 0.0,
            ee: 0.0,
            gy: 0.0,
            ey: 0.0,
            yy: 0.0,
            lean: 0.0,
        };
        for (t, y) in readings {
            let e = (-t / tau).exp();
            let g = 1.0 - e;
            sums.gg += g * g;
            sums.ge += g * e;
            sums.ee += e * e;
            sums.gy += g * y;
            sums.ey += e * y;
            sums.yy += y * y;
            sums.lean = t / tau * e / g.max(0.01);
        }
        sums
    }

    /// The end by this time constant and how well it explains the readings (a logarithm).
    fn weigh(
        &self,
        known: &Beforehand,
        noise_kpa: f64,
        step: f64,
        prior: f64,
    ) -> Option<(f64, Possible)> {
        let variance = noise_kpa * noise_kpa;
        let ee = self.ee + variance / known.start_spread_kpa.powi(2);
        let det = self.gg * ee - self.ge * self.ge;
        let end_kpa = (ee * self.gy - self.ge * self.ey) / det;
        let start_kpa = (self.gg * self.ey - self.ge * self.gy) / det;
        let misfit = (self.yy - end_kpa * self.gy - start_kpa * self.ey).max(0.0);
        // Of the n factors 1/noise two go with the end and the start.
        let log =
            prior - 0.5 * misfit / variance - 0.5 * det.ln() - (self.n - 2.0) * noise_kpa.ln();
        // The grid stands for all in between: even over a step.
        let between = end_kpa * self.lean * step / 12.0_f64.sqrt();
        let se_kpa = (variance * ee / det).sqrt().hypot(between);
        let all = [log, end_kpa, se_kpa];
        all.iter().all(|v| v.is_finite()).then_some((
            log,
            Possible {
                belief: 0.0,
                end_kpa,
                se_kpa,
                ln_tau: self.ln_tau,
            },
        ))
    }
}

/// Leaves out single readings that stand out of their neighbours on both sides: while a pump
/// pulls the depth only grows.
fn without_wild(readings: &[(f64, f64)], noise_kpa: f64) -> Vec<(f64, f64)> {
    let far = WILD_KPA.max(WILD_NOISE * noise_kpa);
    let kept = |i: usize| {
        let (Some(before), Some(here)) = (i.checked_sub(1).map(|b| readings[b].1), readings.get(i))
        else {
            return true;
        };
        match readings.get(i + 1) {
            Some(next) => {
                let (low, high) = (before.min(next.1), before.max(next.1));
                here.1 > low - far && here.1 < high + far
            }
            None => here.1 > before - far,
        }
    };
    (0..readings.len())
        .filter(|i| kept(*i))
        .map(|i| readings[i])
        .collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::pour::synthetic::Noise;
    use proptest::prelude::*;

    const KNOWN: Beforehand = Beforehand {
        tau_s: 5.0,
        tau_spread: 0.06,
        start_spread_kpa: 1.5,
        noise_kpa: 0.2,
    };

    fn pull(end: f64, tau: f64, times: &[f64]) -> Vec<(f64, f64)> {
        times
            .iter()
            .map(|t| (*t, end * -(-t / tau).exp_m1()))
            .collect()
    }

    #[test]
    fn four_readings_tell_the_end_as_well_as_the_pump_is_known() {
        let readings = pull(85.0, 5.0, &[1.2, 2.2, 3.2, 4.2]);
        let told = |tau_spread| {
            let known = Beforehand {
                tau_spread,
                ..KNOWN
            };
            let forecast = Forecast::of(&readings, &known).unwrap();
            (forecast.end_kpa(), forecast.se_kpa())
        };
        let (end, sure) = told(0.03);
        assert!((end - 85.0).abs() < 0.6 && sure < 2.0, "{end} ± {sure}");
        let (end, unsure) = told(0.35);
        assert!((end - 85.0).abs() < unsure, "{end} ± {unsure}");
        assert!(unsure > 1.5 * sure, "{unsure} {sure}");
        assert_eq!(Forecast::of(&[], &KNOWN), None);
    }

    /// A shallow plateau that is soon reached passes through the same depth at four seconds as a
    /// good pull; the way there is another.
    #[test]
    fn a_flask_that_does_not_sit_is_told_from_a_good_one_of_the_same_depth() {
        let mut noise = Noise::new(31);
        let mut right = 0;
        for _ in 0..200 {
            let readings: Vec<(f64, f64)> = pull(50.0, 2.5, &[0.7, 1.7, 2.7, 3.7, 4.7])
                .into_iter()
                .map(|(t, y)| (t, y + 1.2 * noise.normal()))
                .collect();
            let forecast = Forecast::of(&readings, &KNOWN).unwrap();
            right += u32::from(forecast.chance_below(85.0, 1.7) > 0.995);
        }
        assert!(right >= 190, "{right} of 200");
    }

    /// What is claimed is what happens: 200 pulls of pumps that scatter as is believed.
    #[test]
    fn the_chances_that_are_claimed_come_true() {
        let mut noise = Noise::new(32);
        let (mut below, mut z2) = (0, 0.0);
        let n = 2000;
        for _ in 0..n {
            let tau = 5.0 * (0.06 * noise.normal()).exp();
            let start = 0.1 * noise.normal();
            let phase = noise.uniform();
            let readings: Vec<(f64, f64)> = (0..4)
                .map(|i| f64::from(i) + phase)
                .map(|t| {
                    (
                        t,
                        85.0 * -(-(t - start).max(0.0) / tau).exp_m1() + 0.2 * noise.normal(),
                    )
                })
                .collect();
            let forecast = Forecast::of(&readings, &KNOWN).unwrap();
            below += u32::from(forecast.chance_below(85.0, 0.0) > 0.95);
            z2 += ((forecast.end_kpa() - 85.0) / forecast.se_kpa()).powi(2) / f64::from(n);
        }
        let share = f64::from(below) / f64::from(n);
        assert!((0.02..0.08).contains(&share), "{share}");
        assert!((0.7..1.3).contains(&z2), "{z2}");
    }

    #[test]
    fn one_dropped_reading_does_not_make_a_pull_weak() {
        let mut readings = pull(85.0, 5.0, &[0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5]);
        readings[5].1 = 0.0;
        let forecast = Forecast::of(&readings, &KNOWN).unwrap();
        assert!((forecast.end_kpa() - 85.0).abs() < 1.0, "{forecast:?}");
        readings[5].1 = pull(85.0, 5.0, &[3.0])[0].1;
        readings[8].1 = 0.0;
        let forecast = Forecast::of(&readings, &KNOWN).unwrap();
        assert!((forecast.end_kpa() - 85.0).abs() < 1.5, "{forecast:?}");
    }

    proptest! {
        #[test]
        fn no_readings_panic(
            readings in prop::collection::vec((any::<f64>(), any::<f64>()), 0..12)
        ) {
            let told = Forecast::of(&readings, &KNOWN);
            if let Some(told) = told {
                prop_assert!(told.end_kpa().is_finite());
                let _ = told.chance_below(85.0, 1.0);
            }
        }
    }
}

//! The step of the depth when metal seals the sprue. Through a porous flask and an open sprue air
//! leaks in, so that the depth stays some kilopascal short of what the pump can do; when metal
//! covers the sprue it goes on towards that (trade knowledge: 0.5–4 inHg more). The step comes a
//! second or three after the stopper lifts, and says when within about a second, whatever the
//! probe's lag; it is weighed with the melt's turn ([`super::turn`]), never taken alone for a pour.
//!
//! p(t) = p_end − A·e^(−t/τ) + g·(1 − e^(−(t−c)/τ)) after c: the pump-down law (any text on vacuum
//! technique), and the same law again towards a deeper end from the step on. A term B·t·e^(−t/τ)
//! lets τ lie between those tried. For given c and τ the rest is linear; the likelihoods are
//! integrated over it and over τ.

use super::fall::solve;
use super::turn::thinned;

/// Time constants tried, s: jewellers' chambers run from 3 to 8 s (common practice).
const TAUS_S: [f64; 10] = [2.0, 2.5, 3.0, 3.6, 4.4, 5.3, 6.4, 7.8, 9.5, 12.0];
/// The step, kPa, as a standard deviation about zero: 1.7–13 kPa are told of, small ones more.
const STEP_SD_KPA: f64 = 5.0;
/// … and the two terms of the pump-down likewise: no air is deeper than 101 kPa.
const PUMP_DOWN_SD_KPA: f64 = 100.0;
const BETWEEN_TAUS_SD_KPA: f64 = 15.0;
/// No sensor and no pump-down law is better than this, kPa.
const LEAST_NOISE_KPA: f64 = 0.1;
/// Readings are averaged over so many seconds, …
const APART_S: f64 = 0.5;
/// … and moments tried so many seconds apart.
const GRID_S: f64 = 0.5;
/// From the lift to the step, s, and its spread: a flask fills in 1 to 3 s (common practice), and
/// its sprue is covered by then.
const LIFT_TO_STEP_S: f64 = 2.0;
const LIFT_TO_STEP_SD_S: f64 = 0.9;
/// How often no step is seen: a flask that is not porous, a valve nearly shut.
const NOT_SEEN: f64 = 0.3;
/// However clear a step is, it counts no more than this against the melt's own turn: gaskets
/// settle and valves are opened further, and that makes steps too.
const AT_MOST: f64 = 60.0;
/// Only what is beyond this, as a logarithm, is cut off before the sum, so that it stays finite.
const MUCH: f64 = 30.0;
/// A step this many times as likely as none is clear.
const CLEAR: f64 = 30.0;
/// A depth that falls by so much from one reading to the next, kPa, while the valve is open has
/// been let down from outside, by another machine on the pump or a lid touched; what comes after
/// is a pump-down of its own.
const LET_DOWN_KPA: f64 = 1.2;
const LET_DOWN_SDS: f64 = 8.0;
/// Fewer readings than this tell nothing.
const LEAST_READINGS: usize = 8;

/// How much more likely the depth makes a lift at each moment than at none in particular.
#[derive(Clone, Debug, Default)]
pub(crate) struct Seal {
    from: f64,
    times: Vec<f64>,
    /// What the greatest of them was before it was held down, as a logarithm over what it is now.
    held_down_ln: f64,
}

impl Seal {
    /// A look at (seconds, kPa below ambient) readings of one pull in order of time, none later
    /// than its end; the seconds lie within some 150 of zero. With `noise_kpa` as the sensor's.
    pub fn look(depth: &[(f64, f64)], noise_kpa: f64) -> Seal {
        let readings = thinned(depth, APART_S);
        let let_down = LET_DOWN_KPA.max(LET_DOWN_SDS * noise_kpa);
        let mut whole = Seal::default();
        for part in readings.chunk_by(|a, b| a.1 - b.1 < let_down) {
            whole.append(Seal::of_one_pump_down(part, noise_kpa));
        }
        whole
    }

    /// Adds what is known of a later pump-down; of what lies between nothing is known.
    fn append(&mut self, later: Seal) {
        if self.times.is_empty() {
            *self = later;
        } else if !later.times.is_empty() {
            let place = ((later.from - self.from) / GRID_S).round().max(0.0) as usize;
            self.times.resize(place, 1.0);
            self.times.extend(later.times);
            self.held_down_ln = self.held_down_ln.max(later.held_down_ln);
        }
    }

    fn of_one_pump_down(readings: &[(f64, f64)], noise_kpa: f64) -> Seal {
        let (Some(first), Some(last)) = (readings.first(), readings.last()) else {
            return Seal::default();
        };
        let moments = ((last.0 - first.0) / GRID_S) as usize;
        if readings.len() < LEAST_READINGS || !(8..=1200).contains(&moments) {
            return Seal::default();
        }
        let from = first.0;
        let onset = |i: usize| from + GRID_S * i as f64;
        let lines: Vec<PumpDownSums> = TAUS_S
            .iter()
            .map(|tau| PumpDownSums::of(readings, *tau))
            .collect();
        let least = (0..moments)
            .step_by(2)
            .flat_map(|i| lines.iter().filter_map(move |l| l.with_step(onset(i), 1.0)))
            .map(|fit| fit.misfit)
            .fold(f64::INFINITY, f64::min);
        let freedom = (readings.len() as f64 - 5.0).max(1.0);
        let variance = (least / freedom)
            .max(noise_kpa.powi(2))
            .max(LEAST_NOISE_KPA.powi(2));
        let none: Vec<f64> = lines
            .iter()
            .filter_map(|l| Some(l.without_step(variance)?.log_likelihood(variance)))
            .collect();
        let plain = log_sum(&none);
        let logs: Vec<f64> = (0..moments)
            .map(|i| {
                let each: Vec<f64> = lines
                    .iter()
                    .filter_map(|l| l.with_step(onset(i), variance))
                    .filter(|fit| fit.step > 0.0)
                    .map(|fit| fit.log_likelihood(variance))
                    .collect();
                // Twice: only half of the normal step is positive.
                std::f64::consts::LN_2 + log_sum(&each) - plain
            })
            .collect();
        let too_much = (logs.iter().copied().fold(f64::MIN, f64::max) - MUCH).max(0.0);
        let steps: Vec<f64> = logs.iter().map(|l| (l - too_much).exp()).collect();
        // From the step back to the lift.
        let reach = ((LIFT_TO_STEP_S + 3.0 * LIFT_TO_STEP_SD_S) / GRID_S) as usize;
        let weight: Vec<f64> = (0..=reach)
            .map(|k| {
                let z = (GRID_S * k as f64 - LIFT_TO_STEP_S) / LIFT_TO_STEP_SD_S;
                (-0.5 * z * z).exp()
            })
            .collect();
        let whole: f64 = weight.iter().sum();
        let mut times: Vec<f64> = (0..moments)
            .map(|i| {
                let felt = weight.iter().enumerate();
                // Beyond the last moment nothing is known: as likely as not.
                felt.map(|(k, w)| w * steps.get(i + k).copied().unwrap_or(1.0))
                    .sum::<f64>()
                    / whole
            })
            .collect();
        let top = times.iter().copied().fold(0.0, f64::max);
        if !top.is_finite() {
            return Seal::default();
        }
        let held_down_ln = too_much + (top / AT_MOST).ln().max(0.0);
        if top > AT_MOST {
            for t in &mut times {
                *t *= AT_MOST / top;
            }
        }
        Seal {
            from,
            times,
            held_down_ln,
        }
    }

    /// Whether there were readings enough to see a step.
    pub fn heard(&self) -> bool {
        !self.times.is_empty()
    }

    /// The moment that is clearly more likely than any other, if the depth shows one.
    pub fn lift(&self) -> Option<f64> {
        let (i, top) = self
            .times
            .iter()
            .copied()
            .enumerate()
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        (top >= CLEAR).then_some(self.from + GRID_S * i as f64)
    }

    /// Logarithm of how much likelier the depth makes a lift near `t` (within 1.5 s) than none at
    /// all, without any bound; none where it cannot tell.
    pub fn ln_at(&self, t: f64) -> Option<f64> {
        let place = |x: f64| ((x - self.from) / GRID_S).round();
        let (from, to) = (place(t - 1.5).max(0.0), place(t + 1.5));
        if to < 0.0 || from >= self.times.len() as f64 {
            return None;
        }
        let to = (to as usize + 1).min(self.times.len());
        let best = self.times[from as usize..to]
            .iter()
            .copied()
            .fold(f64::MIN_POSITIVE, f64::max);
        let ln = best.ln();
        Some(if ln > 0.0 { ln + self.held_down_ln } else { ln })
    }

    /// How many times as likely a lift at `t` is by the depth, 1 if it says nothing.
    pub fn times_as_likely(&self, t: f64) -> f64 {
        let place = (t - self.from) / GRID_S;
        if self.times.is_empty() || !(0.0..(self.times.len() - 1) as f64).contains(&place) {
            return 1.0;
        }
        let (i, part) = (place as usize, place.fract());
        NOT_SEEN + (1.0 - NOT_SEEN) * ((1.0 - part) * self.times[i] + part * self.times[i + 1])
    }
}

/// ln Σ e^x, and a very unlikely figure for nothing at all.
fn log_sum(logs: &[f64]) -> f64 {
    let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if top == f64::NEG_INFINITY {
        return -700.0;
    }
    top + logs.iter().map(|l| (l - top).exp()).sum::<f64>().ln()
}

/// One fit.
#[derive(Clone, Copy, Debug)]
struct Fit {
    step: f64,
    /// Residual sum of squares and the penalty of what is known beforehand, kPa².
    misfit: f64,
    /// Logarithm of the determinant of the normal equations, over that of what was known before.
    log_room: f64,
}

impl Fit {
    fn log_likelihood(&self, variance: f64) -> f64 {
        -0.5 * (self.misfit / variance + self.log_room)
    }
}

/// Sums over the readings from one on, for one time constant; e is e^(−t/τ), d is (t/τ)·e.
#[derive(Clone, Copy, Default)]
struct Tail {
    n: f64,
    e: f64,
    ee: f64,
    d: f64,
    dd: f64,
    de: f64,
    y: f64,
    ye: f64,
    yd: f64,
    yy: f64,
}

struct PumpDownSums {
    tau: f64,
    from: f64,
    times: Vec<f64>,
    tails: Vec<Tail>,
}

impl PumpDownSums {
    fn of(readings: &[(f64, f64)], tau: f64) -> PumpDownSums {
        let from = readings.first().map_or(0.0, |r| r.0);
        let reference = readings.last().map_or(0.0, |r| r.1);
        let mut tails = vec![Tail::default(); readings.len() + 1];
        for (i, (t, y)) in readings.iter().enumerate().rev() {
            let x = (t - from) / tau;
            let (e, y) = ((-x).exp(), y - reference);
            let d = x * e;
            let mut tail = tails[i + 1];
            tail.n += 1.0;
            tail.e += e;
            tail.ee += e * e;
            tail.d += d;
            tail.dd += d * d;
            tail.de += d * e;
            tail.y += y;
            tail.ye += y * e;
            tail.yd += y * d;
            tail.yy += y * y;
            tails[i] = tail;
        }
        PumpDownSums {
            tau,
            from,
            times: readings.iter().map(|r| r.0).collect(),
            tails,
        }
    }

    /// A pump-down and nothing more.
    fn without_step(&self, variance: f64) -> Option<Fit> {
        self.fit([0.0, 0.0, 0.0, 1.0], 0.0, variance, 0.0)
    }

    /// A pump-down with a step at `at`; none if too few readings follow.
    fn with_step(&self, at: f64, variance: f64) -> Option<Fit> {
        let tail = &self.tails[self.times.partition_point(|t| *t <= at)];
        if tail.n < 3.0 {
            return None;
        }
        // Every e^(−t/τ) is scaled so that it is 1 at the step.
        let k = ((at - self.from) / self.tau).exp();
        let known = variance / (STEP_SD_KPA * STEP_SD_KPA);
        let step = [
            tail.n - k * tail.e,
            tail.e - k * tail.ee,
            tail.d - k * tail.de,
            tail.n - 2.0 * k * tail.e + k * k * tail.ee + known,
        ];
        self.fit(step, tail.y - k * tail.ye, variance, known.ln())
    }

    /// Least squares over (end, e, d, step), the last row of whose normal equations is given.
    fn fit(&self, step: [f64; 4], step_y: f64, variance: f64, log_known: f64) -> Option<Fit> {
        let all = &self.tails[0];
        let known = |sd: f64| variance / (sd * sd);
        let normal = [
            [all.n, 0.0, 0.0, 0.0],
            [all.e, all.ee + known(PUMP_DOWN_SD_KPA), 0.0, 0.0],
            [all.d, all.de, all.dd + known(BETWEEN_TAUS_SD_KPA), 0.0],
            step,
        ];
        let (solution, explained, log_room) = solve(&normal, &[all.y, all.ye, all.yd, step_y])?;
        let fit = Fit {
            step: solution[3],
            misfit: (all.yy - explained).max(0.0),
            log_room: log_room - log_known,
        };
        (fit.misfit.is_finite() && fit.log_room.is_finite()).then_some(fit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pour::synthetic::Noise;

    /// A pull opened at −20 s with 85 kPa to reach in 5 s, sealed at `c` by `g` kPa more.
    fn pull(g: f64, c: f64) -> Vec<(f64, f64)> {
        let mut noise = Noise::new(7);
        (-40..60)
            .map(|i| {
                let t = f64::from(i) / 2.0;
                let sealed = g * (1.0 - (-(t - c).max(0.0) / 5.0).exp());
                let depth = 85.0 * (1.0 - (-(t + 20.0) / 5.0).exp()) + sealed;
                (t, depth + 0.15 * noise.normal())
            })
            .collect()
    }

    #[test]
    fn a_sealed_sprue_says_when_the_stopper_lifted() {
        let seal = Seal::look(&pull(3.0, 1.7), 0.15);
        assert!(seal.lift().is_some_and(|t| t.abs() < 1.0), "{seal:?}");
        assert!(seal.times_as_likely(0.0) > 10.0, "{seal:?}");
        for away in [-6.0, 5.0] {
            assert!(seal.times_as_likely(away) < 0.5, "{away}: {seal:?}");
        }
    }

    #[test]
    fn a_depth_without_a_step_favours_no_moment_much() {
        let seal = Seal::look(&pull(0.0, 0.0), 0.15);
        assert_eq!(seal.lift(), None);
        for t in -15..20 {
            let times = seal.times_as_likely(f64::from(t));
            assert!((0.2..4.0).contains(&times), "{t}: {times}");
        }
        let silent = Seal::look(&[], 0.15);
        assert!((silent.times_as_likely(0.0) - 1.0).abs() < 1e-12);
    }
}

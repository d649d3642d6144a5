//! The pump-down curve: depth approaches its end exponentially while a pump of constant speed
//! S empties a volume V, with τ = V/S.
//!
//! p(t) = p_end + (p₀ − p_end)·e^(−t/τ) (standard vacuum engineering; trade texts write it for
//! absolute pressure, and it keeps its form as depth below ambient). Fitted by
//! [`least_squares`], wild readings left out.

use crate::stats::least_squares::{self, Fitted};
use crate::stats::median::median;

/// A fitted pump-down.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PumpDown {
    /// Where the pull ends if it is left on, in the unit of the readings.
    pub end: f64,
    /// Its standard error.
    pub end_se: f64,
    /// Where it began, at time zero of the readings.
    pub start: f64,
    /// The time constant, in the unit of the times.
    pub tau: f64,
    /// Its standard error.
    pub tau_se: f64,
    /// Residual standard deviation.
    pub spread: f64,
    /// Readings left out as wild.
    pub left_out: usize,
}

impl PumpDown {
    /// When 90 % of the way from `rest` to the end is done: t = τ·ln[(p_end − p₀) ÷
    /// 0.1·(p_end − rest)], which is τ·ln 10 from rest. None where that makes no sense.
    pub fn time_to_90(&self, rest: f64) -> Option<f64> {
        let t = self.tau * ((self.end - self.start) / (0.1 * (self.end - rest))).ln();
        t.is_finite().then_some(t.max(0.0))
    }
}

/// Where the curve begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Start {
    /// At this reading at time zero.
    Known(f64),
    /// Wherever the readings say.
    Free,
}

/// Time constants are looked for between these multiples of the span of the readings.
const TAU_SPANS: (f64, f64) = (0.01, 20.0);
/// Steps of the first, coarse search over ln τ.
const COARSE_STEPS: u32 = 24;
/// A reading this many robust standard deviations off the curve is left out: one in 150,000 of
/// normal noise.
const WILD_SDS: f64 = 4.5;
/// With fewer readings none is left out: their scatter says too little.
const LEAVE_OUT_FROM: usize = 8;
/// No more than this share is left out; beyond it the curve is wrong and not the readings.
const LEAVE_OUT_SHARE: f64 = 0.2;

/// Fits the pump-down to (time, depth) pairs by least squares, with standard errors from the
/// curvature at the solution (σ²·(JᵀJ)⁻¹, as every nonlinear least-squares text has it).
///
/// None with fewer readings than unknowns plus one, when the best time constant lies at an edge
/// of what the span of the readings can tell, or when something is not finite.
pub fn fit(readings: &[(f64, f64)], start: Start) -> Option<PumpDown> {
    let unknowns = match start {
        Start::Known(_) => 2,
        Start::Free => 3,
    };
    if readings.len() <= unknowns {
        return None;
    }
    let guess = Guess::of(readings, start)?;
    let (low, high) = tau_limits(readings, start)?;
    without_wild(readings, |kept| {
        let fitted = solve(kept, start, &guess)?;
        (low < fitted.tau && fitted.tau < high).then_some(fitted)
    })
}

/// Fits, leaves out the readings that are wild by that fit, and fits again, three times at most.
fn without_wild(
    readings: &[(f64, f64)],
    fit: impl Fn(&[(f64, f64)]) -> Option<PumpDown>,
) -> Option<PumpDown> {
    let mut fitted = fit(readings)?;
    if readings.len() < LEAVE_OUT_FROM {
        return Some(fitted);
    }
    for _ in 0..3 {
        let off = |r: &(f64, f64)| {
            (r.1 - fitted.end - (fitted.start - fitted.end) * (-r.0 / fitted.tau).exp()).abs()
        };
        let mut all: Vec<f64> = readings.iter().map(off).collect();
        // 1.4826 × the median absolute deviation is the standard deviation of a normal. A
        // sensor of few steps may have a median of nothing.
        let sd = (1.4826 * median(&mut all)?).max(fitted.spread * 0.25);
        let kept: Vec<(f64, f64)> = readings
            .iter()
            .copied()
            .filter(|r| off(r) <= WILD_SDS * sd)
            .collect();
        let left_out = readings.len() - kept.len();
        let too_many = left_out as f64 > LEAVE_OUT_SHARE * readings.len() as f64;
        if left_out == fitted.left_out || too_many {
            break;
        }
        let Some(next) = fit(&kept) else { break };
        fitted = PumpDown { left_out, ..next };
    }
    Some(fitted)
}

/// Where the search begins.
struct Guess {
    end: f64,
    start: f64,
    tau: f64,
}

impl Guess {
    /// The best of a coarse search over τ; for each τ the rest is linear.
    fn of(readings: &[(f64, f64)], start: Start) -> Option<Guess> {
        let (low, high) = tau_limits(readings, start)?;
        let step = (high.ln() - low.ln()) / f64::from(COARSE_STEPS);
        let mut best: Option<(f64, Guess)> = None;
        for i in 0..=COARSE_STEPS {
            let tau = (low.ln() + step * f64::from(i)).exp();
            if let Some(guess) = Guess::at(readings, start, tau) {
                let squares = guess.squares(readings);
                if best.as_ref().is_none_or(|b| squares < b.0) {
                    best = Some((squares, guess));
                }
            }
        }
        best.map(|b| b.1)
    }

    /// End and start by linear least squares for a given τ.
    fn at(readings: &[(f64, f64)], start: Start, tau: f64) -> Option<Guess> {
        let (end, start) = match start {
            Start::Known(p0) => {
                // p − p₀ = (p_end − p₀)·(1 − e)
                let (mut num, mut den) = (0.0, 0.0);
                for (t, p) in readings {
                    let g = -(-t / tau).exp_m1();
                    num += g * (p - p0);
                    den += g * g;
                }
                (p0 + num / den, p0)
            }
            Start::Free => {
                // p = a + b·e, by centred sums.
                let n = readings.len() as f64;
                let e_mean = readings.iter().map(|r| (-r.0 / tau).exp()).sum::<f64>() / n;
                let p_mean = readings.iter().map(|r| r.1).sum::<f64>() / n;
                let (mut num, mut den) = (0.0, 0.0);
                for (t, p) in readings {
                    let e = (-t / tau).exp() - e_mean;
                    num += e * (p - p_mean);
                    den += e * e;
                }
                let b = num / den;
                let a = p_mean - b * e_mean;
                (a, a + b)
            }
        };
        (end.is_finite() && start.is_finite()).then_some(Guess { end, start, tau })
    }

    fn squares(&self, readings: &[(f64, f64)]) -> f64 {
        let away = |(t, p): &(f64, f64)| {
            (p - self.end - (self.start - self.end) * (-t / self.tau).exp()).powi(2)
        };
        readings.iter().map(away).sum()
    }
}

fn tau_limits(readings: &[(f64, f64)], start: Start) -> Option<(f64, f64)> {
    let last = readings.iter().map(|r| r.0).fold(f64::MIN, f64::max);
    let first = readings.iter().map(|r| r.0).fold(f64::MAX, f64::min);
    let span = match start {
        Start::Known(_) => last - first.min(0.0),
        Start::Free => last - first,
    };
    (span.is_finite() && span > 0.0).then_some((span * TAU_SPANS.0, span * TAU_SPANS.1))
}

/// The fit proper. The unknowns are the end, ln τ (which keeps τ above zero) and the start.
fn solve(readings: &[(f64, f64)], start: Start, guess: &Guess) -> Option<PumpDown> {
    match start {
        Start::Known(p0) => {
            let curve = |u: &[f64; 2], t: f64| {
                let tau = u[1].exp();
                let e = (-t / tau).exp();
                (u[0] + (p0 - u[0]) * e, [1.0 - e, (p0 - u[0]) * e * t / tau])
            };
            let first = [guess.end, guess.tau.ln()];
            let fitted = least_squares::fit(first, curve, readings, &[])?;
            told(&fitted, p0)
        }
        Start::Free => {
            let curve = |u: &[f64; 3], t: f64| {
                let tau = u[1].exp();
                let e = (-t / tau).exp();
                let value = u[0] + (u[2] - u[0]) * e;
                (value, [1.0 - e, (u[2] - u[0]) * e * t / tau, e])
            };
            let first = [guess.end, guess.tau.ln(), guess.start];
            let fitted = least_squares::fit(first, curve, readings, &[])?;
            told(&fitted, fitted.unknowns[2])
        }
    }
}

fn told<const N: usize>(fitted: &Fitted<N>, start: f64) -> Option<PumpDown> {
    let spread = fitted.spread();
    let se = fitted.standard_errors(spread);
    let tau = fitted.unknowns[1].exp();
    let told = PumpDown {
        end: fitted.unknowns[0],
        end_se: se[0],
        start,
        tau,
        tau_se: tau * se[1],
        spread,
        left_out: 0,
    };
    let whole = [told.end, told.end_se, start, tau, told.tau_se];
    whole.iter().all(|v| v.is_finite()).then_some(told)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn near(got: f64, want: f64, relative: f64) {
        assert!(
            (got - want).abs() <= relative * want.abs(),
            "{got} is not {want}"
        );
    }

    /// NIST StRD Misra1a (y = b1·(1−e^(−b2·x)), Misra 1978) is a pump-down from a known start;
    /// certified values and standard deviations as NIST gives them.
    #[test]
    fn nist_misra1a_comes_out_as_certified() {
        let csv = include_str!("../../../sample-data/published/nist_misra1a.csv");
        let readings: Vec<(f64, f64)> = csv
            .lines()
            .skip(1)
            .map(|line| {
                let (x, y) = line.split_once(',').unwrap();
                (x.parse().unwrap(), y.parse().unwrap())
            })
            .collect();
        let got = fit(&readings, Start::Known(0.0)).unwrap();
        near(got.end, 2.389_421_291_8E+02, 1e-8);
        near(got.end_se, 2.707_007_524_1, 1e-8);
        near(1.0 / got.tau, 5.501_564_318_1E-04, 1e-8);
        // s.e. of τ = 1/b2 is s.e.(b2)/b2² (first-order, which is exact for the linearised fit).
        near(got.tau_se / got.tau / got.tau, 7.266_868_843_6E-06, 1e-8);
        near(got.spread, 1.018_787_633_0E-01, 1e-8);
    }

    /// NIST StRD BoxBOD (same model; Box, Hunter and Hunter 1978): b1 = 213.80940889
    /// (s.d. 12.354515176), b2 = 0.54723748542 (s.d. 0.10455993237). From memory, as above.
    #[test]
    fn nist_boxbod_comes_out_as_certified() {
        let readings = [
            (1.0, 109.0),
            (2.0, 149.0),
            (3.0, 149.0),
            (5.0, 191.0),
            (7.0, 213.0),
            (10.0, 224.0),
        ];
        let got = fit(&readings, Start::Known(0.0)).unwrap();
        near(got.end, 2.138_094_088_9E+02, 1e-8);
        near(got.end_se, 1.235_451_517_6E+01, 1e-8);
        near(1.0 / got.tau, 5.472_374_854_2E-01, 1e-8);
        near(got.tau_se / got.tau / got.tau, 1.045_599_323_7E-01, 1e-8);
    }

    /// Time to a pressure on the published pump-down formula t = (V/S)·ln[(p₀−p_ult)/(p−p_ult)]:
    /// 10 L at 2 L/s from 1013 to an end of 10 mbar passes 100 mbar at 12.1 s.
    #[test]
    fn ten_litres_at_two_litres_a_second_reach_100_mbar_in_12_seconds() {
        let readings: Vec<(f64, f64)> = (0..30)
            .map(|i| {
                let t = f64::from(i) * 0.5;
                (t, (1003.0 - 1003.0 * (-t / 5.0).exp()) / 10.0)
            })
            .collect();
        let got = fit(&readings, Start::Free).unwrap();
        near(got.tau, 5.0, 1e-6);
        near(got.end, 100.3, 1e-6);
        let to_100_mbar = got.tau * (1003.0_f64 / 90.0).ln();
        near(to_100_mbar, 12.1, 0.005);
        near(got.time_to_90(0.0).unwrap(), 5.0 * 10.0_f64.ln(), 1e-6);
    }

    #[test]
    fn a_spike_does_not_move_the_curve() {
        let mut noise = crate::pour::synthetic::Noise::new(3);
        let mut readings: Vec<(f64, f64)> = (0..60)
            .map(|i| {
                let t = f64::from(i) * 0.5;
                (t, 85.0 - 85.0 * (-t / 5.0).exp() + 0.15 * noise.normal())
            })
            .collect();
        let clean = fit(&readings, Start::Free).unwrap();
        for (i, value) in [(7, 0.0), (20, 0.0), (31, 140.0)] {
            readings[i].1 = value;
        }
        let got = fit(&readings, Start::Free).unwrap();
        assert_eq!(got.left_out, 3);
        assert!((got.end - clean.end).abs() < 2.0 * clean.end_se, "{got:?}");
        assert!((got.tau - clean.tau).abs() < 2.0 * clean.tau_se, "{got:?}");
    }

    #[test]
    fn what_cannot_be_told_is_not_told() {
        assert_eq!(fit(&[], Start::Free), None);
        assert_eq!(fit(&[(0.0, 1.0); 9], Start::Free), None, "no span");
        let flat: Vec<_> = (0..20).map(|i| (f64::from(i), 0.0)).collect();
        assert_eq!(fit(&flat, Start::Free), None, "nothing moved");
        let straight: Vec<_> = (0..20).map(|i| (f64::from(i), f64::from(i))).collect();
        assert_eq!(fit(&straight, Start::Free), None, "no end in sight");
    }

    /// The claimed standard error of τ is the scatter of τ over repeated pulls.
    #[test]
    fn the_standard_error_is_the_scatter_of_repeats() {
        let mut noise = crate::pour::synthetic::Noise::new(7);
        let (mut taus, mut claimed) = (Vec::new(), 0.0);
        for _ in 0..300 {
            let readings: Vec<(f64, f64)> = (0..40)
                .map(|i| {
                    let t = f64::from(i) * 0.5;
                    (t, 85.0 - 85.0 * (-t / 5.0).exp() + 0.4 * noise.normal())
                })
                .collect();
            let got = fit(&readings, Start::Free).unwrap();
            taus.push(got.tau);
            claimed += got.tau_se / 300.0;
        }
        let mean = taus.iter().sum::<f64>() / 300.0;
        let sd = (taus.iter().map(|t| (t - mean).powi(2)).sum::<f64>() / 299.0).sqrt();
        near(mean, 5.0, 0.01);
        near(claimed, sd, 0.15);
    }

    proptest! {
        #[test]
        fn no_readings_panic(readings in prop::collection::vec((any::<f64>(), any::<f64>()), 0..12)) {
            let _ = fit(&readings, Start::Free);
            let _ = fit(&readings, Start::Known(0.0));
        }
    }
}

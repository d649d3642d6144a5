//! The leak-up: once the pump is cut off, depth is lost at a steady rate through whatever
//! leaks. A straight line is fitted to it, and with the volume it is a leak of so much gas.
//!
//! Q = V·dp/dt (rate of rise, standard vacuum engineering) and, in moles,
//! n = V/R·(p₂/T₂ − p₁/T₁)/(t₂ − t₁) (40 CFR 1065.644). A leak from the air keeps its rate while
//! the pressure inside is under about half of the air's (choked flow), which is when it is
//! watched. A porous mould leaks too: with a flask in place the rate is the flask's and the
//! seal's together.

use crate::stats::least_squares;
use crate::stats::median::median;

/// Molar gas constant, J/(mol·K) (exact since 2019, BIPM SI Brochure).
const GAS_CONSTANT: f64 = 8.314_462_618_153_24;
/// Least readings, and least span, s, that make a rate.
const LEAST: (usize, f64) = (4, 4.0);
/// A reading this many robust standard deviations off the line is left out.
const WILD_SDS: f64 = 4.5;

/// A rate of loss.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LeakUp {
    /// Depth lost per minute, kPa/min.
    pub loss_kpa_min: f64,
    /// Its standard error, kPa/min.
    pub se_kpa_min: f64,
}

/// The rate of loss from (seconds, kPa below ambient) pairs after the pump was cut off. None
/// with fewer than four readings over four seconds, or when something is not finite.
pub fn fit(readings: &[(f64, f64)]) -> Option<LeakUp> {
    let (first, last) = (readings.first()?, readings.last()?);
    if readings.len() < LEAST.0 || last.0 - first.0 < LEAST.1 {
        return None;
    }
    let line = |u: &[f64; 2], t: f64| (u[0] + u[1] * t, [1.0, t]);
    let mut fitted = least_squares::fit([first.1, 0.0], line, readings, &[])?;
    for _ in 0..3 {
        let off = |r: &(f64, f64)| (r.1 - fitted.unknowns[0] - fitted.unknowns[1] * r.0).abs();
        let mut all: Vec<f64> = readings.iter().map(off).collect();
        let sd = (1.4826 * median(&mut all)?).max(0.25 * fitted.spread());
        let kept: Vec<(f64, f64)> = readings
            .iter()
            .copied()
            .filter(|r| off(r) <= WILD_SDS * sd)
            .collect();
        if kept.len() == fitted.readings || kept.len() < LEAST.0.max(readings.len() * 4 / 5) {
            break;
        }
        let start = [fitted.unknowns[0], fitted.unknowns[1]];
        let Some(next) = least_squares::fit(start, line, &kept, &[]) else {
            break;
        };
        fitted = next;
    }
    Some(LeakUp {
        loss_kpa_min: -60.0 * fitted.unknowns[1],
        se_kpa_min: 60.0 * fitted.standard_errors(fitted.spread())[1],
    })
}

/// What leaks into `volume_l` at this rate, mbar·L/s: Q = V·dp/dt.
pub fn leak_mbar_l_s(volume_l: f64, loss_kpa_min: f64) -> f64 {
    volume_l * loss_kpa_min * 10.0 / 60.0
}

/// The same in mol/s for gas at `temperature_c`: n = V/(R·T)·dp/dt.
pub fn leak_mol_s(volume_l: f64, loss_kpa_min: f64, temperature_c: f64) -> f64 {
    let pascal_s = 1000.0 * loss_kpa_min / 60.0;
    volume_l / 1000.0 * pascal_s / (GAS_CONSTANT * (temperature_c + 273.15))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn near(got: f64, want: f64, relative: f64) {
        assert!((got - want).abs() <= relative * want.abs(), "{got}, {want}");
    }

    /// Rate of rise Q = V·dp/dt: 10 L gaining 10 mbar/min leak 1.67 mbar·L/s, 99 sccm at
    /// 0.0168875 mbar·L/s to the sccm (published vacuum-technology notes).
    #[test]
    fn ten_litres_that_lose_ten_mbar_a_minute_leak_1_67_mbar_litres_a_second() {
        let q = leak_mbar_l_s(10.0, 1.0);
        near(q, 1.667, 0.001);
        near(q / 0.016_887_5, 98.7, 0.001);
    }

    /// The leak-check formula of 40 CFR 1065.644: 2.0000 L at 293.15 K going from 25.300 to
    /// 50.600 kPa in 70 s leak 2.966e-4 mol/s.
    #[test]
    fn the_molar_leak_is_that_of_40_cfr_1065_644() {
        let loss_kpa_min = (50.600 - 25.300) / 70.0 * 60.0;
        near(leak_mol_s(2.0, loss_kpa_min, 20.0), 2.966e-4, 1e-3);
    }

    #[test]
    fn a_seal_that_loses_six_kpa_a_minute_is_measured_with_its_error() {
        let mut noise = crate::pour::synthetic::Noise::new(5);
        let (mut rates, mut claimed) = (Vec::new(), 0.0);
        for _ in 0..300 {
            let readings: Vec<(f64, f64)> = (0..40)
                .map(|i| {
                    let t = f64::from(i) * 0.5;
                    (t, 85.0 - 0.1 * t + 0.15 * noise.normal())
                })
                .collect();
            let got = fit(&readings).unwrap();
            rates.push(got.loss_kpa_min);
            claimed += got.se_kpa_min / 300.0;
        }
        let mean = rates.iter().sum::<f64>() / 300.0;
        let sd = (rates.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / 299.0).sqrt();
        near(mean, 6.0, 0.01);
        near(claimed, sd, 0.15);
    }

    #[test]
    fn a_dropped_packet_does_not_make_a_leak() {
        let mut readings: Vec<(f64, f64)> = (0..30)
            .map(|i| (f64::from(i), 85.0 + 0.1 * f64::from(i % 3)))
            .collect();
        readings[12].1 = 0.0;
        assert!(fit(&readings).unwrap().loss_kpa_min.abs() < 0.5);
    }

    #[test]
    fn too_little_is_no_rate() {
        assert_eq!(fit(&[]), None);
        assert_eq!(fit(&[(0.0, 85.0), (1.0, 84.0), (2.0, 83.0)]), None);
        assert_eq!(fit(&[(0.0, 85.0); 9]), None);
        let wild = [(0.0, f64::NAN), (2.0, 1.0), (4.0, 1.0), (6.0, 1.0)];
        assert_eq!(fit(&wild), None);
    }
}

//! The exponentially weighted moving average: each point is mostly its own past, so that a small
//! change that lasts, like a gasket that wears, is told long before a single reading stands out.

use super::runs::{Rule, signals};
use super::{Chart, Plotted};
use crate::stats::error::StatsError;

/// The weight of the newest reading, λ: 0.2 is common practice for changes about as large as the
/// readings' own spread.
pub const WEIGHT: f64 = 0.2;

/// How many of its standard deviations the limits stand from the centre, L: with λ = 0.2 a false
/// signal comes once in 371 readings, as rarely as on a chart of single values (R 4.2.2, spc
/// 0.6.7: 371.1 for L = 2.86).
pub const REACH: f64 = 2.86;

/// What the readings are while nothing has changed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// Their mean μ₀.
    pub mean: f64,
    /// Their standard deviation σ.
    pub sd: f64,
    /// How many readings the mean was taken from; none where it is known. Limits are wider by its
    /// uncertainty.
    pub from: Option<usize>,
}

/// The chart's settings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ewma {
    /// λ, above 0 and at most 1.
    pub weight: f64,
    /// L, above 0.
    pub reach: f64,
    /// Whether limits stand where they settle from the first point on, as handbooks print them,
    /// or open up as the average takes in readings.
    pub settled: bool,
}

impl Default for Ewma {
    fn default() -> Ewma {
        Ewma {
            weight: WEIGHT,
            reach: REACH,
            settled: false,
        }
    }
}

impl Ewma {
    /// The chart of `readings` about `level` (Roberts 1959, Technometrics 1:239–250;
    /// NIST/SEMATECH e-Handbook 6.3.2.4): z₀ = μ₀, zₜ = λ·xₜ + (1−λ)·zₜ₋₁, with limits
    ///
    /// μ₀ ± L·σ·√(λ/(2−λ)·[1 − (1−λ)²ᵗ] + [1 − (1−λ)ᵗ]²/m),
    ///
    /// where m is the number of readings that the mean was taken from (without it the last term
    /// is 0) and t → ∞ where limits are `settled`. The last term is the share of the mean's own
    /// uncertainty that the average has taken in by then; it holds for readings that are not
    /// among those m. The only signal is a point beyond a limit: neighbours share their past, so
    /// runs of them mean nothing.
    ///
    /// # Errors
    /// [`StatsError::NotFinite`]; [`StatsError::Argument`] for settings out of range or a level
    /// without spread.
    pub fn chart(&self, readings: &[f64], level: Level) -> Result<Chart, StatsError> {
        if let Some(row) = readings.iter().position(|v| !v.is_finite()) {
            return Err(StatsError::NotFinite {
                what: "the reading".to_owned(),
                row: row + 1,
            });
        }
        if !(self.weight > 0.0 && self.weight <= 1.0 && self.reach > 0.0) {
            return Err(StatsError::Argument(format!(
                "a moving average needs a weight of more than 0 and at most 1 and a reach above \
                 0, not {} and {}",
                self.weight, self.reach
            )));
        }
        if !(level.mean.is_finite() && level.sd > 0.0 && level.sd.is_finite())
            || level.from == Some(0)
        {
            return Err(StatsError::Argument(
                "the readings that set the level are all the same, so there is nothing to set \
                 limits by"
                    .to_owned(),
            ));
        }
        let rest = 1.0 - self.weight;
        let of_mean = level.from.map_or(0.0, |m| 1.0 / m as f64);
        let mut past = level.mean;
        let mut left = 1.0;
        let points: Vec<Plotted> = readings
            .iter()
            .map(|reading| {
                past = self.weight * reading + rest * past;
                left *= rest;
                let left = if self.settled { 0.0 } else { left };
                let variance = self.weight / (2.0 - self.weight) * (1.0 - left * left)
                    + (1.0 - left).powi(2) * of_mean;
                let sd = level.sd * variance.sqrt();
                Plotted {
                    value: past,
                    centre: level.mean,
                    sd,
                    low: level.mean - self.reach * sd,
                    high: level.mean + self.reach * sd,
                }
            })
            .collect();
        let signals = signals(&points, &[Rule::BeyondLimit]);
        Ok(Chart { points, signals })
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::stats::charts::Side;
    use rand::{RngExt, SeedableRng};
    use rand_pcg::Pcg64;

    /// NIST/SEMATECH e-Handbook 6.3.2.4: λ = 0.3, target 50, s = 2.0539, limits 52.5884 and
    /// 47.4115 (printed without rounding up), and its column of twenty averages to two decimals.
    #[test]
    fn the_handbooks_twenty_readings() {
        let readings = [
            52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3,
            47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
        ];
        let printed = [
            50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36,
            49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
        ];
        let settings = Ewma {
            weight: 0.3,
            reach: 3.0,
            settled: true,
        };
        let level = Level {
            mean: 50.0,
            sd: 2.0539,
            from: None,
        };
        let chart = settings.chart(&readings, level).unwrap();
        for (ours, theirs) in chart.points.iter().zip(printed) {
            assert!((ours.value - theirs).abs() < 0.005_01, "{ours:?} {theirs}");
        }
        assert!((chart.points[0].high - 52.588_431_738_1).abs() < 1e-9);
        assert!((chart.points[0].low - 47.411_568_261_9).abs() < 1e-9);
        assert!(chart.signals.is_empty());
    }

    fn normals(seed: u64) -> impl FnMut() -> f64 {
        let mut chance = Pcg64::seed_from_u64(seed);
        move || {
            let (u, v): (f64, f64) = (chance.random(), chance.random());
            (-2.0 * (1.0 - u).ln()).sqrt() * (std::f64::consts::TAU * v).cos()
        }
    }

    /// Readings to the first signal, on average: 371.1 with nothing changed, 36.2 after a step of
    /// half a standard deviation and 9.80 after a whole one (R 4.2.2, spc 0.6.7, two-sided, zero
    /// state, λ = 0.2, L = 2.86, settled limits).
    #[test]
    fn signals_come_as_soon_as_another_package_reckons() {
        let settings = Ewma {
            settled: true,
            ..Ewma::default()
        };
        let known = Level {
            mean: 0.0,
            sd: 1.0,
            from: None,
        };
        let mut normal = normals(7);
        for (step, reckoned) in [(0.0, 371.1), (0.5, 36.20), (1.0, 9.80)] {
            let runs = 1500;
            let mut sum = 0.0;
            for _ in 0..runs {
                let mut readings = Vec::new();
                let first = loop {
                    readings.extend((0..100).map(|_| normal() + step));
                    let chart = settings.chart(&readings, known).unwrap();
                    if let Some(first) = chart.signals.first() {
                        break first.to + 1;
                    }
                };
                sum += first as f64;
            }
            let mean = sum / f64::from(runs);
            let margin = 4.0 * reckoned / f64::from(runs).sqrt();
            assert!((mean - reckoned).abs() < margin, "step {step}: {mean}");
        }
    }

    /// With a mean from ten readings and the limits widened for it, each point is beyond a limit
    /// about as often as with a mean that is known: 0.42 % on each point for L = 2.86.
    #[test]
    fn a_mean_from_few_readings_cries_wolf_no_more_often_at_any_point() {
        let mut normal = normals(8);
        let (runs, at) = (20_000, 14);
        let mut beyond = 0;
        for _ in 0..runs {
            let first: Vec<f64> = (0..10).map(|_| normal()).collect();
            let level = Level {
                mean: super::super::mean(&first),
                sd: 1.0,
                from: Some(10),
            };
            let readings: Vec<f64> = (0..=at).map(|_| normal()).collect();
            let p = Ewma::default().chart(&readings, level).unwrap().points[at];
            beyond += usize::from(p.value > p.high || p.value < p.low);
        }
        // 85 expected; four standard errors are 37.
        assert!((48..=122).contains(&beyond), "{beyond} of {runs}");
    }

    #[test]
    fn a_worn_gasket_is_told_before_one_pull_stands_out() {
        let level = Level {
            mean: 85.0,
            sd: 1.0,
            from: Some(10),
        };
        let readings: Vec<f64> = (0..30).map(|i| 85.0 - 0.1 * f64::from(i)).collect();
        let chart = Ewma::default().chart(&readings, level).unwrap();
        let first = chart.signals[0];
        assert_eq!(first.side, Side::Low);
        assert!(readings[first.to] > 85.0 - 3.0, "{first:?}");
        let flat = Level { sd: 0.0, ..level };
        assert!(Ewma::default().chart(&readings, flat).is_err());
        assert!(Ewma::default().chart(&[f64::NAN], level).is_err());
        let odd = Ewma {
            weight: 0.0,
            ..Ewma::default()
        };
        assert!(odd.chart(&readings, level).is_err());
    }
}

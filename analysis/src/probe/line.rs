//! Straight lines through bins of a melt: by the median of pairwise slopes, so that one wild
//! bin cannot tilt them (Theil 1950, Sen 1968), with the standard error of ordinary least squares
//! on what scatter is left.

use super::course::Bin;
use crate::stats::median::median;
use crate::time::Micros;

/// The median absolute deviation times this is the standard deviation of a normal scatter.
const MAD_TO_SD: f64 = 1.4826;

/// A line through bins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Where its time is counted from: the middle of the bins.
    pub origin: Micros,
    /// Its level there, °C.
    pub celsius: f64,
    /// Its slope, K/s.
    pub slope_k_s: f64,
    /// Robust scatter of the bins about it, K.
    pub scatter_k: f64,
    /// How many bins.
    pub count: usize,
    /// Sum of squared times about the origin, s².
    spread_s2: f64,
}

impl Line {
    /// The line through these bins; none of fewer than four, or of bins at one time.
    pub fn through(bins: &[Bin]) -> Option<Line> {
        if bins.len() < 4 {
            return None;
        }
        let first = bins.first()?.at;
        let n = bins.len() as f64;
        let mean_s = bins.iter().map(|b| b.at.seconds_since(first)).sum::<f64>() / n;
        let origin = first.plus_seconds(mean_s);
        let times: Vec<f64> = bins.iter().map(|b| b.at.seconds_since(origin)).collect();
        let mut slopes = Vec::with_capacity(bins.len() * (bins.len() - 1) / 2);
        for i in 0..bins.len() {
            for j in i + 1..bins.len() {
                let apart = times[j] - times[i];
                if apart > 0.0 {
                    slopes.push((bins[j].celsius - bins[i].celsius) / apart);
                }
            }
        }
        let slope_k_s = median(&mut slopes)?;
        let mut levels: Vec<f64> = bins
            .iter()
            .zip(&times)
            .map(|(b, t)| b.celsius - slope_k_s * t)
            .collect();
        let celsius = median(&mut levels)?;
        let mut off: Vec<f64> = levels.iter().map(|l| (l - celsius).abs()).collect();
        Some(Line {
            origin,
            celsius,
            slope_k_s,
            scatter_k: MAD_TO_SD * median(&mut off)?,
            count: bins.len(),
            spread_s2: times.iter().map(|t| t * t).sum(),
        })
    }

    /// Its level at a time, °C.
    pub fn at(&self, at: Micros) -> f64 {
        self.celsius + self.slope_k_s * at.seconds_since(self.origin)
    }

    /// The standard error of that, K; `least_scatter_k` stands for a scatter that the readings'
    /// resolution hides.
    pub fn error_at(&self, at: Micros, least_scatter_k: f64) -> f64 {
        let scatter = self.scatter_k.max(least_scatter_k);
        let t = at.seconds_since(self.origin);
        scatter * (1.0 / self.count as f64 + t * t / self.spread_s2.max(1e-9)).sqrt()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_wild_bin_does_not_tilt_the_line() {
        let start = Micros(1_795_000_000_000_000);
        let mut bins: Vec<Bin> = (0..20)
            .map(|i| Bin {
                at: start.plus_seconds(5.0 * f64::from(i)),
                celsius: 970.0 - 0.05 * 5.0 * f64::from(i),
            })
            .collect();
        bins[17].celsius += 40.0;
        let line = Line::through(&bins).unwrap();
        assert!((line.slope_k_s + 0.05).abs() < 1e-9, "{line:?}");
        assert!((line.at(start) - 970.0).abs() < 1e-9);
        assert!(line.error_at(start, 0.1) > line.error_at(line.origin, 0.1));
        assert!(Line::through(&bins[..3]).is_none());
    }
}

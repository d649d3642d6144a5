//! A straight line through readings that may hold a few wild ones.

use crate::stats::median::median;

/// A line y = level + slope·t.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Line {
    /// Value at t = 0.
    pub level: f64,
    /// Per unit of t.
    pub slope: f64,
    /// Robust residual standard deviation.
    pub spread: f64,
}

/// Huber's constant: beyond this many spreads a reading loses weight. 1.345 keeps 95 % of the
/// efficiency at normal noise (Huber 1964; from memory, any text on robust statistics).
const HUBER: f64 = 1.345;

/// Huber's line by reweighting, a few rounds. None with under two distinct times.
pub(crate) fn fit(readings: &[(f64, f64)]) -> Option<Line> {
    let mut weights = vec![1.0; readings.len()];
    let mut line = weighted(readings, &weights)?;
    let mut away: Vec<f64> = Vec::with_capacity(readings.len());
    for _ in 0..4 {
        away.clear();
        away.extend(
            readings
                .iter()
                .map(|(t, y)| (y - line.level - line.slope * t).abs()),
        );
        // 1.4826 × the median absolute deviation is the standard deviation of a normal.
        line.spread = 1.4826 * median(&mut away)?;
        if line.spread <= 0.0 {
            break;
        }
        for (w, (t, y)) in weights.iter_mut().zip(readings) {
            let r = (y - line.level - line.slope * t).abs() / line.spread;
            *w = if r > HUBER { HUBER / r } else { 1.0 };
        }
        let spread = line.spread;
        line = weighted(readings, &weights)?;
        line.spread = spread;
    }
    Some(line)
}

fn weighted(readings: &[(f64, f64)], weights: &[f64]) -> Option<Line> {
    let sum: f64 = weights.iter().sum();
    let pairs = || readings.iter().zip(weights);
    let t_mean = pairs().map(|(r, w)| w * r.0).sum::<f64>() / sum;
    let y_mean = pairs().map(|(r, w)| w * r.1).sum::<f64>() / sum;
    let stt: f64 = pairs().map(|(r, w)| w * (r.0 - t_mean).powi(2)).sum();
    let sty: f64 = pairs()
        .map(|(r, w)| w * (r.0 - t_mean) * (r.1 - y_mean))
        .sum();
    let slope = sty / stt;
    let level = y_mean - slope * t_mean;
    (stt > 0.0 && slope.is_finite() && level.is_finite()).then_some(Line {
        level,
        slope,
        spread: 0.0,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// Anscombe's third data set (Am. Statistician 27 (1973) 17, from memory): a perfect line
    /// y = 4.00 + 0.346·x with one wild point, which plain least squares follows (slope 0.5).
    #[test]
    fn one_wild_reading_does_not_turn_the_line() {
        let x = [10.0, 8.0, 13.0, 9.0, 11.0, 14.0, 6.0, 4.0, 12.0, 7.0, 5.0];
        let y = [
            7.46, 6.77, 12.74, 7.11, 7.81, 8.84, 6.08, 5.39, 8.15, 6.42, 5.73,
        ];
        let readings: Vec<(f64, f64)> = x.into_iter().zip(y).collect();
        let plain = weighted(&readings, &[1.0; 11]).unwrap();
        assert!((plain.slope - 0.5).abs() < 0.001);
        let line = fit(&readings).unwrap();
        assert!((line.slope - 0.346).abs() < 0.02, "{line:?}");
    }

    #[test]
    fn no_line_without_two_times() {
        assert_eq!(fit(&[]), None);
        assert_eq!(fit(&[(1.0, 5.0), (1.0, 6.0)]), None);
    }
}

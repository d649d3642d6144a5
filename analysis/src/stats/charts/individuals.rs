//! The chart of single values: one measure a pour, limits from how far neighbours differ. For
//! what should stay the same from pour to pour; a measure that creeps is told sooner by
//! [`super::ewma`].

use super::runs::{Rule, signals};
use super::{Chart, Plotted, mean, moving_range_sd};
use crate::stats::error::StatsError;

/// Fewer values than this make no limits (common practice asks for twenty and uses from ten).
pub const FEWEST: usize = 10;

/// The chart of individuals: centre x̄, limits x̄ ± 3·σ with σ the mean moving range of two ÷ d₂
/// (NIST/SEMATECH e-Handbook 6.3.2.2; ISO 7870-2). `base` is how many leading values set centre
/// and limits; all when there are fewer.
///
/// # Errors
/// [`StatsError::NotFinite`]; [`StatsError::Argument`] with fewer than ten values to set limits
/// by, or when these are all the same.
pub fn individuals(values: &[f64], base: usize) -> Result<Chart, StatsError> {
    if let Some(row) = values.iter().position(|v| !v.is_finite()) {
        return Err(StatsError::NotFinite {
            what: "the value".to_owned(),
            row: row + 1,
        });
    }
    let set_by = &values[..base.min(values.len())];
    if set_by.len() < FEWEST {
        return Err(StatsError::Argument(format!(
            "setting limits takes {FEWEST} ({} so far)",
            set_by.len()
        )));
    }
    let centre = mean(set_by);
    let sd = moving_range_sd(set_by).unwrap_or(0.0);
    if sd <= 0.0 {
        return Err(StatsError::Argument(
            "the values are all the same, so there is nothing to set limits by".to_owned(),
        ));
    }
    let points: Vec<Plotted> = values
        .iter()
        .map(|value| Plotted {
            value: *value,
            centre,
            sd,
            low: centre - 3.0 * sd,
            high: centre + 3.0 * sd,
        })
        .collect();
    let signals = signals(&points, &Rule::ALL);
    Ok(Chart { points, signals })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::stats::charts::{D2, Side};

    /// NIST/SEMATECH e-Handbook 6.3.2.2: ten flow rates, x̄ 50.81, mean moving range 1.8778;
    /// limits 55.8041 and 45.8159 with d₂ rounded to 1.128.
    #[test]
    fn the_handbooks_flow_rates() {
        let flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
        let chart = individuals(&flow, usize::MAX).unwrap();
        let p = chart.points[0];
        assert!((p.centre - 50.81).abs() < 1e-12);
        assert!((p.sd * D2 - 1.877_777_777_78).abs() < 1e-10);
        let rounded = |limit: f64| p.centre + (limit - p.centre) * D2 / 1.128;
        assert_eq!(format!("{:.4}", rounded(p.high)), "55.8041");
        assert_eq!(format!("{:.4}", rounded(p.low)), "45.8159");
        // With d₂ unrounded.
        assert!((p.high - 55.802_411_680_1).abs() < 1e-9);
        assert!(chart.signals.is_empty(), "{:?}", chart.signals);
    }

    #[test]
    fn a_probe_that_reads_low_from_one_day_on_is_told() {
        let mut errors: Vec<f64> = (0..20).map(|i| f64::from(i % 3) - 1.0).collect();
        errors.extend((0..8).map(|i| f64::from(i % 3) - 3.5));
        let chart = individuals(&errors, 20).unwrap();
        assert!(chart.signals.iter().all(|s| s.from >= 18), "{chart:?}");
        assert!(chart.signals.iter().any(|s| s.side == Side::Low));
        // Limits stay where the first twenty set them.
        assert!((chart.points[27].centre - chart.points[0].centre).abs() < 1e-12);
    }

    #[test]
    fn too_few_or_all_equal_is_said() {
        let said = |values: &[f64]| individuals(values, usize::MAX).unwrap_err().to_string();
        assert!(said(&[1.0, 2.0]).starts_with("setting limits takes 10 (2 so far)"));
        assert!(said(&[1.0; 12]).starts_with("the values are all the same"));
        assert!(said(&[1.0, f64::NAN]).contains("row 2"));
    }
}

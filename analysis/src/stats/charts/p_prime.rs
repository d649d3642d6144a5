//! The p′ chart: shares of defective pieces day by day, with limits from how much days really
//! differ. The plain p chart takes pieces for independent, which those of a session are not, and
//! cries wolf over large days; this one measures the difference between days and uses that.

use super::runs::{Rule, signals};
use super::{Chart, Plotted, moving_range_sd};
use crate::stats::error::StatsError;

/// Fewer sessions than this make no limits.
pub const FEWEST: usize = 10;

/// A p′ chart with how much wider than a plain p chart its limits are.
#[derive(Clone, Debug, PartialEq)]
pub struct PPrime {
    /// The chart, in shares of 1. Limits stay within 0 and 1.
    pub chart: Chart,
    /// σ_z: 1 where pieces are as good as independent, more where sessions differ.
    pub sigma_z: f64,
}

/// Laney's p′ chart (Laney 2002, Quality Engineering 14:531–537; the formulas from memory): with
/// events xᵢ of nᵢ pieces, p̄ = Σx/Σn, σᵢ = √(p̄(1−p̄)/nᵢ) and zᵢ = (pᵢ − p̄)/σᵢ, σ_z is the mean
/// moving range of the zᵢ ÷ d₂, and the limits are p̄ ± 3·σᵢ·σ_z. With σ_z = 1 it is the plain
/// p chart (NIST/SEMATECH e-Handbook 6.3.3.2). `counts` are (events, pieces) of each session in
/// order of time, `base` how many leading ones set centre and limits.
///
/// # Errors
/// [`StatsError::Count`] for a session without pieces or with more events than pieces;
/// [`StatsError::Argument`] with fewer than ten sessions to set limits by, or when all of them
/// have the same share; [`StatsError::NoContrast`] when none or all of the pieces are defective.
pub fn p_prime(counts: &[(u32, u32)], base: usize) -> Result<PPrime, StatsError> {
    for (row, (events, pieces)) in counts.iter().enumerate() {
        if *pieces == 0 || events > pieces {
            return Err(StatsError::Count {
                row: row + 1,
                events: f64::from(*events),
                trials: f64::from(*pieces),
            });
        }
    }
    let set_by = &counts[..base.min(counts.len())];
    if set_by.len() < FEWEST {
        return Err(StatsError::Argument(format!(
            "setting limits takes {FEWEST} sessions ({} so far)",
            set_by.len()
        )));
    }
    let events: u64 = set_by.iter().map(|c| u64::from(c.0)).sum();
    let pieces: u64 = set_by.iter().map(|c| u64::from(c.1)).sum();
    if events == 0 || events == pieces {
        return Err(StatsError::NoContrast { all: events > 0 });
    }
    let centre = events as f64 / pieces as f64;
    let plain_sd = |n: u32| (centre * (1.0 - centre) / f64::from(n)).sqrt();
    let share = |(events, pieces): (u32, u32)| f64::from(events) / f64::from(pieces);
    let z: Vec<f64> = set_by
        .iter()
        .map(|c| (share(*c) - centre) / plain_sd(c.1))
        .collect();
    let sigma_z = moving_range_sd(&z).unwrap_or(0.0);
    if sigma_z <= 0.0 {
        return Err(StatsError::Argument(
            "all sessions have the same share, so there is nothing to set limits by".to_owned(),
        ));
    }
    let points: Vec<Plotted> = counts
        .iter()
        .map(|c| {
            let sd = plain_sd(c.1) * sigma_z;
            Plotted {
                value: share(*c),
                centre,
                sd,
                low: (centre - 3.0 * sd).max(0.0),
                high: (centre + 3.0 * sd).min(1.0),
            }
        })
        .collect();
    let signals = signals(&points, &Rule::ALL);
    Ok(PPrime {
        chart: Chart { points, signals },
        sigma_z,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook 6.3.3.2: chips of 30 wafers, 50 each, p̄ = 0.2313; its plain
    /// limits 0.4102 and 0.0524 come out with σ_z taken off.
    #[test]
    fn the_handbooks_wafers() {
        let bad = [
            12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15,
            9, 12, 7, 13, 9, 6,
        ];
        let counts: Vec<(u32, u32)> = bad.iter().map(|b| (*b, 50)).collect();
        let found = p_prime(&counts, usize::MAX).unwrap();
        let p = found.chart.points[0];
        assert_eq!(format!("{:.4}", p.centre), "0.2313");
        let plain = |k: f64| p.centre + k * p.sd / found.sigma_z;
        assert_eq!(format!("{:.4}", plain(3.0)), "0.4102");
        assert_eq!(format!("{:.4}", plain(-3.0)), "0.0524");
        // By the formula, in Python.
        assert!((found.sigma_z - 1.660_308_621_872_84).abs() < 1e-12);
    }

    #[test]
    fn large_days_that_differ_as_days_do_are_no_signal() {
        // A thousand pieces a day at 4 or 8 %: far outside a plain chart's limits every day.
        let days: Vec<(u32, u32)> = (0..24)
            .map(|i| (if i % 4 < 2 { 40 } else { 80 }, 1000))
            .collect();
        let found = p_prime(&days, usize::MAX).unwrap();
        assert!(found.sigma_z > 2.0, "{}", found.sigma_z);
        assert!(found.chart.signals.is_empty(), "{:?}", found.chart.signals);
        // One day of 30 % among them is one.
        let mut bad = days.clone();
        bad.push((300, 1000));
        let told = p_prime(&bad, 24).unwrap().chart.signals;
        assert_eq!(
            (told.len(), told[0].rule, told[0].to),
            (1, Rule::BeyondLimit, 24)
        );
    }

    #[test]
    fn what_sets_no_limits_is_said() {
        let said = |counts: &[(u32, u32)]| p_prime(counts, usize::MAX).unwrap_err().to_string();
        assert!(said(&[(1, 20)]).starts_with("setting limits takes 10 sessions (1 so far)"));
        assert!(said(&[(0, 20); 12]).starts_with("none of the pieces"));
        assert!(said(&[(2, 20); 12]).starts_with("all sessions have the same share"));
        assert!(said(&[(3, 2)]).starts_with("row 1: 3 of 2"));
        assert!(said(&[(0, 0)]).starts_with("row 1"));
    }
}

//! Critical values over a whole curve, for the reference checks: `cbpp.csv` with the period as a
//! setting and its square, twelve points, against an enumeration of every sign by other means.

use std::fs;

use analysis::stats::counts::Counts;
use analysis::stats::covariance::{Covariance, Uncertainty};
use analysis::stats::design::Design;
use analysis::stats::logistic::{Extras, fit};
use analysis::stats::sup_t::{Comparisons, critical, sup_t};
use analysis::stats::{Matrix, Vector};
use serde_json::{Value, json};

/// Critical values of the families over periods 1 to 4, for a file of columns cluster, events,
/// trials and period.
pub(crate) fn curve(file: &str) -> Result<Value, String> {
    let text = fs::read_to_string(file).map_err(|e| format!("{file}: {e}"))?;
    let (mut sessions, mut events, mut trials, mut period) = (vec![], vec![], vec![], vec![]);
    for line in text.lines().filter(|l| !l.starts_with('#')).skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let number = |i: usize| {
            cells
                .get(i)
                .and_then(|c| c.trim().parse::<f64>().ok())
                .ok_or(format!(
                    "{file}: \"{line}\" has no number in column {}",
                    i + 1
                ))
        };
        sessions.push(cells[0].to_owned());
        events.push(number(1)?);
        trials.push(number(2)?);
        period.push(number(3)?);
    }
    let square: Vec<f64> = period.iter().map(|p| p * p).collect();
    let fitted = || {
        let counts = Counts::new(&events, &trials, &sessions)?;
        let design = Design::intercept(events.len())
            .column("period", &period)?
            .column("square", &square)?;
        let fitted = fit(&design, &counts, &Extras::default())?;
        let covariance = Covariance::of(&fitted, &design, &counts, Uncertainty::Session)?;
        let points = Matrix::from_fn(3, 12, |i, j| {
            (1.0 + 3.0 * j as f64 / 11.0).powi(i32::try_from(i).unwrap_or(0))
        });
        let reference: Vector = points.column(2).into_owned();
        // On the scale of t itself, as NumPy has it.
        let df = [f64::INFINITY; 12];
        let compared = Comparisons {
            points: &points,
            point_df: &df,
            reference: &reference,
            change_df: &df,
            pairs: true,
        };
        let found = sup_t(&covariance, &compared, 39_999, 3)?;
        Ok::<_, analysis::stats::error::StatsError>((found, covariance, points))
    };
    let (found, covariance, points) = fitted().map_err(|e| e.to_string())?;
    let se: Vec<f64> = (0..points.ncols())
        .map(|j| covariance.variance(&points.column(j).into_owned()).sqrt())
        .collect();
    let family = |draws: &[f64]| -> Vec<Option<f64>> {
        [0.5, 0.8, 0.9, 0.95]
            .iter()
            .map(|level| critical(draws, *level))
            .collect()
    };
    Ok(json!({
        "std_errors": se,
        "points": family(&found.points),
        "changes": family(&found.changes),
        "falls": family(&found.falls),
        "pairs": family(&found.pairs),
    }))
}

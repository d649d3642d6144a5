//! A setting split in two: what it was on average in a session, and how far a flask's lay from
//! that. The second says what pouring one flask hotter than its neighbours did, free of whatever
//! else made that day a good or a bad one.

use super::counts::Counts;
use super::error::StatsError;

/// A column split by session.
#[derive(Clone, Debug, PartialEq)]
pub struct Split {
    /// Mean of the column over the flasks of the row's session.
    pub between: Vec<f64>,
    /// What the row's value lies above that mean.
    pub within: Vec<f64>,
}

impl Split {
    /// Standard deviation of the deviations, √(Σd²/(flasks − sessions)); `None` where no session
    /// has two flasks. Under the sensor's repeatability, nothing can be learnt within sessions.
    pub fn within_sd(&self, counts: &Counts) -> Option<f64> {
        let df = self.within.len().checked_sub(counts.sessions())?;
        let squares: f64 = self.within.iter().map(|d| d * d).sum();
        (df > 0).then(|| (squares / df as f64).sqrt())
    }
}

/// Splits `values` into x̄ₛ and x − x̄ₛ, the mean being over the flasks of the session, each once
/// (Neuhaus & Kalbfleisch 1998, Biometrics 54:638–645). In a model with both, the coefficient of
/// the deviation is the effect within sessions; the coefficient of the mean compares sessions and
/// carries everything that went with a hotter day.
///
/// # Errors
/// [`StatsError::Rows`]; [`StatsError::NotFinite`] with the row.
pub fn split(name: &str, values: &[f64], counts: &Counts) -> Result<Split, StatsError> {
    if values.len() != counts.rows() {
        return Err(StatsError::Rows {
            what: name.to_owned(),
            given: values.len(),
            expected: counts.rows(),
        });
    }
    if let Some(row) = values.iter().position(|v| !v.is_finite()) {
        return Err(StatsError::NotFinite {
            what: name.to_owned(),
            row: row + 1,
        });
    }
    let mut sums = vec![(0.0, 0u32); counts.sessions()];
    for (value, session) in values.iter().zip(counts.session()) {
        sums[*session].0 += value;
        sums[*session].1 += 1;
    }
    let means: Vec<f64> = sums.iter().map(|(sum, n)| sum / f64::from(*n)).collect();
    let between: Vec<f64> = counts.session().iter().map(|s| means[*s]).collect();
    Ok(Split {
        within: values.iter().zip(&between).map(|(v, m)| v - m).collect(),
        between,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_hot_day_and_a_hot_flask_are_told_apart() {
        let counts =
            Counts::new(&[0.0; 5], &[10.0; 5], &["mon", "tue", "mon", "tue", "tue"]).unwrap();
        let split = split("pour", &[960.0, 980.0, 970.0, 983.0, 977.0], &counts).unwrap();
        assert_eq!(split.between, [965.0, 980.0, 965.0, 980.0, 980.0]);
        assert_eq!(split.within, [-5.0, 0.0, 5.0, 3.0, -3.0]);
        assert!((split.within_sd(&counts).unwrap() - (68.0f64 / 3.0).sqrt()).abs() < 1e-12);
    }

    #[test]
    fn a_flask_a_day_has_nothing_within() {
        let counts = Counts::new(&[0.0; 2], &[10.0; 2], &[1, 2]).unwrap();
        let split_up = split("pour", &[960.0, 980.0], &counts).unwrap();
        assert_eq!(split_up.within, [0.0, 0.0]);
        assert_eq!(split_up.within_sd(&counts), None);
        assert!(split("pour", &[960.0], &counts).is_err());
        assert!(split("pour", &[960.0, f64::NAN], &counts).is_err());
    }
}

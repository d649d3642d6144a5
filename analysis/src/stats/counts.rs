//! The outcome that a model sees: pieces with it and pieces looked at, flask by flask, and which
//! session each flask was poured in. Counts are real numbers, because the penalised fit works on
//! counts divided by the design effect.

use std::collections::BTreeMap;

use super::error::StatsError;
use super::rate::Tally;

/// One outcome over a table of flasks. Every count is sound and every session has a flask.
#[derive(Clone, Debug, PartialEq)]
pub struct Counts {
    events: Vec<f64>,
    trials: Vec<f64>,
    session: Vec<usize>,
    sessions: usize,
}

impl Counts {
    /// Counts with a name of the session for each row.
    ///
    /// # Errors
    /// [`StatsError::Empty`], [`StatsError::Rows`], or [`StatsError::Count`] with the row whose
    /// events are not between 0 and its pieces or that has no pieces.
    pub fn new<S: Ord>(
        events: &[f64],
        trials: &[f64],
        sessions: &[S],
    ) -> Result<Counts, StatsError> {
        if events.is_empty() {
            return Err(StatsError::Empty);
        }
        for (what, given) in [("pieces", trials.len()), ("sessions", sessions.len())] {
            if given != events.len() {
                return Err(StatsError::Rows {
                    what: what.to_owned(),
                    given,
                    expected: events.len(),
                });
            }
        }
        for (row, (&e, &n)) in events.iter().zip(trials).enumerate() {
            if !(n.is_finite() && n > 0.0 && (0.0..=n).contains(&e)) {
                return Err(StatsError::Count {
                    row: row + 1,
                    events: e,
                    trials: n,
                });
            }
        }
        let mut numbers: BTreeMap<&S, usize> = BTreeMap::new();
        let session: Vec<usize> = sessions
            .iter()
            .map(|s| {
                let next = numbers.len();
                *numbers.entry(s).or_insert(next)
            })
            .collect();
        Ok(Counts {
            events: events.to_vec(),
            trials: trials.to_vec(),
            session,
            sessions: numbers.len(),
        })
    }

    /// The counts of these flasks, in their order.
    ///
    /// # Errors
    /// As [`Counts::new`]: a flask without pieces has no place in a model.
    pub fn of(tallies: &[Tally]) -> Result<Counts, StatsError> {
        let events: Vec<f64> = tallies.iter().map(|t| f64::from(t.events)).collect();
        let trials: Vec<f64> = tallies.iter().map(|t| f64::from(t.pieces)).collect();
        let sessions: Vec<&str> = tallies.iter().map(|t| t.session).collect();
        Counts::new(&events, &trials, &sessions)
    }

    /// The same flasks with every count divided by `by` (a design effect, at least 1): what they
    /// are worth in independent pieces.
    pub fn divided(&self, by: f64) -> Counts {
        let by = if by.is_finite() && by > 1.0 { by } else { 1.0 };
        Counts {
            events: self.events.iter().map(|e| e / by).collect(),
            trials: self.trials.iter().map(|n| n / by).collect(),
            ..self.clone()
        }
    }

    /// Only these rows, in this order; sessions left without a row are gone.
    pub fn only_rows(&self, rows: &[usize]) -> Result<Counts, StatsError> {
        let pick = |list: &[f64]| rows.iter().map(|r| list[*r]).collect::<Vec<f64>>();
        let sessions: Vec<usize> = rows.iter().map(|r| self.session[*r]).collect();
        Counts::new(&pick(&self.events), &pick(&self.trials), &sessions)
    }

    /// Rows.
    pub fn rows(&self) -> usize {
        self.events.len()
    }

    /// Pieces with the outcome, by row.
    pub fn events(&self) -> &[f64] {
        &self.events
    }

    /// Pieces looked at, by row.
    pub fn trials(&self) -> &[f64] {
        &self.trials
    }

    /// The number of each row's session, from 0, in order of appearance.
    pub fn session(&self) -> &[usize] {
        &self.session
    }

    /// How many sessions there are.
    pub fn sessions(&self) -> usize {
        self.sessions
    }

    /// The rows of each session.
    pub fn rows_by_session(&self) -> Vec<Vec<usize>> {
        let mut rows = vec![Vec::new(); self.sessions];
        for (row, session) in self.session.iter().enumerate() {
            rows[*session].push(row);
        }
        rows
    }

    /// Events over pieces, all rows together.
    pub fn share(&self) -> f64 {
        self.events.iter().sum::<f64>() / self.trials.iter().sum::<f64>()
    }

    /// Whether pieces came out both ways.
    ///
    /// # Errors
    /// [`StatsError::NoContrast`] when none or all have the outcome.
    pub fn both_ways(&self) -> Result<(), StatsError> {
        let none = self.events.iter().all(|e| *e == 0.0);
        let all = self.events.iter().zip(&self.trials).all(|(e, n)| e == n);
        if none || all {
            return Err(StatsError::NoContrast { all });
        }
        Ok(())
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn sessions_are_numbered_as_they_come() {
        let c = Counts::new(&[1.0, 0.0, 2.0], &[5.0, 5.0, 5.0], &["tue", "mon", "tue"]).unwrap();
        assert_eq!(c.session(), [0, 1, 0]);
        assert_eq!(c.sessions(), 2);
        assert_eq!(c.rows_by_session(), [vec![0, 2], vec![1]]);
        let mon = c.only_rows(&[1]).unwrap();
        assert_eq!((mon.sessions(), mon.session()), (1, &[0][..]));
    }

    #[test]
    fn counts_that_cannot_be_are_named() {
        let error = Counts::new(&[1.0, 9.0], &[5.0, 5.0], &[1, 1]).unwrap_err();
        assert!(error.to_string().starts_with("row 2: 9 of 5"), "{error}");
        assert!(Counts::new(&[0.0], &[0.0], &[1]).is_err());
        assert!(Counts::new(&[f64::NAN], &[1.0], &[1]).is_err());
        assert_eq!(Counts::new::<u8>(&[], &[], &[]), Err(StatsError::Empty));
        assert!(Counts::new(&[0.0], &[1.0, 1.0], &[1]).is_err());
    }

    #[test]
    fn one_way_is_said_to_be_no_contrast() {
        let none = Counts::new(&[0.0], &[3.0], &[1]).unwrap();
        assert_eq!(
            none.both_ways().unwrap_err().to_string(),
            "none of the pieces is defective, so nothing tells what makes the difference"
        );
        let all = Counts::new(&[3.0], &[3.0], &[1]).unwrap();
        assert!(
            all.both_ways()
                .unwrap_err()
                .to_string()
                .starts_with("every one")
        );
        assert_eq!(all.divided(3.0).trials(), [1.0]);
        assert_eq!(all.divided(f64::NAN).trials(), [3.0]);
    }
}

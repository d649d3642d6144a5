//! Defect rates of sets of flasks, as the analysis works them out: the flask is the unit, its
//! session the cluster, and the interval that of effective counts.

use analysis::defect::DefectKinds;
use analysis::evidence::{Outcome, Question, tallies};
use analysis::flask::Flask;
use analysis::stats::rate::{self, Totals, bounded_rate};
use serde::{Deserialize, Serialize};

/// A share of pieces with its 95 % interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rate {
    /// Defective pieces.
    pub defective: u64,
    /// Pieces looked at.
    pub pieces: u64,
    /// The share, 0–1.
    pub estimate: f64,
    /// The share at the fewest pieces that can have been defective; the estimate where they were
    /// counted themselves.
    pub least: f64,
    /// The share at the most, likewise.
    pub most: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Rate {
    /// The analysis' rate with the counts it rests on.
    pub fn new(defective: u64, pieces: u64, rate: &rate::Rate) -> Rate {
        Rate {
            defective,
            pieces,
            estimate: rate.estimate,
            least: rate.least,
            most: rate.most,
            low: rate.low,
            high: rate.high,
        }
    }
}

/// How pieces are counted for one outcome: exactly as the evidence counts them.
#[derive(Clone, Debug)]
pub struct Counting {
    ask: Question,
}

impl Counting {
    /// Counting for `outcome` with the kinds of defect that the shop knows.
    pub fn new(outcome: Outcome, kinds: &DefectKinds) -> Counting {
        Counting {
            ask: Question {
                outcome,
                kinds: kinds.clone(),
                ..Question::default()
            },
        }
    }

    /// Pieces looked at and pieces with the outcome (the most there can have been); none if the
    /// flask was not inspected for it.
    pub fn counts(&self, flask: &Flask) -> Option<(u32, u32)> {
        let (_, most) = tallies(flask, &self.ask)?;
        Some((most.pieces, most.events))
    }

    fn totals(&self, flasks: &[&Flask]) -> (Totals, Totals) {
        let (fewest, most): (Vec<_>, Vec<_>) =
            flasks.iter().filter_map(|f| tallies(f, &self.ask)).unzip();
        (Totals::of(&fewest), Totals::of(&most))
    }

    /// The design effect of these flasks, for sets of them that are too small to have their own.
    pub fn design_effect(&self, flasks: &[&Flask]) -> Option<f64> {
        self.totals(flasks).1.design_effect()
    }

    /// The rate of these flasks; none if none of them was inspected. `pooled` is the design
    /// effect of a larger set that they belong to.
    pub fn rate(&self, flasks: &[&Flask], pooled: Option<f64>) -> Option<Rate> {
        let (fewest, most) = self.totals(flasks);
        let rate = bounded_rate(&fewest, &most, pooled)?;
        Some(Rate::new(most.events, most.pieces, &rate))
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use analysis::evidence::evidence;
    use analysis::time::Micros;
    use std::collections::BTreeMap;

    pub(crate) fn flask(n: u32, defective: u32) -> Flask {
        Flask {
            id: format!("f{n}"),
            label: format!("A{n}"),
            session: format!("s{}", n / 3),
            machine: "bench-1".to_owned(),
            cast_at: Micros(i64::from(n)),
            alloy: Some("sterling-925".to_owned()),
            section: Some("medium".to_owned()),
            pieces: Some(20),
            defective: Some(defective),
            kinds: BTreeMap::from([
                ("no-fill".to_owned(), defective / 2),
                ("broken-pattern".to_owned(), u32::from(n.is_multiple_of(4))),
            ]),
            pour_temperature_c: Some(940.0 + f64::from(n)),
            ..Flask::default()
        }
    }

    #[test]
    fn the_report_counts_as_the_evidence_does() {
        let flasks: Vec<Flask> = (0..40).map(|n| flask(n, n % 5)).collect();
        let all: Vec<&Flask> = flasks.iter().collect();
        for outcome in [Outcome::Any, Outcome::Steering] {
            let kinds = DefectKinds::standard();
            let ask = Question {
                outcome: outcome.clone(),
                ..Question::default()
            };
            let answer = evidence(&flasks, &ask);
            let counting = Counting::new(outcome, &kinds);
            let rate = counting.rate(&all, None).unwrap();
            let stated = answer.rate.unwrap();
            assert_eq!(
                (rate.pieces, rate.defective),
                (answer.pieces, answer.defective)
            );
            assert_eq!((rate.low, rate.high), (stated.low, stated.high));
        }
    }
}

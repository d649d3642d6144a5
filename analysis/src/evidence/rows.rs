//! The flasks that a model sees, one row each: counted, fit to steer, with their alloy and section
//! by the table's names. Sums over rows give the totals that budgets and grades are made from.

use crate::flask::Flask;
use crate::stats::counts::Counts;
use crate::stats::error::StatsError;
use crate::stats::rate::{Tally, Totals};
use crate::time::Micros;

/// One flask with its count.
#[derive(Clone, Debug)]
pub(super) struct Row<'a> {
    pub flask: &'a Flask,
    /// The table's name for its alloy.
    pub alloy: Option<String>,
    pub section: Option<String>,
    /// Pieces with the outcome at the fewest there can have been.
    pub fewest: Tally<'a>,
    /// At the most.
    pub most: Tally<'a>,
}

/// Which of the two bounds of an outcome is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Bound {
    Fewest,
    Most,
}

impl Row<'_> {
    /// The pour temperature, where there is one that is a number.
    pub(super) fn pour_c(&self) -> Option<f64> {
        self.flask
            .pour_temperature_c
            .filter(|t| t.is_finite() && t.abs() < 1e5)
    }

    pub(super) fn tally(&self, bound: Bound) -> Tally<'_> {
        match bound {
            Bound::Fewest => self.fewest,
            Bound::Most => self.most,
        }
    }
}

/// Sums at one bound.
pub(super) fn totals(rows: &[&Row], bound: Bound) -> Totals {
    let tallies: Vec<Tally> = rows.iter().map(|r| r.tally(bound)).collect();
    Totals::of(&tallies)
}

/// The outcome as a model takes it.
pub(super) fn counts(rows: &[&Row], bound: Bound) -> Result<Counts, StatsError> {
    let tallies: Vec<Tally> = rows.iter().map(|r| r.tally(bound)).collect();
    Counts::of(&tallies)
}

/// Whether the bounds differ anywhere.
pub(super) fn bounded(rows: &[&Row]) -> bool {
    rows.iter().any(|r| r.fewest.events != r.most.events)
}

/// When the first of them was poured; the start of time for none.
pub(super) fn origin(rows: &[&Row]) -> Micros {
    rows.iter()
        .map(|r| r.flask.cast_at)
        .min()
        .unwrap_or(Micros(0))
}

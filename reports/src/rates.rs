//! Defect rates of sets of flasks, as the analysis works them out: the flask is the unit, its
//! session the cluster, and the interval that of effective counts.

use analysis::flask::Flask;
use analysis::stats::bins::{self, Point};
use analysis::stats::rate::{Tally, Totals};
use analysis::units::Unit;
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
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Which pieces count.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Outcome {
    /// Any defect.
    Any,
    /// Defects of a kind that may steer the pour temperature.
    Steering,
}

/// Pieces and defective pieces of a flask, if it was inspected for this outcome.
pub fn counts(flask: &Flask, outcome: Outcome) -> Option<(u32, u32)> {
    let pieces = flask.pieces.filter(|p| *p > 0)?;
    let defective = match outcome {
        Outcome::Any => flask.defective,
        Outcome::Steering => flask.defective_steering,
    }?;
    Some((pieces, defective.min(pieces)))
}

fn tally(flask: &Flask, outcome: Outcome) -> Option<Tally<'_>> {
    let (pieces, events) = counts(flask, outcome)?;
    Some(Tally {
        session: &flask.session,
        events,
        pieces,
    })
}

fn totals(flasks: &[&Flask], outcome: Outcome) -> Totals {
    let tallies: Vec<Tally<'_>> = flasks.iter().filter_map(|f| tally(f, outcome)).collect();
    Totals::of(&tallies)
}

/// The design effect of these flasks, for sets of them that are too small to have their own.
pub fn design_effect(flasks: &[&Flask], outcome: Outcome) -> Option<f64> {
    totals(flasks, outcome).design_effect()
}

/// The rate of these flasks; none if none of them was inspected. `pooled` is the design effect
/// of a larger set that they belong to.
pub fn rate(flasks: &[&Flask], outcome: Outcome, pooled: Option<f64>) -> Option<Rate> {
    let totals = totals(flasks, outcome);
    let rate = totals.rate(pooled)?;
    Some(Rate {
        defective: totals.events,
        pieces: totals.pieces,
        estimate: rate.estimate,
        low: rate.low,
        high: rate.high,
    })
}

/// A range of a setting and the rate of the flasks in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bin {
    /// Lower edge, in the stored unit.
    pub from: f64,
    /// Upper edge.
    pub until: f64,
    /// Flasks in it.
    pub flasks: u64,
    /// Their rate of defects that heat can steer.
    pub rate: Rate,
}

/// Bins of a setting with the rate of each, at edges that are round in `unit`.
pub fn bins(
    flasks: &[&Flask],
    setting: impl Fn(&Flask) -> Option<f64>,
    unit: Unit,
) -> Vec<Bin> {
    let points: Vec<Point<'_>> = flasks
        .iter()
        .filter_map(|f| {
            let tally = tally(f, Outcome::Steering)?;
            Some(Point {
                value: setting(f)?,
                fewest: tally,
                most: tally,
            })
        })
        .collect();
    bins::bins(&points, unit, design_effect(flasks, Outcome::Steering))
        .into_iter()
        .map(|b| {
            let inside = |p: &&Point<'_>| p.value >= b.from && p.value < b.to;
            Bin {
                from: b.from,
                until: b.to,
                flasks: b.flasks as u64,
                rate: Rate {
                    defective: points
                        .iter()
                        .filter(inside)
                        .map(|p| u64::from(p.most.events))
                        .sum(),
                    pieces: b.pieces,
                    estimate: b.rate.estimate,
                    low: b.rate.low,
                    high: b.rate.high,
                },
            }
        })
        .collect()
}

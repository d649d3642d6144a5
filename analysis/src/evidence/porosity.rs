//! Pores that nobody could name. Gas pores ask for a cooler pour and shrinkage for another feed, so
//! advice that turns round when every unsure pore is taken for one of them rests on the naming.

use super::count::{Count, count};
use super::curve::Curve;
use super::fitted::fitted;
use super::rows::{Bound, Row};
use super::study::Fits;
use super::{Outcome, Question};
use crate::flask::Flask;

/// The kind of pores that could be either.
const UNSURE: &str = "porosity-unsure";
/// What they could be.
const EITHER: [&str; 2] = ["gas-porosity", "shrinkage"];

/// The flask with every unsure pore taken for `kind`. Pieces counted as steering change only where
/// the shop lets the one kind steer and not the other.
fn taken_for(flask: &Flask, kind: &str, ask: &Question) -> Flask {
    let mut moved = flask.clone();
    let unsure = moved.kinds.remove(UNSURE).unwrap_or(0);
    if unsure == 0 {
        return flask.clone();
    }
    let looked_at = flask.pieces.unwrap_or(0);
    let sum = moved
        .kinds
        .get(kind)
        .copied()
        .unwrap_or(0)
        .saturating_add(unsure);
    moved.kinds.insert(kind.to_owned(), sum.min(looked_at));
    moved.defective_steering = flask.defective_steering.map(|n| {
        match (ask.kinds.may_steer(UNSURE), ask.kinds.may_steer(kind)) {
            (true, false) => n.saturating_sub(unsure),
            (false, true) => n
                .saturating_add(unsure)
                .min(flask.defective.unwrap_or(looked_at)),
            _ => n,
        }
    });
    moved
}

/// The kind that would turn the change at `point` round, if there is one.
pub(super) fn overturns(
    ask: &Question,
    fits: &Fits,
    curve: &Curve,
    point: usize,
    mix: &[&Row],
) -> Option<&'static str> {
    let any = fits
        .rows
        .iter()
        .any(|r| r.flask.kinds.get(UNSURE).is_some_and(|n| *n > 0));
    if !any || ask.outcome == Outcome::Any {
        return None;
    }
    EITHER.into_iter().find(|kind| {
        let moved: Vec<Flask> = fits
            .rows
            .iter()
            .map(|r| taken_for(r.flask, kind, ask))
            .collect();
        let rows: Vec<Row> = fits
            .rows
            .iter()
            .zip(&moved)
            .filter_map(|(row, flask)| match count(flask, ask) {
                Count::Counted { fewest, most } => Some(Row {
                    flask,
                    alloy: row.alloy.clone(),
                    section: row.section.clone(),
                    fewest,
                    most,
                }),
                _ => None,
            })
            .collect();
        let same = rows.len() == fits.rows.len()
            && rows
                .iter()
                .zip(&fits.rows)
                .all(|(a, b)| (a.fewest, a.most) == (b.fewest, b.most));
        if same {
            return false;
        }
        let seen: Vec<&Row> = rows.iter().collect();
        // A fit that cannot be had speaks against the advice.
        fitted(&fits.most.plan, &seen, Bound::Most, &fits.how)
            .ok()
            .and_then(|fit| {
                let with = fit.risk(mix, curve.at[point].pour_c)?;
                Some(with.risk - fit.risk(mix, curve.reference_c)?.risk)
            })
            .is_none_or(|change| change >= 0.0)
    })
}

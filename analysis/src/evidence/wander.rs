//! Whether quality wanders: sessions that are good or bad in spells of weeks, for reasons that nobody
//! wrote down. Pours wander too, and two things that wander look related by chance; so where
//! neighbouring sessions are alike, weeks of them count as one and not each session.

use std::collections::BTreeMap;

use super::factor::Factor;
use super::fitted::Fitted;
use super::rows::{Bound, Row};
use crate::stats::logistic::expit;
use crate::time::Micros;

/// Sessions back that are compared.
const LAGS: usize = 3;
/// How far beyond chance they must be alike, in standard errors: one ordinary shop in forty.
const BEYOND_CHANCE: f64 = 1.96;
/// Fewer sessions cannot tell, nor be put together.
const FEWEST: usize = 16;
/// At least so many blocks, or the spread between blocks is a guess.
const BLOCKS: usize = 8;
/// Most sessions of a block: about a month's.
const LONGEST: usize = 20;

/// The place of each row's session in time.
fn places(rows: &[&Row]) -> (Vec<usize>, usize) {
    let mut began: BTreeMap<&str, Micros> = BTreeMap::new();
    for row in rows {
        let first = began.entry(&row.flask.session).or_insert(row.flask.cast_at);
        *first = (*first).min(row.flask.cast_at);
    }
    let mut sessions: Vec<(Micros, &str)> = began.iter().map(|(s, at)| (*at, *s)).collect();
    sessions.sort_unstable();
    let place: BTreeMap<&str, usize> = sessions
        .iter()
        .enumerate()
        .map(|(place, (_, s))| (*s, place))
        .collect();
    let of = rows
        .iter()
        .map(|r| place.get(r.flask.session.as_str()).copied().unwrap_or(0))
        .collect();
    (of, sessions.len())
}

/// How much more alike sessions are to the three before them than chance makes them, in standard
/// errors: with eₛ = Σ(y − np̂) ÷ √(Σnp̂(1−p̂)) of session s in time, rₖ = Σeₛeₛ₊ₖ ÷ Σeₛ² has a variance
/// of about 1/S over S sessions that have nothing in common, and a mean of about −1/S for the fitted
/// level and as much for a fitted drift, so that Σ(rₖ + m/S)·√(S/3) over three lags is a normal
/// score (Box & Pierce 1970, J. American Statistical Association 65:1509–1526, whose sum of
/// squares is two-sided; from memory).
fn alike(fit: &Fitted, rows: &[&Row], bound: Bound, place: &[usize], sessions: usize) -> f64 {
    let mut beyond = vec![(0.0, 0.0); sessions];
    for (row, place) in rows.iter().zip(place) {
        let tally = row.tally(bound);
        let n = f64::from(tally.pieces);
        let p = expit(fit.plan.x(row, None).dot(&fit.coef));
        beyond[*place].0 += f64::from(tally.events) - n * p;
        beyond[*place].1 += n * p * (1.0 - p);
    }
    let e: Vec<f64> = beyond
        .into_iter()
        .map(|(rest, spread)| {
            if spread > 0.0 {
                rest / spread.sqrt()
            } else {
                0.0
            }
        })
        .collect();
    let fitted = if fit.plan.holds(Factor::Days) {
        2.0 / sessions as f64
    } else {
        1.0 / sessions as f64
    };
    let all: f64 = e.iter().map(|e| e * e).sum();
    let sum: f64 = (1..=LAGS)
        .map(|k| e.iter().zip(&e[k..]).map(|(a, b)| a * b).sum::<f64>() / all + fitted)
        .sum();
    sum * (sessions as f64 / LAGS as f64).sqrt()
}

/// How many neighbouring sessions count as one: 1 where sessions have nothing in common with those
/// before, as far as can be seen from what the model leaves over. That is looked at without
/// regard to what heat did.
pub(super) fn block_length(fit: &Fitted, rows: &[&Row], bound: Bound) -> usize {
    let (place, sessions) = places(rows);
    if sessions < FEWEST || alike(fit, rows, bound, &place, sessions) <= BEYOND_CHANCE {
        return 1;
    }
    (sessions / BLOCKS).clamp(1, LONGEST)
}

/// The block of each row, where so many sessions in time make one.
pub(super) fn blocks(rows: &[&Row], length: usize) -> Vec<usize> {
    let (place, sessions) = places(rows);
    // What is left at the end joins the block before it.
    let blocks = (sessions / length.max(1)).max(1);
    place
        .into_iter()
        .map(|place| (place / length.max(1)).min(blocks - 1))
        .collect()
}

/// What that means, for a reader of the curve.
pub(super) fn words(length: usize) -> String {
    format!(
        "Bad and good sessions come in spells, for reasons that nobody wrote down. So {length} \
         neighbouring sessions count as one, and limits are wider; a trial compares flasks of one \
         day and is not troubled by it."
    )
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::shop_tests::{Bench, Pour, asked};
    use super::*;
    use crate::flask::Flask;

    /// Sessions of three flasks with a level each, of which a share `memory` is left in the next.
    fn bench(seed: u64, sessions: usize, memory: f64) -> Vec<Flask> {
        let mut bench = Bench::new(seed);
        let mut level = bench.normal(0.5);
        for session in 0..sessions {
            for _ in 0..3 {
                let pour_c = 970.0 + bench.normal(8.0);
                bench.pour(&Pour {
                    session,
                    section: "medium",
                    pour_c,
                    logit: -2.2 + level,
                });
            }
            level = memory * level + (1.0 - memory * memory).sqrt() * bench.normal(0.5);
        }
        bench.flasks
    }

    fn in_spells(flasks: &[Flask]) -> bool {
        let notes = &asked(flasks).strata[0].notes;
        notes.iter().any(|n| n.contains("come in spells"))
    }

    #[test]
    fn spells_are_seen_and_ordinary_sessions_are_left_alone() {
        let of = |memory| {
            (0..24)
                .filter(|seed| in_spells(&bench(*seed, 100, memory)))
                .count()
        };
        let (spells, ordinary) = (of(0.9), of(0.0));
        assert!(spells >= 20, "{spells} of 24");
        // One in forty expected.
        assert!(ordinary <= 3, "{ordinary} of 24");
    }

    #[test]
    fn blocks_are_neighbours_in_time_and_whole() {
        let flasks = bench(1, 45, 0.0);
        let rows: Vec<Row> = flasks
            .iter()
            .map(|flask| {
                let tally = crate::stats::rate::Tally {
                    session: &flask.session,
                    events: flask.defective_steering.unwrap(),
                    pieces: 20,
                };
                Row {
                    flask,
                    alloy: flask.alloy.clone(),
                    section: flask.section.clone(),
                    fewest: tally,
                    most: tally,
                }
            })
            .rev()
            .collect();
        let seen: Vec<&Row> = rows.iter().collect();
        let of = blocks(&seen, 10);
        assert!(of.is_sorted_by(|a, b| a >= b), "rows are newest first");
        let size = |block| of.iter().filter(|b| **b == block).count();
        // The five sessions that are left join the last block.
        assert_eq!([0, 1, 2, 3, 4].map(size), [30, 30, 30, 45, 0]);
    }
}

//! What one flask contributes to a question: nothing while nobody has looked at it, a count,
//! or a pair of bounds where the outcome was not counted itself.

use std::collections::BTreeMap;

use super::{Outcome, Question};
use crate::flask::Flask;
use crate::stats::rate::Tally;

/// What one flask says.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Count<'a> {
    /// Not inspected: neither good nor bad.
    Uninspected,
    /// Inspected, but not for this outcome.
    NotCounted,
    /// Its numbers contradict each other, for this reason.
    Unsound(String),
    /// Pieces with the outcome, at the fewest and the most.
    Counted { fewest: Tally<'a>, most: Tally<'a> },
}

/// What one flask counts for the question's outcome: pieces with it at the fewest and at the
/// most, both the same where it was counted itself. `None` for a flask that says nothing:
/// not inspected, not counted for this outcome, or with counts that do not fit. Charts that
/// count flasks take them from here, so that their figures are those of
/// [`evidence`](super::evidence). Pieces whose pattern was broken before casting are not in it.
pub fn tallies<'a>(flask: &'a Flask, ask: &Question) -> Option<(Tally<'a>, Tally<'a>)> {
    match count(flask, ask) {
        Count::Counted { fewest, most } => Some((fewest, most)),
        _ => None,
    }
}

/// Reads one flask for the question's outcome.
pub(super) fn count<'a>(flask: &'a Flask, ask: &Question) -> Count<'a> {
    let Some(looked_at) = flask.pieces.filter(|n| *n > 0) else {
        return Count::Uninspected;
    };
    for (what, n) in [
        ("defective", flask.defective),
        (
            "with a defect that heat can steer",
            flask.defective_steering,
        ),
    ] {
        if let Some(n) = n
            && n > looked_at
        {
            return Count::Unsound(format!("{n} pieces {what} of {looked_at} looked at"));
        }
    }
    if let Some((kind, n)) = flask.kinds.iter().find(|(_, n)| **n > looked_at) {
        return Count::Unsound(format!("{n} pieces with {kind} of {looked_at} looked at"));
    }
    let lost = ask.kinds.never_stood_a_chance(&flask.kinds).min(looked_at);
    let pieces = looked_at - lost;
    let tally = |pieces: u32, events: u32| Tally {
        session: &flask.session,
        events: events.min(pieces),
        pieces,
    };
    let between = |pieces: u32, (low, high): (u32, u32)| Count::Counted {
        fewest: tally(pieces, low),
        most: tally(pieces, high),
    };
    // Kinds of the pieces that are still in the denominator.
    let counted = || -> BTreeMap<String, u32> {
        flask
            .kinds
            .iter()
            .filter(|(k, _)| !ask.kinds.get(k).is_some_and(|k| k.leaves_denominator))
            .map(|(k, n)| (k.clone(), *n))
            .collect()
    };
    if let Outcome::Kind(kind) = &ask.outcome {
        let own = ask.kinds.get(kind).is_some_and(|k| k.leaves_denominator);
        return match flask.kinds.get(kind) {
            Some(n) if own => between(looked_at, (*n, *n)),
            Some(_) if pieces == 0 => Count::NotCounted,
            Some(n) => between(pieces, (*n, *n)),
            None => Count::NotCounted,
        };
    }
    if pieces == 0 {
        return Count::NotCounted;
    }
    let defective = flask.defective.map(|n| n.saturating_sub(lost));
    let bounds = match &ask.outcome {
        Outcome::Steering => match flask.defective_steering {
            Some(n) => Some((n, n)),
            None => ask.kinds.steering_bounds(&counted(), defective, pieces),
        },
        _ => match defective {
            Some(n) => Some((n, n)),
            // At least the commonest kind, at most all kinds on different pieces.
            None => {
                let counted = counted();
                counted.values().max().map(|most| {
                    let sum = counted.values().fold(0u32, |s, n| s.saturating_add(*n));
                    (*most, sum)
                })
            }
        },
    };
    bounds.map_or(Count::NotCounted, |b| between(pieces, b))
}

//! Defective pieces session by session, on a p′ chart: the session is the point, because its
//! flasks share a day and pieces of one flask share everything.

use std::collections::BTreeMap;

use super::{Subject, Watched};
use crate::evidence::{Question, tallies};
use crate::flask::Flask;
use crate::stats::charts::p_prime::{FEWEST, p_prime};
use crate::time::Micros;

/// The chart of the share of pieces with the question's outcome, by session in order of time.
/// Every counted flask is in it, those set aside from tuning too: a failed pull is something to
/// see. Where the outcome was not counted itself the most there can have been is taken. Sessions
/// before `limits_until` set the limits where they are ten or more, so that a bad week does not
/// widen the limits it is held against; else all sessions do.
pub fn defects(flasks: &[Flask], ask: &Question, limits_until: Option<Micros>) -> Watched {
    let mut sessions: BTreeMap<&str, (Micros, u32, u32)> = BTreeMap::new();
    for flask in flasks {
        let Some((_, most)) = tallies(flask, ask) else {
            continue;
        };
        let session = sessions
            .entry(&flask.session)
            .or_insert((flask.cast_at, 0, 0));
        session.0 = session.0.min(flask.cast_at);
        session.1 += most.events;
        session.2 += most.pieces;
    }
    let mut rows: Vec<(Micros, &str, u32, u32)> = sessions
        .into_iter()
        .filter(|(_, (_, _, pieces))| *pieces > 0)
        .map(|(name, (at, events, pieces))| (at, name, events, pieces))
        .collect();
    rows.sort_unstable();
    let counts: Vec<(u32, u32)> = rows.iter().map(|r| (r.2, r.3)).collect();
    let earlier = limits_until.map_or(0, |until| rows.partition_point(|r| r.0 < until));
    let base = if earlier >= FEWEST {
        earlier
    } else {
        rows.len()
    };
    Watched {
        subject: Subject::Defects,
        of: None,
        points: rows.iter().map(|r| (r.0, r.1.to_owned())).collect(),
        chart: p_prime(&counts, base).map(|found| found.chart),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::stats::charts::Rule;
    use crate::watch::testing::flask;

    #[test]
    fn a_bad_session_is_told_by_name_and_the_limits_are_those_before_it() {
        let mut flasks: Vec<Flask> = (0..30)
            .map(|i| flask(i / 2, i, 20, [0, 1, 2, 1, 0, 3][i as usize % 6]))
            .collect();
        flasks.push(flask(15, 30, 20, 14));
        let cut = flasks[30].cast_at;
        let watched = defects(&flasks, &Question::default(), Some(cut));
        assert_eq!(watched.points.len(), 16);
        let told = watched.signals();
        assert_eq!(told.len(), 1, "{told:?}");
        assert_eq!(told[0].0.rule, Rule::BeyondLimit);
        assert_eq!(
            told[0].1,
            "Defective pieces by session: above the upper limit (s15)."
        );
        let chart = watched.chart.unwrap();
        let before: f64 = chart.points[0].centre;
        assert!((before - 35.0 / 600.0).abs() < 1e-12, "{before}");
    }

    #[test]
    fn nobody_counted_or_one_session_is_said() {
        let mut uninspected = flask(0, 0, 20, 0);
        uninspected.pieces = None;
        let watched = defects(&[uninspected], &Question::default(), None);
        assert!(watched.points.is_empty());
        assert_eq!(
            watched.why_not().unwrap(),
            "Defective pieces by session: no chart, since setting limits takes 10 sessions (0 \
             so far)."
        );
        let one = defects(&[flask(0, 0, 20, 3)], &Question::default(), None);
        assert!(one.signals().is_empty() && one.chart.is_err());
    }
}

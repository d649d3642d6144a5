//! What a person put right about where metal left. A correction wins over the detector and is
//! applied anew to whatever an extraction finds, so that a better detector or a longer trace
//! never brings back what was struck out, nor loses what was added.

use std::collections::BTreeMap;

use super::assemble::{SAME_POUR_S, into, number};
use super::rows::{FoundBy, PourRow, PullRow, Row, quality};
use crate::time::Micros;

/// A pour by hand this near to one that the detector found says that the detector was right, s:
/// its figures stand. People type whole seconds.
pub const CONFIRMS_S: f64 = 1.0;

/// What a person put right.
#[derive(Clone, Debug, PartialEq)]
pub enum Correction {
    /// There was a pour that the trace does not show. Give it as measured
    /// ([`super::extract::measure`]) or bare ([`super::assemble::bare_pour`]).
    Added(Box<PourRow>),
    /// A pour was found at the wrong moment.
    Moved {
        /// Where it was found.
        from: Micros,
        /// Where it really was, as measured there or bare.
        to: Box<PourRow>,
    },
    /// What was found at this time was no pour.
    Removed {
        /// On which machine.
        machine: String,
        /// When (within [`SAME_POUR_S`]).
        at: Micros,
    },
}

impl Correction {
    /// The pour that it puts in place, if it does.
    pub fn row(&self) -> Option<&PourRow> {
        match self {
            Correction::Added(row) | Correction::Moved { to: row, .. } => Some(row),
            Correction::Removed { .. } => None,
        }
    }
}

/// Applies the corrections to the pours of one machine, in no particular order.
pub(super) fn correct(machine: &str, pours: &mut Vec<PourRow>, corrections: &[Correction]) {
    for correction in corrections {
        if let Correction::Removed { machine: on, at } = correction
            && on == machine
        {
            // Only the nearest: one correction takes away one pour.
            let nearest = (0..pours.len())
                .filter(|i| {
                    pours[*i].at.seconds_since(*at).abs() <= SAME_POUR_S
                        && pours[*i].found_by != FoundBy::Hand
                })
                .min_by_key(|i| pours[*i].at.0.abs_diff(at.0));
            if let Some(i) = nearest {
                pours.remove(i);
            }
        }
    }
    for correction in corrections {
        let Some(row) = correction.row().filter(|row| row.machine == machine) else {
            continue;
        };
        let from = match correction {
            Correction::Moved { from, .. } => *from,
            _ => row.at,
        };
        let placed = placed(row, pours);
        let (first, last) = (from.min(row.at), from.max(row.at));
        pours.retain(|p| {
            let near_it = p.at.seconds_since(row.at).abs() <= SAME_POUR_S;
            // A better detector may find the same pour somewhere between the two.
            let between =
                p.at >= first.plus_seconds(-SAME_POUR_S) && p.at <= last.plus_seconds(SAME_POUR_S);
            !(near_it || between && p.found_by != FoundBy::Hand)
        });
        pours.push(placed);
    }
}

/// The pour by hand, with the detector's figures if it found the same moment.
fn placed(row: &PourRow, pours: &[PourRow]) -> PourRow {
    let found = pours
        .iter()
        .filter(|p| p.at.seconds_since(row.at).abs() <= CONFIRMS_S)
        .min_by_key(|p| p.at.0.abs_diff(row.at.0));
    let mut placed = PourRow {
        at: row.at,
        confidence: 1.0,
        found_by: FoundBy::Hand,
        ..found.unwrap_or(row).clone()
    };
    placed.quality.retain(|word| word != quality::FAINT_TURN);
    placed
}

/// The rows of any number of sessions with the corrections applied and nothing else: pours
/// numbered anew, pulls with or without a pour. In the order of [`super::extract::rows`].
pub fn corrected(rows: Vec<Row>, corrections: &[Correction]) -> Vec<Row> {
    if corrections.is_empty() {
        return rows;
    }
    let mut pulls: Vec<PullRow> = Vec::new();
    let mut upkeep: Vec<Row> = Vec::new();
    let mut machines: BTreeMap<String, Vec<PourRow>> = BTreeMap::new();
    for pour in corrections.iter().filter_map(Correction::row) {
        machines.entry(pour.machine.clone()).or_default();
    }
    for row in rows {
        match row {
            Row::Pull(pull) => pulls.push(pull),
            Row::Pour(pour) => machines.entry(pour.machine.clone()).or_default().push(pour),
            Row::Upkeep(_) | Row::Kiln(_) | Row::Arrest(_) => upkeep.push(row),
        }
    }
    let mut pours = Vec::new();
    for (machine, mut of_machine) in machines {
        correct(&machine, &mut of_machine, corrections);
        pours.append(&mut of_machine);
    }
    pours.sort_by(|a, b| (a.at, &a.session).cmp(&(b.at, &b.session)));
    number(&mut pours);
    for pull in &mut pulls {
        pull.poured = pours.iter().any(|pour| into(pull, pour));
    }
    let pulls = upkeep.into_iter().chain(pulls.into_iter().map(Row::Pull));
    let mut out: Vec<Row> = pulls.chain(pours.into_iter().map(Row::Pour)).collect();
    out.sort_by_key(Row::at);
    out
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::pour::assemble::bare_pour;

    fn at(s: f64) -> Micros {
        Micros(1_795_000_000_000_000).plus_seconds(s)
    }

    fn found(s: f64, c: f64) -> PourRow {
        PourRow {
            pour_temperature_c: Some(c),
            confidence: 0.4,
            quality: vec![quality::FAINT_TURN.to_owned()],
            ..bare_pour("s1", "bench-1", at(s), FoundBy::Trace)
        }
    }

    fn by_hand(s: f64, c: f64) -> Box<PourRow> {
        Box::new(PourRow {
            pour_temperature_c: Some(c),
            quality: vec![],
            ..bare_pour("s1", "bench-1", at(s), FoundBy::Hand)
        })
    }

    fn check(pours: &[(f64, f64)], corrections: &[Correction], expect: &[(f64, f64, FoundBy)]) {
        let rows = pours.iter().map(|(s, c)| Row::Pour(found(*s, *c)));
        let once = corrected(rows.collect(), corrections);
        assert_eq!(corrected(once.clone(), corrections), once, "twice is once");
        let got: Vec<(f64, f64, FoundBy)> = once
            .iter()
            .filter_map(|row| match row {
                Row::Pour(p) => Some((
                    p.at.seconds_since(at(0.0)),
                    p.pour_temperature_c.unwrap(),
                    p.found_by,
                )),
                Row::Pull(_) | Row::Upkeep(_) | Row::Kiln(_) | Row::Arrest(_) => None,
            })
            .collect();
        assert_eq!(got, expect);
    }

    #[test]
    fn a_moved_pour_is_not_found_twice_by_a_better_detector() {
        use FoundBy::{Hand, Trace};
        let moved = [Correction::Moved {
            from: at(600.0),
            to: by_hand(640.0, 968.0),
        }];
        let expect = [(640.0, 968.0, Hand), (1300.0, 970.0, Trace)];
        // Where the old detector had it, half way, and right; and not at all.
        for again in [600.0, 620.0, 638.0] {
            check(&[(again, 955.0), (1300.0, 970.0)], &moved, &expect);
        }
        check(&[(1300.0, 970.0)], &moved, &expect);
    }

    #[test]
    fn a_time_within_a_second_says_that_the_detector_was_right() {
        let added = [Correction::Added(by_hand(600.0, 968.0))];
        check(&[(600.4, 966.5)], &added, &[(600.0, 966.5, FoundBy::Hand)]);
        check(&[(604.0, 966.5)], &added, &[(600.0, 968.0, FoundBy::Hand)]);
        let rows = corrected(vec![Row::Pour(found(600.4, 966.5))], &added);
        let Row::Pour(sure) = &rows[0] else { panic!() };
        assert_eq!((sure.confidence, sure.quality.len()), (1.0, 0));
    }

    #[test]
    fn what_was_struck_out_stays_out_and_its_pull_was_called_off() {
        let struck = Correction::Removed {
            machine: "bench-1".to_owned(),
            at: at(600.0),
        };
        check(&[(603.0, 966.5)], std::slice::from_ref(&struck), &[]);
        check(
            &[(603.0, 966.5)],
            &[Correction::Removed {
                machine: "bench-2".to_owned(),
                at: at(600.0),
            }],
            &[(603.0, 966.5, FoundBy::Trace)],
        );
        let pull = Row::Pull(PullRow {
            session: "s1".to_owned(),
            closed_at: Some(at(640.0)),
            depth_kpa: Some(85.0),
            ..crate::watch::testing::pull(at(580.0))
        });
        let rows = corrected(vec![pull, Row::Pour(found(603.0, 966.5))], &[struck]);
        let [Row::Pull(pull)] = rows.as_slice() else {
            panic!("only the pull is left: {rows:?}")
        };
        assert!(!pull.poured);
    }
}

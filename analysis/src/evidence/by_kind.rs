//! Kinds of defect, each by itself: how common, and for those that can follow the pour what pour and
//! flask temperature did to them. Every kind asked of every setting is a question, so p-values are
//! adjusted over all of them together.

use super::answer::{Read, comparable};
use super::count::{Count, count};
use super::model::terms_of_kind;
use super::rows::Row;
use super::side_by_side::side_by_side;
use super::{KindRate, Outcome, Question, Term};
use crate::defect::Side;
use crate::stats::holm::holm;
use crate::stats::rate::{Tally, Totals};

/// The rate of every kind that was counted, commonest first, with what the pour did to those that
/// can follow it.
pub(super) fn kinds(asked: &[&Read], ask: &Question) -> Vec<KindRate> {
    let mut names: Vec<String> = ask.kinds.iter().map(|k| k.name.clone()).collect();
    for read in asked {
        for kind in read.flask.kinds.keys() {
            if !names.contains(kind) {
                names.push(kind.clone());
            }
        }
    }
    let one_kind = |name: &String| {
        let one = Question {
            outcome: Outcome::Kind(name.clone()),
            kinds: ask.kinds.clone(),
            ..Question::default()
        };
        let tallies: Vec<Tally> = asked
            .iter()
            .filter_map(|r| match count(r.flask, &one) {
                Count::Counted { most, .. } => Some(most),
                _ => None,
            })
            .collect();
        let totals = Totals::of(&tallies);
        let side = ask.kinds.get(name).map(|k| k.side);
        // What cannot follow the pour is not asked whether it does.
        let follows = side.is_some_and(|side| side != Side::NotThePour);
        let terms = if follows {
            let rows: Vec<Row> = asked
                .iter()
                .filter_map(|r| {
                    Read {
                        flask: r.flask,
                        count: count(r.flask, &one),
                    }
                    .row(ask)
                })
                .collect();
            terms_of_kind(&comparable(&rows, &one).0, totals.design_effect())
        } else {
            Vec::new()
        };
        (totals.flasks > 0).then(|| KindRate {
            side,
            terms,
            may_steer: ask.kinds.may_steer(name),
            kind: name.clone(),
            flasks: totals.flasks,
            sessions: totals.sessions,
            pieces: totals.pieces,
            defective: totals.events,
            rate: totals.rate(None),
        })
    };
    let mut rows: Vec<KindRate> = side_by_side(&names, one_kind)
        .into_iter()
        .flatten()
        .collect();
    let share = |k: &KindRate| k.rate.map_or(0.0, |r| r.estimate);
    rows.sort_by(|a, b| share(b).total_cmp(&share(a)));
    adjust(&mut rows);
    rows
}

/// Holm's adjustment across kinds and factors: every kind asked of every setting is a question.
fn adjust(rows: &mut [KindRate]) {
    let mut asked: Vec<&mut Term> = rows
        .iter_mut()
        .flat_map(|k| k.terms.iter_mut())
        .filter(|t| t.p.is_some())
        .collect();
    let values: Vec<f64> = asked.iter().filter_map(|t| t.p).collect();
    if let Ok(adjusted) = holm(&values) {
        for (term, p) in asked.iter_mut().zip(adjusted) {
            term.p_holm = Some(p);
        }
    }
}

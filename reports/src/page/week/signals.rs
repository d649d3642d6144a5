//! What a watched series says of the week, in words with days and not with the names of sessions;
//! neighbouring marks of one kind are told as one.

use analysis::stats::charts::{Rule, Side};
use analysis::time::Micros;
use analysis::watch::Watched;

use super::sorted::Sorted;
use crate::wording;

/// Most marks told of one series.
const MOST: usize = 3;

/// What stood out of a series this week, newest first.
pub(super) fn said(sorted: &Sorted<'_>, watched: &Watched) -> Vec<String> {
    let spans = spans(sorted, watched);
    let mut said: Vec<String> = spans
        .iter()
        .rev()
        .take(MOST)
        .map(|(rule, side, from, to)| {
            format!(
                "{}: {}, {}.",
                wording::shortened(&watched.name()),
                rule.words(*side),
                when(sorted, *from, *to)
            )
        })
        .collect();
    if spans.len() > MOST {
        said.push(format!(
            "{}: {} more marks this week.",
            wording::shortened(&watched.name()),
            spans.len() - MOST
        ));
    }
    said
}

/// When the series was last out of its limits on this side, up to the end of the week.
pub(super) fn last(sorted: &Sorted<'_>, watched: &Watched, wanted: Side) -> Option<Micros> {
    watched
        .signals()
        .into_iter()
        .filter(|(signal, _)| signal.side == wanted)
        .filter_map(|(signal, _)| Some(watched.points.get(signal.to)?.0))
        .filter(|at| *at < sorted.until)
        .max()
}

/// The marks that end in the week, those of one rule and side that overlap or follow each other
/// joined, in order of time.
fn spans(sorted: &Sorted<'_>, watched: &Watched) -> Vec<(Rule, Side, Micros, Micros)> {
    let mut joined: Vec<(Rule, Side, usize, usize)> = Vec::new();
    for (signal, _) in watched.signals() {
        let at = watched.points.get(signal.to).map(|p| p.0);
        if !at.is_some_and(|at| at >= sorted.from && at < sorted.until) {
            continue;
        }
        let last = joined
            .iter_mut()
            .rfind(|j| j.0 == signal.rule && j.1 == signal.side && signal.from <= j.3 + 1);
        match last {
            Some(last) => last.3 = last.3.max(signal.to),
            None => joined.push((signal.rule, signal.side, signal.from, signal.to)),
        }
    }
    joined
        .into_iter()
        .filter_map(|(rule, side, from, to)| {
            Some((
                rule,
                side,
                watched.points.get(from)?.0,
                watched.points.get(to)?.0,
            ))
        })
        .collect()
}

/// `on 17 Nov at 10:40`, `from 17 Nov, 10:40 to 18 Nov, 09:12`.
fn when(sorted: &Sorted<'_>, from: Micros, to: Micros) -> String {
    let zone = &sorted.week.shop.zone;
    if from == to {
        format!("on {}", wording::day_and_time(to, zone))
    } else {
        format!(
            "from {} to {}",
            wording::day_and_time(from, zone),
            wording::day_and_time(to, zone)
        )
    }
}

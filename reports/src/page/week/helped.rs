//! "Did the change help?": the share of defective pieces before and after each change of a target
//! or a part, with the fortnight that may have triggered it left out.

use std::collections::BTreeMap;

use analysis::evidence::{Outcome, Question};
use analysis::flask::Flask;
use analysis::time::Micros;
use analysis::watch::change::{TRIGGER_DAYS, did_it_help};

use super::facts::PartChanged;
use super::sorted::Sorted;
use super::temperature::OUTCOME;
use crate::chart::before_after::{self, BeforeAfter, Side};
use crate::page::PageError;
use crate::page::sheet::{Block, Drawn, Section};
use crate::wording;

/// Changes older than this are history, weeks.
const WITHIN_WEEKS: f64 = 26.0;
/// Most changes drawn; the rest are told in a sentence.
const DRAWN: usize = 4;
const WEEK_S: f64 = 7.0 * 86_400.0;

/// A change that may have helped.
struct Change {
    /// What it was, as it follows "whether".
    what: String,
    at: Micros,
    flasks: Vec<Flask>,
}

pub(super) fn section(sorted: &Sorted<'_>) -> Result<Section, PageError> {
    let ask = Question {
        outcome: Outcome::Steering,
        kinds: sorted.week.kinds.clone(),
        alloys: sorted.week.alloys.clone(),
        until: Some(sorted.until),
        ..Question::default()
    };
    let mut figures: Vec<Drawn> = Vec::new();
    let mut told = Vec::new();
    let mut too_early = Vec::new();
    for change in changes(sorted) {
        let ask = Question {
            since: Some(change.at.plus_seconds(-WITHIN_WEEKS * WEEK_S)),
            ..ask.clone()
        };
        let answer = did_it_help(&change.flasks, &ask, change.at, &change.what);
        if answer.difference.is_none() {
            too_early.push(change.what);
            continue;
        }
        if figures.len() == DRAWN {
            told.push(wording::sentence(&wording::capital(&answer.sentence)));
            continue;
        }
        let figure = before_after::draw(&BeforeAfter {
            id: format!("change-{}", figures.len() + 1),
            what: change.what.clone(),
            outcome: OUTCOME.to_owned(),
            before: side(sorted, &change, &ask, true),
            after: side(sorted, &change, &ask, false),
            difference: answer.difference.map(|d| (d.estimate, d.low, d.high)),
            sentence: wording::capital(&answer.sentence),
        })?;
        match figure {
            Some(figure) => {
                figures.push(Drawn::from(figure).titled(wording::capital(&change.what)))
            }
            None => told.push(wording::sentence(&wording::capital(&answer.sentence))),
        }
    }
    let mut blocks = Vec::new();
    if figures.is_empty() && told.is_empty() && too_early.is_empty() {
        blocks.push(Block::text(format!(
            "No target and no part was changed in the last {WITHIN_WEEKS:.0} weeks, as far as it was written down."
        )));
    } else {
        blocks.push(Block::text(format!(
            "Before and after each change of the last {WITHIN_WEEKS:.0} weeks; the {TRIGGER_DAYS:.0} days before it are left out, since changes are made when things are at their worst. Each is asked by itself: of twenty changes that do nothing, about one looks as if it did."
        )));
    }
    if !figures.is_empty() {
        blocks.push(Block::Figures { figures });
    }
    if !told.is_empty() {
        blocks.push(Block::List { items: told });
    }
    if !too_early.is_empty() {
        blocks.push(Block::text(format!(
            "Whether {} helped cannot be said yet: six counted sessions on each side are the least.",
            wording::list_most(&too_early, 6)
        )));
    }
    Ok(Section {
        id: "helped",
        title: "Did the change help?".to_owned(),
        blocks,
    })
}

/// Changes of late, newest first: the last of each target, and the last of each part.
fn changes(sorted: &Sorted<'_>) -> Vec<Change> {
    let facts = &sorted.week.facts;
    let (shown, zone) = (&sorted.week.shop.shown, &sorted.week.shop.zone);
    let since = sorted.until.plus_seconds(-WITHIN_WEEKS * WEEK_S);
    let late = |at: Micros| at >= since && at < sorted.until;
    let mut found: Vec<Change> = Vec::new();
    for target in facts.targets.iter().filter(|t| late(t.from)) {
        let newer = |t: &super::facts::Target| {
            t.alloy == target.alloy
                && t.section == target.section
                && t.from > target.from
                && t.from < sorted.until
        };
        let before = facts
            .target_at(&target.alloy, &target.section, Micros(target.from.0 - 1))
            .and_then(|t| t.pour_temperature_c);
        let (Some(from), Some(to)) = (before, target.pour_temperature_c) else {
            continue;
        };
        if (from - to).abs() < 0.05 || facts.targets.iter().any(newer) {
            continue;
        }
        let work = Some((target.alloy.clone(), target.section.clone()));
        found.push(Change {
            what: format!(
                "{} for {} in place of {} ({})",
                shown.temperature(to),
                wording::isolated(&format!("{}, {}", target.alloy, target.section)),
                shown.temperature(from).number(),
                wording::day(target.from, zone)
            ),
            at: target.from,
            flasks: flasks(sorted, |f| sorted.work_of(f) == work),
        });
    }
    found.extend(parts(sorted, late));
    found.sort_by_key(|c| std::cmp::Reverse(c.at));
    found
}

/// The last change of each part, those of one machine and day as one: what came of them cannot
/// be told apart.
fn parts(sorted: &Sorted<'_>, late: impl Fn(Micros) -> bool) -> Vec<Change> {
    let facts = &sorted.week.facts;
    let zone = &sorted.week.shop.zone;
    let mut by_day: BTreeMap<(String, String), Vec<&PartChanged>> = BTreeMap::new();
    for part in facts.part_changes.iter().filter(|c| late(c.at)) {
        let newer = facts.part_changes.iter().any(|c| {
            c.machine == part.machine
                && c.part == part.part
                && c.at > part.at
                && c.at < sorted.until
        });
        // A cylinder is changed because it is empty, not to mend anything.
        if !newer && part.part != "gas cylinder" {
            let day = wording::local(part.at, zone).date().to_string();
            by_day
                .entry((part.machine.clone(), day))
                .or_default()
                .push(part);
        }
    }
    let several = sorted.machines().len() > 1;
    by_day
        .into_iter()
        .filter_map(|((machine, _), changed)| {
            let at = changed.iter().map(|c| c.at).min()?;
            let names: Vec<String> = changed.iter().map(|c| wording::isolated(&c.part)).collect();
            Some(Change {
                what: format!(
                    "the new {}{} ({})",
                    wording::list(&names),
                    if several {
                        format!(" of {}", wording::isolated(&machine))
                    } else {
                        String::new()
                    },
                    wording::day(at, zone)
                ),
                at,
                flasks: flasks(sorted, |f| f.machine == machine),
            })
        })
        .collect()
}

fn flasks(sorted: &Sorted<'_>, wanted: impl Fn(&Flask) -> bool) -> Vec<Flask> {
    let of = sorted.all.iter().filter(|f| wanted(f));
    of.map(|f| (*f).clone()).collect()
}

/// One side of a change with its interval.
fn side(sorted: &Sorted<'_>, change: &Change, ask: &Question, before: bool) -> Side {
    let left_out = change.at.plus_seconds(-TRIGGER_DAYS * 86_400.0);
    let flasks: Vec<&Flask> = change
        .flasks
        .iter()
        .filter(|f| f.set_aside.is_none())
        .filter(|f| ask.since.is_none_or(|since| f.cast_at >= since))
        .filter(|f| {
            if before {
                f.cast_at < left_out
            } else {
                f.cast_at >= change.at
            }
        })
        .filter(|f| sorted.steering.counts(f).is_some())
        .collect();
    let rate = sorted.steering.rate(&flasks, None);
    let mut sessions: Vec<&str> = flasks.iter().map(|f| f.session.as_str()).collect();
    sessions.sort_unstable();
    sessions.dedup();
    Side {
        flasks: flasks.len(),
        sessions: sessions.len(),
        pieces: rate.map_or(0, |r| r.pieces),
        defective: rate.map_or(0, |r| r.defective),
        rate: rate.map_or(0.0, |r| r.estimate),
        limits: rate.map(|r| (r.low, r.high)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sentence_about_a_change_begins_with_a_capital() {
        let answer = did_it_help(&[], &Question::default(), Micros(0), "the new gasket");
        assert!(wording::capital(&answer.sentence).starts_with('W'));
    }
}

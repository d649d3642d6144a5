//! Which reports are to be written now: a pure function of the calendar, of what lies beneath
//! each week and of what is remembered of its report.

use std::collections::BTreeMap;

use analysis::time::Micros;

use super::calendar::{Calendar, Week};
use super::kept::{Kept, KeptWeek};
use crate::records::beneath::{Beneath, DEFINITION, Digests};

/// Reports of so many weeks that went by are made when the daemon was off. Older ones are made
/// when they are asked for.
pub const MISSED_AT_MOST: usize = 26;

/// Why a report is to be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Why {
    /// Its week is not over, or its hour has not come, and something in it changed.
    Running,
    /// Its hour has come and it was not made since.
    Due,
    /// The records beneath it changed.
    Changed,
    /// What lies beneath it is hashed in another way now, so that only the dates of what came
    /// in say whether it changed.
    OtherDefinition,
}

/// A report to be written.
#[derive(Clone, Debug, PartialEq)]
pub struct Planned {
    /// Its week.
    pub week: Week,
    /// Why.
    pub why: Why,
    /// What lies beneath it.
    pub beneath: Digests,
}

/// The reports to be written at `now`, the most wanted first: those of weeks that run, newest
/// first, then those that are due, then those whose records changed. `is_there` says whether the
/// page of a week is.
pub fn plan(
    now: Micros,
    calendar: &Calendar,
    beneath: &Beneath,
    kept: &Kept,
    is_there: impl Fn(&str) -> bool,
) -> Vec<Planned> {
    let Some(first) = beneath.first() else {
        return Vec::new();
    };
    let Some(last_due) = calendar.last_due(now) else {
        return Vec::new();
    };
    let mut weeks: BTreeMap<Micros, Week> = BTreeMap::new();
    let mut add = |week: Week| weeks.insert(week.until, week);
    let mut running = calendar.week_of(now);
    while let Some(week) = running.filter(|week| week.due > now) {
        running = calendar.before(&week);
        add(week);
    }
    let mut due = Some(last_due.clone());
    for _ in 0..MISSED_AT_MOST {
        let Some(week) = due.filter(|week| week.until > first) else {
            break;
        };
        due = calendar.before(&week);
        add(week);
    }
    for name in kept.weeks.keys() {
        if let Some(week) = calendar.week(name).filter(|week| week.due <= now) {
            add(week);
        }
    }
    let ends: Vec<Micros> = weeks.keys().copied().collect();
    let below = beneath.at(&ends);
    let mut planned: Vec<Planned> = weeks
        .into_values()
        .zip(below)
        .filter_map(|(week, below)| {
            let entry = kept.weeks.get(&week.name);
            let there = entry.filter(|_| is_there(&week.name));
            let worked = beneath.anything(week.from, week.until);
            let why = if week.due > now {
                running_why(there, worked, &below)
            } else {
                let recent = missed_by(calendar, &week, &last_due) < MISSED_AT_MOST;
                let wanted = recent && (worked || week == last_due);
                finished_why(there, wanted, &below)
            }?;
            Some(Planned {
                week,
                why,
                beneath: below,
            })
        })
        .collect();
    planned.sort_by_key(|p| {
        let turn = match p.why {
            Why::Running => 0,
            Why::Due => 1,
            Why::Changed | Why::OtherDefinition => 2,
        };
        (turn, std::cmp::Reverse(p.week.until))
    });
    planned
}

fn running_why(there: Option<&KeptWeek>, worked: bool, below: &Digests) -> Option<Why> {
    let stale = match there {
        Some(entry) => entry.definition != DEFINITION || entry.beneath != *below,
        None => worked,
    };
    stale.then_some(Why::Running)
}

fn finished_why(there: Option<&KeptWeek>, wanted: bool, below: &Digests) -> Option<Why> {
    match there {
        Some(entry) if entry.finished_at.is_some() => {
            if entry.definition != DEFINITION {
                return Some(Why::OtherDefinition);
            }
            (entry.beneath != *below).then_some(Why::Changed)
        }
        // Made while the week ran, or never, or thrown away.
        _ => wanted.then_some(Why::Due),
    }
}

/// By how many weeks a week lies before the last that was due.
fn missed_by(calendar: &Calendar, week: &Week, last_due: &Week) -> usize {
    let mut at = last_due.clone();
    let mut weeks = 0;
    while at.until > week.until && weeks < MISSED_AT_MOST {
        weeks += 1;
        match calendar.before(&at) {
            Some(before) => at = before,
            None => break,
        }
    }
    weeks
}

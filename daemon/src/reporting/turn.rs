//! Writes what is to be written, a few reports at a time, so that a trace never waits long for
//! its publication behind five years of reports made anew.

use std::collections::BTreeSet;

use analysis::time::Micros;
use serde::{Deserialize, Serialize};

use super::calendar::Calendar;
use super::kept::{Kept, KeptWeek, ReportsLock};
use super::plan::{Planned, Why, plan};
use super::reasons::{differing, kinds_of, line};
use crate::book::Book;
use crate::config::Config;
use crate::records::Records;
use crate::records::beneath::{CameIn, DEFINITION, Digests};
use crate::storage::RealDisk;
use crate::write_up::WriteUp;

/// How many reports one turn writes.
pub const REPORTS_A_TURN: usize = 2;

/// What a turn came to.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Turn {
    /// The weeks whose reports were written.
    pub written: Vec<String>,
    /// Weeks whose reports could not be written, each with the reason.
    pub failed: Vec<(String, String)>,
    /// How many reports are still to be written.
    pub left: usize,
}

/// Writes the reports that are most wanted at `now`, at most `most` of them.
///
/// # Errors
/// When the records cannot be read. A report that fails is told in the turn.
pub fn turn(
    book: &Book,
    config: &Config,
    records: &Records,
    now: Micros,
    most: usize,
) -> anyhow::Result<Turn> {
    let calendar = Calendar::new(config.shop.time_zone.clone(), config.reports);
    let beneath = records.beneath()?;
    let kept = Kept::read(book)?;
    let is_there = |week: &str| book.week_report(week).is_file();
    let mut planned = plan(now, &calendar, &beneath, &kept, is_there);
    adopt(book, records, &mut planned)?;
    let mut turn = Turn {
        left: planned.len().saturating_sub(most),
        ..Turn::default()
    };
    let write_up = WriteUp::new(book, config, records, now);
    for due in planned.into_iter().take(most) {
        match write_up.week_resting_on(&due.week, &due.beneath) {
            Ok(_) => turn.written.push(due.week.name),
            Err(why) => turn.failed.push((due.week.name, format!("{why:#}"))),
        }
    }
    Ok(turn)
}

/// Takes reports out of the plan beneath which nothing came in since they were made, but which
/// rest on rows that an earlier version hashed in another way: a new version alone makes no
/// report anew.
fn adopt(book: &Book, records: &Records, planned: &mut Vec<Planned>) -> anyhow::Result<()> {
    if planned.iter().all(|p| p.why != Why::OtherDefinition) {
        return Ok(());
    }
    let _lock = ReportsLock::take(book)?;
    let mut kept = Kept::read(book)?;
    let mut still = Vec::new();
    for due in std::mem::take(planned) {
        let entry = kept.weeks.get_mut(&due.week.name);
        match entry {
            Some(entry)
                if due.why == Why::OtherDefinition
                    && records.came_in(entry.made_at, due.week.until)? == CameIn::default() =>
            {
                entry.beneath = due.beneath;
                entry.definition = DEFINITION;
            }
            _ => still.push(due),
        }
    }
    *planned = still;
    kept.write(&RealDisk::new(book.root()))
}

/// A week's report as it is being made: what will be remembered of it, and what it says of
/// having been made anew.
#[derive(Clone, Debug, PartialEq)]
pub struct Making {
    /// What will be remembered, without its sentences.
    pub entry: KeptWeek,
    /// The line that says that and why it was made anew.
    pub anew: Option<String>,
}

/// Begins a week's report that rests on `beneath`, for `before`, what is remembered of it so far.
///
/// # Errors
/// When the records cannot be read.
pub fn making(
    records: &Records,
    before: Option<&KeptWeek>,
    week: &super::calendar::Week,
    beneath: &Digests,
    now: Micros,
) -> anyhow::Result<Making> {
    let finished_at = before.and_then(|b| b.finished_at);
    let mut changed = BTreeSet::new();
    let mut anew = None;
    if let (Some(before), Some(first)) = (before, finished_at) {
        let came = records.came_in(first, week.until)?;
        changed = before.changed.clone();
        if before.definition == DEFINITION {
            changed.extend(differing(&before.beneath, beneath));
        } else {
            changed.extend(kinds_of(&records.came_in(before.made_at, week.until)?));
        }
        anew = (!changed.is_empty()).then(|| line(&changed, &came, first, now, records.zone()));
    }
    Ok(Making {
        entry: KeptWeek {
            sentences: Vec::new(),
            made_at: now,
            finished_at: finished_at.or((now >= week.due).then_some(now)),
            beneath: beneath.clone(),
            definition: DEFINITION,
            changed,
        },
        anew,
    })
}

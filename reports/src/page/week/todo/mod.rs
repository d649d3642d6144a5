//! The three things to do: what would help most, in the order of what is lost if it is left.
//! Metal and pieces come first (a tired gasket, an empty cylinder), then evidence that fades
//! (uncounted flasks), then what the evidence asks for, then what is not measured.

mod bench;
mod evidence;

use analysis::evidence::Stratum;
use serde::Serialize;

use super::every_flask::kinds_of;
use super::sorted::Sorted;
use super::{bad_flasks, waiting};
use crate::wording;

/// One thing to do.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Todo {
    /// What to do, in a few words.
    pub what: String,
    /// Why, with the numbers.
    pub why: String,
    /// The very command, or the lines of the configuration; empty where there are none.
    pub lines: Vec<String>,
}

/// Most flasks named in one sentence.
const NAMED: usize = 5;

impl Todo {
    fn new(what: impl Into<String>, why: impl Into<String>) -> Todo {
        Todo {
            what: what.into(),
            why: why.into(),
            lines: Vec::new(),
        }
    }

    fn with(mut self, line: impl Into<String>) -> Todo {
        self.lines.push(line.into());
        self
    }
}

/// At most three things to do, and at least one.
pub(in crate::page) fn three(sorted: &Sorted<'_>) -> Vec<Todo> {
    let mut all = Vec::new();
    all.extend(evidence::misruns(sorted));
    all.extend(bench::seals(sorted));
    all.extend(bench::cylinder(sorted));
    all.extend(bench::trouble(sorted));
    all.extend(inspect(sorted));
    all.extend(evidence::follow(sorted));
    all.extend(evidence::off_target(sorted));
    all.extend(evidence::trial(sorted));
    all.extend(worst_flask(sorted));
    all.extend(bench::sensors(sorted));
    all.extend(evidence::more_evidence(sorted));
    if all.is_empty() {
        all.push(if sorted.all.is_empty() {
            Todo::new(
                "Pour as you do, and write cards",
                "Each flask with a card and a count is a line of evidence; twenty of one alloy and section are enough to look.",
            )
        } else {
            Todo::new(
                "Keep on",
                "Nothing of the week asks for a change. Go on counting every flask.",
            )
        });
    }
    all.truncate(3);
    all
}

/// The alloys and sections that can be poured by name.
fn named<'a>(sorted: &Sorted<'a>) -> impl Iterator<Item = &'a Stratum> {
    sorted
        .week
        .evidence
        .strata
        .iter()
        .filter(|s| s.alloy.is_some() && s.section.is_some())
}

fn inspect(sorted: &Sorted<'_>) -> Option<Todo> {
    let uncounted = sorted.uninspected();
    let first = uncounted.first()?;
    let names: Vec<String> = uncounted
        .iter()
        .map(|f| wording::isolated(&f.label))
        .collect();
    Some(
        Todo::new(
            format!("Count {}", wording::list_most(&names, NAMED)),
            format!(
                "{} of {} poured this week {} not been counted. Bad flasks are the ones most often left, so what is missing flatters the rate.",
                uncounted.len(),
                wording::count(sorted.now.len() as u64, "flask"),
                if uncounted.len() == 1 { "has" } else { "have" },
            ),
        )
        .with(waiting::count_command(sorted, first)),
    )
}

fn worst_flask(sorted: &Sorted<'_>) -> Option<Todo> {
    let worst = *bad_flasks::bad(sorted).first()?;
    let (pieces, defective) = sorted.any.counts(worst)?;
    let kinds = kinds_of(worst);
    Some(Todo::new(
        format!("Look again at flask {}", sorted.name(worst)),
        format!(
            "It lost {defective} of {}{}. What differed from its nearest good flask is listed below.",
            wording::count(u64::from(pieces), "piece"),
            if kinds.is_empty() {
                String::new()
            } else {
                format!(" ({})", wording::isolated(&kinds))
            }
        ),
    ))
}

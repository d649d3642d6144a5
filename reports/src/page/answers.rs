//! One row per alloy and section: what the evidence says, in one sentence, and what it rests on.

use serde::{Deserialize, Serialize};

use super::sheet::{Block, Section};
use super::week::Sorted;
use crate::rates::Rate;
use crate::table::{Cell, Table};
use crate::wording;

/// What the evidence says about one alloy and section.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    /// The alloy.
    pub alloy: String,
    /// The section: thin, medium, heavy or mixed.
    pub section: String,
    /// The answer in one sentence.
    pub sentence: String,
    /// How far to trust it: `none`, `weak`, `fair` or `strong`.
    pub grade: String,
    /// Inspected flasks behind it.
    pub flasks: u64,
    /// Sessions they came from.
    pub sessions: u64,
    /// The rate of defects that heat can steer.
    pub rate: Option<Rate>,
}

/// Fewest inspected flasks for advice on a pour temperature (design of the statistics).
pub(super) const FLASKS_NEEDED: u64 = 20;
/// Fewest sessions.
pub(super) const SESSIONS_NEEDED: u64 = 10;

/// A grade in words.
fn grade_words(grade: &str) -> &'static str {
    match grade {
        "weak" => "weak evidence",
        "fair" => "fair evidence",
        "strong" => "strong evidence: a trial was run",
        _ => "no advice yet",
    }
}

pub(super) fn section(sorted: &Sorted<'_>) -> Section {
    let answers = &sorted.week.answers;
    let blocks = if answers.is_empty() {
        vec![Block::missing(
            "There is nothing to go by yet: no inspected flask has an alloy and a section.",
            "Give each flask a card (alloy, section, pieces) and count its pieces after washing: pourbook record flask, pourbook record inspection.",
        )]
    } else {
        let mut table = Table::new(
            "What to pour at, by alloy and section",
            &[
                "alloy and section",
                "answer",
                "how sure",
                "#flasks",
                "#sessions",
                "#rate",
                "#95 % interval",
            ],
        );
        for a in answers {
            table.push(vec![
                Cell::typed(&format!("{}, {}", a.alloy, a.section)).strong_if(true),
                Cell::plain(a.sentence.clone()),
                Cell::plain(grade_words(&a.grade)),
                Cell::plain(wording::thousands(a.flasks)),
                Cell::plain(wording::thousands(a.sessions)),
                Cell::plain(
                    a.rate
                        .map(|r| wording::percent(r.estimate))
                        .unwrap_or_default(),
                ),
                Cell::plain(
                    a.rate
                        .map(|r| wording::percent_range(r.low, r.high))
                        .unwrap_or_default(),
                ),
            ]);
        }
        vec![Block::Table {
            table: table.restacking(),
        }]
    };
    Section {
        id: "answers",
        title: "What to pour at".to_owned(),
        blocks,
    }
}

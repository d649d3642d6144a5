//! One row per alloy and section: what the evidence says, in one sentence, and what it rests on.

use analysis::evidence::{Grade, Stratum};

use super::sheet::{Block, Section};
use super::week::Sorted;
use crate::table::{Cell, Table};
use crate::wording;

/// Fewest inspected flasks for advice on a pour temperature (design of the statistics).
pub(super) const FLASKS_NEEDED: usize = 20;
/// Fewest sessions.
pub(super) const SESSIONS_NEEDED: usize = 10;

/// A grade in words.
fn grade_words(grade: Grade) -> &'static str {
    match grade {
        Grade::None => "no advice yet",
        Grade::Weak => "weak evidence",
        Grade::Fair => "fair evidence",
        Grade::Strong => "strong evidence, by trial",
    }
}

/// An alloy and section by name.
pub(super) fn name(stratum: &Stratum) -> String {
    format!(
        "{}, {}",
        stratum.alloy.as_deref().unwrap_or("alloy not recorded"),
        stratum.section.as_deref().unwrap_or("section not recorded")
    )
}

/// The sentence without the name in front of it, which stands beside it already.
fn sentence(stratum: &Stratum) -> String {
    let whole = &stratum.advice.sentence;
    let rest = whole
        .split_once(": ")
        .filter(|(head, _)| *head == name(stratum))
        .map_or(whole.as_str(), |(_, rest)| rest);
    let rest = wording::sentence(rest);
    let mut chars = rest.chars();
    chars
        .next()
        .map(|c| c.to_uppercase().collect::<String>() + chars.as_str())
        .unwrap_or_default()
}

pub(super) fn section(sorted: &Sorted<'_>) -> Section {
    let answers = &sorted.week.evidence.strata;
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
                Cell::typed(&name(a)).strong_if(true),
                Cell::plain(sentence(a)),
                Cell::plain(grade_words(a.advice.grade)),
                Cell::plain(a.flasks.to_string()),
                Cell::plain(a.sessions.to_string()),
                Cell::plain(
                    a.rate
                        .map(|r| wording::share(r.least, r.most))
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

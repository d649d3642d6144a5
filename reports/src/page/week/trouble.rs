//! What was wrong with the data.

use super::sorted::Sorted;
use crate::page::sheet::{Block, Section};
use crate::page::shop::Trouble;
use crate::table::{Cell, Table};

/// Most troubles listed.
const MOST: usize = 15;

pub(super) fn section(sorted: &Sorted<'_>) -> Section {
    Section {
        id: "trouble",
        title: "Data trouble".to_owned(),
        blocks: blocks(&sorted.week.troubles, "this week"),
    }
}

/// What was wrong with the data, or that nothing was.
pub(in crate::page) fn blocks(troubles: &[Trouble], when: &str) -> Vec<Block> {
    if troubles.is_empty() {
        return vec![Block::text(format!(
            "Nothing was wrong with the data {when}."
        ))];
    }
    let mut table = Table::new(
        "Data trouble",
        &["where", "what", "#times", "how to mend it"],
    );
    let mut sorted: Vec<&Trouble> = troubles.iter().collect();
    sorted.sort_by(|a, b| b.times.cmp(&a.times).then(a.at.cmp(&b.at)));
    for t in sorted.iter().take(MOST) {
        table.push(vec![
            Cell::typed(&t.at),
            Cell::typed(&t.what),
            Cell::plain(t.times.to_string()),
            Cell::typed(t.mend.as_deref().unwrap_or("")),
        ]);
    }
    let mut blocks = vec![Block::Table {
        table: table.without_empty_columns().restacking(),
    }];
    if sorted.len() > MOST {
        let rest: u64 = sorted.iter().skip(MOST).map(|t| t.times).sum();
        blocks.push(Block::text(format!(
            "And {} more, {rest} times in all; pourbook check shows what arrives now.",
            sorted.len() - MOST
        )));
    }
    blocks
}

//! Flasks that nobody has counted, by name, and how to count one.

use analysis::flask::Flask;

use super::sorted::Sorted;
use crate::page::sheet::{Block, Command, Section};
use crate::wording;

/// Most flasks named; the rest are counted.
const NAMED: usize = 12;

pub(super) fn section(sorted: &Sorted<'_>) -> Section {
    let waiting = sorted.uninspected();
    let mut blocks = Vec::new();
    if waiting.is_empty() {
        blocks.push(Block::text(if sorted.now.is_empty() {
            "No flask was poured this week."
        } else {
            "Every flask of the week has been counted."
        }));
    } else {
        let one = waiting.len() == 1;
        blocks.push(Block::text(format!(
            "{} of the week {} not been counted yet. The rates leave {} out; the more are missing, \
             the less they say.",
            wording::count(waiting.len() as u64, "flask"),
            if one { "has" } else { "have" },
            if one { "it" } else { "them" },
        )));
        let mut items: Vec<String> = waiting
            .iter()
            .take(NAMED)
            .map(|f| described(sorted, f))
            .collect();
        if waiting.len() > NAMED {
            items.push(format!("and {} more", waiting.len() - NAMED));
        }
        blocks.push(Block::List { items });
    }
    blocks.extend(older(sorted));
    if let Some(first) = waiting.first() {
        blocks.push(Block::Commands {
            intro: "To count one, with the pieces and defects you find:".to_owned(),
            commands: vec![Command {
                what: String::new(),
                line: count_command(sorted, first),
            }],
        });
    }
    Section {
        id: "waiting",
        title: "Waiting to be counted".to_owned(),
        blocks,
    }
}

/// The command that writes down what came of a flask.
pub(super) fn count_command(sorted: &Sorted<'_>, flask: &Flask) -> String {
    format!(
        "{} --flask {} --day {} --pieces 24 --defective 2 --kind no-fill=2 --others-none",
        sorted.week.facts.command("record inspection"),
        wording::argument(&flask.label),
        wording::local(flask.cast_at, &sorted.week.shop.zone).strftime("%Y-%m-%d"),
    )
}

/// A flask as the list names it: label, when it was poured, and what it is of.
fn described(sorted: &Sorted<'_>, flask: &Flask) -> String {
    let what: Vec<&str> = [&flask.alloy, &flask.section]
        .into_iter()
        .filter_map(|w| w.as_deref())
        .collect();
    let poured = wording::day_and_time(flask.cast_at, &sorted.week.shop.zone);
    let mut text = format!("{}, poured {poured}", wording::isolated(&flask.label));
    if !what.is_empty() {
        text += &format!(", {}", wording::isolated(&what.join(" ")));
    }
    text
}

/// Flasks of the eight weeks before that are still not counted.
fn older(sorted: &Sorted<'_>) -> Option<Block> {
    let left: Vec<&&Flask> = sorted
        .before
        .iter()
        .filter(|f| f.pieces.is_none_or(|p| p == 0))
        .collect();
    let oldest = left.first()?;
    Some(Block::text(format!(
        "Of the {}, {} {} still not counted, the oldest being {}.",
        sorted.weeks_words(),
        wording::count(left.len() as u64, "flask"),
        if left.len() == 1 { "is" } else { "are" },
        sorted.name(oldest),
    )))
}

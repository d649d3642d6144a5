//! The parts in use and how old they are.

use super::sorted::Sorted;
use crate::page::sheet::{Block, Section};
use crate::page::shop::Part;
use crate::table::{Cell, Table};
use crate::wording;

pub(super) fn section(sorted: &Sorted<'_>) -> Section {
    let week = sorted.week;
    let mut blocks = Vec::new();
    if week.parts.is_empty() {
        blocks.push(
            Block::missing(
                "No part change has been recorded, so the age of gaskets, rods and crucibles is not known.",
                "Write down the next change as it is made:",
            )
            .with_lines([week.facts.command("record part gasket")]),
        );
    } else {
        let mut table = Table::new(
            "Parts in use and their ages",
            &[
                "part",
                "#pours since",
                "#days ago",
                "changed",
                "machine",
                "note",
            ],
        );
        let mut parts: Vec<&Part> = week.parts.iter().collect();
        parts.sort_by(|a, b| (&a.machine, &a.kind).cmp(&(&b.machine, &b.kind)));
        // Ages are those of the week's end: a report made anew later says the same.
        let end = sorted.until.min(week.made_at);
        for part in parts {
            let days = end.seconds_since(part.changed_at) / 86_400.0;
            table.push(vec![
                Cell::typed(&part.kind).strong_if(true),
                Cell::plain(part.pours_since.map(|n| n.to_string()).unwrap_or_default()),
                Cell::plain(format!("{:.0}", days.max(0.0).floor())),
                Cell::plain(wording::unbroken(&wording::full_day(
                    part.changed_at,
                    &week.shop.zone,
                ))),
                Cell::typed(&part.machine),
                Cell::typed(part.note.as_deref().unwrap_or("")),
            ]);
        }
        blocks.push(Block::Table {
            table: table.without_empty_columns(),
        });
        if let Some(block) = no_gasket(sorted) {
            blocks.push(block);
        }
    }
    Section {
        id: "parts",
        title: "Parts and their ages".to_owned(),
        blocks,
    }
}

/// A machine that pulls vacuum and whose gasket was never written down.
fn no_gasket(sorted: &Sorted<'_>) -> Option<Block> {
    let week = sorted.week;
    let without = week
        .pulls
        .iter()
        .map(|p| p.machine.as_str())
        .find(|machine| {
            !week
                .parts
                .iter()
                .any(|p| p.machine == **machine && p.kind == "gasket")
        })?;
    Some(
        Block::missing(
            format!(
                "The age of the gasket of {} is not known: no change of it has been recorded.",
                wording::isolated(without)
            ),
            "Write down the next one:",
        )
        .with_lines([format!(
            "{} --machine {}",
            week.facts.command("record part gasket"),
            wording::argument(without)
        )]),
    )
}

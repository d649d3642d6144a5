//! Every flask of the week in a table, and the sheets of its sessions.

use analysis::flask::Flask;

use super::sorted::Sorted;
use crate::page::index::{safe_link, session_label};
use crate::page::sheet::{Block, Link, Section};
use crate::table::{Cell, Table};
use crate::wording;

/// Most flasks listed: a busy shop pours a tenth of it in a week.
const MOST: usize = 200;

pub(super) fn section(sorted: &Sorted<'_>) -> Section {
    let week = sorted.week;
    let mut blocks = Vec::new();
    if sorted.now.is_empty() {
        blocks.push(
            Block::missing(
                "No flask was poured this week.",
                "Pours are found by themselves once a melt temperature is heard. Give each flask a card, and bring paper records in from a CSV file:",
            )
            .with_lines([
                format!(
                    "{} --label A --alloy sterling-925 --section medium --pieces 24",
                    week.facts.command("record flask")
                ),
                format!("{} FILE.csv", week.facts.command("import castings")),
            ]),
        );
    } else {
        blocks.push(Block::Table {
            table: table(sorted),
        });
        if sorted.now.iter().any(|f| {
            f.set_aside
                .as_ref()
                .is_some_and(|aside| aside.code == "unconfirmed")
        }) {
            blocks.push(Block::small(
                "Counting a flask also confirms which pour filled it.",
            ));
        }
        if sorted.now.len() > MOST {
            blocks.push(Block::text(format!(
                "And {} more; pourbook export has them all.",
                sorted.now.len() - MOST
            )));
        }
    }
    if !week.sheets.is_empty() {
        blocks.push(Block::Heading {
            text: "Session sheets".to_owned(),
        });
        blocks.push(Block::Links {
            links: week
                .sheets
                .iter()
                .map(|(name, href)| Link {
                    text: session_label(name).map_or_else(
                        || wording::shortened(name),
                        |(day, machine)| format!("{day}, {machine}"),
                    ),
                    href: safe_link(href),
                })
                .collect(),
        });
    }
    Section {
        id: "flasks",
        title: "Every flask of the week".to_owned(),
        blocks,
    }
}

fn table(sorted: &Sorted<'_>) -> Table {
    let week = sorted.week;
    let shown = &week.shop.shown;
    let degrees = shown.temperature(0.0).unit;
    let mut table = Table::new(
        "Every flask of the week",
        &[
            "flask",
            "poured",
            "alloy",
            "section",
            "pattern",
            &format!("#pour [{degrees}]"),
            &format!("#flask [{degrees}]"),
            &format!("#vacuum [{}]", shown.vacuum(0.0).unit),
            &format!("#gas [{}]", shown.flow(0.0).unit),
            "#pieces",
            "#bad",
            "kinds",
            "set aside",
        ],
    );
    for f in sorted.now.iter().take(MOST) {
        let number = |v: Option<f64>, show: &dyn Fn(f64) -> String| {
            Cell::plain(v.filter(|v| v.is_finite()).map(show).unwrap_or_default())
        };
        let counted = sorted.any.counts(f);
        let many = counted.is_some_and(|(p, d)| d >= 2 && f64::from(d) >= 0.2 * f64::from(p));
        table.push(vec![
            Cell::typed(&f.label),
            Cell::plain(wording::unbroken(&wording::day_and_time(
                f.cast_at,
                &week.shop.zone,
            ))),
            Cell::typed(f.alloy.as_deref().unwrap_or("")),
            Cell::typed(f.section.as_deref().unwrap_or("")),
            Cell::typed(f.pattern.as_deref().unwrap_or("")),
            number(f.pour_temperature_c, &|c| shown.temperature(c).number()),
            number(f.flask_temperature_c, &|c| shown.temperature(c).number()),
            number(f.vacuum_kpa, &|k| shown.vacuum(k).number()),
            number(f.gas_flow_l_min, &|l| shown.flow(l).number()),
            Cell::plain(counted.map(|(p, _)| p.to_string()).unwrap_or_default()),
            Cell::plain(counted.map(|(_, d)| d.to_string()).unwrap_or_default()).strong_if(many),
            match counted {
                Some(_) => Cell::typed(&kinds_of(f)),
                None => Cell::plain("not counted"),
            },
            Cell::typed(f.set_aside.as_ref().map_or("", |a| &a.reason)),
        ]);
    }
    table.without_empty_columns().dense()
}

/// The kinds that a flask had, most first: `no-fill 3, fin 1`.
pub(super) fn kinds_of(flask: &Flask) -> String {
    let mut kinds: Vec<(&String, u32)> = flask
        .kinds
        .iter()
        .map(|(k, n)| (k, *n))
        .filter(|(_, n)| *n > 0)
        .collect();
    kinds.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
    let texts: Vec<String> = kinds.iter().map(|(k, n)| format!("{k}\u{a0}{n}")).collect();
    texts.join(", ")
}

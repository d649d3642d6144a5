//! Watching: whether pours keep to their targets and defects to what they were, on charts whose
//! limits come from the weeks before. A mark says look here, never why.

use analysis::evidence::{Outcome, Question};
use analysis::flask::Flask;
use analysis::pour::PourRow;
use analysis::watch::{aim, defects};

use super::seals::place;
use super::signals;
use super::sorted::Sorted;
use crate::chart::{individuals, p_prime};
use crate::page::PageError;
use crate::page::sheet::{Block, Drawn, Section};
use crate::wording;

/// Sessions shown on the chart of defects: those of so many weeks.
const SHOWN_WEEKS: f64 = 26.0;

pub(super) fn section(sorted: &Sorted<'_>) -> Result<Section, PageError> {
    let week = sorted.week;
    let (shown, zone) = (&week.shop.shown, &week.shop.zone);
    let mut figures: Vec<Drawn> = Vec::new();
    let mut said = Vec::new();
    let mut missing = Vec::new();
    let pours: Vec<PourRow> = week
        .facts
        .pours_before
        .iter()
        .chain(&week.pours)
        .cloned()
        .collect();
    let aimed = pours
        .iter()
        .any(|p| p.target_c.is_some() && p.pour_temperature_c.is_some());
    if aimed {
        for machine in sorted.machines() {
            let watched = aim::aim(&pours, machine, Some(sorted.from));
            if watched.points.is_empty() {
                continue;
            }
            let id = format!("aim-{}", place(sorted, machine));
            match individuals::draw(&id, &watched, shown, zone)? {
                Some(figure) => figures.push(figure.into()),
                None => said.extend(watched.why_not().map(|w| wording::sentence(&w))),
            }
            said.extend(signals::said(sorted, &watched));
        }
    } else {
        missing.push(
            Block::missing(
                "No pour has a target to be held against, so how well you hit it is not known.",
                "Say in pourbook.toml what you mean to pour at:",
            )
            .with_lines([
                "[[target]]".to_owned(),
                "alloy = \"sterling-925\"".to_owned(),
                "section = \"medium\"".to_owned(),
                format!("pour_temperature = \"{}\"", example(sorted)),
            ]),
        );
    }
    let since = sorted.until.plus_seconds(-SHOWN_WEEKS * 7.0 * 86_400.0);
    let flasks: Vec<Flask> = sorted
        .all
        .iter()
        .filter(|f| f.cast_at >= since)
        .map(|f| (*f).clone())
        .collect();
    let ask = Question {
        outcome: Outcome::Any,
        kinds: week.kinds.clone(),
        alloys: week.alloys.clone(),
        ..Question::default()
    };
    let watched = defects::defects(&flasks, &ask, Some(sorted.from));
    match p_prime::draw("defects-by-session", &watched, zone)? {
        Some(figure) => figures.push(figure.into()),
        None if watched.points.is_empty() => missing.push(
            Block::missing(
                "No session has counted flasks, so defects cannot be followed from session to session.",
                "Count the pieces of each flask after washing:",
            )
            .with_lines([format!(
                "{} --flask A --pieces 24 --defective 2 --kind no-fill=2 --others-none",
                week.facts.command("record inspection")
            )]),
        ),
        None => said.extend(watched.why_not().map(|w| wording::sentence(&w))),
    }
    said.extend(signals::said(sorted, &watched));
    let mut blocks = Vec::new();
    if !figures.is_empty() {
        blocks.push(Block::text(
            "The limits come from before this week. A point outside them, or one of the patterns named, comes about once in a hundred points while nothing changes: look there first.",
        ));
        blocks.push(Block::Figures { figures });
        if said.is_empty() {
            said.push("Nothing stood out this week.".to_owned());
        }
    }
    if !said.is_empty() {
        blocks.push(Block::List { items: said });
    }
    blocks.extend(missing);
    Ok(Section {
        id: "watching",
        title: "Pours against target, defects by session".to_owned(),
        blocks,
    })
}

/// An example of a target in the shop's own unit.
fn example(sorted: &Sorted<'_>) -> &'static str {
    if sorted.week.shop.shown.temperature == analysis::units::Unit::Fahrenheit {
        "1775 degF"
    } else {
        "968 Cel"
    }
}

//! Defects by kind, those that can follow the pour apart from those that cannot.

use analysis::defect::Side;

use super::sorted::Sorted;
use crate::chart::kinds::{self, Kind};
use crate::page::PageError;
use crate::page::sheet::{Block, Drawn, Section};

/// Where a kind goes as the pour gets hotter.
fn side_words(side: Side) -> &'static str {
    match side {
        Side::FallsWithHeat => "fewer",
        Side::RisesWithHeat => "more",
        Side::Either => "either way",
        Side::NotThePour => "not the pour's doing",
    }
}

pub(super) fn section(sorted: &Sorted<'_>) -> Result<Section, PageError> {
    let evidence = &sorted.week.evidence;
    let all: Vec<Kind> = evidence
        .kinds
        .iter()
        .filter_map(|k| {
            let rate = k.rate?;
            Some(Kind {
                name: k.kind.clone(),
                side: k.side.map_or("", side_words).to_owned(),
                follows_pour: k.side != Some(Side::NotThePour),
                pieces: k.pieces,
                defective: k.defective,
                rate: rate.estimate,
                low: rate.low,
                high: rate.high,
            })
        })
        .collect();
    let mut blocks = Vec::new();
    if all.iter().any(|k| k.pieces > 0) {
        blocks.push(Block::text(
            "Each kind over the flasks in which it was looked for, the whole book. A piece with two kinds counts in both.",
        ));
        blocks.push(Block::Figures {
            figures: vec![Drawn::from(kinds::draw("kinds", &all)?).with_numbers_beside()],
        });
        blocks.extend(follow(sorted));
    } else {
        blocks.push(
            Block::missing(
                "No defects were counted by kind.",
                "When you count a flask, give the number of each kind you see, and say that the others are not there:",
            )
            .with_lines([format!(
                "{} --flask A --pieces 24 --defective 2 --kind no-fill=1 --kind gas-porosity=1 --others-none",
                sorted.week.facts.command("record inspection")
            )]),
        );
    }
    Ok(Section {
        id: "kinds",
        title: "Defects by kind".to_owned(),
        blocks,
    })
}

/// The kinds that were shown to follow a temperature, each question answered strictly enough for
/// all that were asked.
fn follow(sorted: &Sorted<'_>) -> Option<Block> {
    /// The chance of one false finding among all kinds and settings.
    const CHANCE: f64 = 0.05;
    let mut items = Vec::new();
    let mut asked = 0;
    for kind in &sorted.week.evidence.kinds {
        for term in kind.terms.iter().filter(|t| t.p_holm.is_some()) {
            asked += 1;
            if term.p_holm.is_some_and(|p| p < CHANCE) {
                let what = if term.name == "flask_temperature" {
                    "the flask"
                } else {
                    "the pour"
                };
                items.push(format!(
                    "{} ({} the hotter {what})",
                    crate::wording::isolated(&kind.kind),
                    if term.estimate < 0.0 { "fewer" } else { "more" },
                ));
            }
        }
    }
    if asked == 0 {
        return None;
    }
    Some(Block::text(if items.is_empty() {
        format!(
            "No kind is shown to follow pour or flask temperature yet. {asked} questions were asked, and each answer has to be the surer for that."
        )
    } else {
        format!(
            "Shown to follow a temperature, alloy and section held equal: {}. {asked} questions were asked, and each answer had to be the surer for that.",
            crate::wording::list(&items)
        )
    }))
}

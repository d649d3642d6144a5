//! Every pour of the week side by side, on one time axis aligned at the pour: the one that was
//! not like the others is seen before it is understood.

use analysis::pour::PourRow;
use analysis::pour::rows::quality;
use analysis::upkeep::Fault;

use super::sorted::Sorted;
use crate::chart::pours_of_week::{self, OnePour, PoursOfWeek};
use crate::moment::SURE_FROM;
use crate::page::PageError;
use crate::page::sheet::{Block, Drawn, Section};
use crate::wording;

/// What is said of a sensor that is not there is said once, not at each pour.
const OF_THE_BENCH: [&str; 2] = [quality::NO_VACUUM_SENSOR, quality::NO_GAS_SENSOR];

pub(super) fn section(sorted: &Sorted<'_>) -> Result<Section, PageError> {
    let week = sorted.week;
    let pours: Vec<OnePour> = week
        .pours
        .iter()
        .filter_map(|pour| {
            let excerpt = week
                .facts
                .excerpts
                .iter()
                .find(|e| e.session == pour.session && e.number == pour.number)?;
            Some(OnePour {
                name: name(sorted, pour),
                at: pour.at,
                machine: wording::shortened(&pour.machine),
                melt_c: excerpt.melt_c.clone(),
                vacuum_kpa: excerpt.vacuum_kpa.clone(),
                pour_c: pour.read_c().filter(|c| c.is_finite()),
                doubtful: pour.confidence < SURE_FROM,
                off: off(pour),
            })
        })
        .collect();
    let shown = pours.len();
    let figure = pours_of_week::draw(
        &PoursOfWeek {
            id: "pours-of-week".to_owned(),
            pours,
        },
        &week.shop.shown,
        &week.shop.zone,
    )?;
    let mut blocks = Vec::new();
    match figure {
        Some(figure) => {
            blocks.push(Block::Figures {
                figures: vec![Drawn::from(figure).untitled()],
            });
            let without = week.pours.len().saturating_sub(shown);
            if without > 0 {
                blocks.push(Block::text(format!(
                    "{} of the week {} no readings around {}.",
                    wording::count(without as u64, "pour"),
                    if without == 1 { "has" } else { "have" },
                    if without == 1 { "it" } else { "them" },
                )));
            }
        }
        None if week.pours.is_empty() => blocks.push(Block::missing(
            "No pour was found this week.",
            "Pours are found by themselves once a melt temperature is heard; pourbook check shows what arrives.",
        )),
        None => blocks.push(Block::text(
            "The pours of this week have no readings around them: their sessions are not published yet, or their traces are not there.",
        )),
    }
    Ok(Section {
        id: "pours",
        title: "Every pour of the week".to_owned(),
        blocks,
    })
}

/// What a pour is called: its flask's label, else its number.
fn name(sorted: &Sorted<'_>, pour: &PourRow) -> String {
    let label = pour.flask.as_ref().and_then(|id| {
        let known = sorted.week.facts.labels.get(id);
        let flask = || sorted.now.iter().find(|f| f.id == *id).map(|f| &f.label);
        known.or_else(flask)
    });
    label.map_or_else(
        || format!("pour {}", pour.number),
        |label| wording::shortened(label),
    )
}

/// What was off, in few words: the gravest.
fn off(pour: &PourRow) -> String {
    let word = pour
        .faults
        .first()
        .or_else(|| {
            let of_the_pour = |q: &&String| !OF_THE_BENCH.contains(&q.as_str());
            pour.quality.iter().find(of_the_pour)
        })
        .map(String::as_str);
    match word {
        None => String::new(),
        Some(word) if Fault::from_code(word).is_some() || quality::WORDS.contains(&word) => {
            word.replace('-', " ")
        }
        Some(word) => wording::shortened(word),
    }
}

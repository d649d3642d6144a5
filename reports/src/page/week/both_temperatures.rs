//! Pour and flask temperature together: whether a cool pour was only tried in cool flasks, and
//! where in the field of both the bad pieces lie.

use super::answers;
use super::sorted::Sorted;
use super::temperature::OUTCOME;
use crate::chart::two_temperatures::{self, TwoTemperatures};
use crate::page::PageError;
use crate::page::sheet::{Block, Drawn, Section};

/// Fewest flasks with both temperatures for a field of them.
const LEAST_FLASKS: usize = 12;
/// Most alloys and sections shown.
const MOST: usize = 3;

pub(super) fn section(sorted: &Sorted<'_>) -> Result<Section, PageError> {
    let mut blocks = Vec::new();
    let mut drawn = 0;
    for stratum in &sorted.week.evidence.strata {
        if drawn == MOST || stratum.alloy.is_none() || stratum.section.is_none() {
            continue;
        }
        let flasks: Vec<two_temperatures::Flask> = sorted
            .flasks_of(stratum)
            .into_iter()
            .filter(|f| f.set_aside.is_none())
            .filter_map(|f| {
                let (pieces, defective) = sorted.steering.counts(f)?;
                Some(two_temperatures::Flask {
                    pour_c: f.pour_temperature_c.filter(|c| c.is_finite())?,
                    flask_c: f.flask_temperature_c.filter(|c| c.is_finite())?,
                    pieces,
                    defective,
                })
            })
            .collect();
        if flasks.len() < LEAST_FLASKS {
            continue;
        }
        let figure = two_temperatures::draw(
            &TwoTemperatures {
                id: format!("both-{}", drawn + 1),
                of: answers::name(stratum),
                outcome: OUTCOME.to_owned(),
                flasks,
            },
            &sorted.week.shop.shown,
        )?;
        if let Some(figure) = figure {
            drawn += 1;
            blocks.push(Block::Heading {
                text: answers::name(stratum),
            });
            blocks.push(Block::Figures {
                figures: vec![Drawn::from(figure).untitled()],
            });
        }
    }
    if blocks.is_empty() {
        let sensed = sorted.senses(analysis::channel::Channel::KilnTemperature(0));
        blocks.push(if sensed {
            Block::missing(
                format!(
                    "Nothing to show yet: it takes {LEAST_FLASKS} counted flasks of one alloy and section with both temperatures."
                ),
                "The flask's temperature comes from the kiln's and the time out of it; say on the card when the flask came out:",
            )
            .with_lines([format!(
                "{} --label A --alloy sterling-925 --section medium --set-point \"555 Cel\" --kiln-out 10:42",
                sorted.week.facts.command("record flask")
            )])
        } else {
            Block::missing(
                "No kiln temperature is heard, so no flask temperature is known.",
                "Name the kiln's thermocouple in pourbook.toml, and the kiln at its machine:",
            )
            .with_lines([
                "[[kiln]]",
                "name = \"kiln-1\"",
                "[kiln.channels.kiln_temperature]",
                "topic = \"shop/kiln-1/temperature\"",
                "unit = \"Cel\"",
            ])
        });
    }
    Ok(Section {
        id: "both",
        title: "Pour and flask temperature together".to_owned(),
        blocks,
    })
}

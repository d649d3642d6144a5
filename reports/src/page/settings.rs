//! Defects over the three settings that a caster can turn (pour temperature, flask
//! temperature, vacuum), for each alloy and section apart, and defects by kind.

use std::collections::BTreeMap;

use analysis::channel::Channel;
use analysis::defect::Side;
use analysis::flask::Flask;
use analysis::stats::median::median;

use super::PageError;
use super::sheet::{Block, Drawn, Section};
use super::week::Sorted;
use crate::chart::binned::{self, Binned, Dot};
use crate::chart::kinds::{self, Kind};
use crate::wording;

/// Most alloys and sections with charts of their own; the rest are named.
const MOST: usize = 4;
/// Fewest inspected flasks with a setting for a chart over it.
const LEAST_FLASKS: usize = 5;

/// A setting that charts are made over.
struct Setting {
    id: &'static str,
    name: &'static str,
    channel: Channel,
    supply: &'static str,
    get: fn(&Flask) -> Option<f64>,
}

const SETTINGS: [Setting; 3] = [
    Setting {
        id: "pour",
        name: "pour temperature",
        channel: Channel::MeltTemperature,
        supply: "a melt thermocouple",
        get: |f| f.pour_temperature_c,
    },
    Setting {
        id: "flask",
        name: "flask temperature",
        channel: Channel::KilnTemperature(0),
        supply: "a kiln temperature, or the flask temperature on the card",
        get: |f| f.flask_temperature_c,
    },
    Setting {
        id: "vacuum",
        name: "vacuum",
        channel: Channel::Vacuum,
        supply: "a vacuum sensor",
        get: |f| f.vacuum_kpa,
    },
];

/// Flasks by alloy and section that may steer, most flasks first.
fn strata<'a>(sorted: &Sorted<'a>) -> Vec<((String, String), Vec<&'a Flask>)> {
    let mut by: BTreeMap<(String, String), Vec<&Flask>> = BTreeMap::new();
    for f in sorted.all.iter().filter(|f| f.set_aside.is_none()) {
        if let (Some(alloy), Some(section), Some(_)) =
            (&f.alloy, &f.section, sorted.steering.counts(f))
        {
            // Spellings of one alloy belong together, as the evidence has them.
            let alloy = sorted
                .week
                .alloys
                .get(alloy)
                .map_or_else(|| alloy.trim().to_lowercase(), |known| known.name.clone());
            let section = section.trim().to_lowercase();
            by.entry((alloy, section)).or_default().push(f);
        }
    }
    let mut strata: Vec<_> = by.into_iter().collect();
    strata.sort_by_key(|(_, flasks)| std::cmp::Reverse(flasks.len()));
    strata
}

/// Charts over each setting for each alloy and section.
pub(super) fn over_settings(sorted: &Sorted<'_>) -> Result<Section, PageError> {
    let mut blocks = Vec::new();
    let strata = strata(sorted);
    if strata.is_empty() {
        blocks.push(Block::missing(
            "No inspected flask has an alloy and a section, so there is nothing to draw defects over.",
            "Give each flask a card with alloy and section, and count its pieces: pourbook record flask, pourbook record inspection.",
        ));
    }
    let mut too_few = Vec::new();
    for (i, ((alloy, section), flasks)) in strata.iter().enumerate() {
        let name = format!("{alloy}, {section}");
        if i >= MOST || flasks.len() < LEAST_FLASKS {
            too_few.push(format!(
                "{} ({})",
                wording::isolated(&name),
                wording::count(flasks.len() as u64, "flask")
            ));
            continue;
        }
        // The usual temperature is the one that the answer at the top names.
        let strata = &sorted.week.evidence.strata;
        let said_usual_c = strata
            .iter()
            .find(|s| s.alloy.as_ref() == Some(alloy) && s.section.as_ref() == Some(section))
            .and_then(|s| s.advice.usual_c);
        let mut figures: Vec<Drawn> = Vec::new();
        let mut lacking = Vec::new();
        for setting in &SETTINGS {
            match chart(sorted, i, setting, flasks, said_usual_c) {
                Some(b) => figures.push(binned::draw(&b)?.into()),
                None => lacking.push(setting),
            }
        }
        blocks.push(Block::Heading {
            text: wording::isolated(&name),
        });
        if !figures.is_empty() {
            blocks.push(Block::Figures { figures });
        }
        for setting in lacking {
            let sensed = sorted.senses(setting.channel);
            blocks.push(Block::missing(
                format!(
                    "Fewer than {LEAST_FLASKS} inspected flasks have a {}.",
                    setting.name
                ),
                if sensed {
                    "It comes with the pours found in the trace: match each flask to its pour."
                        .to_owned()
                } else {
                    format!("It needs {}.", setting.supply)
                },
            ));
        }
    }
    if !too_few.is_empty() {
        blocks.push(Block::text(format!(
            "Without charts of their own, having fewest flasks: {}.",
            wording::list(&too_few)
        )));
    }
    Ok(Section {
        id: "settings",
        title: "Defects over settings".to_owned(),
        blocks,
    })
}

fn chart(
    sorted: &Sorted<'_>,
    stratum: usize,
    setting: &Setting,
    flasks: &[&Flask],
    said_usual_c: Option<f64>,
) -> Option<Binned> {
    let shop = &sorted.week.shop;
    let with: Vec<&Flask> = flasks
        .iter()
        .copied()
        .filter(|f| (setting.get)(f).is_some_and(f64::is_finite))
        .collect();
    if with.len() < LEAST_FLASKS {
        return None;
    }
    let show = |v: f64| {
        if setting.channel == Channel::Vacuum {
            shop.shown.vacuum(v)
        } else {
            shop.shown.temperature(v)
        }
    };
    let dots = with
        .iter()
        .filter_map(|f| {
            let (pieces, defective) = sorted.steering.counts(f)?;
            let value = show((setting.get)(f)?);
            Some(Dot {
                x: value.value,
                pieces,
                defective,
                tip: format!(
                    "{}, {}: {defective} of {}, {value}",
                    wording::shortened(&f.label),
                    wording::day(f.cast_at, &shop.zone),
                    wording::count(u64::from(pieces), "piece"),
                ),
            })
        })
        .collect();
    let unit = if setting.channel == Channel::Vacuum {
        shop.shown.vacuum
    } else {
        shop.shown.temperature
    };
    let bins = sorted
        .steering
        .bins(&with, setting.get, unit)
        .into_iter()
        .map(|b| binned::Bin {
            from: show(b.from).value,
            until: show(b.until).value,
            flasks: b.flasks,
            pieces: b.rate.pieces,
            defective: b.rate.defective,
            rate: b.rate.estimate,
            least: b.rate.least,
            most: b.rate.most,
            low: b.rate.low,
            high: b.rate.high,
        })
        .collect();
    let unit = show(0.0);
    Some(Binned {
        id: format!("over-{}-{stratum}", setting.id),
        setting: setting.name.to_owned(),
        unit: unit.unit.to_owned(),
        decimals: unit.decimals,
        outcome: "pieces with a defect that heat can steer".to_owned(),
        dots,
        bins,
        usual: if setting.channel == Channel::MeltTemperature {
            said_usual_c
        } else {
            usual(sorted, setting, flasks)
        }
        .map(|v| show(v).value),
    })
}

/// The median of the last eight weeks and this one, or none if nothing was poured in them.
fn usual(sorted: &Sorted<'_>, setting: &Setting, flasks: &[&Flask]) -> Option<f64> {
    let since = sorted.before.first().or(sorted.now.first())?.cast_at;
    let mut values: Vec<f64> = flasks
        .iter()
        .filter(|f| f.cast_at >= since)
        .filter_map(|f| (setting.get)(f))
        .filter(|v| v.is_finite())
        .collect();
    median(&mut values)
}

/// Where a kind goes as the pour gets hotter.
fn side_words(side: Side) -> &'static str {
    match side {
        Side::FallsWithHeat => "fewer",
        Side::RisesWithHeat => "more",
        Side::Either => "either way",
        Side::NotThePour => "not the pour's doing",
    }
}

/// Defects by kind.
pub(super) fn by_kind(sorted: &Sorted<'_>) -> Result<Section, PageError> {
    let all: Vec<Kind> = sorted
        .week
        .evidence
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
    let blocks = if all.iter().any(|k| k.pieces > 0) {
        vec![Block::Figures {
            figures: vec![Drawn::from(kinds::draw("kinds", &all)?).with_numbers_beside()],
        }]
    } else {
        vec![Block::missing(
            "No defects were counted by kind.",
            "When counting a flask, give the count of each kind seen (no-fill, gas-porosity, …): pourbook record inspection.",
        )]
    };
    Ok(Section {
        id: "kinds",
        title: "Defects by kind".to_owned(),
        blocks,
    })
}

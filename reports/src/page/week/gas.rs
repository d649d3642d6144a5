//! Cover gas and cylinder: what each session let out, and when the cylinder runs out.

use analysis::channel::Channel;
use analysis::gas::cylinder::RESERVE_KPA;

use super::facts::GasOfMachine;
use super::seals::place;
use super::sorted::{Sorted, WEEKS_BEFORE};
use crate::chart::gas::{self, Gas, Used};
use crate::page::PageError;
use crate::page::sheet::{Block, Section};
use crate::wording;

pub(super) fn section(sorted: &Sorted<'_>) -> Result<Section, PageError> {
    let mut blocks = Vec::new();
    for machine in &sorted.week.facts.gas {
        blocks.extend(of_machine(sorted, machine)?);
    }
    if blocks.is_empty() {
        blocks.push(if sorted.senses(Channel::GasFlow) {
            Block::text("No cover gas was heard in the last nine weeks.")
        } else {
            Block::missing(
                "No machine senses its cover gas, so lost cover shows only in the castings and the graphite, and what is left of the cylinder is not known.",
                "Give the gas line a flow sensor, and name its topic and unit in pourbook.toml:",
            )
            .with_lines([
                "[machine.channels.gas_flow]",
                "topic = \"shop/bench-1/gas\"",
                "unit = \"L/min\"",
            ])
        });
    }
    Ok(Section {
        id: "gas",
        title: "Cover gas and cylinder".to_owned(),
        blocks,
    })
}

fn of_machine(sorted: &Sorted<'_>, told: &GasOfMachine) -> Result<Vec<Block>, PageError> {
    let shop = &sorted.week.shop;
    let shown = &shop.shown;
    let now = || told.sessions.iter().filter(|s| s.at >= sorted.from);
    let before_l: f64 = told
        .sessions
        .iter()
        .filter(|s| s.at < sorted.from)
        .map(|s| s.used_l)
        .sum();
    let used_l: f64 = now().map(|s| s.used_l).sum();
    let unsure_l: f64 = now().map(|s| s.unsure_l).sum();
    if told.sessions.is_empty() {
        return Ok(Vec::new());
    }
    let mut blocks = Vec::new();
    if sorted.week.facts.gas.len() > 1 {
        blocks.push(Block::Heading {
            text: wording::isolated(&told.machine),
        });
    }
    let mut text = format!("{} of cover gas went out this week", shown.gas(used_l));
    if unsure_l >= 0.5 {
        text += &format!(
            ", give or take {} while the sensor was silent",
            shown.gas(unsure_l)
        );
    }
    let weeks = sorted.weeks_known().min(WEEKS_BEFORE);
    if weeks > 0 && before_l > 0.0 {
        text += &format!(
            "; in the {} it was {} a week",
            sorted.weeks_words(),
            shown.gas(before_l / f64::from(weeks))
        );
    }
    text += ". ";
    text += &left(sorted, told);
    blocks.push(Block::text(text));
    let last = told.sessions.last();
    let runs_out_at = told
        .lasts
        .zip(last)
        .map(|(lasts, last)| last.until.plus_seconds(lasts.weeks.min(520.0) * 604_800.0));
    let figure = gas::draw(
        &Gas {
            id: format!("gas-{}", place(sorted, &told.machine)),
            sessions: told
                .sessions
                .iter()
                .map(|s| Used {
                    session: s.session.clone(),
                    at: s.at,
                    used_l: s.used_l,
                    pours: pours_in(sorted, &s.session),
                })
                .collect(),
            left: told
                .sessions
                .iter()
                .filter_map(|s| Some((s.until, s.left_l?)))
                .collect(),
            runs_out_at,
        },
        shown,
        &shop.zone,
    )?;
    if let Some(figure) = figure {
        blocks.push(Block::Figures {
            figures: vec![figure.into()],
        });
    }
    if last.is_some_and(|s| s.left_l.is_none()) {
        blocks.push(
            Block::missing(
                "What is left of the cylinder is not known.",
                "Say at the next change what the new cylinder holds:",
            )
            .with_lines([format!(
                "{} --machine {} --gas argon --volume-l 20 --pressure \"200 bar\"",
                sorted.week.facts.command("record part gas-cylinder"),
                wording::argument(&told.machine)
            )]),
        );
    }
    Ok(blocks)
}

fn pours_in(sorted: &Sorted<'_>, session: &str) -> u32 {
    let pours = sorted
        .week
        .facts
        .pours_before
        .iter()
        .chain(&sorted.week.pours);
    u32::try_from(pours.filter(|p| p.session == session).count()).unwrap_or(u32::MAX)
}

/// What is left and how long it lasts, as a sentence; nothing where it is not known.
fn left(sorted: &Sorted<'_>, told: &GasOfMachine) -> String {
    let shop = &sorted.week.shop;
    let Some((last, left_l)) = told
        .sessions
        .last()
        .and_then(|last| Some((last, last.left_l?)))
    else {
        return String::new();
    };
    let litres = shop.shown.gas(left_l);
    match told.lasts {
        Some(lasts) => format!(
            "The cylinder has about {litres} left, which is {} at this use, or {:.0} h of casting: change it about {}, before it is down to {}.",
            wording::weeks_or_days(lasts.weeks),
            lasts.flowing_h,
            wording::full_day(
                last.until.plus_seconds(lasts.weeks.min(520.0) * 604_800.0),
                &shop.zone
            ),
            wording::pressure_left(RESERVE_KPA, &shop.shown)
        ),
        None => format!("The cylinder has about {litres} left."),
    }
}

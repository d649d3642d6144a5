//! Defects over pour temperature for each alloy and section: the model's curve with every flask
//! as a point, the answer beside it, and what a reader should know before believing it.

use analysis::evidence::{CurvePoint, Grade, Stratum};
use analysis::flask::Flask;

use super::answers;
use super::sorted::Sorted;
use crate::chart::curve::{self, At, Curve};
use crate::page::PageError;
use crate::page::sheet::{Block, Command, Drawn, Section};
use crate::wording;

/// Most alloys and sections with charts of their own; the rest are named.
const MOST: usize = 4;
/// Fewest counted flasks with a pour temperature for a chart.
const LEAST_FLASKS: usize = 5;
/// What the rates count.
pub(super) const OUTCOME: &str = "pieces with a defect that heat can steer";

pub(super) fn section(sorted: &Sorted<'_>) -> Result<Section, PageError> {
    let mut blocks = Vec::new();
    let mut without = Vec::new();
    let mut drawn = 0;
    for stratum in &sorted.week.evidence.strata {
        let counted = counted(sorted, stratum);
        let named = stratum.alloy.is_some() && stratum.section.is_some();
        if !named || drawn >= MOST || counted.len() < LEAST_FLASKS {
            without.push(format!(
                "{} ({})",
                answers::name_in_list(stratum),
                wording::count(counted.len() as u64, "flask")
            ));
            continue;
        }
        drawn += 1;
        blocks.push(Block::Heading {
            text: answers::name(stratum),
        });
        // The answer stands in full at the head of the report.
        blocks.push(Block::text(format!(
            "{} ({}).",
            answers::verdict(stratum, &sorted.week.shop.shown),
            answers::grade_words(stratum.advice.grade)
        )));
        let chart = chart(sorted, drawn, stratum, &counted);
        let shop = &sorted.week.shop;
        if let Some(figure) = curve::draw(&chart, &shop.shown, &shop.zone)? {
            blocks.push(Block::Figures {
                figures: vec![Drawn::from(figure).untitled()],
            });
        }
        blocks.extend(trial(sorted, stratum));
        let known = known(sorted, stratum, drawn == 1);
        if !known.is_empty() {
            blocks.push(Block::Notes { items: known });
        }
    }
    if drawn == 0 {
        blocks.push(missing(sorted));
    }
    if !without.is_empty() {
        blocks.push(Block::text(format!(
            "Without a chart of {} own, having fewest counted flasks with a pour temperature: {}.",
            if without.len() == 1 { "its" } else { "their" },
            wording::list_most(&without, 6),
        )));
    }
    Ok(Section {
        id: "temperature",
        title: "Defects over pour temperature".to_owned(),
        blocks,
    })
}

fn missing(sorted: &Sorted<'_>) -> Block {
    let facts = &sorted.week.facts;
    let poured = sorted.all.iter().any(|f| f.pour_temperature_c.is_some());
    if sorted.all.is_empty() || poured {
        Block::missing(
            format!(
                "Nothing can be drawn yet: a chart takes {LEAST_FLASKS} counted flasks of one alloy and section with a pour temperature."
            ),
            "Give each flask a card with alloy and section, and count its pieces:",
        )
        .with_lines([
            format!(
                "{} --label A --alloy sterling-925 --section medium --pieces 24",
                facts.command("record flask")
            ),
            format!(
                "{} --flask A --pieces 24 --defective 2 --kind no-fill=2 --others-none",
                facts.command("record inspection")
            ),
        ])
    } else {
        Block::missing(
            "No flask has a pour temperature, so nothing can be said about heat.",
            "A pour temperature comes from a melt thermocouple: name its topic and unit in pourbook.toml, and match each pour to its flask.",
        )
        .with_lines(["[machine.channels.melt_temperature]", "topic = \"shop/bench-1/melt\"", "unit = \"Cel\""])
    }
}

/// The counted flasks of an alloy and section that may steer and have a pour temperature.
fn counted<'a>(sorted: &Sorted<'a>, stratum: &Stratum) -> Vec<&'a Flask> {
    let of = sorted.flasks_of(stratum);
    of.into_iter()
        .filter(|f| f.set_aside.is_none() && sorted.steering.counts(f).is_some())
        .filter(|f| f.pour_temperature_c.is_some_and(f64::is_finite))
        .collect()
}

fn chart(sorted: &Sorted<'_>, number: usize, stratum: &Stratum, counted: &[&Flask]) -> Curve {
    let advice = &stratum.advice;
    let claimed = advice.grade >= Grade::Fair;
    let works = (stratum.alloy.as_deref(), stratum.section.as_deref());
    let target = match works {
        (Some(alloy), Some(section)) => sorted.week.facts.target_at(alloy, section, sorted.until),
        _ => None,
    };
    Curve {
        id: format!("curve-{number}"),
        of: answers::name(stratum),
        outcome: OUTCOME.to_owned(),
        flasks: counted
            .iter()
            .filter_map(|f| {
                let (pieces, defective) = sorted.steering.counts(f)?;
                Some(curve::Flask {
                    label: f.label.clone(),
                    cast_at: f.cast_at,
                    pour_c: f.pour_temperature_c?,
                    pieces,
                    defective,
                })
            })
            .collect(),
        line: stratum.curve.iter().map(point).collect(),
        counted: stratum.steps.iter().map(point).collect(),
        usual_c: advice.usual_c,
        // Where the best is what is poured already, there is nothing to try.
        advised_c: advice.pour_temperature_c.filter(|best| {
            let usual = advice.against_c.or(advice.usual_c);
            claimed || usual.is_none_or(|usual| (best - usual).abs() >= answers::ALIKE_K)
        }),
        advised_as: if claimed { "advised" } else { "worth trying" }.to_owned(),
        target_c: target.and_then(|t| t.pour_temperature_c),
        flat_c: advice.flat_from_c.zip(advice.flat_to_c),
    }
}

fn point(p: &CurvePoint) -> At {
    At {
        pour_c: p.pour_temperature_c,
        rate: p.rate,
        least: p.rate_least,
        most: p.rate_most,
        limits: p.low.zip(p.high),
        flasks: p.flasks_near,
    }
}

/// What a trial of it would take, and how to begin it; none while one runs or is over, or where
/// none is worth beginning.
fn trial(sorted: &Sorted<'_>, stratum: &Stratum) -> Option<Block> {
    let trial = answers::could_begin(sorted, stratum)?;
    Some(Block::Commands {
        intro: wording::sentence(&trial.plan.as_ref().ok()?.sentence),
        commands: vec![Command {
            what: String::new(),
            line: answers::begin(sorted, trial),
        }],
    })
}

/// What a reader should know before believing a curve: what holds the answer down, the second
/// opinion, what moved together, when it is looked at next. The first also says what a formal look
/// is.
fn known(sorted: &Sorted<'_>, stratum: &Stratum, first: bool) -> Vec<String> {
    let mut items = Vec::new();
    let caps: Vec<String> = stratum
        .advice
        .caps
        .iter()
        .map(|c| wording::sentence(&c.reason))
        .collect();
    if !caps.is_empty() {
        items.push(format!("What holds the answer down: {}.", caps.join("; ")));
    }
    if let Some(look) = &stratum.look {
        let next = look.next_at_sessions.map(|next| {
            format!(
                "the next comes when the book has {next} sessions, now it has {}",
                look.sessions
            )
        });
        let gloss = if first {
            " (a look at the figures agreed beforehand, the only time at which a better temperature can be claimed)"
        } else {
            ""
        };
        items.push(match (look.number, next) {
            (0, Some(next)) => format!("No formal look yet{gloss}: {next}."),
            (0, None) => "No formal look is due.".to_owned(),
            (n, Some(next)) => format!(
                "{} so far{gloss}: {next}.",
                wording::count(n as u64, "formal look")
            ),
            (n, None) => format!("All {n} formal looks have been; a trial can still claim more."),
        });
    }
    for pair in &stratum.moves_together {
        items.push(wording::sentence(&pair.sentence));
    }
    if let Some(second) = &stratum.second_opinion {
        items.push(wording::sentence(&second.sentence));
    }
    items.extend(stratum.notes.iter().map(|n| wording::sentence(n)));
    items.extend(set_aside(sorted, stratum));
    items
}

/// Which flasks were left out of the curve, and why.
fn set_aside(sorted: &Sorted<'_>, stratum: &Stratum) -> Option<String> {
    let mut reasons = std::collections::BTreeMap::<&str, Vec<&str>>::new();
    for aside in &stratum.set_aside {
        reasons
            .entry(&aside.reason)
            .or_default()
            .push(aside.flask.as_str());
    }
    if reasons.is_empty() {
        return None;
    }
    let name = |id: &&str| {
        let flask = sorted.all.iter().find(|f| f.id == **id);
        flask.map_or_else(|| wording::shortened(id), |f| sorted.name(f))
    };
    let said: Vec<String> = reasons
        .iter()
        .map(|(reason, ids)| {
            // The newest first: they are the ones that somebody remembers.
            let names: Vec<String> = ids.iter().rev().map(name).collect();
            format!(
                "{} ({})",
                wording::isolated(reason),
                wording::list_most(&names, 3)
            )
        })
        .collect();
    Some(format!(
        "Set aside and not in the curve, {}: {}.",
        wording::count(stratum.set_aside.len() as u64, "flask"),
        said.join("; ")
    ))
}

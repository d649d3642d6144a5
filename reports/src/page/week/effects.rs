//! What else matters: what a practical step of each setting does to the share of defective pieces
//! while the model holds all others equal.

use analysis::evidence::{Factor, Term};
use analysis::units::{ShownIn, Unit};

use super::sorted::Sorted;
use super::temperature::OUTCOME;
use crate::chart::forest::{self, Effect, Forest};
use crate::page::PageError;
use crate::page::sheet::{Block, Drawn, Section};
use crate::wording;

pub(super) fn section(sorted: &Sorted<'_>) -> Result<Section, PageError> {
    let evidence = &sorted.week.evidence;
    let mut blocks = Vec::new();
    let rate = evidence.rate.map(|r| r.estimate);
    match (&evidence.model, rate) {
        (Some(model), Some(from_rate)) if from_rate > 0.0 && from_rate < 1.0 => {
            let shown = &sorted.week.shop.shown;
            let effects: Vec<Effect> = model
                .terms
                .iter()
                .filter_map(|t| effect(t, from_rate, shown))
                .collect();
            let figure = forest::draw(&Forest {
                id: "effects".to_owned(),
                outcome: OUTCOME.to_owned(),
                from_rate,
                effects,
            })?;
            match figure {
                Some(figure) => {
                    blocks.push(Block::text(format!(
                        "How the share of bad pieces goes with one step of each setting, all others held equal, in {} of {}. Nobody drew lots for these settings, so each can stand in for something else: this is where to look, not proof.{}",
                        wording::count(model.flasks as u64, "flask"),
                        wording::count(model.sessions as u64, "session"),
                        probes(&model.terms),
                    )));
                    blocks.push(Block::Figures {
                        figures: vec![Drawn::from(figure).untitled()],
                    });
                }
                None => blocks.push(Block::text(
                    "These flasks carry no setting but the curve of the pour temperature above.",
                )),
            }
            let notes: Vec<String> = model.notes.iter().map(|n| wording::sentence(n)).collect();
            if !notes.is_empty() {
                blocks.push(Block::Notes { items: notes });
            }
        }
        _ => {
            blocks.push(Block::missing(
                if evidence.flasks > 0 {
                    "The flasks counted so far cannot yet weigh one setting against another."
                } else {
                    "No flask has been counted, so no setting can be weighed against another."
                },
                "It comes with counted flasks: each further setting takes ten more bad pieces that do not belong together, five sessions and eight flasks.",
            ));
        }
    }
    Ok(Section {
        id: "effects",
        title: "What else matters".to_owned(),
        blocks,
    })
}

/// A practical step of a setting: its size in the stored unit, and its words.
fn step(factor: Factor, shown: &ShownIn) -> Option<(f64, String)> {
    let fahrenheit = shown.temperature == Unit::Fahrenheit;
    // A round step of what the shop reads, in kelvin.
    let hotter = |celsius: f64, degrees_f: f64| {
        if fahrenheit {
            (degrees_f / 1.8, format!("{degrees_f:.0} °F hotter"))
        } else {
            (celsius, format!("{celsius:.0} °C hotter"))
        }
    };
    Some(match factor {
        Factor::PourTemperature => hotter(10.0, 20.0),
        Factor::FlaskTemperature => hotter(20.0, 40.0),
        Factor::VacuumShare => (0.05, "deeper by 5 % of full".to_owned()),
        Factor::Vacuum => {
            let inches = shown.vacuum == Unit::InchOfMercury;
            let kpa = if inches { 3.386_389 } else { 5.0 };
            (kpa, format!("{} more", shown.vacuum(kpa)))
        }
        Factor::GasFlow => (1.0, format!("{} more", shown.flow(1.0))),
        Factor::Soak => (30.0, "30 min longer".to_owned()),
        Factor::SealAge => (25.0, "25 pours older".to_owned()),
        Factor::Remelt => (10.0, "10 points more".to_owned()),
        Factor::Metal => (50.0, format!("{} more", shown.mass(50.0))),
        Factor::Days => (28.0, "4 weeks later".to_owned()),
        _ => return None,
    })
}

/// What settings are called here.
fn called(factor: Factor) -> &'static str {
    match factor {
        Factor::PourTemperature => "pour temperature",
        Factor::FlaskTemperature => "flask temperature",
        Factor::VacuumShare | Factor::Vacuum => "vacuum",
        Factor::GasFlow => "cover gas",
        Factor::Soak => "soak",
        Factor::SealAge => "gasket's age",
        Factor::Remelt => "old metal",
        Factor::Metal => "metal poured",
        Factor::Days => "slow drift",
        Factor::Alloy => "alloy",
        Factor::Section => "section",
        Factor::Pattern => "pattern",
        Factor::Machine => "machine",
        Factor::ProbeSeries => "probe",
    }
}

fn effect(term: &Term, from_rate: f64, shown: &ShownIn) -> Option<Effect> {
    let limits = term.low.zip(term.high);
    if let Some((grouping, level)) = term.name.split_once(": ") {
        let factor = Factor::parse(grouping).ok()?;
        let group = format!(
            "{}, against {}",
            called(factor),
            term.base.as_deref().unwrap_or("the commonest")
        );
        let ratio = term.odds_ratio?;
        return Some(Effect::of_odds_ratio(
            (&group, level, ""),
            from_rate,
            ratio,
            term.odds_ratio_low.zip(term.odds_ratio_high),
        ));
    }
    // Terms of a curve have no odds ratio: a step of theirs depends on where it starts.
    term.odds_ratio?;
    let factor = Factor::parse(&term.name).ok()?;
    let (size, words) = step(factor, shown)?;
    Some(Effect::of_odds_ratio(
        ("settings", called(factor), &words),
        from_rate,
        (term.estimate * size).exp(),
        limits.map(|(low, high)| ((low * size).exp(), (high * size).exp())),
    ))
}

/// What a probe's name means, where probes are among the terms.
fn probes(terms: &[Term]) -> String {
    let probe = terms.iter().find_map(|t| {
        let (grouping, level) = t.name.split_once(": ")?;
        Factor::parse(grouping)
            .is_ok_and(|f| f == Factor::ProbeSeries)
            .then_some(level)
    });
    probe
        .and_then(|level| level.rsplit_once('/'))
        .map_or_else(String::new, |(machine, number)| {
            format!(
                " A probe is named by its machine and its place in order of time: {} is number {} of {}.",
                wording::isolated(&format!("{machine}/{number}")),
                wording::isolated(number),
                wording::isolated(machine),
            )
        })
}

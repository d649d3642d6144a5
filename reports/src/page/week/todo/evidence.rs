//! What the evidence asks to be done: a temperature to follow, card and pour to agree, a trial to go
//! on with or to begin, and what is nearest to carrying advice.

use analysis::evidence::trial::State;
use analysis::evidence::{Grade, Stratum};

use super::{Todo, named};
use crate::page::week::answers::{self, FLASKS_NEEDED, SESSIONS_NEEDED};
use crate::page::week::sorted::Sorted;
use crate::wording;

/// A trial in which one temperature misruns grossly is stopped.
pub(super) fn misruns(sorted: &Sorted<'_>) -> Vec<Todo> {
    let shown = &sorted.week.shop.shown;
    let trials = sorted.week.facts.trials.iter();
    trials
        .filter_map(|t| {
            let stands = t.newest.as_ref()?;
            let gross = stands.gross_c?;
            let open = matches!(stands.state, State::Planned | State::Running);
            open.then(|| {
                Todo::new(
                    "Stop the trial",
                    format!(
                        "Flasks of {} at {} misrun grossly and the others do not.",
                        wording::isolated(&format!("{}, {}", t.alloy, t.section)),
                        shown.temperature(gross)
                    ),
                )
                .with(format!(
                    "{} --stop misruns",
                    sorted.week.facts.command("record trial")
                ))
            })
        })
        .collect()
}

/// A temperature that the evidence backs and the shop does not pour at yet.
pub(super) fn follow(sorted: &Sorted<'_>) -> Vec<Todo> {
    let shown = &sorted.week.shop.shown;
    named(sorted)
        .filter_map(|s| {
            let pour = answers::backed_c(s)?;
            let usual = s.advice.usual_c;
            if usual.is_some_and(|usual| (usual - pour).abs() <= answers::FOLLOWS_K) {
                return None;
            }
            let mut why = format!(
                "{}.",
                wording::capital(answers::grade_words(s.advice.grade))
            );
            if let (Some(change), Some(against)) = (s.advice.expected_change, s.advice.against_c) {
                why += &format!(
                    " About {} bad pieces in a hundred {} than at {}.",
                    wording::percent_number(change.abs()),
                    if change <= 0.0 { "fewer" } else { "more" },
                    shown.temperature(against)
                );
            }
            if let Some(aim) = &s.advice.aim {
                why += &format!(" {}", wording::sentence(&aim.sentence));
            }
            let unit = match shown.temperature(0.0).unit {
                "°F" => "degF",
                "K" => "K",
                _ => "Cel",
            };
            Some(
                Todo::new(
                    format!("Pour {} at {}", answers::name(s), shown.temperature(pour)),
                    why,
                )
                .with("[[target]] in pourbook.toml")
                .with(format!("alloy = {:?}", s.alloy.as_deref()?))
                .with(format!("section = {:?}", s.section.as_deref()?))
                .with(format!(
                    "pour_temperature = \"{} {unit}\"",
                    shown.temperature(pour).number()
                )),
            )
        })
        .collect()
}

/// Pours that come to one side of their target: the answer's own words, with both ways out.
pub(super) fn off_target(sorted: &Sorted<'_>) -> Option<Todo> {
    let shown = &sorted.week.shop.shown;
    let (stratum, aim) = named(sorted)
        // Where a temperature is backed, that is the thing to do.
        .filter(|s| answers::backed_c(s).is_none())
        .filter_map(|s| Some((s, s.advice.aim.as_ref()?)))
        .max_by_key(|(_, aim)| aim.flasks)?;
    Some(Todo::new(
        format!(
            "Set the target of {} to {}, or aim {}",
            answers::name_in_list(stratum),
            shown.temperature(aim.usual_c),
            if aim.above_k > 0.0 { "lower" } else { "higher" },
        ),
        wording::sentence(&aim.sentence),
    ))
}

/// The trial that runs, or that weak evidence calls for.
pub(super) fn trial(sorted: &Sorted<'_>) -> Option<Todo> {
    let facts = &sorted.week.facts;
    let of = |s: &Stratum| facts.trial_of(s.alloy.as_deref(), s.section.as_deref());
    let open = named(sorted).find_map(|s| {
        let trial = of(s)?;
        let stands = trial.newest.as_ref()?;
        matches!(stands.state, State::Planned | State::Running).then_some((s, trial, stands))
    });
    if let Some((s, trial, stands)) = open.filter(|o| o.2.gross_c.is_none()) {
        return Some(Todo::new(
            format!("Go on with the trial of {}", answers::name(s)),
            answers::running(sorted, trial, stands),
        ));
    }
    if open.is_some() {
        return None;
    }
    named(sorted)
        .filter(|s| s.advice.grade == Grade::Weak)
        .find_map(|s| {
            let trial = answers::could_begin(sorted, s)?;
            let plan = trial.plan.as_ref().ok()?;
            Some(
                Todo::new(
                    format!("Think about a trial of {}", answers::name(s)),
                    wording::sentence(&plan.sentence),
                )
                .with(answers::begin(sorted, trial)),
            )
        })
}

/// The alloy and section that is nearest to carrying advice.
pub(super) fn more_evidence(sorted: &Sorted<'_>) -> Option<Todo> {
    let short = |flasks: usize, sessions: usize| {
        FLASKS_NEEDED.saturating_sub(flasks) + SESSIONS_NEEDED.saturating_sub(sessions)
    };
    let nearest = named(sorted)
        .filter(|s| short(s.flasks, s.sessions) > 0)
        .min_by_key(|s| short(s.flasks, s.sessions))?;
    Some(Todo::new(
        format!("Go on counting {}", answers::name(nearest)),
        format!(
            "It has {} from {}; advice on a pour temperature needs {FLASKS_NEEDED} from {SESSIONS_NEEDED}.",
            wording::count(nearest.flasks as u64, "counted flask"),
            wording::count(nearest.sessions as u64, "session"),
        ),
    ))
}

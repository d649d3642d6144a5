//! The three things to do: what would help most, in the order of what is lost if it is left.
//! Metal and pieces come first (a weak seal), then evidence that fades (uncounted flasks), then
//! what is not measured.

use analysis::channel::Channel;
use analysis::pour::PullRow;
use serde::Serialize;

use super::answers::{self, FLASKS_NEEDED, SESSIONS_NEEDED};
use super::bad_flasks;
use super::week::{Sorted, kinds_of};
use crate::{verdicts, wording};

/// One thing to do.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Todo {
    /// What to do, in a few words.
    pub what: String,
    /// Why, with the numbers.
    pub why: String,
}

/// Most flasks named in one sentence.
const NAMED: usize = 6;

/// At most three things to do, and at least one.
pub(super) fn three(sorted: &Sorted<'_>) -> Vec<Todo> {
    let mut all = Vec::new();
    all.extend(seals(sorted));
    all.extend(inspect(sorted));
    all.extend(trouble(sorted));
    all.extend(off_target(sorted));
    all.extend(worst_flask(sorted));
    all.extend(sensors(sorted));
    all.extend(more_evidence(sorted));
    if all.is_empty() {
        all.push(Todo {
            what: "Keep on".to_owned(),
            why: "Nothing of the week asks for a change. Go on counting every flask.".to_owned(),
        });
    }
    all.truncate(3);
    all
}

/// A machine with weak or missing pulls: the seal first.
fn seals(sorted: &Sorted<'_>) -> Vec<Todo> {
    let week = sorted.week;
    let shown = &week.shop.shown;
    let mut machines: Vec<&str> = week.pulls.iter().map(|p| p.machine.as_str()).collect();
    machines.sort_unstable();
    machines.dedup();
    machines
        .into_iter()
        .filter_map(|machine| {
            let of = |p: &&PullRow| p.machine == machine;
            let pulls: Vec<&PullRow> = week.pulls.iter().filter(of).collect();
            let bad: Vec<&&PullRow> = pulls.iter().filter(|p| verdicts::is_bad(p)).collect();
            let worst = bad
                .iter()
                .filter_map(|p| p.depth_kpa)
                .filter(|d| d.is_finite())
                .reduce(f64::min);
            let mut good: Vec<f64> = pulls
                .iter()
                .filter(|p| !verdicts::is_bad(p))
                .filter_map(|p| p.depth_kpa)
                .filter(|d| d.is_finite())
                .collect();
            good.sort_by(f64::total_cmp);
            if bad.is_empty() {
                return None;
            }
            let mut why = format!(
                "{} of {} this week {} weak or missing",
                bad.len(),
                wording::count(pulls.len() as u64, "pull"),
                if bad.len() == 1 { "was" } else { "were" },
            );
            match (worst, good.get(good.len() / 2)) {
                (Some(w), Some(g)) => {
                    why += &format!(
                        " (least {}, good pulls {} below air)",
                        shown.vacuum(w),
                        shown.vacuum(*g)
                    );
                }
                (Some(w), None) => why += &format!(" (least {} below air)", shown.vacuum(w)),
                _ => {}
            }
            why.push('.');
            let gasket = week
                .parts
                .iter()
                .find(|p| p.machine == machine && p.kind == "gasket")
                .and_then(|p| p.pours_since);
            if let Some(n) = gasket {
                why += &format!(
                    " The gasket has sealed {}.",
                    wording::count(u64::from(n), "pour")
                );
            }
            let name = wording::isolated(machine);
            // One bad pull is most often a flask that sat badly; a seal that fails does it again.
            let what = if bad.len() > 1 && 10 * bad.len() >= pulls.len() {
                format!("Change the gasket of {name}")
            } else {
                format!("Look at the gasket of {name} and how the flask sat on it")
            };
            Some(Todo { what, why })
        })
        .collect()
}

fn inspect(sorted: &Sorted<'_>) -> Option<Todo> {
    let waiting = sorted.uninspected();
    if waiting.is_empty() {
        return None;
    }
    let mut names: Vec<String> = waiting
        .iter()
        .take(NAMED)
        .map(|f| wording::isolated(&f.label))
        .collect();
    if waiting.len() > NAMED {
        names.push(format!("{} more", waiting.len() - NAMED));
    }
    Some(Todo {
        what: format!("Count {}", wording::list(&names)),
        why: format!(
            "{} of {} poured this week {} not been inspected. Bad flasks are the ones most often left, so what is missing flatters the rate.",
            waiting.len(),
            wording::count(sorted.now.len() as u64, "flask"),
            if waiting.len() == 1 { "has" } else { "have" },
        ),
    })
}

/// The trouble that came most often and that someone can mend.
fn trouble(sorted: &Sorted<'_>) -> Option<Todo> {
    let worst = sorted
        .week
        .troubles
        .iter()
        .filter(|t| t.mend.is_some())
        .max_by_key(|t| t.times)?;
    Some(Todo {
        what: wording::shortened(worst.mend.as_deref()?),
        why: format!(
            "{}: {}, {} this week.",
            wording::isolated(&worst.at),
            wording::shortened(&worst.what),
            match worst.times {
                1 => "once".to_owned(),
                2 => "twice".to_owned(),
                n => format!("{n} times"),
            }
        ),
    })
}

/// Pours that lie to one side of their target.
fn off_target(sorted: &Sorted<'_>) -> Option<Todo> {
    /// Least mean distance from the target that is worth a word, K: about what a thermocouple
    /// repeats to.
    const WORTH_K: f64 = 5.0;
    let errors: Vec<f64> = sorted
        .week
        .pours
        .iter()
        .filter_map(|p| Some(p.pour_temperature_c? - p.target_c?))
        .filter(|e| e.is_finite())
        .collect();
    if errors.len() < 3 {
        return None;
    }
    let mean = errors.iter().sum::<f64>() / errors.len() as f64;
    if mean.abs() < WORTH_K {
        return None;
    }
    let shown = &sorted.week.shop.shown;
    let (side, act) = if mean > 0.0 {
        (
            "above",
            "Lift the stopper a little earlier, or lower the furnace's set point",
        )
    } else {
        (
            "below",
            "Wait a little longer before lifting the stopper, or raise the furnace's set point",
        )
    };
    Some(Todo {
        what: act.to_owned(),
        why: format!(
            "{} of the week lay {} {side} their targets on average.",
            wording::count(errors.len() as u64, "pour"),
            shown.difference(mean.abs()),
        ),
    })
}

fn worst_flask(sorted: &Sorted<'_>) -> Option<Todo> {
    let worst = *bad_flasks::bad(sorted).first()?;
    let (pieces, defective) = sorted.any.counts(worst)?;
    let kinds = kinds_of(worst);
    Some(Todo {
        what: format!("Look again at flask {}", sorted.name(worst)),
        why: format!(
            "It lost {defective} of {}{}. What differed from its nearest good flask is listed below.",
            wording::count(u64::from(pieces), "piece"),
            if kinds.is_empty() {
                String::new()
            } else {
                format!(" ({})", wording::isolated(&kinds))
            }
        ),
    })
}

/// What no machine senses and every pour would need.
fn sensors(sorted: &Sorted<'_>) -> Option<Todo> {
    let missing: Vec<String> = [
        (Channel::MeltTemperature, "melt temperature"),
        (Channel::Vacuum, "vacuum"),
        (Channel::KilnTemperature(0), "kiln temperature"),
        (Channel::GasFlow, "cover gas"),
    ]
    .into_iter()
    .filter(|(c, _)| !sorted.senses(*c))
    .map(|(_, name)| name.to_owned())
    .collect();
    if missing.is_empty() {
        return None;
    }
    Some(Todo {
        what: format!("Give the bench a sensor for {}", wording::list(&missing)),
        why: "What is not sensed cannot be related to defects, and each pour stays without it."
            .to_owned(),
    })
}

/// The alloy and section that is nearest to carrying advice.
fn more_evidence(sorted: &Sorted<'_>) -> Option<Todo> {
    let short = |flasks: usize, sessions: usize| {
        FLASKS_NEEDED.saturating_sub(flasks) + SESSIONS_NEEDED.saturating_sub(sessions)
    };
    let nearest = sorted
        .week
        .evidence
        .strata
        .iter()
        .filter(|s| s.alloy.is_some() && s.section.is_some())
        .filter(|s| short(s.flasks, s.sessions) > 0)
        .min_by_key(|s| short(s.flasks, s.sessions))?;
    Some(Todo {
        what: format!(
            "Go on counting {}",
            wording::isolated(&answers::name(nearest))
        ),
        why: format!(
            "It has {} from {}; advice on a pour temperature needs {FLASKS_NEEDED} from {SESSIONS_NEEDED}.",
            wording::count(nearest.flasks as u64, "inspected flask"),
            wording::count(nearest.sessions as u64, "session"),
        ),
    })
}

//! The three things to do: what would help most, in the order of what is lost if it is left.
//! Metal and pieces come first (a tired gasket, an empty cylinder), then evidence that fades
//! (uncounted flasks), then what the evidence asks for, then what is not measured.

use analysis::channel::Channel;
use analysis::evidence::trial::State;
use analysis::evidence::{Grade, Stratum};
use analysis::pour::PullRow;
use analysis::pour::seal_due::SealDue;
use serde::Serialize;

use super::answers::{self, FLASKS_NEEDED, SESSIONS_NEEDED};
use super::every_flask::kinds_of;
use super::seals::{gasket_pours, why_due};
use super::sorted::Sorted;
use super::{bad_flasks, waiting};
use crate::{verdicts, wording};

/// One thing to do.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Todo {
    /// What to do, in a few words.
    pub what: String,
    /// Why, with the numbers.
    pub why: String,
    /// The very command, or the lines of the configuration; empty where there are none.
    pub lines: Vec<String>,
}

/// Most flasks named in one sentence.
const NAMED: usize = 5;
/// A cylinder that lasts no longer than this is seen to on Monday, weeks.
const CYLINDER_WEEKS: f64 = 1.5;

impl Todo {
    fn new(what: impl Into<String>, why: impl Into<String>) -> Todo {
        Todo {
            what: what.into(),
            why: why.into(),
            lines: Vec::new(),
        }
    }

    fn with(mut self, line: impl Into<String>) -> Todo {
        self.lines.push(line.into());
        self
    }
}

/// At most three things to do, and at least one.
pub(in crate::page) fn three(sorted: &Sorted<'_>) -> Vec<Todo> {
    let mut all = Vec::new();
    all.extend(misruns(sorted));
    all.extend(seals(sorted));
    all.extend(cylinder(sorted));
    all.extend(trouble(sorted));
    all.extend(inspect(sorted));
    all.extend(follow(sorted));
    all.extend(off_target(sorted));
    all.extend(trial(sorted));
    all.extend(worst_flask(sorted));
    all.extend(sensors(sorted));
    all.extend(more_evidence(sorted));
    if all.is_empty() {
        all.push(if sorted.all.is_empty() {
            Todo::new(
                "Pour as you do, and write cards",
                "Each flask with a card and a count is a line of evidence; twenty of one alloy and section are enough to look.",
            )
        } else {
            Todo::new(
                "Keep on",
                "Nothing of the week asks for a change. Go on counting every flask.",
            )
        });
    }
    all.truncate(3);
    all
}

/// The alloys and sections that can be poured by name.
fn named<'a>(sorted: &Sorted<'a>) -> impl Iterator<Item = &'a Stratum> {
    sorted
        .week
        .evidence
        .strata
        .iter()
        .filter(|s| s.alloy.is_some() && s.section.is_some())
}

/// A trial in which one temperature misruns grossly is stopped.
fn misruns(sorted: &Sorted<'_>) -> Vec<Todo> {
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

/// A gasket that is due, or a machine with weak or missing pulls.
fn seals(sorted: &Sorted<'_>) -> Vec<Todo> {
    let machines = sorted.machines();
    machines
        .into_iter()
        .filter_map(|machine| seal(sorted, machine))
        .collect()
}

fn seal(sorted: &Sorted<'_>, machine: &str) -> Option<Todo> {
    let week = sorted.week;
    let pulls: Vec<&PullRow> = week.pulls.iter().filter(|p| p.machine == machine).collect();
    let bad: Vec<&&PullRow> = pulls.iter().filter(|p| verdicts::is_bad(p)).collect();
    let name = wording::isolated(machine);
    let due = week.facts.seals.get(machine);
    let record = || {
        format!(
            "{} --machine {}",
            week.facts.command("record part gasket"),
            wording::argument(machine)
        )
    };
    // One bad pull is most often a flask that sat badly; a seal that fails does it again.
    let fails = bad.len() > 1 && 10 * bad.len() >= pulls.len();
    match due {
        Some(due @ SealDue::Fading { .. }) => Some(
            Todo::new(
                format!("Change the gasket of {name}"),
                format!(
                    "{}.{}",
                    wording::capital(&why_due(due)),
                    bad_pulls(sorted, &pulls, &bad)
                ),
            )
            .with(record()),
        ),
        _ if fails => Some(
            Todo::new(
                format!("Change the gasket of {name}"),
                format!(
                    "{}{}",
                    bad_pulls(sorted, &pulls, &bad).trim_start(),
                    sealed(sorted, machine)
                ),
            )
            .with(record()),
        ),
        Some(due @ SealDue::Aged { .. }) => Some(
            Todo::new(
                format!("Change the gasket of {name}"),
                format!(
                    "{}.{}",
                    wording::capital(&why_due(due)),
                    bad_pulls(sorted, &pulls, &bad)
                ),
            )
            .with(record()),
        ),
        None if !bad.is_empty() => Some(Todo::new(
            format!("Look at the gasket of {name} and how the flask sat on it"),
            format!(
                "{}{}",
                bad_pulls(sorted, &pulls, &bad).trim_start(),
                sealed(sorted, machine)
            ),
        )),
        None => None,
    }
}

/// How many pulls of the week were bad, as a sentence with a space in front; nothing if none was.
fn bad_pulls(sorted: &Sorted<'_>, pulls: &[&PullRow], bad: &[&&PullRow]) -> String {
    let shown = &sorted.week.shop.shown;
    if bad.is_empty() {
        return String::new();
    }
    let mut why = format!(
        " {} of {} this week {} weak or missing",
        bad.len(),
        wording::count(pulls.len() as u64, "pull"),
        if bad.len() == 1 { "was" } else { "were" },
    );
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
    why + "."
}

fn sealed(sorted: &Sorted<'_>, machine: &str) -> String {
    gasket_pours(sorted, machine).map_or_else(String::new, |n| {
        format!(
            " The gasket has sealed {}.",
            wording::count(u64::from(n), "pour")
        )
    })
}

/// A cylinder that will not see the next Monday out.
fn cylinder(sorted: &Sorted<'_>) -> Vec<Todo> {
    let gas = sorted.week.facts.gas.iter();
    gas.filter_map(|g| {
        let lasts = g.lasts.filter(|l| l.weeks < CYLINDER_WEEKS)?;
        let left = g.sessions.last()?.left_l?;
        Some(Todo::new(
            format!(
                "Have a full gas cylinder ready for {}",
                wording::isolated(&g.machine)
            ),
            format!(
                "What is in it lasts {} at this use (about {} are left).",
                wording::weeks_or_days(lasts.weeks),
                sorted.week.shop.shown.gas(left)
            ),
        ))
    })
    .collect()
}

fn inspect(sorted: &Sorted<'_>) -> Option<Todo> {
    let uncounted = sorted.uninspected();
    let first = uncounted.first()?;
    let names: Vec<String> = uncounted
        .iter()
        .map(|f| wording::isolated(&f.label))
        .collect();
    Some(
        Todo::new(
            format!("Count {}", wording::list_most(&names, NAMED)),
            format!(
                "{} of {} poured this week {} not been counted. Bad flasks are the ones most often left, so what is missing flatters the rate.",
                uncounted.len(),
                wording::count(sorted.now.len() as u64, "flask"),
                if uncounted.len() == 1 { "has" } else { "have" },
            ),
        )
        .with(waiting::count_command(sorted, first)),
    )
}

/// The trouble that came most often and that someone can mend.
fn trouble(sorted: &Sorted<'_>) -> Option<Todo> {
    let worst = sorted
        .week
        .troubles
        .iter()
        .filter(|t| t.mend.is_some())
        .max_by_key(|t| t.times)?;
    Some(Todo::new(
        wording::capital(&wording::shortened(worst.mend.as_deref()?)),
        format!(
            "{}: {}, {} this week.",
            wording::isolated(&worst.at),
            wording::shortened(&worst.what),
            match worst.times {
                1 => "once".to_owned(),
                2 => "twice".to_owned(),
                n => format!("{n} times"),
            }
        ),
    ))
}

/// A temperature that the evidence backs and the shop does not pour at yet.
fn follow(sorted: &Sorted<'_>) -> Vec<Todo> {
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
fn off_target(sorted: &Sorted<'_>) -> Option<Todo> {
    let shown = &sorted.week.shop.shown;
    let (stratum, aim) = named(sorted)
        // Where a temperature is backed, that is the thing to do.
        .filter(|s| answers::backed_c(s).is_none())
        .filter_map(|s| Some((s, s.advice.aim.as_ref()?)))
        .max_by_key(|(_, aim)| aim.flasks)?;
    Some(Todo::new(
        format!(
            "Let card and pour agree for {}: {} or {}",
            answers::name(stratum),
            shown.temperature(aim.target_c).number(),
            shown.temperature(aim.usual_c)
        ),
        wording::sentence(&aim.sentence),
    ))
}

/// The trial that runs, or that weak evidence calls for.
fn trial(sorted: &Sorted<'_>) -> Option<Todo> {
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

fn worst_flask(sorted: &Sorted<'_>) -> Option<Todo> {
    let worst = *bad_flasks::bad(sorted).first()?;
    let (pieces, defective) = sorted.any.counts(worst)?;
    let kinds = kinds_of(worst);
    Some(Todo::new(
        format!("Look again at flask {}", sorted.name(worst)),
        format!(
            "It lost {defective} of {}{}. What differed from its nearest good flask is listed below.",
            wording::count(u64::from(pieces), "piece"),
            if kinds.is_empty() {
                String::new()
            } else {
                format!(" ({})", wording::isolated(&kinds))
            }
        ),
    ))
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
    Some(Todo::new(
        format!("Give the bench a sensor for {}", wording::list(&missing)),
        "What is not sensed cannot be related to defects, and each pour stays without it.",
    ))
}

/// The alloy and section that is nearest to carrying advice.
fn more_evidence(sorted: &Sorted<'_>) -> Option<Todo> {
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

//! What the bench itself asks to be done: its gasket, its gas, its sensors and their trouble.

use analysis::channel::Channel;
use analysis::pour::PullRow;
use analysis::pour::seal_due::SealDue;

use super::Todo;
use crate::page::week::seals::{gasket_pours, why_due};
use crate::page::week::sorted::Sorted;
use crate::{verdicts, wording};

/// A cylinder that lasts no longer than this is seen to on Monday, weeks.
const CYLINDER_WEEKS: f64 = 1.5;

/// A gasket that is due, or a machine with weak or missing pulls.
pub(super) fn seals(sorted: &Sorted<'_>) -> Vec<Todo> {
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
pub(super) fn cylinder(sorted: &Sorted<'_>) -> Vec<Todo> {
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

/// The trouble that came most often and that someone can mend.
pub(super) fn trouble(sorted: &Sorted<'_>) -> Option<Todo> {
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

/// What no machine senses and every pour would need.
pub(super) fn sensors(sorted: &Sorted<'_>) -> Option<Todo> {
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

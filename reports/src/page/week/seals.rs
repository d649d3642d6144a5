//! Seal and vacuum: every pull against the age of the gasket, whether the gasket is due, and the
//! pulls of the week that were weak or missing.

use analysis::channel::Channel;
use analysis::pour::seal_due::SealDue;
use analysis::pour::{PourRow, PullRow};
use analysis::stats::charts::Side;
use analysis::time::Micros;
use analysis::watch::seal::{gaskets, seal};

use super::signals;
use super::sorted::Sorted;
use crate::chart::pulls::{self, Change, Pull, Pulls};
use crate::page::PageError;
use crate::page::sheet::{Block, Section};
use crate::{verdicts, wording};

/// A pour this long after its pull closed still went into it: the turn may be told late, s.
const TURN_LATE_S: f64 = 5.0;
/// Parts that vacuum depends on.
const OF_VACUUM: [&str; 3] = ["gasket", "seal ring", "pump oil"];

pub(super) fn section(sorted: &Sorted<'_>) -> Result<Section, PageError> {
    let week = sorted.week;
    let mut blocks = Vec::new();
    let sensed = sorted.senses(Channel::Vacuum) || sorted.senses(Channel::VacuumValve);
    if week.pulls.is_empty() && week.facts.pulls_before.is_empty() {
        blocks.push(if sensed {
            Block::text("No pull of vacuum was found this week.")
        } else {
            Block::missing(
                "No machine senses vacuum, so pulls cannot be judged and a tired gasket will show only in the castings.",
                "Give the machine a vacuum sensor, and name its topic, unit and sense in pourbook.toml:",
            )
            .with_lines([
                "[machine.channels.vacuum]",
                "topic = \"shop/bench-1/vacuum\"",
                "unit = \"mbar\"",
                "sense = \"below-ambient\"",
            ])
        });
    } else {
        for machine in sorted.machines() {
            blocks.extend(of_machine(sorted, machine)?);
        }
        if !week.pulls.is_empty() {
            blocks.push(Block::Folded {
                title: format!("Every pull of the week in numbers ({})", week.pulls.len()),
                table: verdicts::table(&week.pulls, &week.shop.shown, &week.shop.zone, true),
            });
            blocks.push(Block::small(verdicts::READING));
        }
    }
    Ok(Section {
        id: "seals",
        title: "Seal and vacuum".to_owned(),
        blocks,
    })
}

fn of_machine(sorted: &Sorted<'_>, machine: &str) -> Result<Vec<Block>, PageError> {
    let facts = &sorted.week.facts;
    let now: Vec<&PullRow> = of(&sorted.week.pulls, machine);
    let before: Vec<&PullRow> = of(&facts.pulls_before, machine);
    if now.is_empty() && before.is_empty() {
        return Ok(Vec::new());
    }
    let mut blocks = Vec::new();
    if sorted.machines().len() > 1 {
        blocks.push(Block::Heading {
            text: wording::isolated(machine),
        });
    }
    let all: Vec<PullRow> = before.iter().chain(&now).map(|p| (*p).clone()).collect();
    let changed: Vec<Micros> = facts
        .part_changes
        .iter()
        .filter(|c| c.machine == machine && c.part == "gasket" && c.at < sorted.until)
        .map(|c| c.at)
        .collect();
    // A flask that sat badly and was called off tells of the flask; wear shows in the pulls that
    // metal went into.
    let into: Vec<PullRow> = all.iter().filter(|p| p.poured).cloned().collect();
    let [depth, pump_down] = seal(&gaskets(&into, machine, &changed), machine);
    let faded_at =
        signals::last(sorted, &depth, Side::Low).max(signals::last(sorted, &pump_down, Side::High));
    blocks.push(Block::text(format!(
        "{} {}",
        counted(&now),
        due(sorted, machine, faded_at)
    )));
    let chart = Pulls {
        id: format!("pulls-{}", place(sorted, machine)),
        machine: wording::shortened(machine),
        pulls: pulls_drawn(sorted, machine, &before, &now),
        changes: changes(sorted, machine, &all),
        depth: Some(depth).filter(|w| w.chart.is_ok()),
        pump_down: Some(pump_down).filter(|w| w.chart.is_ok()),
        weak_below_kpa: None,
    };
    let shop = &sorted.week.shop;
    if let Some(figure) = pulls::draw(&chart, &shop.shown, &shop.zone)? {
        blocks.push(Block::Figures {
            figures: vec![figure.into()],
        });
    }
    let bad: Vec<PullRow> = now
        .iter()
        .filter(|p| verdicts::is_bad(p))
        .map(|p| (*p).clone())
        .collect();
    if !bad.is_empty() {
        blocks.push(Block::Table {
            table: verdicts::table(&bad, &shop.shown, &shop.zone, true),
        });
    }
    Ok(blocks)
}

fn of<'a>(pulls: &'a [PullRow], machine: &str) -> Vec<&'a PullRow> {
    pulls.iter().filter(|p| p.machine == machine).collect()
}

/// A machine's place among the machines, from 1: names make no ids.
pub(super) fn place(sorted: &Sorted<'_>, machine: &str) -> usize {
    let machines = sorted.machines();
    machines.iter().position(|m| *m == machine).unwrap_or(0) + 1
}

/// The pulls of the week in words.
fn counted(pulls: &[&PullRow]) -> String {
    let bad = pulls.iter().filter(|p| verdicts::is_bad(p)).count();
    let poured = pulls.iter().filter(|p| p.poured).count();
    let text = match (pulls.len(), poured) {
        (0, _) => return "No pull this week.".to_owned(),
        (1, 1) => "1 pull this week, and it ended in a pour.".to_owned(),
        (1, _) => "1 pull this week, and it was called off.".to_owned(),
        (n, 0) => format!("{n} pulls this week, none of which ended in a pour."),
        (n, p) if n == p => format!("{n} pulls this week, all of which ended in a pour."),
        (n, p) => format!(
            "{n} pulls this week: {p} ended in a pour, {} {} called off.",
            n - p,
            if n - p == 1 { "was" } else { "were" }
        ),
    };
    let bad = match bad {
        0 => " None was weak or missing.".to_owned(),
        1 => " One was weak or missing.".to_owned(),
        n => format!(" {n} were weak or missing."),
    };
    text + &bad
}

/// The pours that the gasket in use has sealed, if its change is on record.
pub(super) fn gasket_pours(sorted: &Sorted<'_>, machine: &str) -> Option<u32> {
    let part = |p: &&crate::page::Part| p.machine == machine && p.kind == "gasket";
    sorted.week.parts.iter().find(part)?.pours_since
}

/// Why a gasket is due, in words that follow its name.
pub(super) fn why_due(due: &SealDue) -> String {
    match due {
        SealDue::Fading {
            lately_share,
            usual_share,
        } => format!(
            "its pulls fade: the last five settled at {} of what the air allows, against {} when it was new",
            wording::percent_whole(*lately_share),
            wording::percent_whole(*usual_share),
        ),
        SealDue::Aged { pours, usual_pours } => format!(
            "it has sealed {}, and here a gasket usually lasts {usual_pours}",
            wording::count(u64::from(*pours), "pour"),
        ),
    }
}

/// Whether the gasket is due, as a sentence. `faded_at` is when its own chart was last out of its
/// limits, which it is before a pull is short enough to matter.
fn due(sorted: &Sorted<'_>, machine: &str, faded_at: Option<Micros>) -> String {
    let pours = gasket_pours(sorted, machine);
    let sealed = pours.map_or_else(String::new, |n| {
        format!(
            "The gasket has sealed {}. ",
            wording::count(u64::from(n), "pour")
        )
    });
    match (sorted.week.facts.seals.get(machine), pours, faded_at) {
        (Some(due), _, _) => format!("Change the gasket: {}.", why_due(due)),
        (None, _, Some(at)) if at >= sorted.from => format!(
            "{sealed}Its pulls have begun to settle lower, or to take longer, than when it was new, though not yet by enough to be weak: have a new gasket at hand."
        ),
        (None, Some(_), Some(at)) => format!(
            "{sealed}Its pulls settled lower, or took longer, for a while (last on {}) and came back; nothing asks for a new one yet.",
            wording::day(at, &sorted.week.shop.zone)
        ),
        (None, Some(_), None) => {
            format!("{sealed}Neither its age nor its pulls ask for a new one yet.")
        }
        (None, None, _) => {
            "Its gasket's age is not known; write the next change down with pourbook record part gasket."
                .to_owned()
        }
    }
}

fn pulls_drawn(
    sorted: &Sorted<'_>,
    machine: &str,
    before: &[&PullRow],
    now: &[&PullRow],
) -> Vec<Pull> {
    let facts = &sorted.week.facts;
    let pours: Vec<&PourRow> = facts
        .pours_before
        .iter()
        .chain(&sorted.week.pours)
        .filter(|p| p.machine == machine)
        .collect();
    before
        .iter()
        .chain(now)
        .map(|pull| {
            let closed = pull.closed_at.unwrap_or(sorted.until);
            let pour = pours
                .iter()
                .find(|p| p.at >= pull.opened_at && p.at <= closed.plus_seconds(TURN_LATE_S));
            Pull {
                at: pull.opened_at,
                depth_kpa: pull
                    .settled_kpa
                    .or(pull.depth_kpa)
                    .filter(|d| d.is_finite()),
                share: pull
                    .settled_share()
                    .map(|(share, _)| share)
                    .or(pull.share)
                    .filter(|s| s.is_finite()),
                tau_s: pull.tau_s.filter(|t| t.is_finite()),
                // This one counted, as the gasket's age is told everywhere else.
                age_pours: pour.and_then(|p| p.seal_age_pours).map(|n| n + 1),
                verdict: pull.verdict,
                poured: pull.poured,
            }
        })
        .collect()
}

/// The changes of parts that vacuum depends on, within the pulls shown.
fn changes(sorted: &Sorted<'_>, machine: &str, shown: &[PullRow]) -> Vec<Change> {
    let first = shown.first().map_or(sorted.from, |p| p.opened_at);
    sorted
        .week
        .facts
        .part_changes
        .iter()
        .filter(|c| c.machine == machine && OF_VACUUM.contains(&c.part.as_str()))
        .filter(|c| c.at >= first.plus_seconds(-86_400.0) && c.at < sorted.until)
        .map(|c| Change {
            at: c.at,
            part: c.part.clone(),
        })
        .collect()
}

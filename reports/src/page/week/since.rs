//! What changed since last week: the answers and grades of a week ago beside today's, and what the
//! shop itself changed. Last week's answers are worked out anew from the flasks that were poured
//! up to last Monday, as they are recorded now.

use analysis::evidence::{Advice, Grade, Stratum};

use super::answers;
use super::sorted::Sorted;
use crate::page::sheet::{Block, Section};
use crate::wording;

/// A usual temperature that moved by less is no news, K.
const MOVED_K: f64 = 3.0;

pub(super) fn section(sorted: &Sorted<'_>) -> Section {
    let mut blocks = Vec::new();
    let mut items = Vec::new();
    let mut same = Vec::new();
    match &sorted.week.facts.evidence_before {
        None => blocks.push(Block::text(
            "There is no week before to compare with: no flask was poured before this one.",
        )),
        Some(before) => {
            for stratum in named(&sorted.week.evidence.strata) {
                let earlier = before
                    .strata
                    .iter()
                    .find(|s| s.alloy == stratum.alloy && s.section == stratum.section);
                match earlier {
                    None => items.push(format!("{}: new this week.", answers::name(stratum))),
                    Some(earlier) => match moved(sorted, earlier, stratum) {
                        Some(what) => items.push(what),
                        None => same.push(answers::name_in_list(stratum)),
                    },
                }
            }
        }
    }
    items.extend(by_the_shop(sorted));
    if !items.is_empty() {
        blocks.push(Block::List { items });
    }
    if !same.is_empty() {
        blocks.push(Block::text(format!(
            "The {} unchanged: {}.",
            if same.len() == 1 {
                "answer is"
            } else {
                "answers are"
            },
            wording::list_most(&same, 8)
        )));
    }
    if sorted.week.facts.evidence_before.is_some() {
        blocks.push(Block::small(
            "Last week's answers are worked out anew from the flasks poured up to last Monday with what is recorded of them today, so that late counts do not pass for changes.",
        ));
    }
    Section {
        id: "since",
        title: "Since last week".to_owned(),
        blocks,
    }
}

fn named(strata: &[Stratum]) -> impl Iterator<Item = &Stratum> {
    strata
        .iter()
        .filter(|s| s.alloy.is_some() && s.section.is_some())
}

/// What is different in an answer; none if nothing that matters is.
fn moved(sorted: &Sorted<'_>, earlier: &Stratum, now: &Stratum) -> Option<String> {
    let shown = &sorted.week.shop.shown;
    let (a, b) = (&earlier.advice, &now.advice);
    let mut parts = Vec::new();
    if a.grade != b.grade {
        parts.push(format!(
            "from {} to {}",
            answers::grade_words(a.grade),
            answers::grade_words(b.grade)
        ));
    }
    let claimed = |advice: &Advice| {
        advice
            .pour_temperature_c
            .filter(|_| advice.grade >= Grade::Fair)
    };
    match (claimed(a), claimed(b)) {
        (Some(x), Some(y)) if (x - y).abs() >= MOVED_K => parts.push(format!(
            "from pour at {} to pour at {}",
            shown.temperature(x),
            shown.temperature(y)
        )),
        (None, Some(y)) => parts.push(format!("now pour at {}", shown.temperature(y))),
        (Some(x), None) => parts.push(format!("no longer pour at {}", shown.temperature(x))),
        _ => {}
    }
    if let (Some(x), Some(y)) = (a.usual_c, b.usual_c)
        && (x - y).abs() >= MOVED_K
    {
        parts.push(format!(
            "your usual temperature went from {} to {}",
            shown.temperature(x),
            shown.temperature(y)
        ));
    }
    let looks = |s: &Stratum| s.look.as_ref().map_or(0, |l| l.number);
    if looks(now) > looks(earlier) {
        parts.push("a formal look fell in this week".to_owned());
    }
    (!parts.is_empty()).then(|| format!("{}: {}.", answers::name(now), parts.join("; ")))
}

/// What the shop changed in the week: targets and parts.
fn by_the_shop(sorted: &Sorted<'_>) -> Vec<String> {
    let facts = &sorted.week.facts;
    let (shown, zone) = (&sorted.week.shop.shown, &sorted.week.shop.zone);
    let within = |at| at >= sorted.from && at < sorted.until;
    let mut items = Vec::new();
    for target in facts.targets.iter().filter(|t| within(t.from)) {
        let before = facts.target_at(
            &target.alloy,
            &target.section,
            analysis::time::Micros(target.from.0 - 1),
        );
        let Some(to) = target.pour_temperature_c else {
            continue;
        };
        let name = wording::isolated(&format!("{}, {}", target.alloy, target.section));
        let day = wording::day(target.from, zone);
        items.push(match before.and_then(|t| t.pour_temperature_c) {
            Some(from) if (from - to).abs() < 0.05 => continue,
            Some(from) => format!(
                "{name}: on {day} you changed the target from {} to {}.",
                shown.temperature(from),
                shown.temperature(to)
            ),
            None => format!(
                "{name}: on {day} you set a target of {}.",
                shown.temperature(to)
            ),
        });
    }
    for change in facts.part_changes.iter().filter(|c| within(c.at)) {
        items.push(format!(
            "{}: new {} on {}.",
            wording::isolated(&change.machine),
            wording::isolated(&change.part),
            wording::day(change.at, zone)
        ));
    }
    items
}

//! What a curve says in words and as a table.

use analysis::units::ShownIn;

use super::flasks::{EACH, NEWEST};
use super::{At, Curve, said};
use crate::table::{Cell, Table};
use crate::wording;

/// What a place on the curve says.
pub(super) fn tip(at: &At, shown: &ShownIn) -> String {
    let mut text = format!(
        "{}: {}",
        shown.temperature(at.pour_c),
        wording::share(at.least, at.most)
    );
    if let Some((low, high)) = at.limits {
        text += &format!(" ({})", wording::percent_range(low, high));
    }
    text + &format!(", {}", wording::count(at.flasks as u64, "flask"))
}

/// How to read the chart, and what stands in it.
pub(super) fn note(curve: &Curve, shown: &ShownIn) -> String {
    let flasks = curve
        .flasks
        .iter()
        .filter(|f| f.pour_c.is_finite() && f.pieces > 0)
        .count();
    let mut text = format!(
        "Share of {}. {}.",
        wording::shortened(&curve.outcome),
        if flasks == 1 {
            "The ring is the only flask".to_owned()
        } else {
            format!("Each ring is one of {flasks} flasks, larger with more pieces")
        }
    );
    if flasks > EACH {
        text += &format!(
            " The newest {NEWEST} stand each by themselves; older ones are gathered where they lie \
             together, grey and larger with more flasks."
        );
    }
    let lowest = curve
        .line
        .iter()
        .filter(|a| a.rate.is_finite())
        .min_by(|a, b| a.rate.total_cmp(&b.rate));
    if let Some(lowest) = lowest {
        text += " The heavy line is the rate by the model, all else held equal";
        text += if lowest.limits.is_some() {
            "; the shading is where it may lie (95 %, over the whole line at once)."
        } else {
            "; too few sessions tell how sure it is."
        };
        let limits = lowest
            .limits
            .map(|(l, h)| format!(" (interval {})", wording::percent_range(l, h)));
        text += &format!(
            " Lowest at {}: {}{}.",
            said(shown.temperature(lowest.pour_c)),
            wording::share(lowest.least, lowest.most),
            limits.unwrap_or_default()
        );
    } else if curve.counted.is_empty() {
        text += " Too few for a rate.";
    } else {
        text += " Too few yet for a model: the discs are rates as counted, each with its 95 % \
                 interval, and nothing is held equal.";
    }
    if let Some((from, to)) = curve.flat_c {
        text += &format!(
            " Between {} and {} none is ruled out as the best.",
            said(shown.temperature(from)),
            said(shown.temperature(to))
        );
    }
    text
}

/// The curve, or the counted steps, in numbers.
pub(super) fn table(curve: &Curve, shown: &ShownIn) -> Table {
    let (rows, flasks) = if curve.line.is_empty() {
        (&curve.counted, "#flasks")
    } else {
        (&curve.line, "#flasks near")
    };
    let mut table = Table::new(
        "Defects over pour temperature in numbers",
        &[
            &format!("#pour temperature [{}]", shown.temperature(0.0).unit),
            "#rate",
            "#95 % interval",
            flasks,
        ],
    );
    for at in rows {
        table.push(vec![
            Cell::plain(shown.temperature(at.pour_c).number()),
            Cell::plain(wording::share(at.least, at.most)),
            Cell::plain(
                at.limits
                    .map(|(low, high)| wording::percent_range(low, high))
                    .unwrap_or_default(),
            ),
            Cell::plain(at.flasks.to_string()),
        ]);
    }
    table
}

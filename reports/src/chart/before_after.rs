//! Did the change help? The rate before and after it with their intervals, and the difference
//! with its own beside the line of no difference.

use super::canvas::{Align, Canvas, Frame, Panel};
use super::forest::points;
use super::style::{self, Ink, MARGIN_RIGHT, NARROW, TYPE_LABEL, TYPE_TICK};
use super::svg::SafeSvg;
use super::{ChartError, Figure};
use crate::table::{Cell, Table};
use crate::wording;

/// What the chart is made from. Rates are shares, 0–1.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BeforeAfter {
    /// Unique in the page: letters, digits, hyphens.
    pub id: String,
    /// What was changed, such as "the new gasket of 3 Nov".
    pub what: String,
    /// What counts as defective.
    pub outcome: String,
    /// Before it.
    pub before: Side,
    /// From it on.
    pub after: Side,
    /// Rate after less rate before and its 95 % limits; none where too few sessions tell.
    pub difference: Option<(f64, f64, f64)>,
    /// The answer in words.
    pub sentence: String,
}

/// One side of a change.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Side {
    /// Flasks counted.
    pub flasks: usize,
    /// Their sessions.
    pub sessions: usize,
    /// Their pieces.
    pub pieces: u64,
    /// Defective pieces.
    pub defective: u64,
    /// Their share.
    pub rate: f64,
    /// Its 95 % limits.
    pub limits: Option<(f64, f64)>,
}

/// The chart; none without pieces on both sides.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(change: &BeforeAfter) -> Result<Option<Figure>, ChartError> {
    let sound = |s: &Side| s.pieces > 0 && s.rate.is_finite();
    if !sound(&change.before) || !sound(&change.after) {
        return Ok(None);
    }
    let title = "Did it help?".to_owned();
    let note = note(change);
    let svg = sheet(change, &title, &note)?;
    Ok(Some(Figure {
        svg,
        narrow: None,
        table: table(change),
        title,
        note,
    }))
}

fn sheet(change: &BeforeAfter, title: &str, note: &str) -> Result<SafeSvg, ChartError> {
    const ROW: f64 = 34.0;
    const TOP: f64 = 24.0;
    let canvas = Canvas::new(NARROW, 238.0);
    let (left, right) = (10.0, NARROW - MARGIN_RIGHT);
    let sides = [("before", &change.before), ("after", &change.after)];
    let highest = sides
        .iter()
        .map(|(_, s)| s.limits.map_or(s.rate, |l| l.1.max(s.rate)))
        .fold(0.01, f64::max)
        .min(1.0);
    let rates = canvas.panel(
        Frame {
            left,
            top: TOP - 6.0,
            right,
            bottom: TOP + 2.0 * ROW,
        },
        0.0..style::up_to_a_rule(highest, 4),
        0.0..1.0,
    );
    canvas.text(
        (0.0, 8.0),
        "defective pieces, %",
        TYPE_LABEL,
        Ink::SoftText,
        Align::Start,
    )?;
    ruled(&rates, 4, &|x, step| style::number(x * 100.0, step * 100.0))?;
    for (i, (name, side)) in sides.into_iter().enumerate() {
        let says = format!(
            "{}, {}",
            wording::percent(side.rate),
            wording::count(side.flasks as u64, "flask")
        );
        let limits = side.limits;
        row(
            &canvas,
            &rates,
            TOP + ROW * i as f64,
            (name, &says),
            side.rate,
            limits,
        )?;
    }
    let top = TOP + 2.0 * ROW + 48.0;
    let below = "change, points of per cent";
    match change.difference {
        Some((estimate, low, high)) if [estimate, low, high].iter().all(|v| v.is_finite()) => {
            let reach = [estimate, low, high]
                .iter()
                .map(|v| v.abs())
                .fold(0.01, f64::max)
                * 1.08;
            let panel = canvas.panel(
                Frame {
                    left,
                    top: top - 8.0,
                    right,
                    bottom: top + ROW,
                },
                -reach..reach,
                0.0..1.0,
            );
            ruled(&panel, 4, &|x, step| {
                let sign = if x > step / 2.0 { "+" } else { "" };
                format!("{sign}{}", style::number(x * 100.0, step * 100.0))
            })?;
            let zero = panel.px_x(0.0);
            canvas.line(
                (zero, panel.frame.top),
                (zero, panel.frame.bottom),
                Ink::Centre,
            )?;
            let says = format!("{} ({} to {})", points(estimate), points(low), points(high));
            row(
                &canvas,
                &panel,
                top,
                ("after less before", &says),
                estimate,
                Some((low, high)),
            )?;
            canvas.text(
                (0.0, top + ROW + 30.0),
                below,
                TYPE_LABEL,
                Ink::SoftText,
                Align::Start,
            )?;
        }
        _ => canvas.text(
            (0.0, top),
            "too few sessions to tell the difference",
            TYPE_LABEL,
            Ink::SoftText,
            Align::Start,
        )?,
    }
    Ok(canvas.finish(&change.id, title, note))
}

fn ruled(
    panel: &Panel<'_>,
    most: usize,
    write: &dyn Fn(f64, f64) -> String,
) -> Result<(), ChartError> {
    let (at, step) = style::ticks(panel.across().start, panel.across().end, most);
    for x in &at {
        panel.upright(*x, Ink::Grid)?;
    }
    let marks: Vec<(f64, String)> = at.into_iter().map(|x| (x, write(x, step))).collect();
    panel.foot(&marks)
}

/// A name and its numbers, and below them the dot on its interval.
fn row(
    canvas: &Canvas,
    panel: &Panel<'_>,
    y: f64,
    (name, says): (&str, &str),
    value: f64,
    limits: Option<(f64, f64)>,
) -> Result<(), ChartError> {
    let frame = panel.frame;
    canvas.text(
        (frame.left + 2.0, y + 4.0),
        name,
        TYPE_TICK,
        Ink::Text,
        Align::Start,
    )?;
    canvas.text(
        (frame.right, y + 4.0),
        says,
        TYPE_TICK,
        Ink::SoftText,
        Align::End,
    )?;
    let inside = |x: f64| panel.px_x(x).clamp(frame.left, frame.right);
    canvas.with_tip(&format!("{name}: {says}"), || {
        if let Some((low, high)) = limits {
            canvas.line(
                (inside(low), y + 19.0),
                (inside(high), y + 19.0),
                Ink::Interval,
            )?;
        }
        canvas.ring((inside(value), y + 19.0), 3.8, Ink::Estimate)
    })
}

fn note(change: &BeforeAfter) -> String {
    // The sentence names the outcome and the change itself.
    if change.sentence.is_empty() {
        format!(
            "Share of {} before and after {}, with 95 % intervals.",
            wording::shortened(&change.outcome),
            wording::isolated(&change.what)
        )
    } else {
        format!(
            "{} The lines are 95 % intervals.",
            wording::sentence(&change.sentence)
        )
    }
}

fn table(change: &BeforeAfter) -> Table {
    let mut table = Table::new(
        "Before and after in numbers",
        &[
            "side",
            "#flasks",
            "#sessions",
            "#pieces",
            "#defective",
            "#rate",
            "#95 % interval",
        ],
    );
    for (name, side) in [("before", &change.before), ("after", &change.after)] {
        table.push(vec![
            Cell::plain(name),
            Cell::plain(side.flasks.to_string()),
            Cell::plain(side.sessions.to_string()),
            Cell::plain(side.pieces.to_string()),
            Cell::plain(side.defective.to_string()),
            Cell::plain(wording::percent(side.rate)),
            Cell::plain(
                side.limits
                    .map(|(low, high)| wording::percent_range(low, high))
                    .unwrap_or_default(),
            ),
        ]);
    }
    if let Some((estimate, low, high)) = change.difference {
        let mut cells = vec![Cell::plain("after less before, points of per cent")];
        cells.resize(5, Cell::plain(""));
        cells.push(Cell::plain(points(estimate)));
        cells.push(Cell::plain(format!("{} to {}", points(low), points(high))));
        table.push(cells);
    }
    table
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn side(pieces: u64, rate: f64) -> Side {
        Side {
            flasks: 40,
            sessions: 8,
            pieces,
            defective: (pieces as f64 * rate) as u64,
            rate,
            limits: Some((rate * 0.7, rate * 1.4)),
        }
    }

    #[test]
    fn the_difference_stands_with_its_interval_or_is_said_to_be_untold() {
        let mut change = BeforeAfter {
            id: "c".to_owned(),
            before: side(900, 0.08),
            after: side(800, 0.05),
            difference: Some((-0.03, -0.05, -0.01)),
            ..BeforeAfter::default()
        };
        let svg = draw(&change).unwrap().unwrap().svg;
        assert!(
            svg.as_str().contains("−3.0 (−5.0 to −1.0)"),
            "{}",
            svg.as_str()
        );
        change.difference = None;
        let svg = draw(&change).unwrap().unwrap().svg;
        assert!(svg.as_str().contains("too few sessions"));
        change.after.pieces = 0;
        assert!(draw(&change).unwrap().is_none());
    }
}

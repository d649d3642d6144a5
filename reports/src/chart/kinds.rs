//! Defects by kind: for each kind its share of pieces as a dot and the interval as a line,
//! most frequent first; those that cannot follow the pour stand apart. The name stands above its
//! line, so that a long name never meets it.

use super::canvas::{Align, Canvas, Frame};
use super::style::{self, Ink, MARGIN_RIGHT, NARROW, TYPE_LABEL, TYPE_TICK};
use super::text_width::{fit, width};
use super::{ChartError, Figure};
use crate::table::{Cell, Table};
use crate::wording;

/// One kind of defect.
#[derive(Clone, Debug, PartialEq)]
pub struct Kind {
    /// Its name.
    pub name: String,
    /// Which way it goes with heat, in words.
    pub side: String,
    /// Whether it can follow the pour at all; kinds that cannot are shown apart.
    pub follows_pour: bool,
    /// Pieces that were looked at for it.
    pub pieces: u64,
    /// Pieces that had it.
    pub defective: u64,
    /// The share of pieces, 0–1.
    pub rate: f64,
    /// Lower end of its 95 % interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Most kinds drawn; a shop may name more of its own, which the table still lists.
const DRAWN: usize = 16;

/// The chart. `kinds` come in any order.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(id: &str, kinds: &[Kind]) -> Result<Figure, ChartError> {
    let mut kinds: Vec<&Kind> = kinds.iter().filter(|k| k.rate.is_finite()).collect();
    kinds.sort_by(|a, b| {
        (b.follows_pour.cmp(&a.follows_pour))
            .then(b.rate.total_cmp(&a.rate))
            .then(a.name.cmp(&b.name))
    });
    let drawn: Vec<&Kind> = kinds.iter().copied().take(DRAWN).collect();
    let row = 30.0;
    let head = 30.0;
    let follow = drawn.iter().filter(|k| k.follows_pour).count();
    // A heading of their own for those that cannot follow the pour.
    let apart = if follow < drawn.len() { 34.0 } else { 0.0 };
    let height = head + row * drawn.len().max(1) as f64 + apart + 40.0;
    let canvas = Canvas::new(NARROW, height);
    let highest = drawn.iter().map(|k| k.high).fold(0.01, f64::max);
    let (_, step) = style::ticks(0.0, highest, 4);
    let most = ((highest / step).ceil() * step).min(1.0).max(step);
    let frame = Frame {
        left: 10.0,
        top: head - 8.0,
        right: NARROW - MARGIN_RIGHT,
        bottom: height - 36.0,
    };
    let panel = canvas.panel(frame, 0.0..most, 0.0..1.0);
    canvas.text(
        (0.0, 8.0),
        "share of pieces, %, with 95 % interval",
        TYPE_LABEL,
        Ink::SoftText,
        Align::Start,
    )?;
    let (at, step) = style::ticks(0.0, most, 5);
    for x in &at {
        panel.upright(*x, Ink::Grid)?;
    }
    for (i, kind) in drawn.iter().enumerate() {
        let y = head + row * i as f64 + if i < follow { 0.0 } else { apart };
        if i == follow {
            canvas.text(
                (0.0, y - 14.0),
                "cannot follow the pour",
                TYPE_LABEL,
                Ink::SoftText,
                Align::Start,
            )?;
        }
        let share = wording::percent(kind.rate);
        let room = frame.right - frame.left - width(&share, TYPE_TICK) - 16.0;
        canvas.text(
            (frame.left + 2.0, y + 4.0),
            &fit(&kind.name, TYPE_TICK, room),
            TYPE_TICK,
            Ink::Text,
            Align::Start,
        )?;
        canvas.text(
            (frame.right, y + 4.0),
            &share,
            TYPE_TICK,
            Ink::SoftText,
            Align::End,
        )?;
        let tip = format!(
            "{}: {} ({}), {} of {}",
            wording::shortened(&kind.name),
            share,
            wording::percent_range(kind.low, kind.high),
            kind.defective,
            wording::count(kind.pieces, "piece"),
        );
        let (low, high) = (
            panel.px_x(kind.low.max(0.0)),
            panel.px_x(kind.high.min(most)),
        );
        canvas.with_tip(&tip, || {
            canvas.line((low, y + 17.0), (high, y + 17.0), Ink::Interval)?;
            canvas.ring(
                (panel.px_x(kind.rate.min(most)), y + 17.0),
                3.6,
                Ink::Estimate,
            )
        })?;
    }
    let marks: Vec<(f64, String)> = at
        .into_iter()
        .map(|x| (x, style::number(x * 100.0, step * 100.0)))
        .collect();
    panel.foot(&marks)?;

    let title = "Share of pieces with each kind".to_owned();
    let commonest = drawn.iter().max_by(|a, b| a.rate.total_cmp(&b.rate));
    let note = match commonest {
        Some(first) if first.defective > 0 => format!(
            "Most often {}: {} of pieces (interval {}).",
            wording::shortened(&first.name),
            wording::percent(first.rate),
            wording::percent_range(first.low, first.high)
        ),
        _ => "No defect of any kind was counted.".to_owned(),
    };
    let mut table = Table::new(
        "Defects by kind in numbers",
        &[
            "kind",
            "#share",
            "#95 % interval",
            "with more heat",
            "#with it",
            "#pieces looked at",
        ],
    );
    for kind in &kinds {
        table.push(vec![
            Cell::typed(&kind.name),
            Cell::plain(wording::percent(kind.rate)),
            Cell::plain(wording::percent_range(kind.low, kind.high)),
            Cell::plain(kind.side.clone()),
            Cell::plain(kind.defective.to_string()),
            Cell::plain(kind.pieces.to_string()),
        ]);
    }
    Ok(Figure {
        svg: canvas.finish(id, &title, &note),
        narrow: None,
        title,
        note,
        table,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn kind(name: &str, rate: f64) -> Kind {
        Kind {
            name: name.to_owned(),
            side: "falls".to_owned(),
            follows_pour: true,
            pieces: 400,
            defective: (rate * 400.0) as u64,
            rate,
            low: rate * 0.5,
            high: (rate * 1.8).min(1.0),
        }
    }

    #[test]
    fn the_most_frequent_kind_comes_first_and_long_names_are_cut_in_the_drawing_only() {
        let long = "n".repeat(10_000);
        let f = draw(
            "kinds",
            &[kind("fin", 0.01), kind("no-fill", 0.04), kind(&long, 0.02)],
        )
        .unwrap();
        assert_eq!(f.table.rows[0][0].text, "no-fill");
        assert!(f.note.contains("no-fill"));
        let doc = roxmltree::Document::parse(f.svg.as_str()).unwrap();
        let longest = doc
            .descendants()
            .filter(|n| n.has_tag_name("text"))
            .map(|n| n.text().unwrap_or("").chars().count())
            .max();
        assert!(longest < Some(60));
    }

    #[test]
    fn a_week_without_any_defect_says_so() {
        assert_eq!(
            draw("kinds", &[]).unwrap().note,
            "No defect of any kind was counted."
        );
    }
}

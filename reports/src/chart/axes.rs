//! A chart with its axes and nothing on them yet.

use super::canvas::{Canvas, Frame};
use super::style::{self, MARGIN_LEFT, MARGIN_RIGHT, NARROW};
use super::{ChartError, Figure};
use crate::table::Table;

/// Axes over these ranges.
pub(super) fn bare(
    id: &str,
    title: &str,
    (x0, x1): (f64, f64),
    (y0, y1): (f64, f64),
) -> Result<Figure, ChartError> {
    let canvas = Canvas::new(NARROW, 220.0);
    let frame = Frame {
        left: MARGIN_LEFT,
        top: 12.0,
        right: NARROW - MARGIN_RIGHT,
        bottom: 180.0,
    };
    let panel = canvas.panel(frame, x0..x1.max(x0 + 1.0), y0..y1.max(y0 + 0.1));
    panel.rules(4, &style::number)?;
    let (at, step) = style::ticks(x0, x1, 5);
    let marks: Vec<(f64, String)> = at
        .into_iter()
        .map(|x| (x, style::number(x, step)))
        .collect();
    panel.foot(&marks)?;
    Ok(Figure {
        svg: canvas.finish(id, title, title),
        narrow: None,
        title: title.to_owned(),
        note: String::new(),
        table: Table::new(title, &["#value"]),
    })
}

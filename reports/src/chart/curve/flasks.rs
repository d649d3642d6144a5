//! The flasks of a curve: each a dot with an area by its pieces. Of very many only the newest are
//! drawn one by one; the older ones that lie together are gathered into one dot by their number.

use std::collections::BTreeMap;

use super::{Flask, Sheet, rate};
use crate::chart::ChartError;
use crate::chart::canvas::{Align, Canvas, Dot, Panel};
use crate::chart::style::{self, Ink, MARGIN_RIGHT, TYPE_LABEL, TYPE_TICK};
use crate::chart::text_width::width;
use crate::wording;

/// Up to so many flasks each has a dot of its own.
pub(super) const EACH: usize = 600;
/// Of more, the newest so many have.
pub(super) const NEWEST: usize = 300;
/// The newest so many say at a pointer what they are.
const TIPS: usize = 150;
/// Side of the square in which older flasks are gathered, px.
const GATHERED_WITHIN: f64 = 9.0;
/// A gathering of up to so many flasks looks like this; more flasks take the last.
const GATHERED: [(usize, &str); 5] = [
    (1, ""),
    (4, " w-2"),
    (12, " w-3"),
    (30, " w-4"),
    (usize::MAX, " w-5"),
];

/// Radius of a flask, px: area in proportion to pieces; 25 pieces have 3.2 px.
fn radius(pieces: u32) -> f64 {
    (f64::from(pieces).sqrt() * 0.64).clamp(1.4, 7.0)
}

impl Sheet<'_> {
    pub(super) fn draw_flasks(
        &self,
        canvas: &Canvas,
        panel: &Panel<'_>,
        tips: bool,
    ) -> Result<(), ChartError> {
        let top = self.top();
        let (inside, above): (Vec<&Flask>, Vec<&Flask>) =
            self.flasks.iter().partition(|f| rate(f) <= top);
        let older = if inside.len() > EACH {
            inside.len() - NEWEST
        } else {
            0
        };
        let (older, newest) = inside.split_at(older);
        let place = |f: &Flask| (panel.px_x(self.value(f.pour_c)), panel.px_y(rate(f)));
        let gathered = gathered(older.iter().map(|f| place(f)));
        let mut fewer = 0;
        for (most, weight) in GATHERED {
            let at: Vec<(f64, f64)> = gathered
                .iter()
                .filter(|g| (fewer + 1..=most).contains(&g.1))
                .map(|g| g.0)
                .collect();
            canvas.dots(Ink::Older, weight, &at);
            fewer = most;
        }
        let without_tips = if tips {
            newest.len().saturating_sub(TIPS)
        } else {
            newest.len()
        };
        let dots: Vec<Dot> = newest
            .iter()
            .enumerate()
            .map(|(i, f)| Dot {
                at: place(f),
                radius: radius(f.pieces),
                tip: if i < without_tips {
                    String::new()
                } else {
                    self.tip(f)
                },
            })
            .collect();
        canvas.circles(Ink::Flask, &dots);
        self.draw_above(canvas, panel, &above, tips)
    }

    fn draw_above(
        &self,
        canvas: &Canvas,
        panel: &Panel<'_>,
        above: &[&Flask],
        tips: bool,
    ) -> Result<(), ChartError> {
        if above.is_empty() {
            return Ok(());
        }
        // Those that stand at one place are one mark.
        let mut last = f64::NEG_INFINITY;
        let mut sorted = above.to_vec();
        sorted.sort_by(|a, b| a.pour_c.total_cmp(&b.pour_c));
        for f in sorted {
            let (x, y) = (panel.px_x(self.value(f.pour_c)), panel.frame.top);
            if x - last < 1.0 {
                continue;
            }
            last = x;
            let corners = [(x - 3.5, y + 1.0), (x + 3.5, y + 1.0), (x, y - 5.0)];
            if tips && above.len() <= 30 {
                canvas.with_tip(&self.tip(f), || canvas.polygon(&corners, Ink::Flask))?;
            } else {
                canvas.polygon(&corners, Ink::Flask)?;
            }
        }
        let text = format!(
            "▴ {} above {} %",
            wording::count(above.len() as u64, "flask"),
            style::number(self.top() * 100.0, 1.0)
        );
        let right = panel.frame.right + MARGIN_RIGHT;
        if right - width(&text, TYPE_TICK) > width("defective pieces, %", TYPE_LABEL) + 12.0 {
            canvas.text((right, 9.0), &text, TYPE_TICK, Ink::SoftText, Align::End)?;
        }
        Ok(())
    }

    fn tip(&self, f: &Flask) -> String {
        format!(
            "{}, {}: {} of {}, {}",
            wording::shortened(&f.label),
            wording::day(f.cast_at, self.zone),
            f.defective,
            wording::count(u64::from(f.pieces), "piece"),
            self.shown.temperature(f.pour_c)
        )
    }

    /// Where the flasks are, as strokes below the panel, no two on one pixel.
    pub(super) fn draw_rug(&self, canvas: &Canvas, panel: &Panel<'_>) {
        let apart = if self.flasks.len() > EACH { 1.0 } else { 0.3 };
        let mut at: Vec<f64> = self
            .flasks
            .iter()
            .map(|f| panel.px_x(self.value(f.pour_c)))
            .collect();
        at.sort_by(f64::total_cmp);
        at.dedup_by(|b, a| *b - *a < apart);
        let strokes: Vec<(f64, f64)> = at
            .into_iter()
            .map(|x| (x, panel.frame.bottom + 7.0))
            .collect();
        canvas.strokes(Ink::Rug, &strokes, 5.0);
    }
}

/// Points that share a square: their mean and how many they are.
fn gathered(points: impl Iterator<Item = (f64, f64)>) -> Vec<((f64, f64), usize)> {
    let square = |v: f64| (v / GATHERED_WITHIN).floor() as i64;
    let mut squares: BTreeMap<(i64, i64), (f64, f64, usize)> = BTreeMap::new();
    for (x, y) in points {
        let sum = squares.entry((square(x), square(y))).or_default();
        *sum = (sum.0 + x, sum.1 + y, sum.2 + 1);
    }
    squares
        .into_values()
        .map(|(x, y, n)| ((x / n as f64, y / n as f64), n))
        .collect()
}

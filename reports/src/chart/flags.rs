//! Words that stand on lines across a panel, like flags on their poles: in as few rows as they
//! need above it, so that no word meets another or another's line.

use super::ChartError;
use super::canvas::{Align, Canvas, Frame, Panel, ground};
use super::style::{Ink, TYPE_TICK};

/// Height of a row of flags, px.
pub const ROW: f64 = 17.0;
/// Most rows there are.
pub const ROWS: usize = 3;

/// One line with its word.
#[derive(Clone, Debug, PartialEq)]
pub struct Flag {
    /// Where on the scale across.
    pub x: f64,
    /// What it says.
    pub word: String,
    /// The line's ink.
    pub line: Ink,
    /// The word's ink.
    pub ink: Ink,
}

/// A flag with its place: the line, its upper end and the word's ground.
#[derive(Clone, Copy)]
struct Placed {
    px: f64,
    top: f64,
    at: (f64, f64),
    align: Align,
    ground: Frame,
}

impl Placed {
    fn suits(&self, other: &Placed) -> bool {
        let crosses = |line: &Placed, word: &Placed| {
            line.top < word.ground.bottom
                && (word.ground.left - 2.0..word.ground.right + 2.0).contains(&line.px)
        };
        !self.ground.meets(&other.ground) && !crosses(self, other) && !crosses(other, self)
    }
}

/// Places for the flags at these pixels, the lowest rows first; as many as the first that has no
/// place at all. `flags` are few: every arrangement is tried.
fn arranged(
    canvas: &Canvas,
    top: f64,
    flags: &[(f64, &Flag)],
    so_far: &[Placed],
) -> Option<Vec<Placed>> {
    let Some(((px, flag), rest)) = flags.split_first() else {
        return Some(so_far.to_vec());
    };
    (0..ROWS)
        .flat_map(|row| [(row, Align::Start), (row, Align::End)])
        .filter_map(|(row, align)| {
            let y = top - ROW * (row as f64 + 0.5);
            let x = if align == Align::Start {
                px + 4.0
            } else {
                px - 4.0
            };
            let here = Placed {
                px: *px,
                top: y - ROW / 2.0 + 1.0,
                at: (x, y),
                align,
                ground: ground((x, y), &flag.word, TYPE_TICK, flag.ink, align),
            };
            let clear = canvas.is_free(&here.ground) && so_far.iter().all(|p| p.suits(&here));
            clear.then_some(here)
        })
        .find_map(|here| {
            let mut more = so_far.to_vec();
            more.push(here);
            arranged(canvas, top, rest, &more)
        })
}

/// Draws lines down the panel and their words above it, the lowest row ending at the panel's top.
/// Three words find room where none is wider than half the panel. Where not all do, the first
/// come first and the others' lines stand without.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(canvas: &Canvas, panel: &Panel<'_>, flags: &[Flag]) -> Result<(), ChartError> {
    let frame = panel.frame;
    let flags: Vec<(f64, &Flag)> = flags
        .iter()
        .filter(|f| panel.holds_x(f.x))
        .map(|f| (panel.px_x(f.x), f))
        .collect();
    let placed = (0..=flags.len())
        .rev()
        .find_map(|n| {
            // From the right: a word runs right from its line, so what is further right is lower.
            let mut some = flags[..n].to_vec();
            some.sort_by(|a, b| b.0.total_cmp(&a.0));
            let found = arranged(canvas, frame.top, &some, &[])?;
            Some(some.into_iter().map(|f| f.1).zip(found).collect::<Vec<_>>())
        })
        .unwrap_or_default();
    for (px, flag) in &flags {
        let own = placed.iter().find(|(f, _)| std::ptr::eq(*f, *flag));
        let top = own.map_or(frame.top, |(_, p)| p.top);
        canvas.line((*px, top), (*px, frame.bottom), flag.line)?;
    }
    for (flag, p) in placed {
        canvas.text(p.at, &flag.word, TYPE_TICK, flag.ink, p.align)?;
    }
    Ok(())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn words_set(xs: [f64; 3]) -> usize {
        let canvas = Canvas::new(360.0, 200.0);
        let frame = Frame {
            left: 40.0,
            top: 60.0,
            right: 340.0,
            bottom: 180.0,
        };
        let panel = canvas.panel(frame, 900.0..1000.0, 0.0..1.0);
        let flags: Vec<Flag> = xs
            .iter()
            .map(|x| Flag {
                x: *x,
                word: format!("worth trying {x} °C"),
                line: Ink::Usual,
                ink: Ink::CopperText,
            })
            .collect();
        draw(&canvas, &panel, &flags).unwrap();
        canvas
            .finish("f", "t", "d")
            .as_str()
            .matches("<text")
            .count()
    }

    #[test]
    fn three_words_always_find_room() {
        for xs in [
            [900.0, 950.0, 1000.0],
            [950.0, 951.0, 952.0],
            [900.0, 901.0, 902.0],
            [998.0, 999.0, 1000.0],
        ] {
            assert_eq!(words_set(xs), 3, "{xs:?}");
        }
    }
}

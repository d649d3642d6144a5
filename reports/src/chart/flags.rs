//! Words that stand on lines across a panel, like flags on their poles: in as few rows as they
//! need above it, so that no word meets another or another's line.

use super::ChartError;
use super::canvas::{Align, Canvas, Frame, ground};
use super::style::{Ink, TYPE_TICK};

/// Height of a row of flags, px.
pub const ROW: f64 = 17.0;
/// Most rows there are.
pub const ROWS: usize = 3;

/// One line with its word.
#[derive(Clone, Debug, PartialEq)]
pub struct Flag {
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

/// Flags with their places over a panel that is still to be drawn.
pub struct Arranged {
    /// Each flag: where across, px, and its place if it has one.
    flags: Vec<(f64, Flag, Option<Placed>)>,
    /// How many rows they need.
    pub rows: usize,
}

/// Places for the flags at these pixels, the lowest rows first; none if there is no such
/// arrangement. Flags are few: every one is tried.
fn arranged(
    (left, right): (f64, f64),
    flags: &[(f64, &Flag)],
    rows: usize,
    so_far: &[Placed],
) -> Option<Vec<Placed>> {
    let Some(((px, flag), rest)) = flags.split_first() else {
        return Some(so_far.to_vec());
    };
    (0..rows)
        .flat_map(|row| [(row, Align::Start), (row, Align::End)])
        .filter_map(|(row, align)| {
            let y = -ROW * (row as f64 + 0.5);
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
            let clear = here.ground.left >= left
                && here.ground.right <= right
                && so_far.iter().all(|p| p.suits(&here));
            clear.then_some(here)
        })
        .find_map(|here| {
            let mut more = so_far.to_vec();
            more.push(here);
            arranged((left, right), rest, rows, &more)
        })
}

/// Finds places for flags at these pixels across, between the edges of the canvas, in as few rows
/// as can be. Three words find room where none is wider than half the canvas. Where not all do,
/// the first come first and the others' lines stand without.
pub fn arrange(edges: (f64, f64), flags: Vec<(f64, Flag)>) -> Arranged {
    let refs: Vec<(f64, &Flag)> = flags.iter().map(|(px, f)| (*px, f)).collect();
    let found = (1..=refs.len()).rev().find_map(|n| {
        // From the right: a word runs right from its line, so what is further right is lower.
        let mut order: Vec<usize> = (0..n).collect();
        order.sort_by(|a, b| refs[*b].0.total_cmp(&refs[*a].0));
        let some: Vec<(f64, &Flag)> = order.iter().map(|i| refs[*i]).collect();
        (1..=ROWS).find_map(|rows| {
            let placed = arranged(edges, &some, rows, &[])?;
            Some((rows, order.iter().copied().zip(placed).collect::<Vec<_>>()))
        })
    });
    let (rows, placed) = found.unwrap_or_default();
    Arranged {
        rows,
        flags: flags
            .into_iter()
            .enumerate()
            .map(|(i, (px, flag))| {
                let place = placed.iter().find(|p| p.0 == i).map(|p| p.1);
                (px, flag, place)
            })
            .collect(),
    }
}

/// Draws lines down the panel and their words above it, the lowest row ending at the panel's top.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(canvas: &Canvas, frame: Frame, arranged: &Arranged) -> Result<(), ChartError> {
    for (px, flag, place) in &arranged.flags {
        let top = frame.top + place.map_or(0.0, |p| p.top);
        canvas.line((*px, top), (*px, frame.bottom), flag.line)?;
    }
    for (_, flag, place) in &arranged.flags {
        if let Some(p) = place {
            let at = (p.at.0, frame.top + p.at.1);
            canvas.text(at, &flag.word, TYPE_TICK, flag.ink, p.align)?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words_set(xs: [f64; 3]) -> usize {
        let flags = xs
            .iter()
            .map(|x| {
                let flag = Flag {
                    word: format!("worth trying {x} °C"),
                    line: Ink::Usual,
                    ink: Ink::CopperText,
                };
                (40.0 + 3.0 * (x - 900.0), flag)
            })
            .collect();
        let arranged = arrange((0.0, 360.0), flags);
        arranged.flags.iter().filter(|f| f.2.is_some()).count()
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

    #[test]
    fn words_far_apart_need_one_row() {
        let flag = |word: &str| Flag {
            word: word.to_owned(),
            line: Ink::Usual,
            ink: Ink::CopperText,
        };
        let apart = vec![(60.0, flag("usual")), (220.0, flag("target"))];
        assert_eq!(arrange((0.0, 360.0), apart).rows, 1);
        assert_eq!(arrange((0.0, 360.0), vec![]).rows, 0);
    }
}

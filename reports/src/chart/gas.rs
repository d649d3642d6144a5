//! Cover gas: what each session used, and what is left in the cylinder with the day that it runs
//! out if use goes on as it did.

use analysis::time::Micros;
use analysis::units::ShownIn;
use jiff::tz::TimeZone;

use super::{ChartError, Figure};

/// What the chart is made from. Amounts are litres as the flow counts them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Gas {
    /// Unique in the page: letters, digits, hyphens.
    pub id: String,
    /// What each session used, in order of time.
    pub sessions: Vec<Used>,
    /// What was left in the cylinder, in order of time; it rises where a cylinder was changed.
    /// Empty where the cylinder is not known.
    pub left: Vec<(Micros, f64)>,
    /// When it runs out if use goes on as it did.
    pub runs_out_at: Option<Micros>,
}

/// One session's gas.
#[derive(Clone, Debug, PartialEq)]
pub struct Used {
    /// The session's name.
    pub session: String,
    /// When it opened.
    pub at: Micros,
    /// Gas used, L.
    pub used_l: f64,
    /// Pours in it.
    pub pours: u32,
}

/// The chart; none without a session that used gas and without a cylinder.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(gas: &Gas, shown: &ShownIn, _zone: &TimeZone) -> Result<Option<Figure>, ChartError> {
    if gas.sessions.is_empty() && gas.left.is_empty() {
        return Ok(None);
    }
    let most = gas.sessions.iter().map(|s| s.used_l).fold(1.0, f64::max);
    super::axes::bare(
        &gas.id,
        "Cover gas",
        (0.0, gas.sessions.len().max(1) as f64),
        (0.0, shown.gas(most).value),
    )
    .map(Some)
}

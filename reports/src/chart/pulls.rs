//! Every pull of vacuum of one machine over time: the depth it settled at and how fast it pumped
//! down, over the age of the gasket, with the changes of parts marked and each verdict told by
//! shape and word.

use analysis::pour::Verdict;
use analysis::time::Micros;
use analysis::units::ShownIn;
use analysis::watch::Watched;
use jiff::tz::TimeZone;

use super::{ChartError, Figure};

/// What the chart is made from.
#[derive(Clone, Debug, Default)]
pub struct Pulls {
    /// Unique in the page: letters, digits, hyphens.
    pub id: String,
    /// The machine's name.
    pub machine: String,
    /// The pulls, in order of time.
    pub pulls: Vec<Pull>,
    /// The changes of parts that vacuum depends on, in order of time.
    pub changes: Vec<Change>,
    /// How the depth of the newest gasket goes (shares of what the air allowed), if watched.
    pub depth: Option<Watched>,
    /// How its pump-down goes (s), if watched.
    pub pump_down: Option<Watched>,
    /// Depth below which this machine's pull is weak, kPa below ambient, if known.
    pub weak_below_kpa: Option<f64>,
}

/// One pull.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pull {
    /// When the vacuum came on.
    pub at: Micros,
    /// Depth it settled at before the pour (else the deepest), kPa below ambient.
    pub depth_kpa: Option<f64>,
    /// The same as a share of what the day's air allowed, 0–1.
    pub share: Option<f64>,
    /// Pump-down time constant, s.
    pub tau_s: Option<f64>,
    /// Pours since the gasket was changed.
    pub age_pours: Option<u32>,
    /// What it was worth.
    pub verdict: Verdict,
    /// Whether metal was poured into it.
    pub poured: bool,
}

/// A part that was changed.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// When.
    pub at: Micros,
    /// Which, such as "gasket".
    pub part: String,
}

/// The chart; none without a pull that was measured.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(
    pulls: &Pulls,
    shown: &ShownIn,
    _zone: &TimeZone,
) -> Result<Option<Figure>, ChartError> {
    let deepest = pulls
        .pulls
        .iter()
        .filter_map(|p| p.depth_kpa)
        .reduce(f64::max);
    let Some(deepest) = deepest else {
        return Ok(None);
    };
    super::axes::bare(
        &pulls.id,
        "Every pull of vacuum",
        (0.0, pulls.pulls.len() as f64),
        (0.0, shown.vacuum(deepest).value),
    )
    .map(Some)
}

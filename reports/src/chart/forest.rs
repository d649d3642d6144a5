//! What else matters: for each setting that the model holds, what a practical step of it does to
//! the share of defective pieces, as a dot and a line for the interval beside the line of no effect.

use super::{ChartError, Figure};

/// What the chart is made from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Forest {
    /// Unique in the page: letters, digits, hyphens.
    pub id: String,
    /// What counts as defective, such as "pieces with a defect that heat can steer".
    pub outcome: String,
    /// The rate that the changes start from, 0–1.
    pub from_rate: f64,
    /// The effects. Those of one group stand together, groups in the order they come.
    pub effects: Vec<Effect>,
}

/// What one step of one setting does, all other settings held equal.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Effect {
    /// The heading it stands under, such as "settings" or "alloys against sterling-925"; may be
    /// empty.
    pub group: String,
    /// The setting, such as "pour temperature".
    pub name: String,
    /// The step, such as "10 °C hotter".
    pub step: String,
    /// Change of the share of defective pieces, −1 to 1.
    pub change: f64,
    /// Its 95 % limits; none where too few sessions tell.
    pub limits: Option<(f64, f64)>,
}

impl Effect {
    /// The change of a rate that an odds ratio makes: with o = rate/(1 − rate) it is
    /// r·o/(1 + r·o) − rate. Limits of the ratio become limits of the change, since one rises
    /// with the other.
    pub fn of_odds_ratio(
        (group, name, step): (&str, &str, &str),
        from_rate: f64,
        ratio: f64,
        limits: Option<(f64, f64)>,
    ) -> Effect {
        let change = |ratio: f64| {
            if ratio.is_infinite() {
                return 1.0 - from_rate;
            }
            let odds = ratio * from_rate / (1.0 - from_rate);
            odds / (1.0 + odds) - from_rate
        };
        Effect {
            group: group.to_owned(),
            name: name.to_owned(),
            step: step.to_owned(),
            change: change(ratio),
            limits: limits.map(|(low, high)| (change(low), change(high))),
        }
    }
}

/// The chart; none without an effect to show.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(forest: &Forest) -> Result<Option<Figure>, ChartError> {
    if forest.effects.is_empty() {
        return Ok(None);
    }
    super::axes::bare(&forest.id, "What else matters", (-0.1, 0.1), (0.0, 1.0)).map(Some)
}

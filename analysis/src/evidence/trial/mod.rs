//! The trial: two pour temperatures, drawn by lot within each session, a fixed number of flasks,
//! one analysis. It is the only thing here that can show that heat *makes* the difference, since
//! the lot and not the caster decides which flask is poured hotter. The kiln load is one for a
//! whole session, so flask temperature is never what is tried.
//!
//! | module | what it holds |
//! |---|---|
//! | [`plan`] | which two temperatures, and how many flasks |
//! | `size` | what a bench's flasks and sessions are worth in it |
//! | [`lots`] | which flask gets which, from the trial's seed |
//! | [`verdict`] | the one analysis, and when a trial must stop |
//! | [`next`] | what to pour next, in words and for programs |

pub mod lots;
pub mod next;
pub mod plan;
mod size;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
pub mod verdict;

use serde::{Deserialize, Serialize};

/// Which of the two temperatures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Arm {
    /// The shop's usual one.
    Usual,
    /// The one that is tried.
    Tried,
}

impl Arm {
    /// The word as it is written in records.
    pub fn word(self) -> &'static str {
        match self {
            Arm::Usual => "usual",
            Arm::Tried => "tried",
        }
    }

    /// The other one.
    pub fn other(self) -> Arm {
        match self {
            Arm::Usual => Arm::Tried,
            Arm::Tried => Arm::Usual,
        }
    }
}

/// Where a trial stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum State {
    /// Planned, and no flask has its lot yet.
    Planned,
    /// Flasks have lots.
    Running,
    /// The fixed number is counted: it is analysed, once.
    Complete,
    /// Stopped before, for safety or gross misruns; it is never analysed for a claim.
    Stopped,
}

/// A trial as it was fixed when it was planned. Nothing of it changes while it runs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trial {
    /// The alloy.
    pub alloy: String,
    /// The section.
    pub section: String,
    /// The usual pour temperature, °C.
    pub usual_c: f64,
    /// The one that is tried, °C.
    pub tried_c: f64,
    /// Counted flasks that end it, both arms together.
    pub flasks: u32,
    /// The chance of a false claim that its one analysis may take.
    pub alpha: f64,
    /// The chance that it finds `difference` if that is the truth.
    pub power: f64,
    /// The difference of rates that it is sized for, as a share of pieces.
    pub difference: f64,
    /// Clustered pieces that are worth one independent piece, within sessions.
    pub design_effect: f64,
    /// From which the lots follow.
    pub seed: u64,
}

impl Trial {
    /// The temperature of an arm, °C.
    pub fn pour_c(&self, arm: Arm) -> f64 {
        match arm {
            Arm::Usual => self.usual_c,
            Arm::Tried => self.tried_c,
        }
    }
}

/// The α of a trial's one analysis by how many trials went before it: 0.02 for the first; all
/// later ones share 0.005 by halves (0.0025, 0.00125, …), so that however many a shop runs, the
/// chance of any false claim by trial stays below 2.5 %. Trials that were stopped made no claim
/// and do not count.
pub fn alpha_after(trials_before: u32) -> f64 {
    match trials_before {
        0 => 0.02,
        n => 0.005 * 0.5_f64.powi(n.min(1000) as i32),
    }
}

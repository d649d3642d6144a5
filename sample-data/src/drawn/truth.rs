//! The truth of a drawn session: what the caster did and what a perfect log would say.

use std::collections::BTreeSet;

use analysis::time::Micros;
use serde::{Deserialize, Serialize};

use super::Trouble;
use crate::chamber::Seating;

/// How far [`DrawnPour::clean_c`] reaches before and after the lift, s.
pub const CLEAN_S: f64 = 30.0;
/// From one of its values to the next, s.
pub const CLEAN_STEP_S: f64 = 0.05;

/// One pour as it was.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DrawnPour {
    /// When the stopper lifted.
    pub at: Micros,
    /// Position of its flask, from 0.
    pub flask: u32,
    /// What the probe read then but for noise and resolution, °C: its lag is in it.
    pub probe_c: f64,
    /// What the same probe would have read without lag, °C.
    pub lag_free_c: f64,
    /// True temperature of the metal, °C. No probe can tell it better than its offset and its
    /// place allow.
    pub metal_c: f64,
    /// From the melt reading before the lift to the one after it, s.
    pub gap_s: f64,
    /// How far the reading moved because metal left, K; below zero it rose.
    pub chill_k: f64,
    /// What the probe read but for noise and resolution, °C, every [`CLEAN_STEP_S`] from
    /// [`CLEAN_S`] before the lift to as long after it.
    pub clean_c: Vec<f64>,
    /// Everything that was off about this pour, the session's troubles included.
    pub troubles: BTreeSet<Trouble>,
}

/// What a pull was really worth, by its end depth against the usual one of this machine, gasket
/// and flask size.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Worth {
    /// At least 95 % of the usual depth.
    Good,
    /// Between 88 and 95 %: nobody could call either verdict wrong.
    Between,
    /// Under 88 % of it.
    Weak,
    /// Under 3 %: nothing pulled.
    Missing,
}

impl Worth {
    /// The worth of an end depth against the usual one, both kPa.
    pub fn of(end_kpa: f64, usual_kpa: f64) -> Worth {
        let share = end_kpa / usual_kpa;
        if share < 0.03 {
            Worth::Missing
        } else if share < 0.88 {
            Worth::Weak
        } else if share < 0.95 {
            Worth::Between
        } else {
            Worth::Good
        }
    }
}

/// One pull as it was.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DrawnPull {
    /// Valve opened.
    pub opened_at: Micros,
    /// Valve shut.
    pub closed_at: Micros,
    /// Position of its flask, from 0.
    pub flask: u32,
    /// How the flask sat.
    pub seating: Seating,
    /// What that made of it.
    pub worth: Worth,
    /// Depth it tended to before metal came, kPa below ambient.
    pub end_kpa: f64,
    /// What a flask of this size usually tends to on this machine and a fresh gasket, kPa.
    pub usual_kpa: f64,
    /// Time constant, s.
    pub tau_s: f64,
    /// Depth lost per minute once the valve was shut, kPa/min; none if it was vented at once.
    pub loss_kpa_min: Option<f64>,
    /// When metal was poured into it.
    pub poured_at: Option<Micros>,
    /// Pours on the gasket before this pull.
    pub seal_age_pours: u32,
}

/// One flask as it was.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct DrawnFlask {
    /// Diameter, mm.
    pub diameter_mm: f64,
    /// Height, mm.
    pub height_mm: f64,
    /// Metal, kg.
    pub metal_kg: f64,
}

/// A drawn session's truth.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DrawnTruth {
    /// The session's own troubles.
    pub troubles: BTreeSet<Trouble>,
    /// Pours in order of time.
    pub pours: Vec<DrawnPour>,
    /// Pulls in order of time.
    pub pulls: Vec<DrawnPull>,
    /// Flasks in order.
    pub flasks: Vec<DrawnFlask>,
}

//! The row in which an arrest of the melt is handed on: a freeze that a probe can be held
//! against, or the melting of an everyday charge. Printed by `extract --json` beside pours and
//! pulls. What the probe read stays as it was read.

use serde::{Deserialize, Serialize};

use super::budget::Budget;
use super::metal::Metal;
use crate::time::Micros;

/// Which way the heat went.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Heat {
    /// The metal froze.
    Freezing,
    /// The metal melted.
    Melting,
}

/// A freeze against a known temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Against {
    /// What froze.
    pub metal: Metal,
    /// How sure the offset is.
    pub budget: Budget,
    /// How far it cooled below its freezing point before it began to freeze, K.
    pub undercooling_k: f64,
}

/// An arrest as the trace alone tells it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ArrestFound {
    /// When it began.
    pub at: Micros,
    /// When it was over.
    pub until: Micros,
    /// Which way the heat went.
    pub heat: Heat,
    /// What the probe read: at the beginning of a freeze, in the middle of a melting, °C.
    pub read_c: f64,
    /// Its standard error by the scatter of the readings, K.
    pub read_se_k: f64,
    /// Slope before it, K/min.
    pub slope_before_k_min: f64,
    /// Slope on it, K/min.
    pub slope_k_min: f64,
    /// Slope after it, K/min.
    pub slope_after_k_min: f64,
    /// For a freeze: against what.
    pub against: Option<Against>,
}

impl ArrestFound {
    /// The row of this arrest.
    pub fn into_row(self, session: &str, machine: &str) -> ArrestRow {
        let offset_k = self.against.map(|a| self.read_c - a.metal.freezes_c());
        ArrestRow {
            session: session.to_owned(),
            machine: machine.to_owned(),
            at: self.at,
            until: self.until,
            heat: self.heat,
            read_c: self.read_c,
            read_se_k: self.read_se_k,
            slope_before_k_min: self.slope_before_k_min,
            slope_k_min: self.slope_k_min,
            slope_after_k_min: self.slope_after_k_min,
            metal: self.against.map(|a| a.metal),
            offset_k,
            offset_sd_k: self.against.map(|a| a.budget.standard_uncertainty_k()),
            budget: self.against.map(|a| a.budget),
            undercooling_k: self.against.map(|a| a.undercooling_k),
            probe_series: None,
            alloy: None,
        }
    }
}

/// One arrest of the melt.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename = "arrest")]
pub struct ArrestRow {
    /// The session's name.
    pub session: String,
    /// The machine's name.
    pub machine: String,
    /// When it began.
    pub at: Micros,
    /// When it was over.
    pub until: Micros,
    /// `freezing` or `melting`.
    pub heat: Heat,
    /// What the probe read: at the beginning of a freeze, in the middle of a melting, °C.
    pub read_c: f64,
    /// Its standard error by the scatter of the readings, K.
    pub read_se_k: f64,
    /// Slope before it, K/min.
    pub slope_before_k_min: f64,
    /// Slope on it, K/min.
    pub slope_k_min: f64,
    /// Slope after it, K/min.
    pub slope_after_k_min: f64,
    /// For a freeze: the metal whose freezing point is near.
    pub metal: Option<Metal>,
    /// For a freeze: what the probe read less where the metal freezes, K.
    pub offset_k: Option<f64>,
    /// Its standard uncertainty, K.
    pub offset_sd_k: Option<f64>,
    /// How that comes about.
    pub budget: Option<Budget>,
    /// How far it cooled below its freezing point before it began to freeze, K.
    pub undercooling_k: Option<f64>,
    /// The series of the probe that read it ([`super::series`]); null before assembly.
    #[serde(default)]
    pub probe_series: Option<String>,
    /// For a melting: the alloy of the pour that followed, if its card says; null before
    /// assembly.
    #[serde(default)]
    pub alloy: Option<String>,
}

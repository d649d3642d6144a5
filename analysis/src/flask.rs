//! One flask as the statistics see it: the settings it was poured with and what came of it.
//! The flask is the experimental unit; its pieces share everything and are never counted as
//! independent.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::time::Micros;

/// A flask with its pour and its latest inspection joined on. The default one is nameless and
/// nothing is known of it: where flasks are made up, say what is known and leave the rest to it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Flask {
    /// Stable identity (a UUID as text).
    pub id: String,
    /// What the caster wrote on it; may repeat on other days.
    pub label: String,
    /// The session it was poured in; the cluster of the statistics.
    pub session: String,
    /// The machine that poured it.
    pub machine: String,
    /// When it was poured.
    pub cast_at: Micros,
    /// Alloy name, as in the alloy table or the shop's own.
    pub alloy: Option<String>,
    /// `thin`, `medium`, `heavy` or `mixed`.
    pub section: Option<String>,
    /// The pattern, or several joined with " + ".
    pub pattern: Option<String>,
    /// When its pieces were first counted; none until then, and where nobody wrote down when.
    #[serde(default)]
    pub inspected_at: Option<Micros>,
    /// Pieces looked at; none until it was inspected. Never zero when present.
    pub pieces: Option<u32>,
    /// Pieces with any defect.
    pub defective: Option<u32>,
    /// Pieces with at least one defect of a kind that may steer the pour temperature.
    pub defective_steering: Option<u32>,
    /// Pieces by defect kind; a kind that is absent was not counted, which is not zero.
    pub kinds: BTreeMap<String, u32>,
    /// Whether whoever counted did not know the pour temperature; none where it was not said.
    #[serde(default)]
    pub counted_blind: Option<bool>,
    /// Melt temperature as the stopper lifted, °C.
    pub pour_temperature_c: Option<f64>,
    /// The pour temperature that was meant for it, °C: its card's, its lot's, or the shop's target
    /// as it stood then.
    #[serde(default)]
    pub target_c: Option<f64>,
    /// Flask temperature then, °C.
    pub flask_temperature_c: Option<f64>,
    /// Vacuum then, kPa below ambient.
    pub vacuum_kpa: Option<f64>,
    /// Vacuum then as a share of what the day's air allowed, 0–1.
    pub vacuum_share: Option<f64>,
    /// Mean cover gas in the two minutes before, L/min.
    pub gas_flow_l_min: Option<f64>,
    /// Soak actually held, minutes.
    pub soak_min: Option<f64>,
    /// Pours since the gasket was changed.
    pub seal_age_pours: Option<u32>,
    /// Old metal in the charge, %.
    pub remelt_percent: Option<f64>,
    /// Metal poured, g.
    pub metal_g: Option<f64>,
    /// The series of the probe that read it, `MACHINE/n`; none for flasks from paper.
    #[serde(default)]
    pub probe_series: Option<String>,
    /// What an accepted probe check took off the pour temperature, K; none: it is as read.
    #[serde(default)]
    pub probe_offset_k: Option<f64>,
    /// Why this flask may not steer the pour temperature, if it may not.
    pub set_aside: Option<Aside>,
}

/// Pieces are counted so long after the pour, where nobody wrote down when, s (common practice: the
/// next day).
const COUNTED_AFTER_S: f64 = 86_400.0;

impl Flask {
    /// When its counts were known.
    pub fn known_at(&self) -> Micros {
        self.inspected_at
            .unwrap_or(self.cast_at.plus_seconds(COUNTED_AFTER_S))
            .max(self.cast_at)
    }
}

/// Why a flask may not steer the pour temperature.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Aside {
    /// A fixed code: of a [`crate::upkeep::Fault`], or of what is not known of the flask.
    pub code: String,
    /// The same in words, as a clause.
    pub reason: String,
}

impl Aside {
    /// A code with its words.
    pub fn new(code: impl Into<String>, reason: impl Into<String>) -> Aside {
        Aside {
            code: code.into(),
            reason: reason.into(),
        }
    }
}

impl From<crate::upkeep::Fault> for Aside {
    fn from(fault: crate::upkeep::Fault) -> Aside {
        Aside::new(fault.code(), fault.words())
    }
}

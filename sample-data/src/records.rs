//! What the shop's people wrote down: flask cards, inspections, part changes, targets. Plain
//! structs with the units in the names, ready to be put into a book by any way it offers.

use std::collections::BTreeMap;

use analysis::time::Micros;
use serde::{Deserialize, Serialize};

/// One flask's card.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FlaskCard {
    /// What is written on the flask; starts again every month.
    pub label: String,
    /// Position in the day's pouring order, from 1.
    pub order: u32,
    /// Alloy name.
    pub alloy: String,
    /// `thin`, `medium` or `heavy`.
    pub section: String,
    /// The pattern; every flask here holds one.
    pub pattern: String,
    /// Pieces on the tree.
    pub pieces: u32,
    /// Metal weighed in, g.
    pub metal_g: f64,
    /// Old metal in the charge, %.
    pub remelt_percent: f64,
    /// Flask diameter, mm.
    pub diameter_mm: f64,
    /// The kiln's name.
    pub kiln: String,
    /// Pour temperature asked for, °C.
    pub target_pour_c: f64,
    /// Kiln set point for the soak, °C.
    pub set_point_c: f64,
    /// Soak meant, min.
    pub soak_min: f64,
    /// Into the kiln.
    pub kiln_in: Micros,
    /// Out of the kiln, as written at the bench: to the minute.
    pub kiln_out: Micros,
    /// When the pour is noted, to the minute.
    pub poured_at: Micros,
    /// Who cast it.
    pub by: String,
}

/// One look at one flask's pieces.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Inspection {
    /// The card's label.
    pub label: String,
    /// The card's position in its session, which with the session makes it unique.
    pub order: u32,
    /// `washed`, `cut`, `polished` or `returned`.
    pub stage: String,
    /// When.
    pub at: Micros,
    /// Pieces looked at.
    pub pieces: u32,
    /// Pieces with any defect.
    pub defective: u32,
    /// Pieces with at least one defect of a kind that may steer the pour temperature.
    pub defective_steering: u32,
    /// Pieces by kind; every kind on the form is there, with zero if none was seen.
    pub kinds: BTreeMap<String, u32>,
    /// Who looked.
    pub by: String,
    /// Whether they looked without knowing the pour temperature.
    pub blind: bool,
}

/// A part was changed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PartChange {
    /// `gasket`, `stopper-rod`, `crucible`, `thermocouple` or `gas-cylinder`.
    pub part: String,
    /// The machine's name.
    pub machine: String,
    /// When; always between sessions, but for a gas cylinder that ran out in one.
    pub at: Micros,
    /// Gas in a new cylinder, L at 1 bar; only for `gas-cylinder`.
    pub content_l: Option<f64>,
}

/// What the shop means to do, from a moment on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Target {
    /// Alloy name.
    pub alloy: String,
    /// Section.
    pub section: String,
    /// From when.
    pub since: Micros,
    /// Pour temperature, °C.
    pub pour_temperature_c: f64,
    /// Flask temperature, °C.
    pub flask_temperature_c: f64,
    /// Soak, min.
    pub soak_min: f64,
    /// From valve to pour, s.
    pub vacuum_lead_s: f64,
}

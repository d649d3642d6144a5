//! One session as it was meant: who, what, when, how each flask was to be poured, and how worn
//! the bench was. Physics and chance come in [`simulate`](crate::simulate::simulate), from the
//! plan's own seed.

use analysis::time::Micros;
use serde::{Deserialize, Serialize};

use crate::chamber::Seating;

/// Which optional sensors the bench has.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fittings {
    /// A switch on the vacuum valve.
    pub vacuum_valve: bool,
    /// A switch on the stopper.
    pub stopper: bool,
    /// A switch on the kiln's door.
    pub kiln_door: bool,
    /// A pressure sensor on the cylinder.
    pub gas_pressure: bool,
    /// A barometer in the shop.
    pub barometer: bool,
}

impl Default for Fittings {
    /// What a small bench adds first: valve switch and barometer, no stopper switch, so that
    /// pours must be found in the trace.
    fn default() -> Self {
        Fittings {
            vacuum_valve: true,
            stopper: false,
            kiln_door: false,
            gas_pressure: false,
            barometer: true,
        }
    }
}

/// One session.
#[derive(Clone, Debug, PartialEq)]
pub struct SessionPlan {
    /// Position among the shop's sessions, from 0.
    pub index: u32,
    /// Seed of everything that happens in it.
    pub seed: u64,
    /// Furnace switched on.
    pub starts: Micros,
    /// The machine's name.
    pub machine: String,
    /// The kiln's name.
    pub kiln: String,
    /// Who casts.
    pub caster: String,
    /// Alloy of the day; one crucible, one alloy.
    pub alloy: String,
    /// Kiln set point for the soak, °C.
    pub soak_c: f64,
    /// The room, °C.
    pub room_c: f64,
    /// Air pressure as the day begins, kPa absolute, and its change over the session.
    pub barometer_kpa: f64,
    /// Change of air pressure, kPa/h.
    pub barometer_kpa_h: f64,
    /// Gas in the cylinder at the start, L at 1 bar.
    pub cylinder_l: f64,
    /// Cover gas the caster sets, L/min.
    pub gas_set_l_min: f64,
    /// Regulator droop, share of flow.
    pub gas_droop: f64,
    /// Pours on the gasket before this session.
    pub seal_age_pours: u32,
    /// What the probe reads too much, K.
    pub probe_offset_k: f64,
    /// The session's effect on defects, logit.
    pub effect: f64,
    /// When the pieces are looked at.
    pub inspected_at: Micros,
    /// Who looks.
    pub inspector: String,
    /// The flasks in pouring order.
    pub flasks: Vec<FlaskPlan>,
    /// A probe check at the end of the day.
    pub probe_check: bool,
    /// The sensors fitted.
    pub fittings: Fittings,
}

/// One flask.
#[derive(Clone, Debug, PartialEq)]
pub struct FlaskPlan {
    /// What is written on it.
    pub label: String,
    /// `thin`, `medium` or `heavy`.
    pub section: String,
    /// The pattern.
    pub pattern: String,
    /// Pieces on the tree.
    pub pieces: u32,
    /// Metal, g.
    pub metal_g: f64,
    /// Old metal, %.
    pub remelt_percent: f64,
    /// The shop's target then, °C.
    pub target_c: f64,
    /// What the caster aims at this time, °C.
    pub aimed_c: f64,
    /// From power-on to the pour as planned, s.
    pub pour_s: f64,
    /// From kiln to pour, s.
    pub transfer_s: f64,
    /// From valve to pour, s.
    pub vacuum_lead_s: f64,
    /// How long the stopper is lifted, s.
    pub flow_s: f64,
    /// How long the vacuum is held after the pour, s.
    pub hold_s: f64,
    /// How it sits on the seal at the first try.
    pub seating: Seating,
    /// Vacuum share it tends to at the good try.
    pub end_share: f64,
    /// Share it tends to at the first try when unseated.
    pub unseated_share: f64,
    /// Share gained once metal seals the sprue.
    pub sealed_gain: f64,
    /// Pump-down time constant, s.
    pub tau_s: f64,
    /// How its shelf differs from the kiln's thermocouple, K.
    pub shelf_k: f64,
    /// How far the probe falls at the pour by itself, K.
    pub chill_k: f64,
    /// Whether the caster skims, which moves the rod.
    pub skims: bool,
    /// Seconds between the two halves of the charge; none is one go.
    pub second_charge_s: Option<f64>,
    /// The flask's own effect on defects, logit.
    pub effect: f64,
    /// Whether anybody counts its pieces.
    pub inspected: bool,
    /// Whether that is done blind.
    pub blind: bool,
}

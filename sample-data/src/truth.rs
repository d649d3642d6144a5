//! What really happened: for scoring what pourbook finds and advises, never for pourbook itself.
//! `truth.json` beside a generated book is a [`TruthFile`].

use analysis::time::Micros;
use serde::{Deserialize, Serialize};

use crate::chamber::Seating;
use crate::defects::{Coefficients, Common, Odds};

/// The shop's truth: coefficients and where they put the optimum.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ShopTruth {
    /// The shop.
    pub shop: String,
    /// That it is invented.
    pub invented: String,
    /// The seed everything came from.
    pub seed: u64,
    /// How many weeks.
    pub weeks: u32,
    /// What holds for every alloy and section.
    pub common: Common,
    /// By alloy and section.
    pub sections: Vec<SectionTruth>,
}

/// The truth of one alloy and section.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SectionTruth {
    /// Alloy name.
    pub alloy: String,
    /// Section.
    pub section: String,
    /// Its coefficients.
    pub coefficients: Coefficients,
    /// The best pour temperature for a usual flask, °C of true metal.
    pub optimum_pour_c: f64,
    /// What the shop aims at, °C.
    pub target_pour_c: f64,
}

/// One session's truth.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Position among the shop's sessions, from 0.
    pub session: u32,
    /// Furnace switched on.
    pub starts: Micros,
    /// Last reading.
    pub ends: Micros,
    /// The session's effect, logit.
    pub effect: f64,
    /// What the probe reads too much, K.
    pub probe_offset_k: f64,
    /// When the fine silver of a probe check began to freeze, if there was one.
    #[serde(default)]
    pub froze_at: Option<Micros>,
    /// Warm-up: from power-on until the probe's junction first passed 850 °C, min.
    pub warm_up_min: f64,
    /// Pours in order of time.
    pub pours: Vec<PourTruth>,
    /// Pulls in order of time, called-off ones too.
    pub pulls: Vec<PullTruth>,
}

/// One pour.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PourTruth {
    /// When the stopper lifted.
    pub at: Micros,
    /// Position of its flask, from 0.
    pub flask: u32,
    /// The flask's label.
    pub label: String,
    /// Section.
    pub section: String,
    /// True metal temperature, °C.
    pub pour_temperature_c: f64,
    /// True mould temperature where the pieces hang, °C.
    pub flask_temperature_c: f64,
    /// True depth, kPa below ambient.
    pub vacuum_kpa: f64,
    /// True share of the day's air.
    pub vacuum_share: f64,
    /// True cover gas, L/min.
    pub gas_flow_l_min: f64,
    /// Pours on the gasket before this one.
    pub seal_age_pours: u32,
    /// From kiln to pour, s.
    pub transfer_s: f64,
    /// From valve to pour, s.
    pub vacuum_lead_s: f64,
    /// Chances per piece, with all effects.
    pub odds: Odds,
    /// The flask's own effect, logit.
    pub effect: f64,
}

/// One pull.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PullTruth {
    /// Valve opened.
    pub opened_at: Micros,
    /// Valve closed.
    pub closed_at: Micros,
    /// Flask, from 0.
    pub flask: u32,
    /// How the flask sat.
    pub seating: Seating,
    /// Time constant, s.
    pub tau_s: f64,
    /// Depth it tended to before metal came, kPa.
    pub end_kpa: f64,
    /// Whether metal was poured into it.
    pub poured: bool,
}

/// The content of `truth.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TruthFile {
    /// The shop's truth.
    pub shop: ShopTruth,
    /// Each session's.
    pub sessions: Vec<Truth>,
}

//! A burnout as the records keep it and the sheet shows it: what ran, what was found in the
//! trace, and what was wrong when.

use serde::{Deserialize, Serialize};

use crate::time::Micros;

/// What can be wrong with a burnout. Other programs compare the words: one is added, never
/// changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FaultKind {
    /// It does not follow its ramp, or does not go on to the next step.
    Stalled,
    /// It is hotter than it should be.
    RunOff,
    /// It cools when it should hold or climb.
    Cooling,
    /// Its door seems to stand open.
    DoorOpen,
    /// Its sensor is silent.
    Silent,
    /// Its reading jumped as no kiln can: the probe, its plug or its wire.
    Probe,
}

impl FaultKind {
    /// All of them.
    pub const ALL: [FaultKind; 6] = [
        FaultKind::Stalled,
        FaultKind::RunOff,
        FaultKind::Cooling,
        FaultKind::DoorOpen,
        FaultKind::Silent,
        FaultKind::Probe,
    ];

    /// Its word in records and exports.
    pub fn word(self) -> &'static str {
        match self {
            FaultKind::Stalled => "stalled",
            FaultKind::RunOff => "run-off",
            FaultKind::Cooling => "cooling",
            FaultKind::DoorOpen => "door-open",
            FaultKind::Silent => "silent",
            FaultKind::Probe => "probe",
        }
    }

    /// The kind of this word.
    pub fn from_word(word: &str) -> Option<FaultKind> {
        FaultKind::ALL.into_iter().find(|k| k.word() == word)
    }
}

/// Something was wrong with a burnout for a while.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FaultRow {
    /// What.
    pub kind: FaultKind,
    /// Since when, as well as can be told.
    pub since_at: Micros,
    /// When it was certain, and told.
    pub told_at: Micros,
    /// When it was over; null while it is not.
    pub over_at: Option<Micros>,
    /// What the kiln read when it was told, °C; null for a silent one.
    pub kiln_c: Option<f64>,
    /// What it should have read then, °C, where a programme or a hold says so.
    pub expected_c: Option<f64>,
    /// The step of the programme, from 1, if it was known.
    pub step: Option<u32>,
}

/// A ramp or a hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SpellKind {
    /// Climbing or falling.
    Ramp,
    /// Standing.
    Hold,
}

/// A ramp or hold as found in the trace.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SpellRow {
    /// Which.
    pub kind: SpellKind,
    /// Its beginning.
    pub from_at: Micros,
    /// Its end.
    pub to_at: Micros,
    /// The kiln at its beginning, °C.
    pub from_c: f64,
    /// The kiln at its end, °C; the same for a hold.
    pub to_c: f64,
}

/// One burnout of one kiln.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BurnoutRow {
    /// The kiln's name.
    pub kiln: String,
    /// The programme it was followed by; null if it had none.
    pub programme: Option<String>,
    /// When the kiln began to climb, or was first heard of if it was hot by then.
    pub began_at: Micros,
    /// Whether it was hot when it was first heard: figures then count from there.
    pub joined_late: bool,
    /// When it was cold again; null while it is not.
    pub ended_at: Option<Micros>,
    /// The last reading that counts in these figures.
    pub last_at: Micros,
    /// The hottest minute, °C.
    pub highest_c: f64,
    /// Minutes at 700 °C and above.
    pub above_700_min: f64,
    /// How often the door was opened.
    pub door_openings: u32,
    /// The longest it was open, s.
    pub door_longest_s: Option<f64>,
    /// The longest that the air took to come back, s.
    pub door_slowest_recovery_s: Option<f64>,
    /// Ramps and holds as found in the trace.
    pub spells: Vec<SpellRow>,
    /// What was wrong.
    pub faults: Vec<FaultRow>,
}

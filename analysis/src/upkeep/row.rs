//! The row in which a session's upkeep is handed on: gas let out and graphite hot without cover,
//! as a course of running totals. Printed by `extract --json` beside pours and pulls, so that
//! whoever assembles many sessions needs no trace again.

use serde::{Deserialize, Serialize};

use crate::time::Micros;

/// The upkeep of one session.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename = "upkeep")]
pub struct UpkeepRow {
    /// The session's name.
    pub session: String,
    /// The machine's name.
    pub machine: String,
    /// Its first reading of melt or gas.
    pub from: Micros,
    /// Its last.
    pub to: Micros,
    /// Running totals, oldest first: at the first reading, every ten minutes while they change,
    /// and at the last reading.
    pub course: Vec<CoursePoint>,
}

/// Running totals of a session at one moment.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CoursePoint {
    /// When.
    pub at: Micros,
    /// Cover gas let out since the session began, L as it flowed; null without a gas sensor.
    pub gas_used_l: Option<f64>,
    /// How far that may be off because the sensor was silent, L: the true figure lies within
    /// this of it if nobody opened the valve further meanwhile.
    pub gas_unsure_l: f64,
    /// Melt above 500 °C with gas below its least, s; null without a gas sensor.
    pub bare_hot_s: Option<f64>,
    /// Melt above 500 °C while the gas sensor was silent, s.
    pub unwatched_hot_s: f64,
}

impl CoursePoint {
    /// The totals at a moment between two points of a course, straight from one to the other.
    #[must_use]
    pub fn between(a: &CoursePoint, b: &CoursePoint, at: Micros) -> CoursePoint {
        let span = b.at.seconds_since(a.at);
        let share = if span > 0.0 {
            (at.seconds_since(a.at) / span).clamp(0.0, 1.0)
        } else {
            1.0
        };
        let mix = |x: f64, y: f64| x + (y - x) * share;
        let maybe = |x: Option<f64>, y: Option<f64>| match (x, y) {
            (Some(x), Some(y)) => Some(mix(x, y)),
            (None, y) => y.map(|y| mix(0.0, y)),
            (x, None) => x,
        };
        CoursePoint {
            at,
            gas_used_l: maybe(a.gas_used_l, b.gas_used_l),
            gas_unsure_l: mix(a.gas_unsure_l, b.gas_unsure_l),
            bare_hot_s: maybe(a.bare_hot_s, b.bare_hot_s),
            unwatched_hot_s: mix(a.unwatched_hot_s, b.unwatched_hot_s),
        }
    }
}

/// How worn the bench was at a pour. Every figure is null while the change of its part is not on
/// record.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct PartsAtPour {
    /// Pours since the machine's seal ring was changed.
    pub seal_ring_age_pours: Option<u32>,
    /// Pours since the stopper rod was changed.
    pub stopper_rod_age_pours: Option<u32>,
    /// Pours since the stirring rod was changed.
    pub stirring_rod_age_pours: Option<u32>,
    /// Pours since the crucible was changed.
    pub crucible_age_pours: Option<u32>,
    /// Pours since the melt's thermocouple was changed.
    pub thermocouple_age_pours: Option<u32>,
    /// The series of the probe that read the melt, `MACHINE/n`: n changes of the melt's
    /// thermocouple on record until then.
    pub probe_series: Option<String>,
    /// What that probe reads too much by an accepted probe check, K. The pour temperature, the
    /// peak and the superheat are corrected by it: as read they are this much more. Null: they
    /// are as read.
    pub probe_offset_k: Option<f64>,
    /// Standard uncertainty of the correction at the pour temperature, K.
    pub probe_offset_sd_k: Option<f64>,
    /// Pours since the pump's oil was changed.
    pub pump_oil_age_pours: Option<u32>,
    /// Pours since the gas cylinder was changed.
    pub gas_cylinder_age_pours: Option<u32>,
    /// Cover gas let out in the session up to the pour, L as it flowed.
    pub session_gas_l: Option<f64>,
    /// How far that may be off because the sensor was silent, L.
    pub session_gas_unsure_l: Option<f64>,
    /// Melt above 500 °C with gas below its least, in the session up to the pour, s.
    pub session_bare_hot_s: Option<f64>,
    /// Gas let out of the cylinder since it was changed, L.
    pub cylinder_used_l: Option<f64>,
    /// Gas left in it, L; null while its content is not on record.
    pub cylinder_left_l: Option<f64>,
    /// How far these two may be off because the sensor was silent, L.
    pub cylinder_unsure_l: Option<f64>,
    /// The crucible's minutes hot and bare.
    pub crucible_bare_hot_min: Option<f64>,
    /// The stopper rod's minutes hot and bare.
    pub stopper_rod_bare_hot_min: Option<f64>,
    /// The stirring rod's minutes hot and bare.
    pub stirring_rod_bare_hot_min: Option<f64>,
    /// Pulls on this gasket into which metal was poured, this pour's included.
    pub gasket_pulls: Option<u32>,
    /// Their share of the attainable vacuum when the gasket was new: the median of the first
    /// ten, once there are three; 0–1.
    pub gasket_share_first: Option<f64>,
    /// Their share lately: the median of the last five up to this pour, once there are three.
    pub gasket_share_lately: Option<f64>,
}

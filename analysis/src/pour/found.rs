//! A pour as the trace alone tells it, before cards, targets and parts are known.

use super::rows::{FlaskTemperatureFrom, FoundBy, PourRow};
use crate::time::Micros;
use crate::upkeep::{CoursePoint, PartsAtPour};

/// A pour, measured, without the names of its session and machine.
#[derive(Clone, Debug, PartialEq)]
pub struct PourFound {
    /// When the metal left.
    pub at: Micros,
    /// How sure that this was a pour, 0–1.
    pub confidence: f64,
    /// How it was found.
    pub found_by: FoundBy,
    /// Melt temperature at the pour, °C: what a noiseless probe read when the stopper lifted. A
    /// probe that lags behind a melt that climbs reads low by slope × lag, usually under 1 K, and
    /// so it does on the figures that the caster goes by: it is not put right.
    pub pour_temperature_c: Option<f64>,
    /// Over the liquidus, K; none while the alloy is unknown.
    pub superheat_k: Option<f64>,
    /// Slope of the melt over the last 30 s before, K/s.
    pub heating_rate_k_s: Option<f64>,
    /// Highest melt temperature (mean of 5 s) since the last charge, °C.
    pub peak_melt_c: Option<f64>,
    /// Time above the liquidus since the last charge, s.
    pub time_molten_s: Option<f64>,
    /// Time since cold metal went in, s; none if no charge was seen.
    pub since_charge_s: Option<f64>,
    /// Vacuum just before the pour over what the sensor reads at rest, kPa below ambient; as it
    /// reads while its rest is not known. The pull's depths are counted the same way.
    pub vacuum_kpa: Option<f64>,
    /// The same as a share of what the day's air allowed, 0–1.
    pub vacuum_share: Option<f64>,
    /// From the start of the pull to the pour, s.
    pub vacuum_lead_s: Option<f64>,
    /// Vacuum 10 s after the pour, counted the same way, kPa below ambient.
    pub vacuum_after_kpa: Option<f64>,
    /// Mean cover gas in the 2 min before, L/min.
    pub gas_flow_l_min: Option<f64>,
    /// Least cover gas in the 2 min before (median of three readings), L/min.
    pub gas_flow_least_l_min: Option<f64>,
    /// Kiln temperature before its door last opened, or at the pour without a door switch, °C.
    pub kiln_temperature_c: Option<f64>,
    /// From the kiln door's opening to the pour, s; none without a door switch.
    pub transfer_s: Option<f64>,
    /// Flask temperature by a thermocouple in it, °C, and its standard uncertainty, K.
    pub flask_temperature_c: Option<(f64, f64)>,
    /// Gas let out and graphite hot and bare, from the session's beginning to the pour.
    pub so_far: CoursePoint,
    /// What was off, in the words of [`super::rows::quality`].
    pub quality: Vec<&'static str>,
}

impl PourFound {
    /// The row of this pour, with everything blank that the trace cannot know.
    pub fn into_row(self, session: &str, machine: &str, number: u32) -> PourRow {
        PourRow {
            session: session.to_owned(),
            machine: machine.to_owned(),
            number,
            at: self.at,
            confidence: self.confidence,
            found_by: self.found_by,
            flask: None,
            pour_temperature_c: self.pour_temperature_c,
            target_c: None,
            superheat_k: self.superheat_k,
            heating_rate_k_s: self.heating_rate_k_s,
            peak_melt_c: self.peak_melt_c,
            time_molten_s: self.time_molten_s,
            since_charge_s: self.since_charge_s,
            vacuum_kpa: self.vacuum_kpa,
            vacuum_share: self.vacuum_share,
            vacuum_lead_s: self.vacuum_lead_s,
            vacuum_after_kpa: self.vacuum_after_kpa,
            gas_flow_l_min: self.gas_flow_l_min,
            gas_flow_least_l_min: self.gas_flow_least_l_min,
            kiln_temperature_c: self.kiln_temperature_c,
            soak_min: None,
            transfer_s: self.transfer_s,
            flask_temperature_c: self.flask_temperature_c.map(|f| f.0),
            flask_temperature_sd_k: self.flask_temperature_c.map(|f| f.1),
            flask_temperature_from: self
                .flask_temperature_c
                .map(|_| FlaskTemperatureFrom::Measured),
            seal_age_pours: None,
            quality: self.quality.into_iter().map(str::to_owned).collect(),
            faults: Vec::new(),
            parts: PartsAtPour {
                session_gas_l: self.so_far.gas_used_l,
                session_gas_unsure_l: self.so_far.gas_used_l.map(|_| self.so_far.gas_unsure_l),
                session_bare_hot_s: self.so_far.bare_hot_s,
                ..PartsAtPour::default()
            },
        }
    }
}

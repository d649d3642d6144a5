//! A session's readings as the charts take them: each channel's times and values in order, and
//! the stages as spans.

use analysis::time::Micros;
use serde::{Deserialize, Serialize};

/// One channel's readings in order of time, in the stored unit.
pub type Readings = Vec<(Micros, f64)>;

/// What the charts of a session are drawn from. A channel that nobody sensed is empty.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SessionTrace {
    /// Melt temperature, °C.
    pub melt_c: Readings,
    /// Vacuum, kPa below ambient.
    pub vacuum_kpa: Readings,
    /// Cover gas, L/min.
    pub gas_l_min: Readings,
    /// Each kiln's name and temperature, °C. It may begin long before the session, with the
    /// burnout that fed it.
    pub kilns_c: Vec<(String, Readings)>,
    /// The stages, in order.
    pub stages: Vec<StageSpan>,
}

/// One spell of a stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StageSpan {
    /// Its name: cold, warming, charging, melting, molten, pulling, poured, cooling.
    pub name: String,
    /// When it began.
    pub from: Micros,
    /// When it ended.
    pub until: Micros,
}

impl SessionTrace {
    /// The first and the last reading of the machine, or stage, if there is any. A kiln does
    /// not stretch it: its burnout takes all night.
    pub fn extent(&self) -> Option<(Micros, Micros)> {
        let channels = [&self.melt_c, &self.vacuum_kpa, &self.gas_l_min];
        let times = || {
            channels
                .into_iter()
                .flat_map(|c| c.first().into_iter().chain(c.last()))
                .map(|p| p.0)
                .chain(self.stages.iter().flat_map(|s| [s.from, s.until]))
        };
        Some((times().min()?, times().max()?))
    }
}

/// The readings as seconds after `zero` and a value in the unit shown.
pub fn seconds_after(
    readings: &[(Micros, f64)],
    zero: Micros,
    show: impl Fn(f64) -> f64,
) -> Vec<(f64, f64)> {
    readings
        .iter()
        .map(|(t, v)| (t.seconds_since(zero), show(*v)))
        .collect()
}

/// The readings between two times.
pub fn between(readings: &[(Micros, f64)], from: Micros, until: Micros) -> &[(Micros, f64)] {
    let a = readings.partition_point(|p| p.0 < from);
    let b = readings.partition_point(|p| p.0 <= until);
    &readings[a..b.max(a)]
}

//! From an MQTT topic to a channel: which place it belongs to, how to read its payload, its
//! unit and its limits. Built from the configuration, read by every way in.

use std::collections::HashMap;
use std::sync::Arc;

use crate::place::Place;
use analysis::channel::Channel;

/// One channel of one place, heard on one topic.
#[derive(Clone, Debug, PartialEq)]
pub struct Route {
    /// Whose channel it is.
    pub place: Place,
    /// Which channel. Kiln channels have number 0 here; a session numbers them when it claims.
    pub channel: Channel,
    /// The topic, exactly; wildcards are refused by the configuration.
    pub topic: String,
    /// The unit word of the payload, as configured (`"Cel"`, `"inHg"`, …); empty for switches.
    pub unit: String,
    /// For vacuum: whether the payload is below ambient (a shop needle) or absolute.
    pub sense: Sense,
    /// For gas flow: factor from the tube's scale to the gas as it really flows.
    pub flow_factor: f64,
    /// Ambient pressure to take an absolute vacuum from while no barometer is heard, kPa.
    pub ambient_kpa: f64,
    /// JSON Pointer (RFC 6901) to the value; empty: the payload is a number or SenML.
    pub value_pointer: String,
    /// JSON Pointer to the device time; empty: none.
    pub time_pointer: String,
    /// Least believable value, in the channel's stored unit; a reading outside is kept as
    /// out of range and never used.
    pub min: Option<f64>,
    /// Most believable value, in the channel's stored unit.
    pub max: Option<f64>,
    /// Silence after which the channel is stale, s.
    pub stale_after_s: f64,
}

/// How a vacuum is counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Sense {
    /// Depth below the air around: 0 is none.
    #[default]
    BelowAmbient,
    /// Absolute pressure: 0 is a perfect vacuum.
    Absolute,
}

/// Every topic that is heard. One topic may feed several channels (a JSON payload with several
/// values).
pub type Routes = HashMap<String, Vec<Arc<Route>>>;

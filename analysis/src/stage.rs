//! The stages of a melt, from a cold crucible to a cooling one: what the page at the machine
//! shows in one word. They are told by the detector in [`crate::pour`]; nothing here decides.

use std::fmt;

use serde::{Deserialize, Serialize};

/// Where a melt stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Stage {
    /// Below 100 °C, or no melt reading yet.
    #[default]
    Cold,
    /// Heating, still far below the liquidus.
    Warming,
    /// Cold metal is pulling the reading down.
    Charging,
    /// Heating through the melting range, or back up after a charge.
    Melting,
    /// Above the alloy's liquidus.
    Molten,
    /// Vacuum on, metal still in the crucible.
    Pulling,
    /// Metal gone into the flask; vacuum held.
    Poured,
    /// Falling with nothing going in: heat off.
    Cooling,
}

impl Stage {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Stage::Cold => "cold",
            Stage::Warming => "warming",
            Stage::Charging => "charging",
            Stage::Melting => "melting",
            Stage::Molten => "molten",
            Stage::Pulling => "pulling",
            Stage::Poured => "poured",
            Stage::Cooling => "cooling",
        }
    }
}

impl fmt::Display for Stage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

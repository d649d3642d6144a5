//! What the detector is told beforehand about the machine and the day.

use crate::time::Micros;
use crate::upkeep::tally::LEAST_GAS_L_MIN;

/// Standard air pressure at sea level, kPa (ISO 2533:1975).
pub const SEA_LEVEL_KPA: f64 = 101.325;

/// Liquidus of sterling (925 silver–copper), °C: what "molten" means while the alloy in the
/// crucible is unknown. ASM Metals Handbook, from memory; published values run from 891 to 899.
pub const STERLING_LIQUIDUS_C: f64 = 893.0;

/// The least attainable share that counts as a good pull until a machine has a history of its
/// own, 0–1. A starting value (common practice: seals that don't sit end at 5–18 inHg of 30).
pub const FLOOR_SHARE: f64 = 0.6;

/// How much of the usual depth a pull must reach to be good, 0–1. Porous flasks and the weather
/// spread good pulls over some 5–10 % (common practice); a shortfall of a tenth is more.
pub const SHARE_OF_USUAL: f64 = 0.9;

/// What the detector is told beforehand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// Air pressure at the shop, kPa: what a perfect vacuum would read, while no barometer is
    /// heard.
    pub ambient_kpa: f64,
    /// Liquidus of the alloy in the crucible, °C, if it is known. While it is not, molten means
    /// above [`STERLING_LIQUIDUS_C`] and superheat stays blank.
    pub liquidus_c: Option<f64>,
    /// The least depth of a good pull, kPa, as configured; [`FLOOR_SHARE`] of ambient if not.
    pub floor_kpa: Option<f64>,
    /// The machine's usual attainable share, 0–1: the median of its own good pulls since the
    /// last change of gasket, once there are ten ([`crate::pour::assemble::usual_share`]).
    pub usual_share: Option<f64>,
    /// Less cover gas than this is none, L/min.
    pub gas_least_l_min: f64,
}

impl Setup {
    /// A setup that knows only the air pressure.
    pub fn at_ambient(ambient_kpa: f64) -> Setup {
        Setup {
            ambient_kpa,
            liquidus_c: None,
            floor_kpa: None,
            usual_share: None,
            gas_least_l_min: LEAST_GAS_L_MIN,
        }
    }

    /// What "molten" means, °C.
    pub fn molten_above_c(&self) -> f64 {
        self.liquidus_c.unwrap_or(STERLING_LIQUIDUS_C)
    }

    /// The least rise of vacuum over its resting level that makes a pull good, kPa, on a day
    /// with this air pressure.
    pub fn good_from_kpa(&self, ambient_kpa: f64) -> f64 {
        let floor = self.floor_kpa.unwrap_or(FLOOR_SHARE * ambient_kpa);
        self.usual_share.map_or(floor, |usual| {
            floor.max(SHARE_OF_USUAL * usual * ambient_kpa)
        })
    }
}

impl Default for Setup {
    /// At sea level, nothing else known.
    fn default() -> Setup {
        Setup::at_ambient(SEA_LEVEL_KPA)
    }
}

/// Whose trace it is.
#[derive(Clone, Debug, PartialEq)]
pub struct Meta {
    /// The session's name, as it shall stand in the rows.
    pub session: String,
    /// The machine's name.
    pub machine: String,
    /// What the detector is told.
    pub setup: Setup,
}

/// A pour that a person marked: a tap at the moment, or an entry afterwards.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mark {
    /// When the metal left.
    pub at: Micros,
    /// [`crate::pour::FoundBy::Tap`] or [`crate::pour::FoundBy::Hand`].
    pub found_by: crate::pour::FoundBy,
}

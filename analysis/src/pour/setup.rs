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

/// A pull that would settle under this moves nothing worth the name, kPa: 100 mm of molten
/// metal press as hard by their own weight (4.6–9.1 kPa from a head of 50–100 mm).
pub const NOTHING_KPA: f64 = 9.0;

/// A shortfall below this share of the usual depth is never called weak, 0–1: 1.5 inHg of a usual
/// 25. A gauge of class 2.5 may be off by half of that, and a shortfall of 1 to 2 inHg does not
/// explain a misrun (common practice).
pub const LEAST_SHORTFALL: f64 = 0.06;

/// A shortfall beyond this always is, 0–1, however much a machine's pulls scatter.
pub const MOST_SHORTFALL: f64 = 0.10;

/// How many standard deviations below the usual a good pull comes once in two hundred: the
/// one-sided 99.5 % prediction limit of the next after ten, t₉ · √(1 + 1/10) = 3.250 · 1.049
/// (t from any table; the limit as in Hahn and Meeker, Statistical Intervals, from memory).
const ONE_IN_200: f64 = 3.41;

/// The same for an error that is known and not estimated, 2.576 (normal).
const ONE_IN_200_KNOWN: f64 = 2.576;

/// What a machine's good pulls of one flask size are like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UsualPull {
    /// The share of what the air allows that they settle at, 0–1.
    pub share: f64,
    /// Their scatter about it as a share of it.
    pub share_spread: f64,
    /// Their time constant, s.
    pub tau_s: f64,
    /// The standard deviation of its logarithm: 0.1 is a tenth of it.
    pub tau_spread: f64,
}

impl UsualPull {
    /// What is usual among jewellers' machines; a stand-in for the pump of one that is not yet
    /// known, and no measure of its depth. Time constants run from 3 to 8 s and depths from 25
    /// to 28 inHg (common practice).
    pub const COMMON: UsualPull = UsualPull {
        share: 0.88,
        share_spread: 0.05,
        tau_s: 4.9,
        tau_spread: 0.35,
    };

    /// How much of the usual depth may be lacking before a pull is weak, as a share of it, when
    /// the depth is known to within `se` of it.
    pub fn shortfall_allowed(&self, se: f64) -> f64 {
        let scatter = (ONE_IN_200 * self.share_spread).clamp(LEAST_SHORTFALL, MOST_SHORTFALL);
        scatter.hypot(ONE_IN_200_KNOWN * se)
    }

    /// Whether a pull that settles at `share`, known to within the standard error `share_se`,
    /// falls short of the usual.
    pub fn is_short(&self, share: f64, share_se: f64) -> bool {
        share < self.share * (1.0 - self.shortfall_allowed(share_se / self.share))
    }
}

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
    /// Less cover gas than this is none, L/min.
    pub gas_least_l_min: f64,
    /// What the machine's good pulls are like, once there are ten since the last change of
    /// gasket ([`crate::pour::usual`]); for the flask that is next. Only a live detector is told:
    /// what is found in a trace is found without, and compared afterwards
    /// ([`crate::pour::assemble`]).
    pub usual: Option<UsualPull>,
}

impl Setup {
    /// A setup that knows only the air pressure.
    pub fn at_ambient(ambient_kpa: f64) -> Setup {
        Setup {
            ambient_kpa,
            liquidus_c: None,
            floor_kpa: None,
            gas_least_l_min: LEAST_GAS_L_MIN,
            usual: None,
        }
    }

    /// What "molten" means, °C.
    pub fn molten_above_c(&self) -> f64 {
        self.liquidus_c.unwrap_or(STERLING_LIQUIDUS_C)
    }

    /// The least depth over the sensor's rest that makes a pull good whatever the machine's
    /// usual, kPa, on a day with this air pressure.
    pub fn floor_kpa(&self, ambient_kpa: f64) -> f64 {
        self.floor_kpa.unwrap_or(FLOOR_SHARE * ambient_kpa)
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shop_whose_pulls_hardly_differ_hears_of_six_hundredths_less() {
        let steady = UsualPull {
            share: 0.9,
            share_spread: 0.005,
            ..UsualPull::COMMON
        };
        assert!(!steady.is_short(0.85, 0.0));
        assert!(steady.is_short(0.84, 0.0));
        // What is not known well is not held against it.
        assert!(!steady.is_short(0.84, 0.02));
        let unsteady = UsualPull {
            share_spread: 0.1,
            ..steady
        };
        assert!(!unsteady.is_short(0.82, 0.0));
        assert!(unsteady.is_short(0.80, 0.0));
    }
}

//! The cover gas: what a flow tube really passes, how a purge thins out the air, what a cylinder
//! holds, and what becomes of the room's air if it empties there.
//!
//! Argon, nitrogen and their mixtures are taken as ideal gases. At the bench's pressures that is
//! right to 0.1 %, in a full cylinder to some 5 % on the cautious side.
//!
//! | module | what it holds |
//! |---|---|
//! | [`flow_tube`] | what really flows through a tube scaled for another gas |
//! | [`purge`] | how long a purge takes, and what a leak leaves |
//! | [`cylinder`] | what a cylinder holds and how long that lasts |
//! | [`room`] | oxygen in the room that gas escapes into |

pub mod cylinder;
pub mod flow_tube;
pub mod purge;
pub mod room;

use serde::{Deserialize, Serialize};

/// Molar gas constant, J/(mol K), exact in the SI of 2019.
pub const MOLAR_GAS: f64 = 8.314_462_618;

/// Oxygen in ordinary dry air, % by volume: 20.9 is what safety rules and monitors call normal
/// (20.946 in ISO 2533:1975, table 1).
pub const OXYGEN_IN_AIR_PERCENT: f64 = 20.9;

/// 0 °C in kelvin, exact.
const ICE_POINT_K: f64 = 273.15;

/// A gas that a scale may be drawn for or a bench may use.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Gas {
    /// Dry air.
    Air,
    /// Argon.
    Argon,
    /// Nitrogen.
    Nitrogen,
}

impl Gas {
    /// Molar mass, kg/mol (air: ISO 2533; argon and nitrogen: IUPAC standard atomic weights,
    /// from memory).
    pub fn molar_mass_kg(self) -> f64 {
        match self {
            Gas::Air => 0.028_964_420,
            Gas::Argon => 0.039_948,
            Gas::Nitrogen => 0.028_013_4,
        }
    }

    /// Density as an ideal gas, kg/m³: ρ = p·M/(R·T). Real argon at 20 °C and one atmosphere
    /// is 0.07 % denser.
    pub fn density_kg_m3(self, absolute_kpa: f64, celsius: f64) -> f64 {
        absolute_kpa * 1000.0 * self.molar_mass_kg() / (MOLAR_GAS * (celsius + ICE_POINT_K))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Densities of CoolProp 8.0.0 at 101.325 kPa: argon 1.783 956 and air 1.293 066 kg/m³ at
    /// 0 °C, nitrogen 1.164 830 kg/m³ at 20 °C; the ideal gas is within 0.1 %.
    #[test]
    fn densities_are_near_the_real_ones() {
        for (gas, celsius, density) in [
            (Gas::Argon, 0.0, 1.783_956),
            (Gas::Air, 0.0, 1.293_066),
            (Gas::Nitrogen, 20.0, 1.164_830),
        ] {
            let ours = gas.density_kg_m3(101.325, celsius);
            assert!((ours / density - 1.0).abs() < 1e-3, "{gas:?} {ours}");
        }
    }

    /// Argon gathers at the floor: 1.38 times as dense as air, nitrogen 0.97 times (from the
    /// molar masses).
    #[test]
    fn argon_sinks_and_nitrogen_does_not() {
        let against_air =
            |gas: Gas| gas.density_kg_m3(101.325, 20.0) / Gas::Air.density_kg_m3(101.325, 20.0);
        assert!((against_air(Gas::Argon) - 1.38).abs() < 0.005);
        assert!((against_air(Gas::Nitrogen) - 0.967).abs() < 0.001);
    }
}

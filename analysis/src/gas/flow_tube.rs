//! A variable-area tube (a float in a tapered glass) reads right only for the gas, pressure and
//! temperature its scale was drawn for. This turns what it reads into what flows.

use serde::{Deserialize, Serialize};

use super::Gas;

/// A gas and the state it is in at the tube.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TubeGas {
    /// Which gas.
    pub gas: Gas,
    /// Its pressure in the tube, kPa absolute.
    pub absolute_kpa: f64,
    /// Its temperature in the tube, °C.
    pub temperature_c: f64,
}

impl TubeGas {
    fn density_kg_m3(self) -> f64 {
        self.gas
            .density_kg_m3(self.absolute_kpa, self.temperature_c)
    }
}

/// What to multiply a reading with, so that it is the volume that really flows through the
/// tube: √(ρ_scale/ρ_gas), since a float far denser than the gas balances where ρ·v² is the
/// same. `None` unless both densities are positive and finite. Published tables warn that for ball
/// floats this is good to about 10 % only.
pub fn tube_factor(scale_kg_m3: f64, gas_kg_m3: f64) -> Option<f64> {
    let factor = (scale_kg_m3 / gas_kg_m3).sqrt();
    // At absolute zero the density is infinite and the factor a quiet nothing.
    let real = |density: f64| density > 0.0 && density.is_finite();
    (real(scale_kg_m3) && real(gas_kg_m3)).then_some(factor)
}

/// The volume that really flows at the tube's own pressure and temperature, L/min, from what
/// the tube shows. `None` where the states give no density.
///
/// ```
/// # use analysis::gas::{Gas, flow_tube::*};
/// let at = |gas| TubeGas { gas, absolute_kpa: 101.325, temperature_c: 20.0 };
/// // Argon read on a nitrogen scale overstates the flow by a fifth.
/// let flow = actual_flow_l_min(5.0, at(Gas::Nitrogen), at(Gas::Argon)).unwrap();
/// assert!((flow - 4.19).abs() < 0.01);
/// ```
pub fn actual_flow_l_min(reading_l_min: f64, scale: TubeGas, gas: TubeGas) -> Option<f64> {
    tube_factor(scale.density_kg_m3(), gas.density_kg_m3()).map(|factor| reading_l_min * factor)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn at(gas: Gas, absolute_kpa: f64, temperature_c: f64) -> TubeGas {
        TubeGas {
            gas,
            absolute_kpa,
            temperature_c,
        }
    }

    /// Factors from molar masses alone, three figures; air to argon 0.85 is also what published
    /// correction tables for such tubes print.
    #[test]
    fn a_scale_for_one_gas_misreads_another() {
        use Gas::{Air, Argon, Nitrogen};
        for (scale, gas, factor) in [
            (Air, Argon, 0.852),
            (Air, Nitrogen, 1.017),
            (Nitrogen, Argon, 0.837),
            (Argon, Nitrogen, 1.194),
            (Argon, Air, 1.174),
            (Argon, Argon, 1.0),
        ] {
            let ours =
                actual_flow_l_min(1.0, at(scale, 101.325, 20.0), at(gas, 101.325, 20.0)).unwrap();
            assert!((ours - factor).abs() < 6e-4, "{scale:?} {gas:?} {ours}");
        }
    }

    /// Thinner air lifts the float less, so more volume flows than shown: at 2,000 m
    /// 1/0.886 (0.886 is the factor for *standard* volume, which goes the other way).
    #[test]
    fn altitude_and_heat_count_too() {
        let sea = at(Gas::Argon, 101.325, 20.0);
        let mountain = actual_flow_l_min(1.0, sea, at(Gas::Argon, 79.5, 20.0)).unwrap();
        assert!((mountain - 1.0 / 0.886).abs() < 1e-3);
        let hot = actual_flow_l_min(1.0, sea, at(Gas::Argon, 101.325, 35.0)).unwrap();
        assert!((hot - 1.0 / 0.975).abs() < 1e-3);
    }

    #[test]
    fn no_density_no_flow() {
        assert_eq!(tube_factor(1.2, 0.0), None);
        assert_eq!(tube_factor(f64::NAN, 1.0), None);
        let sea = at(Gas::Argon, 101.325, 20.0);
        assert_eq!(
            actual_flow_l_min(1.0, sea, at(Gas::Argon, -1.0, 20.0)),
            None
        );
        assert_eq!(
            actual_flow_l_min(1.0, sea, at(Gas::Argon, 101.0, -273.15)),
            None
        );
    }
}

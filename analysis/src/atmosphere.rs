//! The day's air: what a barometer would read where there is none, and how much of the vacuum
//! that the air allows a pull has reached. A needle at 25 inHg is a good pull at the coast and
//! an impossible one at 1,500 m.

/// Standard pressure at sea level, kPa (ISO 2533:1975; the same in the US Standard
/// Atmosphere 1976).
pub const SEA_LEVEL_KPA: f64 = 101.325;

/// Standard temperature at sea level, K.
const SEA_LEVEL_K: f64 = 288.15;
/// Change of temperature with geopotential altitude up to 11 km, K/m.
const LAPSE_K_M: f64 = -0.0065;
/// Standard gravity, m/s².
const GRAVITY: f64 = 9.806_65;
/// Specific gas constant of dry air, J/(kg K).
const AIR_J_KG_K: f64 = 287.052_87;
/// The standard's nominal radius of the Earth, m.
const EARTH_M: f64 = 6_356_766.0;

/// Lowest altitude the formula is used for, m; lower ones are taken as this (the Dead Sea
/// shore is at −430 m).
const LOWEST_M: f64 = -500.0;
/// Highest, m: the top of the standard's lowest layer, above any workshop.
const HIGHEST_M: f64 = 11_000.0;

/// Air pressure of the standard atmosphere at an altitude above sea level, kPa:
///
/// p = p₀ · (1 + β·H/T₀)^(−g/(β·R)), H = r·h/(r + h)
///
/// with p₀ = 101.325 kPa, T₀ = 288.15 K, β = −0.0065 K/m, g = 9.80665 m/s²,
/// R = 287.05287 J/(kg K), r = 6 356 766 m (ISO 2533:1975, 2.1 to 2.7). Altitudes outside
/// −500 to 11,000 m are taken as the nearer end, and one that is not a number as sea level.
/// The day's weather moves the true pressure by about ±2 kPa.
///
/// ```
/// # use analysis::atmosphere::standard_pressure_kpa;
/// assert!((standard_pressure_kpa(1500.0) - 84.56).abs() < 0.01);
/// ```
pub fn standard_pressure_kpa(altitude_m: f64) -> f64 {
    let h = if altitude_m.is_nan() {
        0.0
    } else {
        altitude_m.clamp(LOWEST_M, HIGHEST_M)
    };
    let geopotential_m = EARTH_M * h / (EARTH_M + h);
    SEA_LEVEL_KPA
        * (1.0 + LAPSE_K_M * geopotential_m / SEA_LEVEL_K).powf(-GRAVITY / (LAPSE_K_M * AIR_J_KG_K))
}

/// A depth of vacuum as a share of what the air allows: depth ÷ ambient, 0–1. Slightly more
/// than 1 means that the sensor or the barometer is off, and is passed on as it is; `None`
/// where either is not a number or there is no air.
pub fn attainable_share(below_ambient_kpa: f64, ambient_kpa: f64) -> Option<f64> {
    let share = below_ambient_kpa / ambient_kpa;
    (ambient_kpa > 0.0 && share.is_finite()).then_some(share)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Unit;

    /// Pressure at geometric altitude: the tables of ISO 2533:1975 as an independent
    /// implementation of the ICAO/ISO atmosphere gives them (Python package ambiance 1.3.1),
    /// which another of the US Standard Atmosphere 1976 (fluids 1.3.1) matches to 1.1e-6.
    #[test]
    fn pressure_is_that_of_the_standard_atmosphere() {
        for (altitude_m, pascal) in [
            (0.0, 101_325.0),
            (500.0, 95_461.285_491),
            (1000.0, 89_876.277_602),
            (1500.0, 84_559.665_928),
            (2000.0, 79_501.411_068),
            (3000.0, 70_121.144_068),
            (5000.0, 54_048.262_238),
            (11_000.0, 22_699.936_837),
        ] {
            let ours = standard_pressure_kpa(altitude_m) * 1000.0;
            assert!(
                (ours / pascal - 1.0).abs() < 2e-6,
                "{altitude_m} m: {ours} Pa, the table says {pascal}"
            );
        }
    }

    #[test]
    fn twenty_five_inches_is_out_of_reach_in_the_mountains() {
        let needle = Unit::InchOfMercury.to_canonical(25.0);
        let share = |altitude| attainable_share(needle, standard_pressure_kpa(altitude));
        assert!(share(0.0).is_some_and(|s| s < 0.84));
        assert!(share(1500.0).is_some_and(|s| s > 1.0));
    }

    #[test]
    fn nonsense_in_gives_no_share_and_a_plain_pressure() {
        assert_eq!(attainable_share(f64::NAN, 101.0), None);
        assert_eq!(attainable_share(85.0, 0.0), None);
        assert_eq!(attainable_share(85.0, -3.0), None);
        assert_eq!(standard_pressure_kpa(f64::NAN), SEA_LEVEL_KPA);
        assert!(standard_pressure_kpa(1e9) > 20.0);
        assert!(standard_pressure_kpa(-1e9) < 110.0);
    }
}

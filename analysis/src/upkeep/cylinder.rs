//! What a gas cylinder holds, by the ideal gas law.

/// Gas in a cylinder, L at the air pressure of the shop: what can flow out until the cylinder is
/// at the air's own pressure.
///
/// Formula: `V · p / p_air` (Boyle's law at one temperature), with `V` the water volume in L,
/// `p` the gauge pressure and `p_air` the air pressure, both in kPa. Real argon at 150–200 bar is
/// some 5 % denser than ideal (from NIST densities), so the answer is on the cautious side.
/// Anything that is not a number above zero gives 0.
///
/// ```
/// # use analysis::upkeep::cylinder::content_l;
/// // 50 L at 200 bar is about 10 m³ (handbook rule).
/// assert!((content_l(50.0, 20_000.0, 101.325) - 9870.0).abs() < 5.0);
/// ```
pub fn content_l(volume_l: f64, pressure_kpa: f64, air_kpa: f64) -> f64 {
    let litres = volume_l * pressure_kpa / air_kpa;
    if litres.is_finite() && litres > 0.0 {
        litres
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cylinder_holds_its_volume_times_its_pressure() {
        assert!((content_l(20.0, 20_000.0, 100.0) - 4000.0).abs() < 1e-9);
        assert_eq!(content_l(20.0, 0.0, 101.3), 0.0);
        assert_eq!(content_l(20.0, 100.0, 0.0), 0.0);
        assert_eq!(content_l(f64::NAN, 100.0, 101.3), 0.0);
    }
}

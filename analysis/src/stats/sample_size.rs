//! How many pieces, and then how many flasks, tell two rates apart, and how likely a given number
//! is to tell. Pieces of one flask are alike, so flasks are counted by the design effect.

use super::distribution::{normal_below, normal_quantile};
use super::error::StatsError;

fn sound(first: f64, second: f64, alpha: f64) -> Result<(), StatsError> {
    let share = |p: f64| (0.0..=1.0).contains(&p);
    if !(share(first) && share(second)) {
        return Err(StatsError::Argument(format!(
            "rates lie between 0 and 1, not {first} and {second}"
        )));
    }
    if first == second {
        return Err(StatsError::Argument(
            "two equal rates cannot be told apart by any number of flasks".to_owned(),
        ));
    }
    if !(alpha > 0.0 && alpha < 0.5) {
        return Err(StatsError::Argument(format!(
            "the chance of a false claim is more than 0 and under 0.5, not {alpha}"
        )));
    }
    Ok(())
}

/// Independent pieces that each of two equal arms needs, so that a two-sided test of rates p₁ and
/// p₂ at `alpha` has `power` (Fleiss 1981, Statistical Methods for Rates and Proportions, 3.2,
/// without continuity correction; from memory):
///
/// n = (z₁₋α⁄₂·√(2p̄(1−p̄)) + z_power·√(p₁(1−p₁) + p₂(1−p₂)))² ÷ (p₁ − p₂)², p̄ = (p₁ + p₂)/2.
///
/// The answer is not rounded up. The chance of a claim on the wrong side is left out, as usual.
///
/// ```
/// # use analysis::stats::sample_size::pieces_per_arm;
/// // R's example of power.prop.test: 0.50 and 0.75 at a power of 0.90 need 76.7.
/// let n = pieces_per_arm(0.50, 0.75, 0.05, 0.90).unwrap();
/// assert!((n - 76.7).abs() < 0.05);
/// ```
///
/// # Errors
/// [`StatsError::Argument`] for rates outside 0–1 or equal ones, and for an `alpha` or a `power`
/// that no test has.
pub fn pieces_per_arm(first: f64, second: f64, alpha: f64, power: f64) -> Result<f64, StatsError> {
    sound(first, second, alpha)?;
    let quantiles = normal_quantile(1.0 - alpha / 2.0).zip(normal_quantile(power));
    let (Some((z_alpha, z_power)), true) = (quantiles, power >= 0.5) else {
        return Err(StatsError::Argument(format!(
            "the chance of finding a difference is at least 0.5 and under 1, not {power}"
        )));
    };
    let (null, apart) = spreads(first, second);
    Ok(((z_alpha * null + z_power * apart) / (first - second)).powi(2))
}

/// √(2p̄(1−p̄)) and √(p₁(1−p₁) + p₂(1−p₂)).
fn spreads(first: f64, second: f64) -> (f64, f64) {
    let middle = f64::midpoint(first, second);
    (
        (2.0 * middle * (1.0 - middle)).sqrt(),
        (first * (1.0 - first) + second * (1.0 - second)).sqrt(),
    )
}

/// The power of that test with `pieces` independent pieces in each arm:
/// Φ((√n·|p₁ − p₂| − z₁₋α⁄₂·√(2p̄(1−p̄))) ÷ √(p₁(1−p₁) + p₂(1−p₂))).
///
/// # Errors
/// As [`pieces_per_arm`], and for a number of pieces that is not above 0.
pub fn power_with(first: f64, second: f64, alpha: f64, pieces: f64) -> Result<f64, StatsError> {
    sound(first, second, alpha)?;
    if !(pieces > 0.0 && pieces.is_finite()) {
        return Err(StatsError::Argument(format!(
            "a test needs pieces, not {pieces} of them"
        )));
    }
    let (null, apart) = spreads(first, second);
    let gap = pieces.sqrt() * (first - second).abs();
    let z = normal_quantile(1.0 - alpha / 2.0).map(|z| gap - z * null);
    z.and_then(|z| {
        // One rate 0 and the other 1: no piece can be other than its arm's.
        if apart > 0.0 {
            normal_below(z / apart)
        } else {
            Some(if z > 0.0 { 1.0 } else { 0.0 })
        }
    })
    .ok_or_else(|| StatsError::Argument("the power of this test has no answer".to_owned()))
}

/// Flasks that each arm needs: independent pieces × design effect ÷ pieces a flask, rounded up.
/// `design_effect` is that of pieces within flasks once sessions are held equal; under 1 it
/// counts as 1.
///
/// # Errors
/// [`StatsError::Argument`] when flasks have no pieces or the number is beyond counting.
pub fn flasks_per_arm(
    pieces: f64,
    design_effect: f64,
    pieces_per_flask: f64,
) -> Result<u32, StatsError> {
    let flasks = (pieces * design_effect.max(1.0) / pieces_per_flask).ceil();
    if !(pieces_per_flask > 0.0 && (0.0..1e6).contains(&flasks)) {
        return Err(StatsError::Argument(format!(
            "{pieces:.0} pieces at {pieces_per_flask} a flask are not a number of flasks"
        )));
    }
    // Bounded above just now.
    Ok((flasks as u32).max(1))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// R 4.2.2 `power.prop.test` (the first row is the example of its help page, printed there
    /// as 76.7) and the formula of Fleiss 1981 in Python, which agree to all digits;
    /// `tests/reference` computes them again.
    #[test]
    fn sizes_are_those_of_other_packages() {
        for (p1, p2, power, n) in [
            (0.5, 0.75, 0.9, 76.706_928_45),
            (0.25, 0.4, 0.8, 151.868_862_1),
            (0.05, 0.1, 0.8, 434.432_022_4),
            (0.05, 0.02, 0.9, 786.561_292_1),
            (0.1, 0.05, 0.8, 434.432_022_4),
        ] {
            let ours = pieces_per_arm(p1, p2, 0.05, power).unwrap();
            assert!((ours / n - 1.0).abs() < 1e-9, "{p1} {p2}: {ours}");
        }
    }

    /// R 4.2.2 `power.prop.test(n = …)`.
    #[test]
    fn power_at_a_given_size_is_that_of_another_package() {
        for (p1, p2, n, power) in [
            (0.05, 0.1, 200.0, 0.475_310_253),
            (0.1, 0.05, 100.0, 0.267_479_784),
            (0.5, 0.75, 50.0, 0.740_165_901),
        ] {
            let ours = power_with(p1, p2, 0.05, n).unwrap();
            assert!((ours - power).abs() < 1e-8, "{p1} {p2}: {ours}");
        }
    }

    #[test]
    fn alike_pieces_need_more_flasks() {
        assert_eq!(flasks_per_arm(434.4, 1.0, 24.0), Ok(19));
        assert_eq!(flasks_per_arm(434.4, 2.5, 24.0), Ok(46));
        assert_eq!(flasks_per_arm(434.4, 0.3, 24.0), Ok(19));
        assert!(flasks_per_arm(434.4, 1.0, 0.0).is_err());
        assert!(flasks_per_arm(f64::NAN, 1.0, 24.0).is_err());
    }

    #[test]
    fn what_no_test_can_do_is_said() {
        let said = |e: Result<f64, StatsError>| e.unwrap_err().to_string();
        assert!(said(pieces_per_arm(0.1, 0.1, 0.05, 0.8)).starts_with("two equal rates"));
        assert!(said(pieces_per_arm(0.1, 1.2, 0.05, 0.8)).starts_with("rates lie"));
        assert!(said(pieces_per_arm(0.1, 0.2, 0.0, 0.8)).starts_with("the chance of a false"));
        assert!(said(pieces_per_arm(0.1, 0.2, 0.05, 1.0)).starts_with("the chance of finding"));
        assert!(pieces_per_arm(f64::NAN, 0.2, 0.05, 0.8).is_err());
        assert!(power_with(0.1, 0.2, 0.05, 0.0).is_err());
        assert_eq!(power_with(0.0, 1.0, 0.05, 1000.0), Ok(1.0));
    }

    proptest! {
        #[test]
        fn the_size_for_a_power_has_that_power(p1 in 0.001..0.5f64, p2 in 0.5..0.999f64, alpha in 0.001..0.2f64, power in 0.5..0.99f64) {
            prop_assume!(p2 - p1 > 0.01);
            let n = pieces_per_arm(p1, p2, alpha, power).unwrap();
            let back = power_with(p1, p2, alpha, n).unwrap();
            prop_assert!((back - power).abs() < 1e-9, "{back} {power}");
        }
    }
}

//! How a stream of inert gas, or rounds of pumping down and letting gas in, thin out the air of
//! a chamber, and what a leak leaves for good.
//!
//! The formulas are for a well-mixed chamber and any one constituent, such as oxygen. Dead
//! corners need longer, a stream that pushes the air out ahead of it needs less; what is left
//! near the metal is known only by measuring it. Flow and volume are at the same pressure and
//! temperature: cold gas into a hot chamber swells by the ratio of the absolute temperatures.

/// What is left of a share after a purge: C = C₀ · e^(−Q·t/V) (dilution of a well-mixed volume,
/// any textbook of ventilation). In the unit of `start`; `None` unless flow and time are at
/// least 0, the volume is positive and all are finite.
///
/// ```
/// # use analysis::gas::purge::left_after;
/// // Three changes of a 4 L chamber leave about 1 % of oxygen.
/// let percent = left_after(20.9, 12.0, 1.0, 4.0).unwrap();
/// assert!((percent - 1.04).abs() < 0.01);
/// ```
pub fn left_after(start: f64, flow_l_min: f64, minutes: f64, volume_l: f64) -> Option<f64> {
    let changes = flow_l_min * minutes / volume_l;
    (flow_l_min >= 0.0 && minutes >= 0.0 && volume_l > 0.0 && changes.is_finite())
        .then(|| start * (-changes).exp())
}

/// Chamber volumes of gas that bring a share from `start` down to `aim`: n = ln(C₀/C). `None`
/// unless 0 < `aim` ≤ `start`.
pub fn volumes_needed(start: f64, aim: f64) -> Option<f64> {
    (aim > 0.0 && aim <= start && start.is_finite()).then(|| (start / aim).ln())
}

/// Minutes of purging that bring a share from `start` down to `aim`; `None` as
/// [`volumes_needed`], and unless flow and volume are positive.
pub fn minutes_needed(start: f64, aim: f64, flow_l_min: f64, volume_l: f64) -> Option<f64> {
    let minutes = volumes_needed(start, aim)? * volume_l / flow_l_min;
    (flow_l_min > 0.0 && volume_l > 0.0 && minutes.is_finite()).then_some(minutes)
}

/// What is left after `rounds` of pumping down from `high_kpa` to `low_kpa` and letting inert
/// gas in again (absolute pressures): C = C₀ · (p_low/p_high)ⁿ. `None` unless
/// 0 ≤ low ≤ high and high is positive.
pub fn left_after_rounds(start: f64, low_kpa: f64, high_kpa: f64, rounds: u32) -> Option<f64> {
    let each = low_kpa / high_kpa;
    (high_kpa > 0.0 && (0.0..=1.0).contains(&each)).then(|| start * each.powf(f64::from(rounds)))
}

/// What a leak of air keeps in a purged chamber however long the purge: C = C_air · q/(q + Q)
/// (balance of a well-mixed volume). `None` unless both flows are at least 0 and one is
/// positive.
pub fn floor_by_leak(in_air: f64, leak_l_min: f64, flow_l_min: f64) -> Option<f64> {
    let share = leak_l_min / (leak_l_min + flow_l_min);
    (leak_l_min >= 0.0 && flow_l_min >= 0.0 && share.is_finite()).then_some(in_air * share)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::OXYGEN_IN_AIR_PERCENT;
    use super::*;
    use proptest::prelude::*;

    /// Number of volumes from the law itself: ln(20.9/C).
    #[test]
    fn thinning_out_takes_more_volumes_than_one_thinks() {
        for (percent, volumes) in [
            (5.0, 1.4),
            (1.0, 3.0),
            (0.5, 3.7),
            (0.1, 5.3),
            (0.05, 6.0),
            (0.01, 7.6),
            (0.001, 9.9),
        ] {
            let n = volumes_needed(OXYGEN_IN_AIR_PERCENT, percent).unwrap();
            assert!((n - volumes).abs() < 0.06, "{percent} %: {n}");
        }
        // 4 L at 8 L/min to 1 %: 3.04 volumes, 1.52 min.
        let minutes = minutes_needed(OXYGEN_IN_AIR_PERCENT, 1.0, 8.0, 4.0).unwrap();
        assert!((minutes - 1.52).abs() < 0.005, "{minutes}");
    }

    /// To 50 mbar and back to 1013 mbar: 1.03 % of oxygen after one round, 0.051 % after two;
    /// to 100 mbar 2.06 and 0.20 %.
    #[test]
    fn pumping_down_and_letting_gas_in_is_quicker() {
        for (low_kpa, rounds, percent) in [
            (5.0, 1, 1.03),
            (5.0, 2, 0.051),
            (10.0, 1, 2.06),
            (10.0, 2, 0.20),
        ] {
            let left = left_after_rounds(20.9, low_kpa, 101.3, rounds).unwrap();
            assert!(
                (left / percent - 1.0).abs() < 0.02,
                "{low_kpa} {rounds} {left}"
            );
        }
    }

    #[test]
    fn a_leak_sets_a_floor_that_no_patience_gets_under() {
        // A tenth of the purge leaks in: a eleventh of the air stays.
        let floor = floor_by_leak(20.9, 0.5, 5.0).unwrap();
        assert!((floor - 1.9).abs() < 1e-9);
        assert_eq!(floor_by_leak(20.9, 0.0, 5.0), Some(0.0));
        assert_eq!(floor_by_leak(20.9, 0.0, 0.0), None);
    }

    #[test]
    fn nonsense_gives_no_answer() {
        assert_eq!(left_after(20.9, 5.0, 1.0, 0.0), None);
        assert_eq!(left_after(20.9, f64::NAN, 1.0, 4.0), None);
        assert_eq!(volumes_needed(20.9, 0.0), None);
        assert_eq!(volumes_needed(20.9, 25.0), None);
        assert_eq!(minutes_needed(20.9, 1.0, 0.0, 4.0), None);
        assert_eq!(left_after_rounds(20.9, 110.0, 101.3, 1), None);
    }

    proptest! {
        /// Purging twice is purging for the sum of the times, and the time that is asked for is
        /// the time that does it.
        #[test]
        fn a_purge_can_be_split_and_reckoned_backwards(
            flow in 0.1..50.0_f64, volume in 0.5..40.0_f64,
            first in 0.0..3.0_f64, second in 0.0..3.0_f64, aim in 0.001..20.9_f64,
        ) {
            let half = left_after(20.9, flow, first, volume).unwrap();
            let both = left_after(half, flow, second, volume).unwrap();
            let once = left_after(20.9, flow, first + second, volume).unwrap();
            prop_assert!((both - once).abs() < 1e-9);
            let minutes = minutes_needed(20.9, aim, flow, volume).unwrap();
            let left = left_after(20.9, flow, minutes, volume).unwrap();
            prop_assert!((left / aim - 1.0).abs() < 1e-9);
        }
    }
}

//! How far a thermocouple can be trusted: the tolerance of new wire by type and class, and the
//! smallest difference between pours that the same probe, or another, can tell.
//!
//! Tolerances are a promise about new wire. Base-metal couples drift in use, mostly reading low
//! in a graphite crucible under gas, and where the tip sits matters more than the wire; so a
//! value against a book or another shop is good to some 15 K at best (common practice), while
//! pour against pour of one probe in one place repeats to a few.

use serde::{Deserialize, Serialize};

/// What one probe in one position repeats to from pour to pour, as a standard deviation, K.
/// Common practice: 1 to 3 K.
pub const REPEATABILITY_SD_K: f64 = 2.0;

/// Standard deviations that two figures must be apart to be told apart: 1.96, 95 % of a normal
/// distribution (JCGM 100:2008, table G.1).
const COVERAGE: f64 = 1.96;

/// The smallest difference between two single pours that one probe can tell, K:
/// [`tells_apart_k`] of one and one, 1.96 · 2 · √2.
pub const ONE_AGAINST_ONE_K: f64 = COVERAGE * REPEATABILITY_SD_K * std::f64::consts::SQRT_2;

/// A letter-designated thermocouple of IEC 60584-1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Type {
    /// Nickel-chromium against nickel-aluminium: the common one at the bench.
    K,
    /// Nickel-chromium-silicon against nickel-silicon.
    N,
    /// Platinum-10 % rhodium against platinum.
    S,
    /// Platinum-13 % rhodium against platinum.
    R,
    /// Platinum-30 % rhodium against platinum-6 % rhodium.
    B,
    /// Iron against copper-nickel.
    J,
    /// Nickel-chromium against copper-nickel.
    E,
    /// Copper against copper-nickel.
    T,
}

/// A tolerance class of IEC 60584-1, 1 the narrowest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Class {
    /// Class 1.
    One,
    /// Class 2, what wire is unless it says otherwise.
    Two,
    /// Class 3, for use below 40 °C; for type B the wider one at heat.
    Three,
}

/// The tolerance of new wire, ±K, at a junction temperature; `None` outside the range in which
/// the class promises anything.
///
/// IEC 60584-1:2013, table 12 (tolerance classes), as two independent published copies give
/// it: the larger of a fixed value and a share of |t|, reference junction at 0 °C. Types R and
/// S class 1 are ±1 K up to 1100 °C and ±[1 + 0.003·(t − 1100)] K beyond.
///
/// ```
/// # use analysis::thermocouple::*;
/// assert_eq!(tolerance_k(Type::S, Class::One, 950.0), Some(1.0));
/// // Class 1 of type K ends at 1000 °C.
/// assert_eq!(tolerance_k(Type::K, Class::One, 1010.0), None);
/// ```
pub fn tolerance_k(kind: Type, class: Class, celsius: f64) -> Option<f64> {
    use Class::{One, Three, Two};
    use Type::{B, E, J, K, N, R, S, T};
    // From, to (°C), the least (K), and the share of |t|.
    let (from, to, least_k, share) = match (kind, class) {
        (K | N, One) => (-40.0, 1000.0, 1.5, 0.004),
        (E, One) => (-40.0, 800.0, 1.5, 0.004),
        (J, One) => (-40.0, 750.0, 1.5, 0.004),
        (T, One) => (-40.0, 350.0, 0.5, 0.004),
        (R | S, One) => (0.0, 1600.0, 1.0, 0.0),
        (K | N, Two) => (-40.0, 1200.0, 2.5, 0.0075),
        (E, Two) => (-40.0, 900.0, 2.5, 0.0075),
        (J, Two) => (-40.0, 750.0, 2.5, 0.0075),
        (T, Two) => (-40.0, 350.0, 1.0, 0.0075),
        (R | S, Two) => (0.0, 1600.0, 1.5, 0.0025),
        (B, Two) => (600.0, 1700.0, 1.5, 0.0025),
        (K | N | E, Three) => (-200.0, 40.0, 2.5, 0.015),
        (T, Three) => (-200.0, 40.0, 1.0, 0.015),
        (B, Three) => (600.0, 1700.0, 4.0, 0.005),
        (B, One) | (J | R | S, Three) => return None,
    };
    if !(from..=to).contains(&celsius) {
        return None;
    }
    let beyond = match (kind, class) {
        (R | S, One) => 0.003 * (celsius - 1100.0).max(0.0),
        _ => 0.0,
    };
    Some((share * celsius.abs()).max(least_k) + beyond)
}

/// Standard uncertainty of a reading by new wire, K: the tolerance as a rectangular
/// distribution (÷ √3; JCGM 100:2008, 4.3.7). `None` as [`tolerance_k`].
pub fn standard_uncertainty_k(kind: Type, class: Class, celsius: f64) -> Option<f64> {
    tolerance_k(kind, class, celsius).map(|k| k / 3.0_f64.sqrt())
}

/// Standard uncertainty of a probe about which nothing is written down, K: type K class 2, its
/// share of |t| kept up beyond 1200 °C.
pub fn unknown_probe_uncertainty_k(celsius: f64) -> f64 {
    standard_uncertainty_k(Type::K, Class::Two, celsius)
        .unwrap_or_else(|| (0.0075 * celsius.abs()).max(2.5) / 3.0_f64.sqrt())
}

/// The smallest difference between two means of pour temperatures, of `first` and `second`
/// pours by the same probe in the same place, that is more than its own scatter, K:
/// 1.96 · s · √(1/n₁ + 1/n₂) with s = [`REPEATABILITY_SD_K`]. None of either: infinity.
pub fn tells_apart_k(first: u32, second: u32) -> f64 {
    let each = |n: u32| 1.0 / f64::from(n);
    COVERAGE * REPEATABILITY_SD_K * (each(first) + each(second)).sqrt()
}

/// The same across a change of probe at about this temperature: the tolerance of either wire
/// adds and no number of pours averages it away.
pub fn tells_apart_across_probes_k(first: u32, second: u32, celsius: f64) -> f64 {
    let wire_k = unknown_probe_uncertainty_k(celsius);
    let each = |n: u32| 1.0 / f64::from(n);
    let scatter = REPEATABILITY_SD_K.powi(2) * (each(first) + each(second));
    COVERAGE * (scatter + 2.0 * wire_k * wire_k).sqrt()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// IEC 60584-1 tolerances as published tables print them, at 700, 950, 1000, 1050 and
    /// 1100 °C.
    #[test]
    fn tolerances_are_those_of_the_standard() {
        use Class::{One, Three, Two};
        use Type::{B, K, N, R, S};
        type Printed = (&'static [Type], Class, [Option<f64>; 5]);
        let table: [Printed; 6] = [
            (&[K, N], One, [Some(2.8), Some(3.8), Some(4.0), None, None]),
            (
                &[K, N],
                Two,
                [Some(5.25), Some(7.125), Some(7.5), Some(7.875), Some(8.25)],
            ),
            (&[R, S], One, [Some(1.0); 5]),
            (
                &[R, S],
                Two,
                [Some(1.75), Some(2.375), Some(2.5), Some(2.625), Some(2.75)],
            ),
            (
                &[B],
                Two,
                [Some(1.75), Some(2.375), Some(2.5), Some(2.625), Some(2.75)],
            ),
            (
                &[B],
                Three,
                [Some(4.0), Some(4.75), Some(5.0), Some(5.25), Some(5.5)],
            ),
        ];
        for (kinds, class, printed) in table {
            for kind in kinds {
                for (celsius, printed) in [700.0, 950.0, 1000.0, 1050.0, 1100.0].iter().zip(printed)
                {
                    let ours = tolerance_k(*kind, class, *celsius);
                    let same = match (ours, printed) {
                        (Some(ours), Some(printed)) => (ours - printed).abs() < 1e-9,
                        (ours, printed) => ours == printed,
                    };
                    assert!(same, "{kind:?} {class:?} {celsius}: {ours:?} {printed:?}");
                }
            }
        }
        // Beyond 1100 °C: 1 + 0.003·(1600 − 1100).
        assert_eq!(tolerance_k(S, One, 1600.0), Some(2.5));
        assert_eq!(tolerance_k(K, Two, 100.0), Some(2.5));
        assert_eq!(
            tolerance_k(B, Two, 500.0),
            None,
            "type B promises nothing there"
        );
        assert_eq!(tolerance_k(K, Two, f64::NAN), None);
    }

    #[test]
    fn a_narrower_class_is_never_wider() {
        use Type::{B, E, J, K, N, R, S, T};
        for kind in [K, N, S, R, J, E, T] {
            for celsius in (0..=1600).step_by(25).map(f64::from) {
                let of = |class| tolerance_k(kind, class, celsius);
                if let (Some(one), Some(two)) = (of(Class::One), of(Class::Two)) {
                    assert!(one <= two, "{kind:?} at {celsius}");
                }
            }
        }
        assert_eq!(
            tolerance_k(B, Class::One, 900.0),
            None,
            "there is no such class"
        );
    }

    /// Type K class 2 at 700 °C is ±5.25 K: 5.25/√3 = 3.03.
    #[test]
    fn a_probe_nobody_described_is_as_sure_as_common_wire() {
        assert!((unknown_probe_uncertainty_k(700.0) - 3.03).abs() < 0.01);
        assert!((unknown_probe_uncertainty_k(20.0) - 1.44).abs() < 0.01);
        assert!(unknown_probe_uncertainty_k(1300.0) > 5.6);
    }

    /// Common practice: 5 to 10 K is resolvable on average of several pours of one probe; against
    /// another probe less than about 15 K means nothing.
    #[test]
    fn five_kelvin_is_a_difference_only_for_several_pours_of_one_probe() {
        assert!((tells_apart_k(1, 1) - ONE_AGAINST_ONE_K).abs() < 1e-12);
        assert!(tells_apart_k(1, 1) > 5.0);
        assert!(tells_apart_k(6, 6) < 2.5);
        let across = tells_apart_across_probes_k(6, 6, 968.0);
        assert!((10.0..17.0).contains(&across), "{across}");
        assert!(tells_apart_across_probes_k(1_000_000, 1_000_000, 968.0) > 10.0);
        assert_eq!(tells_apart_k(0, 5), f64::INFINITY);
    }
}

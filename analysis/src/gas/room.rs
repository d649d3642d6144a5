//! Oxygen in a room that inert gas escapes into: at once from a cylinder that empties, or for
//! hours from a flow. For cautions and planning only: the figures assume a mixed room, and
//! where the gas comes out, in pits and in the chamber itself there is less. Inert gas gives no
//! warning: no smell, no choking. A reckoned figure never replaces an oxygen monitor, and
//! pourbook is no interlock.

use super::OXYGEN_IN_AIR_PERCENT;

/// Below this the air is oxygen-deficient, % by volume (29 CFR 1910.146(b); also 1910.134).
pub const DEFICIENT_PERCENT: f64 = 19.5;

/// Oxygen after a cylinder's gas got into a closed room, % by volume.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Emptied {
    /// If the gas drives out its own volume of air and no more: C = 20.9 · (1 − V_gas/V_room).
    /// The cautious figure.
    pub displaced_percent: f64,
    /// If it mixes with the air while it drives it out: C = 20.9 · e^(−V_gas/V_room).
    pub mixed_percent: f64,
}

/// Oxygen if `gas_l` litres (at the room's pressure and temperature) got into a closed room of
/// `room_m3` at once. `None` unless the room has a volume and the gas is at least 0.
///
/// ```
/// # use analysis::gas::room::if_emptied;
/// // 10 m³ into 30 m³: far below what is safe to breathe.
/// let oxygen = if_emptied(10_000.0, 30.0).unwrap();
/// assert!((oxygen.displaced_percent - 13.9).abs() < 0.05);
/// ```
pub fn if_emptied(gas_l: f64, room_m3: f64) -> Option<Emptied> {
    let share = gas_l / 1000.0 / room_m3;
    (gas_l >= 0.0 && room_m3 > 0.0 && share.is_finite()).then(|| Emptied {
        displaced_percent: OXYGEN_IN_AIR_PERCENT * (1.0 - share).max(0.0),
        mixed_percent: OXYGEN_IN_AIR_PERCENT * (-share).exp(),
    })
}

/// Oxygen that a room settles to while gas flows into it and `changes_h` room volumes an hour
/// leave it, % by volume: C = 20.9 · (1 − q/(n·V)). 0 where more gas comes than air leaves.
/// `None` unless the flow is at least 0 and room and air changes are positive.
pub fn settles_at(flow_l_min: f64, room_m3: f64, changes_h: f64) -> Option<f64> {
    let share = flow_l_min * 60.0 / 1000.0 / (room_m3 * changes_h);
    (flow_l_min >= 0.0 && room_m3 > 0.0 && changes_h > 0.0 && share.is_finite())
        .then(|| OXYGEN_IN_AIR_PERCENT * (1.0 - share).max(0.0))
}

/// Hours until a closed, unventilated room is down to [`DEFICIENT_PERCENT`]:
/// t = ln(20.9/19.5) · V/q. `None` unless room and flow are positive.
pub fn hours_to_deficient(flow_l_min: f64, room_m3: f64) -> Option<f64> {
    let hours =
        (OXYGEN_IN_AIR_PERCENT / DEFICIENT_PERCENT).ln() * room_m3 / (flow_l_min * 60.0 / 1000.0);
    (flow_l_min > 0.0 && room_m3 > 0.0 && hours.is_finite()).then_some(hours)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// Worked from the two laws: 10 m³ into 30 m³ gives 13.9 % (15.0 mixed), into 50 m³ 16.7 %;
    /// 4 m³ into 50 m³ 19.2 %.
    #[test]
    fn a_cylinder_that_empties_takes_a_small_rooms_air() {
        for (gas_l, room_m3, displaced) in [
            (10_000.0, 30.0, 13.9),
            (10_000.0, 50.0, 16.7),
            (4_000.0, 50.0, 19.2),
        ] {
            let oxygen = if_emptied(gas_l, room_m3).unwrap();
            assert!(
                (oxygen.displaced_percent - displaced).abs() < 0.05,
                "{oxygen:?}"
            );
            assert!(oxygen.displaced_percent < DEFICIENT_PERCENT);
            assert!(oxygen.mixed_percent > oxygen.displaced_percent);
        }
        let mixed = if_emptied(10_000.0, 30.0).unwrap().mixed_percent;
        assert!((mixed - 15.0).abs() < 0.05, "{mixed}");
        assert_eq!(if_emptied(50_000.0, 30.0).unwrap().displaced_percent, 0.0);
    }

    /// 10 L/min into 30 m³: 19.5 % at 0.3 air changes an hour, 20.5 % at one; closed, 3.5 h to
    /// 19.5 %.
    #[test]
    fn a_cover_flow_needs_a_little_air() {
        assert!((settles_at(10.0, 30.0, 0.3).unwrap() - 19.5).abs() < 0.05);
        assert!((settles_at(10.0, 30.0, 1.0).unwrap() - 20.5).abs() < 0.05);
        assert!((hours_to_deficient(10.0, 30.0).unwrap() - 3.5).abs() < 0.05);
    }

    #[test]
    fn no_room_no_answer() {
        assert_eq!(if_emptied(1000.0, 0.0), None);
        assert_eq!(if_emptied(f64::NAN, 30.0), None);
        assert_eq!(settles_at(5.0, 30.0, 0.0), None);
        assert_eq!(hours_to_deficient(0.0, 30.0), None);
    }
}

//! Which flask gets which temperature. Lots are drawn in pairs of neighbours within a session, so
//! that each session holds both temperatures and early and late flasks of it are alike; and
//! every second session mirrors the one before, so that each place in the session's order gets
//! both. The draws follow from the trial's seed alone: asking again gives the same lots.

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;

use super::Arm;

/// One flask's lot.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lot {
    /// The temperature it is poured at.
    pub arm: Arm,
    /// Which draw decided it: flasks with one number had their temperatures settled by one and
    /// the same toss, up to four of them (a pair and its mirror). The analysis tosses these again.
    pub draw: u64,
}

/// The lot of the flask in place `place` (from 0) of the trial's session number `session`
/// (from 0). Places (0, 1), (2, 3), … are pairs of which a fair coin decides who is tried;
/// session 2k+1 has the mirror of session 2k.
///
/// ```
/// # use analysis::evidence::trial::lots::lot;
/// let (first, second) = (lot(7, 0, 0), lot(7, 0, 1));
/// assert_eq!(first.arm, second.arm.other());
/// assert_eq!(first.arm, lot(7, 1, 0).arm.other());
/// ```
pub fn lot(seed: u64, session: u32, place: u32) -> Lot {
    let draw = (u64::from(session / 2) << 32) | u64::from(place / 2);
    // One generator a draw, so that no lot depends on how many were asked for before.
    let mut chance = Pcg64::seed_from_u64(seed ^ mixed(draw));
    let tried_first = chance.random::<bool>();
    let mirrored = session % 2 == 1;
    let second_of_pair = place % 2 == 1;
    let tried = tried_first ^ mirrored ^ second_of_pair;
    Lot {
        arm: if tried { Arm::Tried } else { Arm::Usual },
        draw,
    }
}

/// SplitMix64's finaliser, which spreads neighbouring numbers over all bits (Steele, Lea & Flood
/// 2014, OOPSLA; constants from memory).
fn mixed(mut z: u64) -> u64 {
    z = z.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_coin_is_fair_and_neighbouring_draws_are_unlike() {
        let first =
            |seed: u64, pair: u32, session: u32| lot(seed, session, 2 * pair).arm == Arm::Tried;
        let mut tried = 0;
        let mut alike = 0;
        for seed in 0..100_u64 {
            for session in (0..20).step_by(2) {
                for pair in 0..4 {
                    tried += u32::from(first(seed, pair, session));
                    alike +=
                        u32::from(first(seed, pair, session) == first(seed, pair + 1, session));
                }
            }
        }
        // 2000 of 4000 expected of both; four standard errors are 126.
        assert!(tried.abs_diff(2000) < 126, "{tried}");
        assert!(alike.abs_diff(2000) < 126, "{alike}");
    }

    proptest! {
        #[test]
        fn sessions_hold_both_and_places_get_both(seed in any::<u64>(), session in 0u32..500, flasks in 1u32..12) {
            let tried = |s: u32| (0..flasks).filter(|p| lot(seed, s, *p).arm == Arm::Tried).count() as u32;
            let here = tried(session);
            prop_assert!(here.abs_diff(flasks - here) <= 1);
            let even = session - session % 2;
            prop_assert_eq!(tried(even) + tried(even + 1), flasks);
            for place in 0..flasks {
                let (a, b) = (lot(seed, even, place), lot(seed, even + 1, place));
                prop_assert_eq!(a.arm, b.arm.other());
                prop_assert_eq!(a.draw, b.draw);
            }
        }
    }
}

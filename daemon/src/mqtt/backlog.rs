//! Which messages without a time of their own come out of a store rather than off the sensor.
//! A pure state machine over the arrivals of one topic of one sender. What it flags is kept, but
//! its arrival says nothing about when it was measured, so no detector may see it.
//!
//! The rule: a sensor that reports at a regular spacing was silent for several of its spacings
//! (at least [`SILENCE_S`]) and comes back. The first message, and those that follow much faster
//! than the usual spacing, are its store, until three in a row keep the usual spacing again, or
//! until more came than the silence can have held: then the sensor simply reports faster now. A
//! message marked as sent before (DUP) is always flagged. A sensor without a regular spacing (a
//! switch that reports changes) has no usual, so only DUP flags it.

use std::collections::VecDeque;

use analysis::time::Micros;

/// A silence shorter than this shifts readings too little to matter, s.
pub const SILENCE_S: i64 = 5;
/// Spacings that say what is usual.
const REMEMBERED: usize = 16;
/// … of which at least this many must be known.
const LEAST: usize = 8;
/// In-time messages in a row that end a burst.
const CALM: u8 = 3;

/// The arrivals of one topic of one sender.
#[derive(Debug, Clone, Default)]
pub struct Backlog {
    last: Option<(i64, u64)>,
    spacings: VecDeque<i64>,
    burst: Option<Burst>,
}

#[derive(Debug, Clone)]
struct Burst {
    usual: i64,
    /// How many more messages the silence can have held.
    room: i64,
    /// Whether anything has yet come faster than usual.
    fast: bool,
    calm: u8,
}

impl Backlog {
    /// Takes note of a message that came at `at` (µs, on a clock that never steps) over
    /// `connection`, and says whether its arrival is no guide to its time.
    pub fn observe(&mut self, at: i64, connection: u64, dup: bool) -> bool {
        let Some((last, last_connection)) = self.last.replace((at, connection)) else {
            return dup;
        };
        let spacing = (at - last).max(0);
        if dup {
            return true;
        }
        match self.burst.take() {
            Some(burst) => self.in_burst(burst, spacing),
            None => self.after(spacing, connection != last_connection),
        }
    }

    /// The usual spacing, µs, if there is one.
    pub fn usual(&self) -> Option<i64> {
        if self.spacings.len() < LEAST {
            return None;
        }
        let mut sorted: Vec<i64> = self.spacings.iter().copied().collect();
        sorted.sort_unstable();
        let at = |share: usize| sorted[sorted.len() * share / 4];
        let regular = at(1) > 0 && at(3) <= 2 * at(1);
        regular.then(|| at(2))
    }

    fn after(&mut self, spacing: i64, reconnected: bool) -> bool {
        if let Some(usual) = self.usual() {
            // Over one connection, one lost or delayed message is nothing; a new connection
            // says that something was missed.
            let missed = if reconnected {
                usual * 3 / 2
            } else {
                usual * 3
            };
            if spacing >= missed.max(SILENCE_S * Micros::PER_SECOND) {
                self.burst = Some(Burst {
                    usual,
                    room: spacing / usual * 6 / 5 + 5,
                    fast: false,
                    calm: 0,
                });
                return true;
            }
        }
        self.spacings.push_back(spacing);
        if self.spacings.len() > REMEMBERED {
            self.spacings.pop_front();
        }
        false
    }

    fn in_burst(&mut self, mut burst: Burst, spacing: i64) -> bool {
        if spacing < burst.usual / 4 {
            burst.fast = true;
            burst.calm = 0;
            burst.room -= 1;
            if burst.room <= 0 {
                // More than the silence can have held: what was usual no longer is.
                self.spacings.clear();
                return false;
            }
        } else {
            burst.calm += 1;
            if !burst.fast || burst.calm >= CALM {
                return false;
            }
        }
        self.burst = Some(burst);
        true
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SECOND: i64 = Micros::PER_SECOND;

    /// A stream that has reported once a second for a minute over connection 1.
    fn one_a_second() -> (Backlog, i64) {
        let mut backlog = Backlog::default();
        for s in 0..=60 {
            assert!(!backlog.observe(s * SECOND, 1, false));
        }
        (backlog, 60 * SECOND)
    }

    #[test]
    fn a_steady_sensor_is_never_flagged() {
        let (backlog, _) = one_a_second();
        assert_eq!(backlog.usual(), Some(SECOND));
    }

    #[test]
    fn a_store_emptied_after_an_outage_is_flagged_to_its_end() {
        let (mut backlog, t) = one_a_second();
        let back = t + 300 * SECOND;
        for i in 0..300 {
            // In mid-burst the network hiccups for a second.
            let hiccup = if i >= 150 { SECOND } else { 0 };
            assert!(
                backlog.observe(back + i * 10_000 + hiccup, 2, false),
                "message {i} of the store"
            );
        }
        let live = back + 4 * SECOND + SECOND;
        let flagged: Vec<bool> = (1..=6)
            .map(|s| backlog.observe(live + s * SECOND, 2, false))
            .collect();
        assert_eq!(flagged, [true, true, false, false, false, false]);
    }

    #[test]
    fn a_sensor_without_a_store_loses_one_reading_to_doubt() {
        let (mut backlog, t) = one_a_second();
        let back = t + 40 * SECOND;
        let flagged: Vec<bool> = (0..5)
            .map(|s| backlog.observe(back + s * SECOND, 2, false))
            .collect();
        assert_eq!(flagged, [true, false, false, false, false]);
    }

    #[test]
    fn a_sensor_that_now_reports_ten_times_as_often_is_believed_in_the_end() {
        let (mut backlog, t) = one_a_second();
        let back = t + 20 * SECOND;
        let flagged = (0..100)
            .filter(|i| backlog.observe(back + i * SECOND / 10, 2, false))
            .count();
        assert_eq!(flagged, 20 * 6 / 5 + 5);
        assert_eq!(backlog.usual(), Some(SECOND / 10));
    }

    #[test]
    fn a_stopper_that_reports_only_changes_is_believed() {
        let mut backlog = Backlog::default();
        let mut at = 0;
        for (i, gap_ms) in [800, 190_000, 650, 300_000, 900, 45_000, 1200, 600_000]
            .iter()
            .cycle()
            .take(60)
            .enumerate()
        {
            at += gap_ms * 1000;
            // Each casting is a connection of its own.
            assert!(!backlog.observe(at, i as u64 / 8, false));
        }
        assert_eq!(backlog.usual(), None);
    }

    #[test]
    fn what_is_marked_as_sent_before_is_flagged() {
        let (mut backlog, t) = one_a_second();
        assert!(backlog.observe(t + SECOND / 2, 1, true));
        assert!(Backlog::default().observe(0, 1, true));
    }

    #[test]
    fn a_short_break_is_nothing() {
        let (mut backlog, t) = one_a_second();
        assert!(!backlog.observe(t + 4 * SECOND, 2, false));
    }

    proptest! {
        /// However it goes, a regular sensor that stays regular is heard again soon: a burst
        /// cannot last for ever.
        #[test]
        fn no_sensor_is_shut_out(
            silence_s in 5i64..5_000,
            faster in 1i64..50,
        ) {
            let (mut backlog, t) = one_a_second();
            let back = t + silence_s * SECOND;
            let flagged = (0..silence_s * 2 + 20)
                .filter(|i| backlog.observe(back + i * SECOND / faster, 2, false))
                .count() as i64;
            prop_assert!(flagged <= silence_s * 6 / 5 + 5);
        }
    }
}

//! Whether a sender's clock is wrong, and by how much, from nothing but the times it sends and
//! when they come. A pure state machine: arrival and device time in, the clock's offset out.
//!
//! The offset of one message is its device time less its arrival. A right clock gives a small
//! negative offset, the time on the way. A sensor that was cut off and empties its store also
//! sends the past, but its offsets shrink as it catches up; a wrong clock's stay where they are.
//! So the past alone accuses nobody: it takes [`LEAST_MARKS`] marks over [`LEAST_SPAN_S`] that
//! agree. The future accuses at once, since no delay can explain it.

use std::collections::VecDeque;

use analysis::time::Micros;

/// More than this ahead of arrival is a wrong clock at once; less than this behind is not worth
/// a correction. s.
pub const TOLERANCE_S: i64 = 5;
/// A steady offset into the past is judged over at least this long, s.
pub const LEAST_SPAN_S: i64 = 60;
/// … and at least this many marks (one is kept for each second in which messages came).
pub const LEAST_MARKS: usize = 5;
/// Marks of a steady clock lie this close together (10th to 90th percentile), s: networks
/// delay, and some senders round to whole seconds.
const STEADY_SPREAD_S: i64 = 2;
/// The medians of the earlier and the later half agree this well, ms. A store emptied at only
/// 1.02 times the pace it was filled moves more than this in 60 s.
const STEADY_SHIFT_MS: i64 = 500;
/// Kept marks: enough for the span at one a second.
const MOST_MARKS: usize = 90;
/// A clock that is right again shows it in this many marks before its old offset is forgotten.
const MENDED_MARKS: usize = 3;

const SECOND: i64 = Micros::PER_SECOND;
const TOLERANCE: i64 = TOLERANCE_S * SECOND;

/// What the last messages of one sender say about its clock.
#[derive(Debug, Clone, Default)]
pub struct DeviceClock {
    /// Arrival on a clock that never steps, and the offset, µs; the least delayed message of
    /// each second, since delay only ever lowers an offset.
    marks: VecDeque<(i64, i64)>,
    /// The clock's offset while it is held to be wrong, µs; positive: ahead.
    wrong_by: Option<i64>,
}

/// A change of mind about a clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum News {
    /// It is wrong by so many µs (positive: ahead).
    Wrong(i64),
    /// It is right again.
    Mended,
}

impl DeviceClock {
    /// Takes note of a message: `at` is its arrival on a clock that never steps, µs; `offset`
    /// its device time less its arrival, µs; `live` is false for what was certainly sent before.
    pub fn observe(&mut self, at: i64, offset: i64, live: bool) -> Option<News> {
        // A steady offset can only show when a mark is added; between marks nothing is sorted.
        let steady = if live && self.mark(at, offset) {
            self.steady()
        } else {
            None
        };
        match self.wrong_by {
            None if offset > TOLERANCE => self.change_to(offset),
            None => match steady {
                Some(steady) if steady.abs() > TOLERANCE => self.change_to(steady),
                _ => None,
            },
            Some(_) if self.mended() => {
                self.wrong_by = None;
                // The marks of before would accuse it again.
                let stale = self.marks.len().saturating_sub(MENDED_MARKS);
                self.marks.drain(..stale);
                Some(News::Mended)
            }
            // Near its arrival by its own reckoning: right again, or not; the marks will tell.
            Some(_) if offset.abs() <= TOLERANCE => None,
            Some(wrong_by) if offset - wrong_by > TOLERANCE => self.change_to(offset),
            Some(wrong_by) => match steady {
                Some(steady) if (steady - wrong_by).abs() > SECOND => self.change_to(steady),
                _ => None,
            },
        }
    }

    /// The offset of a clock held to be wrong, µs; positive: ahead.
    pub fn wrong_by(&self) -> Option<i64> {
        self.wrong_by
    }

    /// Forgets everything, as when the clock that it was compared with turned out to have
    /// stepped.
    pub fn forget(&mut self) {
        *self = DeviceClock::default();
    }

    fn change_to(&mut self, offset: i64) -> Option<News> {
        self.wrong_by = Some(offset);
        Some(News::Wrong(offset))
    }

    /// Keeps the offset if it tells something; true if it began a new mark.
    fn mark(&mut self, at: i64, offset: i64) -> bool {
        match self.marks.back_mut() {
            Some((since, best)) if at - *since < SECOND => {
                *best = (*best).max(offset);
                false
            }
            _ => {
                self.marks.push_back((at, offset));
                if self.marks.len() > MOST_MARKS {
                    self.marks.pop_front();
                }
                true
            }
        }
    }

    fn mended(&self) -> bool {
        self.marks.len() >= MENDED_MARKS
            && self
                .marks
                .iter()
                .rev()
                .take(MENDED_MARKS)
                .all(|(_, offset)| offset.abs() <= TOLERANCE)
    }

    /// The median offset of the latest marks that span [`LEAST_SPAN_S`], if they agree.
    fn steady(&self) -> Option<i64> {
        let (latest, _) = *self.marks.back()?;
        let count = self
            .marks
            .iter()
            .rev()
            .position(|(at, _)| latest - at >= LEAST_SPAN_S * SECOND)?
            + 1;
        let count = count.max(LEAST_MARKS);
        let offsets: Vec<i64> = self
            .marks
            .iter()
            .rev()
            .take(count)
            .map(|(_, offset)| *offset)
            .collect();
        if offsets.len() < LEAST_MARKS {
            return None;
        }
        let (later, earlier) = offsets.split_at(offsets.len() / 2);
        let shift = (median(later) - median(earlier)).abs();
        let mut sorted = offsets.clone();
        sorted.sort_unstable();
        let tenth = sorted.len() / 10;
        let spread = sorted[sorted.len() - 1 - tenth] - sorted[tenth];
        let agrees = spread <= STEADY_SPREAD_S * SECOND && shift <= STEADY_SHIFT_MS * 1_000;
        agrees.then(|| sorted[sorted.len() / 2])
    }
}

/// The middle of a list that is not empty.
fn median(values: &[i64]) -> i64 {
    let mut sorted = values.to_vec();
    sorted.sort_unstable();
    sorted[sorted.len() / 2]
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Feeds one message a `step` seconds with the offsets that `offset_s` gives, and returns
    /// the clock and all its news with the second in which each came.
    fn feed(
        clock: &mut DeviceClock,
        from_s: i64,
        to_s: i64,
        offset_s: impl Fn(i64) -> f64,
    ) -> Vec<(i64, News)> {
        (from_s..to_s)
            .filter_map(|s| {
                let offset = (offset_s(s) * 1e6) as i64;
                clock.observe(s * SECOND, offset, true).map(|n| (s, n))
            })
            .collect()
    }

    #[test]
    fn a_right_clock_is_left_alone() {
        let mut clock = DeviceClock::default();
        let news = feed(&mut clock, 0, 600, |s| {
            -0.02 - f64::from(s as i32 % 7) * 0.1
        });
        assert_eq!(news, []);
        assert_eq!(clock.wrong_by(), None);
    }

    #[test]
    fn a_clock_an_hour_behind_is_found_after_a_minute() {
        let mut clock = DeviceClock::default();
        let news = feed(&mut clock, 0, 120, |_| -3600.0);
        assert_eq!(news, [(60, News::Wrong(-3600 * SECOND))]);
    }

    #[test]
    fn a_clock_ahead_is_found_at_once() {
        let mut clock = DeviceClock::default();
        assert_eq!(
            clock.observe(0, 6 * SECOND, true),
            Some(News::Wrong(6 * SECOND))
        );
        let mut other = DeviceClock::default();
        assert_eq!(other.observe(0, 5 * SECOND, true), None);
    }

    /// Ten minutes of store sent at twice the pace it was filled: each second brings two
    /// seconds of device time, so the offset shrinks by one.
    #[test]
    fn an_emptying_store_is_no_wrong_clock() {
        for pace in [1.03, 1.5, 2.0, 10.0, 600.0] {
            let mut clock = DeviceClock::default();
            let news = feed(&mut clock, 0, 700, |s| {
                (-600.0 + (pace - 1.0) * s as f64).min(-0.05)
            });
            assert_eq!(news, [], "emptied at {pace} times the pace");
        }
    }

    #[test]
    fn a_clock_that_was_set_right_is_trusted_again() {
        let mut clock = DeviceClock::default();
        feed(&mut clock, 0, 120, |_| -3600.0);
        let news = feed(&mut clock, 120, 130, |_| -0.1);
        assert_eq!(news, [(122, News::Mended)]);
        assert_eq!(clock.wrong_by(), None);
    }

    /// A clock an hour ahead with a store of an hour and a half: on its way down the offset
    /// passes through nought, which must not look like a clock set right.
    #[test]
    fn a_store_behind_a_fast_clock_passes_through_nought() {
        let mut clock = DeviceClock::default();
        feed(&mut clock, 0, 60, |_| 3600.0);
        let news = feed(&mut clock, 60, 160, |s| -1800.0 + 54.0 * (s - 60) as f64);
        assert_eq!(news, []);
        assert_eq!(clock.wrong_by(), Some(3600 * SECOND));
    }

    #[test]
    fn a_kiln_heard_once_a_minute_is_judged_too() {
        let mut clock = DeviceClock::default();
        let news: Vec<_> = (0..10)
            .filter_map(|m| clock.observe(m * 60 * SECOND, -1800 * SECOND, true))
            .collect();
        assert_eq!(news, [News::Wrong(-1800 * SECOND)]);
    }

    #[test]
    fn what_was_sent_before_accuses_nobody() {
        let mut clock = DeviceClock::default();
        for s in 0..300 {
            assert_eq!(clock.observe(s * SECOND, -3600 * SECOND, false), None);
        }
    }

    proptest! {
        /// Whatever comes, a verdict is never within the tolerance and nothing overflows.
        #[test]
        fn a_verdict_is_worth_having(
            offsets in proptest::collection::vec(-5_000_000_000_000i64..5_000_000_000_000, 1..300),
            step in 1i64..5_000_000,
        ) {
            let mut clock = DeviceClock::default();
            for (i, offset) in offsets.iter().enumerate() {
                clock.observe(i as i64 * step, *offset, true);
                if let Some(wrong_by) = clock.wrong_by() {
                    prop_assert!(wrong_by.abs() > TOLERANCE);
                }
            }
        }

        /// A steady wrong clock is found to within the jitter of the network.
        #[test]
        fn the_offset_found_is_the_offset_there(
            hours in 1i64..12,
            ahead in any::<bool>(),
            jitter in proptest::collection::vec(0i64..400_000, 120),
        ) {
            let true_offset = hours * 3600 * SECOND * if ahead { 1 } else { -1 };
            let mut clock = DeviceClock::default();
            for (s, delay) in jitter.iter().enumerate() {
                clock.observe(s as i64 * SECOND, true_offset - delay, true);
            }
            let found = clock.wrong_by().unwrap();
            prop_assert!((found - true_offset).abs() <= SECOND);
        }
    }
}

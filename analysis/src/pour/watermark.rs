//! The reorder buffer before the final feed: samples may come up to 10 s out of order and still
//! be taken in the order of their own times. It works in event time only; no clock is asked, so
//! a replay at any speed gives the same sequence.

use std::cmp::{Ordering, Reverse};
use std::collections::BinaryHeap;

use crate::sample::Sample;
use crate::time::Micros;

/// How far behind the newest sample the final feed stays, µs of event time.
pub const DELAY: Micros = Micros(10 * Micros::PER_SECOND);

/// Samples in, in any order within [`DELAY`]; the same samples out, in [`Sample::total_cmp`]
/// order.
///
/// Exact duplicates are kept: equal readings are real. A sample older than what has already
/// been given out cannot be put back in order; it is counted and not given out. A time far in
/// the future moves the watermark with it, so wrong clocks are for the caller to put right
/// before.
#[derive(Clone, Debug, Default)]
pub struct Watermark {
    waiting: BinaryHeap<Reverse<ByOrder>>,
    newest: Option<Micros>,
    late: u64,
}

impl Watermark {
    /// An empty buffer.
    pub fn new() -> Watermark {
        Watermark::default()
    }

    /// Takes in one sample; false if it came behind the watermark and was only counted.
    pub fn push(&mut self, sample: Sample) -> bool {
        if self.line().is_some_and(|line| sample.time < line) {
            self.late += 1;
            return false;
        }
        self.newest = self.newest.max(Some(sample.time));
        self.waiting.push(Reverse(ByOrder(sample)));
        true
    }

    /// The next sample that nothing on time can come before, if there is one.
    pub fn pop(&mut self) -> Option<Sample> {
        let line = self.line()?;
        if self.waiting.peek()?.0.0.time < line {
            self.waiting.pop().map(|Reverse(ByOrder(sample))| sample)
        } else {
            None
        }
    }

    /// Everything that [`Watermark::pop`] would give now, in order.
    pub fn drain(&mut self) -> impl Iterator<Item = Sample> {
        std::iter::from_fn(|| self.pop())
    }

    /// All that is left, in order, for the end of a session. The watermark stays where it was.
    pub fn flush(&mut self) -> Vec<Sample> {
        let mut rest = Vec::with_capacity(self.waiting.len());
        while let Some(Reverse(ByOrder(sample))) = self.waiting.pop() {
            rest.push(sample);
        }
        rest
    }

    /// Times before this are closed: 10 s behind the newest sample seen.
    pub fn line(&self) -> Option<Micros> {
        self.newest
            .map(|newest| Micros(newest.0.saturating_sub(DELAY.0)))
    }

    /// How many samples came behind the watermark.
    pub fn late(&self) -> u64 {
        self.late
    }

    /// How many samples are waiting.
    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }
}

/// A sample ordered by [`Sample::total_cmp`].
#[derive(Clone, Debug)]
struct ByOrder(Sample);

impl PartialEq for ByOrder {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for ByOrder {}
impl PartialOrd for ByOrder {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for ByOrder {
    fn cmp(&self, other: &Self) -> Ordering {
        self.0.total_cmp(&other.0)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::channel::Channel;
    use crate::sample::Quality;
    use proptest::prelude::*;

    fn melt(at_s: f64, value: f64) -> Sample {
        Sample {
            time: Micros(0).plus_seconds(at_s),
            channel: Channel::MeltTemperature,
            value,
            quality: Quality::Good,
        }
    }

    #[test]
    fn a_sample_waits_until_nothing_on_time_can_come_before_it() {
        let mut buffer = Watermark::new();
        assert!(buffer.push(melt(0.0, 960.0)));
        assert!(buffer.push(melt(10.0, 961.0)));
        assert_eq!(buffer.pop(), None, "exactly 10 s is still open");
        assert!(buffer.push(melt(0.0, 959.0)));
        assert!(buffer.push(melt(10.5, 962.0)));
        let out: Vec<f64> = buffer.drain().map(|s| s.value).collect();
        assert_eq!(out, [959.0, 960.0]);
        assert!(!buffer.push(melt(0.2, 958.0)));
        assert_eq!(buffer.late(), 1);
        let rest: Vec<f64> = buffer.flush().iter().map(|s| s.value).collect();
        assert_eq!(rest, [961.0, 962.0]);
    }

    proptest! {
        /// Each sample is held up by at most 10 s; what comes out is the sorted set, duplicates
        /// and all.
        #[test]
        fn shuffling_within_ten_seconds_changes_nothing(
            readings in prop::collection::vec((0_i64..120_000_000, -5.0..5.0_f64, 0_i64..=10_000_000), 0..200)
        ) {
            let mut arrivals: Vec<(i64, Sample)> = readings
                .iter()
                .map(|&(time, value, hold_up)| {
                    let mut sample = melt(0.0, value.round());
                    sample.time = Micros(time / 1_000_000 * 1_000_000);
                    (sample.time.0 + hold_up, sample)
                })
                .collect();
            let mut sorted: Vec<Sample> = arrivals.iter().map(|a| a.1).collect();
            sorted.sort_by(Sample::total_cmp);
            arrivals.sort_by_key(|a| a.0);
            let mut buffer = Watermark::new();
            let mut out = Vec::new();
            for (_, sample) in arrivals {
                prop_assert!(buffer.push(sample));
                out.extend(buffer.drain());
            }
            out.extend(buffer.flush());
            prop_assert_eq!(out, sorted);
        }

        #[test]
        fn no_time_panics(times in prop::collection::vec(any::<i64>(), 0..50)) {
            let mut buffer = Watermark::new();
            let mut seen = 0;
            for time in &times {
                let mut sample = melt(0.0, f64::NAN);
                sample.time = Micros(*time);
                buffer.push(sample);
                seen += buffer.drain().count();
            }
            seen += buffer.flush().len();
            prop_assert_eq!(seen + usize::try_from(buffer.late()).unwrap(), times.len());
        }
    }
}

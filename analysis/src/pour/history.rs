//! The last few minutes of one channel, and the robust figures taken from them.

use std::collections::VecDeque;

use crate::stats::median::median;
use crate::time::Micros;

/// How much of each channel is remembered, s: the 2 min before a pour, and the time it may take
/// to be sure of one.
pub(crate) const KEEP_S: f64 = 240.0;

/// One reading of the channel whose history it is in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// When.
    pub at: Micros,
    /// What, in the channel's unit.
    pub value: f64,
}

/// The readings of one channel over the last [`KEEP_S`], oldest first. Times never go back.
#[derive(Clone, Debug, Default)]
pub(crate) struct History {
    readings: VecDeque<Reading>,
    ever: bool,
}

impl History {
    /// Adds a reading that is not older than the last, and forgets those that are now too old.
    pub fn push(&mut self, reading: Reading) {
        self.ever = true;
        self.readings.push_back(reading);
        while let Some(first) = self.readings.front() {
            if reading.at.seconds_since(first.at) <= KEEP_S {
                break;
            }
            self.readings.pop_front();
        }
    }

    /// Forgets the readings, but not that there is a sensor.
    pub fn clear(&mut self) {
        self.readings.clear();
    }

    /// Whether this channel was ever heard.
    pub fn ever_heard(&self) -> bool {
        self.ever
    }

    /// The newest reading.
    pub fn last(&self) -> Option<Reading> {
        self.readings.back().copied()
    }

    /// The newest reading not after `at`.
    pub fn last_until(&self, at: Micros) -> Option<Reading> {
        let n = self.readings.partition_point(|r| r.at <= at);
        n.checked_sub(1).map(|i| self.readings[i])
    }

    /// The readings from `from` to `to`, both included, oldest first.
    pub fn between(&self, from: Micros, to: Micros) -> impl Iterator<Item = Reading> + '_ {
        let start = self.readings.partition_point(|r| r.at < from);
        self.readings
            .range(start..)
            .copied()
            .take_while(move |r| r.at <= to)
    }

    /// The median over the last `span_s` until `at`, else the newest reading of the last
    /// `reach_s`.
    pub fn settled(&self, at: Micros, span_s: f64, reach_s: f64) -> Option<f64> {
        let mut near: Vec<f64> = self
            .between(at.plus_seconds(-span_s), at)
            .map(|r| r.value)
            .collect();
        median(&mut near).or_else(|| {
            self.last_until(at)
                .filter(|r| at.seconds_since(r.at) <= reach_s)
                .map(|r| r.value)
        })
    }
}

/// The greatest value of a sliding span of time, at constant cost per reading (a queue whose
/// values only fall).
#[derive(Clone, Debug)]
pub(crate) struct Crest {
    span_s: f64,
    falling: VecDeque<Reading>,
}

impl Crest {
    /// A crest over the last `span_s`.
    pub fn over(span_s: f64) -> Crest {
        Crest {
            span_s,
            falling: VecDeque::new(),
        }
    }

    /// Adds a reading.
    pub fn push(&mut self, reading: Reading) {
        while self
            .falling
            .back()
            .is_some_and(|last| last.value <= reading.value)
        {
            self.falling.pop_back();
        }
        self.falling.push_back(reading);
        while self
            .falling
            .front()
            .is_some_and(|first| reading.at.seconds_since(first.at) > self.span_s)
        {
            self.falling.pop_front();
        }
    }

    /// The greatest reading of the span, the latest of equals.
    pub fn top(&self) -> Option<Reading> {
        self.falling.front().copied()
    }

    /// Forgets everything.
    pub fn clear(&mut self) {
        self.falling.clear();
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(s: f64) -> Micros {
        Micros(0).plus_seconds(s)
    }

    #[test]
    fn a_history_forgets_what_is_too_old_and_finds_what_is_not() {
        let mut h = History::default();
        for s in 0..500 {
            h.push(Reading {
                at: at(f64::from(s)),
                value: f64::from(s),
            });
        }
        assert_eq!(h.between(at(0.0), at(1000.0)).count(), 241);
        assert_eq!(h.last_until(at(300.5)).unwrap().value, 300.0);
        assert_eq!(h.last_until(at(100.0)), None);
        assert_eq!(h.settled(at(300.0), 2.0, 10.0), Some(299.0));
        assert_eq!(h.settled(at(505.0), 2.0, 10.0), Some(499.0));
        assert_eq!(h.settled(at(520.0), 2.0, 10.0), None);
    }

    proptest! {
        #[test]
        fn the_crest_is_the_plain_maximum_of_the_span(values in prop::collection::vec(-10..10_i32, 1..100)) {
            let mut crest = Crest::over(7.0);
            for (i, v) in values.iter().enumerate() {
                crest.push(Reading { at: at(i as f64), value: f64::from(*v) });
                let plain = values[i.saturating_sub(7)..=i].iter().max().unwrap();
                prop_assert_eq!(crest.top().unwrap().value, f64::from(*plain));
            }
        }
    }
}

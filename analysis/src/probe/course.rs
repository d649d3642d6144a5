//! A session's melt in bins of five seconds, as much of it as is warm enough to hold an arrest,
//! and the spells in which the bench was busy. Bins lie on a fixed grid of event time, so that
//! neither the order of arrival nor the beginning of the feed changes them.

use super::row::ArrestFound;
use super::{melting, plateau};
use crate::time::Micros;

/// Width of a bin, µs.
const BIN_US: i64 = 5_000_000;
/// Only readings in this range are kept, °C: the eutectic is the coldest arrest, copper and the
/// bronzes the hottest.
const KEPT_C: std::ops::RangeInclusive<f64> = 700.0..=1150.0;
/// Readings that differ by less are the same reading, K.
const SAME_K: f64 = 1e-3;

/// One bin.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bin {
    /// Mean time of its readings.
    pub at: Micros,
    /// The mean of the middle half of them, °C.
    pub celsius: f64,
}

/// The course of a session's melt.
#[derive(Clone, Debug, Default)]
pub struct Course {
    bins: Vec<Bin>,
    number: i64,
    open: Vec<(Micros, f64)>,
    last_c: Option<f64>,
    step_k: Option<f64>,
    busy: Vec<(Micros, Micros)>,
}

impl Course {
    /// Takes in a reading of the melt, °C, in order of time.
    pub fn hear(&mut self, at: Micros, celsius: f64) {
        let number = at.0.div_euclid(BIN_US);
        if number != self.number {
            self.shut();
            self.number = number;
        }
        if !KEPT_C.contains(&celsius) {
            self.last_c = None;
            return;
        }
        if let Some(last) = self.last_c.replace(celsius) {
            let apart = (celsius - last).abs();
            if apart > SAME_K {
                self.step_k = Some(self.step_k.map_or(apart, |s| s.min(apart)));
            }
        }
        self.open.push((at, celsius));
    }

    /// The bench pulled or poured then, or the probe was moved: no freeze is looked for nearby.
    pub fn busy(&mut self, from: Micros, to: Micros) {
        self.busy.push((from, to));
    }

    fn shut(&mut self) {
        if let Some(bin) = bin_of(&self.open) {
            self.bins.push(bin);
        }
        self.open.clear();
    }

    /// The arrests of the melt so far, in order of time: freezes of known metals, and meltings
    /// of charges.
    pub fn arrests(&self) -> Vec<ArrestFound> {
        let mut bins = self.bins.clone();
        bins.extend(bin_of(&self.open));
        let heard = Heard {
            bins: &bins,
            step_k: self.step_k.unwrap_or(0.0),
            busy: &self.busy,
        };
        let mut found = plateau::freezes(&heard);
        found.extend(melting::meltings(&heard));
        found.sort_by_key(|a| (a.at, a.heat));
        found
    }
}

fn bin_of(readings: &[(Micros, f64)]) -> Option<Bin> {
    let (first, _) = readings.first()?;
    let mean_s = readings
        .iter()
        .map(|(at, _)| at.seconds_since(*first))
        .sum::<f64>()
        / readings.len() as f64;
    let mut values: Vec<f64> = readings.iter().map(|r| r.1).collect();
    Some(Bin {
        at: first.plus_seconds(mean_s),
        celsius: middle_mean(&mut values),
    })
}

/// The mean of the middle half: a wild reading does not move it, and where readings come in steps
/// of a whole °F it is finer than a median. Sorts its input, which is not empty.
fn middle_mean(values: &mut [f64]) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    let aside = values.len() / 4;
    let middle = &values[aside..values.len() - aside];
    middle.iter().sum::<f64>() / middle.len() as f64
}

/// What there is to look at.
pub(super) struct Heard<'a> {
    /// The bins, oldest first.
    pub bins: &'a [Bin],
    /// Resolution of the readings, K: the least step between two of them.
    pub step_k: f64,
    /// Spells of pulls and pours, and moments of the probe's being moved.
    pub busy: &'a [(Micros, Micros)],
}

impl Heard<'_> {
    /// Whether the bench was left alone from `from` to `to`, and for `clear_s` around them.
    pub fn is_clear(&self, from: Micros, to: Micros, clear_s: f64) -> bool {
        let (from, to) = (from.plus_seconds(-clear_s), to.plus_seconds(clear_s));
        self.busy.iter().all(|(a, b)| *b < from || *a > to)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wild_reading_does_not_move_its_bin_and_cold_readings_are_not_kept() {
        let mut course = Course::default();
        let start = Micros(1_795_000_000_000_000);
        for (i, c) in [961.0, 961.2, 1140.0, 961.1, 961.3].into_iter().enumerate() {
            course.hear(start.plus_seconds(i as f64), c);
        }
        for i in 0..20 {
            course.hear(start.plus_seconds(5.0 + f64::from(i)), 20.0);
        }
        assert_eq!(course.bins.len(), 1);
        assert!((course.bins[0].celsius - 961.2).abs() < 1e-9);
        assert_eq!(course.bins[0].at, start.plus_seconds(2.0));
        assert!((course.step_k.unwrap_or(0.0) - 0.2).abs() < 1e-9);
        assert!(course.arrests().is_empty());
    }
}

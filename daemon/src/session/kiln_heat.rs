//! When a kiln was hot, by the minute, whatever the order in which its readings came: a sensor
//! that delivers last night after this morning must not hide that there was a night.

use std::collections::BTreeMap;

use analysis::time::Micros;

use super::keeper::Rules;
use crate::journal::Reading;

/// Minutes remembered: longer than readings may come late, and a burnout before that.
const MOST_MINUTES: usize = 21 * 24 * 60;
const MINUTE_US: i64 = 60 * Micros::PER_SECOND;

/// One kiln's heat.
#[derive(Clone, Debug)]
pub(super) struct KilnHeat {
    hot_c: f64,
    burnout_s: f64,
    same_burnout_s: f64,
    /// By minute since the epoch: the first hot reading in it; none if all were cold.
    minutes: BTreeMap<i64, Option<Micros>>,
    latest: Option<Micros>,
}

impl KilnHeat {
    pub fn new(rules: &Rules) -> KilnHeat {
        KilnHeat {
            hot_c: rules.hot_c,
            burnout_s: rules.burnout_s,
            same_burnout_s: rules.same_burnout_s,
            minutes: BTreeMap::new(),
            latest: None,
        }
    }

    /// Takes a usable reading of its temperature.
    pub fn take(&mut self, reading: &Reading) {
        let time = reading.time;
        self.latest = self.latest.max(Some(time));
        let minute = self.minutes.entry(time.0.div_euclid(MINUTE_US));
        let first_hot = minute.or_default();
        if reading.value >= self.hot_c {
            *first_hot = Some(first_hot.map_or(time, |first| first.min(time)));
        }
        while self.minutes.len() > MOST_MINUTES {
            self.minutes.pop_first();
        }
    }

    /// The newest time of a reading.
    pub fn latest(&self) -> Option<Micros> {
        self.latest
    }

    /// The start of the last burnout that began by then: the one that fed a session that opened
    /// then. No further back than a burnout may be claimed.
    pub fn start_before(&self, opened: Micros) -> Option<Micros> {
        let oldest = opened.plus_seconds(-self.burnout_s);
        let minutes = oldest.0.div_euclid(MINUTE_US)..=opened.0.div_euclid(MINUTE_US);
        let mut start: Option<Micros> = None;
        // The beginning of the cold stretch that lies before `start`.
        let mut cold: Option<Micros> = None;
        for (minute, first_hot) in self.minutes.range(minutes).rev() {
            match (first_hot.filter(|hot| *hot <= opened), start) {
                (Some(hot), Some(later)) => {
                    let long = |c: Micros| later.seconds_since(c) >= self.same_burnout_s;
                    if cold.is_some_and(long) {
                        break;
                    }
                    (start, cold) = (Some(hot), None);
                }
                (Some(hot), None) => start = Some(hot),
                (None, Some(_)) => cold = Some(Micros(minute.saturating_mul(MINUTE_US))),
                (None, None) => {}
            }
        }
        start.map(|s| s.max(oldest))
    }
}

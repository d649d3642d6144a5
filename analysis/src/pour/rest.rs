//! What the vacuum sensor reads when nothing pulls: its level, its noise, and whether it is
//! alive at all. Zero points drift, so the level is followed, but never during a pull.

use super::heading::Sensor;
use super::history::Reading;

/// Over how long the resting level follows the readings, s.
const FOLLOW_S: f64 = 60.0;
/// A reading less than this above rest is never a pull, kPa.
const LEAST_RISE_KPA: f64 = 3.0;
/// … nor one less than this many noise standard deviations above it.
const LEAST_RISE_SDS: f64 = 6.0;
/// Readings from which a resting level is taken as learnt.
const LEARNT_AFTER: u32 = 5;
/// A resting level beyond this is no resting level but a pull already on, kPa. A wrong zero of
/// more than a tenth of the scale is beyond any gauge class.
const WILDEST_ZERO_KPA: f64 = 12.0;
/// Readings without any change that make a sensor flat-lined, if it used to jitter.
const FLAT_AFTER: u32 = 15;

/// The resting vacuum sensor.
#[derive(Clone, Debug, Default)]
pub(crate) struct Rest {
    level: f64,
    noise: f64,
    learnt: u32,
    last: Option<Reading>,
    readings: u32,
    changes: u32,
    unchanged: u32,
    moved: bool,
    period_s: f64,
}

impl Rest {
    /// Takes note of any reading, resting or not.
    pub fn hear(&mut self, reading: Reading) {
        if let Some(last) = self.last {
            #[allow(clippy::float_cmp)] // A stuck sensor repeats its value to the last bit.
            if last.value == reading.value {
                self.unchanged = self.unchanged.saturating_add(1);
            } else {
                self.changes = self.changes.saturating_add(1);
                self.unchanged = 0;
            }
            let gap = reading.at.seconds_since(last.at);
            if gap > 0.0 {
                self.period_s = if self.period_s > 0.0 {
                    self.period_s + (gap.min(3.0 * self.period_s) - self.period_s) / 16.0
                } else {
                    gap
                };
            }
        }
        self.readings = self.readings.saturating_add(1);
        self.last = Some(reading);
    }

    /// Follows a reading taken at rest, `gap_s` after the one before.
    pub fn follow(&mut self, value: f64, gap_s: f64) {
        if self.learnt == 0 {
            if !self.may_be_zero(value) {
                return;
            }
            self.level = value;
        }
        self.learnt = self.learnt.saturating_add(1);
        let away = value - self.level;
        // While learning, the plain mean; then a slow follower.
        let weight = (gap_s / (FOLLOW_S + gap_s)).max(1.0 / f64::from(self.learnt));
        self.level += weight * away;
        // Mean absolute deviation of a normal is √(2/π) of its standard deviation.
        let sd = 1.2533 * away.abs();
        self.noise += weight * (sd - self.noise);
    }

    /// Whether no resting level is known at all.
    pub fn unknown(&self) -> bool {
        self.learnt == 0
    }

    /// Whether this may be a sensor's wrong zero rather than a pull already on.
    pub fn may_be_zero(&self, value: f64) -> bool {
        value.abs() <= WILDEST_ZERO_KPA
    }

    /// Starts again at this level, after the zero has moved.
    pub fn restart(&mut self, value: f64) {
        self.learnt = 0;
        self.follow(value, 0.0);
    }

    /// A real pull was seen: this sensor can move.
    pub fn saw_it_move(&mut self) {
        self.moved = true;
    }

    /// The resting level, kPa.
    pub fn level(&self) -> f64 {
        self.level
    }

    /// How far above rest a reading must be to be more than noise, kPa.
    pub fn threshold(&self) -> f64 {
        LEAST_RISE_KPA.max(LEAST_RISE_SDS * self.noise)
    }

    /// Whether the level has been learnt.
    pub fn learnt(&self) -> bool {
        self.learnt >= LEARNT_AFTER
    }

    /// What is known of the sensor.
    pub fn sensor(&self) -> Sensor {
        Sensor {
            rest_kpa: self.level,
            noise_kpa: self.noise,
            period_s: self.period_s,
            changes: f64::from(self.changes) / f64::from(self.readings.max(1)),
        }
    }

    /// The sensor's noise at rest, kPa.
    pub fn noise_kpa(&self) -> f64 {
        self.noise
    }

    /// Whether a reading that stays at rest can be believed: the sensor has been heard at rest
    /// for a while, and it either jitters as it always did or has moved in an earlier pull.
    pub fn believable_when_still(&self) -> bool {
        if !self.learnt() {
            return false;
        }
        let jitters = self.changes * 3 > self.readings;
        if jitters {
            self.unchanged < FLAT_AFTER
        } else {
            self.moved || self.changes > 0
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Micros;

    fn hear(rest: &mut Rest, from: i64, values: impl Iterator<Item = f64>) {
        for (i, value) in values.enumerate() {
            let at = Micros((from + i as i64) * Micros::PER_SECOND);
            rest.hear(Reading { at, value });
            rest.follow(value, 1.0);
        }
    }

    #[test]
    fn the_resting_level_follows_a_drifting_zero() {
        let mut rest = Rest::default();
        hear(&mut rest, 0, (0..1800).map(|i| 2.0 + f64::from(i) * 0.002));
        assert!((rest.level() - 5.6).abs() < 0.3, "{}", rest.level());
        assert!(rest.threshold() < 3.5);
    }

    #[test]
    fn a_sensor_that_used_to_jitter_and_stopped_is_not_believed() {
        let mut rest = Rest::default();
        hear(&mut rest, 0, (0..60).map(|i| f64::from(i % 3) * 0.1));
        assert!(rest.believable_when_still());
        hear(&mut rest, 60, (0..20).map(|_| 0.1));
        assert!(!rest.believable_when_still());
    }

    #[test]
    fn a_sensor_that_never_moved_is_still_learning() {
        let mut rest = Rest::default();
        hear(&mut rest, 0, (0..60).map(|_| 0.0));
        assert!(!rest.believable_when_still());
        rest.saw_it_move();
        assert!(rest.believable_when_still());
    }
}

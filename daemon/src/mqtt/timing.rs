//! The time that each reading is filed under. Puts [`super::device_clock`] and
//! [`super::backlog`] together for every topic of every sender and turns their verdicts into a
//! time and a quality. Asks no clock: arrivals come in as arguments.
//!
//! | what the message says | filed under | quality |
//! |---|---|---|
//! | no time | arrival | good |
//! | no time, and out of a store | arrival | untimed |
//! | up to 60 s old | its time | good |
//! | up to 14 days old | its time | late |
//! | older | nothing: refused | |
//! | more than 5 s ahead, or off by a steady amount | its time less the clock's offset | clock corrected |
//! | a time before 2001-09-09, which is a clock that was never set | arrival | clock corrected, or untimed out of a store |
//!
//! The clock that arrivals are read from may itself be stepped (a mini-PC without a battery
//! that learns the time from the network). A step shows as a jump of wall time against
//! monotonic time; every verdict made against the old reading is then dropped.

use std::collections::HashMap;
use std::sync::Arc;

use analysis::sample::Quality;
use analysis::time::Micros;

use super::backlog::Backlog;
use super::device_clock::{DeviceClock, News, TOLERANCE_S};

/// Older than this on arrival is late, s.
pub const LATE_S: i64 = 60;
/// Older than this on arrival is refused, s: 14 days.
pub const OLDEST_S: i64 = 14 * 24 * 3600;
/// A device time before this (10⁹ s, 2001-09-09) is a counter of seconds since power-up.
const NEVER_SET: Micros = Micros(1_000_000_000 * Micros::PER_SECOND);
/// Wall time that moves by more than this against monotonic time was stepped, s.
const STEP_S: i64 = 2;
/// Streams kept; the longest unheard go first. A shop has tens.
const MOST_STREAMS: usize = 4096;

/// One topic of one sender.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Stream {
    /// The way in.
    pub source: Arc<str>,
    /// The sender's client id.
    pub client: Arc<str>,
    /// The topic.
    pub topic: Arc<str>,
}

/// When and how a message came.
#[derive(Debug, Clone, Copy)]
pub struct Arrival {
    /// Wall time.
    pub wall: Micros,
    /// Time that never steps, µs.
    pub monotonic_us: i64,
    /// The connection it came over.
    pub connection: u64,
    /// Marked by its sender as sent before.
    pub dup: bool,
}

/// What is known about the times of one message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Judged {
    /// The sender's clock is wrong by this, µs; positive: ahead.
    pub wrong_by: Option<i64>,
    /// Its arrival says nothing about when it was measured.
    pub out_of_store: bool,
    /// A change of mind about the sender's clock.
    pub news: Option<News>,
}

/// Too old to be filed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("its time {time:?} is more than 14 days before it came")]
pub struct TooOld {
    /// Its time, after any correction.
    pub time: Micros,
}

/// Every stream's clock and spacing.
#[derive(Debug, Default)]
pub struct Timing {
    streams: HashMap<Stream, State>,
    /// Wall less monotonic time at the last arrival, µs.
    wall_ahead: Option<i64>,
    /// How often the machine's own wall clock was seen to step.
    own_steps: u64,
}

#[derive(Debug, Default)]
struct State {
    clock: DeviceClock,
    backlog: Backlog,
    newest: Option<Micros>,
    heard_at: i64,
}

/// Whether a time sent by a device is one at all.
pub fn was_set(device: Micros) -> bool {
    device >= NEVER_SET
}

impl Timing {
    /// Takes note of a message whose newest reading has the absolute device time `newest`.
    pub fn observe(
        &mut self,
        stream: &Stream,
        arrival: &Arrival,
        newest: Option<Micros>,
    ) -> Judged {
        self.watch_own_clock(arrival);
        self.make_room(stream);
        let state = self.streams.entry(stream.clone()).or_default();
        state.heard_at = arrival.monotonic_us;
        match newest.filter(|device| was_set(*device)) {
            Some(device) => {
                state.newest = state.newest.max(Some(device));
                let offset = device.0.saturating_sub(arrival.wall.0);
                let news = state
                    .clock
                    .observe(arrival.monotonic_us, offset, !arrival.dup);
                Judged {
                    wrong_by: state.clock.wrong_by(),
                    out_of_store: false,
                    news,
                }
            }
            None => Judged {
                wrong_by: None,
                out_of_store: state.backlog.observe(
                    arrival.monotonic_us,
                    arrival.connection,
                    arrival.dup,
                ),
                news: None,
            },
        }
    }

    /// The newest device time ever seen on a stream.
    pub fn newest(&self, stream: &Stream) -> Option<Micros> {
        self.streams.get(stream).and_then(|state| state.newest)
    }

    /// How often the machine's own wall clock was seen to step.
    pub fn own_steps(&self) -> u64 {
        self.own_steps
    }

    fn watch_own_clock(&mut self, arrival: &Arrival) {
        let ahead = arrival.wall.0.saturating_sub(arrival.monotonic_us);
        if let Some(before) = self.wall_ahead.replace(ahead)
            && (ahead - before).abs() > STEP_S * Micros::PER_SECOND
        {
            self.own_steps += 1;
            for state in self.streams.values_mut() {
                state.clock.forget();
            }
        }
    }

    fn make_room(&mut self, stream: &Stream) {
        if self.streams.len() < MOST_STREAMS || self.streams.contains_key(stream) {
            return;
        }
        let oldest = self
            .streams
            .iter()
            .min_by_key(|(_, state)| state.heard_at)
            .map(|(stream, _)| stream.clone());
        if let Some(oldest) = oldest {
            self.streams.remove(&oldest);
        }
    }
}

impl Judged {
    /// The time and quality of one reading of the message, from its device time (if it was
    /// given by the device's own clock) and its arrival.
    ///
    /// # Errors
    /// [`TooOld`] beyond 14 days.
    pub fn place(
        &self,
        device: Option<Micros>,
        arrival: Micros,
    ) -> Result<(Micros, Quality), TooOld> {
        let tolerance = TOLERANCE_S * Micros::PER_SECOND;
        let Some(device) = device else {
            return Ok((arrival, self.undated()));
        };
        if !was_set(device) {
            return Ok((arrival, self.undated().max(Quality::ClockCorrected)));
        }
        let offset = device.0.saturating_sub(arrival.0);
        let right_as_it_is = offset.abs() <= tolerance;
        let (time, corrected) = match self.wrong_by {
            Some(wrong_by) if !right_as_it_is => (Micros(device.0.saturating_sub(wrong_by)), true),
            _ => (device, false),
        };
        // Nothing was measured after it came, whatever its clock and our guess of it say.
        let (time, corrected) = if time.0 > arrival.0.saturating_add(tolerance) {
            (arrival, true)
        } else {
            (time, corrected)
        };
        let age = arrival.0.saturating_sub(time.0);
        if age > OLDEST_S * Micros::PER_SECOND {
            return Err(TooOld { time });
        }
        let quality = if corrected {
            Quality::ClockCorrected
        } else if age > LATE_S * Micros::PER_SECOND {
            Quality::Late
        } else {
            Quality::Good
        };
        Ok((time, quality))
    }

    /// The same for a reading whose age came with it (SenML relative time), which no clock can
    /// spoil; `ago` in µs.
    ///
    /// # Errors
    /// [`TooOld`] beyond 14 days.
    pub fn place_ago(&self, ago: i64, arrival: Micros) -> Result<(Micros, Quality), TooOld> {
        let blameless = Judged {
            wrong_by: None,
            out_of_store: false,
            news: None,
        };
        let (time, quality) =
            blameless.place(Some(Micros(arrival.0.saturating_sub(ago))), arrival)?;
        // "Ten seconds ago" out of a store is ten seconds before nobody knows when.
        Ok((time, quality.max(self.undated())))
    }

    fn undated(&self) -> Quality {
        if self.out_of_store {
            Quality::Untimed
        } else {
            Quality::Good
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SECOND: i64 = Micros::PER_SECOND;
    const NOW: i64 = 1_795_000_000 * SECOND;

    fn stream() -> Stream {
        Stream {
            source: "door".into(),
            client: "melt-probe".into(),
            topic: "shop/bench-1/melt".into(),
        }
    }

    /// A message at second `s` with a device time `offset_s` from its arrival.
    fn message(timing: &mut Timing, s: i64, offset_s: i64) -> Result<(i64, Quality), TooOld> {
        let arrival = Arrival {
            wall: Micros(NOW + s * SECOND),
            monotonic_us: s * SECOND,
            connection: 1,
            dup: false,
        };
        let device = Micros(arrival.wall.0 + offset_s * SECOND);
        timing
            .observe(&stream(), &arrival, Some(device))
            .place(Some(device), arrival.wall)
            .map(|(time, quality)| ((time.0 - NOW) / SECOND, quality))
    }

    #[test]
    fn late_is_not_wrong() {
        for (age, expect) in [
            (0, Ok((0, Quality::Good))),
            (60, Ok((-60, Quality::Good))),
            (61, Ok((-61, Quality::Late))),
            (OLDEST_S, Ok((-OLDEST_S, Quality::Late))),
        ] {
            assert_eq!(message(&mut Timing::default(), 0, -age), expect, "{age} s");
        }
        let refused = message(&mut Timing::default(), 0, -OLDEST_S - 1).unwrap_err();
        assert!(refused.to_string().contains("more than 14 days"));
    }

    #[test]
    fn the_future_is_a_wrong_clock_at_once_and_keeps_its_spacing() {
        let mut timing = Timing::default();
        for s in 0..5 {
            assert_eq!(
                message(&mut timing, s, 3600),
                Ok((s, Quality::ClockCorrected))
            );
        }
        // Its store, ten minutes old: the clock's offset is known by now.
        assert_eq!(
            message(&mut timing, 5, 3600 - 600),
            Ok((5 - 600, Quality::ClockCorrected))
        );
        // Five seconds are within what networks of clocks do.
        assert_eq!(
            message(&mut Timing::default(), 0, 5),
            Ok((5, Quality::Good))
        );
    }

    #[test]
    fn a_steady_offset_is_corrected_and_a_shrinking_one_is_not() {
        let mut steady = Timing::default();
        let filed: Vec<_> = (0..120).map(|s| message(&mut steady, s, -1800)).collect();
        assert_eq!(filed[0], Ok((-1800, Quality::Late)));
        assert_eq!(filed[100], Ok((100, Quality::ClockCorrected)));
        let mut store = Timing::default();
        for s in 0..120 {
            let filed = message(&mut store, s, -1800 + 2 * s).unwrap();
            assert_eq!(filed, (s - 1800 + 2 * s, Quality::Late));
        }
    }

    #[test]
    fn a_clock_that_was_never_set_counts_as_arrival() {
        let mut timing = Timing::default();
        let arrival = Arrival {
            wall: Micros(NOW),
            monotonic_us: 0,
            connection: 1,
            dup: false,
        };
        let power_up = Some(Micros(37 * SECOND));
        assert_eq!(
            timing
                .observe(&stream(), &arrival, power_up)
                .place(power_up, arrival.wall),
            Ok((Micros(NOW), Quality::ClockCorrected))
        );
    }

    #[test]
    fn our_own_step_accuses_nobody() {
        let mut timing = Timing::default();
        for s in 0..30 {
            message(&mut timing, s, 0).unwrap();
        }
        // The computer's clock was an hour slow and is set right: every sensor that was "an
        // hour ahead" is not, and the verdict goes with the step.
        let mut slow = Timing::default();
        assert_eq!(
            message(&mut slow, 0, 3600),
            Ok((0, Quality::ClockCorrected))
        );
        let arrival = Arrival {
            wall: Micros(NOW + 3601 * SECOND),
            monotonic_us: SECOND,
            connection: 1,
            dup: false,
        };
        let judged = slow.observe(&stream(), &arrival, Some(arrival.wall));
        assert_eq!(judged.wrong_by, None);
        assert_eq!(slow.own_steps(), 1);
        assert_eq!(timing.own_steps(), 0);
    }

    #[test]
    fn relative_times_need_no_clock() {
        let judged = Judged {
            wrong_by: Some(3600 * SECOND),
            out_of_store: false,
            news: None,
        };
        assert_eq!(
            judged.place_ago(10 * SECOND, Micros(NOW)),
            Ok((Micros(NOW - 10 * SECOND), Quality::Good))
        );
        assert_eq!(
            judged.place_ago(90 * SECOND, Micros(NOW)),
            Ok((Micros(NOW - 90 * SECOND), Quality::Late))
        );
    }

    #[test]
    fn memory_is_bounded() {
        let mut timing = Timing::default();
        for i in 0..MOST_STREAMS as i64 + 50 {
            let arrival = Arrival {
                wall: Micros(NOW + i),
                monotonic_us: i,
                connection: 1,
                dup: false,
            };
            let stream = Stream {
                client: format!("stranger-{i}").into(),
                ..stream()
            };
            timing.observe(&stream, &arrival, None);
        }
        assert_eq!(timing.streams.len(), MOST_STREAMS);
    }

    proptest! {
        /// Nothing is ever filed in the future or more than 14 days back, whatever its sender
        /// believes.
        #[test]
        fn no_reading_leaves_its_fortnight(
            offsets in proptest::collection::vec(-3_000_000i64..3_000_000, 1..100),
        ) {
            let mut timing = Timing::default();
            for (s, offset) in offsets.iter().enumerate() {
                let s = s as i64;
                if let Ok((time, _)) = message(&mut timing, s, *offset) {
                    prop_assert!(time <= s + TOLERANCE_S);
                    prop_assert!(time >= s - OLDEST_S - 1);
                }
            }
        }
    }
}

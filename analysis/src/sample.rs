//! One reading of one channel, and the order in which readings are taken.

use std::cmp::Ordering;

use crate::channel::Channel;
use crate::time::Micros;

/// How far a reading can be trusted. Stored as a small number; where several apply, the highest
/// is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[repr(u8)]
pub enum Quality {
    /// Nothing against it.
    #[default]
    Good = 0,
    /// It came long after its own time (a sensor's backlog).
    Late = 1,
    /// Its sender's clock was off by a steady amount, which was taken out.
    ClockCorrected = 2,
    /// From a backlog without times of its own: its time is only that of its arrival. Kept, but
    /// never shown to the detector.
    Untimed = 3,
    /// Outside the limits that the configuration gives its channel. Kept, never used.
    OutOfRange = 4,
}

impl Quality {
    /// The quality with this number; unknown numbers, from a newer pourbook, count as
    /// [`Quality::OutOfRange`], so that they are kept and not used.
    pub fn from_code(code: u8) -> Quality {
        match code {
            0 => Quality::Good,
            1 => Quality::Late,
            2 => Quality::ClockCorrected,
            3 => Quality::Untimed,
            _ => Quality::OutOfRange,
        }
    }

    /// The number stored in traces.
    pub fn code(self) -> u8 {
        self as u8
    }

    /// Whether the detector may look at it.
    pub fn usable(self) -> bool {
        self <= Quality::ClockCorrected
    }
}

/// One reading in the canonical unit of its channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// When it was taken, as well as can be told.
    pub time: Micros,
    /// What was read.
    pub channel: Channel,
    /// The value, in the unit [`Channel`] names.
    pub value: f64,
    /// How far it can be trusted.
    pub quality: Quality,
}

impl Sample {
    /// The total order of every final feed: time, channel, value, quality. Two feeds of the same
    /// set of samples are then the same sequence, whatever order they came in.
    pub fn total_cmp(&self, other: &Sample) -> Ordering {
        self.time
            .cmp(&other.time)
            .then(self.channel.cmp(&other.channel))
            .then(self.value.total_cmp(&other.value))
            .then(self.quality.cmp(&other.quality))
    }
}

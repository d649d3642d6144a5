//! What the journal stores.

use std::sync::Arc;

use analysis::channel::Channel;
use analysis::sample::Quality;
use analysis::time::Micros;
use uuid::Uuid;

use crate::place::Place;

/// One entry; each gets its own sequence number, contiguous for the life of the book.
#[derive(Clone, Debug, PartialEq)]
pub enum Entry {
    /// A reading that was understood.
    Reading(Reading),
    /// A message that was not, kept so that it can be acknowledged and shown, never redelivered
    /// for ever.
    Refused(Refused),
    /// A session was closed: what its trace holds. Publication is a pure function of this.
    Close(Close),
}

/// The message that an entry came in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Origin {
    /// The way in: `door`, `broker` or `import`.
    pub source: Arc<str>,
    /// The sender's client id (ours, for a broker of the shop's own).
    pub client: Arc<str>,
    /// Counts connections over all sources for the life of this process.
    pub connection: u64,
    /// MQTT packet id; 0 for QoS 0.
    pub packet: u16,
    /// The sender marked it as sent before.
    pub dup: bool,
    /// A hash of topic and payload, stable across versions (the first 8 bytes of SHA-256).
    pub payload_hash: u64,
}

/// A reading in the canonical unit of its channel.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// The message it came in.
    pub origin: Origin,
    /// Whose channel.
    pub place: Place,
    /// Which channel (kilns numbered 0).
    pub channel: Channel,
    /// The value.
    pub value: f64,
    /// How far it can be trusted.
    pub quality: Quality,
    /// The time it is filed under: the device's, corrected if its clock was wrong, else arrival.
    pub time: Micros,
    /// The device's own time as sent, if any.
    pub device_time: Option<Micros>,
    /// Wall time of arrival.
    pub arrival: Micros,
    /// Monotonic time of arrival, µs since boot.
    pub monotonic_us: i64,
}

/// A message that could not be read.
#[derive(Clone, Debug, PartialEq)]
pub struct Refused {
    /// The message.
    pub origin: Origin,
    /// Its topic, shortened to 256 bytes.
    pub topic: String,
    /// Why, in words.
    pub reason: String,
    /// The first 64 bytes of the payload.
    pub payload_start: Vec<u8>,
    /// Wall time of arrival.
    pub arrival: Micros,
}

/// The close of a session.
#[derive(Clone, Debug, PartialEq)]
pub struct Close {
    /// The session's UUID.
    pub session: Uuid,
    /// The session's name, which is also its file's.
    pub name: String,
    /// The machine.
    pub machine: String,
    /// 1 at the first close; samples that come later make the next.
    pub generation: u32,
    /// The trace's path below the book, with `/` between folders.
    pub path: String,
    /// What the trace takes from the journal.
    pub claims: Vec<Claim>,
    /// Key-value metadata of the trace file, in order.
    pub metadata: Vec<(String, String)>,
}

/// One channel's part of a trace: readings of `place` and `channel` with `from <= time <= to`
/// and `first_seq <= seq <= last_seq`.
#[derive(Clone, Debug, PartialEq)]
pub struct Claim {
    /// Whose channel.
    pub place: Place,
    /// The channel in the journal.
    pub channel: Channel,
    /// The channel in the trace (kilns numbered as the machine names them).
    pub channel_in_trace: Channel,
    /// Earliest time, inclusive.
    pub from: Micros,
    /// Latest time, inclusive.
    pub to: Micros,
    /// First sequence number, inclusive.
    pub first_seq: u64,
    /// Last sequence number, inclusive.
    pub last_seq: u64,
}

//! The one path from a message to the journal's queue, for both ways in: which channel it is
//! for, what it reads, when that was, whether it was stored before. Ends at the writer's bounded
//! queue, so that a slow disk slows the senders and loses nothing.

use std::collections::HashMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use analysis::channel::Channel;
use analysis::sample::Quality;
use analysis::time::Micros;
use sha2::{Digest, Sha256};
use tokio::sync::mpsc;

use super::device_clock::News;
use super::heard::{Heard, Listener};
use super::payload::{self, SentTime, Value};
use super::repeats::{Repeats, Seen};
use super::timing::{Arrival, Judged, Stream, Timing, was_set};
use crate::clock::Clock;
use crate::journal::{AckTo, Entry, Origin, Reading, Refused, Submission};
use crate::route::{Route, Routes};

/// The door's name in [`Origin::source`].
pub const DOOR: &str = "door";
/// The broker's name in [`Origin::source`].
pub const BROKER: &str = "broker";

/// A topic in a [`Refused`] is cut to this, bytes.
const TOPIC_KEPT: usize = 256;
/// As much of a refused payload is kept, bytes.
const PAYLOAD_KEPT: usize = 64;
/// A barometer heard longer ago than this is not believed any more, s.
const BAROMETER_HOLDS_S: f64 = 3.0 * 3600.0;
/// Air pressures that occur where people cast, kPa: from 5,500 m up to the deepest valley in
/// the highest recorded pressure, with room. Outside, the barometer is what is wrong.
const AIR_KPA: std::ops::RangeInclusive<f64> = 45.0..=112.0;

/// One message as it came in.
#[derive(Debug, Clone, Copy)]
pub struct Message<'a> {
    /// The way in: [`DOOR`] or [`BROKER`].
    pub source: &'a Arc<str>,
    /// The sender's client id; ours, for a broker.
    pub client: &'a Arc<str>,
    /// The connection, from [`Ingest::next_connection`].
    pub connection: u64,
    /// The topic.
    pub topic: &'a str,
    /// The payload.
    pub payload: &'a [u8],
    /// The packet id; 0 for QoS 0.
    pub packet: u16,
    /// Marked as sent before.
    pub dup: bool,
    /// Kept by a broker from earlier and sent because we subscribed. The door passes false: its
    /// senders' retain flag asks it to keep something, and it keeps everything.
    pub retained: bool,
    /// Where its acknowledgement goes; none for QoS 0, or if the connection is gone already.
    pub ack: Option<&'a mpsc::UnboundedSender<u16>>,
}

/// The journal's writer is gone, so nothing can be stored and nothing may be acknowledged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the journal's writer has stopped; nothing more can be stored or acknowledged")]
pub struct WriterGone;

/// The path itself. Cheap to clone; every clone is the same path.
#[derive(Clone)]
pub struct Ingest {
    shared: Arc<Shared>,
}

struct Shared {
    clock: Arc<dyn Clock>,
    writer: mpsc::Sender<Submission>,
    connections: AtomicU64,
    /// Held for microseconds and never across an await.
    state: Mutex<State>,
}

struct State {
    routes: HashMap<String, (Arc<str>, Vec<Arc<Route>>)>,
    timing: Timing,
    repeats: Repeats,
    listener: Listener,
    barometer: Option<(f64, Micros)>,
}

impl Ingest {
    /// A path that hears `routes` and ends at `writer`.
    pub fn new(routes: &Routes, clock: Arc<dyn Clock>, writer: mpsc::Sender<Submission>) -> Ingest {
        let ingest = Ingest {
            shared: Arc::new(Shared {
                clock,
                writer,
                connections: AtomicU64::new(0),
                state: Mutex::new(State {
                    routes: HashMap::new(),
                    timing: Timing::default(),
                    repeats: Repeats::default(),
                    listener: Listener::default(),
                    barometer: None,
                }),
            }),
        };
        ingest.set_routes(routes);
        ingest
    }

    /// Replaces the routes, as when a topic was assigned to a channel. What is known of
    /// channels that stay is kept.
    pub fn set_routes(&self, routes: &Routes) {
        let mut state = self.state();
        state.listener.set_routes(routes);
        state.routes = routes
            .iter()
            .map(|(topic, routes)| (topic.clone(), (Arc::from(topic.as_str()), routes.clone())))
            .collect();
    }

    /// Every topic that has a channel.
    pub fn topics(&self) -> Vec<String> {
        let mut topics: Vec<String> = self.state().routes.keys().cloned().collect();
        topics.sort();
        topics
    }

    /// Learns from the journal what an earlier life of the process stored, in order of sequence,
    /// before anything is taken: what would be a repeat, how often each topic reports, whose
    /// clock is wrong, the air's pressure. The entries of the last hour are enough, and of the
    /// last three for a barometer that reports seldom.
    pub fn learn(&self, entry: &Entry) {
        let now = self.shared.clock.now();
        let monotonic = self.shared.clock.monotonic_us();
        let mut state = self.state();
        state.repeats.learn(entry);
        let Entry::Reading(reading) = entry else {
            return;
        };
        state.note_barometer(reading);
        let topic = state
            .routes
            .values()
            .find(|(_, routes)| {
                routes
                    .iter()
                    .any(|r| r.place == reading.place && r.channel == reading.channel)
            })
            .map(|(topic, _)| topic.clone());
        if let Some(topic) = topic {
            let stream = Stream {
                source: reading.origin.source.clone(),
                client: reading.origin.client.clone(),
                topic,
            };
            // Monotonic times of another boot mean nothing now; wall times are put on this
            // boot's clock, and every connection of then is connection 0.
            let arrival = Arrival {
                wall: reading.arrival,
                monotonic_us: monotonic - (now.0 - reading.arrival.0),
                connection: 0,
                dup: reading.origin.dup,
            };
            let _ = state.timing.observe(&stream, &arrival, reading.device_time);
        }
    }

    /// A number for a new connection, unlike any other of this process.
    pub fn next_connection(&self) -> u64 {
        self.shared.connections.fetch_add(1, Ordering::Relaxed) + 1
    }

    /// Whether anything this client sent is remembered.
    pub fn knows_client(&self, source: &Arc<str>, client: &Arc<str>) -> bool {
        self.state().repeats.knows(source, client)
    }

    /// Takes a message. Waits while the writer's queue is full; a caller that gives up waiting
    /// has changed nothing. Once this returns, the message is in the queue and its
    /// acknowledgement will come.
    ///
    /// # Errors
    /// [`WriterGone`].
    pub async fn take(&self, message: Message<'_>) -> Result<(), WriterGone> {
        self.pass(message, None).await
    }

    /// Refuses a message for a reason other than its payload (a topic that its sender may not
    /// use, a packet too large): it is journaled as refused and acknowledged, so that the sender
    /// does not send it for ever.
    ///
    /// # Errors
    /// [`WriterGone`].
    pub async fn refuse(&self, message: Message<'_>, reason: &str) -> Result<(), WriterGone> {
        self.pass(message, Some(reason)).await
    }

    async fn pass(&self, message: Message<'_>, reason: Option<&str>) -> Result<(), WriterGone> {
        let permit = self.shared.writer.reserve().await.map_err(|_| WriterGone)?;
        let now = self.shared.clock.now();
        let monotonic_us = self.shared.clock.monotonic_us();
        let mut state = self.state();
        let entries = match reason {
            Some(reason) => state.refuse(&message, reason, now),
            None => state.take(&message, now, monotonic_us),
        };
        let ack = message.ack.filter(|_| message.packet != 0).map(|to| AckTo {
            connection: message.connection,
            packet: message.packet,
            to: to.clone(),
        });
        // Sent under the lock: what was just remembered as stored must be in the queue before
        // a repeat of it, over another connection, can be acknowledged behind it.
        if ack.is_some() || !entries.is_empty() {
            permit.send(Submission { entries, ack });
        }
        Ok(())
    }

    /// Wall time, by the clock that arrivals are read from.
    pub fn now(&self) -> Micros {
        self.shared.clock.now()
    }

    /// Counts something that happened to a connection, for people to see.
    pub fn count(&self, kind: &str) {
        self.state().listener.count(kind);
    }

    /// Everything heard so far.
    pub fn heard(&self) -> Heard {
        let now = self.shared.clock.now();
        let at = self.shared.clock.monotonic_us();
        let state = self.state();
        let mut heard = state.listener.heard(now, at);
        let steps = state.timing.own_steps();
        if steps > 0 {
            heard
                .counts
                .insert("steps of this computer's own clock".to_owned(), steps);
        }
        heard
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // A panic elsewhere must not stop the logging; every field is valid at every step.
        self.shared
            .state
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }
}

impl State {
    fn take(&mut self, message: &Message<'_>, now: Micros, monotonic_us: i64) -> Vec<Entry> {
        self.listener.count("messages");
        let Some((topic, routes)) = self.routes.get(message.topic) else {
            self.listener
                .unassigned(message.topic, message.payload, now, monotonic_us);
            return Vec::new();
        };
        let (topic, routes) = (topic.clone(), routes.clone());
        let origin = origin(message);
        for route in &routes {
            self.listener.arrived(route, message.payload, monotonic_us);
        }
        match self.repeats.judge(&origin) {
            Seen::Repeat => {
                self.listener.count("repeats left out");
                return Vec::new();
            }
            Seen::Suspect => self
                .listener
                .count("kept, though like a repeat that is not marked as one"),
            Seen::New => {}
        }

        let ambient = self.ambient(now);
        let read: Vec<(Arc<Route>, Result<Vec<_>, _>)> = routes
            .into_iter()
            .map(|route| {
                let air = ambient.unwrap_or(route.ambient_kpa);
                let values = payload::read(message.payload, &route, air);
                (route, values)
            })
            .collect();
        let newest = read
            .iter()
            .filter_map(|(_, values)| values.as_ref().ok())
            .flatten()
            .filter_map(|value| match value.time {
                Some(SentTime::At(at)) => Some(at),
                _ => None,
            })
            .max();

        let stream = Stream {
            source: message.source.clone(),
            client: message.client.clone(),
            topic,
        };
        if message.retained {
            match newest.filter(|time| was_set(*time)) {
                None => {
                    self.listener.count("retained without a time, not sampled");
                    return Vec::new();
                }
                Some(time) if self.timing.newest(&stream).is_some_and(|seen| seen >= time) => {
                    self.listener.count("retained and heard before");
                    return Vec::new();
                }
                Some(_) => {}
            }
        }
        let arrival = Arrival {
            wall: now,
            monotonic_us,
            connection: message.connection,
            // What a broker kept says as little about the sender's clock as a repeat.
            dup: message.dup || message.retained,
        };
        let judged = self.timing.observe(&stream, &arrival, newest);
        self.tell(&stream, &judged, now);

        let mut entries = Vec::new();
        for (route, values) in read {
            match values {
                Ok(values) => {
                    for value in values {
                        let entry = entry(&route, &value, &judged, &origin, now, monotonic_us);
                        match entry {
                            Ok(reading) => {
                                self.note_barometer(&reading);
                                self.listener.reading(&route, &reading);
                                entries.push(Entry::Reading(reading));
                            }
                            Err(reason) => {
                                self.listener.count("refused: too old");
                                self.bad(&mut entries, &route, message, &origin, reason, now);
                            }
                        }
                    }
                }
                Err(unreadable) => {
                    self.listener
                        .count(&format!("refused: {}", unreadable.kind()));
                    let reason = unreadable.to_string();
                    self.bad(&mut entries, &route, message, &origin, reason, now);
                }
            }
        }
        entries
    }

    fn refuse(&mut self, message: &Message<'_>, reason: &str, now: Micros) -> Vec<Entry> {
        self.listener.count("messages");
        self.listener.count(&format!("refused: {reason}"));
        let origin = origin(message);
        if self.repeats.judge(&origin) == Seen::Repeat {
            return Vec::new();
        }
        // At QoS 0 nobody waits for an answer, and a raving sender must not fill the journal.
        if message.packet == 0 {
            return Vec::new();
        }
        vec![Entry::Refused(refused(
            message,
            &origin,
            reason.to_owned(),
            now,
        ))]
    }

    /// Keeps a message that could not be read: always at QoS 1, whose acknowledgement says so;
    /// at QoS 0 only the first distinct ones, so that a raving sender cannot fill the journal.
    fn bad(
        &mut self,
        entries: &mut Vec<Entry>,
        route: &Route,
        message: &Message<'_>,
        origin: &Origin,
        reason: String,
        now: Micros,
    ) {
        let refused = refused(message, origin, reason, now);
        let first = self.listener.refused(route, &refused);
        if first {
            tracing::warn!(topic = message.topic, reason = refused.reason, "refused");
        }
        if first || message.packet != 0 {
            entries.push(Entry::Refused(refused));
        }
    }

    fn tell(&mut self, stream: &Stream, judged: &Judged, now: Micros) {
        match judged.news {
            Some(News::Wrong(by)) => {
                let ahead_s = by as f64 / 1e6;
                tracing::warn!(
                    client = &*stream.client,
                    topic = &*stream.topic,
                    ahead_s,
                    "a sender's clock is wrong; its times are corrected"
                );
                self.listener
                    .clock(&stream.client, &stream.topic, Some(ahead_s), now);
            }
            Some(News::Mended) => {
                tracing::info!(client = &*stream.client, "a sender's clock is right again");
                self.listener
                    .clock(&stream.client, &stream.topic, None, now);
            }
            None => {}
        }
    }

    fn note_barometer(&mut self, reading: &Reading) {
        if reading.channel == Channel::Barometer
            && reading.quality.usable()
            && AIR_KPA.contains(&reading.value)
            && self.barometer.is_none_or(|(_, time)| reading.time >= time)
        {
            self.barometer = Some((reading.value, reading.time));
        }
    }

    fn ambient(&self, now: Micros) -> Option<f64> {
        let (kpa, time) = self.barometer?;
        (now.seconds_since(time) < BAROMETER_HOLDS_S).then_some(kpa)
    }
}

/// One reading as it is stored, or why it is too old.
fn entry(
    route: &Route,
    value: &Value,
    judged: &Judged,
    origin: &Origin,
    arrival: Micros,
    monotonic_us: i64,
) -> Result<Reading, String> {
    let (placed, device_time) = match value.time {
        Some(SentTime::At(device)) => (judged.place(Some(device), arrival), Some(device)),
        Some(SentTime::Ago(ago)) => (
            judged.place_ago(ago, arrival),
            Some(Micros(arrival.0.saturating_sub(ago))),
        ),
        None => (judged.place(None, arrival), None),
    };
    let (time, quality) = placed.map_err(|e| e.to_string())?;
    let below = route.min.is_some_and(|min| value.value < min);
    let above = route.max.is_some_and(|max| value.value > max);
    Ok(Reading {
        origin: origin.clone(),
        place: route.place.clone(),
        channel: route.channel,
        value: value.value,
        quality: if below || above {
            Quality::OutOfRange
        } else {
            quality
        },
        time,
        device_time,
        arrival,
        monotonic_us,
    })
}

fn origin(message: &Message<'_>) -> Origin {
    Origin {
        source: message.source.clone(),
        client: message.client.clone(),
        connection: message.connection,
        packet: message.packet,
        dup: message.dup,
        payload_hash: payload_hash(message.topic, message.payload),
    }
}

fn refused(message: &Message<'_>, origin: &Origin, reason: String, now: Micros) -> Refused {
    let mut topic = message.topic.to_owned();
    topic.truncate(topic.floor_char_boundary(TOPIC_KEPT));
    Refused {
        origin: origin.clone(),
        topic,
        reason,
        payload_start: message.payload[..message.payload.len().min(PAYLOAD_KEPT)].to_vec(),
        arrival: now,
    }
}

/// The hash in [`Origin::payload_hash`]: the first 8 bytes, big-endian, of the SHA-256 of topic,
/// a zero byte (which no topic holds) and payload.
pub fn payload_hash(topic: &str, payload: &[u8]) -> u64 {
    let mut hasher = Sha256::new();
    hasher.update(topic.as_bytes());
    hasher.update([0]);
    hasher.update(payload);
    let digest = hasher.finalize();
    let mut first = [0; 8];
    first.copy_from_slice(&digest[..8]);
    u64::from_be_bytes(first)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;

//! What came in, how often and what was wrong with it: counts and last values for the live
//! page, `check`, the set-up page and the data-quality part of reports. Holds nothing that the
//! logging depends on.

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::fmt;

use analysis::sample::Quality;
use analysis::time::Micros;
use serde::{Deserialize, Serialize};

use super::payload::short;
use crate::journal::{Reading, Refused};
use crate::route::{Route, Routes};

/// Distinct bad payloads kept for each channel.
const BAD_KEPT: usize = 20;
/// Topics without a channel that are kept; a broker may carry thousands.
const UNASSIGNED_KEPT: usize = 256;
/// Arrivals that a rate is taken from.
const ARRIVALS_KEPT: usize = 32;
/// A rate is taken from arrivals of this last stretch, s.
const RATE_OVER_S: f64 = 60.0;

/// Everything heard, as of one moment.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Heard {
    /// When this was put together.
    pub at: Micros,
    /// Every configured channel, by place and name.
    pub channels: Vec<ChannelHeard>,
    /// Topics that belong to no channel, most frequent first.
    pub unassigned: Vec<TopicHeard>,
    /// Topics without a channel beyond those listed.
    pub unassigned_beyond: u64,
    /// How many messages of each kind; only kinds that occurred.
    pub counts: BTreeMap<String, u64>,
    /// Senders whose clock is wrong.
    pub wrong_clocks: Vec<WrongClock>,
}

/// One configured channel.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct ChannelHeard {
    /// The machine, kiln or `shop`.
    pub place: String,
    /// The channel's name.
    pub channel: String,
    /// Its topic.
    pub topic: String,
    /// The unit it is configured in.
    pub unit: String,
    /// Readings since the start.
    pub readings: u64,
    /// Readings by quality, other than good.
    pub flagged: BTreeMap<String, u64>,
    /// Messages that could not be read.
    pub refused: u64,
    /// The last value, in the stored unit.
    pub last_value: Option<f64>,
    /// The time it is filed under.
    pub last_time: Option<Micros>,
    /// When it came.
    pub last_arrival: Option<Micros>,
    /// The payload it came in, shortened.
    pub last_payload: Option<String>,
    /// Messages a second over the last minute.
    pub rate_hz: Option<f64>,
    /// Nothing for longer than the configuration allows; also true before the first.
    pub stale: bool,
    /// The first distinct payloads that could not be read.
    pub bad: Vec<BadPayload>,
}

/// A payload that could not be read.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct BadPayload {
    /// Its start, shortened.
    pub payload: String,
    /// Why, in words.
    pub reason: String,
    /// How often just this came.
    pub count: u64,
}

/// A topic that belongs to no channel.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct TopicHeard {
    /// The topic.
    pub topic: String,
    /// Messages since the start.
    pub messages: u64,
    /// The last payload, shortened.
    pub last_payload: String,
    /// When it came.
    pub last_arrival: Micros,
    /// Messages a second over the last minute.
    pub rate_hz: Option<f64>,
}

/// A sender whose clock is wrong.
#[derive(Debug, Clone, Serialize, Deserialize, PartialEq)]
pub struct WrongClock {
    /// Its client id.
    pub client: String,
    /// The topic it was noticed on.
    pub topic: String,
    /// Ahead (positive) or behind, s.
    pub ahead_s: f64,
    /// Since when it is known.
    pub since: Micros,
}

/// Collects what is heard.
#[derive(Debug, Default)]
pub struct Listener {
    channels: BTreeMap<(String, String), Channel>,
    unassigned: HashMap<String, Topic>,
    unassigned_beyond: u64,
    counts: BTreeMap<String, u64>,
    wrong_clocks: BTreeMap<(String, String), (f64, Micros)>,
}

#[derive(Debug)]
struct Channel {
    topic: String,
    unit: String,
    stale_after_s: f64,
    readings: u64,
    flagged: BTreeMap<String, u64>,
    refused: u64,
    last: Option<(f64, Micros, Micros)>,
    last_payload: Vec<u8>,
    rate: Rate,
    bad: Vec<(Vec<u8>, BadPayload)>,
}

#[derive(Debug)]
struct Topic {
    messages: u64,
    last_payload: Vec<u8>,
    last_arrival: Micros,
    rate: Rate,
}

#[derive(Debug, Default)]
struct Rate {
    arrivals: VecDeque<i64>,
}

impl Rate {
    fn note(&mut self, at: i64) {
        self.arrivals.push_back(at);
        if self.arrivals.len() > ARRIVALS_KEPT {
            self.arrivals.pop_front();
        }
    }

    fn hz(&self, now: i64) -> Option<f64> {
        let from = now - (RATE_OVER_S * 1e6) as i64;
        let recent: Vec<i64> = self
            .arrivals
            .iter()
            .copied()
            .filter(|at| *at >= from)
            .collect();
        let (first, last) = (recent.first()?, recent.last()?);
        (last > first).then(|| (recent.len() - 1) as f64 / ((last - first) as f64 / 1e6))
    }
}

/// The word for a quality in counts.
fn word(quality: Quality) -> &'static str {
    match quality {
        Quality::Good => "good",
        Quality::Late => "late",
        Quality::ClockCorrected => "clock corrected",
        Quality::Untimed => "untimed",
        Quality::OutOfRange => "out of range",
    }
}

impl Listener {
    /// Lists the configured channels, keeping what is already known of those that stay.
    pub fn set_routes(&mut self, routes: &Routes) {
        let mut before = std::mem::take(&mut self.channels);
        for route in routes.values().flatten() {
            let key = key(route);
            let channel = match before.remove(&key) {
                Some(known) if known.topic == route.topic => Channel {
                    unit: route.unit.clone(),
                    stale_after_s: route.stale_after_s,
                    ..known
                },
                _ => Channel {
                    topic: route.topic.clone(),
                    unit: route.unit.clone(),
                    stale_after_s: route.stale_after_s,
                    readings: 0,
                    flagged: BTreeMap::new(),
                    refused: 0,
                    last: None,
                    last_payload: Vec::new(),
                    rate: Rate::default(),
                    bad: Vec::new(),
                },
            };
            self.unassigned.remove(&route.topic);
            self.channels.insert(key, channel);
        }
    }

    /// One more of a kind.
    pub fn count(&mut self, kind: &str) {
        self.count_many(kind, 1);
    }

    /// Some more of a kind.
    pub fn count_many(&mut self, kind: &str, many: u64) {
        match self.counts.get_mut(kind) {
            Some(count) => *count += many,
            None => {
                self.counts.insert(kind.to_owned(), many);
            }
        }
    }

    /// A message arrived for a channel, whatever becomes of it.
    pub fn arrived(&mut self, route: &Route, payload: &[u8], at: i64) {
        if let Some(channel) = self.channels.get_mut(&key(route)) {
            channel.rate.note(at);
            channel.last_payload.clear();
            channel.last_payload.extend_from_slice(start(payload));
        }
    }

    /// A reading was taken.
    pub fn reading(&mut self, route: &Route, reading: &Reading) {
        if let Some(channel) = self.channels.get_mut(&key(route)) {
            channel.readings += 1;
            // A store that is emptied does not turn the live page back.
            if channel.last.is_none_or(|(_, time, _)| reading.time >= time) {
                channel.last = Some((reading.value, reading.time, reading.arrival));
            }
            if reading.quality != Quality::Good {
                *channel
                    .flagged
                    .entry(word(reading.quality).to_owned())
                    .or_default() += 1;
            }
        }
    }

    /// A message for a channel was refused. True if it is among the first distinct ones.
    pub fn refused(&mut self, route: &Route, refused: &Refused) -> bool {
        let Some(channel) = self.channels.get_mut(&key(route)) else {
            return false;
        };
        channel.refused += 1;
        if let Some((_, known)) = channel.bad.iter_mut().find(|(payload, known)| {
            *payload == refused.payload_start && known.reason == refused.reason
        }) {
            known.count += 1;
            return false;
        }
        if channel.bad.len() >= BAD_KEPT {
            return false;
        }
        channel.bad.push((
            refused.payload_start.clone(),
            BadPayload {
                payload: shown(&refused.payload_start),
                reason: refused.reason.clone(),
                count: 1,
            },
        ));
        true
    }

    /// A message came on a topic that belongs to no channel.
    pub fn unassigned(&mut self, topic: &str, payload: &[u8], arrival: Micros, at: i64) {
        if !self.unassigned.contains_key(topic) {
            if self.unassigned.len() >= UNASSIGNED_KEPT {
                self.unassigned_beyond += 1;
                return;
            }
            self.unassigned.insert(
                topic.to_owned(),
                Topic {
                    messages: 0,
                    last_payload: Vec::new(),
                    last_arrival: arrival,
                    rate: Rate::default(),
                },
            );
        }
        if let Some(known) = self.unassigned.get_mut(topic) {
            known.messages += 1;
            known.last_payload.clear();
            known.last_payload.extend_from_slice(start(payload));
            known.last_arrival = arrival;
            known.rate.note(at);
        }
    }

    /// A sender's clock was found wrong, or right again.
    pub fn clock(&mut self, client: &str, topic: &str, ahead_s: Option<f64>, now: Micros) {
        let key = (client.to_owned(), topic.to_owned());
        match ahead_s {
            Some(ahead_s) => {
                let since = self.wrong_clocks.get(&key).map_or(now, |(_, since)| *since);
                // As bounded as the topics that have a channel, times the clients; cut anyway.
                if self.wrong_clocks.len() < UNASSIGNED_KEPT || self.wrong_clocks.contains_key(&key)
                {
                    self.wrong_clocks.insert(key, (ahead_s, since));
                }
            }
            None => {
                self.wrong_clocks.remove(&key);
            }
        }
    }

    /// Everything, as of now.
    pub fn heard(&self, now: Micros, at: i64) -> Heard {
        let channels = self
            .channels
            .iter()
            .map(|((place, name), channel)| ChannelHeard {
                place: place.clone(),
                channel: name.clone(),
                topic: channel.topic.clone(),
                unit: channel.unit.clone(),
                readings: channel.readings,
                flagged: channel.flagged.clone(),
                refused: channel.refused,
                last_value: channel.last.map(|(value, _, _)| value),
                last_time: channel.last.map(|(_, time, _)| time),
                last_arrival: channel.last.map(|(_, _, arrival)| arrival),
                last_payload: (!channel.last_payload.is_empty())
                    .then(|| shown(&channel.last_payload)),
                rate_hz: channel.rate.hz(at),
                stale: channel
                    .rate
                    .arrivals
                    .back()
                    .is_none_or(|last| (at - last) as f64 / 1e6 > channel.stale_after_s),
                bad: channel.bad.iter().map(|(_, bad)| bad.clone()).collect(),
            })
            .collect();
        let mut unassigned: Vec<TopicHeard> = self
            .unassigned
            .iter()
            .map(|(topic, known)| TopicHeard {
                topic: topic.clone(),
                messages: known.messages,
                last_payload: shown(&known.last_payload),
                last_arrival: known.last_arrival,
                rate_hz: known.rate.hz(at),
            })
            .collect();
        unassigned.sort_by(|a, b| b.messages.cmp(&a.messages).then(a.topic.cmp(&b.topic)));
        Heard {
            at: now,
            channels,
            unassigned,
            unassigned_beyond: self.unassigned_beyond,
            counts: self.counts.clone(),
            wrong_clocks: self
                .wrong_clocks
                .iter()
                .map(|((client, topic), (ahead_s, since))| WrongClock {
                    client: client.clone(),
                    topic: topic.clone(),
                    ahead_s: *ahead_s,
                    since: *since,
                })
                .collect(),
        }
    }
}

impl fmt::Display for WrongClock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (size, side) = if self.ahead_s > 0.0 {
            (self.ahead_s, "ahead")
        } else {
            (-self.ahead_s, "behind")
        };
        write!(
            f,
            "the clock of \"{}\" is {size:.0} s {side} (seen on {}); its times are corrected, but \
             set it right",
            self.client, self.topic
        )
    }
}

fn key(route: &Route) -> (String, String) {
    (route.place.to_string(), route.channel.to_string())
}

fn start(payload: &[u8]) -> &[u8] {
    &payload[..payload.len().min(64)]
}

/// A payload for people to look at.
fn shown(payload: &[u8]) -> String {
    short(&String::from_utf8_lossy(payload))
}

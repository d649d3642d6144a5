//! Entries for the journal's tests: an invented bench's readings, and any entry at all.

use std::sync::Arc;

use analysis::channel::Channel;
use analysis::sample::Quality;
use analysis::time::Micros;
use proptest::prelude::*;
use uuid::Uuid;

use super::{Claim, Close, Entry, Origin, Reading, Refused};
use crate::place::Place;

/// 2026-11-18T09:12:00Z.
pub(crate) const MORNING: Micros = Micros(1_794_993_120_000_000);

/// A melt reading `n` tenths of a second into the morning.
pub(crate) fn reading(n: u64, value: f64) -> Entry {
    let at = MORNING.plus_seconds(n as f64 / 10.0);
    Entry::Reading(Reading {
        origin: Origin {
            source: "door".into(),
            client: "melt-sensor".into(),
            connection: 1,
            packet: n as u16,
            dup: false,
            payload_hash: n,
        },
        place: Place::Machine("bench-1".into()),
        channel: Channel::MeltTemperature,
        value,
        quality: Quality::Good,
        time: at,
        device_time: None,
        arrival: at,
        monotonic_us: at.0 - MORNING.0 + 3_600_000_000,
    })
}

pub(crate) fn any_channel() -> impl Strategy<Value = Channel> {
    (prop::sample::select(&Channel::NAMES[..]), any::<u8>())
        .prop_map(|(name, n)| name.parse::<Channel>().expect("a listed name").of_kiln(n))
}

fn any_place() -> impl Strategy<Value = Place> {
    prop_oneof![
        Just(Place::Shop),
        "kiln-[1-3]".prop_map(|n| Place::Kiln(n.into())),
        "bench-[1-3]".prop_map(|n| Place::Machine(n.into())),
    ]
}

fn any_time() -> impl Strategy<Value = Micros> {
    prop_oneof![any::<i64>().prop_map(Micros), Just(MORNING)]
}

fn any_origin() -> impl Strategy<Value = Origin> {
    (
        prop::sample::select(vec!["door", "broker", "import"]),
        ".{0,12}",
        0u64..4,
        any::<u16>(),
        any::<bool>(),
        any::<u64>(),
    )
        .prop_map(
            |(source, client, connection, packet, dup, payload_hash)| Origin {
                source: Arc::from(source),
                client: client.into(),
                connection,
                packet,
                dup,
                payload_hash,
            },
        )
}

fn any_reading() -> impl Strategy<Value = Entry> {
    (
        any_origin(),
        any_place(),
        any_channel(),
        any::<f64>(),
        (0u8..5).prop_map(Quality::from_code),
        any_time(),
        prop::option::of(any_time()),
        any_time(),
        any::<i64>(),
        0..3,
    )
        .prop_map(
            |(origin, place, channel, value, quality, time, device_time, arrival, mono, how)| {
                Entry::Reading(Reading {
                    origin,
                    place,
                    channel,
                    value,
                    quality,
                    time: match how {
                        0 => time,
                        1 => arrival,
                        _ => device_time.unwrap_or(time),
                    },
                    device_time,
                    arrival,
                    monotonic_us: mono,
                })
            },
        )
}

fn any_refused() -> impl Strategy<Value = Entry> {
    (
        any_origin(),
        ".{0,40}",
        ".{0,40}",
        prop::collection::vec(any::<u8>(), 0..64),
        any_time(),
    )
        .prop_map(|(origin, topic, reason, payload_start, arrival)| {
            Entry::Refused(Refused {
                origin,
                topic,
                reason,
                payload_start,
                arrival,
            })
        })
}

fn any_claim() -> impl Strategy<Value = Claim> {
    (
        any_place(),
        any_channel(),
        any_channel(),
        any_time(),
        any_time(),
        any::<u64>(),
        any::<u64>(),
    )
        .prop_map(
            |(place, channel, channel_in_trace, from, to, first_seq, last_seq)| Claim {
                place,
                channel,
                channel_in_trace,
                from,
                to,
                first_seq,
                last_seq,
            },
        )
}

fn any_close() -> impl Strategy<Value = Entry> {
    (
        any::<u128>(),
        ".{0,20}",
        ".{0,20}",
        any::<u32>(),
        ".{0,40}",
        // Enough claims that some bodies take more than a block.
        prop::collection::vec(any_claim(), 0..120),
        prop::collection::vec((".{0,20}", ".{0,20}"), 0..8),
    )
        .prop_map(
            |(session, name, machine, generation, path, claims, metadata)| {
                Entry::Close(Close {
                    session: Uuid::from_u128(session),
                    name,
                    machine,
                    generation,
                    path,
                    claims,
                    metadata,
                })
            },
        )
}

pub(crate) fn any_entry() -> impl Strategy<Value = Entry> {
    prop_oneof![6 => any_reading(), 1 => any_refused(), 1 => any_close()]
}

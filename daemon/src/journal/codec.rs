//! Bodies: what a frame means, byte for byte. Written by hand so that the format is this page
//! and not a library's; everything is little endian, `v` is an unsigned LEB128, `z` a zigzag
//! LEB128, `text` is a `v` length and UTF-8, times are `i64` microseconds since 1970 UTC.
//!
//! ```text
//! 1 reading     flags u8 (1 DUP, 2 has a device time, 4 filed under its arrival,
//!               8 filed under its device time), channel u8, kiln number u8, quality u8,
//!               place v, boot v, origin v, packet u16, payload hash u64, value f64,
//!               arrival i64, monotonic z, [device time i64], [time i64, unless 4 or 8]
//! 2 refused     flags u8 (1 DUP), origin v, packet u16, payload hash u64, arrival i64,
//!               topic text, reason text, payload start (v length, bytes)
//! 3 close       session 16 bytes, name text, machine text, generation v, path text,
//!               claims v, each: place u8 and text, channel u8, kiln number u8,
//!               the same two for the trace, from i64, to i64, first seq v, last seq v;
//!               metadata v, each: key text, value text
//! 4 dictionary  table u8, id v, then
//!               table 0 boot: 16 bytes
//!               table 1 origin: source text, client text, connection v
//!               table 2 place: u8 (0 shop, 1 kiln, 2 machine), name text
//! 5 commit      offset v in the segment where the commit starts; its seq is the last it holds
//! 6 never       first v, last v: sequence numbers that were torn off before they were
//!               acknowledged, so that later readers do not take them for damage
//! ```
//! The first byte of a body is its number above, and for entries of a message that holds
//! several also 0x40 (goes on from the entry before) and 0x80 (the next entry belongs to it).
//!
//! Channels: 0 barometer, 1 chamber door, 2 flask temperature, 3 gas flow, 4 gas pressure,
//! 5 kiln door, 6 kiln temperature, 7 melt temperature, 8 room oxygen, 9 stopper, 10 vacuum,
//! 11 vacuum valve. Dictionary ids count from 0 in each segment, so that each can be read alone;
//! an entry may be said again. A reading's frame takes about 60 bytes.

use std::collections::HashMap;
use std::sync::Arc;

use analysis::channel::Channel;
use analysis::sample::Quality;
use analysis::time::Micros;
use uuid::Uuid;

use super::entry::{Claim, Close, Entry, Origin, Reading, Refused};
use crate::place::Place;

const READING: u8 = 1;
const REFUSED: u8 = 2;
const CLOSE: u8 = 3;
const DICTIONARY: u8 = 4;
const COMMIT: u8 = 5;
const NEVER: u8 = 6;

const GOES_ON: u8 = 0x40;
const MORE: u8 = 0x80;

const DUP: u8 = 1;
const HAS_DEVICE_TIME: u8 = 2;
const TIME_IS_ARRIVAL: u8 = 4;
const TIME_IS_DEVICE: u8 = 8;

/// Where an entry stands in its message. A message that a crash tore apart must not be kept in
/// part: its sender will send it again, and the part would make the whole look like a repeat.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Part {
    /// The entry before is of the same message.
    pub(super) goes_on: bool,
    /// So is the entry after.
    pub(super) more: bool,
}

/// Writes bodies, and remembers which strings the segment already holds.
#[derive(Debug, Default)]
pub(super) struct Encoder {
    boots: HashMap<Uuid, u64>,
    origins: HashMap<(Arc<str>, Arc<str>, u64), u64>,
    places: HashMap<Place, u64>,
    /// Every dictionary body of this segment so far.
    dictionary: Vec<Vec<u8>>,
}

impl Encoder {
    /// Every dictionary body so far, to be said again where there is room for it.
    pub(super) fn dictionary(&self) -> &[Vec<u8>] {
        &self.dictionary
    }

    /// The body of `entry`, received in `boot`. Dictionary bodies that it is the first to need
    /// are at the end of [`Encoder::dictionary`] and have to come first.
    pub(super) fn entry(&mut self, boot: Uuid, part: Part, entry: &Entry) -> Vec<u8> {
        let mut body = match entry {
            Entry::Reading(r) => self.reading(boot, r),
            Entry::Refused(r) => self.refused(r),
            Entry::Close(c) => close(c),
        };
        if part.goes_on {
            body[0] |= GOES_ON;
        }
        if part.more {
            body[0] |= MORE;
        }
        body
    }

    fn reading(&mut self, boot: Uuid, r: &Reading) -> Vec<u8> {
        let place = self.place_id(&r.place);
        let boot = self.boot_id(boot);
        let origin = self.origin_id(&r.origin);
        let mut flags = if r.origin.dup { DUP } else { 0 };
        if r.device_time.is_some() {
            flags |= HAS_DEVICE_TIME;
        }
        if r.time == r.arrival {
            flags |= TIME_IS_ARRIVAL;
        } else if r.device_time == Some(r.time) {
            flags |= TIME_IS_DEVICE;
        }
        let mut out = Vec::with_capacity(64);
        let (channel, kiln) = channel_code(r.channel);
        out.extend([READING, flags, channel, kiln, r.quality.code()]);
        put_v(&mut out, place);
        put_v(&mut out, boot);
        put_v(&mut out, origin);
        out.extend(r.origin.packet.to_le_bytes());
        out.extend(r.origin.payload_hash.to_le_bytes());
        out.extend(r.value.to_bits().to_le_bytes());
        out.extend(r.arrival.0.to_le_bytes());
        put_z(&mut out, r.monotonic_us);
        if let Some(t) = r.device_time {
            out.extend(t.0.to_le_bytes());
        }
        if flags & (TIME_IS_ARRIVAL | TIME_IS_DEVICE) == 0 {
            out.extend(r.time.0.to_le_bytes());
        }
        out
    }

    fn refused(&mut self, r: &Refused) -> Vec<u8> {
        let origin = self.origin_id(&r.origin);
        let mut out = vec![REFUSED, if r.origin.dup { DUP } else { 0 }];
        put_v(&mut out, origin);
        out.extend(r.origin.packet.to_le_bytes());
        out.extend(r.origin.payload_hash.to_le_bytes());
        out.extend(r.arrival.0.to_le_bytes());
        put_text(&mut out, &r.topic);
        put_text(&mut out, &r.reason);
        put_v(&mut out, r.payload_start.len() as u64);
        out.extend(&r.payload_start);
        out
    }

    fn boot_id(&mut self, boot: Uuid) -> u64 {
        let next = self.boots.len() as u64;
        *self.boots.entry(boot).or_insert_with(|| {
            let mut body = vec![DICTIONARY, 0];
            put_v(&mut body, next);
            body.extend(boot.as_bytes());
            self.dictionary.push(body);
            next
        })
    }

    fn origin_id(&mut self, o: &Origin) -> u64 {
        let next = self.origins.len() as u64;
        let key = (o.source.clone(), o.client.clone(), o.connection);
        *self.origins.entry(key).or_insert_with(|| {
            let mut body = vec![DICTIONARY, 1];
            put_v(&mut body, next);
            put_text(&mut body, &o.source);
            put_text(&mut body, &o.client);
            put_v(&mut body, o.connection);
            self.dictionary.push(body);
            next
        })
    }

    fn place_id(&mut self, place: &Place) -> u64 {
        if let Some(id) = self.places.get(place) {
            return *id;
        }
        let next = self.places.len() as u64;
        let mut body = vec![DICTIONARY, 2];
        put_v(&mut body, next);
        put_place(&mut body, place);
        self.dictionary.push(body);
        self.places.insert(place.clone(), next);
        next
    }
}

fn close(c: &Close) -> Vec<u8> {
    let mut out = vec![CLOSE];
    out.extend(c.session.as_bytes());
    put_text(&mut out, &c.name);
    put_text(&mut out, &c.machine);
    put_v(&mut out, u64::from(c.generation));
    put_text(&mut out, &c.path);
    put_v(&mut out, c.claims.len() as u64);
    for claim in &c.claims {
        put_place(&mut out, &claim.place);
        for channel in [claim.channel, claim.channel_in_trace] {
            let (code, kiln) = channel_code(channel);
            out.extend([code, kiln]);
        }
        out.extend(claim.from.0.to_le_bytes());
        out.extend(claim.to.0.to_le_bytes());
        put_v(&mut out, claim.first_seq);
        put_v(&mut out, claim.last_seq);
    }
    put_v(&mut out, c.metadata.len() as u64);
    for (key, value) in &c.metadata {
        put_text(&mut out, key);
        put_text(&mut out, value);
    }
    out
}

/// The body that ends a commit which starts at `offset` in its segment.
pub(super) fn commit(offset: u64) -> Vec<u8> {
    let mut out = vec![COMMIT];
    put_v(&mut out, offset);
    out
}

/// The body that says which sequence numbers never were.
pub(super) fn never(first: u64, last: u64) -> Vec<u8> {
    let mut out = vec![NEVER];
    put_v(&mut out, first);
    put_v(&mut out, last);
    out
}

/// Bytes that are no body: damage that the checksum cannot see, or a program's mistake.
#[derive(Debug, PartialEq)]
pub(super) struct NotABody;

/// What a body says.
#[derive(Debug, PartialEq)]
pub(super) enum Said {
    /// An entry, and the boot it was received in (none but readings need one).
    Entry(Option<Uuid>, Part, Entry),
    /// Strings for later bodies; already taken note of.
    Dictionary,
    /// The end of a commit.
    Commit,
    /// Sequence numbers that never were.
    Never(u64, u64),
}

/// Reads bodies in the order in which they were written.
#[derive(Debug, Default)]
pub(super) struct Decoder {
    boots: HashMap<u64, Uuid>,
    origins: HashMap<u64, (Arc<str>, Arc<str>, u64)>,
    places: HashMap<u64, Place>,
}

impl Decoder {
    pub(super) fn body(&mut self, bytes: &[u8]) -> Result<Said, NotABody> {
        let mut from = Bytes(bytes);
        let first = from.u8()?;
        let part = Part {
            goes_on: first & GOES_ON != 0,
            more: first & MORE != 0,
        };
        let said = match first & !(GOES_ON | MORE) {
            READING => {
                let (boot, reading) = self.reading(&mut from)?;
                Said::Entry(Some(boot), part, Entry::Reading(reading))
            }
            REFUSED => Said::Entry(None, part, Entry::Refused(self.refused(&mut from)?)),
            CLOSE => Said::Entry(None, part, Entry::Close(read_close(&mut from)?)),
            DICTIONARY => {
                self.learn(&mut from)?;
                Said::Dictionary
            }
            COMMIT => {
                from.v()?;
                Said::Commit
            }
            NEVER => Said::Never(from.v()?, from.v()?),
            _ => return Err(NotABody),
        };
        if from.0.is_empty() {
            Ok(said)
        } else {
            Err(NotABody)
        }
    }

    fn learn(&mut self, from: &mut Bytes<'_>) -> Result<(), NotABody> {
        let table = from.u8()?;
        let id = from.v()?;
        match table {
            0 => {
                self.boots.insert(id, from.uuid()?);
            }
            1 => {
                let origin = (from.text()?.into(), from.text()?.into(), from.v()?);
                self.origins.insert(id, origin);
            }
            2 => {
                self.places.insert(id, read_place(from)?);
            }
            _ => return Err(NotABody),
        }
        Ok(())
    }

    fn origin(&self, id: u64, dup: bool, packet: u16, hash: u64) -> Result<Origin, NotABody> {
        let (source, client, connection) = self.origins.get(&id).ok_or(NotABody)?;
        Ok(Origin {
            source: source.clone(),
            client: client.clone(),
            connection: *connection,
            packet,
            dup,
            payload_hash: hash,
        })
    }

    fn reading(&self, from: &mut Bytes<'_>) -> Result<(Uuid, Reading), NotABody> {
        let flags = from.u8()?;
        let channel = read_channel(from)?;
        let quality = Quality::from_code(from.u8()?);
        let place = self.places.get(&from.v()?).ok_or(NotABody)?.clone();
        let boot = *self.boots.get(&from.v()?).ok_or(NotABody)?;
        let origin = from.v()?;
        let packet = from.u16()?;
        let hash = from.u64()?;
        let origin = self.origin(origin, flags & DUP != 0, packet, hash)?;
        let value = f64::from_bits(from.u64()?);
        let arrival = from.time()?;
        let monotonic_us = from.z()?;
        let device_time = if flags & HAS_DEVICE_TIME != 0 {
            Some(from.time()?)
        } else {
            None
        };
        let time = if flags & TIME_IS_ARRIVAL != 0 {
            arrival
        } else if flags & TIME_IS_DEVICE != 0 {
            device_time.ok_or(NotABody)?
        } else {
            from.time()?
        };
        let reading = Reading {
            origin,
            place,
            channel,
            value,
            quality,
            time,
            device_time,
            arrival,
            monotonic_us,
        };
        Ok((boot, reading))
    }

    fn refused(&self, from: &mut Bytes<'_>) -> Result<Refused, NotABody> {
        let flags = from.u8()?;
        let origin = from.v()?;
        let packet = from.u16()?;
        let hash = from.u64()?;
        let origin = self.origin(origin, flags & DUP != 0, packet, hash)?;
        let arrival = from.time()?;
        let topic = from.text()?.to_owned();
        let reason = from.text()?.to_owned();
        let payload_start = from.bytes()?.to_vec();
        Ok(Refused {
            origin,
            topic,
            reason,
            payload_start,
            arrival,
        })
    }
}

fn read_close(from: &mut Bytes<'_>) -> Result<Close, NotABody> {
    let session = from.uuid()?;
    let name = from.text()?.to_owned();
    let machine = from.text()?.to_owned();
    let generation = u32::try_from(from.v()?).map_err(|_| NotABody)?;
    let path = from.text()?.to_owned();
    // No capacity is taken from the count: a damaged one must not ask for memory.
    let mut claims = Vec::new();
    for _ in 0..from.v()? {
        let place = read_place(from)?;
        let channel = read_channel(from)?;
        let channel_in_trace = read_channel(from)?;
        claims.push(Claim {
            place,
            channel,
            channel_in_trace,
            from: from.time()?,
            to: from.time()?,
            first_seq: from.v()?,
            last_seq: from.v()?,
        });
    }
    let mut metadata = Vec::new();
    for _ in 0..from.v()? {
        metadata.push((from.text()?.to_owned(), from.text()?.to_owned()));
    }
    Ok(Close {
        session,
        name,
        machine,
        generation,
        path,
        claims,
        metadata,
    })
}

/// The stored number of a channel and of its kiln. Never change one: old journals hold them.
fn channel_code(channel: Channel) -> (u8, u8) {
    match channel {
        Channel::Barometer => (0, 0),
        Channel::ChamberDoor => (1, 0),
        Channel::FlaskTemperature => (2, 0),
        Channel::GasFlow => (3, 0),
        Channel::GasPressure => (4, 0),
        Channel::KilnDoor(kiln) => (5, kiln),
        Channel::KilnTemperature(kiln) => (6, kiln),
        Channel::MeltTemperature => (7, 0),
        Channel::RoomOxygen => (8, 0),
        Channel::Stopper => (9, 0),
        Channel::Vacuum => (10, 0),
        Channel::VacuumValve => (11, 0),
    }
}

fn read_channel(from: &mut Bytes<'_>) -> Result<Channel, NotABody> {
    let code = from.u8()?;
    let kiln = from.u8()?;
    Ok(match code {
        0 => Channel::Barometer,
        1 => Channel::ChamberDoor,
        2 => Channel::FlaskTemperature,
        3 => Channel::GasFlow,
        4 => Channel::GasPressure,
        5 => Channel::KilnDoor(kiln),
        6 => Channel::KilnTemperature(kiln),
        7 => Channel::MeltTemperature,
        8 => Channel::RoomOxygen,
        9 => Channel::Stopper,
        10 => Channel::Vacuum,
        11 => Channel::VacuumValve,
        _ => return Err(NotABody),
    })
}

fn put_place(out: &mut Vec<u8>, place: &Place) {
    let (kind, name) = match place {
        Place::Shop => (0, ""),
        Place::Kiln(name) => (1, &**name),
        Place::Machine(name) => (2, &**name),
    };
    out.push(kind);
    put_text(out, name);
}

fn read_place(from: &mut Bytes<'_>) -> Result<Place, NotABody> {
    let kind = from.u8()?;
    let name = from.text()?;
    match kind {
        0 if name.is_empty() => Ok(Place::Shop),
        1 => Ok(Place::Kiln(name.into())),
        2 => Ok(Place::Machine(name.into())),
        _ => Err(NotABody),
    }
}

fn put_v(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push(value as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

fn put_z(out: &mut Vec<u8>, value: i64) {
    put_v(out, ((value << 1) ^ (value >> 63)) as u64);
}

fn put_text(out: &mut Vec<u8>, text: &str) {
    put_v(out, text.len() as u64);
    out.extend(text.as_bytes());
}

/// Bytes still to be read. Everything is taken by checked slices, so that no length in damaged
/// bytes can reach past them or ask for memory.
struct Bytes<'a>(&'a [u8]);

impl<'a> Bytes<'a> {
    fn take(&mut self, n: usize) -> Result<&'a [u8], NotABody> {
        let (head, rest) = self.0.split_at_checked(n).ok_or(NotABody)?;
        self.0 = rest;
        Ok(head)
    }

    fn array<const N: usize>(&mut self) -> Result<[u8; N], NotABody> {
        self.take(N)?.try_into().map_err(|_| NotABody)
    }

    fn u8(&mut self) -> Result<u8, NotABody> {
        Ok(self.array::<1>()?[0])
    }

    fn u16(&mut self) -> Result<u16, NotABody> {
        Ok(u16::from_le_bytes(self.array()?))
    }

    fn u64(&mut self) -> Result<u64, NotABody> {
        Ok(u64::from_le_bytes(self.array()?))
    }

    fn time(&mut self) -> Result<Micros, NotABody> {
        Ok(Micros(i64::from_le_bytes(self.array()?)))
    }

    fn uuid(&mut self) -> Result<Uuid, NotABody> {
        Ok(Uuid::from_bytes(self.array()?))
    }

    fn v(&mut self) -> Result<u64, NotABody> {
        let mut value = 0u64;
        for shift in (0..64).step_by(7) {
            let byte = self.u8()?;
            let bits = u64::from(byte & 0x7f);
            if shift == 63 && bits > 1 {
                return Err(NotABody);
            }
            value |= bits << shift;
            if byte & 0x80 == 0 {
                return Ok(value);
            }
        }
        Err(NotABody)
    }

    fn z(&mut self) -> Result<i64, NotABody> {
        let v = self.v()?;
        Ok((v >> 1) as i64 ^ -((v & 1) as i64))
    }

    fn bytes(&mut self) -> Result<&'a [u8], NotABody> {
        let n = usize::try_from(self.v()?).map_err(|_| NotABody)?;
        self.take(n)
    }

    fn text(&mut self) -> Result<&'a str, NotABody> {
        std::str::from_utf8(self.bytes()?).map_err(|_| NotABody)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::journal::testing::{any_entry, reading};
    use proptest::prelude::*;

    fn there_and_back(entries: &[Entry]) -> Vec<Entry> {
        let boot = Uuid::from_u128(9);
        let mut encoder = Encoder::default();
        let mut decoder = Decoder::default();
        let mut said = 0;
        let mut out = Vec::new();
        for entry in entries {
            let body = encoder.entry(boot, Part::default(), entry);
            for word in &encoder.dictionary()[said..] {
                assert_eq!(decoder.body(word), Ok(Said::Dictionary));
            }
            said = encoder.dictionary().len();
            match decoder.body(&body).unwrap() {
                Said::Entry(from, _, entry) => {
                    assert!(from.is_none_or(|b| b == boot));
                    out.push(entry);
                }
                other => panic!("{other:?}"),
            }
        }
        out
    }

    #[test]
    fn a_reading_stays_small() {
        let mut encoder = Encoder::default();
        let body = encoder.entry(Uuid::from_u128(1), Part::default(), &reading(1, 968.25));
        assert!(
            body.len() + super::super::frame::HEAD <= 64,
            "{}",
            body.len()
        );
    }

    /// The LEB128 example of DWARF 5, section 7.6 and figure C (from memory): 624485 is e5 8e 26.
    #[test]
    fn numbers_are_leb128() {
        let mut out = Vec::new();
        put_v(&mut out, 624_485);
        assert_eq!(out, [0xe5, 0x8e, 0x26]);
    }

    proptest! {
        #[test]
        fn every_entry_reads_back(entries in prop::collection::vec(any_entry(), 1..20)) {
            // Debug text, because a value may be NaN, which equals nothing.
            prop_assert_eq!(format!("{:?}", there_and_back(&entries)), format!("{entries:?}"));
        }

        #[test]
        fn numbers_read_back(v in any::<u64>(), z in any::<i64>()) {
            let mut out = Vec::new();
            put_v(&mut out, v);
            put_z(&mut out, z);
            let mut from = Bytes(&out);
            prop_assert_eq!((from.v(), from.z()), (Ok(v), Ok(z)));
        }

        #[test]
        fn damaged_bodies_are_refused_or_read_but_never_stumbled_over(
            entry in any_entry(), hits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
            cut in any::<prop::sample::Index>(),
        ) {
            let mut encoder = Encoder::default();
            let mut body = encoder.entry(Uuid::nil(), Part::default(), &entry);
            let mut decoder = Decoder::default();
            for word in encoder.dictionary() {
                decoder.body(word).unwrap();
            }
            for (at, byte) in hits {
                let at = at.index(body.len());
                body[at] = byte;
            }
            let _ = decoder.body(&body);
            let shorter = &body[..cut.index(body.len())];
            let _ = decoder.body(shorter);
        }

        #[test]
        fn any_bytes_are_refused_or_read(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
            let _ = Decoder::default().body(&bytes);
        }
    }
}

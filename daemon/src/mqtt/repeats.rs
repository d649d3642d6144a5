//! Which messages were stored before. MQTT at QoS 1 promises at least once, so a sender that
//! lost its connection sends again what was not acknowledged, and marks it (DUP).
//!
//! A message is a repeat only if it is so marked *and* its source, client id, packet id and
//! content match a message of an earlier connection. Everything else is kept: a melt that holds
//! its temperature reads the same twice, and that is two readings. What looks like a repeat but
//! is not marked is counted, so that a sender that breaks the rule shows.
//!
//! One doubt remains by the nature of MQTT: a sender that uses one packet id for every message,
//! whose earlier, acknowledged message had the very same content, and whose next was lost on
//! the way, looks the same as one whose acknowledgement was lost.

use std::collections::HashMap;
use std::sync::Arc;

use crate::journal::{Entry, Origin};

/// Messages remembered over all clients. A client can have at most 65,535 unacknowledged.
const MOST_RECORDS: usize = 131_072;
/// Clients remembered.
const MOST_CLIENTS: usize = 1_024;

/// What a message is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seen {
    /// Not seen before.
    New,
    /// Like one of an earlier connection, but not marked as sent before: kept, and counted.
    Suspect,
    /// Stored before: not to be stored again.
    Repeat,
}

/// The messages of earlier connections, by client and packet id.
#[derive(Debug, Default)]
pub struct Repeats {
    clients: HashMap<(Arc<str>, Arc<str>), Client>,
    records: usize,
    uses: u64,
}

#[derive(Debug, Default)]
struct Client {
    /// The last message that used each packet id: the hash of its content and its connection.
    packets: HashMap<u16, (u64, u64)>,
    used: u64,
}

impl Repeats {
    /// Judges a message and remembers it. Messages without a packet id (QoS 0) are always new.
    pub fn judge(&mut self, origin: &Origin) -> Seen {
        if origin.packet == 0 {
            return Seen::New;
        }
        let before = self
            .clients
            .get(&(origin.source.clone(), origin.client.clone()))
            .and_then(|client| client.packets.get(&origin.packet));
        let seen = match before {
            Some((hash, connection))
                if *hash == origin.payload_hash && *connection != origin.connection =>
            {
                if origin.dup {
                    Seen::Repeat
                } else {
                    Seen::Suspect
                }
            }
            _ => Seen::New,
        };
        // A repeat is remembered as of its first connection: if its acknowledgement is lost
        // again it will come again.
        if seen != Seen::Repeat {
            self.remember(origin, origin.connection);
        }
        seen
    }

    /// Learns what an earlier life of the process stored. Its connections were numbered then;
    /// here they all count as number 0, earlier than any of now.
    pub fn learn(&mut self, entry: &Entry) {
        let origin = match entry {
            Entry::Reading(reading) => &reading.origin,
            Entry::Refused(refused) => &refused.origin,
            Entry::Close(_) => return,
        };
        if origin.packet != 0 {
            self.remember(origin, 0);
        }
    }

    /// Whether anything of this client is remembered.
    pub fn knows(&self, source: &Arc<str>, client: &Arc<str>) -> bool {
        self.clients.contains_key(&(source.clone(), client.clone()))
    }

    fn remember(&mut self, origin: &Origin, connection: u64) {
        self.uses += 1;
        let client = self
            .clients
            .entry((origin.source.clone(), origin.client.clone()))
            .or_default();
        client.used = self.uses;
        let new = client
            .packets
            .insert(origin.packet, (origin.payload_hash, connection))
            .is_none();
        self.records += usize::from(new);
        while self.records > MOST_RECORDS || self.clients.len() > MOST_CLIENTS {
            // The client that was just used is never the least recent while there are others.
            let Some(stale) = self
                .clients
                .iter()
                .min_by_key(|(_, client)| client.used)
                .map(|(key, _)| key.clone())
            else {
                break;
            };
            if let Some(gone) = self.clients.remove(&stale) {
                self.records -= gone.packets.len();
            }
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn message(client: &str, connection: u64, packet: u16, hash: u64, dup: bool) -> Origin {
        Origin {
            source: "door".into(),
            client: client.into(),
            connection,
            packet,
            dup,
            payload_hash: hash,
        }
    }

    #[test]
    fn equal_readings_are_two_readings() {
        let mut repeats = Repeats::default();
        for _ in 0..3 {
            assert_eq!(repeats.judge(&message("melt", 1, 7, 99, false)), Seen::New);
        }
    }

    #[test]
    fn a_message_sent_again_after_a_lost_acknowledgement_is_a_repeat() {
        let mut repeats = Repeats::default();
        assert_eq!(repeats.judge(&message("melt", 1, 7, 99, false)), Seen::New);
        assert_eq!(
            repeats.judge(&message("melt", 2, 7, 99, true)),
            Seen::Repeat
        );
        // And again, if that acknowledgement is lost too.
        assert_eq!(
            repeats.judge(&message("melt", 2, 7, 99, true)),
            Seen::Repeat
        );
        assert_eq!(
            repeats.judge(&message("melt", 3, 7, 99, true)),
            Seen::Repeat
        );
    }

    #[test]
    fn each_of_the_four_must_match() {
        let mut repeats = Repeats::default();
        repeats.judge(&message("melt", 1, 7, 99, false));
        let mut elsewhere = message("melt", 2, 7, 99, true);
        elsewhere.source = "broker".into();
        for other in [
            message("kiln", 2, 7, 99, true),
            message("melt", 2, 8, 99, true),
            elsewhere,
        ] {
            assert_eq!(repeats.judge(&other), Seen::New);
        }
        // Another content under the same packet id: the first was acknowledged long ago.
        assert_eq!(repeats.judge(&message("melt", 2, 7, 98, true)), Seen::New);
    }

    #[test]
    fn an_unmarked_likeness_is_kept_and_counted() {
        let mut repeats = Repeats::default();
        repeats.judge(&message("melt", 1, 7, 99, false));
        assert_eq!(
            repeats.judge(&message("melt", 2, 7, 99, false)),
            Seen::Suspect
        );
    }

    #[test]
    fn a_repeat_across_a_restart_is_known_from_the_journal() {
        let mut repeats = Repeats::default();
        repeats.learn(&Entry::Refused(crate::journal::Refused {
            origin: message("melt", 41, 7, 99, false),
            topic: "shop/bench-1/melt".into(),
            reason: "\"x\" is not a number".into(),
            payload_start: b"x".to_vec(),
            arrival: analysis::time::Micros(0),
        }));
        assert!(repeats.knows(&"door".into(), &"melt".into()));
        // The new process counts its connections from 1 again, and may reach 41.
        assert_eq!(
            repeats.judge(&message("melt", 41, 7, 99, true)),
            Seen::Repeat
        );
    }

    #[test]
    fn qos_0_is_always_new() {
        let mut repeats = Repeats::default();
        for connection in 1..4 {
            assert_eq!(
                repeats.judge(&message("melt", connection, 0, 99, true)),
                Seen::New
            );
        }
    }

    #[test]
    fn memory_is_bounded_and_a_busy_sensor_outlives_a_crowd() {
        let mut repeats = Repeats::default();
        repeats.judge(&message("melt", 1, 7, 99, false));
        for stranger in 0..5_000u64 {
            repeats.judge(&message(&format!("stranger-{stranger}"), 2, 1, 1, false));
            if stranger % 500 == 0 {
                repeats.judge(&message("melt", 1, 8, stranger, false));
            }
        }
        assert!(repeats.clients.len() <= MOST_CLIENTS);
        assert_eq!(
            repeats.judge(&message("melt", 3, 7, 99, true)),
            Seen::Repeat
        );
    }

    proptest! {
        /// A conforming sender with a window, over connections that break anywhere and lose
        /// any tail of messages and acknowledgements: each message is stored exactly once.
        #[test]
        fn a_conforming_sender_is_stored_once(
            window in 1usize..8,
            breaks in proptest::collection::vec((0usize..12, 0usize..12), 1..20),
        ) {
            let total = 60u64;
            let mut repeats = Repeats::default();
            let mut stored = Vec::new();
            let mut acked = 0u64;
            let mut sent_before = 0u64;
            let id = |message: u64| (message % 40 + 1) as u16;
            for (connection, (arrive, acks)) in
                breaks.iter().copied().chain([(1000, 1000)]).enumerate()
            {
                let mut arrived = Vec::new();
                let mut next = acked;
                // One connection: up to `arrive` messages reach us, `acks` acknowledgements
                // reach the sender, then it breaks.
                while arrived.len() < arrive && next < total && next < acked + window as u64 {
                    let dup = next < sent_before;
                    let origin =
                        message("melt", connection as u64 + 1, id(next), 1_000 + next, dup);
                    if repeats.judge(&origin) != Seen::Repeat {
                        stored.push(next);
                    }
                    arrived.push(next);
                    next += 1;
                    sent_before = sent_before.max(next);
                    if acks == 1000 {
                        acked = next;
                    }
                }
                // The sender may also have sent what never arrived.
                sent_before = sent_before.max((acked + window as u64).min(total));
                if acks < 1000 {
                    acked += acks.min(arrived.len()) as u64;
                }
            }
            prop_assert_eq!(stored, (0..total).collect::<Vec<_>>());
        }
    }
}

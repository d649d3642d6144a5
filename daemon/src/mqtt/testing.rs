//! What the tests of both ways in share: an ingest path of an invented bench, and stand-ins
//! for the journal's writer, one that commits at once and one that commits when told.
#![allow(clippy::unwrap_used)]

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use futures_util::{SinkExt, StreamExt};
use rumqttc::QoS;
use rumqttc::mqttbytes::v4::{Codec, Packet, Publish};
use tokio::net::TcpStream;
use tokio::sync::mpsc;
use tokio_util::codec::Framed;

use super::ingest::Ingest;
use super::payload::tests::route;
use crate::clock::SystemClock;
use crate::journal::{Entry, Reading, Submission};
use crate::route::Routes;

pub(super) const MELT: &str = "shop/bench-1/melt_temperature";

/// Long enough for anything that should happen on a busy machine.
pub(super) const SOON: Duration = Duration::from_secs(20);
/// Long enough to notice what should not happen.
pub(super) const AWHILE: Duration = Duration::from_millis(200);

pub(super) fn routes() -> Routes {
    [
        route("melt_temperature", "Cel"),
        route("vacuum", "mbar"),
        route("stopper", ""),
    ]
    .into_iter()
    .map(|route| (route.topic.clone(), vec![Arc::new(route)]))
    .collect()
}

/// A path with a writer's queue of `room`, and the queue's other end.
pub(super) fn path(room: usize) -> (Ingest, mpsc::Receiver<Submission>) {
    let (writer, queue) = mpsc::channel(room);
    let ingest = Ingest::new(&routes(), Arc::new(SystemClock::new()), writer);
    (ingest, queue)
}

/// What a writer that commits at once has stored.
#[derive(Clone, Default)]
pub(super) struct Stored(Arc<Mutex<Vec<Entry>>>, Arc<AtomicBool>);

impl Stored {
    /// Commits whatever comes, at once.
    pub(super) fn commit_at_once(queue: mpsc::Receiver<Submission>) -> Stored {
        Stored::commit(queue, u64::MAX)
    }

    /// Commits whatever comes, with a pause after each `batch`.
    pub(super) fn commit(mut queue: mpsc::Receiver<Submission>, batch: u64) -> Stored {
        let stored = Stored::default();
        let keep = stored.clone();
        tokio::spawn(async move {
            let mut count = 0;
            while let Some(submission) = queue.recv().await {
                keep.0.lock().unwrap().extend(submission.entries.clone());
                acknowledge(&submission);
                count += 1;
                if count % batch == 0 {
                    tokio::time::sleep(Duration::from_millis(2)).await;
                }
            }
            keep.1.store(true, Ordering::SeqCst);
        });
        stored
    }

    /// Waits until nothing can come any more: every sender is gone.
    pub(super) async fn ended(&self) {
        eventually(|| self.1.load(Ordering::SeqCst)).await;
    }

    pub(super) fn entries(&self) -> Vec<Entry> {
        self.0.lock().unwrap().clone()
    }

    pub(super) fn len(&self) -> usize {
        self.0.lock().unwrap().len()
    }

    pub(super) fn values(&self) -> Vec<f64> {
        self.entries()
            .iter()
            .filter_map(|e| reading(e).map(|r| r.value))
            .collect()
    }

    pub(super) fn reasons(&self) -> Vec<String> {
        self.entries()
            .iter()
            .filter_map(|e| match e {
                Entry::Refused(refused) => Some(refused.reason.clone()),
                _ => None,
            })
            .collect()
    }

    /// Waits until so many entries are stored.
    pub(super) async fn reach(&self, count: usize) {
        eventually(|| self.len() >= count).await;
    }
}

pub(super) fn reading(entry: &Entry) -> Option<&Reading> {
    match entry {
        Entry::Reading(reading) => Some(reading),
        _ => None,
    }
}

/// As the writer does after the commit.
pub(super) fn acknowledge(submission: &Submission) {
    if let Some(ack) = &submission.ack {
        // A connection that is gone has nobody to tell.
        let _ = ack.to.send(ack.packet);
    }
}

pub(super) async fn next(queue: &mut mpsc::Receiver<Submission>) -> Submission {
    tokio::time::timeout(SOON, queue.recv())
        .await
        .unwrap()
        .unwrap()
}

pub(super) async fn eventually(done: impl Fn() -> bool) {
    tokio::time::timeout(SOON, async {
        while !done() {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    })
    .await
    .expect("it never happened");
}

/// One end of an MQTT connection, packet by packet.
pub(super) struct Wired(pub(super) Framed<TcpStream, Codec>);

impl Wired {
    pub(super) fn over(stream: TcpStream) -> Wired {
        let codec = Codec {
            max_incoming_size: 4 * 1024 * 1024,
            max_outgoing_size: 4 * 1024 * 1024,
        };
        Wired(Framed::new(stream, codec))
    }

    pub(super) async fn send(&mut self, packet: Packet) {
        self.0.send(packet).await.unwrap();
    }

    pub(super) async fn publish(&mut self, packet: u16, payload: &str, dup: bool) {
        self.send(publish(MELT, packet, payload.as_bytes(), dup))
            .await;
    }

    /// The next packet; none if the connection ended.
    pub(super) async fn next(&mut self) -> Option<Packet> {
        tokio::time::timeout(SOON, self.0.next())
            .await
            .expect("nothing came")
            .and_then(Result::ok)
    }

    /// Whether nothing comes for a while.
    pub(super) async fn quiet(&mut self) -> bool {
        tokio::time::timeout(AWHILE, self.0.next()).await.is_err()
    }
}

/// A PUBLISH at QoS 1, or at QoS 0 for packet id 0.
pub(super) fn publish(topic: &str, packet: u16, payload: &[u8], dup: bool) -> Packet {
    let qos = if packet == 0 {
        QoS::AtMostOnce
    } else {
        QoS::AtLeastOnce
    };
    let mut publish = Publish::new(topic, qos, payload);
    publish.pkid = packet;
    publish.dup = dup;
    Packet::Publish(publish)
}

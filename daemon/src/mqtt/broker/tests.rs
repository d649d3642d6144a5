//! The broker client against a broker that does as the test says, for every way in which a
//! connection can end badly; and against Mosquitto, for the real thing.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use rumqttc::mqttbytes::v4::{ConnAck, Packet, PubAck, SubAck};
use tokio::net::TcpListener;
use tokio::task::JoinHandle;

use super::*;
use crate::journal::Submission;
use crate::mqtt::testing::*;
use crate::shutdown::ShutdownTrigger;

/// A broker that does as it is told.
struct Scripted {
    listener: TcpListener,
}

struct Running {
    state: watch::Receiver<BrokerState>,
    stop: ShutdownTrigger,
    running: JoinHandle<Result<(), WriterGone>>,
    board: StatusBoard,
}

fn settings(port: u16) -> BrokerSettings {
    let mut settings = BrokerSettings::at("mqtt://127.0.0.1").unwrap();
    settings.port = port;
    settings.machines = vec!["bench-1".into()];
    settings.back_off_least = Duration::from_millis(5);
    settings.back_off_most = Duration::from_millis(40);
    settings
}

fn start(settings: BrokerSettings, ingest: &Ingest) -> Running {
    let board = StatusBoard::new();
    let broker = Broker::new(settings, board.clone()).unwrap();
    let state = broker.state();
    let (stop, shutdown) = Shutdown::new();
    let running = tokio::spawn(broker.run(ingest.clone(), shutdown));
    Running {
        state,
        stop,
        running,
        board,
    }
}

impl Running {
    async fn state_where(&mut self, fits: impl FnMut(&BrokerState) -> bool) -> BrokerState {
        tokio::time::timeout(SOON, self.state.wait_for(fits))
            .await
            .unwrap()
            .unwrap()
            .clone()
    }
}

impl Scripted {
    async fn new() -> (Scripted, u16) {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        (Scripted { listener }, port)
    }

    /// Accepts a connection up to its CONNACK.
    async fn accept(&self, session_present: bool) -> Wired {
        let accepted = tokio::time::timeout(SOON, self.listener.accept()).await;
        let mut wired = Wired::over(accepted.unwrap().unwrap().0);
        match wired.next().await {
            Some(Packet::Connect(connect)) => {
                assert!(!connect.clean_session);
                assert_eq!(connect.client_id, "pourbook");
            }
            other => panic!("{other:?}"),
        }
        let answer = ConnAck::new(ConnectReturnCode::Success, session_present);
        wired.send(Packet::ConnAck(answer)).await;
        wired
    }

    /// Accepts a connection and its subscriptions.
    async fn welcome(&self, session_present: bool) -> Wired {
        let mut wired = self.accept(session_present).await;
        match wired.next().await {
            Some(Packet::Subscribe(subscribe)) => {
                assert_eq!(subscribe.filters.len(), routes().len());
                assert!(subscribe.filters.iter().all(|f| f.qos == QoS::AtLeastOnce));
                let codes =
                    vec![SubscribeReasonCode::Success(QoS::AtLeastOnce); subscribe.filters.len()];
                wired
                    .send(Packet::SubAck(SubAck::new(subscribe.pkid, codes)))
                    .await;
            }
            other => panic!("{other:?}"),
        }
        wired
    }
}

fn value(submission: &Submission) -> f64 {
    reading(&submission.entries[0]).unwrap().value
}

fn puback(packet: u16) -> Option<Packet> {
    Some(Packet::PubAck(PubAck::new(packet)))
}

#[tokio::test]
async fn every_connection_is_told_what_we_want_to_hear() {
    let (broker, port) = Scripted::new().await;
    let (ingest, _queue) = path(64);
    let mut running = start(settings(port), &ingest);
    // Also where the broker says it remembers: it may have forgotten the subscriptions.
    for present in [false, true, false] {
        let link = broker.welcome(present).await;
        running.state_where(|state| state.connected).await;
        drop(link);
        running.state_where(|state| !state.connected).await;
    }
}

#[tokio::test]
async fn acknowledgements_come_after_the_commit_and_in_order() {
    let (broker, port) = Scripted::new().await;
    let (ingest, mut queue) = path(64);
    let _running = start(settings(port), &ingest);
    let mut link = broker.welcome(false).await;
    for packet in [5, 6, 7] {
        link.publish(packet, "968.5", false).await;
    }
    let mut taken = Vec::new();
    for _ in 0..3 {
        taken.push(next(&mut queue).await);
    }
    assert!(link.quiet().await, "acknowledged before the commit");
    for submission in &taken {
        acknowledge(submission);
    }
    for packet in [5, 6, 7] {
        assert_eq!(link.next().await, puback(packet));
    }
}

#[tokio::test]
async fn an_acknowledgement_never_goes_out_over_another_connection() {
    let (broker, port) = Scripted::new().await;
    let (ingest, mut queue) = path(64);
    let _running = start(settings(port), &ingest);
    let mut link = broker.welcome(false).await;
    link.publish(1, "968.5", false).await;
    let before = next(&mut queue).await;
    drop(link);
    let mut link = broker.welcome(true).await;
    // The broker has given packet id 1 to another message; our late commit of the first must
    // not acknowledge it.
    link.publish(1, "969.0", false).await;
    let after = next(&mut queue).await;
    acknowledge(&before);
    assert!(link.quiet().await);
    acknowledge(&after);
    assert_eq!(link.next().await, puback(1));
}

#[tokio::test]
async fn what_comes_again_after_a_reconnect_is_acknowledged_and_not_stored_again() {
    let (broker, port) = Scripted::new().await;
    let (ingest, mut queue) = path(64);
    let _running = start(settings(port), &ingest);
    let mut link = broker.welcome(false).await;
    link.publish(1, "968.5", false).await;
    assert_eq!(value(&next(&mut queue).await), 968.5);
    drop(link);
    let mut link = broker.welcome(true).await;
    link.publish(1, "968.5", true).await;
    let again = next(&mut queue).await;
    assert_eq!(again.entries, []);
    acknowledge(&again);
    assert_eq!(link.next().await, puback(1));
}

/// The library hands out what it had read of a broken connection after the next CONNACK, where
/// an acknowledgement would hit whatever has the packet id by then.
#[tokio::test]
async fn what_was_read_before_a_break_is_kept_and_never_acknowledged_after_it() {
    let (broker, port) = Scripted::new().await;
    let (ingest, mut queue) = path(64);
    let _running = start(settings(port), &ingest);
    let mut link = broker.welcome(false).await;
    // Five messages and the end in one go, so that the library reads them together.
    let mut burst = bytes::BytesMut::new();
    for packet in 1..=5u16 {
        let text = (960 + packet).to_string();
        publish(MELT, packet, text.as_bytes(), false)
            .write(&mut burst, 1 << 16)
            .unwrap();
    }
    tokio::io::AsyncWriteExt::write_all(link.0.get_mut(), &burst)
        .await
        .unwrap();
    drop(link);
    // The broker lost its memory and starts its packet ids anew.
    let mut link = broker.welcome(false).await;
    link.publish(1, "999", false).await;
    let mut taken = Vec::new();
    for _ in 0..6 {
        taken.push(next(&mut queue).await);
    }
    let values: Vec<f64> = taken.iter().map(value).collect();
    assert_eq!(values, [961.0, 962.0, 963.0, 964.0, 965.0, 999.0]);
    for submission in &taken[..5] {
        acknowledge(submission);
    }
    assert!(
        link.quiet().await,
        "an acknowledgement of a dead connection"
    );
    acknowledge(&taken[5]);
    assert_eq!(link.next().await, puback(1));
}

#[tokio::test]
async fn a_refused_subscription_is_said() {
    let (broker, port) = Scripted::new().await;
    let (ingest, _queue) = path(64);
    let mut running = start(settings(port), &ingest);
    let mut link = broker.accept(false).await;
    let Some(Packet::Subscribe(subscribe)) = link.next().await else {
        panic!("no SUBSCRIBE")
    };
    let codes = subscribe
        .filters
        .iter()
        .map(|filter| {
            if filter.path == MELT {
                SubscribeReasonCode::Failure
            } else {
                SubscribeReasonCode::Success(QoS::AtLeastOnce)
            }
        })
        .collect();
    link.send(Packet::SubAck(SubAck::new(subscribe.pkid, codes)))
        .await;
    let state = running
        .state_where(|state| !state.refused_topics.is_empty())
        .await;
    assert_eq!(state.refused_topics, [MELT]);
    assert!(state.trouble.unwrap().contains("access list"));
}

#[tokio::test]
async fn a_packet_over_the_limit_is_said_and_not_hammered_at() {
    let (broker, port) = Scripted::new().await;
    let (ingest, mut queue) = path(64);
    let mut running = start(settings(port), &ingest);
    let mut link = broker.welcome(false).await;
    // Far over the library's own default, and no reading: refused, acknowledged.
    link.send(publish(MELT, 1, &vec![b'x'; 200_000], false))
        .await;
    let refused = next(&mut queue).await;
    assert!(reading(&refused.entries[0]).is_none());
    acknowledge(&refused);
    assert_eq!(link.next().await, puback(1));
    let huge = publish(MELT, 2, &vec![b'x'; PACKET_BYTES + 1], false);
    for _ in 0..3 {
        let _ = futures_util::SinkExt::send(&mut link.0, huge.clone()).await;
        link = broker.welcome(true).await;
    }
    let state = running
        .state_where(|state| {
            state
                .trouble
                .as_ref()
                .is_some_and(|t| t.contains("message_size_limit"))
        })
        .await;
    assert!(state.connections >= 3);
}

#[tokio::test]
async fn two_programs_with_one_id_are_told_apart_from_a_bad_network() {
    let (broker, port) = Scripted::new().await;
    let (ingest, _queue) = path(64);
    let mut running = start(settings(port), &ingest);
    for _ in 0..3 {
        drop(broker.welcome(true).await);
    }
    let state = running
        .state_where(|state| state.trouble.as_ref().is_some_and(|t| t.contains("second")))
        .await;
    let trouble = state.trouble.unwrap();
    assert!(trouble.contains("\"pourbook\"") && trouble.contains("client_id"));
}

#[tokio::test]
async fn a_broker_that_is_not_there_or_refuses_us_is_said() {
    let (broker, port) = Scripted::new().await;
    let (ingest, _queue) = path(64);
    let mut running = start(settings(port), &ingest);
    let accepted = broker.listener.accept().await.unwrap().0;
    let mut wired = Wired::over(accepted);
    wired.next().await.unwrap();
    wired
        .send(Packet::ConnAck(ConnAck::new(
            ConnectReturnCode::NotAuthorized,
            false,
        )))
        .await;
    running
        .state_where(|s| s.trouble.as_ref().is_some_and(|t| t.contains("password")))
        .await;
    drop(wired);
    drop(broker);
    running
        .state_where(|s| {
            s.trouble
                .as_ref()
                .is_some_and(|t| t.contains("cannot be reached"))
        })
        .await;
}

#[tokio::test]
async fn signs_of_life_go_on_while_the_disk_hangs() {
    let (broker, port) = Scripted::new().await;
    // A writer's queue of one that nobody empties: the second message waits.
    let (ingest, queue) = path(1);
    let mut settings = settings(port);
    settings.keep_alive = Duration::from_secs(1);
    settings.patience = Duration::from_millis(300);
    let mut running = start(settings, &ingest);
    let mut link = broker.welcome(false).await;
    link.publish(1, "968.5", false).await;
    assert_eq!(link.next().await, Some(Packet::PingReq));
    link.send(Packet::PingResp).await;
    assert_eq!(link.next().await, Some(Packet::PingReq));
    // One more than fits: rather than fall silent, it lets go, and the broker keeps it.
    link.publish(2, "969.0", false).await;
    running
        .state_where(|s| s.trouble.as_ref().is_some_and(|t| t.contains("disk")))
        .await;
    // The disk is back; the broker sends both again.
    let stored = Stored::commit_at_once(queue);
    let mut link = broker.welcome(true).await;
    for packet in [1, 2] {
        let payload = if packet == 1 { "968.5" } else { "969.0" };
        link.publish(packet, payload, true).await;
        assert_eq!(link.next().await, puback(packet));
    }
    assert_eq!(stored.values(), [968.5, 969.0]);
}

#[tokio::test]
async fn the_status_is_sent_at_every_connection_and_says_offline_at_the_stop() {
    let (broker, port) = Scripted::new().await;
    let (ingest, mut queue) = path(64);
    let running = start(settings(port), &ingest);
    running.board.status(
        "bench-1",
        &MachineStatus {
            online: true,
            ..MachineStatus::default()
        },
    );
    let online = |packet: Option<Packet>| match packet {
        Some(Packet::Publish(p)) => {
            assert_eq!(p.topic, "pourbook/bench-1/status");
            assert!(p.retain && p.qos == QoS::AtMostOnce);
            String::from_utf8_lossy(&p.payload).contains("\"online\":true")
        }
        other => panic!("{other:?}"),
    };
    let mut link = broker.welcome(false).await;
    assert!(online(link.next().await));
    drop(link);
    let mut link = broker.welcome(true).await;
    assert!(online(link.next().await));
    link.publish(1, "968.5", false).await;
    let taken = next(&mut queue).await;
    running.stop.tell();
    assert!(link.quiet().await, "it still owes an acknowledgement");
    acknowledge(&taken);
    assert_eq!(link.next().await, puback(1));
    assert!(!online(link.next().await));
    assert_eq!(link.next().await, Some(Packet::Disconnect));
    tokio::time::timeout(SOON, running.running)
        .await
        .unwrap()
        .unwrap()
        .unwrap();
}

/// Debian's Mosquitto on a free port, stopped at the end of the test.
struct Mosquitto {
    child: Child,
    _folder: tempfile::TempDir,
}

impl Mosquitto {
    async fn start() -> (Mosquitto, u16) {
        let folder = tempfile::tempdir().unwrap();
        // It cannot choose a port itself, so a free one is found and let go again.
        let port = std::net::TcpListener::bind("127.0.0.1:0")
            .unwrap()
            .local_addr()
            .unwrap()
            .port();
        let conf = folder.path().join("mosquitto.conf");
        let lines = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 100000\n\
             max_inflight_messages 1000\nlog_dest none\n"
        );
        std::fs::write(&conf, lines).unwrap();
        let child = ["/usr/sbin/mosquitto", "mosquitto"]
            .iter()
            .find_map(|program| {
                Command::new(program)
                    .arg("-c")
                    .arg(&conf)
                    .stdout(Stdio::null())
                    .stderr(Stdio::null())
                    .spawn()
                    .ok()
            })
            .expect("the Debian package mosquitto is needed");
        let mosquitto = Mosquitto {
            child,
            _folder: folder,
        };
        let up = async {
            while tokio::net::TcpStream::connect(("127.0.0.1", port))
                .await
                .is_err()
            {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        };
        tokio::time::timeout(SOON, up).await.unwrap();
        (mosquitto, port)
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Publishes `values` at QoS 1 and returns once the broker has all of them.
async fn sensor_publishes(port: u16, values: std::ops::Range<u32>) {
    let mut options = MqttOptions::new("sensor", "127.0.0.1", port);
    options.set_inflight(200);
    let (client, mut events) = AsyncClient::new(options, 256);
    let count = values.len();
    tokio::spawn(async move {
        for value in values {
            client
                .publish(MELT, QoS::AtLeastOnce, false, value.to_string())
                .await
                .unwrap();
        }
        // Kept until the connection below is done with.
        tokio::time::sleep(SOON).await;
    });
    let mut acked = 0;
    while acked < count {
        if let Event::Incoming(Incoming::PubAck(_)) = events.poll().await.unwrap() {
            acked += 1;
        }
    }
}

/// Ten thousand readings while we were away, and two crashes while they come in: each is stored
/// once. The second crash takes the process's memory with it; the journal gives it back.
#[tokio::test(flavor = "multi_thread")]
async fn ten_thousand_readings_from_mosquitto_while_we_were_away_are_stored_once() {
    const COUNT: u32 = 10_000;
    let (_mosquitto, port) = Mosquitto::start().await;
    let (ingest, queue) = path(256);
    // Slow enough that the crash below comes in the middle.
    let stored = Stored::commit(queue, 32);
    let mut first = start(settings(port), &ingest);
    // A broker keeps nothing for us before it has our subscriptions.
    first.state_where(|state| state.subscribed).await;
    sensor_publishes(port, 0..10).await;
    stored.reach(10).await;
    first.stop.tell();
    first.running.await.unwrap().unwrap();

    sensor_publishes(port, 10..COUNT).await;
    let crashing = start(settings(port), &ingest);
    stored.reach(2_000).await;
    crashing.running.abort();
    let _ = crashing.running.await;
    drop(ingest);
    stored.ended().await;

    let (again, queue) = path(256);
    let journal = stored.entries();
    for entry in &journal {
        again.learn(entry);
    }
    let late = Stored::commit_at_once(queue);
    let last = start(settings(port), &again);
    assert!(journal.len() < COUNT as usize, "the crash came too late");
    eventually(|| journal.len() + late.len() >= COUNT as usize).await;
    tokio::time::sleep(AWHILE).await;
    last.stop.tell();
    last.running.await.unwrap().unwrap();

    let mut values = stored.values();
    values.extend(late.values());
    let distinct: BTreeSet<u32> = values.iter().map(|v| *v as u32).collect();
    assert_eq!(distinct.len(), COUNT as usize, "some are missing");
    assert_eq!(values.len(), COUNT as usize, "some are doubled");
}

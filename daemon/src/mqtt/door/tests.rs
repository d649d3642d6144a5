//! The door over real TCP, with well-behaved sensors, clumsy ones and hostile ones.
#![allow(clippy::unwrap_used)]

use std::time::Duration;

use bytes::BytesMut;
use proptest::prelude::*;
use rumqttc::mqttbytes::v4::{
    Connect, ConnectReturnCode, LastWill, Packet, PubAck, Subscribe, SubscribeReasonCode,
};
use rumqttc::{AsyncClient, Event, Incoming, MqttOptions, QoS};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio_util::codec::Decoder;

use super::wire::{Frame, Wire};
use super::*;
use crate::journal::Submission;
use crate::mqtt::testing::*;
use crate::shutdown::ShutdownTrigger;

struct Open {
    address: SocketAddr,
    ingest: Ingest,
    stop: ShutdownTrigger,
    running: JoinHandle<()>,
}

fn loopback() -> DoorSettings {
    let mut settings = DoorSettings::on("127.0.0.1:0".parse().unwrap());
    settings.limits.wrong_password_wait = Duration::from_millis(20);
    settings
}

async fn open(settings: DoorSettings, room: usize) -> (Open, mpsc::Receiver<Submission>) {
    let (ingest, queue) = path(room);
    let door = Door::bind(settings).await.unwrap();
    let address = door.local_addr();
    let (stop, shutdown) = Shutdown::new();
    let running = tokio::spawn(door.run(ingest.clone(), shutdown));
    (
        Open {
            address,
            ingest,
            stop,
            running,
        },
        queue,
    )
}

impl Open {
    async fn wired(&self) -> Wired {
        Wired::over(TcpStream::connect(self.address).await.unwrap())
    }

    /// A connected sensor.
    async fn sensor(&self, id: &str) -> Wired {
        let (sensor, answer) = self.knock(connect(id)).await;
        assert_eq!(answer, Some((ConnectReturnCode::Success, false)));
        sensor
    }

    /// Sends a CONNECT and returns what came back.
    async fn knock(&self, connect: Connect) -> (Wired, Option<(ConnectReturnCode, bool)>) {
        let mut wired = self.wired().await;
        wired.send(Packet::Connect(connect)).await;
        let answer = match wired.next().await {
            Some(Packet::ConnAck(ack)) => Some((ack.code, ack.session_present)),
            None => None,
            other => panic!("{other:?} is no answer to CONNECT"),
        };
        (wired, answer)
    }

    fn counted(&self, kind: &str) -> u64 {
        self.ingest.heard().counts.get(kind).copied().unwrap_or(0)
    }
}

fn connect(id: &str) -> Connect {
    let mut connect = Connect::new(id);
    connect.keep_alive = 60;
    connect
}

fn puback(packet: u16) -> Option<Packet> {
    Some(Packet::PubAck(PubAck::new(packet)))
}

#[tokio::test]
async fn an_acknowledgement_means_on_our_disk() {
    let (door, mut queue) = open(loopback(), 16).await;
    let mut options = MqttOptions::new("melt-probe", "127.0.0.1", door.address.port());
    options.set_keep_alive(Duration::from_secs(30));
    let (client, mut events) = AsyncClient::new(options, 16);
    client
        .publish(MELT, QoS::AtLeastOnce, false, "968.5")
        .await
        .unwrap();
    let (acked, mut acks) = mpsc::unbounded_channel();
    tokio::spawn(async move {
        while let Ok(event) = events.poll().await {
            if let Event::Incoming(Incoming::PubAck(ack)) = event {
                acked.send(ack.pkid).unwrap();
            }
        }
    });
    let submission = next(&mut queue).await;
    assert_eq!(reading(&submission.entries[0]).unwrap().value, 968.5);
    tokio::time::sleep(AWHILE).await;
    assert!(acks.try_recv().is_err(), "acknowledged before the commit");
    acknowledge(&submission);
    let got = tokio::time::timeout(SOON, acks.recv()).await.unwrap();
    assert_eq!(got, Some(1));
}

#[tokio::test]
async fn acknowledgements_keep_the_order_of_the_messages() {
    let (door, mut queue) = open(loopback(), 64).await;
    let mut sensor = door.sensor("melt-probe").await;
    for packet in [7, 3, 9, 1] {
        sensor.publish(packet, "968.5", false).await;
    }
    // What cannot be read and what has no channel waits in line with the rest.
    sensor.send(publish(MELT, 5, b"hot", false)).await;
    sensor.send(publish("shop/other", 6, b"1", false)).await;
    for _ in 0..6 {
        acknowledge(&next(&mut queue).await);
    }
    for packet in [7, 3, 9, 1, 5, 6] {
        assert_eq!(sensor.next().await, puback(packet));
    }
    assert_eq!(door.ingest.heard().unassigned[0].topic, "shop/other");
}

#[tokio::test]
async fn a_message_sent_again_after_a_reconnect_is_stored_once() {
    let (door, queue) = open(loopback(), 64).await;
    let stored = Stored::commit_at_once(queue);
    let mut sensor = door.sensor("melt-probe").await;
    sensor.publish(1, "968.5", false).await;
    sensor.publish(2, "968.5", false).await;
    stored.reach(2).await;
    drop(sensor);
    let mut sensor = door.sensor("melt-probe").await;
    // The acknowledgements were lost on the way; the third never arrived.
    for (packet, payload) in [(1, "968.5"), (2, "968.5"), (3, "968.5")] {
        sensor.publish(packet, payload, true).await;
        assert_eq!(sensor.next().await, puback(packet));
    }
    assert_eq!(stored.len(), 3);
    assert_eq!(door.counted("repeats left out"), 2);
}

#[tokio::test]
async fn a_newer_connection_takes_over_and_nothing_is_stored_twice() {
    let (door, mut queue) = open(loopback(), 64).await;
    let mut older = door.sensor("melt-probe").await;
    older.publish(1, "968.5", false).await;
    let first = next(&mut queue).await;
    let mut newer = door.sensor("melt-probe").await;
    assert_eq!(older.next().await, None, "the older connection is closed");
    // Late acknowledgements of the older connection go nowhere.
    acknowledge(&first);
    assert!(newer.quiet().await);
    newer.publish(1, "968.5", true).await;
    let again = next(&mut queue).await;
    assert_eq!(again.entries, []);
    acknowledge(&again);
    assert_eq!(newer.next().await, puback(1));
}

#[tokio::test]
async fn a_client_that_asked_for_a_lasting_session_is_known_again() {
    let (door, queue) = open(loopback(), 64).await;
    let _stored = Stored::commit_at_once(queue);
    let lasting = || {
        let mut connect = connect("melt-probe");
        connect.clean_session = false;
        connect
    };
    let welcome = |present| Some((ConnectReturnCode::Success, present));
    assert_eq!(door.knock(lasting()).await.1, welcome(false));
    assert_eq!(door.knock(lasting()).await.1, welcome(true));
    // A clean session ends it ([MQTT-3.1.2-6]).
    assert_eq!(door.knock(connect("melt-probe")).await.1, welcome(false));
    assert_eq!(door.knock(lasting()).await.1, welcome(false));
}

#[tokio::test]
async fn only_those_with_a_login_come_in_and_only_on_their_topics() {
    let mut settings = loopback();
    settings.logins = vec![
        Login {
            user: "bench".into(),
            password: "investment".into(),
            topic_prefix: "shop/bench-1/".into(),
        },
        Login {
            user: "kiln".into(),
            password: "burnout".into(),
            topic_prefix: "shop/kiln-1/".into(),
        },
    ];
    let (door, queue) = open(settings, 64).await;
    let stored = Stored::commit_at_once(queue);
    let with = |id: &str, user: &str, password: &str| {
        let mut connect = connect(id);
        connect.set_login(user, password);
        connect
    };
    let code = |answer: Option<(ConnectReturnCode, bool)>| answer.unwrap().0;
    assert_eq!(
        code(door.knock(connect("a")).await.1),
        ConnectReturnCode::NotAuthorized
    );
    for (user, password) in [("bench", "burnout"), ("bench", ""), ("", "investment")] {
        assert_eq!(
            code(door.knock(with("a", user, password)).await.1),
            ConnectReturnCode::BadUserNamePassword,
            "{user} {password}"
        );
    }
    let (mut bench, answer) = door.knock(with("a", "bench", "investment")).await;
    assert_eq!(code(answer), ConnectReturnCode::Success);
    bench.publish(1, "968.5", false).await;
    assert_eq!(bench.next().await, puback(1));
    // Refused, but acknowledged: else it would come again for ever.
    bench.send(publish("shop/kiln-1/x", 2, b"1", false)).await;
    assert_eq!(bench.next().await, puback(2));
    assert_eq!(stored.values(), [968.5]);
    assert_eq!(stored.reasons(), ["a topic that its sender may not use"]);
    // Nor can one user push another's sensor out by using its client id.
    assert_eq!(
        code(door.knock(with("a", "kiln", "burnout")).await.1),
        ConnectReturnCode::BadClientId
    );
    bench.publish(3, "969.0", false).await;
    assert_eq!(bench.next().await, puback(3));
}

#[tokio::test]
async fn a_door_open_to_the_shop_needs_a_password() {
    for address in ["0.0.0.0:0", "[::]:0", "192.0.2.7:1883"] {
        let refused = Door::bind(DoorSettings::on(address.parse().unwrap()))
            .await
            .unwrap_err();
        assert!(matches!(refused, DoorError::Open { .. }), "{address}");
        assert!(refused.to_string().contains("password_file"));
    }
    let mut nameless = loopback();
    nameless.logins = vec![Login {
        user: "bench".into(),
        password: String::new(),
        topic_prefix: String::new(),
    }];
    assert!(matches!(
        Door::bind(nameless).await.unwrap_err(),
        DoorError::EmptyLogin { .. }
    ));
    let (door, _queue) = open(loopback(), 1).await;
    let taken = Door::bind(DoorSettings::on(door.address))
        .await
        .unwrap_err();
    assert!(taken.to_string().contains("is another program on it?"));
}

#[tokio::test]
async fn it_is_no_broker() {
    let (door, queue) = open(loopback(), 64).await;
    let stored = Stored::commit_at_once(queue);
    let mut willed = connect("lamp");
    willed.last_will = Some(LastWill::new(MELT, "0", QoS::AtLeastOnce, true));
    let (mut lamp, answer) = door.knock(willed).await;
    assert_eq!(answer, Some((ConnectReturnCode::Success, false)));
    let mut subscribe = Subscribe::new("shop/#", QoS::AtLeastOnce);
    subscribe.pkid = 4;
    lamp.send(Packet::Subscribe(subscribe)).await;
    match lamp.next().await {
        Some(Packet::SubAck(ack)) => {
            assert_eq!(ack.pkid, 4);
            assert_eq!(ack.return_codes, [SubscribeReasonCode::Failure]);
        }
        other => panic!("{other:?}"),
    }
    lamp.send(Packet::PingReq).await;
    assert_eq!(lamp.next().await, Some(Packet::PingResp));
    drop(lamp);
    // The will is accepted and ignored.
    tokio::time::sleep(AWHILE).await;
    assert_eq!(stored.len(), 0);
}

#[tokio::test]
async fn what_breaks_the_protocol_is_shown_out() {
    let (door, queue) = open(loopback(), 64).await;
    let stored = Stored::commit_at_once(queue);
    let exactly_once = || {
        let Packet::Publish(mut p) = publish(MELT, 1, b"1", false) else {
            unreachable!()
        };
        p.qos = QoS::ExactlyOnce;
        Packet::Publish(p)
    };
    for offence in [
        exactly_once(),
        publish("shop/+/melt", 1, b"1", false),
        publish("", 1, b"1", false),
        publish("shop/\0", 1, b"1", false),
        Packet::Connect(connect("again")),
        Packet::PubAck(PubAck::new(1)),
        Packet::PingResp,
    ] {
        let mut sensor = door.sensor("clumsy").await;
        sensor.send(offence.clone()).await;
        assert_eq!(sensor.next().await, None, "{offence:?}");
    }
    assert_eq!(stored.len(), 0);
    // A goodbye is no offence.
    let mut sensor = door.sensor("clumsy").await;
    sensor.send(Packet::Disconnect).await;
    assert_eq!(sensor.next().await, None);
    eventually(|| door.counted("door: the client said goodbye") == 1).await;
}

#[tokio::test]
async fn another_version_of_mqtt_is_told_so() {
    let (door, _queue) = open(loopback(), 64).await;
    // A CONNECT of MQTT 5 with empty properties and client id "x".
    let v5 = b"\x10\x0e\x00\x04MQTT\x05\x02\x00\x3c\x00\x00\x01x";
    let mut stream = TcpStream::connect(door.address).await.unwrap();
    stream.write_all(v5).await.unwrap();
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).await.unwrap();
    assert_eq!(answer, [0x20, 2, 0, 1]);
}

#[tokio::test]
async fn garbage_is_shown_out_and_a_sensor_beside_it_notices_nothing() {
    let (door, queue) = open(loopback(), 64).await;
    let stored = Stored::commit_at_once(queue);
    let mut sensor = door.sensor("melt-probe").await;
    for garbage in [
        &b"GET / HTTP/1.1\r\nHost: bench\r\n\r\n"[..],
        &[0xff; 64],
        &[0x10, 0xff, 0xff, 0xff, 0xff, 0xff],
        &[0x30, 0x05, 0x00, 0x09, b'a', b'b', b'c'],
        &[
            0x10, 0x0c, 0x00, 0x04, b'M', b'Q', b'T', b'X', 4, 2, 0, 60, 0, 0,
        ],
    ] {
        let mut stream = TcpStream::connect(door.address).await.unwrap();
        stream.write_all(garbage).await.unwrap();
        let mut answer = Vec::new();
        // Closed, with or without a reset.
        let _ = tokio::time::timeout(SOON, stream.read_to_end(&mut answer))
            .await
            .unwrap();
        assert_eq!(answer, [0u8; 0]);
    }
    sensor.publish(1, "968.5", false).await;
    assert_eq!(sensor.next().await, puback(1));
    assert_eq!(stored.values(), [968.5]);
    assert_eq!(door.counted("door: closed, not MQTT 3.1.1"), 5);
}

#[tokio::test]
async fn packets_that_come_byte_by_byte_are_read() {
    let (door, queue) = open(loopback(), 64).await;
    let stored = Stored::commit_at_once(queue);
    let mut bytes = BytesMut::new();
    Packet::Connect(connect("slow"))
        .write(&mut bytes, 1 << 16)
        .unwrap();
    publish(MELT, 1, b"968.5", false)
        .write(&mut bytes, 1 << 16)
        .unwrap();
    let mut stream = TcpStream::connect(door.address).await.unwrap();
    stream.set_nodelay(true).unwrap();
    for byte in bytes {
        stream.write_all(&[byte]).await.unwrap();
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
    stored.reach(1).await;
    assert_eq!(stored.values(), [968.5]);
}

#[tokio::test]
async fn those_who_dawdle_are_let_go() {
    let mut settings = loopback();
    settings.limits.connect_within = Duration::from_millis(150);
    settings.limits.idle_without_keep_alive = Duration::from_millis(300);
    let (door, _queue) = open(settings, 64).await;
    // Half a CONNECT, and then nothing.
    let mut loris = TcpStream::connect(door.address).await.unwrap();
    loris.write_all(&[0x10, 0x20, 0x00]).await.unwrap();
    let mut answer = Vec::new();
    tokio::time::timeout(SOON, loris.read_to_end(&mut answer))
        .await
        .unwrap()
        .unwrap();
    eventually(|| door.counted("door: closed, no CONNECT in time") == 1).await;
    // A keep-alive of 1 s ends after 1.5 s; none at all after the limit.
    for (keep_alive, least) in [(1, 1400), (0, 250)] {
        let mut silent = connect("silent");
        silent.keep_alive = keep_alive;
        let (mut sensor, _) = door.knock(silent).await;
        let since = std::time::Instant::now();
        assert_eq!(sensor.next().await, None);
        assert!(since.elapsed() >= Duration::from_millis(least));
    }
}

#[tokio::test]
async fn a_packet_over_the_limit_is_refused_and_does_not_come_for_ever() {
    let (door, queue) = open(loopback(), 64).await;
    let stored = Stored::commit_at_once(queue);
    let mut sensor = door.sensor("talker").await;
    let large = vec![b'9'; 100 * 1024];
    sensor.send(publish(MELT, 1, &large, false)).await;
    sensor.publish(2, "968.5", false).await;
    assert_eq!(sensor.next().await, puback(1));
    assert_eq!(sensor.next().await, puback(2));
    assert_eq!(stored.reasons(), ["packet over the limit"]);
    assert_eq!(stored.values(), [968.5]);
    // Twice the largest that is passed over.
    let huge = vec![b'9'; 2 * 1024 * 1024];
    let sending = futures_util::SinkExt::send(&mut sensor.0, publish(MELT, 3, &huge, false));
    let _ = sending.await;
    assert_eq!(sensor.next().await, None);
    eventually(|| door.counted("door: closed, packet over the limit") == 1).await;
    assert_eq!(stored.len(), 2);
}

#[tokio::test]
async fn two_hundred_idle_connections_keep_nobody_out() {
    let mut settings = loopback();
    settings.limits.waiting = 16;
    let (door, queue) = open(settings, 64).await;
    let _stored = Stored::commit_at_once(queue);
    let mut idle = Vec::new();
    for _ in 0..200 {
        idle.push(TcpStream::connect(door.address).await.unwrap());
    }
    let mut sensor = door.sensor("melt-probe").await;
    sensor.publish(1, "968.5", false).await;
    assert_eq!(sensor.next().await, puback(1));
    eventually(|| door.counted("door: turned away, too many waiting") >= 180).await;
}

#[tokio::test]
async fn clients_over_the_limit_are_told_so() {
    let mut settings = loopback();
    settings.limits.connections = 3;
    let (door, _queue) = open(settings, 64).await;
    let mut inside = Vec::new();
    for i in 0..3 {
        inside.push(door.sensor(&format!("sensor-{i}")).await);
    }
    assert_eq!(
        door.knock(connect("one-more")).await.1,
        Some((ConnectReturnCode::ServiceUnavailable, false))
    );
    // A client that comes back takes its own place; one that leaves makes room.
    let _again = door.sensor("sensor-1").await;
    drop(inside.remove(0));
    let tries = async {
        while door.knock(connect("one-more")).await.1.unwrap().0 != ConnectReturnCode::Success {}
    };
    tokio::time::timeout(SOON, tries).await.unwrap();
}

#[tokio::test]
async fn a_client_that_reads_no_answers_stops_only_itself() {
    let mut settings = loopback();
    settings.limits.write_within = Duration::from_millis(300);
    let (door, queue) = open(settings, 16).await;
    let _stored = Stored::commit_at_once(queue);
    let mut flood = BytesMut::new();
    Packet::Connect(connect("deaf"))
        .write(&mut flood, 1 << 16)
        .unwrap();
    for i in 0..20_000u32 {
        publish(MELT, (i % 60_000) as u16 + 1, b"1", false)
            .write(&mut flood, 1 << 16)
            .unwrap();
        Packet::PingReq.write(&mut flood, 1 << 16).unwrap();
    }
    let deaf = TcpStream::connect(door.address).await.unwrap();
    let (_never_read, mut deaf) = deaf.into_split();
    let flooding = tokio::spawn(async move {
        for _ in 0..50 {
            if deaf.write_all(&flood).await.is_err() {
                break;
            }
        }
    });
    let mut sensor = door.sensor("melt-probe").await;
    for packet in 1..=20 {
        sensor.publish(packet, "968.5", false).await;
        assert_eq!(sensor.next().await, puback(packet));
    }
    flooding.abort();
}

#[tokio::test]
async fn at_the_stop_what_was_taken_is_acknowledged_first() {
    let (door, mut queue) = open(loopback(), 64).await;
    let mut sensor = door.sensor("melt-probe").await;
    let mut idle = door.sensor("idle").await;
    sensor.publish(1, "968.5", false).await;
    let taken = next(&mut queue).await;
    door.stop.tell();
    assert_eq!(idle.next().await, None);
    sensor.publish(2, "969.0", false).await;
    tokio::time::sleep(AWHILE).await;
    assert!(!door.running.is_finished(), "it still owes an answer");
    acknowledge(&taken);
    assert_eq!(sensor.next().await, puback(1));
    assert_eq!(sensor.next().await, None);
    tokio::time::timeout(SOON, door.running)
        .await
        .unwrap()
        .unwrap();
    assert!(queue.try_recv().is_err(), "nothing is taken after the stop");
    assert!(TcpStream::connect(door.address).await.is_err());
}

#[tokio::test]
async fn a_stop_is_not_held_up_by_a_disk_that_hangs() {
    let mut settings = loopback();
    settings.limits.drain_within = Duration::from_millis(200);
    let (door, mut queue) = open(settings, 64).await;
    let mut sensor = door.sensor("melt-probe").await;
    sensor.publish(1, "968.5", false).await;
    let _never_acknowledged = next(&mut queue).await;
    door.stop.tell();
    tokio::time::timeout(Duration::from_secs(3), door.running)
        .await
        .unwrap()
        .unwrap();
}

#[tokio::test]
async fn the_usual_command_line_publisher_gets_through() {
    let (door, queue) = open(loopback(), 64).await;
    let stored = Stored::commit_at_once(queue);
    let port = door.address.port().to_string();
    let sent = tokio::task::spawn_blocking(move || {
        std::process::Command::new("mosquitto_pub")
            .args(["-p", &port, "-t", MELT, "-q", "1", "-m", "968.5"])
            .status()
    })
    .await
    .unwrap()
    .expect("mosquitto_pub, of the Debian package mosquitto-clients, is needed");
    assert!(sent.success());
    assert_eq!(stored.values(), [968.5]);
}

/// Every whole frame in `bytes`, fed in pieces of `step`.
fn decode(bytes: &[u8], step: usize) -> (Vec<Frame>, bool) {
    let limits = Limits {
        packet_bytes: 256,
        passed_over_bytes: 4096,
        ..Limits::default()
    };
    let mut wire = Wire::new(&limits);
    let mut buffer = BytesMut::new();
    let mut frames = Vec::new();
    for piece in bytes.chunks(step) {
        buffer.extend_from_slice(piece);
        loop {
            match wire.decode(&mut buffer) {
                Ok(Some(frame)) => {
                    let last = matches!(frame, Frame::OtherVersion(_));
                    frames.push(frame);
                    if last {
                        return (frames, false);
                    }
                }
                Ok(None) => break,
                Err(_) => return (frames, true),
            }
        }
    }
    (frames, false)
}

proptest! {
    /// No bytes can make the door panic, nor does it matter how the network cuts them.
    #[test]
    fn no_bytes_can_break_the_door(
        head in prop_oneof![
            Just(Vec::new()),
            Just(b"\x10\x0d\x00\x04MQTT\x04\x02\x00\x3c\x00\x01x".to_vec()),
        ],
        noise in proptest::collection::vec(any::<u8>(), 0..600),
        step in 1usize..50,
    ) {
        let mut bytes = head;
        bytes.extend(noise);
        prop_assert_eq!(decode(&bytes, step), decode(&bytes, 10_000));
    }

    /// Valid packets with a byte changed here and there, oversize ones among them.
    #[test]
    fn no_damaged_packet_can_break_the_door(
        sizes in proptest::collection::vec(0usize..2_000, 1..6),
        damage in proptest::collection::vec((any::<u16>(), any::<u8>()), 0..4),
        step in 1usize..200,
    ) {
        let mut bytes = BytesMut::new();
        Packet::Connect(connect("x")).write(&mut bytes, 1 << 16).unwrap();
        for (i, size) in sizes.iter().enumerate() {
            let packet = publish(MELT, i as u16, &vec![b'7'; *size], false);
            packet.write(&mut bytes, 1 << 16).unwrap();
        }
        let mut bytes = bytes.to_vec();
        let whole = damage.is_empty();
        for (at, byte) in damage {
            let at = usize::from(at) % bytes.len();
            bytes[at] = byte;
        }
        let (frames, failed) = decode(&bytes, step);
        prop_assert_eq!(&(frames.clone(), failed), &decode(&bytes, 100_000));
        if whole {
            prop_assert!(!failed);
            prop_assert_eq!(frames.len(), sizes.len() + 1);
        }
    }
}

//! One connection at the door, from accept to close. Runs as a task of its own and waits for
//! nobody but its own client and the writer's queue, so a slow or hostile client stops only
//! itself.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use futures_util::{SinkExt, StreamExt};
use rumqttc::QoS;
use rumqttc::mqttbytes::v4::{
    ConnAck, Connect, ConnectReturnCode, Packet, PubAck, Publish, SubAck, SubscribeReasonCode,
    UnsubAck,
};
use tokio::net::TcpStream;
use tokio::sync::mpsc;
use tokio::time::{Instant, sleep_until, timeout};
use tokio_util::codec::Framed;

use super::wire::{Frame, PassedOver, Wire, WireError};
use super::{House, NotIn, Seat, Stay};
use crate::mqtt::ingest::{Message, WriterGone};
use crate::shutdown::Shutdown;

/// How a connection ended, in words to count it under.
type Ended = &'static str;

/// Acknowledgements sent with one flush.
const ACKS_AT_ONCE: usize = 512;

const FAREWELL: Ended = "the client said goodbye";
const NOT_MQTT: Ended = "closed, not MQTT 3.1.1";
const TOO_LARGE: Ended = "closed, packet over the limit";
const BROKE: Ended = "the connection broke";
const NOT_READ: Ended = "closed, the client did not read its answers";
const STOPPED: Ended = "closed at the stop of the daemon";

/// Serves one connection to its end.
pub(super) async fn serve(
    house: Arc<House>,
    stream: TcpStream,
    peer: SocketAddr,
    seat: Seat,
    shutdown: Shutdown,
) {
    // Small answers must not wait for more; a failure here is harmless.
    let _ = stream.set_nodelay(true);
    let wire = Wire::new(&house.settings.limits);
    let mut link = Link {
        framed: Framed::new(stream, wire),
        write_within: house.settings.limits.write_within,
    };
    let ended = match welcome(&house, &mut link, seat, shutdown.clone()).await {
        Ok(guest) => {
            let ended = listen(&house, &mut link, &guest, shutdown).await;
            tracing::debug!(%peer, client = &*guest.stay.client, ended, "door");
            ended
        }
        Err(ended) => {
            tracing::debug!(%peer, ended, "door");
            ended
        }
    };
    house.ingest.count(&format!("door: {ended}"));
}

struct Link {
    framed: Framed<TcpStream, Wire>,
    write_within: Duration,
}

impl Link {
    /// Sends packets with one flush; a client that does not take them in time is let go.
    async fn send(&mut self, packets: impl IntoIterator<Item = Packet>) -> Result<(), Ended> {
        let sending = async {
            for packet in packets {
                self.framed.feed(packet).await?;
            }
            self.framed.flush().await
        };
        match timeout(self.write_within, sending).await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(_)) => Err(BROKE),
            Err(_) => Err(NOT_READ),
        }
    }
}

/// A client that was let in.
struct Known {
    stay: Stay,
    topic_prefix: String,
    /// Silence after which it is let go.
    idle: Duration,
}

/// From accept to CONNACK.
async fn welcome(
    house: &Arc<House>,
    link: &mut Link,
    seat: Seat,
    mut shutdown: Shutdown,
) -> Result<Known, Ended> {
    let turned_away = seat.turned_away.clone();
    let connection = seat.connection;
    tokio::select! {
        known = introduce(house, link, connection) => {
            drop(seat);
            known
        }
        () = turned_away.cancelled() => Err("turned away while waiting"),
        () = shutdown.told() => Err(STOPPED),
    }
}

async fn introduce(house: &Arc<House>, link: &mut Link, connection: u64) -> Result<Known, Ended> {
    let limits = &house.settings.limits;
    let first = timeout(limits.connect_within, link.framed.next())
        .await
        .map_err(|_| "closed, no CONNECT in time")?;
    let connect = match first {
        Some(Ok(Frame::Packet(Packet::Connect(connect)))) => connect,
        Some(Ok(Frame::OtherVersion(_))) => {
            return refuse(
                link,
                ConnectReturnCode::RefusedProtocolVersion,
                "refused, another version of MQTT",
            )
            .await;
        }
        Some(Ok(_)) => return Err(NOT_MQTT),
        Some(Err(error)) => return Err(ended_by(&error)),
        None => return Err(BROKE),
    };

    let (user, topic_prefix) = if house.settings.logins.is_empty() {
        (None, String::new())
    } else {
        let Some(given) = &connect.login else {
            return refuse(link, ConnectReturnCode::NotAuthorized, "refused, no login").await;
        };
        match house.settings.login(&given.username, &given.password) {
            Some(login) => (
                Some(Arc::from(login.user.as_str())),
                login.topic_prefix.clone(),
            ),
            None => {
                tokio::time::sleep(limits.wrong_password_wait).await;
                return refuse(
                    link,
                    ConnectReturnCode::BadUserNamePassword,
                    "refused, wrong user or password",
                )
                .await;
            }
        }
    };

    let Some(client) = client_id(&connect, limits.client_id_bytes) else {
        return refuse(
            link,
            ConnectReturnCode::BadClientId,
            "refused, unfit client id",
        )
        .await;
    };
    let stay = match house.enter(&client, user, connection).await {
        Ok(stay) => stay,
        Err(NotIn::Full) => {
            return refuse(
                link,
                ConnectReturnCode::ServiceUnavailable,
                "refused, too many clients",
            )
            .await;
        }
        Err(NotIn::NotYours) => {
            return refuse(
                link,
                ConnectReturnCode::BadClientId,
                "refused, another user's client id",
            )
            .await;
        }
        Err(NotIn::Stuck) => {
            return refuse(
                link,
                ConnectReturnCode::ServiceUnavailable,
                "refused, the older connection did not end",
            )
            .await;
        }
    };
    let present = house.session(&client, !connect.clean_session);
    let welcome = ConnAck::new(ConnectReturnCode::Success, present);
    link.send([Packet::ConnAck(welcome)]).await?;
    let idle = match connect.keep_alive {
        0 => limits.idle_without_keep_alive,
        // One and a half times the keep-alive (MQTT 3.1.1, [MQTT-3.1.2-24]).
        seconds => Duration::from_millis(u64::from(seconds) * 1500),
    };
    Ok(Known {
        stay,
        topic_prefix,
        idle,
    })
}

async fn refuse(link: &mut Link, code: ConnectReturnCode, ended: Ended) -> Result<Known, Ended> {
    // Whether or not it still hears why, it is not let in.
    let _ = link
        .send([Packet::ConnAck(ConnAck::new(code, false))])
        .await;
    Err(ended)
}

/// The client's id, or one of our making for a client that has none and wants no session
/// ([MQTT-3.1.3-6], [MQTT-3.1.3-8]).
fn client_id(connect: &Connect, longest: usize) -> Option<Arc<str>> {
    let id = &connect.client_id;
    if id.is_empty() {
        return connect
            .clean_session
            .then(|| Arc::from(format!("unnamed-{}", uuid::Uuid::new_v4()).as_str()));
    }
    let fit = id.len() <= longest && !id.chars().any(char::is_control);
    fit.then(|| Arc::from(id.as_str()))
}

/// From CONNACK to the end.
async fn listen(
    house: &Arc<House>,
    link: &mut Link,
    known: &Known,
    mut shutdown: Shutdown,
) -> Ended {
    let limits = &house.settings.limits;
    let guest = &known.stay.guest;
    let (ack_to, mut acks) = mpsc::unbounded_channel();
    let mut unacknowledged = 0;
    let mut leave_by = Instant::now() + known.idle;
    let mut stopping = false;
    loop {
        let reading = !stopping && unacknowledged < limits.in_flight;
        tokio::select! {
            biased;
            () = guest.leave.cancelled() => return "taken over by a newer connection",
            () = shutdown.told(), if !stopping => {
                stopping = true;
                leave_by = Instant::now() + limits.drain_within;
                if unacknowledged == 0 {
                    return STOPPED;
                }
            }
            Some(first) = acks.recv() => {
                let mut packets = vec![first];
                while packets.len() < ACKS_AT_ONCE && let Ok(next) = acks.try_recv() {
                    packets.push(next);
                }
                unacknowledged -= packets.len();
                let packets = packets.into_iter().map(|p| Packet::PubAck(PubAck::new(p)));
                if let Err(ended) = link.send(packets).await {
                    return ended;
                }
                if stopping && unacknowledged == 0 {
                    return STOPPED;
                }
                if !stopping && !reading {
                    // It was silent because it was not read from.
                    leave_by = Instant::now() + known.idle;
                }
            }
            () = sleep_until(leave_by), if reading || stopping => {
                return if stopping { STOPPED } else { "closed, silent for too long" };
            }
            frame = link.framed.next(), if reading => {
                let taken = async {
                    match frame {
                        Some(Ok(frame)) => take(house, link, known, &ack_to, frame).await,
                        Some(Err(error)) => Err(ended_by(&error)),
                        None => Err(BROKE),
                    }
                };
                // A newer connection need not wait for the writer's queue.
                let taken = tokio::select! {
                    taken = taken => taken,
                    () = guest.leave.cancelled() => return "taken over by a newer connection",
                };
                match taken {
                    Ok(owed) => unacknowledged += owed,
                    Err(ended) => return ended,
                }
                leave_by = Instant::now() + known.idle;
            }
        }
    }
}

/// Deals with one packet; returns how many acknowledgements it will be owed.
async fn take(
    house: &Arc<House>,
    link: &mut Link,
    known: &Known,
    ack_to: &mpsc::UnboundedSender<u16>,
    frame: Frame,
) -> Result<usize, Ended> {
    let packet = match frame {
        Frame::Packet(packet) => packet,
        Frame::PassedOver(passed) => return take_passed(house, known, ack_to, &passed).await,
        Frame::OtherVersion(_) => return Err(NOT_MQTT),
    };
    match packet {
        Packet::Publish(publish) => take_publish(house, known, ack_to, &publish).await,
        Packet::PingReq => link.send([Packet::PingResp]).await.map(|()| 0),
        Packet::Disconnect => Err(FAREWELL),
        Packet::Subscribe(subscribe) => {
            house.ingest.count("door: subscriptions refused");
            let failures = vec![SubscribeReasonCode::Failure; subscribe.filters.len()];
            link.send([Packet::SubAck(SubAck::new(subscribe.pkid, failures))])
                .await
                .map(|()| 0)
        }
        Packet::Unsubscribe(unsubscribe) => link
            .send([Packet::UnsubAck(UnsubAck::new(unsubscribe.pkid))])
            .await
            .map(|()| 0),
        _ => Err("closed, a packet that has no place here"),
    }
}

async fn take_publish(
    house: &Arc<House>,
    known: &Known,
    ack_to: &mpsc::UnboundedSender<u16>,
    publish: &Publish,
) -> Result<usize, Ended> {
    if publish.qos == QoS::ExactlyOnce {
        return Err("closed, QoS 2 is not spoken here; QoS 1 loses nothing");
    }
    let topic = publish.topic.as_str();
    check_topic(topic)?;
    let message = Message {
        source: &house.source,
        client: &known.stay.client,
        connection: known.stay.guest.connection,
        topic,
        payload: &publish.payload,
        packet: publish.pkid,
        dup: publish.dup,
        retained: false,
        ack: Some(ack_to),
    };
    let taken = if topic.len() > house.settings.limits.topic_bytes {
        house.ingest.refuse(message, "topic too long").await
    } else if !topic.starts_with(&known.topic_prefix) {
        house
            .ingest
            .refuse(message, "a topic that its sender may not use")
            .await
    } else {
        house.ingest.take(message).await
    };
    owed(taken, publish.pkid)
}

async fn take_passed(
    house: &Arc<House>,
    known: &Known,
    ack_to: &mpsc::UnboundedSender<u16>,
    passed: &PassedOver,
) -> Result<usize, Ended> {
    check_topic(&passed.topic)?;
    tracing::warn!(
        client = &*known.stay.client,
        topic = passed.topic,
        bytes = passed.bytes,
        "a packet over the limit was refused"
    );
    let message = Message {
        source: &house.source,
        client: &known.stay.client,
        connection: known.stay.guest.connection,
        topic: &passed.topic,
        payload: &passed.start,
        packet: passed.packet,
        dup: passed.dup,
        retained: false,
        ack: Some(ack_to),
    };
    let taken = house.ingest.refuse(message, "packet over the limit").await;
    owed(taken, passed.packet)
}

/// What a topic name may never be ([MQTT-3.3.2-2], [MQTT-4.7.3-1], [MQTT-1.5.3-2]).
fn check_topic(topic: &str) -> Result<(), Ended> {
    if topic.is_empty() || topic.contains(['+', '#', '\0']) {
        return Err("closed, a topic that is none");
    }
    Ok(())
}

fn owed(taken: Result<(), WriterGone>, packet: u16) -> Result<usize, Ended> {
    match taken {
        Ok(()) => Ok(usize::from(packet != 0)),
        Err(WriterGone) => Err("closed, nothing can be stored"),
    }
}

fn ended_by(error: &WireError) -> Ended {
    match error {
        WireError::TooLarge { .. } => TOO_LARGE,
        WireError::NotMqtt(_) => NOT_MQTT,
        WireError::Io(_) => BROKE,
    }
}

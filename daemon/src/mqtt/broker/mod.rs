//! The client for a broker of the shop's own. Everything that is particular to the client
//! library stays in here.
//!
//! Acknowledged by hand, in the order of receipt, each acknowledgement only over the connection
//! its message came by:
//!
//! - Every connection has a number and a channel of its own for acknowledgements. When it ends
//!   the channel's receiver goes, so acknowledgements of a dead connection have nowhere to go.
//! - The library keeps packets it had read when a connection broke and hands them out after the
//!   next connection's CONNACK. They are taken out at once and journaled under the connection
//!   they came by, unacknowledged: the broker sends them again, marked, and then they are
//!   repeats; and if the broker lost its memory, they are not lost.
//! - The library does not subscribe again by itself, nor look at refused subscriptions: both
//!   are done here, at every CONNACK.
//! - pourbook publishes at QoS 0 only. A publish of higher QoS can block the library's request
//!   channel, and the acknowledgements in it, for ever.

mod settings;

#[cfg(test)]
mod tests;

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use analysis::time::Micros;
use rumqttc::{
    AsyncClient, ConnectReturnCode, ConnectionError, Event, EventLoop, Incoming, LastWill,
    MqttOptions, Outgoing, Publish, QoS, StateError, SubscribeFilter, SubscribeReasonCode,
    mqttbytes,
};
use serde::Serialize;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep_until, timeout};

pub use settings::{BrokerError, BrokerSettings};

use super::ingest::{BROKER, Ingest, Message, WriterGone};
use super::status::{MachineStatus, StatusBoard, status_topic, will_topic};
use crate::shutdown::Shutdown;

/// Largest packet, bytes. A larger one ends the connection, and a broker that has it stored
/// sends it again at once; Mosquitto's `message_size_limit` should be below this.
const PACKET_BYTES: usize = 1024 * 1024;
/// Room in the library's request channel, which carries the acknowledgements.
const REQUESTS: usize = 4096;
/// A connection that lasted this long resets the back-off.
const HEALTHY: Duration = Duration::from_secs(60);
/// A connection that ends within this of its CONNACK may have been kicked by another client
/// with the same id.
const KICKED_WITHIN: Duration = Duration::from_secs(15);
/// So many such ends within a minute are said to be that.
const KICKS: usize = 3;

/// How things stand with the broker.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BrokerState {
    /// Connected. While not, silence says nothing about the sensors.
    pub connected: bool,
    /// The broker has answered our subscriptions: what is published from now on reaches us or
    /// waits for us.
    pub subscribed: bool,
    /// Since when it is as it is; before the first attempt, none.
    pub since: Option<Micros>,
    /// Connections so far.
    pub connections: u64,
    /// Why not connected, or what is wrong though it is, in words.
    pub trouble: Option<String>,
    /// Topics that the broker would not let us subscribe to.
    pub refused_topics: Vec<String>,
}

/// A client that has not yet connected.
pub struct Broker {
    settings: BrokerSettings,
    board: StatusBoard,
    state: watch::Sender<BrokerState>,
}

impl Broker {
    /// A client with these settings that publishes what is posted on `board`.
    ///
    /// # Errors
    /// [`BrokerError`] for settings that cannot work.
    pub fn new(settings: BrokerSettings, board: StatusBoard) -> Result<Broker, BrokerError> {
        settings.check()?;
        Ok(Broker {
            settings,
            board,
            state: watch::Sender::new(BrokerState {
                connected: false,
                subscribed: false,
                since: None,
                connections: 0,
                trouble: None,
                refused_topics: Vec::new(),
            }),
        })
    }

    /// How things stand, now and at every change.
    pub fn state(&self) -> watch::Receiver<BrokerState> {
        self.state.subscribe()
    }

    /// Stays connected until told to stop; then takes nothing more, waits for what is not yet
    /// acknowledged (for a bounded time, so the writer must still be running), says offline and
    /// goodbye.
    ///
    /// # Errors
    /// [`WriterGone`]: nothing can be stored any more.
    pub async fn run(self, ingest: Ingest, shutdown: Shutdown) -> Result<(), WriterGone> {
        let filters = self.filters(&ingest);
        let (client, eventloop) = AsyncClient::new(self.options(), REQUESTS);
        Run {
            filters,
            client,
            eventloop,
            ingest,
            source: BROKER.into(),
            id: self.settings.client_id.as_str().into(),
            settings: self.settings,
            board: self.board,
            state: self.state,
            link: None,
            kicks: VecDeque::new(),
        }
        .run(shutdown)
        .await
    }

    fn filters(&self, ingest: &Ingest) -> Vec<String> {
        let mut filters = ingest.topics();
        filters.extend(self.settings.also.iter().cloned());
        filters
    }

    fn options(&self) -> MqttOptions {
        let s = &self.settings;
        let mut options = MqttOptions::new(&s.client_id, &s.host, s.port);
        options
            .set_clean_session(false)
            .set_manual_acks(true)
            .set_keep_alive(s.keep_alive)
            .set_max_packet_size(PACKET_BYTES, PACKET_BYTES);
        if let Some((user, password)) = &s.login {
            options.set_credentials(user, password);
        }
        // Plain data always serialises; an empty will would still say offline by coming.
        let offline = serde_json::to_vec(&MachineStatus::default()).unwrap_or_default();
        options.set_last_will(LastWill::new(
            will_topic(&s.machines),
            offline,
            QoS::AtMostOnce,
            true,
        ));
        options
    }
}

struct Run {
    settings: BrokerSettings,
    filters: Vec<String>,
    client: AsyncClient,
    eventloop: EventLoop,
    ingest: Ingest,
    source: Arc<str>,
    id: Arc<str>,
    board: StatusBoard,
    state: watch::Sender<BrokerState>,
    link: Option<Connected>,
    kicks: VecDeque<Instant>,
}

/// One connection, from its CONNACK on.
struct Connected {
    number: u64,
    since: Instant,
    ack_to: mpsc::UnboundedSender<u16>,
    unacknowledged: usize,
    /// Subscribes, passes acknowledgements and posts on to the library.
    outgoing: JoinHandle<()>,
    /// Filters by the packet id of their SUBSCRIBE are not known to us, but there is only one.
    subscribed: bool,
}

/// Why a connection ended.
enum Ended {
    Broken(ConnectionError),
    WriterFull,
    /// At a stop: everything taken was acknowledged.
    NothingOwed,
}

impl Run {
    async fn run(mut self, mut shutdown: Shutdown) -> Result<(), WriterGone> {
        let mut back_off = self.settings.back_off_least;
        let mut same = (String::new(), 0u32);
        loop {
            let ended = tokio::select! {
                ended = self.until_end(false) => ended?,
                () = shutdown.told() => return self.stop().await,
            };
            let lasted = self.link.as_ref().map(|link| link.since.elapsed());
            self.end_link().await?;
            let words = in_words(&ended, &self.settings);
            same = if same.0 == words {
                (words, same.1 + 1)
            } else {
                (words, 1)
            };
            self.tell_end(&same, lasted);
            if lasted.is_some_and(|lasted| lasted >= HEALTHY) {
                back_off = self.settings.back_off_least;
            }
            let retry = Instant::now() + jittered(back_off);
            back_off = (back_off * 2).min(self.settings.back_off_most);
            tokio::select! {
                () = sleep_until(retry) => {}
                () = shutdown.told() => return Ok(()),
            }
        }
    }

    /// Polls until the connection ends, or, when `stopping`, until nothing is owed any more.
    async fn until_end(&mut self, stopping: bool) -> Result<Ended, WriterGone> {
        loop {
            match self.eventloop.poll().await {
                Ok(Event::Incoming(Incoming::ConnAck(_))) => self.begin_link(),
                Ok(Event::Incoming(Incoming::SubAck(suback))) => {
                    self.subscribed(&suback.return_codes)
                }
                Ok(Event::Incoming(Incoming::Publish(publish))) if !stopping => {
                    let Some(link) = &mut self.link else {
                        continue;
                    };
                    let message = Message {
                        source: &self.source,
                        client: &self.id,
                        connection: link.number,
                        topic: &publish.topic,
                        payload: &publish.payload,
                        packet: publish.pkid,
                        dup: publish.dup,
                        retained: publish.retain,
                        ack: Some(&link.ack_to),
                    };
                    // While the writer's queue is full nothing is read, so the broker slows
                    // down; but not for so long that it thinks us dead.
                    match timeout(self.settings.patience, self.ingest.take(message)).await {
                        Ok(taken) => taken?,
                        Err(_) => return Ok(Ended::WriterFull),
                    }
                    if publish.qos != QoS::AtMostOnce {
                        link.unacknowledged += 1;
                    }
                }
                Ok(Event::Outgoing(Outgoing::PubAck(_))) => {
                    if let Some(link) = &mut self.link {
                        link.unacknowledged = link.unacknowledged.saturating_sub(1);
                    }
                }
                Ok(_) => {}
                Err(error) => return Ok(Ended::Broken(error)),
            }
            self.settle();
            if stopping
                && self
                    .link
                    .as_ref()
                    .is_none_or(|link| link.unacknowledged == 0)
            {
                return Ok(Ended::NothingOwed);
            }
        }
    }

    /// After a minute of connection nobody is kicking us any more.
    fn settle(&mut self) {
        let lasting = self
            .link
            .as_ref()
            .is_some_and(|link| link.since.elapsed() >= HEALTHY);
        if lasting && !self.kicks.is_empty() {
            self.kicks.clear();
            self.state.send_modify(|state| {
                if state.refused_topics.is_empty() {
                    state.trouble = None;
                }
            });
        }
    }

    fn begin_link(&mut self) {
        let number = self.ingest.next_connection();
        let (ack_to, acks) = mpsc::unbounded_channel();
        let outgoing = tokio::spawn(outgoing(
            self.client.clone(),
            self.filters.clone(),
            acks,
            self.board.clone(),
        ));
        self.link = Some(Connected {
            number,
            since: Instant::now(),
            ack_to,
            unacknowledged: 0,
            outgoing,
            subscribed: false,
        });
        let now = self.ingest.now();
        self.state.send_modify(|state| {
            state.connected = true;
            state.subscribed = false;
            state.since = Some(now);
            state.connections += 1;
            // A client that is kicked connects too; only a lasting connection clears that.
            if self.kicks.len() < KICKS {
                state.trouble = None;
            }
        });
        tracing::info!(
            host = self.settings.host,
            port = self.settings.port,
            "connected to the broker"
        );
    }

    fn subscribed(&mut self, codes: &[SubscribeReasonCode]) {
        let Some(link) = &mut self.link else {
            return;
        };
        if std::mem::replace(&mut link.subscribed, true) {
            return;
        }
        let refused: Vec<String> = self
            .filters
            .iter()
            .zip(codes)
            .filter(|(_, code)| **code == SubscribeReasonCode::Failure)
            .map(|(filter, _)| filter.clone())
            .collect();
        if !refused.is_empty() {
            self.ingest.count("broker: subscriptions refused");
            tracing::error!(
                topics = refused.join(", "),
                "the broker does not let us hear these topics; allow them in its access list"
            );
        }
        let unsafe_topics: Vec<&str> = self
            .filters
            .iter()
            .zip(codes)
            .filter(|(_, code)| **code == SubscribeReasonCode::Success(QoS::AtMostOnce))
            .map(|(filter, _)| filter.as_str())
            .collect();
        if !unsafe_topics.is_empty() {
            tracing::warn!(
                topics = unsafe_topics.join(", "),
                "the broker grants only QoS 0 here: what it sends while we are away is lost"
            );
        }
        self.state.send_modify(|state| {
            state.subscribed = true;
            if !refused.is_empty() {
                state.trouble = Some(format!(
                    "the broker does not let us hear {}; allow it in its access list",
                    refused.join(", ")
                ));
            }
            state.refused_topics = refused;
        });
    }

    /// Ends the connection for good: nothing of it can be acknowledged any more, and what the
    /// library had already read of it is journaled.
    async fn end_link(&mut self) -> Result<(), WriterGone> {
        let link = self.link.take();
        if let Some(link) = &link {
            link.outgoing.abort();
        }
        let (number, outgoing) = match link {
            Some(link) => (Some(link.number), Some(link.outgoing)),
            None => (None, None),
        };
        if let Some(outgoing) = outgoing {
            // Aborted, so it ends at once; until it has, it could still put an acknowledgement
            // into the library's channel.
            let _ = outgoing.await;
        }
        // Drops the connection and every acknowledgement still in the library's channel.
        self.eventloop.clean();
        let stale = std::mem::take(&mut self.eventloop.state.events);
        let Some(number) = number else {
            return Ok(());
        };
        for event in stale {
            let Event::Incoming(Incoming::Publish(publish)) = event else {
                continue;
            };
            let message = Message {
                source: &self.source,
                client: &self.id,
                connection: number,
                topic: &publish.topic,
                payload: &publish.payload,
                packet: publish.pkid,
                dup: publish.dup,
                retained: publish.retain,
                ack: None,
            };
            match timeout(self.settings.patience, self.ingest.take(message)).await {
                Ok(taken) => taken?,
                Err(_) => {
                    // At QoS 1 it comes again; at QoS 0 nobody promised anything.
                    self.ingest
                        .count("broker: left unread at a broken connection");
                }
            }
        }
        Ok(())
    }

    fn tell_end(&mut self, (words, times): &(String, u32), lasted: Option<Duration>) {
        let now = Instant::now();
        if lasted.is_some_and(|lasted| lasted < KICKED_WITHIN) {
            self.kicks.push_back(now);
        }
        self.kicks
            .retain(|kick| now.duration_since(*kick) < Duration::from_secs(60));
        let trouble = if self.kicks.len() >= KICKS {
            format!(
                "the broker ended the connection {} times within a minute, each time soon after \
                 it was made: most likely a second program connects as \"{}\"; give one of them \
                 another client_id ({words})",
                self.kicks.len(),
                self.settings.client_id
            )
        } else if *times >= 3 {
            format!("{words} ({times} times in a row)")
        } else {
            words.clone()
        };
        self.ingest.count("broker: connections ended or not made");
        if times.is_power_of_two() {
            tracing::warn!(trouble, "no connection to the broker; trying again");
        }
        let at = self.ingest.now();
        self.state.send_modify(|state| {
            if state.connected || state.since.is_none() {
                state.since = Some(at);
            }
            state.connected = false;
            state.subscribed = false;
            state.trouble = Some(trouble);
        });
    }

    async fn stop(mut self) -> Result<(), WriterGone> {
        let within = self.settings.drain_within;
        let owing = self.link.as_ref().map_or(0, |link| link.unacknowledged);
        if owing > 0
            && let Ok(ended) = timeout(within, self.until_end(true)).await
        {
            ended?;
        }
        if self.link.is_some() && self.eventloop.network.is_some() {
            let offline = MachineStatus {
                at: Some(self.ingest.now()),
                ..MachineStatus::default()
            };
            let json = serde_json::to_vec(&offline).unwrap_or_default();
            let mut topics: Vec<String> = self
                .settings
                .machines
                .iter()
                .map(|machine| status_topic(machine))
                .collect();
            topics.push(will_topic(&self.settings.machines));
            topics.sort();
            topics.dedup();
            for topic in topics {
                let _ = self
                    .client
                    .try_publish(topic, QoS::AtMostOnce, true, json.clone());
            }
            let _ = self.client.try_disconnect();
            let goodbye = async {
                while let Ok(event) = self.eventloop.poll().await {
                    if event == Event::Outgoing(Outgoing::Disconnect) {
                        break;
                    }
                }
            };
            let _ = timeout(Duration::from_secs(2), goodbye).await;
        }
        self.end_link().await?;
        let at = self.ingest.now();
        self.state.send_modify(|state| {
            state.connected = false;
            state.subscribed = false;
            state.since = Some(at);
        });
        Ok(())
    }
}

/// What goes out over one connection, from a task of its own: the library takes requests only
/// between what it hands out, so the task that polls it must never wait for them.
async fn outgoing(
    client: AsyncClient,
    filters: Vec<String>,
    mut acks: mpsc::UnboundedReceiver<u16>,
    board: StatusBoard,
) {
    if !filters.is_empty() {
        let filters = filters
            .into_iter()
            .map(|path| SubscribeFilter::new(path, QoS::AtLeastOnce));
        if client.subscribe_many(filters).await.is_err() {
            return;
        }
    }
    let mut changes = board.changes();
    let mut seen = 0;
    loop {
        let (posts, last) = board.after(seen);
        seen = last;
        for (topic, json) in posts {
            if client
                .publish(topic, QoS::AtMostOnce, true, json)
                .await
                .is_err()
            {
                return;
            }
        }
        tokio::select! {
            biased;
            ack = acks.recv() => {
                let Some(packet) = ack else { return };
                let mut publish = Publish::new("", QoS::AtLeastOnce, Vec::new());
                publish.pkid = packet;
                if client.ack(&publish).await.is_err() {
                    return;
                }
            }
            changed = changes.changed() => {
                if changed.is_err() {
                    return;
                }
            }
        }
    }
}

/// Between half of `most` and all of it, so that two daemons do not keep step.
fn jittered(most: Duration) -> Duration {
    let random = uuid::Uuid::new_v4().as_u128() as u32;
    most / 2 + most.mul_f64(f64::from(random) / f64::from(u32::MAX) / 2.0)
}

fn in_words(ended: &Ended, settings: &BrokerSettings) -> String {
    let at = format!("{}:{}", settings.host, settings.port);
    match ended {
        Ended::NothingOwed => "stopped".to_owned(),
        Ended::WriterFull => "the disk does not keep up; the broker holds what comes".to_owned(),
        Ended::Broken(ConnectionError::ConnectionRefused(code)) => match code {
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized => {
                format!("the broker at {at} refuses our user or password")
            }
            ConnectReturnCode::BadClientId => format!(
                "the broker at {at} refuses the client_id \"{}\"",
                settings.client_id
            ),
            other => format!("the broker at {at} refuses us: {other:?}"),
        },
        Ended::Broken(ConnectionError::NetworkTimeout) => {
            format!("the broker at {at} does not answer")
        }
        Ended::Broken(ConnectionError::Io(error)) => {
            format!("the broker at {at} cannot be reached: {error}")
        }
        Ended::Broken(ConnectionError::MqttState(StateError::Deserialization(
            mqttbytes::Error::PayloadSizeLimitExceeded(bytes),
        ))) => format!(
            "the broker sends a packet of {bytes} bytes, over our limit of {PACKET_BYTES}, and \
             will send it again; set message_size_limit in its configuration and remove that \
             message"
        ),
        Ended::Broken(ConnectionError::MqttState(
            StateError::ConnectionAborted | StateError::Io(_),
        )) => format!("the broker at {at} closed the connection"),
        Ended::Broken(ConnectionError::MqttState(StateError::AwaitPingResp)) => {
            format!("the broker at {at} fell silent")
        }
        Ended::Broken(other) => format!("the connection to the broker at {at} failed: {other}"),
    }
}
